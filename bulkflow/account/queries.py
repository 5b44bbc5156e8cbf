"""Questions to the register about movements: gaugings, reports, bottlings, closings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import Bottling, Closing, Gauging, Report, Side
from bulkflow.account.tables import (
    BOTTLING,
    BOTTLING_TABLE,
    CLOSING,
    CLOSING_TABLE,
    GAUGING,
    GAUGING_TABLE,
    REPORT,
    REPORT_TABLE,
)
from bulkflow.records.chain import Record, is_current
from bulkflow.records.schema import RECORD

__all__ = [
    "BottlingRecord",
    "ClosingRecord",
    "GaugingRecord",
    "ReportRecord",
    "bottlings_named",
    "closings_in",
    "gaugings_of",
    "reports_by_load",
    "reports_of",
]

_AT_ONCE = 1000


@dataclass(frozen=True, slots=True)
class GaugingRecord:
    """A gauging that stands, with its record's number, person and instant (UTC text)."""

    record: int
    at: str
    actor: str
    gauging: Gauging


@dataclass(frozen=True, slots=True)
class ReportRecord:
    """A report on a movement, with its record's number and person."""

    record: int
    actor: str
    report: Report


@dataclass(frozen=True, slots=True)
class BottlingRecord:
    """A lot of bottles that stands, with its record's number and person."""

    record: int
    actor: str
    bottling: Bottling


@dataclass(frozen=True, slots=True)
class ClosingRecord:
    """A closed quarter, with its record."""

    record: int
    at: str
    actor: str
    closing: Closing


def gaugings_of(
    session: Session, load_ids: Sequence[str]
) -> dict[tuple[str, str, Side], GaugingRecord]:
    """Return the gaugings that stand, by load, liquid and side."""
    found: dict[tuple[str, str, Side], GaugingRecord] = {}
    for record in _current(session, GAUGING_TABLE, "load_id", load_ids):
        body = GAUGING.read(record.version, record.body)
        key = (body.load_id, body.liquid_id, body.side)
        found[key] = GaugingRecord(record.seq, record.at, record.actor, body)
    return found


def reports_of(session: Session, load_ids: Sequence[str]) -> list[ReportRecord]:
    """Return the reports on loads, oldest first."""
    return [
        ReportRecord(record.seq, record.actor, REPORT.read(record.version, record.body))
        for record in _current(session, REPORT_TABLE, "load_id", load_ids)
    ]


def reports_by_load(session: Session, load_ids: Sequence[str]) -> dict[str, list[ReportRecord]]:
    """Return the reports on loads by load."""
    found: dict[str, list[ReportRecord]] = defaultdict(list)
    for one in reports_of(session, load_ids):
        found[one.report.load_id].append(one)
    return dict(found)


def bottlings_named(session: Session, names: Sequence[str] | None = None) -> list[BottlingRecord]:
    """Return bottlings by name, or all, oldest first."""
    return [
        BottlingRecord(record.seq, record.actor, BOTTLING.read(record.version, record.body))
        for record in _current(session, BOTTLING_TABLE, "bottling_id", names)
    ]


def closings_in(session: Session) -> list[ClosingRecord]:
    """Return the closed quarters, oldest first."""
    return [
        ClosingRecord(
            record.seq, record.at, record.actor, CLOSING.read(record.version, record.body)
        )
        for record in _current(session, CLOSING_TABLE, "site_id", None)
    ]


def _current(
    session: Session, table: Any, column: str, values: Sequence[str] | None
) -> list[Record]:
    """Return the records of an index table that stand, oldest first."""
    query = (
        select(RECORD)
        .join(table, table.c.seq == RECORD.c.seq)
        .where(is_current(table.c.seq))
        .order_by(RECORD.c.seq)
    )
    if values is None:
        return [Record(**row) for row in session.execute(query).mappings()]
    names = sorted(set(values))
    found: list[Record] = []
    for start in range(0, len(names), _AT_ONCE):
        part = query.where(table.c[column].in_(names[start : start + _AT_ONCE]))
        found += [Record(**row) for row in session.execute(part).mappings()]
    return sorted(found, key=lambda record: record.seq)
