"""Questions about scores: analysis of variance, comparisons, robust figures, precision, panels."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from bulkflow.alcoholometry import reduce
from bulkflow.statistics import precision
from panels.assessors.performance import panel_performance
from panels.methods import dunnett, ordinal, robust, scoring
from panels.methods.configurations import rv_coefficient
from panels.methods.difference_from_control import (
    assessors_needed,
    chance_to_notice,
    degree_of_difference,
    difference_from_control,
)
from panels.methods.protocols import Sided
from tests.reference.sensory.rows import Answer, NotAsked, Question, Row, column, matrix

PEOPLE = ("assessor", "judge", "panelist", "panellist", "taster", "subject", "rater")
THINGS = ("product", "sample", "lot", "treatment", "wine", "item")


def _has_panel(row: Row) -> bool:
    return row.has("file", "response")


def _anova(row: Row) -> scoring.PanelAnova:
    frame = row.frame()
    cube, people, things = scoring.scores_cube(
        frame,
        assessor=column(frame, *PEOPLE),
        product=column(frame, *THINGS),
        score=row.text("response"),
    )
    return scoring.panel_anova(cube, assessors=people, products=things)


def _line(row: Row, table: scoring.PanelAnova) -> scoring.VarianceLine:
    """The line that the words are about."""
    if row.says("interaction", "assessor by product", "product by assessor", "assessor x product"):
        return table.interaction
    if row.says("assessor", "judge"):
        return table.assessor
    if row.says("product", "sample"):
        return table.product
    if row.says("error", "residual") and table.error is not None:
        return table.error
    raise NotAsked("no line of the table is named")


def sum_of_squares(row: Row) -> Answer:
    table = _anova(row)
    if row.says("total"):
        return table.total_sum_of_squares
    return _line(row, table).sum_of_squares


def mean_square(row: Row) -> Answer:
    return _line(row, _anova(row)).mean_square


def degrees_of_freedom(row: Row) -> Answer:
    return _line(row, _anova(row)).df


def f_ratio(row: Row) -> Answer:
    """F of one line over another, or its p-value."""
    table = _anova(row)
    fixed = row.says("over (the )?error", "fixed")
    if row.says(r"(^|\bf |of )(the )?interaction over", "^f interaction", "interaction f"):
        line = table.interaction
    elif row.says("f (of )?assessor", "assessor over"):
        line = table.assessor
    elif fixed and table.product_fixed is not None:
        line = table.product_fixed
    else:
        line = table.product
    return line.p_value if row.says(r"\bp[ -]?value", "probability") else line.f


def variance_component(row: Row) -> Answer:
    parts = _anova(row).components("anova" if row.says("anova, cut") else "reml")
    if row.says("interaction", "assessor by product", "product by assessor", "assessor x product"):
        return parts.interaction
    if row.says("error", "residual", "within"):
        return parts.error
    return parts.assessor


def difference_limit(row: Row) -> Answer:
    table = _anova(row)
    alpha = row.alpha()
    if row.says("tukey", "honestly"):
        return table.honestly_significant_difference(alpha)
    if row.says("dunnett"):
        return table.dunnett_difference(alpha, sided="one" if row.says("one[- ]sided") else "two")
    return table.least_significant_difference(alpha)


def standard_error(row: Row) -> Answer:
    table = _anova(row)
    return (
        table.standard_error_of_difference
        if row.says("difference")
        else table.standard_error_of_mean
    )


def _against(row: Row) -> str:
    found = re.search(r"against (?:the )?(?:blind )?(?:control )?([\w.-]+)", row.words)
    return row.inputs.get("control") or (found[1] if found else "")


def dunnett_of_panel(row: Row) -> Answer:
    """Adjusted p of one lot against the control, from the data."""
    table = _anova(row)
    names = {name.lower(): name for name in table.products}
    control = names.get(_against(row).lower())
    if control is None:
        raise NotAsked("no control is named")
    lines = table.against_control(
        control, sided="one" if row.says("one[- ]sided") else "two", alpha=row.alpha()
    )
    line = next(line for line in lines if line.name == row.text("product", "lot", "sample"))
    if row.says("lower"):
        return line.lower
    if row.says("upper"):
        return line.upper
    if row.says(r"\bp\b", "p[- ]value", "probability"):
        return line.p_value
    return line.t if row.says(r"\bt\b") else line.difference


def dunnett_critical(row: Row) -> Answer:
    return dunnett.dunnett_critical(
        row.whole("comparisons", "k", "lots"),
        row.number("df"),
        row.alpha(),
        sided=_dunnett_sided(row),
    )


def dunnett_p(row: Row) -> Answer:
    return dunnett.dunnett_p_value(
        row.number("t"),
        row.whole("k", "comparisons"),
        row.number("df"),
        sided=_dunnett_sided(row),
    )


def _dunnett_sided(row: Row) -> Sided:
    if "sided" in row.inputs:
        return row.sided()
    return "one" if row.says("one[- ]sided") else "two"


def dunnett_of_groups(row: Row) -> Answer:
    frame = row.frame()
    group, value = column(frame, "group"), column(frame, "value", "score", "result")
    control = row.inputs.get("control", "control")
    values = {str(name): list(part[value]) for name, part in frame.groupby(group, sort=False)}
    if control not in values:
        raise NotAsked(f"the data have no group {control}")
    base = values.pop(control)
    sided: Sided = "one" if row.says("one[- ]sided") else "two"
    lines = scoring.compare_groups_with_control(
        base, {name: np.asarray(part) for name, part in values.items()}, sided=sided
    )
    line = next(line for line in lines if line.name == row.text("group"))
    if row.says(r"\bt\b(?! value)", "t statistic"):
        return line.t
    if row.says("difference"):
        return line.difference
    return line.p_value


def grand_mean(row: Row) -> Answer:
    return _anova(row).grand_mean


def product_interval(row: Row) -> Answer:
    table_row = row.frame()
    person, thing = column(table_row, *PEOPLE), column(table_row, *THINGS)
    part = table_row[table_row[thing].astype(str) == row.text("product", "sample", "lot")]
    means = part.groupby(person)[row.text("response")].mean()
    interval = scoring.panel_mean_interval(means.to_numpy(), row.confidence())
    if row.says("lower"):
        return interval.lower
    if row.says("upper"):
        return interval.upper
    return interval.standard_deviation if row.says("deviation") else interval.mean


def half_width(row: Row) -> Answer:
    return scoring.half_width_factor(row.whole("n_assessors", "assessors"), row.confidence())


def proportional_odds(row: Row) -> Answer:
    frame = row.frame()
    words = row.quantity.split(":")[0]
    named = re.search(r"\bon (.+)$", words)
    factors = (
        [column(frame, *_spelled(frame, w)) for w in re.split(r",| and ", named[1])]
        if named
        else []
    )
    factors = factors or [column(frame, "temperature"), column(frame, "skin_contact")]
    design, names = ordinal.treatment_design(frame, factors)
    fit = ordinal.ordinal_fit(
        frame[row.text("response")],
        design,
        names=names,
        link="probit" if row.says("probit") else "logit",
    )
    asked = row.words.rpartition(":")[2]
    if "likelihood" in asked:
        return fit.likelihood_ratio if "ratio" in asked else fit.log_likelihood
    threshold = re.search(r"threshold\D*(\d)", asked)
    if threshold:
        return fit.thresholds[int(threshold[1]) - 1]
    for at, name in enumerate(names):
        factor = name.partition("=")[0]
        if any(part in asked for part in (factor, factor.rpartition("_")[2])):
            return fit.standard_errors[at] if "standard error" in asked else fit.effects[at]
    raise NotAsked("no part of the fit is named")


def _spelled(frame: pd.DataFrame, word: str) -> tuple[str, ...]:
    """Columns meant by a word: the same, or ending in it (contact: skin_contact)."""
    wanted = word.strip().lower().replace(" ", "_")
    ends = [str(c).lower() for c in frame.columns if str(c).lower().endswith(wanted)]
    return (wanted, *ends)


def paired(row: Row) -> Answer:
    frame = row.frame()
    numbers = [str(c) for c in frame.columns if str(c).lower() not in PEOPLE]
    first, second = (
        [row.text("first"), row.text("second")] if row.has("first", "second") else numbers[:2]
    )
    result = scoring.paired_t(
        frame[first],
        frame[second],
        sided="one" if row.says("one[- ]sided") else "two",
        confidence=row.confidence(),
    )
    for pattern, value in (
        (r"standard deviation|\bsd\b", result.standard_deviation),
        (r"\bp[ -]?value|probability", result.p_value),
        (r"lower", result.lower),
        (r"upper", result.upper),
        (r"\bmean\b", result.mean_difference),
        (r"\bdf\b|degrees", result.df),
        (r"\bt\b", result.t),
    ):
        if row.says(pattern):
            return float(value)
    raise NotAsked("nothing of the comparison is named")


def from_control(row: Row) -> Answer:
    frame = row.frame()
    result = difference_from_control(
        frame,
        assessor=column(frame, *PEOPLE),
        sample=column(frame, *THINGS),
        score=row.text("response", "score"),
        control=row.text("control"),
        alpha=row.alpha(),
        sided=_dunnett_sided(row),
    )
    line = next(
        line for line in result.comparisons if line.name == row.text("product", "lot", "sample")
    )
    if row.says(r"\bp\b", "probability"):
        return line.p_value
    return line.t if row.says(r"\bt\b") else line.difference


def from_control_power(row: Row) -> Answer:
    difference, spread = row.number("difference"), row.number("sd", "standard_deviation")
    sided: Sided = _dunnett_sided(row)
    if row.has("power"):
        return assessors_needed(
            difference, spread, alpha=row.alpha(), power=row.number("power"), sided=sided
        )
    return chance_to_notice(
        row.whole("n_assessors", "n", "assessors"),
        difference,
        spread,
        alpha=row.alpha(),
        sided=sided,
    )


def degree(row: Row) -> Answer:
    result = degree_of_difference(
        row.numbers("same"), row.numbers("different"), confidence=row.confidence()
    )
    if row.says("lower"):
        return result.lower
    if row.says("upper"):
        return result.upper
    return result.p_value if row.says(r"\bp\b", "probability") else result.d_prime


# --- robust --------------------------------------------------------------------------------


def _values(row: Row) -> list[float]:
    if "scores" in row.inputs or "values" in row.inputs:
        return row.numbers("scores", "values")
    frame = row.frame()
    name = row.inputs.get("column") or row.inputs.get("response") or str(frame.columns[-1])
    return [float(v) for v in frame[name]]


def _has_values(row: Row) -> bool:
    return "scores" in row.inputs or "values" in row.inputs or row.has("file")


def algorithm_a(row: Row) -> Answer:
    if row.says("factor on the median"):
        return robust.ALGORITHM_A_MAD_FACTOR
    if row.says("factor on the winsor", "winsori[sz]ed standard deviation"):
        return robust.ALGORITHM_A_SCALE_FACTOR
    if row.says("winsorising limit", "limit in units"):
        return robust.ALGORITHM_A_LIMIT
    if row.says("efficiency"):
        return robust.efficiency(row.number("k"))
    if row.says("breakdown"):
        raise NotAsked(
            f"a manual's 'about'; computed by Huber's formula it is"
            f" {100 * robust.breakdown_point(row.number('k')):.1f} %"
        )
    result = robust.algorithm_a(_values(row))
    if row.says("uncertainty"):
        return result.standard_uncertainty
    return result.standard_deviation if row.says("deviation", "s\\*") else result.mean


def huber(row: Row) -> Answer:
    k = row.number("k", default=1.5)
    if row.says("proposal 2", "hubers"):
        both = robust.huber_proposal_2(_values(row), k=k)
        return both.standard_deviation if row.says("deviation", "scale") else both.mean
    return robust.huber_location(_values(row), k=k).mean


def plain_figure(row: Row) -> Answer:
    values = _values(row)
    if row.says("median absolute deviation"):
        factor = 1.483 if row.says("1.483") else robust.MAD_TO_SIGMA
        if row.says("unscaled", "raw"):
            factor = 1.0
        return robust.median_absolute_deviation(values, factor=factor)
    if row.says("median"):
        return robust.median_with_limits(values).median
    if row.says("standard deviation"):
        return float(np.std(values, ddof=1))
    return scoring.panel_mean_interval(values).mean


def olive(row: Row) -> Answer:
    result = robust.median_with_limits(_values(row), c=row.number("c", default=1.96))
    if row.says("coefficient of variation"):
        return result.cv_percent
    if row.says("upper"):
        return result.upper
    return result.lower if row.says("lower") else result.standard_deviation


def olive_validity(_: Row) -> Answer:
    return robust.LARGEST_VALID_ROBUST_CV_PERCENT


# --- precision and performance ---------------------------------------------------------------


def mandel_limit(row: Row) -> Answer:
    p, alpha = row.whole("p", "laboratories", "assessors"), row.alpha()
    if row.says(r"mandel(?:'s)? h|\bh limit"):
        return precision.mandel_h_limit(p, alpha)
    return precision.mandel_k_limit(p, row.whole("n", "replicates"), alpha)


def other_limit(row: Row) -> Answer:
    p, alpha = row.whole("p", "laboratories"), row.alpha()
    if row.says("cochran"):
        return precision.cochran_limit(p, row.whole("n", "replicates"), alpha)
    return precision.grubbs_limit(p, alpha)


def of_material(row: Row) -> Answer:
    frame = row.frame()
    laboratory, value = column(frame, "laboratory", *PEOPLE), column(frame, "result", "value")
    part = frame[frame[column(frame, "material", "level")].astype(str) == row.text("material")]
    cells = {str(name): list(rows[value]) for name, rows in part.groupby(laboratory, sort=False)}
    result = precision.precision(cells)
    if row.says(r"mandel(?:'s)? [hk]\b"):
        at = result.laboratories.index(row.text("laboratory", *PEOPLE))
        return result.h[at] if row.says(r"mandel(?:'s)? h") else result.k[at]
    for pattern, number in (
        ("repeatability limit", result.repeatability_limit),
        ("reproducibility limit", result.reproducibility_limit),
        ("repeatability", result.repeatability),
        ("reproducibility", result.reproducibility),
        ("between", result.between),
        ("of (the )?(cell|laboratory) means", result.standard_deviation_of_means),
        ("cochran", result.cochran),
        ("mean|average", result.mean),
    ):
        if row.says(pattern):
            return number
    raise NotAsked("nothing of the precision is named")


def performance(row: Row) -> Answer:
    frame = row.frame()
    cube, people, things = scoring.scores_cube(
        frame,
        assessor=column(frame, *PEOPLE),
        product=column(frame, *THINGS),
        score=row.text("response"),
    )
    result = panel_performance(cube, assessors=people, products=things)
    one = next(a for a in result.assessors if a.assessor == row.text("assessor", "judge"))
    for pattern, number in (
        (r"discrimination.*\bp[ -]?value|probability", one.discrimination.p_value),
        ("discrimination", one.discrimination.f),
        ("repeatability", one.repeatability),
        ("agreement|correlation", one.agreement),
        ("slope|scale use", one.slope),
        ("bias", one.bias),
        (r"mandel(?:'s)? h", one.mandel_h),
        (r"mandel(?:'s)? k", one.mandel_k),
        ("interaction", one.interaction_share),
        ("mean", one.mean),
    ):
        if row.says(pattern):
            return number
    raise NotAsked("nothing of the performance is named")


def rv(row: Row) -> Answer:
    return rv_coefficient(matrix(row.text("X")), matrix(row.text("Y")))


def dilution(row: Row) -> Answer:
    made = reduce(row.number("V1"), row.number("c1"), row.number("c2"))
    if row.says("final volume"):
        return float(made.final_volume)
    return float(made.water_volume)


QUESTIONS: list[Question] = [
    (lambda r: r.has("V1", "c1", "c2"), dilution),
    (lambda r: r.says(r"\brv\b") and r.has("X", "Y"), rv),
    (lambda r: r.says("difference from control") and r.has("file", "control"), from_control),
    (lambda r: r.says("difference from control") and r.has("difference"), from_control_power),
    (lambda r: r.has("same", "different"), degree),
    (lambda r: r.says("proportional[- ]odds", "cumulative") and r.has("file"), proportional_odds),
    (lambda r: _has_panel(r) and (r.has("assessor") or r.has("judge")), performance),
    (lambda r: r.says("dunnett") and _has_panel(r) and r.has("product"), dunnett_of_panel),
    (
        lambda r: (
            _has_panel(r)
            and r.says("least significant", "honestly", "tukey", "minimum significant")
        ),
        difference_limit,
    ),
    (lambda r: _has_panel(r) and r.says("variance component"), variance_component),
    (lambda r: _has_panel(r) and r.says("sum of squares"), sum_of_squares),
    (lambda r: _has_panel(r) and r.says("mean square"), mean_square),
    (lambda r: _has_panel(r) and r.says("standard error"), standard_error),
    (
        lambda r: (
            _has_panel(r)
            and r.says(
                r"^f\b", r"\bf (of|product|interaction|assessor)", "product over", r"\bp[ -]?value"
            )
        ),
        f_ratio,
    ),
    (lambda r: _has_panel(r) and r.says("degrees of freedom", r"^df\b"), degrees_of_freedom),
    (lambda r: _has_panel(r) and r.has("product"), product_interval),
    (lambda r: _has_panel(r) and r.says("grand mean", "overall mean"), grand_mean),
    (lambda r: r.says("half-?width") and (r.has("n_assessors") or r.has("assessors")), half_width),
    (lambda r: r.says("dunnett") and r.has("file", "group"), dunnett_of_groups),
    (lambda r: r.says("dunnett") and r.has("t", "df"), dunnett_p),
    (lambda r: r.says("dunnett") and r.has("df"), dunnett_critical),
    (lambda r: r.says("paired") and r.has("file"), paired),
    (lambda r: r.says("algorithm a") or r.id.startswith("ALGA"), algorithm_a),
    (lambda r: r.says("huber") and _has_values(r), huber),
    (lambda r: r.says("robust cv does not exceed"), olive_validity),
    (
        lambda r: r.says("of the median", "coefficient of variation") and _has_values(r),
        olive,
    ),
    (lambda r: r.says("mandel") and r.has("p"), mandel_limit),
    (lambda r: r.says("cochran", "grubbs") and r.has("p"), other_limit),
    (lambda r: r.has("file", "material"), of_material),
    (
        lambda r: (
            r.says("median", "arithmetic mean", "standard deviation", r"\bmean of")
            and _has_values(r)
            and not r.says("covariance")
        ),
        plain_figure,
    ),
]
