"""Difference tests by forced choice: critical numbers, p-values, power, number of assessments.

Everything is exact binomial unless a function says otherwise. The tests themselves, and their
guess chances, are in :mod:`panels.methods.protocols`; tests that set out to prove sameness are in
:mod:`panels.methods.similarity`; d-prime is in :mod:`panels.methods.thurstone`.

A test that merely fails to find a difference proves nothing about sameness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrc, betaincinv, ndtri

from bulkflow.statistics.arguments import LEVEL_SLACK, count, counts_out_of, fraction, open_fraction
from panels.errors import ConvergenceError, RangeError
from panels.methods.protocols import (
    ForcedChoice,
    MethodName,
    Sided,
    check_sided,
    p_c_from_p_d,
    p_d_from_p_c,
    presentation_orders,
)
from panels.methods.psychometric import proportion_correct

__all__ = [
    "DifferenceTest",
    "Discriminators",
    "ForcedChoice",
    "PanelSize",
    "assessments_needed",
    "difference_test",
    "exact_limits",
    "minimum_correct",
    "p_c_from_p_d",
    "p_d_from_p_c",
    "p_value",
    "power",
    "presentation_orders",
    "proportion_of_discriminators",
    "standard_error_of_p_d",
    "true_proportion",
    "wald_limit_of_p_d",
]

LARGEST_PANEL = 200_000
"""Search for a number of assessments stops here: beyond it no panel is meant."""


@dataclass(frozen=True, slots=True)
class DifferenceTest:
    """A difference test and its exact level.

    ``critical`` is the smallest number correct that is significant at ``alpha``, ``None`` where no
    result can be. ``attained_alpha`` is the true error rate of that rule.
    """

    method: ForcedChoice
    sided: Sided
    n: int
    correct: int
    alpha: float
    p_value: float
    critical: int | None
    attained_alpha: float


@dataclass(frozen=True, slots=True)
class Discriminators:
    """The share of assessors who notice the difference, with its interval.

    ``estimate`` is Abbott's value and may be negative below chance; limits of the exact form are
    clipped at 0. ``lower`` and ``upper`` are the two-sided interval, ``lower_one_sided`` and
    ``upper_one_sided`` the limits at the same confidence on one side.
    """

    method: ForcedChoice
    n: int
    correct: int
    confidence: float
    interval: Literal["exact", "wald"]
    estimate: float
    standard_error: float
    lower: float
    upper: float
    lower_one_sided: float
    upper_one_sided: float


@dataclass(frozen=True, slots=True)
class PanelSize:
    """Number of assessments that meets both risks.

    ``first`` is the smallest such number (what printed tables hold); ``stable`` the one from which
    every larger number is sufficient too. Power is saw-toothed, so the two differ.
    """

    method: ForcedChoice
    sided: Sided
    alpha: float
    beta: float
    p_c: float
    first: int
    stable: int


def minimum_correct(
    method: MethodName, n: int, alpha: float, *, sided: Sided = "one"
) -> int | None:
    """Return the smallest number correct that shows a difference at level ``alpha``.

    Parameters
    ----------
    method : forced-choice test, as ``"triangle"``.
    n : number of assessments, at least 1.
    alpha : level, strictly between 0 and 1.
    sided : ``"two"`` only for the paired comparison, where it is the larger of the two counts.

    Returns
    -------
    The count, or ``None`` where even ``n`` of ``n`` is not significant.

    Raises
    ------
    RangeError
        For a level outside (0, 1), no trials, or a two-sided test that has no meaning.

    Notes
    -----
    Smallest x with P(X >= x | n, p_0) <= alpha; in the two-sided form alpha/2 in each tail.

    References
    ----------
    ISO 4120, ISO 10399:2004 Table A.1, ISO 5495:2005 Table A.1.

    Examples
    --------
    >>> minimum_correct("triangle", 36, 0.05)
    18
    >>> minimum_correct("2-AFC", 30, 0.05, sided="two")
    21
    """
    test = check_sided(method, sided)
    trials = count("n", n)
    tail = open_fraction("alpha", alpha) / (2 if sided == "two" else 1)
    critical = int(_critical(np.array([trials]), test.guess, tail)[0])
    return critical if critical <= trials else None


def p_value(method: MethodName, correct: int, n: int, *, sided: Sided = "one") -> float:
    """Return the exact chance of at least as many correct answers by guessing alone.

    Parameters
    ----------
    method : forced-choice test.
    correct : number correct (in the two-sided paired comparison: answers for either sample).
    n : number of assessments.
    sided : ``"two"`` only for the paired comparison.

    Examples
    --------
    >>> round(p_value("triangle", 15, 30), 8)
    0.04348228
    """
    test = check_sided(method, sided)
    right, trials = counts_out_of(correct, n)
    if sided == "two":
        return min(1.0, 2.0 * _upper_tail(max(right, trials - right), trials, test.guess))
    return _upper_tail(right, trials, test.guess)


def difference_test(
    method: MethodName, correct: int, n: int, *, alpha: float = 0.05, sided: Sided = "one"
) -> DifferenceTest:
    """Return a difference test with its p-value, critical number and attained level.

    Examples
    --------
    >>> result = difference_test("duo-trio", 26, 36, alpha=0.01)
    >>> result.critical, round(result.p_value, 4)
    (26, 0.0057)
    """
    test = check_sided(method, sided)
    right, trials = counts_out_of(correct, n)
    critical = minimum_correct(test, trials, alpha, sided=sided)
    attained = 0.0 if critical is None else p_value(test, critical, trials, sided=sided)
    return DifferenceTest(
        method=test,
        sided=sided,
        n=trials,
        correct=right,
        alpha=alpha,
        p_value=p_value(test, right, trials, sided=sided),
        critical=critical,
        attained_alpha=attained,
    )


def power(
    method: MethodName,
    n: int,
    alpha: float,
    *,
    p_d: float | None = None,
    p_c: float | None = None,
    d_prime: float | None = None,
    sided: Sided = "one",
) -> float:
    """Return the chance that the test shows a difference of the stated size.

    Parameters
    ----------
    method, n, alpha, sided : as in :func:`minimum_correct`.
    p_d, p_c, d_prime : the true difference, as share of discriminators, proportion correct or
        d-prime; exactly one of the three.

    Examples
    --------
    >>> round(power("triangle", 35, 0.05, p_d=1 / 3), 2)
    0.84
    """
    test = check_sided(method, sided)
    trials = np.array([count("n", n)])
    tail = open_fraction("alpha", alpha) / (2 if sided == "two" else 1)
    chance = true_proportion(test, p_d=p_d, p_c=p_c, d_prime=d_prime)
    return float(_power(trials, test.guess, chance, tail, sided=sided)[0])


def assessments_needed(
    method: MethodName,
    alpha: float,
    beta: float,
    *,
    p_d: float | None = None,
    p_c: float | None = None,
    d_prime: float | None = None,
    sided: Sided = "one",
) -> PanelSize:
    """Return how many assessments keep both risks: the first number and the stable one.

    Parameters
    ----------
    method, alpha, sided : as in :func:`minimum_correct`.
    beta : largest accepted chance to miss the stated difference, strictly between 0 and 1.
    p_d, p_c, d_prime : the difference not to be missed; exactly one of the three.

    Notes
    -----
    The same numbers serve a similarity test, whose risks are the same two seen from the other
    side. ``first`` is what ISO 4120 and ISO 10399 print; ``stable`` follows Ennis and Jesionka
    (2011), Journal of Sensory Studies.

    Raises
    ------
    RangeError
        When the difference is no difference, or needs more than 200,000 assessments.

    Examples
    --------
    >>> size = assessments_needed("triangle", 0.05, 0.05, p_d=0.3)
    >>> size.first, size.stable
    (66, 73)
    """
    test = check_sided(method, sided)
    open_fraction("alpha", alpha)
    open_fraction("beta", beta)
    chance = true_proportion(test, p_d=p_d, p_c=p_c, d_prime=d_prime)
    if chance <= test.guess:
        raise RangeError("the difference to find is none: give a p_d or d_prime above 0.")
    tail = alpha / (2 if sided == "two" else 1)
    first, stable = _search(test.guess, chance, tail, beta, sided)
    return PanelSize(
        method=test, sided=sided, alpha=alpha, beta=beta, p_c=chance, first=first, stable=stable
    )


def standard_error_of_p_d(method: MethodName, correct: int, n: int) -> float:
    """Return the large-sample standard error of the share of discriminators.

    Notes
    -----
    ``sqrt(x (n - x) / n^3) / (1 - p_0)`` (ISO 5495:2005, note to Table A.3).

    Examples
    --------
    >>> round(standard_error_of_p_d("triangle", 18, 36), 6)
    0.125
    """
    test = ForcedChoice.of(method)
    right, trials = counts_out_of(correct, n)
    return float(np.sqrt(right * (trials - right) / trials**3) / (1.0 - test.guess))


def wald_limit_of_p_d(method: MethodName, correct: int, n: int, z: float) -> float:
    """Return ``p_d + z s``, the normal limit for a stated multiple ``z`` (negative: lower limit).

    Standards print the multiples rounded (0.84, 1.28, 1.64, 2.33, 3.09); giving ``z`` lets their
    figures be reproduced. Near 0 or n correct the form fails: prefer the exact limits.

    Examples
    --------
    >>> round(wald_limit_of_p_d("2-AFC", 20, 40, 1.64), 5)
    0.25931
    """
    right, trials = counts_out_of(correct, n)
    estimate = p_d_from_p_c(method, right / trials)
    return estimate + z * standard_error_of_p_d(method, right, trials)


def exact_limits(correct: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided limits of a proportion (Clopper and Pearson 1934).

    Examples
    --------
    >>> lower, upper = exact_limits(25, 50)
    >>> round(lower, 6), round(upper, 6)
    (0.355273, 0.644727)
    """
    right, trials = counts_out_of(correct, n)
    tail = (1.0 - open_fraction("confidence", confidence)) / 2.0
    return _exact_lower(right, trials, tail), _exact_upper(right, trials, tail)


