"""Reducing with water and blending: work in mass, since volumes do not add.

Masses and masses of ethanol add up; volumes follow from the density of the result, and the
contraction is what is missing. Mixing warms the liquid: the volumes here are those after it
has come back to the stated temperature.
"""

from __future__ import annotations

from dataclasses import dataclass

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
from bulkflow.alcoholometry.strength import (
    LEAST_STRENGTH,
    check_strength,
    ethanol_density,
    fraction_by_volume,
    mass_fraction_from_strength,
)

__all__ = [
    "Addition",
    "Blend",
    "Reduction",
    "blend",
    "blend_masses",
    "bring_to_strength",
    "reduce",
    "reduce_to_volume",
]

_LEAST_MASS_KG = 1e-9  # what counts as above zero in a blend


@dataclass(frozen=True, slots=True)
class Reduction:
    """Spirit brought down to a target strength with water.

    All volumes [L] are at one temperature; masses [kg] are true masses; each field is a
    float64 or an array of the broadcast shape. ``contraction`` is what goes missing:
    spirit_volume + water_volume - final_volume.
    """

    water_mass: FloatOrArray
    water_volume: FloatOrArray
    final_volume: FloatOrArray
    contraction: FloatOrArray
    spirit_mass: FloatOrArray
    spirit_volume: FloatOrArray
    final_mass: FloatOrArray


@dataclass(frozen=True, slots=True)
class Addition:
    """Spirit brought to a target strength by adding another spirit.

    Volumes [L] at one temperature, true masses [kg], as in :class:`Reduction`.
    """

    added_mass: FloatOrArray
    added_volume: FloatOrArray
    final_volume: FloatOrArray
    contraction: FloatOrArray
    spirit_mass: FloatOrArray
    spirit_volume: FloatOrArray
    final_mass: FloatOrArray


@dataclass(frozen=True, slots=True)
class Blend:
    """What several parts make: masses [kg], volumes [L] at the blend's temperature, LPA [L].

    ``contraction`` is the sum of the parts' volumes, each at the blend's temperature, less
    the volume of the blend.
    """

    mass: FloatOrArray
    mass_fraction: FloatOrArray
    strength: FloatOrArray
    volume: FloatOrArray
    contraction: FloatOrArray
    lpa: FloatOrArray


def reduce(
    volume: ArrayLike,
    strength: ArrayLike,
    target_strength: ArrayLike,
    temperature: ArrayLike = REFERENCE_C,
) -> Reduction:
    """Water to add to a volume of spirit to bring it down to a target strength.

    m_water = m1 (p1/p2 - 1); V2 = (m1 + m_water)/rho(p2, t).

    Parameters
    ----------
    volume : of the spirit [L at the temperature], zero or more.
    strength : of the spirit [% vol at 20 degC].
    target_strength : above 0 and not above ``strength`` [% vol at 20 degC].
    temperature : of spirit, water and result [degC], -20 to 40 (the water must be liquid).

    Returns
    -------
    Reduction : ``water_mass`` [kg], ``water_volume``, ``final_volume``, ``contraction`` [L].

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, NaN and infinities included.

    Examples
    --------
    >>> made = reduce(1000.0, 96.4, 63.5, 20.0)
    >>> round(float(made.water_mass), 2), round(float(made.final_volume), 2)
    (562.27, 1518.11)
    """
    litres = amount("volume", volume, "L")
    t = check_temperature(temperature)
    spirit, target = _down(strength, target_strength)
    mass = litres * _rho(spirit, t) / 1000.0
    return _with_water(mass, litres, spirit, target, t)


