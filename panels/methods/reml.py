"""Restricted maximum likelihood for scores of a panel, many data sets at once.

Owns the estimation of variance components and the small-sample covariance of Kenward and Roger
for models whose observations fall into independent blocks, one block per assessor. What the
components mean (assessor, assessor by lot, ...) is decided by the caller, who gives one known
matrix per component; `panels.methods.mixed_model` is that caller for sittings.

The model of block j is ``y_j = X_j b + e_j`` with ``var(e_j) = sum_k theta_k K_kj``, every
``theta_k >= 0``. The leading axis D runs over data sets with the same layout (one for a real
sitting, thousands for a simulation). Missing observations are masked, never filled in.

References
----------
D. A. Harville (1977), Maximum likelihood approaches to variance component estimation, JASA 72,
320-338. M. G. Kenward and J. H. Roger (1997), Small sample inference for fixed effects from
restricted maximum likelihood, Biometrics 53, 983-997.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panels.errors import ConvergenceError

__all__ = ["RemlFit", "fit_reml"]

Array = NDArray[np.float64]

MAX_ITERATIONS = 200
MAX_HALVINGS = 25
DEVIANCE_TOLERANCE = 1e-8
"""Change of minus twice the log-likelihood at which the search has settled; the likelihood is
flat to second order there, so components are settled to about its square root."""
RESIDUAL_FLOOR = 1e-10
"""Least residual variance, as a share of the variance about the fixed effects alone: keeps the
covariance invertible where scores agree perfectly."""


@dataclass(frozen=True)
class RemlFit:
    """Estimates for D data sets with p fixed effects and K variance components.

    Attributes
    ----------
    fixed : array (D, p), fixed effects.
    theta : array (D, K), variance components [score squared].
    covariance : array (D, p, p), of ``fixed``, with components taken as known.
    adjusted_covariance : array (D, p, p), Kenward-Roger: allows for estimated components.
    theta_covariance : array (D, K, K), asymptotic, of ``theta``.
    sensitivity : array (D, K, p, p), derivative of ``covariance`` by each component.
    deviance : array (D,), minus twice the restricted log-likelihood, without its constant.
    settled : array (D,) of bool, whether the search converged.
    """

    fixed: Array
    theta: Array
    covariance: Array
    adjusted_covariance: Array
    theta_covariance: Array
    sensitivity: Array
    deviance: Array
    settled: NDArray[np.bool_]

    def contrast(self, weights: Array) -> tuple[Array, Array, Array]:
        """Estimate, standard error and degrees of freedom of one contrast, per data set.

        For a single contrast the Kenward-Roger scale factor is 1 and its degrees of freedom
        are twice the squared variance over the variance of that variance. The adjusted variance
        is never taken below the plain one, which it can undercut when a component is zero.

        Parameters
        ----------
        weights : array (p,).

        Returns
        -------
        three arrays (D,).
        """
        estimate = self.fixed @ weights
        plain = np.einsum("p,dpq,q->d", weights, self.covariance, weights)
        adjusted = np.einsum("p,dpq,q->d", weights, self.adjusted_covariance, weights)
        gradient = np.einsum("p,dkpq,q->dk", weights, self.sensitivity, weights)
        spread = np.einsum("dk,dkl,dl->d", gradient, self.theta_covariance, gradient)
        return estimate, np.sqrt(np.maximum(adjusted, plain)), 2.0 * plain**2 / spread


def fit_reml(
    scores: Array,
    design: Array,
    kernels: Array,
    present: NDArray[np.bool_],
    *,
    least_residual: float = 0.0,
) -> RemlFit:
    """Fit by scoring with step halving; components stay at or above zero.

    Parameters
    ----------
    scores : array (D, J, m), m places per assessor; absent places are ignored.
    design : array (J, m, p), fixed effects; full column rank over the places present.
    kernels : array (K, J, m, m), one known matrix per component; the last one is the identity
        and belongs to the residual.
    present : array (D, J, m) of bool.
    least_residual : smallest residual variance to accept [score squared]; scores read to a
        step h carry a rounding variance of h squared / 12 that no agreement can undercut.

    Returns
    -------
    RemlFit

    Raises
    ------
    ConvergenceError : the likelihood cannot be evaluated (fixed effects that the places
        present do not determine).
    """
    problem = _Problem.of(scores, design, kernels, present, least_residual)
    theta = problem.start()
    state = problem.evaluate(theta)
    active = np.ones(len(scores), dtype=bool)
    for _ in range(MAX_ITERATIONS):
        rows = np.flatnonzero(active)
        if not len(rows):
            break
        part = problem.only(rows)
        moved, deviance = part.step(theta[rows])
        gain = state.deviance[rows] - deviance
        theta[rows], state.deviance[rows] = moved, deviance
        active[rows] = gain > DEVIANCE_TOLERANCE
    return problem.report(theta, ~active)


@dataclass
class _State:
    deviance: Array
    inverse: Array
    covariance: Array
    fixed: Array
    projected: Array
    """``P y``: the covariance inverse times the residuals, (D, J, m)."""
    weighted: Array
    """The covariance inverse times the design, (D, J, m, p)."""


@dataclass
class _Problem:
    scores: Array
    design: Array
    kernels: Array
    """(D, K, J, m, m), zero where an observation is absent."""
    padding: Array
    """(D, J, m, m), one on the diagonal where an observation is absent."""
    least_residual: Array
    """(D,)"""

    @classmethod
    def of(
        cls,
        scores: Array,
        design: Array,
        kernels: Array,
        present: NDArray[np.bool_],
        least_residual: float,
    ) -> _Problem:
        mask = present.astype(float)
        both = mask[..., :, None] * mask[..., None, :]
        size = scores.shape[-1]
        problem = cls(
            scores=np.where(present, scores, 0.0),
            design=design[None] * mask[..., None],
            kernels=kernels[None] * both[:, None],
            padding=np.eye(size) * (1.0 - mask)[..., None],
            least_residual=np.full(len(scores), least_residual),
        )
        problem.least_residual = np.maximum(
            problem.least_residual, RESIDUAL_FLOOR * problem.spread() + np.finfo(float).tiny
        )
        return problem

    def only(self, rows: NDArray[np.intp]) -> _Problem:
        if len(rows) == len(self.scores):
            return self
        return _Problem(
            self.scores[rows],
            self.design[rows],
            self.kernels[rows],
            self.padding[rows],
            self.least_residual[rows],
        )

    def spread(self) -> Array:
        """Variance about the fixed effects, all observations taken as independent."""
        cross = _cross(self.design, self.design)
        right = np.einsum("djmp,djm->dp", self.design, self.scores)
        try:
            fixed = np.linalg.solve(cross, right[..., None])[..., 0]
        except np.linalg.LinAlgError as error:
            raise ConvergenceError(
                "The scores present do not determine every mean asked for: a sample has no"
                " score, or no assessor links it to the others."
            ) from error
        rest = self.scores - np.einsum("djmp,dp->djm", self.design, fixed)
        count = self.design.any(axis=-1).sum(axis=(1, 2)) - cross.shape[-1]
        return np.asarray((rest**2).sum(axis=(1, 2)) / np.maximum(count, 1))

    def start(self) -> Array:
        parts = self.kernels.shape[1]
        share = self.spread() / parts
        theta = np.repeat(share[:, None], parts, axis=1)
        theta[:, -1] = np.maximum(theta[:, -1], self.least_residual)
        return theta

    def evaluate(self, theta: Array) -> _State:
        covariance = self.padding.copy()
        for part in range(theta.shape[1]):
            covariance += theta[:, part, None, None, None] * self.kernels[:, part]
        inverse: Array = np.linalg.inv(covariance).astype(np.float64, copy=False)
        weighted = inverse @ self.design
        information = _cross(self.design, weighted)
        right = np.einsum("djmp,djm->dp", weighted, self.scores)
        fixed_covariance: Array = np.linalg.inv(information).astype(np.float64, copy=False)
        fixed = np.einsum("dpq,dq->dp", fixed_covariance, right)
        rest = self.scores - np.einsum("djmp,dp->djm", self.design, fixed)
        projected = (inverse @ rest[..., None])[..., 0]
        deviance = (
            np.linalg.slogdet(covariance)[1].sum(axis=1)
            + np.linalg.slogdet(information)[1]
            + np.einsum("djm,djm->d", rest, projected)
        )
        return _State(deviance, inverse, fixed_covariance, fixed, projected, weighted)

    def information(self, state: _State) -> tuple[Array, Array, Array, Array]:
        """First and second pieces of Kenward and Roger, with the expected information.

        Returns ``P_k`` as (D, K, p, p) without its minus sign, ``Q_kl`` as (D, K, K, p, p),
        the expected information of the components (D, K, K) and tr(P K_k) as (D, K).
        """
        spread = self.kernels @ state.weighted[:, None]  # K_k V^-1 X
        first = _cross(state.weighted[:, None], spread)
        solved = state.inverse[:, None] @ spread
        second = _cross(spread[:, :, None], solved[:, None])
        whitened = state.inverse[:, None] @ self.kernels
        draws, parts = whitened.shape[:2]
        turned = np.swapaxes(whitened, 3, 4).reshape(draws, parts, -1)
        traces = whitened.reshape(draws, parts, -1) @ np.swapaxes(turned, 1, 2)
        phi = state.covariance
        shrunk = first @ phi[:, None]  # P_k Phi
        expected = 0.5 * (
            traces
            - 2.0 * np.einsum("dpq,dklqp->dkl", phi, second)
            + np.einsum("dkpq,dlqp->dkl", shrunk, shrunk)
        )
        slopes = np.einsum("dkjmm->dk", whitened) - np.einsum("dkpp->dk", shrunk)
        return first, second, expected, slopes

    def average_information(self, state: _State, pulled: Array) -> Array:
        """Average of observed and expected information, y'P K_k P K_l P y / 2, as (D, K, K).

        Mixed into the expected one it keeps the steps from circling the optimum.
        """
        solved = (state.inverse[:, None] @ pulled[..., None])[..., 0]
        draws, parts = pulled.shape[:2]
        onto = np.einsum("dkjm,djmp->dkp", pulled, state.weighted)
        flat, other = pulled.reshape(draws, parts, -1), solved.reshape(draws, parts, -1)
        explained = onto @ state.covariance @ np.swapaxes(onto, 1, 2)
        return np.asarray(0.5 * (flat @ np.swapaxes(other, 1, 2) - explained))

    def step(self, theta: Array) -> tuple[Array, Array]:
        """One scoring step, halved until the deviance does not rise."""
        state = self.evaluate(theta)
        _, _, expected, slopes = self.information(state)
        pulled = (self.kernels @ state.projected[:, None, ..., None])[..., 0]
        pull = (state.projected[:, None] * pulled).sum(axis=(2, 3))
        curvature = 0.5 * (expected + self.average_information(state, pulled))
        uphill = 0.5 * (pull - slopes)
        least = np.zeros_like(theta)
        least[:, -1] = self.least_residual
        bound = (theta <= least) & (uphill < 0)
        free = ~bound
        matrix = curvature * (free[:, :, None] & free[:, None, :])
        matrix += np.eye(theta.shape[1]) * bound[:, None, :]
        # the pseudo-inverse leaves alone what a data set cannot tell apart (repeats all missing)
        inverse = np.linalg.pinv(matrix, hermitian=True)
        move = np.einsum("dkl,dl->dk", inverse, uphill * free)
        best, deviance = theta.copy(), state.deviance.copy()
        trying = np.ones(len(theta), dtype=bool)
        scale = 1.0
        for _ in range(MAX_HALVINGS):
            rows = np.flatnonzero(trying)
            if not len(rows):
                break
            tried = np.maximum(theta[rows] + scale * move[rows], least[rows])
            value = self.only(rows).evaluate(tried).deviance
            better = value <= deviance[rows]
            best[rows[better]], deviance[rows[better]] = tried[better], value[better]
            trying[rows[better]] = False
            scale /= 2.0
        return best, deviance

    def report(self, theta: Array, settled: NDArray[np.bool_]) -> RemlFit:
        state = self.evaluate(theta)
        first, second, expected, _ = self.information(state)
        phi = state.covariance
        uncertainty: Array = np.linalg.pinv(expected, hermitian=True).astype(np.float64, copy=False)
        inner = second - first[:, :, None] @ phi[:, None, None] @ first[:, None]
        correction = np.einsum("dkl,dklpq->dpq", uncertainty, inner)
        correction = 0.5 * (correction + np.swapaxes(correction, 1, 2))
        return RemlFit(
            fixed=state.fixed,
            theta=theta,
            covariance=phi,
            adjusted_covariance=phi + 2.0 * phi @ correction @ phi,
            theta_covariance=uncertainty,
            sensitivity=phi[:, None] @ first @ phi[:, None],
            deviance=state.deviance,
            settled=settled,
        )


def _cross(left: Array, right: Array) -> Array:
    """Sum over assessors of left' right; axes (..., J, m, p) and (..., J, m, q) to (..., p, q).

    Stacking the assessors first makes it one matrix product for each data set.
    """
    stacked = left.reshape(*left.shape[:-3], -1, left.shape[-1])
    other = right.reshape(*right.shape[:-3], -1, right.shape[-1])
    return np.asarray(np.swapaxes(stacked, -1, -2) @ other)
