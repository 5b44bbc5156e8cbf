"""Performance of assessors on one attribute: a scored set of products with replicates.

Agreement can be judged only on an attribute on which the panel as a whole tells the products
apart; where it does not, the correlations are noise and are marked so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit

from bulkflow.statistics.arguments import FloatArray, finite_array, open_fraction
from bulkflow.statistics.precision import precision
from panels.errors import DataError
from panels.methods.scoring import PanelAnova, VarianceLine, one_way_f, panel_anova, scores_cube

__all__ = [
    "AssessorPerformance",
    "PanelPerformance",
    "ReferenceBias",
    "bias_against_reference",
    "panel_performance",
    "performance_from_table",
]


@dataclass(frozen=True, slots=True)
class AssessorPerformance:
    """One assessor on one attribute.

    Parameters
    ----------
    assessor : name or code.
    mean : mean of all scores.
    bias : mean less the panel's mean [score].
    discrimination : one-way test over products within this assessor's scores.
    repeatability : standard deviation of replicates [score].
    agreement : correlation of product means with the mean of the *other* assessors; ``None``
        where this assessor (or the others) scored all products alike.
    slope : of product means on the panel's product means: 1 the same use of the scale, below 1
        compressed, negative reversed; ``None`` where the panel scored all products alike.
    lowest, highest : scores used.
    interaction_share : part of the panel's interaction sum of squares that is this assessor's; a
        fair share is one over the number of assessors.
    mandel_h, mandel_k : mean and spread against the other assessors, over all products.
    """

    assessor: str
    mean: float
    bias: float
    discrimination: VarianceLine
    repeatability: float
    agreement: float | None
    slope: float | None
    lowest: float
    highest: float
    interaction_share: float
    mandel_h: float
    mandel_k: float


@dataclass(frozen=True, slots=True)
class PanelPerformance:
    """The panel on one attribute, and each assessor in it.

    ``repeatability`` is the pooled standard deviation of replicates. ``agreement_can_be_judged``
    says whether the panel as a whole told the products apart at ``alpha``.
    """

    anova: PanelAnova
    repeatability: float
    alpha: float
    assessors: tuple[AssessorPerformance, ...]

    @property
    def agreement_can_be_judged(self) -> bool:
        """Whether the product test, assessors random, is significant at ``alpha``."""
        return self.anova.product.p_value <= self.alpha

    @property
    def interaction_ratio(self) -> float:
        """Interaction over error, F: how far assessors order or space the products differently."""
        return self.anova.interaction.f

    def to_frame(self) -> pd.DataFrame:
        """Return one row an assessor (index ``assessor``), columns as the fields."""
        rows = [
            {
                "mean": one.mean,
                "bias": one.bias,
                "f": one.discrimination.f,
                "p_value": one.discrimination.p_value,
                "repeatability": one.repeatability,
                "agreement": np.nan if one.agreement is None else one.agreement,
                "slope": np.nan if one.slope is None else one.slope,
                "lowest": one.lowest,
                "highest": one.highest,
                "interaction_share": one.interaction_share,
                "mandel_h": one.mandel_h,
                "mandel_k": one.mandel_k,
            }
            for one in self.assessors
        ]
        names = pd.Index([one.assessor for one in self.assessors], name="assessor")
        return pd.DataFrame(rows, index=names)


@dataclass(frozen=True, slots=True)
class ReferenceBias:
    """Mean of an assessor's scores of a reference sample less its agreed value, with interval."""

    n: int
    bias: float
    standard_error: float
    p_value: float
    lower: float
    upper: float


