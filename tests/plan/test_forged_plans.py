"""No number, day, name or flag of a plan can be changed unseen: each is forged, one at a time.

Left out is what no rule gives: names of planned loads, the solver's own account of its search, and
the bound (proved anew on request).
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import date, timedelta
from enum import Enum
from typing import Any

import pytest

from bulkflow.plan.check import check_plan
from bulkflow.plan.checks.cost import costs_anew
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.program.answer import CostBreakdown, LoadKind, Plan, PlannedLoad, TankSetting
from tests.plan import everything

TABLES = ("loads", "purchases", "runs", "let_downs", "vattings", "stocks", "tank_settings",
          "demand", "feints_sales", "guarantee_use", "duty_due")  # fmt: skip
Forgery = tuple[str, Plan]


def others(values: list[Any], value: Any) -> list[Any]:
    return sorted({one for one in values if one != value}, key=str)[:1]


def forged_values(name: str, value: Any, column: list[Any]) -> list[Any]:
    """Return other values that a field of a table might be given."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, Enum):
        return [one for one in type(value) if one is not value]
    if isinstance(value, int):
        return [value + 1, value - 1]
    if isinstance(value, float):
        return [value + max(1.0, 1e-4 * value), 0.5 * value - 0.3]
    if isinstance(value, date):
        return [value + timedelta(days=1), value - timedelta(days=7)]
    if isinstance(value, str):
        return others([one for one in column if one], value)
    return [one for one in forged_parts(value) if one != value]


