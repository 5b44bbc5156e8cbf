"""Strength, mass fraction, pure alcohol and volume; proof and the Japanese degree."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow import alcoholometry as al
from bulkflow.errors import OutOfRangeError

strengths = st.floats(0.0, 100.0)
spirits = st.floats(0.5, 100.0)
temperatures = st.floats(0.0, 40.0)
amounts = st.floats(0.0, 1e6)


@pytest.mark.parametrize(
    ("strength", "mass_pct"),
    # per cent by mass at 20 degC, from the formula by a second implementation
    [(0, 0), (24, 19.543), (40, 33.300), (50, 42.426), (60, 52.088), (63.5, 55.614),
     (70, 62.386), (80, 73.480), (90, 85.665), (96, 93.838), (96.4, 94.421), (100, 100)],
)  # fmt: skip
def test_mass_fraction_anchors(strength: float, mass_pct: float) -> None:
    assert 100.0 * al.mass_fraction_from_strength(strength) == pytest.approx(mass_pct, abs=0.00051)


def test_ends_are_exact() -> None:
    assert al.mass_fraction_from_strength([0.0, 100.0]).tolist() == [0.0, 1.0]
    assert al.strength_from_mass_fraction([0.0, 1.0]).tolist() == [0.0, 100.0]
    assert al.strength_from_proof(200.0) == 100.0
    assert al.proof_from_strength(0.0) == 0.0


@given(strength=strengths)
def test_strength_and_mass_fraction_invert(strength: float) -> None:
    p = al.mass_fraction_from_strength(strength)
    assert al.strength_from_mass_fraction(p) == pytest.approx(strength, abs=1e-11)


@given(strength=strengths)
def test_proof_and_degree_invert(strength: float) -> None:
    assert al.strength_from_proof(al.proof_from_strength(strength)) == pytest.approx(
        strength, abs=1e-10
    )
    assert al.strength_from_degree_15(al.degree_15_from_strength(strength)) == pytest.approx(
        strength, abs=1e-10
    )


def test_strength_rises_with_mass_fraction() -> None:
    assert (np.diff(al.strength_from_mass_fraction(np.linspace(0.0, 1.0, 20_001))) > 0.0).all()


@pytest.mark.parametrize("strength", [-0.01, 100.01, np.nan, np.inf])
def test_strengths_outside_are_refused(strength: float) -> None:
    for function in (al.mass_fraction_from_strength, al.proof_from_strength,
                     al.degree_15_from_strength, al.filling_expansion):  # fmt: skip
        with pytest.raises(OutOfRangeError, match="strength is"):
            function(strength)


# --- proof ---------------------------------------------------------------------------------


def test_half_the_proof_is_not_the_strength() -> None:
    """80 proof is 40.069, 100 is 50.061 and 190 is 95.007 % vol at 20 degC."""
    found = al.strength_from_proof([80.0, 100.0, 190.0])
    assert found == pytest.approx([40.069, 50.061, 95.007], abs=0.0006)


def test_the_two_bases_of_a_proof_gallon_differ_by_the_swelling_of_ethanol() -> None:
    at_20 = al.litres_per_proof_gallon(al.PureAlcoholBasis.AT_20_C)
    at_60 = al.litres_per_proof_gallon(al.PureAlcoholBasis.AT_60_F)
    assert at_60 == 3.785411784 / 2  # 231 cubic inches
    assert at_20 == pytest.approx(1.9018, abs=0.00005)
    assert at_20 / at_60 - 1.0 == pytest.approx(0.0048, abs=0.00005)


@given(gallons=amounts, basis=st.sampled_from(al.PureAlcoholBasis))
def test_proof_gallons_invert(gallons: float, basis: al.PureAlcoholBasis) -> None:
    lpa = al.lpa_from_proof_gallons(gallons, basis)
    assert al.proof_gallons_from_lpa(lpa, basis) == pytest.approx(gallons, rel=1e-14)


def test_a_load_counted_both_ways_is_the_same_alcohol() -> None:
    """Litres at 20 degC to wine gallons at 60 degF to proof gallons and back."""
    litres, strength = 24_000.0, 70.0
    at_60 = al.volume_at_temperature(litres, strength, 20.0, al.SIXTY_FAHRENHEIT_C)
    gallons = al.proof_gallons(at_60 / al.LITRES_PER_US_GALLON, al.proof_from_strength(strength))
    lpa = al.lpa_from_proof_gallons(gallons, al.PureAlcoholBasis.AT_20_C)
    assert lpa == pytest.approx(litres * strength / 100.0, rel=1e-12)


def test_ethanol_of_the_proof_gallon() -> None:
    """27 CFR 19.1: specific gravity 0.7939 at 60/60 degF; R 22 gives 0.79382."""
    sg = al.density(1.0, al.SIXTY_FAHRENHEIT_C) / al.density(0.0, al.SIXTY_FAHRENHEIT_C)
    assert sg == pytest.approx(0.7939, abs=0.0001)
    assert sg == pytest.approx(0.79382, abs=0.000006)


def test_proof_from_mass_fraction() -> None:
    assert al.proof_from_mass_fraction([0.0, 1.0]).tolist() == [0.0, 200.0]
    assert al.proof_from_mass_fraction(al.mass_fraction_from_proof(113.7)) == pytest.approx(113.7)


def test_wine_gallons() -> None:
    assert al.wine_gallons(al.proof_gallons(100.0, 86.8), 86.8) == pytest.approx(100.0)
    with pytest.raises(OutOfRangeError, match="proof is 0"):
        al.wine_gallons(10.0, 0.0)
    with pytest.raises(OutOfRangeError, match="volume is -1 US gal"):
        al.proof_gallons(-1.0, 100.0)


def test_obscuration() -> None:
    assert al.true_proof(80.0, [0.0, 0.1, 0.25]).tolist() == pytest.approx([80.0, 80.4, 81.0])
    assert al.apparent_proof(80.4, 0.1) == pytest.approx(80.0)
    with pytest.raises(OutOfRangeError, match=r"solids is 0.7 g/100 mL"):
        al.true_proof(80.0, 0.7)
    with pytest.raises(OutOfRangeError, match="proof is 201"):
        al.true_proof(199.8, 0.3)


def test_fahrenheit() -> None:
    found = al.celsius_from_fahrenheit([32.0, 60.0, 212.0])
    assert found == pytest.approx([0.0, 140.0 / 9.0, 100.0])
    assert al.fahrenheit_from_celsius(-40.0) == -40.0


# --- amounts -------------------------------------------------------------------------------


@given(volume=amounts, strength=spirits, t=temperatures)
def test_pure_alcohol_is_the_same_by_volume_and_by_mass(
    volume: float, strength: float, t: float
) -> None:
    lpa = al.lpa_from_volume(volume, strength, t)
    mass = al.mass_from_volume(volume, strength, t)
    assert al.lpa_from_mass(mass, strength) == pytest.approx(lpa, rel=1e-12)
    assert al.volume_from_lpa(lpa, strength, t) == pytest.approx(volume, rel=1e-12)
    assert al.mass_from_lpa(lpa, strength) == pytest.approx(mass, rel=1e-12)
    assert al.volume_from_mass(mass, strength, t) == pytest.approx(volume, rel=1e-12)


@given(volume=amounts, strength=strengths, first=temperatures, second=temperatures)
def test_volume_goes_there_and_back_and_alcohol_stays(
    volume: float, strength: float, first: float, second: float
) -> None:
    there = al.volume_at_temperature(volume, strength, first, second)
    assert al.volume_at_temperature(there, strength, second, first) == pytest.approx(
        volume, rel=1e-12
    )
    assert al.lpa_from_volume(there, strength, second) == pytest.approx(
        al.lpa_from_volume(volume, strength, first), rel=1e-12
    )


def test_warm_spirit_holds_less() -> None:
    """ALC-087: 30,000 L of 96 % vol at 32 degC are 29,611.86 L at 20 degC."""
    assert al.lpa_from_volume(30_000.0, 96.0, 32.0) == pytest.approx(29_611.86 * 0.96, abs=0.5)
    assert al.lpa_from_volume(1_000.0, 40.0) == 400.0


@pytest.mark.parametrize("bad", [-1.0, np.nan, np.inf])
def test_amounts_are_finite_and_not_negative(bad: float) -> None:
    for call in (
        lambda: al.lpa_from_volume(bad, 40.0),
        lambda: al.lpa_from_mass(bad, 40.0),
        lambda: al.volume_from_lpa(bad, 40.0),
        lambda: al.mass_from_lpa(bad, 40.0),
        lambda: al.volume_at_temperature(bad, 40.0, 20.0, 20.0),
        lambda: al.lpa_from_proof_gallons(bad, al.PureAlcoholBasis.AT_20_C),
        lambda: al.proof_gallons_from_lpa(bad, al.PureAlcoholBasis.AT_60_F),
    ):
        with pytest.raises(OutOfRangeError, match="an amount is zero or more"):
            call()


def test_water_holds_no_alcohol() -> None:
    assert al.lpa_from_volume(1000.0, 0.0) == 0.0
    for function in (al.volume_from_lpa, al.mass_from_lpa):
        with pytest.raises(OutOfRangeError, match="spirit of no strength holds no alcohol"):
            function(10.0, 0.0)