def panel_performance(
    scores: ArrayLike,
    *,
    assessors: tuple[str, ...] | None = None,
    products: tuple[str, ...] | None = None,
    alpha: float = 0.05,
) -> PanelPerformance:
    """Return the performance of a panel and of each assessor on one attribute.

    Parameters
    ----------
    scores : array, (assessors, products, replicates), 3 assessors, 2 products and 2 replicates at
        least. With few replicates the assessor's own F is weak: 4 products twice leave 4 degrees
        of freedom.
    assessors, products : names; numbers from 1 if left out.
    alpha : level at which the panel must tell the products apart for agreement to be judged.

    References
    ----------
    ISO 11132:2021; agreement against the other assessors, so that no one agrees with himself.

    Examples
    --------
    >>> cube = [[[7, 6], [5, 5], [2, 3]], [[8, 7], [5, 6], [3, 3]], [[6, 7], [4, 5], [2, 1]]]
    >>> result = panel_performance(cube)
    >>> [round(one.bias, 2) for one in result.assessors]
    [-0.06, 0.61, -0.56]
    """
    cube = finite_array("scores", scores, dimensions=3, least=3)
    if cube.shape[2] < 2:
        raise DataError("performance needs replicates: nobody's repeatability can be seen.")
    anova = panel_anova(cube, assessors=assessors, products=products)
    cells = cube.mean(2)
    share = _interaction_shares(cells)
    spread = _mandel(cube)
    people = tuple(
        AssessorPerformance(
            assessor=anova.assessors[j],
            mean=float(cube[j].mean()),
            bias=float(cube[j].mean()) - anova.grand_mean,
            discrimination=one_way_f(cube[j]),
            repeatability=float(np.sqrt(cube[j].var(axis=1, ddof=1).mean())),
            agreement=_correlation(cells[j], np.delete(cells, j, axis=0).mean(0)),
            slope=_slope(cells.mean(0), cells[j]),
            lowest=float(cube[j].min()),
            highest=float(cube[j].max()),
            interaction_share=float(share[j]),
            mandel_h=spread[0][j],
            mandel_k=spread[1][j],
        )
        for j in range(cube.shape[0])
    )
    error = anova.error
    if error is None:  # two replicates were asked for above, so an error line exists
        raise AssertionError
    return PanelPerformance(
        anova=anova,
        repeatability=float(np.sqrt(error.mean_square)),
        alpha=open_fraction("alpha", alpha),
        assessors=people,
    )


def performance_from_table(
    frame: pd.DataFrame, *, assessor: str, product: str, score: str, alpha: float = 0.05
) -> PanelPerformance:
    """Return :func:`panel_performance` from a long table, one row a score.

    Parameters
    ----------
    frame : balanced; replicates are rows of the same assessor and product.
    assessor, product, score : names of the columns.
    alpha : as in :func:`panel_performance`.
    """
    cube, people, things = scores_cube(frame, assessor=assessor, product=product, score=score)
    return panel_performance(cube, assessors=people, products=things, alpha=alpha)


def bias_against_reference(
    scores: ArrayLike, agreed: float, *, confidence: float = 0.95
) -> ReferenceBias:
    """Return an assessor's bias on a reference sample of agreed value.

    Parameters
    ----------
    scores : this assessor's scores of the reference, at least 2, from different sittings.
    agreed : the value agreed for the reference.
    confidence : of the two-sided interval.

    Examples
    --------
    >>> round(bias_against_reference([7.0, 7.5, 7.2, 6.9], 7.5).bias, 3)
    -0.35
    """
    data = finite_array("scores", scores, least=2)
    error = float(data.std(ddof=1)) / float(np.sqrt(data.size))
    bias, df = float(data.mean()) - agreed, data.size - 1
    reach = float(stdtrit(df, 0.5 + open_fraction("confidence", confidence) / 2.0)) * error
    if error > 0.0:
        p_value = float(2.0 * stdtr(df, -abs(bias) / error))
    else:
        p_value = 1.0 if bias == 0.0 else 0.0
    return ReferenceBias(
        n=int(data.size),
        bias=bias,
        standard_error=error,
        p_value=p_value,
        lower=bias - reach,
        upper=bias + reach,
    )


def _interaction_shares(cells: FloatArray) -> FloatArray:
    rest = cells - cells.mean(0) - cells.mean(1)[:, None] + cells.mean()
    own = (rest**2).sum(1)
    total = float(own.sum())
    return np.asarray(own / total if total > 0.0 else np.zeros(own.size))


def _mandel(cube: FloatArray) -> tuple[list[float], list[float]]:
    """Mean h and root-mean-square k of each assessor over the products."""
    by_product = [precision(cube[:, k, :]) for k in range(cube.shape[1])]
    h = np.array([one.h for one in by_product]).mean(0)
    k = np.sqrt((np.array([one.k for one in by_product]) ** 2).mean(0))
    return [float(v) for v in h], [float(v) for v in k]


def _correlation(a: FloatArray, b: FloatArray) -> float | None:
    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))
    return None if scale < 1e-12 else float(a @ b) / scale


def _slope(x: FloatArray, y: FloatArray) -> float | None:
    x = x - x.mean()
    spread = float(x @ x)
    return None if spread < 1e-12 else float(x @ (y - y.mean())) / spread
