"""Where a rule of the program was written: from ids to places in the user's files."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from bulkflow.scenario.model import Scenario
from bulkflow.scenario.sources import Place, SourceMap

__all__ = ["index_path", "places_of"]

_PART = re.compile(r"\.?(?P<field>\w+)(?:\[(?P<key>[^\]]*)\])?")
_ID_FIELDS = ("id", "lot_id", "load_id")


def index_path(scenario: Scenario, ref: str) -> str:
    """Return a reference by id as a path by number.

    ``sites[B].tanks[T1]`` becomes ``sites[2].tanks[0]``; a key that is no id of its collection is
    a number already.
    """
    path = ""
    record: Any = scenario
    for part in _PART.finditer(ref):
        name, key = part["field"], part["key"]
        path += f".{name}" if path else name
        record = getattr(record, name)
        if key is not None:
            number = _number(record, key)
            path += f"[{number}]"
            record = record[number]
    return path


def _number(records: Iterable[object], key: str) -> int:
    for number, record in enumerate(records):
        if any(getattr(record, name, None) == key for name in _ID_FIELDS):
            return number
    return int(key)


def places_of(
    scenario: Scenario, refs: Iterable[str], sources: SourceMap | None
) -> tuple[Place, ...]:
    """Return the places of references; () where it is not known how the scenario was written."""
    if sources is None:
        return ()
    return tuple(sources.place(index_path(scenario, ref)) for ref in refs)
