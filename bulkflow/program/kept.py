"""Which origin classes are kept apart where: only those that a market still to be reached bars.

A difference of origin matters at a place as long as a market that bars it can be served from
there; beyond that it splits tanks for nothing (README, "Kept apart").
"""

from __future__ import annotations

from collections.abc import Iterable

from bulkflow.program.calendar import Periods
from bulkflow.program.classes import (
    Commodity,
    Origins,
    class_name,
    markets_barring,
    recipes_at,
    union_class,
)
from bulkflow.scenario.lookup import demand_liquid, demand_market
from bulkflow.scenario.model import LoadRow, Lot, OpeningStockRow, Scenario

__all__ = ["KeptClasses"]


class KeptClasses:
    """The commodity that anything is at a place, its class narrowed to what matters there."""

    def __init__(self, scenario: Scenario, periods: Periods) -> None:
        self._origins = Origins(scenario)
        self._ends = {lane.id: (lane.origin, lane.destination) for lane in scenario.lanes}
        self._markets: dict[tuple[str, str], set[str]] = {}
        products = {product.id: product for product in scenario.products}
        sites = {site.id: site for site in scenario.sites}
        for row in scenario.demand:
            market = demand_market(row, sites)
            if market is not None and 1 <= periods.holding(row.period_start) <= periods.count:
                self._reached(row.site, demand_liquid(row, products)).add(market)
        ways = [*_made_into(scenario), *_sent_to(scenario)]
        while any(self._carry_back(here, beyond) for here, beyond in ways):
            pass

    def _reached(self, place: str, liquid: str) -> set[str]:
        return self._markets.setdefault((place, liquid), set())

    def _carry_back(self, here: tuple[str, str], beyond: tuple[str, str]) -> bool:
        """Let what one thing becomes count for it; tell whether that was news."""
        reached, further = self._reached(*here), self._reached(*beyond)
        news = not further <= reached
        reached |= further
        return news

    def markets_ahead(self, place: str, liquid: str) -> frozenset[str]:
        """Return the markets that can be come to with a liquid from a place."""
        return frozenset(self._reached(place, liquid))

    def keep(self, place: str, commodity: Commodity) -> Commodity:
        """Return what a commodity is at a place: its class without markets not to be reached."""
        barring = markets_barring(commodity.origin_class)
        return Commodity(
            commodity.liquid, class_name(barring & self.markets_ahead(place, commodity.liquid))
        )

    def bought(self, liquid: str, supplier: str) -> Commodity:
        """Return what a supplier sells."""
        return self.keep(supplier, self._origins.bought(liquid, supplier))

    def of_lot(self, lot: Lot) -> Commodity:
        """Return what an opening lot is where it lies."""
        return self.keep(lot.site, self._origins.of_lot(lot))

    def of_stock(self, row: OpeningStockRow) -> Commodity:
        """Return what a row of opening stock is."""
        return self.keep(row.site, self._origins.of_stock(row))

    def sent(self, row: LoadRow) -> Commodity:
        """Return what a frozen load, or one under way, is (or was) at its origin."""
        return self.keep(self._ends[row.lane][0], self._origins.of_load(row))

    def arriving(self, row: LoadRow) -> Commodity:
        """Return what a frozen load, or one under way, joins at its destination."""
        return self.keep(self._ends[row.lane][1], self._origins.of_load(row))

    def made(self, site: str, liquid: str, inputs: Iterable[Commodity]) -> Commodity:
        """Return what is made from inputs of given classes at a site."""
        made_of = union_class(one.origin_class for one in inputs)
        return self.keep(site, Commodity(liquid, made_of))


_Way = tuple[tuple[str, str], tuple[str, str]]


def _made_into(scenario: Scenario) -> list[_Way]:
    """Return (site, liquid) pairs of what goes into recipes, with what comes out of them."""
    return [
        ((site.id, one.liquid), (site.id, made))
        for site in scenario.sites
        for recipe in recipes_at(scenario, site)
        for made in (recipe.makes, recipe.feints_liquid)
        if made is not None
        for one in recipe.inputs
    ]


def _sent_to(scenario: Scenario) -> list[_Way]:
    return [
        ((lane.origin, liquid), (lane.destination, liquid))
        for lane in scenario.lanes
        for liquid in lane.liquids
    ]
