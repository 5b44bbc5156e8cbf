"""From what instruments show to true strength, density and mass: glass, air and weights.

* A glass alcoholometer swells with heat, so away from its own temperature it shows a little
  too much alcohol or too little: the glass convention is a named constant.
* A density "in air" and a weighing leave out the air that the liquid displaces; which air and
  which weights were agreed on is a :class:`WeighingConvention`.

References
----------
ISO 1768:1975 (glass); OIML D 28 (2004), conventional value of the result of weighing in air.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from bulkflow.alcoholometry.checking import Array, FloatOrArray, amount, in_range, unwrap
from bulkflow.alcoholometry.coefficients import oiml_r22
from bulkflow.alcoholometry.formula import (
    RANGE_SOURCE,
    REFERENCE_C,
    check_liquid,
    check_temperature,
    evaluate,
)
from bulkflow.alcoholometry.inverse import mass_fraction_from_density
from bulkflow.alcoholometry.proof import SIXTY_FAHRENHEIT_C
from bulkflow.alcoholometry.strength import (
    fraction_by_volume,
    mass_fraction_by_volume,
    mass_fraction_from_strength,
)

__all__ = [
    "GLASS_EXPANSION",
    "INDIA",
    "OIML_D28",
    "HydrometerScale",
    "WeighingConvention",
    "density_in_air",
    "density_in_vacuum",
    "hydrometer_from_strength",
    "mass_fraction_from_hydrometer",
    "mass_from_weighing",
    "proof_from_hydrometer",
    "strength_from_hydrometer",
    "weighing_from_mass",
]

GLASS_EXPANSION = 25e-6
"""Cubic expansion of hydrometer glass, conventional value of ISO 1768 [1/K]."""

_GLASS_HIGH = 1e-4  # steel is 35e-6 to 50e-6; more is a wrong unit


class HydrometerScale(Enum):
    """Which per cent a glass hydrometer shows, and at which temperature it is right [degC]."""

    VOL_20_C = REFERENCE_C
    VOL_60_F = SIXTY_FAHRENHEIT_C


@dataclass(frozen=True, slots=True)
class WeighingConvention:
    """The air and the weights that a weight or a density in air was agreed for [kg/m3]."""

    air_density: float
    weight_density: float
    source: str

    def __post_init__(self) -> None:
        """Refuse densities that no air and no weights have."""
        in_range("air density", self.air_density, 0.0, 2.0, "kg/m3", self.source)
        in_range("density of the weights", self.weight_density, 1e3, 2.5e4, "kg/m3", self.source)


OIML_D28 = WeighingConvention(1.2, 8000.0, "OIML D 28, conventional mass")
INDIA = WeighingConvention(1.177, 7300.0, "IS 2302:1989")


def mass_fraction_from_hydrometer(
    reading: ArrayLike,
    temperature: ArrayLike,
    *,
    scale: HydrometerScale = HydrometerScale.VOL_20_C,
    glass_expansion: float = GLASS_EXPANSION,
) -> FloatOrArray:
    """Mass fraction from a glass alcoholometer; arguments as strength_from_hydrometer."""
    b = in_range("glass expansion", glass_expansion, 0.0, _GLASS_HIGH, "1/K", "ISO 1768")
    t = check_temperature(temperature)
    shown = in_range("hydrometer reading", reading, 0.0, 100.0, "% vol", RANGE_SOURCE)
    p_shown = mass_fraction_by_volume(shown / 100.0, scale.value)
    on_scale = evaluate(oiml_r22(), p_shown, np.asarray(scale.value))
    return mass_fraction_from_density(on_scale / (1.0 + b * (t - scale.value)), t)


def strength_from_hydrometer(
    reading: ArrayLike,
    temperature: ArrayLike,
    *,
    scale: HydrometerScale = HydrometerScale.VOL_20_C,
    glass_expansion: float = GLASS_EXPANSION,
) -> FloatOrArray:
    """Correct to true strength the reading of a glass alcoholometer at any temperature.

    The reading stands for a density at the scale's temperature t0; at t the glass has swollen
    and the true density is rho_scale / (1 + b (t - t0)).

    Parameters
    ----------
    reading : as shown [% vol at the scale's temperature], 0..100.
    temperature : of instrument and liquid [degC], -20 to 40.
    scale : graduated at 20 degC (default) or at 60 degF.
    glass_expansion : b [1/K], 0 to 1e-4; the conventional value of ISO 1768 by default.

    Returns
    -------
    Strength [% vol **at 20 degC**, whatever the scale], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, and where no mixture has the density that was read.

    Examples
    --------
    >>> round(float(strength_from_hydrometer(40.0, 25.0)), 2)
    37.99
    """
    p = mass_fraction_from_hydrometer(
        reading, temperature, scale=scale, glass_expansion=glass_expansion
    )
    return unwrap(100.0 * fraction_by_volume(np.asarray(p), REFERENCE_C))


def proof_from_hydrometer(
    reading: ArrayLike, temperature: ArrayLike, *, glass_expansion: float = GLASS_EXPANSION
) -> FloatOrArray:
    """Correct to true US proof (at 60 degF) the reading of a glass proof hydrometer.

    Parameters
    ----------
    reading : as shown [proof, scale right at 60 degF], 0..200.
    temperature : of instrument and liquid [degC], -20 to 40.
    glass_expansion : [1/K].

    Returns
    -------
    Proof, float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        As for :func:`strength_from_hydrometer`.

    Examples
    --------
    >>> round(float(proof_from_hydrometer(193.0, (75 - 32) / 1.8)), 2)
    189.46
    """
    shown = in_range("hydrometer reading", reading, 0.0, 200.0, "proof", "27 CFR 30.61")
    p = mass_fraction_from_hydrometer(
        shown / 2.0, temperature, scale=HydrometerScale.VOL_60_F, glass_expansion=glass_expansion
    )
    return unwrap(200.0 * fraction_by_volume(np.asarray(p), SIXTY_FAHRENHEIT_C))


def hydrometer_from_strength(
    strength: ArrayLike,
    temperature: ArrayLike,
    *,
    scale: HydrometerScale = HydrometerScale.VOL_20_C,
    glass_expansion: float = GLASS_EXPANSION,
) -> FloatOrArray:
    """Return what a glass alcoholometer shows in spirit of known strength.

    The inverse of :func:`strength_from_hydrometer`.

    Parameters
    ----------
    strength : true strength [% vol at 20 degC].
    temperature : of instrument and liquid [degC], -20 to 40.
    scale, glass_expansion : as for :func:`strength_from_hydrometer`.

    Returns
    -------
    Reading [% vol at the scale's temperature], float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        Outside the ranges, and where the scale does not reach (warm spirit near 100 %).
    """
    b = in_range("glass expansion", glass_expansion, 0.0, _GLASS_HIGH, "1/K", "ISO 1768")
    p = np.asarray(mass_fraction_from_strength(strength))
    t = check_temperature(temperature)
    check_liquid(p, t)
    on_scale = evaluate(oiml_r22(), p, t) * (1.0 + b * (t - scale.value))
    shown = np.asarray(mass_fraction_from_density(on_scale, scale.value))
    return unwrap(100.0 * fraction_by_volume(shown, scale.value))


def density_in_air(
    density: ArrayLike, *, convention: WeighingConvention = OIML_D28
) -> FloatOrArray:
    """Density in air from density in vacuum: (rho - a) / (1 - a/w).

    Parameters
    ----------
    density : in vacuum [kg/m3], 500..1500.
    convention : air density a and density of the weights w; OIML D 28 by default.

    Returns
    -------
    Density in air [kg/m3], float64, of the same shape; for spirit about 1.05 to 1.08 less.

    Raises
    ------
    OutOfRangeError
        Outside the range above, NaN included.

    Examples
    --------
    >>> round(float(density_in_air(789.2391)), 2)
    788.16
    """
    a, w = convention.air_density, convention.weight_density
    return unwrap((_check_density(density) - a) / (1.0 - a / w))


def density_in_vacuum(
    density_in_air: ArrayLike, *, convention: WeighingConvention = OIML_D28
) -> FloatOrArray:
    """Density in vacuum [kg/m3] from density in air; inverse of :func:`density_in_air`."""
    a, w = convention.air_density, convention.weight_density
    return unwrap(_check_density(density_in_air) * (1.0 - a / w) + a)


def mass_from_weighing(
    scale_reading: ArrayLike, density: ArrayLike, *, convention: WeighingConvention = OIML_D28
) -> FloatOrArray:
    """Correct what a scale shows to true mass: allow for the air that the liquid displaces.

    Parameters
    ----------
    scale_reading : net weight as shown [kg], zero or more.
    density : of the liquid, in vacuum [kg/m3], 500..1500, at the temperature of the weighing.
    convention : air and weights; OIML D 28 by default.

    Returns
    -------
    True mass [kg] = reading (1 - a/w)/(1 - a/rho), float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, NaN included.

    Examples
    --------
    >>> round(float(mass_from_weighing(20_000.0, 807.42)), 1)
    20026.8
    """
    return unwrap(amount("weight", scale_reading, "kg") * _buoyancy(density, convention))


def weighing_from_mass(
    mass: ArrayLike, density: ArrayLike, *, convention: WeighingConvention = OIML_D28
) -> FloatOrArray:
    """Return what a scale shows [kg] for a true mass [kg]: mass_from_weighing turned round."""
    return unwrap(amount("mass", mass, "kg") / _buoyancy(density, convention))


def _buoyancy(density: ArrayLike, convention: WeighingConvention) -> Array:
    a, w = convention.air_density, convention.weight_density
    return np.asarray((1.0 - a / w) / (1.0 - a / _check_density(density)))


def _check_density(density: ArrayLike) -> Array:
    return in_range("density", density, 500.0, 1500.0, "kg/m3", "liquids of this trade")
