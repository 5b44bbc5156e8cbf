"""The register's kinds of record, and the index tables made from them.

Each index row belongs to the record numbered ``seq``. No row is ever changed: what was
superseded is left out by :func:`bulkflow.records.is_current`.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Date,
    ForeignKey,
    Index,
    Integer,
    Table,
    Text,
)

from bulkflow.lots import bodies
from bulkflow.lots.layout import (
    DRAW_STATEMENTS,
    FROM_LOAD_STATEMENTS,
    STATEMENTS,
    TABLE_NAMES,
)
from bulkflow.records.amounts import MILLIONTHS, THOUSANDTHS, FixedPoint
from bulkflow.records.kinds import Component, IndexRow, Kind, Step
from bulkflow.records.migrations import run_statements
from bulkflow.records.schema import METADATA, guard_statements

__all__ = [
    "CASE",
    "DECISION",
    "DECISION_TABLE",
    "DISPOSITION",
    "DISPOSITION_TABLE",
    "DRAW",
    "DRAW_TABLE",
    "EXPECTATION",
    "EXPECTATION_TABLE",
    "FROM_LOAD_TABLE",
    "HOLD",
    "HOLD_TABLE",
    "INSTRUMENT",
    "LIFT",
    "LIMIT",
    "LIMIT_TABLE",
    "LOT",
    "LOTS",
    "LOT_TABLE",
    "MARKET_TABLE",
    "OVERRIDE",
    "OVERRIDE_TABLE",
    "PARENT_TABLE",
    "RESTRICTION_TABLE",
    "RESULT",
    "RESULT_TABLE",
    "RULE",
    "RULE_TABLE",
    "SAMPLE",
    "SAMPLE_TABLE",
    "SEED_IMPORT",
    "SITE",
    "SITE_TABLE",
]


def _seq() -> Column[Any]:
    return Column("seq", Integer, ForeignKey("record.seq"), primary_key=True, autoincrement=False)


def _place() -> Column[Any]:
    return Column("place", Integer, primary_key=True, autoincrement=False)


def _text(name: str, *, optional: bool = False) -> Column[Any]:
    return Column(name, Text, nullable=optional)


def _fixed(name: str, places: int = THOUSANDTHS, *, optional: bool = False) -> Column[Any]:
    return Column(name, FixedPoint(places), nullable=optional)


LOT_TABLE = Table(
    "lot",
    METADATA,
    _seq(),
    _text("lot_id"),
    _text("liquid_id"),
    _text("stage", optional=True),
    _text("origin"),
    Column("made_on", Date),
    _text("site_id"),
    _text("tank_id", optional=True),
    _fixed("litres_20c"),
    _fixed("strength_percent"),
    _fixed("lpa"),
    _text("spirit_base", optional=True),
    _text("supplier_id", optional=True),
    Index("lot_lot", "lot_id", "seq"),
    Index("lot_liquid", "liquid_id", "lot_id"),
    Index("lot_site", "site_id", "lot_id"),
    Index("lot_supplier", "supplier_id", "lot_id"),
)
PARENT_TABLE = Table(
    "lot_parent",
    METADATA,
    _seq(),
    _place(),
    _text("lot_id"),
    _text("parent_id"),
    _fixed("lpa"),
    Column("disposition", Integer),
    Index("lot_parent_child", "lot_id", "parent_id"),
    Index("lot_parent_parent", "parent_id", "lot_id", "disposition", "lpa", "seq"),
)
RESTRICTION_TABLE = Table(
    "lot_restriction", METADATA, _seq(), _place(), _text("restriction"),
    Index("lot_restriction_word", "restriction", "seq"),
)  # fmt: skip
MARKET_TABLE = Table(
    "lot_market", METADATA, _seq(), _place(), _text("market"),
    Index("lot_market_word", "seq", "market"),
)  # fmt: skip
RESULT_TABLE = Table(
    "lab_result",
    METADATA,
    _seq(),
    _text("lot_id"),
    _text("analyte"),
    _fixed("value", MILLIONTHS),
    _text("qualifier"),
    _text("unit"),
    Column("measured_on", Date),
    # Covers the whole check of a lot against its limits.
    Index("lab_result_lot", "lot_id", "analyte", "value", "qualifier", "unit", "seq"),
)
LIMIT_TABLE = Table(
    "lab_limit",
    METADATA,
    _seq(),
    _text("liquid_id"),
    _text("market", optional=True),
    _text("analyte"),
    _text("unit"),
    _fixed("minimum", MILLIONTHS, optional=True),
    _fixed("maximum", MILLIONTHS, optional=True),
    Column("required", Boolean, nullable=False),
    Index("lab_limit_liquid", "liquid_id", "analyte"),
)
RULE_TABLE = Table(
    "release_rule",
    METADATA,
    _seq(),
    _text("liquid_id"),
    _text("rule_id"),
    Column("rule_version", Integer, nullable=False),
    _text("decided_by"),
    Index("release_rule_liquid", "liquid_id", "seq"),
)
DECISION_TABLE = Table(
    "decision",
    METADATA,
    _seq(),
    _text("lot_id"),
    _text("outcome"),
    _text("decided_by"),
    Column("rule_record", Integer),
    Index("decision_lot", "lot_id", "seq", "outcome", "decided_by"),
)
OVERRIDE_TABLE = Table(
    "gate_override",
    METADATA,
    _seq(),
    _place(),
    _text("lot_id"),
    _text("gate"),
    Index("gate_override_lot", "lot_id", "gate", "seq"),
)
EXPECTATION_TABLE = Table(
    "expectation",
    METADATA,
    _seq(),
    _text("lot_id"),
    Column("due_on", Date, nullable=False),
    Index("expectation_lot", "lot_id", "seq", "due_on"),
)
HOLD_TABLE = Table(
    "lot_hold", METADATA, _seq(), _text("lot_id"), Index("lot_hold_lot", "lot_id", "seq")
)
SAMPLE_TABLE = Table(
    "retained_sample",
    METADATA,
    _seq(),
    _text("lot_id"),
    _text("sample_id"),
    Column("expires_on", Date),
    Column("gone_on", Date),
    Index("retained_sample_lot", "lot_id", "seq"),
    Index("retained_sample_sample", "sample_id", "seq"),
    Index("retained_sample_expiry", "expires_on"),
)
DISPOSITION_TABLE = Table(
    "disposition",
    METADATA,
    _seq(),
    _text("lot_id"),
    _text("way"),
    _fixed("lpa"),
    Index("disposition_lot", "lot_id", "way", "lpa", "seq"),
)
DRAW_TABLE = Table(
    "lot_draw",
    METADATA,
    _seq(),
    _text("lot_id"),
    _text("load_id"),
    _fixed("lpa"),
    Index("lot_draw_lot", "lot_id", "lpa", "seq"),
    Index("lot_draw_load", "load_id", "seq"),
)
FROM_LOAD_TABLE = Table(
    "lot_from_load",
    METADATA,
    _seq(),
    _text("lot_id"),
    _text("load_id"),
    _text("liquid_id"),
    Index("lot_from_load_lot", "lot_id", "seq"),
    Index("lot_from_load_load", "load_id", "seq"),
)
SITE_TABLE = Table(
    "site",
    METADATA,
    _seq(),
    _text("site_id"),
    _text("zone"),
    _text("rounding"),
    Index("site_site", "site_id", "seq"),
)


def _lot_rows(lot: bodies.Lot) -> Iterable[IndexRow]:
    yield (
        LOT_TABLE,
        {
            "lot_id": lot.lot_id,
            "liquid_id": lot.liquid_id,
            "stage": lot.stage,
            "origin": lot.origin.value,
            "made_on": lot.made_on,
            "site_id": lot.site_id,
            "tank_id": lot.tank_id,
            "litres_20c": lot.measurement.litres_20c,
            "strength_percent": lot.measurement.strength_percent,
            "lpa": lot.measurement.lpa,
            "spirit_base": lot.spirit_base,
            "supplier_id": lot.supplier_id,
        },
    )
    for place, parent in enumerate(lot.parents):
        yield (
            PARENT_TABLE,
            {
                "place": place,
                "lot_id": lot.lot_id,
                "parent_id": parent.lot_id,
                "lpa": parent.lpa,
                "disposition": parent.disposition,
            },
        )
    for place, restriction in enumerate(lot.restrictions):
        yield RESTRICTION_TABLE, {"place": place, "restriction": restriction}
    for place, market in enumerate(lot.markets):
        yield MARKET_TABLE, {"place": place, "market": market}
    if lot.from_load is not None:
        names = ("lot_id", "liquid_id")
        here = {name: getattr(lot, name) for name in names}
        yield FROM_LOAD_TABLE, {**here, "load_id": lot.from_load}


def _override_rows(override: bodies.Override) -> Iterable[IndexRow]:
    for place, gate in enumerate(override.gates):
        values = {"place": place, "lot_id": override.lot_id, "gate": gate.value}
        yield OVERRIDE_TABLE, values


def _result_rows(result: bodies.Result) -> Iterable[IndexRow]:
    """Yield the row that limits are held against: by pure alcohol, where that is known."""
    compared = result.compared
    values = {name: getattr(result, name) for name in ("lot_id", "analyte", "measured_on")}
    values["value"] = result.value if compared is None else compared.value
    values["unit"] = result.unit if compared is None else compared.unit
    yield RESULT_TABLE, {**values, "qualifier": result.qualifier}


def _one(table: Table) -> Any:
    """Return a function that fills one row from the body's fields of the same names."""
    names = [column.name for column in table.columns if column.name != "seq"]

    def rows(body: Any) -> Iterable[IndexRow]:
        found = {name: getattr(body, name) for name in names}
        yield table, {k: v.value if isinstance(v, StrEnum) else v for k, v in found.items()}

    return rows


