"""What cannot work, said in words before anything is solved.

Looks at a workspace only. A finding that ``blocks`` lets no plan meet the rules; one that
``warns`` leaves a plan, but a worse one than was probably meant. Findings about amounts are
worked out on a relaxation (``bulkflow.plan.precheck_flow``), so what they call short *is* short; a
workspace without findings may still be short.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import date
from itertools import islice

from bulkflow.plan.checks.asked import asked_for
from bulkflow.plan.checks.position import Position
from bulkflow.plan.checks.reachable import First, first_usable
from bulkflow.plan.compliance import compliance_findings
from bulkflow.plan.finding import Finding, period_words
from bulkflow.plan.precheck_flow import Limiter, Shortfall, find_shortfalls, find_unfilled
from bulkflow.plan.precheck_loads import load_findings
from bulkflow.plan.precheck_supply import supply_findings
from bulkflow.scenario.lookup import demand_liquid
from bulkflow.scenario.model import LoadState, Recipe, Scenario

__all__ = ["Finding", "findings"]

MOST_ROWS = 3
MOST_LIMITERS = 5  # named in one finding; a longer list hides the point


def findings(scenario: Scenario) -> tuple[Finding, ...]:
    """Return everything found that cannot work, what blocks first."""
    position = Position(scenario)
    usable = first_usable(position)
    unreachable: set[tuple[str, str]] = set()
    found = [
        *load_findings(position),
        *supply_findings(position),
        *_idle_recipes(position, usable),
    ]
    for site, liquid, finding in _unreached(position, usable):
        unreachable.add((site, liquid))
        found.append(finding)
    found += [_in_words(position, short) for short in find_shortfalls(position, unreachable)]
    found += [_unfilled(position, short) for short in find_unfilled(position)]
    found += _added_up(position)
    found += compliance_findings(scenario)
    unique = dict.fromkeys(found)
    return tuple(sorted(unique, key=lambda one: one.severity != "blocks"))


def _added_up(position: Position) -> Iterator[Finding]:
    """Yield demand told on several days of one period, which is added up (eq. 23)."""
    rows: dict[tuple[str, str, str, str, int], dict[date, int]] = defaultdict(dict)
    first_priority = position.scenario.priorities[0].id
    for number, row in enumerate(position.scenario.demand):
        market = row.market or position.sites[row.site].market or ""
        what = row.liquid or row.product or ""
        period = position.days.period_of(row.period_start)
        key = (row.site, what, market, row.priority or first_priority, period)
        rows[key].setdefault(row.period_start, number)
    twice = {key: days for key, days in rows.items() if len(days) > 1}
    for (site, what, _, _, period), days in list(twice.items())[:1]:
        told = ", ".join(str(day) for day in sorted(days))
        more = f", and {len(twice) - 1} more like it" if len(twice) > 1 else ""
        yield Finding(
            "warns",
            f"Demand for {what} at {site} is told on several days of period {period} ({told}) and"
            f" added up{more}. If one row was to take the place of another, take that out.",
            tuple(f"demand[{number}]" for number in days.values()),
        )


def _unreached(position: Position, usable: First) -> Iterator[tuple[str, str, Finding]]:
    """Yield demand that nothing reaches within the horizon, with the reason."""
    for site, liquid, market, _ in sorted(asked_for(position)):
        there = {barring: first for (place, what, barring), first in usable.items()
                 if (place, what) == (site, liquid)}  # fmt: skip
        open_to = [first for barring, first in there.items() if market not in barring]
        if any(first <= position.days.count for first in open_to):
            continue
        words = _why_unreached(position, usable, site, liquid, market, reached=bool(there))
        yield (
            site,
            liquid,
            Finding(
                "warns",
                f"Nothing can meet the demand for {liquid} at {site}: {words}",
                (
                    *_demand_rows(position, (site,), (liquid,)),
                    f"sites[{site}]",
                    f"liquids[{liquid}]",
                ),
            ),
        )


def _why_unreached(
    position: Position, usable: First, site: str, liquid: str, market: str, *, reached: bool
) -> str:
    lanes = [lane for lane in position.scenario.lanes
             if lane.destination == site and liquid in lane.liquids]  # fmt: skip
    elsewhere = sorted({place for place, what, _ in usable if what == liquid and place != site})
    here = any(first <= position.days.count for (place, what, _), first in usable.items()
               if (place, what) == (site, liquid))  # fmt: skip
    if reached and here:
        return (f"all {liquid} that can be there is barred from market {market}. Give it an"
                " origin the market allows.")  # fmt: skip
    if reached:
        return "what is on its way comes after the horizon. Lengthen calendar.horizon_periods."
    if not elsewhere:
        return ("nobody makes or sells it, and none is in stock. Add a recipe that can run, a"
                " contract, or opening stock.")  # fmt: skip
    if not lanes:
        return f"it can be at {', '.join(elsewhere)}, but no lane takes it to {site}. Add a lane."
    names = ", ".join(lane.id for lane in lanes)
    origins = {lane.origin for lane in lanes}
    if not origins & set(elsewhere):
        return f"it cannot be where its lanes start ({names} from {', '.join(sorted(origins))})."
    return f"no load on {names} can leave and arrive in time."


def _idle_recipes(position: Position, usable: First) -> Iterator[Finding]:
    """Yield recipes that can never run where they could: an input cannot be there."""
    places: list[tuple[str, Recipe]] = []
    for site in position.scenario.sites:
        names = dict.fromkeys(name for still in site.stills for name in still.recipes)
        places += [(site.id, position.recipes[name]) for name in names]
    for recipe in position.scenario.recipes:
        places += [(site_id, recipe) for site_id in recipe.sites if recipe.method == "let_down"]
    present = {(place, liquid) for (place, liquid, _), first in usable.items()
               if first <= position.days.count}  # fmt: skip
    for place, recipe in places:
        missing = [one.liquid for one in recipe.inputs if (place, one.liquid) not in present]
        if missing:
            yield Finding(
                "warns",
                f"Recipe {recipe.id} can never run at {place}: no {' or '.join(missing)} can be"
                " there within the horizon. Add opening stock, a contract with a lane, or a"
                " recipe that makes it.",
                (f"recipes[{recipe.id}]", f"sites[{place}]"),
            )


def _in_words(position: Position, short: Shortfall) -> Finding:
    """Say a shortfall with the cut that limits it, named by site, lane and period."""
    alike: dict[tuple[str, frozenset[int]], list[str]] = {}
    for site, liquid, periods in short.asked:
        alike.setdefault((liquid, periods), []).append(site)
    asked = " and ".join(
        f"for {liquid} at {', '.join(sites)} in {period_words(set(periods))}"
        for (liquid, periods), sites in alike.items()
    )
    head = (
        f"Demand {asked} is {short.demand_lpa:,.0f} LPA{' in all' if len(alike) > 1 else ''}; at"
        f" most {short.most_lpa:,.0f} LPA can be there in time"
    )
    rows = _demand_rows(position, short.sites, short.liquids, short.periods)
    return Finding(
        "warns", f"{head}{_limits(position, short)}.", (*rows, *_records(position, short))
    )


def _unfilled(position: Position, short: Shortfall) -> Finding:
    """Say which loads promised or frozen there is not enough for, and what there is."""
    loads = [
        row.load_id
        for row in position.scenario.loads
        if row.state is not LoadState.UNDER_WAY
        and row.liquid in short.liquids
        and position.lanes[row.lane].origin in short.sites
        and position.days.period_of(row.departs_on) in short.periods
    ]
    one = len(loads) == 1
    return Finding(
        "blocks",
        f"{'Load' if one else 'Loads'} {', '.join(loads)} of {short.liquids[0]} from"
        f" {', '.join(short.sites)} in {period_words(set(short.periods))}"
        f" {'takes' if one else 'take'} at least {short.demand_lpa:,.0f} LPA (promised ones at"
        f" their least fill); at most {short.most_lpa:,.0f} LPA can be there in time"
        f"{_limits(position, short)}. Promise less or later, or correct what is on hand.",
        (*(f"loads[{name}]" for name in loads), *_records(position, short)),
    )


def _demand_rows(
    position: Position,
    sites: Collection[str],
    liquids: Collection[str],
    periods: Collection[int] | None = None,
) -> tuple[str, ...]:
    """Return the first rows of demand for some liquids at some sites: what was asked for."""
    products = {one.id: one for one in position.scenario.products}
    rows = (
        f"demand[{number}]"
        for number, row in enumerate(position.scenario.demand)
        if row.site in sites
        and (row.lpa or row.cases)
        and demand_liquid(row, products) in liquids
        and (periods is None or position.days.period_of(row.period_start) in periods)
    )
    return tuple(islice(rows, MOST_ROWS))


def _records(position: Position, short: Shortfall) -> tuple[str, ...]:
    places = (
        f"suppliers[{one}]" if one in position.suppliers else f"sites[{one}]" for one in short.sites
    )
    records = [*places, *(one.record for one in short.limiters)]
    return tuple(record for record in dict.fromkeys(records) if record)


def _limits(position: Position, short: Shortfall) -> str:
    listed = [_limiter_words(position, one) for one in short.limiters[:MOST_LIMITERS]]
    if len(short.limiters) > MOST_LIMITERS:
        rest = sum(one.lpa for one in short.limiters[MOST_LIMITERS:])
        listed.append(f"{len(short.limiters) - MOST_LIMITERS} more ({rest:,.0f} LPA)")
    return f", limited by {'; '.join(listed)}" if listed else ", since nothing arrives so soon"


def _limiter_words(position: Position, one: Limiter) -> str:
    everywhere = set(one.periods) == set(position.periods) or not one.periods
    when = "" if everywhere else f" in {period_words(set(one.periods))}"
    return f"{one.words}{when} ({one.lpa:,.0f} LPA)"
