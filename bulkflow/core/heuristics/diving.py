"""A first plan by diving: fix what is nearest to whole, solve again, until all is whole.

The relaxation stays in its session, so each step is a short run of the dual simplex method. Where
a step leaves no solution, it is taken back and tried with fewer columns; a few such retreats and
the dive is given up.

Vehicles without a least fill, or with one of at most half of what they hold, come last and all at
once, rounded up: one more of them forces little else (two or more are then always full enough),
while one less can starve everything behind it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession, LpAnswer
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import ColumnKind, Program, RowRule

__all__ = ["DiveRule", "dive", "without_fill"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_WHOLE = 1e-6
_RETREATS = 6


@dataclass(frozen=True, slots=True)
class DiveRule:
    """How a dive chooses.

    Parameters
    ----------
    step : share of the fractional columns fixed at a time.
    up_from : fraction from which a column is rounded up.
    """

    step: float = 0.1
    up_from: float = 0.5


def dive(
    session: HighsSession,
    values: FloatArray,
    deadline: Deadline,
    rule: DiveRule,
    box: tuple[FloatArray, FloatArray] | None = None,
) -> LpAnswer | None:
    """Return a solution with every whole column whole, or None; the bounds are put back.

    Parameters
    ----------
    values : of the relaxation that is in the session, inside the box.
    box : bounds of all columns that the session has now; None: the program's.
    """
    program = session.program
    whole = np.flatnonzero(program.integer)
    lower, upper = (program.lower, program.upper) if box is None else box
    try:
        found = _dive(session, whole, values, lower.copy(), upper.copy(), deadline, rule)
        return None if found is None else _rounded_up(session, whole, found, deadline, upper)
    finally:
        session.set_bounds(whole, program.lower[whole], program.upper[whole])


def _dive(
    session: HighsSession,
    whole: IntArray,
    values: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    deadline: Deadline,
    rule: DiveRule,
) -> LpAnswer | None:
    answer: LpAnswer | None = None
    share, retreats = rule.step, 0
    early = whole[~without_fill(session.program)[whole]]
    while True:
        open_columns = _fractional(early, values)
        if not len(open_columns):
            return answer if answer is not None else session.solve_lp(deadline)
        if deadline.reason_to_stop() is not None:
            return None
        chosen, targets = _nearest(open_columns, values, lower, upper, share, rule.up_from)
        session.set_bounds(chosen, targets, targets)
        found = session.solve_lp(deadline)
        if found.status is OutcomeStatus.OPTIMAL and found.values is not None:
            lower[chosen] = upper[chosen] = targets
            answer, values = found, found.values
            share = min(rule.step, 2.0 * share)
            continue
        retreats += 1
        if retreats > _RETREATS or found.status is not OutcomeStatus.INFEASIBLE:
            return None
        session.set_bounds(chosen, lower[chosen], upper[chosen])
        if len(chosen) == 1:
            _turn_back(session, int(chosen[0]), float(targets[0]), values, lower, upper)
        share /= 4.0


def _rounded_up(
    session: HighsSession,
    whole: IntArray,
    found: LpAnswer,
    deadline: Deadline,
    upper: FloatArray,
) -> LpAnswer | None:
    """Return a solution with the vehicles left open rounded up, or None."""
    if found.values is None:
        return None
    if not len(_fractional(whole, found.values)):
        return found
    program = session.program
    late = without_fill(program)
    late[program.periods * len(program.blocks) :] = False  # the cumulative ones follow
    counts = np.flatnonzero(late)
    targets = np.minimum(np.ceil(found.values[counts] - _WHOLE), np.floor(upper[counts]))
    session.set_bounds(counts, targets, targets)
    answer = session.solve_lp(deadline)
    if answer.values is None or len(_fractional(whole, answer.values)):
        return None
    return answer


def without_fill(program: Program) -> NDArray[np.bool_]:
    """Return which columns count vehicles that need not be more than half full.

    The cumulative ones are included.
    """
    late = np.zeros(program.columns, dtype=bool)
    deepest = program.matrix.tocsr().min(axis=1).toarray().ravel()
    of: dict[RowRule, dict[str, float]] = {RowRule.VEHICLE_FILL: {}, RowRule.VEHICLE_CAPACITY: {}}
    for number, (rule, ref) in enumerate(zip(program.row_rules, program.row_refs, strict=True)):
        if rule in of:
            of[rule][ref] = min(of[rule].get(ref, 0.0), deepest[number])
    filled = {
        ref
        for ref, fill in of[RowRule.VEHICLE_FILL].items()
        if 2.0 * fill < of[RowRule.VEHICLE_CAPACITY].get(ref, 0.0) * (1.0 + 1e-9)
    }
    lanes = [ref for kind, ref, _ in program.blocks if kind is ColumnKind.VEHICLES]
    cumulative = program.periods * len(program.blocks)
    for number, lane in enumerate(lanes):
        if lane in filled:
            continue
        start = program.starts[ColumnKind.VEHICLES, lane, -1]
        late[start : start + program.periods] = True
        behind = cumulative + number * program.periods
        late[behind : behind + program.periods] = True
    return late


def _fractional(whole: IntArray, values: FloatArray) -> IntArray:
    distance = np.abs(values[whole] - np.round(values[whole]))
    return whole[distance > _WHOLE]


def _nearest(
    columns: IntArray,
    values: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    share: float,
    up_from: float,
) -> tuple[IntArray, FloatArray]:
    """Return the columns nearest to a whole number, and those numbers."""
    rounded = np.ceil(values[columns] - up_from)
    targets = np.clip(rounded, np.ceil(lower[columns]), np.floor(upper[columns]))
    distance = np.abs(values[columns] - targets)
    count = max(1, int(share * len(columns)))
    order = np.argsort(distance, kind="stable")[:count]
    return columns[order], targets[order]


def _turn_back(
    session: HighsSession,
    column: int,
    tried: float,
    values: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
) -> None:
    """Keep a column on the other side of the number that did not work."""
    if tried >= values[column]:
        upper[column] = min(upper[column], tried - 1.0)
    else:
        lower[column] = max(lower[column], tried + 1.0)
    here = np.array([column])
    session.set_bounds(here, lower[here], upper[here])
