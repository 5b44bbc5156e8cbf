"""Duty: exact, rounded once, and what a journey puts at risk."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow import alcoholometry as al
from bulkflow import rules
from bulkflow.duty import (
    DutyQuantity,
    DutyTerms,
    RiskLeg,
    duty_at_risk,
    duty_due,
    duty_per_lpa,
    greatest_risk,
    rate_in_force,
    risk_on,
    round_to,
)
from bulkflow.errors import OutOfRangeError

TODAY = date(2026, 11, 25)
CENT = rules.money_rounding("IE", on=TODAY)
YEN = rules.money_rounding("JP", on=TODAY)
PENNY = rules.money_rounding("GB", on=TODAY)

amounts = st.decimals(0, 10**9, places=3)


# --- per LPA, for planning ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "rate", "expected"),
    # one LPA of 40 % vol worth 6.00: 2.5 L, 100 litre-degrees
    [
        ("per_lpa", 33.99, 33.99),
        ("per_litre", 2.0, 5.0),
        ("by_value_percent", 150.0, 9.0),
        ("per_litre_degree", 0.3, 30.0),
    ],
)
def test_duty_per_lpa(kind, rate: float, expected: float) -> None:
    found = duty_per_lpa(kind, rate, strength_percent=40.0, value_per_lpa=6.0)
    assert found == pytest.approx(expected)


@pytest.mark.parametrize("strength", [0.0, -1.0, 100.1, float("nan")])
def test_duty_per_lpa_needs_a_strength(strength: float) -> None:
    with pytest.raises(ValueError, match="strength_percent"):
        duty_per_lpa("per_litre", 1.0, strength_percent=strength, value_per_lpa=0.0)


def test_duty_per_lpa_of_the_weakest_liquid() -> None:
    found = duty_per_lpa("per_litre", 8.0, strength_percent=0.5, value_per_lpa=0.0)
    assert found == pytest.approx(1600.0)


def test_duty_per_lpa_up_to_pure_alcohol() -> None:
    assert duty_per_lpa("per_litre", 8.0, strength_percent=100.0, value_per_lpa=0.0) == 8.0


@dataclass(frozen=True)
class Rate:
    first_day: date
    rate: float


def test_rate_in_force() -> None:
    rates = [Rate(date(2026, 2, 1), 33.99), Rate(date(2025, 2, 1), 32.79)]
    assert rate_in_force(rates, date(2026, 1, 31)).rate == 32.79
    assert rate_in_force(rates, date(2026, 2, 1)).rate == 33.99
    assert rate_in_force(rates, date(2025, 1, 31)) is None


# --- due ------------------------------------------------------------------------------------


def test_a_tank_at_the_british_rate() -> None:
    """24,000 L at 93.9 % fill and 96 % vol: 21,634.56 LPA x 33.99 = 735,358.6944."""
    terms = DutyTerms.of_rule(rules.duty_schedule("GB", on=date(2026, 2, 1)))
    found = duty_due(terms, DutyQuantity(lpa=24_000 * Decimal("0.939") * Decimal("0.96")), PENNY)
    assert found.unrounded == Decimal("735358.6944")
    assert found.amount == Decimal("735358.69")
    assert found.currency == "GBP"
    assert found.arithmetic == (
        "21,634.56000 LPA x 33.99 = 735,358.6944000, rounded 735,358.69 GBP"
    )


@pytest.mark.parametrize(
    ("degree", "per_litre"),
    # JPY 370 per litre up to 37 degrees, 10 more for each further whole degree
    [("20", 370), ("37", 370), ("37.9", 370), ("38", 380), ("40", 400), ("47.5", 470)],
)
def test_the_japanese_steps(degree: str, per_litre: int) -> None:
    terms = DutyTerms.of_rule(rules.duty_schedule("JP", on=TODAY))
    found = duty_due(terms, DutyQuantity(litres=1_000, degree=Decimal(degree)), YEN)
    assert found.amount == per_litre * 1_000


def test_yen_are_cut_to_hundreds() -> None:
    terms = DutyTerms.of_rule(rules.duty_schedule("JP", on=TODAY))
    found = duty_due(terms, DutyQuantity(litres=Decimal("1.55"), degree=40), YEN)
    assert (found.unrounded, found.amount) == (Decimal("620.00"), Decimal("600"))


def test_the_american_rate_is_by_proof_gallon() -> None:
    """1,000 LPA at 20 degC are 525.8 proof gallons; at 13.50 about 7.10 a litre, not 7.13."""
    terms = DutyTerms.of_rule(rules.duty_schedule("US", on=TODAY))
    gallons = float(al.proof_gallons_from_lpa(1_000.0, al.PureAlcoholBasis.AT_20_C))
    kept = round_to(gallons, rules.quantity_rounding("US", on=TODAY))
    assert kept == Decimal("525.8")
    found = duty_due(terms, DutyQuantity(proof_gallons=kept), CENT)
    assert found.amount == Decimal("7098.30")


def test_by_value_and_by_litre_degree() -> None:
    by_value = DutyTerms("by_value_percent", Decimal(150), "INR")
    assert duty_due(by_value, DutyQuantity(value=Decimal("99.99")), CENT).amount == Decimal(
        "149.99"
    )
    degrees = DutyTerms("per_litre_degree", Decimal("0.3"), "XXX")
    assert duty_due(degrees, DutyQuantity(lpa=10), CENT).amount == Decimal("300.00")
    litres = DutyTerms("per_litre", Decimal("8.125"), "XXX")
    assert duty_due(litres, DutyQuantity(litres=1), CENT).amount == Decimal("8.13")
    assert duty_due(litres, DutyQuantity(litres=1), PENNY).amount == Decimal("8.12")


@given(lpa=amounts, rate=st.decimals(0, 1000, places=3))
def test_per_lpa_is_exact_and_rounded_once(lpa: Decimal, rate: Decimal) -> None:
    found = duty_due(DutyTerms("per_lpa", rate, "EUR"), DutyQuantity(lpa=lpa), CENT)
    assert found.unrounded == lpa * rate
    assert abs(found.amount - found.unrounded) <= Decimal("0.005")
    assert found.amount == found.amount.quantize(Decimal("0.01"))


@given(amount=amounts)
def test_cutting_never_takes_more_and_rounding_is_idempotent(amount: Decimal) -> None:
    for rounding in (PENNY, YEN, CENT):
        once = round_to(amount, rounding)
        assert round_to(once, rounding) == once
        assert once % rounding.quantum == 0
    assert 0 <= amount - round_to(amount, PENNY) < Decimal("0.01")
    assert 0 <= amount - round_to(amount, YEN) < 100


def test_floats_are_taken_as_written() -> None:
    assert round_to(2.675, CENT) == Decimal("2.68")  # 2.675 is a little less in binary
    assert round_to(1e15, CENT) == Decimal("1000000000000000.00")


@pytest.mark.parametrize(
    "bad", [-1, Decimal("-0.01"), float("nan"), float("inf"), Decimal("NaN"), Decimal("sNaN")]
)
def test_amounts_that_cannot_be(bad) -> None:
    terms = DutyTerms("per_lpa", Decimal(1), "EUR")
    with pytest.raises(OutOfRangeError, match="lpa is") as refused:
        duty_due(terms, DutyQuantity(lpa=bad), CENT)
    assert (refused.value.low, refused.value.high) == (0.0, math.inf)
    with pytest.raises(OutOfRangeError, match="rate of duty is"):
        DutyTerms("per_lpa", bad, "EUR")
    with pytest.raises(OutOfRangeError, match="lpa is"):
        duty_at_risk(bad, [])


def test_misuse() -> None:
    with pytest.raises(ValueError, match="needs litres of the quantity"):
        duty_due(DutyTerms("per_litre", Decimal(1), "EUR"), DutyQuantity(lpa=1), CENT)
    with pytest.raises(ValueError, match="go with per_litre_stepped"):
        DutyTerms("per_litre_stepped", Decimal(1), "JPY")
    with pytest.raises(ValueError, match="go with per_litre_stepped"):
        DutyTerms("per_lpa", Decimal(1), "JPY", Decimal(37), Decimal(10))
    with pytest.raises(ValueError, match="go with per_litre_stepped"):
        DutyTerms("per_litre_stepped", Decimal(1), "JPY", Decimal(37))


# --- at risk --------------------------------------------------------------------------------


def leg(authority: str, guarantee: str, rate: str, share: int, first: int, last: int) -> RiskLeg:
    return RiskLeg(authority, guarantee, "EUR", Decimal(rate), share, first, last)


JOURNEY = (
    leg("origin", "export", "20", 100, 0, 6),
    leg("transit", "export", "20", 50, 5, 12),
    leg("destination", "import", "33.99", 25, 30, 40),
)


def test_duty_at_risk_by_leg() -> None:
    """20,000 LPA: 400,000 to the exit, 200,000 in transit, 169,950 on arrival."""
    risks = duty_at_risk(20_000, JOURNEY)
    assert [risk.amount for risk in risks] == [400_000, 200_000, Decimal("169950.00")]
    assert [risk_on(risks, "export", day) for day in (0, 4, 5, 6, 7, 12, 13)] == [
        400_000, 400_000, 600_000, 600_000, 200_000, 200_000, 0,
    ]  # fmt: skip
    at_each = [[risk_on(risks, name, day) for day in (6, 40)] for name in ("export", "import")]
    assert at_each == [[600_000, 0], [0, Decimal("169950.00")]]
    assert greatest_risk(risks) == {"export": 600_000, "import": Decimal("169950.00")}
    assert greatest_risk([]) == {}


@given(lpa=amounts, first=st.integers(0, 40), length=st.integers(0, 40))
def test_the_greatest_risk_is_the_greatest_of_all_days(
    lpa: Decimal, first: int, length: int
) -> None:
    risks = duty_at_risk(lpa, (*JOURNEY, leg("x", "export", "7.5", 80, first, first + length)))
    by_day = max(risk_on(risks, "export", day) for day in range(100))
    assert greatest_risk(risks)["export"] == by_day


def test_legs_that_cannot_be() -> None:
    with pytest.raises(OutOfRangeError, match="share at risk is 101 %") as refused:
        leg("a", "g", "1", 101, 0, 1)
    assert (refused.value.low, refused.value.high) == (0.0, 100.0)
    with pytest.raises(OutOfRangeError, match="last day of a leg is 3 days") as refused:
        leg("a", "g", "1", 100, 4, 3)
    assert (refused.value.low, refused.value.high) == (4, math.inf)
    with pytest.raises(OutOfRangeError, match="last day of a leg"):
        leg("a", "g", "1", 100, -1, 3)
    with pytest.raises(OutOfRangeError, match="last day of a leg") as refused:
        leg("a", "g", "1", 100, 0, -1)
    assert refused.value.low == 0
    with pytest.raises(OutOfRangeError, match="duty per LPA is nan"):
        leg("a", "g", "NaN", 100, 0, 3)
