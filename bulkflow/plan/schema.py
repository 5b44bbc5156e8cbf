"""The public form of a plan, ``bulkflow-plan/1``: one JSON document, described field by field.

Its rows are those of the plan itself (`bulkflow.program.answer`) and of what is said about it
(`bulkflow.plan.result`, `bulkflow.plan.summary`); declared here are only those which the document
tells otherwise, such as a bound that may be null. ``bulkflow.plan.document`` turns plans into it
and back. The JSON Schema shipped beside this module (``SCHEMA_FILE``) is made from these classes
by ``python -m bulkflow.plan.schema``. Within version 1 fields may be added, never renamed, dropped
or given another meaning.

Amounts are LPA (litres of pure alcohol at 20 degC) unless a name says litres; money is in the
document's ``currency``; dates are year-month-day; periods count from 1.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from bulkflow.plan.finding import Finding
from bulkflow.plan.result import HeldLoad, HoldCost, Miss
from bulkflow.plan.summary import Summary
from bulkflow.program.answer import (
    DemandServed,
    DutyDue,
    FeintsSale,
    GuaranteeUse,
    LetDown,
    PeriodNumber,
    PlannedLoad,
    Purchase,
    RulePrice,
    Run,
    StockLevel,
    TankSetting,
    Vatting,
)

__all__ = ["SCHEMA", "SCHEMA_FILE", "PlanDocument", "json_schema"]

SCHEMA = "bulkflow-plan/1"
SCHEMA_FILE = Path(__file__).with_name("bulkflow-plan-1.schema.json")


class Row(BaseModel):
    """A frozen row that refuses keys it does not know, and numbers that JSON does not have.

    The same holds for the plain rows it holds, made from text or there already.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, revalidate_instances="always"
    )


class PeriodRow(Row):
    """A period of the calendar."""

    period: PeriodNumber
    first_day: date


class CostRow(Row):
    """The cost by part; ``total`` is all of it less sales."""

    spirit: float
    making: float
    freight: float
    handling: float
    capital: float
    change: float
    shortage: float
    floors: float
    sales: float
    hire: float = Field(default=0.0, description="of tanks that stand full at the receiver")
    total: float
    changeable: float = Field(
        description="freight, hire, handling, capital, change, shortage and floors"
    )


class ProofRow(Row):
    """How good the plan is known to be."""

    cost: float
    bound: float | None = Field(description="no plan can cost less; null where none was proved")
    gap: float | None = Field(description="(cost - bound) / |cost|, a fraction; null likewise")
    gap_changeable: float | None = Field(
        description="the same difference over the changeable cost; null where that is 0 or likewise"
    )
    solver: str
    seconds: float
    interrupted: bool
    columns: int
    rows: int
    rows_added: int
    prices: tuple[RulePrice, ...] = Field(
        default=(),
        description="with which the bound was proved, where it was proved by prices; none where"
        " the search over whole numbers proved it, as on most small workspaces",
    )
    repairs: tuple[str, ...] = Field(
        default=(), description="what was done so that the plan holds exactly, in words"
    )


class CheckRow(Row):
    """One independent check of the plan."""

    id: str
    words: str
    equations: tuple[int, ...] = Field(description="in bulkflow/program/README.md")
    passed: bool
    worst: float | None = Field(description="worst violation [unit]; null where it has no size")
    where: str
    tolerance: float
    unit: str
    compared: int
    failures: int


class PriorityRow(Row):
    """A priority of demand, and what becomes of what it does not get."""

    priority: str
    unmet: Literal["carried", "lost"]


class PlanDocument(Row):
    """A plan over the horizon, checked; the quarter is ``quarter_periods`` of it."""

    document: Literal["bulkflow-plan/1"] = Field(alias="schema")
    scenario_name: str
    currency: str
    register_name: str = Field(
        alias="register",
        description="where the opening lots come from; '' for the workspace's tables",
    )
    chain_head: str = Field(description="of the register when they were read; '' without one")
    quarter_periods: int
    periods: tuple[PeriodRow, ...]
    priorities: tuple[PriorityRow, ...]
    summary: Summary
    costs: CostRow
    proof: ProofRow
    loads: tuple[PlannedLoad, ...]
    purchases: tuple[Purchase, ...]
    runs: tuple[Run, ...]
    let_downs: tuple[LetDown, ...]
    vattings: tuple[Vatting, ...]
    stocks: tuple[StockLevel, ...]
    tank_settings: tuple[TankSetting, ...]
    demand: tuple[DemandServed, ...]
    feints_sales: tuple[FeintsSale, ...]
    guarantee_use: tuple[GuaranteeUse, ...]
    duty_due: tuple[DutyDue, ...]
    holds: tuple[HoldCost, ...]
    explanations: tuple[tuple[str, ...], ...] = Field(
        description="why the worst shortages are there, each in lines of text"
    )
    misses: tuple[Miss, ...] | None = Field(None, description="null: nobody looked")
    held_loads: tuple[HeldLoad, ...] | None = Field(
        None, description="null: lots were not put into loads"
    )
    findings: tuple[Finding, ...]
    checks: tuple[CheckRow, ...]
    inputs: dict[str, Any] = Field(
        default_factory=dict,
        description="the workspace as it was planned, by the keys and columns of"
        " bulkflow/scenario/README.md, without what stands at its default; {} where not kept",
    )


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the document."""
    schema = PlanDocument.model_json_schema(by_alias=True, mode="serialization")
    for row in schema["$defs"].values():  # parameters are told field by field
        row["description"] = row.get("description", "").partition("\n\n")[0]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:{SCHEMA.replace('/', ':')}",
        **schema,
    }


def main() -> None:
    """Write the JSON Schema beside this module."""
    text = json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"
    SCHEMA_FILE.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
