"""Verdicts on lots and their evidence, written into the register.

A decision rests on all that is known of its lot when it is written, whichever sitting or test it
was asked for. The evidence stands by itself: scores of the lot and its control, model, intervals,
the rule in full with its operating characteristic, controls, deviations, and who took part.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Gate, Outcome
from bulkflow.lots.deciding import decide
from bulkflow.lots.explaining import explain_lots
from bulkflow.lots.queries import LotFilter, list_lots, lots_named
from bulkflow.lots.tables import DECISION
from bulkflow.records import Power, Record, append, require
from bulkflow.records.chain import acting
from panels.methods.mixed_model import Estimate
from panels.records import REOPENING, Reopening, bodies_about
from panels.release.confirmation import ConfirmationFinding
from panels.release.judging import NextStep, Verdict
from panels.release.register import DeclaredRule
from panels.sittings.analysis import LotFigures, SittingAnalysis
from panels.sittings.course import Courses, LotCourse
from panels.sittings.evidence import evidence_of
from panels.sittings.history import HeldSitting, find_sitting, list_sittings
from panels.sittings.recording import today_at

__all__ = [
    "Judgement",
    "decide_lot",
    "decide_sitting",
    "judge_course",
    "judge_sitting",
    "next_step_of",
    "reopen_lot",
    "score_shift",
    "still_closed",
    "undecided_sittings",
    "waiting_decisions",
]

OUTCOMES: Mapping[Verdict, Outcome] = {
    Verdict.RELEASE: Outcome.RELEASE,
    Verdict.HOLD: Outcome.HOLD,
    Verdict.REJECT: Outcome.REJECT,
}


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the rule makes of one lot.

    Attributes
    ----------
    course : where the lot stands, and why.
    reasons : sentences, the deciding one first.
    """

    course: LotCourse
    reasons: tuple[str, ...]

    @property
    def figures(self) -> LotFigures:
        """What the newest sitting that counts found."""
        return self.course.figures[self.course.deciding.name]

    @property
    def declared(self) -> DeclaredRule:
        """The rule applied."""
        return self.course.declared

    @property
    def verdict(self) -> Verdict:
        """The decision."""
        return self.course.standing.verdict

    @property
    def next_step(self) -> NextStep:
        """What has to follow."""
        return self.course.standing.next_step

    @property
    def why(self) -> str:
        """The reasons and what follows, as a sentence or two."""
        follow = "" if self.next_step is NextStep.NONE else f" Next: {self.next_step.value}."
        return f"{'; '.join(self.reasons)}.{follow}"

    @property
    def summary(self) -> str:
        """The verdict with its reasons."""
        return f"{self.verdict.value.capitalize()}: {self.why}"


def judge_course(course: LotCourse) -> Judgement:
    """Say why a lot stands where it does."""
    return Judgement(course, tuple(_reasons(course)))


def _reasons(course: LotCourse) -> Iterator[str]:
    standing, rule = course.standing, course.declared.rule
    yield from _rejections(course)
    notes = list(_standing_notes(course))
    score = _score_words(course)
    if standing.rejected_by:
        yield from notes
        return
    yield from notes
    for test in standing.waiting:
        yield f"the answers of {test.name} on {test.note} are to come"
    if not notes and standing.last_void:
        yield "the sitting is void"
        yield from (
            f"{check.what} was {check.found}, where {check.limit} is needed"
            for check in course.last.checks
            if not check.passed
        )
    if standing.reopened:
        yield f"it was put before the panel again: {course.reopenings[-1].reason}".rstrip(".")
    if standing.few:
        yield (
            f"only {course.figures[standing.together[-1]].assessors} assessors gave a counting"
            f" score, and the rule needs {rule.validity.fewest_assessors}"
        )
    if score:
        yield score
    yield from (
        f"the off-note {test.note} is laid to rest: {found.words}".rstrip(".")
        for test, found in standing.tests
        if found.finding is ConfirmationFinding.SIMILAR
        and test.note not in {note for note, _ in standing.notes}
    )


def _rejections(course: LotCourse) -> Iterator[str]:
    tests = {test.name: (test, found) for test, found in course.standing.tests}
    for name in course.standing.rejected_by:
        if name in tests:
            test, found = tests[name]
            yield f"the off-note {test.note} is confirmed: {found.words}".rstrip(".")
        else:
            where = "" if name == course.last.name else f" ({name}; it stands until overridden)"
            yield _figures_words(course.figures[name], course.declared) + where


