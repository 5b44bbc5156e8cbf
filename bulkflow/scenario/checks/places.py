"""Sites and their tanks: a tank for all that comes, and a use for every tank."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from bulkflow.reading.words import MOST_TOLD, figure
from bulkflow.scenario.draft import Draft
from bulkflow.scenario.lookup import demand_liquid
from bulkflow.scenario.model import (
    DemandRow,
    Guarantee,
    Lane,
    Liquid,
    Lot,
    OpeningStockRow,
    Product,
    Recipe,
    Site,
    StockPolicy,
    Supplier,
)
from bulkflow.wording import listed

__all__ = ["capacity_for", "check_idle_tanks", "check_places", "has_tank_for"]

# Faults in these may be why nothing seems to come to a site.
_BRING_LIQUID = ("recipes[", "lanes[", "sites[")


def has_tank_for(site: Site, liquid: str) -> bool:
    """Whether one of a site's tanks may hold a liquid."""
    return any(liquid in tank.liquids for tank in site.tanks)


def capacity_for(site: Site, liquid: str) -> float:
    """Litres of all tanks of a site that may hold a liquid."""
    return sum(tank.capacity_litres for tank in site.tanks if liquid in tank.liquids)


def check_places(draft: Draft) -> None:
    """Check every site by itself and against what comes to it."""
    guarantees, recipes = draft.by_id(Guarantee), draft.by_id(Recipe)
    for path, site in draft.each(Site):
        _tanks(draft, path, site)
        _coordinates(draft, path, site)
        _duty(draft, path, site, guarantees)
        _made_here(draft, path, site, recipes)
    for path, supplier in draft.each(Supplier):
        _coordinates(draft, path, supplier)
    _policies(draft)


def _tanks(draft: Draft, path: str, site: Site) -> None:
    for index, tank in enumerate(site.tanks):
        if tank.heel_litres >= tank.capacity_litres:
            found = (
                f"is {figure(tank.heel_litres)}, not below the capacity of"
                f" {figure(tank.capacity_litres)}"
            )
            mend = "The heel is what stays in the tank; it leaves room above it."
            draft.add(f"{path}.tanks[{index}].heel_litres", found, mend)


def _coordinates(draft: Draft, path: str, place: Site | Supplier) -> None:
    if (place.latitude is None) != (place.longitude is None):
        name = "latitude" if place.latitude is None else "longitude"
        draft.add(f"{path}.{name}", "is missing", "Give latitude and longitude, or neither.")


def _duty(draft: Draft, path: str, site: Site, guarantees: Mapping[str, Guarantee]) -> None:
    if site.authority is None:
        if site.duty_status == "paid":
            mend = "At a duty-paid site duty falls due on arrival; say to which authority."
            draft.add(f"{path}.authority", "is missing", mend)
        elif site.storage_guarantee is not None:
            mend = "The guarantee counts duty at the site's authority; name it."
            draft.add(f"{path}.authority", "is missing", mend)
    guarantee = guarantees.get(site.storage_guarantee or "")
    if guarantee is not None and guarantee.kind != "storage":
        found = f"is {guarantee.id!r}, a guarantee of kind {guarantee.kind}"
        draft.add(f"{path}.storage_guarantee", found, "Name a guarantee of kind storage.")


def _made_here(draft: Draft, path: str, site: Site, recipes: Mapping[str, Recipe]) -> None:
    for index, still in enumerate(site.stills):
        for number, recipe_id in enumerate(still.recipes):
            recipe = recipes.get(recipe_id)
            if recipe is not None:
                _room_for(draft, f"{path}.stills[{index}].recipes[{number}]", site, recipe)
    for recipe_path, recipe in draft.each(Recipe):
        if recipe.method == "let_down" and site.id in recipe.sites:
            where = f"{recipe_path}.sites[{recipe.sites.index(site.id)}]"
            _room_for(draft, where, site, recipe)


