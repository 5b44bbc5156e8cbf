"""Hotelling's T-squared charts: several variables watched as one.

Fewer lots than variables make the covariance singular: reduce to few components first, and chart
the residual too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import betaincinv, chdtri, fdtri

from bulkflow.statistics.arguments import FloatArray, count, finite_array, open_fraction
from panels.errors import DataError, RangeError

__all__ = [
    "TSquaredChart",
    "individuals_limit",
    "sample_covariance",
    "subgroup_limit",
    "successive_difference_covariance",
    "t_squared_individuals",
    "t_squared_subgroups",
]

Phase = Literal["I", "II"]


@dataclass(frozen=True, slots=True)
class TSquaredChart:
    """T-squared values with their limit; signals count from 1."""

    t_squared: tuple[float, ...]
    limit: float
    alpha: float
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    signals: tuple[int, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return t_squared, limit and signal by point (the index, from 1)."""
        at = range(1, len(self.t_squared) + 1)
        return pd.DataFrame(
            {
                "t_squared": self.t_squared,
                "limit": self.limit,
                "signal": [i in self.signals for i in at],
            },
            index=pd.Index(at, name="point"),
        )


def sample_covariance(values: ArrayLike) -> FloatArray:
    """Return the usual covariance of the columns (divisor m - 1).

    Examples
    --------
    >>> sample_covariance([[1.0, 2.0], [3.0, 4.0]]).tolist()
    [[2.0, 2.0], [2.0, 2.0]]
    """
    table = finite_array("values", values, dimensions=2, least=2)
    return np.atleast_2d(np.cov(table, rowvar=False))


def successive_difference_covariance(values: ArrayLike) -> FloatArray:
    """Return ``V'V/(2 (m - 1))`` from differences of neighbours, which slow drift does not swell.

    References
    ----------
    Holmes and Mergen (1993) Quality Engineering 5, 619-625.

    Examples
    --------
    >>> successive_difference_covariance([[1.0, 2.0], [3.0, 4.0], [3.0, 3.0]]).tolist()
    [[1.0, 1.0], [1.0, 1.25]]
    """
    table = finite_array("values", values, dimensions=2, least=2)
    steps = np.diff(table, axis=0)
    return np.asarray(steps.T @ steps / (2.0 * steps.shape[0]), dtype=np.float64)


def individuals_limit(
    m: int,
    p: int,
    alpha: float,
    *,
    phase: Phase = "I",
    form: Literal["exact", "chi-square"] = "exact",
) -> float:
    """Return the limit of T-squared for single observations.

    Parameters
    ----------
    m : number of observations behind mean and covariance, above p + 1 (phase I) or p (phase II).
    p : number of variables.
    alpha : level of one point.
    phase : ``"I"`` for the observations themselves, ``"II"`` for new ones.
    form : ``"chi-square"`` is the large-sample limit.

    Notes
    -----
    Phase I ``(m - 1)²/m Beta(1 - alpha; p/2, (m - p - 1)/2)``; phase II
    ``p (m + 1)(m - 1)/(m² - m p) F(1 - alpha; p, m - p)`` (Tracy, Young and Mason 1992).

    Examples
    --------
    >>> round(individuals_limit(56, 2, 0.001), 4)
    12.3952
    """
    size, variables = count("m", m, least=2), count("p", p)
    level = 1.0 - open_fraction("alpha", alpha)
    if form == "chi-square":
        return float(chdtri(variables, 1.0 - level))
    if phase == "I":
        if size <= variables + 1:
            raise RangeError(f"phase I needs more than {variables + 1} observations; got {size}.")
        quantile = float(betaincinv(variables / 2.0, (size - variables - 1) / 2.0, level))
        return (size - 1) ** 2 / size * quantile
    if phase == "II":
        if size <= variables:
            raise RangeError(f"phase II needs more than {variables} observations; got {size}.")
        factor = variables * (size + 1) * (size - 1) / (size * (size - variables))
        return factor * float(fdtri(variables, size - variables, level))
    raise RangeError(f"phase is {phase!r}; it must be 'I' or 'II'.")


