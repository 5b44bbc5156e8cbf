"""Difference from control: how large is the difference, on a scale of sizes.

Assessors rate the size of the difference between a marked control and coded samples, among them
the control again, blind. What the blind control is rated is the zero: lots are compared with it
and not with 0, since people who expect a difference report one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize, minimize_scalar
from scipy.special import chdtrc, chdtri, ndtr, stdtrit, xlogy
from scipy.stats import nct

from bulkflow.statistics.arguments import FloatArray, count, finite_array, open_fraction, positive
from panels.errors import ConvergenceError, DataError, RangeError
from panels.methods.protocols import Sided
from panels.methods.psychometric import LARGEST_D_PRIME
from panels.methods.scoring import Comparison, PanelAnova, panel_anova, scores_cube

__all__ = [
    "DegreeOfDifference",
    "DifferenceFromControl",
    "assessors_needed",
    "chance_to_notice",
    "degree_of_difference",
    "difference_from_control",
]


@dataclass(frozen=True, slots=True)
class DifferenceFromControl:
    """Lots against the blind control: one comparison a lot, and the analysis behind it."""

    control: str
    control_mean: float
    comparisons: tuple[Comparison, ...]
    anova: PanelAnova
    alpha: float
    sided: Sided

    def to_frame(self) -> pd.DataFrame:
        """Return difference, standard_error, t, p_value, lower, upper by lot (the index)."""
        return pd.DataFrame(
            [
                {
                    "difference": line.difference,
                    "standard_error": line.standard_error,
                    "t": line.t,
                    "p_value": line.p_value,
                    "lower": line.lower,
                    "upper": line.upper,
                }
                for line in self.comparisons
            ],
            index=pd.Index([line.name for line in self.comparisons], name="lot"),
        )


@dataclass(frozen=True, slots=True)
class DegreeOfDifference:
    """d-prime from ratings of pairs, with profile-likelihood interval.

    ``likelihood_ratio`` compares with no difference; since d-prime cannot be negative its p-value
    is half that of chi-square with one degree of freedom.
    """

    d_prime: float
    lower: float
    upper: float
    confidence: float
    likelihood_ratio: float
    p_value: float
    log_likelihood: float
    thresholds: tuple[float, ...]


def difference_from_control(
    frame: pd.DataFrame,
    *,
    assessor: str,
    sample: str,
    score: str,
    control: str,
    alpha: float = 0.05,
    sided: Sided = "one",
) -> DifferenceFromControl:
    """Return the comparison of lots with the blind control.

    Parameters
    ----------
    frame : one row a rating: assessor, sample, size of the difference. Balanced.
    assessor, sample, score : names of the columns.
    control : name of the blind control among the samples.
    alpha : level of all comparisons together (Dunnett).
    sided : ``"one"`` for "further from the control than the control is from itself", the usual
        question; ``"two"`` otherwise.

    Notes
    -----
    Assessors random: products over the interaction, Dunnett over its degrees of freedom.

    References
    ----------
    Aust, Gacula, Beard and Washam (1985) Journal of Food Science 50, 511-513; with assessors random
    as in :mod:`panels.methods.scoring`.

    Examples
    --------
    >>> rows = [
    ...     (a, s, x)
    ...     for a, xs in enumerate([(1, 2, 6), (0, 1, 5), (2, 2, 7), (1, 0, 6)])
    ...     for s, x in zip(("blind", "lot 1", "lot 2"), xs)
    ... ]
    >>> table = pd.DataFrame(rows, columns=["who", "what", "size"])
    >>> result = difference_from_control(
    ...     table, assessor="who", sample="what", score="size", control="blind"
    ... )
    >>> [(line.name, line.difference, round(line.p_value, 4)) for line in result.comparisons]
    [('lot 1', 0.25, 0.4072), ('lot 2', 5.0, 0.0)]
    """
    cube, people, samples = scores_cube(frame, assessor=assessor, product=sample, score=score)
    if control not in samples:
        raise DataError(f"no sample {control!r}; the table has {', '.join(samples)}.")
    anova = panel_anova(cube, assessors=people, products=samples)
    if anova.interaction.mean_square == 0.0:
        raise DataError("the ratings have no spread to test against.")
    return DifferenceFromControl(
        control=control,
        control_mean=anova.means[samples.index(control)],
        comparisons=anova.against_control(control, alpha=alpha, sided=sided),
        anova=anova,
        alpha=open_fraction("alpha", alpha),
        sided=sided,
    )


def chance_to_notice(
    n_assessors: int,
    difference: float,
    standard_deviation: float,
    *,
    alpha: float = 0.05,
    sided: Sided = "one",
) -> float:
    """Return the chance that a lot's difference from the blind control is significant.

    Parameters
    ----------
    n_assessors : number of assessors, each rating both (means of replicates).
    difference : true mean difference [rating], above 0.
    standard_deviation : of one assessor's difference, lot less blind control [rating].
    alpha, sided : of the paired t test.

    Notes
    -----
    Exact, by the noncentral t distribution with n - 1 degrees of freedom.

    Examples
    --------
    >>> round(chance_to_notice(10, 1.0, 1.2), 3)
    0.784
    """
    n = count("n_assessors", n_assessors, least=2)
    shift = positive("difference", difference) / positive("standard_deviation", standard_deviation)
    shift *= float(np.sqrt(n))
    tail = open_fraction("alpha", alpha) / (2.0 if sided == "two" else 1.0)
    critical = float(stdtrit(n - 1, 1.0 - tail))
    chance = float(nct.sf(critical, n - 1, shift))
    return chance + float(nct.cdf(-critical, n - 1, shift)) if sided == "two" else chance


def assessors_needed(
    difference: float,
    standard_deviation: float,
    *,
    alpha: float = 0.05,
    power: float = 0.8,
    sided: Sided = "one",
) -> int:
    """Return how many assessors notice a difference with the stated chance (at most 10,000).

    Examples
    --------
    >>> assessors_needed(1.0, 1.2)
    11
    """
    wanted = open_fraction("power", power)

    def enough(n: int) -> bool:
        chance = chance_to_notice(n, difference, standard_deviation, alpha=alpha, sided=sided)
        return chance >= wanted

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if high > 10_000:
            raise RangeError("more than 10,000 assessors would be needed.")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def degree_of_difference(
    same: Sequence[float], different: Sequence[float], *, confidence: float = 0.95
) -> DegreeOfDifference:
    """Return d-prime from ratings of how far two samples differ.

    Parameters
    ----------
    same : counts of each rating (smallest difference first) for pairs of the same sample, such as
        control against blind control.
    different : counts for pairs of control and lot.
    confidence : of the interval.

    Notes
    -----
    Each sample gives a normal percept; the rating says between which thresholds the absolute
    difference of the two lies: ``P(|X| <= τ) = Φ((τ - d)/√2) - Φ((-τ - d)/√2)``. Thresholds and d
    by maximum likelihood. With two ratings it is the same-different test.

    References
    ----------
    Ennis and Christensen (2014) Food Quality and Preference 40.

    Examples
    --------
    >>> result = degree_of_difference([26, 14], [14, 26])
    >>> round(result.d_prime, 2), round(result.p_value, 4)
    (1.82, 0.0034)
    """
    a, b = finite_array("same", same, least=2), finite_array("different", different, least=2)
    if a.size != b.size:
        raise DataError(f"{a.size} ratings against {b.size}.")
    if (a < 0).any() or (b < 0).any() or a.sum() == 0 or b.sum() == 0:
        raise DataError("counts must be 0 or more, with at least one pair of each kind.")
    open_fraction("confidence", confidence)
    used = (a + b) > 0
    a, b = a[used], b[used]
    if a.size < 2:
        raise DataError("all pairs got the same rating; there is nothing to estimate.")
    null, _ = _best_thresholds(a, b, 0.0)
    grid = np.linspace(0.0, 8.0, 17)
    values = [_best_thresholds(a, b, float(d))[0] for d in grid]
    best = _peak(a, b, grid, values)
    value, thresholds = _best_thresholds(a, b, best)
    target = value - float(chdtri(1, 1.0 - confidence)) / 2.0

    def excess(distance: float) -> float:
        return _best_thresholds(a, b, distance)[0] - target

    lower = 0.0 if null >= target else float(brentq(excess, 0.0, best, xtol=1e-7))
    far = LARGEST_D_PRIME / 2.0
    upper = np.inf if excess(far) >= 0.0 else float(brentq(excess, best, far, xtol=1e-7))
    ratio = max(0.0, 2.0 * (value - null))
    return DegreeOfDifference(
        d_prime=best,
        lower=lower,
        upper=float(upper),
        confidence=confidence,
        likelihood_ratio=ratio,
        p_value=1.0 if best == 0.0 else 0.5 * float(chdtrc(1, ratio)),
        log_likelihood=value,
        thresholds=thresholds,
    )


def _peak(a: FloatArray, b: FloatArray, grid: FloatArray, values: list[float]) -> float:
    """Maximise over d-prime between the grid points around the best one."""
    at = int(np.argmax(values))
    low, high = grid[max(0, at - 1)], grid[min(grid.size - 1, at + 1)]
    if at == grid.size - 1:
        raise ConvergenceError("the two kinds of pairs never share a rating: d-prime is unbounded.")
    result = minimize_scalar(
        lambda distance: -_best_thresholds(a, b, float(distance))[0],
        bounds=(float(low), float(high)),
        method="bounded",
        options={"xatol": 1e-8},
    )
    best = float(result.x)
    return best if -float(result.fun) > values[0] + 1e-9 else 0.0


def _best_thresholds(
    a: FloatArray, b: FloatArray, distance: float
) -> tuple[float, tuple[float, ...]]:
    """Maximise the log-likelihood over the thresholds at one d-prime."""
    shares = np.cumsum(a + b)[:-1] / (a + b).sum()
    start = np.array([_threshold(float(share), distance) for share in shares])
    steps = np.log(np.maximum(np.diff(np.concatenate([[0.0], start])), 1e-3))

    def loss(place: FloatArray) -> float:
        edges = np.cumsum(np.exp(np.clip(place, -30.0, 5.0)))
        return -_log_likelihood(a, edges, 0.0) - _log_likelihood(b, edges, distance)

    result = minimize(loss, steps, method="BFGS", options={"gtol": 1e-8})
    edges = np.cumsum(np.exp(np.clip(result.x, -30.0, 5.0)))
    return -float(result.fun), tuple(float(edge) for edge in edges)


def _threshold(share: float, distance: float) -> float:
    """Start: the threshold that half of all pairs at 0 and half at the distance would give."""

    def excess(tau: float) -> float:
        below = (_below(np.array([tau]), 0.0)[0] + _below(np.array([tau]), distance)[0]) / 2.0
        return float(below) - share

    return float(brentq(excess, 0.0, distance + 15.0))


def _below(edges: FloatArray, distance: float) -> FloatArray:
    root = np.sqrt(2.0)
    return np.asarray(ndtr((edges - distance) / root) - ndtr((-edges - distance) / root))


def _log_likelihood(counts: ArrayLike, edges: FloatArray, distance: float) -> float:
    shares = np.diff(np.concatenate([[0.0], _below(edges, distance), [1.0]]))
    return float(xlogy(np.asarray(counts), np.maximum(shares, 1e-300)).sum())
