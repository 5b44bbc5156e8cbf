"""Forced-choice tests repeated by the same assessors: overdispersion, beta-binomial model.

Replicates of one person are not so many independent answers when people differ in ability. With
``gamma`` near 0 they may be pooled for a difference test; with a large gamma only the number of
assessors counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from scipy.special import betaln, chdtrc, expit, gammaln, logsumexp, ndtr, xlogy

from bulkflow.statistics.arguments import FloatArray, finite_array, fraction
from panels.errors import ConvergenceError, DataError, RangeError
from panels.methods.discrimination import p_value
from panels.methods.protocols import ForcedChoice, MethodName

__all__ = [
    "BetaBinomial",
    "Overdispersion",
    "ReplicatedDifference",
    "effective_trials",
    "fit_beta_binomial",
    "replicated_difference",
    "tarone_z",
]


@dataclass(frozen=True, slots=True)
class Overdispersion:
    """Tarone's Z for overdispersion, with its one-sided p-value and the pooled proportion."""

    z: float
    p_value: float
    proportion: float


@dataclass(frozen=True, slots=True)
class BetaBinomial:
    """A fitted beta-binomial model.

    ``mu`` is the mean proportion correct and ``gamma`` (0 to 1) how much people differ. With
    ``guess`` above 0 each person's ability runs from the guess chance to 1 and ``mu`` is still on
    the scale of proportion correct. ``gamma_error`` is ``None`` at the edge gamma = 0.
    ``likelihood_ratio`` compares with the binomial; its p-value takes account of the edge
    (half a chi-square with one degree of freedom).
    """

    assessors: int
    answers: int
    guess: float
    mu: float
    gamma: float
    mu_error: float | None
    gamma_error: float | None
    log_likelihood: float
    binomial_log_likelihood: float

    @property
    def a(self) -> float:
        """First shape, mu (1/gamma - 1), of the ability between guess chance and 1."""
        return self._ability * (1.0 / self.gamma - 1.0) if self.gamma > 0.0 else float("inf")

    @property
    def b(self) -> float:
        """Second shape, (1 - mu) (1/gamma - 1)."""
        return (
            (1.0 - self._ability) * (1.0 / self.gamma - 1.0) if self.gamma > 0.0 else float("inf")
        )

    @property
    def likelihood_ratio(self) -> float:
        """Twice the gain in log-likelihood over the binomial."""
        return max(0.0, 2.0 * (self.log_likelihood - self.binomial_log_likelihood))

    @property
    def p_value(self) -> float:
        """P-value of gamma = 0."""
        ratio = self.likelihood_ratio
        return 1.0 if ratio == 0.0 else 0.5 * float(chdtrc(1, ratio))

    @property
    def _ability(self) -> float:
        return (self.mu - self.guess) / (1.0 - self.guess)


@dataclass(frozen=True, slots=True)
class ReplicatedDifference:
    """Difference test of replicated answers.

    ``worth`` is the number of independent answers that all of them are worth; ``p_d_error`` is
    ``None`` at an edge of the model.
    """

    method: ForcedChoice
    p_value: float
    p_d: float
    p_d_error: float | None
    worth: float
    fit: BetaBinomial


def tarone_z(correct: ArrayLike, replicates: ArrayLike) -> Overdispersion:
    """Return Tarone's test that replicated answers vary as one binomial.

    Parameters
    ----------
    correct : number correct of each assessor.
    replicates : number of tests of each assessor, one number or one each.

    Notes
    -----
    ``Z = (Σ (x_i - n_i p)²/(p (1 - p)) - Σ n_i) / sqrt(2 Σ n_i (n_i - 1))``, one-sided.

    References
    ----------
    Tarone (1979) Biometrika 66, 585-590.

    Examples
    --------
    >>> round(tarone_z([3, 0, 1, 3, 2, 0, 1, 3, 3, 1, 0, 2], 3).z, 4)
    2.6563
    """
    x, n = _counts(correct, replicates)
    if (n < 2).all():
        raise DataError("nobody has replicates, so overdispersion cannot be seen.")
    p = float(x.sum() / n.sum())
    if p in (0.0, 1.0):
        raise DataError("all answers are alike, so overdispersion cannot be seen.")
    spread = float(((x - n * p) ** 2).sum() / (p * (1.0 - p)))
    z = (spread - float(n.sum())) / float(np.sqrt(2.0 * (n * (n - 1.0)).sum()))
    return Overdispersion(z=z, p_value=float(ndtr(-z)), proportion=p)


