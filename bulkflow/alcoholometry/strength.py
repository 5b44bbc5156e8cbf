"""Strength by volume and mass fraction; amounts of pure alcohol.

Strength is per cent of ethanol by volume **at 20 degC** throughout. With p the mass fraction,

    strength = 100 p rho(p, 20) / rho(1, 20).

Strengths at other reference temperatures (US proof, the Japanese degree) follow the same law
with another temperature and live in :mod:`bulkflow.alcoholometry.proof`.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from bulkflow.alcoholometry.checking import Array, FloatOrArray, amount, in_range, unwrap
from bulkflow.alcoholometry.coefficients import oiml_r22
from bulkflow.alcoholometry.formula import (
    RANGE_SOURCE,
    REFERENCE_C,
    blocks,
    check_liquid,
    check_mass_fraction,
    check_temperature,
    evaluate,
    temperature_columns,
)
from bulkflow.alcoholometry.inverse import mass_fraction_from_density, value_and_slope

__all__ = [
    "LEAST_STRENGTH",
    "density_from_strength",
    "ethanol_density",
    "fraction_by_volume",
    "grams_per_100_ml",
    "lpa_from_mass",
    "lpa_from_volume",
    "mass_fraction_by_volume",
    "mass_fraction_from_strength",
    "mass_from_lpa",
    "mass_from_volume",
    "strength_from_density",
    "strength_from_mass_fraction",
    "volume_at_temperature",
    "volume_from_lpa",
    "volume_from_mass",
]

LEAST_STRENGTH = 0.001
"""What counts as above zero where a strength must hold some alcohol [% vol]."""

_NEWTON_STEPS = 5
_SETTLED = 1e-14  # mass fraction
_START_POINTS = 1_025


def ethanol_density(temperature: float) -> float:
    """Return the density of pure ethanol [kg/m3, in vacuum] at a temperature [degC].

    Examples
    --------
    >>> round(ethanol_density(20.0), 2)
    789.24
    """
    return float(evaluate(oiml_r22(), np.asarray(1.0), check_temperature(temperature)))


def strength_from_mass_fraction(mass_fraction: ArrayLike) -> FloatOrArray:
    """Strength from mass fraction.

    Parameters
    ----------
    mass_fraction : [0..1], scalar or array.

    Returns
    -------
    Strength [% vol at 20 degC], float64, of the same shape.

    Raises
    ------
    OutOfRangeError
        Outside 0..1, NaN included.

    Examples
    --------
    >>> round(float(strength_from_mass_fraction(0.332996)), 3)
    40.0
    """
    return unwrap(100.0 * fraction_by_volume(check_mass_fraction(mass_fraction), REFERENCE_C))


def mass_fraction_from_strength(strength: ArrayLike) -> FloatOrArray:
    """Mass fraction from strength, to the last digits of float64.

    Parameters
    ----------
    strength : [% vol at 20 degC], 0..100, scalar or array.

    Returns
    -------
    Mass fraction [0..1], float64, of the same shape.

    Raises
    ------
    OutOfRangeError
        Outside 0..100, NaN included.

    Examples
    --------
    >>> round(float(mass_fraction_from_strength(63.5)), 6)
    0.556139
    """
    return unwrap(mass_fraction_by_volume(check_strength(strength) / 100.0, REFERENCE_C))


def density_from_strength(strength: ArrayLike, temperature: ArrayLike) -> FloatOrArray:
    """Density in vacuum of spirit of a strength, at a temperature (OIML R 22).

    Parameters
    ----------
    strength : [% vol at 20 degC], 0..100.
    temperature : [degC], from -20 to 40; the temperature of the density, not of the strength.

    Returns
    -------
    Density [kg/m3, in vacuum], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        As for :func:`~bulkflow.alcoholometry.density`, and for strengths outside 0..100.

    Examples
    --------
    >>> round(float(density_from_strength(96.0, 10.0)), 2)
    816.02
    """
    p, t = _spirit(strength, temperature)
    return unwrap(evaluate(oiml_r22(), p, t))


def strength_from_density(density: ArrayLike, temperature: ArrayLike) -> FloatOrArray:
    """Strength from true density at a temperature, as a density meter reads it.

    No glass term: for glass instruments use
    :func:`~bulkflow.alcoholometry.strength_from_hydrometer`.

    Parameters
    ----------
    density : [kg/m3, in vacuum].
    temperature : [degC], from -20 to 40.

    Returns
    -------
    Strength [% vol at 20 degC], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        As for :func:`~bulkflow.alcoholometry.mass_fraction_from_density`.

    Examples
    --------
    >>> round(float(strength_from_density(800.0, 30.0)), 2)
    95.68
    """
    p = np.asarray(mass_fraction_from_density(density, temperature))
    return unwrap(100.0 * fraction_by_volume(p, REFERENCE_C))


def lpa_from_volume(
    volume: ArrayLike, strength: ArrayLike, temperature: ArrayLike = REFERENCE_C
) -> FloatOrArray:
    """Litres of pure alcohol (at 20 degC) in a volume measured at a temperature.

    Parameters
    ----------
    volume : [L at the temperature], zero or more.
    strength : [% vol at 20 degC], 0..100.
    temperature : of the volume [degC], -20 to 40.

    Returns
    -------
    LPA [L of ethanol at 20 degC], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        For amounts below zero, NaN, infinities, and outside the ranges above.

    Examples
    --------
    >>> float(lpa_from_volume(1000.0, 40.0))
    400.0
    """
    litres = amount("volume", volume, "L")
    p, t = _spirit(strength, temperature)
    at_reference = evaluate(oiml_r22(), p, np.asarray(REFERENCE_C))
    at_20 = litres * (evaluate(oiml_r22(), p, t) / at_reference)
    return unwrap(np.asarray(at_20 * (check_strength(strength) / 100.0)))


def volume_from_lpa(
    lpa: ArrayLike, strength: ArrayLike, temperature: ArrayLike = REFERENCE_C
) -> FloatOrArray:
    """Volume at a temperature that holds an amount of pure alcohol.

    Parameters
    ----------
    lpa : [L of ethanol at 20 degC], zero or more.
    strength : [% vol at 20 degC], above 0.
    temperature : of the volume [degC], -20 to 40.

    Returns
    -------
    Volume [L at the temperature], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        As for :func:`lpa_from_volume`; a strength of 0 holds no alcohol and is refused.
    """
    alcohol = amount("pure alcohol", lpa, "L")
    _with_alcohol(strength)
    return unwrap(np.asarray(alcohol / np.asarray(lpa_from_volume(1.0, strength, temperature))))


def lpa_from_mass(mass: ArrayLike, strength: ArrayLike) -> FloatOrArray:
    """Litres of pure alcohol (at 20 degC) in a true mass of spirit.

    Parameters
    ----------
    mass : true mass [kg]; a scale reading is not one, see
        :func:`~bulkflow.alcoholometry.mass_from_weighing`.
    strength : [% vol at 20 degC], 0..100.

    Returns
    -------
    LPA [L of ethanol at 20 degC] = 1000 m p / rho(1, 20), float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        For amounts below zero, NaN, infinities, and strengths outside 0..100.

    Examples
    --------
    >>> round(float(lpa_from_mass(20_000.0, 96.4)), 0)
    23927.0
    """
    kilograms = amount("mass", mass, "kg")
    p = np.asarray(mass_fraction_from_strength(strength))
    return unwrap(np.asarray(1000.0 * kilograms * p / ethanol_density(REFERENCE_C)))


def mass_from_lpa(lpa: ArrayLike, strength: ArrayLike) -> FloatOrArray:
    """Return the true mass [kg] of spirit of a strength [% vol, above 0] that holds LPA [L]."""
    alcohol = amount("pure alcohol", lpa, "L")
    _with_alcohol(strength)
    return unwrap(np.asarray(alcohol / np.asarray(lpa_from_mass(1.0, strength))))


def mass_from_volume(
    volume: ArrayLike, strength: ArrayLike, temperature: ArrayLike = REFERENCE_C
) -> FloatOrArray:
    """Return the true mass [kg] of a volume [L] of a strength [% vol] at a temperature [degC]."""
    litres = amount("volume", volume, "L")
    return unwrap(litres * np.asarray(density_from_strength(strength, temperature)) / 1000.0)


def volume_from_mass(
    mass: ArrayLike, strength: ArrayLike, temperature: ArrayLike = REFERENCE_C
) -> FloatOrArray:
    """Volume [L] at a temperature [degC] of a true mass [kg] of spirit of a strength [% vol]."""
    kilograms = amount("mass", mass, "kg")
    return unwrap(1000.0 * kilograms / np.asarray(density_from_strength(strength, temperature)))


def volume_at_temperature(
    volume: ArrayLike, strength: ArrayLike, temperature: ArrayLike, to_temperature: ArrayLike
) -> FloatOrArray:
    """Volume of the same spirit at another temperature: V2 = V1 rho(t1) / rho(t2).

    Parameters
    ----------
    volume : [L at ``temperature``], zero or more (any unit of volume does).
    strength : [% vol at 20 degC], 0..100.
    temperature, to_temperature : from and to [degC], -20 to 40.

    Returns
    -------
    Volume [same unit, at ``to_temperature``], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        As for :func:`lpa_from_volume`.

    Examples
    --------
    >>> round(float(volume_at_temperature(30_000.0, 96.0, 32.0, 20.0)), 1)
    29611.9
    """
    litres = amount("volume", volume, "L")
    p, t = _spirit(strength, temperature)
    p, to = _spirit(strength, to_temperature)
    ratio = evaluate(oiml_r22(), p, t) / evaluate(oiml_r22(), p, to)
    return unwrap(np.asarray(litres * ratio))


def grams_per_100_ml(strength: ArrayLike, temperature: ArrayLike = REFERENCE_C) -> FloatOrArray:
    """Grams of ethanol in 100 mL of spirit taken at a temperature.

    Parameters
    ----------
    strength : [% vol at 20 degC], 0..100.
    temperature : of the 100 mL [degC], -20 to 40.

    Returns
    -------
    Ethanol [g per 100 mL], float64, of the broadcast shape.

    Examples
    --------
    >>> round(float(grams_per_100_ml(40.0)), 2)
    31.57
    """
    p, t = _spirit(strength, temperature)
    return unwrap(np.asarray(p * evaluate(oiml_r22(), p, t) / 10.0))


def check_strength(strength: ArrayLike) -> Array:
    """Return strengths as float64, all within 0..100 % vol."""
    return in_range("strength", strength, 0.0, 100.0, "% vol", RANGE_SOURCE)


def _with_alcohol(strength: ArrayLike) -> None:
    """Refuse a strength of zero where an amount of pure alcohol is to be held."""
    in_range(
        "strength",
        strength,
        LEAST_STRENGTH,
        100.0,
        "% vol",
        "spirit of no strength holds no alcohol",
    )


def _spirit(strength: ArrayLike, temperature: ArrayLike) -> tuple[Array, Array]:
    """Return the checked mass fraction and temperature of a spirit."""
    p = np.asarray(mass_fraction_from_strength(strength))
    t = check_temperature(temperature)
    check_liquid(p, t)
    return p, t


def fraction_by_volume(p: Array, reference_c: float) -> Array:
    """Return p rho(p, t)/rho(1, t): the volume fraction at a reference temperature, unchecked."""
    rho = evaluate(oiml_r22(), p, np.asarray(reference_c))
    # Exactly 1 for pure ethanol: the same polynomial stands above and below the line.
    return np.asarray(p * rho / evaluate(oiml_r22(), np.asarray(1.0), np.asarray(reference_c)))


def mass_fraction_by_volume(fraction: Array, reference_c: float) -> Array:
    """Return the inverse of :func:`fraction_by_volume`; p rho rises with p, so it is unique.

    Newton's steps on g(p) = p rho(p) from a table of 1,025 points; g is nearly straight, so
    the start is good to about 1e-6 and two steps reach the last digit.
    """
    rho = temperature_columns(oiml_r22(), reference_c - REFERENCE_C)
    columns = [0.0, *(float(coefficient) for coefficient in rho)]
    points, values = _volume_table(reference_c)
    out = np.empty(fraction.shape)
    flat, flat_out = fraction.reshape(-1), out.reshape(-1)
    for part in blocks(flat.size):
        wanted = flat[part] * values[-1]
        p = np.interp(wanted, values, points)
        for _ in range(_NEWTON_STEPS):
            value, slope = value_and_slope(columns, p)
            step = (value - wanted) / slope
            p = np.minimum(np.maximum(p - step, 0.0), 1.0)
            if np.abs(step).max(initial=0.0) <= _SETTLED:
                break
        flat_out[part] = p
    return out


@cache
def _volume_table(reference_c: float) -> tuple[Array, Array]:
    """Return mass fractions and p rho(p) at one reference temperature."""
    points = np.linspace(0.0, 1.0, _START_POINTS)
    return points, points * evaluate(oiml_r22(), points, np.asarray(reference_c))
