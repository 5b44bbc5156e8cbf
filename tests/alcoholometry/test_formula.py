"""The density formula: published anchors away from the easy places, range, shapes, laws."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow import alcoholometry as al
from bulkflow.alcoholometry import coefficients
from bulkflow.errors import OutOfRangeError

# Worked out from the formula by a second, independent implementation; printed to 0.01 kg/m3
# (rho50: to 0.1, extrapolated). Strength, rho15, rho20, rho20 in air, rho40, rho50, and
# beta at 20 degC [1e-3/K] (a difference quotient: good to 0.001).
ANCHORS = [
    (0, 999.10, 998.20, 997.15, 992.21, 988.04, 0.207),
    (24, 971.23, 969.21, 968.16, 959.28, 953.4, 0.436),
    (40, 951.33, 948.05, 946.99, 933.97, 926.4, 0.703),
    (50, 933.89, 930.14, 929.08, 914.57, 906.5, 0.812),
    (60, 913.09, 909.12, 908.05, 892.62, 884.0, 0.882),
    (63.5, 905.19, 901.15, 900.09, 884.41, 875.6, 0.903),
    (70, 889.69, 885.56, 884.49, 868.46, 859.5, 0.939),
    (80, 863.52, 859.27, 858.20, 841.76, 832.6, 0.995),
    (90, 833.50, 829.18, 828.11, 811.41, 802.0, 1.047),
    (96, 811.73, 807.42, 806.34, 789.93, 780.9, 1.072),
    (96.4, 810.10, 805.79, 804.71, 788.33, 779.3, 1.074),
    (100, 793.51, 789.24, 788.16, 771.93, 762.9, 1.084),
]


@pytest.mark.parametrize("row", ANCHORS, ids=lambda row: f"{row[0]} % vol")
def test_anchors(row: tuple[float, ...]) -> None:
    strength, rho15, rho20, air20, rho40, rho50, beta = row
    p = al.mass_fraction_from_strength(strength)
    assert al.density(p, [15.0, 20.0, 40.0]) == pytest.approx([rho15, rho20, rho40], abs=0.0055)
    assert al.density_in_air(al.density(p, 20.0)) == pytest.approx(air20, abs=0.0051)
    assert al.density_extrapolated(p, 50.0) == pytest.approx(rho50, abs=0.051)
    assert al.cubic_expansion(p, 20.0) * 1000.0 == pytest.approx(beta, abs=0.001)


def test_two_independent_fits_agree() -> None:
    """Bettin and Spieweck's coefficients share no digit with R 22's; t68 = 1.00024 t90."""
    t90, p = np.meshgrid(np.linspace(-19.9, 39.9, 60), np.linspace(0.0, 1.0, 101))
    liquid = p >= al.freezing_limit(t90)
    refit = al.density_its90(p[liquid], t90[liquid])
    legal = al.density(p[liquid], 1.00024 * t90[liquid])
    assert np.abs(refit - legal).max() < 0.0006


def test_the_tables_are_whole() -> None:
    for formula in (coefficients.oiml_r22(), coefficients.bettin_spieweck()):
        assert formula.matrix.shape == (7, 12)
        assert np.count_nonzero(formula.matrix) == 54
        assert formula.source
        with pytest.raises(ValueError, match="read-only"):
            formula.matrix[0, 0] = 1.0


def test_a_table_with_a_hole_is_refused() -> None:
    with pytest.raises(ValueError, match="does not hold the whole formula 'no_such'"):
        coefficients._read("no_such", 0.0)


def test_density_falls_strictly_with_mass_fraction() -> None:
    """On the whole rectangle, the part below freezing included: so the inverse is unique."""
    formula = coefficients.oiml_r22()
    p = np.linspace(0.0, 1.0, 2_001)
    for t in np.linspace(-20.0, 40.0, 121):
        rho = np.polynomial.polynomial.polyval2d(np.full_like(p, t - 20.0), p, formula.matrix)
        assert (np.diff(rho) < 0.0).all(), t


def test_agrees_with_the_plain_double_sum() -> None:
    """The blocks and Horner's rule against the sum as printed, in more digits than float64."""
    formula = coefficients.oiml_r22()
    rng = np.random.default_rng(20)
    p, t = rng.uniform(0.31, 1.0, 500), rng.uniform(-20.0, 40.0, 500)
    x, tau = p.astype(np.longdouble), (t - 20.0).astype(np.longdouble)
    total = sum(
        np.longdouble(formula.matrix[i, j]) * tau**i * x**j for i in range(7) for j in range(12)
    )
    assert np.abs(al.density(p, t) - total).max() < 1e-9


@pytest.mark.parametrize("p", [np.nan, np.inf, -np.inf, -1e-12, 1.0 + 1e-12])
def test_mass_fraction_outside_is_refused(p: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"mass fraction is .* from 0 to 1 kg/kg"):
        al.density(p, 20.0)


