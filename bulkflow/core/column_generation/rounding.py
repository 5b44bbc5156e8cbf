"""A first choice of one plan for every item, near the shares of the relaxation.

Every item takes the plan that costs least at the prices, plus a penalty for what the choice of all
items together exceeds: limits that only items share, and, of what a node gives out, more by some
period than the relaxation has given out and kept in stock by then. Items choose in turn until none
wants to change; then some are thrown about and it goes on. Whether the rest can follow such a
choice is for the master to say.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.column_generation.generate import Relaxed
from bulkflow.core.column_generation.restricted_master import RestrictedMaster
from bulkflow.core.program import ColumnKind, RowRule

__all__ = ["Rounding"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Plans whose cost at the prices exceeds the item's least by more than this share do not count.
_WORTH_A_LOOK = 0.05
_SWEEPS = 12


class Rounding:
    """Choices of plans of a master, around a relaxation.

    Parameters
    ----------
    costs : of every plan at the prices, (plans,).
    """

    def __init__(self, master: RestrictedMaster, relaxed: Relaxed, costs: FloatArray) -> None:
        self.master, self.costs = master, costs
        shared = master.shared
        shape = (shared.program.columns, len(master.plans))
        number = np.repeat(
            np.arange(len(master.plans)), [len(plan.columns) for plan in master.plans]
        )
        chosen = sparse.csc_array(
            (
                np.concatenate([plan.values for plan in master.plans]),
                (np.concatenate([plan.columns for plan in master.plans]), number),
            ),
            shape=shape,
        )
        use = sparse.csr_array(shared.by_column @ chosen)
        shares = np.zeros(len(master.plans))
        shares[: len(relaxed.shares)] = relaxed.shares
        limits, rooms = self._limits(use)
        flows, spare = self._flows(use, shares, relaxed)
        use_rows = np.vstack([limits, flows])
        scale = np.maximum(np.abs(use_rows).max(axis=1), 1e-12)
        self.use = (use_rows / scale[:, None]).T.copy()
        self.room = np.concatenate([rooms, spare]) / scale
        self.shares = shares
        owner = np.array([plan.item for plan in master.plans])
        self.options: list[IntArray] = []
        for item in range(len(shared.split.items)):
            mine = np.flatnonzero(owner == item)
            least = costs[mine].min()
            close = costs[mine] <= least + _WORTH_A_LOOK * abs(least)
            self.options.append(mine[close | (shares[mine] > 0)])

    def _limits(self, use: sparse.csr_array) -> tuple[FloatArray, FloatArray]:
        """Return the rows that only items share and that limit from above, with their room."""
        shared = self.master.shared
        with_rest = np.diff(sparse.csr_array(shared.matrix[:, shared.rest]).indptr) > 0
        rows = np.flatnonzero(~with_rest & np.isfinite(shared.upper) & (np.diff(use.indptr) > 0))
        return use[rows].toarray(), shared.upper[rows]

    def _flows(
        self, use: sparse.csr_array, shares: FloatArray, relaxed: Relaxed
    ) -> tuple[FloatArray, FloatArray]:
        """Return what plans take from nodes up to each period, and what they may take."""
        shared = self.master.shared
        program = shared.program
        by_balance: dict[tuple[str, int], list[int]] = defaultdict(list)
        for place, row in enumerate(shared.rows.tolist()):
            if (
                program.row_rules[row] is RowRule.BALANCE
                and use.indptr[place + 1] > use.indptr[place]
            ):
                by_balance[program.row_refs[row], int(program.row_commodities[row])].append(place)
        parts, rooms = [np.zeros((0, len(shares)))], [np.zeros(0)]
        where = np.full(program.columns, -1, dtype=np.int64)
        where[shared.rest] = np.arange(len(shared.rest))
        for (node, commodity), places in by_balance.items():
            taken = -np.cumsum(use[places].toarray(), axis=0)
            kept = np.zeros(len(places))
            stock = program.start(ColumnKind.STOCK, node, commodity)
            if stock is not None and where[stock] >= 0:
                periods = program.row_periods[shared.rows[places]]
                kept = relaxed.rest[where[stock + periods]]
            parts.append(taken)
            rooms.append(taken @ shares + kept)
        return np.vstack(parts), np.concatenate(rooms)

    def first(self) -> list[int]:
        """Return the plan with the largest share of every item."""
        return [int(mine[np.argmax(self.shares[mine])]) for mine in self.options]

    @property
    def usual_penalty(self) -> float:
        """Cost of exceeding a limit by as much as one plan uses, to begin with."""
        return 0.3 * float(np.median(np.abs(self.costs)))

    def thrown(self, choice: list[int], rng: np.random.Generator, part: float) -> list[int]:
        """Return a choice in which some items take a plan by lot, by their shares."""
        thrown = list(choice)
        for item, mine in enumerate(self.options):
            if rng.random() < part:
                chance = self.shares[mine] + 0.02
                thrown[item] = int(rng.choice(mine, p=chance / chance.sum()))
        return thrown

    def settled(self, choice: list[int], rng: np.random.Generator, penalty: float) -> list[int]:
        """Return the choice after items have changed theirs in turn until none wants to."""
        choice = list(choice)
        total = self.use[choice].sum(axis=0)
        for _ in range(_SWEEPS):
            changed = False
            for item in rng.permutation(len(choice)).tolist():
                mine = self.options[item]
                without = total - self.use[choice[item]]
                excess = np.maximum(without[None, :] + self.use[mine] - self.room, 0.0)
                best = int(mine[np.argmin(self.costs[mine] + penalty * excess.sum(axis=1))])
                if best != choice[item]:
                    total = without + self.use[best]
                    choice[item] = best
                    changed = True
            if not changed:
                break
        return choice
