"""Improving plans until the limit: crossover of diverse starts, and neighbourhoods of the best.

A round is one diverse start by relax-and-fix (`bulkflow.core.heuristics.relax_and_fix`), the whole
columns in which it and the incumbents differ searched from the best (crossover), and then
fix-and-optimize: neighbourhoods freed while the rest is fixed, for a while. What a round does
depends on the work done so far and not on the limit: more time goes on where less ended, and is
never a worse plan.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.neighbourhood import search_part
from bulkflow.core.heuristics.neighbourhoods import Adaptive, Neighbourhoods
from bulkflow.core.heuristics.relax_and_fix import perturbed_costs, staged_plan
from bulkflow.core.heuristics.rolling_horizon import RollLimits, improve_by_windows
from bulkflow.core.incumbent import Incumbent
from bulkflow.core.outcome import OutcomeStatus, StoppedBy
from bulkflow.core.program import Program

__all__ = ["Improver"]

FloatArray = NDArray[np.float64]
Order = Sequence[NDArray[np.bool_]]

_SIZE, _LEAST_SIZE = 60.0, 12.0
_GROW, _SHRINK = 1.2, 0.8
_NODES = 300
_CROSSED_NODES = 600
_FEW_DIFFERENT = 70
# Work for each whole column searched, and for each free entry: a neighbourhood, a crossover.
_NEIGHBOURHOOD_WORK, _CROSSOVER_WORK = 1.0, 4.0
# Neighbourhoods of a round, as a multiple of the work of its start and crossover.
_TIMES_THE_START = 1.5
_LEAST_ROUND = 4.0
_SEARCH_GAP = 1e-5
# A start gets this much work; with a gap below this no other order need be tried.
# It grows with the entries of the matrix, up to a limit.
_START_WORK, _MOST_START_WORK, _SOON_WORK = 7e-4, 30.0, 8.0
_NEAR_GAP = 2e-2
# With a wider gap than this after the longer starts, these find nothing more. A start without the
# strengthening rows, activities first, brings a tight 13 weeks from 58 to 40 %; a large program is
# bettered window by window, quarters with every feature from 92 to 21 % in this work.
_FAR_GAP, _PLAIN_WORK, _WINDOWS_WORK = 0.3, 8.0, 20.0
_WINDOWS = RollLimits(window=8, step=4, gap=1e-2, nodes=50)


class Improver:
    """See the module.

    Parameters
    ----------
    program : the extended program with its strengthening rows.
    plain : the same without those rows.
    orders : groups of whole columns to settle in turn in a start, in the orders to try.
    last_resort : the same for a start without the rows.
    large : no quick starts, which find nothing in a large program.
    enough : tells whether the plan is good enough.
    """

    def __init__(
        self,
        program: Program,
        plain: Program,
        incumbent: Incumbent,
        places: Neighbourhoods,
        *,
        orders: Sequence[Order],
        last_resort: Order,
        large: bool,
        enough: Callable[[], bool],
        seed: int,
        threads: int,
    ) -> None:
        self.program, self.plain, self.incumbent, self.places = program, plain, incumbent, places
        self._orders, self._last_resort, self._enough = orders, last_resort, enough
        self._seed, self._threads = seed, threads
        self._rng = np.random.default_rng(seed)
        self._adaptive = Adaptive(list(places.families), self._rng)
        self._size, self._turn = _SIZE, 0
        self._spent_on_start = 0.0
        self._start_work = min(_MOST_START_WORK, _START_WORK * program.matrix.nnz)
        self.settled = False
        self._large = large

    def begin(self, deadline: Deadline) -> None:
        """Make a start in one order and, while the gap is wide, in the others.

        The order that was best goes first from then on. In a large program that is far
        off, windows take the place of longer starts; in others a start without the rows
        comes after them, since they are what brings most programs near.
        """
        for order in self._orders:
            if self.incumbent.gap() > _NEAR_GAP and not self._large and not self._over(deadline):
                self._start(order, None, deadline.part(work=_SOON_WORK), soon=True)
        if self._large and self.incumbent.gap() > _FAR_GAP and not self._over(deadline):
            self._by_windows(deadline.part(work=_WINDOWS_WORK))
            return
        found: list[tuple[float, int, Order]] = []
        for number, order in enumerate(self._orders):
            if found and (self._over(deadline) or self.incumbent.gap() <= _NEAR_GAP):
                return
            part = deadline.part(work=self._start_work)
            values = self._start(order, None, part)
            cost = np.inf if values is None else float(self.program.cost @ values)
            found.append((cost, number, order))
        self._orders = [order for *_, order in sorted(found, key=lambda one: one[:2])]
        if self.incumbent.gap() > _FAR_GAP and not self._over(deadline):
            self._start(self._last_resort, None, deadline.part(work=_PLAIN_WORK), plain=True)

    def _by_windows(self, deadline: Deadline) -> None:
        """Better the best plan window by window."""
        best = self.incumbent.values
        if best is not None:
            improve_by_windows(
                self.plain,
                self._orders[0],
                best,
                self.incumbent.objective,
                deadline,
                _WINDOWS,
                offer=self.incumbent.offer,
                threads=self._threads,
                seed=self._seed,
            )

    def run(self, deadline: Deadline) -> None:
        """Go on until the deadline, or until the plan is good enough or all was searched."""
        while not self._over(deadline):
            spent = max(_LEAST_ROUND, _TIMES_THE_START * self._spent_on_start)
            self.neighbourhoods(deadline.part(work=spent))
            if not self._over(deadline):
                began = deadline.spent()
                self._diverse_start(deadline.part(work=self._start_work))
                self._spent_on_start = deadline.spent() - began

    def neighbourhoods(self, deadline: Deadline) -> None:
        """Search neighbourhoods of the best plan."""
        while self.incumbent.values is not None and not self._over(deadline):
            self._neighbourhood(deadline)

    def _over(self, deadline: Deadline) -> bool:
        return self.settled or deadline.reason_to_stop() is not None or self._enough()

    def _start(
        self,
        groups: Order,
        cost: FloatArray | None,
        deadline: Deadline,
        *,
        soon: bool = False,
        plain: bool = False,
    ) -> FloatArray | None:
        """Make a staged start; offer it; return its values."""
        seed = self._seed + self._turn
        values = staged_plan(
            self.plain if plain else self.program,
            groups,
            deadline,
            soon=soon,
            start=self.incumbent.values if cost is None and not plain else None,
            cost=cost,
            threads=self._threads,
            seed=seed,
        )
        self.incumbent.offer(values)
        return values

    def _diverse_start(self, deadline: Deadline) -> None:
        """Make a start with changed costs and cross it with the best plans."""
        self._turn += 1
        best = self.incumbent.values
        # The order that began better has every other start, and the rest have the others.
        order = self._orders[(self._turn // 2) % len(self._orders) if self._turn % 2 else 0]
        values = self._start(order, perturbed_costs(self.program, self._rng), deadline)
        if values is None or best is None or self._over(deadline):
            return
        others = [plan for _, plan in self.incumbent.pool[1:]]
        partners = [values]
        if others and self._turn % 2 == 0:
            partners.append(others[int(self._rng.integers(len(others)))])
        free = self.places.differing([best, *partners], _FEW_DIFFERENT)
        if free.any():
            mask = self.places.mask(free)
            part = deadline.part(work=_CROSSOVER_WORK)
            self._search(mask, part, _CROSSED_NODES)

    def _neighbourhood(self, deadline: Deadline) -> None:
        values = self.incumbent.values
        if values is None:
            return
        family = self._adaptive.choose()
        free = self.places.draw(family, values, int(self._size))
        before, began = self.incumbent.objective, deadline.spent()
        part = deadline.part(work=_NEIGHBOURHOOD_WORK)
        proved = self._search(free, part, _NODES)
        work = max(1e-3, deadline.spent() - began)
        gain = before - self.incumbent.objective
        self._adaptive.learn(family, gain / max(1.0, abs(before)) / work * 1e4)
        whole = self.places.whole_columns
        if proved and free.sum() >= whole:
            self.settled = True
        if proved and work < 0.5 * _NEIGHBOURHOOD_WORK:
            self._size = min(float(whole), self._size * _GROW)
        elif not proved and gain <= 0:
            self._size = max(_LEAST_SIZE, self._size * _SHRINK)

    def _search(self, free: NDArray[np.bool_], deadline: Deadline, nodes: int) -> bool:
        """Search the freed columns from the best plan; tell whether that was to the end."""
        best = self.incumbent.values
        if best is None:
            return False
        own = self.program.periods * len(self.program.blocks)
        fixed = self.program.integer & ~free
        fixed[own:] = False  # cumulative counts follow
        answer = search_part(
            self.program,
            fixed,
            best,
            deadline,
            gap=_SEARCH_GAP,
            start=best,
            max_nodes=nodes,
            threads=self._threads,
            seed=self._seed,
        )
        if answer.objective is not None and answer.objective < self.incumbent.objective:
            self.incumbent.offer(answer.values)
        ended = answer.status in (OutcomeStatus.FEASIBLE, OutcomeStatus.OPTIMAL)
        return ended and answer.stopped_by is StoppedBy.PROOF
