"""Dilute and rest: how much spirit and water make a sample for nosing, and when to nose it.

Dilution to 20 % vol, covered and rested for 15 minutes, is common practice in the trade. Spirit
and water contract on mixing, so a sample is weighed out, or made up to the mark: adding the
volumes would leave it too strong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from bulkflow.alcoholometry import reduce_to_volume, strength_from_density
from bulkflow.errors import OutOfRangeError
from panels.errors import RangeError

__all__ = [
    "COVER",
    "GLASS",
    "NOSING_STRENGTH_PERCENT",
    "Dilution",
    "NosingWindow",
    "measured_strength",
    "prepare_dilution",
]

NOSING_STRENGTH_PERCENT = 20.0
"""Nosing strength, % vol at 20 degC (common practice)."""

GLASS = "tulip-shaped tasting glass, about 215 ml (the form of ISO 3591), odour-free"
COVER = "watch glass, at once after pouring"

ROUND_UP_ML = 10.0


@dataclass(frozen=True, slots=True)
class NosingWindow:
    """When a poured serving may be nosed, in minutes after pouring.

    Parameters
    ----------
    earliest_minutes : 15 unless the house says otherwise (common practice).
    latest_minutes : after it the head of the glass has changed too much.
    """

    earliest_minutes: int = 15
    latest_minutes: int = 60

    def __post_init__(self) -> None:
        if not 0 <= self.earliest_minutes < self.latest_minutes <= 24 * 60:
            raise RangeError(
                f"A nosing window from {self.earliest_minutes} to {self.latest_minutes} minutes"
                " after pouring cannot be kept. Give an earliest below the latest, in one day."
            )

    def times_after(self, poured: datetime) -> tuple[datetime, datetime]:
        """Earliest and latest time to nose."""
        return (
            poured + timedelta(minutes=self.earliest_minutes),
            poured + timedelta(minutes=self.latest_minutes),
        )

    def words_for(self, poured: datetime, nosed: datetime) -> str:
        """Empty if nosed in time, otherwise how far outside the window."""
        earliest, latest = self.times_after(poured)
        if nosed < earliest:
            return f"nosed {_minutes(earliest - nosed)} min too early"
        if nosed > latest:
            return f"nosed {_minutes(nosed - latest)} min too late"
        return ""


def _minutes(span: timedelta) -> int:
    return math.ceil(span.total_seconds() / 60.0)


@dataclass(frozen=True, slots=True)
class Dilution:
    """One sample brought to nosing strength. All volumes at the temperature stated.

    Attributes
    ----------
    subject : lot or reference standard.
    strength, target_strength : % vol at 20 degC.
    temperature_c : of spirit, water and flask.
    servings, spare, pour_ml : what it is for.
    final_ml : volume made.
    spirit_g, water_g : by mass, true masses.
    spirit_ml : by volume: measure this and make up to ``final_ml`` with water.
    water_ml, contraction_ml : the water that goes in, and what goes missing by mixing.
    """

    subject: str
    strength: float
    target_strength: float
    temperature_c: float
    servings: int
    spare: int
    pour_ml: float
    final_ml: float
    spirit_g: float
    water_g: float
    spirit_ml: float
    water_ml: float
    contraction_ml: float


def measured_strength(density_kg_m3: float, temperature_c: float) -> float:
    """Strength [% vol at 20 degC] from density in vacuum and temperature."""
    return float(strength_from_density(density_kg_m3, temperature_c))


def prepare_dilution(
    subject: str,
    strength: float,
    *,
    servings: int,
    spare: int = 1,
    pour_ml: float = 20.0,
    target_strength: float = NOSING_STRENGTH_PERCENT,
    temperature_c: float = 20.0,
) -> Dilution:
    """Amounts for the servings needed and the spare ones, rounded up to whole 10 ml.

    Parameters
    ----------
    subject : lot or reference standard.
    strength : measured [% vol at 20 degC], at or above the target.
    servings, spare : glasses to pour, and more to be safe.
    pour_ml : per glass.
    target_strength : nosing strength [% vol at 20 degC].
    temperature_c : of everything [degC].

    Raises
    ------
    RangeError : a strength below the target or off the scale, or nothing to pour.

    Examples
    --------
    >>> made = prepare_dilution("lot", 70.0, servings=4, spare=1, pour_ml=20.0)
    >>> made.final_ml, round(made.spirit_ml, 1), round(made.water_g, 1)
    (100.0, 28.6, 72.0)
    """
    if servings < 1 or spare < 0 or not pour_ml > 0:
        raise RangeError(f"{servings} servings of {pour_ml:g} ml of {subject} are nothing to pour.")
    if not target_strength <= strength <= 100.0:
        raise RangeError(
            f"{subject} is given at {strength:g} % vol; diluting to {target_strength:g} % vol needs"
            f" a measured strength from {target_strength:g} to 100. Correct the strength."
        )
    final_ml = math.ceil((servings + spare) * pour_ml / ROUND_UP_ML - 1e-9) * ROUND_UP_ML
    try:
        made = reduce_to_volume(final_ml / 1000.0, strength, target_strength, temperature_c)
    except OutOfRangeError as error:
        raise RangeError(f"{subject}: {error}") from error
    return Dilution(
        subject=subject,
        strength=strength,
        target_strength=target_strength,
        temperature_c=temperature_c,
        servings=servings,
        spare=spare,
        pour_ml=pour_ml,
        final_ml=final_ml,
        spirit_g=1000.0 * float(made.spirit_mass),
        water_g=1000.0 * float(made.water_mass),
        spirit_ml=1000.0 * float(made.spirit_volume),
        water_ml=1000.0 * float(made.water_volume),
        contraction_ml=1000.0 * float(made.contraction),
    )
