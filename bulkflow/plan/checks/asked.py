"""What the rows of demand ask for, in LPA by site, liquid, market and priority (eq. 23)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from bulkflow.plan.checks.position import Position
from bulkflow.scenario.model import DemandRow

__all__ = ["DemandKey", "asked_for"]

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


def _in_lpa(position: Position, row: DemandRow) -> tuple[str, float]:
    product = next((one for one in position.scenario.products if one.id == row.product), None)
    if product is None:
        return row.liquid or "", row.lpa or 0.0
    litres = (row.cases or 0.0) * product.bottles_per_case * product.bottle_ml / 1000.0
    bottled = litres * product.strength_percent / 100.0
    return product.liquid, bottled / (1.0 - product.bottling_loss_percent / 100.0)
