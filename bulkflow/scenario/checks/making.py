"""Recipes, stills and the judging of what they make."""

from __future__ import annotations

from collections.abc import Mapping
from graphlib import CycleError, TopologicalSorter

from bulkflow.reading.words import figure
from bulkflow.scenario.draft import Draft
from bulkflow.scenario.model import Liquid, Recipe, Site, Still

__all__ = ["SHARE_TOLERANCE", "check_making"]

SHARE_TOLERANCE = 1e-6
"""Percentage points by which shares may miss 100: the digits lost in writing thirds."""

_DISTIL_NEEDS = ("charge_strength_percent", "hearts_percent_of_lpa")
# Fields that mean something for one method only; a value there would silently do nothing.
_LET_DOWN_ONLY = ("sites", "loss_percent", "maximum_lpa_per_period")
_DISTIL_ONLY = (
    *_DISTIL_NEEDS,
    "feints_percent_of_lpa",
    "feints_liquid",
    "days_to_vat",
)


def check_making(draft: Draft) -> None:
    """Check recipes one by one and together, and the stills that run them."""
    liquids = draft.by_id(Liquid)
    for path, recipe in draft.each(Recipe):
        _shares(draft, path, recipe)
        _fields_of_method(draft, path, recipe)
        if recipe.method == "distil":
            _distilling(draft, path, recipe, liquids)
        else:
            _letting_down(draft, path, recipe, liquids)
    _cycles(draft)
    recipes = draft.by_id(Recipe)
    for path, site in draft.each(Site):
        for index, still in enumerate(site.stills):
            _still(draft, f"{path}.stills[{index}]", still, recipes)
        _release(draft, path, site)
    for path, liquid in draft.each(Liquid):
        _shelf_life(draft, path, liquid)
        _densities(draft, path, liquid)


def _shares(draft: Draft, path: str, recipe: Recipe) -> None:
    total = sum(part.share_percent_of_lpa for part in recipe.inputs)
    if abs(total - 100.0) > SHARE_TOLERANCE:
        found = f"have shares that add up to {figure(total)} %"
        draft.add(f"{path}.inputs", found, "Shares of the LPA add up to 100.")


def _fields_of_method(draft: Draft, path: str, recipe: Recipe) -> None:
    other = _LET_DOWN_ONLY if recipe.method == "distil" else _DISTIL_ONLY
    for name in other:
        if getattr(recipe, name) not in (None, 0.0, ()):
            found = f"says nothing for the method {recipe.method}"
            draft.add(f"{path}.{name}", found, "Take it out, or correct the method.")
    if recipe.method == "distil":
        for name in _DISTIL_NEEDS:
            if getattr(recipe, name) is None:
                draft.add(f"{path}.{name}", "is missing", "Distilling needs it; add it.")
    elif not recipe.sites:
        mend = "Letting down needs the sites where it is done; add them."
        draft.add(f"{path}.sites", "is missing", mend)


def _distilling(draft: Draft, path: str, recipe: Recipe, liquids: Mapping[str, Liquid]) -> None:
    hearts, feints = recipe.hearts_percent_of_lpa or 0.0, recipe.feints_percent_of_lpa
    if hearts + feints > 100.0 + SHARE_TOLERANCE:
        found = (
            f"is {figure(feints)}, which with hearts of {figure(hearts)} makes more than"
            " 100 % of the LPA"
        )
        draft.add(f"{path}.feints_percent_of_lpa", found, "Hearts and feints are 100 % or less.")
    if feints > 0.0 and recipe.feints_liquid is None:
        found = "is missing"
        draft.add(f"{path}.feints_liquid", found, "Say which liquid the feints become.")
    liquid = liquids.get(recipe.feints_liquid or "")
    if liquid is not None and liquid.kind != "feints":
        found = f"is {liquid.id!r}, a liquid of kind {liquid.kind}"
        draft.add(f"{path}.feints_liquid", found, "Name a liquid of kind feints.")
    strengths = [liquids[p.liquid].strength_percent for p in recipe.inputs if p.liquid in liquids]
    charge = recipe.charge_strength_percent
    if charge is not None and len(strengths) == len(recipe.inputs) and charge > max(strengths):
        found = (
            f"is {figure(charge)}, above the strength of every input (at most"
            f" {figure(max(strengths))})"
        )
        mend = "A charge is reduced with water; it is no stronger than what goes in."
        draft.add(f"{path}.charge_strength_percent", found, mend)


