"""Panel scores: analysis of variance, Dunnett, ordered categories, robust figures."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from panels.errors import ConvergenceError, DataError, RangeError
from panels.methods import dunnett, ordinal, robust, scoring
from panels.methods.difference_from_control import difference_from_control

DATA = Path(__file__).parents[2] / "reference" / "sensory_data"


def random_cube(seed: int, j: int = 6, k: int = 4, r: int = 2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    people = rng.normal(0, 1.0, (j, 1, 1))
    return 6.0 + people + rng.normal(0, 0.5, (j, k, 1)) + rng.normal(0, 0.8, (j, k, r))


@given(st.integers(0, 10_000), st.integers(2, 7), st.integers(2, 5), st.integers(1, 3))
def test_sums_of_squares_add_up_and_move_with_nothing(seed: int, j: int, k: int, r: int) -> None:
    cube = random_cube(seed, j, k, r)
    table = scoring.panel_anova(cube)
    assert sum(line.sum_of_squares for line in table.lines) == pytest.approx(
        table.total_sum_of_squares
    )
    assert sum(line.df for line in table.lines) == cube.size - 1
    shifted = scoring.panel_anova(cube + 3.0)
    scaled = scoring.panel_anova(cube * 2.0)
    assert shifted.product.f == pytest.approx(table.product.f)
    assert scaled.product.sum_of_squares == pytest.approx(4 * table.product.sum_of_squares)


def test_mixed_test_is_the_paired_t_for_two_products() -> None:
    cube = random_cube(3, j=9, k=2, r=3)
    table = scoring.panel_anova(cube)
    means = cube.mean(2)
    t = stats.ttest_rel(means[:, 0], means[:, 1])
    assert table.product.f == pytest.approx(float(t.statistic) ** 2)
    assert table.product.p_value == pytest.approx(float(t.pvalue))


def test_reml_of_a_balanced_table_maximises_the_restricted_likelihood() -> None:
    # Mean squares in the wrong order, so that pooling matters.
    for seed in range(40):
        table = scoring.panel_anova(random_cube(seed, 5, 4, 2) - 0.0)
        parts = table.components("reml")
        squares = [
            (table.error, lambda p: p[2]),
            (table.interaction, lambda p: p[2] + 2 * p[1]),
            (table.assessor, lambda p: p[2] + 2 * p[1] + 8 * p[0]),
        ]

        def loss(p: tuple[float, float, float], squares: list = squares) -> float:
            total = 0.0
            for line, variance in squares:
                assert line is not None
                total += line.df * math.log(variance(p)) + line.sum_of_squares / variance(p)
            return total

        best = loss((parts.assessor, parts.interaction, parts.error))
        rng = np.random.default_rng(seed)
        for _ in range(200):
            nudge = rng.normal(0, 0.05, 3)
            near = tuple(
                max(0.0, value + step)
                for value, step in zip(
                    (parts.assessor, parts.interaction, parts.error), nudge, strict=True
                )
            )
            if near[2] > 0.05:
                assert loss(near) >= best - 1e-9  # type: ignore[arg-type]


def test_one_replicate_has_no_error_line() -> None:
    table = scoring.panel_anova(random_cube(1, 6, 4, 1))
    assert table.error is None
    assert table.product_fixed is None
    assert table.interaction.source == "residual"
    assert table.components().interaction == 0.0
    assert table.product.f_df == 15
    assert list(table.to_frame().index) == ["product", "assessor", "residual"]


def test_interval_for_a_mean_covers_as_stated_and_pooling_does_not() -> None:
    rng = np.random.default_rng(9)
    held = {"means": 0, "pooled": 0}
    runs = 3000
    for _ in range(runs):
        scores = 7.0 + rng.normal(0, 1, (8, 1)) + rng.normal(0, 0.7, (8, 3))
        by_means = scoring.panel_mean_interval(scores.mean(1))
        pooled = scoring.panel_mean_interval(scores.ravel())
        held["means"] += by_means.lower <= 7.0 <= by_means.upper
        held["pooled"] += pooled.lower <= 7.0 <= pooled.upper
    assert held["means"] / runs == pytest.approx(0.95, abs=0.012)
    assert held["pooled"] / runs < 0.85


def test_long_tables() -> None:
    rows = [("A", "x", 5.0), ("B", "x", 6.0), ("A", "y", 7.0), ("B", "y", 8.0)]
    frame = pd.DataFrame(rows, columns=["who", "what", "score"])
    cube, people, things = scoring.scores_cube(frame, assessor="who", product="what", score="score")
    assert (people, things, cube.tolist()) == (("A", "B"), ("x", "y"), [[[5], [7]], [[6], [8]]])
    with pytest.raises(DataError, match=r"not balanced: 1 score\(s\) in a cell, but B/y: 0"):
        scoring.scores_cube(frame.iloc[:3], assessor="who", product="what", score="score")
    with pytest.raises(DataError, match="no column taster"):
        scoring.scores_cube(frame, assessor="taster", product="what", score="score")
    with pytest.raises(DataError, match="1 missing or infinite"):
        scoring.scores_cube(
            frame.assign(score=[5, 6, np.nan, 8]), assessor="who", product="what", score="score"
        )


# --- Dunnett -------------------------------------------------------------------------------


@pytest.mark.parametrize("df", [1, 2, 3, 7, 30.5, math.inf])
def test_one_comparison_is_students_t(df: float) -> None:
    for alpha in (0.2, 0.05, 0.001):
        t = stats.t.ppf(1 - alpha / 2, df) if math.isfinite(df) else stats.norm.ppf(1 - alpha / 2)
        assert dunnett.dunnett_critical(1, df, alpha) == pytest.approx(float(t), rel=1e-6)
        one = stats.t.ppf(1 - alpha, df) if math.isfinite(df) else stats.norm.ppf(1 - alpha)
        assert dunnett.dunnett_critical(1, df, alpha, sided="one") == pytest.approx(
            float(one), rel=1e-6
        )


@pytest.mark.full
@given(st.integers(1, 12), st.floats(2.0, 200.0), st.floats(0.001, 0.3))
def test_critical_value_and_p_value_invert(k: int, df: float, alpha: float) -> None:
    for sided in ("one", "two"):
        critical = dunnett.dunnett_critical(k, df, alpha, sided=sided)  # type: ignore[arg-type]
        assert dunnett.dunnett_p_value(critical, k, df, sided=sided) == pytest.approx(  # type: ignore[arg-type]
            alpha, rel=1e-6
        )


def test_bounds_between_one_comparison_and_bonferroni() -> None:
    for k in (2, 5, 9):
        critical = dunnett.dunnett_critical(k, 20, 0.05)
        assert stats.t.ppf(0.975, 20) < critical < stats.t.ppf(1 - 0.025 / k, 20)


def test_unequal_sizes_by_simulation() -> None:
    rng = np.random.default_rng(21)
    sizes, control, df = [4, 9], 6, 12
    z = rng.normal(size=(400_000, 3)) / np.sqrt([control, *sizes])
    s = np.sqrt(rng.chisquare(df, 400_000) / df)
    t = (z[:, 1:] - z[:, :1]) / (s[:, None] * np.sqrt(1 / np.array(sizes) + 1 / control))
    at = 2.3
    simulated = float((np.abs(t).max(1) >= at).mean())
    computed = dunnett.dunnett_p_value(at, 2, df, sizes=sizes, control_size=control)
    assert computed == pytest.approx(simulated, abs=0.0015)


def test_equal_sizes_given_or_left_out_are_the_same() -> None:
    assert dunnett.dunnett_critical(3, 20, sizes=[5, 5, 5], control_size=5) == pytest.approx(
        dunnett.dunnett_critical(3, 20)
    )
    with pytest.raises(RangeError, match="give both sizes and control_size"):
        dunnett.dunnett_critical(3, 20, sizes=[5, 5, 5])
    with pytest.raises(RangeError, match="2 sizes for 3 comparisons"):
        dunnett.dunnett_critical(3, 20, sizes=[5, 5], control_size=5)
    with pytest.raises(RangeError, match="df is 0"):
        dunnett.dunnett_critical(3, 0)
    with pytest.raises(RangeError, match="at most 100"):
        dunnett.dunnett_critical(101, 10)


def test_intervals_and_p_values_of_the_table_agree() -> None:
    frame = pd.read_csv(DATA / "wine_bitterness_9x4x2.csv")
    cube, people, things = scoring.scores_cube(
        frame, assessor="assessor", product="product", score="score_0_100"
    )
    table = scoring.panel_anova(cube, assessors=people, products=things)
    for sided in ("one", "two"):
        for line in table.against_control("cold_nocontact", sided=sided):  # type: ignore[arg-type]
            assert (line.lower > 0) == (line.p_value < 0.05 and line.difference > 0)
    with pytest.raises(DataError, match="no product 'port'"):
        table.against_control("port")


def test_difference_from_control_wants_its_blind_control() -> None:
    frame = pd.DataFrame(
        [(a, s, float(a + len(s))) for a in range(4) for s in ("blind", "lot")],
        columns=["who", "what", "size"],
    )
    with pytest.raises(DataError, match="no sample 'control'"):
        difference_from_control(
            frame, assessor="who", sample="what", score="size", control="control"
        )
    with pytest.raises(DataError, match="no spread"):
        difference_from_control(frame, assessor="who", sample="what", score="size", control="blind")


def test_paired_and_welch_agree_with_the_library() -> None:
    rng = np.random.default_rng(8)
    a, b = rng.normal(7, 1, 12), rng.normal(6.5, 1, 12)
    ours, other = scoring.paired_t(a, b), stats.ttest_rel(a, b)
    assert (ours.t, ours.p_value) == pytest.approx((float(other.statistic), float(other.pvalue)))
    limits = other.confidence_interval(0.95)
    assert (ours.lower, ours.upper) == pytest.approx((float(limits.low), float(limits.high)))
    one = stats.ttest_rel(a, b, alternative="greater")
    assert scoring.paired_t(a, b, sided="one").p_value == pytest.approx(float(one.pvalue))
    welch = stats.ttest_ind(a, b[:7], equal_var=False)
    assert scoring.welch_t(a, b[:7]).p_value == pytest.approx(float(welch.pvalue))
    for call, message in (
        (lambda: scoring.paired_t([1, 2], [1, 2, 3]), "must be pairs"),
        (lambda: scoring.paired_t([1, 2], [0, 1]), "no spread"),
        (lambda: scoring.welch_t([1, 1], [2, 2]), "neither group"),
        (lambda: scoring.one_way_f([[1.0], [2.0]]), "no error to test against"),
    ):
        with pytest.raises(DataError, match=message):
            call()


# --- ordered categories ----------------------------------------------------------------------


def test_ordered_response_recovers_the_truth_with_honest_errors() -> None:
    rng = np.random.default_rng(12)
    x = rng.normal(size=(3000, 2))
    for link, noise in (("logit", rng.logistic(size=3000)), ("probit", rng.normal(size=3000))):
        latent = x @ [0.8, -0.4] + noise
        y = np.searchsorted([-1.0, 0.2, 1.5], latent)
        fit = ordinal.ordinal_fit(y, x, link=link)  # type: ignore[arg-type]
        for value, error, truth in zip(fit.effects, fit.standard_errors, (0.8, -0.4), strict=True):
            assert abs(value - truth) < 4 * error
            assert error < 0.06
        assert fit.thresholds == pytest.approx([-1.0, 0.2, 1.5], abs=0.2)
        assert fit.p_value < 1e-6


def test_weights_are_repeated_rows() -> None:
    y, x = [1, 2, 3, 1, 2, 3], [[0], [0], [0], [1], [1], [1]]
    weights = [4, 3, 2, 1, 3, 5]
    by_weight = ordinal.ordinal_fit(y, x, weights=weights)
    by_rows = ordinal.ordinal_fit(np.repeat(y, weights), np.repeat(x, weights, axis=0))
    assert by_weight.effects == pytest.approx(by_rows.effects)
    assert by_weight.log_likelihood == pytest.approx(by_rows.log_likelihood)


def test_ordered_response_refuses_what_it_cannot_fit() -> None:
    with pytest.raises(DataError, match="fewer than two categories"):
        ordinal.ordinal_fit([1, 1], [[0], [1]])
    with pytest.raises(DataError, match="not independent"):
        ordinal.ordinal_fit([1, 2, 3], [[1], [1], [1]])
    with pytest.raises(ConvergenceError, match="separates"):
        ordinal.ordinal_fit([1, 1, 2, 2], [[0], [0], [1], [1]])
    with pytest.raises(DataError, match="no column colour"):
        ordinal.treatment_design(pd.DataFrame({"a": [1, 2]}), ["colour"])


# --- robust --------------------------------------------------------------------------------

SCORES = st.lists(st.integers(0, 100), min_size=4, max_size=15).map(
    lambda values: [v / 10 for v in values]
)


@given(SCORES, st.floats(-5, 5), st.floats(0.5, 3))
def test_algorithm_a_moves_and_scales_with_the_scores(
    scores: list[float], shift: float, factor: float
) -> None:
    if robust.median_absolute_deviation(scores) < 0.2:
        return
    base = robust.algorithm_a(scores)
    other = robust.algorithm_a(np.array(scores) * factor + shift)
    assert other.mean == pytest.approx(base.mean * factor + shift, abs=1e-5)
    assert other.standard_deviation == pytest.approx(base.standard_deviation * factor, abs=1e-5)


def test_an_outlier_however_wild_moves_algorithm_a_no_further() -> None:
    calm = [7.2, 7.0, 6.8, 7.4, 7.1, 6.9, 7.3, 7.0, 7.5]
    far = [robust.algorithm_a([*calm, wild]).mean for wild in (3.0, -100.0, -1e6)]
    assert far[0] == pytest.approx(far[1]) == pytest.approx(far[2])


def test_breakdown_point_by_experiment() -> None:
    # A manual says "about 30 %"; for gross errors on one side Huber's formula gives 25.7 %.
    rng = np.random.default_rng(6)
    good = rng.normal(0, 1, 4000)
    for share, breaks in ((0.24, False), (0.28, True)):
        bad = round(4000 * share / (1 - share))
        result = robust.algorithm_a(np.concatenate([good, np.full(bad, 1e6)]), tolerance=1e-7)
        assert (result.mean > 1e3) is breaks


def test_ties_that_stop_algorithm_a_need_the_resolution_of_the_scale() -> None:
    tied = [7.0, 7.0, 7.0, 7.0, 6.0, 8.0, 7.0]
    with pytest.raises(DataError, match="more than half the values are tied"):
        robust.algorithm_a(tied)
    with pytest.raises(DataError, match="all values are equal"):
        robust.algorithm_a([7.0, 7.0, 7.0])
    result = robust.algorithm_a(tied, resolution=1.0)
    assert result.mean == pytest.approx(7.0, abs=0.05)
    assert 0.0 < result.standard_deviation < 0.8
    assert robust.algorithm_a([7.0] * 5, resolution=0.5).standard_deviation == 0.0


def test_huber_forms_stand_between_median_and_mean() -> None:
    values = [7.2, 7.0, 6.8, 7.4, 7.1, 6.9, 7.3, 7.0, 3.0, 7.5]
    for result in (robust.huber_location(values), robust.huber_proposal_2(values)):
        assert np.mean(values) < result.mean <= np.median(values) + 0.1
        assert result.pulled == 1


@pytest.mark.full
def test_efficiency_by_simulation() -> None:
    rng = np.random.default_rng(10)
    samples = rng.normal(size=(4000, 25))
    means = [robust.huber_location(sample).mean for sample in samples]
    ratio = (1 / 25) / float(np.var(means))
    assert ratio == pytest.approx(robust.efficiency(1.5), abs=0.04)


def test_a_taint_with_median_zero_has_no_coefficient_of_variation() -> None:
    result = robust.median_with_limits([0, 0, 0, 0, 0, 2, 3])
    assert result.median == 0.0
    assert math.isinf(result.cv_percent)
    assert not result.valid
