"""Every part of the cost worked out anew from the plan's amounts, and the bound.

Owns eqs. 25, 26, 28 and 30, and what eq. 27 costs.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

from bulkflow.plan.checks.balance import leaving_in_time
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.checks.watch import MONEY, Check, Measure, Watch
from bulkflow.program.answer import LoadKind, PlannedLoad
from bulkflow.scenario.model import Site

__all__ = ["Miss", "cost_checks", "costs_anew", "find_misses"]

# A bound is proved on the solver's scaled rows: 1e-6 of the cost is its own tolerance.
PROOF = Measure("money", 0.01, 2e-6)

EQUATIONS = {"floors": (25, 26, 27, 28, 30), "hire": (28, 30, 33)}


@dataclass(frozen=True, slots=True)
class Miss:
    """A floor or a closing target that stock does not keep, or stock past its life.

    Parameters
    ----------
    periods, lpa : in which (a closing target: the last of the horizon), and by how much in each.
    cost : what the plan pays for it, in the workspace's currency; 0 where it has no price.
    """

    kind: Literal["floor", "closing", "life"]
    site: str
    liquid: str
    periods: tuple[int, ...]
    lpa: tuple[float, ...]
    cost: float

    @property
    def worst_lpa(self) -> float:
        """The most it is missed by in any of its periods."""
        return max(self.lpa)


def cost_checks(ledger: Ledger) -> list[Check]:
    """Return one check per part of the cost, and those of the total and the bound."""
    shown = ledger.plan.costs
    checks = []
    for part, amount in costs_anew(ledger).items():
        watch = Watch(
            f"cost-{part}",
            f"the cost of {part} is that of the plan's amounts",
            EQUATIONS.get(part, (28, 30)),
            MONEY,
        )
        watch.near(getattr(shown, part), amount, part)
        checks.append(watch.result())
    total = Watch("cost", "the cost proved is the sum of its parts", (28,), PROOF)
    total.near(ledger.plan.proof.cost, shown.total, "the cost")
    bound = Watch("bound", "the cost is not below the proved bound", (28,), PROOF)
    bound.at_least(ledger.plan.proof.cost, ledger.plan.proof.bound, "the cost")
    return [*checks, total.result(), bound.result()]


def costs_anew(ledger: Ledger) -> dict[str, float]:
    """Return every part of the cost in the workspace's currency, worked out from the plan."""
    return {
        "spirit": _spirit(ledger),
        "making": _making(ledger),
        "freight": _freight(ledger),
        "hire": _hire(ledger),
        "handling": _handling(ledger),
        "capital": _capital(ledger),
        "change": _change(ledger),
        "shortage": _shortage(ledger),
        "floors": _floors(ledger),
        "sales": _sales(ledger),
    }


def _spirit(ledger: Ledger) -> float:
    return sum(row.lpa * row.price_per_lpa for row in ledger.plan.purchases)


def _site_rate(ledger: Ledger, site: Site, period: int) -> float:
    return ledger.money.rate(site.currency, ledger.days.first(period))


def _making(ledger: Ledger) -> float:
    cost = 0.0
    for run in ledger.plan.runs:
        site = ledger.sites[run.site]
        per_charge = next(one.cost_per_charge for one in site.stills if one.id == run.still)
        cost += run.charges * per_charge * _site_rate(ledger, site, run.period)
        cost += run.hearts_lpa * ledger.recipes[run.recipe].cost_per_lpa_made
    for made in ledger.plan.let_downs:
        cost += made.lpa * ledger.recipes[made.recipe].cost_per_lpa_made
    for row in ledger.plan.vattings:
        site = ledger.sites[row.site]
        per_lot = site.release.cost_per_lot if site.release else 0.0
        cost += row.lots * per_lot * _site_rate(ledger, site, row.period)
    for site in ledger.scenario.sites:
        for tank in site.tanks:
            for period in ledger.periods:
                if ledger.changed_from((site.id, tank.id), period) is not None:
                    cost += tank.change_over_cost * _site_rate(ledger, site, period)
    return cost


def _freight(ledger: Ledger) -> float:
    cost = 0.0
    for load in ledger.sent:
        lane, entry = ledger.lanes[load.lane], ledger.lane_tank(load)
        per_load = entry.cost_per_load if entry else 0.0
        rate = ledger.money.rate(lane.currency, ledger.days.first(load.period))
        cost += (per_load + lane.cost_per_lpa * load.lpa) * rate
    return cost


