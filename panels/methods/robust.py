"""Robust location and spread: medians, Algorithm A, Huber estimates.

A rule for which estimate decides is set before the sitting; robust and plain results are shown
together. No assessor is dropped because a result is unwelcome.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from bulkflow.statistics.arguments import FloatArray, at_least, finite_array, positive
from panels.errors import ConvergenceError, DataError

__all__ = [
    "ALGORITHM_A_LIMIT",
    "ALGORITHM_A_MAD_FACTOR",
    "ALGORITHM_A_SCALE_FACTOR",
    "LARGEST_VALID_ROBUST_CV_PERCENT",
    "MedianResult",
    "RobustMean",
    "algorithm_a",
    "breakdown_point",
    "efficiency",
    "huber_location",
    "huber_proposal_2",
    "median_absolute_deviation",
    "median_with_limits",
]

ALGORITHM_A_MAD_FACTOR = 1.483
"""Start of Algorithm A: s* = 1.483 x median absolute deviation (ISO 13528:2005 Annex C)."""

ALGORITHM_A_SCALE_FACTOR = 1.134
"""Update of Algorithm A: s* = 1.134 x standard deviation of the pulled values (same)."""

ALGORITHM_A_LIMIT = 1.5
"""Algorithm A pulls values further than 1.5 s* from x* to that limit (same)."""

LARGEST_VALID_ROBUST_CV_PERCENT = 20.0
"""A median is valid in the olive-oil method up to this robust CV (Amelio 2019, abstract)."""

MAD_TO_SIGMA = float(1.0 / ndtri(0.75))
"""1.4826: makes the median absolute deviation a standard deviation at the normal."""

_ROUNDS = 10_000


@dataclass(frozen=True, slots=True)
class RobustMean:
    """A robust mean with its spread.

    ``standard_uncertainty`` is 1.25 s / sqrt(n) (ISO 13528, 9.2). ``pulled`` counts the values that
    lay beyond the limits at the end.
    """

    method: str
    n: int
    mean: float
    standard_deviation: float
    standard_uncertainty: float
    pulled: int
    rounds: int


@dataclass(frozen=True, slots=True)
class MedianResult:
    """A median with robust standard deviation, coefficient of variation and limits.

    ``cv_percent`` is ``inf`` at a median of 0, where the coefficient has no meaning: for a taint
    use ``standard_deviation`` itself.
    """

    n: int
    median: float
    standard_deviation: float
    cv_percent: float
    lower: float
    upper: float
    valid: bool


def median_absolute_deviation(values: ArrayLike, *, factor: float = MAD_TO_SIGMA) -> float:
    """Return the scaled median absolute deviation from the median.

    Examples
    --------
    >>> round(median_absolute_deviation([1.0, 2.0, 3.0, 4.0, 100.0]), 4)
    1.4826
    """
    data = finite_array("values", values)
    return factor * float(np.median(np.abs(data - np.median(data))))


def algorithm_a(
    values: ArrayLike, *, tolerance: float = 1e-10, resolution: float = 0.0
) -> RobustMean:
    """Return the robust mean and standard deviation of Algorithm A.

    Parameters
    ----------
    values : at least 2 finite scores or results.
    tolerance : the iteration stops when neither figure moves by more than this times the spread.
    resolution : step of the scale. Where more than half the scores are tied the median absolute
        deviation is 0 and the method cannot start; with a resolution above 0 it starts instead
        from the mean absolute deviation scaled to the normal, but no less than the resolution
        (1.483 of half a step). At 0 such data are refused.

    Raises
    ------
    DataError
        When the start is 0 and no resolution is given.
    ConvergenceError
        When the figures do not settle.

    Notes
    -----
    x* = median, s* = 1.483 MAD; values outside x* ± 1.5 s* are pulled to the limits; x* = mean,
    s* = 1.134 standard deviation of the pulled values; repeated until settled. Huber's proposal 2
    with k = 1.5. Efficiency at the normal 0.964.

    References
    ----------
    ISO 13528:2005 Annex C; ISO 5725-5.

    Examples
    --------
    >>> result = algorithm_a([7.2, 7.0, 6.8, 7.4, 7.1, 6.9, 7.3, 7.0, 3.0, 7.5])
    >>> round(result.mean, 4), round(result.standard_deviation, 4)
    (7.0812, 0.3127)
    """
    data = finite_array("values", values, least=2)
    centre = float(np.median(data))
    spread = median_absolute_deviation(data, factor=ALGORITHM_A_MAD_FACTOR)
    if spread == 0.0:
        spread = _other_start(data, at_least("resolution", resolution, 0.0))
    return _iterate(
        "Algorithm A", data, centre, spread, ALGORITHM_A_LIMIT, ALGORITHM_A_SCALE_FACTOR, tolerance
    )


def huber_proposal_2(values: ArrayLike, *, k: float = 1.5, tolerance: float = 1e-10) -> RobustMean:
    """Return Huber's proposal 2: location and spread estimated together.

    The same iteration as Algorithm A with the consistency factor computed for ``k`` instead of
    the rounded 1.134.

    Examples
    --------
    >>> result = huber_proposal_2([7.2, 7.0, 6.8, 7.4, 7.1, 6.9, 7.3, 7.0, 3.0, 7.5])
    >>> round(result.mean, 3)
    7.081
    """
    data = finite_array("values", values, least=2)
    spread = median_absolute_deviation(data)
    if spread == 0.0:
        raise DataError("more than half the values are tied, so the spread cannot be started.")
    factor = float(_expected_square(positive("k", k)) ** -0.5)
    return _iterate("Huber proposal 2", data, float(np.median(data)), spread, k, factor, tolerance)


def huber_location(values: ArrayLike, *, k: float = 1.5, tolerance: float = 1e-10) -> RobustMean:
    """Return Huber's location with the spread held at the scaled median absolute deviation.

    Examples
    --------
    >>> round(huber_location([7.2, 7.0, 6.8, 7.4, 7.1, 6.9, 7.3, 7.0, 3.0, 7.5]).mean, 3)
    7.084
    """
    data = finite_array("values", values, least=2)
    spread = median_absolute_deviation(data)
    if spread == 0.0:
        raise DataError("more than half the values are tied, so the spread cannot be started.")
    limit = positive("k", k) * spread
    centre = float(np.median(data))
    for rounds in range(1, _ROUNDS + 1):
        moved = float(np.mean(np.clip(data, centre - limit, centre + limit)))
        settled = abs(moved - centre) <= tolerance * spread
        centre = moved
        if settled:
            return _result("Huber location", data, centre, spread, k, rounds)
    raise ConvergenceError("Huber's location did not settle.")


def median_with_limits(scores: ArrayLike, *, c: float = 1.96) -> MedianResult:
    """Return the median with the robust spread and limits of the olive-oil method.

    Parameters
    ----------
    scores : one score for each assessor, at least 2.
    c : multiple for the limits (1.96 for 95 %).

    Notes
    -----
    s* = 1.25 IQR / (1.35 sqrt(N)), quartiles by linear interpolation; CVr = 100 s*/median; limits
    median ± c s*. Valid up to a CVr of 20 %. Near a median of 0 the CVr blows up.

    References
    ----------
    Regulation (EEC) 2568/91 Annex XII, appendix.

    Examples
    --------
    >>> result = median_with_limits([3.5, 4.0, 4.2, 4.5, 4.6, 5.0, 5.1, 5.8])
    >>> round(result.standard_deviation, 5), round(result.cv_percent, 4), round(result.upper, 4)
    (0.28644, 6.2955, 5.1114)
    """
    data = finite_array("scores", scores, least=2)
    median = float(np.median(data))
    low, high = np.percentile(data, [25.0, 75.0])
    spread = float(1.25 * (high - low) / (1.35 * np.sqrt(data.size)))
    cv_percent = float("inf") if median == 0.0 else 100.0 * spread / abs(median)
    return MedianResult(
        n=int(data.size),
        median=median,
        standard_deviation=spread,
        cv_percent=cv_percent,
        lower=median - c * spread,
        upper=median + c * spread,
        valid=cv_percent <= LARGEST_VALID_ROBUST_CV_PERCENT,
    )


def efficiency(k: float) -> float:
    """Return the efficiency of Huber's location at the normal, against the mean.

    Notes
    -----
    ``(2 Φ(k) - 1)^2 / E min(z^2, k^2)``.

    Examples
    --------
    >>> round(efficiency(1.5), 3)
    0.964
    """
    inside = 2.0 * float(ndtr(positive("k", k))) - 1.0
    return inside**2 / _expected_square(k)


def breakdown_point(k: float) -> float:
    """Return the share of one-sided gross errors that carries proposal 2 to infinity.

    Notes
    -----
    With b = E min(z², k²) at the normal, ``b / (b + k²)`` (Huber 1981, section 6.6). For k = 1.5 it
    is 0.257; documentation that says "about 30 %" is generous.

    Examples
    --------
    >>> round(breakdown_point(1.5), 3)
    0.257
    """
    square = _expected_square(positive("k", k))
    return square / (square + k * k)


def _expected_square(k: float) -> float:
    """E min(z², k²) for a standard normal z."""
    inside = 2.0 * float(ndtr(k)) - 1.0
    density = float(np.exp(-0.5 * k * k) / np.sqrt(2.0 * np.pi))
    return inside - 2.0 * k * density + k * k * (1.0 - inside)


def _other_start(data: FloatArray, resolution: float) -> float:
    if np.ptp(data) == 0.0 and resolution == 0.0:
        raise DataError("all values are equal; give the resolution of the scale.")
    if resolution == 0.0:
        raise DataError(
            "more than half the values are tied, so Algorithm A cannot start; give the resolution"
            " of the scale."
        )
    mean_deviation = float(np.mean(np.abs(data - np.median(data)))) * float(np.sqrt(np.pi / 2.0))
    return max(mean_deviation, ALGORITHM_A_MAD_FACTOR * resolution / 2.0)


def _iterate(
    method: str,
    data: FloatArray,
    centre: float,
    spread: float,
    k: float,
    factor: float,
    tolerance: float,
) -> RobustMean:
    # The stop is judged against the first spread: with heavy ties s* itself may sink to 0, which
    # is then the answer and not a failure.
    scale = tolerance * spread
    for rounds in range(1, _ROUNDS + 1):
        pulled = np.clip(data, centre - k * spread, centre + k * spread)
        new_centre = float(np.mean(pulled))
        new_spread = factor * float(np.std(pulled, ddof=1))
        settled = abs(new_centre - centre) <= scale and abs(new_spread - spread) <= scale
        centre, spread = new_centre, new_spread
        if settled:
            return _result(method, data, centre, spread, k, rounds)
    raise ConvergenceError(f"{method} did not settle in {_ROUNDS} rounds.")


def _result(
    method: str, data: FloatArray, centre: float, spread: float, k: float, rounds: int
) -> RobustMean:
    return RobustMean(
        method=method,
        n=int(data.size),
        mean=centre,
        standard_deviation=spread,
        standard_uncertainty=1.25 * spread / float(np.sqrt(data.size)),
        pulled=int(np.sum(np.abs(data - centre) > k * spread)),
        rounds=rounds,
    )
