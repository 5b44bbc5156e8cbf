"""Who could take a liquid at a site or beyond it: what no one could take is not sent there."""

from __future__ import annotations

from bulkflow.program.calendar import Periods
from bulkflow.program.classes import ANY, Commodity, markets_barring, recipes_at
from bulkflow.scenario.lookup import demand_liquid, demand_market
from bulkflow.scenario.model import Scenario

__all__ = ["Takers"]

_ANYONE = ""  # demand without a market bars nothing


class Takers:
    """The markets that can be served with a liquid from a site, there or further on.

    A site where the liquid goes into a recipe can use every class of it. Where nobody asks for a
    liquid there is nothing to judge by, and every class may go.
    """

    def __init__(self, scenario: Scenario, periods: Periods) -> None:
        self._markets: dict[tuple[str, str], set[str]] = {}
        sites = {site.id: site for site in scenario.sites}
        products = {product.id: product for product in scenario.products}
        for row in scenario.demand:
            if not 1 <= periods.holding(row.period_start) <= periods.count:
                continue
            key = (row.site, demand_liquid(row, products))
            self._markets.setdefault(key, set()).add(demand_market(row, sites) or _ANYONE)
        for site in scenario.sites:
            for recipe in recipes_at(scenario, site):
                for one in recipe.inputs:
                    self._markets.setdefault((site.id, one.liquid), set()).add(_ANYONE)
        while sum(self._carry_back(scenario)):
            pass

    def _carry_back(self, scenario: Scenario) -> list[bool]:
        """Let every origin serve what its lanes' destinations serve; tell where that was news."""
        news = []
        for lane in scenario.lanes:
            for liquid in lane.liquids:
                beyond = self._markets.get((lane.destination, liquid), set())
                here = self._markets.setdefault((lane.origin, liquid), set())
                news.append(not beyond <= here)
                here |= beyond
        return news

    def may_take(self, site: str, commodity: Commodity) -> bool:
        """Tell whether somebody at a site, or beyond it, could take a commodity."""
        if commodity.origin_class == ANY:
            return True
        markets = self._markets.get((site, commodity.liquid), set())
        return not markets or not markets <= markets_barring(commodity.origin_class)
