"""The cheapest plan of scenarios/two_sites, worked by hand.

Days. Period 1 is the week of 4 January 2027. A load of the sea lane is filled on a Monday, sails
5 days, arrives on Saturday and is discharged on the next Monday: usable in the next period, and
its duty is at risk in both. A load of grain is loaded on Monday, discharged on Tuesday: usable in
the next period. A charge is 10,000 L at 60 %, 6,000 LPA; it gives 4,800 LPA of hearts and 900 LPA
of feints, which stand there at the end of its week and can be loaded from the next on.

Loads. A TC-10 of DRY is at least 80 % full, 8,000 L, 6,400 LPA. The bottler has 7,000 LPA and
uses 5,000 in each of 4 weeks: 13,000 must come. By period 2 it needs 3,000, so a load leaves in
period 1 (x1, from the 7,000 there are); by period 3 it needs 8,000, so another leaves in period 2
(x2). The second needs hearts of period 1: after x1 at least 6,400 - (7,000 - x1) more, which one
charge (4,800) does not give, two do. x1 + x2 = 13,000 leaves nothing at the end. A LPA sent a
week sooner costs 0.02 at the bottler instead of 0.01 at the distillery, so x1 is least: 6,400,
and x2 is 6,600. Being short instead costs 5 a LPA and week: dearer than all of this.

Neutral spirit. Two charges use the 12,000 LPA. The closing target of 5,000 at 4 a LPA is worth
20,000; one load of least fill, 8,000 L at 96 %, 7,680 LPA, costs 7,680 + 300 and counts while on
the way, so it is sent in period 4 and never stored.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

from bulkflow.plan.check import CheckReport
from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import (
    CargoPart,
    CostBreakdown,
    DemandServed,
    FeintsSale,
    GuaranteeUse,
    LoadKind,
    Plan,
    PlannedLoad,
    Proof,
    Purchase,
    Run,
    StockLevel,
    TankSetting,
)

TWO_SITES = Path(__file__).resolve().parents[2] / "scenarios" / "two_sites"

START = date(2027, 1, 4)
PERIODS = (1, 2, 3, 4)
WEEK = timedelta(days=7)

# End of period 0..4.
HARBOUR_DRY = (7000.0, 2000.0, 3400.0, 5000.0, 0.0)
STILLHOUSE_DRY = (7000.0, 10_200.0, 3600.0, 3600.0, 3600.0)
STILLHOUSE_NEUTRAL = (12000.0, 0.0, 0.0, 0.0, 0.0)

COSTS = CostBreakdown(
    spirit=7680.0,  # 7,680 LPA at 1.00
    making=1000.0,  # two charges at 500
    freight=2300.0,  # two loads by sea at 1,000, one of grain at 300
    handling=208.0 + 210.0,  # (2,000+3,400+5,000) x 0.02 and (10,200+3x3,600) x 0.01
    capital=0.0,
    change=0.0,
    shortage=0.0,
    floors=0.0,
    sales=180.0,  # 1,800 LPA of feints at 0.10
)


def monday(period: int) -> date:
    return START + (period - 1) * WEEK


def sea_load(period: int, lpa: float) -> PlannedLoad:
    leaves = monday(period)
    return PlannedLoad(
        load_id=f"S{period}",
        lane="sea",
        origin="STILLHOUSE",
        destination="HARBOUR",
        tank_type="TC-10",
        kind=LoadKind.PLANNED,
        period=period,
        loading_day=leaves,
        leaving_day=leaves,
        arrival_day=leaves + timedelta(days=5),
        discharge_day=leaves + WEEK,
        usable_day=leaves + WEEK,
        usable_period=period + 1,
        parts=(CargoPart("DRY", "any", lpa, lpa / 0.8, 10_000.0),),
    )


def grain_load() -> PlannedLoad:
    leaves = monday(4)
    tuesday = leaves + timedelta(days=1)
    return PlannedLoad(
        load_id="G1",
        lane="grain-road",
        origin="GRAINHOUSE",
        destination="STILLHOUSE",
        tank_type="TC-10",
        kind=LoadKind.PLANNED,
        period=4,
        loading_day=leaves,
        leaving_day=leaves,
        arrival_day=tuesday,
        discharge_day=tuesday,
        usable_day=tuesday,
        usable_period=5,
        parts=(CargoPart("NEUTRAL", "any", 7680.0, 8000.0, 10_000.0),),
    )


def levels(site: str, liquid: str, amounts: tuple[float, ...]) -> list[StockLevel]:
    return [
        StockLevel(site, liquid, "any", period, lpa, 0.0, 0.0) for period, lpa in enumerate(amounts)
    ]


def plan() -> Plan:
    tanks = {
        ("STILLHOUSE", "N1"): "NEUTRAL",
        ("STILLHOUSE", "D1"): "DRY",
        ("STILLHOUSE", "F1"): "FEINTS",
        ("HARBOUR", "T1"): "DRY",
    }
    # 10 a LPA, from the day of loading to that of discharge, both included.
    at_risk = (64_000.0, 130_000.0, 66_000.0, 0.0)
    return Plan(
        scenario_name="Two sites, checked by hand",
        currency="EUR",
        quarter_periods=3,
        period_starts=tuple(monday(period) for period in PERIODS),
        loads=(sea_load(1, 6400.0), sea_load(2, 6600.0), grain_load()),
        purchases=(Purchase("GRAINHOUSE", "NEUTRAL", 4, 0, 7680.0, 1.0),),
        runs=(
            Run(
                site="STILLHOUSE",
                still="POT",
                recipe="distil-dry",
                period=1,
                charges=2,
                inputs=(("NEUTRAL", "any", 12_000.0),),
                makes="DRY",
                origin_class="any",
                hearts_lpa=9600.0,
                feints_lpa=1800.0,
            ),
        ),
        let_downs=(),
        vattings=(),
        stocks=(
            *levels("HARBOUR", "DRY", HARBOUR_DRY),
            *levels("STILLHOUSE", "DRY", STILLHOUSE_DRY),
            *levels("STILLHOUSE", "NEUTRAL", STILLHOUSE_NEUTRAL),
        ),
        tank_settings=tuple(
            TankSetting(site, tank, period, liquid, "any", changed=False)
            for (site, tank), liquid in tanks.items()
            for period in PERIODS
        ),
        demand=tuple(
            DemandServed("HARBOUR", "DRY", "", "core", period, 5000.0, (("any", 5000.0),), 0.0)
            for period in PERIODS
        ),
        feints_sales=(FeintsSale("STILLHOUSE", "FEINTS", "any", 1, 1800.0),),
        guarantee_use=tuple(
            GuaranteeUse("ROAD-BOND", period, used, 150_000.0)
            for period, used in zip(PERIODS, at_risk, strict=True)
        ),
        duty_due=(),
        costs=COSTS,
        proof=Proof(
            cost=COSTS.total,
            bound=COSTS.total,
            solver="by hand",
            seconds=0.0,
            interrupted=False,
            columns=0,
            rows=0,
            rows_added=0,
        ),
    )


def result() -> PlanResult:
    """The plan with nothing missed, and every load filled from lots."""
    return PlanResult(plan(), CheckReport(()), (("core", "carried"),), misses=(), held_loads=())