def reduce_to_volume(
    final_volume: ArrayLike,
    strength: ArrayLike,
    target_strength: ArrayLike,
    temperature: ArrayLike = REFERENCE_C,
) -> Reduction:
    """Spirit and water that make a wanted final volume of the target strength.

    Parameters
    ----------
    final_volume : wanted [L at the temperature], zero or more.
    strength, target_strength, temperature : as for :func:`reduce`.

    Returns
    -------
    Reduction : as for :func:`reduce`; ``spirit_volume`` is the spirit to take.

    Raises
    ------
    OutOfRangeError
        As for :func:`reduce`.

    Examples
    --------
    >>> round(float(reduce_to_volume(1000.0, 96.3, 70.0).spirit_volume), 0)
    727.0
    """
    litres = amount("final volume", final_volume, "L")
    t = check_temperature(temperature)
    spirit, target = _down(strength, target_strength)
    final_mass = litres * _rho(target, t) / 1000.0
    mass = np.asarray(final_mass * target / spirit)
    return _with_water(mass, 1000.0 * mass / _rho(spirit, t), spirit, target, t)


def bring_to_strength(
    volume: ArrayLike,
    strength: ArrayLike,
    other_strength: ArrayLike,
    target_strength: ArrayLike,
    temperature: ArrayLike = REFERENCE_C,
) -> Addition:
    """Another spirit to add to a volume to bring it to a target between the two strengths.

    Serves let-down of a distillate with neutral spirit, and mending a reduction that came out
    too weak.

    Parameters
    ----------
    volume : of the first spirit [L at the temperature], zero or more.
    strength, other_strength : of the two [% vol at 20 degC].
    target_strength : [% vol at 20 degC], from ``strength`` towards ``other_strength``, which
        itself it must not reach.
    temperature : of both and of the result [degC], -20 to 40.

    Returns
    -------
    Addition : ``added_mass`` [kg], ``added_volume``, ``final_volume``, ``contraction`` [L].

    Raises
    ------
    OutOfRangeError
        Where the target is not on the way, and outside the ranges above.

    Examples
    --------
    >>> made = bring_to_strength(1000.0, 60.0, 96.0, 80.0)
    >>> round(float(made.added_volume), 2), round(float(made.final_volume), 2)
    (1183.09, 2169.71)
    """
    litres = amount("volume", volume, "L")
    t = check_temperature(temperature)
    first, other, wanted = np.broadcast_arrays(
        check_strength(strength), check_strength(other_strength), check_strength(target_strength)
    )
    share = np.where(
        first == other,
        np.where(wanted == first, 0.0, 2.0),
        (wanted - first) / np.where(first == other, 1.0, other - first),
    )
    in_range(
        "target strength, going from the first strength to the other,",
        share,
        0.0,
        float(np.nextafter(1.0, 0.0)),
        "of the way",
        "a blend lies between its parts",
    )
    p1, po, p2 = (np.asarray(mass_fraction_from_strength(q)) for q in (first, other, wanted))
    mass = litres * _rho(p1, t) / 1000.0
    return _add(mass, litres, p1, p2, po, t)


def blend(
    volumes: ArrayLike,
    strengths: ArrayLike,
    temperatures: ArrayLike = REFERENCE_C,
    *,
    blend_temperature: ArrayLike = REFERENCE_C,
) -> Blend:
    """Blend of several parts given by volume; water is a part of strength 0.

    Parameters
    ----------
    volumes : of the parts [L, each at its own temperature], parts along the last axis.
    strengths : of the parts [% vol at 20 degC], broadcast against the former.
    temperatures : of the parts [degC], -20 to 40, broadcast likewise.
    blend_temperature : to which the blend's volume refers [degC], without the parts' axis.

    Returns
    -------
    Blend : fields without the parts' axis.

    Raises
    ------
    OutOfRangeError
        Outside the ranges, NaN and infinities included, and where all volumes are zero.

    Examples
    --------
    >>> made = blend([500.0, 500.0], [100.0, 0.0])
    >>> round(float(made.volume), 1)
    964.6
    """
    litres = amount("volume", volumes, "L")
    t = check_temperature(temperatures)
    strengths_checked = check_strength(strengths)
    p = np.asarray(mass_fraction_from_strength(strengths_checked))
    return blend_masses(
        litres * _rho(p, t) / 1000.0, strengths_checked, blend_temperature=blend_temperature
    )