def _room_for(draft: Draft, path: str, site: Site, recipe: Recipe) -> None:
    known = draft.ids.get("liquids", set())
    needed = [recipe.makes, *(part.liquid for part in recipe.inputs)]
    # Feints that can be sold need no tank.
    if recipe.feints_liquid is not None and site.feints_sale_price_per_lpa is None:
        needed.append(recipe.feints_liquid)
    lacking = [one for one in dict.fromkeys(needed) if one in known and not has_tank_for(site, one)]
    if lacking:
        names = listed(lacking, MOST_TOLD)
        found = f"({recipe.id!r}) needs a tank for {names} at {site.id}, which has none"
        draft.add(path, found, f"Add {names} to a tank's liquids, or do not make it there.")


def check_idle_tanks(draft: Draft) -> None:
    """Find tanks that nothing can ever fill, at sites where something comes.

    With a record missing or a name wrong, that nothing comes cannot be said.
    """
    kinds = (Site, Lane, Recipe, Lot, OpeningStockRow, DemandRow, Product)
    wrong = any(fault.where.startswith(_BRING_LIQUID) for fault in draft.faults)
    if wrong or not all(draft.is_whole(kind) for kind in kinds):
        return
    comes = _what_comes(draft)
    wanted = _what_is_wanted(draft)
    for path, site in draft.each(Site):
        for index, tank in enumerate(site.tanks):
            here = set(tank.liquids)
            if comes[site.id] and not here & (comes[site.id] | wanted[site.id]):
                names = listed(list(tank.liquids), MOST_TOLD, last="or")
                found = f"name nothing that is made at, shipped to or kept at {site.id} ({names})"
                mend = "Add a lane or recipe, correct the liquids, or take the tank out."
                draft.add(f"{path}.tanks[{index}].liquids", found, mend)


def _what_comes(draft: Draft) -> dict[str, set[str]]:
    comes: dict[str, set[str]] = defaultdict(set)
    for _, lane in draft.each(Lane):
        comes[lane.destination].update(lane.liquids)
    for _, lot in draft.each(Lot):
        comes[lot.site].add(lot.liquid)
    for _, stock in draft.each(OpeningStockRow):
        comes[stock.site].add(stock.liquid)
    recipes = draft.by_id(Recipe)
    for _, site in draft.each(Site):
        for still in site.stills:
            for recipe in (recipes[name] for name in still.recipes if name in recipes):
                comes[site.id].update(filter(None, (recipe.makes, recipe.feints_liquid)))
    for recipe in recipes.values():
        for name in recipe.sites:
            comes[name].add(recipe.makes)
    return comes


def _what_is_wanted(draft: Draft) -> dict[str, set[str]]:
    """Return liquids with demand by site: that nothing brings them is said before solving."""
    wanted: dict[str, set[str]] = defaultdict(set)
    products = draft.by_id(Product)
    for _, row in draft.each(DemandRow):
        if row.product in products or (row.product is None and row.liquid is not None):
            wanted[row.site].add(demand_liquid(row, products))
    return wanted


def _policies(draft: Draft) -> None:
    sites, liquids = draft.by_id(Site), draft.by_id(Liquid)
    for path, policy in draft.each(StockPolicy):
        for amount, cost in (
            ("floor_lpa", "floor_cost_per_lpa_per_period"),
            ("closing_lpa", "closing_cost_per_lpa"),
        ):
            if getattr(policy, amount) > 0.0 and getattr(policy, cost) == 0.0:
                found = f"is 0, so that {amount} would do nothing"
                draft.add(f"{path}.{cost}", found, "Give it a price above 0.")
        site, liquid = sites.get(policy.site), liquids.get(policy.liquid)
        if site is None or liquid is None:
            continue
        room = capacity_for(site, policy.liquid) * liquid.strength_percent / 100.0
        if not has_tank_for(site, policy.liquid):
            found = f"is {policy.liquid!r}, for which {policy.site} has no tank"
            draft.add(f"{path}.liquid", found, "Add it to a tank's liquids, or take this out.")
        elif policy.floor_lpa > room:
            found = (
                f"is {figure(policy.floor_lpa)}, more than the {figure(room)} LPA that its"
                " tanks hold"
            )
            draft.add(f"{path}.floor_lpa", found, "Lower the floor, or add a tank.")
