"""Deciding trial by trial: Wald's sequential test after ISO 16820.

After each trial the panel leader may stop for a difference, stop for similarity, or go on. A
largest number of trials is fixed beforehand, with what happens there (normally: hold).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.optimize import brentq

from bulkflow.statistics.arguments import LEVEL_SLACK, count, open_fraction
from panels.errors import DataError, RangeError
from panels.methods.discrimination import true_proportion
from panels.methods.protocols import ForcedChoice, MethodName

__all__ = ["SequentialDecision", "SequentialOutcome", "SequentialPlan", "SequentialProperties"]


class SequentialDecision(StrEnum):
    """Where a sequence of trials stands."""

    SIMILAR = "similar"
    DIFFERENT = "different"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class SequentialOutcome:
    """The decision, the trial at which it fell and the number correct by then."""

    decision: SequentialDecision
    trial: int
    correct: int


@dataclass(frozen=True, slots=True)
class SequentialProperties:
    """Exact properties of a plan that stops at ``largest_n``, at one true proportion correct."""

    p_c: float
    similar: float
    different: float
    undecided: float
    expected_trials: float


@dataclass(frozen=True, slots=True)
class SequentialPlan:
    """A sequential plan.

    Parameters
    ----------
    p0 : proportion correct when there is no difference (the guess chance).
    p1 : proportion correct at the difference that matters, above p0.
    alpha : risk of calling a difference where there is none.
    beta : risk of calling similar what differs as much as p1.

    Notes
    -----
    With D = ln[p1 (1 - p0) / (p0 (1 - p1))]: slope ln[(1 - p0)/(1 - p1)]/D, intercepts
    ln(β/(1 - α))/D and ln((1 - β)/α)/D. At or below the lower line: similar; at or above the
    upper: different.

    References
    ----------
    ISO 16820:2004; Wald (1947), Sequential Analysis.

    Examples
    --------
    >>> plan = SequentialPlan(p0=0.5, p1=0.7, alpha=0.1, beta=0.1)
    >>> round(plan.lower_intercept, 4), round(plan.upper_intercept, 4), round(plan.slope, 4)
    (-2.5932, 2.5932, 0.6029)
    >>> plan.decide([0, 0, 0, 1, 0, 1, 0, 1, 0, 1, 0])
    SequentialOutcome(decision=<SequentialDecision.SIMILAR: 'similar'>, trial=11, correct=4)
    """

    p0: float
    p1: float
    alpha: float
    beta: float

    def __post_init__(self) -> None:
        for name in ("p0", "p1", "alpha", "beta"):
            open_fraction(name, getattr(self, name))
        if self.p1 <= self.p0:
            raise RangeError(f"p1 is {self.p1!r}; it must lie above p0, {self.p0!r}.")
        if self.alpha + self.beta >= 1.0:
            raise RangeError("alpha and beta together must stay below 1.")

    @classmethod
    def for_method(
        cls,
        method: MethodName,
        *,
        alpha: float,
        beta: float,
        p_d: float | None = None,
        d_prime: float | None = None,
    ) -> SequentialPlan:
        """Return the plan of a forced-choice test for a share of discriminators or a d-prime."""
        test = ForcedChoice.of(method)
        chance = true_proportion(test, p_d=p_d, d_prime=d_prime)
        return cls(p0=test.guess, p1=chance, alpha=alpha, beta=beta)

    @property
    def slope(self) -> float:
        """Correct answers for each trial along both lines."""
        return float(np.log((1.0 - self.p0) / (1.0 - self.p1)) / self._spread)

    @property
    def lower_intercept(self) -> float:
        """Where the line of similarity starts [correct answers]."""
        return self._b / self._spread

    @property
    def upper_intercept(self) -> float:
        """Where the line of difference starts [correct answers]."""
        return self._a / self._spread

    def standing(self, correct: int, trials: int) -> SequentialDecision:
        """Return the decision with ``correct`` right after ``trials``."""
        edge = LEVEL_SLACK * (1.0 + trials)
        if correct >= self.upper_intercept + self.slope * trials - edge:
            return SequentialDecision.DIFFERENT
        if correct <= self.lower_intercept + self.slope * trials + edge:
            return SequentialDecision.SIMILAR
        return SequentialDecision.UNDECIDED

    def decide(self, answers: Iterable[bool | int]) -> SequentialOutcome:
        """Return the first decision in a run of answers (1 right, 0 wrong); later ones are ignored.

        Raises
        ------
        DataError
            For an answer that is neither 0 nor 1.
        """
        correct = trial = 0
        for trial, answer in enumerate(answers, start=1):
            if answer not in (0, 1):
                raise DataError(f"answer {trial} is {answer!r}; it must be 1 (right) or 0 (wrong).")
            correct += int(answer)
            decision = self.standing(correct, trial)
            if decision is not SequentialDecision.UNDECIDED:
                return SequentialOutcome(decision, trial, correct)
        return SequentialOutcome(SequentialDecision.UNDECIDED, trial, correct)

    def expected_trials(self, p_c: float) -> float:
        """Return Wald's approximate expected number of trials at a true proportion correct.

        At p0 and p1 it is ((1-α)B + αA)/E0(z) and ((1-β)A + βB)/E1(z); between them the chance of
        each end comes from Wald's equation.

        Examples
        --------
        >>> plan = SequentialPlan(p0=0.333333, p1=0.666667, alpha=0.05, beta=0.05)
        >>> round(plan.expected_trials(0.333333), 4)
        11.4694
        """
        p = open_fraction("p_c", p_c)
        right = float(np.log(self.p1 / self.p0))
        wrong = float(np.log((1.0 - self.p1) / (1.0 - self.p0)))
        drift = p * right + (1.0 - p) * wrong
        if abs(drift) < 1e-9:
            variance = p * right**2 + (1.0 - p) * wrong**2
            return -self._a * self._b / variance
        different = 1.0 - self.chance_similar(p)
        return (different * self._a + (1.0 - different) * self._b) / drift

    def chance_similar(self, p_c: float) -> float:
        """Return Wald's approximate chance to end at "similar" at a true proportion correct."""
        p = open_fraction("p_c", p_c)
        h = self._wald_h(p)
        if abs(h) < 1e-9:
            return self._a / (self._a - self._b)
        up, down = np.exp(h * self._a), np.exp(h * self._b)
        return float((up - 1.0) / (up - down))

    def properties(self, p_c: float, largest_n: int) -> SequentialProperties:
        """Return exact chances and expected trials when the plan stops at ``largest_n``.

        Examples
        --------
        >>> plan = SequentialPlan(p0=1 / 3, p1=2 / 3, alpha=0.05, beta=0.05)
        >>> exact = plan.properties(1 / 3, 40)
        >>> exact.different < 0.05, round(exact.expected_trials, 1)
        (True, 13.9)
        """
        p, most = open_fraction("p_c", p_c), count("largest_n", largest_n)
        alive = np.zeros(most + 1)
        alive[0] = 1.0
        similar = different = expected = 0.0
        tally = np.arange(most + 1)
        for trial in range(1, most + 1):
            expected += float(alive.sum())
            moved = alive * (1.0 - p)
            moved[1:] += alive[:-1] * p
            edge = LEVEL_SLACK * (1.0 + trial)
            up = tally >= self.upper_intercept + self.slope * trial - edge
            down = ~up & (tally <= self.lower_intercept + self.slope * trial + edge)
            different += float(moved[up].sum())
            similar += float(moved[down].sum())
            alive = np.where(up | down, 0.0, moved)
        return SequentialProperties(p, similar, different, float(alive.sum()), expected)

    def lines(self, trials: Sequence[int]) -> list[tuple[int, float, float]]:
        """Return (trial, lower line, upper line) for a drawing."""
        return [
            (n, self.lower_intercept + self.slope * n, self.upper_intercept + self.slope * n)
            for n in trials
        ]

    @property
    def _a(self) -> float:
        return float(np.log((1.0 - self.beta) / self.alpha))

    @property
    def _b(self) -> float:
        return float(np.log(self.beta / (1.0 - self.alpha)))

    @property
    def _spread(self) -> float:
        return float(np.log(self.p1 * (1.0 - self.p0) / (self.p0 * (1.0 - self.p1))))

    def _wald_h(self, p: float) -> float:
        """Non-zero root h of p (p1/p0)^h + (1 - p) ((1-p1)/(1-p0))^h = 1."""
        right = float(np.log(self.p1 / self.p0))
        wrong = float(np.log((1.0 - self.p1) / (1.0 - self.p0)))
        drift = p * right + (1.0 - p) * wrong
        if abs(drift) < 1e-9:
            return 0.0

        def excess(h: float) -> float:
            return float(np.logaddexp(np.log(p) + h * right, np.log1p(-p) + h * wrong))

        # log of the moment function is convex with a root at 0; the other lies across its dip.
        sign = -1.0 if drift > 0.0 else 1.0
        near, far = sign * 1e-9, sign
        while excess(far) < 0.0:
            far *= 2.0
        while excess(near) > 0.0:
            near *= 2.0
        return float(brentq(excess, min(near, far), max(near, far), xtol=1e-12))
