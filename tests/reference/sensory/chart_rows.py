"""Questions about tolerance factors, acceptance by variables and control charts."""

from __future__ import annotations

import re

import numpy as np

from bulkflow.statistics import control_charts, tolerance
from panels.methods import hotelling
from tests.reference.sensory.rows import Answer, NotAsked, Question, Row, column

FACTORS = r"\b(d2|d3|c4|a|a2|a3|b3|b4|b5|b6|d1|d4|e2)$"


def tolerance_factor(row: Row) -> Answer:
    n, coverage = row.whole("n", "N"), row.number("coverage", "P", "p")
    confidence = row.number("confidence", "conf", "c")
    if "two" in row.inputs.get("sided", "") or row.says("two[- ]sided"):
        method = "howe" if row.says("howe", "approx") else "exact"
        return tolerance.two_sided_factor(n, coverage, confidence, method=method)  # type: ignore[arg-type]
    return tolerance.one_sided_factor(n, coverage, confidence)


def tolerance_size(row: Row) -> Answer:
    return tolerance.nonparametric_sample_size(
        row.number("coverage", "P"),
        row.number("confidence", "conf"),
        sided="one" if row.says("one[- ]sided") else "two",
    )


def variables_plan(row: Row) -> Answer:
    plan = tolerance.variables_plan(row.text("letter"), row.number("AQL", "aql"))
    if row.says("sample size"):
        return plan.n
    if row.says("accept(ance|ed)? (probability|chance)", "chance of acceptance", "probability of"):
        return tolerance.chance_of_acceptance(
            plan.n, plan.k, row.number("fraction", "p", default=plan.aql_percent / 100.0)
        )
    return plan.k


def chance_of_acceptance(row: Row) -> Answer:
    return tolerance.chance_of_acceptance(
        row.whole("n"), row.number("k"), row.number("fraction", "p")
    )


def chart_factor(row: Row) -> Answer:
    """The factor that the words end with; capital D is a limit, small d a moment."""
    constants = control_charts.chart_constants(row.whole("n"))
    found = re.search(r"\b([A-Ea-e]\d?)\b\s*$", row.quantity.strip())
    if found is None:
        raise NotAsked("no factor is named")
    return float(getattr(constants, found[1]))


def _series(row: Row) -> np.ndarray:
    if "values" in row.inputs:
        return np.array(row.numbers("values"))
    frame = row.frame()
    return frame[row.inputs.get("column") or column(frame, "value", "score", "result")].to_numpy(
        dtype=float
    )


def _at(row: Row) -> int:
    found = re.search(r"(?:observation|trial|sitting|point|at|after) (\d+)", row.words)
    if found is None:
        raise NotAsked("no observation is named")
    return int(found[1]) - 1


def ewma(row: Row) -> Answer:
    values = _series(row)
    chart = control_charts.ewma(
        values,
        target=row.number("target", "mu"),
        sigma=row.number("sigma", default=1.0),
        weight=row.number("lambda", "weight"),
        width=row.number("L", default=2.7 if row.says("signal") else 3.0),
    )
    if row.says("first.*signal"):
        return chart.signals[0] if chart.signals else None
    if row.says("steady", "asymptotic"):
        return chart.steady_lower if row.says("lower") else chart.steady_upper
    if row.says("limit"):
        return (chart.lower if row.says("lower") else chart.upper)[_at(row)]
    return chart.z[_at(row)]


def cusum(row: Row) -> Answer:
    chart = control_charts.cusum(
        _series(row),
        target=row.number("target", "mu"),
        slack=row.number("K", "k"),
        decision=row.number("H", "h", default=5.0),
    )
    low = row.says("lower", "downward")
    if row.says("first.*signal"):
        signals = chart.low_signals if low else chart.high_signals
        signals = signals if row.says("upper", "lower", "upward", "downward") else chart.signals
        return signals[0] if signals else None
    return (chart.low if low else chart.high)[_at(row)]


