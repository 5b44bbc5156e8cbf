"""Questions about ranks."""

from __future__ import annotations

import numpy as np

from panels.methods import ranking
from tests.reference.sensory.rows import Answer, NotAsked, Question, Row, column
from tests.reference.sensory.scoring_rows import PEOPLE, THINGS


def _table(row: Row) -> np.ndarray:
    frame = row.frame()
    wide = frame.pivot(
        index=column(frame, *PEOPLE),
        columns=column(frame, *THINGS),
        values=row.inputs.get("response") or column(frame, "rank", "score"),
    )
    return wide.to_numpy(dtype=float)


def _p_kind(row: Row) -> str:
    return "exact" if row.says("exact") else "chi-square"


def kendall(row: Row) -> Answer:
    result = ranking.kendall_w(_table(row), p_value=_p_kind(row))  # type: ignore[arg-type]
    if row.says("sum of squared deviations", r"\bs\b of"):
        return result.sum_of_squares
    if row.says(r"\bp[ -]?value", "probability"):
        return result.p_value
    if row.says("chi"):
        return result.chi_square
    return result.w


def friedman(row: Row) -> Answer:
    result = ranking.friedman(_table(row), p_value=_p_kind(row))  # type: ignore[arg-type]
    if row.says("iman", r"\bf\b"):
        return result.f_p if row.says(r"\bp[ -]?value") else result.iman_davenport_f
    if row.says(r"\bp[ -]?value", "probability"):
        return result.p_value
    if row.says("rank sum"):
        return result.rank_sums[row.whole("product", "column") - 1]
    return result.statistic


def friedman_critical(row: Row) -> Answer:
    return ranking.friedman_critical_value(
        row.whole("products", "P", "k", "samples"),
        row.whole("assessors", "J", "n", "judges", "blocks"),
        row.alpha(),
    )


def page_critical(row: Row) -> Answer:
    return ranking.page_critical_value(
        row.whole("products", "P", "k", "samples"),
        row.whole("assessors", "J", "n", "judges", "blocks"),
        row.alpha(),
    )


def page_moment(row: Row) -> Answer:
    mean, variance = ranking.page_moments(row.whole("products", "P"), row.whole("assessors", "J"))
    if row.says("variance"):
        return variance
    if row.says("mean"):
        return mean
    if row.has("L"):
        return (row.number("L") - mean) / float(np.sqrt(variance))
    raise NotAsked("mean, variance or z of L")


def page(row: Row) -> Answer:
    kind = "exact" if row.says("exact") else "normal" if row.says("normal") else "auto"
    order = [int(v) for v in row.numbers("order")] if row.has("order") else None
    result = ranking.page(_table(row), order=order, p_value=kind)  # type: ignore[arg-type]
    if row.says(r"\bp[ -]?value", "probability"):
        return result.p_value
    return result.z if row.says(r"\bz\b") else result.statistic


def rank_sum_difference(row: Row) -> Answer:
    if row.has("file"):
        if row.says("conover"):
            return ranking.conover_difference(_table(row), row.alpha())
        level = "family" if row.says("nemenyi", "tukey", "all pairs", "honestly") else "pair"
        result = ranking.compare_rank_sums(
            _table(row),
            alpha=row.alpha(),
            level=level,  # type: ignore[arg-type]
        )
        return result.least_difference
    blocks = {
        name: row.whole(*keys)
        for name, keys in (
            ("per_block", ("per_block", "k")),
            ("servings", ("servings", "r")),
            ("together", ("together", "lambda", "g")),
        )
        if any(key in row.inputs for key in keys)
    }
    return ranking.rank_sum_lsd(
        row.whole("assessors", "J"), row.whole("products", "P"), row.alpha(), **blocks
    )


QUESTIONS: list[Question] = [
    (
        lambda r: (
            r.says("friedman", "difference of rank sums", "rank sums")
            and r.says("least significant difference", "least difference", "honestly")
        ),
        rank_sum_difference,
    ),
    (lambda r: r.says("friedman") and r.says("critical") and not r.has("file"), friedman_critical),
    (lambda r: r.says("page") and r.says("critical") and not r.has("file"), page_critical),
    (
        lambda r: r.says("page") and r.says("mean", "variance", r"\bz\b") and not r.has("file"),
        page_moment,
    ),
    (lambda r: r.says("page") and r.has("file"), page),
    (
        lambda r: (
            r.has("file")
            and (
                r.says("kendall", "concordance", "sum of squared deviations of rank sums")
                or r.says(r"\)w\b", r"\(n-1\)w")
            )
        ),
        kendall,
    ),
    (lambda r: r.says("friedman", "iman") and r.has("file"), friedman),
]
