"""Ranks: Friedman, Page, Kendall, incomplete blocks, comparisons of rank sums.

Rows are assessors, columns products; scores are ranked within each row, ties sharing the mean
rank, so that ranks and scores may both be given. Small tables are exact: the distribution of the
rank sums is built row by row (see :mod:`panels.methods.rank_distributions`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc, ndtr, ndtri, stdtrit
from scipy.stats import rankdata, studentized_range

from bulkflow.statistics.arguments import FloatArray, count, finite_array, open_fraction
from panels.errors import DataError, RangeError
from panels.methods.dunnett import dunnett_critical
from panels.methods.rank_distributions import (
    exact_friedman_possible,
    exact_page_possible,
    friedman_critical_value,
    friedman_exact_p,
    page_critical_value,
    page_exact_p,
)

__all__ = [
    "DurbinTest",
    "FriedmanTest",
    "KendallW",
    "PageTest",
    "RankComparison",
    "compare_rank_sums",
    "conover_difference",
    "durbin",
    "friedman",
    "friedman_critical_value",
    "kendall_w",
    "page",
    "page_critical_value",
    "page_moments",
    "rank_sum_lsd",
    "rank_table",
]

PValueKind = Literal["auto", "exact", "chi-square"]


@dataclass(frozen=True, slots=True)
class FriedmanTest:
    """Friedman's test.

    ``statistic`` carries the correction for ties. ``method`` says where ``p_value`` comes from;
    ``chi_square_p`` and Iman and Davenport's F (better than chi-square for small panels) are given
    beside it.
    """

    assessors: int
    products: int
    rank_sums: tuple[float, ...]
    statistic: float
    df: int
    ties: bool
    method: Literal["exact", "chi-square"]
    p_value: float
    chi_square_p: float
    iman_davenport_f: float
    f_df: tuple[int, int]
    f_p: float


@dataclass(frozen=True, slots=True)
class PageTest:
    """Page's test for an order expected beforehand: L, its normal form, p-value."""

    assessors: int
    products: int
    statistic: float
    mean: float
    variance: float
    z: float
    method: Literal["exact", "normal"]
    p_value: float


@dataclass(frozen=True, slots=True)
class KendallW:
    """Kendall's coefficient of concordance, corrected for ties.

    ``sum_of_squares`` is S, the squared deviations of rank sums from their mean.
    """

    assessors: int
    products: int
    sum_of_squares: float
    w: float
    chi_square: float
    df: int
    method: Literal["exact", "chi-square"]
    p_value: float


@dataclass(frozen=True, slots=True)
class DurbinTest:
    """Durbin's test for incomplete blocks: chi-square and the better F form."""

    statistic: float
    df: int
    p_value: float
    f: float
    f_df: tuple[int, int]
    f_p: float
    rank_sums: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class RankComparison:
    """Pairs of products: difference of rank sums against the least difference that counts.

    ``level`` says whether ``least_difference`` holds for one pair or for all pairs together.
    """

    products: tuple[str, ...]
    rank_sums: tuple[float, ...]
    least_difference: float
    alpha: float
    level: Literal["pair", "family", "control"]

    def to_frame(self) -> pd.DataFrame:
        """Return one row a pair: first, second, difference, exceeds."""
        last = 1 if self.level == "control" else len(self.products)
        rows = [
            {
                "first": self.products[i],
                "second": self.products[j],
                "difference": self.rank_sums[i] - self.rank_sums[j],
                "exceeds": abs(self.rank_sums[i] - self.rank_sums[j]) >= self.least_difference,
            }
            for i in range(last)
            for j in range(i + 1, len(self.products))
        ]
        return pd.DataFrame(rows)


def rank_table(values: ArrayLike) -> FloatArray:
    """Return mid-ranks within each row (lowest value first).

    Examples
    --------
    >>> rank_table([[3.0, 1.0, 1.0]]).tolist()
    [[3.0, 1.5, 1.5]]
    """
    table = finite_array("values", values, dimensions=2)
    if table.shape[1] < 2:
        raise DataError("a ranking needs at least two products.")
    return np.asarray(rankdata(table, axis=1), dtype=np.float64)