def _hire(ledger: Ledger) -> float:
    """Return what tanks cost while they wait full at their receivers (eq. 33)."""
    cost = 0.0
    for load in ledger.sent:
        entry = ledger.lane_tank(load)
        if entry is not None and entry.waiting is not None:
            waited = (load.discharge_day - load.arrival_day).days
            charged = max(0, waited - entry.waiting.free_days)
            rate = ledger.money.rate(
                ledger.lanes[load.lane].currency, ledger.days.first(load.period)
            )
            cost += charged * entry.waiting.cost_per_day * rate
    return cost


def _costed_period(load: PlannedLoad) -> int:
    """Return the period whose exchange rate counts for a load (eq. 30)."""
    return 1 if load.kind is LoadKind.UNDER_WAY else load.period


def _handling(ledger: Ledger) -> float:
    cost = 0.0
    for load in ledger.plan.loads:
        site = ledger.sites[load.destination]
        arrives = load.lpa * ledger.arriving_share(load)
        rate = _site_rate(ledger, site, _costed_period(load))
        cost += arrives * site.handling_cost_per_lpa * rate
    for commodity in ledger.commodities:
        site_or_none = ledger.sites.get(commodity[0])
        if site_or_none is not None:
            for period in ledger.periods:
                per_lpa = site_or_none.storage_cost_per_lpa_per_period
                rate = _site_rate(ledger, site_or_none, period)
                cost += ledger.held_at(commodity, period) * per_lpa * rate
    return cost


def _capital(ledger: Ledger) -> float:
    if ledger.money.capital_per_day == 0.0:
        return 0.0
    in_lpa_days = sum(_stock_value_days(ledger)) + sum(
        _load_value_days(ledger, load) - _credit_value_days(ledger, load)
        for load in ledger.plan.loads
    )
    return in_lpa_days * ledger.money.capital_per_day


def _stock_value_days(ledger: Ledger) -> list[float]:
    """Return value, and duty where it is paid, of stock at the end of periods, times days."""
    found = []
    for commodity in ledger.commodities:
        site = ledger.sites.get(commodity[0])
        if site is None:
            continue
        liquid = ledger.liquids[commodity[1]]
        for period in ledger.periods:
            day = ledger.days.first(period)
            duty = 0.0
            if site.duty_status == "paid":
                duty = ledger.money.duty(site.authority, liquid, day, day)
            value = liquid.value_per_lpa + duty
            found.append(value * ledger.held_at(commodity, period) * ledger.days.length)
    return found


def _load_value_days(ledger: Ledger, load: PlannedLoad) -> float:
    """Return value of a load, times its days from loading (or the start) to its receipt."""
    begins = ledger.days.start if load.kind is LoadKind.UNDER_WAY else load.loading_day
    found = 0.0
    for part in load.parts:
        received = ledger.days.received_on(
            load.destination, part.liquid, load.discharge_day, load.usable_day
        )
        value = part.lpa * ledger.liquids[part.liquid].value_per_lpa
        found += value * max(0, (received - begins).days)
    return found


def _credit_value_days(ledger: Ledger, load: PlannedLoad) -> float:
    """Return duty of an arrival, times the days of credit the authority gives."""
    site = ledger.sites[load.destination]
    if site.duty_status != "paid":
        return 0.0
    rate_on: date = ledger.days.first(_costed_period(load))
    share = ledger.arriving_share(load)
    found = 0.0
    for part in load.parts:
        received = ledger.received_period(load, part.liquid)
        if received > ledger.days.count:
            continue
        left = (ledger.days.last(ledger.days.count) - ledger.days.first(received)).days + 1
        liquid = ledger.liquids[part.liquid]
        per_lpa = ledger.money.duty(site.authority, liquid, load.discharge_day, rate_on)
        found += part.lpa * share * per_lpa * min(ledger.money.payment_lag_days(site), left)
    return found


