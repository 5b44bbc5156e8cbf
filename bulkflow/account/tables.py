"""The account's kinds of record, and the index tables made from them.

Of gaugings, reports, bottlings and entries those count that are not superseded; a closing stands
for ever.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Boolean, Column, Connection, Date, ForeignKey, Index, Integer, Table, Text
from sqlalchemy.orm import Session

from bulkflow.account.bodies import (
    Bottling,
    Closing,
    Entry,
    Gauging,
    Report,
    Reversal,
    Transfer,
)
from bulkflow.account.layout import (
    POSTING_STATEMENTS,
    POSTING_TABLE_NAMES,
    STATEMENTS,
    TABLE_NAMES,
)
from bulkflow.records.amounts import FixedPoint
from bulkflow.records.kinds import Component, IndexRow, Kind, Step
from bulkflow.records.migrations import run_statements
from bulkflow.records.schema import METADATA, guard_statements

__all__ = [
    "ACCOUNT",
    "BOTTLING",
    "BOTTLING_TABLE",
    "CLOSING",
    "CLOSING_TABLE",
    "CODE_TABLE",
    "ENTRY",
    "ENTRY_TABLE",
    "GAUGING",
    "GAUGING_TABLE",
    "POSTED_TABLE",
    "POSTING_TABLE",
    "REPORT",
    "REPORT_TABLE",
    "REVERSAL",
    "SOURCE_TABLE",
    "TRANSFER",
]


def _seq() -> Column[Any]:
    return Column("seq", Integer, ForeignKey("record.seq"), primary_key=True, autoincrement=False)


def _place() -> Column[Any]:
    return Column("place", Integer, primary_key=True, autoincrement=False)


def _text(name: str, *, optional: bool = False) -> Column[Any]:
    return Column(name, Text, nullable=optional)


def _day() -> Column[Any]:
    return Column("on_day", Date, nullable=False)


def _lpa() -> Column[Any]:
    return Column("lpa", FixedPoint(), nullable=False)


GAUGING_TABLE = Table(
    "gauging",
    METADATA,
    _seq(),
    _text("load_id"),
    _text("liquid_id"),
    _text("side"),
    _day(),
    _lpa(),
    _text("as_lot", optional=True),
    Index("gauging_load", "load_id", "side", "seq"),
    Index("gauging_lot", "as_lot", "seq"),
)
REPORT_TABLE = Table(
    "movement_report",
    METADATA,
    _seq(),
    _text("load_id"),
    _text("kind"),
    _day(),
    Index("movement_report_load", "load_id", "seq"),
)
BOTTLING_TABLE = Table(
    "bottling",
    METADATA,
    _seq(),
    _text("bottling_id"),
    _text("site_id"),
    _text("product_id"),
    _day(),
    Column("cases", Integer, nullable=False),
    Index("bottling_bottling", "bottling_id", "seq"),
    Index("bottling_site", "site_id", "on_day"),
)
SOURCE_TABLE = Table(
    "bottling_source",
    METADATA,
    _seq(),
    _place(),
    _text("bottling_id"),
    _text("kind"),
    _text("source_id"),
    _text("liquid_id"),
    _lpa(),
    Index("bottling_source_source", "source_id", "kind", "seq"),
    Index("bottling_source_bottling", "bottling_id", "seq"),
)
CODE_TABLE = Table(
    "bottling_code",
    METADATA,
    _seq(),
    _place(),
    _text("bottling_id"),
    Column("length", Integer, nullable=False),
    _text("first_code"),
    _text("last_code"),
    Index("bottling_code_length", "length", "seq"),
)
ENTRY_TABLE = Table(
    "account_entry",
    METADATA,
    _seq(),
    _text("site_id"),
    _text("liquid_id"),
    _text("kind"),
    _lpa(),
    _day(),
    Index("account_entry_site", "site_id", "liquid_id", "on_day"),
)
CLOSING_TABLE = Table(
    "closing",
    METADATA,
    _seq(),
    _text("site_id"),
    _text("quarter"),
    Index("closing_site", "site_id", "quarter"),
)

# What the records come to, kept: no kind's index, but made from all of them in their order.
POSTING_TABLE = Table(
    "posting",
    METADATA,
    _seq(),
    Column("number", Integer, primary_key=True, autoincrement=False),
    _day(),
    Column("happened", Date, nullable=False),
    _text("place"),
    _text("liquid_id"),
    _text("holder"),
    _lpa(),
    _text("line"),
    _text("subject"),
    Column("taken_back", Boolean, nullable=False),
    Index("posting_holder", "holder", "place", "liquid_id", "happened"),
    Index("posting_place", "place", "liquid_id", "on_day"),
)
POSTED_TABLE = Table("posted", METADATA, _seq())


def _gauging_rows(body: Gauging) -> Iterable[IndexRow]:
    names = ("load_id", "liquid_id", "lpa", "as_lot")
    values = {name: getattr(body, name) for name in names}
    yield GAUGING_TABLE, {**values, "side": body.side.value, "on_day": body.on}


def _report_rows(body: Report) -> Iterable[IndexRow]:
    yield REPORT_TABLE, {"load_id": body.load_id, "kind": body.kind.value, "on_day": body.on}


def _bottling_rows(body: Bottling) -> Iterable[IndexRow]:
    names = ("bottling_id", "site_id", "product_id", "cases")
    yield BOTTLING_TABLE, {**{name: getattr(body, name) for name in names}, "on_day": body.on}
    for place, source in enumerate(body.sources):
        yield (
            SOURCE_TABLE,
            {
                "place": place,
                "bottling_id": body.bottling_id,
                "kind": source.kind.value,
                "source_id": source.source_id,
                "liquid_id": source.liquid_id,
                "lpa": source.lpa,
            },
        )
    for place, codes in enumerate(body.codes):
        yield (
            CODE_TABLE,
            {
                "place": place,
                "bottling_id": body.bottling_id,
                "length": len(codes.first),
                "first_code": codes.first,
                "last_code": codes.last,
            },
        )


def _entry_rows(body: Entry) -> Iterable[IndexRow]:
    names = ("site_id", "liquid_id", "lpa")
    values = {name: getattr(body, name) for name in names}
    yield ENTRY_TABLE, {**values, "kind": body.kind.value, "on_day": body.on}


def _closing_rows(body: Closing) -> Iterable[IndexRow]:
    yield CLOSING_TABLE, {"site_id": body.site_id, "quarter": body.quarter}


# A lot, a load and a bottling may have the same name: the subject says which is meant.
def _of_load(body: Any) -> str:
    return f"load {body.load_id}"


def _of_site(body: Any) -> str:
    return f"account of {body.site_id}"


GAUGING = Kind("gauging", Gauging, _of_load, _gauging_rows, (GAUGING_TABLE,))
REPORT = Kind("movement report", Report, _of_load, _report_rows, (REPORT_TABLE,))
BOTTLING = Kind(
    "bottling",
    Bottling,
    lambda body: f"bottling {body.bottling_id}",
    _bottling_rows,
    (BOTTLING_TABLE, SOURCE_TABLE, CODE_TABLE),
)
ENTRY = Kind("account entry", Entry, _of_site, _entry_rows, (ENTRY_TABLE,))
CLOSING = Kind("closing", Closing, _of_site, _closing_rows, (CLOSING_TABLE,))
TRANSFER = Kind("transfer", Transfer, lambda body: f"{body.source.kind.value} {body.source.name}")
REVERSAL = Kind("reversal", Reversal, lambda body: str(body.subject))

_INDEXED = (GAUGING, REPORT, BOTTLING, ENTRY, CLOSING)


def _lay(connection: Connection) -> None:
    run_statements(connection, STATEMENTS)
    for name in TABLE_NAMES:
        run_statements(connection, guard_statements(connection.dialect.name, name))


def _lay_postings(connection: Connection) -> None:
    run_statements(connection, POSTING_STATEMENTS)
    for name in POSTING_TABLE_NAMES:
        run_statements(connection, guard_statements(connection.dialect.name, name))


def _settle(session: Session) -> None:
    # Here, since the ledger stands on these tables.
    from bulkflow.account.ledger import check_positions

    check_positions(session)


def _check(session: Session) -> tuple[int, str] | None:
    from bulkflow.account.agreement import odd_postings

    return odd_postings(session)


#: The account's component: give it to :func:`bulkflow.lots.register.open_register`.
ACCOUNT = Component(
    name="account",
    steps=(
        Step("001-account", _lay, reindex=tuple(kind.name for kind in _INDEXED)),
        Step("002-postings", _lay_postings),
    ),
    kinds=(*_INDEXED, TRANSFER, REVERSAL),
    settle=_settle,
    check=_check,
)
