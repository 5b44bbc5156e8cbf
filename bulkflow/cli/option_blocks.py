"""Options that go together, named once: a command takes them as one value.

A block is a dataclass whose fields are annotated as options are. A command that has a parameter
of that type gets, in its place, the options of the block, and is given the block filled.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_type_hints

from bulkflow.cli.register_options import (
    AsOption,
    DatabaseOption,
    DryRunOption,
    tell_records,
    writing_register,
)
from bulkflow.cli.shell import JsonOption

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from bulkflow.records.chain import Record

__all__ = ["WritingOptions", "spread"]

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class WritingOptions:
    """Where a command writes, who acts, whether it is a trial, and how it answers."""

    database: DatabaseOption = None
    acting_as: AsOption = None
    dry_run: DryRunOption = False
    as_json: JsonOption = False

    def register(self, folder: Path, *, create: bool = False) -> AbstractContextManager[Session]:
        """Give a writing session on the register of a workspace; see ``writing_register``."""
        return writing_register(
            folder, self.database, self.acting_as, dry_run=self.dry_run, create=create
        )

    def tell(self, records: Sequence[Record], said: str) -> None:
        """Say what was recorded."""
        tell_records(records, as_json=self.as_json, dry_run=self.dry_run, said=said)


def spread(command: Callable[..., Result]) -> Callable[..., Result]:
    """Return a command whose blocks are spread into their options, in the same places."""
    hints = get_type_hints(command, include_extras=True)
    parameters = inspect.signature(command).parameters
    blocks = {name: hints[name] for name in parameters if is_dataclass(hints[name])}
    if not blocks:
        return command

    @wraps(command)
    def spreaded(**given: Any) -> Result:
        for name, block in blocks.items():
            given[name] = block(**{one.name: given.pop(one.name) for one in fields(block)})
        return command(**given)

    flat = [
        option
        for name, parameter in parameters.items()
        for option in (
            _options(blocks[name])
            if name in blocks
            else [parameter.replace(annotation=hints[name])]
        )
    ]
    spreaded.__signature__ = inspect.Signature(flat)  # type: ignore[attr-defined]  # read by typer
    spreaded.__annotations__ = {one.name: one.annotation for one in flat}
    return spreaded


def _options(block: Any) -> Iterator[inspect.Parameter]:
    hints = get_type_hints(block, include_extras=True)
    for one in fields(block):
        yield inspect.Parameter(
            one.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=_default(one),
            annotation=hints[one.name],
        )


def _default(one: Field[Any]) -> Any:
    return inspect.Parameter.empty if one.default is MISSING else one.default