def judge_sitting(
    session: Session, held: HeldSitting
) -> tuple[SittingAnalysis, dict[str, Judgement]]:
    """Analyse a closed sitting and say where its lots stand by now; writes nothing.

    Raises
    ------
    InputError : the sitting is not closed.
    """
    if held.closing is None:
        raise InputError(
            Fault(
                "",
                0,
                f"sitting {held.sitting.sitting}",
                f"is not closed ({held.state})",
                "Close it first; scores are not looked at before."
                if held.running
                else "Plan another one.",
            )
        )
    courses = Courses(session)
    judgements = {lot.lot: judge_course(courses.of(lot.lot)) for lot in held.sitting.lots}
    return courses.analysis(held), judgements


def decide_sitting(session: Session, sitting: str) -> list[tuple[Judgement, Record]]:
    """Decide on every lot of a closed sitting that no decision has taken into account yet.

    Raises
    ------
    InputError : not closed, or taken into account for every lot already.
    RefusedError : the acting person may not decide for the panel.
    """
    held = find_sitting(session, sitting)
    _, judgements = judge_sitting(session, held)
    todo = [one for lot, one in judgements.items() if not _decided_from(session, lot, sitting)]
    if not todo:
        raise InputError(
            Fault(
                "",
                0,
                f"sitting {sitting}",
                f"is decided already ({', '.join(sorted(judgements))})",
                "A decision is only superseded by a new sitting, a confirmation or an override.",
            )
        )
    return [(judgement, _write(session, judgement)) for judgement in todo]


def decide_lot(session: Session, lot: str) -> tuple[Judgement, Record]:
    """Decide on one lot anew, from everything known of it.

    Raises
    ------
    InputError : no closed sitting judged the lot.
    """
    judgement = judge_course(Courses(session).of(lot))
    return judgement, _write(session, judgement)


def reopen_lot(session: Session, lot: str, reason: str) -> tuple[Judgement, Record]:
    """Put a lot that the panel released or rejected before it again; a release ends with it.

    A reject stands all the same, until an override names it. The level that earlier sittings
    spent stays spent.

    Raises
    ------
    InputError : the panel did not release or reject it, or the reason is not said.
    RefusedError : the acting person may not decide for the panel.
    """
    require(session, Power.DECIDE_PANEL, f"put {lot} before the panel again")
    course = Courses(session).of(lot)
    if course.standing.next_step is not NextStep.NONE or course.standing.reopened:
        raise InputError(
            Fault(
                "",
                0,
                "lot",
                f"{lot} is neither released nor rejected by the panel",
                f"It is held; next: {course.standing.next_step.value}.",
            )
        )
    if len(reason.split()) < 2:
        raise InputError(
            Fault("", 0, "reason", f"is {reason!r}", "Say in a few words why it is nosed again.")
        )
    body = Reopening(
        lot=lot,
        reopened_on=today_at(session, course.last.held.sitting.zone),
        reason=reason,
        aside=tuple(one.name for one in course.analyses),
    )
    append(session, REOPENING, body)
    return decide_lot(session, lot)


def still_closed(session: Session, lots: Iterable[str]) -> Iterator[str]:
    """Say why lots that the panel releases may not ship all the same."""
    lines = list(lots_named(session, lots).values())
    for found in explain_lots(session, lines):
        for gate in found.gates:
            if not gate.is_open and gate.gate is not Gate.DECISION:
                way = " Lift it: bulkflow lots lift." if gate.gate is Gate.HOLD else ""
                yield f"{found.lot.lot_id} may not ship yet: {gate.reason.rstrip('.')}.{way}"


def undecided_sittings(session: Session, lot: str) -> list[str]:
    """Return closed sittings that no decision on a lot has taken into account."""
    return [
        held.sitting.sitting
        for held in list_sittings(session)
        if held.closing is not None
        and any(judged.lot == lot for judged in held.sitting.lots)
        and not _decided_from(session, lot, held.sitting.sitting)
    ]


def waiting_decisions(session: Session, liquid: str) -> list[str]:
    """Return what still has to be decided under the rule in force for a liquid, in words.

    A decision must stand on the rule in force, and the rule may not change once scores are
    seen, so a next version waits for these. A retest does not: it stands on the rule it is
    planned under, and its looks are counted on.
    """
    waiting = [
        f"the sitting {held.sitting.sitting}"
        for held in list_sittings(session)
        if held.cancelled is None
        and any(
            lot.liquid == liquid and not _decided_from(session, lot.lot, held.sitting.sitting)
            for lot in held.sitting.lots
        )
    ]
    waiting += [
        f"the confirmation of an off-note in {line.lot_id}"
        for line in list_lots(session, LotFilter(liquid_id=liquid))
        if next_step_of(session, line.lot_id) == NextStep.CONFIRM_OFF_NOTE.value
    ]
    return waiting


