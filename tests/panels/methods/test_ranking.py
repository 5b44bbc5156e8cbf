"""Rank tests: exact distributions by brute force, ties, incomplete blocks."""

from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import friedmanchisquare, page_trend_test

from panels.errors import DataError, RangeError
from panels.methods import ranking
from panels.methods.rank_distributions import friedman_distribution, page_distribution
from panels.methods.ranking import (
    compare_rank_sums,
    conover_difference,
    durbin,
    friedman,
    friedman_critical_value,
    kendall_w,
    page,
    page_critical_value,
    rank_sum_lsd,
)

TABLES = st.integers(2, 5).flatmap(
    lambda p: st.lists(
        st.lists(st.integers(0, 4), min_size=p, max_size=p), min_size=2, max_size=6
    ).filter(lambda rows: any(len(set(row)) > 1 for row in rows))
)


def every_table(ranks: np.ndarray) -> list[np.ndarray]:
    """All tables that permuting each row's own ranks can give."""
    rows = [list(permutations(row)) for row in ranks]
    return [np.array(table) for table in product(*rows)]


@pytest.mark.parametrize(
    "rows", [[[1, 2, 3], [1, 3, 2], [2, 1, 3]], [[1, 1, 2], [3, 2, 2], [1, 2, 3]], [[1, 2], [2, 2]]]
)
def test_exact_p_values_by_brute_force(rows: list[list[int]]) -> None:
    ranks = ranking.rank_table(rows)
    spread = [float(((t.sum(0) - t.sum(0).mean()) ** 2).sum()) for t in every_table(ranks)]
    observed = float(((ranks.sum(0) - ranks.sum(0).mean()) ** 2).sum())
    expected = np.mean(np.array(spread) >= observed - 1e-9)
    assert friedman(rows).p_value == pytest.approx(float(expected))
    places = np.arange(1, ranks.shape[1] + 1)
    trend = np.array([places @ t.sum(0) for t in every_table(ranks)])
    assert page(rows).p_value == pytest.approx(
        float(np.mean(trend >= places @ ranks.sum(0) - 1e-9))
    )


@pytest.mark.parametrize(("products", "assessors"), [(3, 4), (4, 3), (5, 2)])
def test_distributions_by_brute_force(products: int, assessors: int) -> None:
    orders = [np.array(o) for o in permutations(range(1, products + 1))]
    tally: dict[float, int] = {}
    for rows in product(orders, repeat=assessors):
        sums = sum(rows)
        value = 12 * float((sums**2).sum()) / (assessors * products * (products + 1))
        value = round(value - 3 * assessors * (products + 1), 6)
        tally[value] = tally.get(value, 0) + 1
    values, chances = friedman_distribution(products, assessors)
    total = len(orders) ** assessors
    assert values == pytest.approx(sorted(tally))
    assert chances == pytest.approx([tally[v] / total for v in sorted(tally)])


@given(TABLES)
def test_statistic_agrees_with_the_library_ties_included(rows: list[list[int]]) -> None:
    result = friedman(rows)
    if len(rows[0]) > 2:
        with np.errstate(all="ignore"):
            other = friedmanchisquare(*np.array(rows, dtype=float).T)
        assert result.statistic == pytest.approx(float(other.statistic), abs=1e-8)
    assert 0.0 < result.p_value <= 1.0
    assert 0.0 <= kendall_w(rows).w <= 1.0 + 1e-12


def test_page_agrees_with_the_library() -> None:
    rng = np.random.default_rng(2)
    table = rng.random((6, 4)) + np.arange(4) * 0.15
    ours, other = page(table), page_trend_test(table, method="exact")
    assert ours.statistic == other.statistic
    assert ours.p_value == pytest.approx(float(other.pvalue), abs=1e-12)
    normal = page_trend_test(table, method="asymptotic")
    assert page(table, p_value="normal").p_value == pytest.approx(float(normal.pvalue), abs=1e-9)


def test_page_with_another_expected_order() -> None:
    rows = [[3, 1, 2], [3, 1, 2], [3, 2, 1], [3, 1, 2]]
    assert page(rows, order=[3, 1, 2]).statistic == 55.0
    with pytest.raises(RangeError, match="each place from 1 to 3 once"):
        page(rows, order=[1, 1, 2])


def test_page_distribution_is_symmetric_and_whole() -> None:
    _, chances = page_distribution(5, 4)
    assert chances.sum() == pytest.approx(1.0)
    assert chances == pytest.approx(chances[::-1])