def _letting_down(draft: Draft, path: str, recipe: Recipe, liquids: Mapping[str, Liquid]) -> None:
    strengths = [liquids[p.liquid].strength_percent for p in recipe.inputs if p.liquid in liquids]
    made = liquids.get(recipe.makes)
    if made and len(strengths) == len(recipe.inputs) and made.strength_percent > max(strengths):
        found = (
            f"is {recipe.makes!r} of {figure(made.strength_percent)} % vol, stronger than"
            " every input"
            f" (at most {figure(max(strengths))})"
        )
        draft.add(f"{path}.makes", found, "Letting down makes nothing stronger.")
    if recipe.loss_percent >= 100.0:
        found = f"is {figure(recipe.loss_percent)}"
        draft.add(f"{path}.loss_percent", found, "Something must be left: it is below 100.")


def _cycles(draft: Draft) -> None:
    made_from: dict[str, set[str]] = {}
    paths: dict[str, str] = {}
    for path, recipe in draft.each(Recipe):
        made_from.setdefault(recipe.makes, set()).update(part.liquid for part in recipe.inputs)
        paths.setdefault(recipe.makes, path)
    try:
        TopologicalSorter({made: sorted(parts) for made, parts in made_from.items()}).prepare()
    except CycleError as error:
        # Each is an input of the next; said the other way round it reads "made from".
        circle = list(reversed(error.args[1]))
        found = f"closes a circle: {' is made from '.join(circle)}"
        mend = "Take one of these inputs out, or give the second stage a liquid of its own."
        draft.add(f"{paths[circle[0]]}.inputs", found, mend)


def _still(draft: Draft, path: str, still: Still, recipes: Mapping[str, Recipe]) -> None:
    for index, recipe_id in enumerate(still.recipes):
        if recipe_id in recipes and recipes[recipe_id].method != "distil":
            found = f"is {recipe_id!r}, which lets down"
            draft.add(f"{path}.recipes[{index}]", found, "A still runs recipes of method distil.")
    if still.last_recipe is not None and still.last_recipe not in still.recipes:
        found = f"is {still.last_recipe!r}, which this still does not run"
        draft.add(f"{path}.last_recipe", found, "Name one of its recipes.")
    if still.hours_per_charge > still.hours_per_period:
        found = (
            f"is {figure(still.hours_per_charge)}, more than its"
            f" {figure(still.hours_per_period)} a period"
        )
        mend = "Such a still never runs; correct the hours, or lengthen the period."
        draft.add(f"{path}.hours_per_charge", found, mend)


def _release(draft: Draft, path: str, site: Site) -> None:
    release = site.release
    if release is None or release.vatting_maximum_lpa is None:
        return
    if release.vatting_minimum_lpa > release.vatting_maximum_lpa:
        found = (
            f"is {figure(release.vatting_minimum_lpa)}, above the maximum of"
            f" {figure(release.vatting_maximum_lpa)}"
        )
        mend = "The least vatting is no larger than the largest."
        draft.add(f"{path}.release.vatting_minimum_lpa", found, mend)


def _shelf_life(draft: Draft, path: str, liquid: Liquid) -> None:
    if liquid.past_life_cost_per_lpa is not None and liquid.shelf_life_days is None:
        found = f"is {figure(liquid.past_life_cost_per_lpa)}, but the liquid has no shelf life"
        mend = "Give shelf_life_days as well, or take the price out."
        draft.add(f"{path}.past_life_cost_per_lpa", found, mend)


def _densities(draft: Draft, path: str, liquid: Liquid) -> None:
    cold, warm = liquid.density_15c_kg_per_m3, liquid.density_50c_kg_per_m3
    if (cold is None) != (warm is None):
        name = "density_15c_kg_per_m3" if cold is None else "density_50c_kg_per_m3"
        draft.add(f"{path}.{name}", "is missing", "Give both densities, or neither.")
    elif cold is not None and warm is not None and warm >= cold:
        found = f"is {figure(warm)}, not below the {figure(cold)} at 15 degC"
        mend = "Liquid expands on warming; check which is which."
        draft.add(f"{path}.density_50c_kg_per_m3", found, mend)