def subgroup_limit(m: int, n: int, p: int, alpha: float, *, phase: Phase = "I") -> float:
    """Return the limit of T-squared for means of subgroups.

    Parameters
    ----------
    m : number of subgroups.
    n : values in each, at least 2.
    p : number of variables.
    alpha : level of one point.
    phase : ``"I"`` for the subgroups themselves, ``"II"`` for new ones.

    Notes
    -----
    ``p (m - 1)(n - 1)/(m n - m - p + 1) F(1 - alpha; p, m n - m - p + 1)``; phase II with m + 1.

    Examples
    --------
    >>> (
    ...     round(subgroup_limit(20, 4, 2, 0.005), 4),
    ...     round(subgroup_limit(20, 4, 2, 0.005, phase="II"), 4),
    ... )
    (11.2144, 12.3948)
    """
    groups, size, variables = count("m", m, least=2), count("n", n, least=2), count("p", p)
    df = groups * size - groups - variables + 1
    if df < 1:
        raise RangeError("there are too few values for that many variables.")
    if phase not in ("I", "II"):
        raise RangeError(f"phase is {phase!r}; it must be 'I' or 'II'.")
    around = groups - 1 if phase == "I" else groups + 1
    quantile = float(fdtri(variables, df, 1.0 - open_fraction("alpha", alpha)))
    return variables * around * (size - 1) / df * quantile


def t_squared_subgroups(subgroups: ArrayLike, *, alpha: float = 0.005) -> TSquaredChart:
    """Return the phase I chart of subgroup means with the pooled covariance.

    Parameters
    ----------
    subgroups : array, (subgroups, values in each, variables).
    alpha : level of one point.

    Examples
    --------
    >>> import numpy as np
    >>> values = np.random.default_rng(1).normal(size=(10, 4, 2))
    >>> t_squared_subgroups(values).signals
    ()
    """
    cube = finite_array("subgroups", subgroups, dimensions=3, least=2)
    m, n, p = cube.shape
    if n < 2:
        raise DataError("subgroups need at least two values each.")
    means = cube.mean(1)
    inside = cube - means[:, None, :]
    covariance = np.einsum("mni,mnj->ij", inside, inside) / (m * (n - 1))
    limit = subgroup_limit(m, n, p, alpha)
    return _chart(means, means.mean(0), covariance, n, limit, alpha)


def t_squared_individuals(
    values: ArrayLike,
    *,
    alpha: float = 0.005,
    covariance: Literal["sample", "successive"] = "successive",
) -> TSquaredChart:
    """Return the phase I chart of single observations.

    Parameters
    ----------
    values : array, (observations, variables), in order of time.
    alpha : level of one point.
    covariance : ``"successive"`` differences, more sensitive to shifts, or the plain ``"sample"``.
        The limit is that of the plain covariance, near enough for the other where m is not small.

    Examples
    --------
    >>> import numpy as np
    >>> values = np.random.default_rng(1).normal(size=(30, 2))
    >>> len(t_squared_individuals(values).t_squared)
    30
    """
    table = finite_array("values", values, dimensions=2, least=3)
    if covariance == "successive":
        spread = successive_difference_covariance(table)
    elif covariance == "sample":
        spread = sample_covariance(table)
    else:
        raise RangeError(f"covariance is {covariance!r}; it must be 'sample' or 'successive'.")
    limit = individuals_limit(table.shape[0], table.shape[1], alpha)
    return _chart(table, table.mean(0), spread, 1, limit, alpha)


def _chart(
    points: FloatArray, mean: FloatArray, covariance: FloatArray, n: int, limit: float, alpha: float
) -> TSquaredChart:
    if np.linalg.matrix_rank(covariance, hermitian=True) < covariance.shape[0]:
        raise DataError(
            "the covariance is singular: a variable is constant, or follows from the others (shares"
            " that add up to 100 %). Leave one out."
        )
    away = points - mean
    values = n * np.einsum("ij,ij->i", away, np.linalg.solve(covariance, away.T).T)
    return TSquaredChart(
        t_squared=tuple(float(v) for v in values),
        limit=limit,
        alpha=alpha,
        mean=tuple(float(v) for v in mean),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        signals=tuple(int(i) + 1 for i in np.flatnonzero(values > limit)),
    )
