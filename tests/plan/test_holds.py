"""Gates: what depends on a lot in hand, and what its hold costs by planning again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bulkflow.core.options import SolveOptions
from bulkflow.errors import PlanningError
from bulkflow.plan.holds import gates, price_gates, with_lot_status
from bulkflow.plan.make import BlockedError, plan_scenario, price_holds
from bulkflow.program.answer import Plan
from bulkflow.scenario.model import LotStatus, Scenario
from bulkflow.scenario.reader import read_workspace
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
    assert gate.cost_released == pytest.approx(11_122.0, abs=0.01)  # the plan worked by hand
    assert gate.cost_as_is == pytest.approx(result.plan.costs.total)
    assert gate.cost_as_is > gate.cost_released
    assert gate.short_as_is_lpa > 0.0
    assert gate.short_released_lpa == pytest.approx(0.0, abs=0.01)
    saving = gate.cost_as_is - gate.cost_released
    assert gate.saving_least - 0.1 <= saving <= gate.saving_most + 0.1


def test_an_awaiting_lot_is_priced_both_ways():
    scenario = with_lot("awaiting", decision_due=by_hand.monday(2))
    result = price_holds(scenario, plan_scenario(scenario, OPTIONS), OPTIONS)
    (gate,) = result.holds
    assert gate.cost_released == pytest.approx(11_122.0, abs=0.01)
    assert gate.cost_failed >= gate.cost_as_is >= gate.cost_released
    assert gate.unpriced == ""


def test_a_price_that_cannot_be_found_is_said_not_left_out():
    def fail(_: Scenario) -> Plan:
        raise PlanningError("No plan was found before the search was stopped.\nMore.")

    scenario = with_lot("awaiting", decision_due=by_hand.monday(2))
    found = gates(scenario, by_hand.plan())
    (gate,) = price_gates(scenario, by_hand.plan(), found, fail)
    assert gate.cost_released is None
    assert gate.unpriced == (
        "What its release would save is not known: No plan was found before the search was"
        " stopped. What its failure would cost is not known: No plan was found before the search"
        " was stopped."
    )


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
