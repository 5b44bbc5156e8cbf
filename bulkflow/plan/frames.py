"""A plan as pandas frames with unit-suffixed columns, one frame a table.

Money columns stand beside a ``currency`` column. Every frame has a plain row index; the columns
that identify a row come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, fields
from typing import Any, get_origin, get_type_hints

import pandas as pd

from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import (
    DutyDue,
    FeintsSale,
    GuaranteeUse,
    InputTaken,
    LetDown,
    Plan,
    PlannedLoad,
    Purchase,
    Run,
    ServedFrom,
    StockLevel,
    TankSetting,
    Vatting,
)

__all__ = ["COLUMNS", "to_frames"]


def _columns(kind: type, *more: str) -> tuple[str, ...]:
    """Return the fields of a row that are one cell each, and what a frame has beside them."""
    hints = get_type_hints(kind)
    return (*(one.name for one in fields(kind) if get_origin(hints[one.name]) is not tuple), *more)


COLUMNS: Mapping[str, tuple[str, ...]] = {
    "loads": (
        "load_id", "lane", "period", "kind", "origin", "destination", "tank_type", "liquid",
        "origin_class", "lpa", "litres_20c", "capacity_litres", "loading_day", "leaving_day",
        "arrival_day", "discharge_day", "usable_day", "usable_period", "waits_periods",
        "waits_for_lots",
    ),
    "purchases": _columns(Purchase, "currency"),
    "runs": _columns(Run),
    "run_inputs": ("site", "still", "recipe", "period", *InputTaken._fields),
    "let_downs": _columns(LetDown),
    "let_down_inputs": ("site", "recipe", "period", *InputTaken._fields),
    "vattings": _columns(Vatting),
    "stocks": _columns(StockLevel),
    "tank_settings": _columns(TankSetting),
    "demand": (
        "site", "liquid", "market", "priority", "period", "demand_lpa", "served_lpa", "open_lpa",
    ),
    "demand_served": ("site", "liquid", "market", "priority", "period", *ServedFrom._fields),
    "feints_sales": _columns(FeintsSale),
    "guarantee_use": _columns(GuaranteeUse, "currency"),
    "duty_due": _columns(DutyDue, "currency"),
    "costs": ("part", "amount", "currency"),
    "proof": (
        "cost", "bound", "gap_percent", "currency", "solver", "seconds", "interrupted", "columns",
        "rows", "rows_added",
    ),
    "holds": (
        "lot_id", "liquid", "site", "status", "lpa", "decision_due", "enters_period", "loads",
        "cost_as_is", "cost_released", "cost_failed", "saving_least", "saving_most",
        "extra_least", "extra_most",
        "short_as_is_lpa", "short_released_lpa", "short_failed_lpa", "currency", "unpriced", "note",
    ),
    "findings": ("severity", "words", "records", "places", "caution"),
    "checks": (
        "id", "equations", "words", "passed", "worst", "unit", "tolerance", "where", "compared",
        "failures",
    ),
}  # fmt: skip
"""Columns of each frame, in order."""


def to_frames(result: PlanResult) -> dict[str, pd.DataFrame]:
    """Return every table of a plan by its name; see ``COLUMNS``."""
    plan = result.plan
    money = {"currency": plan.currency}
    rows: dict[str, list[dict[str, Any]]] = {
        "loads": [row for load in plan.loads for row in _load_rows(load, result)],
        "run_inputs": _parts(plan.runs, "inputs", InputTaken._fields),
        "let_down_inputs": _parts(plan.let_downs, "inputs", InputTaken._fields),
        "demand": [
            asdict(row) | {"served_lpa": sum(lpa for _, lpa in row.served)} for row in plan.demand
        ],
        "demand_served": _parts(plan.demand, "served", ServedFrom._fields),
        "costs": [row | money for row in _cost_rows(plan)],
        "proof": [_proof_row(plan) | {"gap_percent": 100.0 * plan.proof.gap} | money],
        "holds": [asdict(row) | {"loads": _joined(row.loads)} | money for row in result.holds],
        "findings": [
            asdict(row) | {"records": _joined(row.records), "places": _joined(row.places)}
            for row in result.findings
        ],
        "checks": [
            asdict(row) | {"equations": _joined(str(one) for one in row.equations)}
            for row in result.report.checks
        ],
    }
    for name in COLUMNS.keys() - rows.keys():
        rows[name] = [asdict(row) | money for row in getattr(plan, name)]
    frames = {
        name: pd.DataFrame.from_records(rows[name], columns=list(columns))
        if rows[name]
        else pd.DataFrame(columns=list(columns))
        for name, columns in COLUMNS.items()
    }
    # A period that may be missing stays a whole number.
    frames["holds"] = frames["holds"].astype({"enters_period": "Int64"})
    return frames


def _proof_row(plan: Plan) -> dict[str, Any]:
    row = asdict(plan.proof)
    del row["prices"], row["repairs"]
    return row


def _joined(names: Iterable[str]) -> str:
    return "; ".join(names)


def _load_rows(load: PlannedLoad, result: PlanResult) -> list[dict[str, Any]]:
    """Return a load as one row a tank or filled compartment."""
    waits = {"waits_for_lots": _joined(result.waits_for(load.load_id))}
    whole = {name: getattr(load, name) for name in COLUMNS["loads"] if hasattr(load, name)}
    return [whole | {"kind": load.kind.value} | waits | asdict(part) for part in load.parts]


def _parts(rows: Iterable[Any], field: str, names: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return the parts of each row, each beside what its row is known by."""
    return [
        asdict(row) | dict(zip(names, part, strict=True))
        for row in rows
        for part in getattr(row, field)
    ]


def _cost_rows(plan: Plan) -> list[dict[str, Any]]:
    """Return the parts, which add up to the total: sales are taken off."""
    parts = asdict(plan.costs) | {
        "sales": -plan.costs.sales,
        "total": plan.costs.total,
        "changeable": plan.costs.changeable,
    }
    return [{"part": part, "amount": amount} for part, amount in parts.items()]
