"""Lots held or awaiting a decision: which loads depend on them, and what each gate costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

from bulkflow.errors import PlanningError
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.result import HoldCost
from bulkflow.program.answer import Plan
from bulkflow.scenario.model import Lot, LotStatus, Scenario

__all__ = ["dependent_loads", "gates", "price_gates", "with_lot_status"]

Replan = Callable[[Scenario], Plan]


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

    Without the lot, the stock of its commodity falls below zero by the end of some periods; the
    loads of those periods, the last first, are counted until the lack is made up.
    """
    entry = ledger.entry_period(lot)
    if not entry:
        return ()
    commodity = ledger.of_lot(lot)
    lacking: list[str] = []
    made_up = 0.0
    for period in range(entry, ledger.days.count + 1):
        lack = lot.lpa - ledger.stock[commodity, period] - made_up
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
    scenario: Scenario, plan: Plan, found: tuple[HoldCost, ...], replan: Replan
) -> tuple[HoldCost, ...]:
    """Return the same gates with what each costs, by planning again without it.

    A held lot is planned as released at the start; an awaiting one both as released at the start
    and as failed. What a release saves is known between two bounds: the difference of the
    optima lies between (bound as it is - cost released) and (cost as it is - bound released).
    """
    return tuple(_priced(scenario, plan, hold, replan) for hold in found)


def _priced(scenario: Scenario, plan: Plan, hold: HoldCost, replan: Replan) -> HoldCost:
    priced = replace(hold, cost_as_is=plan.proof.cost, short_as_is_lpa=_short_lpa(plan))
    remarks = []
    try:
        released = replan(with_lot_status(scenario, hold.lot_id, LotStatus.RELEASED))
        priced = replace(
            priced,
            cost_released=released.proof.cost,
            short_released_lpa=_short_lpa(released),
            saving_least=plan.proof.bound - released.proof.cost,
            saving_most=plan.proof.cost - released.proof.bound,
        )
    except PlanningError as error:
        remarks.append(f"What its release would save is not known: {_first_line(error)}")
    if hold.status == LotStatus.AWAITING:
        try:
            failed = replan(with_lot_status(scenario, hold.lot_id, LotStatus.HELD))
            priced = replace(
                priced, cost_failed=failed.proof.cost, short_failed_lpa=_short_lpa(failed)
            )
        except PlanningError as error:
            remarks.append(f"What its failure would cost is not known: {_first_line(error)}")
    return replace(priced, unpriced=" ".join(remarks))


def _first_line(error: PlanningError) -> str:
    return str(error).partition("\n")[0]


def _short_lpa(plan: Plan) -> float:
    """Return LPA short, summed over the periods in which they are."""
    return sum(row.open_lpa for row in plan.demand)


def with_lot_status(
    scenario: Scenario, lot_id: str, status: Literal[LotStatus.RELEASED, LotStatus.HELD]
) -> Scenario:
    """Return a scenario with the status of one lot changed."""
    lots = tuple(
        lot.model_copy(update={"status": status, "decision_due": None})
        if lot.lot_id == lot_id
        else lot
        for lot in scenario.lots
    )
    return scenario.model_copy(update={"lots": lots})
