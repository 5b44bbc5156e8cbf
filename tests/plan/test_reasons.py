"""Every shortage, floor and target missed has a reason that is sure, told once for a cause."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bulkflow.core.diagnose import Diagnosis
from bulkflow.core.options import SolveOptions
from bulkflow.plan import views
from bulkflow.plan.make import explained, plan_scenario, price_holds
from bulkflow.plan.reasons import short_reasons
from bulkflow.plan.result import Miss, PlanResult
from bulkflow.scenario.model import LotStatus, Scenario
from bulkflow.scenario.reader import read_workspace
from tests.plan import by_hand


def tiny(**policy: object) -> Scenario:
    """The tiny workspace, with a stock policy of DRY at HARBOUR if fields are given."""
    scenario = read_workspace(by_hand.TWO_SITES).scenario
    if not policy:
        return scenario
    fields = {"site": "HARBOUR", "liquid": "DRY", **policy}
    added = scenario.stock_policies[0].model_copy(update=fields)
    return scenario.model_copy(update={"stock_policies": (added,)})


def missing(kind: str, *periods: int, cost: float = 9.0) -> PlanResult:
    misses = (Miss(kind, "HARBOUR", "DRY", periods, (100.0,) * len(periods), cost),)  # type: ignore[arg-type]
    return replace(by_hand.result(), misses=misses)


def words(scenario: Scenario, result: PlanResult) -> str:
    return "\n".join("\n".join(one) for one in short_reasons(scenario, result))


def test_nothing_missed_needs_no_reason():
    assert short_reasons(tiny(), by_hand.result()) == ()


def test_what_no_load_can_reach_in_time_is_said_so():
    """A load of the sea lane that leaves in week 1 is usable in week 2."""
    scenario = tiny(floor_lpa=5_000.0, floor_cost_per_lpa_per_period=1.0)
    assert words(scenario, missing("floor", 1)) == (
        "floor of DRY in week 1: nothing that leaves from now on can be used at HARBOUR before week"
        " 2; until then there is what stands there and what is under way."
    )


def test_held_lots_that_stand_there_are_named_with_it():
    scenario = tiny(floor_lpa=5_000.0, floor_cost_per_lpa_per_period=1.0)
    update = {"site": "HARBOUR", "status": LotStatus.HELD, "lot_id": "H-1"}
    lots = (*scenario.lots, scenario.lots[0].model_copy(update=update))
    told = words(scenario.model_copy(update={"lots": lots}), missing("floor", 1))
    assert told.endswith("Of lots there, H-1 (held) would add to it once released.")


def test_a_target_without_a_price_is_not_kept_for_its_own_sake():
    scenario = tiny(closing_lpa=500.0, closing_cost_per_lpa=0.0)
    assert words(scenario, missing("closing", 4)) == (
        "1 closing target is missed (DRY at HARBOUR): closing_cost_per_lpa is 0, so the plan does"
        " nothing for it."
    )


def test_a_target_with_a_price_is_paid_for():
    scenario = tiny(closing_lpa=500.0, closing_cost_per_lpa=2.0)
    assert words(scenario, missing("closing", 4, cost=200.0)) == (
        "1 closing target is missed (DRY at HARBOUR by 100 LPA): the plan pays 200 EUR (2 EUR"
        " per LPA) rather than buy, make or send more in time."
    )


def test_demand_after_the_quarter_has_its_reason_too():
    made = by_hand.result()
    demand = tuple(
        replace(row, open_lpa=70.0 if row.period == 4 else 0.0) for row in made.plan.demand
    )
    told = words(tiny(), replace(made, plan=replace(made.plan, demand=demand)))
    assert "1 demand is short (DRY at HARBOUR by 70 LPA in week 4): the plan pays 5 EUR" in told


def with_lot(status: str, **fields: object) -> Scenario:
    scenario = tiny()
    lots = tuple(
        lot.model_copy(update={"status": LotStatus(status), **fields}) for lot in scenario.lots
    )
    return scenario.model_copy(update={"lots": lots})


@pytest.mark.parametrize("status", ["held", "awaiting"])
def test_why_and_the_price_of_a_hold_do_not_contradict_each_other(status: str):
    """What a release serves in the plan found is never called impossible beside it."""
    scenario = with_lot(status, decision_due=by_hand.monday(3) if status == "awaiting" else None)
    options = SolveOptions(seconds=30.0)
    result = price_holds(scenario, plan_scenario(scenario, options), options)
    result = explained(scenario, result, seconds=20.0)
    (gate,) = result.holds
    assert gate.short_as_is_lpa > 0.0
    assert gate.short_released_lpa == pytest.approx(0.0, abs=0.01)
    told = "\n".join(line for one in result.explanations for line in one)
    assert gate.lot_id in told
    assert "nothing can bring it" not in told
    quarter, after = views.short_demand(result.plan, result.unmet)
    assert all(f"{one.liquid} at {one.site}" in told for one in (*quarter, *after))


def test_a_shortage_that_was_not_looked_into_for_long_enough_still_has_its_reason(monkeypatch):
    """A search ended by time alone: the machine's speed, so it is stood in for here."""
    ended = Diagnosis((), irreducible=False, whole_numbers=False, seconds=1.0)
    monkeypatch.setattr("bulkflow.program.diagnosis.diagnose", lambda *_, **__: ended)
    scenario, made = tiny(), by_hand.result()
    demand = tuple(
        replace(row, open_lpa=row.demand_lpa if row.period == 4 else 0.0)
        for row in made.plan.demand
    )
    result = explained(scenario, replace(made, plan=replace(made.plan, demand=demand)))
    told = [" ".join(one) for one in result.explanations]
    assert any("DRY at HARBOUR by" in one and "the plan pays" in one for one in told)
    assert told[-1].endswith("DRY at HARBOUR was not found in the time given: look longer.")
