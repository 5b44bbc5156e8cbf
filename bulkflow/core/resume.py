"""Going on from a plan made before: the same loads if they still work, else close to them.

The plan may be of another network. What it knows of the whole columns is tried as it is. If that
leaves no plan at all (stock held back, a lane shut), the cumulative counts of the lanes are kept
within a load or two of it and a dive finds the rest. `towards` then looks between such a plan and
the relaxation: a count may move only where, and only as far as, the relaxation moves it, so loads
stay where moving them gains nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cumulative import CumulativeProgram
from bulkflow.core.deadline import Deadline
from bulkflow.core.dive import DiveRule, dive
from bulkflow.core.highs import HighsSession, LpAnswer
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import ColumnKind

__all__ = ["resume", "towards"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# How far, in loads, the counts may stray from the plan when it does not work as it is.
_STRAY = (0.0, 1.0, 2.0)
_WHOLE = 1e-6


def resume(
    session: HighsSession, extended: CumulativeProgram, start: FloatArray, deadline: Deadline
) -> LpAnswer | None:
    """Return a plan near another, or None; the bounds of the session are put back.

    Parameters
    ----------
    start : values of the original columns, NaN where the plan does not know them.
    """
    whole = np.flatnonzero(session.program.integer)
    found: LpAnswer | None = None
    for stray in _STRAY:
        found = _dive_in(session, whole, _box(extended, start, stray), deadline, DiveRule())
        if found is not None or deadline.reason_to_stop() is not None:
            break
    return found


def towards(
    session: HighsSession,
    extended: CumulativeProgram,
    plan: FloatArray,
    relaxed: FloatArray,
    deadline: Deadline,
) -> LpAnswer | None:
    """Return a plan between another and a relaxation, or None; bounds are put back."""
    program = session.program
    whole = np.flatnonzero(program.integer)
    lower, upper = program.lower.copy(), program.upper.copy()
    kept = np.round(plan[whole])
    free = np.zeros(program.columns, dtype=bool)
    for lane in extended.starts:
        # Counts of single periods follow from the cumulative ones.
        start = program.starts[ColumnKind.VEHICLES, lane, -1]
        free[start : start + program.periods] = True
    lower[whole] = np.maximum(lower[whole], np.minimum(kept, np.floor(relaxed[whole] + _WHOLE)))
    upper[whole] = np.minimum(upper[whole], np.maximum(kept, np.ceil(relaxed[whole] - _WHOLE)))
    lower[free], upper[free] = program.lower[free], program.upper[free]
    return _dive_in(session, whole, (lower, upper), deadline, DiveRule(step=0.4))


def _dive_in(
    session: HighsSession,
    whole: IntArray,
    box: tuple[FloatArray, FloatArray],
    deadline: Deadline,
    rule: DiveRule,
) -> LpAnswer | None:
    """Return a plan inside a box, or None; the session's bounds are put back."""
    lower, upper = box
    session.set_bounds(whole, lower[whole], upper[whole])
    answer = session.solve_lp(deadline)
    if answer.status is OutcomeStatus.OPTIMAL and answer.values is not None:
        return dive(session, answer.values, deadline, rule, box)
    session.set_bounds(whole, session.program.lower[whole], session.program.upper[whole])
    return None


def _box(
    extended: CumulativeProgram, start: FloatArray, stray: float
) -> tuple[FloatArray, FloatArray]:
    """Return bounds of all columns: whole ones as in the plan, or counts within ``stray``."""
    program = extended.program
    lower, upper = program.lower.copy(), program.upper.copy()
    if stray == 0:
        known = np.flatnonzero(program.integer[: len(start)] & np.isfinite(start))
        fixed = np.clip(np.round(start[known]), lower[known], upper[known])
        lower[known] = upper[known] = fixed
        return lower, upper
    counts = np.arange(extended.original_columns, program.columns)
    values = extended.extended(start)[counts]
    known = counts[np.isfinite(values)]
    near = np.round(values[np.isfinite(values)])
    lower[known] = np.maximum(lower[known], near - stray)
    upper[known] = np.minimum(upper[known], near + stray)
    return lower, upper