def proportion_of_discriminators(
    method: MethodName,
    correct: int,
    n: int,
    *,
    confidence: float = 0.95,
    interval: Literal["exact", "wald"] = "exact",
) -> Discriminators:
    """Return the share of assessors who notice the difference, with limits.

    Parameters
    ----------
    method : forced-choice test.
    correct, n : number correct and number of assessments (each by another assessor: replicates
        need :mod:`panels.methods.replicated`).
    confidence : of the two-sided interval and of each one-sided limit.
    interval : ``"exact"`` maps the limits of Clopper and Pearson, clipped at 0; ``"wald"`` is the
        normal form of ISO 5495.

    Examples
    --------
    >>> share = proportion_of_discriminators("triangle", 25, 50)
    >>> round(share.estimate, 4), round(share.upper, 6)
    (0.25, 0.467091)
    """
    test = ForcedChoice.of(method)
    right, trials = counts_out_of(correct, n)
    tail = 1.0 - open_fraction("confidence", confidence)
    if interval == "wald":
        one, two = float(ndtri(1.0 - tail)), float(ndtri(1.0 - tail / 2.0))
        limits = [wald_limit_of_p_d(test, right, trials, z) for z in (-two, two, -one, one)]
    elif interval == "exact":
        proportions = (
            _exact_lower(right, trials, tail / 2.0),
            _exact_upper(right, trials, tail / 2.0),
            _exact_lower(right, trials, tail),
            _exact_upper(right, trials, tail),
        )
        limits = [max(0.0, p_d_from_p_c(test, p_c)) for p_c in proportions]
    else:
        raise RangeError(f"interval is {interval!r}; it must be 'exact' or 'wald'.")
    return Discriminators(
        method=test,
        n=trials,
        correct=right,
        confidence=confidence,
        interval=interval,
        estimate=p_d_from_p_c(test, right / trials),
        standard_error=standard_error_of_p_d(test, right, trials),
        lower=limits[0],
        upper=limits[1],
        lower_one_sided=limits[2],
        upper_one_sided=limits[3],
    )


