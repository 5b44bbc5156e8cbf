"""Instruments: glass, density in air, weighing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow import alcoholometry as al
from bulkflow.errors import OutOfRangeError

scales = st.sampled_from(al.HydrometerScale)


@pytest.mark.parametrize("scale", al.HydrometerScale)
def test_a_hydrometer_is_right_at_its_own_temperature(scale: al.HydrometerScale) -> None:
    shown = np.array([0.0, 12.5, 40.0, 96.0, 100.0])
    found = al.strength_from_hydrometer(shown, scale.value, scale=scale)
    expected = shown
    if scale is al.HydrometerScale.VOL_60_F:
        expected = al.strength_from_proof(2.0 * shown)
    assert found == pytest.approx(expected, abs=1e-9)


@given(strength=st.floats(5.0, 90.0), t=st.floats(5.0, 35.0), scale=scales)
def test_reading_and_strength_invert(strength: float, t: float, scale: al.HydrometerScale) -> None:
    shown = al.hydrometer_from_strength(strength, t, scale=scale)
    assert al.strength_from_hydrometer(shown, t, scale=scale) == pytest.approx(strength, abs=1e-8)


def test_glass_counts() -> None:
    """Without the swelling of glass the answer is another: 40.0 at 25 degC means 37.99."""
    with_glass = al.strength_from_hydrometer(40.0, 25.0)
    without = al.strength_from_hydrometer(40.0, 25.0, glass_expansion=0.0)
    assert with_glass == pytest.approx(37.99, abs=0.005)
    on_scale = al.density_from_strength(40.0, 20.0)
    assert without == pytest.approx(al.strength_from_density(on_scale, 25.0))
    assert 0.05 < with_glass - without < 0.15  # swollen glass floats higher: it shows too little


def test_a_proof_hydrometer_is_the_60_degf_scale_doubled() -> None:
    """27 CFR 30.61: reading 193 at 75 degF is 189.5 proof; the model gives 189.46."""
    t = float(al.celsius_from_fahrenheit(75.0))
    proof = al.proof_from_hydrometer(193.0, t)
    assert proof == pytest.approx(189.46, abs=0.005)
    strength = al.strength_from_hydrometer(96.5, t, scale=al.HydrometerScale.VOL_60_F)
    assert al.proof_from_strength(strength) == pytest.approx(proof, abs=1e-9)


def test_readings_off_the_scale_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match=r"hydrometer reading is 100.5"):
        al.strength_from_hydrometer(100.5, 20.0)
    with pytest.raises(OutOfRangeError, match="hydrometer reading is 201 proof"):
        al.proof_from_hydrometer(201.0, 15.0)
    with pytest.raises(OutOfRangeError, match="density is"):
        al.strength_from_hydrometer(100.0, 10.0)  # denser than the scale's end at 10 degC: none
    with pytest.raises(OutOfRangeError, match="density is"):
        al.hydrometer_from_strength(100.0, 30.0)  # the scale ends at 100
    with pytest.raises(OutOfRangeError, match="glass expansion is 25 1/K"):
        al.strength_from_hydrometer(40.0, 25.0, glass_expansion=25.0)  # meant 25e-6
    with pytest.raises(OutOfRangeError, match="temperature is nan"):
        al.strength_from_hydrometer(40.0, np.nan)


def test_density_in_air() -> None:
    """Spirit in air is about 1.05 to 1.08 kg/m3 lighter; ethanol at 20 degC is 788.16."""
    rho = al.density_from_strength([50.0, 96.0, 100.0], 20.0)
    less = rho - al.density_in_air(rho)
    assert ((less > 1.05) & (less < 1.085)).all()
    assert al.density_in_air(rho)[2] == pytest.approx(788.159, abs=0.005)  # Canada 1996


@given(rho=st.floats(750.0, 1000.0), convention=st.sampled_from([al.OIML_D28, al.INDIA]))
def test_air_and_weighing_invert(rho: float, convention: al.WeighingConvention) -> None:
    in_air = al.density_in_air(rho, convention=convention)
    assert al.density_in_vacuum(in_air, convention=convention) == pytest.approx(rho, rel=1e-14)
    mass = al.mass_from_weighing(20_000.0, rho, convention=convention)
    shown = al.weighing_from_mass(mass, rho, convention=convention)
    assert shown == pytest.approx(20_000.0, rel=1e-14)
    # one buoyancy, two faces: reading / volume is the density in air
    litres = 1000.0 * mass / rho
    assert 1000.0 * shown / litres == pytest.approx(in_air, rel=1e-12)


def test_buoyancy_is_a_tenth_of_a_per_cent() -> None:
    """About +0.11 % at 50 % vol and +0.13 % at 96 % vol."""
    rho = al.density_from_strength([50.0, 96.0], 20.0)
    surplus = 100.0 * (al.mass_from_weighing(1.0, rho) - 1.0)
    assert surplus == pytest.approx([0.11, 0.13], abs=0.005)


def test_conventions_no_balance_has_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match="density of the weights is 8 kg/m3"):
        al.WeighingConvention(1.2, 8.0, "g/cm3 by mistake")
    with pytest.raises(OutOfRangeError, match="air density is nan"):
        al.WeighingConvention(float("nan"), 8000.0, "nothing")
    with pytest.raises(OutOfRangeError, match=r"density is 0.8 kg/m3"):
        al.density_in_air(0.8)
    with pytest.raises(OutOfRangeError, match="weight is -5 kg"):
        al.mass_from_weighing(-5.0, 800.0)
