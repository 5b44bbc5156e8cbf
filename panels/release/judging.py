"""Applying a release rule to estimates and off-notes; the same code judges and simulates.

Release, hold or reject from the limits of intervals: a lot is released when the lower limit of
every deciding estimate clears its minimum, rejected when the upper limit of one lies below it,
and held in between. Off-notes named by enough assessors stop a release whatever the score. A
sitting whose controls fail, or whose assessors tell no glass from another, counts for nothing.
Functions take arrays, one element per lot or sitting (real or simulated).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from panels.release.rule import ReleaseRule

__all__ = [
    "FEWEST_TELLING",
    "Code",
    "Limits",
    "NextStep",
    "OffNoteFinding",
    "Triple",
    "Verdict",
    "allowing_for_days",
    "check_told",
    "control_clean",
    "control_good",
    "false_alarm_rate",
    "glasses_told_apart",
    "judge_scores",
    "limits_of",
    "off_note_finding",
    "repeats_agree",
    "stop_for_off_note",
]

Triple = tuple[ArrayLike, ArrayLike, ArrayLike]
"""Estimate, standard error and degrees of freedom, equally long."""

FEWEST_TELLING = 2
"""Assessors who must give two glasses of a sitting different scores for it to count."""


class Verdict(StrEnum):
    """What becomes of a lot."""

    RELEASE = "release"
    HOLD = "hold"
    REJECT = "reject"


class NextStep(StrEnum):
    """What has to happen next with a lot."""

    NONE = "none"
    RETEST = "retest"
    CONFIRM_OFF_NOTE = "confirm the off-note"
    DECIDE_BY_PERSON = "a person with the role decides"


class Code(IntEnum):
    """Verdicts as array elements."""

    REJECT = -1
    HOLD = 0
    RELEASE = 1

    @property
    def verdict(self) -> Verdict:
        """The verdict it stands for."""
        return Verdict(self.name.lower())


@dataclass(frozen=True, slots=True)
class Limits:
    """Decision limits of one estimate at one look.

    Attributes
    ----------
    margin_low : lower limit minus the least value allowed [score]; above zero clears it.
    margin_high : upper limit minus the least value allowed [score]; below zero fails it.
    """

    margin_low: NDArray[np.float64]
    margin_high: NDArray[np.float64]


def limits_of(
    estimate: ArrayLike,
    standard_error: ArrayLike,
    degrees_of_freedom: ArrayLike,
    least: float,
    *,
    release_level: float,
    reject_level: float,
) -> Limits:
    """One-sided limits around an estimate, relative to the least value allowed."""
    value = np.asarray(estimate, dtype=float) - least
    error = np.asarray(standard_error, dtype=float)
    freedom = np.asarray(degrees_of_freedom, dtype=float)
    return Limits(
        value - stats.t.isf(release_level, freedom) * error,
        value + stats.t.isf(reject_level, freedom) * error,
    )


def allowing_for_days(
    rule: ReleaseRule, mean: Triple, difference: Triple, sittings: int
) -> tuple[Triple, Triple]:
    """Widen a mean and a difference by what no single sitting shows.

    Parameters
    ----------
    mean, difference : of a lot, from scores of ``sittings`` sittings together.

    Returns
    -------
    the same estimates; the variance of the mean raised by that of the day and of a sample made
    up anew, that of the difference by two samples made up anew, each shared among the sittings.
    Both are declared, so their degrees of freedom are infinite; the sum's are Satterthwaite's.

    References
    ----------
    F. E. Satterthwaite (1946), An approximate distribution of estimates of variance components,
    Biometrics Bulletin 2, 110-114.
    """
    score = rule.score
    replicate = score.replicate_sd**2 / sittings
    return (
        _widened(mean, score.day_sd**2 / sittings + replicate),
        _widened(difference, 2.0 * replicate),
    )


def _widened(found: Triple, variance: float) -> Triple:
    value, error, freedom = (np.asarray(part, dtype=float) for part in found)
    own = error**2
    # an estimate without an error of its own (or with none that is finite) is widened all the same
    more = np.divide(variance, own, out=np.full_like(own, np.inf), where=own > 0.0)
    return value, np.sqrt(own + variance), freedom * (1.0 + more) ** 2


def judge_scores(
    rule: ReleaseRule, look: int, mean: Triple, difference: Triple
) -> NDArray[np.int64]:
    """Verdict of the score alone, as `Code` values.

    Parameters
    ----------
    rule : the declared rule.
    look : 1 for the first sitting, 2 for the first retest; past the last that the rule allows
        nothing is left to spend, so nothing is released, and rejected at the last level.
    mean, difference : estimate, standard error and degrees of freedom of the lot's mean and
        of its difference from the blind control, from `allowing_for_days`.

    Notes
    -----
    Every deciding estimate is tested for release at the full level of the look: all must pass,
    so the risk is not added up. For rejection one failure is enough, so the level is divided
    among them.
    """
    beyond = look > len(rule.spending)
    level = rule.level_at(min(look, len(rule.spending)))
    deciding = []
    if rule.score.needs_mean:
        deciding.append((mean, _required(rule.score.minimum)))
    if rule.score.needs_difference:
        deciding.append((difference, -_required(rule.score.largest_drop)))
    found = [
        limits_of(*given, least, release_level=level, reject_level=level / len(deciding))
        for given, least in deciding
    ]
    released = np.all([limits.margin_low > 0 for limits in found], axis=0) & (not beyond)
    rejected = np.any([limits.margin_high < 0 for limits in found], axis=0)
    return np.where(rejected, Code.REJECT, np.where(released, Code.RELEASE, Code.HOLD))


def control_good(rule: ReleaseRule, mean: ArrayLike) -> NDArray[np.bool_]:
    """Whether the blind control's mean reaches its minimum; not where there is none (NaN)."""
    return np.asarray(np.asarray(mean, dtype=float) >= rule.validity.control_minimum)


