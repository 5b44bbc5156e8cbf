"""A plan as pandas frames with unit-suffixed columns, one frame a table.

Money columns stand beside a ``currency`` column. Every frame has a plain row index; the columns
that identify a row come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

import pandas as pd

from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import Plan, PlannedLoad

__all__ = ["COLUMNS", "to_frames"]

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "loads": (
        "load_id", "lane", "period", "kind", "origin", "destination", "tank_type", "liquid",
        "origin_class", "lpa", "litres_20c", "capacity_litres", "loading_day", "leaving_day",
        "arrival_day", "discharge_day", "usable_day", "usable_period", "waits_periods",
        "waits_for_lots",
    ),
    "purchases": ("supplier", "liquid", "period", "tier", "lpa", "price_per_lpa", "currency"),
    "runs": (
        "site", "still", "recipe", "period", "charges", "makes", "origin_class", "hearts_lpa",
        "feints_lpa",
    ),
    "run_inputs": ("site", "still", "recipe", "period", "liquid", "origin_class", "lpa"),
    "let_downs": ("site", "recipe", "period", "makes", "origin_class", "lpa"),
    "let_down_inputs": ("site", "recipe", "period", "liquid", "origin_class", "lpa"),
    "vattings": ("site", "liquid", "origin_class", "period", "lots", "lpa", "release_period"),
    "stocks": (
        "site", "liquid", "origin_class", "period", "released_lpa", "hearts_lpa",
        "unreleased_lpa",
    ),
    "tank_settings": ("site", "tank", "period", "liquid", "origin_class", "changed"),
    "demand": (
        "site", "liquid", "market", "priority", "period", "demand_lpa", "served_lpa", "open_lpa",
    ),
    "demand_served": (
        "site", "liquid", "market", "priority", "period", "origin_class", "lpa",
    ),
    "feints_sales": ("site", "liquid", "origin_class", "period", "lpa"),
    "guarantee_use": ("guarantee", "period", "used", "limit", "currency"),
    "duty_due": (
        "site", "load_id", "liquid", "period", "lpa", "amount", "payable_on", "currency",
    ),
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
        "purchases": [asdict(row) | money for row in plan.purchases],
        "runs": [asdict(row) for row in plan.runs],
        "run_inputs": [row for run in plan.runs for row in _input_rows(asdict(run))],
        "let_downs": [asdict(row) for row in plan.let_downs],
        "let_down_inputs": [row for made in plan.let_downs for row in _input_rows(asdict(made))],
        "vattings": [asdict(row) for row in plan.vattings],
        "stocks": [asdict(row) for row in plan.stocks],
        "tank_settings": [asdict(row) for row in plan.tank_settings],
        "demand": [
            asdict(row) | {"served_lpa": sum(lpa for _, lpa in row.served)} for row in plan.demand
        ],
        "demand_served": [
            asdict(row) | {"origin_class": origin, "lpa": lpa}
            for row in plan.demand
            for origin, lpa in row.served
        ],
        "feints_sales": [asdict(row) for row in plan.feints_sales],
        "guarantee_use": [asdict(row) | money for row in plan.guarantee_use],
        "duty_due": [asdict(row) | money for row in plan.duty_due],
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


def _input_rows(row: dict[str, Any]) -> list[dict[str, Any]]:
    names = ("liquid", "origin_class", "lpa")
    return [row | dict(zip(names, one, strict=True)) for one in row["inputs"]]


def _cost_rows(plan: Plan) -> list[dict[str, Any]]:
    """Return the parts, which add up to the total: sales are taken off."""
    parts = asdict(plan.costs) | {
        "sales": -plan.costs.sales,
        "total": plan.costs.total,
        "changeable": plan.costs.changeable,
    }
    return [{"part": part, "amount": amount} for part, amount in parts.items()]
