"""Exact plans for given counts: the quantities of all items in one linear program.

The dynamic program places quantities on a grid. With the counts it chose held fast, what is left
of every item is a small linear program; all of them make one, without a row in common.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.column_generation.columns import PlanColumn, plan_of_amounts
from bulkflow.core.column_generation.subproblems import Decomposition
from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession
from bulkflow.core.program import Program

__all__ = ["ExactPlans"]

FloatArray = NDArray[np.float64]

# Quantities below this are rounding noise of the solver.
_NOTHING = 1e-9
# Rules are kept within this, as a share.
_NEAR = 1e-7


class ExactPlans:
    """The items of a program as a linear program that lives on from call to call."""

    def __init__(self, split: Decomposition) -> None:
        program = split.program
        self.split = split
        self._own = sparse.csr_array(program.matrix[np.flatnonzero(split.own_rows >= 0)])
        self.columns = np.flatnonzero(split.owner >= 0)
        rows = np.flatnonzero(split.own_rows >= 0)
        place = np.full(program.columns, -1, dtype=np.int64)
        place[self.columns] = np.arange(len(self.columns))
        self.place = place
        self.owner = split.owner[self.columns]
        counts = [one.vehicles for item in split.items for one in item.sendings]
        self.counts = place[np.array(counts, dtype=np.int64)]
        self._begin = np.cumsum([0, *(len(item.sendings) for item in split.items)])
        self._mine = [np.flatnonzero(self.owner == item) for item in range(len(split.items))]
        least = [one.fewest for item in split.items for one in item.sendings]
        self._whole = np.ceil(np.array(least, dtype=float) - 1e-6)
        own = sparse.csr_array(program.matrix[rows][:, self.columns])
        self._session = HighsSession(
            Program.unlabelled(
                periods=program.periods,
                commodities=program.commodities,
                sign=program.sign,
                constant=0.0,
                cost=program.cost[self.columns],
                lower=program.lower[self.columns],
                upper=program.upper[self.columns],
                integer=program.integer[self.columns],
                matrix=own,
                row_lower=program.row_lower[rows],
                row_upper=program.row_upper[rows],
            ),
            relaxed=True,
        )

    def close(self) -> None:
        """Give back the memory."""
        self._session.close()

    def plans(
        self, counts: Mapping[int, tuple[int, ...]], prices: FloatArray, deadline: Deadline
    ) -> list[PlanColumn]:
        """Return the best plan with these counts of every item named that has one."""
        self._session.set_costs(np.arange(len(self.columns)), prices[self.columns])
        return self._plans(dict(counts), deadline)

    def _plans(self, counts: dict[int, tuple[int, ...]], deadline: Deadline) -> list[PlanColumn]:
        before = self._whole.copy()
        for item, one in counts.items():
            self._whole[self._begin[item] : self._begin[item + 1]] = one
        self._session.set_bounds(self.counts, self._whole, self._whole)
        answer = self._session.solve_lp(deadline)
        if answer.values is not None:
            return [self.plan(item, one, answer.values) for item, one in counts.items()]
        # Counts that some item cannot keep: find out which.
        self._whole = before
        if len(counts) == 1 or deadline.reason_to_stop() is not None:
            return []
        pairs = list(counts.items())
        half = len(pairs) // 2
        return self._plans(dict(pairs[:half]), deadline) + self._plans(dict(pairs[half:]), deadline)

    def plans_with(self, values: FloatArray) -> list[PlanColumn]:
        """Return the plan of every item with the counts and flows in ``values`` of all columns.

        Stock and shortage follow from them; an item whose rules they break, or whose flows are
        not known, has none.
        """
        split, program = self.split, self.split.program
        plans: list[PlanColumn] = []
        together = np.zeros(program.columns)
        for number, item in enumerate(split.items):
            counts = np.round(values[[one.vehicles for one in item.sendings]])
            amounts = values[[one.flow for one in item.sendings]]
            if not np.isfinite(counts).all() or not np.isfinite(amounts).all():
                continue
            least = np.array([one.least for one in item.sendings])
            most = np.array([one.most for one in item.sendings])
            gain = np.array([one.gain for one in item.sendings])
            amounts = np.clip(amounts * gain, counts * least, counts * most)
            plan = plan_of_amounts(split, number, counts, amounts)
            together[plan.columns] = plan.values
            plans.append(plan)
        rows = np.flatnonzero(split.own_rows >= 0)
        reached = self._own @ together
        lower, upper = program.row_lower[rows], program.row_upper[rows]
        broken = (reached < lower - _NEAR * np.maximum(1.0, np.abs(lower))) | (
            reached > upper + _NEAR * np.maximum(1.0, np.abs(upper))
        )
        outside = (together < program.lower - _NEAR) | (together > program.upper + _NEAR)
        wrong = set(split.own_rows[rows[broken]].tolist()) | set(split.owner[outside].tolist())
        return [plan for plan in plans if plan.item not in wrong]

    def plan(self, item: int, counts: tuple[int, ...], values: FloatArray) -> PlanColumn:
        """Return an item's part of values of the items' columns."""
        mine = self._mine[item]
        kept = mine[np.abs(values[mine]) > _NOTHING]
        columns = self.columns[kept]
        cost = float(self.split.program.cost[columns] @ values[kept])
        return PlanColumn(item, counts, columns, values[kept], cost)

    def plans_in(self, values: FloatArray) -> list[PlanColumn]:
        """Return the plans in values of the whole program's columns."""
        mine = values[self.columns]
        whole = np.round(mine[self.counts]).astype(int)
        return [
            self.plan(item, tuple(whole[self._begin[item] : self._begin[item + 1]].tolist()), mine)
            for item in range(len(self.split.items))
        ]
