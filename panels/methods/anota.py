"""A-not-A: one sample at a time, "is this the standard?" - with or without degrees of sureness.

A useful form where samples linger, since nothing is nosed side by side. The answers of one person
lean one way or another; d-prime takes that lean (the criterion) out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtrc, chdtri, ndtr, ndtri, xlogy
from scipy.stats import binom, fisher_exact, hypergeom

from bulkflow.statistics.arguments import (
    LEVEL_SLACK,
    FloatArray,
    at_least,
    count,
    counts_out_of,
    finite_array,
    open_fraction,
)
from panels.errors import DataError, RangeError
from panels.methods.discrimination import p_value
from panels.methods.ordinal import ordinal_fit
from panels.methods.psychometric import LARGEST_D_PRIME

__all__ = [
    "ANotA",
    "RatingDPrime",
    "a_not_a",
    "a_not_a_power",
    "a_not_a_servings_needed",
    "collapse_ratings",
    "mcnemar_p_value",
    "pearson_chi_square",
    "rating_d_prime",
]


@dataclass(frozen=True, slots=True)
class ANotA:
    """Result of an A-not-A test.

    ``chi_square`` is Pearson's without continuity correction, two-sided with ``chi_square_p``;
    ``p_value`` is Fisher's exact one-sided chance that A is called A so much more often.
    ``d_prime`` and ``standard_error`` are ``None`` where a share is 0 or 1 and the normal form has
    no finite value; the interval (profile likelihood) is given all the same, with an infinite end.
    """

    hits: int
    n_a: int
    false_alarms: int
    n_not_a: int
    p_value: float
    chi_square: float
    chi_square_p: float
    d_prime: float | None
    standard_error: float | None
    criterion: float | None
    confidence: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class RatingDPrime:
    """Distance from sureness ratings by ordered probit, and the area under the rating curve.

    ``r_index`` is the chance that a serving of the second sample is rated above one of the first
    (ties count half), with its standard error (DeLong form).
    """

    d_prime: float
    standard_error: float
    lower: float
    upper: float
    confidence: float
    log_likelihood: float
    likelihood_ratio: float
    p_value: float
    r_index: float
    r_index_standard_error: float
    thresholds: tuple[float, ...]


def a_not_a(
    hits: int, n_a: int, false_alarms: int, n_not_a: int, *, confidence: float = 0.95
) -> ANotA:
    """Return the A-not-A test: exact and chi-square p-values, d-prime with error and interval.

    Parameters
    ----------
    hits : times A was called A, of ``n_a`` servings of A.
    false_alarms : times not-A was called A, of ``n_not_a`` servings.
    confidence : of the interval of d-prime. For similarity with risk beta ask for 1 - 2 beta:
        similar within a distance where ``upper`` lies below it.

    Notes
    -----
    d' = z(H) - z(F); var = H(1-H)/(n_A φ(z_H)²) + F(1-F)/(n_N φ(z_F)²) (Gourevitch and Galanter
    1967). Answers are taken as independent: where each assessor gives several, see
    :mod:`panels.methods.replicated`; where each gives one of both kinds, :func:`mcnemar_p_value`.

    References
    ----------
    ISO 8588 (chi-square on the 2 x 2 table).

    Examples
    --------
    >>> result = a_not_a(40, 60, 25, 60)
    >>> round(result.d_prime, 4), round(result.standard_error, 4), round(result.chi_square, 4)
    (0.6412, 0.2337, 7.5524)
    """
    hits, n_a = counts_out_of(hits, n_a)
    false_alarms, n_not_a = counts_out_of(false_alarms, n_not_a)
    open_fraction("confidence", confidence)
    table = np.array([[hits, n_a - hits], [false_alarms, n_not_a - false_alarms]])
    chi_square = pearson_chi_square(table)
    h, f = hits / n_a, false_alarms / n_not_a
    finite = 0.0 < h < 1.0 and 0.0 < f < 1.0
    z_h, z_f = float(ndtri(h)), float(ndtri(f))
    lower, upper = _profile(hits, n_a, false_alarms, n_not_a, confidence)
    return ANotA(
        hits=hits,
        n_a=n_a,
        false_alarms=false_alarms,
        n_not_a=n_not_a,
        p_value=float(fisher_exact(table, alternative="greater").pvalue),
        chi_square=chi_square,
        chi_square_p=float(chdtrc(1, chi_square)),
        d_prime=z_h - z_f if finite else None,
        standard_error=_standard_error(h, n_a, f, n_not_a) if finite else None,
        criterion=-(z_h + z_f) / 2.0 if finite else None,
        confidence=confidence,
        lower=lower,
        upper=upper,
    )


def a_not_a_power(
    n_a: int, n_not_a: int, d_prime: float, *, alpha: float = 0.05, criterion: float = 0.0
) -> float:
    """Return the exact chance that Fisher's one-sided test shows a distance of ``d_prime``.

    Parameters
    ----------
    n_a, n_not_a : numbers of servings of A and of not-A, up to 1000 each.
    d_prime : true distance, 0 or more.
    alpha : level.
    criterion : lean of the assessors: 0 neutral, above 0 they say "A" rarely.

    Notes
    -----
    Hits have chance Φ(d'/2 - c), false alarms Φ(-d'/2 - c); all outcomes are summed.

    Examples
    --------
    >>> round(a_not_a_power(60, 60, 0.8), 2)
    0.96
    """
    a, b = count("n_a", n_a), count("n_not_a", n_not_a)
    if max(a, b) > 1000:
        raise RangeError(f"{max(a, b)} servings; the exact power is computed up to 1000 each.")
    distance = at_least("d_prime", d_prime, 0.0)
    level = open_fraction("alpha", alpha) * (1.0 + LEVEL_SLACK)
    hits, alarms = np.arange(a + 1)[:, None], np.arange(b + 1)[None, :]
    tail = hypergeom.sf(hits - 1, a + b, hits + alarms, a)
    chance_hit = binom.pmf(hits, a, float(ndtr(distance / 2.0 - criterion)))
    chance_alarm = binom.pmf(alarms, b, float(ndtr(-distance / 2.0 - criterion)))
    return float((chance_hit * chance_alarm)[tail <= level].sum())


def a_not_a_servings_needed(
    d_prime: float, *, alpha: float = 0.05, power: float = 0.8, criterion: float = 0.0
) -> int:
    """Return how many servings of each kind show ``d_prime`` with the stated chance.

    The number from which twenty larger ones in a row suffice too, since exact power is saw-toothed.

    Raises
    ------
    RangeError
        When more than 1000 of each would be needed.

    Examples
    --------
    >>> a_not_a_servings_needed(1.5, power=0.9)
    16
    """
    wanted, distance = open_fraction("power", power), at_least("d_prime", d_prime, 0.0)
    # The exact test needs more than the normal form says, so the search may start below that.
    h, f = float(ndtr(distance / 2.0 - criterion)), float(ndtr(-distance / 2.0 - criterion))
    sigmas = float(ndtri(1.0 - open_fraction("alpha", alpha)) + ndtri(wanted))
    about = (sigmas * _standard_error(h, 1, f, 1) / distance) ** 2 if distance > 0.0 else np.inf
    if about > 1000.0:
        raise RangeError("more than 1000 servings of each kind would be needed.")

    def enough(n: int) -> bool:
        return a_not_a_power(n, n, distance, alpha=alpha, criterion=criterion) >= wanted

    low, high = max(3, int(0.7 * about)), 1000
    while high - low > 1:  # the neighbourhood, as if power rose steadily; its teeth are short
        middle = min((low + high) // 2, 2 * low)
        low, high = (low, middle) if enough(middle) else (middle, high)
    run = 0
    for n in range(max(3, high - 20), 1001):
        run = run + 1 if enough(n) else 0
        if run == 21:
            return n - 20
    raise RangeError("more than 1000 servings of each kind would be needed.")


def pearson_chi_square(table: FloatArray, *, continuity: bool = False) -> float:
    """Return Pearson's chi-square of a table of counts; 0 where a margin is empty.

    Examples
    --------
    >>> round(pearson_chi_square(np.array([[40, 20], [25, 35]])), 4)
    7.5524
    """
    counts = finite_array("table", table, dimensions=2)
    expected = np.outer(counts.sum(1), counts.sum(0)) / counts.sum()
    if (expected == 0.0).any():
        return 0.0
    gap = np.abs(counts - expected)
    if continuity:
        gap = np.maximum(gap - 0.5, 0.0)
    return float((gap**2 / expected).sum())


def mcnemar_p_value(only_a_called_a: int, only_not_a_called_a: int) -> float:
    """Return the exact one-sided p-value where each assessor judged one A and one not-A.

    Parameters
    ----------
    only_a_called_a : assessors who called A "A" and not-A "not A" (right twice).
    only_not_a_called_a : assessors who did the reverse (wrong twice).

    Examples
    --------
    >>> round(mcnemar_p_value(12, 3), 5)
    0.01758
    """
    total = only_a_called_a + only_not_a_called_a
    return 1.0 if total == 0 else p_value("2-AFC", only_a_called_a, total)


def collapse_ratings(counts: Sequence[float], cut: int) -> tuple[int, int]:
    """Return (answers at category ``cut`` or above, all answers); categories count from 1.

    Examples
    --------
    >>> collapse_ratings([96, 99, 50, 57, 156, 650], 4)
    (863, 1108)
    """
    values = finite_array("counts", counts, least=2)
    if not 2 <= cut <= values.size:
        raise RangeError(f"cut is {cut}; it must lie between 2 and {values.size}.")
    return int(values[cut - 1 :].sum()), int(values.sum())


def rating_d_prime(
    first: Sequence[float], second: Sequence[float], *, confidence: float = 0.95
) -> RatingDPrime:
    """Return the distance of two samples from counts of ordered ratings.

    Parameters
    ----------
    first, second : counts of each rating, lowest first, for the two samples; a positive distance
        means that the second is rated higher.
    confidence : of the Wald interval.

    Notes
    -----
    Equal-variance normal model, thresholds free: an ordered probit with one effect.

    Examples
    --------
    >>> result = rating_d_prime([132, 161, 65, 41, 121, 219], [96, 99, 50, 57, 156, 650])
    >>> round(result.d_prime, 2)
    0.67
    """
    a, b = finite_array("first", first, least=2), finite_array("second", second, least=2)
    if a.size != b.size:
        raise DataError(f"{a.size} rating categories against {b.size}.")
    if (a < 0).any() or (b < 0).any() or a.sum() == 0 or b.sum() == 0:
        raise DataError("counts must be 0 or more, with at least one answer for each sample.")
    categories = np.arange(1.0, a.size + 1.0)
    fit = ordinal_fit(
        np.concatenate([categories, categories]),
        np.repeat([[0.0], [1.0]], a.size, axis=0),
        weights=np.concatenate([a, b]),
        names=("sample",),
        link="probit",
    )
    lower, upper = fit.interval("sample", confidence)
    area, error = _area(a, b)
    return RatingDPrime(
        d_prime=fit.effects[0],
        standard_error=fit.standard_errors[0],
        lower=lower,
        upper=upper,
        confidence=confidence,
        log_likelihood=fit.log_likelihood,
        likelihood_ratio=fit.likelihood_ratio,
        p_value=fit.p_value,
        r_index=area,
        r_index_standard_error=error,
        thresholds=fit.thresholds,
    )


def _standard_error(h: float, n_a: int, f: float, n_not_a: int) -> float:
    def part(share: float, n: int) -> float:
        density = np.exp(-0.5 * float(ndtri(share)) ** 2) / np.sqrt(2.0 * np.pi)
        return float(share * (1.0 - share) / (n * density**2))

    return float(np.sqrt(part(h, n_a) + part(f, n_not_a)))


def _profile(
    hits: int, n_a: int, false_alarms: int, n_not_a: int, confidence: float
) -> tuple[float, float]:
    """Limits of d-prime by profile likelihood, the criterion maximised out."""

    def log_likelihood(h: float, f: float) -> float:
        return float(
            xlogy(hits, h)
            + xlogy(n_a - hits, 1.0 - h)
            + xlogy(false_alarms, f)
            + xlogy(n_not_a - false_alarms, 1.0 - f)
        )

    def profile(distance: float) -> float:
        def loss(criterion: float) -> float:
            value = log_likelihood(
                float(ndtr(distance / 2.0 - criterion)), float(ndtr(-distance / 2.0 - criterion))
            )
            return -max(value, -1e300)

        reach = LARGEST_D_PRIME
        return -float(minimize_scalar(loss, bounds=(-reach, reach), options={"xatol": 1e-9}).fun)

    h, f = hits / n_a, false_alarms / n_not_a
    target = log_likelihood(h, f) - float(chdtri(1, 1.0 - confidence)) / 2.0
    far = LARGEST_D_PRIME / 2.0
    inner_h, inner_f = np.clip([h, f], 1e-9, 1.0 - 1e-9)
    start = float(np.clip(ndtri(inner_h) - ndtri(inner_f), -far, far))

    def excess(distance: float) -> float:
        return profile(distance) - target

    lower = -np.inf if excess(-far) >= 0.0 else float(brentq(excess, -far, start, xtol=1e-8))
    upper = np.inf if excess(far) >= 0.0 else float(brentq(excess, start, far, xtol=1e-8))
    return lower, upper


def _area(a: FloatArray, b: FloatArray) -> tuple[float, float]:
    below = np.concatenate([[0.0], np.cumsum(a)[:-1]])
    above = b.sum() - np.cumsum(b)
    score_b = (below + a / 2.0) / a.sum()  # of a second-sample serving with each rating
    score_a = (above + b / 2.0) / b.sum()  # of a first-sample serving
    area = float(score_b @ b / b.sum())
    spread_b = float(b @ (score_b - area) ** 2 / max(b.sum() - 1.0, 1.0) / b.sum())
    spread_a = float(a @ (score_a - area) ** 2 / max(a.sum() - 1.0, 1.0) / a.sum())
    return area, float(np.sqrt(spread_a + spread_b))
