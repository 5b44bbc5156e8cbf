"""What a closed sitting says: controls, the model, intervals and off-notes of each lot.

Pure: takes sittings as the register holds them and rules, and returns frozen results. A lot that
was held and nosed again is analysed with all its valid sittings together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from panels.errors import PanelsError
from panels.methods.mixed_model import Comparison, Estimate, MixedModel, fit_mixed_model
from panels.methods.robust import RobustMean, algorithm_a
from panels.preparation.dilution import NosingWindow
from panels.records import Glass, JudgedLot
from panels.release.judging import OffNoteFinding, off_note_finding
from panels.release.rule import OutsideWindow, ReleaseRule
from panels.sittings.history import HeldSitting
from panels.sittings.scores import at

__all__ = [
    "Answer",
    "ControlCheck",
    "LotFigures",
    "SittingAnalysis",
    "analyse_sitting",
    "answers_of",
    "check_controls",
]

Rules = Mapping[str, ReleaseRule]
"""Rule by liquid."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One glass with what was in it.

    Attributes
    ----------
    sitting, assessor, glass : whose answer.
    subject, liquid, purpose : what was in the glass.
    outside : empty if nosed in time, otherwise how far outside the window.
    counts : whether the answer is used: it has a score and the rule does not leave it out.
    """

    sitting: str
    assessor: str
    glass: Glass
    subject: str
    liquid: str
    purpose: str
    outside: str
    counts: bool


@dataclass(frozen=True, slots=True)
class ControlCheck:
    """One check that the sitting has to pass to count."""

    what: str
    found: str
    limit: str
    passed: bool


@dataclass(frozen=True, slots=True)
class LotFigures:
    """What the panel found on one lot.

    Attributes
    ----------
    lot : as put before the panel.
    look : 1 for a first sitting, 2 for the first retest.
    sittings : the valid sittings judged together, this one last.
    assessors : with a counting score of the lot in this sitting.
    mean, difference : of the lot, and against its blind control; None where no model could be
        fitted, for the reason in ``trouble``.
    dunnett : the same difference, allowing for the other lots of its liquid.
    robust_mean, robust_difference : Algorithm A over assessors, beside the model.
    off_notes : of this sitting and the earlier ones, findings that any assessor named.
    attributes : mean and number of marks by attribute.
    trouble : why there is no model.
    """

    lot: JudgedLot
    look: int
    sittings: tuple[str, ...]
    assessors: int
    mean: Estimate | None
    difference: Estimate | None
    dunnett: Comparison | None
    robust_mean: RobustMean | None
    robust_difference: RobustMean | None
    off_notes: tuple[tuple[str, OffNoteFinding], ...]
    attributes: Mapping[str, tuple[float, int]]
    model: MixedModel | None
    trouble: str


@dataclass(frozen=True)
class SittingAnalysis:
    """One closed sitting, analysed.

    Attributes
    ----------
    held : the sitting.
    answers : every glass that came back.
    checks : controls and repeats.
    lots : figures by lot.
    deviations : what did not go as planned, in words.
    """

    held: HeldSitting
    answers: tuple[Answer, ...]
    checks: tuple[ControlCheck, ...]
    lots: Mapping[str, LotFigures]
    deviations: tuple[str, ...]

    @property
    def void(self) -> bool:
        """Whether a control failed, so that the sitting counts for no lot."""
        return not all(check.passed for check in self.checks)


def answers_of(held: HeldSitting, rules: Rules) -> list[Answer]:
    """Put what was in each glass beside what was written of it."""
    sitting = held.sitting
    window = NosingWindow(sitting.earliest_minutes, sitting.latest_minutes)
    liquid_of = {lot.lot: lot.liquid for lot in sitting.lots}
    liquid_of |= {poured.standard: poured.liquid for poured in sitting.standards}
    key = {(row.assessor, row.code): row for row in held.key}
    answers = []
    for _, sheet in held.sheets:
        for glass in sheet.glasses:
            row = key[(sheet.assessor, glass.code)]
            liquid = liquid_of[row.subject]
            outside = ""
            if glass.nosed is not None:
                poured = at(sitting.held_on, glass.poured)
                outside = window.words_for(poured, at(sitting.held_on, glass.nosed))
            left_out = rules[liquid].validity.outside_window is OutsideWindow.EXCLUDE and outside
            answers.append(
                Answer(
                    sitting.sitting,
                    sheet.assessor,
                    glass,
                    row.subject,
                    liquid,
                    row.purpose,
                    outside,
                    counts=glass.score is not None and not left_out,
                )
            )
    return answers


def check_controls(
    held: HeldSitting, answers: Sequence[Answer], rules: Rules
) -> tuple[ControlCheck, ...]:
    """Hold controls and repeats against the rules of the sitting's liquids."""
    checks: list[ControlCheck] = []
    for poured in held.sitting.standards:
        rule = rules[poured.liquid]
        own = [a for a in answers if a.purpose == "control" and a.subject == poured.standard]
        checks.append(_control_mean(poured.standard, own, rule))
        checks.append(_control_notes(poured.standard, own, rule))
    checks += _repeats(held, answers, rules)
    return tuple(checks)


