"""Strength and amounts at other legal temperatures: US proof and gallons, the Japanese degree.

US proof is twice the per cent by volume **at 60 degF**; Japan's degree is the per cent by
volume **at 15 degC**. Half the proof is therefore not quite the strength at 20 degC (100 proof
is 50.061 % vol), and a proof gallon stands for 1.8927 L of pure alcohol counted at 60 degF but
1.9018 L counted at 20 degC. Mixing the two is an error of 0.48 %, so whoever converts proof
gallons says which is meant (:class:`PureAlcoholBasis`).

References
----------
27 CFR 5.11, 19.1 (proof, proof gallon), 30.32 (obscuration), 30.51; Liquor Tax Act (Japan) Art 3.
"""

from __future__ import annotations

from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from bulkflow.alcoholometry.checking import Array, FloatOrArray, amount, as_floats, in_range, unwrap
from bulkflow.alcoholometry.formula import RANGE_SOURCE, REFERENCE_C, check_mass_fraction
from bulkflow.alcoholometry.strength import (
    LEAST_STRENGTH,
    check_strength,
    ethanol_density,
    fraction_by_volume,
    mass_fraction_by_volume,
)

__all__ = [
    "JAPAN_REFERENCE_C",
    "LITRES_PER_US_GALLON",
    "SIXTY_FAHRENHEIT_C",
    "PureAlcoholBasis",
    "apparent_proof",
    "celsius_from_fahrenheit",
    "degree_15_from_strength",
    "fahrenheit_from_celsius",
    "litres_per_proof_gallon",
    "lpa_from_proof_gallons",
    "mass_fraction_from_proof",
    "proof_from_mass_fraction",
    "proof_from_strength",
    "proof_gallons",
    "proof_gallons_from_lpa",
    "strength_from_degree_15",
    "strength_from_proof",
    "true_proof",
    "wine_gallons",
]

SIXTY_FAHRENHEIT_C = (60.0 - 32.0) / 1.8
"""60 degF in degC (15.5556)."""

JAPAN_REFERENCE_C = 15.0

LITRES_PER_US_GALLON = 3.785411784
"""231 cubic inches, exact."""

OBSCURATION_PROOF_PER_GRAM = 4.0
"""0.4 of proof for each 0.1 g of solids in 100 mL (27 CFR 30.32)."""

_SOLIDS_HIGH = 0.6  # g/100 mL; above it the rule gives way to distilling the sample (from memory)
_CFR_PROOF = "27 CFR 5.11: twice the per cent by volume at 60 degF"


class PureAlcoholBasis(Enum):
    """At which temperature the volume of pure alcohol is counted."""

    AT_20_C = "litres of pure alcohol at 20 degC"
    AT_60_F = "litres of pure alcohol at 60 degF"


def celsius_from_fahrenheit(temperature: ArrayLike) -> FloatOrArray:
    """Return degC from degF."""
    return unwrap((as_floats("temperature", temperature) - 32.0) / 1.8)


def fahrenheit_from_celsius(temperature: ArrayLike) -> FloatOrArray:
    """Return degF from degC."""
    return unwrap(as_floats("temperature", temperature) * 1.8 + 32.0)


def mass_fraction_from_proof(proof: ArrayLike) -> FloatOrArray:
    """Mass fraction [0..1] from US proof [0..200, at 60 degF]."""
    return unwrap(mass_fraction_by_volume(_check_proof(proof) / 200.0, SIXTY_FAHRENHEIT_C))


def proof_from_mass_fraction(mass_fraction: ArrayLike) -> FloatOrArray:
    """US proof [0..200, at 60 degF] from mass fraction [0..1]."""
    p = check_mass_fraction(mass_fraction)
    return unwrap(200.0 * fraction_by_volume(p, SIXTY_FAHRENHEIT_C))


def strength_from_proof(proof: ArrayLike) -> FloatOrArray:
    """Strength at 20 degC from US proof at 60 degF.

    Parameters
    ----------
    proof : [0..200], scalar or array.

    Returns
    -------
    Strength [% vol at 20 degC], float64, of the same shape: not half the proof.

    Raises
    ------
    OutOfRangeError
        Outside 0..200, NaN included.

    Examples
    --------
    >>> round(float(strength_from_proof(100.0)), 3)
    50.061
    """
    p = np.asarray(mass_fraction_from_proof(proof))
    return unwrap(100.0 * fraction_by_volume(p, REFERENCE_C))


def proof_from_strength(strength: ArrayLike) -> FloatOrArray:
    """US proof at 60 degF from strength [% vol at 20 degC]; inverse of strength_from_proof."""
    return unwrap(200.0 * _at(SIXTY_FAHRENHEIT_C, strength))


def degree_15_from_strength(strength: ArrayLike) -> FloatOrArray:
    """Per cent by volume at 15 degC (the Japanese degree) from strength [% vol at 20 degC].

    Examples
    --------
    >>> round(float(degree_15_from_strength(40.0)), 3)
    39.923
    """
    return unwrap(100.0 * _at(JAPAN_REFERENCE_C, strength))


