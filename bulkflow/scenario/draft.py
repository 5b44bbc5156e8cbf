"""A workspace while it is being read: the records whose shape is right, and where each was said.

The checks of sense work on a draft, so that one misspelt number does not hide what is wrong
elsewhere. Ids of records whose shape is wrong are known all the same: a reference to one of them
is no second fault.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, TypeVar, get_args

from bulkflow.errors import Fault
from bulkflow.reading.words import did_you_mean
from bulkflow.scenario.model import Calendar, Record, Scenario
from bulkflow.scenario.sources import SourceMap
from bulkflow.scenario.tables import TABLES

__all__ = ["COLLECTIONS", "ID_FIELDS", "Draft", "known_mend"]

R = TypeVar("R", bound=Record)


def _record_types() -> dict[str, type[Record]]:
    types = {}
    for name, info in Scenario.model_fields.items():
        inner = get_args(info.annotation)
        if inner and isinstance(inner[0], type) and issubclass(inner[0], Record):
            types[name] = inner[0]
    return types


_COLLECTION_TYPES = _record_types()
_COLLECTION_OF = {model: name for name, model in _COLLECTION_TYPES.items()}
_TABLE_FIELDS = {table.field for table in TABLES.values()}

COLLECTIONS: dict[str, type[Record]] = {
    name: model for name, model in _COLLECTION_TYPES.items() if name not in _TABLE_FIELDS
}
"""Collections written in scenario.yaml -> type of their records."""

ID_FIELDS: dict[str, str] = {
    **{name: "id" for name, model in COLLECTIONS.items() if "id" in model.model_fields},
    **{table.field: table.id_field for table in TABLES.values() if table.id_field},
}
"""Collection -> the field that names its records, where they have one."""


@dataclass
class Draft:
    """Records by collection and position, with the faults found so far.

    Parameters
    ----------
    sources : where each was said.
    calendar, currency : of the workspace; None where their shape is wrong.
    records : collection -> position -> record of right shape.
    ids : collection -> every id given, also by records of wrong shape.
    unreadable : collections that are no list, or tables whose file could not be read.
    nameless : collections with a record whose id cannot be read.
    dropped : collections of which some records have the wrong shape.
    faults : what has been found so far.
    unknown_names : those of them that are a name nothing bears: one cause, wherever it shows.
    """

    sources: SourceMap
    calendar: Calendar | None = None
    currency: str | None = None
    records: dict[str, dict[int, Record]] = field(default_factory=dict)
    ids: dict[str, set[str]] = field(default_factory=dict)
    unreadable: set[str] = field(default_factory=set)
    nameless: set[str] = field(default_factory=set)
    dropped: set[str] = field(default_factory=set)
    faults: list[Fault] = field(default_factory=list)
    unknown_names: set[Fault] = field(default_factory=set)

    def add(self, path: str, found: str, mend: str) -> None:
        """Note a fault at a path such as ``lanes[3].legs[0].authority``."""
        place = self.sources.place(path)
        self.faults.append(Fault(place.file, place.line, place.where, found, mend))

    def each(self, model: type[R]) -> Iterator[tuple[str, R]]:
        """Yield path and record of every record of this type whose shape is right."""
        name = _COLLECTION_OF[model]
        for index, record in self.records.get(name, {}).items():
            yield f"{name}[{index}]", _of_type(model, record)

    def by_id(self, model: type[R]) -> dict[str, R]:
        """Return the records of a type by id; of two with one id, the first."""
        id_field = ID_FIELDS[_COLLECTION_OF[model]]
        found: dict[str, R] = {}
        for _, record in self.each(model):
            found.setdefault(getattr(record, id_field), record)
        return found

    def is_whole(self, model: type[Record]) -> bool:
        """Whether every record of a type has the right shape, so that absence means something."""
        name = _COLLECTION_OF[model]
        return name not in self.unreadable and name not in self.dropped

    def refer(self, path: str, wanted: str | None, *models: type[Record]) -> None:
        """Note a fault where an id is given that no record of these types bears."""
        names = [_COLLECTION_OF[model] for model in models]
        unsure = self.unreadable | self.nameless
        if wanted is None or not unsure.isdisjoint(names):
            return
        if not any(wanted in self.ids.get(name, ()) for name in names):
            known = sorted(set().union(*(self.ids.get(name, set()) for name in names)))
            kind = " or ".join(_SINGULAR[name] for name in names)
            self.add(path, f"is {wanted!r}, which is no {kind}", known_mend(wanted, known, kind))
            self.unknown_names.add(self.faults[-1])

    @property
    def first_day(self) -> date | None:
        """The first day of the calendar."""
        return self.calendar.start if self.calendar else None

    @property
    def last_day(self) -> date | None:
        """The last day of the horizon."""
        if self.calendar is None:
            return None
        days = self.calendar.period_days * self.calendar.horizon_periods
        return self.calendar.start + timedelta(days=days - 1)


_SINGULAR = {
    "liquids": "liquid",
    "recipes": "recipe",
    "suppliers": "supplier",
    "sites": "site",
    "tank_types": "tank type",
    "fleets": "fleet",
    "lanes": "lane",
    "authorities": "authority",
    "guarantees": "guarantee",
    "markets": "market",
    "priorities": "priority",
    "products": "product",
    "loads": "load",
}


def known_mend(wanted: str, known: list[str], kind: str) -> str:
    """Say which id was perhaps meant."""
    if not known:
        return f"The workspace names no {kind}; add one, or correct the id."
    return did_you_mean(wanted, known)


def _of_type(model: type[R], record: Any) -> R:
    assert isinstance(record, model)
    return record
