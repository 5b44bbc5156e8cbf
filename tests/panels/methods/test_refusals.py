"""Arguments and data that methods refuse, each with its message, and the tables they give."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from bulkflow.errors import DataError, MethodError, RangeError
from bulkflow.statistics import control_charts, tolerance
from bulkflow.statistics.arguments import at_least, count, finite_array, fraction, positive
from panels.methods import (
    anota,
    configurations,
    difference_from_control,
    dunnett,
    hotelling,
    ordinal,
    ranking,
    replicated,
    robust,
    scoring,
)
from panels.methods.discrimination import exact_limits, minimum_correct
from panels.methods.thurstone import estimate_d_prime

CUBE = np.array([[[7.0, 6.0], [5.0, 5.5]], [[8.0, 7.0], [5.0, 6.0]], [[6.0, 7.0], [4.0, 5.0]]])


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (lambda: finite_array("x", ["a"]), DataError, "x must be numbers in a full table"),
        (lambda: finite_array("x", [[1.0], [1.0, 2.0]]), DataError, "must be numbers"),
        (lambda: finite_array("x", [[1.0]]), DataError, "has 2 dimension"),
        (lambda: finite_array("x", [], least=1), DataError, "holds 0 value"),
        (lambda: finite_array("x", [math.inf]), DataError, "1 missing or infinite"),
        (lambda: count("n", True), RangeError, "must be a whole number"),
        (lambda: fraction("p", math.nan), RangeError, "between 0 and 1"),
        (lambda: positive("s", 0.0), RangeError, "above zero"),
        (lambda: at_least("df", math.nan, 1.0), RangeError, "at least 1"),
        (lambda: exact_limits(3, 5, 1.0), RangeError, "strictly between"),
        (lambda: configurations.rv_coefficient(CUBE[0], CUBE[0][:1]), DataError, "at least 2"),
        (
            lambda: configurations.rv_coefficient(np.eye(3), np.eye(4)),
            DataError,
            "3 samples against 4",
        ),
        (lambda: control_charts.chart_constants(2000), RangeError, "subgroups of 2 to 1000"),
        (
            lambda: control_charts.subgroup_averages(CUBE[0], spread="median"),
            RangeError,
            "'range' or 'standard deviation'",
        ),
        (
            lambda: control_charts.individuals([1.0, 2.0], centre=math.nan),
            DataError,
            "must be a finite number",
        ),
        (lambda: dunnett.dunnett_critical(3, 10, sided="both"), RangeError, "'one' or 'two'"),
        (
            lambda: dunnett.dunnett_critical(1, 10, sizes=[0], control_size=5),
            RangeError,
            "at least one score",
        ),
        (lambda: hotelling.subgroup_limit(2, 2, 3, 0.05), RangeError, "too few values"),
        (
            lambda: hotelling.subgroup_limit(9, 4, 2, 0.05, phase="III"),
            RangeError,
            "must be 'I' or 'II'",
        ),
        (
            lambda: hotelling.individuals_limit(9, 2, 0.05, phase="III"),
            RangeError,
            "must be 'I' or 'II'",
        ),
        (
            lambda: hotelling.individuals_limit(3, 3, 0.05, phase="II"),
            RangeError,
            "more than 3 observations",
        ),
        (
            lambda: hotelling.t_squared_individuals(CUBE[:, 0], covariance="robust"),
            RangeError,
            "'sample' or 'successive'",
        ),
        (
            lambda: hotelling.t_squared_subgroups(np.ones((3, 1, 2))),
            DataError,
            "at least two values each",
        ),
        (lambda: ordinal.ordinal_fit([1, 2], [[1.0]] * 3), DataError, "2 responses but 3 rows"),
        (
            lambda: ordinal.ordinal_fit([1, 2], [[0.0], [1.0]], weights=[1, -1]),
            DataError,
            "0 or more for each response",
        ),
        (lambda: ranking.friedman(CUBE[0], p_value="best"), RangeError, "p_value is 'best'"),
        (lambda: ranking.page(CUBE[0], p_value="best"), RangeError, "p_value is 'best'"),
        (lambda: ranking.page(np.eye(12), p_value="exact"), RangeError, "too large"),
        (lambda: ranking.durbin([[1.0, math.inf]]), DataError, "finite numbers"),
        (lambda: ranking.durbin([[1.0, 1.0], [2.0, 2.0]]), DataError, "ties everything"),
        (
            lambda: ranking.compare_rank_sums(CUBE[0], level="all"),
            RangeError,
            "'pair', 'family' or 'control'",
        ),
        (
            lambda: ranking.compare_rank_sums(CUBE[0], products=["a"]),
            DataError,
            "1 names for 2 products",
        ),
        (
            lambda: replicated.fit_beta_binomial([1, 1], [1, 1]),
            DataError,
            "nobody has replicates",
        ),
        (lambda: robust.huber_location([1.0, 1.0, 1.0, 2.0]), DataError, "are tied"),
        (lambda: robust.huber_proposal_2([1.0, 1.0, 1.0, 2.0]), DataError, "are tied"),
        (lambda: scoring.panel_anova(CUBE[:, :1]), DataError, r"hold 1 product\(s\)"),
        (
            lambda: scoring.panel_anova(CUBE, products=("a",)),
            DataError,
            "names do not match the table",
        ),
        (
            lambda: scoring.panel_anova(CUBE).components("ml"),
            RangeError,
            "must be 'anova' or 'reml'",
        ),
        (
            lambda: scoring.compare_groups_with_control([1.0, 2.0], {}),
            DataError,
            "no group to compare",
        ),
        (
            lambda: scoring.compare_groups_with_control([1.0], {"a": [2.0]}),
            DataError,
            "one value in each group",
        ),
        (
            lambda: scoring.compare_groups_with_control([1.0, 1.0], {"a": [2.0, 2.0]}),
            DataError,
            "no group has any spread",
        ),
        (
            lambda: tolerance.two_sided_factor(10, 0.9, 0.9, method="normal"),
            RangeError,
            "'exact' or 'howe'",
        ),
        (
            lambda: tolerance.nonparametric_sample_size(0.9, 0.9, sided="both"),
            RangeError,
            "'one' or 'two'",
        ),
        (
            lambda: estimate_d_prime("triangle", 20, 30, interval="score"),
            RangeError,
            "'profile', 'wald' or 'exact'",
        ),
        (
            lambda: difference_from_control.degree_of_difference([1, 2], [1, 2, 3]),
            DataError,
            "2 ratings against 3",
        ),
        (
            lambda: difference_from_control.degree_of_difference([0, 0], [1, 2]),
            DataError,
            "one pair of each kind",
        ),
        (
            lambda: anota.a_not_a_servings_needed(0.05),
            RangeError,
            "more than 1000 servings",
        ),
    ],
)
def test_what_is_refused(
    call: Callable[[], object], error: type[MethodError], message: str
) -> None:
    with pytest.raises(error, match=message):
        call()


def test_wald_interval_is_estimate_plus_and_minus() -> None:
    result = estimate_d_prime("triangle", 25, 50, interval="wald")
    assert result.standard_error is not None
    assert result.upper - result.estimate == pytest.approx(1.959964 * result.standard_error)
    near = estimate_d_prime("triangle", 18, 50, interval="wald")
    assert near.lower == 0.0


def test_anova_components_of_both_kinds() -> None:
    table = scoring.panel_anova(CUBE)
    anova, reml = table.components("anova"), table.components("reml")
    assert anova.error == pytest.approx(table.error.mean_square)  # type: ignore[union-attr]
    assert min(reml.assessor, reml.interaction) >= 0.0
    assert table._position("2") == 1


def test_pearson_of_an_empty_margin_is_zero() -> None:
    assert anota.pearson_chi_square(np.array([[0, 5], [0, 7]])) == 0.0


def test_t_squared_table_and_large_sample_limit() -> None:
    rng = np.random.default_rng(1)
    chart = hotelling.t_squared_individuals(rng.normal(size=(20, 2)), alpha=0.01)
    assert list(chart.to_frame().columns) == ["t_squared", "limit", "signal"]
    assert hotelling.individuals_limit(20, 2, 0.01, form="chi-square") == pytest.approx(9.21034)


def test_perfect_order_has_an_infinite_f() -> None:
    result = ranking.friedman([[1, 2, 3]] * 4)
    assert math.isinf(result.iman_davenport_f)
    assert result.f_p == 0.0
    assert result.p_value == pytest.approx(6 / 6**4)


def test_intervals_and_tables_of_an_ordinal_fit() -> None:
    fit = ordinal.ordinal_fit([1, 1, 2, 2, 3, 2, 3, 3, 3, 1], [[0]] * 5 + [[1]] * 5, names=["lot"])
    low, high = fit.interval("lot")
    assert low < fit.effect("lot") < high
    assert fit.to_frame().loc["lot", "p_value"] == pytest.approx(0.24, abs=0.05)
    with pytest.raises(DataError, match="no effect 'age'"):
        fit.effect("age")


def test_similar_names_are_understood() -> None:
    for name in ("Triangle", "triangular", "TRIANGLE"):
        assert minimum_correct(name, 36, 0.05) == 18
    for name in ("2-out-of-5", "two out of five", "2of5"):
        assert minimum_correct(name, 10, 0.05) == 4