def strength_from_degree_15(degree: ArrayLike) -> FloatOrArray:
    """Strength [% vol at 20 degC] from per cent by volume at 15 degC (the Japanese degree)."""
    fraction = in_range("degree", degree, 0.0, 100.0, "% vol at 15 degC", RANGE_SOURCE) / 100.0
    p = mass_fraction_by_volume(fraction, JAPAN_REFERENCE_C)
    return unwrap(100.0 * fraction_by_volume(p, REFERENCE_C))


def litres_per_proof_gallon(basis: PureAlcoholBasis) -> float:
    """Litres of pure alcohol in one proof gallon, on the stated basis.

    Half a US gallon of ethanol at 60 degF; counted at 20 degC the same ethanol takes
    rho(1, 60 degF)/rho(1, 20 degC) times as much room.

    Examples
    --------
    >>> round(litres_per_proof_gallon(PureAlcoholBasis.AT_60_F), 4)
    1.8927
    >>> round(litres_per_proof_gallon(PureAlcoholBasis.AT_20_C), 4)
    1.9018
    """
    at_60_f = LITRES_PER_US_GALLON / 2.0
    if basis is PureAlcoholBasis.AT_60_F:
        return at_60_f
    return at_60_f * ethanol_density(SIXTY_FAHRENHEIT_C) / ethanol_density(REFERENCE_C)


def proof_gallons(gallons: ArrayLike, proof: ArrayLike) -> FloatOrArray:
    """Proof gallons in wine (US) gallons measured at 60 degF: gallons x proof / 100."""
    return unwrap(amount("volume", gallons, "US gal") * _check_proof(proof) / 100.0)


def wine_gallons(proof_gallons: ArrayLike, proof: ArrayLike) -> FloatOrArray:
    """Wine gallons at 60 degF that hold an amount of proof gallons; proof above 0."""
    strength = in_range("proof", proof, 2.0 * LEAST_STRENGTH, 200.0, "proof", _CFR_PROOF)
    return unwrap(100.0 * amount("proof gallons", proof_gallons, "proof gal") / strength)


def lpa_from_proof_gallons(proof_gallons: ArrayLike, basis: PureAlcoholBasis) -> FloatOrArray:
    """Litres of pure alcohol, on the stated basis, in an amount of proof gallons.

    Parameters
    ----------
    proof_gallons : zero or more.
    basis : at which temperature the litres are counted; the books of this package are AT_20_C.

    Returns
    -------
    Litres of pure alcohol, float64, of the same shape.

    Raises
    ------
    OutOfRangeError
        For amounts below zero, NaN and infinities.
    """
    found = amount("proof gallons", proof_gallons, "proof gal")
    return unwrap(found * litres_per_proof_gallon(basis))


def proof_gallons_from_lpa(lpa: ArrayLike, basis: PureAlcoholBasis) -> FloatOrArray:
    """Proof gallons from litres of pure alcohol counted on the stated basis."""
    return unwrap(amount("pure alcohol", lpa, "L") / litres_per_proof_gallon(basis))


def true_proof(apparent: ArrayLike, solids: ArrayLike) -> FloatOrArray:
    """Correct to true proof the apparent proof of spirit with dissolved solids (27 CFR 30.32).

    Each 0.1 g of solids in 100 mL lowers the reading of a hydrometer by 0.4 of proof.

    Parameters
    ----------
    apparent : proof as read, corrected for temperature [0..200].
    solids : [g per 100 mL], 0..0.6; richer spirit is distilled before it is read.

    Returns
    -------
    True proof, float64, of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, and where the sum passes 200 proof.

    Examples
    --------
    >>> float(true_proof(80.0, 0.1))
    80.4
    """
    return unwrap(_check_proof(_check_proof(apparent) + _obscuration(solids)))


def apparent_proof(true: ArrayLike, solids: ArrayLike) -> FloatOrArray:
    """Proof that a hydrometer shows in spirit with solids; inverse of :func:`true_proof`."""
    return unwrap(_check_proof(_check_proof(true) - _obscuration(solids)))


def _obscuration(solids: ArrayLike) -> Array:
    found = in_range("solids", solids, 0.0, _SOLIDS_HIGH, "g/100 mL", "27 CFR 30.32")
    return OBSCURATION_PROOF_PER_GRAM * found


def _check_proof(proof: ArrayLike) -> Array:
    return in_range("proof", proof, 0.0, 200.0, "proof", _CFR_PROOF)


def _at(reference_c: float, strength: ArrayLike) -> Array:
    """Return the volume fraction at another reference temperature."""
    p = mass_fraction_by_volume(check_strength(strength) / 100.0, REFERENCE_C)
    return fraction_by_volume(p, reference_c)
