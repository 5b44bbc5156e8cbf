"""Laws of the difference and similarity tests, and every refusal."""

import math
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from panels.errors import ConvergenceError, RangeError
from panels.methods import discrimination, similarity
from panels.methods.discrimination import (
    assessments_needed,
    difference_test,
    minimum_correct,
    p_value,
    power,
    proportion_of_discriminators,
)
from panels.methods.protocols import ForcedChoice, p_c_from_p_d, p_d_from_p_c, presentation_orders
from panels.methods.similarity import chance_of_similarity, maximum_correct, similarity_test

TESTS = st.sampled_from(list(ForcedChoice))
LEVELS = st.floats(0.0005, 0.4)
GUESSES = {
    ForcedChoice.TRIANGLE: Fraction(1, 3),
    ForcedChoice.DUO_TRIO: Fraction(1, 2),
    ForcedChoice.TWO_AFC: Fraction(1, 2),
    ForcedChoice.THREE_AFC: Fraction(1, 3),
    ForcedChoice.TETRAD: Fraction(1, 3),
    ForcedChoice.TWO_OUT_OF_FIVE: Fraction(1, 10),
}


def tail(x: int, n: int, p: Fraction) -> Fraction:
    """P(X >= x), in whole fractions: shares nothing with the library's way."""
    return sum((math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(x, n + 1)), Fraction(0))


@given(TESTS, st.integers(1, 40), st.integers(0, 40))
def test_p_value_is_the_binomial_tail_in_fractions(test: ForcedChoice, n: int, x: int) -> None:
    x = min(x, n)
    assert p_value(test, x, n) == pytest.approx(float(tail(x, n, GUESSES[test])), rel=1e-10)


@given(TESTS, st.integers(1, 40), st.sampled_from(["0.2", "0.1", "0.05", "0.01", "0.001"]))
def test_critical_number_is_the_smallest_significant(
    test: ForcedChoice, n: int, level: str
) -> None:
    alpha = Fraction(level)
    found = minimum_correct(test, n, float(alpha))
    significant = [x for x in range(n + 1) if tail(x, n, GUESSES[test]) <= alpha]
    assert found == (significant[0] if significant else None)


@given(st.integers(1, 60), LEVELS)
def test_two_sided_pairs_split_the_level(n: int, alpha: float) -> None:
    found = minimum_correct("2-AFC", n, alpha, sided="two")
    assert found == minimum_correct("2-AFC", n, alpha / 2)
    if found is not None:
        assert found > n / 2
        assert p_value("2-AFC", found, n, sided="two") <= alpha * (1 + 1e-9)
        assert p_value("2-AFC", n - found, n, sided="two") == pytest.approx(
            p_value("2-AFC", found, n, sided="two")
        )


@given(TESTS, st.integers(1, 200))
def test_p_values_fall_as_correct_answers_rise(test: ForcedChoice, n: int) -> None:
    values = [p_value(test, x, n) for x in range(n + 1)]
    assert values[0] == 1.0
    assert all(0.0 <= b <= a <= 1.0 for a, b in pairwise(values))


def test_a_tail_equal_to_the_level_counts() -> None:
    # 7 of 7 by guessing at 1/2 has chance 1/128 exactly.
    assert minimum_correct("duo-trio", 7, 1 / 128) == 7
    assert minimum_correct("2-AFC", 7, 1 / 64, sided="two") == 7


