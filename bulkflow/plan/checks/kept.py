"""Which markets a liquid can still come to from a place (README, "Kept apart")."""

from __future__ import annotations

from collections import defaultdict

from bulkflow.plan.checks.days import Days
from bulkflow.scenario.model import Scenario

__all__ = ["MarketsAhead"]

Spot = tuple[str, str]
"""Site or supplier, and liquid."""


class MarketsAhead:
    """For each place and liquid the markets of the demand it can end in, as itself or made into."""

    def __init__(self, scenario: Scenario, days: Days) -> None:
        self._asking: dict[Spot, set[str]] = defaultdict(set)
        self._onward: dict[Spot, set[Spot]] = defaultdict(set)
        self._known: dict[Spot, frozenset[str]] = {}
        self._note_demand(scenario, days)
        self._note_ways(scenario)

    def of(self, place: str, liquid: str) -> frozenset[str]:
        """Return the markets that can be served with a liquid from a place."""
        spot = (place, liquid)
        if spot not in self._known:
            self._known[spot] = self._walk(spot)
        return self._known[spot]

    def _walk(self, start: Spot) -> frozenset[str]:
        """Visit every place and liquid that this one can become, and collect who asks there."""
        seen, waiting = {start}, [start]
        markets: set[str] = set()
        while waiting:
            spot = waiting.pop()
            markets |= self._asking.get(spot, set())
            fresh = self._onward.get(spot, set()) - seen
            seen |= fresh
            waiting += fresh
        return frozenset(markets)

    def _note_demand(self, scenario: Scenario, days: Days) -> None:
        of_site = {site.id: site.market for site in scenario.sites}
        of_product = {product.id: product.liquid for product in scenario.products}
        for row in scenario.demand:
            market = row.market or of_site[row.site]
            liquid = of_product.get(row.product or "", row.liquid)
            if market and liquid and 1 <= days.period_of(row.period_start) <= days.count:
                self._asking[row.site, liquid].add(market)

    def _note_ways(self, scenario: Scenario) -> None:
        for lane in scenario.lanes:
            for liquid in lane.liquids:
                self._onward[lane.origin, liquid].add((lane.destination, liquid))
        run_at = {
            recipe.id: set(recipe.sites) if recipe.method == "let_down" else set()
            for recipe in scenario.recipes
        }
        for site in scenario.sites:
            for still in site.stills:
                for name in still.recipes:
                    run_at[name].add(site.id)
        for recipe in scenario.recipes:
            made = {recipe.makes, recipe.feints_liquid} - {None}
            for site_id in run_at[recipe.id]:
                for one in recipe.inputs:
                    self._onward[site_id, one.liquid] |= {(site_id, str(out)) for out in made}
