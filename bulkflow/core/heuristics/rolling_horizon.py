"""Plans by rolling forward: whole numbers settled window by window, group by group.

The whole columns are split into groups by what they decide: vehicles that bring what is asked
for, other vehicles, everything else. For each group in turn the horizon is walked in windows of
some periods: whole in the window, continuous after it, fixed before it; groups still to come are
continuous, groups done are fixed. Each window is a small search. Where a window has no plan, the
periods from a step before it on are freed for all groups and settled together.

What is found is a plan; it proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession, MipAnswer
from bulkflow.core.program import Program

__all__ = ["RollLimits", "improve_by_windows", "roll_forward"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_LEAST_SECONDS = 0.1


@dataclass(frozen=True, slots=True)
class RollLimits:
    """How the walk goes.

    Parameters
    ----------
    window, step : periods settled together, and periods fixed before the next window.
    gap : relative gap at which a window is good enough.
    nodes : most nodes for one window; with no deadline they make runs repeatable.
    """

    window: int = 6
    step: int = 3
    gap: float = 2e-3
    nodes: int | None = None


def roll_forward(
    program: Program,
    groups: Sequence[BoolArray],
    deadline: Deadline,
    limits: RollLimits,
    *,
    settled: FloatArray | None = None,
    threads: int = 1,
    seed: int = 0,
) -> MipAnswer | None:
    """Return a plan, or None where a window has none or time is up.

    Parameters
    ----------
    program : whose first blocks of columns are the network's own; columns after those of the
        groups that are whole by the rows (cumulative counts) are left continuous.
    groups : masks over its columns, as from `groups_of_columns`.
    settled : values of all columns, of which the first group's are fixed before the walk; where
        they leave a window without a plan they are freed with it.
    """
    walk = _Walk(program, groups, deadline, limits, threads, seed)
    if settled is not None:
        walk.hold(settled)
    answer: MipAnswer | None = None
    for number in range(0 if settled is None else 1, len(groups)):
        answer = walk.settle(number)
        if answer is None:
            return None
    return answer


def improve_by_windows(
    program: Program,
    groups: Sequence[BoolArray],
    values: FloatArray,
    objective: float,
    deadline: Deadline,
    limits: RollLimits,
    *,
    offer: Callable[[FloatArray], object] = lambda _: None,
    threads: int = 1,
    seed: int = 0,
) -> tuple[FloatArray, float]:
    """Return a plan at least as good: windows of all groups searched with the rest fixed.

    Parameters
    ----------
    offer : called with every better plan.
    """
    whole = np.logical_or.reduce(groups)
    period = _periods(program)
    for first in range(0, program.periods, limits.step):
        if deadline.reason_to_stop() is not None:
            break
        inside = (period >= first) & (period < first + limits.window)
        lower, upper = program.lower.copy(), program.upper.copy()
        fixed = whole & ~inside
        lower[fixed] = upper[fixed] = np.round(values[fixed])
        part = replace(program, lower=lower, upper=upper, integer=whole)
        left = 1 + (program.periods - 1 - first) // limits.step
        with HighsSession(part, threads=threads, seed=seed) as session:
            session.propose(values)
            answer = session.solve_mip(
                _share(deadline, left), gap=limits.gap, max_nodes=limits.nodes
            )
        found = answer.objective
        if answer.values is not None and found is not None and found < objective:
            values, objective = answer.values, found
            offer(values)
    return values, objective


def _share(deadline: Deadline, windows_left: int) -> Deadline:
    """Return the limit of one window: its share of what is left, and half as much again.

    Most windows need less than their share; what they leave goes to those that need more.
    """
    return deadline.share(1.5 / max(1, windows_left), least=_LEAST_SECONDS)


def _periods(program: Program) -> NDArray[np.int64]:
    return np.arange(program.columns) % program.periods


class _Walk:
    """One walk: the bounds that hold so far."""

    def __init__(
        self,
        program: Program,
        groups: Sequence[BoolArray],
        deadline: Deadline,
        limits: RollLimits,
        threads: int,
        seed: int,
    ) -> None:
        self._program, self._groups, self._deadline = program, groups, deadline
        self._limits, self._threads, self._seed = limits, threads, seed
        self._lower, self._upper = program.lower.copy(), program.upper.copy()
        self._period = _periods(program)
        self._windows = len(groups) * (
            1 + max(0, program.periods - limits.window - 1) // limits.step + 1
        )

    def hold(self, values: FloatArray) -> None:
        """Fix the first group as in these values of all columns."""
        self._fix(self._groups[0], values)

    def settle(self, number: int) -> MipAnswer | None:
        """Fix one group over the whole horizon."""
        group, limits = self._groups[number], self._limits
        first = 0
        while True:
            last = first + limits.window >= self._program.periods
            inside = (self._period >= first) & ((self._period < first + limits.window) | last)
            answer = self._search(group & inside)
            if answer is None:
                answer = self._again(number, first)
            if answer is None or answer.values is None:
                return None
            done = group if last else group & (self._period < first + limits.step)
            self._fix(done, answer.values)
            if last:
                return answer
            first += limits.step

    def _again(self, number: int, first: int) -> MipAnswer | None:
        """Free all groups so far around a window that has no plan, and settle them there."""
        freed = np.logical_or.reduce(self._groups[: number + 1])
        near = (self._period >= first - self._limits.step) & (
            self._period < first + 2 * self._limits.window
        )
        freed = freed & near
        self._lower[freed] = self._program.lower[freed]
        self._upper[freed] = self._program.upper[freed]
        answer = self._search(freed)
        if answer is not None and answer.values is not None:
            self._fix(freed & ~self._groups[number], answer.values)
        return answer

    def _fix(self, columns: BoolArray, values: FloatArray) -> None:
        whole = np.clip(np.round(values[columns]), self._lower[columns], self._upper[columns])
        self._lower[columns] = self._upper[columns] = whole

    def _search(self, whole: BoolArray) -> MipAnswer | None:
        """Search with some columns whole and the rest continuous."""
        if self._deadline.reason_to_stop() is not None:
            return None
        part = replace(
            self._program, lower=self._lower.copy(), upper=self._upper.copy(), integer=whole
        )
        with HighsSession(part, threads=self._threads, seed=self._seed) as session:
            answer = session.solve_mip(
                _share(self._deadline, self._windows),
                gap=self._limits.gap,
                max_nodes=self._limits.nodes,
            )
        self._windows -= 1
        return answer if answer.values is not None else None
