"""What the rows of demand ask for, in LPA by site, liquid, market and priority (eq. 23)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from functools import lru_cache

from bulkflow.plan.checks.position import Position
from bulkflow.scenario.model import DemandRow

__all__ = ["DemandKey", "asked_for", "in_all", "mean_use"]

DemandKey = tuple[str, str, str, str]
"""Site, liquid, market ('' for none), priority."""


def asked_for(position: Position) -> Mapping[DemandKey, Mapping[int, float]]:
    """Return demand in LPA by key and period, cases turned to LPA (eq. 23)."""
    found: dict[DemandKey, dict[int, float]] = defaultdict(lambda: defaultdict(float))
    first_priority = position.scenario.priorities[0].id
    for row in position.scenario.demand:
        period = position.days.period_of(row.period_start)
        if 1 <= period <= position.days.count:
            liquid, lpa = _in_lpa(position, row)
            market = row.market or position.sites[row.site].market or ""
            found[row.site, liquid, market, row.priority or first_priority][period] += lpa
    return found


def mean_use(
    position: Position, site: str, liquid: str, way: tuple[tuple[str, str], ...] = ()
) -> float:
    """Return G: what demand uses of a liquid at a site in a period, here and beyond (eq. 15)."""
    if (site, liquid) in way:
        return 0.0
    way = (*way, (site, liquid))
    use = in_all(position).get((site, liquid), 0.0) / position.days.count
    for lane in position.scenario.lanes:
        if lane.origin == site and liquid in lane.liquids:
            use += mean_use(position, lane.destination, liquid, way)
    on_stills = {name for still in position.sites[site].stills for name in still.recipes}
    for recipe in position.scenario.recipes:
        if recipe.method == "distil":
            run, left = recipe.id in on_stills, recipe.hearts_percent_of_lpa or 0.0
        else:
            run, left = site in recipe.sites, 100.0 - recipe.loss_percent
        share = sum(one.share_percent_of_lpa for one in recipe.inputs if one.liquid == liquid)
        if run and share and left:
            use += share / left * mean_use(position, site, recipe.makes, way)
    return use


@lru_cache(maxsize=4)
def in_all(position: Position) -> Mapping[tuple[str, str], float]:
    """Return demand over the horizon, by site and liquid."""
    total: dict[tuple[str, str], float] = defaultdict(float)
    for (site, liquid, _, _), by_period in asked_for(position).items():
        total[site, liquid] += sum(by_period.values())
    return total


def _in_lpa(position: Position, row: DemandRow) -> tuple[str, float]:
    product = next((one for one in position.scenario.products if one.id == row.product), None)
    if product is None:
        return row.liquid or "", row.lpa or 0.0
    litres = (row.cases or 0.0) * product.bottles_per_case * product.bottle_ml / 1000.0
    bottled = litres * product.strength_percent / 100.0
    return product.liquid, bottled / (1.0 - product.bottling_loss_percent / 100.0)
