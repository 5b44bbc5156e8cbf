"""Which markets a liquid can still come to from a place, and what follows from that.

Nothing is sent where nobody could take it (`ServiceableMarkets`), and a difference of origin
matters at a place only as long as a market that bars it can be served from there: beyond that it
would split tanks for nothing (`ClassReduction`; README, "Kept apart").
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from bulkflow.program.calendar import Periods
from bulkflow.program.classes import (
    ANY,
    Commodity,
    Origins,
    class_name,
    markets_barring,
    recipes_at,
    union_class,
)
from bulkflow.scenario.lookup import demand_liquid, demand_market
from bulkflow.scenario.model import LoadRow, Lot, OpeningStockRow, Scenario

__all__ = ["ClassReduction", "ServiceableMarkets"]

_ANYONE = ""  # demand without a market bars nothing

_Place = tuple[str, str]  # a site and a liquid at it
_Markets = dict[_Place, set[str]]


class ServiceableMarkets:
    """The markets that can be served with a liquid from a site, there or further on.

    A site where the liquid goes into a recipe can use every class of it. Where nobody asks for a
    liquid there is nothing to judge by, and every class may go.
    """

    def __init__(self, scenario: Scenario, periods: Periods) -> None:
        markets = _asked_for(scenario, periods)
        for here, _ in _made_into(scenario):
            markets[here].add(_ANYONE)
        self._markets = _carried_back(markets, _sent_to(scenario))

    def may_take(self, site: str, commodity: Commodity) -> bool:
        """Tell whether somebody at a site, or beyond it, could take a commodity."""
        if commodity.origin_class == ANY:
            return True
        markets = self._markets.get((site, commodity.liquid), set())
        return not markets or not markets <= markets_barring(commodity.origin_class)


class ClassReduction:
    """The commodity that anything is at a place, its class narrowed to what matters there."""

    def __init__(self, scenario: Scenario, periods: Periods) -> None:
        self._origins = Origins(scenario)
        self._ends = {lane.id: (lane.origin, lane.destination) for lane in scenario.lanes}
        ways = [*_made_into(scenario), *_sent_to(scenario)]
        self._markets = _carried_back(_asked_for(scenario, periods), ways)

    def markets_ahead(self, place: str, liquid: str) -> frozenset[str]:
        """Return the markets that can be come to with a liquid from a place."""
        return frozenset(self._markets.get((place, liquid), set()) - {_ANYONE})

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


def _asked_for(scenario: Scenario, periods: Periods) -> _Markets:
    """Return the markets that ask for a liquid at a site within the horizon."""
    markets: _Markets = defaultdict(set)
    products = {product.id: product for product in scenario.products}
    sites = {site.id: site for site in scenario.sites}
    for row in scenario.demand:
        if 1 <= periods.holding(row.period_start) <= periods.count:
            market = demand_market(row, sites) or _ANYONE
            markets[row.site, demand_liquid(row, products)].add(market)
    return markets


def _made_into(scenario: Scenario) -> Iterator[tuple[_Place, _Place]]:
    """Yield what goes into recipes at sites, with what comes out of them."""
    for site in scenario.sites:
        for recipe in recipes_at(scenario, site):
            for one in recipe.inputs:
                for made in filter(None, (recipe.makes, recipe.feints_liquid)):
                    yield (site.id, one.liquid), (site.id, made)


def _sent_to(scenario: Scenario) -> Iterator[tuple[_Place, _Place]]:
    for lane in scenario.lanes:
        for liquid in lane.liquids:
            yield (lane.origin, liquid), (lane.destination, liquid)


def _carried_back(markets: _Markets, ways: Iterable[tuple[_Place, _Place]]) -> _Markets:
    """Let whatever leads somewhere serve what is served there, until nothing is news."""
    ways, news = list(ways), True
    while news:
        news = False
        for here, beyond in ways:
            if not markets[beyond] <= markets[here]:
                markets[here] |= markets[beyond]
                news = True
    return markets
