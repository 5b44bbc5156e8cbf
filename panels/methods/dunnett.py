"""Several lots against one control (Dunnett 1955): quantiles and adjusted p-values.

``k`` counts the lots compared; the control is not among them (some printed tables count it).
Computed by quadrature, not by random sampling, so that the same data always give the same digits.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import chdtri, gammaln, ndtr

from bulkflow.statistics.arguments import FloatArray, at_least, count, finite_array, open_fraction
from panels.errors import RangeError
from panels.methods.protocols import Sided

__all__ = [
    "dunnett_critical",
    "dunnett_p_value",
    "minimum_significant_difference",
    "sizes_to_loadings",
]

LARGEST_COMPARISONS = 100
"""Beyond this many lots no panel works, and the quadrature is not checked."""


def dunnett_critical(
    comparisons: int,
    df: float,
    alpha: float = 0.05,
    *,
    sided: Sided = "two",
    sizes: Sequence[float] | None = None,
    control_size: float | None = None,
) -> float:
    """Return the critical value of Dunnett's t for all comparisons together.

    Parameters
    ----------
    comparisons : number k of lots compared with the control, 1 to 100.
    df : degrees of freedom of the standard error; ``inf`` allowed, at least 1.
    alpha : level of the whole family, strictly between 0 and 1.
    sided : ``"one"`` for "more than the control", ``"two"`` for "different".
    sizes, control_size : numbers of scores behind each lot and behind the control, where they are
        unequal; equal sizes (correlation 0.5) if left out.

    Notes
    -----
    With ``b_i^2 = n_i / (n_i + n_0)`` and the common control removed by conditioning,
    ``P(all |T_i| <= c) = ∫ f(s) ∫ φ(z) Π [Φ((b_i z + c s)/r_i) - Φ((b_i z - c s)/r_i)] dz ds``
    with ``r_i = √(1 - b_i²)``,
    where s is a chi variable over the root of its degrees of freedom.

    References
    ----------
    Dunnett (1955) Journal of the American Statistical Association 50, 1096-1121.

    Examples
    --------
    >>> round(dunnett_critical(3, 24), 3)
    2.507
    >>> round(dunnett_critical(9, float("inf"), sided="one"), 2)
    2.42
    """
    open_fraction("alpha", alpha)
    loadings = _loadings(comparisons, sizes, control_size)
    return _critical(loadings, at_least("df", df, 1.0), float(alpha), _check(sided))


def dunnett_p_value(
    t: float,
    comparisons: int,
    df: float,
    *,
    sided: Sided = "two",
    sizes: Sequence[float] | None = None,
    control_size: float | None = None,
) -> float:
    """Return the adjusted p-value of one comparison out of ``comparisons``.

    Parameters
    ----------
    t : the difference over its standard error (sign matters in the one-sided form).
    comparisons, df, sided, sizes, control_size : as in :func:`dunnett_critical`.

    Examples
    --------
    >>> round(dunnett_p_value(2.1805, 3, 24), 5)
    0.09779
    """
    value = float(finite_array("t", [t])[0])
    loadings = _loadings(comparisons, sizes, control_size)
    bound = abs(value) if _check(sided) == "two" else value
    inside = _probability(bound, loadings, at_least("df", df, 1.0), sided)
    return min(1.0, max(0.0, 1.0 - inside))


def minimum_significant_difference(
    standard_error: float, comparisons: int, df: float, alpha: float = 0.05, *, sided: Sided = "two"
) -> float:
    """Return the smallest difference from the control that is significant (equal sizes).

    Parameters
    ----------
    standard_error : of a difference of two means [score].
    comparisons, df, alpha, sided : as in :func:`dunnett_critical`.

    Examples
    --------
    >>> round(minimum_significant_difference(4.3568, 3, 24), 2)
    10.92
    """
    return dunnett_critical(comparisons, df, alpha, sided=sided) * at_least(
        "standard_error", standard_error, 0.0
    )


def sizes_to_loadings(sizes: ArrayLike, control_size: float) -> FloatArray:
    """Return b_i with correlation b_i b_j between comparisons i and j."""
    lots = finite_array("sizes", sizes)
    if (lots <= 0).any() or not control_size > 0:
        raise RangeError("every lot and the control need at least one score.")
    return np.sqrt(lots / (lots + control_size))


def _check(sided: str) -> Sided:
    if sided == "one":
        return "one"
    if sided == "two":
        return "two"
    raise RangeError(f"sided is {sided!r}; it must be 'one' or 'two'.")


def _loadings(
    comparisons: int, sizes: Sequence[float] | None, control_size: float | None
) -> tuple[tuple[float, int], ...]:
    """Group equal loadings, so that equal sizes cost one evaluation whatever k is."""
    k = count("comparisons", comparisons)
    if k > LARGEST_COMPARISONS:
        raise RangeError(f"comparisons is {k}; at most {LARGEST_COMPARISONS} are handled.")
    if (sizes is None) != (control_size is None):
        raise RangeError("give both sizes and control_size, or neither.")
    if sizes is None or control_size is None:
        return ((float(np.sqrt(0.5)), k),)
    if len(sizes) != k:
        raise RangeError(f"{len(sizes)} sizes for {k} comparisons.")
    values, times = np.unique(sizes_to_loadings(sizes, control_size), return_counts=True)
    return tuple((float(b), int(m)) for b, m in zip(values, times, strict=True))


@lru_cache(maxsize=4096)
def _critical(
    loadings: tuple[tuple[float, int], ...], df: float, alpha: float, sided: Sided
) -> float:
    def excess(bound: float) -> float:
        return 1.0 - _probability(bound, loadings, df, sided) - alpha

    low = 0.0 if sided == "two" else -20.0
    high = 4.0
    while excess(high) > 0.0:
        low, high = high, 2.0 * high
    while excess(low) < 0.0:
        low = 2.0 * low
    return float(brentq(excess, low, high, xtol=1e-10))


def _probability(
    bound: float, loadings: tuple[tuple[float, int], ...], df: float, sided: Sided
) -> float:
    """P(every T_i <= bound), or in absolute value."""
    z, z_mass = _normal_rule()
    s, s_mass = _chi_rule(df)
    reach = bound * s[:, None]
    product = np.ones((s.size, z.size))
    for loading, times in loadings:
        rest = np.sqrt(1.0 - loading**2)
        factor = ndtr((reach + loading * z) / rest)
        if sided == "two":
            factor = factor - ndtr((loading * z - reach) / rest)
        product *= factor**times
    return float(s_mass @ product @ z_mass)


@lru_cache(maxsize=1)
def _normal_rule() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(120)
    z = 8.5 * nodes
    mass = weights * np.exp(-0.5 * z * z)
    return z, mass / mass.sum()


@lru_cache(maxsize=512)
def _chi_rule(df: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and probability masses of chi over the root of its degrees of freedom.

    Pieces end at quantiles of chi-square, with more of them towards 0, where few degrees of
    freedom put the difficulty; masses are scaled to sum to 1 so that tails keep their accuracy.
    """
    if np.isinf(df):
        return np.ones(1), np.ones(1)
    levels = np.array([1e-10, 1e-6, 1e-4, 1e-2, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1 - 1e-4, 1 - 1e-8])
    cuts = np.concatenate(([0.0], np.sqrt(chdtri(df, 1.0 - levels) / df)))
    last = float(np.sqrt(chdtri(df, 1e-16) / df))
    cuts = np.append(cuts, last)
    nodes, weights = np.polynomial.legendre.leggauss(16)
    half = np.diff(cuts) / 2.0
    s = (cuts[:-1, None] + half[:, None] * (nodes + 1.0)).ravel()
    log_density = (df - 1.0) * np.log(s) - df * s * s / 2.0
    log_density += (df / 2.0) * np.log(df / 2.0) - gammaln(df / 2.0) + np.log(2.0)
    mass = (half[:, None] * weights).ravel() * np.exp(log_density)
    return s, mass / mass.sum()
