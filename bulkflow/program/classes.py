"""Origin classes: which markets bar what, and where each commodity can be, from when.

A commodity is a liquid with an origin class (README, "Words and sets"). `Presence` follows every
commodity from contract, opening stock, lot and load through lanes and recipes to the first period
in which it can be at a place, no matter how much of it; nothing is built for a commodity where it
can never be.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import product
from typing import NamedTuple

from bulkflow.program.calendar import LaneDays, Periods
from bulkflow.scenario.model import (
    Contract,
    LoadRow,
    LoadState,
    Lot,
    LotStatus,
    OpeningStockRow,
    Recipe,
    Scenario,
    Site,
)

__all__ = [
    "ANY",
    "Commodity",
    "Origins",
    "Presence",
    "contract_periods",
    "find_presence",
    "lot_entry_period",
    "markets_barring",
    "recipes_at",
    "union_class",
]

ANY = "any"
_PREFIX = "not-for:"


class Commodity(NamedTuple):
    """A liquid and the origin class of what it was made from."""

    liquid: str
    origin_class: str


def _class_name(markets: Iterable[str]) -> str:
    listed = sorted(set(markets))
    return _PREFIX + "+".join(listed) if listed else ANY


def markets_barring(origin_class: str) -> frozenset[str]:
    """Return the markets that bar a class."""
    if origin_class == ANY:
        return frozenset()
    return frozenset(origin_class.removeprefix(_PREFIX).split("+"))


def union_class(classes: Iterable[str]) -> str:
    """Return the class of what is made from several: barred where any input is."""
    return _class_name(market for one in classes for market in markets_barring(one))


class Origins:
    """The class of what is bought, of opening stock, lots and loads."""

    def __init__(self, scenario: Scenario) -> None:
        self._markets = scenario.markets
        self._known = {market.id for market in scenario.markets}
        self._base = {liquid.id: liquid.spirit_base for liquid in scenario.liquids}
        self._suppliers = {supplier.id for supplier in scenario.suppliers}
        self._lane_origin = {lane.id: lane.origin for lane in scenario.lanes}

    def bought(self, liquid: str, supplier: str | None) -> Commodity:
        """Return the commodity of a liquid from a supplier (None: from nobody named)."""
        return Commodity(liquid, _class_name(self._barring(self._base[liquid], supplier)))

    def of_lot(self, lot: Lot) -> Commodity:
        """Return the commodity of an opening lot."""
        base = lot.spirit_base or self._base[lot.liquid]
        restricted = self._known.intersection(lot.restrictions)
        return Commodity(lot.liquid, _class_name(self._barring(base, lot.supplier) | restricted))

    def of_stock(self, row: OpeningStockRow) -> Commodity:
        """Return the commodity of a row of opening stock."""
        return self.bought(row.liquid, row.supplier)

    def of_load(self, row: LoadRow) -> Commodity:
        """Return the commodity of a frozen load or one under way."""
        origin = self._lane_origin[row.lane]
        supplier = row.supplier or (origin if origin in self._suppliers else None)
        return self.bought(row.liquid, supplier)

    def _barring(self, base: str | None, supplier: str | None) -> set[str]:
        return {
            market.id
            for market in self._markets
            if (base is not None and base in market.barred_spirit_bases)
            or (supplier is not None and supplier in market.barred_suppliers)
        }


def lot_entry_period(periods: Periods, lot: Lot) -> int | None:
    """Return the period in which a lot enters S (0: it is in S(0)), or None for never (eq. 2)."""
    match lot.status:
        case LotStatus.RELEASED:
            return 0
        case LotStatus.AWAITING:
            if lot.decision_due is None:
                return None
            entry = periods.from_day(lot.decision_due)
            return entry if entry <= periods.count else None
        case LotStatus.HELD | LotStatus.REJECTED:
            return None


def contract_periods(periods: Periods, contract: Contract) -> list[int]:
    """Return the periods that start within a contract's dates (eq. 5)."""
    return [
        period
        for period in periods.numbers()
        if (contract.first_day is None or periods.first_day(period) >= contract.first_day)
        and (contract.last_day is None or periods.first_day(period) <= contract.last_day)
    ]


def recipes_at(scenario: Scenario, site: Site) -> list[Recipe]:
    """Return the recipes that a site's stills run or that it lets down, each once."""
    on_stills = {recipe for still in site.stills for recipe in still.recipes}
    return [
        recipe
        for recipe in scenario.recipes
        if (recipe.method == "distil" and recipe.id in on_stills)
        or (recipe.method == "let_down" and site.id in recipe.sites)
    ]


