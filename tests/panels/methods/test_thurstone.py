"""d-prime: curves against simulation and second forms, intervals against the likelihood."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import hypergeom, ncf, norm

from panels.errors import ConvergenceError, DataError, RangeError
from panels.methods import anota, thurstone
from panels.methods.anota import (
    a_not_a,
    a_not_a_power,
    a_not_a_servings_needed,
    mcnemar_p_value,
    rating_d_prime,
)
from panels.methods.difference_from_control import (
    assessors_needed,
    chance_to_notice,
    degree_of_difference,
)
from panels.methods.protocols import ForcedChoice
from panels.methods.psychometric import d_prime_from_proportion, proportion_correct, slope
from panels.methods.thurstone import compare_d_primes, estimate_d_prime

TESTS = st.sampled_from(list(ForcedChoice))
DRAWS = 400_000


def simulated(test: ForcedChoice, d: float) -> float:
    """Share right when percepts are drawn and the rule of each test is followed."""
    rng = np.random.default_rng(20261125)
    if test is ForcedChoice.TWO_AFC:
        return float((rng.normal(d, 1, DRAWS) > rng.normal(0, 1, DRAWS)).mean())
    if test is ForcedChoice.THREE_AFC:
        return float((rng.normal(d, 1, DRAWS) > rng.normal(0, 1, (2, DRAWS)).max(0)).mean())
    if test is ForcedChoice.DUO_TRIO:
        reference, same, odd = rng.normal(0, 1, (3, DRAWS)) + np.array([[0], [0], [d]])
        return float((np.abs(same - reference) < np.abs(odd - reference)).mean())
    if test is ForcedChoice.TRIANGLE:
        a, b, odd = rng.normal(0, 1, (3, DRAWS)) + np.array([[0], [0], [d]])
        return float((np.abs(a - b) < np.minimum(np.abs(a - odd), np.abs(b - odd))).mean())
    if test is ForcedChoice.TETRAD:
        a, b = rng.normal(0, 1, (2, DRAWS)), rng.normal(d, 1, (2, DRAWS))
        return float(((a.max(0) < b.min(0)) | (b.max(0) < a.min(0))).mean())
    three, two = np.sort(rng.normal(0, 1, (3, DRAWS)), 0), np.sort(rng.normal(d, 1, (2, DRAWS)), 0)
    above = (two[0] > three[2]) & (two[0] - three[2] > three[2] - three[1])
    below = (two[1] < three[0]) & (three[0] - two[1] > three[1] - three[0])
    return float((above | below).mean())


@pytest.mark.parametrize("test", list(ForcedChoice))
@pytest.mark.parametrize("d", [0.0, 0.8, 2.0, 3.5])
def test_curves_agree_with_simulation(test: ForcedChoice, d: float) -> None:
    expected = float(proportion_correct(test, d))
    error = math.sqrt(expected * (1 - expected) / DRAWS)
    assert simulated(test, d) == pytest.approx(expected, abs=4.5 * error)


def test_curves_agree_with_adaptive_quadrature_and_other_forms() -> None:
    for d in (0.3, 1.7, 3.3, 6.0):
        three = quad(lambda z, d=d: norm.cdf(z) ** 2 * norm.pdf(z - d), -10, 16)[0]
        assert proportion_correct("3-AFC", d) == pytest.approx(three, abs=1e-9)
        triangle = ncf.sf(3, 1, 1, 2 * d * d / 3)
        assert proportion_correct("triangle", d) == pytest.approx(triangle, abs=1e-9)


@given(TESTS)
def test_every_curve_starts_at_the_guess_chance_and_ends_at_one(test: ForcedChoice) -> None:
    assert proportion_correct(test, 0.0) == pytest.approx(test.guess, abs=1e-11)
    assert proportion_correct(test, 24.0) == pytest.approx(1.0, abs=1e-11)


@given(TESTS, st.floats(0.05, 6.0))
def test_slope_is_the_derivative_and_positive(test: ForcedChoice, d: float) -> None:
    step = 1e-5
    difference = proportion_correct(test, d + step) - proportion_correct(test, d - step)
    assert slope(test, d) == pytest.approx(difference / (2 * step), abs=1e-8)
    assert slope(test, d) > 0.0


@given(TESTS, st.floats(0.05, 6.0))
def test_the_inverse_inverts(test: ForcedChoice, d: float) -> None:
    p_c = float(proportion_correct(test, d))
    assert d_prime_from_proportion(test, p_c) == pytest.approx(d, rel=1e-6)


@given(TESTS, st.integers(8, 120), st.data())
def test_profile_limits_stand_where_the_likelihood_has_fallen(
    test: ForcedChoice, n: int, data: st.DataObject
) -> None:
    x = data.draw(st.integers(0, n))
    result = estimate_d_prime(test, x, n)
    best = float(proportion_correct(test, min(result.estimate, 24.0)))

    def deviance(d: float) -> float:
        p = float(proportion_correct(test, d))
        value = 0.0
        for count, now, then in ((x, p, best), (n - x, 1 - p, 1 - best)):
            if count:
                value -= 2 * count * (math.log(max(now, 1e-300)) - math.log(max(then, 1e-300)))
        return value

    assert 0.0 <= result.lower <= result.estimate + 1e-9
    if result.lower > 0.0:
        assert deviance(result.lower) == pytest.approx(3.8415, abs=1e-3)
    if math.isfinite(result.upper):
        assert result.upper >= result.estimate
        assert deviance(result.upper) == pytest.approx(3.8415, abs=1e-3)


def test_at_chance_and_at_all_right_no_symmetric_interval_is_pretended() -> None:
    chance = estimate_d_prime("triangle", 8, 30)
    assert (chance.estimate, chance.standard_error, chance.lower) == (0.0, None, 0.0)
    assert 0.0 < chance.upper < 2.0
    sure = estimate_d_prime("triangle", 30, 30)
    assert (sure.estimate, sure.upper, sure.standard_error) == (math.inf, math.inf, None)
    assert sure.lower > 2.0
    for n, x in ((30, 8), (30, 30)):
        with pytest.raises(RangeError, match="no Wald interval exists here"):
            estimate_d_prime("triangle", x, n, interval="wald")


def test_two_sided_pairs_may_be_negative() -> None:
    plus, minus = (estimate_d_prime("2-AFC", x, 40, sided="two") for x in (30, 10))
    assert minus.estimate == pytest.approx(-plus.estimate)
    assert (minus.lower, minus.upper) == pytest.approx((-plus.upper, -plus.lower))
    assert plus.standard_error == pytest.approx(minus.standard_error)
    assert estimate_d_prime("2-AFC", 10, 40).estimate == 0.0


def test_exact_limits_are_the_wider() -> None:
    profile = estimate_d_prime("duo-trio", 32, 40)
    exact = estimate_d_prime("duo-trio", 32, 40, interval="exact")
    assert exact.lower < profile.lower < profile.upper < exact.upper


def test_d_primes_of_different_tests_compare() -> None:
    same = [estimate_d_prime("2-AFC", 30, 40), estimate_d_prime("3-AFC", 25, 40)]
    other = [*same, estimate_d_prime("triangle", 49, 50)]
    assert compare_d_primes(same).p_value > 0.9
    assert compare_d_primes(other).p_value < 0.01
    assert compare_d_primes(other).df == 2
    with pytest.raises(RangeError, match="at least two"):
        compare_d_primes(same[:1])
    with pytest.raises(RangeError, match="without standard error"):
        compare_d_primes([*same, estimate_d_prime("triangle", 3, 30)])


def test_curves_refuse_what_has_no_meaning() -> None:
    with pytest.raises(RangeError, match="it is 0 or more"):
        proportion_correct("triangle", -0.5)
    with pytest.raises(RangeError, match="no number"):
        proportion_correct("2-AFC", math.nan)
    with pytest.raises(RangeError, match="flat there"):
        thurstone.b_value("triangle", 0.0)


# --- A-not-A -------------------------------------------------------------------------------


@given(st.integers(2, 40), st.integers(2, 40), st.data())
def test_a_not_a_intervals_hold_the_estimate(n_a: int, n_not: int, data: st.DataObject) -> None:
    hits, alarms = data.draw(st.integers(0, n_a)), data.draw(st.integers(0, n_not))
    result = a_not_a(hits, n_a, alarms, n_not)
    assert 0.0 < result.p_value <= 1.0
    if result.d_prime is not None and result.standard_error is not None:
        assert result.lower <= result.d_prime + 1e-6
        assert result.d_prime <= result.upper + 1e-6
    else:
        assert math.isinf(result.lower) or math.isinf(result.upper)


def test_profile_interval_of_a_not_a_by_brute_force() -> None:
    result = a_not_a(40, 60, 25, 60)

    def deviance(d: float) -> float:
        c = np.linspace(-3, 3, 60001)
        h, f = norm.cdf(d / 2 - c), norm.cdf(-d / 2 - c)
        value = 40 * np.log(h) + 20 * np.log(1 - h) + 25 * np.log(f) + 35 * np.log(1 - f)
        best = 40 * np.log(40 / 60) + 20 * np.log(20 / 60) + 25 * np.log(25 / 60)
        return float(2 * (best + 35 * np.log(35 / 60) - value.max()))

    assert deviance(result.lower) == pytest.approx(3.8415, abs=1e-3)
    assert deviance(result.upper) == pytest.approx(3.8415, abs=1e-3)


def test_power_of_a_not_a_by_simulation() -> None:
    rng = np.random.default_rng(15)
    n, d, c = 25, 0.9, 0.3
    hits = rng.binomial(n, norm.cdf(d / 2 - c), 3000)
    alarms = rng.binomial(n, norm.cdf(-d / 2 - c), 3000)
    p_values = hypergeom.sf(hits - 1, 2 * n, hits + alarms, n)
    shown = float((p_values <= 0.05).mean())
    assert a_not_a_power(n, n, d, criterion=c) == pytest.approx(shown, abs=0.03)
    one = a_not_a(int(hits[0]), n, int(alarms[0]), n)
    assert one.p_value == pytest.approx(float(p_values[0]))
    assert a_not_a_power(n, n, 0.0) <= 0.05
    needed = a_not_a_servings_needed(1.2, power=0.8)
    assert a_not_a_power(needed, needed, 1.2) >= 0.8 > a_not_a_power(needed - 3, needed - 3, 1.2)
    with pytest.raises(RangeError, match="1001 servings"):
        a_not_a_power(1001, 10, 1.0)


def test_power_of_difference_from_control_by_simulation() -> None:
    rng = np.random.default_rng(16)
    gaps = rng.normal(1.0, 1.2, (20_000, 10))
    t = gaps.mean(1) / (gaps.std(axis=1, ddof=1) / math.sqrt(10))
    for sided, critical in (("one", 1.8331), ("two", 2.2622)):
        shown = np.mean((t > critical) | ((t < -critical) & (sided == "two")))
        found = chance_to_notice(10, 1.0, 1.2, sided=sided)  # type: ignore[arg-type]
        assert found == pytest.approx(float(shown), abs=0.012)
    needed = assessors_needed(1.0, 1.2)
    assert chance_to_notice(needed, 1.0, 1.2) >= 0.8 > chance_to_notice(needed - 1, 1.0, 1.2)
    with pytest.raises(RangeError, match="difference is 0"):
        assessors_needed(0.0, 1.0)
    with pytest.raises(RangeError, match="more than 10,000"):
        assessors_needed(0.001, 1.0)


def test_sureness_ratings_collapse_to_the_two_by_two_case() -> None:
    two = rating_d_prime([35, 25], [20, 40])
    assert two.d_prime == pytest.approx(0.6412, abs=1e-4)
    assert two.standard_error == pytest.approx(0.2337, abs=1e-4)
    # Area under a two-point curve: mean of the hit and correct-rejection shares.
    assert two.r_index == pytest.approx((40 / 60 + 35 / 60) / 2)


def test_ratings_refuse_what_cannot_be_estimated() -> None:
    with pytest.raises(DataError, match="rating categories"):
        rating_d_prime([1, 2], [1, 2, 3])
    with pytest.raises(DataError, match="at least one answer"):
        rating_d_prime([0, 0], [1, 2])
    with pytest.raises(ConvergenceError, match="separates the categories"):
        rating_d_prime([10, 0], [0, 10])
    with pytest.raises(RangeError, match="must lie between 2 and 6"):
        anota.collapse_ratings([1, 2, 3, 4, 5, 6], 1)


def test_mcnemar_is_the_sign_test_of_the_split_pairs() -> None:
    assert mcnemar_p_value(0, 0) == 1.0
    assert mcnemar_p_value(5, 0) == pytest.approx(1 / 32)


# --- degree of difference --------------------------------------------------------------------


def test_same_different_by_hand() -> None:
    # 65 % "same" for like pairs: tau/√2 = 0.93459; 35 % for unlike pairs gives d by its equation.
    result = degree_of_difference([26, 14], [14, 26])
    tau = result.thresholds[0]
    assert tau / math.sqrt(2) == pytest.approx(norm.ppf(0.825), abs=1e-5)
    below = norm.cdf((tau - result.d_prime) / math.sqrt(2)) - norm.cdf(
        (-tau - result.d_prime) / math.sqrt(2)
    )
    assert below == pytest.approx(0.35, abs=1e-5)


@pytest.mark.full
def test_degree_of_difference_recovers_the_truth() -> None:
    rng = np.random.default_rng(7)
    edges = [0.9, 1.8, 3.0]
    counts = []
    for d in (0.0, 1.5):
        gap = np.abs(rng.normal(d, math.sqrt(2), 4000))
        counts.append(np.bincount(np.searchsorted(edges, gap), minlength=4))
    result = degree_of_difference(counts[0], counts[1])
    assert result.d_prime == pytest.approx(1.5, abs=0.12)
    assert result.lower < 1.5 < result.upper
    assert result.thresholds == pytest.approx(edges, abs=0.12)


def test_degree_of_difference_at_no_difference_has_lower_limit_zero() -> None:
    result = degree_of_difference([20, 10, 10], [20, 10, 10])
    assert (result.d_prime, result.lower, result.p_value) == (0.0, 0.0, 1.0)
    assert result.upper > 0.3
    with pytest.raises(DataError, match="same rating"):
        degree_of_difference([5, 0], [7, 0])
