"""Going back to a plan made before wherever that costs nothing: no load moves without a gain.

What differs from the earlier plan is split into moves: in one block of whole columns, a run of
periods over which the counts add up to the same (a load sent earlier or later), or what is left
at its end (a load more or less). Each move is taken back if the plan then costs no more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession
from bulkflow.core.program import Program

__all__ = ["moves", "without_idle_moves"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Costs that differ by less than this share are alike.
_TIE = 1e-7


def moves(program: Program, values: FloatArray, start: FloatArray) -> list[IntArray]:
    """Return the columns of every move between two plans, by block and period.

    Parameters
    ----------
    values, start : of all columns; those of ``start`` that are not finite are left out.
    """
    found: list[IntArray] = []
    steps = np.arange(program.periods)
    for number in range(len(program.blocks)):
        columns = number * program.periods + steps
        known = np.isfinite(start[columns]) & program.integer[columns]
        gap = np.where(known, np.round(values[columns]) - np.round(start[columns]), 0.0)
        level = np.cumsum(gap)
        begin = 0
        for end in np.flatnonzero((level == 0) | (steps == program.periods - 1)).tolist():
            changed = columns[begin : end + 1][gap[begin : end + 1] != 0]
            if len(changed):
                found.append(changed)
            begin = end + 1
    return found


def without_idle_moves(
    program: Program, values: FloatArray, start: FloatArray, deadline: Deadline
) -> FloatArray:
    """Return column values with every move from ``start`` taken back that brings no gain."""
    found = moves(program, values, start)
    if not found:
        return values
    whole = np.flatnonzero(program.integer)
    counts = np.round(values)
    with HighsSession(program, relaxed=True) as session:
        session.set_bounds(whole, counts[whole], counts[whole])
        answer = session.solve_lp(deadline)
        if answer.values is None:
            return values
        best, limit = answer.values, answer.objective + _TIE * max(1.0, abs(answer.objective))
        # All at once first: where nothing has changed nothing moves.
        for columns in (np.concatenate(found), *found):
            if (counts[columns] == np.round(start[columns])).all():
                continue
            if deadline.reason_to_stop() is not None:
                break
            back = np.round(start[columns])
            if (back < program.lower[columns]).any() or (back > program.upper[columns]).any():
                continue
            session.set_bounds(columns, back, back)
            answer = session.solve_lp(deadline)
            if answer.values is not None and answer.objective <= limit:
                best, counts[columns] = answer.values, back
                limit = min(limit, answer.objective + _TIE * max(1.0, abs(answer.objective)))
            else:
                session.set_bounds(columns, counts[columns], counts[columns])
    return best
