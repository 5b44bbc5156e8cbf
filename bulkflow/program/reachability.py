"""Where each commodity can be, and from when.

`Reachability` follows every commodity from contract, opening stock, lot and load through lanes and
recipes to the first period in which it can be at a place, no matter how much of it; nothing is
built for a commodity where it can never be.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import product

from bulkflow.program.calendar import LaneDays, LoadDays, Periods, entry_lag, release_lag
from bulkflow.program.classes import Commodity, contract_periods, lot_entry_period, recipes_at
from bulkflow.program.markets_ahead import ClassReduction
from bulkflow.scenario.model import LoadState, Lot, Recipe, Scenario, Site

__all__ = ["Reachability", "find_reachability"]


@dataclass(slots=True)
class Reachability:
    """The first period in which a commodity can be somewhere (0: from the opening).

    Parameters
    ----------
    released : (place, commodity) -> first period in which it can be sent, or made into something
        else, from released stock or from a supplier.
    inflow : the same, but for what enters in a period, the opening stock left out.
    hearts : (site, commodity) -> first period in which it can lie there not yet vatted.
    checked : (site, commodity) -> first period in which it can lie there in its check at arrival.
    blocked : commodities of lots that lie at a site and may not be used, by site.
    """

    released: dict[tuple[str, Commodity], int] = field(default_factory=dict)
    inflow: dict[tuple[str, Commodity], int] = field(default_factory=dict)
    hearts: dict[tuple[str, Commodity], int] = field(default_factory=dict)
    checked: dict[tuple[str, Commodity], int] = field(default_factory=dict)
    blocked: dict[str, set[Commodity]] = field(default_factory=dict)

    def enter(
        self, place: str, commodity: Commodity, period: int, *, usable: int | None = None
    ) -> bool:
        """Note that a commodity can enter stock in a period; tell whether that is news.

        ``usable``: from when it can be sent or made into something else, where not at once; it
        may lie after the horizon.
        """
        key = (place, commodity)
        news = [_note(self.inflow, key, period), _note(self.released, key, usable or period)]
        return any(news)

    def arrive(self, site: str, commodity: Commodity, days: LoadDays, last: int) -> bool:
        """Note that a load can arrive by the end of the horizon; tell whether that is news."""
        news = False
        if days.received_period <= min(last, days.usable_period - 1):
            news = _note(self.checked, (site, commodity), days.received_period)
        if days.usable_period <= last:
            news |= self.enter(site, commodity, days.usable_period)
        return news

    def classes_at(self, place: str, liquid: str) -> list[Commodity]:
        """Return the commodities of a liquid that can be in released stock at a place."""
        return sorted(
            commodity
            for where, commodity in self.released
            if where == place and commodity.liquid == liquid
        )

    def at(self, place: str) -> list[Commodity]:
        """Return every commodity that can be at a site in any state."""
        found = {c for where, c in self.released if where == place}
        found |= {c for where, c in (*self.hearts, *self.checked) if where == place}
        return sorted(found | self.blocked.get(place, set()))

    def commodities(self) -> list[Commodity]:
        """Return every commodity there is."""
        found = {c for _, c in (*self.released, *self.hearts, *self.checked)}
        return sorted(found.union(*self.blocked.values()))

    def combinations(self, place: str, recipe: Recipe) -> list[tuple[Commodity, ...]]:
        """Return the ways to choose classes for the inputs of a recipe at a site."""
        return list(product(*(self.classes_at(place, one.liquid) for one in recipe.inputs)))


def find_reachability(
    scenario: Scenario,
    periods: Periods,
    classes: ClassReduction,
    lane_days: Mapping[str, LaneDays],
    may_take: Callable[[str, Commodity], bool],
) -> Reachability:
    """Follow every commodity to the first period in which it can be at each place.

    Nothing is sent to a site where ``may_take`` says that nobody could take it.
    """
    reachability = Reachability()
    _start(reachability, scenario, periods, classes, lane_days)
    steps = [
        _lane_step(scenario, periods, classes, lane_days, may_take),
        _recipe_step(scenario, periods, classes),
    ]
    while sum(step(reachability) for step in steps):
        pass
    return reachability


def _note(where: dict[tuple[str, Commodity], int], key: tuple[str, Commodity], period: int) -> bool:
    """Note an earliest period; tell whether it is new or earlier."""
    if where.get(key, period + 1) <= period:
        return False
    where[key] = period
    return True


def _start(
    reachability: Reachability,
    scenario: Scenario,
    periods: Periods,
    classes: ClassReduction,
    lane_days: Mapping[str, LaneDays],
) -> None:
    """Note what is bought, what lies at the sites, and what is frozen or under way."""
    for supplier in scenario.suppliers:
        for contract in supplier.contracts:
            open_in = contract_periods(periods, contract)
            if open_in:
                key = (supplier.id, classes.bought(contract.liquid, supplier.id))
                _note(reachability.released, key, open_in[0])
    for row in scenario.opening_stock:
        _note(reachability.released, (row.site, classes.of_stock(row)), 0)
    for lot in scenario.lots:
        _note_lot(reachability, lot, classes.of_lot(lot), lot_entry_period(periods, lot))
    destination = {lane.id: lane.destination for lane in scenario.lanes}
    for load in scenario.loads:
        if load.state is not LoadState.PROMISED:
            days = lane_days[load.lane].of_row(load)
            reachability.arrive(destination[load.lane], classes.arriving(load), days, periods.count)


def _note_lot(
    reachability: Reachability, lot: Lot, commodity: Commodity, entry: int | None
) -> None:
    if entry == 0:
        _note(reachability.released, (lot.site, commodity), 0)
        return
    reachability.blocked.setdefault(lot.site, set()).add(commodity)
    if entry is not None:
        reachability.enter(lot.site, commodity, entry)


Step = Callable[[Reachability], bool]


def _lane_step(
    scenario: Scenario,
    periods: Periods,
    classes: ClassReduction,
    lane_days: Mapping[str, LaneDays],
    may_take: Callable[[str, Commodity], bool],
) -> Step:
    """Return the step that carries reachability along lanes."""

    def first_days(lane: str, liquid: str, ready: int) -> LoadDays | None:
        sent = range(max(1, ready), periods.count + 1)
        days = (lane_days[lane].of(period, liquid) for period in sent)
        return min(
            (one for one in days if one is not None),
            key=lambda one: one.usable_period,
            default=None,
        )

    def step(reachability: Reachability) -> bool:
        changed = False
        for lane in scenario.lanes:
            for liquid in lane.liquids:
                for commodity in reachability.classes_at(lane.origin, liquid):
                    ready = reachability.released[lane.origin, commodity]
                    days = first_days(lane.id, liquid, ready)
                    there = classes.keep(lane.destination, commodity)
                    if days is not None and may_take(lane.destination, there):
                        changed |= reachability.arrive(lane.destination, there, days, periods.count)
        return changed

    return step


def _recipe_step(scenario: Scenario, periods: Periods, classes: ClassReduction) -> Step:
    """Return the step that makes liquids from what is present."""
    at_sites = [(site, recipes_at(scenario, site)) for site in scenario.sites]

    def make(reachability: Reachability, site: Site, recipe: Recipe) -> bool:
        changed = False
        for inputs in reachability.combinations(site.id, recipe):
            ready = max(1, *(reachability.released[site.id, one] for one in inputs))
            if ready > periods.count:
                continue
            if recipe.feints_liquid is not None and recipe.feints_percent_of_lpa > 0:
                feints = classes.made(site.id, recipe.feints_liquid, inputs)
                changed |= reachability.enter(site.id, feints, ready, usable=ready + 1)
            makes = classes.made(site.id, recipe.makes, inputs)
            made = ready + entry_lag(periods, site, recipe.days_to_vat)
            if made > periods.count:
                continue
            if site.release is None:
                changed |= reachability.enter(site.id, makes, made, usable=made + 1)
                continue
            changed |= _note(reachability.hearts, (site.id, makes), made)
            made += release_lag(periods, scenario.recipes, site, site.release, recipe.makes)
            if made <= periods.count:
                changed |= reachability.enter(site.id, makes, made)
        return changed

    def step(reachability: Reachability) -> bool:
        return sum(make(reachability, site, one) for site, found in at_sites for one in found) > 0

    return step
