"""A choice of one plan for every item by fixing and pricing in turn.

The relaxation of the master mixes plans. The item whose mix is nearest to one plan gets that plan,
the others are priced anew against it, and so on: each step leaves the others free to follow. It
ends early where what is fixed leaves the others nothing; those last few are chosen in the program
itself, where quantities can give way (`Completion.choose`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bulkflow.core.deadline import Deadline
from bulkflow.core.items.generate import Generator, Relaxed
from bulkflow.core.items.pricing import Pricer

__all__ = ["Chosen", "dive_by_prices"]

# A plan with this share of its item is chosen; of the others this part a step, the nearest first.
_CHOSEN = 0.999
_PART_A_STEP = 0.15
# A step that makes the relaxation dearer by more than this has left the others nothing.
_DEARER = 3e-3
_ROUNDS_A_STEP = 2


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
    master = generator.master
    items = set(range(len(master.shared.split.items)))
    chosen = Chosen([], current.objective)
    try:
        while deadline.reason_to_stop() is None:
            fixed = chosen.plans()
            step = _nearest(generator, current, fixed)
            if not step:
                return chosen
            tried = {item: [place] for item, place in {**fixed, **step}.items()}
            master.choose_from(tried)
            found = generator.relaxed(deadline)
            if found is None or found.objective > current.objective + _DEARER * abs(
                current.objective
            ):
                return chosen
            chosen = Chosen([*chosen.steps, step], found.objective)
            left = items - set(tried)
            if not left:
                return chosen
            refined = generator.refine(pricer, found, left, deadline, _ROUNDS_A_STEP)
            if refined is None:
                return chosen
            current = refined
        return chosen
    finally:
        master.choose_from(None)


def _nearest(generator: Generator, current: Relaxed, fixed: dict[int, int]) -> dict[int, int]:
    """Return the next items to fix, with the plan of largest share of each."""
    best: dict[int, int] = {}
    for place in np.flatnonzero(current.shares > 0).tolist():
        item = generator.master.plans[place].item
        if item in fixed:
            continue
        if item not in best or current.shares[place] > current.shares[best[item]]:
            best[item] = place
    order = sorted(best, key=lambda item: (-current.shares[best[item]], item))
    most = int(np.ceil(_PART_A_STEP * len(order)))
    return {
        item: best[item]
        for number, item in enumerate(order)
        if number < most or current.shares[best[item]] > _CHOSEN
    }
