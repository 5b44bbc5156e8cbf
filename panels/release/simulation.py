"""Simulated sittings: what a release rule does to lots of known quality.

Owns the chance model behind operating characteristics. Scores follow the mixed model of
`panels.methods.mixed_model`, are read to the rule's step, cut to its scale and lost at random;
the judged lot stands beside good lots and the blind control of its liquid; every simulated
sitting is fitted and judged by the code that judges real ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panels.methods.mixed_model import Layout
from panels.methods.reml import fit_reml
from panels.release.judging import Code, judge_scores, stop_for_off_note
from panels.release.rule import ReleaseRule

__all__ = ["BATCH", "Progress", "SimulatedLots", "simulate_lots"]

Array = NDArray[np.float64]
Progress = Callable[[int], None]
"""Called with the number of sittings simulated since the last call."""

BATCH = 500
"""Sittings fitted together: bounds memory, and gives progress its grain."""

Triple = tuple[Array, Array, Array]


@dataclass(frozen=True)
class SimulatedLots:
    """What the panel found on simulated lots that are alike.

    Attributes
    ----------
    means, differences : for each look, estimate, standard error and degrees of freedom, arrays
        (draws,). The second look pools the first sitting with the retest, and so on.
    off_note_stops : bool array (draws, looks), whether an off-note stops the lot at that look.
    assessors : int array (draws, looks), assessors with a valid score of the lot at that look.
    """

    means: tuple[Triple, ...]
    differences: tuple[Triple, ...]
    off_note_stops: NDArray[np.bool_]
    assessors: NDArray[np.int64]

    def verdicts(self, rule: ReleaseRule) -> NDArray[np.int64]:
        """Return final verdicts (draws,) as `Code` values under a rule with the same panel.

        A lot held by its score is nosed again as often as the rule allows; one stopped by an
        off-note stays held, since only a directed confirmation goes on from there.
        """
        final = np.full(len(self.off_note_stops), int(Code.HOLD))
        going_on = np.ones(len(final), dtype=bool)
        for look in range(1, len(rule.spending) + 1):
            at = look - 1
            scored = judge_scores(rule, look, self.means[at], self.differences[at])
            enough = self.assessors[:, at] >= rule.validity.fewest_assessors
            scored = np.where(enough, scored, Code.HOLD)
            stopped = self.off_note_stops[:, at] & (scored == Code.RELEASE)
            final = np.where(going_on & ~stopped, scored, final)
            held_by_note = self.off_note_stops[:, at]
            going_on &= (scored == Code.HOLD) & ~held_by_note
        return final


def simulate_lots(
    rule: ReleaseRule,
    *,
    quality: float,
    noticing_share: float = 0.0,
    draws: int,
    rng: np.random.Generator,
    progress: Progress = lambda done: None,
) -> SimulatedLots:
    """Simulate lots of one true quality through the first sitting and every retest.

    Parameters
    ----------
    rule : the rule with its panel assumptions.
    quality : true mean score of the lot without taint [score].
    noticing_share : chance that an assessor notices a taint; who does names it and takes
        ``noticed_drop`` off the score. The same assessors notice it at a retest.
    draws : simulated lots.
    rng : seeded generator.
    """
    parts = []
    for start in range(0, draws, BATCH):
        size = min(BATCH, draws - start)
        parts.append(_simulate_batch(rule, quality, noticing_share, size, rng))
        progress(size)
    looks = range(len(rule.spending))
    return SimulatedLots(
        means=tuple(_joined([part.means[look] for part in parts]) for look in looks),
        differences=tuple(_joined([part.differences[look] for part in parts]) for look in looks),
        off_note_stops=np.concatenate([part.off_note_stops for part in parts]),
        assessors=np.concatenate([part.assessors for part in parts]),
    )


def _joined(triples: list[Triple]) -> Triple:
    first, second, third = (np.concatenate(part) for part in zip(*triples, strict=True))
    return first, second, third


LOT, CONTROL = 0, 1


def _tray(rule: ReleaseRule) -> list[int]:
    """Return the samples of one sitting: the judged lot, glasses of its control, then good lots."""
    panel = rule.assumptions
    return [LOT] + [CONTROL] * panel.control_glasses + list(range(2, panel.lots + 1))


def _simulate_batch(
    rule: ReleaseRule, quality: float, share: float, size: int, rng: np.random.Generator
) -> SimulatedLots:
    panel, looks = rule.assumptions, len(rule.spending)
    tray = np.array(_tray(rule))
    kinds = int(tray.max()) + 1
    true = np.full(kinds, panel.control_quality)
    true[LOT] = quality
    people = rng.normal(0.0, panel.assessor_sd, (size, panel.assessors, 1))
    tastes = rng.normal(0.0, panel.interaction_sd, (size, panel.assessors, kinds))
    notices = rng.random((size, panel.assessors)) < share
    scores, present = [], []
    for look in range(looks):
        if look:  # other lots sit beside the retested one; who likes them is drawn anew
            tastes[:, :, 2:] = rng.normal(0.0, panel.interaction_sd, tastes[:, :, 2:].shape)
        found = true[tray] + people + tastes[:, :, tray]
        found = found + rng.normal(0.0, panel.residual_sd, found.shape)
        found[:, :, 0] -= panel.noticed_drop * notices
        scores.append(_read(rule, found))
        present.append(_kept(rng, found.shape, panel.missing_share))
    return _estimated(rule, np.stack(scores, axis=2), np.stack(present, axis=2), notices, rng)


def _read(rule: ReleaseRule, scores: Array) -> Array:
    scale = rule.score
    steps = np.rint((scores - scale.lowest) / scale.step)
    return np.asarray(np.clip(scale.lowest + steps * scale.step, scale.lowest, scale.highest))


def _kept(
    rng: np.random.Generator, shape: tuple[int, ...], missing_share: float
) -> NDArray[np.bool_]:
    """Which servings give a score; at least two assessors keep their lot and one control."""
    kept = rng.random(shape) >= missing_share
    kept[:, :2, :2] = True
    return kept


def _estimated(
    rule: ReleaseRule,
    scores: Array,
    present: NDArray[np.bool_],
    notices: NDArray[np.bool_],
    rng: np.random.Generator,
) -> SimulatedLots:
    """Fit every look; scores and present are (draws, assessors, looks, places)."""
    looks = scores.shape[2]
    means, differences, stops, counts = [], [], [], []
    for look in range(1, looks + 1):
        mean, difference = _fitted(rule, scores[:, :, :look], present[:, :, :look])
        means.append(mean)
        differences.append(difference)
        seen = present[:, :, look - 1, 0]
        stops.append(_off_note_stops(rule, notices, seen, rng))
        counts.append(seen.sum(axis=1))
    return SimulatedLots(
        tuple(means), tuple(differences), np.stack(stops, axis=1), np.stack(counts, axis=1)
    )


def _fitted(rule: ReleaseRule, scores: Array, present: NDArray[np.bool_]) -> tuple[Triple, Triple]:
    draws, people, looks, places = scores.shape
    layout = _layout(rule, people, looks)
    fit = fit_reml(
        scores.reshape(draws, people, looks * places),
        layout.design(),
        np.array(list(layout.kernels().values())),
        present.reshape(draws, people, looks * places),
        least_residual=rule.score.step**2 / 12.0,
    )
    lot = np.zeros(fit.fixed.shape[1])
    lot[LOT] = 1.0
    against = lot.copy()
    against[CONTROL] = -1.0
    return fit.contrast(lot), fit.contrast(against)


def _layout(rule: ReleaseRule, people: int, looks: int) -> Layout:
    """Lot and control are the same sample in every sitting; the lots beside them are others."""
    tray = _tray(rule)
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


def _off_note_stops(
    rule: ReleaseRule,
    notices: NDArray[np.bool_],
    seen: NDArray[np.bool_],
    rng: np.random.Generator,
) -> NDArray[np.bool_]:
    """Whether any note of the house list is named by enough assessors: the taint, or by chance.

    Every note of the list can be named by false alarm; those who notice the taint name the
    first one for certain.
    """
    notes = len(rule.off_note_list)
    rate = rule.assumptions.false_alarm_share
    named = rng.random((*notices.shape, notes)) < rate
    named[:, :, 0] |= notices
    counts = (named & seen[..., None]).sum(axis=1)
    stops, _ = stop_for_off_note(rule, counts, seen.sum(axis=1)[:, None], rate)
    return np.asarray(stops.any(axis=1))
