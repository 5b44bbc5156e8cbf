"""Repeatability and reproducibility, and which assessor or laboratory stands out.

ISO 5725-2 and ASTM E691, with assessors in place of laboratories where a panel is judged.
At 5 % a value is a warning, at 1 % a reason to act, one cell at a time; a pattern over several
samples matters more than one cell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import fdtri, stdtrit

from bulkflow.errors import DataError
from bulkflow.statistics.arguments import FloatArray, count, finite_array, open_fraction

__all__ = [
    "PrecisionResult",
    "cochran_limit",
    "grubbs_limit",
    "mandel_h_limit",
    "mandel_k_limit",
    "precision",
]


@dataclass(frozen=True, slots=True)
class PrecisionResult:
    """Precision of one material over several laboratories (or assessors).

    ``repeatability_limit`` and ``reproducibility_limit`` are 2.8 times the standard deviations:
    the difference of two single results exceeded once in twenty. ``h`` and ``k`` are Mandel's
    statistics, in the order of ``laboratories``.
    """

    laboratories: tuple[str, ...]
    replicates: tuple[int, ...]
    mean: float
    cell_means: tuple[float, ...]
    cell_deviations: tuple[float, ...]
    standard_deviation_of_means: float
    repeatability: float
    between: float
    reproducibility: float
    h: tuple[float, ...]
    k: tuple[float, ...]

    @property
    def repeatability_limit(self) -> float:
        """Limit r of ISO 5725-2, 2.8 s_r."""
        return 2.8 * self.repeatability

    @property
    def reproducibility_limit(self) -> float:
        """Limit R of ISO 5725-2, 2.8 s_R."""
        return 2.8 * self.reproducibility

    @property
    def cochran(self) -> float:
        """Cochran's C: the largest variance as a share of all."""
        squares = np.array(self.cell_deviations) ** 2
        return float(squares.max() / squares.sum()) if squares.sum() > 0.0 else float("nan")

    def to_frame(self) -> pd.DataFrame:
        """Return replicates, mean, standard_deviation, h and k by laboratory (the index)."""
        return pd.DataFrame(
            {
                "replicates": self.replicates,
                "mean": self.cell_means,
                "standard_deviation": self.cell_deviations,
                "h": self.h,
                "k": self.k,
            },
            index=pd.Index(self.laboratories, name="laboratory"),
        )


def mandel_h_limit(p: int, alpha: float = 0.01) -> float:
    """Return the limit of Mandel's h, by the exact formula.

    Parameters
    ----------
    p : number of laboratories or assessors, at least 3.
    alpha : two-sided level (0.01 act, 0.05 warn).

    Notes
    -----
    ``(p - 1) t / sqrt(p (t² + p - 2))`` with t(1 - alpha/2, p - 2). The 1994 table differs by
    0.01 in places, being rounded from an approximation.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and Table 6; Wilrich (2013).

    Examples
    --------
    >>> round(mandel_h_limit(9, 0.05), 3)
    1.777
    """
    laboratories = count("p", p, least=3)
    t = float(stdtrit(laboratories - 2, 1.0 - open_fraction("alpha", alpha) / 2.0))
    return (laboratories - 1) * t / float(np.sqrt(laboratories * (t * t + laboratories - 2)))


def mandel_k_limit(p: int, n: int, alpha: float = 0.01) -> float:
    """Return the limit of Mandel's k, by the exact formula.

    Parameters
    ----------
    p : number of laboratories or assessors, at least 2.
    n : replicates in each, at least 2.
    alpha : one-sided level.

    Notes
    -----
    ``sqrt(p F/(F + p - 1))`` with F(1 - alpha; n - 1, (p - 1)(n - 1)).

    Examples
    --------
    >>> round(mandel_k_limit(9, 2, 0.05), 4)
    1.8957
    """
    laboratories, replicates = count("p", p, least=2), count("n", n, least=2)
    f = float(
        fdtri(
            replicates - 1,
            (laboratories - 1) * (replicates - 1),
            1.0 - open_fraction("alpha", alpha),
        )
    )
    return float(np.sqrt(laboratories * f / (f + laboratories - 1)))


