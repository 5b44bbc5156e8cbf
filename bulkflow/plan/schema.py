"""The public form of a plan, ``bulkflow-plan/1``: one JSON document, described field by field.

Owns the document's shape; ``bulkflow.plan.document`` turns plans into it and back. The JSON
Schema shipped beside this module (``SCHEMA_FILE``) is made from these classes by
``python -m bulkflow.plan.schema``. Within version 1 fields may be added, never renamed, dropped
or given another meaning.

Amounts are LPA (litres of pure alcohol at 20 degC) unless a name says litres; money is in the
document's ``currency``; dates are year-month-day; periods count from 1.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["SCHEMA", "SCHEMA_FILE", "PlanDocument", "json_schema"]

SCHEMA = "bulkflow-plan/1"
SCHEMA_FILE = Path(__file__).with_name("bulkflow-plan-1.schema.json")

Number = Annotated[float, Field(allow_inf_nan=False)]
PeriodNumber = Annotated[int, Field(ge=0)]


class Row(BaseModel):
    """A frozen row that refuses keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", from_attributes=True)


class PeriodRow(Row):
    """A period of the calendar."""

    period: PeriodNumber
    first_day: date


class PartRow(Row):
    """What a tank, or one compartment of it, carries."""

    liquid: str
    origin_class: str = Field(description="'any', or 'not-for:' and the markets that bar it")
    lpa: Number
    litres_20c: Number = Field(description="litres at 20 degC at the strength of the liquid")
    capacity_litres: Number = Field(description="of the tank or compartment")


class LoadRow(Row):
    """One tank journey."""

    load_id: str
    lane: str
    origin: str
    destination: str
    tank_type: str
    kind: Literal["planned", "promised", "frozen", "under_way"]
    period: int = Field(description="of sending; 0 for loads under way when the plan starts")
    loading_day: date
    leaving_day: date
    arrival_day: date
    discharge_day: date
    usable_day: date
    usable_period: int = Field(description="may lie beyond the last period")
    parts: tuple[PartRow, ...]
    waits_periods: int = Field(
        default=0, ge=0, description="for which it stands full at the receiver, to be discharged"
    )


class PurchaseRow(Row):
    """LPA bought of one liquid from one supplier in one period and price tier."""

    supplier: str
    liquid: str
    period: PeriodNumber
    tier: int = Field(ge=0, description="price tier of the contract, from 0")
    lpa: Number
    price_per_lpa: Number


class InputRow(Row):
    """LPA of one liquid taken by a run or a let-down."""

    liquid: str
    origin_class: str
    lpa: Number


class RunRow(Row):
    """Charges of one recipe on one still in one period."""

    site: str
    still: str
    recipe: str
    period: PeriodNumber
    charges: Number = Field(description="whole, except on a continuous still")
    inputs: tuple[InputRow, ...]
    makes: str
    origin_class: str
    hearts_lpa: Number
    feints_lpa: Number


class LetDownRow(Row):
    """LPA of one liquid made by letting down at a site in a period."""

    site: str
    recipe: str
    period: PeriodNumber
    inputs: tuple[InputRow, ...]
    makes: str
    origin_class: str
    lpa: Number


class VattingRow(Row):
    """Whole vattings made in a period, each a lot to be judged."""

    site: str
    liquid: str
    origin_class: str
    period: PeriodNumber
    lots: int
    lpa: Number
    release_period: int


class StockRow(Row):
    """Stock at a site at the end of a period (period 0: the opening)."""

    site: str
    liquid: str
    origin_class: str
    period: PeriodNumber
    released_lpa: Number
    hearts_lpa: Number = Field(description="made, not yet vatted")
    unreleased_lpa: Number = Field(
        description="vatted, not yet released; or in its check at arrival"
    )


class TankSettingRow(Row):
    """What a tank is set to in a period."""

    site: str
    tank: str
    period: PeriodNumber
    liquid: str
    origin_class: str
    changed: bool = Field(description="whether it was changed to this liquid in this period")


class ServedRow(Row):
    """LPA of one origin class given to a demand."""

    origin_class: str
    lpa: Number


class DemandRow(Row):
    """Demand of a period and what became of it."""

    site: str
    liquid: str
    market: str = Field(description="'' where none is named")
    priority: str
    period: PeriodNumber
    demand_lpa: Number
    served: tuple[ServedRow, ...]
    open_lpa: Number = Field(description="backlog at the end of the period, or lost in it")


class FeintsSaleRow(Row):
    """Feints sold at a site in a period."""

    site: str
    liquid: str
    origin_class: str
    period: PeriodNumber
    lpa: Number


class GuaranteeRow(Row):
    """Duty at risk against a guarantee in a period."""

    guarantee: str
    period: PeriodNumber
    used: Number
    limit: Number


class DutyDueRow(Row):
    """Duty falling due on an arrival at a duty-paid site."""

    site: str
    load_id: str
    liquid: str
    period: PeriodNumber
    lpa: Number
    amount: Number
    payable_on: date


class CostRow(Row):
    """The cost by part; ``total`` is all of it less sales."""

    spirit: Number
    making: Number
    freight: Number
    handling: Number
    capital: Number
    change: Number
    shortage: Number
    floors: Number
    sales: Number
    hire: Number = Field(default=0.0, description="of tanks that stand full at the receiver")
    total: Number
    changeable: Number = Field(
        description="freight, hire, handling, capital, change, shortage and floors"
    )


