"""Demand, products and markets: what is asked for must be able to exist."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from bulkflow.reading.words import figure, nearest
from bulkflow.scenario.checks.places import has_tank_for
from bulkflow.scenario.draft import Draft
from bulkflow.scenario.lookup import demand_liquid, demand_market
from bulkflow.scenario.model import DemandRow, Liquid, Lot, Market, Product, Site

__all__ = ["check_demand"]


def check_demand(draft: Draft) -> None:
    """Check every row of demand against products, tanks and markets."""
    for path, product in draft.each(Product):
        if product.bottling_loss_percent >= 100.0:
            found = f"is {figure(product.bottling_loss_percent)}"
            mend = "Something must be bottled: it is below 100."
            draft.add(f"{path}.bottling_loss_percent", found, mend)
    _barred_bases(draft)
    known = _Known(
        draft.by_id(Site), draft.by_id(Liquid), draft.by_id(Product), draft.by_id(Market)
    )
    for path, row in draft.each(DemandRow):
        if _is_clear(draft, path, row):
            _can_be_met(draft, path, row, known)


class _Known(NamedTuple):
    """What rows of demand refer to, by id."""

    sites: Mapping[str, Site]
    liquids: Mapping[str, Liquid]
    products: Mapping[str, Product]
    markets: Mapping[str, Market]


def _is_clear(draft: Draft, path: str, row: DemandRow) -> bool:
    """Check that a row says LPA of a liquid or cases of a product, and not both."""
    if (row.liquid is None) == (row.product is None):
        found = "is empty, as is product_id" if row.liquid is None else "is given beside product_id"
        mend = "Give a liquid with its LPA, or a product with its cases."
        draft.add(f"{path}.liquid", found, mend)
        return False
    wanted, unwanted = ("lpa", "cases") if row.product is None else ("cases", "lpa")
    of = "a liquid" if row.product is None else "a product"
    if getattr(row, wanted) is None:
        draft.add(f"{path}.{wanted}", "is empty", f"Demand for {of} is given in {wanted}.")
    if getattr(row, unwanted) is not None:
        found = f"is {figure(getattr(row, unwanted))}, for {of}"
        draft.add(f"{path}.{unwanted}", found, f"Demand for {of} is given in {wanted} alone.")
    return getattr(row, wanted) is not None


def _can_be_met(draft: Draft, path: str, row: DemandRow, known: _Known) -> None:
    if row.product is not None and row.product not in known.products:
        return
    liquid = known.liquids.get(demand_liquid(row, known.products))
    site = known.sites.get(row.site)
    if liquid is None or site is None:
        return
    column = "liquid" if row.product is None else "product"
    if not has_tank_for(site, liquid.id):
        found = f"asks for {liquid.id}, for which {site.id} has no tank"
        mend = "Correct the site or the liquid, or add the liquid to a tank."
        draft.add(f"{path}.{column}", found, mend)
    _barred(draft, f"{path}.{column}", liquid, demand_market(row, known.sites), known.markets)


def _barred(
    draft: Draft, path: str, liquid: Liquid, market: str | None, markets: Mapping[str, Market]
) -> None:
    bars = markets[market].barred_spirit_bases if market and market in markets else ()
    if liquid.spirit_base is not None and liquid.spirit_base in bars:
        found = f"asks for {liquid.id}, of {liquid.spirit_base}, which the market {market} bars"
        mend = "Ask for another liquid, or correct the market's barred spirit bases."
        draft.add(path, found, mend)


def _barred_bases(draft: Draft) -> None:
    """Find misspelt bases: one that nothing has is no slip unless it resembles another."""
    known = {liquid.spirit_base for _, liquid in draft.each(Liquid)}
    known |= {lot.spirit_base for _, lot in draft.each(Lot)}
    bases = sorted(base for base in known if base is not None)
    for path, market in draft.each(Market):
        for index, base in enumerate(market.barred_spirit_bases):
            near = nearest(base, bases)
            if base not in bases and near is not None:
                found = f"is {base!r}, the base of no liquid or lot"
                draft.add(f"{path}.barred_spirit_bases[{index}]", found, f"Did you mean {near}?")
