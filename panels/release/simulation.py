"""Simulated lots: what a release rule does to lots of known quality.

Owns the chance model behind operating characteristics. Scores follow the mixed model of
`panels.methods.mixed_model`, with spread that a sitting cannot show (the day, a sample made up
anew); they are read to the rule's step, cut to its scale and lost at random. The judged lot stands
beside good lots, the blind control, blind repeats and known-poor samples. Every simulated sitting
is checked and fitted by the code that does so with real ones, and the way of the lot (voiding,
retests, confirmations) is that of `panels.release.procedure.follow`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from panels.methods.mixed_model import Layout
from panels.methods.reml import fit_reml
from panels.release.judging import (
    Code,
    NextStep,
    allowing_for_days,
    check_told,
    control_clean,
    control_good,
    glasses_told_apart,
    judge_scores,
    repeats_agree,
    stop_for_off_note,
)
from panels.release.procedure import Act, ConfirmationAct, SittingAct, Standing, follow
from panels.release.rule import ReleaseRule

__all__ = ["BATCH", "Outcomes", "Progress", "SimulatedLots", "simulate_lots"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Progress = Callable[[int], None]
"""Called with the number of lots simulated since the last call."""

BATCH = 100
"""Lots of one generator: bounds memory, gives progress its grain, and lets a stored
characteristic be simulated again in parts."""

LOT, CONTROL = 0, 1
FIRST_DAY = date(2000, 1, 1)


@dataclass(frozen=True)
class Outcomes:
    """What became of simulated lots.

    Attributes
    ----------
    codes : int array (draws,), final verdicts as `Code` values.
    sittings, tests : int arrays (draws,), sittings held (void ones included) and confirmations.
    """

    codes: NDArray[np.int64]
    sittings: NDArray[np.int64]
    tests: NDArray[np.int64]


@dataclass(frozen=True)
class SimulatedLots:
    """What the panel would find on simulated lots that are alike, sitting by sitting.

    Valid sittings stand first to last as they would be held; how often one is void between them
    is kept apart, since a void one counts for nothing.

    Attributes
    ----------
    scores : array (draws, sittings, assessors, places), scores of valid sittings.
    present : bool array of that shape, which servings gave a score.
    voids : int array (draws, sittings), void sittings before each valid one.
    counted : int array of that shape, assessors with a score of the lot.
    notes : bool array (draws, sittings, notes), off-notes that stop the lot.
    correct : int array (draws, notes, tests), correct answers of each confirmation.
    """

    rule: ReleaseRule
    scores: Array
    present: Flags
    voids: NDArray[np.int64]
    counted: NDArray[np.int64]
    notes: Flags
    correct: NDArray[np.int64]
    _fits: dict[int, Array] = field(default_factory=dict)

    def outcomes(self, rule: ReleaseRule) -> Outcomes:
        """Return what becomes of the lots under a rule with the same panel and other limits."""
        draws = len(self.scores)
        ways = [_Way(self, rule, draw) for draw in range(draws)]
        going_on = list(range(draws))
        for sitting in range(len(rule.spending)):
            codes = self._codes(rule, sitting + 1, going_on)
            going_on = [draw for draw in going_on if ways[draw].hold(sitting, int(codes[draw]))]
        return Outcomes(
            codes=np.array([Code[way.standing.verdict.name] for way in ways], dtype=np.int64),
            sittings=np.array([way.sittings for way in ways]),
            tests=np.array([way.tests for way in ways]),
        )

    def verdicts(self, rule: ReleaseRule) -> NDArray[np.int64]:
        """Return final verdicts (draws,) as `Code` values."""
        return self.outcomes(rule).codes

    def _codes(self, rule: ReleaseRule, look: int, rows: list[int]) -> NDArray[np.int64]:
        """Judge the scores of the first sittings together; only for rows that get so far."""
        found = self._fits.setdefault(look, np.full((len(self.scores), 7), np.nan))
        missing = [row for row in rows if np.isnan(found[row, 0])]
        if missing:
            found[missing] = _fitted(self.rule, self.scores[missing], self.present[missing], look)
        codes = np.full(len(found), int(Code.HOLD))
        if rows:
            mean, difference = allowing_for_days(
                rule, tuple(found[rows, :3].T), tuple(found[rows, 3:6].T), look
            )
            judged = judge_scores(rule, look, mean, difference)
            apart = found[rows, 6] > rule.validity.furthest_apart
            codes[rows] = np.where(apart & (judged == Code.RELEASE), Code.HOLD, judged)
        return codes


class _Way:
    """One simulated lot on its way through the procedure, as far as it has come."""

    def __init__(self, lots: SimulatedLots, rule: ReleaseRule, draw: int) -> None:
        self.lots, self.rule, self.draw = lots, rule, draw
        self.acts: list[Act] = []
        self.codes: list[Code] = []
        self.sittings = self.tests = 0
        self.standing = self._follow()

    def _follow(self) -> Standing:
        return follow(self.rule, self.acts, lambda together, look: self.codes[look - 1])

    def _next(self, act: Act) -> None:
        self.acts.append(act)
        self.standing = self._follow()

    def _day(self) -> date:
        return FIRST_DAY + timedelta(days=len(self.acts))

    def hold(self, sitting: int, code: int) -> bool:
        """Hold the next sitting and what follows it; tell whether one more is to be held."""
        lots, draw = self.lots, self.draw
        self.codes.append(Code(code))
        for valid in [False] * int(lots.voids[draw, sitting]) + [True]:
            if self.standing.next_step is not NextStep.RETEST:
                return False
            self.sittings += 1
            if valid:
                few = bool(lots.counted[draw, sitting] < self.rule.validity.fewest_assessors)
                named = frozenset(str(n) for n in np.flatnonzero(lots.notes[draw, sitting]))
                self._next(SittingAct(self._day(), str(self.sittings), few=few, notes=named))
            else:
                self._next(SittingAct(self._day(), str(self.sittings), void=True))
        while self.standing.next_step is NextStep.CONFIRM_OFF_NOTE:
            note, _ = self.standing.notes[0]
            used = sum(act.note == note for act in self.acts if isinstance(act, ConfirmationAct))
            people = self.rule.assumptions.confirmation_assessors
            answers = people * self.rule.assumptions.confirmation_sets
            right = int(lots.correct[draw, int(note), used])
            self.tests += 1
            self._next(
                ConfirmationAct(self._day(), f"test {self.tests}", note, (answers, right, people))
            )
        return self.standing.next_step is NextStep.RETEST


def simulate_lots(
    rule: ReleaseRule,
    *,
    quality: float,
    noticing_share: float = 0.0,
    draws: int,
    rng: np.random.Generator,
) -> SimulatedLots:
    """Simulate lots of one true quality through as many sittings and tests as may be held.

    Parameters
    ----------
    rule : the rule with its panel assumptions.
    quality : true mean score of the lot without taint [score].
    noticing_share : chance that an assessor can notice a taint. Who notices it in a glass names
        it and takes ``noticed_drop`` off the score. The same assessors can at a retest, and at a
        confirmation, where people beyond the panel can with the same chance.
    draws : simulated lots.
    rng : seeded generator.
    """
    panel, looks = rule.assumptions, len(rule.spending)
    tray = np.array(_tray(rule))
    true = np.full(int(tray.max()) + 1, panel.control_quality)
    true[LOT] = quality
    if panel.check_glasses:
        true[-1] -= panel.check_drop
    state = _Lots(
        true=true,
        people=rng.normal(0.0, panel.assessor_sd, (draws, panel.assessors, 1)),
        tastes=rng.normal(0.0, panel.interaction_sd, (draws, panel.assessors, len(true))),
        can_notice=rng.random((draws, panel.assessors)) < noticing_share,
    )
    tries = looks + rule.validity.most_void + 1
    held = [_sitting(rule, state, tray, rng) for _ in range(tries)]
    scores = np.stack([one.scores for one in held], axis=1)
    present, notes, valid = (
        np.stack([getattr(one, name) for one in held], axis=1)
        for name in ("present", "notes", "valid")
    )
    order, voids = _valid_ones(valid, looks, rule.validity.most_void)
    rows = np.arange(draws)[:, None]
    judged = [place for place, sample in enumerate(tray) if sample < len(true) - _checks(rule)]
    kept = present[rows, order]
    return SimulatedLots(
        rule=rule,
        scores=scores[rows, order][..., judged],
        present=kept[..., judged],
        voids=voids,
        counted=kept[..., tray == LOT].any(axis=3).sum(axis=2),
        notes=notes[rows, order],
        correct=_confirmations(rule, state, noticing_share, rng),
    )


@dataclass(frozen=True)
class _Lots:
    """What is true of a batch: samples, and the people who nose them at every sitting."""

    true: Array
    people: Array
    tastes: Array
    can_notice: Flags


@dataclass(frozen=True)
class _Sitting:
    """Scores, which there are, notes that stop the lot, and whether the sitting counts."""

    scores: Array
    present: Flags
    notes: Flags
    valid: Flags


def _checks(rule: ReleaseRule) -> int:
    return int(rule.assumptions.check_glasses > 0)


def _tray(rule: ReleaseRule) -> list[int]:
    """Return the samples of one sitting by place: judged lot, control, good lots, checks.

    The repeats are of the last good lot, or of the judged one where it stands alone.
    """
    panel = rule.assumptions
    good = list(range(2, panel.lots + 1))
    again = good[-1] if good else LOT
    check = max([CONTROL, *good]) + 1
    return (
        [LOT]
        + [CONTROL] * panel.control_glasses
        + good
        + [again] * panel.repeats
        + [check] * panel.check_glasses
    )


def _sitting(
    rule: ReleaseRule, state: _Lots, tray: NDArray[np.int64], rng: np.random.Generator
) -> _Sitting:
    """Hold one sitting of every lot."""
    panel, draws = rule.assumptions, len(state.people)
    other = state.tastes[:, :, 2:]  # other lots stand beside it each time
    tastes = np.concatenate(
        [state.tastes[:, :, :2], rng.normal(0.0, panel.interaction_sd, other.shape)], axis=2
    )
    made_up = rng.normal(0.0, panel.replicate_sd, (draws, 1, len(state.true)))
    found = (state.true + made_up + tastes)[:, :, tray] + state.people
    found = found + rng.normal(0.0, panel.day_sd, (draws, 1, 1))
    found = found + rng.normal(0.0, panel.assessor_sitting_sd, state.people.shape)
    found = found + rng.normal(0.0, panel.residual_sd, found.shape)
    at_lot = tray == LOT
    noticed = state.can_notice[:, :, None] & (rng.random(found.shape) >= panel.miss_share) & at_lot
    scores = _read(rule, found - panel.noticed_drop * noticed)
    present = _kept(rng, found.shape, panel.missing_share)
    named = rng.random((*found.shape, len(rule.off_note_list))) < panel.false_alarm_share
    named[..., 0] |= noticed
    named &= present[..., None]
    stops, control = (
        named[:, :, tray == sample].any(axis=2).sum(axis=1) for sample in (LOT, CONTROL)
    )
    asked = present[:, :, at_lot].any(axis=2).sum(axis=1)[:, None]
    stopping, _ = stop_for_off_note(rule, stops, asked, panel.false_alarm_share)
    masked = np.where(present, scores, np.nan)
    valid = control_clean(rule, control.max(axis=1)) & _checked(rule, masked, tray)
    return _Sitting(scores, present, np.asarray(stopping), np.asarray(valid))


def _checked(rule: ReleaseRule, scores: Array, tray: NDArray[np.int64]) -> Flags:
    """Hold scores (draws, assessors, places), NaN where missing, against the rule's checks."""
    of_control = scores[:, :, tray == CONTROL]
    valid = control_good(rule, np.nanmean(of_control, axis=(1, 2)))
    there = np.isfinite(scores)
    least = np.where(there, scores, np.inf).min(axis=2)
    most = np.where(there, scores, -np.inf).max(axis=2)
    valid = valid & glasses_told_apart((most > least).sum(axis=1))
    for sample in {s for s in tray.tolist() if s != CONTROL and tray.tolist().count(s) > 1}:
        if _checks(rule) and sample == tray.max():
            continue
        own = scores[:, :, tray == sample]
        seen = np.isfinite(own).sum(axis=2) > 1
        spread = np.where(np.isfinite(own), own, -np.inf).max(axis=2)
        spread = spread - np.where(np.isfinite(own), own, np.inf).min(axis=2)
        pairs = seen.sum(axis=1)
        gap = np.where(seen, spread, 0.0).sum(axis=1) / np.where(pairs > 0, pairs, np.nan)
        valid = valid & repeats_agree(rule, gap)
    if _checks(rule):
        drop = _mean_over_glasses(of_control) - _mean_over_glasses(scores[:, :, tray == tray.max()])
        valid = valid & check_told(rule, drop)
    return np.asarray(valid)


