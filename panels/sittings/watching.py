"""The panel as its own sittings show it: who drifts, and what it would tell apart.

Follows from closed sittings by itself. An assessor is watched by the score of the blind controls
less that of everyone else's on the same day, so that neither the day nor the liquid plays a part.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from panels.assessors.drift import DriftSettings, pooled_sigma, reference_drift
from panels.release.rule import ReleaseRule
from panels.sittings.analysis import SittingAnalysis

__all__ = ["PanelWatch", "power_to_tell", "watch_panel"]

RECENT = 5
"""Sittings whose power is shown."""
NEARLY_SURE = 0.99
LEVEL = 0.05
"""One-sided level at which a drop counts as told."""


@dataclass(frozen=True, slots=True)
class PanelWatch:
    """What sittings up to one of them show of the panel.

    Attributes
    ----------
    liquid : whose standard the power is held against.
    drop : the difference from the control that should be told [score].
    power : chance of telling it at 5 %, one-sided, by sitting; the newest last.
    drifting : assessors with a lasting change, and the sitting from which it shows.
    too_few : assessors with fewer sittings than the baseline needs, and how many they have.
    """

    liquid: str
    drop: float
    power: tuple[tuple[str, float], ...]
    drifting: tuple[tuple[str, str], ...]
    too_few: tuple[tuple[str, int], ...]

    @property
    def words(self) -> tuple[str, ...]:
        """Sentences on power and drift."""
        said = []
        if self.power:
            shares = [f"{_chance(power)} in {name}" for name, power in self.power]
            said.append(
                f"a drop of {self.drop:g} from the control of {self.liquid} would be told"
                f" (one-sided {100 * LEVEL:g} %) with a chance of {', '.join(shares)}"
            )
        return (*said, *self.drift_words)

    @property
    def drift_words(self) -> tuple[str, ...]:
        """A sentence for each assessor who drifts."""
        return tuple(
            f"{name} drifts from {first} on, held against the others' scores of the blind controls"
            for name, first in self.drifting
        )


def _chance(power: float) -> str:
    return "over 99 %" if power > NEARLY_SURE else f"{100 * power:.0f} %"


def watch_panel(
    analyses: Sequence[SittingAnalysis], rule: ReleaseRule, settings: DriftSettings | None = None
) -> PanelWatch:
    """Watch a panel over its valid sittings.

    Parameters
    ----------
    analyses : valid sittings, oldest first, the one in question last.
    rule : of the liquid in question.
    settings : how the charts are drawn, as the panel's rule declares.
    """
    chosen = settings or DriftSettings(resolution=rule.score.step)
    # differences from the others have a centre of their own, and finer steps than the scale
    chosen = replace(chosen, agreed=None)
    drop = rule.score.largest_drop or rule.assumptions.check_drop
    shown = [(one.name, power_to_tell(one, rule, drop)) for one in analyses]
    power = tuple((name, found) for name, found in shown if found is not None)[-RECENT:]
    series = dict(sorted(_from_others(analyses).items()))
    enough = {name: row for name, row in series.items() if len(row) >= chosen.baseline}
    drifting = []
    if enough:
        baselines = [[value for _, value in row[: chosen.baseline]] for row in enough.values()]
        sigma = max(pooled_sigma(baselines), chosen.resolution / 2.0)
        for name, row in enough.items():
            drift = reference_drift(
                [sitting for sitting, _ in row],
                [value for _, value in row],
                chosen,
                sigma=sigma,
            )
            if drift.drifts_from is not None:
                drifting.append((name, drift.drifts_from))
    few = tuple((name, len(row)) for name, row in series.items() if name not in enough)
    return PanelWatch(rule.liquid, drop, power, tuple(drifting), few)


def power_to_tell(analysis: SittingAnalysis, rule: ReleaseRule, drop: float) -> float | None:
    """Return the chance that a sitting's panel tells a drop from the control, by a paired t-test.

    The spread is that of the assessors' own differences between lots of the liquid and their
    control, pooled; None where fewer than three assessors scored both.

    References
    ----------
    Noncentral t: J. Cohen (1988), Statistical Power Analysis for the Behavioral Sciences, ch. 2.
    """
    scores: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for answer in analysis.answers:
        if answer.counts and answer.glass.score is not None:
            scores[answer.assessor][answer.subject].append(answer.glass.score)
    variances, counts = [], []
    for lot in analysis.held.sitting.lots:
        own = [
            float(np.mean(by[lot.lot]) - np.mean(by[rule.standard]))
            for by in scores.values()
            if by.get(lot.lot) and by.get(rule.standard)
        ]
        if lot.liquid == rule.liquid and len(own) > 2:
            variances.append(float(np.var(own, ddof=1)))
            counts.append(len(own))
    if not variances:
        return None
    freedom = sum(counts) - len(counts)
    variance = float(np.average(variances, weights=[n - 1 for n in counts]))
    least = rule.score.step**2 / 12.0  # agreement to the last step is no proof of more
    shift = drop / float(np.sqrt(max(variance, least) / np.mean(counts)))
    return float(stats.nct.sf(stats.t.isf(LEVEL, freedom), freedom, shift))


def _from_others(
    analyses: Sequence[SittingAnalysis],
) -> Mapping[str, Sequence[tuple[str, float]]]:
    """Return each assessor's score of the controls less the others', by sitting."""
    series: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for one in analyses:
        for name, value in _differences(one):
            series[name].append((one.name, value))
    return series


def _differences(analysis: SittingAnalysis) -> Iterator[tuple[str, float]]:
    by: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for answer in analysis.answers:
        if answer.purpose == "control" and answer.counts and answer.glass.score is not None:
            by[answer.subject][answer.assessor].append(answer.glass.score)
    own: dict[str, list[float]] = defaultdict(list)
    for scores in by.values():
        means = {name: float(np.mean(given)) for name, given in scores.items()}
        if len(means) < 3:
            continue
        total = sum(means.values())
        for name, mean in means.items():
            own[name].append(mean - (total - mean) / (len(means) - 1))
    yield from ((name, float(np.mean(values))) for name, values in own.items())