def true_proportion(
    method: MethodName,
    *,
    p_d: float | None = None,
    p_c: float | None = None,
    d_prime: float | None = None,
) -> float:
    """Return the proportion correct meant by whichever of the three measures is given."""
    given = [value for value in (p_d, p_c, d_prime) if value is not None]
    if len(given) != 1:
        raise RangeError("give exactly one of p_d, p_c and d_prime.")
    if p_d is not None:
        return p_c_from_p_d(method, p_d)
    if d_prime is not None:
        return float(proportion_correct(method, d_prime))
    return fraction("p_c", given[0])


def _upper_tail(at_least: int, n: int, chance: float) -> float:
    return 1.0 if at_least <= 0 else float(bdtrc(at_least - 1, n, chance))


def _critical(n: NDArray[np.int64], chance: float, tail: float) -> NDArray[np.int64]:
    """Smallest x with P(X >= x) <= tail for each n; n + 1 where there is none.

    A normal start, then whole steps until the exact tail agrees; the start is off by a few steps
    at most, so this is fast for many n at once.
    """
    spread = np.sqrt(n * chance * (1.0 - chance))
    start = np.rint(n * chance + ndtri(1.0 - tail) * spread).astype(np.int64)
    critical = np.clip(start, 1, n + 1)
    level = tail * (1.0 + LEVEL_SLACK)
    while True:
        too_low = (critical <= n) & (bdtrc(critical - 1.0, n, chance) > level)
        if not too_low.any():
            break
        critical = critical + too_low
    while True:
        below = np.maximum(critical - 1, 1)
        can_fall = (critical > 1) & (bdtrc(below - 1.0, n, chance) <= level)
        if not can_fall.any():
            return np.asarray(critical, dtype=np.int64)
        critical = critical - can_fall