@given(TESTS, st.integers(2, 120), LEVELS, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_power_rises_with_the_difference(
    test: ForcedChoice, n: int, alpha: float, one: float, other: float
) -> None:
    low, high = sorted((one, other))
    weak, strong = power(test, n, alpha, p_d=low), power(test, n, alpha, p_d=high)
    assert 0.0 <= weak <= strong + 1e-12 <= 1.0 + 2e-12
    assert power(test, n, alpha, p_d=0.0) <= alpha * (1 + 1e-9)


def test_two_sided_power_by_enumeration() -> None:
    n, p, critical = 25, 0.7, minimum_correct("2-AFC", 25, 0.05, sided="two")
    assert critical is not None
    by_hand = sum(
        math.comb(n, k) * p**k * (1 - p) ** (n - k)
        for k in range(n + 1)
        if max(k, n - k) >= critical
    )
    assert power("2-AFC", n, 0.05, p_c=p, sided="two") == pytest.approx(by_hand)
    assert power("2-AFC", n, 0.05, p_c=0.3, sided="two") == pytest.approx(by_hand)


@given(
    st.sampled_from([ForcedChoice.TRIANGLE, ForcedChoice.DUO_TRIO, ForcedChoice.TWO_OUT_OF_FIVE]),
    st.sampled_from([0.2, 0.1, 0.05, 0.01]),
    st.sampled_from([0.2, 0.1, 0.05]),
    st.floats(0.25, 0.9),
)
def test_first_and_stable_numbers_mean_what_they_say(
    test: ForcedChoice, alpha: float, beta: float, p_d: float
) -> None:
    size = assessments_needed(test, alpha, beta, p_d=p_d)
    enough = [
        power(test, n, alpha, p_d=p_d) >= 1 - beta - 1e-12 for n in range(1, size.stable + 80)
    ]
    assert enough.index(True) + 1 == size.first
    assert all(enough[size.stable - 1 :])
    assert size.stable == size.first or not enough[size.stable - 2]


def test_too_small_a_difference_is_refused() -> None:
    with pytest.raises(RangeError, match="the difference to find is none"):
        assessments_needed("triangle", 0.05, 0.05, p_d=0.0)
    with pytest.raises(ConvergenceError, match="more than 200,000 assessments"):
        assessments_needed("triangle", 0.05, 0.05, p_d=0.001)


@given(TESTS, st.integers(1, 80), st.data())
def test_limits_hold_the_estimate_and_narrow_with_confidence(
    test: ForcedChoice, n: int, data: st.DataObject
) -> None:
    x = data.draw(st.integers(0, n))
    wide = proportion_of_discriminators(test, x, n, confidence=0.99)
    narrow = proportion_of_discriminators(test, x, n, confidence=0.8)
    assert wide.lower <= narrow.lower <= max(0.0, wide.estimate) + 1e-12
    assert max(0.0, wide.estimate) <= narrow.upper + 1e-12 <= wide.upper + 2e-12
    assert wide.lower <= wide.lower_one_sided <= wide.upper_one_sided <= wide.upper


def test_exact_limits_cover_and_wald_does_not_near_the_end() -> None:
    n, p = 20, 0.95
    chances = [math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1)]
    covered = {"exact": 0.0, "wald": 0.0}
    for x, chance in enumerate(chances):
        for kind in covered:
            limits = proportion_of_discriminators(
                "duo-trio",
                x,
                n,
                interval=kind,  # type: ignore[arg-type]
            )
            covered[kind] += chance * (limits.lower <= 2 * p - 1 <= limits.upper)
    assert covered["exact"] >= 0.95
    assert covered["wald"] < 0.9


@given(TESTS, st.floats(0.0, 1.0))
def test_share_of_discriminators_and_proportion_invert(test: ForcedChoice, p_d: float) -> None:
    assert p_d_from_p_c(test, p_c_from_p_d(test, p_d)) == pytest.approx(p_d, abs=1e-12)


# --- similarity ----------------------------------------------------------------------------


@given(
    TESTS,
    st.integers(1, 40),
    st.sampled_from(["0.1", "0.3", "0.5"]),
    st.sampled_from([20, 10, 5, 1]),
)
def test_largest_number_correct_is_the_largest(
    test: ForcedChoice, n: int, share: str, percent: int
) -> None:
    guess, p_d, beta = GUESSES[test], Fraction(share), Fraction(percent, 100)
    p_c = guess + p_d * (1 - guess)
    allowed = [x for x in range(n + 1) if 1 - tail(x + 1, n, p_c) <= beta]
    assert maximum_correct(test, n, float(p_d), float(beta)) == (allowed[-1] if allowed else None)


