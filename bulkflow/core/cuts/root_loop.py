"""The root: linear relaxation and strengthening rows in rounds.

Each round solves the relaxation from the last basis, looks for violated rows in every source and
adds the worst of them in one block; rows that have become slack go out again. The session stays
alive afterwards, with the rows that were kept, for whoever goes on from there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.cuts.batch_rows import BatchRow
from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession, LpAnswer
from bulkflow.core.outcome import OutcomeStatus

__all__ = [
    "CutPool",
    "RootLimits",
    "RootPhase",
    "RootResult",
    "RowSource",
    "rows_as_block",
    "strengthen",
    "strengthen_in_phases",
]

FloatArray = NDArray[np.float64]

# A row slack by more than this (in loads) is not needed now.
_SLACK = 1e-6
# Work (`bulkflow.core.deadline`) of asking one source.
_SOURCE_WORK = 1e-3


class RowSource(Protocol):
    """Finds rows that all plans keep and these values do not."""

    def violated(self, values: FloatArray, *, least: float, most_rows: int) -> list[BatchRow]:
        """Return violated rows, the worst first."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class RootLimits:
    """When the rounds end, and what they take in.

    Parameters
    ----------
    rounds : most rounds; None: until nothing is found or nothing is gained.
    rows_per_source : rows that each source may add in a round.
    least_violation : in loads.
    least_gain : relative gain of the bound over ``patience`` rounds below which it ends.
    """

    rounds: int | None = None
    rows_per_source: int = 10
    least_violation: float = 1e-3
    least_gain: float = 2e-5
    patience: int = 3


@dataclass(frozen=True, slots=True)
class RootPhase:
    """Sources to ask together, and the limits of their rounds."""

    sources: Sequence[RowSource]
    limits: RootLimits


@dataclass(slots=True)
class CutPool:
    """Rows in the relaxation beside those of the program, in the order they stand there."""

    base_rows: int
    active: list[BatchRow] = field(default_factory=list)
    keys: set[tuple[int, ...]] = field(default_factory=set)

    def add(self, session: HighsSession, rows: Sequence[BatchRow]) -> int:
        """Add rows that are not there yet, in one block; return how many."""
        new = [row for row in rows if row.key not in self.keys]
        if new:
            matrix, lower, upper = rows_as_block(new, session.program.columns)
            session.add_rows(matrix, lower, upper)
            self.active += new
            self.keys |= {row.key for row in new}
        return len(new)

    def drop_slack(self, session: HighsSession, answer: LpAnswer) -> int:
        """Delete rows that are slack in an answer; return how many."""
        stands = self.base_rows + len(self.active)
        if answer.row_values is None or not self.active or len(answer.row_values) != stands:
            return 0  # rows have come or gone since that answer
        reached = answer.row_values[self.base_rows : self.base_rows + len(self.active)]
        sides = np.array([row.side for row in self.active])
        slack = reached > sides + _SLACK
        session.delete_rows(self.base_rows + np.flatnonzero(slack))
        gone = [row for row, out in zip(self.active, slack, strict=True) if out]
        self.keys -= {row.key for row in gone}
        self.active = [row for row, out in zip(self.active, slack, strict=True) if not out]
        return len(gone)


@dataclass(frozen=True, slots=True)
class RootResult:
    """The last relaxation solved; ``bound`` is proved even where the rounds were cut short."""

    status: OutcomeStatus
    bound: float
    values: FloatArray | None
    answer: LpAnswer | None
    rounds: int


def rows_as_block(
    rows: Sequence[BatchRow], columns: int
) -> tuple[sparse.csr_array, FloatArray, FloatArray]:
    """Return rows as (matrix, lower, upper)."""
    starts = np.concatenate([[0], np.cumsum([len(row.columns) for row in rows])])
    matrix = sparse.csr_array(
        (
            np.concatenate([row.values for row in rows]),
            np.concatenate([row.columns for row in rows]),
            starts,
        ),
        shape=(len(rows), columns),
    )
    return matrix, np.array([row.side for row in rows]), np.full(len(rows), np.inf)


def strengthen(
    session: HighsSession,
    pool: CutPool,
    sources: Sequence[RowSource],
    deadline: Deadline,
    limits: RootLimits,
    *,
    on_round: Callable[[int, float, FloatArray], None] | None = None,
) -> RootResult:
    """Run the rounds on a relaxed session.

    Parameters
    ----------
    on_round : called after every relaxation with its number, its bound and its values.
    """
    bound, values, answer = -np.inf, None, None
    history: list[float] = []
    rounds = 0
    while True:
        found = session.solve_lp(deadline)
        if found.values is None:
            status = found.status if answer is None else OutcomeStatus.FEASIBLE
            if found.status in (OutcomeStatus.INFEASIBLE, OutcomeStatus.UNBOUNDED):
                status = found.status
            return RootResult(status, bound, values, answer, rounds)
        bound, values, answer = max(bound, found.objective), found.values, found
        history.append(bound)
        if on_round is not None:
            on_round(rounds, bound, values)
        if _is_over(history, rounds, limits) or deadline.reason_to_stop() is not None:
            break
        if rounds:
            pool.drop_slack(session, found)
        rows = [
            row
            for source in sources
            for row in source.violated(
                values, least=limits.least_violation, most_rows=limits.rows_per_source
            )
        ]
        deadline.spend(_SOURCE_WORK * len(sources))
        if not pool.add(session, rows):
            break
        rounds += 1
    return RootResult(OutcomeStatus.OPTIMAL, bound, values, answer, rounds)


def strengthen_in_phases(
    session: HighsSession,
    pool: CutPool,
    phases: Sequence[RootPhase],
    deadline: Deadline,
    *,
    rounds: int | None = None,
    on_round: Callable[[int, float, FloatArray], None] | None = None,
) -> RootResult:
    """Run phase after phase on the same relaxation; ``rounds`` limits those of all together."""
    total = 0
    result: RootResult | None = None
    for phase in phases:
        limits = phase.limits
        if rounds is not None:
            most = rounds - total if limits.rounds is None else min(limits.rounds, rounds - total)
            limits = replace(limits, rounds=most)
        found = strengthen(session, pool, phase.sources, deadline, limits, on_round=on_round)
        total += found.rounds
        kept = result if found.answer is None and result is not None else found
        bound = found.bound if result is None else max(found.bound, result.bound)
        result = RootResult(found.status, bound, kept.values, kept.answer, total)
        if found.status is not OutcomeStatus.OPTIMAL or deadline.reason_to_stop() is not None:
            break
    if result is None:
        raise ValueError("the root needs at least one phase")
    return result


def _is_over(history: list[float], rounds: int, limits: RootLimits) -> bool:
    if limits.rounds is not None and rounds >= limits.rounds:
        return True
    if len(history) <= limits.patience:
        return False
    gained = history[-1] - history[-1 - limits.patience]
    return gained <= limits.least_gain * max(1.0, abs(history[-1]))