def _mean_over_glasses(scores: Array) -> Array:
    count = np.isfinite(scores).sum(axis=2)
    return np.asarray(np.nansum(scores, axis=2) / np.where(count > 0, count, np.nan))


def _valid_ones(
    valid: Flags, looks: int, most_void: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return which sittings are the valid ones, and how many void ones stand before each.

    Where they run out the lot has had more void sittings than may be repeated by then.
    """
    order = np.argsort(~valid, axis=1, kind="stable")[:, :looks]
    enough = np.take_along_axis(valid, order, axis=1)
    before = order - np.arange(looks)
    void = np.diff(np.where(enough, before, most_void + 1), axis=1, prepend=0)
    void = np.where(enough, void, most_void + 1)
    return order, void


def _read(rule: ReleaseRule, scores: Array) -> Array:
    scale = rule.score
    steps = np.rint((scores - scale.lowest) / scale.step)
    return np.asarray(np.clip(scale.lowest + steps * scale.step, scale.lowest, scale.highest))


def _kept(rng: np.random.Generator, shape: tuple[int, ...], missing_share: float) -> Flags:
    """Which servings give a score; at least two assessors keep their lot and one control."""
    kept = rng.random(shape) >= missing_share
    kept[:, :2, :2] = True
    return kept


def _confirmations(
    rule: ReleaseRule, state: _Lots, share: float, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Correct answers by note and test: of who can notice, and of who guesses one of three."""
    panel = rule.assumptions
    draws, size = len(state.people), panel.confirmation_assessors
    shape = (draws, len(rule.off_note_list), rule.off_notes.confirmation.tests)
    able = np.zeros(shape, dtype=np.int64)
    own = state.can_notice[:, :size].sum(axis=1)
    further = rng.binomial(max(0, size - panel.assessors), share, (draws, shape[2]))
    able[:, 0] = own[:, None] + further
    sets, guess = panel.confirmation_sets, 1.0 / 3.0
    notice = 1.0 - panel.miss_share
    right = rng.binomial(able * sets, notice + (1.0 - notice) * guess)
    return np.asarray(right + rng.binomial((size - able) * sets, guess))


def _fitted(rule: ReleaseRule, scores: Array, present: Flags, look: int) -> Array:
    """Fit the first sittings together.

    Returns
    -------
    array (draws, 7): estimate, standard error and degrees of freedom of the lot's mean, the same
    of its difference from the control, and how far apart the sittings' own differences lie.
    """
    draws, _, people, places = scores.shape
    shape = (draws, people, look * places)
    flat = np.moveaxis(scores[:, :look], 1, 2).reshape(shape)
    there = np.moveaxis(present[:, :look], 1, 2).reshape(shape)
    layout = _layout(rule, people, look, places)
    fit = fit_reml(
        flat,
        layout.design(),
        np.array(list(layout.kernels().values())),
        there,
        least_residual=rule.score.step**2 / 12.0,
    )
    lot = np.zeros(fit.fixed.shape[1])
    lot[LOT] = 1.0
    against = lot.copy()
    against[CONTROL] = -1.0
    tray = np.array(_tray(rule)[:places])
    seen = np.where(present, scores, np.nan)[:, :look]
    own, control = (np.nanmean(seen[..., tray == sample], axis=(2, 3)) for sample in (LOT, CONTROL))
    apart = np.ptp(own - control, axis=1)
    mean, error, freedom = fit.contrast(lot)
    error = np.where(fit.settled, error, np.inf)  # as a real sitting that gives no estimate
    return np.column_stack([mean, error, freedom, *fit.contrast(against), apart])


def _layout(rule: ReleaseRule, people: int, looks: int, places: int) -> Layout:
    """Lot and control are the same sample in every sitting; the lots beside them are others."""
    tray = _tray(rule)[:places]
    others = max(tray) - 1
    samples = [
        [sample if sample < 2 else sample + look * others for sample in tray]
        for look in range(looks)
    ]
    flat = np.array(samples).ravel()
    sittings = np.repeat(np.arange(looks), len(tray))
    return Layout(
        samples=tuple(str(i) for i in range(int(flat.max()) + 1)),
        sittings=tuple(str(i) for i in range(looks)),
        sample_at=np.tile(flat, (people, 1)),
        sitting_at=np.tile(sittings, (people, 1)),
        present=np.ones((people, len(flat)), dtype=bool),
    )