def next_step_of(session: Session, lot: str) -> str | None:
    """Return what the last panel decision on a lot asks for; None where there is none."""
    decisions = bodies_about(session, DECISION, lot)
    if not decisions:
        return None
    source = decisions[-1][1].evidence.get("source")
    step = source.get("next_step") if isinstance(source, dict) else None
    return step if isinstance(step, str) else None


def score_shift(session: Session, sitting: str, lot: str, standard: str) -> Estimate:
    """Return how a lot scored against a standard in a closed sitting, lot minus standard.

    Raises
    ------
    InputError : the sitting did not judge the lot against that standard, or is void.
    """
    held = find_sitting(session, sitting)
    analysis, judgements = judge_sitting(session, held)
    found = judgements.get(lot)
    if found is None or found.declared.rule.standard != standard or analysis.void:
        raise InputError(
            Fault(
                "",
                0,
                f"sitting {sitting}",
                f"gives no valid difference of {lot or '(no lot)'} from {standard}",
                "Name a valid sitting that judged the lot the standard was drawn from.",
            )
        )
    figures = found.course.figures[sitting]
    if figures.difference is None:
        raise InputError(
            Fault("", 0, f"sitting {sitting}", figures.trouble.rstrip("."), "Leave it out.")
        )
    return figures.difference


def _decided_from(session: Session, lot: str, sitting: str) -> bool:
    for _, body in bodies_about(session, DECISION, lot):
        source = body.evidence.get("source")
        if not isinstance(source, dict):
            continue
        considered = source.get("sittings_considered")
        listed = considered if isinstance(considered, list) else [source.get("sitting")]
        if sitting in listed:
            return True
    return False


def _standing_notes(course: LotCourse) -> Iterator[str]:
    for note, sittings in course.standing.notes:
        for sitting in sittings:
            finding = next(f for f in course.figures[sitting].off_notes if f.note == note)
            how = (
                f"as false alarms alone would on {100 * finding.chance:.2g} % of clean lots"
                if finding.stands_out
                else f"but false alarms alone would on {100 * finding.chance:.2g} % of clean lots"
            )
            yield (
                f"{len(finding.assessors)} of {finding.asked} assessors named {note} in"
                f" {sitting}, {how}"
            )


def _score_words(course: LotCourse) -> str:
    """Return what the scores that count say; empty where none do."""
    together = course.standing.together
    return _figures_words(course.figures[together[-1]], course.declared) if together else ""


def _figures_words(figures: LotFigures, declared: DeclaredRule) -> str:
    if figures.deciding is None:
        return figures.trouble.rstrip(".")
    rule = declared.rule
    level = rule.level_at(min(figures.look, len(rule.spending)))
    mean, difference = figures.deciding
    parts = []
    if rule.score.needs_mean:
        parts.append(
            f"mean {mean.estimate:.2f} ({mean.lower_limit(1 - level):.2f} to"
            f" {mean.upper_limit(1 - level):.2f}) against {rule.score.minimum:g}"
        )
    if rule.score.needs_difference:
        parts.append(
            f"difference from control {difference.estimate:+.2f}"
            f" ({difference.lower_limit(1 - level):+.2f} to"
            f" {difference.upper_limit(1 - level):+.2f}) against -{rule.score.largest_drop:g}"
        )
    words = f"{', '.join(parts)} at one-sided {100 * level:g} %"
    most = rule.validity.furthest_apart
    if figures.apart > most:
        words += f"; its sittings lie {figures.apart:.2f} apart, where {most:g} is the most"
    return words


def _write(session: Session, judgement: Judgement) -> Record:
    course = judgement.course
    sitting = course.last.held.sitting
    # a sitting entered before its day (a rehearsal) is dated by its own day
    decided_on = max(today_at(session, sitting.zone), sitting.held_on)
    outcome = OUTCOMES[judgement.verdict]
    evidence = evidence_of(
        course,
        outcome=outcome,
        summary=judgement.summary,
        decided_by=acting(session).actor.name,
        decided_on=decided_on,
    )
    return decide(
        session, lot_id=course.lot, outcome=outcome, reason=judgement.why, evidence=evidence
    )
