"""Gates: what depends on a lot in hand, and what its hold costs by planning again."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from bulkflow.core.options import SolveOptions
from bulkflow.errors import PlanningError
from bulkflow.plan.holds import gates, hold_words, price_gates, with_lot_status
from bulkflow.plan.make import BlockedError, plan_scenario, price_holds
from bulkflow.plan.result import HoldCost
from bulkflow.program.answer import Plan
from bulkflow.scenario.model import LotStatus, Scenario
from bulkflow.scenario.reader import read_workspace
from bulkflow.wording import money
from tests.plan import by_hand, everything


def with_lot(status: str, **fields: object) -> Scenario:
    """The tiny workspace with its opening lot behind a gate."""
    scenario = read_workspace(by_hand.TWO_SITES).scenario
    lots = tuple(
        lot.model_copy(update={"status": LotStatus(status), **fields}) for lot in scenario.lots
    )
    return scenario.model_copy(update={"lots": lots})


OPTIONS = SolveOptions(seconds=30.0)


def test_loads_that_need_an_awaiting_lot_are_named():
    """The distillery has 7,000 LPA in the lot and nothing else until hearts in period 2."""
    scenario = with_lot("awaiting", decision_due=by_hand.monday(1))
    hand = by_hand.plan()
    (gate,) = gates(scenario, hand)
    assert (gate.status, gate.enters_period, gate.lpa) == ("awaiting", 1, 7000.0)
    # Without it stock ends period 1 at 600 - 7,000: load S1 goes short by all of its 6,400. The
    # 600 left over lack from period 2 on, where 3,600 of hearts are left.
    assert gate.loads == ("S1",)


def test_a_held_lot_has_nothing_that_depends_on_it():
    (gate,) = gates(with_lot("held"), by_hand.plan())
    assert (gate.enters_period, gate.loads) == (None, ())


def test_released_and_rejected_lots_are_no_gates():
    assert gates(with_lot("released"), by_hand.plan()) == ()
    assert gates(with_lot("rejected"), by_hand.plan()) == ()


def test_what_a_hold_costs_is_found_by_planning_without_it():
    scenario = with_lot("held")
    result = price_holds(scenario, plan_scenario(scenario, OPTIONS), OPTIONS)
    (gate,) = result.holds
    assert gate.cost_released == pytest.approx(11_218.0, abs=0.01)  # the plan worked by hand
    assert gate.cost_as_is == pytest.approx(result.plan.costs.total)
    assert gate.cost_as_is > gate.cost_released
    assert gate.short_as_is_lpa > 0.0
    assert gate.short_released_lpa == pytest.approx(0.0, abs=0.01)
    saving = gate.cost_as_is - gate.cost_released
    assert gate.saving_least == pytest.approx(saving, abs=0.01)
    assert gate.saving_most == pytest.approx(saving, abs=0.1)
    (words, short) = hold_words(gate, result.plan, "week")
    assert words == f"Its release now would save {money(saving)} EUR."
    assert short.startswith("0 LPA x weeks would be short with it, against ")


def test_an_awaiting_lot_is_priced_both_ways():
    scenario = with_lot("awaiting", decision_due=by_hand.monday(2))
    result = price_holds(scenario, plan_scenario(scenario, OPTIONS), OPTIONS)
    (gate,) = result.holds
    assert gate.cost_released == pytest.approx(11_218.0, abs=0.01)
    assert gate.cost_failed >= gate.cost_as_is >= gate.cost_released
    assert 0.0 <= gate.extra_least <= gate.cost_failed - gate.cost_as_is + 0.01
    assert gate.extra_most == pytest.approx(gate.cost_failed - gate.cost_as_is, abs=0.01)
    assert gate.unpriced == ""


# --- limits: never below nothing, never unknown where the plan itself says something ------------


def opened(cost: float, bound: float) -> Plan:
    """The plan worked by hand with another cost and bound."""
    made = by_hand.plan()
    freight = made.costs.freight + cost - made.proof.cost
    proof = replace(made.proof, cost=cost, bound=bound)
    return replace(made, costs=replace(made.costs, freight=freight), proof=proof)


def priced(status: str, *answers: tuple[Plan | None, float], plan: Plan | None = None) -> HoldCost:
    """A gate of the plan (12,000, no plan below 11,500), with what the searches answer in turn."""
    scenario = with_lot(status, decision_due=by_hand.monday(2) if status == "awaiting" else None)
    plan = plan or opened(12_000.0, 11_500.0)
    told = iter(answers)
    (gate,) = price_gates(scenario, plan, gates(scenario, plan), lambda _: next(told))
    return gate


def words_of(gate: HoldCost) -> str:
    return " ".join(hold_words(gate, opened(12_000.0, 11_500.0), "week"))


def test_without_a_plan_found_the_present_one_is_the_answer():
    gate = priced("held", (None, 10_800.0))
    assert (gate.cost_released, gate.saving_least, gate.saving_most) == (12_000.0, 0.0, 1_200.0)
    assert words_of(gate) == (
        "Its release now would save at least 0 and at most 1,200 EUR; up to 500 EUR of"
        " that without it, too (the plan's own gap)."
    )


def test_a_dearer_plan_found_costs_nothing():
    assert priced("held", (opened(13_000.0, 10_800.0), 10_800.0)).cost_released == 12_000.0


def test_a_cheaper_plan_found_raises_what_is_saved_at_least():
    gate = priced("held", (opened(11_400.0, 10_800.0), 10_800.0))
    assert (gate.cost_released, gate.saving_least, gate.saving_most) == (11_400.0, 100.0, 1_200.0)
    assert "save at least 100 and at most 1,200 EUR." in words_of(gate)


def test_a_plan_found_within_the_gap_may_owe_nothing_to_the_lot():
    """A longer search as it is could find as cheap a one: 11,600 is above the bound of 11,500."""
    gate = priced("held", (opened(11_600.0, 10_800.0), 10_800.0))
    assert (gate.saving_least, gate.saving_most) == (0.0, 1_200.0)
    assert (
        "at least 0 and at most 1,200 EUR; a plan that costs 400 EUR less was found with it, but"
        " the plan's own gap (500 EUR) leaves open whether that needs the lot: look longer."
    ) in words_of(gate)


def test_a_cheaper_plan_that_leaves_the_lot_alone_is_no_saving_of_its_release():
    """A lot of 7,000 LPA in stock to the end was never needed."""
    plan = opened(11_400.0, 10_800.0)
    stocks = tuple(replace(row, released_lpa=row.released_lpa + 7_000.0) for row in plan.stocks)
    gate = priced("held", (replace(plan, stocks=stocks), 10_800.0))
    assert (gate.cost_released, gate.saving_least) == (12_000.0, 0.0)


def test_a_bound_above_the_present_one_says_no_more_than_that():
    """Left alone the lot changes nothing: what the plan could itself be cheaper stays open."""
    gate = priced("held", (None, 11_900.0))
    assert (gate.saving_least, gate.saving_most) == (0.0, 500.0)
    assert "within the plan's own gap (500 EUR), so whether it saves anything cannot" in (
        words_of(gate)
    )


def test_a_bound_never_proved_leaves_the_far_limit_out():
    gate = priced("held", (None, -math.inf))
    assert (gate.saving_least, gate.saving_most) == (0.0, None)
    assert words_of(gate) == "Its release now would save at least 0 EUR."


def test_what_a_failure_costs_lies_between_bound_and_plan_found():
    gate = priced("awaiting", (None, 11_500.0), (opened(12_900.0, 12_300.0), 12_300.0))
    assert (gate.extra_least, gate.extra_most) == (300.0, 1_400.0)
    assert "Its failure would cost at least 300 and at most 1,400 EUR." in words_of(gate)


def test_a_plan_without_the_lot_that_is_no_dearer_leaves_no_more_than_the_gap():
    gate = priced("awaiting", (None, 11_500.0), (opened(11_900.0, 11_300.0), 11_300.0))
    assert (gate.extra_least, gate.extra_most) == (0.0, 400.0)
    assert "Its failure would cost at least 0 and at most 400 EUR." in words_of(gate)


def test_a_failure_without_a_plan_found_still_has_its_least():
    gate = priced("awaiting", (None, 11_500.0), (None, 12_300.0))
    assert (gate.extra_least, gate.extra_most, gate.cost_failed) == (300.0, None, None)
    assert words_of(gate).endswith(
        "Its failure would cost at least 300 EUR. No plan without it was found in the work allowed."
    )


def test_rules_that_cannot_hold_without_a_lot_are_said():
    def search(changed: Scenario) -> tuple[Plan | None, float]:
        if changed.lots[0].status is LotStatus.HELD:
            raise PlanningError("No plan meets every rule; loosen one of them.")
        raise PlanningError("No room.")

    scenario = with_lot("awaiting", decision_due=by_hand.monday(2))
    plan = opened(12_000.0, 11_500.0)
    (gate,) = price_gates(scenario, plan, gates(scenario, plan), search)
    assert (gate.saving_least, gate.saving_most) == (0.0, 500.0)
    assert gate.unpriced == "If it fails: No plan meets every rule; loosen one of them."


def test_changing_a_lot_changes_that_lot_only():
    scenario = everything.scenario()
    changed = with_lot_status(scenario, "DRY-3", LotStatus.RELEASED)
    told = {lot.lot_id: lot.status for lot in changed.lots}
    assert told == {lot.lot_id: lot.status for lot in scenario.lots} | {"DRY-3": LotStatus.RELEASED}


def test_what_blocks_stops_the_planning_before_it_begins():
    scenario = with_lot("held", litres_20c=90_000.0)
    with pytest.raises(BlockedError, match="fill 90,000 L; its tanks for DRY hold 30,000 L"):
        plan_scenario(scenario, OPTIONS)


def test_a_plan_that_fails_its_check_is_never_shown(monkeypatch):
    def lying(*args: object, **_: object) -> Plan:
        made = by_hand.plan()
        return replace(made, costs=replace(made.costs, freight=1.0))

    monkeypatch.setattr("bulkflow.plan.make.make_plan", lying)
    with pytest.raises(Exception, match="failed its independent check") as caught:
        plan_scenario(read_workspace(by_hand.TWO_SITES).scenario, OPTIONS)
    assert "cost-freight" in str(caught.value)
