"""Verdicts on the lots of a closed sitting, and their evidence, written into the register.

The evidence stands by itself: scores of the lot and its control, model, intervals, the rule in
full with its operating characteristic, controls, deviations, and who took part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Outcome
from bulkflow.lots.deciding import decide
from bulkflow.lots.queries import LotFilter, list_lots
from bulkflow.lots.tables import DECISION
from bulkflow.records import Record
from bulkflow.records.chain import acting
from panels.methods.mixed_model import Estimate
from panels.records import CONFIRMATION, ConfirmationRecord, bodies_about
from panels.release.judging import Code, NextStep, Verdict, judge_scores
from panels.release.register import DeclaredRule
from panels.sittings.analysis import LotFigures, SittingAnalysis, analyse_sitting
from panels.sittings.evidence import evidence_of
from panels.sittings.history import (
    HeldSitting,
    closed_sittings,
    find_sitting,
    list_sittings,
    rules_of,
)

__all__ = [
    "Judgement",
    "analysis_of",
    "decide_lot",
    "decide_sitting",
    "judge_lot",
    "judge_sitting",
    "looks_used",
    "next_step_of",
    "score_shift",
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
    verdict, next_step : the decision, and what has to follow.
    reasons : sentences, the deciding one first.
    """

    figures: LotFigures
    declared: DeclaredRule
    verdict: Verdict
    next_step: NextStep
    reasons: tuple[str, ...]

    @property
    def why(self) -> str:
        """The reasons and what follows, as a sentence or two."""
        follow = "" if self.next_step is NextStep.NONE else f" Next: {self.next_step.value}."
        return f"{'; '.join(self.reasons)}.{follow}"

    @property
    def summary(self) -> str:
        """The verdict with its reasons."""
        return f"{self.verdict.value.capitalize()}: {self.why}"


def judge_lot(
    figures: LotFigures,
    declared: DeclaredRule,
    *,
    void: Sequence[str] = (),
    confirmations: Sequence[ConfirmationRecord] = (),
) -> Judgement:
    """Apply the rule to the figures of one lot.

    Parameters
    ----------
    figures : from `panels.sittings.analysis`.
    declared : the rule version the sitting stands on.
    void : failed checks; with any the sitting counts for nothing.
    confirmations : of off-notes on this lot, oldest first.
    """
    rule = declared.rule
    again = _again(figures, rule.retests)

    def judged(verdict: Verdict, step: NextStep, *reasons: str) -> Judgement:
        return Judgement(figures, declared, verdict, step, reasons)

    if void:
        return judged(Verdict.HOLD, NextStep.RETEST, "the sitting is void", *void)
    findings = {record.note: record for record in confirmations}
    confirmed = [record for record in findings.values() if record.finding == "confirmed"]
    if confirmed:
        words = f"the off-note {confirmed[-1].note} is confirmed: {confirmed[-1].words}"
        return judged(Verdict.REJECT, NextStep.NONE, words.rstrip("."))
    code = _score_code(figures, declared)
    notes = _standing_notes(figures, findings)
    score = _score_words(figures, declared)
    few = figures.assessors < rule.validity.fewest_assessors
    if code is Code.REJECT and not few:
        return judged(Verdict.REJECT, NextStep.NONE, score, *notes)
    if notes:
        return judged(Verdict.HOLD, NextStep.CONFIRM_OFF_NOTE, *notes, score)
    cleared = [
        f"the off-note {record.note} is laid to rest: {record.words}".rstrip(".")
        for record in findings.values()
        if record.finding == "similar"
    ]
    if few:
        lacking = (
            f"only {figures.assessors} assessors gave a counting score, and the rule needs"
            f" {rule.validity.fewest_assessors}"
        )
        return judged(Verdict.HOLD, again, lacking, *cleared)
    if code is None:
        return judged(Verdict.HOLD, again, figures.trouble.rstrip("."), *cleared)
    if code is Code.RELEASE:
        return judged(Verdict.RELEASE, NextStep.NONE, score, *cleared)
    return judged(Verdict.HOLD, again, score, *cleared)


