"""Two plans held against each other: what was added, dropped, moved, and what it costs."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bulkflow.errors import InputError
from bulkflow.plan.check import CheckReport
from bulkflow.plan.compare import compare_plans
from bulkflow.plan.inputs import input_changes, inputs_of
from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.scenario.reader import read_workspace
from tests.plan import by_hand, everything


def result(plan: Plan) -> PlanResult:
    return PlanResult(plan, CheckReport(()), (("core", "carried"),))


def hand() -> PlanResult:
    return result(by_hand.plan())


def changed(**fields: object) -> PlanResult:
    return result(replace(by_hand.plan(), **fields))  # type: ignore[arg-type]


def test_a_plan_is_no_different_from_itself():
    same = compare_plans(everything.result(), everything.result())
    assert same.loads == ()
    assert same.shortages == ()
    assert all(was == now for was, now in same.costs.values())
    assert same.kept_loads == sum(
        load.kind != "under_way" for load in everything.result().plan.loads
    )


def test_a_load_left_out_is_dropped_and_a_new_one_added():
    loads = by_hand.plan().loads
    (dropped,) = compare_plans(hand(), changed(loads=loads[:-1])).loads
    assert (dropped.change, dropped.lane, dropped.lpa_before) == ("dropped", "grain-road", 7680.0)
    assert dropped.day_after is None
    (added,) = compare_plans(changed(loads=loads[:-1]), hand()).loads
    assert (added.change, added.lane, added.lpa_after) == ("added", "grain-road", 7680.0)


def test_a_load_on_another_day_is_moved_not_dropped_and_added():
    loads = list(by_hand.plan().loads)
    loads[1] = by_hand.sea_load(3, 6600.0)
    (moved,) = compare_plans(hand(), changed(loads=tuple(loads))).loads
    assert moved.change == "moved"
    assert (moved.day_before, moved.day_after) == (by_hand.monday(2), by_hand.monday(3))


def test_a_promised_load_that_has_not_left_is_the_load_of_its_name():
    plan = by_hand.plan()
    promised = replace(by_hand.sea_load(1, 6400.0), load_id="P-1", kind=LoadKind.PROMISED)
    earlier = replace(plan, loads=(promised, by_hand.sea_load(3, 6600.0)))
    waiting = replace(by_hand.sea_load(2, 6400.0), load_id="P-1", kind=LoadKind.PROMISED)
    later = replace(
        plan,
        loads=(waiting, by_hand.sea_load(3, 6600.0)),
        period_starts=tuple(day + timedelta(days=7) for day in plan.period_starts),
    )
    difference = compare_plans(result(earlier), result(later))
    assert difference.begins_later
    (moved,) = difference.loads  # not the load of the third week, which stays as it was
    assert (moved.day_before, moved.day_after) == (by_hand.monday(1), by_hand.monday(2))
    assert difference.kept_loads == 1


def test_another_amount_on_the_same_day_is_told_beyond_a_litre_or_two():
    loads = list(by_hand.plan().loads)
    loads[0] = by_hand.sea_load(1, 6410.0)
    assert compare_plans(hand(), changed(loads=tuple(loads))).loads == ()
    loads[0] = by_hand.sea_load(1, 6500.0)
    difference = compare_plans(hand(), changed(loads=tuple(loads)))
    (one,) = difference.loads
    assert (one.change, one.lpa_before, one.lpa_after) == ("amount", 6400.0, 6500.0)
    assert difference.kept_loads == 2  # as they were: this one is not


def test_loads_under_way_are_facts_and_not_compared():
    loads = tuple(load for load in everything.result().plan.loads if load.kind != "under_way")
    without = replace(everything.result(), plan=replace(everything.result().plan, loads=loads))
    assert compare_plans(everything.result(), without).loads == ()


def test_runs_and_purchases_are_told_where_they_differ():
    (run,) = by_hand.plan().runs
    (bought,) = by_hand.plan().purchases
    difference = compare_plans(
        hand(),
        changed(runs=(replace(run, charges=3.0),), purchases=(replace(bought, period=3),)),
    )
    (one,) = difference.runs
    assert (one.recipe, one.before_charges, one.after_charges) == ("distil-dry", run.charges, 3.0)
    assert [(row.period_start, row.before_lpa, row.after_lpa) for row in difference.purchases] == [
        (by_hand.monday(3), 0.0, 7680.0),
        (by_hand.monday(4), 7680.0, 0.0),
    ]
    assert difference.inputs is None  # neither plan keeps them
    assert sum(now for part, (_, now) in difference.costs.items() if part != "total") == (
        pytest.approx(difference.costs["total"][1])
    )


def test_inputs_of_days_before_the_later_plan_begins_are_history():
    scenario = read_workspace(by_hand.TWO_SITES).scenario
    whole = inputs_of(scenario)
    later = inputs_of(
        scenario.model_copy(
            update={
                "demand": tuple(row for row in scenario.demand if row.period_start.day >= 11),
                "calendar": scenario.calendar.model_copy(update={"start": by_hand.monday(2)}),
            }
        )
    )
    assert input_changes(whole, later, since=by_hand.monday(2)) == []
    assert [one.part for one in input_changes(whole, later)] == ["calendar", "demand"]


def test_shortages_and_costs_are_told_by_place_and_part():
    demand = tuple(
        replace(row, open_lpa=120.0) if row.period == 2 else row for row in by_hand.plan().demand
    )
    costs = replace(by_hand.COSTS, shortage=600.0)
    difference = compare_plans(hand(), changed(demand=demand, costs=costs))
    (short,) = difference.shortages
    assert (short.site, short.period_start) == ("HARBOUR", by_hand.START + timedelta(days=7))
    assert (short.before_lpa, short.after_lpa) == (0.0, 120.0)
    assert difference.costs["shortage"] == (0.0, 600.0)
    assert difference.costs["total"] == pytest.approx((11_218.0, 11_818.0))


def test_plans_in_two_currencies_are_refused():
    with pytest.raises(InputError, match="EUR and USD"):
        compare_plans(hand(), changed(currency="USD"))