def _control_mean(standard: str, own: Sequence[Answer], rule: ReleaseRule) -> ControlCheck:
    scores = [a.glass.score for a in own if a.counts and a.glass.score is not None]
    least = rule.validity.control_minimum
    found = float(np.mean(scores)) if scores else None
    return ControlCheck(
        what=f"mean of the blind control {standard}",
        found="no counting score" if found is None else f"{found:.2f} of {len(scores)} glasses",
        limit=f"{least:g} or more",
        passed=found is not None and found >= least,
    )


def _control_notes(standard: str, own: Sequence[Answer], rule: ReleaseRule) -> ControlCheck:
    named = _marks(own)
    counts = {
        note: sum(mark >= rule.off_notes.least_intensity for mark in marks.values())
        for note, marks in named.items()
    }
    worst = max(counts, key=lambda note: (counts[note], note), default=None)
    return ControlCheck(
        what=f"off-notes named on the blind control {standard}",
        found="none" if worst is None else f"{worst} by {counts[worst]}",
        limit=f"none by {rule.off_notes.assessors} or more",
        passed=worst is None or counts[worst] < rule.off_notes.assessors,
    )


def _repeats(held: HeldSitting, answers: Sequence[Answer], rules: Rules) -> list[ControlCheck]:
    checks = []
    for lot in sorted({row.subject for row in held.key if row.purpose == "repeat"}):
        own: dict[str, list[float]] = defaultdict(list)
        for answer in answers:
            if answer.subject == lot and answer.counts and answer.glass.score is not None:
                own[answer.assessor].append(answer.glass.score)
        gaps = [float(np.ptp(scores)) for scores in own.values() if len(scores) > 1]
        liquid = next(one.liquid for one in held.sitting.lots if one.lot == lot)
        most = rules[liquid].validity.largest_repeat_difference
        found = float(np.mean(gaps)) if gaps else None
        checks.append(
            ControlCheck(
                what=f"mean difference between blind repeats of {lot}",
                found="no pair of scores"
                if found is None
                else f"{found:.2f} over {len(gaps)} assessors",
                limit=f"{most:g} or less",
                passed=found is not None and found <= most,
            )
        )
    return checks


def _marks(answers: Sequence[Answer]) -> dict[str, dict[str, int]]:
    """Strongest intensity by note and assessor; every sheet counts, whatever its time."""
    named: dict[str, dict[str, int]] = defaultdict(dict)
    for answer in answers:
        for mark in answer.glass.off_notes:
            before = named[mark.note].get(answer.assessor, 0)
            named[mark.note][answer.assessor] = max(before, mark.intensity)
    return dict(named)


def analyse_sitting(
    held: HeldSitting, earlier: Sequence[tuple[HeldSitting, Rules]], rules: Rules
) -> SittingAnalysis:
    """Analyse a closed sitting.

    Parameters
    ----------
    held : the sitting.
    earlier : closed sittings before it with their rules, oldest first; those that count and
        judged the same lot are analysed with it, whatever their rule's version, and all that
        count tell the rate of false alarms.
    rules : rule by liquid, as the sitting names them.
    """
    answers = answers_of(held, rules)
    checks = check_controls(held, answers, rules)
    company = [(one, _valid_answers(one, own)) for one, own in earlier]
    valid = [(one, found) for one, found in company if found is not None]
    lots = {
        lot.lot: _figures(lot, held, answers, valid, rules[lot.liquid]) for lot in held.sitting.lots
    }
    return SittingAnalysis(
        held, tuple(answers), checks, lots, tuple(_deviations(held, answers, checks))
    )


Company = Sequence[tuple[HeldSitting, list[Answer]]]


def _valid_answers(held: HeldSitting, rules: Rules) -> list[Answer] | None:
    """Answers of an earlier sitting; None if it is void."""
    answers = answers_of(held, rules)
    if not all(check.passed for check in check_controls(held, answers, rules)):
        return None
    return answers


