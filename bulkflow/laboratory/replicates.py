"""Several results of one sample by one method: how far apart they may lie, and what is reported.

Repeatability r is the difference of two results of one laboratory that is passed once in twenty;
it belongs to one method and one kind of sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from bulkflow.statistics.arguments import at_least, count, finite_array, open_fraction, positive

__all__ = [
    "EXACT_FACTOR",
    "ROUNDED_FACTOR",
    "Reported",
    "Reporting",
    "critical_range",
    "critical_range_factor",
    "repeatability_deviation",
    "repeatability_limit",
    "report_replicates",
]

#: r and R are so many standard deviations: the standard rounds 1.96 sqrt(2) to 2.8.
EXACT_FACTOR = 1.96 * 2.0**0.5
ROUNDED_FACTOR = 2.8


class Reporting(StrEnum):
    """What is reported of several results."""

    MEAN = "mean"
    MEDIAN = "median"
    MORE = "more results first"


@dataclass(frozen=True, slots=True)
class Reported:
    """What several results come to.

    ``value`` is None where more results are needed first, ``needed`` says how many more.
    """

    values: tuple[float, ...]
    spread: float
    limit: float
    how: Reporting
    value: float | None
    needed: int = 0


@lru_cache(maxsize=256)
def critical_range_factor(n: int, confidence: float = 0.95) -> float:
    """Return f(n): the range of n results in repeatability standard deviations.

    Parameters
    ----------
    n : number of results, at least 2.
    confidence : that the range of n normal values stays below.

    Notes
    -----
    The quantile of the range of n standard normals:
    ``P(w) = n ∫ φ(x) [Φ(x + w) - Φ(x)]^(n-1) dx``.

    References
    ----------
    ISO 5725-6:1994, table 1 (which rounds to one decimal; the rule from memory, figures computed).

    Examples
    --------
    >>> [round(critical_range_factor(n), 3) for n in (2, 3, 4)]
    [2.772, 3.314, 3.633]
    """
    size = count("n", n, least=2)
    level = open_fraction("confidence", confidence)
    # Equal steps: the integrand and all its derivatives vanish at both ends.
    x, step = np.linspace(-9.0, 9.0, 361, retstep=True)
    weight = step * size * np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi)

    def excess(width: float) -> float:
        return float(weight @ (ndtr(x + width) - ndtr(x)) ** (size - 1)) - level

    return float(brentq(excess, 0.0, 20.0, xtol=1e-12))


def critical_range(repeatability_sd: float, n: int, *, confidence: float = 0.95) -> float:
    """Return the range that n results may have, CR = f(n) s_r, f rounded as the standard has it.

    Parameters
    ----------
    confidence : 0.95 takes the factors of the table, to one decimal; any other the exact one.

    Examples
    --------
    >>> round(critical_range(0.03, 4), 3)
    0.108
    """
    spread = positive("repeatability_sd", repeatability_sd)
    factor = critical_range_factor(n, confidence)
    return spread * (round(factor, 1) if confidence == 0.95 else factor)


def repeatability_limit(standard_deviation: float, factor: float = ROUNDED_FACTOR) -> float:
    """Return r from s_r, or R from s_R.

    Parameters
    ----------
    factor : 2.8 as the standard rounds it, or :data:`EXACT_FACTOR`.

    References
    ----------
    ISO 5725-6:1994, 4.1 (from memory).

    Examples
    --------
    >>> round(repeatability_limit(0.07), 3)
    0.196
    """
    deviation = at_least("standard_deviation", standard_deviation, 0.0)
    return positive("factor", factor) * deviation


def repeatability_deviation(differences: Sequence[float]) -> float:
    """Return s_r from the differences of duplicates.

    Notes
    -----
    ``sqrt(Σ d² / 2n)``.

    Examples
    --------
    >>> round(repeatability_deviation([0.04, 0.02, 0.06, 0.0, 0.04]), 5)
    0.02683
    """
    found = finite_array("differences", differences)
    return float(np.sqrt((found**2).sum() / (2.0 * found.size)))


def report_replicates(
    values: Sequence[float],
    *,
    repeatability: float | None = None,
    repeatability_sd: float | None = None,
    factor: float | None = None,
    costly: bool = False,
) -> Reported:
    """Return what is reported of results of one sample, taken one after another.

    Two whose difference is at most r: their mean. Otherwise two more are taken; four whose range
    is at most 3.6 s_r: their mean, else their median. Where a test is costly one more is taken:
    three within 3.3 s_r: their mean, else their median.

    Parameters
    ----------
    values : in the order taken, 1 to 4 (any more are judged by their own factor).
    repeatability : r, in the unit of the values; or ``repeatability_sd``, s_r.
    factor : of s_r for the range of more than two; left out, that of the table for their number.
    costly : one more instead of two.

    Raises
    ------
    RangeError
        Without r and s_r.

    References
    ----------
    ISO 5725-6:1994, 5.2.2 (from memory).

    Examples
    --------
    >>> report_replicates([40.02, 40.08], repeatability=0.10).how.value
    'mean'
    >>> round(report_replicates([40.02, 40.14, 40.28, 40.08], repeatability_sd=0.0357).value, 3)
    40.11
    """
    found = finite_array("values", values)
    if repeatability_sd is None:
        limit_of_two = positive(
            "repeatability", float("nan") if repeatability is None else repeatability
        )
        deviation = limit_of_two / ROUNDED_FACTOR
    else:
        deviation = positive("repeatability_sd", repeatability_sd)
        limit_of_two = ROUNDED_FACTOR * deviation if repeatability is None else repeatability
    size, spread = found.size, float(np.ptp(found))
    asked = tuple(float(value) for value in found)
    if size == 1:
        return Reported(asked, 0.0, limit_of_two, Reporting.MORE, None, 1)
    if size == 2:
        if _at_most(spread, limit_of_two):
            return Reported(asked, spread, limit_of_two, Reporting.MEAN, float(found.mean()))
        return Reported(asked, spread, limit_of_two, Reporting.MORE, None, 1 if costly else 2)
    limit = critical_range(deviation, size) if factor is None else factor * deviation
    if size == 3 and not costly:
        return Reported(asked, spread, limit, Reporting.MORE, None, 1)
    if _at_most(spread, limit):
        return Reported(asked, spread, limit, Reporting.MEAN, float(found.mean()))
    return Reported(asked, spread, limit, Reporting.MEDIAN, float(np.median(found)))


def _at_most(spread: float, limit: float) -> bool:
    """Tell whether a spread keeps to a limit; 0.1 as a difference of floats is not above 0.1."""
    return spread <= limit * (1.0 + 1e-9)