def blend_masses(
    masses: ArrayLike, strengths: ArrayLike, *, blend_temperature: ArrayLike = REFERENCE_C
) -> Blend:
    """Blend of several parts given by true mass [kg]; otherwise as :func:`blend`."""
    kilograms = amount("mass", masses, "kg")
    q = check_strength(strengths)
    kilograms, q = np.broadcast_arrays(kilograms, q)
    if kilograms.ndim == 0:
        raise ValueError("a blend needs its parts along the last axis, not a single number")
    t = check_temperature(blend_temperature)
    p = np.asarray(mass_fraction_from_strength(q))
    mass = np.asarray(kilograms.sum(axis=-1))
    in_range(
        "mass of the blend",
        mass,
        _LEAST_MASS_KG,
        np.inf,
        "kg",
        "a blend has at least one part",
    )
    # The last digit of the mean may step over 1 when all parts are pure ethanol.
    fraction = np.minimum(np.asarray((kilograms * p).sum(axis=-1)) / mass, 1.0)
    volume = 1000.0 * mass / _rho(fraction, t)
    parts = 1000.0 * kilograms / _rho(p, t[..., np.newaxis] if t.ndim else t)
    return Blend(
        mass=unwrap(mass),
        mass_fraction=unwrap(np.asarray(fraction)),
        strength=unwrap(100.0 * fraction_by_volume(np.asarray(fraction), REFERENCE_C)),
        volume=unwrap(np.asarray(volume)),
        contraction=unwrap(np.asarray(parts.sum(axis=-1) - volume)),
        lpa=unwrap(np.asarray(1000.0 * mass * fraction / ethanol_density(REFERENCE_C))),
    )


def _down(strength: ArrayLike, target_strength: ArrayLike) -> tuple[Array, Array]:
    """Return the mass fractions of spirit and target, the target above 0 and not above it."""
    first, wanted = np.broadcast_arrays(check_strength(strength), check_strength(target_strength))
    if first.size and not (wanted <= first).all():
        bad = np.flatnonzero((wanted > first).ravel())[0]
        in_range(
            "target strength",
            wanted.ravel()[bad],
            LEAST_STRENGTH,
            float(first.ravel()[bad]),
            "% vol",
            "water lowers a strength",
        )
    in_range("target strength", wanted, LEAST_STRENGTH, 100.0, "% vol", RANGE_SOURCE)
    return (
        np.asarray(mass_fraction_from_strength(first)),
        np.asarray(mass_fraction_from_strength(wanted)),
    )


def _rho(p: Array, t: Array) -> Array:
    """Return the density of checked mass fractions and temperatures."""
    check_liquid(p, t)
    return evaluate(oiml_r22(), p, t)


def _with_water(mass: Array, volume: Array, p1: Array, p2: Array, t: Array) -> Reduction:
    """Return what adding water makes: an addition of no strength, under its own names."""
    made = _add(mass, volume, p1, p2, np.asarray(0.0), t)
    return Reduction(
        water_mass=made.added_mass,
        water_volume=made.added_volume,
        final_volume=made.final_volume,
        contraction=made.contraction,
        spirit_mass=made.spirit_mass,
        spirit_volume=made.spirit_volume,
        final_mass=made.final_mass,
    )


def _add(mass: Array, volume: Array, p1: Array, p2: Array, po: Array, t: Array) -> Addition:
    """Return the mass balance: m_o (p2 - po) = m1 (p1 - p2)."""
    # Already there: nothing is added, even where the other spirit is no stronger or weaker.
    gap = np.where(p1 == p2, 1.0, p2 - po)
    # The target lies on the way, so less than nothing is the last digit of two equal strengths.
    added = np.maximum(np.asarray(mass * (p1 - p2) / gap), 0.0)
    added_volume = 1000.0 * added / _rho(po, t)
    final_mass = mass + added
    final_volume = 1000.0 * final_mass / _rho(p2, t)
    return Addition(
        added_mass=unwrap(added),
        added_volume=unwrap(np.asarray(added_volume)),
        final_volume=unwrap(np.asarray(final_volume)),
        contraction=unwrap(np.asarray(volume + added_volume - final_volume)),
        spirit_mass=unwrap(np.asarray(mass)),
        spirit_volume=unwrap(np.asarray(volume)),
        final_mass=unwrap(np.asarray(final_mass)),
    )