def _of_lot(body: Any) -> str:
    return str(body.lot_id)


LOT = Kind(
    "lot",
    bodies.Lot,
    _of_lot,
    _lot_rows,
    (LOT_TABLE, PARENT_TABLE, RESTRICTION_TABLE, MARKET_TABLE, FROM_LOAD_TABLE),
)
RESULT = Kind("result", bodies.Result, _of_lot, _result_rows, (RESULT_TABLE,))
LIMIT = Kind("limit", bodies.Limit, lambda body: body.liquid_id, _one(LIMIT_TABLE), (LIMIT_TABLE,))
RULE = Kind(
    "release rule", bodies.ReleaseRule, lambda body: body.liquid_id, _one(RULE_TABLE), (RULE_TABLE,)
)
DECISION = Kind("decision", bodies.Decision, _of_lot, _one(DECISION_TABLE), (DECISION_TABLE,))
OVERRIDE = Kind("override", bodies.Override, _of_lot, _override_rows, (OVERRIDE_TABLE,))
EXPECTATION = Kind(
    "expectation", bodies.Expectation, _of_lot, _one(EXPECTATION_TABLE), (EXPECTATION_TABLE,)
)
HOLD = Kind("hold", bodies.Hold, _of_lot, _one(HOLD_TABLE), (HOLD_TABLE,))
LIFT = Kind("lift", bodies.Lift, _of_lot)
SAMPLE = Kind("sample", bodies.Sample, _of_lot, _one(SAMPLE_TABLE), (SAMPLE_TABLE,))
DISPOSITION = Kind(
    "disposition", bodies.Disposition, _of_lot, _one(DISPOSITION_TABLE), (DISPOSITION_TABLE,)
)
DRAW = Kind("draw", bodies.Draw, _of_lot, _one(DRAW_TABLE), (DRAW_TABLE,))
SITE = Kind("site", bodies.Site, lambda body: body.site_id, _one(SITE_TABLE), (SITE_TABLE,))
INSTRUMENT = Kind("instrument", bodies.Instrument, lambda body: body.instrument_id)
CASE = Kind("case", bodies.CaseStep, lambda body: body.case_id)
SEED_IMPORT = Kind("seed import", bodies.SeedImport, lambda _: "register")

