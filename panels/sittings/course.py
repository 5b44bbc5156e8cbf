"""The course of a lot: everything in the register that bears on it, put before the procedure.

Reads sittings, confirmations, reopenings and overrides, computes the figures that the rule asks
for, and hands them to `panels.release.procedure.follow`, which alone says where the lot stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Gate
from bulkflow.lots.tables import OVERRIDE
from bulkflow.records import Record
from panels.assessors.drift import DriftSettings
from panels.assessors.register import panel_rule_on
from panels.records import (
    CONFIRMATION,
    CONFIRMATION_PLAN,
    REOPENING,
    ConfirmationPlan,
    ConfirmationRecord,
    Reopening,
    bodies_about,
    latest_bodies,
)
from panels.release.judging import Code, judge_scores
from panels.release.procedure import (
    Act,
    ConfirmationAct,
    OverrideAct,
    ReopeningAct,
    SittingAct,
    Standing,
    follow,
)
from panels.release.register import DeclaredRule
from panels.release.rule import ReleaseRule
from panels.sittings.analysis import (
    LotFigures,
    SittingAnalysis,
    analyse_sitting,
    lot_figures,
    off_notes_of,
)
from panels.sittings.history import HeldSitting, closed_sittings, rules_of
from panels.sittings.watching import PanelWatch, watch_panel

__all__ = ["Courses", "LotCourse", "score_code"]


def score_code(figures: LotFigures, declared: DeclaredRule) -> Code:
    """Return what the scores alone say; sittings too far apart release nothing."""
    if figures.deciding is None:
        return Code.HOLD
    mean, difference = (
        ([e.estimate], [e.standard_error], [e.degrees_of_freedom]) for e in figures.deciding
    )
    code = Code(int(judge_scores(declared.rule, figures.look, mean, difference)[0]))
    apart = figures.apart > declared.rule.validity.furthest_apart
    return Code.HOLD if apart and code is Code.RELEASE else code


@dataclass(frozen=True)
class LotCourse:
    """Where a lot stands, and all it stands on.

    Attributes
    ----------
    lot : its name.
    analyses : closed sittings that judged it, void ones too, oldest first.
    figures : what each found, together with those judged with it; by sitting.
    tests, answers : confirmations planned and answered.
    reopenings : when it was put before the panel again, oldest first.
    declared : the rule its newest sitting stands on.
    standing : what follows.
    watch : the panel as its sittings up to the newest show it.
    """

    lot: str
    analyses: tuple[SittingAnalysis, ...]
    figures: dict[str, LotFigures]
    tests: tuple[ConfirmationPlan, ...]
    answers: tuple[ConfirmationRecord, ...]
    reopenings: tuple[Reopening, ...]
    declared: DeclaredRule
    standing: Standing
    watch: PanelWatch

    @property
    def last(self) -> SittingAnalysis:
        """The newest sitting."""
        return self.analyses[-1]

    @property
    def deciding(self) -> SittingAnalysis:
        """The newest sitting that counts; the newest of all where none does."""
        together = self.standing.together
        return next((a for a in self.analyses if a.name in together[-1:]), self.last)


class Courses:
    """Courses of lots as one state of the register has them; each sitting is analysed once."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._analyses: dict[str, SittingAnalysis] = {}
        self._rules: dict[str, dict[str, DeclaredRule]] = {}
        self._found: dict[str, LotCourse | None] = {}

    @cached_property
    def closed(self) -> tuple[HeldSitting, ...]:
        """Closed sittings, by day and name."""
        return tuple(closed_sittings(self.session))

    @cached_property
    def _plans(self) -> list[tuple[Record, ConfirmationPlan]]:
        return list(latest_bodies(self.session, CONFIRMATION_PLAN).values())

    def rules(self, held: HeldSitting) -> dict[str, DeclaredRule]:
        """Return the rules a sitting stands on, by liquid."""
        name = held.sitting.sitting
        if name not in self._rules:
            self._rules[name] = rules_of(self.session, held)
        return self._rules[name]

    def analysis(self, held: HeldSitting) -> SittingAnalysis:
        """Return a closed sitting, analysed."""
        name = held.sitting.sitting
        if name not in self._analyses:
            rules = {liquid: found.rule for liquid, found in self.rules(held).items()}
            self._analyses[name] = analyse_sitting(held, rules)
        return self._analyses[name]

    def of(self, lot: str) -> LotCourse:
        """Return the course of a lot.

        Raises
        ------
        InputError : no closed sitting judged it.
        """
        found = self.find(lot)
        if found is None:
            raise InputError(
                Fault(
                    "", 0, "lot", f"{lot} was judged by no closed sitting", "Hold a sitting first."
                )
            )
        return found

    def find(self, lot: str) -> LotCourse | None:
        """Return the course of a lot; None where no closed sitting judged it."""
        if lot not in self._found:
            self._found[lot] = self._course(lot)
        return self._found[lot]

    def _course(self, lot: str) -> LotCourse | None:
        held = [one for one in self.closed if any(j.lot == lot for j in one.sitting.lots)]
        if not held:
            return None
        analyses = {one.sitting.sitting: self.analysis(one) for one in held}
        rules = {
            name: self.rules(one.held)[judged.liquid]
            for name, one in analyses.items()
            if (judged := one.judged(lot)) is not None
        }
        figures: dict[str, LotFigures] = {}

        def figures_at(name: str, together: tuple[str, ...], look: int) -> LotFigures:
            last = analyses[name]
            company = [*self._valid_before(last.held), last]
            pooled = [analyses[one] for one in together]
            return lot_figures(lot, pooled, company, rules[name].rule, look=look)

        def score_of(together: tuple[str, ...], look: int) -> Code:
            name = together[-1]
            figures[name] = figures_at(name, together, look)
            return score_code(figures[name], rules[name])

        acts = [_sitting_act(lot, one, rules[name]) for name, one in analyses.items()]
        tests = [(record, plan) for record, plan in self._plans if plan.lot == lot]
        answered = bodies_about(self.session, CONFIRMATION, lot)
        reopened = [body for _, body in bodies_about(self.session, REOPENING, lot)]
        newest = max(held, key=lambda one: (one.sitting.held_on, one.sitting.sitting))
        declared = rules[newest.sitting.sitting]
        standing = follow(
            declared.rule,
            [
                *acts,
                *_test_acts(tests, answered),
                *(ReopeningAct(one.reopened_on, frozenset(one.aside)) for one in reopened),
                *self._overrides(lot, held, answered),
            ],
            score_of,
        )
        for name in analyses:
            if name not in figures:  # void: what it found is shown, and judges nothing
                figures[name] = figures_at(name, (name,), 1)
        return LotCourse(
            lot,
            tuple(analyses.values()),
            figures,
            tuple(plan for _, plan in tests),
            tuple(body for _, body in answered),
            tuple(reopened),
            declared,
            standing,
            self.watch(newest, declared.rule),
        )

    def watch(self, held: HeldSitting, rule: ReleaseRule) -> PanelWatch:
        """Return what sittings up to one show of the panel; a void one shows nothing of it."""
        own = self.analysis(held)
        shown = [*self._valid_before(held), *(() if own.void else (own,))]
        return watch_panel(shown, rule, self._drift_settings(held.sitting.held_on))

    def watches(self, day: date) -> dict[str, PanelWatch]:
        """Return what closed sittings up to a day show of the panel, by liquid."""
        newest: dict[str, HeldSitting] = {}
        for held in self.closed:
            if held.sitting.held_on <= day:
                newest |= dict.fromkeys((used.liquid for used in held.sitting.rules), held)
        return {
            liquid: self.watch(held, self.rules(held)[liquid].rule)
            for liquid, held in sorted(newest.items())
        }

    def _drift_settings(self, day: date) -> DriftSettings | None:
        panel = panel_rule_on(self.session, day)
        return None if panel is None else DriftSettings(**panel.fields["drift"])

    def _valid_before(self, held: HeldSitting) -> Iterator[SittingAnalysis]:
        for one in self.closed:
            if _when(one) < _when(held):
                analysis = self.analysis(one)
                if not analysis.void:
                    yield analysis

    def _overrides(
        self, lot: str, held: list[HeldSitting], answered: list[tuple[Record, ConfirmationRecord]]
    ) -> Iterator[Act]:
        """Yield overrides of the decision gate, each of the evidence known when it was given."""
        for record, body in bodies_about(self.session, OVERRIDE, lot):
            if Gate.DECISION in body.gates:
                known = {
                    one.sitting.sitting
                    for one in held
                    if one.closing is not None and one.closing[0].seq < record.seq
                }
                known |= {test.test for seen, test in answered if seen.seq < record.seq}
                yield OverrideAct(frozenset(known))


def _when(held: HeldSitting) -> tuple[object, str]:
    return held.sitting.held_on, held.sitting.sitting


def _sitting_act(lot: str, analysis: SittingAnalysis, declared: DeclaredRule) -> SittingAct:
    rule = declared.rule
    named = off_notes_of(lot, analysis, [analysis], rule)
    return SittingAct(
        on=analysis.held.sitting.held_on,
        name=analysis.name,
        void=analysis.void,
        few=analysis.counting(lot) < rule.validity.fewest_assessors,
        notes=frozenset(finding.note for finding in named if finding.stops),
    )


def _test_acts(
    tests: list[tuple[Record, ConfirmationPlan]],
    answered: list[tuple[Record, ConfirmationRecord]],
) -> Iterator[ConfirmationAct]:
    found = {body.test: body for _, body in answered}
    for _, plan in tests:
        body = found.get(plan.test)
        answers = None if body is None else (body.assessments, body.correct, len(body.assessors))
        yield ConfirmationAct(plan.held_on, plan.test, plan.note, answers)
