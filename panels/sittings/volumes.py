"""How much undiluted spirit the panel needs of a lot, over its whole way under a rule."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy.orm import Session

from panels.preparation.dilution import NOSING_STRENGTH_PERCENT, prepare_dilution
from panels.records import Sitting
from panels.release.register import rule_of_record
from panels.release.rule import ReleaseRule
from panels.sittings.course import Courses
from panels.sittings.sheets import preparation_of

__all__ = ["SpiritNeeded", "spirit_lines", "spirit_needed"]

CONFIRMED_NOTES = 1
"""Off-notes of one lot for whose confirmation spirit is kept; two are rare."""


@dataclass(frozen=True, slots=True)
class SpiritNeeded:
    """Undiluted spirit of one lot [ml at 20 degC].

    Attributes
    ----------
    sitting_ml : for the first sitting, with a blind repeat and spare glasses.
    again_ml : for every retest that the rule still allows.
    confirming_ml : for every confirmation of an off-note that it allows.
    """

    sitting_ml: float
    again_ml: float
    confirming_ml: float

    @property
    def total_ml(self) -> float:
        """All of it, to the next 10 ml."""
        return -(-(self.sitting_ml + self.again_ml + self.confirming_ml) // 10.0) * 10.0

    @property
    def words(self) -> str:
        """What it is for."""
        parts = [f"sitting {self.sitting_ml:.0f} ml"]
        parts += [f"retests {self.again_ml:.0f} ml"] if self.again_ml else []
        return ", ".join([*parts, f"confirmation {self.confirming_ml:.0f} ml"])


def spirit_needed(
    lot: str,
    strength: float,
    rule: ReleaseRule,
    *,
    assessors: int,
    repeats: int = 1,
    sat: int = 0,
    spare: int = 1,
    pour_ml: float = 20.0,
    target_strength: float = NOSING_STRENGTH_PERCENT,
) -> SpiritNeeded:
    """Count what the rule may ask of a lot.

    Parameters
    ----------
    strength : of the lot [% vol at 20 degC].
    assessors, repeats, spare : at a sitting; repeats are glasses beside the judged one.
    sat : how many sittings have judged it already.
    pour_ml, target_strength : of a glass.

    Raises
    ------
    RangeError : a strength that cannot be diluted to the target.
    """

    def spirit(glasses: int) -> float:
        made = prepare_dilution(
            lot,
            strength,
            servings=glasses,
            spare=spare,
            pour_ml=pour_ml,
            target_strength=target_strength,
        )
        return made.spirit_ml

    once = spirit(assessors * (1 + repeats))
    follow, assumed = rule.off_notes.confirmation, rule.assumptions
    sets = assumed.confirmation_sets * assumed.confirmation_assessors
    tests = CONFIRMED_NOTES * follow.tests
    fewest = max(sets, follow.fewest_assessments)
    return SpiritNeeded(once, max(0, rule.retests - sat) * once, tests * spirit(fewest))


def spirit_lines(session: Session, sitting: Sitting) -> Iterator[str]:
    """Say how much of each lot to bring, and to keep for what may follow."""
    rules = {
        used.liquid: rule_of_record(session, used.liquid, used.record) for used in sitting.rules
    }
    courses = Courses(session)
    made = {dilution.subject: dilution.spirit_ml for dilution in preparation_of(sitting)}
    for lot in sitting.lots:
        later = spirit_needed(
            lot.lot,
            lot.strength,
            rules[lot.liquid].rule,
            assessors=len(sitting.assessors),
            sat=0 if (course := courses.find(lot.lot)) is None else course.standing.look,
            spare=sitting.spare_servings,
            pour_ml=sitting.pour_ml,
            target_strength=sitting.target_strength,
        )
        keep = [f"{later.again_ml:.0f} ml for a retest"] if later.again_ml else []
        keep.append(f"{later.confirming_ml:.0f} ml for a confirmation")
        yield (
            f"{lot.lot}: {made[lot.lot]:.0f} ml undiluted for {lot.glasses} glasses and the spare"
            f" ones; keep {', '.join(keep)}"
        )
