"""The evidence of a panel decision, in the register's own form."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np

from bulkflow.lots.bodies import Outcome
from bulkflow.lots.evidence import Evidence, Interval, Model, Participant, RuleCopy, ScoreSummary
from panels.release.register import DeclaredRule
from panels.release.words import rule_in_words
from panels.sittings.analysis import Answer, LotFigures, SittingAnalysis
from panels.sittings.course import LotCourse

__all__ = ["evidence_of"]

POINTS = "points"


def evidence_of(
    course: LotCourse, *, outcome: Outcome, summary: str, decided_by: str, decided_on: date
) -> Evidence:
    """Build the evidence of one lot's decision."""
    declared, standing, analysis = course.declared, course.standing, course.deciding
    figures, rule = course.figures[analysis.name], declared.rule
    return Evidence.model_validate(
        {
            "lot_id": course.lot,
            "decided_by": "panel",
            "outcome": outcome,
            "decided_on": decided_on,
            "summary": summary,
            "occasions": (
                *(
                    _occasion(one, course.figures[one.name], declared)
                    for one in reversed(course.analyses)
                ),
                *({"confirmation": c.model_dump(mode="json")} for c in course.answers),
                *({"reopening": r.model_dump(mode="json")} for r in course.reopenings),
            ),
            "scores": tuple(_scores(course)),
            "model": _model(figures),
            "intervals": tuple(_intervals(figures, declared)),
            "rule": RuleCopy(
                rule_id=declared.rule_id,
                rule_version=rule.version,
                words=rule_in_words(rule),
                document=rule.model_dump(mode="json", exclude_none=True)
                | {"fingerprint": rule.fingerprint},
            ),
            "operating_characteristic": declared.characteristic.model_dump(mode="json"),
            "deviations": tuple(
                dict.fromkeys(
                    [
                        *(line for one in course.analyses for line in one.deviations),
                        *_beside_assumptions(figures, declared),
                        *course.watch.drift_words,
                        *_unqualified_testers(course),
                    ]
                )
            ),
            "participants": tuple(_participants(analysis, decided_by)),
            "source": {
                "sitting": analysis.name,
                "sittings_considered": [one.name for one in course.analyses],
                "sittings_judged_together": list(standing.together),
                "look": standing.look,
                "next_step": standing.next_step.value,
                "rejected_by": list(standing.rejected_by),
                "panel": _panel(course),
                "off_notes_standing": [note for note, _ in standing.notes],
                "records": _records(analysis),
            },
        }
    )


def _unqualified_testers(course: LotCourse) -> Iterator[str]:
    """Tell who answered a confirmation without being qualified: a big test asks more noses."""
    for test in course.tests:
        if test.unqualified:
            yield (
                f"{test.test}: {len(test.unqualified)} of {len(test.assessors)} assessors are not"
                f" qualified by the panel's rule ({', '.join(test.unqualified)})"
            )


def _panel(course: LotCourse) -> dict[str, Any]:
    watch, sitting = course.watch, course.last.held.sitting
    return {
        "words": list(watch.words),
        "drop_to_be_told": watch.drop,
        "chance_of_telling_it": dict(watch.power),
        "drifting_from": dict(watch.drifting),
        "qualified_by": sitting.qualified_by or "no rule",
        "unqualified": [one.model_dump(mode="json") for one in sitting.unqualified],
    }


def _beside_assumptions(figures: LotFigures, declared: DeclaredRule) -> Iterator[str]:
    """Tell where the sitting differed from what the rule's risks are computed for."""
    assumed = declared.rule.assumptions.assessors
    if figures.assessors != assumed:
        yield (
            f"the rule's risks are computed for {assumed} assessors; {figures.assessors} gave a"
            f" counting score of {figures.lot.lot}"
        )


def _occasion(
    analysis: SittingAnalysis, figures: LotFigures, declared: DeclaredRule
) -> dict[str, Any]:
    sitting = analysis.held.sitting
    shown = (figures.lot.lot, declared.rule.standard)
    return {
        "sitting": sitting.sitting,
        "held_on": sitting.held_on.isoformat(),
        "zone": sitting.zone,
        "room": sitting.room,
        "method": sitting.method,
        "water": sitting.water,
        "nosing_strength_percent": sitting.target_strength,
        "nosed_minutes_after_pouring": [sitting.earliest_minutes, sitting.latest_minutes],
        "lot_strength_percent": figures.lot.strength,
        "suspected_beforehand": figures.lot.suspected,
        "serving": list(sitting.balance),
        "key_digest": sitting.key_digest,
        "void": analysis.void,
        "controls": [
            {"what": c.what, "found": c.found, "limit": c.limit, "passed": c.passed}
            for c in analysis.checks
        ],
        "glasses": [_glass(answer) for answer in analysis.answers if answer.subject in shown],
    }


def _glass(answer: Answer) -> dict[str, Any]:
    glass = answer.glass.model_dump(mode="json", exclude_none=True)
    return glass | {
        "assessor": answer.assessor,
        "subject": answer.subject,
        "purpose": answer.purpose,
        "counts": answer.counts,
        "outside_window": answer.outside,
    }


