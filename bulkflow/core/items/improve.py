"""Whole plans from plans of items: diving in the master, then neighbourhoods of the best plan.

A dive fixes the plans that the relaxation has nearly chosen, prices the other items anew and goes
on until every item has one plan. Counts of vehicles are then held fast in the program itself, and
what is left (quantities, and whole columns of the rest) is solved; only that is a plan. A
neighbourhood lets a few items choose again among the plans worth their while.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession
from bulkflow.core.items.exact import ExactPlans
from bulkflow.core.items.generate import Generator, Relaxed
from bulkflow.core.items.model import Decomposition
from bulkflow.core.items.pricing import Pricer
from bulkflow.core.program import Program

__all__ = ["Completion", "WholePlan", "dive"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# A plan with this share of its item is taken as chosen.
_NEARLY = 0.85


@dataclass(frozen=True, slots=True)
class WholePlan:
    """A plan of the program: value (minimised), column values, and the counts of the items."""

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


def dive(
    generator: Generator,
    pricer: Pricer,
    current: Relaxed,
    deadline: Deadline,
    *,
    rounds: int = 2,
) -> list[int] | None:
    """Return the number of a plan of the master for every item, or None.

    Parameters
    ----------
    rounds : of pricing after every fixing.
    """
    master = generator.master
    items = len(generator.shared.split.items)
    fixed: dict[int, int] = {}
    barred: set[int] = set()
    found: Relaxed | None = current
    try:
        while len(fixed) < items:
            if found is None or deadline.reason_to_stop() is not None:
                return None
            taken = _next_to_fix(generator, found, fixed, barred)
            if not taken:
                return None
            fixed.update(taken)
            _hold(generator, fixed, barred)
            next_found = generator.relaxed(deadline)
            if next_found is None and deadline.reason_to_stop() is None:
                # These plans do not go together: take the last of them back, for good.
                item, place = list(taken.items())[-1]
                for one in taken:
                    del fixed[one]
                if len(taken) == 1:
                    barred.add(place)
                else:
                    fixed.update(list(taken.items())[: len(taken) // 2])
                _hold(generator, fixed, barred)
                next_found = generator.relaxed(deadline)
            found = next_found
            if found is not None and len(fixed) < items:
                free = set(range(items)) - fixed.keys()
                found = generator.refine(pricer, found, free, deadline, rounds)
    finally:
        master.choose_from(None)
    return [fixed[item] for item in range(items)]


def _next_to_fix(
    generator: Generator, found: Relaxed, fixed: dict[int, int], barred: set[int]
) -> dict[int, int]:
    """Return the plans nearly chosen, or else the one with the largest share."""
    taken: dict[int, int] = {}
    for place in np.argsort(-found.shares, kind="stable").tolist():
        item = generator.master.plans[place].item
        if item in fixed or item in taken or place in barred:
            continue
        if taken and found.shares[place] < _NEARLY:
            break
        taken[item] = place
    return taken


def _hold(generator: Generator, fixed: dict[int, int], barred: set[int]) -> None:
    allowed: dict[int, list[int]] = {item: [place] for item, place in fixed.items()}
    owners = {generator.master.plans[place].item for place in barred}
    for number, plan in enumerate(generator.master.plans):
        if plan.item in owners and plan.item not in fixed and number not in barred:
            allowed.setdefault(plan.item, []).append(number)
    generator.master.choose_from(allowed)
