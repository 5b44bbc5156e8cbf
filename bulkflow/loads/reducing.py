"""From high-strength distillate to bottling strength: let-down, water in stages, corrections.

Pure: numbers in, numbers out, all by :mod:`bulkflow.alcoholometry`. Volumes are litres at the
mixing temperature unless a name says ``_20``; masses are true masses. Mixing warms the liquid:
every volume and strength holds once it is back at that temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bulkflow.alcoholometry import (
    REFERENCE_C,
    SIXTY_FAHRENHEIT_C,
    blend_masses,
    bring_to_strength,
    degree_15_from_strength,
    lpa_from_mass,
    mass_from_lpa,
    proof_from_strength,
    reduce,
    strength_from_degree_15,
    strength_from_proof,
    volume_from_mass,
)
from bulkflow.errors import Fault, InputError

__all__ = [
    "Correction",
    "Liquor",
    "Stage",
    "Target",
    "correction",
    "let_down",
    "liquor",
    "on_label",
    "reduce_in_stages",
    "target_of_label",
]


@dataclass(frozen=True, slots=True)
class Liquor:
    """An amount of one liquid: LPA, strength [% vol at 20 degC], kg, litres, litres at 20 degC."""

    lpa: float
    strength_percent: float
    mass_kg: float
    litres: float
    litres_20c: float


@dataclass(frozen=True, slots=True)
class Stage:
    """One addition of water, or of another spirit, and what is there after it."""

    added_kg: float
    added_litres: float
    contraction_litres: float
    after: Liquor


@dataclass(frozen=True, slots=True)
class Target:
    """A strength on a label, and what it is at 20 degC.

    Parameters
    ----------
    label_percent : as on the label, at `reference_c`.
    strength_percent : the same liquid at 20 degC.
    """

    label_percent: float
    reference_c: float
    strength_percent: float


@dataclass(frozen=True, slots=True)
class Correction:
    """What brings a batch that was measured too strong or too weak to its target."""

    measured_percent: float
    kind: Literal["none", "water", "spirit"]
    added_kg: float
    added_litres: float
    after: Liquor


def liquor(lpa: float, strength_percent: float, temperature_c: float) -> Liquor:
    """Return an amount of spirit given by its LPA.

    Raises
    ------
    OutOfRangeError
        Outside the ranges of the formula; a strength of 0 holds no alcohol.

    Examples
    --------
    >>> round(liquor(800.0, 80.0, 20.0).mass_kg, 2)
    859.27
    """
    return _of_mass(float(mass_from_lpa(lpa, strength_percent)), strength_percent, temperature_c)


def target_of_label(label_percent: float, reference_c: float) -> Target:
    """Return what a label's strength is at 20 degC.

    Parameters
    ----------
    reference_c : the legal temperature of the market: 20, 15 (Japan) or 60 degF [degC].

    Raises
    ------
    InputError
        If the temperature is none of those.
    """
    if abs(reference_c - REFERENCE_C) < 1e-9:
        strength = label_percent
    elif abs(reference_c - 15.0) < 1e-9:
        strength = float(strength_from_degree_15(label_percent))
    elif abs(reference_c - SIXTY_FAHRENHEIT_C) < 1e-6:
        strength = float(strength_from_proof(2.0 * label_percent))
    else:
        mend = "Labels refer to 20 degC, 15 degC or 60 degF."
        raise InputError(Fault("", 0, "reference temperature", f"is {reference_c} degC", mend))
    return Target(label_percent, reference_c, strength)


def on_label(strength_percent: float, reference_c: float) -> float:
    """Return what a strength at 20 degC reads on a label that refers to another temperature."""
    if abs(reference_c - REFERENCE_C) < 1e-9:
        return strength_percent
    if abs(reference_c - 15.0) < 1e-9:
        return float(degree_15_from_strength(strength_percent))
    return float(proof_from_strength(strength_percent)) / 2.0


def let_down(spirit: Liquor, others: Sequence[tuple[float, float]], temperature_c: float) -> Stage:
    """Return a distillate let down with neutral spirit.

    Parameters
    ----------
    others : LPA and strength [% vol] of each spirit added.
    """
    added = [liquor(lpa, strength, temperature_c) for lpa, strength in others]
    parts = [spirit, *added]
    made = blend_masses(
        [part.mass_kg for part in parts],
        [part.strength_percent for part in parts],
        blend_temperature=temperature_c,
    )
    after = _of_mass(float(made.mass), float(made.strength), temperature_c)
    litres = sum(part.litres for part in added)
    return Stage(
        sum(part.mass_kg for part in added), litres, spirit.litres + litres - after.litres, after
    )


def reduce_in_stages(
    spirit: Liquor, strengths: Sequence[float], temperature_c: float
) -> list[Stage]:
    """Return the water to add, stage by stage.

    Parameters
    ----------
    strengths : to reach after each stage, falling; the last is the bottling strength.

    Raises
    ------
    OutOfRangeError
        If a strength lies above the one before, or the water would freeze.
    """
    stages = []
    for strength in strengths:
        made = reduce(spirit.litres, spirit.strength_percent, strength, temperature_c)
        after = _of_mass(float(made.final_mass), strength, temperature_c)
        stages.append(
            Stage(float(made.water_mass), float(made.water_volume), float(made.contraction), after)
        )
        spirit = after
    return stages


def correction(
    litres: float,
    measured_percent: float,
    target_percent: float,
    spirit_percent: float,
    temperature_c: float,
) -> Correction:
    """Return what to add to a batch measured too strong (water) or too weak (spirit).

    Parameters
    ----------
    litres : of the batch at the temperature.
    measured_percent, target_percent : [% vol at 20 degC].
    spirit_percent : of the undiluted spirit at hand [% vol at 20 degC], above the target.

    Raises
    ------
    OutOfRangeError
        If the spirit at hand is not stronger than the target.
    """
    if measured_percent > target_percent:
        down = reduce(litres, measured_percent, target_percent, temperature_c)
        after = _of_mass(float(down.final_mass), target_percent, temperature_c)
        return Correction(
            measured_percent, "water", float(down.water_mass), float(down.water_volume), after
        )
    if measured_percent < target_percent:
        up = bring_to_strength(
            litres, measured_percent, spirit_percent, target_percent, temperature_c
        )
        after = _of_mass(float(up.final_mass), target_percent, temperature_c)
        return Correction(
            measured_percent, "spirit", float(up.added_mass), float(up.added_volume), after
        )
    same = reduce(litres, measured_percent, target_percent, temperature_c)
    after = _of_mass(float(same.final_mass), target_percent, temperature_c)
    return Correction(measured_percent, "none", 0.0, 0.0, after)


def _of_mass(mass_kg: float, strength_percent: float, temperature_c: float) -> Liquor:
    return Liquor(
        lpa=float(lpa_from_mass(mass_kg, strength_percent)),
        strength_percent=strength_percent,
        mass_kg=mass_kg,
        litres=float(volume_from_mass(mass_kg, strength_percent, temperature_c)),
        litres_20c=float(volume_from_mass(mass_kg, strength_percent, REFERENCE_C)),
    )