def _figures(
    lot: JudgedLot,
    held: HeldSitting,
    answers: Sequence[Answer],
    valid: Company,
    rule: ReleaseRule,
) -> LotFigures:
    judged_before = [
        (one, found) for one, found in valid if any(j.lot == lot.lot for j in one.sitting.lots)
    ]
    together = [answer for _, found in judged_before for answer in found] + list(answers)
    own = [a for a in answers if a.subject == lot.lot]
    counting = {a.assessor for a in own if a.counts}
    standard = rule.standard
    model, trouble = _model(together, lot.lot, standard, rule)
    mean = difference = dunnett = None
    if model is not None:
        mean = model.mean(lot.lot)
        difference = model.difference(lot.lot, standard)
        family = [
            one.lot
            for one in held.sitting.lots
            if one.liquid == lot.liquid and one.lot in model.samples
        ]
        compared = model.dunnett(standard, family)
        dunnett = next(c for c in compared if c.sample == lot.lot)
    robust_mean, robust_difference = _robust(answers, lot.lot, standard, rule.score.step)
    sittings = [*judged_before, (held, list(answers))]
    return LotFigures(
        lot=lot,
        look=len(sittings),
        sittings=tuple(one.sitting.sitting for one, _ in sittings),
        assessors=len(counting),
        mean=mean,
        difference=difference,
        dunnett=dunnett,
        robust_mean=robust_mean,
        robust_difference=robust_difference,
        off_notes=tuple(_off_notes(lot.lot, sittings, valid, answers, rule)),
        attributes=_attributes(own),
        model=model,
        trouble=trouble,
    )


def _model(
    answers: Sequence[Answer], lot: str, standard: str, rule: ReleaseRule
) -> tuple[MixedModel | None, str]:
    used = [(a, a.glass.score) for a in answers if a.counts and a.glass.score is not None]
    present = {a.subject for a, _ in used}
    for needed in (lot, standard):
        if needed not in present:
            return None, f"{needed} has no counting score"
    try:
        model = fit_mixed_model(
            [a.assessor for a, _ in used],
            [a.subject for a, _ in used],
            [score for _, score in used],
            sittings=[a.sitting for a, _ in used],
            resolution=rule.score.step,
        )
    except PanelsError as error:
        return None, str(error)
    return model, ""


def _robust(
    answers: Sequence[Answer], lot: str, standard: str, step: float
) -> tuple[RobustMean | None, RobustMean | None]:
    """Algorithm A over the assessors' own means and differences in this sitting."""
    by: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for answer in answers:
        if answer.counts and answer.glass.score is not None:
            by[answer.assessor][answer.subject].append(answer.glass.score)
    means = [float(np.mean(own[lot])) for own in by.values() if own.get(lot)]
    differences = [
        float(np.mean(own[lot]) - np.mean(own[standard]))
        for own in by.values()
        if own.get(lot) and own.get(standard)
    ]
    return _algorithm_a(means, step), _algorithm_a(differences, step)


def _algorithm_a(values: Sequence[float], step: float) -> RobustMean | None:
    if len(values) < 3:
        return None
    return algorithm_a(values, resolution=step)


def _off_notes(
    lot: str,
    sittings: Company,
    valid: Company,
    answers: Sequence[Answer],
    rule: ReleaseRule,
) -> list[tuple[str, OffNoteFinding]]:
    controls = [a for _, found in valid for a in found if a.purpose == "control"]
    controls += [a for a in answers if a.purpose == "control"]
    least = rule.off_notes.least_intensity
    found = []
    for held, of_sitting in sittings:
        own = [a for a in of_sitting if a.subject == lot]
        for note, marks in sorted(_marks(own).items()):
            named = sum(
                any(m.note == note and m.intensity >= least for m in a.glass.off_notes)
                for a in controls
            )
            finding = off_note_finding(
                rule,
                note,
                marks=marks,
                asked=len({a.assessor for a in own}),
                control_named=named,
                controls=len(controls),
            )
            found.append((held.sitting.sitting, finding))
    return found


def _attributes(own: Sequence[Answer]) -> dict[str, tuple[float, int]]:
    marks: dict[str, list[float]] = defaultdict(list)
    for answer in own:
        for name, value in answer.glass.attributes.items():
            marks[name].append(value)
    return {name: (float(np.mean(values)), len(values)) for name, values in sorted(marks.items())}


def _deviations(
    held: HeldSitting, answers: Sequence[Answer], checks: Sequence[ControlCheck]
) -> list[str]:
    sitting = held.sitting.sitting
    told = [
        f"{sitting}: glass {a.glass.code} of {a.assessor} {a.outside},"
        f" {'kept and marked' if a.counts else 'left out'}"
        for a in answers
        if a.outside
    ]
    blank = sum(a.glass.score is None for a in answers)
    lacking = (
        len(held.key) - len(answers) - sum(row.assessor in held.outstanding for row in held.key)
    )
    if blank + lacking:
        told.append(f"{sitting}: glasses that came back without a score: {blank + lacking}")
    told += [f"{sitting}: no sheet from {name}" for name in held.outstanding]
    if held.preparation is None:
        told.append(f"{sitting}: the strength of the diluted samples was not recorded")
    for record, opening in held.openings:
        if opening.purpose == "early":
            later = sum(sheet.seq > record.seq for sheet, _ in held.sheets)
            told.append(
                f"{sitting}: the key was opened early by {record.actor} ({opening.reason});"
                f" {later} sheets came in after that"
            )
    told += [
        f"{sitting}: {c.what} was {c.found}, where {c.limit} is needed"
        for c in checks
        if not c.passed
    ]
    return told
