from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from bulkflow.records.amounts import (
    LARGEST,
    ROUNDINGS,
    Amount,
    FixedPoint,
    LabValue,
    Percent,
    PositiveAmount,
    SignedAmount,
)

thousandths = st.decimals(-LARGEST, LARGEST, places=3, allow_nan=False)


@given(thousandths)
def test_a_stored_amount_comes_back_with_all_its_places(value):
    kept = FixedPoint(3)
    stored = kept.process_bind_param(value, None)
    assert isinstance(stored, int)
    back = kept.process_result_value(stored, None)
    assert back == value
    assert back.as_tuple().exponent == -3


@given(st.lists(thousandths, max_size=50))
def test_sums_of_stored_amounts_are_exact(values):
    kept = FixedPoint(3)
    total = sum(kept.process_bind_param(value, None) for value in values)
    assert kept.process_result_value(total, None) == sum(values, Decimal(0))


def test_more_places_than_are_kept_are_a_mistake():
    with pytest.raises(ValueError, match="round it first"):
        FixedPoint(3).process_bind_param(Decimal("1.0005"), None)


@pytest.mark.parametrize(
    ("rule", "value", "expected"),
    [
        ("nearest-0.001", "2.0005", "2.001"),
        ("nearest-0.01", "2.675", "2.680"),
        ("even-0.01", "2.665", "2.660"),
        ("even-0.01", "2.675", "2.680"),
        ("down-0.01", "2.679", "2.670"),
        ("down-0.1", "1234.5678", "1234.500"),
        ("nearest-0.1", "0.05", "0.100"),
        ("nearest-1", "0.5", "1.000"),
        ("down-1", "7.999", "7.000"),
    ],
)
def test_each_rule_rounds_as_it_says(rule, value, expected):
    assert str(ROUNDINGS[rule].apply(Decimal(value))) == expected


def test_a_binary_number_is_taken_at_its_shortest_text():
    # 2.675 as a double lies below 2.675; rounding its expansion would give 2.67.
    assert ROUNDINGS["nearest-0.01"].apply(2.675) == Decimal("2.680")


@given(st.sampled_from(sorted(ROUNDINGS)), st.decimals(0, 10**6, places=6))
def test_rounding_twice_is_rounding_once(name, value):
    rule = ROUNDINGS[name]
    once = rule.apply(value)
    assert rule.apply(once) == once
    assert abs(once - value) <= rule.quantum


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("NaN")])
def test_only_finite_numbers_are_rounded(value):
    with pytest.raises(ValueError, match="finite"):
        ROUNDINGS["nearest-1"].apply(value)


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (Amount, "-0.001"),
        (Amount, "NaN"),
        (Amount, "Infinity"),
        (Amount, "1.0001"),
        (Amount, "1000000000.001"),
        (Amount, 1.5),
        (Amount, True),
        (PositiveAmount, "0"),
        (Percent, "100.001"),
        (SignedAmount, "1e-4"),
        (LabValue, "0.0000001"),
    ],
)
def test_wrong_amounts_are_refused(kind, value):
    with pytest.raises(ValidationError):
        TypeAdapter(kind).validate_python(value)


def test_nothing_has_one_form():
    adapter = TypeAdapter(SignedAmount)
    assert adapter.dump_python(adapter.validate_python("-0"), mode="json") == "0.000"
