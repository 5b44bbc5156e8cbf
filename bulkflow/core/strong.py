"""The strong way to an answer: root rounds, then the search with the rows that matter.

1. Cumulative counts as columns (`bulkflow.core.cumulative`).
2. Rounds of strengthening at the root (`bulkflow.core.root_loop`).
3. The search by HiGHS with the rows that were tight at the end, from the best plan known.

The bound reported is the better of the root's and the search's: both come from relaxations.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.batch_rows import BatchRow, StationCuts
from bulkflow.core.cumulative import CumulativeProgram, with_cumulative_counts
from bulkflow.core.deadline import Deadline
from bulkflow.core.flow_rows import FlowCuts
from bulkflow.core.highs import HighsSession, MipAnswer
from bulkflow.core.mixing_rows import MixingCuts
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import OutcomeStatus, StoppedBy
from bulkflow.core.program import Program
from bulkflow.core.root_loop import (
    CutPool,
    RootLimits,
    RootResult,
    RowSource,
    rows_as_block,
    strengthen,
)
from bulkflow.core.stations import find_stations
from bulkflow.core.values import NetworkData

__all__ = ["StrongAnswer", "row_sources", "solve_strong", "with_rows"]

FloatArray = NDArray[np.float64]
Listener = Callable[[str, float | None, float], None]

# The root gets at most this share of the time: a plan is worth more than the last of the bound.
_ROOT_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class StrongAnswer:
    """An answer in the columns of the original program, and the work it took."""

    answer: MipAnswer
    rows_added: int
    rounds: int


def solve_strong(
    data: NetworkData,
    program: Program,
    options: SolveOptions,
    deadline: Deadline,
    start: FloatArray | None,
    listener: Listener,
) -> StrongAnswer:
    """Solve a program with whole columns.

    Parameters
    ----------
    start : values of the original columns of a plan to start from.
    listener : called with the phase, the best objective (or None) and the bound, minimised.
    """
    extended = with_cumulative_counts(program)
    sources = [
        StationCuts(number, station) for number, station in enumerate(find_stations(data, extended))
    ]
    rows: list[BatchRow] = []
    root = RootResult(OutcomeStatus.OPTIMAL, -np.inf, None, None, 0)
    if sources:
        root, rows = _root(extended, sources, options, deadline, listener)
        ended = _ended_at_root(root, deadline)
        if ended is not None:
            return StrongAnswer(ended, 0, root.rounds)
    strengthened = with_rows(extended.program, rows)
    with HighsSession(strengthened, threads=options.threads, seed=options.seed) as session:
        if start is not None:
            session.propose(extended.extended(start))
        answer = session.solve_mip(
            deadline,
            gap=options.gap,
            max_nodes=options.max_nodes,
            listener=lambda objective, bound: listener("search", objective, max(bound, root.bound)),
        )
    answer.bound = max(answer.bound, root.bound)
    if answer.values is not None:
        answer.values = extended.original(answer.values)
    return StrongAnswer(answer, len(rows), root.rounds)


def row_sources(data: NetworkData, extended: CumulativeProgram) -> list[RowSource]:
    """Return everything that looks for strengthening rows in a program."""
    stations = find_stations(data, extended)
    return [
        *(StationCuts(number, station) for number, station in enumerate(stations)),
        *(MixingCuts(number, station) for number, station in enumerate(stations)),
        FlowCuts(data, extended.program),
    ]


def with_rows(program: Program, rows: list[BatchRow]) -> Program:
    """Return a program with strengthening rows at its end."""
    if not rows:
        return program
    matrix, lower, upper = rows_as_block(rows, program.columns)
    return replace(
        program,
        matrix=sparse.csr_array(sparse.vstack([program.matrix, matrix])),
        row_lower=np.concatenate([program.row_lower, lower]),
        row_upper=np.concatenate([program.row_upper, upper]),
    )


def _root(
    extended: CumulativeProgram,
    sources: Sequence[RowSource],
    options: SolveOptions,
    deadline: Deadline,
    listener: Listener,
) -> tuple[RootResult, list[BatchRow]]:
    """Run the rounds; return the result and the rows that are tight in it."""
    pool = CutPool(extended.program.rows)
    part = deadline.part(_ROOT_SHARE * deadline.remaining())
    with HighsSession(
        extended.program, threads=options.threads, seed=options.seed, relaxed=True
    ) as session:
        root = strengthen(
            session,
            pool,
            sources,
            part,
            RootLimits(rounds=options.max_rounds),
            on_round=lambda _, bound, __: listener("root", None, bound),
        )
        if root.answer is not None:
            pool.drop_slack(session, root.answer)
    return root, pool.active


def _ended_at_root(root: RootResult, deadline: Deadline) -> MipAnswer | None:
    """Return the answer where there is nothing left to search for, or no time."""
    if root.status is OutcomeStatus.INFEASIBLE:
        return MipAnswer(OutcomeStatus.INFEASIBLE, StoppedBy.PROOF)
    reason = deadline.reason_to_stop()
    if reason is not None:
        return MipAnswer(OutcomeStatus.STOPPED, reason, bound=root.bound)
    return None
