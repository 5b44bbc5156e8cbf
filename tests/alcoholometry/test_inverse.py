"""Density to mass fraction: round trips, a slow method beside it, and its ends."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from bulkflow import alcoholometry as al
from bulkflow.alcoholometry import inverse
from bulkflow.errors import OutOfRangeError

temperatures = st.floats(-20.0, 40.0)
shares = st.floats(0.0, 1.0)


@given(share=shares, t=temperatures)
def test_round_trip_over_the_whole_range(share: float, t: float) -> None:
    low = float(al.freezing_limit(t))
    p = low + share * (1.0 - low)
    assert al.mass_fraction_from_density(al.density(p, t), t) == pytest.approx(p, abs=1e-11)


@given(strength=st.floats(0.0, 100.0), t=st.floats(0.0, 40.0))
def test_strength_round_trip(strength: float, t: float) -> None:
    rho = al.density_from_strength(strength, t)
    assert al.strength_from_density(rho, t) == pytest.approx(strength, abs=1e-9)


@given(first=shares, second=shares, t=temperatures)
def test_strength_falls_as_density_rises(first: float, second: float, t: float) -> None:
    low, high = al.density(1.0, t), al.density(al.freezing_limit(t), t)
    rho = np.sort(low + np.array([first, second]) * (high - low))
    weaker_last = al.strength_from_density(rho, t)
    assert weaker_last[0] >= weaker_last[1] - 1e-9


def test_agrees_with_a_bracketing_solver() -> None:
    rng = np.random.default_rng(3)
    t = rng.uniform(-20.0, 40.0, 200)
    p = rng.uniform(al.freezing_limit(t), 1.0)
    rho = al.density(p, t)
    found = al.mass_fraction_from_density(rho, t)
    for index in range(t.size):
        low = float(al.freezing_limit(t[index]))
        slow = brentq(
            lambda x, i=index: float(al.density(x, t[i])) - rho[i], low, 1.0, xtol=1e-14, rtol=1e-14
        )
        assert found[index] == pytest.approx(slow, abs=1e-11)


def test_dense_grid_leaves_no_residual() -> None:
    t, share = np.meshgrid(np.linspace(-20.0, 40.0, 241), np.linspace(0.0, 1.0, 401))
    low, high = al.density(1.0, t), al.density(al.freezing_limit(t), t)
    rho = low + share * (high - low)
    p = al.mass_fraction_from_density(rho, t)
    assert np.abs(al.density(np.maximum(p, al.freezing_limit(t)), t) - rho).max() < 1e-8
    assert (np.diff(p, axis=0) < 0.0).all()


def test_bisection_takes_over_where_newton_has_not_settled(monkeypatch) -> None:
    rng = np.random.default_rng(4)
    t = rng.uniform(0.0, 40.0, 300)
    p = rng.uniform(0.0, 1.0, 300)
    rho = al.density(p, t)
    monkeypatch.setattr(inverse, "_NEWTON_STEPS", 1)  # the table alone is never good enough
    assert np.abs(al.mass_fraction_from_density(rho, t) - p).max() < 1e-11


def test_pure_liquids_read_back_from_tables() -> None:
    """Printed to 0.01 kg/m3, an end value may lie past the end by half its last digit."""
    assert al.mass_fraction_from_density(771.93, 40.0) == pytest.approx(1.0, abs=1e-9)
    assert al.mass_fraction_from_density(789.24, 20.0) == pytest.approx(1.0, abs=1e-5)
    assert al.mass_fraction_from_density(998.205, 20.0) == pytest.approx(0.0, abs=1e-9)
    assert al.strength_from_density(999.84, 0.0) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("rho", [998.21, 789.22, 1050.0, 0.0, -5.0, np.nan, np.inf])
def test_densities_no_mixture_has_are_refused(rho: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"density is .* ethanol to water at 20 degC"):
        al.mass_fraction_from_density(rho, 20.0)


def test_the_element_at_fault_is_named() -> None:
    with pytest.raises(OutOfRangeError, match=r"density \[1\] is 700"):
        al.strength_from_density([900.0, 700.0], [20.0, 30.0])


def test_ice_is_not_read_as_spirit() -> None:
    """A density above that of the weakest liquid at -15 degC cannot be spirit."""
    with pytest.raises(OutOfRangeError, match="density"):
        al.strength_from_density(985.0, -15.0)


def test_shapes() -> None:
    assert isinstance(al.strength_from_density(900.0, 20.0), np.float64)
    assert al.strength_from_density(np.full((2, 1), 900.0), [10.0, 20.0, 30.0]).shape == (2, 3)
    assert al.mass_fraction_from_density(np.empty(0), 20.0).shape == (0,)
    assert al.mass_fraction_from_density(900.0, np.empty(0)).shape == (0,)
