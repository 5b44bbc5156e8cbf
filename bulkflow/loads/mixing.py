"""What lots make together in a tank: strength, litres and mass, from LPA and strengths alone.

Masses of ethanol add up, so LPA do too; strength and volume follow from the mixture. One lot is
taken at its own strength, without arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from bulkflow.alcoholometry import blend_masses, mass_from_lpa, volume_from_lpa
from bulkflow.loads.bodies import LoadPart, LotShare

__all__ = ["Mixture", "mix", "part_of"]

_STEP = Decimal("0.001")


@dataclass(frozen=True, slots=True)
class Mixture:
    """Unrounded: LPA, strength [% vol at 20 degC], litres at 20 degC, true mass [kg]."""

    lpa: float
    strength_percent: float
    litres_20c: float
    mass_kg: float


def mix(shares: Sequence[tuple[Decimal, Decimal]]) -> Mixture:
    """Return what (LPA, strength) pairs make together.

    Raises
    ------
    OutOfRangeError
        For strengths of 0 or outside 0..100.
    """
    masses = [float(mass_from_lpa(float(lpa), float(strength))) for lpa, strength in shares]
    lpa = float(sum((lpa for lpa, _ in shares), Decimal(0)))
    strengths = {strength for _, strength in shares}
    if len(strengths) == 1:
        strength = float(strengths.pop())
    else:
        strength = float(blend_masses(masses, [float(one) for _, one in shares]).strength)
    return Mixture(lpa, strength, float(volume_from_lpa(lpa, strength)), sum(masses))


def part_of(part: LoadPart, shares: Sequence[LotShare]) -> LoadPart:
    """Return a part with these shares, its LPA, strength and litres following from them."""
    made = mix([(share.lpa, share.strength_percent) for share in shares])
    return part.model_copy(
        update={
            "shares": tuple(shares),
            "lpa": sum((share.lpa for share in shares), Decimal(0)),
            "strength_percent": _rounded(made.strength_percent),
            "litres_20c": _rounded(made.litres_20c),
        }
    )


def _rounded(value: float) -> Decimal:
    return Decimal(repr(value)).quantize(_STEP, rounding=ROUND_HALF_UP)
