"""What law and house ask of the lots of a workspace, as limits for its register.

Neutral spirit keeps to the definition of every place where it lies or is used, and, for a lot
meant for a market, to that market's. Where a liquid is sold as London gin, the neutral spirit on
its way keeps to the methanol of that definition and the distillate to its strength. A liquid whose
tolerance of strength is stated keeps to it. The strictest figure of several places counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from decimal import Decimal

from bulkflow.lots.bodies import Limit
from bulkflow.rules import Rule, strength_limit, substance_limits
from bulkflow.scenario.jurisdictions import market_jurisdiction, site_jurisdiction
from bulkflow.scenario.model import Liquid, Scenario, Site

__all__ = ["GRAMS_PER_HL", "STRENGTH", "limits_of_law", "stage_of"]

GRAMS_PER_HL = "g/hl pa"
STRENGTH = "strength"
PERCENT = "% vol"


def limits_of_law(scenario: Scenario, *, on: date | None = None) -> tuple[Limit, ...]:
    """Return the limits that come from the law in force, and from the workspace itself.

    Parameters
    ----------
    on : the day; by default the first of the plan.
    """
    day = scenario.calendar.start if on is None else on
    found: list[Limit] = []
    markets = {
        market.id: place
        for market in scenario.markets
        if (place := market_jurisdiction(scenario, market)) is not None
    }
    london = _on_the_way_to_london(scenario)
    for liquid in scenario.liquids:
        places = _places(scenario, liquid)
        products = []
        if liquid.kind == "neutral":
            products.append("neutral alcohol")
            if liquid.id in london:
                products.append("alcohol for London gin")
        elif liquid.definition == "London gin":
            products.append("London gin distillate")
        every = [one for product in products for one in _of(liquid, places, product, day)]
        found += _strictest(every)
        for market, place in markets.items():
            own = [
                one for product in products for one in _of(liquid, [place], product, day, market)
            ]
            found += [one for one in _strictest(own) if not _covered(one, every)]
        if liquid.strength_tolerance_percent is not None:
            found.append(_tolerance(liquid, liquid.strength_tolerance_percent))
    return tuple(found)


def stage_of(scenario: Scenario, liquid: str) -> str | None:
    """Return what a lot of a liquid is to the register; None for feints and what is not known."""
    kinds = {one.id: one.kind for one in scenario.liquids}
    stages = {"neutral": "neutral spirit", "distillate": "distillate"}
    return stages.get(kinds.get(liquid, ""))


def _of(
    liquid: Liquid, places: Iterable[str], product: str, on: date, market: str | None = None
) -> Iterator[Limit]:
    for place in places:
        for one in substance_limits(place, product, on=on):
            maximum = Decimal(0) if one.maximum is None else Decimal(repr(one.maximum))
            yield _limit(liquid, market, one.substance, one, GRAMS_PER_HL, maximum=maximum)
        strength = strength_limit(place, product, on=on)
        if strength is not None and strength.minimum_percent is not None:
            least = Decimal(repr(strength.minimum_percent))
            yield _limit(liquid, market, STRENGTH, strength, PERCENT, minimum=least)


def _limit(
    liquid: Liquid,
    market: str | None,
    analyte: str,
    rule: Rule,
    unit: str,
    *,
    minimum: Decimal | None = None,
    maximum: Decimal | None = None,
) -> Limit:
    return Limit(
        liquid_id=liquid.id,
        market=market,
        analyte=analyte,
        unit=unit,
        minimum=minimum,
        maximum=maximum,
        source=f"{rule.title}: {rule.citation}",
        origin=f"law/{rule.id.partition('.')[0]}/{rule.id.split('.')[1]}",
    )


def _strictest(limits: Iterable[Limit]) -> list[Limit]:
    """Return one limit for each analyte of each definition: the strictest of several places."""
    best: dict[tuple[str, str], Limit] = {}
    for one in limits:
        key = (one.analyte, (one.origin or "").rpartition("/")[2])
        if key not in best or _tighter(one, best[key]):
            best[key] = one
    return list(best.values())


def _tighter(one: Limit, other: Limit) -> bool:
    if one.maximum is not None and other.maximum is not None:
        return one.maximum < other.maximum
    return one.minimum is not None and other.minimum is not None and one.minimum > other.minimum


def _covered(one: Limit, every: Iterable[Limit]) -> bool:
    """Return whether a limit for all markets asks as much as a market's own."""
    return any(
        other.analyte == one.analyte and other.unit == one.unit and not _tighter(one, other)
        for other in every
    )


def _tolerance(liquid: Liquid, tolerance: float) -> Limit:
    middle, width = Decimal(repr(liquid.strength_percent)), Decimal(repr(tolerance))
    return Limit(
        liquid_id=liquid.id,
        analyte=STRENGTH,
        unit=PERCENT,
        minimum=middle - width,
        maximum=middle + width,
        source=f"{liquid.id} at {middle} % vol, {width} either way (scenario.yaml)",
        origin="house/strength",
    )


def _places(scenario: Scenario, liquid: Liquid) -> list[str]:
    """Return the jurisdictions of the sites where a liquid lies or is used."""
    sites = [site for site in scenario.sites if _is_at(scenario, site, liquid.id)]
    if not sites:
        sites = [site for site in scenario.sites if site.kind == "distillery"]
    found = (site_jurisdiction(site) for site in sites)
    return list(dict.fromkeys(place for place in found if place is not None))


def _is_at(scenario: Scenario, site: Site, liquid: str) -> bool:
    if any(liquid in tank.liquids for tank in site.tanks):
        return True
    run = {recipe for still in site.stills for recipe in still.recipes}
    return any(
        liquid == recipe.makes or any(part.liquid == liquid for part in recipe.inputs)
        for recipe in scenario.recipes
        if recipe.id in run or site.id in recipe.sites
    )


def _on_the_way_to_london(scenario: Scenario) -> set[str]:
    """Return the liquids from which a London gin is made, over all recipes."""
    reached = {one.id for one in scenario.liquids if one.definition == "London gin"}
    while True:
        more = {
            part.liquid
            for recipe in scenario.recipes
            if recipe.makes in reached
            for part in recipe.inputs
        } - reached
        if not more:
            return reached
        reached |= more