def forged_parts(value: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    """Yield the parts of a load, inputs or what is served with one of their own changed."""
    for place, part in enumerate(value):
        before, after = value[:place], value[place + 1 :]
        yield (*before, *after)
        yield (*before, part, part, *after)
        if isinstance(part, tuple):
            yield (*before, (*part[:-1], part[-1] + 1.0), *after)
            yield (*before, ("not-for:EASTERN" if "any" in part else "any", *part[1:]), *after)
            continue
        for field in fields(part):
            known = getattr(part, field.name)
            for other in forged_values(field.name, known, ["DRY", "GRAIN", "any"]):
                yield (*before, replace(part, **{field.name: other}), *after)


def forgeries(plan: Plan) -> Iterator[Forgery]:
    """Yield a plan with one thing of it changed, and what that is."""
    for table in TABLES:
        rows = getattr(plan, table)
        for place, row in enumerate(rows):
            where = f"{table}[{place}]"
            if not (table == "tank_settings" and may_wait(plan, row)):
                less = rows[:place] + rows[place + 1 :]
                yield f"{where} left out", replace(plan, **{table: less})
            yield f"{where} twice", replace(plan, **{table: (*rows, row)})
            for field in fields(row):
                value, column = getattr(row, field.name), [getattr(one, field.name) for one in rows]
                if field.name == "load_id" and table == "loads" and free(row):
                    continue
                for other in forged_values(field.name, value, column):
                    changed = replace(row, **{field.name: other})
                    told = f"{where}.{field.name} {value!r:.60} -> {other!r:.60}"
                    yield (
                        told,
                        replace(plan, **{table: (*rows[:place], changed, *rows[place + 1 :])}),
                    )
    for field in fields(plan.costs):
        more = replace(plan.costs, **{field.name: getattr(plan.costs, field.name) + 1.0})
        yield f"costs.{field.name}", replace(plan, costs=more)
    yield "proof.cost", replace(plan, proof=replace(plan.proof, cost=plan.proof.cost - 1.0))
    yield "currency", replace(plan, currency="USD")
    yield "quarter", replace(plan, quarter_periods=plan.quarter_periods - 1)
    yield "name", replace(plan, scenario_name="Another")
    yield "a period less", replace(plan, period_starts=plan.period_starts[:-1])


def free(load: Any) -> bool:
    return load.kind is LoadKind.PLANNED


def may_wait(plan: Plan, row: TankSetting) -> bool:
    """Tell the first setting of a tank with a choice of liquids, which it may wait for."""
    (site,) = [one for one in everything.scenario().sites if one.id == row.site]
    (tank,) = [one for one in site.tanks if one.id == row.tank]
    choices = {
        (one.liquid, one.origin_class)
        for one in plan.stocks
        if one.site == row.site and one.liquid in tank.liquids
    }
    return row.period == 1 and len(choices) > 1


def passing(seed: int, count: int) -> list[str]:
    """Return which of some forgeries, chosen at random, pass the check."""
    scenario, plan = everything.scenario(), everything.result().plan
    everyone = list(forgeries(plan))
    chosen = random.Random(seed).sample(everyone, min(count, len(everyone)))
    return [told for told, forged in chosen if check_plan(scenario, forged).passed]


def balanced(plan: Plan) -> Plan:
    """Return a plan with every cost worked out anew, so that only rules can give it away."""
    costs = CostBreakdown(**costs_anew(Ledger(everything.scenario(), plan)))
    return replace(plan, costs=costs, proof=replace(plan.proof, cost=costs.total, bound=0.0))


def less_fetched(plan: Plan, load: PlannedLoad, lpa: float) -> Plan:
    """Return a plan that buys and fetches less by one load, its books all in order."""
    (part,) = load.parts
    left = replace(part, lpa=part.lpa - lpa, litres_20c=part.litres_20c * (1 - lpa / part.lpa))
    loads = tuple(replace(one, parts=(left,)) if one is load else one for one in plan.loads)
    bought = [
        one
        for one in plan.purchases
        if (one.supplier, one.liquid, one.period) == (load.origin, part.liquid, load.period)
    ]
    dearest = max(bought, key=lambda one: one.tier)
    purchases = tuple(
        replace(one, lpa=one.lpa - lpa) if one is dearest else one for one in plan.purchases
    )  # fmt: skip
    stocks = tuple(
        replace(one, released_lpa=one.released_lpa - lpa)
        if (one.site, one.liquid) == (load.destination, part.liquid)
        and one.period >= load.usable_period
        else one
        for one in plan.stocks
    )
    return replace(plan, loads=loads, purchases=purchases, stocks=stocks)


def test_a_load_that_carries_next_to_nothing_is_caught_though_all_its_books_are_in_order():
    """Tanks of two halves, which no rule wants full: at least half of the most all the same."""
    scenario = everything.scenario()
    halves = tuple(
        one.model_copy(update={"sections_litres": (5_000.0, 5_000.0)}) if one.id == "TC-10" else one
        for one in scenario.tank_types
    )
    scenario = scenario.model_copy(update={"tank_types": halves})
    plan = everything.result().plan
    told = []
    for load in plan.loads:
        if load.origin not in ("MILL", "SUGAR") or not free(load):
            continue
        for lpa in (load.lpa - 3_000.0, load.lpa - 6.0):
            forged = balanced(less_fetched(plan, load, lpa))
            if min(row.released_lpa for row in forged.stocks) >= 0.0:
                told.append({check.id for check in check_plan(scenario, forged).failures})
    assert told
    assert all("fill" in failures for failures in told), told


@pytest.mark.parametrize("days", [-7, -1, 1, 7])
def test_a_load_moved_by_days_is_caught(days: int):
    plan, move = everything.result().plan, timedelta(days=days)
    names = [field.name for field in fields(PlannedLoad) if field.name.endswith("_day")]
    for load in plan.loads[::4]:
        moved = replace(load, **{name: getattr(load, name) + move for name in names})
        loads = tuple(moved if one is load else one for one in plan.loads)
        forged = balanced(replace(plan, loads=loads))
        assert "days" in {one.id for one in check_plan(everything.scenario(), forged).failures}


def test_a_load_in_two_halves_and_two_loads_with_each_other_s_liquid_are_caught():
    plan = everything.result().plan
    whole = [load for load in plan.loads if free(load) and load.tank_type == "TC-10"]
    for load in whole[::3]:
        (part,) = load.parts
        half = replace(part, lpa=part.lpa / 2, litres_20c=part.litres_20c / 2)
        twins = (replace(load, parts=(half,)), replace(load, load_id="TWIN", parts=(half,)))
        others = tuple(one for one in plan.loads if one is not load)
        forged = balanced(replace(plan, loads=(*others, *twins)))
        assert "fill" in {one.id for one in check_plan(everything.scenario(), forged).failures}
    dry = next(load for load in whole if load.parts[0].liquid == "DRY")
    grain = next(load for load in whole if load.parts[0].liquid == "GRAIN")
    swapped = {dry.load_id: grain.parts, grain.load_id: dry.parts}
    loads = tuple(replace(one, parts=swapped.get(one.load_id, one.parts)) for one in plan.loads)
    failures = check_plan(everything.scenario(), balanced(replace(plan, loads=loads))).failures
    assert {"lanes", "released-stock", "purchase"} <= {one.id for one in failures}


@pytest.mark.full
def test_forged_plans_are_caught():
    assert passing(seed=1, count=80) == []


def test_the_tank_and_the_period_of_a_load_given_by_the_workspace_are_its_own():
    """Each of these once passed: no rule spoke of what is not the plan's to choose."""
    plan = everything.result().plan
    for load in plan.loads:
        if free(load) or len(load.parts) > 1:
            continue
        (part,) = load.parts
        larger = replace(part, capacity_litres=part.capacity_litres + 1.0)
        for changed in (replace(load, parts=(larger,)), replace(load, period=load.period + 1)):
            loads = tuple(changed if one is load else one for one in plan.loads)
            forged = balanced(replace(plan, loads=loads))
            assert not check_plan(everything.scenario(), forged).passed


@pytest.mark.full
@pytest.mark.parametrize("share", range(4))
def test_every_forged_plan_is_caught(share: int):
    scenario, plan = everything.scenario(), everything.result().plan
    chosen = list(forgeries(plan))[share::4]
    assert len(chosen) > 1_000
    assert [told for told, forged in chosen if check_plan(scenario, forged).passed] == []
