"""Category scores as what they are: an ordered-response (cumulative link) model.

Categories need not be equally far apart; the model estimates where they part and how far each
factor shifts the response. The logistic link is the proportional-odds model; the probit link gives
Thurstone's distances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, expit, ndtr, ndtri

from bulkflow.statistics.arguments import FloatArray, finite_array, open_fraction
from panels.errors import ConvergenceError, DataError

__all__ = ["Link", "OrdinalFit", "ordinal_fit", "treatment_design"]

Link = Literal["logit", "probit"]

_ROUNDS = 200
_LARGEST_EFFECT: dict[Link, float] = {"logit": 15.0, "probit": 8.0}
"""A factor that moves the response by more than this on the scale of the link separates the data:
the likelihood is flat there and the estimate runs away."""


@dataclass(frozen=True, slots=True)
class OrdinalFit:
    """A fitted cumulative link model.

    ``P(response <= category j) = F(threshold_j - effects . x)``: a positive effect means higher
    categories. ``covariance`` is in the order thresholds, effects.
    """

    link: Link
    names: tuple[str, ...]
    categories: tuple[float, ...]
    effects: tuple[float, ...]
    standard_errors: tuple[float, ...]
    thresholds: tuple[float, ...]
    threshold_errors: tuple[float, ...]
    log_likelihood: float
    null_log_likelihood: float
    observations: float
    covariance: tuple[tuple[float, ...], ...]

    @property
    def likelihood_ratio(self) -> float:
        """Chi-square of all effects together, on as many degrees of freedom."""
        return max(0.0, 2.0 * (self.log_likelihood - self.null_log_likelihood))

    @property
    def p_value(self) -> float:
        """P-value of the likelihood ratio of all effects together."""
        return float(chdtrc(len(self.effects), self.likelihood_ratio))

    def effect(self, name: str) -> float:
        """Return the effect of that name [units of the link]."""
        return self.effects[self._position(name)]

    def interval(self, name: str, confidence: float = 0.95) -> tuple[float, float]:
        """Return the Wald interval of an effect."""
        at = self._position(name)
        reach = float(ndtri(0.5 + open_fraction("confidence", confidence) / 2.0))
        half = reach * self.standard_errors[at]
        return self.effects[at] - half, self.effects[at] + half

    def to_frame(self) -> pd.DataFrame:
        """Return estimate, standard_error, z and p_value by effect (index ``effect``)."""
        z = np.array(self.effects) / np.array(self.standard_errors)
        return pd.DataFrame(
            {
                "estimate": self.effects,
                "standard_error": self.standard_errors,
                "z": z,
                "p_value": 2.0 * ndtr(-np.abs(z)),
            },
            index=pd.Index(self.names, name="effect"),
        )

    def _position(self, name: str) -> int:
        if name not in self.names:
            raise DataError(f"no effect {name!r}; the model has {', '.join(self.names)}.")
        return self.names.index(name)


def treatment_design(
    frame: pd.DataFrame, factors: Sequence[str]
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return indicator columns of factors, the first level of each (in sorted order) as base.

    Parameters
    ----------
    frame : one row for each response.
    factors : columns to use.

    Returns
    -------
    matrix, (rows, columns), and names such as ``temperature=warm``.
    """
    columns, names = [], []
    for factor in factors:
        if factor not in frame.columns:
            raise DataError(f"the table has no column {factor}.")
        levels = sorted(frame[factor].astype(str).unique())
        for level in levels[1:]:
            columns.append((frame[factor].astype(str) == level).to_numpy(dtype=np.float64))
            names.append(f"{factor}={level}")
    if not columns:
        raise DataError("no factor has more than one level.")
    return np.column_stack(columns), tuple(names)


def ordinal_fit(
    responses: ArrayLike,
    design: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    weights: ArrayLike | None = None,
    link: Link = "logit",
) -> OrdinalFit:
    """Return the maximum likelihood fit of a cumulative link model.

    Parameters
    ----------
    responses : array, (rows,) ordered categories as numbers; categories nobody used are left out.
    design : array, (rows, effects) without a constant column.
    names : of the effects.
    weights : how often each row was seen; once if left out.
    link : ``"logit"`` (proportional odds) or ``"probit"``.

    Raises
    ------
    DataError
        When fewer than two categories were used or the columns are not independent.
    ConvergenceError
        When an effect separates the categories wholly, so that no finite estimate exists.

    References
    ----------
    McCullagh (1980) Journal of the Royal Statistical Society B 42, 109-142.

    Examples
    --------
    >>> fit = ordinal_fit([1, 1, 2, 2, 3, 2, 3, 3, 3, 1], [[0]] * 5 + [[1]] * 5)
    >>> round(fit.effects[0], 3)
    1.444
    """
    y = finite_array("responses", responses, least=2)
    x = finite_array("design", design, dimensions=2, least=2)
    if x.shape[0] != y.size:
        raise DataError(f"{y.size} responses but {x.shape[0]} rows of the design.")
    w = np.ones(y.size) if weights is None else finite_array("weights", weights)
    if w.size != y.size or (w < 0.0).any():
        raise DataError("weights must be one number of 0 or more for each response.")
    seen = w > 0.0
    y, x, w = y[seen], x[seen], w[seen]
    categories, at = np.unique(y, return_inverse=True)
    if categories.size < 2:
        raise DataError("fewer than two categories were used; there is nothing to model.")
    if np.linalg.matrix_rank(np.column_stack([np.ones(y.size), x])) <= x.shape[1]:
        raise DataError("the columns of the design are not independent (or one is constant).")
    labels = tuple(names or (f"x{i + 1}" for i in range(x.shape[1])))
    cut = int(categories.size) - 1
    shares = np.cumsum(np.bincount(at, weights=w))[:-1] / w.sum()
    start = np.log(shares / (1.0 - shares)) if link == "logit" else ndtri(shares)
    null_value = _log_likelihood(np.concatenate([start, np.zeros(x.shape[1])]), at, x, w, cut, link)
    best = _newton(np.concatenate([start, np.zeros(x.shape[1])]), at, x, w, cut, link)
    information = -_derivatives(best, at, x, w, cut, link)[2]
    covariance = np.linalg.inv(information)
    errors = np.sqrt(np.diag(covariance))
    return OrdinalFit(
        link=link,
        names=labels,
        categories=tuple(float(c) for c in categories),
        effects=tuple(float(v) for v in best[cut:]),
        standard_errors=tuple(float(v) for v in errors[cut:]),
        thresholds=tuple(float(v) for v in best[:cut]),
        threshold_errors=tuple(float(v) for v in errors[:cut]),
        log_likelihood=_log_likelihood(best, at, x, w, cut, link),
        null_log_likelihood=null_value,
        observations=float(w.sum()),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
    )


