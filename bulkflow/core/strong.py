"""The strong way to an answer: root rounds, a plan around the relaxation, then the search.

1. Cumulative counts as columns (`bulkflow.core.cumulative`).
2. Rounds of strengthening at the root (`bulkflow.core.root_loop`): rows of single windows first,
   combined ones when those are exhausted.
3. A plan from the neighbourhood of the relaxation (`bulkflow.core.neighbourhood`).
4. The search by HiGHS with the rows that were tight at the end, from the best plan known.

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
from bulkflow.core.neighbourhood import around_relaxation, search_part
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import OutcomeStatus, StoppedBy
from bulkflow.core.program import Program
from bulkflow.core.root_loop import (
    CutPool,
    RootLimits,
    RootPhase,
    RootResult,
    RowSource,
    rows_as_block,
    strengthen_in_phases,
)
from bulkflow.core.stations import find_stations
from bulkflow.core.values import NetworkData

__all__ = ["StrongAnswer", "root_phases", "solve_strong", "with_rows"]

FloatArray = NDArray[np.float64]
Listener = Callable[[str, float | None, float], None]

# The root gets at most this share of the time: a plan is worth more than the last of the bound.
_ROOT_SHARE = 0.4
# The neighbourhood of the relaxation comes before the search: its plan is worth more than the
# same time spent at the search's own root.
_NEARBY_SHARE = 0.6
_NEARBY_GAP = 1e-4
_NEARBY_NODES = 200


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
    root, rows = _root(extended, root_phases(data, extended), options, deadline, listener)
    ended = _ended_at_root(root, deadline)
    if ended is not None:
        return StrongAnswer(ended, 0, root.rounds)
    strengthened = with_rows(extended.program, rows)
    news = _News(listener, deadline, root.bound)
    best = None if start is None else extended.extended(start)
    if root.values is not None:
        answer = _nearby(extended, strengthened, root.values, options, deadline, news)
        best = answer.values if answer.values is not None else best
    with HighsSession(strengthened, threads=options.threads, seed=options.seed) as session:
        if best is not None:
            session.propose(best)
        answer = session.solve_mip(
            deadline, gap=options.gap, max_nodes=options.max_nodes, listener=news.hear
        )
    answer = news.best_of(answer, root.bound)
    if answer.values is not None:
        answer.values = extended.original(answer.values)
    return StrongAnswer(answer, len(rows), root.rounds)


def root_phases(data: NetworkData, extended: CumulativeProgram) -> list[RootPhase]:
    """Return what looks for strengthening rows in a program, in the order of its use."""
    stations = find_stations(data, extended)
    single: list[RowSource] = [
        *(StationCuts(number, station) for number, station in enumerate(stations)),
        FlowCuts(data, extended.program),
    ]
    mixed = [MixingCuts(number, station) for number, station in enumerate(stations)]
    return [
        RootPhase(single, RootLimits(least_violation=3e-3)),
        RootPhase([*single, *mixed], RootLimits(rows_per_source=3, least_violation=1e-2)),
    ]


def with_rows(program: Program, rows: Sequence[BatchRow]) -> Program:
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


class _News:
    """Keeps the best plan over all parts of a solve, and tells the listener."""

    def __init__(self, listener: Listener, deadline: Deadline, bound: float) -> None:
        self._listener, self._deadline, self._bound = listener, deadline, bound
        self._told: float = np.inf
        self._kept: MipAnswer | None = None
        self._improvements: list[tuple[float, float, float]] = []

    def hear(self, objective: float | None, bound: float) -> None:
        """Pass on what a running search says."""
        self._bound = max(self._bound, bound)
        if objective is not None and objective < self._told:
            self._told = objective
            self._improvements.append((self._deadline.elapsed(), objective, self._bound))
        shown = self._told if np.isfinite(self._told) else None
        self._listener("search", shown, self._bound)

    def keep(self, answer: MipAnswer) -> None:
        """Take in the plan of a finished search, if it is the best so far."""
        if answer.values is None or answer.objective is None:
            return
        self.hear(answer.objective, -np.inf)
        known = self._kept
        if known is None or known.objective is None or answer.objective < known.objective:
            self._kept = answer

    def best_of(self, last: MipAnswer, root_bound: float) -> MipAnswer:
        """Return the last answer with the best plan, the best bound and all improvements."""
        self.keep(last)
        best = last if self._kept is None else self._kept
        status = last.status
        if best.values is not None and status is OutcomeStatus.STOPPED:
            status = OutcomeStatus.FEASIBLE
        return MipAnswer(
            status,
            last.stopped_by,
            objective=best.objective,
            values=best.values,
            bound=max(last.bound, root_bound),
            nodes=last.nodes,
            improvements=self._improvements,
        )


def _nearby(
    extended: CumulativeProgram,
    program: Program,
    relaxed: FloatArray,
    options: SolveOptions,
    deadline: Deadline,
    news: _News,
) -> MipAnswer:
    """Search around the relaxation."""
    limit = deadline
    if np.isfinite(deadline.remaining()):
        limit = deadline.part(_NEARBY_SHARE * deadline.remaining())
    answer = search_part(
        program,
        around_relaxation(extended, relaxed),
        relaxed,
        limit,
        gap=max(options.gap, _NEARBY_GAP),
        max_nodes=_NEARBY_NODES if options.max_nodes is None else options.max_nodes,
        threads=options.threads,
        seed=options.seed,
        listener=news.hear,
    )
    news.keep(answer)
    return answer


def _root(
    extended: CumulativeProgram,
    phases: Sequence[RootPhase],
    options: SolveOptions,
    deadline: Deadline,
    listener: Listener,
) -> tuple[RootResult, list[BatchRow]]:
    """Run the rounds; return the result and the rows that are tight in it."""
    part = deadline
    if np.isfinite(deadline.remaining()):
        part = deadline.part(_ROOT_SHARE * deadline.remaining())
    with HighsSession(
        extended.program, threads=options.threads, seed=options.seed, relaxed=True
    ) as session:
        pool = CutPool(extended.program.rows)
        root = strengthen_in_phases(
            session,
            pool,
            phases,
            part,
            rounds=options.max_rounds,
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
