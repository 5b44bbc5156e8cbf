"""Why demand is short, and floors and targets are missed: a certain reason for every one.

The worst shortages are explained by the rules that stand in their way
(`bulkflow.program.diagnosis`); here every other one gets a reason that is sure without a search,
told once for all that share it: nothing that leaves now is there in time, what is missed has no
price, or the plan pays its price.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from bulkflow.plan import views
from bulkflow.plan.checks.position import Position
from bulkflow.plan.finding import period_words
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import ROUNDING, gap_words, period_unit
from bulkflow.program.answer import Plan
from bulkflow.scenario.model import Lot, LotStatus, Scenario
from bulkflow.wording import amount, counted, listed, money

__all__ = ["short_reasons"]

MOST_NAMED = 6  # shortages or targets named in one reason; the tables hold them all
Demand = tuple[str, str, str, str]  # site, liquid, market, priority


@dataclass(frozen=True, slots=True)
class _Lack:
    """A demand that is short, a floor or target missed, or stock past its life."""

    kind: str  # demand, floor, closing or life
    site: str
    liquid: str
    periods: tuple[int, ...]
    lpa: float
    price: float
    cost: float

    @property
    def named(self) -> str:
        """Liquid and site in words."""
        return f"{self.liquid} at {self.site}"


def short_reasons(
    scenario: Scenario, result: PlanResult, explained: Sequence[Demand] = ()
) -> tuple[tuple[str, ...], ...]:
    """Return a reason for every shortage and every floor and target missed, grouped by cause.

    Parameters
    ----------
    explained : demands whose reason is told elsewhere.
    """
    position = Position(scenario)
    lacks = [*_short(scenario, result, set(explained)), *_missed(scenario, result)]
    unit = period_unit(result.plan)
    early: dict[tuple[str, int], list[_Lack]] = defaultdict(list)
    unpriced: dict[str, list[_Lack]] = defaultdict(list)
    paid: dict[tuple[str, float], list[_Lack]] = defaultdict(list)
    for lack in lacks:
        first = _first_sent(position, lack.site, lack.liquid)
        if lack.kind != "life" and first is not None and max(lack.periods) < first:
            early[lack.site, first].append(lack)
        elif lack.price <= 0:
            unpriced[lack.kind].append(lack)
        else:
            paid[lack.kind, lack.price].append(lack)
    found = [
        *(_early_words(scenario, *key, group, unit) for key, group in sorted(early.items())),
        *(_unpriced_words(kind, group) for kind, group in sorted(unpriced.items())),
        *(_paid_words(result.plan, *key, group, unit) for key, group in sorted(paid.items())),
    ]
    if paid and result.plan.proof.gap > ROUNDING:
        gap = gap_words(result.plan)
        found.append(f"A better plan, within the gap of {gap}, might keep some of these.")
    return tuple((words,) for words in found)


def _short(scenario: Scenario, result: PlanResult, explained: set[Demand]) -> Iterator[_Lack]:
    prices = {one.id: one.cost_per_lpa for one in scenario.priorities}
    for part in views.short_demand(result.plan, result.unmet):
        for one in part:
            if (one.site, one.liquid, one.market, one.priority) not in explained:
                yield _Lack("demand", one.site, one.liquid, one.periods, one.lpa,
                            prices[one.priority], 0.0)  # fmt: skip


def _missed(scenario: Scenario, result: PlanResult) -> Iterator[_Lack]:
    policies = {(one.site, one.liquid): one for one in scenario.stock_policies}
    lives = {one.id: one.past_life_cost_per_lpa or 0.0 for one in scenario.liquids}
    for one in views.missed(result):
        policy = policies.get((one.site, one.liquid))
        price = {
            "floor": policy.floor_cost_per_lpa_per_period if policy else 0.0,
            "closing": policy.closing_cost_per_lpa if policy else 0.0,
            "life": lives[one.liquid],
        }[one.kind]
        yield _Lack(one.kind, one.site, one.liquid, one.periods, one.worst_lpa, price, one.cost)


def _first_sent(position: Position, site: str, liquid: str) -> int | None:
    """Return the first period in which anything that leaves from now on is usable at a site.

    None where the site makes the liquid itself, or no lane brings it.
    """
    scenario = position.scenario
    own = next((one for one in scenario.sites if one.id == site), None)
    recipes = {name for still in (own.stills if own else ()) for name in still.recipes}
    made = {one.makes for one in scenario.recipes if one.id in recipes or site in one.sites}
    if liquid in made:
        return None
    found = [
        days.usable_period
        for lane in scenario.lanes
        if lane.destination == site and liquid in lane.liquids
        for period in position.periods
        if (days := position.days.of_lane(lane, period, liquid)) is not None
    ]
    return min(found, default=None)


def _early_words(
    scenario: Scenario, site: str, first: int, group: Sequence[_Lack], unit: str
) -> str:
    liquids = {lack.liquid for lack in group}
    told = [f"{_subject(lack)} in {period_words(set(lack.periods), unit)}" for lack in group]
    lots = [
        f"{lot.lot_id} ({lot.status.value})"
        for lot in scenario.lots
        if lot.site == site and lot.liquid in liquids and _may_come(lot)
    ]
    gates = f" Of lots there, {listed(lots)} would add to it once released." if lots else ""
    return (
        f"{listed(told, MOST_NAMED)}: nothing that leaves from now on can be used at {site} before"
        f" {unit} {first}; until then there is what stands there and what is under way.{gates}"
    )


def _may_come(lot: Lot) -> bool:
    return lot.status in (LotStatus.HELD, LotStatus.AWAITING)


def _unpriced_words(kind: str, group: Sequence[_Lack]) -> str:
    names = listed([lack.named for lack in group], MOST_NAMED)
    key = {
        "demand": "cost_per_lpa of its priority",
        "floor": "floor_cost_per_lpa_per_period",
        "closing": "closing_cost_per_lpa",
        "life": "past_life_cost_per_lpa",
    }[kind]
    return f"{_counted(kind, len(group))} ({names}): {key} is 0, so the plan does nothing for it."


def _paid_words(plan: Plan, kind: str, price: float, group: Sequence[_Lack], unit: str) -> str:
    dearest = sorted(group, key=lambda lack: -lack.lpa)
    names = listed([_named(lack, unit) for lack in dearest], MOST_NAMED)
    per = f"LPA and {unit}" if kind != "closing" else "LPA"
    each = f"{price:g} {plan.currency} per {per}"
    cost = sum(lack.cost for lack in group)
    paid = f"{money(cost)} {plan.currency} ({each})" if cost else each
    return (
        f"{_counted(kind, len(group))} ({names}): the plan pays {paid} rather than buy, make or"
        " send more in time."
    )


def _named(lack: _Lack, unit: str) -> str:
    when = f" in {period_words(set(lack.periods), unit)}" if lack.kind == "demand" else ""
    return f"{lack.named} by {amount(lack.lpa)} LPA{when}"


def _subject(lack: _Lack) -> str:
    kind = {"demand": "demand for", "floor": "floor of", "closing": "closing target of"}[lack.kind]
    return f"{kind} {lack.liquid}"


def _counted(kind: str, count: int) -> str:
    match kind:
        case "demand":
            return counted(count, "demand is short", "demands are short")
        case "floor":
            return counted(count, "floor is missed", "floors are missed")
        case "closing":
            return counted(count, "closing target is missed", "closing targets are missed")
        case _:
            return counted(count, "stock is past its life", "stocks are past their life")
