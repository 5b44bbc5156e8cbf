"""The loads' kinds of record, and the index tables made from them.

Each index row belongs to the record numbered ``seq``. Of a load's descriptions and acceptances
the one that is not superseded counts; of its steps the last.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from sqlalchemy import Boolean, Column, Connection, Date, ForeignKey, Index, Integer, Table, Text

from bulkflow.loads.bodies import Load, LoadStep, Sealing, TankAcceptance
from bulkflow.loads.layout import STATEMENTS, TABLE_NAMES
from bulkflow.records.amounts import FixedPoint
from bulkflow.records.kinds import Component, IndexRow, Kind, Step
from bulkflow.records.migrations import run_statements
from bulkflow.records.schema import METADATA, guard_statements

__all__ = [
    "ACCEPTANCE",
    "ACCEPTANCE_TABLE",
    "LOAD",
    "LOADS",
    "LOAD_STEP",
    "LOAD_TABLE",
    "SEALING",
    "SHARE_TABLE",
    "STEP_TABLE",
]


def _seq() -> Column[Any]:
    return Column("seq", Integer, ForeignKey("record.seq"), primary_key=True, autoincrement=False)


def _text(name: str) -> Column[Any]:
    return Column(name, Text, nullable=False)


LOAD_TABLE = Table(
    "load",
    METADATA,
    _seq(),
    _text("load_id"),
    _text("lane_id"),
    _text("origin"),
    _text("destination"),
    _text("tank_type"),
    Column("loading_day", Date, nullable=False),
    Column("lpa", FixedPoint(), nullable=False),
    Index("load_load", "load_id", "seq"),
    Index("load_day", "loading_day", "load_id"),
    Index("load_lane", "lane_id", "loading_day"),
    Index("load_destination", "destination", "loading_day"),
)
SHARE_TABLE = Table(
    "load_share",
    METADATA,
    _seq(),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _text("load_id"),
    _text("lot_id"),
    Column("lpa", FixedPoint(), nullable=False),
    Column("to_come", Boolean, nullable=False),
    Index("load_share_lot", "lot_id", "seq"),
)
STEP_TABLE = Table(
    "load_step",
    METADATA,
    _seq(),
    _text("load_id"),
    _text("state"),
    Column("on_day", Date, nullable=False),
    Index("load_step_load", "load_id", "seq", "state"),
)
ACCEPTANCE_TABLE = Table(
    "tank_acceptance",
    METADATA,
    _seq(),
    _text("load_id"),
    _text("tank_number"),
    Column("examined_on", Date, nullable=False),
    Index("tank_acceptance_load", "load_id", "seq"),
    Index("tank_acceptance_tank", "tank_number", "seq"),
)


def _load_rows(load: Load) -> Iterable[IndexRow]:
    yield (
        LOAD_TABLE,
        {
            "load_id": load.load_id,
            "lane_id": load.lane_id,
            "origin": load.origin,
            "destination": load.destination,
            "tank_type": load.tank_type,
            "loading_day": load.loading_day,
            "lpa": sum((part.lpa for part in load.parts), Decimal(0)),
        },
    )
    shares = [share for part in load.parts for share in part.shares]
    for place, share in enumerate(shares):
        yield (
            SHARE_TABLE,
            {
                "place": place,
                "load_id": load.load_id,
                "lot_id": share.lot_id,
                "lpa": share.lpa,
                "to_come": share.to_come,
            },
        )


def _step_rows(step: LoadStep) -> Iterable[IndexRow]:
    yield STEP_TABLE, {"load_id": step.load_id, "state": step.state.value, "on_day": step.on}


def _acceptance_rows(found: TankAcceptance) -> Iterable[IndexRow]:
    yield (
        ACCEPTANCE_TABLE,
        {
            "load_id": found.load_id,
            "tank_number": found.tank_number,
            "examined_on": found.examined_on,
        },
    )


def _of_load(body: Any) -> str:
    # A lot may have the same name as a load.
    return f"load {body.load_id}"


LOAD = Kind("load", Load, _of_load, _load_rows, (LOAD_TABLE, SHARE_TABLE))
LOAD_STEP = Kind("load step", LoadStep, _of_load, _step_rows, (STEP_TABLE,))
ACCEPTANCE = Kind(
    "tank acceptance", TankAcceptance, _of_load, _acceptance_rows, (ACCEPTANCE_TABLE,)
)

SEALING = Kind("seals of a load", Sealing, _of_load)

_KINDS = (LOAD, LOAD_STEP, ACCEPTANCE)


def _lay(connection: Connection) -> None:
    run_statements(connection, STATEMENTS)
    for name in TABLE_NAMES:
        run_statements(connection, guard_statements(connection.dialect.name, name))


#: The loads' component: give it to :func:`bulkflow.lots.register.open_register`.
LOADS = Component(
    name="loads",
    steps=(Step("001-loads", _lay, reindex=tuple(kind.name for kind in _KINDS)),),
    kinds=(*_KINDS, SEALING),
)