def individuals(row: Row) -> Answer:
    chart = control_charts.individuals(_series(row))
    if row.says("moving range"):
        return float(control_charts.moving_ranges(_series(row)).mean())
    if row.says("lower"):
        return chart.lower
    if row.says("upper"):
        return chart.upper
    return chart.sigma if row.says("sigma", "deviation") else chart.centre


# --- several variables -----------------------------------------------------------------------


def _variables(row: Row) -> np.ndarray:
    frame = row.frame()
    if "columns" in row.inputs:
        names = [name.strip() for name in row.text("columns").split(",")]
    else:
        first = str(frame.columns[0])
        names = [str(name) for name in frame.columns if str(name) != first]
    return frame[names].to_numpy(dtype=float)


def _subgroups(row: Row) -> np.ndarray:
    frame = row.frame()
    group = column(frame, "subgroup")
    names = [name for name in frame.columns if name != group]
    parts = [part[names].to_numpy(dtype=float) for _, part in frame.groupby(group, sort=False)]
    return np.array(parts)


def _phase(row: Row) -> str:
    return "II" if row.says(r"phase (ii|2)\b") else "I"


def covariance(row: Row) -> Answer:
    values = _variables(row)
    successive = row.says("successive")
    table = (
        hotelling.successive_difference_covariance(values)
        if successive
        else hotelling.sample_covariance(values)
    )
    return float(table[0, 1])


def t_squared(row: Row) -> Answer:
    if row.says("subgroup"):
        chart = hotelling.t_squared_subgroups(
            _subgroups(row), alpha=row.number("alpha", default=0.005)
        )
        found = row.inputs.get("subgroup") or re.search(r"subgroup (\d+)", row.words)[1]  # type: ignore[index]
        return chart.t_squared[int(found) - 1]
    chart = hotelling.t_squared_individuals(
        _variables(row),
        alpha=row.number("alpha", default=0.005),
        covariance="successive" if row.says("successive") else "sample",
    )
    return chart.t_squared[_at(row)]


def t_squared_limit(row: Row) -> Answer:
    alpha, phase = row.number("alpha"), _phase(row)
    if row.says("subgroup"):
        if row.has("m", "n", "p"):
            m, n, p = row.whole("m"), row.whole("n"), row.whole("p")
        else:
            m, n, p = _subgroups(row).shape
        return hotelling.subgroup_limit(m, n, p, alpha, phase=phase)  # type: ignore[arg-type]
    m, p = (row.whole("m"), row.whole("p")) if row.has("m", "p") else _variables(row).shape
    form = "chi-square" if row.says("chi") else "exact"
    return hotelling.individuals_limit(m, p, alpha, phase=phase, form=form)  # type: ignore[arg-type]


def _is_t_squared(row: Row) -> bool:
    return row.says(r"\bt2\b", "t-squared", "hotelling") or row.id.startswith("T2")


QUESTIONS: list[Question] = [
    (lambda r: r.says("covariance") and r.has("file") and not r.says(r"^t2|hotelling"), covariance),
    (lambda r: _is_t_squared(r) and r.says("limit"), t_squared_limit),
    (
        lambda r: r.says("phase (i|ii|1|2)\\b") and r.says("limit") and r.has("alpha"),
        t_squared_limit,
    ),
    (lambda r: _is_t_squared(r) and r.has("file"), t_squared),
    (lambda r: r.has("letter"), variables_plan),
    (
        lambda r: r.says("chance of acceptance", "acceptance probability") and r.has("n", "k"),
        chance_of_acceptance,
    ),
    (lambda r: r.says("acceptability constant") and r.has("coverage"), tolerance_factor),
    (lambda r: r.says("tolerance factor") and r.has("n"), tolerance_factor),
    (lambda r: r.says("tolerance") and r.says("sample size") and r.has("coverage"), tolerance_size),
    (lambda r: r.says("control chart (factor|constant)") and r.has("n"), chart_factor),
    (lambda r: r.says("ewma"), ewma),
    (lambda r: r.says("cusum"), cusum),
    (
        lambda r: r.says("individuals", "moving range") and (r.has("file") or r.has("values")),
        individuals,
    ),
]