@pytest.mark.parametrize("t", [np.nan, np.inf, -20.001, 40.001])
@pytest.mark.parametrize("function", [al.density, al.density_its90, al.cubic_expansion])
def test_temperature_outside_is_refused(function, t: float) -> None:
    with pytest.raises(OutOfRangeError) as caught:
        function(0.5, t)
    assert "from -20 to 40 degC (OIML R 22)" in str(caught.value)
    assert (caught.value.quantity, caught.value.low, caught.value.high) == ("temperature", -20, 40)


def test_the_first_bad_element_is_named() -> None:
    with pytest.raises(OutOfRangeError, match=r"^temperature \[1, 0\] is nan degC;"):
        al.density(0.5, [[20.0, 21.0], [np.nan, 50.0]])


def test_part_frozen_mixtures_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match=r"freezing limit .* at -10 degC"):
        al.density(0.1, -10.0)
    with pytest.raises(OutOfRangeError, match=r"mass fraction \[2\] is 0.05"):
        al.density([0.5, 0.4, 0.05], -15.0)
    assert al.density(0.0, -0.5) == pytest.approx(999.8, abs=0.1)  # within the margin of 1 K
    assert al.density(0.31, -20.0) > al.density(0.32, -20.0)  # R 22's tables reach this corner


def test_extrapolation_is_explicit_and_flagged() -> None:
    with pytest.raises(OutOfRangeError):
        al.density(1.0, 50.0)
    # Landolt-Boernstein IV/8G polynomial 763.11 and equation of state of 2014 763.19: 0.2-0.3 low.
    assert al.density_extrapolated(1.0, 50.0) == pytest.approx(763.15, abs=0.35)
    assert al.density_extrapolated(0.0, 50.0) == pytest.approx(988.04, abs=0.01)  # water
    assert al.is_extrapolated([40.0, 40.1, -20.1]).tolist() == [False, True, True]
    assert al.density_extrapolated(0.5, 40.0) == al.density(0.5, 40.0)
    with pytest.raises(OutOfRangeError, match="extrapolated above 40 degC"):
        al.density_extrapolated(1.0, 61.0)


def test_shapes_and_types() -> None:
    assert isinstance(al.density(0.5, 20), np.float64)
    assert isinstance(al.density(1, 20), np.float64)
    assert al.density([0.1, 0.2], 20.0).shape == (2,)
    assert al.density(np.full((3, 1), 0.5), np.full(4, 10.0)).shape == (3, 4)
    assert al.density(np.empty((0, 2)), 20.0).shape == (0, 2)
    assert al.density(np.empty(0), np.empty(0)).shape == (0,)
    assert al.density(0.5, np.float32(20.0)).dtype == np.float64
    series = pd.Series([0.2, 0.5], index=["a", "b"])
    assert al.density(series, 20.0).tolist() == [al.density(0.2, 20.0), al.density(0.5, 20.0)]


def test_arrays_equal_their_elements() -> None:
    rng = np.random.default_rng(7)
    p, t = rng.uniform(0.31, 1.0, 40_000), rng.uniform(-20.0, 40.0, 40_000)
    whole = al.density(p, t)
    for index in (0, 16_383, 16_384, 39_999):  # on both sides of a block's edge
        assert whole[index] == pytest.approx(al.density(p[index], t[index]), rel=1e-14)


def test_inputs_are_left_alone() -> None:
    p, t = np.array([0.4, 0.5]), np.array([1.0, 2.0])
    al.mass_fraction_from_density(al.density(p, t), t)
    al.reduce(np.array([1.0, 2.0]), np.array([60.0, 70.0]), 40.0, t)
    assert p.tolist() == [0.4, 0.5]
    assert t.tolist() == [1.0, 2.0]


@pytest.mark.parametrize("wrong", ["0.5", ["0.5"], True, 0.5 + 0j, None, [None], b"1"])
def test_what_is_no_number_is_a_type_error(wrong: object) -> None:
    with pytest.raises(TypeError, match="mass fraction must be a number"):
        al.density(wrong, 20.0)


def test_masked_arrays_are_refused() -> None:
    masked = np.ma.masked_array([0.5, 0.6], mask=[False, True])
    with pytest.raises(TypeError, match="masked"):
        al.density(masked, 20.0)


@given(p=st.floats(0.31, 1.0), t=st.floats(-19.9, 39.9))
def test_cubic_expansion_is_the_slope(p: float, t: float) -> None:
    h = 1e-3
    slope = (al.density(p, t + h) - al.density(p, t - h)) / (2 * h)
    assert al.cubic_expansion(p, t) == pytest.approx(-slope / al.density(p, t), rel=1e-4, abs=1e-8)
