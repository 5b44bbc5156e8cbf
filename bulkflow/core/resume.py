"""Going on from a plan made before: the same loads if they still work, else close to them.

The plan may be of another network. What it knows of the whole columns is tried as it is. The
prices of that solution then name the lanes whose loads are worth changing; those are freed, the
others keep their loads, and a dive finds new ones. If the loads leave no plan at all (stock held
back, a lane shut), the cumulative counts of the lanes are kept within a load or two of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cumulative import CumulativeProgram
from bulkflow.core.deadline import Deadline
from bulkflow.core.dive import DiveRule, dive
from bulkflow.core.highs import HighsSession, LpAnswer
from bulkflow.core.neighbourhood import around_plan
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import ColumnKind

__all__ = ["resume"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# How far, in loads, the counts may stray from the plan when it does not work as it is.
_STRAY = (0.0, 1.0, 2.0)
# Repairs end when one gains less than this share of the cost.
_REPAIRS = 4
_WORTHWHILE = 1e-3
_FREED_SHARE = 0.12
_FEWEST_LANES = 4


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
        found = _dive_in(session, whole, _box(extended, start, stray), deadline)
        if found is not None or deadline.reason_to_stop() is not None:
            break
    if found is None:
        return None
    for _ in range(_REPAIRS):
        better = _repaired(session, extended, whole, found, deadline)
        if better is None or better.objective >= found.objective * (1 - _WORTHWHILE):
            break
        found = better
    return found


def _dive_in(
    session: HighsSession,
    whole: IntArray,
    box: tuple[FloatArray, FloatArray],
    deadline: Deadline,
) -> LpAnswer | None:
    """Return a plan inside a box, or None; the session's bounds are put back."""
    lower, upper = box
    session.set_bounds(whole, lower[whole], upper[whole])
    answer = session.solve_lp(deadline)
    if answer.status is OutcomeStatus.OPTIMAL and answer.values is not None:
        return dive(session, answer.values, deadline, DiveRule(), box)
    session.set_bounds(whole, session.program.lower[whole], session.program.upper[whole])
    return None


def _repaired(
    session: HighsSession,
    extended: CumulativeProgram,
    whole: IntArray,
    plan: LpAnswer,
    deadline: Deadline,
) -> LpAnswer | None:
    """Return a plan with the loads changed on the lanes where prices say it pays."""
    if plan.values is None or plan.column_prices is None or deadline.reason_to_stop() is not None:
        return None
    program = extended.program
    worth = np.zeros(len(extended.starts))
    lanes = list(extended.starts)
    for number, lane in enumerate(lanes):
        start = program.starts[ColumnKind.VEHICLES, lane, -1]
        prices = plan.column_prices[start : start + program.periods]
        counts = plan.values[start : start + program.periods]
        # A load more where the price is negative; a load less where there is one to take.
        worth[number] = np.maximum(-prices, np.where(counts > 0.5, prices, 0.0)).max()
    count = max(_FEWEST_LANES, int(_FREED_SHARE * len(lanes)))
    freed = [lanes[number] for number in np.argsort(-worth, kind="stable")[:count]]
    lower, upper = program.lower.copy(), program.upper.copy()
    fixed = around_plan(extended, freed)
    lower[fixed] = upper[fixed] = np.round(plan.values[fixed])
    return _dive_in(session, whole, (lower, upper), deadline)


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