def _scores(course: LotCourse) -> Iterator[ScoreSummary]:
    analysis, standard = course.deciding, course.declared.rule.standard
    figures, lot = course.figures[analysis.name], course.lot
    robust = {lot: figures.robust_mean, standard: None}
    for subject, what in ((lot, f"lot {lot}"), (standard, f"blind control {standard}")):
        by: dict[str, list[float]] = defaultdict(list)
        for answer in analysis.answers:
            if answer.subject == subject and answer.counts and answer.glass.score is not None:
                by[answer.assessor].append(answer.glass.score)
        means = [float(np.mean(scores)) for scores in by.values()]
        found = robust[subject]
        yield ScoreSummary(
            what=f"release quality of the {what}, over assessors",
            unit=POINTS,
            count=len(means),
            mean=float(np.mean(means)) if means else None,
            standard_deviation=float(np.std(means, ddof=1)) if len(means) > 1 else None,
            detail={}
            if found is None
            else {
                "algorithm_a_mean": found.mean,
                "algorithm_a_standard_deviation": found.standard_deviation,
                "algorithm_a_standard_uncertainty": found.standard_uncertainty,
            },
        )
    for name, (mean, count) in figures.attributes.items():
        yield ScoreSummary(what=f"attribute {name}", unit=POINTS, count=count, mean=mean)
    named = [(one.name, f) for one in course.analyses for f in course.figures[one.name].off_notes]
    for sitting, finding in named:
        yield ScoreSummary(
            what=f"off-note {finding.note} in {sitting}",
            unit="assessors who named it",
            count=len(finding.assessors),
            detail={
                "assessors": list(finding.assessors),
                "asked": finding.asked,
                "false_alarm_rate_on_controls": finding.false_alarm_rate,
                "chance_by_false_alarm": finding.chance,
                "stops_release": finding.stops,
                "stands_out": finding.stands_out,
            },
        )


def _model(figures: LotFigures) -> Model | None:
    if figures.model is None:
        return None
    return Model(
        name="linear mixed model, REML, Kenward-Roger",
        words="Samples and sittings fixed; assessors, their interaction with samples (where"
        " repeats show it) and with sittings, and the residual random.",
        parameters={
            "variance_components": dict(figures.model.components),
            "assessors": figures.model.assessors,
            "scores": figures.model.scores,
            "deviance": figures.model.deviance,
        },
    )


def _intervals(figures: LotFigures, declared: DeclaredRule) -> Iterator[Interval]:
    if figures.mean is None or figures.difference is None or figures.deciding is None:
        return
    rule = declared.rule
    level = 1.0 - rule.level_at(min(figures.look, len(rule.spending)))
    for what, found, deciding in (
        ("mean of the lot", figures.mean, figures.deciding[0]),
        ("lot minus blind control", figures.difference, figures.deciding[1]),
    ):
        yield Interval(
            quantity=f"{what} (decides; day and making up allowed for;"
            f" {deciding.degrees_of_freedom:.1f} degrees of freedom)",
            unit=POINTS,
            estimate=deciding.estimate,
            lower=deciding.lower_limit(level),
            upper=deciding.upper_limit(level),
            level=level,
            sided="one-sided",
        )
        degrees = f"{found.degrees_of_freedom:.1f} degrees of freedom"
        low, high = found.interval(0.95)
        yield Interval(
            quantity=f"{what} ({degrees})",
            unit=POINTS,
            estimate=found.estimate,
            lower=low,
            upper=high,
            level=0.95,
            sided="two-sided",
        )
    if figures.dunnett is not None:
        yield Interval(
            quantity="lot minus blind control, all lots of the liquid together (Dunnett)",
            unit=POINTS,
            estimate=figures.dunnett.difference.estimate,
            lower=figures.dunnett.lower,
            upper=figures.dunnett.upper,
            level=figures.dunnett.level,
            sided="two-sided",
        )
    if figures.robust_difference is not None:
        robust = figures.robust_difference
        half = 1.959964 * robust.standard_uncertainty
        yield Interval(
            quantity="lot minus blind control, robust companion (Algorithm A, normal limits)",
            unit=POINTS,
            estimate=robust.mean,
            lower=robust.mean - half,
            upper=robust.mean + half,
            level=0.95,
            sided="two-sided",
        )


def _participants(analysis: SittingAnalysis, decided_by: str) -> Iterator[Participant]:
    held = analysis.held
    yield Participant(name=held.sitting.leader, role="panel leader")
    yield Participant(name=held.sitting.coder, role="coder")
    if held.preparation is not None:
        yield Participant(name=held.preparation.prepared_by, role="made up the samples")
    for assessor in held.sitting.assessors:
        absent = " (no sheet)" if assessor in held.outstanding else ""
        yield Participant(name=assessor, role=f"assessor{absent}")
    yield Participant(name=decided_by, role="decided")


def _records(analysis: SittingAnalysis) -> dict[str, Any]:
    held = analysis.held
    return {
        "sitting": held.record.seq,
        "sheets": [record.seq for record in held.sheet_records],
        "key_openings": [record.seq for record, _ in held.openings],
        "closing": None if held.closing is None else held.closing[0].seq,
    }