def friedman(values: ArrayLike, *, p_value: PValueKind = "auto") -> FriedmanTest:
    """Return Friedman's test that no product ranks above another.

    Parameters
    ----------
    values : array, (assessors, products); ranks or scores, at least 2 by 2.
    p_value : ``"exact"``, ``"chi-square"`` or ``"auto"``: exact where the table is small enough.
        With ties the exact distribution permutes each row's own tied ranks.

    Notes
    -----
    ``F = [12/(J P (P + 1)) Σ R² - 3 J (P + 1)] / [1 - Σ (t³ - t)/(J P (P² - 1))]``; Iman and
    Davenport ``(J - 1) F/(J (P - 1) - F)`` on P - 1 and (J - 1)(P - 1) degrees of freedom.

    Raises
    ------
    DataError
        When every assessor ties everything, so that there are no ranks to test.

    References
    ----------
    ISO 8587; Conover (1999), Practical Nonparametric Statistics, section 5.8.

    Examples
    --------
    >>> test = friedman([[1, 2, 3], [1, 3, 2], [1, 2, 3], [2, 1, 3]])
    >>> test.statistic, test.method, round(test.p_value, 4)
    (4.5, 'exact', 0.125)
    """
    ranks = _complete(values)
    j, p = ranks.shape
    sums = ranks.sum(0)
    squares = float(((sums - sums.mean()) ** 2).sum())
    statistic = squares / _unit_variance(ranks)
    exact = _exact_wanted(p_value, exact_friedman_possible(ranks))
    chi_square_p = float(chdtrc(p - 1, statistic))
    rest = j * (p - 1) - statistic
    f = float("inf") if rest <= 1e-12 * j * p else (j - 1) * statistic / rest
    f_df = (p - 1, (j - 1) * (p - 1))
    return FriedmanTest(
        assessors=j,
        products=p,
        rank_sums=tuple(float(s) for s in sums),
        statistic=statistic,
        df=p - 1,
        ties=_has_ties(ranks),
        method="exact" if exact else "chi-square",
        p_value=friedman_exact_p(ranks) if exact else chi_square_p,
        chi_square_p=chi_square_p,
        iman_davenport_f=f,
        f_df=f_df,
        f_p=0.0 if np.isinf(f) else float(fdtrc(*f_df, f)),
    )


def kendall_w(values: ArrayLike, *, p_value: PValueKind = "auto") -> KendallW:
    """Return Kendall's W, how far the assessors' rankings agree (0 to 1).

    Parameters
    ----------
    values : array, (assessors, products); ranks or scores.
    p_value : as in :func:`friedman`.

    Notes
    -----
    ``W = 12 S/(J² (P³ - P) - J Σ (t³ - t)) = F/(J (P - 1))``; chi-square ``J (P - 1) W``.

    Examples
    --------
    >>> round(kendall_w([[1, 2, 3, 4], [1, 2, 4, 3], [2, 1, 3, 4]]).w, 4)
    0.8222
    """
    test = friedman(values, p_value=p_value)
    sums = np.array(test.rank_sums)
    return KendallW(
        assessors=test.assessors,
        products=test.products,
        sum_of_squares=float(((sums - sums.mean()) ** 2).sum()),
        w=test.statistic / (test.assessors * (test.products - 1)),
        chi_square=test.statistic,
        df=test.df,
        method=test.method,
        p_value=test.p_value,
    )


def page_moments(products: int, assessors: int) -> tuple[float, float]:
    """Return mean and variance of Page's L without ties.

    Notes
    -----
    Mean ``J P (P + 1)²/4``; variance ``J P² (P + 1)² (P - 1)/144``.

    Examples
    --------
    >>> page_moments(4, 10)
    (250.0, 83.33333333333333)
    """
    p, j = count("products", products, least=2), count("assessors", assessors)
    return j * p * (p + 1) ** 2 / 4.0, j * p**2 * (p + 1) ** 2 * (p - 1) / 144.0


