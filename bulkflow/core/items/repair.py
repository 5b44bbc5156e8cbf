"""Going on from the plans that items had in a plan made before.

The items keep their plans in the master, at a bonus, and all may also take the plan that is best
at the prices: those that leave theirs in the relaxation are the ones the change is about. They
choose again, the others stay. No item moves for less than the bonus.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.items.generate import Generator, Relaxed
from bulkflow.core.items.pricing import Pricer

__all__ = ["Repair"]

FloatArray = NDArray[np.float64]

# So many may choose again at first; more where those find nothing.
_MOVERS = (6, 12, 24)
_NODES = 200
# What completing a choice may add to its value.
_ADDED = 1e-3
_MORE_PLANS = 2
_TRIES = 30
# Rounds of pricing until the relaxation is good enough.
_ROUNDS = 6


class Repair:
    """Repairs a choice of plans in the master of a generator.

    Parameters
    ----------
    bonus : what an item must gain to move.
    gap : relative gap at which a new choice is good enough.
    """

    def __init__(
        self,
        generator: Generator,
        pricer: Pricer,
        deadline: Deadline,
        *,
        bonus: float,
        gap: float,
        max_nodes: int | None,
    ) -> None:
        self.generator, self.pricer, self.deadline = generator, pricer, deadline
        self.master = generator.master
        self.bonus, self.gap = bonus, gap
        self.max_nodes = _NODES if max_nodes is None else max_nodes

    def places(self, counts: dict[int, tuple[int, ...]]) -> list[int] | None:
        """Return the plans with these counts, best at the prices, or None if one has none."""
        prices = self.master.shared.column_prices(self.generator.best_prices)
        plans = self.generator.exact.plans(counts, prices, self.deadline)
        return self.master.places(plans) if len(plans) == len(counts) else None

    def kept(self, places: Sequence[int]) -> tuple[float, FloatArray | None]:
        """Return the value and values of the master with these plans; inf, None where none fit."""
        self.master.choose_from({item: [place] for item, place in enumerate(places)})
        answer = self.master.solve(self.deadline)
        self.master.choose_from(None)
        return answer.objective, answer.values

    def moved(self, places: Sequence[int], enough: float) -> FloatArray | None:
        """Return values of the master in which the items that gain by it have moved.

        Parameters
        ----------
        enough : value that is good enough once the plan is completed, which adds a little.
        """
        enough -= _ADDED * abs(enough)
        order = self._leaving(places, enough)
        best: tuple[float, FloatArray] | None = None
        for most in _MOVERS:
            if self.deadline.reason_to_stop() is not None or not order:
                break
            movers = set(order[:most])
            kept = {item: place for item, place in enumerate(places) if item not in movers}
            try:
                found = self._rearranged(kept, movers, enough) or self._picked(kept, places, enough)
            finally:
                if not self.master.left:
                    self.master.choose_from(None)
            if found is not None and (best is None or found[0] < best[0]):
                best = found
            if best is not None and best[0] <= enough:
                break
        return None if best is None else best[1]

    def _rearranged(
        self, kept: Mapping[int, int], movers: set[int], enough: float
    ) -> tuple[float, FloatArray] | None:
        """Return values of a choice in which only the movers have moved."""
        for _ in range(_MORE_PLANS):
            self.master.choose_from({item: [place] for item, place in kept.items()})
            relaxed = self.generator.relaxed(self.deadline)
            if relaxed is None:
                return None
            if relaxed.objective <= enough:
                found = self._fixed_in_turn(kept, relaxed, enough)
                if found is not None:
                    return found
                self.master.choose_from({item: [place] for item, place in kept.items()})
            # Their plans do not go with what the others keep: more, priced against that.
            self.generator.refine(self.pricer, relaxed, movers, self.deadline, 1)
        return None

    def _fixed_in_turn(
        self, kept: Mapping[int, int], relaxed: Relaxed, enough: float
    ) -> tuple[float, FloatArray] | None:
        """Fix one plan after another, depth first, while the relaxation stays good enough."""
        owner = np.array([plan.item for plan in self.master.plans])
        trail = [(dict(kept), self._branches(owner, kept, relaxed.shares))]
        for _ in range(_TRIES):
            while trail and not trail[-1][1]:
                trail.pop()
            if not trail or self.deadline.reason_to_stop() is not None:
                break
            fixed, branches = trail[-1]
            fixed = fixed | branches.pop(0)
            self.master.choose_from({item: [place] for item, place in fixed.items()})
            answer = self.master.solve(self.deadline)
            if answer.values is None or answer.objective > enough:
                continue
            if len(fixed) == len(self.master.shared.split.items):
                return answer.objective, answer.values
            trail.append((fixed, self._branches(owner, fixed, self.master.shares(answer.values))))
        return None

    def _branches(
        self, owner: NDArray[np.int64], fixed: Mapping[int, int], shares: FloatArray
    ) -> list[dict[int, int]]:
        """Return the plans of the item nearest to one of them, the nearest first."""
        free = [item for item in range(len(self.master.shared.split.items)) if item not in fixed]
        best: list[int] = []
        for item in free:
            mine = np.flatnonzero(owner[: len(shares)] == item)
            mine = mine[np.argsort(-shares[mine], kind="stable")]
            if len(mine) and (not best or shares[mine[0]] > shares[best[0]]):
                best = [int(place) for place in mine]
        return [{int(owner[place]): place} for place in best]

    def _picked(
        self, kept: Mapping[int, int], places: Sequence[int], enough: float
    ) -> tuple[float, FloatArray] | None:
        """Return a choice found by search."""
        self.master.choose_from({item: [place] for item, place in kept.items()})
        relaxed = self.generator.relaxed(self.deadline)
        if relaxed is None or relaxed.objective > enough:
            return None
        answer = self.master.pick(
            self.deadline.part(max(0.3, 0.2 * self.deadline.remaining())),
            gap=self.gap,
            max_nodes=self.max_nodes,
            start=places,
            target=enough,
        )
        if answer.values is None or answer.objective is None:
            return None
        return answer.objective, answer.values

    def _leaving(self, places: Sequence[int], enough: float) -> list[int]:
        """Return the items, those first that leave their plans in the relaxation."""
        every = set(range(len(places)))
        prices = self.master.shared.column_prices(self.generator.best_prices)
        _, counts = self.pricer.plans(prices)
        self.master.add_plans(self.generator.exact.plans(counts, prices, self.deadline))
        self.master.favour(places, self.bonus)
        try:
            found = self.generator.relaxed(self.deadline)
            for _ in range(_ROUNDS):
                if found is None:
                    break
                found = self.generator.refine(self.pricer, found, every, self.deadline, 1)
                if found is not None and found.objective + self._gained(found, places) <= enough:
                    break
        finally:
            if not self.master.left:
                self.master.favour(places, 0.0)
        if found is None:
            return []
        stays = self._stays(found, places)
        return [int(item) for item in np.argsort(stays, kind="stable")]

    def _stays(self, found: Relaxed, places: Sequence[int]) -> FloatArray:
        return found.shares[list(places)]

    def _gained(self, found: Relaxed, places: Sequence[int]) -> float:
        """Return what the bonus took off the value of the relaxation."""
        return self.bonus * float(self._stays(found, places).sum())
