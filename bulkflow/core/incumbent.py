"""The incumbent and the bound over all parts of a solve.

A plan is taken in with its whole columns rounded and the rest solved again around them, so that
what is kept holds exactly: a plan that rests on the solver's tolerance is repaired
(`bulkflow.core.heuristics.polish`) or, where it is no better for it, left, and the one before it
stands.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cumulative import CumulativeProgram
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.polish import solve_fixed
from bulkflow.core.highs import MipAnswer
from bulkflow.core.outcome import OutcomeStatus, StoppedBy, relative_gap
from bulkflow.core.program import Program

__all__ = ["Incumbent", "Listener"]

FloatArray = NDArray[np.float64]
Listener = Callable[[str, float | None, float], None]

# Plans kept beside the incumbent, for crossover.
_POOL = 8
# Relative difference of objectives below which two plans count as alike.
_ALIKE = 1e-9


class Incumbent:
    """Keeps the best plan and bound, and some good plans beside it.

    Parameters
    ----------
    program : without cumulative columns; ``extended`` with them.
    listener : called with the phase, the best objective (or None) and the bound, minimised.
    """

    def __init__(
        self,
        program: Program,
        extended: CumulativeProgram,
        listener: Listener,
        deadline: Deadline,
    ) -> None:
        self._program, self._extended = program, extended
        self._listener, self._deadline = listener, deadline
        self.bound = -np.inf
        self.objective = np.inf
        self.values: FloatArray | None = None
        self.pool: list[tuple[float, FloatArray]] = []
        self._improvements: list[tuple[float, float, float]] = []

    def hear(self, bound: float, phase: str) -> None:
        """Take in a proved bound, or (-inf) only pass on how things stand."""
        self.bound = max(self.bound, bound)
        known = self.objective if np.isfinite(self.objective) else None
        self._listener(phase, known, self.bound)

    def offer(self, values: FloatArray | None) -> bool:
        """Take in a solver's plan of the extended program; tell whether it is the best so far."""
        if values is None:
            return False
        own = self._extended.original(values)
        answer = solve_fixed(self._program, own, self._deadline.endless())
        if answer.values is None:
            return False
        whole = answer.values.copy()
        whole[self._program.integer] = np.round(whole[self._program.integer])
        return self.keep(self._extended.extended(whole), answer.objective)

    def keep(self, values: FloatArray, objective: float) -> bool:
        """Take in a plan that holds exactly; tell whether it is the best so far."""
        self._remember(values, objective)
        if objective >= self.objective - _ALIKE * abs(objective):
            return False
        self.values, self.objective = values, objective
        self._improvements.append((self._deadline.elapsed(), objective, self.bound))
        self.hear(-np.inf, "plan")
        return True

    def _remember(self, values: FloatArray, objective: float) -> None:
        near = [abs(objective - known) <= _ALIKE * abs(objective) for known, _ in self.pool]
        if any(near):
            return
        self.pool.append((objective, values))
        self.pool.sort(key=lambda one: one[0])
        del self.pool[_POOL:]

    def gap(self) -> float:
        """Return the relative gap of the plan kept; infinite without one."""
        if self.values is None or not np.isfinite(self.bound):
            return float("inf")
        gap = relative_gap(self.objective, self.bound)
        return float("inf") if gap is None else gap

    def answer(self, status: OutcomeStatus, stopped_by: StoppedBy, nodes: int = 0) -> MipAnswer:
        """Return the best plan, the best bound and all improvements as the answer of a solve."""
        if self.values is not None and status is OutcomeStatus.STOPPED:
            status = OutcomeStatus.FEASIBLE
        known = None if self.values is None else self._extended.original(self.values)
        return MipAnswer(
            status,
            stopped_by,
            objective=None if known is None else self.objective,
            values=known,
            bound=self.bound,
            nodes=nodes,
            improvements=self._improvements,
        )
