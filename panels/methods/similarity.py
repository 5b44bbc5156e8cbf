"""Tests that set out to prove sameness, with their own risk.

The null hypothesis is turned round: at least a share ``p_d`` of assessors notices the difference.
Sameness is concluded, with risk ``beta`` of being wrong, when so few are right that such a share
is no longer believable. A difference test that finds nothing is no substitute.

Replicates of the same assessor may not be pooled here (ISO 10399 clause 6.2): the count of
assessors is what carries the proof.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import bdtr

from bulkflow.statistics.arguments import LEVEL_SLACK, count, counts_out_of, open_fraction
from panels.errors import RangeError
from panels.methods.discrimination import PanelSize, assessments_needed, exact_limits
from panels.methods.protocols import ForcedChoice, MethodName, p_c_from_p_d, p_d_from_p_c

__all__ = [
    "LEAST_RECOMMENDED_PAIRED",
    "SimilarityTest",
    "assessments_for_similarity",
    "chance_of_similarity",
    "maximum_correct",
    "similarity_test",
]

LEAST_RECOMMENDED_PAIRED = 30
"""Smallest number of assessors usually recommended for paired similarity (ISO 5495:2005, note)."""


@dataclass(frozen=True, slots=True)
class SimilarityTest:
    """A similarity test.

    ``critical`` is the largest number correct that proves sameness at ``beta`` (``None`` where
    none does); ``p_value`` the chance of so few right if ``p_d`` were true; ``upper_p_d`` the exact
    one-sided limit at confidence 1 - beta, the same decision in other words. ``below_chance`` warns
    that fewer were right than guessing gives: look at the test before believing it.
    """

    method: ForcedChoice
    n: int
    correct: int
    p_d: float
    beta: float
    p_value: float
    critical: int | None
    upper_p_d: float
    below_chance: bool

    @property
    def similar(self) -> bool:
        """Whether sameness within ``p_d`` is shown at ``beta``."""
        return self.critical is not None and self.correct <= self.critical


def maximum_correct(method: MethodName, n: int, p_d: float, beta: float) -> int | None:
    """Return the largest number correct that still proves sameness.

    Parameters
    ----------
    method : forced-choice test. In a paired comparison without a known direction use the larger
        of the two counts, which keeps ``beta``.
    n : number of assessors.
    p_d : share of discriminators that would matter, strictly between 0 and 1.
    beta : largest accepted risk to call "same" what ``p_d`` notice.

    Returns
    -------
    The count, or ``None`` where even no correct answer would prove it.

    Notes
    -----
    Largest x with P(X <= x | n, p_0 + p_d (1 - p_0)) <= beta. Printed tables leave a cell blank
    where this lies below chance; here it is given, and a result that uses it is marked.

    References
    ----------
    ISO 5495:2005 Table A.3; ISO 4120 Table A.2 follows the same rule.

    Examples
    --------
    >>> maximum_correct("2-AFC", 132, 0.2, 0.2)
    73
    >>> maximum_correct("triangle", 60, 0.3, 0.05)
    25
    """
    test = ForcedChoice.of(method)
    trials = count("n", n)
    chance = p_c_from_p_d(test, open_fraction("p_d", p_d))
    level = open_fraction("beta", beta) * (1.0 + LEVEL_SLACK)
    low, high = -1, trials  # P(X <= -1) = 0 is below the level, P(X <= n) = 1 above it
    while high - low > 1:
        middle = (low + high) // 2
        if bdtr(float(middle), trials, chance) <= level:
            low = middle
        else:
            high = middle
    return low if low >= 0 else None


def similarity_test(
    method: MethodName, correct: int, n: int, *, p_d: float, beta: float = 0.05
) -> SimilarityTest:
    """Return a similarity test with its risk and the limit of the share who notice.

    Examples
    --------
    >>> result = similarity_test("triangle", 22, 66, p_d=0.3, beta=0.05)
    >>> result.similar, result.critical
    (True, 28)
    """
    test = ForcedChoice.of(method)
    right, trials = counts_out_of(correct, n)
    critical = maximum_correct(test, trials, p_d, beta)
    upper = exact_limits(right, trials, 1.0 - 2.0 * beta)[1] if beta < 0.5 else None
    if upper is None:
        raise RangeError(f"beta is {beta!r}; a proof needs a risk below 0.5.")
    return SimilarityTest(
        method=test,
        n=trials,
        correct=right,
        p_d=p_d,
        beta=beta,
        p_value=float(bdtr(float(right), trials, p_c_from_p_d(test, p_d))),
        critical=critical,
        upper_p_d=max(0.0, p_d_from_p_c(test, upper)),
        below_chance=right < trials * test.guess,
    )


def chance_of_similarity(
    method: MethodName, n: int, p_d: float, beta: float, *, true_p_d: float = 0.0
) -> float:
    """Return the chance that the test proves sameness when ``true_p_d`` is the truth.

    At ``true_p_d`` 0 this is the power of the similarity test; at ``p_d`` it is the attained beta.

    Examples
    --------
    >>> round(chance_of_similarity("triangle", 66, 0.3, 0.05), 3)
    0.953
    """
    critical = maximum_correct(method, n, p_d, beta)
    if critical is None:
        return 0.0
    return float(bdtr(float(critical), count("n", n), p_c_from_p_d(method, true_p_d)))


def assessments_for_similarity(
    method: MethodName, p_d: float, beta: float, *, alpha: float = 0.05
) -> PanelSize:
    """Return how many assessors prove sameness with chance 1 - alpha when there is no difference.

    ``alpha`` is here the risk of not proving it although the samples are the same.

    Examples
    --------
    >>> assessments_for_similarity("duo-trio", 0.3, 0.05, alpha=0.1).first
    96
    """
    return assessments_needed(method, alpha, beta, p_d=p_d)