def control_clean(rule: ReleaseRule, named: ArrayLike) -> NDArray[np.bool_]:
    """Whether no note is named on the control by enough assessors to stop a lot."""
    return np.asarray(np.asarray(named) < rule.off_notes.assessors)


def repeats_agree(rule: ReleaseRule, gap: ArrayLike) -> NDArray[np.bool_]:
    """Whether blind repeats differ little enough on average; not where no pair is (NaN)."""
    return np.asarray(np.asarray(gap, dtype=float) <= rule.validity.largest_repeat_difference)


def glasses_told_apart(telling: ArrayLike) -> NDArray[np.bool_]:
    """Whether enough assessors gave any two glasses of the sitting different scores."""
    return np.asarray(np.asarray(telling) >= FEWEST_TELLING)


def check_told(rule: ReleaseRule, drops: ArrayLike) -> NDArray[np.bool_]:
    """Whether assessors score a spiked or known-poor sample below the control.

    Parameters
    ----------
    drops : array (..., assessors), control less check sample of each assessor, NaN where one of
        them has no score.

    Notes
    -----
    A paired t test over assessors, one-sided at the rule's ``check_level``.
    """
    found = np.asarray(drops, dtype=float)
    there = np.isfinite(found)
    n = there.sum(axis=-1)
    values = np.where(there, found, 0.0)
    mean = values.sum(axis=-1) / np.maximum(n, 1)
    squares = np.where(there, (found - mean[..., None]) ** 2, 0.0).sum(axis=-1)
    error = np.sqrt(squares / np.maximum(n - 1, 1) / np.maximum(n, 1))
    least = stats.t.isf(rule.validity.check_level, np.maximum(n - 1, 1))
    return np.asarray((n > 1) & (mean > least * error))


@dataclass(frozen=True, slots=True)
class OffNoteFinding:
    """One off-note named on one lot.

    Attributes
    ----------
    note : as the house list has it.
    assessors : who named it, sorted.
    asked : how many assessors gave a valid sheet for the lot.
    false_alarm_rate : estimated chance that an assessor names this note on a blind control.
    chance : chance that any note of the house list would be named so often at that rate.
    stops : whether the rule's count is reached, which stops a release.
    stands_out : whether ``chance`` is at or below the rule's limit.
    """

    note: str
    assessors: tuple[str, ...]
    asked: int
    false_alarm_rate: float
    chance: float
    stops: bool
    stands_out: bool


def false_alarm_rate(named: ArrayLike, controls: ArrayLike) -> NDArray[np.float64]:
    """Estimated chance that an assessor names a note where it is not.

    Half a count is added to namings and to their complement, so that no panel is taken to be
    infallible because its few controls came out clean.
    """
    return np.asarray((np.asarray(named) + 0.5) / (np.asarray(controls) + 1.0), dtype=float)


def stop_for_off_note(
    rule: ReleaseRule, named: ArrayLike, asked: ArrayLike, rate: ArrayLike
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Whether the count of assessors stops the lot, and the chance of it by false alarm."""
    count = np.asarray(named)
    alone = stats.binom.sf(count - 1, np.asarray(asked), np.asarray(rate))
    chance = -np.expm1(len(rule.off_note_list) * np.log1p(-np.minimum(alone, 1.0 - 1e-16)))
    return count >= rule.off_notes.assessors, np.asarray(chance)


def off_note_finding(
    rule: ReleaseRule,
    note: str,
    *,
    marks: Mapping[str, int],
    asked: int,
    control_named: int,
    controls: int,
) -> OffNoteFinding:
    """Judge one off-note named on one lot.

    Parameters
    ----------
    marks : intensity by assessor, of those who named the note on the lot.
    asked : assessors with a valid sheet for the lot.
    control_named, controls : how often the note was named on blind controls, of how many.
    """
    counting = sorted(a for a, mark in marks.items() if mark >= rule.off_notes.least_intensity)
    rate = float(false_alarm_rate(control_named, controls))
    stops, chance = stop_for_off_note(rule, len(counting), asked, rate)
    return OffNoteFinding(
        note=note,
        assessors=tuple(counting),
        asked=asked,
        false_alarm_rate=rate,
        chance=float(chance),
        stops=bool(stops),
        stands_out=bool(stops) and float(chance) <= rule.off_notes.false_alarm_chance,
    )


def _required(value: float | None) -> float:
    if value is None:
        raise ValueError("a rule was built without a limit that it decides by")
    return value