_KINDS = (
    LOT,
    RESULT,
    LIMIT,
    RULE,
    DECISION,
    OVERRIDE,
    EXPECTATION,
    HOLD,
    LIFT,
    SAMPLE,
    DISPOSITION,
    SITE,
    SEED_IMPORT,
)


def _lay(connection: Connection) -> None:
    dialect = connection.dialect.name
    run_statements(connection, STATEMENTS)
    for name in TABLE_NAMES:
        run_statements(connection, guard_statements(dialect, name))


def _lay_draws(connection: Connection) -> None:
    run_statements(connection, DRAW_STATEMENTS)
    run_statements(connection, guard_statements(connection.dialect.name, DRAW_TABLE.name))


def _lay_from_load(connection: Connection) -> None:
    run_statements(connection, FROM_LOAD_STATEMENTS)
    run_statements(connection, guard_statements(connection.dialect.name, FROM_LOAD_TABLE.name))


#: The register's component: give it to :func:`bulkflow.records.open_store`.
LOTS = Component(
    name="lots",
    steps=(
        Step("001-lots", _lay, reindex=tuple(kind.name for kind in _KINDS)),
        Step("002-draws", _lay_draws, reindex=(DRAW.name,)),
        Step("003-from-load", _lay_from_load),
    ),
    kinds=(*_KINDS, DRAW, INSTRUMENT, CASE),
)
