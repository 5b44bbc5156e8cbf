"""What a plan says is coming: purchases to call off, low stock, full tanks, full guarantees."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import date, timedelta

from bulkflow.due.asking import Asking, day_words
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import NOTHING_LPA, period_unit
from bulkflow.plan.views import stocks_by_period
from bulkflow.plan.week import Due, DueKind
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.wording import amount, counted, money, percent

__all__ = ["CALL_OFF_DAYS", "NEAR_LIMIT", "plan_lines"]

NEAR_LIMIT = 0.8
"""Share of a guarantee or a tank's room from which it is near its limit (common practice)."""

CALL_OFF_DAYS = 14
"""A supplier is told this long before the first day of the period (common practice)."""


def plan_lines(asking: Asking, result: PlanResult, known: Collection[str]) -> Iterator[Due]:
    """Yield what the plan at hand asks for soon.

    Parameters
    ----------
    known : names of the loads that the register has.
    """
    yield from _unfilled(asking, result.plan, known)
    yield from _purchases(asking, result.plan)
    yield from _guarantees(asking, result.plan)
    yield from _stocks(asking, result.plan)


def _unfilled(asking: Asking, plan: Plan, known: Collection[str]) -> Iterator[Due]:
    """Yield the loads of the week that nobody has filled from lots yet, all in one line."""
    suppliers = {one.id for one in asking.scenario.suppliers}
    loads = [
        one
        for one in plan.loads
        if one.kind is not LoadKind.UNDER_WAY
        and one.load_id not in known
        and one.origin not in suppliers
        and asking.on <= one.loading_day <= asking.until
    ]
    if loads:
        first = min(loads, key=lambda one: (one.loading_day, one.load_id))
        wait = "is" if len(loads) == 1 else "are"
        yield asking.line(
            DueKind.LOAD,
            f"{counted(len(loads), 'load')} of the plan {wait} not filled from lots yet, the first"
            f" {first.load_id} to {first.destination}",
            first.load_id,
            asking.bulkflow("loads allocate", asking.where.out),
            by=first.loading_day,
            lpa=sum(one.lpa for one in loads),
        )


def _purchases(asking: Asking, plan: Plan) -> Iterator[Due]:
    bought: dict[tuple[int, str, str], list[float]] = defaultdict(lambda: [0.0, 0.0])
    for row in plan.purchases:
        if row.lpa > NOTHING_LPA:
            sums = bought[row.period, row.supplier, row.liquid]
            sums[0] += row.lpa
            sums[1] += row.lpa * row.price_per_lpa
    lanes = defaultdict(list)
    for load in plan.loads:
        if load.kind is not LoadKind.UNDER_WAY:
            lanes[load.period, load.origin].append(load)
    for (period, supplier, liquid), (lpa, cost) in sorted(bought.items()):
        loads = [
            one
            for one in lanes[period, supplier]
            if any(part.liquid == liquid for part in one.parts)
        ]
        first = min((one.loading_day for one in loads), default=plan.period_starts[period - 1])
        if asking.on <= first <= asking.on + timedelta(days=CALL_OFF_DAYS):
            tanks = f" in {counted(len(loads), 'load')}" if loads else ""
            yield asking.line(
                DueKind.PURCHASE,
                f"Call off {liquid} from {supplier}{tanks}, to be filled from {day_words(first)}",
                f"{supplier} {liquid}",
                asking.bulkflow("report", asking.where.out, "--out", "CALL-OFF.xlsx"),
                by=first,
                lpa=lpa,
                money=cost,
            )


def _guarantees(asking: Asking, plan: Plan) -> Iterator[Due]:
    periods = _periods(asking, plan)
    fullest: dict[str, tuple[float, float, date]] = {}
    for row in plan.guarantee_use:
        if row.period in periods and row.limit > 0:
            share = row.used / row.limit
            if share >= NEAR_LIMIT and share > fullest.get(row.guarantee, (0.0,))[0]:
                fullest[row.guarantee] = (share, row.limit - row.used, periods[row.period])
    for name, (share, left, day) in sorted(fullest.items()):
        unit = period_unit(plan)
        yield asking.line(
            DueKind.GUARANTEE,
            f"Guarantee {name} is used to {percent(share)} in the {unit} of {day_words(day)}, with"
            f" {money(left)} {plan.currency} left: ask for missing reports, or for a higher limit",
            name,
            asking.bulkflow("account guarantees", "--from", str(day)),
            by=day,
        )


def _stocks(asking: Asking, plan: Plan) -> Iterator[Due]:
    periods, unit = _periods(asking, plan), period_unit(plan)
    again = ("--since", asking.where.out)
    for place in stocks_by_period(plan, asking.scenario):
        low = [t for t in periods if place.released[t] < place.floor_lpa - NOTHING_LPA]
        if low:
            missing = max(place.floor_lpa - place.released[t] for t in low)
            yield asking.line(
                DueKind.FLOOR,
                f"{place.liquid} at {place.site} falls below its floor of"
                f" {amount(place.floor_lpa)} LPA by {amount(missing)}: plan again as things stand",
                f"{place.site} {place.liquid}",
                asking.bulkflow("plan", *again),
                by=periods[low[0]],
                lpa=missing,
            )
        full = [t for t in periods if place.share.get(t, 0.0) >= NEAR_LIMIT]
        if full:
            worst = max(full, key=lambda t: place.share[t])
            yield asking.line(
                DueKind.TANK,
                f"Tanks of {place.liquid} at {place.site} are {percent(place.share[worst])} full in"
                f" the {unit} of {day_words(periods[worst])}: see that a load finds room",
                f"{place.site} {place.liquid}",
                asking.bulkflow("account balance", "--site", place.site, "--on", str(asking.on)),
                by=periods[full[0]],
            )


def _periods(asking: Asking, plan: Plan) -> dict[int, date]:
    """Return the periods that end in or after the day asked about and begin in what is ahead."""
    starts = plan.period_starts
    ends = [*starts[1:], date.max]
    return {
        number: day
        for number, (day, end) in enumerate(zip(starts, ends, strict=True), 1)
        if end > asking.on and day <= asking.ahead
    }
