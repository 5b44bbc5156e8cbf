"""The inverse of the density formula: density and temperature to mass fraction.

Density falls strictly as the mass fraction rises over the whole range of OIML R 22 (a test
holds it to that), so the root is unique. It is found for whole arrays at once: a start from a
small table, Newton's steps to the last digit, and bisection for any element that Newton's
steps have not settled, so that the answer never rests on the start being good.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from bulkflow.alcoholometry.checking import Array, FloatOrArray, as_floats, raise_first, unwrap
from bulkflow.alcoholometry.coefficients import oiml_r22
from bulkflow.alcoholometry.formula import (
    RANGE_SOURCE,
    REFERENCE_C,
    TEMPERATURE_HIGH_C,
    TEMPERATURE_LOW_C,
    Coefficients,
    blocks,
    check_temperature,
    evaluate,
    freezing_limit,
    horner,
    temperature_columns,
)

__all__ = ["END_TOLERANCE_KG_M3", "mass_fraction_from_density"]

END_TOLERANCE_KG_M3 = 0.005
"""A density past pure water or pure ethanol by no more than this (half the last digit of the
printed tables) is taken as the pure liquid, so that tabulated end values can be read back."""

_TABLE_TEMPERATURES = 61
_TABLE_DENSITIES = 257
_NEWTON_STEPS = 6
_SETTLED = 1e-11  # mass fraction; the round-off of the formula itself is about 1e-12
_BISECTIONS = 52


def mass_fraction_from_density(density: ArrayLike, temperature: ArrayLike) -> FloatOrArray:
    """Mass fraction of ethanol from density in vacuum, by inverting OIML R 22.

    Parameters
    ----------
    density : [kg/m3, in vacuum], between that of water and of ethanol at the temperature.
    temperature : [degC], from -20 to 40, broadcast against the former.

    Returns
    -------
    Mass fraction [0..1], float64, of the broadcast shape; density of it gives the input back
    to about 1e-9 kg/m3.

    Raises
    ------
    OutOfRangeError
        For NaN and infinities, temperatures outside the range, and densities that no liquid
        mixture has at that temperature (ends: see ``END_TOLERANCE_KG_M3``).

    Examples
    --------
    >>> round(float(mass_fraction_from_density(956.42, 13.0)), 3)
    0.31
    """
    t = check_temperature(temperature)
    rho = as_floats("density", density)
    low, high = _density_ends(rho, t)
    return unwrap(_solve(np.asarray(np.minimum(np.maximum(rho, low), high)), t))


def _density_ends(rho: Array, t: Array) -> tuple[Array, Array]:
    """Return the densities of the strongest and weakest liquid at each temperature, checked."""
    low = evaluate(oiml_r22(), np.asarray(1.0), t)
    weakest = np.asarray(freezing_limit(t)) if t.size and t.min() < 0.0 else np.asarray(0.0)
    high = evaluate(oiml_r22(), weakest, t)
    within = (rho >= low - END_TOLERANCE_KG_M3) & (rho <= high + END_TOLERANCE_KG_M3)
    if not np.all(within):
        listed = np.broadcast_arrays(rho, low, high, t, ~within)
        place = np.nonzero(np.atleast_1d(listed[-1]))
        first = [float(np.atleast_1d(array)[place][0]) for array in listed[1:4]]
        raise_first(
            "density",
            listed[0],
            np.asarray(listed[-1]),
            low=first[0],
            high=first[1],
            unit="kg/m3",
            source=f"{RANGE_SOURCE}, ethanol to water at {first[2]:g} degC",
        )
    return low, high


def _solve(rho: Array, t: Array) -> Array:
    """Return the roots, block by block; ``rho`` has the full shape, ``t`` perhaps one value."""
    out = np.empty(rho.shape)
    flat_rho, flat_out = rho.reshape(-1), out.reshape(-1)
    one = temperature_columns(oiml_r22(), t - REFERENCE_C) if t.ndim == 0 else None
    flat_t = np.broadcast_to(t, rho.shape).reshape(-1)
    for part in blocks(flat_out.size):
        temperatures = flat_t[part]
        columns = one or temperature_columns(oiml_r22(), temperatures - REFERENCE_C)
        flat_out[part] = _solve_block(flat_rho[part], temperatures, columns)
    return out


def _solve_block(rho: Array, t: Array, columns: Coefficients) -> Array:
    """Return the roots of one block: table, Newton's steps, bisection for what is left."""
    water, ethanol = columns[0], sum(columns[1:], start=columns[0])  # the sums at p = 0 and 1
    p = _start(np.asarray((rho - ethanol) / (water - ethanol)), t)
    step = np.full(p.shape, np.inf)
    for _ in range(_NEWTON_STEPS):
        value, slope = value_and_slope(columns, p)
        value -= rho
        value /= slope
        refined = np.minimum(np.maximum(p - value, 0.0), 1.0)
        step = np.abs(refined - p)
        p = refined
        if step.max(initial=0.0) <= _SETTLED:
            return p
    left = step > _SETTLED
    rest = temperature_columns(oiml_r22(), t[left] - REFERENCE_C)
    p[left] = _bisect(rest, rho[left])
    return p


def value_and_slope(coefficients: Coefficients, x: Array) -> tuple[Array, Array]:
    """Return a polynomial and its derivative by x, in one pass of Horner's rule."""
    value = np.full(x.shape, coefficients[-1], dtype=np.float64)
    slope = np.zeros_like(value)
    for coefficient in coefficients[-2::-1]:
        slope *= x
        slope += value
        value *= x
        value += coefficient
    return value, slope


def _bisect(columns: Coefficients, rho: Array) -> Array:
    """Return the roots by halving [0, 1]: slow, certain."""
    low, high = np.zeros_like(rho), np.ones_like(rho)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        too_dense = horner(columns, middle) > rho
        low = np.where(too_dense, middle, low)
        high = np.where(too_dense, high, middle)
    return 0.5 * (low + high)


def _start(share: Array, t: Array) -> Array:
    """Return a first guess by bilinear interpolation in a table, good to about 1e-4.

    Parameters
    ----------
    share : where the density lies between those of ethanol (0) and water (1).
    t : [degC], of the same shape.
    """
    table = _start_table()
    rows, columns = table.shape
    x = share * (columns - 1)
    y = (t - TEMPERATURE_LOW_C) / (TEMPERATURE_HIGH_C - TEMPERATURE_LOW_C) * (rows - 1)
    column = np.clip(x.astype(np.intp), 0, columns - 2)
    row = np.clip(y.astype(np.intp), 0, rows - 2)
    x -= column
    y -= row
    flat = table.ravel()
    corner = row * columns + column
    lower = flat[corner] * (1.0 - x) + flat[corner + 1] * x
    upper = flat[corner + columns] * (1.0 - x) + flat[corner + columns + 1] * x
    return np.asarray(lower * (1.0 - y) + upper * y)


@cache
def _start_table() -> Array:
    """Return mass fractions on a grid (temperatures, densities from ethanol up to water).

    Built once, from the formula itself.
    """
    temperatures = np.linspace(TEMPERATURE_LOW_C, TEMPERATURE_HIGH_C, _TABLE_TEMPERATURES)
    fractions = np.linspace(1.0, 0.0, 2_001)
    table = np.empty((_TABLE_TEMPERATURES, _TABLE_DENSITIES))
    for row, temperature in enumerate(temperatures):
        rho = evaluate(oiml_r22(), fractions, np.asarray(temperature))
        table[row] = np.interp(np.linspace(rho[0], rho[-1], _TABLE_DENSITIES), rho, fractions)
    table.flags.writeable = False
    return table
