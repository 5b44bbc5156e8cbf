"""From the counts of all items to a plan of the whole program.

Counts of vehicles are held fast in the program itself, and what is left (quantities, and whole
columns of the rest) is solved: only that is a plan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession
from bulkflow.core.items.model import Decomposition
from bulkflow.core.program import Program
from bulkflow.errors import SolverError

__all__ = ["Completion", "WholePlan"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


# Periods made whole together, and how many of them are kept from each step.
_WINDOW = 6
_STEP = 4
_WINDOW_NODES = 50
_WINDOW_GAP = 5e-4
_LEAST_SECONDS = 0.2
_IN_TURN_SHARE = 0.8


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
        counts = [one.vehicles for item in split.items for one in item.sendings]
        self.counts = np.array(counts, dtype=np.int64)
        self.rest = np.flatnonzero((split.owner < 0) & program.integer)
        unsent = np.setdiff1d(np.flatnonzero((split.owner >= 0) & program.integer), self.counts)
        self.set_bounds(unsent, program.lower[unsent], np.zeros(len(unsent)))
        # Counts are held fast: that they are whole need not be asked.
        self._ask_whole(np.concatenate([self.counts, unsent]), whole=False)

    def complete(
        self,
        whole: FloatArray,
        deadline: Deadline,
        *,
        gap: float,
        start: FloatArray | None,
        in_turn: bool = False,
    ) -> WholePlan | None:
        """Return the best plan with these counts (in the order of ``counts``) found in time.

        Parameters
        ----------
        start : values of the columns of a plan with these counts.
        in_turn : settle the whole columns of the rest period by period first.
        """
        self.set_bounds(self.counts, whole, whole)
        if not len(self.rest):
            answer = self.solve_lp(deadline)
            return None if answer.values is None else WholePlan(answer.objective, answer.values)
        if in_turn:
            part = deadline.part(_IN_TURN_SHARE * deadline.remaining())
            settled = self._in_turn(part, max(gap, _WINDOW_GAP))
            start = start if settled is None else settled
        self._unfinished_start = False
        try:
            if start is not None:
                self.propose(start)
            found = self.solve_mip(deadline, gap=gap)
        except SolverError:
            # A start or a basis it cannot digest; what is asked is sound without them.
            self.forget()
            found = self.solve_mip(deadline, gap=gap)
        if found.values is None or found.objective is None:
            return None
        return WholePlan(found.objective, found.values)

    def _in_turn(self, deadline: Deadline, gap: float) -> FloatArray | None:
        """Return values with the rest's columns made whole window by window, or None.

        Columns of a window are whole, those before it fixed, those after it continuous.
        """
        program = self.program
        period = self.rest % program.periods
        values: FloatArray | None = None
        self._ask_whole(self.rest, whole=False)
        self._unfinished_start = False
        try:
            for begin in range(0, program.periods, _STEP):
                window = self.rest[(period >= begin) & (period < begin + _WINDOW)]
                self._ask_whole(window, whole=True)
                left = (program.periods - begin) / _STEP
                part = deadline.part(max(_LEAST_SECONDS, 3.0 * deadline.remaining() / left))
                found = self.solve_mip(part, gap=gap, max_nodes=_WINDOW_NODES)
                if found.values is None:
                    return None
                values = found.values
                done = self.rest[(period >= begin) & (period < begin + _STEP)]
                settled = np.round(values[done])
                self.set_bounds(done, settled, settled)
        except SolverError:
            self.forget()
            return None
        finally:
            self.set_bounds(self.rest, program.lower[self.rest], program.upper[self.rest])
            self.set_option("mip_max_nodes", 2**31 - 1)
            self._ask_whole(self.rest, whole=True)
        return values

    def _ask_whole(self, columns: IntArray, *, whole: bool) -> None:
        kinds = np.full(len(columns), int(whole), dtype=np.uint8)
        numbers = columns.astype(np.int32)
        self._ok(self._highs.changeColsIntegrality(len(columns), numbers, kinds), "integrality")