@dataclass(slots=True)
class Presence:
    """The first period in which a commodity can be somewhere (0: from the opening).

    Parameters
    ----------
    released : (place, commodity) -> first period in released stock, or for sale at a supplier.
    inflow : the same, but for what enters in a period, the opening stock left out.
    hearts : (site, commodity) -> first period in which it can lie there not yet vatted.
    blocked : commodities of lots that lie at a site and may not be used, by site.
    """

    released: dict[tuple[str, Commodity], int] = field(default_factory=dict)
    inflow: dict[tuple[str, Commodity], int] = field(default_factory=dict)
    hearts: dict[tuple[str, Commodity], int] = field(default_factory=dict)
    blocked: dict[str, set[Commodity]] = field(default_factory=dict)

    def enter(self, place: str, commodity: Commodity, period: int) -> bool:
        """Note that a commodity can enter stock in a period; tell whether that is news."""
        key = (place, commodity)
        news = [_note(self.inflow, key, period), _note(self.released, key, period)]
        return any(news)

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
        found |= {c for where, c in self.hearts if where == place}
        return sorted(found | self.blocked.get(place, set()))

    def commodities(self) -> list[Commodity]:
        """Return every commodity there is."""
        found = {c for _, c in self.released} | {c for _, c in self.hearts}
        return sorted(found.union(*self.blocked.values()))

    def combinations(self, place: str, recipe: Recipe) -> list[tuple[Commodity, ...]]:
        """Return the ways to choose classes for the inputs of a recipe at a site."""
        return list(product(*(self.classes_at(place, one.liquid) for one in recipe.inputs)))


def find_presence(
    scenario: Scenario,
    periods: Periods,
    origins: Origins,
    lane_days: Mapping[str, LaneDays],
    may_take: Callable[[str, Commodity], bool],
) -> Presence:
    """Follow every commodity to the first period in which it can be at each place.

    Nothing is sent to a site where ``may_take`` says that nobody could take it.
    """
    presence = Presence()
    _start(presence, scenario, periods, origins, lane_days)
    steps = [_lane_step(scenario, periods, lane_days, may_take), _recipe_step(scenario, periods)]
    while sum(step(presence) for step in steps):
        pass
    return presence


def _note(where: dict[tuple[str, Commodity], int], key: tuple[str, Commodity], period: int) -> bool:
    """Note an earliest period; tell whether it is new or earlier."""
    if where.get(key, period + 1) <= period:
        return False
    where[key] = period
    return True


def _start(
    presence: Presence,
    scenario: Scenario,
    periods: Periods,
    origins: Origins,
    lane_days: Mapping[str, LaneDays],
) -> None:
    """Note what is bought, what lies at the sites, and what is frozen or under way."""
    for supplier in scenario.suppliers:
        for contract in supplier.contracts:
            open_in = contract_periods(periods, contract)
            if open_in:
                key = (supplier.id, origins.bought(contract.liquid, supplier.id))
                _note(presence.released, key, open_in[0])
    for row in scenario.opening_stock:
        _note(presence.released, (row.site, origins.of_stock(row)), 0)
    for lot in scenario.lots:
        _note_lot(presence, lot, origins.of_lot(lot), lot_entry_period(periods, lot))
    destination = {lane.id: lane.destination for lane in scenario.lanes}
    for load in scenario.loads:
        if load.state is not LoadState.PROMISED:
            arrival = lane_days[load.lane].of_row(load).usable_period
            if arrival <= periods.count:
                presence.enter(destination[load.lane], origins.of_load(load), arrival)


def _note_lot(presence: Presence, lot: Lot, commodity: Commodity, entry: int | None) -> None:
    if entry == 0:
        _note(presence.released, (lot.site, commodity), 0)
        return
    presence.blocked.setdefault(lot.site, set()).add(commodity)
    if entry is not None:
        presence.enter(lot.site, commodity, entry)


Step = Callable[[Presence], bool]


def _lane_step(
    scenario: Scenario,
    periods: Periods,
    lane_days: Mapping[str, LaneDays],
    may_take: Callable[[str, Commodity], bool],
) -> Step:
    """Return the step that carries presence along lanes."""

    def first_arrival(lane: str, ready: int) -> int | None:
        sent = (lane_days[lane].of(period) for period in range(max(1, ready), periods.count + 1))
        usable = [days.usable_period for days in sent if days is not None]
        return min(usable) if usable and min(usable) <= periods.count else None

    def step(presence: Presence) -> bool:
        changed = False
        for lane in scenario.lanes:
            for liquid in lane.liquids:
                for commodity in presence.classes_at(lane.origin, liquid):
                    ready = presence.released[lane.origin, commodity]
                    arrival = first_arrival(lane.id, ready)
                    if arrival is not None and may_take(lane.destination, commodity):
                        changed |= presence.enter(lane.destination, commodity, arrival)
        return changed

    return step


def _recipe_step(scenario: Scenario, periods: Periods) -> Step:
    """Return the step that makes liquids from what is present."""
    at_sites = [(site, recipes_at(scenario, site)) for site in scenario.sites]

    def make(presence: Presence, site: Site, recipe: Recipe) -> bool:
        changed = False
        for inputs in presence.combinations(site.id, recipe):
            ready = max(1, *(presence.released[site.id, one] for one in inputs))
            made_of = union_class(one.origin_class for one in inputs)
            made = ready
            if recipe.method == "distil":
                made += periods.round_up(recipe.days_to_vat)
                if recipe.feints_liquid is not None and recipe.feints_percent_of_lpa > 0:
                    feints = Commodity(recipe.feints_liquid, made_of)
                    changed |= presence.enter(site.id, feints, ready)
            makes = Commodity(recipe.makes, made_of)
            if site.release is not None:
                if made <= periods.count:
                    changed |= _note(presence.hearts, (site.id, makes), made)
                made += periods.round_up(site.release.lag_days)
            if made <= periods.count:
                changed |= presence.enter(site.id, makes, made)
        return changed

    def step(presence: Presence) -> bool:
        return sum(make(presence, site, one) for site, found in at_sites for one in found) > 0

    return step
