"""Plans from parts of the program: most whole columns fixed, the rest searched.

Around a plan made before, the lanes into some nodes are free and all others keep their loads;
`bulkflow.core.heuristics.neighbourhoods` draws other sets.
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

__all__ = ["around_plan", "search_part"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


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
        # It takes a third of the time of a small search and finds what the others find.
        session.set_option("mip_heuristic_run_root_reduced_cost", value=False)
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
