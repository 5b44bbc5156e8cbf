"""Mean expansion from 15 to 50 degC, as the rules on filling tanks ask for it.

    alpha = (d15 - d50) / (35 d50)

OIML R 22 stops at 40 degC, so d50 is either the supplier's or extrapolated, and says which.

References
----------
ADR 4.3.2.2.1 and 4.2.1.9.4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bulkflow.alcoholometry.checking import FloatOrArray, in_range, unwrap
from bulkflow.alcoholometry.formula import density, density_extrapolated
from bulkflow.alcoholometry.strength import mass_fraction_from_strength

__all__ = [
    "CAUTIOUS_ALPHA",
    "CAUTIOUS_FROM_STRENGTH",
    "FillingExpansion",
    "filling_expansion",
    "mean_expansion",
    "mean_expansion_extrapolated",
]

CAUTIOUS_ALPHA = 1.15e-3
"""Used for all strengths from 90 % vol up [1/K]: a little above the extrapolated values, which
would even fall again near 97 % vol, an artefact of carrying the polynomial on."""

CAUTIOUS_FROM_STRENGTH = 90.0

_COLD_C, _HOT_C = 15.0, 50.0
_RULE = "alpha = (d15 - d50)/(35 d50), ADR 4.3.2.2.1"


@dataclass(frozen=True, slots=True)
class FillingExpansion:
    """A mean coefficient of expansion [1/K] and what it rests on."""

    alpha: float
    extrapolated: bool
    basis: str


def mean_expansion(density_15: ArrayLike, density_50: ArrayLike) -> FloatOrArray:
    """Mean coefficient of cubic expansion from the densities at 15 and 50 degC.

    Parameters
    ----------
    density_15, density_50 : [kg/m3, both in vacuum or both in air], 500..1500; the second
        not above the first.

    Returns
    -------
    Alpha [1/K] = (d15 - d50)/(35 d50), float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, NaN included.

    Examples
    --------
    >>> round(float(mean_expansion(811.73, 780.9)), 6)
    0.001128
    """
    source = "liquids of this trade"
    cold = in_range("density at 15 degC", density_15, 500.0, 1500.0, "kg/m3", source)
    hot = in_range("density at 50 degC", density_50, 500.0, 1500.0, "kg/m3", source)
    in_range("density at 15 degC less that at 50 degC", cold - hot, 0.0, 1000.0, "kg/m3", _RULE)
    return unwrap(np.asarray((cold - hot) / ((_HOT_C - _COLD_C) * hot)))


def mean_expansion_extrapolated(strength: ArrayLike) -> FloatOrArray:
    """Mean coefficient of expansion, 15 to 50 degC, with d50 extrapolated from OIML R 22.

    Outside the formula's range, as the name says. For filling tanks use
    :func:`filling_expansion`, which is cautious where this is doubtful.

    Parameters
    ----------
    strength : [% vol at 20 degC], 0..100.

    Returns
    -------
    Alpha [1/K], float64, of the same shape.

    Raises
    ------
    OutOfRangeError
        Outside 0..100, NaN included.

    Examples
    --------
    >>> round(float(mean_expansion_extrapolated(40.0)), 6)
    0.000769
    """
    p = mass_fraction_from_strength(strength)
    return mean_expansion(density(p, _COLD_C), density_extrapolated(p, _HOT_C))


def filling_expansion(
    strength: float, *, density_15: float | None = None, density_50: float | None = None
) -> FillingExpansion:
    """Return the coefficient to fill a tank by: the supplier's densities, else a cautious value.

    Parameters
    ----------
    strength : [% vol at 20 degC], 0..100.
    density_15, density_50 : the supplier's [kg/m3]; both or neither.

    Returns
    -------
    FillingExpansion : alpha [1/K], whether it was extrapolated, and its basis in words.

    Raises
    ------
    OutOfRangeError
        Outside the ranges.
    ValueError
        If only one of the densities is given.

    Examples
    --------
    >>> filling_expansion(96.0).alpha
    0.00115
    """
    if (density_15 is None) != (density_50 is None):
        raise ValueError("give the densities at 15 and at 50 degC together, or neither")
    computed = float(mean_expansion_extrapolated(strength))
    if density_15 is not None and density_50 is not None:
        alpha = float(mean_expansion(density_15, density_50))
        return FillingExpansion(
            alpha,
            extrapolated=False,
            basis=f"supplier's densities {density_15:g} kg/m3 at 15 and {density_50:g} at 50 degC",
        )
    if strength >= CAUTIOUS_FROM_STRENGTH:
        return FillingExpansion(
            CAUTIOUS_ALPHA,
            extrapolated=True,
            basis=f"cautious value for {CAUTIOUS_FROM_STRENGTH:g} % vol and above, over the"
            " extrapolation of OIML R 22 to 50 degC",
        )
    return FillingExpansion(
        computed,
        extrapolated=True,
        basis="OIML R 22, extrapolated from 40 to 50 degC (outside its range)",
    )