def judge_sitting(
    session: Session, held: HeldSitting
) -> tuple[SittingAnalysis, dict[str, Judgement]]:
    """Analyse a closed sitting and judge its lots; writes nothing.

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
                "Close it first; scores are not looked at before.",
            )
        )
    declared = rules_of(session, held)
    analysis = analysis_of(session, held)
    void = [
        f"{check.what} was {check.found}, where {check.limit} is needed"
        for check in analysis.checks
        if not check.passed
    ]
    judgements = {
        name: judge_lot(
            figures,
            declared[figures.lot.liquid],
            void=void,
            confirmations=[body for _, body in bodies_about(session, CONFIRMATION, name)],
        )
        for name, figures in analysis.lots.items()
    }
    return analysis, judgements


def analysis_of(session: Session, held: HeldSitting) -> SittingAnalysis:
    """Analyse a closed sitting with the sittings before it."""
    earlier = [
        (one, {liquid: found.rule for liquid, found in rules_of(session, one).items()})
        for one in closed_sittings(session, before=held)
    ]
    own = {liquid: found.rule for liquid, found in rules_of(session, held).items()}
    return analyse_sitting(held, earlier, own)


def decide_sitting(session: Session, sitting: str) -> list[tuple[Judgement, Record]]:
    """Decide on every lot of a closed sitting.

    Raises
    ------
    InputError : not closed, or decided already.
    RefusedError : the acting person may not decide for the panel.
    """
    held = find_sitting(session, sitting)
    analysis, judgements = judge_sitting(session, held)
    done = [lot for lot in judgements if _decided_from(session, lot, sitting)]
    if done:
        raise InputError(
            Fault(
                "",
                0,
                f"sitting {sitting}",
                f"is decided already ({', '.join(sorted(done))})",
                "A decision is only superseded by a new sitting, a confirmation or an override.",
            )
        )
    return [(judgement, _write(session, analysis, judgement)) for judgement in judgements.values()]


def decide_lot(session: Session, lot: str) -> tuple[Judgement, Record]:
    """Decide on one lot again, from its last sitting and every confirmation since.

    Raises
    ------
    InputError : no closed sitting judged the lot.
    """
    held = [one for one in closed_sittings(session) if any(j.lot == lot for j in one.sitting.lots)]
    if not held:
        raise InputError(
            Fault("", 0, "lot", f"{lot} was judged by no closed sitting", "Hold a sitting first.")
        )
    analysis, judgements = judge_sitting(session, held[-1])
    return judgements[lot], _write(session, analysis, judgements[lot])


def looks_used(session: Session, lot: str) -> int:
    """Return how many sittings that count have judged a lot; void ones do not count."""
    return sum(
        not analysis_of(session, held).void
        for held in closed_sittings(session)
        if any(judged.lot == lot for judged in held.sitting.lots)
    )


def waiting_decisions(session: Session, liquid: str) -> list[str]:
    """Return what still has to be decided under the rule in force for a liquid, in words.

    A decision must stand on the rule in force, and the rule may not change once scores are
    seen, so a next version waits for these. A retest does not: it stands on the rule it is
    planned under, and its looks are counted on.
    """
    waiting = [
        f"the sitting {held.sitting.sitting}"
        for held in list_sittings(session)
        if any(
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
    if found.figures.difference is None:
        raise InputError(
            Fault("", 0, f"sitting {sitting}", found.figures.trouble.rstrip("."), "Leave it out.")
        )
    return found.figures.difference


def _decided_from(session: Session, lot: str, sitting: str) -> bool:
    for _, body in bodies_about(session, DECISION, lot):
        source = body.evidence.get("source")
        if isinstance(source, dict) and source.get("sitting") == sitting:
            return True
    return False


def _again(figures: LotFigures, retests: int) -> NextStep:
    return NextStep.RETEST if figures.look <= retests else NextStep.DECIDE_BY_PERSON


def _score_code(figures: LotFigures, declared: DeclaredRule) -> Code | None:
    if figures.mean is None or figures.difference is None:
        return None
    look = min(figures.look, len(declared.rule.spending))
    mean, difference = (
        ([e.estimate], [e.standard_error], [e.degrees_of_freedom])
        for e in (figures.mean, figures.difference)
    )
    code = Code(int(judge_scores(declared.rule, look, mean, difference)[0]))
    beyond = figures.look > len(declared.rule.spending)
    return Code.HOLD if beyond and code is Code.RELEASE else code


def _standing_notes(figures: LotFigures, findings: Mapping[str, ConfirmationRecord]) -> list[str]:
    told = []
    for sitting, finding in figures.off_notes:
        cleared = finding.note in findings and findings[finding.note].finding == "similar"
        if not finding.stops or cleared:
            continue
        how = (
            f"as false alarms alone would on {100 * finding.chance:.2g} % of clean lots"
            if finding.stands_out
            else f"but false alarms alone would on {100 * finding.chance:.2g} % of clean lots"
        )
        told.append(
            f"{len(finding.assessors)} of {finding.asked} assessors named {finding.note} in"
            f" {sitting}, {how}"
        )
    return told


def _score_words(figures: LotFigures, declared: DeclaredRule) -> str:
    if figures.mean is None or figures.difference is None:
        return figures.trouble.rstrip(".")
    rule = declared.rule
    level = rule.level_at(min(figures.look, len(rule.spending)))
    low, high = (figures.mean.lower_limit(1 - level), figures.mean.upper_limit(1 - level))
    parts = []
    if rule.score.needs_mean:
        parts.append(
            f"mean {figures.mean.estimate:.2f} ({low:.2f} to {high:.2f}) against"
            f" {rule.score.minimum:g}"
        )
    if rule.score.needs_difference:
        found = figures.difference
        parts.append(
            f"difference from control {found.estimate:+.2f} ({found.lower_limit(1 - level):+.2f}"
            f" to {found.upper_limit(1 - level):+.2f}) against -{rule.score.largest_drop:g}"
        )
    return f"{', '.join(parts)} at one-sided {100 * level:g} %"


def _write(session: Session, analysis: SittingAnalysis, judgement: Judgement) -> Record:
    held = analysis.held.sitting
    writer = acting(session)
    today = writer.clock().astimezone(ZoneInfo(held.zone)).date()
    lot = judgement.figures.lot.lot
    evidence = evidence_of(
        analysis,
        judgement.figures,
        judgement.declared,
        outcome=OUTCOMES[judgement.verdict],
        summary=judgement.summary,
        next_step=judgement.next_step.value,
        decided_by=writer.actor.name,
        # a sitting entered before its day (a rehearsal) is dated by its own day
        decided_on=max(today, held.held_on),
        confirmations=[body for _, body in bodies_about(session, CONFIRMATION, lot)],
    )
    return decide(
        session,
        lot_id=lot,
        outcome=OUTCOMES[judgement.verdict],
        reason=judgement.why,
        evidence=evidence,
    )