# Published tables of exact critical values (Friedman: textbook table as in the checks; Page 1963).
@pytest.mark.parametrize(
    ("products", "assessors", "five", "one"),
    [
        (3, 4, 6.5, 8.0),
        (3, 5, 6.4, 8.4),
        (3, 7, 7.143, 8.857),
        (3, 8, 6.25, 9.0),
        (3, 10, 6.2, 9.6),
        (4, 3, 7.4, 9.0),
        (4, 4, 7.8, 9.6),
        (4, 5, 7.8, 9.96),
        (4, 8, 7.65, 10.5),
    ],
)
def test_friedman_tables(products: int, assessors: int, five: float, one: float) -> None:
    assert friedman_critical_value(products, assessors, 0.05) == pytest.approx(five, abs=5e-4)
    assert friedman_critical_value(products, assessors, 0.01) == pytest.approx(one, abs=5e-4)


def test_too_few_assessors_for_any_significance() -> None:
    assert friedman_critical_value(3, 2, 0.05) is None
    assert page_critical_value(3, 1, 0.05) is None


def test_large_tables_go_over_to_the_large_sample_form_and_say_so() -> None:
    rng = np.random.default_rng(1)
    big = rng.random((40, 6))
    assert friedman(big).method == "chi-square"
    with pytest.raises(RangeError, match="too large for the exact"):
        friedman(big, p_value="exact")
    with pytest.raises(RangeError, match="exact Friedman values for 9 products"):
        friedman_critical_value(9, 3)
    with pytest.raises(RangeError, match="exact values of Page's L"):
        page_critical_value(12, 3)


def test_exact_and_large_sample_forms_meet() -> None:
    rng = np.random.default_rng(4)
    table = rng.random((30, 4)) + np.array([0, 0.1, 0.15, 0.3])
    result = friedman(table)
    assert result.method == "exact"
    assert result.p_value == pytest.approx(result.chi_square_p, abs=0.01)


def test_durbin_of_a_complete_table_is_friedman() -> None:
    table = np.array([[1, 2, 3.0], [1, 3, 2], [1, 2, 3], [2, 1, 3]])
    assert durbin(table).statistic == pytest.approx(friedman(table).statistic)
    assert durbin(table).f == pytest.approx(friedman(table).iman_davenport_f)


def test_durbin_published_example() -> None:
    # Conover (1999) section 5.9, ice cream: 7 varieties, 7 people, 3 each; T1 = 12, T2 = 8 on 6, 8.
    nan = np.nan
    table = [
        [2, 3, nan, 1, nan, nan, nan],
        [nan, 3, 1, nan, 2, nan, nan],
        [nan, nan, 2, 1, nan, 3, nan],
        [nan, nan, nan, 1, 2, nan, 3],
        [3, nan, nan, nan, 1, 2, nan],
        [nan, 3, nan, nan, nan, 1, 2],
        [3, nan, 1, nan, nan, nan, 2],
    ]
    result = durbin(table)
    assert result.statistic == pytest.approx(12.0)
    assert result.f == pytest.approx(8.0)
    assert result.f_df == (6, 8)


def test_incomplete_blocks_have_their_own_least_difference() -> None:
    by_formula = 1.959964 * np.sqrt((3 + 1) * (3 * 2 + 1) / 6)
    found = rank_sum_lsd(7, 7, per_block=3, servings=3, together=1)
    assert found == pytest.approx(by_formula, abs=1e-5)
    with pytest.raises(RangeError, match="do not balance"):
        rank_sum_lsd(7, 7, per_block=3, servings=3, together=2)
    with pytest.raises(RangeError, match="need per_block, servings and together"):
        rank_sum_lsd(7, 7, per_block=3)


def test_family_differences_are_wider_than_those_of_a_pair() -> None:
    table = [[1, 2, 3, 4], [1, 3, 2, 4], [1, 2, 4, 3], [2, 1, 3, 4], [1, 2, 3, 4]]
    pair = compare_rank_sums(table, level="pair")
    control = compare_rank_sums(table, level="control")
    family = compare_rank_sums(table, level="family")
    assert pair.least_difference == pytest.approx(rank_sum_lsd(5, 4))
    assert pair.least_difference < control.least_difference < family.least_difference
    assert len(family.to_frame()) == 6
    assert len(control.to_frame()) == 3
    assert conover_difference(table) > 0.0


def test_refusals() -> None:
    with pytest.raises(DataError, match="ties everything"):
        friedman([[1, 1, 1], [2, 2, 2]])
    with pytest.raises(DataError, match="at least two assessors"):
        friedman([[1, 2, 3]])
    with pytest.raises(DataError, match="at least two products"):
        friedman([[1], [2]])
    with pytest.raises(DataError, match="missing or infinite"):
        friedman([[1, np.nan], [2, 3]])
    with pytest.raises(DataError, match="served equally often"):
        durbin([[1, 2, np.nan], [1, 2, np.nan]])
