"""What a closed sitting says: controls, the model, intervals and off-notes of each lot.

Pure: takes sittings as the register holds them and rules, and returns frozen results. Which
sittings of a lot are judged together is for `panels.release.procedure` to say.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bulkflow.records.times import local_time
from panels.errors import MethodError, PanelsError
from panels.methods.mixed_model import Comparison, Estimate, MixedModel, fit_mixed_model
from panels.methods.robust import RobustMean, algorithm_a
from panels.preparation.dilution import NosingWindow
from panels.records import CHECK_PURPOSES, Glass, JudgedLot
from panels.release.judging import (
    FEWEST_TELLING,
    OffNoteFinding,
    Triple,
    allowing_for_days,
    check_told,
    control_clean,
    control_good,
    glasses_told_apart,
    off_note_finding,
    repeats_agree,
)
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
    "lot_figures",
    "off_notes_of",
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
    look : 1 for the first valid sitting that ever judged it, 2 for the next.
    sittings : those judged together, this one last.
    assessors : with a counting score of the lot in this sitting.
    mean, difference : of the lot, and against its blind control; None where no model could be
        fitted, for the reason in ``trouble``.
    deciding : mean and difference as the rule decides by them, with the day allowed for.
    apart : how far apart the sittings' own differences from the control lie [score].
    dunnett : the same difference, allowing for the other lots of its liquid.
    robust_mean, robust_difference : Algorithm A over assessors, beside the model.
    off_notes : of this sitting, findings that any assessor named.
    attributes : mean and number of marks by attribute.
    trouble : why there is no model.
    """

    lot: JudgedLot
    look: int
    sittings: tuple[str, ...]
    assessors: int
    mean: Estimate | None
    difference: Estimate | None
    deciding: tuple[Estimate, Estimate] | None
    apart: float
    dunnett: Comparison | None
    robust_mean: RobustMean | None
    robust_difference: RobustMean | None
    off_notes: tuple[OffNoteFinding, ...]
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
    checks : controls, repeats, and whether glasses were told apart.
    deviations : what did not go as planned, in words.
    """

    held: HeldSitting
    answers: tuple[Answer, ...]
    checks: tuple[ControlCheck, ...]
    deviations: tuple[str, ...]

    @property
    def name(self) -> str:
        """The sitting's name."""
        return self.held.sitting.sitting

    def judged(self, lot: str) -> JudgedLot | None:
        """Return a lot as put before the panel; None if it was not."""
        return next((one for one in self.held.sitting.lots if one.lot == lot), None)

    def counting(self, lot: str) -> int:
        """Return how many assessors gave a counting score of a lot."""
        return len({a.assessor for a in self.answers if a.subject == lot and a.counts})

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
    liquid_of |= {poor.sample: poor.liquid for poor in sitting.checks}
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


def _checks(held: HeldSitting, answers: Sequence[Answer], rules: Rules) -> tuple[ControlCheck, ...]:
    """Hold a sitting against the rules of its liquids; any check that fails makes it void."""
    checks = [_told_apart(answers)]
    for poured in held.sitting.standards:
        rule = rules[poured.liquid]
        own = [a for a in answers if a.purpose == "control" and a.subject == poured.standard]
        checks.append(_control_mean(poured.standard, own, rule))
        checks.append(_control_notes(poured.standard, own, rule))
    return (*checks, *_repeats(held, answers, rules), *_poor_samples(held, answers, rules))


def _told_apart(answers: Sequence[Answer]) -> ControlCheck:
    by: dict[str, set[float]] = defaultdict(set)
    for answer in answers:
        if answer.counts and answer.glass.score is not None:
            by[answer.assessor].add(answer.glass.score)
    telling = sum(len(scores) > 1 for scores in by.values())
    return ControlCheck(
        what="assessors who scored any two glasses differently",
        found=f"{telling} of {len(by)}",
        limit=f"{FEWEST_TELLING} or more",
        passed=bool(glasses_told_apart(telling)),
    )