def _change(ledger: Ledger) -> float:
    if not ledger.scenario.issued_loads:
        return 0.0
    difference: Counter[tuple[str, str, str, int]] = Counter()
    for load in ledger.sent:
        divided = ledger.tank_types[load.tank_type].compartments
        liquid = "" if divided or not load.parts else load.parts[0].liquid
        difference[load.lane, load.tank_type, liquid, load.period] += 1
    for row in ledger.scenario.issued_loads:
        period = ledger.days.period_of(row.period_start)
        if 1 <= period <= ledger.days.count:
            liquid = "" if ledger.tank_types[row.tank_type].compartments else row.liquid
            difference[row.lane, row.tank_type, liquid, period] -= row.loads
    changes = sum(abs(count) for count in difference.values())
    return changes * ledger.scenario.change_cost_per_load


def _shortage(ledger: Ledger) -> float:
    prices = {one.id: one.cost_per_lpa for one in ledger.scenario.priorities}
    return sum(row.open_lpa * prices[row.priority] for row in ledger.plan.demand)


def _floors(ledger: Ledger) -> float:
    """Return the price of floors and targets missed and of stock past its life (eqs. 25 to 27)."""
    return sum(one.cost for one in find_misses(ledger))


def find_misses(ledger: Ledger) -> list[Miss]:
    """Return every floor and closing target missed, and stock past its life, with its price."""
    found = [*_missed_targets(ledger), *_past_life(ledger)]
    return sorted(found, key=lambda one: (one.kind, one.site, one.liquid))


def _missed_targets(ledger: Ledger) -> Iterator[Miss]:
    stands: dict[tuple[str, str, int], float] = defaultdict(float)
    for (commodity, period), lpa in ledger.stock.items():
        stands[commodity[0], commodity[1], period] += lpa
    coming: dict[tuple[str, str], float] = defaultdict(float)
    for load in ledger.plan.loads:
        if load.usable_period > ledger.days.count:
            for part in load.parts:
                coming[load.destination, part.liquid] += part.lpa * ledger.arriving_share(load)
    owed = _owed_at_end(ledger)
    last = ledger.days.count
    for policy in ledger.scenario.stock_policies:
        place = (policy.site, policy.liquid)
        below = {one: policy.floor_lpa - stands[(*place, one)] for one in ledger.periods}
        yield from _miss("floor", place, below, policy.floor_cost_per_lpa_per_period)
        there = stands[(*place, last)] + coming[place] - owed[place]
        lacks = {last: policy.closing_lpa - there} if policy.closing_lpa > 0 else {}
        yield from _miss("closing", place, lacks, policy.closing_cost_per_lpa)


def _miss(
    kind: Literal["floor", "closing", "life"],
    place: tuple[str, str],
    lacks: dict[int, float],
    price: float,
) -> Iterator[Miss]:
    short = {period: lpa for period, lpa in sorted(lacks.items()) if lpa > 0}
    if short:
        cost = price * sum(short.values())
        yield Miss(kind, *place, tuple(short), tuple(short.values()), cost)


def _past_life(ledger: Ledger) -> Iterator[Miss]:
    """Yield stock past its shelf life where that has a price (eq. 27)."""
    for commodity in ledger.commodities:
        liquid = ledger.liquids[commodity[1]]
        price, life = liquid.past_life_cost_per_lpa, liquid.shelf_life_days
        if price is not None and life is not None and commodity[0] in ledger.sites:
            later = life // ledger.days.length
            over = {
                period + later: ledger.stock[commodity, period] - leaves
                for period, leaves in leaving_in_time(ledger, commodity)
            }
            yield from _miss("life", commodity[:2], over, price)


def _owed_at_end(ledger: Ledger) -> dict[tuple[str, str], float]:
    """Return the backlog open at the end of the horizon, by site and liquid (eq. 26)."""
    carried = {one.id for one in ledger.scenario.priorities if one.unmet == "carried"}
    owed: dict[tuple[str, str], float] = defaultdict(float)
    for row in ledger.plan.demand:
        if row.period == ledger.days.count and row.priority in carried:
            owed[row.site, row.liquid] += row.open_lpa
    return owed


def _sales(ledger: Ledger) -> float:
    income = 0.0
    for row in ledger.plan.feints_sales:
        site = ledger.sites[row.site]
        price = site.feints_sale_price_per_lpa
        if price is not None:
            income += row.lpa * price * _site_rate(ledger, site, row.period)
    return income