def page(
    values: ArrayLike,
    *,
    order: Sequence[int] | None = None,
    p_value: Literal["auto", "exact", "normal"] = "auto",
) -> PageTest:
    """Return Page's test for an order of the products expected beforehand.

    Parameters
    ----------
    values : array, (assessors, products); ranks or scores.
    order : expected places of the columns, 1 lowest; as they stand if left out.
    p_value : ``"exact"``, ``"normal"``, or exact where the table is small enough. Ties enter the
        exact form by permuting each row's own ranks, and the normal form by the rows' variance.

    References
    ----------
    Page (1963) Journal of the American Statistical Association 58, 216-230.

    Examples
    --------
    >>> test = page([[1, 2, 3], [1, 2, 3], [1, 3, 2], [1, 2, 3]])
    >>> test.statistic, round(test.p_value, 4)
    (55.0, 0.0069)
    """
    ranks = _complete(values)
    j, p = ranks.shape
    places = np.arange(1, p + 1) if order is None else np.asarray(order)
    if sorted(places.tolist()) != list(range(1, p + 1)):
        raise RangeError(f"order must hold each place from 1 to {p} once.")
    statistic = float(places @ ranks.sum(0))
    mean = j * p * (p + 1) ** 2 / 4.0
    centred = places - places.mean()
    variance = float((centred @ centred) * ranks.var(axis=1, ddof=1).sum())
    z = (statistic - mean) / float(np.sqrt(variance))
    if p_value not in ("auto", "exact", "normal"):
        raise RangeError(f"p_value is {p_value!r}; it must be 'auto', 'exact' or 'normal'.")
    possible = exact_page_possible(ranks)
    if p_value == "exact" and not possible:
        raise RangeError(f"{j} by {p} is too large for the exact distribution; use 'normal'.")
    exact = possible and p_value != "normal"
    return PageTest(
        assessors=j,
        products=p,
        statistic=statistic,
        mean=mean,
        variance=variance,
        z=z,
        method="exact" if exact else "normal",
        p_value=page_exact_p(ranks, places) if exact else float(ndtr(-z)),
    )


def durbin(values: ArrayLike) -> DurbinTest:
    """Return Durbin's test for balanced incomplete blocks, ties allowed.

    Parameters
    ----------
    values : array, (assessors, products), NaN where an assessor did not get the product. Everyone
        gets the same number of products, every product is served equally often.

    Notes
    -----
    Conover (1999) section 5.9: with r servings of each product, k a block, A = Σ ranks²,
    C = b k (k + 1)²/4: T1 = (t - 1) Σ (R - r (k + 1)/2)²/(A - C);
    T2 = [T1/(t - 1)]/[(b k - b - T1)/(b k - b - t + 1)].

    Examples
    --------
    >>> nan = float("nan")
    >>> test = durbin([[1, 2, nan], [1, nan, 2], [nan, 1, 2]])
    >>> round(test.statistic, 4)
    2.6667
    """
    table = np.asarray(values, dtype=np.float64)
    if table.ndim != 2 or np.isinf(table).any():
        raise DataError("values must be a table of finite numbers, NaN where nothing was served.")
    served = ~np.isnan(table)
    block, times = served.sum(1), served.sum(0)
    if np.ptp(block) or np.ptp(times) or block.size == 0 or block.min() < 2:
        raise DataError(
            "every assessor must get the same number of products (2 or more), and every product"
            " be served equally often."
        )
    b, t, k, r = table.shape[0], table.shape[1], int(block[0]), int(times[0])
    ranks = np.where(served, np.asarray(rankdata(table, axis=1, nan_policy="omit")), 0.0)
    sums = ranks.sum(0)
    spread = float((ranks**2).sum()) - b * k * (k + 1) ** 2 / 4.0
    if spread <= 0.0:
        raise DataError("every assessor ties everything, so there are no ranks to test.")
    t1 = (t - 1) * float(((sums - r * (k + 1) / 2.0) ** 2).sum()) / spread
    df2 = b * k - b - t + 1
    rest = b * k - b - t1
    f = float("inf") if rest <= 1e-12 * b * k else (t1 / (t - 1)) / (rest / df2)
    return DurbinTest(
        statistic=t1,
        df=t - 1,
        p_value=float(chdtrc(t - 1, t1)),
        f=f,
        f_df=(t - 1, df2),
        f_p=0.0 if np.isinf(f) else float(fdtrc(t - 1, df2, f)),
        rank_sums=tuple(float(s) for s in sums),
    )


def rank_sum_lsd(
    assessors: int,
    products: int,
    alpha: float = 0.05,
    *,
    per_block: int | None = None,
    servings: int | None = None,
    together: int | None = None,
) -> float:
    """Return the least significant difference of two rank sums after a significant Friedman test.

    Parameters
    ----------
    assessors, products : J and P.
    alpha : level for one pair.
    per_block, servings, together : for incomplete blocks: products each assessor ranks, times each
        product is served, times each pair meets; all three or none.

    Notes
    -----
    Complete: ``z sqrt(J P (P + 1)/6)``. Incomplete, from the variance of ranks within a block of
    k: ``z sqrt((k + 1)(n (k - 1) + g)/6)`` with n servings and g meetings.

    References
    ----------
    ISO 8587.

    Examples
    --------
    >>> round(rank_sum_lsd(12, 4), 4)
    12.3959
    """
    j, p = count("assessors", assessors), count("products", products, least=2)
    z = float(ndtri(1.0 - open_fraction("alpha", alpha) / 2.0))
    if per_block is None and servings is None and together is None:
        return z * float(np.sqrt(j * p * (p + 1) / 6.0))
    if per_block is None or servings is None or together is None:
        raise RangeError("incomplete blocks need per_block, servings and together.")
    k = count("per_block", per_block, least=2)
    if servings * (k - 1) != together * (p - 1) or servings * p != j * k:
        raise RangeError("these incomplete blocks do not balance.")
    return z * float(np.sqrt((k + 1) * (servings * (k - 1) + together) / 6.0))