def _power(
    n: NDArray[np.int64], guess: float, chance: float, tail: float, *, sided: Sided
) -> NDArray[np.float64]:
    critical = _critical(n, guess, tail)
    reachable = critical <= n
    capped = np.minimum(critical, n)
    result = np.where(reachable, bdtrc(capped - 1.0, n, chance), 0.0)
    if sided == "two":
        # The wrong tail counts as well; where the two tails meet, everything is rejected.
        low = np.minimum(n - capped, capped - 1)
        result = np.where(reachable, result + bdtr(low * 1.0, n, chance), 0.0)
    return np.minimum(result, 1.0)


def _search(guess: float, chance: float, tail: float, beta: float, sided: Sided) -> tuple[int, int]:
    """Return the first and the stable n.

    The horizon doubles until the last failure lies well inside it: the depth of the saw's teeth
    falls as 1/sqrt(n) while mean power keeps rising, so failures cannot return beyond that.
    """
    root = ndtri(1.0 - tail) * np.sqrt(guess * (1.0 - guess))
    root += abs(ndtri(1.0 - beta)) * np.sqrt(chance * (1.0 - chance))
    horizon = int(2.0 * (root / (chance - guess)) ** 2) + 60
    while horizon <= 4 * LARGEST_PANEL:
        sizes = np.arange(1, horizon + 1)
        enough = _power(sizes, guess, chance, tail, sided=sided) >= (1.0 - beta) - LEVEL_SLACK
        failures = np.flatnonzero(~enough)
        last = int(failures[-1]) + 1 if failures.size else 0
        if enough.any() and last <= 0.8 * horizon:
            first = int(np.flatnonzero(enough)[0]) + 1
            if last + 1 > LARGEST_PANEL:
                break
            return first, last + 1
        horizon *= 2
    raise ConvergenceError(f"more than {LARGEST_PANEL:,} assessments would be needed.")


def _exact_lower(correct: int, n: int, tail: float) -> float:
    return 0.0 if correct == 0 else float(betaincinv(correct, n - correct + 1, tail))


def _exact_upper(correct: int, n: int, tail: float) -> float:
    return 1.0 if correct == n else float(betaincinv(correct + 1, n - correct, 1.0 - tail))
