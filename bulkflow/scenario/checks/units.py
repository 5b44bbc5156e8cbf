"""Slips of unit: a fraction where a percentage is meant, kg/L for kg/m3, litres for millilitres.

Keys carry their unit, but people paste what they have. Each bound lies far from anything that is
made, so that what it stops is a slip.
"""

from __future__ import annotations

from collections.abc import Iterator

from bulkflow.reading.words import figure
from bulkflow.scenario.draft import Draft
from bulkflow.scenario.model import Liquid, Lot, Product, Recipe

__all__ = ["check_units"]

# A strength or a yield of 1.5 % or less is taken for a fraction of 1.
_FRACTION = 1.5
# Between pure ethanol at 50 degC (762 kg/m3) and water (1000 kg/m3), with a margin below.
_LOWEST_DENSITY, _HIGHEST_DENSITY = 750.0, 1000.0
_SMALLEST_BOTTLE_ML = 10.0
# A vatting is held to its strength within a point or so; feints are as they come.
_STRENGTH_MARGIN = 10.0


def check_units(draft: Draft) -> None:
    """Note what is likely given in another unit."""
    for path, percent in _percentages(draft):
        if 0.0 < percent <= _FRACTION:
            found = f"is {figure(percent)}, a fraction by the look of it"
            mend = f"Write it as a percentage, such as {figure(percent * 100.0)}."
            draft.add(path, found, mend)
    for path, density in _densities(draft):
        if not _LOWEST_DENSITY <= density <= _HIGHEST_DENSITY:
            found = f"is {figure(density)}, no density of spirit in kg/m3"
            draft.add(path, found, "Write kilograms in a cubic metre, such as 853.")
    for path, product in draft.each(Product):
        if product.bottle_ml < _SMALLEST_BOTTLE_ML:
            found = f"is {figure(product.bottle_ml)}, less than any bottle holds"
            draft.add(f"{path}.bottle_ml", found, "Write millilitres, such as 700.")
    _lots(draft)


def _percentages(draft: Draft) -> Iterator[tuple[str, float]]:
    for path, liquid in draft.each(Liquid):
        yield f"{path}.strength_percent", liquid.strength_percent
    for path, recipe in draft.each(Recipe):
        yield f"{path}.charge_strength_percent", recipe.charge_strength_percent or 0.0
        yield f"{path}.hearts_percent_of_lpa", recipe.hearts_percent_of_lpa or 0.0
    for path, product in draft.each(Product):
        yield f"{path}.strength_percent", product.strength_percent


def _densities(draft: Draft) -> Iterator[tuple[str, float]]:
    for path, liquid in draft.each(Liquid):
        for name in ("density_15c_kg_per_m3", "density_50c_kg_per_m3"):
            density = getattr(liquid, name)
            if density is not None:
                yield f"{path}.{name}", density


def _lots(draft: Draft) -> None:
    liquids = draft.by_id(Liquid)
    for path, lot in draft.each(Lot):
        liquid = liquids.get(lot.liquid)
        if liquid is None or liquid.kind == "feints":
            continue
        if abs(lot.strength_percent - liquid.strength_percent) > _STRENGTH_MARGIN:
            found = (
                f"is {figure(lot.strength_percent)}, far from the"
                f" {figure(liquid.strength_percent)} % vol of {liquid.id}"
            )
            mend = "Correct it, or name the liquid it is."
            draft.add(f"{path}.strength_percent", found, mend)
