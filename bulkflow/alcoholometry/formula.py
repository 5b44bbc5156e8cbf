"""Density of ethanol-water mixtures: OIML R 22, its range, and its ITS-90 refit.

Owns the polynomial, the range in which it may be used and the one way to leave that range
(:func:`density_extrapolated`). Its inverse is in :mod:`bulkflow.alcoholometry.inverse`.

References
----------
OIML R 22, International alcoholometric tables (1973); Directive 76/766/EEC, Annex.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bulkflow.alcoholometry.checking import Array, FloatOrArray, in_range, raise_first, unwrap
from bulkflow.alcoholometry.coefficients import DensityFormula, bettin_spieweck, oiml_r22

__all__ = [
    "EXTRAPOLATION_HIGH_C",
    "RANGE_SOURCE",
    "REFERENCE_C",
    "TEMPERATURE_HIGH_C",
    "TEMPERATURE_LOW_C",
    "check_mass_fraction",
    "check_temperature",
    "cubic_expansion",
    "density",
    "density_extrapolated",
    "density_its90",
    "freezing_limit",
    "is_extrapolated",
]

REFERENCE_C = 20.0
"""Legal temperature of strength by volume in the EU and most countries [degC]."""

TEMPERATURE_LOW_C, TEMPERATURE_HIGH_C = -20.0, 40.0
RANGE_SOURCE = "OIML R 22"

EXTRAPOLATION_HIGH_C = 60.0
"""Where :func:`density_extrapolated` stops: past the 50 degC that filling rules ask for and
the 55 degC of packagings, nothing in the trade needs more."""

Coefficients: TypeAlias = Sequence[float] | Sequence[Array]
"""Coefficients by rising power: numbers, or arrays shaped like what they multiply."""

_BLOCK = 16_384  # elements worked at a time, so that the temporaries stay in the cache

# Freezing points of ethanol-water, degC against per cent by mass, as handbooks print them
# (from memory; good to about 0.5 K). R 22 says that its tables start at the freezing limit but
# gives no equation for it.
_FREEZING_MASS_PCT = (0.0, 2.5, 4.8, 6.8, 11.3, 13.8, 17.5, 20.3, 22.1, 24.2, 26.7, 29.9, 33.8)
_FREEZING_C = (
    0.0,
    -1.0,
    -2.0,
    -3.0,
    -5.0,
    -6.1,
    -8.7,
    -10.6,
    -12.2,
    -14.0,
    -16.0,
    -18.9,
    -23.6,
)
_FREEZING_MARGIN_K = 1.0
_FREEZING_SOURCE = "freezing limit of the mixture, handbook values less a margin of 1 K"


def density(mass_fraction: ArrayLike, temperature: ArrayLike) -> FloatOrArray:
    """Density in vacuum by the general formula of OIML R 22.

    Parameters
    ----------
    mass_fraction : ethanol, mass over mass of mixture [0..1], scalar or array.
    temperature : [degC], from -20 to 40, scalar or array that broadcasts with the former.

    Returns
    -------
    Density [kg/m3, in vacuum], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        For NaN and infinities, outside the ranges above, and below 0 degC for mixtures that
        would be part frozen (see :func:`freezing_limit`).

    Examples
    --------
    >>> round(float(density(0.31, 13.0)), 2)
    956.42
    """
    p = check_mass_fraction(mass_fraction)
    t = check_temperature(temperature)
    check_liquid(p, t)
    return unwrap(evaluate(oiml_r22(), p, t))


def density_extrapolated(mass_fraction: ArrayLike, temperature: ArrayLike) -> FloatOrArray:
    """Density in vacuum by the polynomial of OIML R 22 carried on up to 60 degC.

    Above 40 degC the result lies outside the formula's range: mark it so wherever it is shown
    (:func:`is_extrapolated`). At 50 degC it is exact for water and 0.2 to 0.3 kg/m3 low for
    ethanol against later equations of state; no measurement of mixtures confirms it.

    Parameters
    ----------
    mass_fraction : [0..1].
    temperature : [degC], from -20 to 60.

    Returns
    -------
    Density [kg/m3, in vacuum], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        For NaN and infinities and outside the ranges above.
    """
    p = check_mass_fraction(mass_fraction)
    t = in_range(
        "temperature",
        temperature,
        TEMPERATURE_LOW_C,
        EXTRAPOLATION_HIGH_C,
        "degC",
        f"{RANGE_SOURCE}, extrapolated above {TEMPERATURE_HIGH_C:g} degC",
    )
    check_liquid(p, t)
    return unwrap(evaluate(oiml_r22(), p, t))


def is_extrapolated(temperature: ArrayLike) -> np.bool_ | NDArray[np.bool_]:
    """Return True where a temperature [degC] lies outside the range of OIML R 22."""
    t = np.asarray(temperature, dtype=np.float64)
    return (t < TEMPERATURE_LOW_C) | (t > TEMPERATURE_HIGH_C)


def density_its90(mass_fraction: ArrayLike, temperature: ArrayLike) -> FloatOrArray:
    """Density in vacuum by Bettin and Spieweck (1990), temperatures on the scale ITS-90.

    OIML R 22, on IPTS-68, stays the legal reference; ignoring the change of scale costs at
    most 0.010 kg/m3 (at 40 degC). The coefficients were read in secondary listings; they equal
    R 22 taken at t68 = 1.00024 t90 within 0.0006 kg/m3 over the whole range.

    Parameters
    ----------
    mass_fraction : [0..1].
    temperature : [degC, ITS-90], from -20 to 40.

    Returns
    -------
    Density [kg/m3, in vacuum], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        As for :func:`density`.

    Examples
    --------
    >>> round(float(density_its90(0.5, 20.0)), 4)
    913.7667
    """
    p = check_mass_fraction(mass_fraction)
    t = check_temperature(temperature)
    check_liquid(p, t)
    return unwrap(evaluate(bettin_spieweck(), p, t))


def cubic_expansion(mass_fraction: ArrayLike, temperature: ArrayLike) -> FloatOrArray:
    """Coefficient of thermal expansion at a temperature, -(d rho/d t)/rho, from OIML R 22.

    Not to be mixed up with the mean coefficient from 15 to 50 degC that filling rules use
    (:mod:`bulkflow.alcoholometry.expansion`).

    Parameters
    ----------
    mass_fraction : [0..1].
    temperature : [degC], from -20 to 40.

    Returns
    -------
    Coefficient [1/K], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        As for :func:`density`.

    Examples
    --------
    >>> round(float(cubic_expansion(0.42426, 20.0)) * 1000.0, 3)
    0.812
    """
    p = check_mass_fraction(mass_fraction)
    t = check_temperature(temperature)
    check_liquid(p, t)
    formula = oiml_r22()
    powers = np.arange(1, formula.matrix.shape[0])
    slope = DensityFormula.of(
        formula.matrix[1:] * powers[:, np.newaxis], formula.offset, formula.source
    )
    return unwrap(np.asarray(-evaluate(slope, p, t) / evaluate(formula, p, t)))


def freezing_limit(temperature: ArrayLike) -> FloatOrArray:
    """Least mass fraction that is still liquid at a temperature.

    R 22 starts its tables at the freezing limit but gives no equation. Here it is read off
    handbook freezing points (from memory), less a margin of 1 K so that no liquid mixture is
    refused: a guard against nonsense, not a freezing point to rely on.

    Parameters
    ----------
    temperature : [degC]; 0 is returned from -1 degC up.

    Returns
    -------
    Mass fraction [0..1], float64, of the same shape.

    Examples
    --------
    >>> float(freezing_limit(5.0))
    0.0
    >>> round(float(freezing_limit(-20.0)), 2)
    0.3
    """
    t = np.asarray(temperature, dtype=np.float64) + _FREEZING_MARGIN_K
    limit = np.interp(t, _FREEZING_C[::-1], np.array(_FREEZING_MASS_PCT[::-1]) / 100.0)
    return unwrap(np.asarray(limit, dtype=np.float64))


def check_mass_fraction(mass_fraction: ArrayLike) -> Array:
    """Return mass fractions as float64, all within 0..1."""
    return in_range("mass fraction", mass_fraction, 0.0, 1.0, "kg/kg", RANGE_SOURCE)


def check_temperature(temperature: ArrayLike) -> Array:
    """Return temperatures as float64, all within the range of OIML R 22."""
    return in_range(
        "temperature", temperature, TEMPERATURE_LOW_C, TEMPERATURE_HIGH_C, "degC", RANGE_SOURCE
    )


def check_liquid(p: Array, t: Array) -> None:
    """Raise where a mixture below 0 degC would be part frozen."""
    if not t.size or not p.size or t.min() >= -_FREEZING_MARGIN_K:
        return
    mass_fractions, temperatures = np.broadcast_arrays(p, t)
    limits = np.asarray(freezing_limit(temperatures))
    bad = mass_fractions < limits
    if bad.any():
        low = float(limits[bad][0])
        cold = float(temperatures[bad][0])
        raise_first(
            "mass fraction",
            mass_fractions,
            bad,
            low=low,
            high=1.0,
            unit="kg/kg",
            source=f"{_FREEZING_SOURCE}, at {cold:g} degC",
        )


def evaluate(formula: DensityFormula, p: Array, t: Array) -> Array:
    """Return the polynomial over broadcast, already checked arrays."""
    if t.ndim == 0:
        columns = temperature_columns(formula, t - REFERENCE_C)
        return horner(columns, np.asarray(p - formula.offset))
    mass_fractions, temperatures = np.broadcast_arrays(p, t)
    out = np.empty(mass_fractions.shape)
    flat_p, flat_t, flat_out = mass_fractions.ravel(), temperatures.ravel(), out.reshape(-1)
    for part in blocks(flat_out.size):
        columns = temperature_columns(formula, flat_t[part] - REFERENCE_C)
        flat_out[part] = horner(columns, flat_p[part] - formula.offset)
    return out


def blocks(size: int) -> Iterator[slice]:
    """Yield slices that cover ``size`` elements, short enough to stay in the cache."""
    for start in range(0, size, _BLOCK):
        yield slice(start, min(start + _BLOCK, size))


def temperature_columns(formula: DensityFormula, tau: ArrayLike) -> Coefficients:
    """Return, for each power of the mass fraction, its coefficient at ``tau = t - 20``.

    Plain numbers for one temperature (and kept, since few temperatures are asked for again and
    again), arrays for many.
    """
    if np.ndim(tau) == 0:
        return _columns_at(formula.columns, float(np.asarray(tau)))
    array = np.asarray(tau)
    return [horner(column, array) for column in formula.columns]


@lru_cache(maxsize=256)
def _columns_at(columns: tuple[tuple[float, ...], ...], tau: float) -> tuple[float, ...]:
    """Return the coefficients at one temperature."""
    at = []
    for column in columns:
        total = 0.0
        for coefficient in reversed(column):
            total = total * tau + coefficient
        at.append(total)
    return tuple(at)


def horner(coefficients: Coefficients, x: Array) -> Array:
    """Return sum of coefficients[k] x**k; coefficients may be arrays like x."""
    total = np.full(x.shape, coefficients[-1], dtype=np.float64)
    for coefficient in coefficients[-2::-1]:
        total *= x
        total += coefficient
    return total
