"""Confirming a suspected off-note, or clearing it: what a forced-choice test shows.

Enough correct answers confirm the off-note. Few correct answers clear the lot only where they
prove, at the rule's own risk, that no more than the stated share of assessors can tell it from
the reference. Everything between leaves the lot held: a test that merely fails to find a
difference shows nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

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


def judge_confirmation(
    rule: ConfirmationRule, *, assessments: int, correct: int, assessors: int, test: int = 1
) -> Confirmation:
    """Judge a 3-AFC test under the rule.

    Parameters
    ----------
    rule : the confirmation part of the release rule.
    assessments, correct, assessors : answers, those that picked the lot, and who gave them.
    test : the first of this off-note on this lot, or a further one. Past the last that the rule
        allows nothing is left to spend, so nothing is cleared; an off-note is still confirmed.

    Notes
    -----
    Repeated answers of one assessor are pooled for the difference test but not for the
    similarity test (ISO 10399, clause 6.2, says so of the duo-trio test; the reason, that
    repeats do not add people, holds here too).
    """
    needed = _needed(assessments, rule.alpha) if assessments else None
    share, beta = rule.share_of_discriminators, rule.beta_at(test)
    once = assessments == assessors
    most = _most_similar(assessments, share, beta) if beta and once and assessments else None
    counted = f"{correct} of {assessments} answers by {assessors} assessors picked the lot"
    if assessments < rule.fewest_assessments:
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
            f" at a risk of {100 * (beta or 0.0):g} %."
        )
    else:
        finding = ConfirmationFinding.OPEN
        words = f"{counted}: neither confirmed nor shown to be similar, so the lot stays held."
        if beta is not None:
            enough = _enough(share, beta, rule.alpha)
            words += f" Showing similarity takes about {enough} assessors, each answering once."
    return Confirmation(finding, assessments, correct, assessors, needed, most, words)


@cache
def _needed(assessments: int, alpha: float) -> int | None:
    return minimum_correct(CONFIRMATION_TEST, assessments, alpha)


@cache
def _enough(share: float, beta: float, alpha: float) -> int:
    return assessments_for_similarity(CONFIRMATION_TEST, share, beta, alpha=alpha).stable


@cache
def _most_similar(assessments: int, share: float, beta: float) -> int | None:
    """Largest count that shows similarity; a count below guessing shows a faulty test instead."""
    most = maximum_correct(CONFIRMATION_TEST, assessments, share, beta)
    guessing = assessments * ForcedChoice.of(CONFIRMATION_TEST).guess
    return most if most is not None and most >= guessing else None
