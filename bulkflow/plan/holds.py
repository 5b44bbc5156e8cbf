"""Lots held or awaiting a decision: which loads depend on them, and what each gate costs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Literal

from bulkflow.errors import PlanningError
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.result import HoldCost
from bulkflow.plan.summary import ROUNDING
from bulkflow.program.answer import Plan
from bulkflow.scenario.model import Lot, LotStatus, Scenario
from bulkflow.wording import amount, money

__all__ = ["Search", "dependent_loads", "gates", "hold_words", "price_gates", "with_lot_status"]

Search = Callable[[Scenario], tuple[Plan | None, float]]
"""Plans a changed workspace: the best plan found, if any, and a bound no plan is below."""

Status = Literal[LotStatus.RELEASED, LotStatus.HELD]


def gates(scenario: Scenario, plan: Plan) -> tuple[HoldCost, ...]:
    """Return every lot held or awaiting, with the loads that would lack liquid without it."""
    ledger = Ledger(scenario, plan)
    found = []
    for lot in scenario.lots:
        if lot.status not in (LotStatus.HELD, LotStatus.AWAITING):
            continue
        found.append(
            HoldCost(
                lot_id=lot.lot_id,
                liquid=lot.liquid,
                site=lot.site,
                status=lot.status.value,
                lpa=lot.lpa,
                decision_due=lot.decision_due,
                enters_period=ledger.entry_period(lot),
                note=lot.note or "",
                loads=dependent_loads(ledger, lot),
            )
        )
    return tuple(found)


def dependent_loads(ledger: Ledger, lot: Lot) -> tuple[str, ...]:
    """Return the loads that would lack liquid if a lot failed and nothing else changed.

    Without the lot, the stock of its commodity falls below zero in some periods (at their end, or
    before what they make is there); the loads of those periods, the last first, are counted until
    the lack is made up.
    """
    entry = ledger.entry_period(lot)
    if not entry:
        return ()
    commodity = ledger.of_lot(lot)
    lacking: list[str] = []
    made_up = 0.0
    for period in range(entry, ledger.days.count + 1):
        stands = ledger.stock[commodity, period]
        late = ledger.outflow(commodity, period) - ledger.taken_first(commodity, period)
        before = stands - ledger.made_within(commodity, period) + late
        lack = lot.lpa - min(before, stands) - made_up
        leaving = [
            (load, part.lpa)
            for load in ledger.sent
            if load.period == period and load.origin == lot.site
            for part in load.parts
            if part.liquid == lot.liquid and ledger.barring(part.origin_class) == commodity[2]
        ]
        for load, lpa in sorted(leaving, key=lambda pair: pair[0].loading_day, reverse=True):
            if lack <= 1e-6 * lot.lpa:
                break
            lacking.append(load.load_id)
            lack -= lpa
            made_up += lpa
    return tuple(dict.fromkeys(lacking))


def price_gates(
    scenario: Scenario, plan: Plan, found: tuple[HoldCost, ...], search: Search
) -> tuple[HoldCost, ...]:
    """Return the same gates with what each costs: the difference of two best plans, in limits.

    A held lot is planned as released at the start; an awaiting one both so and as never released.
    The plan there is holds with a lot released too, by leaving the lot alone until the day it was
    counted on, so a release saves nothing at least; and a plan that does without a lot holds with
    it, so a failure costs nothing at least. Of the best plan as it is only cost and bound of this
    one are known, of the changed best plan only those of the search for it: a release saves at
    least (bound as it is - cost found with it) and at most (cost as it is - bound with it).
    """
    return tuple(_priced(scenario, plan, hold, search) for hold in found)


def _priced(scenario: Scenario, plan: Plan, hold: HoldCost, search: Search) -> HoldCost:
    cost = plan.proof.cost
    short = _short_lpa(plan)
    changed = with_lot_status(scenario, hold.lot_id, LotStatus.RELEASED)
    try:
        better, bound = search(changed)
    except PlanningError:  # with all of it in use no rule can hold; left alone, it changes nothing
        better, bound = None, plan.proof.bound
    if better is None or better.proof.cost >= cost or not _draws_on(changed, better, hold.lot_id):
        better = None
    released = better.proof.cost if better else cost
    least = max(0.0, plan.proof.bound - released)
    hold = replace(
        hold,
        cost_as_is=cost,
        short_as_is_lpa=short,
        cost_released=released,
        short_released_lpa=_short_lpa(better or plan),
        saving_least=least,
        # Left alone the lot changes nothing: what this plan's own bound leaves open stays open.
        saving_most=_finite(max(least, cost - min(bound, plan.proof.bound))),
    )
    return _failed(scenario, plan, hold, search) if hold.status == LotStatus.AWAITING else hold


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _failed(scenario: Scenario, plan: Plan, hold: HoldCost, search: Search) -> HoldCost:
    """Return a gate with what its failure costs."""
    cost = plan.proof.cost
    try:
        without, bound = search(with_lot_status(scenario, hold.lot_id, LotStatus.HELD))
    except PlanningError as error:
        return replace(hold, unpriced=f"If it fails: {error}")
    # No plan without the lot is below the bound of this plan either: it would hold with the lot.
    least = max(0.0, max(bound, plan.proof.bound) - cost)
    hold = replace(hold, extra_least=least)
    if without is None:
        return replace(hold, unpriced="No plan without it was found in the work allowed.")
    return replace(
        hold,
        cost_failed=without.proof.cost,
        short_failed_lpa=_short_lpa(without),
        extra_most=_finite(max(least, without.proof.cost - plan.proof.bound)),
    )


def _draws_on(scenario: Scenario, plan: Plan, lot_id: str) -> bool:
    """Tell whether a plan ever needs a lot: whether some closing stock is less than the lot."""
    ledger = Ledger(scenario, plan)
    lot = next(one for one in scenario.lots if one.lot_id == lot_id)
    commodity, entry = ledger.of_lot(lot), ledger.entry_period(lot)
    return entry is not None and any(
        ledger.stock[commodity, period] < lot.lpa * (1.0 - 1e-6)
        for period in range(max(1, entry), ledger.days.count + 1)
    )


def hold_words(hold: HoldCost, plan: Plan, unit: str) -> Iterator[str]:
    """Yield what a gate costs, in sentences; nothing where it was not priced."""
    currency = plan.currency
    if hold.saving_least is not None:
        limits = _limits(hold.saving_least, hold.saving_most, currency)
        yield f"Its release now would save {limits}{_doubt(hold, plan)}."
        yield from _short_words("with it", hold.short_released_lpa, hold.short_as_is_lpa, unit)
    if hold.extra_least is not None:
        limits = _limits(hold.extra_least, hold.extra_most, currency)
        yield f"Its failure would cost {limits}."
        yield from _short_words("without it", hold.short_failed_lpa, hold.short_as_is_lpa, unit)
    if hold.unpriced:
        yield hold.unpriced


def _limits(least: float, most: float | None, currency: str) -> str:
    if most is None:
        return f"at least {money(least)} {currency}"
    if money(least) == money(most):
        return f"{money(least)} {currency}"
    return f"at least {money(least)} and at most {money(most)} {currency}"


def _doubt(hold: HoldCost, plan: Plan) -> str:
    """Return what keeps a saving from being known better, where nothing at all may be saved."""
    gap = plan.proof.cost - plan.proof.bound
    if hold.saving_least or not hold.saving_most or gap <= ROUNDING * abs(plan.proof.cost):
        return ""
    gap_in_words = f"{money(gap)} {plan.currency}"
    found = (hold.cost_as_is or 0.0) - (hold.cost_released or 0.0)
    if found > 0:
        return (
            f"; a plan that costs {money(found)} {plan.currency} less was found with it, but the"
            f" plan's own gap ({gap_in_words}) leaves open whether that needs the lot: look longer"
        )
    if hold.saving_most <= gap:
        return (
            f"; that is within the plan's own gap ({gap_in_words}), so whether it saves anything"
            " cannot be told: look longer"
        )
    return f"; up to {gap_in_words} of that without it, too (the plan's own gap)"


def _short_words(how: str, found: float | None, as_is: float | None, unit: str) -> Iterator[str]:
    if found is not None and as_is is not None and amount(found) != amount(as_is):
        yield f"{amount(found)} LPA x {unit}s would be short {how}, against {amount(as_is)} now."


def _short_lpa(plan: Plan) -> float:
    """Return LPA short, summed over the periods in which they are."""
    return sum(row.open_lpa for row in plan.demand)


def with_lot_status(scenario: Scenario, lot_id: str, status: Status) -> Scenario:
    """Return a scenario with the status of one lot changed."""
    lots = tuple(
        lot.model_copy(update={"status": status, "decision_due": None})
        if lot.lot_id == lot_id
        else lot
        for lot in scenario.lots
    )
    return scenario.model_copy(update={"lots": lots})