def cochran_limit(p: int, n: int, alpha: float = 0.05) -> float:
    """Return the limit of Cochran's C for ``p`` variances of ``n`` results each.

    Notes
    -----
    ``1/(1 + (p - 1)/F)`` with F(1 - alpha/p; n - 1, (p - 1)(n - 1)): exact to the printed digits
    of ISO 5725-2:1994 Table 4 (Bonferroni bound).

    Examples
    --------
    >>> round(cochran_limit(8, 3, 0.05), 3)
    0.516
    """
    variances, replicates = count("p", p, least=2), count("n", n, least=2)
    share = open_fraction("alpha", alpha) / variances
    f = float(fdtri(replicates - 1, (variances - 1) * (replicates - 1), 1.0 - share))
    return 1.0 / (1.0 + (variances - 1) / f)


def grubbs_limit(p: int, alpha: float = 0.05) -> float:
    """Return the two-sided limit of Grubbs' test for one outlying mean among ``p``.

    Notes
    -----
    ``(p - 1)/sqrt(p) sqrt(t²/(p - 2 + t²))`` with t(1 - alpha/(2 p), p - 2); ISO 5725-2 Table 5.

    Examples
    --------
    >>> round(grubbs_limit(8, 0.05), 2)
    2.13
    """
    means = count("p", p, least=3)
    t = float(stdtrit(means - 2, 1.0 - open_fraction("alpha", alpha) / (2.0 * means)))
    return (means - 1) / float(np.sqrt(means)) * float(np.sqrt(t * t / (means - 2 + t * t)))


def precision(results: Mapping[str, Sequence[float]] | ArrayLike) -> PrecisionResult:
    """Return repeatability, reproducibility and Mandel's statistics of one material.

    Parameters
    ----------
    results : replicates by laboratory, or array (laboratories, replicates). At least two
        laboratories; numbers of replicates may differ, and one laboratory must have two.

    Notes
    -----
    s_r² is pooled within; s_L² = (s_d² - s_r²)/n̄, cut at 0, where s_d² is the mean square between
    and n̄ the effective number of replicates (ISO 5725-2, 7.4.5); s_R² = s_r² + s_L². For
    equal replicates this is ASTM E691's ``max(sqrt(s_x² + s_r² (1 - 1/n)), s_r)``.
    ``h = (x̄_i - x̄)/s_x``, ``k = s_i/s_r``.

    Examples
    --------
    >>> result = precision([[10.1, 10.3], [10.0, 10.2], [10.8, 10.6]])
    >>> round(result.repeatability, 3), round(result.reproducibility, 3)
    (0.141, 0.337)
    """
    cells = _cells(results)
    sizes = np.array([values.size for values in cells.values()])
    if len(cells) < 2:
        raise DataError("precision needs at least two laboratories.")
    if sizes.max() < 2:
        raise DataError("nobody has replicates, so repeatability cannot be seen.")
    means = np.array([values.mean() for values in cells.values()])
    spreads = np.array(
        [values.std(ddof=1) if values.size > 1 else np.nan for values in cells.values()]
    )
    p, total = len(cells), int(sizes.sum())
    within = float(np.nansum((sizes - 1) * spreads**2) / (sizes - 1).sum())
    mean = float(sizes @ means / total)
    effective = (total - float((sizes**2).sum()) / total) / (p - 1)
    among = float(sizes @ (means - mean) ** 2) / (p - 1)
    between = max(0.0, (among - within) / effective)
    s_x = float(means.std(ddof=1))
    repeatability = float(np.sqrt(within))
    floor = 1e-12 * float(np.abs(means).max())
    return PrecisionResult(
        laboratories=tuple(cells),
        replicates=tuple(int(n) for n in sizes),
        mean=mean,
        cell_means=tuple(float(m) for m in means),
        cell_deviations=tuple(float(s) for s in spreads),
        standard_deviation_of_means=s_x,
        repeatability=repeatability,
        between=float(np.sqrt(between)),
        reproducibility=float(np.sqrt(within + between)),
        h=tuple(_ratio(m - float(means.mean()), s_x, floor) for m in means),
        k=tuple(_ratio(s, repeatability, floor) for s in spreads),
    )


def _cells(results: Mapping[str, Sequence[float]] | ArrayLike) -> dict[str, FloatArray]:
    if isinstance(results, Mapping):
        return {str(name): finite_array(str(name), values) for name, values in results.items()}
    table = finite_array("results", results, dimensions=2)
    return {str(i + 1): row for i, row in enumerate(table)}


def _ratio(value: float, scale: float, floor: float) -> float:
    """Ratio of a deviation to the spread; 0 where the spread is nothing but rounding error."""
    return 0.0 if scale <= floor else float(value / scale)
