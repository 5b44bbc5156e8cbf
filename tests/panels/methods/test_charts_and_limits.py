"""Precision, tolerance, acceptance, control charts, T-squared: against simulation and forms."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bulkflow.statistics import control_charts, precision, tolerance
from panels.errors import DataError, RangeError
from panels.methods import hotelling
from panels.methods.configurations import rv_coefficient

DATA = Path(__file__).parents[2] / "reference" / "sensory_data"
RNG_SEED = 20261125


# --- precision -----------------------------------------------------------------------------


def test_mandel_limits_hold_their_level() -> None:
    rng = np.random.default_rng(RNG_SEED)
    p, n, runs = 8, 3, 20_000
    cells = rng.normal(size=(runs, p, n))
    means = cells.mean(2)
    h = (means[:, 0] - means.mean(1)) / means.std(axis=1, ddof=1)
    assert np.mean(np.abs(h) > precision.mandel_h_limit(p, 0.05)) == pytest.approx(0.05, abs=0.005)
    variances = cells.var(axis=2, ddof=1)
    k = np.sqrt(variances[:, 0] / variances.mean(1))
    assert np.mean(k > precision.mandel_k_limit(p, n, 0.05)) == pytest.approx(0.05, abs=0.005)
    c = variances.max(1) / variances.sum(1)
    assert np.mean(c > precision.cochran_limit(p, n, 0.05)) == pytest.approx(0.05, abs=0.005)
    g = np.abs(means - means.mean(1, keepdims=True)).max(1) / means.std(axis=1, ddof=1)
    assert np.mean(g > precision.grubbs_limit(p, 0.05)) == pytest.approx(0.05, abs=0.006)


def test_unequal_replicates_and_their_names() -> None:
    result = precision.precision({"K1": [7.0, 7.2, 7.1], "K2": [6.8, 6.9], "K3": [7.5]})
    assert result.laboratories == ("K1", "K2", "K3")
    assert math.isnan(result.cell_deviations[2])
    pooled = (2 * np.var([7.0, 7.2, 7.1], ddof=1) + np.var([6.8, 6.9], ddof=1)) / 3
    assert result.repeatability == pytest.approx(math.sqrt(pooled))
    assert result.repeatability_limit == pytest.approx(2.8 * result.repeatability)
    assert list(result.to_frame().columns) == ["replicates", "mean", "standard_deviation", "h", "k"]


def test_between_is_never_negative() -> None:
    result = precision.precision([[1.0, 9.0], [9.0, 1.0], [2.0, 8.0]])
    assert result.between == 0.0
    assert result.reproducibility == result.repeatability
    assert result.h == (0.0, 0.0, 0.0)


def test_precision_refuses_what_shows_nothing() -> None:
    with pytest.raises(DataError, match="at least two laboratories"):
        precision.precision([[1.0, 2.0]])
    with pytest.raises(DataError, match="nobody has replicates"):
        precision.precision([[1.0], [2.0]])
    with pytest.raises(RangeError, match="p is 2"):
        precision.mandel_h_limit(2)


# --- tolerance -----------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "coverage", "confidence"), [(5, 0.9, 0.95), (20, 0.95, 0.9)])
def test_tolerance_factors_hold_what_they_promise(
    n: int, coverage: float, confidence: float
) -> None:
    rng = np.random.default_rng(RNG_SEED)
    values = rng.normal(size=(40_000, n))
    mean, s = values.mean(1), values.std(axis=1, ddof=1)
    one = tolerance.one_sided_factor(n, coverage, confidence)
    held = stats.norm.cdf(mean + one * s) >= coverage
    assert held.mean() == pytest.approx(confidence, abs=0.006)
    two = tolerance.two_sided_factor(n, coverage, confidence)
    inside = stats.norm.cdf(mean + two * s) - stats.norm.cdf(mean - two * s)
    assert (inside >= coverage).mean() == pytest.approx(confidence, abs=0.006)


@given(st.integers(2, 200), st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_tolerance_factors_shrink_towards_the_normal_quantile(
    n: int, coverage: float, confidence: float
) -> None:
    one = tolerance.two_sided_factor(n, coverage, confidence)
    more = tolerance.two_sided_factor(2 * n, coverage, confidence)
    assert one > tolerance.one_sided_factor(n, coverage, confidence) * 0.9
    if confidence > 0.6:
        assert more < one
    large = tolerance.two_sided_factor(200_000, coverage, confidence)
    assert large == pytest.approx(float(stats.norm.ppf((1 + coverage) / 2)), rel=0.02)


def test_extremes_as_tolerance_limits() -> None:
    n = tolerance.nonparametric_sample_size(0.9, 0.95)
    chance = [1 - m * 0.9 ** (m - 1) + (m - 1) * 0.9**m for m in (n - 1, n)]
    assert chance[0] < 0.95 <= chance[1]


def test_acceptance_by_variables() -> None:
    plan = tolerance.variables_plan("d", 2.5)
    assert (plan.letter, plan.n, plan.k) == ("D", 5, 1.24)
    good, bad = [7.0, 7.4, 7.1, 6.9, 7.2], [7.0, 5.0, 8.0, 6.1, 7.2]
    assert tolerance.accept_by_variables(good, plan.k, lower=6.0, upper=9.0).accepted
    assert not tolerance.accept_by_variables(bad, plan.k, lower=6.0).accepted
    level = tolerance.accept_by_variables([7.0, 7.0], 2.0, lower=6.0)
    assert level.lower_quality == math.inf
    with pytest.raises(RangeError, match="no plan for letter 'B'"):
        tolerance.variables_plan("B", 0.04)
    with pytest.raises(RangeError, match="a lower limit, an upper limit"):
        tolerance.accept_by_variables(good, 1.0)


def test_every_plan_accepts_its_quality_limit_nearly_always() -> None:
    # Misremembered constants would stand out: at its quality limit a plan accepts 85 to 99.9 %,
    # and for one letter the constants fall as the limit rises.
    table = pd.read_csv(Path(tolerance.__file__).with_name("variables_plans.csv"), comment="#")
    for row in table.itertuples():
        chance = tolerance.chance_of_acceptance(row.n, row.k, row.aql_percent / 100)
        assert 0.85 < chance < 0.999, row
    for _, plans in table.groupby("letter"):
        assert plans["k"].is_monotonic_decreasing
    for _, plans in table.groupby("aql_percent"):
        assert plans.sort_values("n")["k"].is_monotonic_increasing


def test_chance_of_acceptance_by_simulation() -> None:
    rng = np.random.default_rng(RNG_SEED)
    values = rng.normal(size=(100_000, 10)) + 1.5
    accepted = values.mean(1) / values.std(axis=1, ddof=1) >= 1.2
    outside = float(stats.norm.cdf(-1.5))
    assert tolerance.chance_of_acceptance(10, 1.2, outside) == pytest.approx(
        accepted.mean(), abs=0.006
    )
    assert tolerance.chance_of_acceptance(10, 1.2, 0.0) == 1.0


# --- charts --------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [2, 3, 7, 25])
def test_chart_constants_by_simulation(n: int) -> None:
    rng = np.random.default_rng(RNG_SEED)
    values = rng.normal(size=(300_000, n))
    constants = control_charts.chart_constants(n)
    ranges = np.ptp(values, axis=1)
    assert constants.d2 == pytest.approx(float(ranges.mean()), abs=0.006)
    assert constants.d3 == pytest.approx(float(ranges.std()), abs=0.006)
    assert constants.c4 == pytest.approx(float(values.std(axis=1, ddof=1).mean()), abs=0.004)


def test_constants_known_in_closed_form() -> None:
    two = control_charts.chart_constants(2)
    assert two.d2 == pytest.approx(2 / math.sqrt(math.pi), abs=1e-12)
    assert two.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-12)
    assert two.c4 == pytest.approx(math.sqrt(2 / math.pi), abs=1e-12)
    assert control_charts.chart_constants(3).d2 == pytest.approx(3 / math.sqrt(math.pi), abs=1e-12)
    assert (pytest.approx(2.6587, abs=1e-4), 0.0, 0.0) == (two.E2, two.B5, two.D1)
    assert pytest.approx(2.606, abs=5e-4) == two.B6
    with pytest.raises(RangeError, match="n is 1"):
        control_charts.chart_constants(1)


def test_charts_signal_a_shift_and_name_the_place() -> None:
    values = [7.0, 7.1, 6.9, 7.0, 7.1, 6.9, 7.0, 5.5, 7.0, 7.1]
    assert control_charts.individuals(values, centre=7.0, sigma=0.1).signals == (8,)
    frame = control_charts.ewma(values, target=7.0, sigma=0.1).to_frame()
    assert frame["signal"].tolist()[7] is True
    sums = control_charts.cusum([7.0] * 5 + [6.8] * 5, target=7.0, slack=0.05, decision=0.4)
    assert sums.low_signals == (8, 9, 10)
    assert sums.high_signals == ()
    assert sums.signals == sums.low_signals
    assert len(sums.to_frame()) == 10


def test_subgroup_charts_by_hand() -> None:
    table = np.array([[1.0, 3.0, 2.0], [2.0, 4.0, 3.0], [3.0, 4.0, 5.0], [9.0, 9.5, 9.2]])
    averages, ranges = control_charts.subgroup_averages(table, spread="range")
    constants = control_charts.chart_constants(3)
    mean_range = np.ptp(table, axis=1).mean()
    assert averages.upper == pytest.approx(table.mean() + constants.A2 * mean_range)
    assert ranges.upper == pytest.approx(constants.D4 * mean_range)
    _, deviations = control_charts.subgroup_averages(table)
    assert deviations.upper == pytest.approx(constants.B4 * table.std(axis=1, ddof=1).mean())
    assert 4 in averages.signals


def test_chart_arguments_are_checked() -> None:
    for call in (
        lambda: control_charts.ewma([1.0], target=1.0, sigma=0.0),
        lambda: control_charts.ewma([1.0], target=1.0, sigma=1.0, weight=0.0),
        lambda: control_charts.cusum([1.0], target=1.0, slack=-1.0, decision=4.0),
        lambda: control_charts.cusum([1.0], target=1.0, slack=0.5, decision=0.0),
    ):
        with pytest.raises(RangeError):
            call()
    with pytest.raises(DataError, match="missing or infinite"):
        control_charts.individuals([1.0, math.nan])


# --- several variables -----------------------------------------------------------------------


@pytest.mark.full
def test_t_squared_limits_hold_their_level() -> None:
    rng = np.random.default_rng(RNG_SEED)
    m, p, alpha, over, new_over, runs = 20, 2, 0.05, 0, 0, 4000
    phase_one = hotelling.individuals_limit(m, p, alpha)
    phase_two = hotelling.individuals_limit(m, p, alpha, phase="II")
    for _ in range(runs):
        values = rng.normal(size=(m + 1, p))
        chart = hotelling.t_squared_individuals(values[:m], alpha=alpha, covariance="sample")
        over += chart.t_squared[0] > phase_one
        away = values[m] - values[:m].mean(0)
        new = away @ np.linalg.solve(hotelling.sample_covariance(values[:m]), away)
        new_over += new > phase_two
    assert over / runs == pytest.approx(alpha, abs=0.011)
    assert new_over / runs == pytest.approx(alpha, abs=0.011)


def test_shift_in_the_middle_shows_with_successive_differences() -> None:
    frame = pd.read_csv(DATA / "t2_individuals_56x3.csv")[["large_pct", "medium_pct"]]
    near = hotelling.t_squared_individuals(frame, covariance="successive")
    plain = hotelling.t_squared_individuals(frame, covariance="sample")
    assert near.t_squared[44] == pytest.approx(17.67, abs=0.01)
    assert plain.t_squared[44] < 8.0
    assert 45 in near.signals


def test_shares_that_add_up_are_refused_as_singular() -> None:
    frame = pd.read_csv(DATA / "t2_individuals_56x3.csv").drop(columns="observation")
    closed = frame.assign(small_pct=100.0 - frame["large_pct"] - frame["medium_pct"])
    with pytest.raises(DataError, match="the covariance is singular"):
        hotelling.t_squared_individuals(closed)
    with pytest.raises(RangeError, match="phase I needs more than 4 observations"):
        hotelling.individuals_limit(4, 3, 0.01)


@given(st.integers(0, 1000), st.floats(0.2, 5.0))
def test_rv_ignores_turning_shifting_and_scaling(seed: int, factor: float) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.normal(size=(6, 3)), rng.normal(size=(6, 2))
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    base = rv_coefficient(x, y)
    assert 0.0 <= base <= 1.0
    assert rv_coefficient(factor * x @ turn + 4.0, y) == pytest.approx(base)
    assert rv_coefficient(x, factor * x @ turn) == pytest.approx(1.0)
    with pytest.raises(DataError, match="same place"):
        rv_coefficient(np.ones((4, 2)), y[:4])
