"""Small questions one asks of a scenario: what a row of demand means, what is in force on a day.

For those who build on a scenario. The plan checker does not use these functions: it works the
same things out for itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from bulkflow.duty import rate_in_force
from bulkflow.scenario.model import (
    Contract,
    DemandRow,
    ExchangeRateRow,
    PriceRow,
    PriceTier,
    Priority,
    Product,
    Site,
)

__all__ = [
    "arrival_check_days",
    "demand_liquid",
    "demand_lpa",
    "demand_market",
    "demand_priority",
    "exchange_rate",
    "lpa_per_case",
    "tiers_in_force",
]


def lpa_per_case(product: Product) -> float:
    """Return the LPA of the liquid that one case of a product takes (eq. 23).

    Examples
    --------
    >>> gin = Product(
    ...     id="G", liquid="DRY", bottle_ml=700, strength_percent=40.0, bottles_per_case=6
    ... )
    >>> round(lpa_per_case(gin), 6)
    1.68
    """
    bottled = product.bottles_per_case * product.bottle_ml / 1000.0 * product.strength_percent / 100
    return bottled / (1.0 - product.bottling_loss_percent / 100.0)


def demand_liquid(row: DemandRow, products: Mapping[str, Product]) -> str:
    """Return the liquid a row of demand asks for, directly or by its product."""
    if row.product is not None:
        return products[row.product].liquid
    if row.liquid is None:
        raise ValueError("a row of demand names a liquid or a product")
    return row.liquid


def demand_lpa(row: DemandRow, products: Mapping[str, Product]) -> float:
    """Return the LPA a row of demand asks for (eq. 23)."""
    if row.product is not None and row.cases is not None:
        return row.cases * lpa_per_case(products[row.product])
    if row.lpa is None:
        raise ValueError("a row of demand gives LPA of a liquid or cases of a product")
    return row.lpa


def demand_market(row: DemandRow, sites: Mapping[str, Site]) -> str | None:
    """Return the market a row of demand is for: its own, else that of its site."""
    return row.market if row.market is not None else sites[row.site].market


def demand_priority(row: DemandRow, priorities: Sequence[Priority]) -> str:
    """Return the priority of a row of demand: its own, else the first of the workspace."""
    return row.priority if row.priority is not None else priorities[0].id


def exchange_rate(
    currency: str | None, own: str, rows: Iterable[ExchangeRateRow], on: date
) -> float | None:
    """Return what one unit of a currency is worth in the workspace's own on a day (eq. 30).

    None where no row holds on the day; ``currency`` None is the workspace's own.
    """
    if currency is None or currency == own:
        return 1.0
    row = rate_in_force([row for row in rows if row.currency == currency], on)
    return row.rate if row else None


def tiers_in_force(
    supplier: str, contract: Contract, prices: Iterable[PriceRow], on: date
) -> tuple[PriceTier, ...]:
    """Return a contract's tiers at the prices of a day (eq. 5).

    The row of ``prices`` in force replaces the price of the first tier; later tiers keep their
    difference to it.
    """
    rows = [row for row in prices if row.supplier == supplier and row.liquid == contract.liquid]
    row = rate_in_force(rows, on)
    if row is None:
        return contract.tiers
    change = row.price_per_lpa - contract.tiers[0].price_per_lpa
    return tuple(
        tier.model_copy(update={"price_per_lpa": tier.price_per_lpa + change})
        for tier in contract.tiers
    )


def arrival_check_days(site: Site, liquid: str) -> int:
    """Return the days of a site's check of a liquid at arrival; 0 for none (eq. 32)."""
    days = {one.liquid: one.days for one in site.arrival_checks}
    return days.get(liquid, days.get(None, 0))
