"""The restricted master: one plan for every subproblem, against what they share with the rest.

Columns are the program's own (those that belong to no subproblem) and plans of subproblems (items
below); rows are those that are no subproblem's own, and a convexity row for each. Its dual prices
are what the subproblems are priced at. Whatever the prices, their value, plus the least cost of the
rest at them, plus the value of every subproblem at them is a Lagrangian bound on the whole program.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.column_generation.columns import PlanColumn
from bulkflow.core.column_generation.subproblems import Decomposition
from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession, LpAnswer, MipAnswer, SessionLeftError
from bulkflow.core.program import Program
from bulkflow.errors import SolverError

__all__ = ["RestrictedMaster", "Shared"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# A start is an aid: it may not cost much.
_COMPLETION_WORK = 5.0


class Shared:
    """The rows that items share, and the columns of the rest.

    Parameters
    ----------
    implied : upper bounds of the columns that the rows imply, (columns,).
    rows : of the program; rest : columns of the program that no item owns.
    """

    def __init__(self, split: Decomposition, implied: FloatArray) -> None:
        program = split.program
        self.split, self.program = split, program
        self.rows = split.shared_rows
        self.rest = np.flatnonzero(split.owner < 0)
        self.matrix = sparse.csr_array(program.matrix[self.rows])
        self.by_column = sparse.csc_array(self.matrix)
        # Prices of another program may point the wrong way on a column without a bound of its own.
        self._most = np.minimum(program.upper, implied)[self.rest]
        self.lower, self.upper = program.row_lower[self.rows], program.row_upper[self.rows]

    def column_prices(self, row_prices: FloatArray) -> FloatArray:
        """Return costs less what rows are worth, (columns,)."""
        return np.asarray(self.program.cost - self.matrix.T @ row_prices)

    def value_without_items(self, row_prices: FloatArray, column_prices: FloatArray) -> float:
        """Return the value of row prices and the least cost of the rest at them.

        Prices of rows with only one side that point the wrong way count as zero by the caller.
        """
        side = np.where(row_prices > 0, self.lower, self.upper)
        used = row_prices != 0
        value = float(row_prices[used] @ side[used])
        prices = column_prices[self.rest]
        lower, upper = self.program.lower[self.rest], self._most
        bound = np.where(prices > 0, lower, upper)
        noise = (np.abs(prices) <= 1e-9) & np.isinf(bound)
        used = (prices != 0) & ~noise
        return value + float(prices[used] @ bound[used]) + self.program.constant

    def in_range(self, row_prices: FloatArray) -> FloatArray:
        """Return row prices with those that no side of the row can carry set to zero."""
        wrong = (row_prices > 0) & np.isneginf(self.lower)
        wrong |= (row_prices < 0) & np.isposinf(self.upper)
        return np.where(wrong, 0.0, row_prices)


class RestrictedMaster(HighsSession):
    """The master program in HiGHS; see the module."""

    def __init__(self, shared: Shared, *, threads: int = 1, seed: int = 0) -> None:
        self.shared = shared
        self.plans: list[PlanColumn] = []
        self._seen: dict[tuple[int, tuple[int, ...], int], int] = {}
        super().__init__(_start(shared), threads=threads, seed=seed, relaxed=True)

    def add_plans(self, plans: Iterable[PlanColumn]) -> int:
        """Add plans that are not there yet; return how many were new."""
        before = len(self.plans)
        self.places(plans)
        return len(self.plans) - before

    def places(self, plans: Iterable[PlanColumn]) -> list[int]:
        """Return the number of each plan in the master, adding those that are not there yet."""
        places: list[int] = []
        fresh: list[PlanColumn] = []
        for plan in plans:
            key = (plan.item, plan.counts, round(plan.cost * 1e3))
            if key not in self._seen:
                self._seen[key] = len(self.plans) + len(fresh)
                fresh.append(plan)
            places.append(self._seen[key])
        if fresh:
            rows, values, starts = self._entries(fresh)
            cost = np.array([plan.cost for plan in fresh])
            zero, inf = np.zeros(len(fresh)), np.full(len(fresh), np.inf)
            status = self._highs.addCols(
                len(fresh), cost, zero, inf, len(rows), starts[:-1], rows, values
            )
            self._ok(status, "new plans")
            self.plans += fresh
        return places

    def _entries(
        self, plans: list[PlanColumn]
    ) -> tuple[NDArray[np.int32], FloatArray, NDArray[np.int32]]:
        shared = self.shared
        shape = (shared.program.columns, len(plans))
        places = np.concatenate([plan.columns for plan in plans])
        values = np.concatenate([plan.values for plan in plans])
        number = np.repeat(np.arange(len(plans)), [len(plan.columns) for plan in plans])
        chosen = sparse.csc_array((values, (places, number)), shape=shape)
        entries = sparse.csc_array(shared.by_column @ chosen)
        share = sparse.csc_array(
            (
                np.ones(len(plans)),
                ([plan.item for plan in plans], np.arange(len(plans))),
            ),
            shape=(len(shared.split.items), len(plans)),
        )
        whole = sparse.csc_array(sparse.vstack([entries, share]))
        return (
            whole.indices.astype(np.int32),
            whole.data,
            whole.indptr.astype(np.int32),
        )

    def solve(self, deadline: Deadline) -> LpAnswer:
        """Solve the relaxation; a basis from which the solver gets lost is given up."""
        try:
            return self.solve_lp(deadline)
        except SessionLeftError:
            raise
        except SolverError:
            self.forget()
            return self.solve_lp(deadline)

    def choose_from(self, allowed: Mapping[int, Iterable[int]] | None) -> None:
        """Let each item named have the plans named only; None: every item all its plans."""
        upper = np.full(len(self.plans), np.inf)
        if allowed is not None:
            owner = np.array([plan.item for plan in self.plans])
            for item, plans in allowed.items():
                upper[owner == item] = 0.0
                upper[list(plans)] = np.inf
        columns = len(self.shared.rest) + np.arange(len(self.plans))
        self.set_bounds(columns, np.zeros(len(columns)), upper)

    def favour(self, places: Sequence[int], bonus: float) -> None:
        """Take a bonus off the costs of plans; 0 puts them back."""
        columns = len(self.shared.rest) + np.array(places)
        self.set_costs(columns, np.array([self.plans[place].cost - bonus for place in places]))

    def hold_rest(self, values: FloatArray | None) -> None:
        """Hold the whole columns of the rest fast, or (None) let them go again.

        Parameters
        ----------
        values : of all columns of the program.
        """
        shared, program = self.shared, self.shared.program
        held = np.flatnonzero(program.integer[shared.rest])
        columns = shared.rest[held]
        lower, upper = program.lower[columns], program.upper[columns]
        if values is not None:
            lower = upper = np.round(values[columns])
        self.set_bounds(held, lower, upper)

    def pick(
        self,
        deadline: Deadline,
        *,
        gap: float,
        max_nodes: int | None = None,
        start: Sequence[int] | None = None,
        target: float = -np.inf,
    ) -> MipAnswer:
        """Choose one plan for every item, the rest left continuous; values as in `solve`.

        Parameters
        ----------
        start : a plan of every item to start from.
        target : value that is good enough.
        """
        rest = len(self.shared.rest)
        columns = (rest + np.arange(len(self.plans))).astype(np.int32)
        kinds = np.ones(len(columns), dtype=np.uint8)
        complete = None if start is None else self._completed(start)
        self._ok(self._highs.changeColsIntegrality(len(columns), columns, kinds), "integrality")
        try:
            self._unfinished_start = False
            if complete is not None:
                self._propose_all(complete)
            try:
                return self.solve_mip(deadline, gap=gap, max_nodes=max_nodes, target=target)
            except SessionLeftError:
                raise
            except SolverError:
                self.forget()
                return self.solve_mip(deadline, gap=gap, max_nodes=max_nodes, target=target)
        finally:
            if not self.left:
                self._highs.changeColsIntegrality(len(columns), columns, 0 * kinds)

    def _searches(self) -> bool:
        return True

    def _completed(self, places: Sequence[int]) -> FloatArray | None:
        """Return the best values with these plans."""
        columns = len(self.shared.rest) + np.array(places)
        one = np.ones(len(columns))
        self.set_bounds(columns, one, np.full(len(columns), np.inf))
        answer = self.solve(Deadline(work=_COMPLETION_WORK))
        self.set_bounds(columns, 0 * one, np.full(len(columns), np.inf))
        return answer.values

    def shares(self, values: FloatArray) -> FloatArray:
        """Return the part of the solution that belongs to the plans."""
        return values[len(self.shared.rest) :]


def _start(shared: Shared) -> Program:
    """Return the master without plans as a program."""
    program, rest = shared.program, shared.rest
    items = len(shared.split.items)
    rows = sparse.csr_array(
        sparse.vstack([shared.matrix[:, rest], sparse.csr_array((items, len(rest)))])
    )
    one = np.ones(items)
    return Program.unlabelled(
        periods=program.periods,
        commodities=program.commodities,
        sign=program.sign,
        constant=program.constant,
        cost=program.cost[rest],
        lower=program.lower[rest],
        upper=program.upper[rest],
        integer=np.zeros(len(rest), dtype=bool),
        matrix=rows,
        row_lower=np.concatenate([shared.lower, one]),
        row_upper=np.concatenate([shared.upper, one]),
    )
