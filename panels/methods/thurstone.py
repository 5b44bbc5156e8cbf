"""d-prime from forced-choice counts: estimate, standard error, interval, comparison.

The curves are in :mod:`panels.methods.psychometric`. A-not-A has its own module,
:mod:`panels.methods.anota`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtrc, chdtri, ndtri, xlogy

from bulkflow.statistics.arguments import counts_out_of, open_fraction
from panels.errors import RangeError
from panels.methods.discrimination import exact_limits
from panels.methods.protocols import ForcedChoice, MethodName, Sided, check_sided
from panels.methods.psychometric import (
    LARGEST_D_PRIME,
    d_prime_from_proportion,
    proportion_correct,
    slope,
)

__all__ = [
    "DPrime",
    "DPrimeComparison",
    "b_value",
    "compare_d_primes",
    "d_prime_from_proportion",
    "estimate_d_prime",
    "proportion_correct",
    "slope",
    "standard_error_of_d_prime",
]

IntervalKind = Literal["profile", "wald", "exact"]


@dataclass(frozen=True, slots=True)
class DPrime:
    """An estimated sensory distance.

    ``standard_error`` is ``None`` where the delta method has none: at or below chance, where the
    curve is flat, and when every answer is right. The interval is then still honest, one-sided in
    effect. ``upper`` may be infinite.
    """

    method: ForcedChoice
    sided: Sided
    n: int
    correct: int
    estimate: float
    standard_error: float | None
    confidence: float
    interval: IntervalKind
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class DPrimeComparison:
    """Whether several d-primes are one: chi-square, degrees of freedom, p-value, common value."""

    statistic: float
    df: int
    p_value: float
    common: float
    common_standard_error: float


def b_value(method: MethodName, d_prime: float) -> float:
    """Return B, the variance of one trial's d-prime: var(d') = B / n.

    Notes
    -----
    ``B = p_c (1 - p_c) / p_c'(d')^2`` (ASTM E2262; Bi, Ennis and O'Mahony 1997).

    Examples
    --------
    >>> round(b_value("2-AFC", 1.0), 3)
    3.776
    """
    steepness = float(slope(method, d_prime))
    if steepness <= 0.0:
        raise RangeError(f"B has no value at d_prime {d_prime:g}: the curve is flat there.")
    p_c = float(proportion_correct(method, d_prime))
    return p_c * (1.0 - p_c) / steepness**2


def standard_error_of_d_prime(method: MethodName, correct: int, n: int) -> float | None:
    """Return the delta-method standard error, ``None`` where it does not exist.

    Examples
    --------
    >>> round(standard_error_of_d_prime("triangle", 14, 30), 4)
    0.5038
    """
    test = ForcedChoice.of(method)
    right, trials = counts_out_of(correct, n)
    flat = test is not ForcedChoice.TWO_AFC and right <= trials * test.guess
    if flat or right in (0, trials):
        return None
    distance = d_prime_from_proportion(
        test, right / trials, sided="two" if test is ForcedChoice.TWO_AFC else "one"
    )
    if not np.isfinite(distance) or abs(distance) >= LARGEST_D_PRIME:
        return None
    return float(np.sqrt(b_value(test, distance) / trials))


def estimate_d_prime(
    method: MethodName,
    correct: int,
    n: int,
    *,
    confidence: float = 0.95,
    interval: IntervalKind = "profile",
    sided: Sided = "one",
) -> DPrime:
    """Return d-prime from a count, with standard error and two-sided interval.

    Parameters
    ----------
    method : forced-choice test.
    correct, n : number correct and number of independent assessments.
    confidence : of the interval.
    interval : ``"profile"`` inverts the likelihood ratio; ``"wald"`` is estimate plus and minus z
        standard errors, cut at 0; ``"exact"`` maps the limits of Clopper and Pearson.
    sided : ``"two"`` (2-AFC only) lets the distance be negative: the other sample is stronger.

    Raises
    ------
    RangeError
        For impossible counts, or a Wald interval where the standard error does not exist.

    Examples
    --------
    >>> result = estimate_d_prime("triangle", 25, 50)
    >>> round(result.estimate, 4), round(result.standard_error, 4)
    (1.4663, 0.3709)
    >>> round(result.lower, 3), round(result.upper, 3)
    (0.586, 2.16)
    """
    test = check_sided(method, sided)
    right, trials = counts_out_of(correct, n)
    open_fraction("confidence", confidence)
    estimate = d_prime_from_proportion(test, right / trials, sided=sided)
    error = standard_error_of_d_prime(test, right, trials)
    if sided == "one" and right <= trials * test.guess:
        error = None
    if interval == "profile":
        lower, upper = _profile_limits(test, right, trials, confidence, sided)
    elif interval == "exact":
        lower, upper = (
            d_prime_from_proportion(test, p_c, sided=sided)
            for p_c in exact_limits(right, trials, confidence)
        )
    elif interval == "wald":
        lower, upper = _wald_limits(estimate, error, confidence, sided)
    else:
        raise RangeError(f"interval is {interval!r}; it must be 'profile', 'wald' or 'exact'.")
    return DPrime(
        method=test,
        sided=sided,
        n=trials,
        correct=right,
        estimate=estimate,
        standard_error=error,
        confidence=confidence,
        interval=interval,
        lower=lower,
        upper=upper,
    )


def compare_d_primes(estimates: Sequence[DPrime]) -> DPrimeComparison:
    """Return whether several d-primes, of the same or different tests, could be one.

    Parameters
    ----------
    estimates : at least two, each with a standard error.

    Notes
    -----
    Weighted by 1/variance: chi-square = Σ w (d - d̄)², df = number less one (Marascuilo 1970;
    ASTM E2262).

    Examples
    --------
    >>> pair = [estimate_d_prime("2-AFC", 30, 40), estimate_d_prime("3-AFC", 25, 40)]
    >>> round(compare_d_primes(pair).p_value, 3)
    0.968
    """
    if len(estimates) < 2:
        raise RangeError("a comparison needs at least two d-primes.")
    errors = [estimate.standard_error for estimate in estimates]
    if any(error is None for error in errors):
        raise RangeError(
            "a d-prime without standard error (at chance, or all right) is in the set."
        )
    weights = 1.0 / np.array([error for error in errors if error is not None]) ** 2
    values = np.array([estimate.estimate for estimate in estimates])
    common = float(weights @ values / weights.sum())
    statistic = float(weights @ (values - common) ** 2)
    df = len(estimates) - 1
    return DPrimeComparison(
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)),
        common=common,
        common_standard_error=float(weights.sum() ** -0.5),
    )


def _wald_limits(
    estimate: float, error: float | None, confidence: float, sided: Sided
) -> tuple[float, float]:
    if error is None:
        raise RangeError(
            "no Wald interval exists here (at chance, or all right); use 'profile' or 'exact'."
        )
    reach = float(ndtri(0.5 + confidence / 2.0)) * error
    lower = estimate - reach
    return (lower if sided == "two" else max(0.0, lower)), estimate + reach


def _profile_limits(
    test: ForcedChoice, correct: int, n: int, confidence: float, sided: Sided
) -> tuple[float, float]:
    """Limits where the deviance from the best d-prime reaches the chi-square quantile."""
    floor = -LARGEST_D_PRIME if sided == "two" else 0.0
    best = min(max(d_prime_from_proportion(test, correct / n, sided=sided), floor), LARGEST_D_PRIME)

    def log_likelihood(distance: float) -> float:
        p_c = min(float(proportion_correct(test, distance)), 1.0)
        return float(xlogy(correct, p_c) + xlogy(n - correct, 1.0 - p_c))

    target = log_likelihood(best) - float(chdtri(1, 1.0 - confidence)) / 2.0

    def excess(distance: float) -> float:
        return max(log_likelihood(distance), -1e300) - target

    lower = floor if excess(floor) >= 0.0 else float(brentq(excess, floor, best, xtol=1e-10))
    if excess(LARGEST_D_PRIME) >= 0.0:
        return (-np.inf if sided == "two" and lower == floor else lower), np.inf
    upper = float(brentq(excess, best, LARGEST_D_PRIME, xtol=1e-10))
    return (-np.inf if sided == "two" and lower == floor else lower), upper
