"""An off-note suspected in a lot: asked of those who can notice it.

Directed 3-AFC, "which of the three has the off-note?". Only assessors count whose record shows
that they notice this off-note: the guesses of the others would hide what a sensitive minority
finds, and would "prove" a similarity that nobody fit to judge has seen. Their answers are shown
beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bulkflow.errors import Fault, InputError
from bulkflow.reading.rows import read_sheet
from panels.assessors.sensitivity import (
    ForcedChoiceRecord,
    forced_choice_record,
    most_sensitive_first,
)
from panels.methods.discrimination import exact_limits, p_value
from panels.methods.protocols import ForcedChoice
from panels.release.confirmation import CONFIRMATION_TEST, Confirmation, judge_confirmation
from panels.uses.answers import Answer, Answers, read_answers
from panels.uses.declaration import OffNoteUseRule

__all__ = [
    "GroupAnswers",
    "OffNoteResult",
    "judge_off_note",
    "read_note_answers",
    "read_records",
]


@dataclass(frozen=True, slots=True)
class GroupAnswers:
    """Answers of one group of assessors, with the exact p-value and limits of the share right."""

    assessors: tuple[str, ...]
    assessments: int
    correct: int
    p_value: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class OffNoteResult:
    """The finding among the sensitive, and how the others answered.

    ``order`` is in whom to ask first: all assessors with a record, the most sensitive first.
    """

    finding: str
    confirmation: Confirmation | None
    sensitive: GroupAnswers
    others: GroupAnswers
    order: tuple[str, ...]
    remarks: tuple[str, ...]
    words: str


def read_records(path: Path) -> tuple[ForcedChoiceRecord, ...]:
    """Return records of directed tests: columns assessor, off_note, correct, trials.

    Raises
    ------
    InputError
        With every fault: unknown columns, doubled rows, counts that cannot be.
    """
    columns = ("assessor", "off_note", "correct", "trials")
    sheet = read_sheet(path, "records", needed=columns, known=columns)
    records: list[ForcedChoiceRecord] = []
    seen: dict[tuple[str, str], int] = {}
    for row in sheet.rows:
        assessor, note = row.needed("assessor"), row.needed("off_note")
        right, trials = row.count("correct", needed=True), row.count("trials", needed=True)
        if right is not None and trials is not None and not 0 <= right <= trials:
            row.fault("correct", f"is {right} of {trials}", "Give 0 up to the number of trials.")
        if trials is not None and trials < 1:
            row.fault("trials", f"is {trials}", "Give at least 1.")
        if assessor is not None and note is not None:
            before = seen.setdefault((assessor, note), row.line)
            if before != row.line:
                row.fault("assessor", f"{assessor} has {note} in line {before} too", "Add them up.")
        if not row.faults and None not in (assessor, note, right, trials):
            records.append(forced_choice_record(str(assessor), str(note), right or 0, trials or 1))
    sheet.raise_faults()
    return tuple(records)


def read_note_answers(path: Path, rule: OffNoteUseRule) -> Answers:
    """Return the answers on the lot: columns lot, date, assessor, correct and where wanted order.

    Raises
    ------
    InputError
        With every fault; answers on another lot are faults.
    """
    test = ForcedChoice.of(CONFIRMATION_TEST)
    answers = read_answers(path, group="lot", test=test, declared=rule.declared, repeats=True)
    others = [name for name in answers.by_group if name != rule.lot]
    if others:
        raise InputError(
            Fault(path.name, 0, "lot", f"names {', '.join(others)}", f"Give answers on {rule.lot}.")
        )
    return answers


def judge_off_note(
    rule: OffNoteUseRule, answers: Answers, records: Sequence[ForcedChoiceRecord]
) -> OffNoteResult:
    """Return what the answers of the sensitive assessors show under the declaration.

    Parameters
    ----------
    rule : the declaration.
    answers : one group, the lot; assessors may answer several sets, which then cannot prove
        similarity.
    records : of directed tests on this and other off-notes.
    """
    own = [record for record in records if record.off_note == rule.note]
    sharp = {r.assessor for r in own if r.p_value <= rule.sensitivity.largest_p}
    given = [answer for group in answers.by_group.values() for answer in group]
    inside = [answer for answer in given if answer.assessor in sharp]
    outside = [answer for answer in given if answer.assessor not in sharp]
    people = {answer.assessor for answer in inside}
    remarks = list(answers.remarks)
    unknown = sorted({answer.assessor for answer in given} - {record.assessor for record in own})
    if unknown:
        remarks.append(f"No record on {rule.note} exists of {', '.join(unknown)}.")
    confirmation = None
    if len(people) < rule.sensitivity.fewest_assessors:
        finding = "open"
        words = (
            f"{len(people)} assessor(s) who notice {rule.note} answered, and at least"
            f" {rule.sensitivity.fewest_assessors} must; the lot stays held."
        )
    else:
        confirmation = judge_confirmation(
            rule.confirmation,
            assessments=len(inside),
            correct=sum(answer.correct for answer in inside),
            assessors=len(people),
        )
        finding = confirmation.finding.value
        words = f"Among those who notice {rule.note}: {confirmation.words}"
    return OffNoteResult(
        finding=finding,
        confirmation=confirmation,
        sensitive=_group(inside),
        others=_group(outside),
        order=most_sensitive_first(own, rule.note),
        remarks=tuple(remarks),
        words=words,
    )


def _group(answers: Sequence[Answer]) -> GroupAnswers:
    test = ForcedChoice.of(CONFIRMATION_TEST)
    n, right = len(answers), sum(answer.correct for answer in answers)
    limits = exact_limits(right, n) if n else (None, None)
    return GroupAnswers(
        assessors=tuple(dict.fromkeys(answer.assessor for answer in answers)),
        assessments=n,
        correct=right,
        p_value=p_value(test, right, n) if n else None,
        lower=limits[0],
        upper=limits[1],
    )
