"""Small scenarios in Python, so that a test shows only what it is about.

The base: STORE holds GIN (80 % vol) and sends it to BOTTLER by road in tanks of 7,000 litres,
100 a load. Loaded on the Monday of a week, a load is usable on the Monday after (lead 1 week).
A tank of 7,000 litres has no surge rule (sections up to 7,500 litres), and lanes state a least fill
of a hundredth of a percent (half an LPA), so a load may hold anything up to its maximum degree of
filling: 97 / (1 + alpha 30) = 94 %, about 5,260 LPA of GIN. Tests that need no more keep to 5,000
LPA a load.
"""

from __future__ import annotations

from copy import deepcopy
from datetime import date, timedelta
from typing import Any

from bulkflow.core.options import SolveOptions
from bulkflow.plan.check import check_plan
from bulkflow.program.answer import Plan
from bulkflow.program.solve import make_plan
from bulkflow.scenario.model import Scenario

START = date(2027, 1, 4)  # a Monday

Data = dict[str, Any]


def week(number: int, day: int = 0) -> date:
    """Return a day of a week of the calendar, from 1; day 0 is its Monday."""
    return START + timedelta(days=7 * (number - 1) + day)


def base(**changes: Any) -> Data:
    """Return the base, with top-level keys replaced."""
    data: Data = {
        "format": "bulkflow-workspace/1",
        "name": "small",
        "currency": "EUR",
        "calendar": {"start": START, "quarter_periods": 3, "horizon_periods": 4},
        "liquids": [liquid("GIN")],
        "sites": [
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")]),
        ],
        "tank_types": [tank_type("T7", 7_000.0)],
        "lanes": [lane("road", "STORE", "BOTTLER", "GIN")],
        "priorities": [{"id": "core", "unmet": "lost", "cost_per_lpa": 10.0}],
        "opening_stock": [stock("STORE", "GIN", 40_000.0)],
        "demand": [],
    }
    return deepcopy(data) | changes


def liquid(name: str, *, kind: str = "distillate", strength: float = 80.0, **more: Any) -> Data:
    return {"id": name, "kind": kind, "strength_percent": strength, **more}


def neutral(name: str = "NS", **more: Any) -> Data:
    return liquid(name, **({"kind": "neutral", "strength": 96.0} | more))


def tank(name: str, litres: float, *liquids: str, **more: Any) -> Data:
    return {"id": name, "capacity_litres": litres, "liquids": list(liquids), **more}


def site(name: str, kind: str, tanks: list[Data], **more: Any) -> Data:
    return {"id": name, "kind": kind, "tanks": tanks, **more}


def tank_type(name: str, litres: float, **more: Any) -> Data:
    return {
        "id": name,
        "regime": "un_portable_tank",
        "capacity_litres": litres,
        "tare_kg": 2_000.0,
        "maximum_gross_kg": 30_000.0,
        **more,
    }


def lane(
    name: str,
    origin: str,
    destination: str,
    *liquids: str,
    cost: float = 100.0,
    tanks: list[Data] | None = None,
    **more: Any,
) -> Data:
    return {
        "id": name,
        "origin": origin,
        "destination": destination,
        "liquids": list(liquids),
        "tanks": tanks or [{"tank_type": "T7", "cost_per_load": cost}],
        "transit_days": 1,
        "minimum_fill_percent": 0.01,
        **more,
    }


def stock(where: str, what: str, lpa: float, **more: Any) -> Data:
    return {"site": where, "liquid": what, "lpa": lpa, **more}


def ask(number: int, lpa: float, where: str = "BOTTLER", what: str = "GIN", **more: Any) -> Data:
    return {"site": where, "period_start": week(number), "liquid": what, "lpa": lpa, **more}


def supplier(name: str, *contracts: Data, **more: Any) -> Data:
    return {"id": name, "contracts": list(contracts), **more}


def contract(what: str, price: float, **more: Any) -> Data:
    return {"liquid": what, "tiers": [{"from_lpa": 0.0, "price_per_lpa": price}], **more}


def distilling(name: str, made: str, *inputs: tuple[str, float], **more: Any) -> Data:
    """A recipe whose charge is all alcohol and becomes all hearts, unless said otherwise."""
    return {
        "id": name,
        "makes": made,
        "method": "distil",
        "inputs": [{"liquid": one, "share_percent_of_lpa": share} for one, share in inputs],
        "charge_strength_percent": 100.0,
        "hearts_percent_of_lpa": 100.0,
        **more,
    }


def still(name: str, *recipes: str, litres: float = 1_000.0, **more: Any) -> Data:
    """A still of ten charges a week, unless said otherwise."""
    return {
        "id": name,
        "charge_litres": litres,
        "hours_per_charge": 1.0,
        "hours_per_period": 10.0,
        "recipes": list(recipes),
        **more,
    }


def works(*stills: Data, recipes: list[Data], **changes: Any) -> Data:
    """Return a distillery WORKS that holds NS and meets demand for GIN from its own tanks."""
    liquids = [neutral("NS"), liquid("GIN"), liquid("FEINTS", kind="feints", strength=70.0)]
    tanks = [tank("N", 1e6, "NS"), tank("G", 1e6, "GIN"), tank("F", 1e6, "FEINTS")]
    of_site = changes.pop("site", {})
    return base(
        **{
            "liquids": liquids,
            "recipes": recipes,
            "sites": [site("WORKS", "distillery", tanks, stills=list(stills), **of_site)],
            "tank_types": [],
            "lanes": [],
            "opening_stock": [stock("WORKS", "NS", 100_000.0)],
        }
        | changes
    )


def scenario(data: Data) -> Scenario:
    return Scenario.model_validate(data)


def planned(data: Data, **options: Any) -> Plan:
    """Return the proved best plan of a scenario, passed by the independent check."""
    made = scenario(data)
    plan = make_plan(made, SolveOptions(**({"gap": 0.0} | options)))
    check_plan(made, plan).raise_for_failures()
    assert plan.proof.gap <= 1e-7  # what is left is rounding of the bound
    return plan


def loads_by_week(plan: Plan, lane_id: str) -> dict[int, int]:
    """Return how many loads leave on a lane, by week."""
    counts: dict[int, int] = {}
    for load in plan.loads:
        if load.lane == lane_id:
            counts[load.period] = counts.get(load.period, 0) + 1
    return counts
