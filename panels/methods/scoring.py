"""Scores of a panel: analysis of variance, intervals, comparisons of means.

Lots (products) are fixed, assessors random, so that products are tested against the interaction:
testing against the error takes this panel for the only one of interest and is too optimistic.
Balanced tables only; unbalanced or missing scores belong to a mixed model. Dunnett's comparison is
in :mod:`panels.methods.dunnett`, robust companions in :mod:`panels.methods.robust`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import fdtrc, stdtr, stdtrit
from scipy.stats import studentized_range

from bulkflow.statistics.arguments import FloatArray, count, finite_array, open_fraction
from panels.errors import DataError, RangeError
from panels.methods.dunnett import dunnett_critical, dunnett_p_value
from panels.methods.protocols import Sided

__all__ = [
    "Comparison",
    "Components",
    "MeanInterval",
    "PairedT",
    "PanelAnova",
    "VarianceLine",
    "compare_groups_with_control",
    "dunnett_critical",
    "dunnett_p_value",
    "half_width_factor",
    "one_way_f",
    "paired_t",
    "panel_anova",
    "panel_mean_interval",
    "scores_cube",
    "welch_t",
]


@dataclass(frozen=True, slots=True)
class VarianceLine:
    """One line of an analysis of variance."""

    source: str
    df: int
    sum_of_squares: float
    mean_square: float
    f: float
    f_df: int
    p_value: float


@dataclass(frozen=True, slots=True)
class Components:
    """Variances of assessors, of the assessor by product interaction, and of one serving."""

    assessor: float
    interaction: float
    error: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """A difference of two means, or of a lot from the control, with its interval."""

    name: str
    difference: float
    standard_error: float
    t: float
    df: float
    p_value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class MeanInterval:
    """Mean of a panel with its interval, assessors random."""

    mean: float
    standard_deviation: float
    n_assessors: int
    df: int
    confidence: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class PairedT:
    """Paired comparison of scores: mean difference, its spread, t and interval."""

    n: int
    mean_difference: float
    standard_deviation: float
    t: float
    df: int
    p_value: float
    sided: Sided
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class PanelAnova:
    """Analysis of variance of a balanced panel table.

    ``product.f`` is the mixed test (over the interaction); ``product_fixed`` the test over the
    error, for this panel only. With one replicate there is no separate error: ``error`` is
    ``None``, ``product_fixed`` too, and the residual stands in ``interaction``.
    """

    assessors: tuple[str, ...]
    products: tuple[str, ...]
    replicates: int
    means: tuple[float, ...]
    grand_mean: float
    product: VarianceLine
    assessor: VarianceLine
    interaction: VarianceLine
    error: VarianceLine | None
    product_fixed: VarianceLine | None
    total_sum_of_squares: float

    @property
    def lines(self) -> tuple[VarianceLine, ...]:
        """The lines that exist, in the usual order."""
        lines = (self.product, self.assessor, self.interaction, self.error)
        return tuple(line for line in lines if line is not None)

    @property
    def standard_error_of_mean(self) -> float:
        """Standard error of one product mean over this panel's interaction [score].

        It serves comparisons of products. An interval for the mean itself needs the assessors'
        own spread: :func:`panel_mean_interval`.
        """
        return float(
            np.sqrt(self.interaction.mean_square / (len(self.assessors) * self.replicates))
        )

    @property
    def standard_error_of_difference(self) -> float:
        """Standard error of a difference of two product means [score]."""
        return self.standard_error_of_mean * float(np.sqrt(2.0))

    def least_significant_difference(self, alpha: float = 0.05) -> float:
        """Return t times the standard error: for one comparison planned beforehand."""
        t = float(stdtrit(self.interaction.df, 1.0 - open_fraction("alpha", alpha) / 2.0))
        return t * self.standard_error_of_difference

    def honestly_significant_difference(self, alpha: float = 0.05) -> float:
        """Return Tukey's difference, for all pairs together."""
        q = studentized_range.ppf(
            1.0 - open_fraction("alpha", alpha), len(self.products), self.interaction.df
        )
        return float(q) * self.standard_error_of_mean

    def dunnett_difference(self, alpha: float = 0.05, *, sided: Sided = "two") -> float:
        """Return the smallest significant difference of any lot from the control."""
        k = len(self.products) - 1
        critical = dunnett_critical(k, self.interaction.df, alpha, sided=sided)
        return critical * self.standard_error_of_difference

    def against_control(
        self, control: str, *, alpha: float = 0.05, sided: Sided = "two"
    ) -> tuple[Comparison, ...]:
        """Return every other product minus ``control``, with Dunnett's p-values and interval.

        One-sided p-values are for "more than the control" and the interval is then open above
        (``upper`` infinite).
        """
        base = self._position(control)
        others = [k for k in range(len(self.products)) if k != base]
        error, df = self.standard_error_of_difference, self.interaction.df
        reach = dunnett_critical(len(others), df, alpha, sided=sided) * error
        lines = []
        for k in others:
            difference = self.means[k] - self.means[base]
            t = difference / error
            lines.append(
                Comparison(
                    name=self.products[k],
                    difference=difference,
                    standard_error=error,
                    t=t,
                    df=df,
                    p_value=dunnett_p_value(t, len(others), df, sided=sided),
                    lower=difference - reach,
                    upper=difference + reach if sided == "two" else float("inf"),
                )
            )
        return tuple(lines)

    def components(self, method: Literal["anova", "reml"] = "reml") -> Components:
        """Return the variance components.

        Notes
        -----
        ``"anova"``: (MSI - MSE)/R and (MSA - MSI)/(K R), cut at 0. ``"reml"``: the same where none
        is cut; otherwise neighbouring mean squares that stand in the wrong order are pooled by
        their degrees of freedom, which is the restricted maximum likelihood of a balanced table.
        With one replicate the interaction cannot be told from the error and is counted in it.
        """
        k, r = len(self.products), self.replicates
        if self.error is None:
            levels = [(self.interaction.mean_square, self.interaction.df)]
        else:
            levels = [
                (self.error.mean_square, self.error.df),
                (self.interaction.mean_square, self.interaction.df),
            ]
        levels.append((self.assessor.mean_square, self.assessor.df))
        if method == "reml":
            squares = _in_order(levels)
        elif method == "anova":
            squares = [square for square, _ in levels]
        else:
            raise RangeError(f"method is {method!r}; it must be 'anova' or 'reml'.")
        steps = np.maximum(np.diff(squares), 0.0)
        interaction = 0.0 if self.error is None else float(steps[0]) / r
        return Components(
            assessor=float(steps[-1]) / (k * r), interaction=interaction, error=float(squares[0])
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the table: source as index; df, sum_of_squares, mean_square, f, f_df, p_value."""
        frame = pd.DataFrame(
            [
                {
                    "source": line.source,
                    "df": line.df,
                    "sum_of_squares": line.sum_of_squares,
                    "mean_square": line.mean_square,
                    "f": line.f,
                    "f_df": line.f_df,
                    "p_value": line.p_value,
                }
                for line in self.lines
            ]
        )
        return frame.set_index("source")

    def _position(self, product: str) -> int:
        if product not in self.products:
            raise DataError(f"no product {product!r}; the table has {', '.join(self.products)}.")
        return self.products.index(product)


def scores_cube(
    frame: pd.DataFrame, *, assessor: str, product: str, score: str
) -> tuple[FloatArray, tuple[str, ...], tuple[str, ...]]:
    """Return scores as (assessors, products, replicates) from a long table.

    Parameters
    ----------
    frame : one row for each score.
    assessor, product, score : names of its columns. Order of first appearance is kept; replicates
        are the rows of the same assessor and product in the order given.

    Raises
    ------
    DataError
        When a column is missing, a score is not a finite number, or the table is not balanced;
        the message names the cells with the wrong number of scores.
    """
    missing = [name for name in (assessor, product, score) if name not in frame.columns]
    if missing:
        raise DataError(f"the table has no column {', '.join(missing)}.")
    scores = finite_array(score, frame[score].to_list())
    people = list(dict.fromkeys(frame[assessor].astype(str)))
    things = list(dict.fromkeys(frame[product].astype(str)))
    cells: dict[tuple[str, str], list[float]] = {(p, t): [] for p in people for t in things}
    for person, thing, value in zip(
        frame[assessor].astype(str), frame[product].astype(str), scores, strict=True
    ):
        cells[person, thing].append(float(value))
    usual = max(len(values) for values in cells.values())
    wrong = [f"{p}/{t}: {len(v)}" for (p, t), v in cells.items() if len(v) != usual]
    if wrong:
        raise DataError(
            f"the table is not balanced: {usual} score(s) in a cell, but {'; '.join(wrong[:10])}."
            " Use a mixed model for unbalanced scores."
        )
    cube = np.array([[cells[p, t] for t in things] for p in people])
    return cube, tuple(people), tuple(things)


def panel_anova(
    scores: ArrayLike,
    *,
    assessors: tuple[str, ...] | None = None,
    products: tuple[str, ...] | None = None,
) -> PanelAnova:
    """Return the analysis of variance of a balanced panel, products fixed and assessors random.

    Parameters
    ----------
    scores : array, (assessors, products, replicates); at least two assessors and two products.
    assessors, products : names; numbers from 1 if left out.

    Notes
    -----
    ``y = μ + product + assessor + product x assessor + error``. Product is tested over the
    interaction with K - 1 and (J - 1)(K - 1) degrees of freedom, assessor over the error (over the
    interaction where there is one replicate), interaction over the error.

    References
    ----------
    Searle, Casella and McCulloch (1992), Variance Components, chapter 4.

    Examples
    --------
    >>> table = panel_anova([[[7, 6], [5, 5]], [[8, 7], [5, 6]], [[6, 7], [4, 5]]])
    >>> round(table.product.f, 2), table.product.df, table.product.f_df
    (121.0, 1, 2)
    """
    cube = finite_array("scores", scores, dimensions=3, least=2)
    j, k, r = cube.shape
    if k < 2 or r < 1:
        raise DataError(f"scores hold {k} product(s) and {r} replicate(s); 2 and 1 are the least.")
    people = assessors or tuple(str(i + 1) for i in range(j))
    things = products or tuple(str(i + 1) for i in range(k))
    if (len(people), len(things)) != (j, k):
        raise DataError("the names do not match the table.")
    grand = float(cube.mean())
    by_product, by_assessor, cell = cube.mean((0, 2)), cube.mean((1, 2)), cube.mean(2)
    ss_product = float(j * r * ((by_product - grand) ** 2).sum())
    ss_assessor = float(k * r * ((by_assessor - grand) ** 2).sum())
    rest = cell - by_product - by_assessor[:, None] + grand
    ss_interaction = float(r * (rest**2).sum())
    ss_error = float(((cube - cell[..., None]) ** 2).sum())
    df_interaction, df_error = (j - 1) * (k - 1), j * k * (r - 1)
    error = _line("error", ss_error, df_error, None) if r > 1 else None
    interaction = _line(
        "product x assessor" if r > 1 else "residual", ss_interaction, df_interaction, error
    )
    product = _line("product", ss_product, k - 1, interaction)
    return PanelAnova(
        assessors=people,
        products=things,
        replicates=r,
        means=tuple(float(m) for m in by_product),
        grand_mean=grand,
        product=product,
        assessor=_line("assessor", ss_assessor, j - 1, error or interaction),
        interaction=interaction,
        error=error,
        product_fixed=_line("product", ss_product, k - 1, error) if error else None,
        total_sum_of_squares=float(((cube - grand) ** 2).sum()),
    )


def one_way_f(groups: ArrayLike) -> VarianceLine:
    """Return the one-way test over the rows of a table (groups, replicates).

    Examples
    --------
    >>> line = one_way_f([[1.0, 2.0], [3.0, 4.0], [5.0, 7.0]])
    >>> round(line.f, 3), line.df, line.f_df
    (10.167, 2, 3)
    """
    table = finite_array("groups", groups, dimensions=2, least=2)
    k, r = table.shape
    if r < 2:
        raise DataError("one score for each group leaves no error to test against.")
    means = table.mean(1)
    within = _line("error", float(((table - means[:, None]) ** 2).sum()), k * (r - 1), None)
    return _line("between", float(r * ((means - table.mean()) ** 2).sum()), k - 1, within)


def half_width_factor(n_assessors: int, confidence: float = 0.95) -> float:
    """Return the half-width of a panel mean's interval in assessor standard deviations.

    Examples
    --------
    >>> round(half_width_factor(8), 3)
    0.836
    """
    j = count("n_assessors", n_assessors, least=2)
    t = float(stdtrit(j - 1, 0.5 + open_fraction("confidence", confidence) / 2.0))
    return t / float(np.sqrt(j))


def panel_mean_interval(assessor_means: ArrayLike, confidence: float = 0.95) -> MeanInterval:
    """Return the interval of a lot's mean, assessors random.

    Parameters
    ----------
    assessor_means : one value for each assessor: the mean of that person's replicates. Pooling all
        scores as independent would be too narrow.
    confidence : of the two-sided interval.

    Examples
    --------
    >>> interval = panel_mean_interval([6.0, 7.0, 7.5, 8.0, 6.5])
    >>> round(interval.lower, 3), round(interval.upper, 3)
    (6.018, 7.982)
    """
    data = finite_array("assessor_means", assessor_means, least=2)
    spread = float(np.std(data, ddof=1))
    reach = half_width_factor(data.size, confidence) * spread
    mean = float(data.mean())
    return MeanInterval(
        mean=mean,
        standard_deviation=spread,
        n_assessors=int(data.size),
        df=int(data.size) - 1,
        confidence=confidence,
        lower=mean - reach,
        upper=mean + reach,
    )


def paired_t(
    first: ArrayLike, second: ArrayLike, *, confidence: float = 0.95, sided: Sided = "two"
) -> PairedT:
    """Return the paired t test of two columns of scores by the same assessors.

    Parameters
    ----------
    first, second : scores, one of each for every assessor, at least 2.
    confidence : of the two-sided interval of the mean difference.
    sided : ``"one"`` tests first above second.

    Examples
    --------
    >>> result = paired_t([7, 8, 6, 7], [7, 7, 5, 5])
    >>> result.mean_difference, round(result.t, 3)
    (1.0, 2.449)
    """
    a, b = finite_array("first", first, least=2), finite_array("second", second, least=2)
    if a.size != b.size:
        raise DataError(f"{a.size} scores against {b.size}: they must be pairs.")
    d = a - b
    spread, mean, df = float(np.std(d, ddof=1)), float(d.mean()), int(d.size) - 1
    error = spread / float(np.sqrt(d.size))
    if error == 0.0:
        raise DataError("every difference is the same, so there is no spread to test against.")
    t = mean / error
    reach = float(stdtrit(df, 0.5 + open_fraction("confidence", confidence) / 2.0)) * error
    return PairedT(
        n=int(d.size),
        mean_difference=mean,
        standard_deviation=spread,
        t=t,
        df=df,
        p_value=_t_p_value(t, df, sided),
        sided=sided,
        lower=mean - reach,
        upper=mean + reach,
    )


def welch_t(first: ArrayLike, second: ArrayLike, *, confidence: float = 0.95) -> Comparison:
    """Return the comparison of two groups of scores with unequal spread (Welch 1947).

    Examples
    --------
    >>> round(welch_t([5.0, 6.0, 7.0], [1.0, 2.0, 3.0, 2.0]).df, 2)
    3.86
    """
    a, b = finite_array("first", first, least=2), finite_array("second", second, least=2)
    va, vb = float(np.var(a, ddof=1)) / a.size, float(np.var(b, ddof=1)) / b.size
    if va + vb == 0.0:
        raise DataError("neither group has any spread to test against.")
    df = (va + vb) ** 2 / (va**2 / (a.size - 1) + vb**2 / (b.size - 1))
    error, difference = float(np.sqrt(va + vb)), float(a.mean() - b.mean())
    reach = float(stdtrit(df, 0.5 + open_fraction("confidence", confidence) / 2.0)) * error
    return Comparison(
        name="first - second",
        difference=difference,
        standard_error=error,
        t=difference / error,
        df=df,
        p_value=_t_p_value(difference / error, df, "two"),
        lower=difference - reach,
        upper=difference + reach,
    )


def compare_groups_with_control(
    control: ArrayLike, groups: dict[str, ArrayLike], *, alpha: float = 0.05, sided: Sided = "two"
) -> tuple[Comparison, ...]:
    """Return Dunnett's comparison of independent groups with a control, sizes free.

    Parameters
    ----------
    control : values of the control.
    groups : values of each group, by name.
    alpha : level of the family, for the intervals.
    sided : one-sided is for "more than the control".

    Examples
    --------
    >>> lines = compare_groups_with_control([7.4, 8.5, 7.2], {"x": [9.8, 8.8, 9.7]})
    >>> round(lines[0].t, 3)
    3.371
    """
    base = finite_array("control", control)
    data = {name: finite_array(name, values) for name, values in groups.items()}
    if not data:
        raise DataError("there is no group to compare with the control.")
    everything = [base, *data.values()]
    df = sum(values.size for values in everything) - len(everything)
    if df < 1:
        raise DataError("one value in each group leaves no spread to test against.")
    variance = sum(float(((v - v.mean()) ** 2).sum()) for v in everything) / df
    sizes = [float(values.size) for values in data.values()]
    critical = dunnett_critical(
        len(data), df, alpha, sided=sided, sizes=sizes, control_size=base.size
    )
    lines = []
    for name, values in data.items():
        difference = float(values.mean() - base.mean())
        error = float(np.sqrt(variance * (1.0 / values.size + 1.0 / base.size)))
        if error == 0.0:
            raise DataError("no group has any spread to test against.")
        p_value = dunnett_p_value(
            difference / error, len(data), df, sided=sided, sizes=sizes, control_size=base.size
        )
        lines.append(
            Comparison(
                name=name,
                difference=difference,
                standard_error=error,
                t=difference / error,
                df=df,
                p_value=p_value,
                lower=difference - critical * error,
                upper=difference + critical * error if sided == "two" else float("inf"),
            )
        )
    return tuple(lines)


def _line(source: str, total: float, df: int, over: VarianceLine | None) -> VarianceLine:
    square = total / df
    if over is None:
        return VarianceLine(source, df, total, square, float("nan"), 0, float("nan"))
    if over.mean_square == 0.0:
        f = float("inf") if square > 0.0 else float("nan")
        return VarianceLine(
            source, df, total, square, f, over.df, 0.0 if square > 0.0 else float("nan")
        )
    f = square / over.mean_square
    return VarianceLine(source, df, total, square, f, over.df, float(fdtrc(df, over.df, f)))


def _t_p_value(t: float, df: float, sided: Sided) -> float:
    return float(2.0 * stdtr(df, -abs(t))) if sided == "two" else float(stdtr(df, -t))


def _in_order(levels: list[tuple[float, int]]) -> list[float]:
    """Pool neighbouring mean squares until they rise, weighting by degrees of freedom."""
    blocks: list[tuple[float, int, int]] = []
    for square, df in levels:
        blocks.append((square, df, 1))
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (low, low_df, low_n), (high, high_df, high_n) = blocks[-2:]
            pooled = (low * low_df + high * high_df) / (low_df + high_df)
            blocks[-2:] = [(pooled, low_df + high_df, low_n + high_n)]
    return [square for square, _, times in blocks for _ in range(times)]
