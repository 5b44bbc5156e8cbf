"""A choice of one plan for every item by fixing and pricing in turn.

The relaxation of the master mixes plans. The item whose mix is nearest to one plan gets that plan,
the others are priced anew against it, and so on: each step leaves the others free to follow. It
ends early where what is fixed leaves the others nothing; those last few are chosen in the program
itself, where quantities can give way (`Completion.choose`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bulkflow.core.column_generation.generate import Generator, Relaxed
from bulkflow.core.column_generation.pricing import Pricer
from bulkflow.core.deadline import Deadline

__all__ = ["Chosen", "dive_by_prices"]

# A plan with this share of its item is chosen; of the others this part a step, the nearest first.
_CHOSEN = 0.999
_PART_A_STEP = 0.15
# A step that makes the relaxation dearer by more than this has left the others nothing.
_DEARER = 5e-4
_ROUNDS_A_STEP = 2
# Plans of an item tried; items left at most before the dive ends.
_TRIES = 3
_MOST_LEFT = 3


@dataclass(frozen=True, slots=True)
class Chosen:
    """Plans chosen, as numbers in the master, in steps; the value of the relaxation with them."""

    steps: list[dict[int, int]]
    objective: float

    def plans(self) -> dict[int, int]:
        """Return the plan chosen of every item that has one."""
        return {item: place for step in self.steps for item, place in step.items()}


def dive_by_prices(
    generator: Generator, pricer: Pricer, current: Relaxed, deadline: Deadline
) -> Chosen:
    """Fix plans near the relaxation ``current`` step by step; some items may stay without."""
    dive = _Dive(generator, pricer, current, deadline)
    try:
        while deadline.reason_to_stop() is None and dive.step():
            pass
        return Chosen(dive.steps, dive.current.objective)
    finally:
        if not generator.master.left:
            generator.master.choose_from(None)


class _Dive:
    """The state of a dive: steps so far, the relaxation with them, items left for later."""

    def __init__(
        self, generator: Generator, pricer: Pricer, current: Relaxed, deadline: Deadline
    ) -> None:
        self.generator, self.pricer, self.deadline = generator, pricer, deadline
        self.current = current
        self.steps: list[dict[int, int]] = []
        self.left: set[int] = set()
        self._alone = False

    def step(self) -> bool:
        """Fix some more items; tell whether there is more to do."""
        fixed = {item: place for step in self.steps for item, place in step.items()}
        options = self._options(fixed)
        if not options:
            return False
        if not self._alone:
            most = int(np.ceil(_PART_A_STEP * len(options)))
            together = {
                item: places[0]
                for number, (item, places) in enumerate(options)
                if number < most or self.current.shares[places[0]] > _CHOSEN
            }
            if self._fixes(fixed, together):
                return True
            self._alone = True
        item, places = options[0]
        if not any(self._fixes(fixed, {item: place}) for place in places[:_TRIES]):
            # Nothing of it goes with what is fixed: it is chosen last, in the program.
            self.left.add(item)
        return len(self.left) <= _MOST_LEFT

    def _options(self, fixed: dict[int, int]) -> list[tuple[int, list[int]]]:
        """Return items to fix, nearest to one plan first, with their plans by share."""
        shares, plans = self.current.shares, self.generator.master.plans
        mine: dict[int, list[int]] = {}
        for place in np.argsort(-shares, kind="stable").tolist():
            item = plans[place].item
            if shares[place] <= 0:
                break
            if item not in fixed and item not in self.left:
                mine.setdefault(item, []).append(place)
        return sorted(mine.items(), key=lambda one: (-shares[one[1][0]], one[0]))

    def _fixes(self, fixed: dict[int, int], step: dict[int, int]) -> bool:
        """Fix a step and price the others against it; tell whether that works."""
        tried = {**fixed, **step}
        self.generator.master.choose_from({item: [place] for item, place in tried.items()})
        found = self.generator.relaxed(self.deadline)
        limit = self.current.objective + _DEARER * abs(self.current.objective)
        if found is None or found.objective > limit:
            return False
        self.steps.append(step)
        self.current = found
        free = set(range(len(self.generator.master.shared.split.items))) - set(tried)
        if free:
            refined = self.generator.refine(self.pricer, found, free, self.deadline, _ROUNDS_A_STEP)
            self.current = refined or found
        return True
