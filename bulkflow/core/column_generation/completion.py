"""From the counts of all items to a plan of the whole program.

Counts of vehicles are held fast in the program itself, and what is left (quantities, and whole
columns of the rest) is solved: only that is a plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.column_generation.subproblems import Decomposition
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.rolling_horizon import RollLimits, improve_by_windows, roll_forward
from bulkflow.core.highs import HighsSession, SessionLeftError
from bulkflow.core.program import Program
from bulkflow.errors import SolverError

__all__ = ["Completion", "WholePlan"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Windows in which whole columns of the rest are settled, and in which a plan is searched again.
_SETTLED = RollLimits(window=6, step=4, gap=5e-4, nodes=50)
_SEARCHED = RollLimits(window=9, step=4, gap=3e-4, nodes=50)
_CHOICE_NODES = 200
_WHOLE = 1e-6
_CHOICE_GAP = 5e-4
# Periods ahead in which the rest may differ from an earlier plan; how far it may stray everywhere,
# as a share of what it was.
_AHEAD = 8
_STRAY = 0.25


@dataclass(frozen=True, slots=True)
class WholePlan:
    """A plan of the program: value (minimised) and column values."""

    objective: float
    values: FloatArray


class Completion(HighsSession):
    """Completes the counts of the items to a plan of the whole program.

    Parameters
    ----------
    program : whose columns have a period each (column number modulo the number of periods).
    """

    def __init__(self, program: Program, split: Decomposition, *, seed: int = 0) -> None:
        super().__init__(program, seed=seed)
        self._seed = seed
        each = [np.array([one.vehicles for one in item.sendings]) for item in split.items]
        self.counts_of = [columns.astype(np.int64) for columns in each]
        self.counts = np.concatenate([np.zeros(0, dtype=np.int64), *self.counts_of])
        self.rest = np.flatnonzero((split.owner < 0) & program.integer)
        self._unsent = np.setdiff1d(
            np.flatnonzero((split.owner >= 0) & program.integer), self.counts
        )
        unsent = self._unsent
        self.set_bounds(unsent, program.lower[unsent], np.zeros(len(unsent)))
        # Counts are held fast: that they are whole need not be asked.
        fast = np.concatenate([self.counts, unsent]).astype(np.int32)
        kinds = np.zeros(len(fast), dtype=np.uint8)
        self._ok(self._highs.changeColsIntegrality(len(fast), fast, kinds), "integrality")

    def complete(
        self, whole: FloatArray, deadline: Deadline, *, gap: float, start: FloatArray | None
    ) -> WholePlan | None:
        """Return the best plan with these counts (in the order of ``counts``) found in time.

        Parameters
        ----------
        start : values of the columns of a plan with these counts.
        """
        self.set_bounds(self.counts, whole, whole)
        if not len(self.rest):
            answer = self.solve_lp(deadline)
            return None if answer.values is None else WholePlan(answer.objective, answer.values)
        self._unfinished_start = False
        try:
            if start is not None:
                self.propose(start)
            found = self.solve_mip(deadline, gap=gap)
        except SessionLeftError:
            raise
        except SolverError:
            # A start or a basis it cannot digest; what is asked is sound without them.
            self.forget()
            found = self.solve_mip(deadline, gap=gap)
        if found.values is None or found.objective is None:
            return None
        return WholePlan(found.objective, found.values)

    def round_up(self, whole: FloatArray, deadline: Deadline) -> WholePlan | None:
        """Return a plan with these counts found soon: the rest of the relaxation, rounded up."""
        program = self._held(whole)
        with HighsSession(program, seed=self._seed, relaxed=True) as session:
            answer = session.solve_lp(deadline)
            if answer.values is None:
                return None
            up = np.ceil(answer.values[self.rest] - _WHOLE)
            up = np.clip(up, program.lower[self.rest], program.upper[self.rest])
            session.set_bounds(self.rest, up, up)
            answer = session.solve_lp(deadline)
        return None if answer.values is None else WholePlan(answer.objective, answer.values)

    def settle(self, whole: FloatArray, deadline: Deadline) -> WholePlan | None:
        """Return a plan, the rest made whole window by window.

        The counts are these but near windows of the rest that they leave without a plan.
        """
        program = self._held(whole)
        lower, upper = program.lower.copy(), program.upper.copy()
        lower[self.counts], upper[self.counts] = (
            self.program.lower[self.counts],
            self.program.upper[self.counts],
        )
        values, counts = np.zeros(program.columns), np.zeros(program.columns, dtype=bool)
        values[self.counts], counts[self.counts] = whole, True
        found = roll_forward(
            replace(program, lower=lower, upper=upper),
            [counts, program.integer],
            deadline,
            _SETTLED,
            settled=values,
            seed=self._seed,
        )
        if found is None or found.values is None or found.objective is None:
            return None
        return WholePlan(found.objective, found.values)

    def settle_near(
        self, whole: FloatArray, near: FloatArray, deadline: Deadline, target: float
    ) -> WholePlan | None:
        """Return a plan with these counts, the rest as in an earlier plan or close to it.

        Parameters
        ----------
        near : column values of the earlier plan.
        target : value that is good enough.
        """
        program = self._held(whole)
        before = np.round(near[self.rest])
        if not np.isfinite(before).all():
            return None
        same = np.clip(before, program.lower[self.rest], program.upper[self.rest])
        with HighsSession(program, seed=self._seed, relaxed=True) as session:
            session.set_bounds(self.rest, same, same)
            answer = session.solve_lp(deadline)
        if answer.values is not None and answer.objective <= target:
            return WholePlan(answer.objective, answer.values)
        # What has changed shows first in the periods ahead, later ones staying as they were; or it
        # changes a little everywhere.
        least, most = program.lower[self.rest], program.upper[self.rest]
        ahead = self.rest % program.periods < _AHEAD
        stray = np.maximum(1.0, np.ceil(_STRAY * same))
        boxes = (
            (np.where(ahead, least, same), np.where(ahead, most, same)),
            (np.maximum(least, same - stray), np.minimum(most, same + stray)),
        )
        if (whole != np.round(near[self.counts])).any():
            boxes = boxes[::-1]
        for left, (lower, upper) in zip((2, 1), boxes, strict=True):
            part = deadline.share(1 / left)
            found = self._settle_within(program, lower, upper, part, target)
            if found is not None:
                return found
        return None

    def _settle_within(
        self,
        program: Program,
        least: FloatArray,
        most: FloatArray,
        deadline: Deadline,
        target: float,
    ) -> WholePlan | None:
        """Return a plan no dearer than the target with the rest between these, or None."""
        lower, upper = program.lower.copy(), program.upper.copy()
        lower[self.rest], upper[self.rest] = least, most
        with HighsSession(replace(program, lower=lower, upper=upper), seed=self._seed) as session:
            found = session.solve_mip(
                deadline, gap=_CHOICE_GAP, max_nodes=_CHOICE_NODES, target=target
            )
        if found.values is None or found.objective is None or found.objective > target:
            return None
        return WholePlan(found.objective, found.values)

    def search_windows(self, plan: WholePlan, deadline: Deadline) -> WholePlan:
        """Return a plan with the same counts, at least as good: windows of the rest anew."""
        program = self._held(np.round(plan.values[self.counts]))
        values, objective = improve_by_windows(
            program,
            [program.integer],
            plan.values,
            plan.objective,
            deadline,
            _SEARCHED,
            seed=self._seed,
        )
        return WholePlan(objective, values)

    def choose(
        self,
        values: FloatArray,
        free: Sequence[int],
        deadline: Deadline,
        target: float,
    ) -> FloatArray | None:
        """Return values with counts for the items of ``free`` too, the rest left continuous.

        Parameters
        ----------
        values : of all columns; those of the counts of the other items are kept.
        target : value that is good enough.
        """
        program = self._held(np.round(values[self.counts]))
        lower, upper = program.lower.copy(), program.upper.copy()
        whole = np.zeros(program.columns, dtype=bool)
        for item in free:
            mine = self.counts_of[item]
            lower[mine], upper[mine] = self.program.lower[mine], self.program.upper[mine]
            whole[mine] = True
        with HighsSession(
            replace(program, lower=lower, upper=upper, integer=whole), seed=self._seed
        ) as session:
            answer = session.solve_mip(
                deadline, gap=_CHOICE_GAP, max_nodes=_CHOICE_NODES, target=target
            )
        return answer.values

    def _held(self, whole: FloatArray) -> Program:
        """Return the program with the counts held, of which only the rest's columns are whole."""
        program = self.program
        lower, upper = program.lower.copy(), program.upper.copy()
        upper[self._unsent] = 0.0
        lower[self.counts] = upper[self.counts] = whole
        mask = np.zeros(program.columns, dtype=bool)
        mask[self.rest] = True
        return replace(program, lower=lower, upper=upper, integer=mask)
