"""Applying a release rule to estimates and off-notes; the same code judges and simulates.

Release, hold or reject from the limits of intervals: a lot is released when the lower limit of
every deciding estimate clears its minimum, rejected when the upper limit of one lies below it,
and held in between. Off-notes named by enough assessors stop a release whatever the score.
Functions take arrays, one element per lot (or simulated lot).
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
    "Limits",
    "NextStep",
    "OffNoteFinding",
    "Verdict",
    "false_alarm_rate",
    "judge_scores",
    "limits_of",
    "off_note_finding",
    "stop_for_off_note",
]


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


def judge_scores(
    rule: ReleaseRule,
    look: int,
    mean: tuple[ArrayLike, ArrayLike, ArrayLike],
    difference: tuple[ArrayLike, ArrayLike, ArrayLike],
) -> NDArray[np.int64]:
    """Verdict of the score alone, as `Code` values.

    Parameters
    ----------
    rule : the declared rule.
    look : 1 for the first sitting, 2 for the first retest (judged with all scores so far).
    mean, difference : estimate, standard error and degrees of freedom of the lot's mean and
        of its difference from the blind control, equally long arrays.

    Notes
    -----
    Every deciding estimate is tested for release at the full level of the look: all must pass,
    so the risk is not added up. For rejection one failure is enough, so the level is divided
    among them.
    """
    level = rule.level_at(look)
    deciding = []
    if rule.score.needs_mean:
        deciding.append((mean, _required(rule.score.minimum)))
    if rule.score.needs_difference:
        deciding.append((difference, -_required(rule.score.largest_drop)))
    found = [
        limits_of(*given, least, release_level=level, reject_level=level / len(deciding))
        for given, least in deciding
    ]
    released = np.all([limits.margin_low > 0 for limits in found], axis=0)
    rejected = np.any([limits.margin_high < 0 for limits in found], axis=0)
    return np.where(rejected, Code.REJECT, np.where(released, Code.RELEASE, Code.HOLD))


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
