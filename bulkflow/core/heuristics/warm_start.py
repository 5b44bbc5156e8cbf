"""Going on from a plan made before: the same loads if they still work, else close to them.

The plan may be of another network. What it knows of the whole columns is kept, but for vehicles
without a least fill, which are found anew. If that leaves no plan at all (stock held back, a lane
shut), the cumulative counts of the lanes are kept within a load or two and a dive finds the rest.
`freed_lanes` then names where the relaxation differs most: what is worth searching first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cumulative import CumulativeProgram
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.diving import DiveRule, dive, without_fill
from bulkflow.core.highs import HighsSession, LpAnswer
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import NetworkData

__all__ = ["freed_lanes", "resume"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# How far, in loads, the counts may stray from the plan when it does not work as it is.
_STRAY = (0.0, 1.0, 2.0)
_WORST_SERVED = 2


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


def freed_lanes(
    data: NetworkData,
    extended: CumulativeProgram,
    plan: FloatArray,
    relaxed: FloatArray,
    count: int,
) -> list[str]:
    """Return the lanes worth searching first, and those without a least fill.

    They are the lanes into the worst served nodes, and then those on which a relaxation differs
    most from the plan: the difference of cumulative counts is summed over the periods, which
    makes it loads times periods moved.
    """
    program = extended.program
    late = without_fill(program)
    always = [lane for lane, start in extended.starts.items() if late[start]]
    moved = {
        lane: float(np.abs((plan - relaxed)[start : start + program.periods]).sum())
        for lane, start in extended.starts.items()
        if not late[start]
    }
    first = [lane for lane in _into_short(data, program, plan) if lane in moved]
    rest = sorted(moved, key=lambda lane: -moved[lane])
    chosen = dict.fromkeys([*first, *rest[: max(0, count - len(first))]])
    return [*always, *chosen]


def _into_short(data: NetworkData, program: Program, plan: FloatArray) -> list[str]:
    """Return the lanes into the nodes and commodities whose shortage costs most in a plan."""
    costs: dict[tuple[str, int], float] = {}
    for number, (kind, ref, commodity) in enumerate(program.blocks):
        if kind is ColumnKind.SHORTAGE:
            span = slice(number * program.periods, (number + 1) * program.periods)
            costs[ref, commodity] = float(program.cost[span] @ plan[span])
    worst = sorted((pair for pair in costs if costs[pair] > 0), key=lambda pair: -costs[pair])
    return [
        lane.id
        for pair in worst[:_WORST_SERVED]
        for lane in data.lanes
        if lane.vehicle_capacity is not None
        and data.nodes[lane.head].id == pair[0]
        and pair[1] in lane.carried
    ]


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
        kept = program.integer[: len(start)] & ~without_fill(program)[: len(start)]
        known = np.flatnonzero(kept & np.isfinite(start))
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
