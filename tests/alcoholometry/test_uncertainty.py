"""Propagation of uncertainty: by hand, by simulation, and at the ends of the range."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bulkflow import alcoholometry as al
from bulkflow.alcoholometry import Measured, propagate
from bulkflow.errors import OutOfRangeError


def test_by_hand() -> None:
    """LPA = V q/100 at 20 degC: u**2 = (0.96 x 24)**2 + (240 x 0.05)**2."""
    found = propagate(
        lambda volume, strength: al.lpa_from_volume(volume, strength),
        volume=Measured(24_000.0, 24.0),
        strength=Measured(96.0, 0.05),
    )
    assert found.value == pytest.approx(23_040.0)
    assert found.standard_uncertainty == pytest.approx(math.hypot(23.04, 12.0), rel=1e-6)
    assert found.expanded_uncertainty == 2 * found.standard_uncertainty
    assert found.interval == (
        found.value - found.expanded_uncertainty,
        found.value + found.expanded_uncertainty,
    )


def load(weight: float, density: float, temperature: float) -> float:
    """LPA of a load from weighbridge, density meter and thermometer."""
    strength = al.strength_from_density(density, temperature)
    return float(al.lpa_from_mass(al.mass_from_weighing(weight, density), strength))


def test_by_simulation() -> None:
    inputs = {
        "weight": Measured(18_000.0, 12.0),
        "density": Measured(886.0, 0.15),
        "temperature": Measured(12.0, 0.3),
    }
    found = propagate(load, **inputs)
    rng = np.random.default_rng(11)
    weight, density, temperature = (
        rng.normal(m.value, m.standard_uncertainty, 200_000) for m in inputs.values()
    )
    strength = al.strength_from_density(density, temperature)
    drawn = al.lpa_from_mass(al.mass_from_weighing(weight, density), strength)
    assert found.value == pytest.approx(drawn.mean(), rel=1e-4)
    assert found.standard_uncertainty == pytest.approx(drawn.std(), rel=0.01)


def test_nothing_uncertain_nothing_added() -> None:
    found = propagate(al.density, mass_fraction=Measured(0.5), temperature=Measured(20.0))
    assert found.standard_uncertainty == 0.0


def test_one_side_at_the_ends_of_the_range() -> None:
    """At pure ethanol and 40 degC only lower values are in range."""
    found = propagate(
        al.density, mass_fraction=Measured(1.0, 1e-3), temperature=Measured(40.0, 0.1)
    )
    by_fraction = (al.density(1.0, 40.0) - al.density(0.999, 40.0)) / 0.001 * 1e-3
    by_heat = (al.density(1.0, 40.0) - al.density(1.0, 39.9)) / 0.1 * 0.1
    assert found.standard_uncertainty == pytest.approx(math.hypot(by_fraction, by_heat), rel=2e-3)

    water = propagate(
        al.strength_from_mass_fraction, mass_fraction=Measured(0.0, 1e-3)
    )  # and here only higher ones
    slope = al.strength_from_mass_fraction(1e-6) / 1e-6
    assert water.standard_uncertainty == pytest.approx(slope * 1e-3, rel=1e-3)


def test_a_function_of_one_point_has_no_slope() -> None:
    def only_here(temperature: float) -> float:
        if temperature != 20.0:
            raise OutOfRangeError("temperature", temperature, 20.0, 20.0, "degC", "a fixed point")
        return 1.0

    with pytest.raises(OutOfRangeError, match="holds at this one value only"):
        propagate(only_here, temperature=Measured(20.0, 0.1))


def test_differences_and_limits_of_error() -> None:
    sent, received = Measured(21_600.0, 30.0), Measured(21_540.0, 40.0)
    lost = sent.minus(received)
    assert (lost.value, lost.standard_uncertainty) == (60.0, 50.0)
    assert lost.interval == (-40.0, 160.0)  # no loss is proved
    assert Measured.within(20.0, 0.3).standard_uncertainty == pytest.approx(0.3 / math.sqrt(3))


def test_what_is_no_measurement() -> None:
    for value, uncertainty in ((math.nan, 1.0), (math.inf, 1.0)):
        with pytest.raises(OutOfRangeError, match="measured value"):
            Measured(value, uncertainty)
    for uncertainty in (-1.0, math.nan, math.inf):
        with pytest.raises(OutOfRangeError, match="standard uncertainty"):
            Measured(1.0, uncertainty)
    with pytest.raises(OutOfRangeError, match="temperature is 41"):
        propagate(al.density, mass_fraction=Measured(0.5), temperature=Measured(41.0, 0.1))