def compare_rank_sums(
    values: ArrayLike,
    *,
    products: Sequence[str] | None = None,
    alpha: float = 0.05,
    level: Literal["pair", "family", "control"] = "family",
) -> RankComparison:
    """Return the comparisons of rank sums.

    Parameters
    ----------
    values : array, (assessors, products); ranks or scores.
    products : names of the columns; with ``level="control"`` the first is the control.
    alpha : level.
    level : ``"pair"`` Fisher's least significant difference (after a significant Friedman test);
        ``"family"`` all pairs together (Nemenyi, studentised range); ``"control"`` each against
        the first column together (Dunnett's many-to-one, large-sample).

    Notes
    -----
    Ties narrow the variance of the rank sums; the mean square of the ranks within rows is used.

    Examples
    --------
    >>> table = [[1, 2, 3], [1, 3, 2], [1, 2, 3], [2, 1, 3]]
    >>> round(compare_rank_sums(table, level="family").least_difference, 2)
    6.63
    """
    ranks = _complete(values)
    p = ranks.shape[1]
    names = tuple(products or (str(i + 1) for i in range(p)))
    if len(names) != p:
        raise DataError(f"{len(names)} names for {p} products.")
    open_fraction("alpha", alpha)
    error = float(np.sqrt(2.0 * ranks.var(axis=1, ddof=1).sum()))
    if level == "pair":
        multiple = float(ndtri(1.0 - alpha / 2.0))
    elif level == "family":
        multiple = float(studentized_range.ppf(1.0 - alpha, p, np.inf)) / float(np.sqrt(2.0))
    elif level == "control":
        multiple = dunnett_critical(p - 1, float("inf"), alpha)
    else:
        raise RangeError(f"level is {level!r}; it must be 'pair', 'family' or 'control'.")
    return RankComparison(
        products=names,
        rank_sums=tuple(float(s) for s in ranks.sum(0)),
        least_difference=multiple * error,
        alpha=alpha,
        level=level,
    )


def conover_difference(values: ArrayLike, alpha: float = 0.05) -> float:
    """Return Conover's least difference of rank sums, which uses the spread the data show.

    Notes
    -----
    ``t sqrt(2 (J A - Σ R²)/((J - 1)(P - 1)))``, A the sum of squared ranks; t on (J - 1)(P - 1)
    degrees of freedom. Conover (1999) section 5.8.

    Examples
    --------
    >>> round(conover_difference([[1, 2, 3], [1, 3, 2], [1, 2, 3], [2, 1, 3]]), 2)
    5.29
    """
    ranks = _complete(values)
    j, p = ranks.shape
    df = (j - 1) * (p - 1)
    inside = 2.0 * (j * float((ranks**2).sum()) - float((ranks.sum(0) ** 2).sum())) / df
    t = float(stdtrit(df, 1.0 - open_fraction("alpha", alpha) / 2.0))
    return t * float(np.sqrt(max(inside, 0.0)))


def _complete(values: ArrayLike) -> FloatArray:
    ranks = rank_table(values)
    if ranks.shape[0] < 2:
        raise DataError("a ranking test needs at least two assessors.")
    if ranks.var(axis=1).sum() == 0.0:
        raise DataError("every assessor ties everything, so there are no ranks to test.")
    return ranks


def _unit_variance(ranks: FloatArray) -> float:
    """Scale that turns squared deviations of rank sums into Friedman's statistic."""
    return float(ranks.var(axis=1, ddof=1).sum())


def _has_ties(ranks: FloatArray) -> bool:
    return bool((np.diff(np.sort(ranks, axis=1), axis=1) == 0.0).any())


def _exact_wanted(kind: str, possible: bool) -> bool:  # noqa: FBT001 - private, one caller
    if kind not in ("auto", "exact", "chi-square"):
        raise RangeError(f"p_value is {kind!r}; it must be 'auto', 'exact' or 'chi-square'.")
    if kind == "exact" and not possible:
        raise RangeError("the table is too large for the exact distribution; use 'chi-square'.")
    return possible and kind != "chi-square"