def effective_trials(replicates: float, gamma: float) -> float:
    """Return how many independent answers one assessor's replicates are worth.

    Notes
    -----
    The variance of a sum is ``n μ (1 - μ) (1 + (n - 1) γ)``, so ``n / (1 + (n - 1) γ)``.

    Examples
    --------
    >>> effective_trials(3, 0.5)
    1.5
    """
    if not replicates >= 1:
        raise RangeError(f"replicates is {replicates!r}; at least 1.")
    return replicates / (1.0 + (replicates - 1.0) * fraction("gamma", gamma))


def fit_beta_binomial(
    correct: ArrayLike, replicates: ArrayLike, *, method: MethodName | None = None
) -> BetaBinomial:
    """Return the maximum likelihood beta-binomial fit.

    Parameters
    ----------
    correct : number correct of each assessor.
    replicates : number of tests of each assessor, one number or one each.
    method : a forced-choice test for the corrected form, in which nobody's ability lies below the
        guess chance; left out, the plain form with abilities from 0 to 1.

    Notes
    -----
    a = μ (1/γ - 1), b = (1 - μ)(1/γ - 1), γ = 1/(a + b + 1). The corrected form follows
    Brockhoff (2003), Food Quality and Preference 14, 405-417.

    Raises
    ------
    DataError
        When nobody has replicates or all answers are alike.

    Examples
    --------
    >>> fit = fit_beta_binomial([3, 0, 1, 3, 2, 0, 1, 3, 3, 1, 0, 2], 3)
    >>> round(fit.gamma, 3), round(fit.mu, 3), round(fit.log_likelihood, 3)
    (0.444, 0.532, -16.428)
    """
    x, n = _counts(correct, replicates)
    if (n < 2).all():
        raise DataError("nobody has replicates, so gamma cannot be estimated.")
    if x.sum() in (0.0, n.sum()):
        raise DataError("all answers are alike, so gamma cannot be estimated.")
    guess = 0.0 if method is None else ForcedChoice.of(method).guess
    pooled = max(float(x.sum() / n.sum()), guess)
    binomial = _binomial_log_likelihood(x, n, pooled)
    best = _maximise(x, n, guess, binomial)
    if best is None:
        return BetaBinomial(
            assessors=int(x.size),
            answers=int(n.sum()),
            guess=guess,
            mu=pooled,
            gamma=0.0,
            mu_error=float(np.sqrt(pooled * (1.0 - pooled) / n.sum())) if pooled > guess else None,
            gamma_error=None,
            log_likelihood=binomial,
            binomial_log_likelihood=binomial,
        )
    ability, gamma, value = best
    mu_error, gamma_error = _errors(x, n, guess, ability, gamma)
    return BetaBinomial(
        assessors=int(x.size),
        answers=int(n.sum()),
        guess=guess,
        mu=guess + (1.0 - guess) * ability,
        gamma=gamma,
        mu_error=None if mu_error is None else (1.0 - guess) * mu_error,
        gamma_error=gamma_error,
        log_likelihood=value,
        binomial_log_likelihood=binomial,
    )


def replicated_difference(
    method: MethodName, correct: ArrayLike, replicates: ArrayLike
) -> ReplicatedDifference:
    """Return the difference test of replicated answers, with an honest share of discriminators.

    Parameters
    ----------
    method : forced-choice test.
    correct : number correct of each assessor.
    replicates : number of tests of each assessor, one number or one each.

    Notes
    -----
    Where nobody can tell, everybody guesses with the same chance, so the pooled binomial p-value
    holds whatever the number of replicates (ISO 10399). What the pooled count does *not* give is
    the uncertainty of the share: it comes from the corrected beta-binomial, in which people differ.
    A similarity test must not pool at all.

    Examples
    --------
    >>> result = replicated_difference("triangle", [3, 0, 1, 3, 2, 0, 1, 3, 3, 1, 0, 2], 3)
    >>> round(result.p_value, 4), round(result.p_d, 3), result.worth < 36
    (0.0125, 0.309, True)
    """
    test = ForcedChoice.of(method)
    x, n = _counts(correct, replicates)
    fit = fit_beta_binomial(x, n, method=test)
    scale = 1.0 - test.guess
    return ReplicatedDifference(
        method=test,
        p_value=p_value(test, int(x.sum()), int(n.sum())),
        p_d=(fit.mu - test.guess) / scale,
        p_d_error=None if fit.mu_error is None else fit.mu_error / scale,
        # On the scale of answers the correlation within people is that of ability, thinned out by
        # guessing: var(ability) / [mu (1 - mu)].
        worth=float(sum(effective_trials(float(r), _answer_correlation(fit)) for r in n)),
        fit=fit,
    )