@given(TESTS, st.integers(5, 100), st.data())
def test_similarity_and_the_upper_limit_decide_alike(
    test: ForcedChoice, n: int, data: st.DataObject
) -> None:
    x = data.draw(st.integers(0, n))
    p_d, beta = data.draw(st.sampled_from([0.2, 0.3, 0.5])), data.draw(st.sampled_from([0.05, 0.1]))
    result = similarity_test(test, x, n, p_d=p_d, beta=beta)
    assert result.similar == (result.p_value <= beta)
    assert result.similar == (result.upper_p_d <= p_d + 1e-9)


def test_not_finding_a_difference_is_not_similarity() -> None:
    # 9 of 20 in a triangle: no difference at 5 %, and no proof of sameness either.
    assert difference_test("triangle", 9, 20).p_value > 0.05
    assert not similarity_test("triangle", 9, 20, p_d=0.3).similar


def test_a_panel_below_chance_is_marked() -> None:
    result = similarity_test("triangle", 15, 66, p_d=0.3)
    assert result.similar
    assert result.below_chance


def test_similarity_needs_the_panel_it_is_said_to_need() -> None:
    size = similarity.assessments_for_similarity("triangle", 0.3, 0.05, alpha=0.1)
    assert chance_of_similarity("triangle", size.stable, 0.3, 0.05) >= 0.9
    assert chance_of_similarity("triangle", size.stable, 0.3, 0.05, true_p_d=0.3) <= 0.05


# --- orders and refusals ---------------------------------------------------------------------


def test_serving_orders() -> None:
    counts = {test.value: len(presentation_orders(test)) for test in ForcedChoice}
    assert counts == {
        "triangle": 6,
        "duo-trio": 4,
        "2-AFC": 2,
        "3-AFC": 3,
        "tetrad": 6,
        "two-out-of-five": 20,
    }
    assert set(presentation_orders("triangle")) == {
        tuple(order) for order in ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB")
    }


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: minimum_correct("triangel", 10, 0.05), "no forced-choice test is called"),
        (lambda: minimum_correct("triangle", 10, 0.05, sided="two"), "is one-sided"),
        (lambda: minimum_correct("2-AFC", 10, 0.05, sided="both"), "must be 'one' or 'two'"),
        (lambda: minimum_correct("triangle", 0, 0.05), "n is 0; it must be at least 1"),
        (lambda: minimum_correct("triangle", 10.5, 0.05), "must be a whole number"),
        (lambda: minimum_correct("triangle", math.nan, 0.05), "must be a whole number"),
        (lambda: minimum_correct("triangle", 10, 0.0), "strictly between 0 and 1"),
        (lambda: minimum_correct("triangle", 10, math.nan), "strictly between 0 and 1"),
        (lambda: p_value("triangle", 11, 10), "more than the 10 trials"),
        (lambda: p_value("triangle", -1, 10), "must be at least 0"),
        (lambda: power("triangle", 10, 0.05), "exactly one of p_d, p_c and d_prime"),
        (lambda: power("triangle", 10, 0.05, p_d=0.3, p_c=0.5), "exactly one"),
        (lambda: power("triangle", 10, 0.05, p_d=1.5), "between 0 and 1"),
        (lambda: maximum_correct("triangle", 30, 0.0, 0.05), "p_d is 0.0"),
        (lambda: similarity_test("triangle", 10, 30, p_d=0.3, beta=0.6), "below 0.5"),
        (
            lambda: proportion_of_discriminators("triangle", 5, 9, interval="score"),
            "must be 'exact' or 'wald'",
        ),
    ],
)
def test_what_is_refused(call: object, message: str) -> None:
    with pytest.raises(RangeError, match=message):
        call()  # type: ignore[operator]


def test_no_result_is_significant_is_said_as_none() -> None:
    result = difference_test("triangle", 3, 3, alpha=0.01)
    assert result.critical is None
    assert result.attained_alpha == 0.0
    assert discrimination.power("triangle", 3, 0.01, p_d=0.9) == 0.0


def test_large_panels_stay_exact() -> None:
    sizes = np.array([500, 2000, 20000])
    for n in sizes:
        critical = minimum_correct("duo-trio", int(n), 0.05)
        assert critical is not None
        assert p_value("duo-trio", critical, int(n)) <= 0.05
        assert p_value("duo-trio", critical - 1, int(n)) > 0.05
