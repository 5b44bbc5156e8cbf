"""Plans from parts of the program: most whole columns fixed, the rest searched.

Two neighbourhoods. Around the relaxation: vehicle counts stay where their cumulative count is
whole anyway, and are free where it is fractional (with the period after it, which shares the
fraction). Around a plan: the lanes into some nodes are free, all others keep their loads.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cumulative import CumulativeProgram
from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession, MipAnswer
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import NetworkData

__all__ = ["around_plan", "around_relaxation", "groups_of_lanes", "search_part"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_WHOLE = 1e-5


def around_relaxation(extended: CumulativeProgram, values: FloatArray) -> BoolArray:
    """Return which whole columns to fix at their (whole) values in a relaxation, (columns,)."""
    program = extended.program
    fixed = program.integer & (np.abs(values - np.round(values)) <= _WHOLE)
    fixed[extended.original_columns :] = False
    for lane in extended.starts:
        start = program.starts[ColumnKind.VEHICLES, lane, -1]
        span = slice(start, start + program.periods)
        total = np.cumsum(values[span])
        open_ends = np.abs(total - np.round(total)) > _WHOLE
        open_ends[1:] |= open_ends[:-1].copy()
        fixed[span] = ~open_ends
    return fixed


def around_plan(extended: CumulativeProgram, free_lanes: Sequence[str]) -> BoolArray:
    """Return which whole columns to fix at a plan's values: all but those of some lanes."""
    program = extended.program
    fixed = program.integer.copy()
    fixed[extended.original_columns :] = False
    for lane in free_lanes:
        for kind in (ColumnKind.VEHICLES, ColumnKind.USED):
            start = program.start(kind, lane)
            if start is not None:
                fixed[start : start + program.periods] = False
    return fixed


def groups_of_lanes(data: NetworkData) -> list[list[str]]:
    """Return the lanes with whole columns, grouped by the node they lead to."""
    groups: dict[int, list[str]] = {}
    for lane in data.lanes:
        if lane.vehicle_capacity is not None:
            groups.setdefault(lane.head, []).append(lane.id)
    return list(groups.values())


def search_part(
    program: Program,
    fixed: BoolArray,
    values: FloatArray,
    deadline: Deadline,
    *,
    gap: float,
    start: FloatArray | None = None,
    max_nodes: int | None = None,
    better_than: float | None = None,
    threads: int = 1,
    seed: int = 0,
    listener: Callable[[float | None, float], None] | None = None,
) -> MipAnswer:
    """Search the program with the ``fixed`` columns at the rounded ``values``.

    The bound of the answer holds for the part only; it is taken out, so that nobody mistakes it.

    Parameters
    ----------
    better_than : objective (minimised) that a plan must beat to be of use.
    """
    lower, upper = program.lower.copy(), program.upper.copy()
    whole = np.clip(np.round(values[fixed]), lower[fixed], upper[fixed])
    lower[fixed] = upper[fixed] = whole
    part = replace(program, lower=lower, upper=upper)
    with HighsSession(part, threads=threads, seed=seed) as session:
        if better_than is not None:
            session.set_option("objective_bound", better_than)
        if start is not None:
            session.propose(start)
        answer = session.solve_mip(
            deadline,
            gap=gap,
            max_nodes=max_nodes,
            listener=None if listener is None else lambda found, _: listener(found, -np.inf),
        )
    answer.bound = -np.inf
    if answer.status is OutcomeStatus.OPTIMAL:
        answer.status = OutcomeStatus.FEASIBLE
    return answer
