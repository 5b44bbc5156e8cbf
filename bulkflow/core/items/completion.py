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

__all__ = ["Completion", "WholePlan"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class WholePlan:
    """A plan of the program: value (minimised) and column values."""

    objective: float
    values: FloatArray


class Completion:
    """Completes the counts of the items to a plan of the whole program."""

    def __init__(self, program: Program, split: Decomposition, *, seed: int = 0) -> None:
        self.program = program
        counts = [one.vehicles for item in split.items for one in item.sendings]
        self.counts = np.array(counts, dtype=np.int64)
        self.rest_is_whole = bool(program.integer[split.owner < 0].any())
        self._session = HighsSession(program, seed=seed, relaxed=not self.rest_is_whole)
        others = np.flatnonzero((split.owner >= 0) & program.integer)
        unsent = np.setdiff1d(others, self.counts)
        self._session.set_bounds(unsent, program.lower[unsent], np.zeros(len(unsent)))

    def close(self) -> None:
        """Give back the memory."""
        self._session.close()

    def complete(
        self, whole: FloatArray, deadline: Deadline, *, gap: float = 1e-5, start: FloatArray | None
    ) -> WholePlan | None:
        """Return the best plan with these counts (in the order of ``counts``) found in time."""
        self._session.set_bounds(self.counts, whole, whole)
        if not self.rest_is_whole:
            answer = self._session.solve_lp(deadline)
            if answer.values is None:
                return None
            return WholePlan(answer.objective, answer.values)
        if start is not None:
            self._session.propose(start)
        found = self._session.solve_mip(deadline, gap=gap)
        if found.values is None or found.objective is None:
            return None
        return WholePlan(found.objective, found.values)
