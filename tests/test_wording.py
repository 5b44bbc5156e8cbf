"""Numbers in words: no ``1 loads``, no 0 that is not nothing, parts that add up."""

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow import wording
from bulkflow.wording import amount, counted, listed, money, percent, share, whole_parts


@pytest.mark.parametrize(
    ("fraction", "words"),
    [
        (0.0, "0 %"),
        (1.0, "100 %"),
        (0.0312, "3.12 %"),
        (0.185634, "18.6 %"),
        (0.01, "1 %"),
        (0.99999, "99.999 %"),
        (0.000004, "0.0004 %"),
        (1e-12, "nearly 0 %"),
        (1 - 1e-12, "nearly 100 %"),
        (1.2, "120 %"),
        (-0.0257, "-2.57 %"),
    ],
)
def test_a_share_is_never_rounded_to_nothing_or_all(fraction: float, words: str):
    assert percent(fraction) == words


@given(st.floats(0, 1, exclude_min=True, exclude_max=True))
def test_nothing_and_all_are_said_of_nothing_and_all_alone(fraction: float):
    assert percent(fraction) not in ("0 %", "100 %")


@pytest.mark.parametrize(
    ("value", "words"),
    [(0.4, "0.40"), (999.994, "999.99"), (999.996, "1,000"), (67_709.5, "67,710"), (-0.004, "0"),
     (-1_234.5, "-1,234"), (12.0, "12")],
)  # fmt: skip
def test_cents_are_said_below_a_thousand_only(value: float, words: str):
    assert money(value) == words


def test_an_amount_is_whole_and_never_minus_nothing():
    assert [amount(one) for one in (-0.4, 0.6, 17_771.4)] == ["0", "1", "17,771"]


def test_one_is_no_plural():
    assert [counted(one, "load") for one in (0, 1, 2)] == ["0 loads", "1 load", "2 loads"]


@pytest.mark.parametrize(
    ("parts", "words"),
    [(["a"], "a"), (["a", "b"], "a and b"), (["a"] * 4, "a, a and 2 more")],
)
def test_a_list_is_joined_and_cut(parts: list[str], words: str):
    assert listed(parts, most=2) == words


@given(st.lists(st.floats(-1e7, 1e7), max_size=12))
def test_shown_parts_add_to_the_shown_total(parts: list[float]):
    shown = whole_parts(parts)
    assert sum(shown) == round(sum(parts))
    assert all(abs(one - exact) <= 1.0 for one, exact in zip(shown, parts, strict=True))


@pytest.mark.parametrize(
    ("part", "total", "words"),
    [(1.0, 3.0, "33.3 %"), (-1.0, 3.0, "-33.3 %"), (9.0, 1.0, "900.0 %"), (11.0, 1.0, "-"),
     (1.0, 0.0, "-"), (1.0, -3.0, "-"), (0.0, 0.0, "-")],
)  # fmt: skip
def test_a_share_of_next_to_nothing_is_none(part: float, total: float, words: str):
    assert share(part, total) == words


def test_the_examples_of_the_module_hold():
    assert doctest.testmod(wording).failed == 0
