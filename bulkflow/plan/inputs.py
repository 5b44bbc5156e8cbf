"""What a plan was made from, kept with it, and what of it changed between two plans.

The workspace as it was planned (opening position from the register, calendar from the day on) is
kept as plain data, without what stands at its default. Rows are named by their ``id`` or by their
texts and days, so that a change is told of a row and a key.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, get_args

from pydantic import ValidationError

from bulkflow.scenario.model import Scenario

__all__ = ["OPENING", "InputChange", "input_changes", "inputs_of", "scenario_of"]

Inputs = Mapping[str, Any]
_FORMAT = get_args(Scenario.model_fields["format"].annotation)[0]
NAMES = ("id", "lot_id", "load_id")
"""Keys that name a row by themselves."""
OF_THE_DAY = ("calendar",)
"""Parts that say nothing where the later plan begins later."""
OPENING = ("lots", "loads", "opening_stock")
"""Parts that a register changes as it goes on."""


@dataclass(frozen=True, slots=True)
class InputChange:
    """One value of the workspace that differs.

    Parameters
    ----------
    part : of the workspace, such as ``demand`` or ``lanes``.
    row : what names the row; '' for a key outside all rows.
    key : which key of it; '' where the row as a whole came or went.
    before, after : the values in words; '' on the side where there is none.
    """

    part: str
    row: str
    key: str
    before: str
    after: str


def inputs_of(scenario: Scenario) -> dict[str, Any]:
    """Return a scenario as plain data, without what stands at its default."""
    return scenario.model_dump(mode="json", exclude_defaults=True, exclude={"format"})


def scenario_of(inputs: Inputs) -> Scenario | None:
    """Return the scenario that a plan keeps as its inputs; None where it keeps no whole one."""
    try:
        return Scenario.model_validate_json(json.dumps({"format": _FORMAT, **inputs}))
    except ValidationError:
        return None


def input_changes(before: Inputs, after: Inputs, *, since: date | None = None) -> list[InputChange]:
    """Return what changed from one plan's inputs to another's, in the order of the workspace.

    Parameters
    ----------
    since : compare from this day on: rows of earlier periods are history.
    """
    found: list[InputChange] = []
    for part in dict.fromkeys((*before, *after)):
        if since is not None and part in OF_THE_DAY:
            continue
        old, new = (dict(_rows(side.get(part), since)) for side in (before, after))
        for row in dict.fromkeys((*old, *new)):
            found += _row_changes(part, row, old.get(row), new.get(row))
    return found


def _row_changes(part: str, row: str, old: Any, new: Any) -> Iterator[InputChange]:
    if old == new:
        return
    if old is None or new is None:
        yield InputChange(part, row, "", _words(old), _words(new))
        return
    was, now = dict(_leaves(old)), dict(_leaves(new))
    for key in dict.fromkeys((*was, *now)):
        if was.get(key) != now.get(key):
            yield InputChange(part, row, key, _words(was.get(key)), _words(now.get(key)))


def _rows(part: Any, since: date | None) -> Iterator[tuple[str, Any]]:
    """Yield the rows of a part by their names; a part that is no table is one row."""
    if part is None:
        return
    if not _is_table(part):
        yield "", part
        return
    seen: dict[str, int] = {}
    for row in part:
        if since is not None and str(row.get("period_start", since)) < str(since):
            continue
        name = _name(row)
        seen[name] = seen.get(name, 0) + 1
        yield (f"{name} #{seen[name]}" if seen[name] > 1 else name), row


def _is_table(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def _name(row: Mapping[str, Any]) -> str:
    for key in NAMES:
        if key in row:
            return str(row[key])
    return " ".join(str(value) for value in row.values() if isinstance(value, str))


def _leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every single value below a row, with its path."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from _leaves(one, f"{path}.{key}" if path else key)
    elif _is_table(value):
        for name, row in _rows(value, None):
            yield from _leaves(row, f"{path}[{name}]")
    else:
        yield path, value


def _words(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, dict):
        return ", ".join(
            f"{key} {_words(one)}" for key, one in value.items() if not isinstance(one, (str, dict))
        ) or ", ".join(_words(one) for one in value.values())
    if isinstance(value, list):
        return "; ".join(_words(one) for one in value)
    if isinstance(value, float):
        # To the last digit of the register; smaller values in full.
        return f"{round(value, 3) if abs(value) >= 1.0 else value:,.12g}"
    return str(value)
