"""Confirming a suspected off-note, or clearing it: what a forced-choice test shows.

Enough correct answers confirm the off-note. Few correct answers clear the lot only where they
prove, at the rule's own risk, that no more than the stated share of assessors can tell it from
the reference. Everything between leaves the lot held: a test that merely fails to find a
difference shows nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from panels.methods.discrimination import minimum_correct
from panels.methods.protocols import ForcedChoice
from panels.methods.similarity import assessments_for_similarity, maximum_correct
from panels.release.rule import ConfirmationRule

__all__ = ["CONFIRMATION_TEST", "Confirmation", "ConfirmationFinding", "judge_confirmation"]

CONFIRMATION_TEST = "3-AFC"
"""'Which of the three has the off-note?'"""


class ConfirmationFinding(StrEnum):
    """What a confirmation shows."""

    CONFIRMED = "confirmed"
    SIMILAR = "similar"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Confirmation:
    """The finding and the counts behind it.

    Attributes
    ----------
    assessments, correct : answers, and those that picked the lot.
    assessors : how many people gave them.
    needed : correct answers from which the off-note is confirmed; None if no number would do.
    most_similar : correct answers up to which the lot is similar; None if assessors answered
        more than once, or too few did for a number that is not below guessing.
    words : the finding in a sentence.
    """

    finding: ConfirmationFinding
    assessments: int
    correct: int
    assessors: int
    needed: int | None
    most_similar: int | None
    words: str


def judge_confirmation(rule: ConfirmationRule, answers: Mapping[str, list[bool]]) -> Confirmation:
    """Judge a 3-AFC test under the rule.

    Parameters
    ----------
    rule : the confirmation part of the release rule.
    answers : by assessor, whether each answer picked the lot.

    Notes
    -----
    Repeated answers of one assessor are pooled for the difference test but not for the
    similarity test (ISO 10399, clause 6.2, says so of the duo-trio test; the reason, that
    repeats do not add people, holds here too).
    """
    picks = [pick for own in answers.values() for pick in own]
    correct, total, people = sum(picks), len(picks), len(answers)
    needed = minimum_correct(CONFIRMATION_TEST, total, rule.alpha) if total else None
    share = rule.share_of_discriminators
    most = _most_similar(rule, answers, total)
    counted = f"{correct} of {total} answers by {people} assessors picked the lot"
    if total < rule.fewest_assessments:
        finding = ConfirmationFinding.OPEN
        words = (
            f"{counted}; the rule draws no conclusion from fewer than {rule.fewest_assessments}."
        )
    elif needed is not None and correct >= needed:
        finding = ConfirmationFinding.CONFIRMED
        words = f"{counted}, where {needed} confirm the off-note at {100 * rule.alpha:g} %."
    elif most is not None and correct <= most:
        finding = ConfirmationFinding.SIMILAR
        words = (
            f"{counted}, where {most} or fewer show that no more than {100 * share:g} % can tell,"
            f" at a risk of {100 * rule.beta:g} %."
        )
    else:
        finding = ConfirmationFinding.OPEN
        enough = assessments_for_similarity(CONFIRMATION_TEST, share, rule.beta, alpha=rule.alpha)
        words = (
            f"{counted}: neither confirmed nor shown to be similar, so the lot stays held. Showing"
            f" similarity takes about {enough.stable} assessors, each answering once."
        )
    return Confirmation(finding, total, correct, people, needed, most, words)


def _most_similar(
    rule: ConfirmationRule, answers: Mapping[str, list[bool]], total: int
) -> int | None:
    """Largest count that shows similarity; a count below guessing shows a faulty test instead."""
    if not total or any(len(own) != 1 for own in answers.values()):
        return None
    most = maximum_correct(CONFIRMATION_TEST, total, rule.share_of_discriminators, rule.beta)
    guessing = total * ForcedChoice.of(CONFIRMATION_TEST).guess
    return most if most is not None and most >= guessing else None
