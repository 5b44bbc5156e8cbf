"""Who notices which off-note: detection records and individual thresholds.

People differ widely, above all with haloanisoles and sulphur compounds, so that a minority can be
right. A confirmation asks the sensitive first; insensitivity to one off-note says nothing about
another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from bulkflow.statistics.arguments import counts_out_of, finite_array
from panels.errors import DataError
from panels.methods.anota import ANotA, a_not_a
from panels.methods.discrimination import Discriminators, p_value, proportion_of_discriminators
from panels.methods.protocols import ForcedChoice

__all__ = [
    "Detection",
    "ForcedChoiceRecord",
    "Threshold",
    "best_estimate_thresholds",
    "detection",
    "forced_choice_record",
    "group_threshold",
    "most_sensitive_first",
]


@dataclass(frozen=True, slots=True)
class Detection:
    """How often an assessor named an off-note where it was, and where it was not.

    ``d_prime_shrunk`` adds half an answer to each cell, so that perfect records can be ranked
    (log-linear rule, Hautus 1995); the exact test and the interval stand in ``test``.
    """

    assessor: str
    off_note: str
    test: ANotA
    d_prime_shrunk: float

    @property
    def p_value(self) -> float:
        """Exact one-sided chance of telling so well by luck."""
        return self.test.p_value


@dataclass(frozen=True, slots=True)
class ForcedChoiceRecord:
    """An assessor's forced-choice answers for one off-note: exact p-value, share and interval."""

    assessor: str
    off_note: str
    correct: int
    n: int
    p_value: float
    share: Discriminators


@dataclass(frozen=True, slots=True)
class Threshold:
    """Best estimate of one assessor's threshold.

    ``censored`` is ``"below"`` when the lowest step was already found (and all above), ``"above"``
    when the highest was missed; the value then assumes one more step in the series.
    """

    assessor: str
    value: float
    censored: str | None


def detection(
    assessor: str, off_note: str, *, named: int, spiked: int, false_alarms: int, controls: int
) -> Detection:
    """Return an assessor's detection of one off-note over sittings.

    Parameters
    ----------
    named : times the off-note was named in ``spiked`` servings that had it.
    false_alarms : times it was named in ``controls`` servings that had not (blind controls).

    Examples
    --------
    >>> record = detection("K7", "musty", named=9, spiked=10, false_alarms=1, controls=20)
    >>> round(record.d_prime_shrunk, 2), record.p_value < 0.001
    (2.56, True)
    """
    test = a_not_a(named, spiked, false_alarms, controls)
    hit = (named + 0.5) / (spiked + 1.0)
    alarm = (false_alarms + 0.5) / (controls + 1.0)
    return Detection(
        assessor=assessor,
        off_note=off_note,
        test=test,
        d_prime_shrunk=float(ndtri(hit) - ndtri(alarm)),
    )


def forced_choice_record(
    assessor: str, off_note: str, correct: int, n: int, *, method: str = "3-AFC"
) -> ForcedChoiceRecord:
    """Return an assessor's record in directed tests such as "which has the off-note".

    Examples
    --------
    >>> round(forced_choice_record("K7", "musty", 7, 9).p_value, 4)
    0.0083
    """
    right, trials = counts_out_of(correct, n)
    test = ForcedChoice.of(method)
    return ForcedChoiceRecord(
        assessor=assessor,
        off_note=off_note,
        correct=right,
        n=trials,
        p_value=p_value(test, right, trials),
        share=proportion_of_discriminators(test, right, trials),
    )


def most_sensitive_first(
    records: Sequence[Detection | ForcedChoiceRecord], off_note: str
) -> tuple[str, ...]:
    """Return assessors in order of how well they notice one off-note; ties by name.

    The order follows the exact p-value, which weighs how good with how often.

    Examples
    --------
    >>> records = [
    ...     forced_choice_record("A", "musty", 4, 9),
    ...     forced_choice_record("B", "musty", 8, 9),
    ...     forced_choice_record("C", "metallic", 9, 9),
    ... ]
    >>> most_sensitive_first(records, "musty")
    ('B', 'A')
    """
    chosen = [record for record in records if record.off_note == off_note]
    return tuple(r.assessor for r in sorted(chosen, key=lambda r: (r.p_value, r.assessor)))


def best_estimate_thresholds(
    steps: Sequence[float], answers: Mapping[str, Sequence[bool | int]]
) -> tuple[Threshold, ...]:
    """Return each assessor's threshold from an ascending series of 3-AFC sets.

    Parameters
    ----------
    steps : concentrations, rising, evenly spaced as ratios (at least two).
    answers : for each assessor one answer a step, right (1) or wrong (0).

    Notes
    -----
    The geometric mean of the highest step missed and the next one up, provided all above were
    found. With the lowest step found the series is taken one step further down, with the highest
    missed one step further up, and the value is marked as censored.

    References
    ----------
    ASTM E679 (ascending concentration series, 3-AFC).

    Examples
    --------
    >>> found = best_estimate_thresholds([1, 2, 4, 8], {"A": [0, 1, 0, 1], "B": [1, 1, 1, 1]})
    >>> [(t.assessor, round(t.value, 3), t.censored) for t in found]
    [('A', 5.657, None), ('B', 0.707, 'below')]
    """
    levels = finite_array("steps", steps, least=2)
    if (levels <= 0.0).any() or (np.diff(levels) <= 0.0).any():
        raise DataError("steps must be above zero and rise.")
    down, up = levels[0] ** 2 / levels[1], levels[-1] ** 2 / levels[-2]
    series = np.concatenate([[down], levels, [up]])
    results = []
    for assessor, row in answers.items():
        if len(row) != levels.size:
            raise DataError(f"{assessor} has {len(row)} answers for {levels.size} steps.")
        if any(answer not in (0, 1) for answer in row):
            raise DataError(f"{assessor} has an answer that is neither 1 (right) nor 0 (wrong).")
        missed = [i for i, answer in enumerate(row) if not answer]
        last = missed[-1] + 1 if missed else 0  # place in the extended series
        censored = "below" if last == 0 else "above" if last == levels.size else None
        value = float(np.sqrt(series[last] * series[last + 1]))
        results.append(Threshold(assessor=assessor, value=value, censored=censored))
    return tuple(results)


def group_threshold(thresholds: Sequence[Threshold]) -> tuple[float, float]:
    """Return the panel's threshold (geometric mean) and its standard deviation in log10.

    Examples
    --------
    >>> mean, spread = group_threshold([Threshold("A", 1.0, None), Threshold("B", 100.0, None)])
    >>> round(mean, 6), round(spread, 4)
    (10.0, 1.4142)
    """
    if len(thresholds) < 2:
        raise DataError("a panel's threshold needs at least two assessors.")
    logs = np.log10([one.value for one in thresholds])
    return float(10.0 ** logs.mean()), float(logs.std(ddof=1))
