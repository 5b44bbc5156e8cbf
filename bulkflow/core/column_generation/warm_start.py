"""Going on from the plans that items had in a plan made before.

The items keep their plans in the master, at a bonus, and all may also take the plan that is best
at the prices: those that leave theirs in the relaxation are the ones the change is about. They
choose again, the others stay. No item moves for less than the bonus.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.column_generation.generate import Generator, Relaxed
from bulkflow.core.column_generation.pricing import Pricer
from bulkflow.core.deadline import Deadline

__all__ = ["Repair"]

FloatArray = NDArray[np.float64]
# Plans of each item, by number in the master, that differ in quantities only.
Choices = list[list[int]]

# So many may choose again at first; more where those find nothing.
_MOVERS = (6, 12, 24)
_NODES = 200
# What completing a choice may add to its value.
_ADDED = 1e-3
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

    def choices(self, start: FloatArray) -> Choices | None:
        """Return the plans of every item with the counts of a start; None if an item has none.

        They are the one with the quantities of the start, where these still do, and the one that
        is best at the prices; a mix of both is a plan with these counts as well.
        """
        exact = self.generator.exact
        counts = {
            item: tuple(
                np.round(start[[one.vehicles for one in each.sendings]]).astype(int).tolist()
            )
            for item, each in enumerate(self.master.shared.split.items)
        }
        prices = self.master.shared.column_prices(self.generator.best_prices)
        found: Choices = [[] for _ in counts]
        for plans in (exact.plans_with(start), exact.plans(counts, prices, self.deadline)):
            for plan, place in zip(plans, self.master.places(plans), strict=True):
                if plan.counts == counts[plan.item] and place not in found[plan.item]:
                    found[plan.item].append(place)
        return found if all(found) else None

    def kept(self, choices: Choices) -> tuple[float, FloatArray | None]:
        """Return the value and values of the master with these plans; inf, None where none fit."""
        self.master.choose_from(dict(enumerate(choices)))
        answer = self.master.solve(self.deadline)
        self.master.choose_from(None)
        return answer.objective, answer.values

    def moved(self, choices: Choices, enough: float) -> FloatArray | None:
        """Return values of the master in which the items that gain by it have moved.

        Parameters
        ----------
        enough : value that is good enough once the plan is completed, which adds a little.
        """
        enough -= _ADDED * abs(enough)
        order = self._leaving(choices, enough)
        best: tuple[float, FloatArray] | None = None
        for most in _MOVERS:
            if self.deadline.reason_to_stop() is not None or not order:
                break
            movers = set(order[:most])
            kept = {item: mine for item, mine in enumerate(choices) if item not in movers}
            try:
                found = self._rearranged(kept, movers, enough) or self._picked(
                    kept, choices, enough
                )
            finally:
                if not self.master.left:
                    self.master.choose_from(None)
            if found is not None and (best is None or found[0] < best[0]):
                best = found
            if best is not None and best[0] <= enough:
                break
        return None if best is None else best[1]

    def _rearranged(
        self, kept: Mapping[int, list[int]], movers: set[int], enough: float
    ) -> tuple[float, FloatArray] | None:
        """Return values of a choice in which only the movers have moved."""
        # The item farthest from one plan first, so that dead ends are found early; or the nearest.
        for hardest_first in (True, False):
            self.master.choose_from(kept)
            relaxed = self.generator.relaxed(self.deadline)
            if relaxed is None:
                return None
            if relaxed.objective <= enough:
                found = self._fixed_in_turn(kept, relaxed, enough, hardest_first=hardest_first)
                if found is not None:
                    return found
                self.master.choose_from(kept)
            # Their plans do not go with what the others keep: more, priced against that.
            self.generator.refine(self.pricer, relaxed, movers, self.deadline, 1)
        return None

    def _fixed_in_turn(
        self,
        kept: Mapping[int, list[int]],
        relaxed: Relaxed,
        enough: float,
        *,
        hardest_first: bool,
    ) -> tuple[float, FloatArray] | None:
        """Fix one item after another, depth first, while the relaxation stays good enough."""
        items = len(self.master.shared.split.items)
        trail = [(dict(kept), self._branches(kept, relaxed.shares, hardest_first=hardest_first))]
        for _ in range(_TRIES):
            while trail and not trail[-1][1]:
                trail.pop()
            if not trail or self.deadline.reason_to_stop() is not None:
                break
            fixed, branches = trail[-1]
            fixed = fixed | branches.pop(0)
            self.master.choose_from(fixed)
            answer = self.master.solve(self.deadline)
            if answer.values is None or answer.objective > enough:
                continue
            if len(fixed) == items:
                return answer.objective, answer.values
            shares = self.master.shares(answer.values)
            trail.append((fixed, self._branches(fixed, shares, hardest_first=hardest_first)))
        return None

    def _branches(
        self, fixed: Mapping[int, list[int]], shares: FloatArray, *, hardest_first: bool
    ) -> list[dict[int, list[int]]]:
        """Return the counts of the next item, those it is nearest to first.

        Each as its plans, which differ in quantities.
        """
        shares = np.pad(shares, (0, len(self.master.plans) - len(shares)))
        groups: dict[int, dict[tuple[int, ...], list[int]]] = {}
        for place, plan in enumerate(self.master.plans):
            if plan.item not in fixed:
                groups.setdefault(plan.item, {}).setdefault(plan.counts, []).append(place)
        best: list[tuple[float, int, list[int]]] = []
        for item, by_counts in groups.items():
            mine = sorted((-float(shares[same].sum()), item, same) for same in by_counts.values())
            if not best or (mine[0][0] > best[0][0]) is hardest_first:
                best = mine
        return [{item: same} for _, item, same in best]

    def _picked(
        self, kept: Mapping[int, list[int]], choices: Choices, enough: float
    ) -> tuple[float, FloatArray] | None:
        """Return a choice found by search."""
        self.master.choose_from(kept)
        relaxed = self.generator.relaxed(self.deadline)
        if relaxed is None or relaxed.objective > enough:
            return None
        answer = self.master.pick(
            self.deadline.share(0.2, least=0.3),
            gap=self.gap,
            max_nodes=self.max_nodes,
            start=[mine[0] for mine in choices],
            target=enough,
        )
        if answer.values is None or answer.objective is None:
            return None
        return answer.objective, answer.values

    def _leaving(self, choices: Choices, enough: float) -> list[int]:
        """Return the items, those first that leave their plans in the relaxation."""
        every = set(range(len(choices)))
        prices = self.master.shared.column_prices(self.generator.best_prices)
        _, counts = self.pricer.plans(prices)
        self.master.add_plans(self.generator.exact.plans(counts, prices, self.deadline))
        staying = [place for mine in choices for place in mine]
        self.master.favour(staying, self.bonus)
        try:
            found = self.generator.relaxed(self.deadline)
            for _ in range(_ROUNDS):
                if found is None:
                    break
                found = self.generator.refine(self.pricer, found, every, self.deadline, 1)
                if found is not None and found.objective + self._gained(found, choices) <= enough:
                    break
        finally:
            if not self.master.left:
                self.master.favour(staying, 0.0)
        if found is None:
            return []
        stays = self._stays(found, choices)
        return [int(item) for item in np.argsort(stays, kind="stable")]

    def _stays(self, found: Relaxed, choices: Choices) -> FloatArray:
        return np.array([found.shares[mine].sum() for mine in choices])

    def _gained(self, found: Relaxed, choices: Choices) -> float:
        """Return what the bonus took off the value of the relaxation."""
        return self.bonus * float(self._stays(found, choices).sum())