class RulePriceRow(Row):
    """What one unit more on the right-hand side of a rule would save."""

    rule: str
    ref: str
    commodity: str = Field(description="'' where the rule has none")
    by_period: tuple[Number, ...] = Field(description="money per unit, by period")
    over_horizon: Number = Field(description="money per unit, of a rule over the whole horizon")


class ProofRow(Row):
    """How good the plan is known to be."""

    cost: Number
    bound: Number | None = Field(description="no plan can cost less; null where none was proved")
    gap: Number | None = Field(description="(cost - bound) / |cost|, a fraction; null likewise")
    gap_changeable: Number | None = Field(
        description="the same difference over the changeable cost; null where that is 0 or likewise"
    )
    solver: str
    seconds: Number
    interrupted: bool
    columns: int
    rows: int
    rows_added: int
    prices: tuple[RulePriceRow, ...] = Field(
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
    worst: Number | None = Field(description="worst violation [unit]; null where it has no size")
    where: str
    tolerance: Number
    unit: str
    compared: int
    failures: int


class FindingRow(Row):
    """What was found not to work before planning."""

    severity: Literal["blocks", "warns"]
    words: str
    records: tuple[str, ...]
    caution: str
    places: tuple[str, ...] = Field(description="file and line of those records")


class HoldRow(Row):
    """A lot held or awaiting a decision, what depends on it, and what the gate costs."""

    lot_id: str
    liquid: str
    site: str
    status: str
    lpa: Number
    decision_due: date | None
    enters_period: int | None
    note: str
    loads: tuple[str, ...]
    cost_as_is: Number | None
    short_as_is_lpa: Number | None
    cost_released: Number | None
    short_released_lpa: Number | None
    cost_failed: Number | None
    short_failed_lpa: Number | None
    saving_least: Number | None
    saving_most: Number | None
    extra_least: Number | None = Field(None, description="what its failure costs at least")
    extra_most: Number | None = Field(None, description="and at most")
    unpriced: str = Field(description="why a cost is missing though asked for; '' otherwise")


class PriorityRow(Row):
    """A priority of demand, and what becomes of what it does not get."""

    priority: str
    unmet: Literal["carried", "lost"]


class MissRow(Row):
    """A floor or closing target that stock does not keep, or stock past its life."""

    kind: Literal["floor", "closing", "life"]
    site: str
    liquid: str
    periods: tuple[PeriodNumber, ...]
    lpa: tuple[Number, ...] = Field(description="by how much, in each of those periods")
    cost: Number


class HeldLoadRow(Row):
    """A load of the quarter that released lots cannot fill."""

    load_id: str
    why: str
    lots: tuple[str, ...] = Field(description="that it waits for; empty: none on its day")
    earliest: date | None = Field(description="when it could be filled; null: not known")


class SummaryRow(Row):
    """The answer in figures, over the quarter."""

    sentence: str
    demand_lpa: Number
    served_lpa: Number
    lost_lpa: Number
    backlog_end_lpa: Number = Field(description="carried demand open at the quarter's end")
    loads: int = Field(description="loads that leave in the quarter")
    late_periods: tuple[PeriodNumber, ...] = ()
    lost_after_lpa: Number = Field(0.0, description="demand lost after the quarter")
    backlog_horizon_lpa: Number = Field(
        0.0, description="carried demand open at the end of the horizon"
    )
    floors_missed: int | None = Field(
        None, description="floors that stock falls below in the quarter; null: not looked at"
    )
    floors_missed_after: int | None = Field(None, description="those below only after it")
    closing_missed_lpa: Number | None = Field(None, description="of all closing targets")
    past_life_lpa: Number | None = Field(
        None, description="stock past its life, in the worst period of each site and liquid"
    )
    unfilled_loads: int | None = Field(
        None,
        description="loads without lots on their day; null: lots were not put into loads",
    )
    waiting_loads: int = Field(0, description="loads that wait for their lots to be released")
    gap_money: Number | None = Field(None, description="cost less bound; null without a bound")
    good_enough: bool = Field(default=False, description="whether the gap lets loads be promised")


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
    summary: SummaryRow
    costs: CostRow
    proof: ProofRow
    loads: tuple[LoadRow, ...]
    purchases: tuple[PurchaseRow, ...]
    runs: tuple[RunRow, ...]
    let_downs: tuple[LetDownRow, ...]
    vattings: tuple[VattingRow, ...]
    stocks: tuple[StockRow, ...]
    tank_settings: tuple[TankSettingRow, ...]
    demand: tuple[DemandRow, ...]
    feints_sales: tuple[FeintsSaleRow, ...]
    guarantee_use: tuple[GuaranteeRow, ...]
    duty_due: tuple[DutyDueRow, ...]
    holds: tuple[HoldRow, ...]
    explanations: tuple[tuple[str, ...], ...] = Field(
        description="why the worst shortages are there, each in lines of text"
    )
    misses: tuple[MissRow, ...] | None = Field(None, description="null: nobody looked")
    held_loads: tuple[HeldLoadRow, ...] | None = Field(
        None, description="null: lots were not put into loads"
    )
    findings: tuple[FindingRow, ...]
    checks: tuple[CheckRow, ...]
    inputs: dict[str, Any] = Field(
        default_factory=dict,
        description="the workspace as it was planned, by the keys and columns of"
        " bulkflow/scenario/README.md, without what stands at its default; {} where not kept",
    )


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the document."""
    schema = PlanDocument.model_json_schema(by_alias=True, mode="serialization")
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