def _newton(
    start: FloatArray,
    at: NDArray[np.intp],
    x: FloatArray,
    w: FloatArray,
    cut: int,
    link: Link,
) -> FloatArray:
    """Climb the log-likelihood, which is concave for both links (Pratt 1981)."""
    place, value = start, _log_likelihood(start, at, x, w, cut, link)
    for _ in range(_ROUNDS):
        _, gradient, hessian = _derivatives(place, at, x, w, cut, link)
        try:
            step = np.linalg.solve(-hessian, gradient)
        except np.linalg.LinAlgError as error:
            raise ConvergenceError("the ordered-response model has no unique fit.") from error
        length = 1.0
        while True:
            moved = place + length * step
            new_value = _log_likelihood(moved, at, x, w, cut, link)
            if new_value >= value or length < 1e-8:
                break
            length /= 2.0
        gain = float(gradient @ step)
        place, value = moved, max(new_value, value)
        if (np.abs(place[cut:]) * np.ptp(x, axis=0)).max() > _LARGEST_EFFECT[link]:
            break
        if gain < 1e-16 * (1.0 + abs(value)):
            return place
    raise ConvergenceError(
        "the ordered-response model does not settle: an effect separates the categories wholly."
    )


def _edges(place: FloatArray, at: NDArray[np.intp], x: FloatArray, cut: int) -> FloatArray:
    """Return upper and lower limits of each row's category on the link scale, (2, rows)."""
    limits = np.concatenate([[-np.inf], place[:cut], [np.inf]])
    shift = x @ place[cut:]
    return np.stack([limits[at + 1] - shift, limits[at] - shift])


def _log_likelihood(
    place: FloatArray, at: NDArray[np.intp], x: FloatArray, w: FloatArray, cut: int, link: Link
) -> float:
    if (np.diff(place[:cut]) <= 0.0).any():
        return -np.inf
    chance = _chance(_edges(place, at, x, cut), link)
    return float(w @ np.log(chance)) if (chance > 0.0).all() else -np.inf


def _chance(edges: FloatArray, link: Link) -> FloatArray:
    """Probability between two limits, taken in the lower tail where that is more accurate."""
    upper, lower = edges
    flip = lower > 0.0
    high, low = np.where(flip, -lower, upper), np.where(flip, -upper, lower)
    share = expit if link == "logit" else ndtr
    return np.asarray(share(high) - share(low), dtype=np.float64)


def _densities(edge: FloatArray, link: Link) -> tuple[FloatArray, FloatArray]:
    """Density of the link and its slope; both 0 at the infinite ends."""
    if link == "logit":
        share = expit(edge)
        density = share * (1.0 - share)
        return np.asarray(density), np.asarray(density * (1.0 - 2.0 * share))
    finite = np.where(np.isfinite(edge), edge, 0.0)
    density = np.where(np.isfinite(edge), np.exp(-0.5 * finite**2) / np.sqrt(2.0 * np.pi), 0.0)
    return np.asarray(density), np.asarray(-finite * density)


def _derivatives(
    place: FloatArray, at: NDArray[np.intp], x: FloatArray, w: FloatArray, cut: int, link: Link
) -> tuple[float, FloatArray, FloatArray]:
    edges = _edges(place, at, x, cut)
    chance = _chance(edges, link)
    rows = np.arange(at.size)
    # Jacobian of each limit with respect to (thresholds, effects); infinite limits have none.
    jacobians = []
    for offset in (0, -1):
        jacobian = np.zeros((at.size, cut + x.shape[1]))
        index = at + offset
        inside = (index >= 0) & (index < cut)
        jacobian[rows[inside], index[inside]] = 1.0
        jacobian[:, cut:] = -x
        jacobians.append(jacobian)
    (upper, upper_slope), (lower, lower_slope) = (_densities(edge, link) for edge in edges)
    first = upper[:, None] * jacobians[0] - lower[:, None] * jacobians[1]
    ratio = first / chance[:, None]
    gradient = w @ ratio
    hessian = (jacobians[0] * (w * upper_slope / chance)[:, None]).T @ jacobians[0]
    hessian -= (jacobians[1] * (w * lower_slope / chance)[:, None]).T @ jacobians[1]
    hessian -= (ratio * w[:, None]).T @ ratio
    return float(w @ np.log(chance)), np.asarray(gradient), np.asarray(hessian)