def _poor_samples(
    held: HeldSitting, answers: Sequence[Answer], rules: Rules
) -> Iterator[ControlCheck]:
    """Hold spiked and known-poor samples against the control of their liquid."""
    for poor in held.sitting.checks:
        rule = rules[poor.liquid]
        scores = _by_assessor(answers)
        drops = [
            float(np.mean(own[rule.standard]) - np.mean(own[poor.sample]))
            for own in scores.values()
            if own.get(rule.standard) and own.get(poor.sample)
        ]
        found = f"{np.mean(drops):+.2f} over {len(drops)} assessors" if drops else "no pair"
        yield ControlCheck(
            what=f"how far the {poor.kind} sample {poor.sample} scored below {rule.standard}",
            found=found,
            limit=f"above 0 at one-sided {100 * rule.validity.check_level:g} %",
            passed=bool(drops) and bool(check_told(rule, drops)),
        )


def _by_assessor(answers: Sequence[Answer]) -> dict[str, dict[str, list[float]]]:
    """Return counting scores by assessor and subject."""
    by: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for answer in answers:
        if answer.counts and answer.glass.score is not None:
            by[answer.assessor][answer.subject].append(answer.glass.score)
    return by


def _control_mean(standard: str, own: Sequence[Answer], rule: ReleaseRule) -> ControlCheck:
    scores = [a.glass.score for a in own if a.counts and a.glass.score is not None]
    least = rule.validity.control_minimum
    found = float(np.mean(scores)) if scores else None
    return ControlCheck(
        what=f"mean of the blind control {standard}",
        found="no counting score" if found is None else f"{found:.2f} of {len(scores)} glasses",
        limit=f"{least:g} or more",
        passed=found is not None and bool(control_good(rule, found)),
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
        passed=worst is None or bool(control_clean(rule, counts[worst])),
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
                passed=found is not None and bool(repeats_agree(rules[liquid], found)),
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


def analyse_sitting(held: HeldSitting, rules: Rules) -> SittingAnalysis:
    """Open a closed sitting's glasses and hold its controls against the rules.

    Parameters
    ----------
    rules : rule by liquid, as the sitting names them.
    """
    answers = answers_of(held, rules)
    checks = _checks(held, answers, rules)
    return SittingAnalysis(held, tuple(answers), checks, tuple(_deviations(held, answers, checks)))


def lot_figures(
    lot: str,
    together: Sequence[SittingAnalysis],
    company: Sequence[SittingAnalysis],
    rule: ReleaseRule,
    *,
    look: int,
) -> LotFigures:
    """Estimate what the panel found on a lot.

    Parameters
    ----------
    together : sittings whose scores of the lot are judged together, oldest first; the rule, the
        off-notes and the companions are those of the last.
    company : sittings whose blind controls tell the rate of false alarms.
    look : how many valid sittings have judged the lot.
    """
    last = together[-1]
    judged = last.judged(lot)
    if judged is None:
        raise ValueError(f"{lot} was not judged in {last.name}")
    standard = rule.standard
    scores = [answer for one in together for answer in one.answers]
    own = [a for a in last.answers if a.subject == lot]
    model, trouble = _model(scores, lot, standard, rule)
    mean = difference = dunnett = deciding = None
    if model is not None:
        mean, difference = model.mean(lot), model.difference(lot, standard)
        deciding = _deciding(rule, mean, difference, len(together))
        family = [
            one.lot
            for one in last.held.sitting.lots
            if one.liquid == judged.liquid and one.lot in model.samples
        ]
        compared = model.dunnett(standard, family)
        dunnett = next(c for c in compared if c.sample == lot)
    robust_mean, robust_difference = _robust(last.answers, lot, standard, rule.score.step)
    return LotFigures(
        lot=judged,
        look=look,
        sittings=tuple(one.name for one in together),
        assessors=last.counting(lot),
        mean=mean,
        difference=difference,
        deciding=deciding,
        apart=_apart(together, lot, standard),
        dunnett=dunnett,
        robust_mean=robust_mean,
        robust_difference=robust_difference,
        off_notes=off_notes_of(lot, last, company, rule),
        attributes=_attributes(own),
        model=model,
        trouble=trouble,
    )


def _deciding(
    rule: ReleaseRule, mean: Estimate, difference: Estimate, sittings: int
) -> tuple[Estimate, Estimate]:
    first, second = allowing_for_days(rule, _triple(mean), _triple(difference), sittings)
    return _estimate(first), _estimate(second)


def _triple(found: Estimate) -> tuple[float, float, float]:
    return found.estimate, found.standard_error, found.degrees_of_freedom


def _estimate(found: Triple) -> Estimate:
    value, error, freedom = (float(np.asarray(part)) for part in found)
    return Estimate(value, error, freedom)


def _apart(together: Sequence[SittingAnalysis], lot: str, standard: str) -> float:
    """Range of the sittings' plain differences; 0 where fewer than two show one."""
    found = []
    for one in together:
        scores: dict[str, list[float]] = defaultdict(list)
        for answer in one.answers:
            if answer.counts and answer.glass.score is not None:
                scores[answer.subject].append(answer.glass.score)
        if scores[lot] and scores[standard]:
            found.append(float(np.mean(scores[lot]) - np.mean(scores[standard])))
    return float(np.ptp(found)) if found else 0.0


def _model(
    answers: Sequence[Answer], lot: str, standard: str, rule: ReleaseRule
) -> tuple[MixedModel | None, str]:
    used = [
        (a, a.glass.score)
        for a in answers
        if a.counts and a.glass.score is not None and a.purpose not in CHECK_PURPOSES
    ]
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
    except (PanelsError, MethodError) as error:
        return None, str(error)
    return model, ""


def _robust(
    answers: Sequence[Answer], lot: str, standard: str, step: float
) -> tuple[RobustMean | None, RobustMean | None]:
    """Algorithm A over the assessors' own means and differences in this sitting."""
    by = _by_assessor(answers)
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


def off_notes_of(
    lot: str, sitting: SittingAnalysis, company: Sequence[SittingAnalysis], rule: ReleaseRule
) -> tuple[OffNoteFinding, ...]:
    """Return what assessors named on a lot, against false alarms on the controls of a company."""
    own = [a for a in sitting.answers if a.subject == lot]
    controls = [a for one in company for a in one.answers if a.purpose == "control"]
    least = rule.off_notes.least_intensity
    findings = []
    for note, marks in sorted(_marks(own).items()):
        named = sum(
            any(m.note == note and m.intensity >= least for m in a.glass.off_notes)
            for a in controls
        )
        findings.append(
            off_note_finding(
                rule,
                note,
                marks=marks,
                asked=len({a.assessor for a in own}),
                control_named=named,
                controls=len(controls),
            )
        )
    return tuple(findings)


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
    early = {
        day
        for record in held.sheet_records
        if (day := local_time(record.at, held.sitting.zone).date()) < held.sitting.held_on
    }
    if early:
        told.append(
            f"{sitting}: sheets were entered on {min(early)}, before its day {held.sitting.held_on}"
        )
    if held.sitting.qualified_by is None:
        told.append(f"{sitting}: no rule says who is qualified, so nobody was held against one")
    told += [
        f"{sitting}: {one.assessor} sat without being qualified ({one.lacks}): {one.reason}"
        for one in held.sitting.unqualified
    ]
    if held.preparation is None:
        told.append(f"{sitting}: the strength of the diluted samples was not recorded")
    told += [
        f"{sitting}: glass {one.glass.code} of {one.assessor}, {one.field}: {one.old or 'nothing'}"
        f" struck through, {one.new or 'nothing'} instead, by {record.actor} on"
        f" {record.at[:16].replace('T', ' ')} UTC ({one.reason})"
        for record, one in held.amendments
    ]
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
