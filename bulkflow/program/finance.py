"""What loads and stock cost by period: freight, handling, storage, capital and its credit (eq. 28).

Each part comes in an array of its own, so that the cost of a plan can be told part by part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.program.build_context import BuildContext
from bulkflow.program.calendar import LoadDays
from bulkflow.scenario.model import Lane, LaneTank, Site

__all__ = [
    "LoadCosts",
    "duty_credit",
    "hire_of",
    "holding_costs",
    "load_costs",
    "while_unreleased",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LoadCosts:
    """What loads cost by sending period, in the workspace's currency, (T,)."""

    per_load: FloatArray
    hire: FloatArray
    freight_per_lpa: FloatArray
    handling_per_lpa: FloatArray
    capital_per_lpa: FloatArray
    checked_per_lpa: FloatArray

    @property
    def per_lpa(self) -> FloatArray:
        """All that goes by LPA loaded; holding it while in its check at arrival, too."""
        total: FloatArray = self.freight_per_lpa + self.handling_per_lpa + self.capital_per_lpa
        return total + self.checked_per_lpa


def hire_of(tank: LaneTank, days: LoadDays) -> float:
    """Return the hire of a load's tank until discharge, in the lane's currency (eq. 33)."""
    if tank.waiting is None:
        return 0.0
    charged = max(0, (days.discharge - days.arrival).days - tank.waiting.free_days)
    return charged * tank.waiting.cost_per_day


def load_costs(
    context: BuildContext, lane: Lane, tank: LaneTank, liquid: str, days: Sequence[LoadDays | None]
) -> LoadCosts:
    """Return what loads of a liquid with these days cost by sending period (eqs. 28, 30, 33)."""
    money, site = context.money, context.sites[lane.destination]
    gain = 1.0 - lane.transit_loss_percent / 100.0
    lane_factors = money.factors(lane.currency)
    bound_days = [0 if one is None else (one.received - one.loading).days for one in days]
    value = np.full(context.count, context.liquids[liquid].value_per_lpa)
    capital = money.capital_each(value, bound_days)
    if site.duty_status == "paid":
        credits = [
            0.0 if one is None else gain * duty_credit(context, site, liquid, one, t)
            for t, one in enumerate(days, 1)
        ]
        capital = capital - np.array(credits)
    hire = np.array([0.0 if one is None else hire_of(tank, one) for one in days])
    checked = context.zeros()
    storage, stocked = holding_costs(context, site, liquid)
    for t, one in enumerate(days):
        if one is not None and one.received_period < one.usable_period:
            ends = slice(one.received_period - 1, one.usable_period - 1)
            checked[t] = gain * float((storage + stocked)[ends].sum())
    return LoadCosts(
        tank.cost_per_load * lane_factors,
        hire * lane_factors,
        lane.cost_per_lpa * lane_factors,
        site.handling_cost_per_lpa * gain * money.factors(site.currency),
        capital,
        checked,
    )


def duty_credit(
    context: BuildContext, site: Site, liquid: str, days: LoadDays, period: int
) -> float:
    """Return the capital saved per LPA arriving because duty is paid later (eq. 28)."""
    if site.duty_status != "paid" or site.authority is None:
        return 0.0
    received = days.received_period
    if received > context.count:
        return 0.0
    authority = next(one for one in context.scenario.authorities if one.id == site.authority)
    to_end = (context.count - received + 1) * context.periods.days
    duty = context.money.duty_in(site.authority, context.liquids[liquid], days.discharge, period)
    return context.money.capital(duty, min(authority.payment_lag_days, to_end))


def holding_costs(context: BuildContext, site: Site, liquid: str) -> tuple[FloatArray, FloatArray]:
    """Return what one LPA in stock at the end of a period costs (eq. 28).

    Returns
    -------
    (storage, capital) : each (T,), in the workspace's currency.
    """
    record = context.liquids[liquid]
    value = np.full(context.count, record.value_per_lpa)
    if site.duty_status == "paid" and site.authority is not None:
        value = value + context.money.duty_by_period(site.authority, record)
    storage = site.storage_cost_per_lpa_per_period * context.money.factors(site.currency)
    return storage, context.money.capital_each(value, context.periods.days)


def while_unreleased(per_period: FloatArray, lag: int) -> FloatArray:
    """Return the holding cost of an LPA vatted in t at the ends of t to t + lag - 1."""
    total = np.concatenate([[0.0], np.cumsum(per_period)])
    periods = len(per_period)
    ends = np.minimum(np.arange(periods) + lag, periods)
    cost: FloatArray = total[ends] - total[:periods]
    return cost
