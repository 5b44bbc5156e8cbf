"""Replicated and sequential tests: models against simulation and exact enumeration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import beta as beta_function
from scipy.stats import betabinom

from panels.errors import DataError, RangeError
from panels.methods.discrimination import p_value, standard_error_of_p_d
from panels.methods.replicated import (
    effective_trials,
    fit_beta_binomial,
    replicated_difference,
    tarone_z,
)
from panels.methods.sequential import SequentialDecision, SequentialPlan

COUNTS = [3, 0, 1, 3, 2, 0, 1, 3, 3, 1, 0, 2]


def test_plain_likelihood_is_the_beta_binomial_of_the_library() -> None:
    fit = fit_beta_binomial(COUNTS, 3)
    by_scipy = betabinom.logpmf(COUNTS, 3, fit.a, fit.b).sum()
    assert fit.log_likelihood == pytest.approx(float(by_scipy), abs=1e-8)
    assert 1 / (fit.a + fit.b + 1) == pytest.approx(fit.gamma)
    assert fit.p_value == pytest.approx(0.5 * math.erfc(math.sqrt(fit.likelihood_ratio / 2)))


@pytest.mark.full
def test_corrected_form_is_a_proper_distribution_and_recovers_the_truth() -> None:
    rng = np.random.default_rng(5)
    ability = 1 / 3 + 2 / 3 * rng.beta(0.8, 1.2, 1500)
    counts = rng.binomial(6, ability)
    fit = fit_beta_binomial(counts, 6, method="triangle")
    assert fit.mu == pytest.approx(1 / 3 + 2 / 3 * 0.4, abs=0.02)
    assert fit.gamma == pytest.approx(1 / 3, abs=0.05)
    assert fit.gamma_error is not None
    assert 0.005 < fit.gamma_error < 0.05
    assert fit.mu_error is not None


def test_corrected_log_likelihood_by_quadrature() -> None:
    counts = [5, 6, 8, 7, 9, 6, 8, 9, 7, 4, 9, 5]
    fit = fit_beta_binomial(counts, 10, method="duo-trio")
    assert fit.gamma > 0.02

    def chance(x: int) -> float:
        def integrand(u: float) -> float:
            p = 0.5 + 0.5 * u
            return math.comb(10, x) * p**x * (1 - p) ** (10 - x)

        shape = {"weight": "alg", "wvar": (fit.a - 1, fit.b - 1)}
        return float(quad(integrand, 0, 1, **shape)[0] / beta_function(fit.a, fit.b))

    total = sum(math.log(chance(x)) for x in counts)
    assert fit.log_likelihood == pytest.approx(total, abs=1e-8)
    assert sum(chance(x) for x in range(11)) == pytest.approx(1.0)


def test_without_overdispersion_gamma_is_zero_and_the_binomial_stands() -> None:
    fit = fit_beta_binomial([2, 1, 2, 1, 2, 1, 2, 1], 3)
    assert (fit.gamma, fit.gamma_error, fit.p_value) == (0.0, None, 1.0)
    assert fit.log_likelihood == fit.binomial_log_likelihood
    assert math.isinf(fit.a)


def test_tarone_is_about_standard_normal_under_the_binomial() -> None:
    rng = np.random.default_rng(3)
    values = [tarone_z(rng.binomial(4, 0.5, 60), 4).z for _ in range(1500)]
    assert np.mean(values) == pytest.approx(0.0, abs=0.1)
    assert np.std(values) == pytest.approx(1.0, abs=0.08)


def test_pooled_difference_test_holds_its_level_and_the_share_its_error() -> None:
    rng = np.random.default_rng(19)
    guessing = [
        p_value("triangle", int(rng.binomial(3, 1 / 3, 12).sum()), 36) <= 0.05 for _ in range(2000)
    ]
    assert np.mean(guessing) <= 0.06
    ability = 1 / 3 + 2 / 3 * rng.beta(0.6, 1.4, 40)
    result = replicated_difference("triangle", rng.binomial(4, ability), 4)
    assert result.p_d_error is not None
    assert abs(result.p_d - 0.3) < 4 * result.p_d_error
    assert 40 < result.worth < 160
    # Pooled as independent answers, the error would be too small.
    pooled = standard_error_of_p_d("triangle", round(result.fit.mu * 160), 160)
    assert result.p_d_error > pooled


def test_replicates_may_differ() -> None:
    fit = fit_beta_binomial([3, 0, 1, 2, 2, 0], [3, 2, 3, 2, 3, 2])
    assert fit.answers == 15
    assert effective_trials(1, 0.7) == 1.0


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (lambda: tarone_z([1, 0], 1), DataError, "nobody has replicates"),
        (lambda: tarone_z([3, 3], 3), DataError, "all answers are alike"),
        (lambda: fit_beta_binomial([4, 1], 3), RangeError, "between 0 and the number"),
        (lambda: fit_beta_binomial([1.5, 1], 3), RangeError, "whole numbers"),
        (lambda: fit_beta_binomial([0, 0], 3), DataError, "all answers are alike"),
        (lambda: effective_trials(0, 0.5), RangeError, "at least 1"),
        (lambda: SequentialPlan(0.5, 0.5, 0.1, 0.1), RangeError, "must lie above p0"),
        (lambda: SequentialPlan(0.5, 0.7, 0.6, 0.5), RangeError, "below 1"),
        (lambda: SequentialPlan(0.5, 0.7, 0.1, 0.1).decide([1, 2]), DataError, "answer 2 is 2"),
    ],
)
def test_what_is_refused(call: object, error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        call()  # type: ignore[operator]


PLAN = SequentialPlan(p0=1 / 3, p1=2 / 3, alpha=0.05, beta=0.05)


@pytest.mark.parametrize("p", [0.2, 1 / 3, 0.5, 2 / 3, 0.9])
def test_exact_properties_agree_with_simulation(p: float) -> None:
    rng = np.random.default_rng(11)
    most, runs = 30, 4000
    exact = PLAN.properties(p, most)
    ends = [PLAN.decide((rng.random(most) < p).astype(int).tolist()) for _ in range(runs)]
    similar = np.mean([end.decision is SequentialDecision.SIMILAR for end in ends])
    assert similar == pytest.approx(exact.similar, abs=0.03)
    assert np.mean([end.trial for end in ends]) == pytest.approx(exact.expected_trials, abs=0.4)
    assert exact.similar + exact.different + exact.undecided == pytest.approx(1.0)


@given(st.floats(0.15, 0.6), st.floats(0.1, 0.35), st.floats(0.01, 0.2), st.floats(0.01, 0.2))
def test_walds_bounds_hold(p0: float, gap: float, alpha: float, beta: float) -> None:
    plan = SequentialPlan(p0=p0, p1=p0 + gap, alpha=alpha, beta=beta)
    assert plan.chance_similar(p0) == pytest.approx(1 - alpha, abs=1e-6)
    assert plan.chance_similar(p0 + gap) == pytest.approx(beta, abs=1e-6)
    null, other = plan.properties(p0, 400), plan.properties(p0 + gap, 400)
    # Wald: the true risks together exceed neither the sum, nor each its share over the other's.
    assert null.different <= alpha / (1 - beta) + 1e-9
    assert other.similar <= beta / (1 - alpha) + 1e-9


def test_expected_trials_is_whole_at_the_slope() -> None:
    plan = SequentialPlan(p0=0.5, p1=0.7, alpha=0.1, beta=0.1)
    near = [plan.expected_trials(plan.slope + e) for e in (-1e-4, 0.0, 1e-4)]
    assert near[0] == pytest.approx(near[1], rel=1e-3)
    assert near[2] == pytest.approx(near[1], rel=1e-3)
    assert plan.chance_similar(plan.slope) == pytest.approx(0.5, abs=1e-6)


def test_later_answers_do_not_change_a_decision() -> None:
    answers = [1] * 12
    first = PLAN.decide(answers)
    assert first.decision is SequentialDecision.DIFFERENT
    assert PLAN.decide([*answers[: first.trial], 0, 0, 0, 0, 0, 0]) == first
    assert PLAN.decide([]).decision is SequentialDecision.UNDECIDED
    assert PLAN.lines([1, 2])[1][2] - PLAN.lines([1, 2])[0][2] == pytest.approx(PLAN.slope)


def test_plan_for_a_method() -> None:
    plan = SequentialPlan.for_method("duo-trio", p_d=0.4, alpha=0.1, beta=0.1)
    assert (plan.p0, plan.p1) == (0.5, pytest.approx(0.7))
    by_distance = SequentialPlan.for_method("3-AFC", d_prime=1.0, alpha=0.1, beta=0.1)
    assert by_distance.p1 == pytest.approx(0.6337, abs=5e-5)
