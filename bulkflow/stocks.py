"""Closed formulas for stock: normal loss, safety stock, service, newsvendor, economic lot.

Pure functions of floats. Quantities are in any one unit, times in periods, money in any one
currency. Demand per period is normal with mean ``mean`` and standard deviation ``sd``; the lead
time has mean ``lead`` and standard deviation ``lead_sd`` [periods].
"""

from __future__ import annotations

import math

from scipy.special import ndtr, ndtri

__all__ = [
    "cycle_service",
    "economic_order_quantity",
    "expected_shortage",
    "fill_rate",
    "lead_time_demand_sd",
    "newsvendor_cost",
    "newsvendor_quantity",
    "normal_density",
    "normal_loss",
    "safety_stock_fixed_lead",
    "safety_stock_given_z",
    "safety_stock_variable_lead",
    "shortage_sd",
]


def _check(**values: float) -> None:
    """Refuse NaN and infinity, and negative numbers where a name does not end in ``_any``."""
    for name, value in values.items():
        if not math.isfinite(value):
            raise ValueError(f"{name.removesuffix('_any')} must be a finite number, not {value}")
        if value < 0 and not name.endswith("_any"):
            raise ValueError(f"{name} must be zero or more, not {value:g}")


def _check_share(service: float) -> None:
    if not 0 < service < 1:
        raise ValueError(f"service must lie between 0 and 1, not {service:g}")


def _positive(**values: float) -> None:
    _check(**values)
    for name, value in values.items():
        if value == 0:
            raise ValueError(f"{name} must be greater than zero")


def normal_density(z: float) -> float:
    """Return the standard normal density phi(z)."""
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def normal_loss(z: float) -> float:
    """Return the standard normal loss L(z) = phi(z) - z (1 - Phi(z)), the mean of max(Z - z, 0).

    Examples
    --------
    >>> round(normal_loss(0.5), 4)
    0.1978

    References
    ----------
    The four-figure table of the standard normal loss in operations textbooks, e.g. Chopra and
    Meindl, Supply Chain Management, appendix to the chapter on safety inventory (from memory).
    """
    _check(z_any=z)
    # 1 - Phi(z) is written as Phi(-z): it keeps its digits for large z.
    return max(0.0, normal_density(z) - z * float(ndtr(-z)))


def lead_time_demand_sd(mean: float, sd: float, lead: float, lead_sd: float) -> float:
    """Return the standard deviation of demand over a random lead time.

    Notes
    -----
    Variance = lead sd^2 + mean^2 lead_sd^2, demand independent from period to period and of the
    lead time.

    Examples
    --------
    >>> round(lead_time_demand_sd(2500, 500, 7, 7))
    17550

    References
    ----------
    Chopra and Meindl, Supply Chain Management, chapter on safety inventory: effect of lead-time
    uncertainty (from memory).
    """
    _check(mean_any=mean, sd=sd, lead=lead, lead_sd=lead_sd)
    return math.sqrt(lead * sd**2 + mean**2 * lead_sd**2)


def safety_stock_given_z(z: float, mean: float, sd: float, lead: float, lead_sd: float) -> float:
    """Return z standard deviations of the demand over a random lead time.

    Examples
    --------
    >>> round(safety_stock_given_z(1.28, 30, 3, 7, 4), 2)
    153.94
    """
    _check(z_any=z)
    return z * lead_time_demand_sd(mean, sd, lead, lead_sd)


def safety_stock_fixed_lead(service: float, sd: float, lead: float) -> float:
    """Return the safety stock for a cycle service level with a fixed lead time.

    Parameters
    ----------
    service : probability of no shortage in a cycle, between 0 and 1 (below 0.5 gives a negative
        stock).
    """
    return safety_stock_variable_lead(service, 0.0, sd, lead, 0.0)


def safety_stock_variable_lead(
    service: float, mean: float, sd: float, lead: float, lead_sd: float
) -> float:
    """Return the safety stock for a cycle service level with a random lead time.

    Examples
    --------
    >>> round(safety_stock_variable_lead(0.90, 2500, 500, 7, 7))
    22491
    """
    _check_share(service)
    return safety_stock_given_z(float(ndtri(service)), mean, sd, lead, lead_sd)


def cycle_service(safety: float, sd: float, lead: float) -> float:
    """Return the probability of no shortage in a cycle, with a fixed lead time.

    Examples
    --------
    >>> round(cycle_service(1000, 500, 2), 2)
    0.92
    """
    _check(safety_any=safety)
    _positive(sd=sd, lead=lead)
    return float(ndtr(safety / (sd * math.sqrt(lead))))


def expected_shortage(safety: float, sd: float) -> float:
    """Return the mean shortage per cycle, sd L(safety / sd).

    Parameters
    ----------
    sd : standard deviation of the demand over the lead time.
    """
    _check(safety_any=safety)
    _positive(sd=sd)
    return sd * normal_loss(safety / sd)


def shortage_sd(safety: float, sd: float) -> float:
    """Return the standard deviation of the shortage max(X - mean - safety, 0) per cycle.

    Notes
    -----
    With z = safety / sd the second moment is sd^2 ((1 + z^2)(1 - Phi(z)) - z phi(z)).
    """
    mean = expected_shortage(safety, sd)
    z = safety / sd
    second = sd**2 * ((1.0 + z * z) * float(ndtr(-z)) - z * normal_density(z))
    return math.sqrt(max(0.0, second - mean**2))


def fill_rate(safety: float, sd: float, lot: float) -> float:
    """Return the share of demand served from stock, 1 - expected shortage / lot.

    Parameters
    ----------
    lot : quantity ordered per cycle.

    Notes
    -----
    Holds where a shortage rarely outlasts a cycle; the share is not below zero.

    Examples
    --------
    >>> round(fill_rate(1000, 500 * 2**0.5, 10000), 4)
    0.9975
    """
    _positive(lot=lot)
    return max(0.0, 1.0 - expected_shortage(safety, sd) / lot)


def newsvendor_quantity(mean: float, sd: float, under: float, over: float) -> float:
    """Return the best single quantity: the demand's quantile at under / (under + over).

    Parameters
    ----------
    under, over : cost of each unit short, and of each unit left over.
    """
    _check(mean_any=mean, sd=sd)
    _positive(under=under, over=over)
    return mean + sd * float(ndtri(under / (under + over)))


def newsvendor_cost(mean: float, sd: float, under: float, over: float) -> float:
    """Return the expected cost of shortage and surplus at the best quantity.

    Notes
    -----
    (under + over) sd phi(z) at z = Phi^-1(under / (under + over)).
    """
    _check(mean_any=mean, sd=sd)
    _positive(under=under, over=over)
    return (under + over) * sd * normal_density(float(ndtri(under / (under + over))))


def economic_order_quantity(rate: float, order_cost: float, holding: float) -> float:
    """Return the lot with the least cost of ordering and holding, sqrt(2 rate order / holding).

    Parameters
    ----------
    rate : demand per period; order_cost : per order; holding : per unit and period.

    Examples
    --------
    >>> round(economic_order_quantity(8000, 12000, 0.30))
    25298

    References
    ----------
    Hillier and Lieberman, Introduction to Operations Research, inventory chapter, television
    speakers (from memory).
    """
    _check(rate=rate, order_cost=order_cost)
    _positive(holding=holding)
    return math.sqrt(2.0 * rate * order_cost / holding)
