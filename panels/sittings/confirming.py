"""Confirming a suspected off-note: sets of three, answers, and the lot decided anew.

'One of these three has the off-note: which?' Two glasses hold the reference, one the lot; its
place is balanced over the sets. Assessors who named the note come first, since they can smell
it. The key lies apart until the answers are in, as at a sitting.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.reading.rows import Row, read_sheet
from bulkflow.reading.words import did_you_mean
from bulkflow.records import Power, Record, append, require
from panels.assessors.register import fitness_on
from panels.errors import ServingError
from panels.records import (
    CONFIRMATION,
    CONFIRMATION_PLAN,
    Choice,
    ConfirmationPlan,
    ConfirmationRecord,
    ForcedChoiceSet,
    bodies_about,
)
from panels.release.confirmation import CONFIRMATION_TEST, judge_confirmation
from panels.serving import Purpose, draw_codes
from panels.sittings.course import Courses, LotCourse
from panels.sittings.deciding import Judgement, decide_lot
from panels.sittings.keys import KeyLine, SittingKey

__all__ = [
    "PlannedConfirmation",
    "chosen_answers",
    "find_confirmation",
    "plan_confirmation",
    "read_answers",
    "record_confirmation",
    "register_confirmation",
]

MOST_SETS = 3
"""Most sets for one assessor in a day: three glasses each, and taints tire the nose."""


@dataclass(frozen=True, slots=True)
class PlannedConfirmation:
    """A confirmation ready to be recorded, and its key."""

    plan: ConfirmationPlan
    key: SittingKey


def plan_confirmation(
    session: Session,
    *,
    test: str,
    lot: str,
    note: str,
    held_on: date,
    seed: int,
    sets: int = 1,
    assessors: Sequence[str] = (),
) -> PlannedConfirmation:
    """Plan sets of three for a lot that an off-note stopped.

    Parameters
    ----------
    test : name of the test, unique.
    lot, note : which lot is suspected of which note.
    sets : for each assessor, 1 to 3. One each keeps the way open to a similarity test.
    assessors : by default those who named the note, then the others of the lot's last sitting.

    Raises
    ------
    InputError : the lot was not judged, the note does not stop it, its tests are used up, the
        test is too small to show anything, or the name is taken.
    """
    if bodies_about(session, CONFIRMATION_PLAN, test):
        raise _fault("test", f"{test} is planned already", "Give it another name.")
    if not 1 <= sets <= MOST_SETS:
        raise _fault("sets", f"are {sets} for each assessor", f"Give 1 to {MOST_SETS}.")
    course = Courses(session).of(lot)
    _check_may_test(course, note, held_on)
    people = tuple(assessors) or _sensitive_first(course, note)
    doubled = [name for name, times in Counter(people).items() if times > 1]
    if doubled:
        raise _fault("assessors", f"name {doubled[0]} twice", "Name each assessor once.")
    fewest = course.declared.rule.off_notes.confirmation.fewest_assessments
    if len(people) * sets < fewest:
        raise _fault(
            "assessors",
            f"give {len(people) * sets} answers",
            f"The rule draws no conclusion from fewer than {fewest}: add assessors or sets.",
        )
    standing = fitness_on(session, held_on, people)
    standard = course.declared.rule.standard
    key = _lay_out(test, lot, standard, people, sets, seed)
    plan = ConfirmationPlan(
        test=test,
        lot=lot,
        note=note,
        standard=standard,
        held_on=held_on,
        assessors=people,
        sets=tuple(_sets_of(key)),
        key_digest=key.digest,
        unqualified=tuple(name for name in people if standing[name].lacks),
    )
    return PlannedConfirmation(plan, key)


def register_confirmation(session: Session, planned: PlannedConfirmation) -> Record:
    """Record a planned confirmation; its key is written apart by the caller."""
    require(session, Power.RECORD, f"plan the confirmation {planned.plan.test}")
    return append(session, CONFIRMATION_PLAN, planned.plan)


def find_confirmation(session: Session, test: str) -> ConfirmationPlan:
    """Return a planned confirmation.

    Raises
    ------
    InputError : there is none of that name.
    """
    found = bodies_about(session, CONFIRMATION_PLAN, test)
    if not found:
        raise _fault("test", f"{test} is not planned", "Plan it first, or correct its name.")
    return found[-1][1]


def read_answers(path: Path, plan: ConfirmationPlan, key: SittingKey) -> dict[str, list[bool]]:
    """Read which glass of each set the assessors picked.

    Columns ``assessor``, ``set`` and ``code``. Every set needs its answer: a choice is forced.

    Raises
    ------
    InputError : with every fault.
    """
    columns = ("assessor", "set", "code")
    table = read_sheet(path, "answers", needed=columns, known=columns)
    sets = {(one.assessor, str(one.number)): one for one in plan.sets}
    odd = {(line.assessor, line.code): line.subject == plan.lot for line in key.lines}
    picks: dict[tuple[str, str], bool] = {}
    for row in table.rows:
        place = (row.plain("assessor"), row.plain("set"))
        code = row.plain("code")
        if _answer_fault(row, place, code, sets, picks):
            continue
        picks[place] = odd[(place[0], code)]
    faults: list[Fault] = []
    if not any(table.all_faults()):
        faults = [
            Fault(
                path.name,
                0,
                "set",
                f"{number} of {assessor} has no answer",
                "A choice is forced: enter the assessor's best guess.",
            )
            for assessor, number in sets
            if (assessor, number) not in picks
        ]
    table.raise_faults(faults)
    answers: dict[str, list[bool]] = defaultdict(list)
    for (assessor, _), pick in picks.items():
        answers[assessor].append(pick)
    return dict(answers)


def chosen_answers(
    plan: ConfirmationPlan, key: SittingKey, choices: Sequence[Choice]
) -> dict[str, list[bool]]:
    """Return whether each assessor's choices picked the lot, in the order of their sets.

    Raises
    ------
    InputError : a set has no choice yet.
    """
    odd = {(line.assessor, line.code): line.subject == plan.lot for line in key.lines}
    picked = {(one.assessor, one.number): one.code for one in choices}
    missing = [one for one in plan.sets if (one.assessor, one.number) not in picked]
    if missing:
        first = missing[0]
        raise _fault(
            plan.test,
            f"has {len(missing)} sets without an answer, first {first.number} of {first.assessor}",
            "A choice is forced: wait for the assessor's best guess.",
        )
    answers: dict[str, list[bool]] = defaultdict(list)
    for one in plan.sets:
        answers[one.assessor].append(odd[one.assessor, picked[one.assessor, one.number]])
    return dict(answers)


def record_confirmation(
    session: Session, plan: ConfirmationPlan, answers: dict[str, list[bool]]
) -> tuple[Judgement, Record]:
    """Record what a confirmation shows, and decide on its lot anew.

    Raises
    ------
    InputError : its answers are recorded already.
    RefusedError : the acting person may not decide for the panel.
    """
    require(session, Power.DECIDE_PANEL, f"record the confirmation {plan.test}")
    done = [body for _, body in bodies_about(session, CONFIRMATION, plan.lot)]
    if any(body.test == plan.test for body in done):
        raise _fault("test", f"{plan.test} has its answers already", "Plan another test.")
    course = Courses(session).of(plan.lot)
    before = [t for t in course.tests if t.note == plan.note]
    before.sort(key=lambda t: (t.held_on, t.test))
    found = judge_confirmation(
        course.declared.rule.off_notes.confirmation,
        assessments=sum(len(own) for own in answers.values()),
        correct=sum(sum(own) for own in answers.values()),
        assessors=len(answers),
        test=1 + [t.test for t in before].index(plan.test),
    )
    body = ConfirmationRecord(
        lot=plan.lot,
        note=plan.note,
        held_on=plan.held_on,
        test=plan.test,
        method=CONFIRMATION_TEST,
        assessors=tuple(sorted(answers)),
        assessments=found.assessments,
        correct=found.correct,
        finding=found.finding.value,
        words=found.words,
    )
    append(session, CONFIRMATION, body)
    return decide_lot(session, plan.lot)


def _check_may_test(course: LotCourse, note: str, held_on: date) -> None:
    """Hold a test to what the rule lets follow on an off-note."""
    standing = dict(course.standing.notes)
    if note not in standing:
        raise _fault(
            "note", f"{note} did not stop {course.lot}", did_you_mean(note, sorted(standing))
        )
    if course.standing.rejected_by:
        raise _fault("lot", f"{course.lot} is rejected", "Only an override names a reject.")
    for waiting in course.standing.waiting:
        raise _fault("test", f"{waiting.name} has no answers yet", "Record its answers first.")
    tests = course.declared.rule.off_notes.confirmation.tests
    if sum(plan.note == note for plan in course.tests) >= tests:
        times = "once" if tests == 1 else f"{tests} times"
        raise _fault(
            "note",
            f"{note} of {course.lot} was tested already",
            f"{course.declared.rule.name} lets it be tested {times}: a person with the role"
            " decides.",
        )
    last = max(a.held.sitting.held_on for a in course.analyses if a.name in standing[note])
    if held_on <= last:
        raise _fault(
            "on",
            f"is {held_on}, and {note} was named on {last}",
            "Hold the test on a later day: it answers for what was named before it.",
        )


def _sensitive_first(course: LotCourse, note: str) -> tuple[str, ...]:
    """Return who named the note, then the others of the newest sitting."""
    named = [
        assessor
        for sitting, names in course.standing.notes
        if sitting == note
        for name in names
        for finding in course.figures[name].off_notes
        if finding.note == note
        for assessor in finding.assessors
    ]
    return tuple(dict.fromkeys([*named, *course.last.held.sitting.assessors]))


def _lay_out(
    test: str, lot: str, standard: str, people: Sequence[str], sets: int, seed: int
) -> SittingKey:
    """Balance the lot's place over all sets, and draw codes."""
    rng = np.random.default_rng(seed)
    wanted = len(people) * sets
    places = [place for _ in range(-(-wanted // 3)) for place in rng.permutation(3)][:wanted]
    try:
        codes = iter(draw_codes(3 * wanted, rng))
    except ServingError as error:
        raise _fault("sets", str(error).rstrip("."), "") from error
    lines = []
    for number, odd in enumerate(places):
        assessor, flight = people[number % len(people)], number // len(people) + 1
        for position in range(3):
            subject = lot if position == odd else standard
            purpose = Purpose.LOT if position == odd else Purpose.CONTROL
            lines.append(KeyLine(assessor, flight, position + 1, next(codes), subject, purpose))
    return SittingKey(test, seed, tuple(sorted(lines)))


def _sets_of(key: SittingKey) -> list[ForcedChoiceSet]:
    codes: dict[tuple[str, int], list[str]] = defaultdict(list)
    for line in key.lines:  # sorted by position within a set
        codes[(line.assessor, line.flight)].append(line.code)
    return [
        ForcedChoiceSet.model_validate({"assessor": a, "number": n, "codes": own})
        for (a, n), own in codes.items()
    ]


def _answer_fault(
    row: Row,
    place: tuple[str, str],
    code: str,
    sets: dict[tuple[str, str], ForcedChoiceSet],
    picks: dict[tuple[str, str], bool],
) -> bool:
    if row.faults:
        return True
    if place not in sets:
        found = f"{place[1] or '(none)'} of {place[0] or '(none)'} is not in this test"
        row.fault("set", found, "Copy assessor and set from the plan.")
    elif place in picks:
        row.fault("set", f"{place[1]} of {place[0]} is answered twice", "Keep one answer.")
    elif code not in sets[place].codes:
        known = ", ".join(sets[place].codes)
        row.fault("code", f"{code or '(none)'} is not in that set", f"It holds {known}.")
    return bool(row.faults)


def _fault(where: str, found: str, mend: str) -> InputError:
    return InputError(Fault("", 0, where, found, mend))