def _answer_correlation(fit: BetaBinomial) -> float:
    ability = (fit.mu - fit.guess) / (1.0 - fit.guess)
    spread = (1.0 - fit.guess) ** 2 * ability * (1.0 - ability) * fit.gamma
    total = fit.mu * (1.0 - fit.mu)
    return spread / total if total > 0.0 else 0.0


def _counts(correct: ArrayLike, replicates: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x = finite_array("correct", correct)
    n = np.broadcast_to(np.asarray(replicates, dtype=np.float64), x.shape)
    n = finite_array("replicates", n)
    if (x != np.floor(x)).any() or (n != np.floor(n)).any():
        raise RangeError("counts must be whole numbers.")
    if (x < 0).any() or (n < 1).any() or (x > n).any():
        raise RangeError("each count must lie between 0 and the number of replicates (at least 1).")
    return x, n


def _binomial_log_likelihood(x: FloatArray, n: FloatArray, p: float) -> float:
    return float((_log_choose(n, x) + xlogy(x, p) + xlogy(n - x, 1.0 - p)).sum())


def _log_choose(n: FloatArray, k: FloatArray) -> FloatArray:
    return np.asarray(gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0))


def _log_likelihood(
    x: FloatArray, n: FloatArray, guess: float, ability: float, gamma: float
) -> float:
    """Mixture over how many of the right answers were guesses; one term where guess is 0."""
    total = 1.0 / gamma - 1.0
    a, b = ability * total, (1.0 - ability) * total
    if guess == 0.0:
        terms = _log_choose(n, x) + betaln(a + x, b + n - x) - betaln(a, b)
        return float(terms.sum())
    value = 0.0
    pairs, times = np.unique(np.stack([x, n]), axis=1, return_counts=True)
    for right, trials, seen in zip(*pairs, times, strict=True):
        known = np.arange(right + 1.0)
        parts = (
            _log_choose(np.full_like(known, right), known)
            + (right - known) * np.log(guess)
            + (known + trials - right) * np.log1p(-guess)
            + betaln(a + known, b + trials - right)
            - betaln(a, b)
        )
        choose = _log_choose(np.array([trials]), np.array([right]))[0]
        value += float(seen) * (float(logsumexp(parts)) + float(choose))
    return value


def _maximise(
    x: FloatArray, n: FloatArray, guess: float, binomial: float
) -> tuple[float, float, float] | None:
    """Best (ability, gamma, log-likelihood), or None where the binomial is as good."""

    def loss(place: FloatArray) -> float:
        ability, gamma = expit(place)
        if not (1e-9 < ability < 1.0 - 1e-9 and 1e-7 < gamma < 1.0 - 1e-7):
            return 1e10 + float(np.sum(place * place))
        return -_log_likelihood(x, n, guess, float(ability), float(gamma))

    results = [
        minimize(
            loss,
            np.array([start, spread]),
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000, "maxfev": 8000},
        )
        for start in (-1.0, 0.5)
        for spread in (-2.0, 0.5)
    ]
    best = min(results, key=lambda result: float(result.fun))
    if not np.isfinite(best.fun) or best.fun >= 1e10:
        raise ConvergenceError("the beta-binomial fit did not settle.")
    if -best.fun <= binomial + 1e-9:
        return None
    ability, gamma = expit(best.x)
    return float(ability), float(gamma), -float(best.fun)


def _errors(
    x: FloatArray, n: FloatArray, guess: float, ability: float, gamma: float
) -> tuple[float | None, float | None]:
    """Return standard errors from the curvature, by central differences; None at an edge."""
    step = 1e-4
    edges = min(ability, 1.0 - ability, gamma, 1.0 - gamma)
    if edges < 2.0 * step:
        return None, None

    def at(i: int, j: int) -> float:
        return _log_likelihood(x, n, guess, ability + i * step, gamma + j * step)

    centre = at(0, 0)
    h_mu = (at(1, 0) - 2.0 * centre + at(-1, 0)) / step**2
    h_gamma = (at(0, 1) - 2.0 * centre + at(0, -1)) / step**2
    h_both = (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / (4.0 * step**2)
    information = -np.array([[h_mu, h_both], [h_both, h_gamma]])
    if np.linalg.eigvalsh(information)[0] <= 0.0:
        return None, None
    variance = np.diag(np.linalg.inv(information))
    return float(np.sqrt(variance[0])), float(np.sqrt(variance[1]))
