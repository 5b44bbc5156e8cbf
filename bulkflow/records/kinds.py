"""Kinds of record, and the components that bring them.

A kind names the type of its body and how a body is indexed. A component (records, lots, panels,
later loads and accounts) brings kinds and the migration steps of their index tables. Adding an
optional field to a body needs no new version, since fields not given are left out of the
canonical form; a change of meaning does.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from sqlalchemy import Connection, Table
from sqlalchemy.orm import Session

from bulkflow.records.canonical import canonical_text
from bulkflow.records.errors import RecordsError

__all__ = ["Body", "Component", "IndexRow", "Kind", "Step"]


class Body(BaseModel):
    """Base of every record body: immutable, and no unknown fields."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        str_strip_whitespace=True,
        # Written as they are, and so refused by the canonical form, rather than as null.
        ser_json_inf_nan="constants",
    )


B = TypeVar("B", bound=Body)

#: A table of the index and the values of one row, without ``seq``.
IndexRow = tuple[Table, Mapping[str, Any]]


def _no_rows(_: Any) -> Iterable[IndexRow]:
    return ()


@dataclass(frozen=True)
class Kind(Generic[B]):
    """One kind of record.

    Parameters
    ----------
    name : as it stands in the records, such as ``lot`` or ``hold``.
    body : the type of its body.
    subject : gives what a record is about (a lot, a person), from its body.
    rows : gives the index rows of a body.
    tables : the index tables that `rows` fills; each has a column ``seq``.
    version : of the body's meaning.
    """

    name: str
    body: type[B]
    subject: Callable[[B], str]
    rows: Callable[[B], Iterable[IndexRow]] = _no_rows
    tables: tuple[Table, ...] = ()
    version: int = 1

    def text(self, body: B) -> str:
        """Return the canonical form of a body."""
        return canonical_text(body.model_dump(mode="json", exclude_none=True))

    def read(self, version: int, text: str) -> B:
        """Return the body that a stored text holds.

        Raises
        ------
        RecordsError
            If it is of a version or form this program does not know.
        """
        if version != self.version:
            raise RecordsError(
                f"a record of kind {self.name!r} has version {version}; this program reads "
                f"version {self.version}. Use the program that wrote it, or a newer one."
            )
        try:
            return self.body.model_validate(json.loads(text))
        except (ValidationError, ValueError) as error:
            raise RecordsError(f"a record of kind {self.name!r} does not read: {error}") from error


@dataclass(frozen=True)
class Step:
    """A named step of a component's migrations.

    Parameters
    ----------
    name : unique in its component, such as ``001-lots``; steps are taken in their given order.
    apply : makes the change.
    reindex : kinds whose index tables this step makes; their records, if any are there
        already, are indexed after it.
    """

    name: str
    apply: Callable[[Connection], None]
    reindex: tuple[str, ...] = ()


@dataclass(frozen=True)
class Component:
    """A package's kinds of record and migration steps.

    Parameters
    ----------
    settle : is called before what a session wrote is kept, whichever command wrote it; raises
        where it may not be kept.
    check : says what of its own tables, beyond the index of its kinds, is not what the records
        give: the record where it shows and words; None where all of it is.
    """

    name: str
    steps: tuple[Step, ...]
    kinds: tuple[Kind[Any], ...] = field(default=())
    settle: Callable[[Session], None] | None = None
    check: Callable[[Session], tuple[int, str] | None] | None = None
