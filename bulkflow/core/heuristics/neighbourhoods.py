"""Neighbourhoods of a plan: which whole columns to search again while the others are fixed.

Families, each drawn at random at about a wanted size: windows of time; the columns at one node, of
one commodity, of one kind of rule (loads to demand, other lanes, activities), in a window;
columns on which the plan differs most from the relaxation (RINS); columns reached from one through
shared rows. None dominates late in a search, so `Adaptive` draws them by their moving average of
gain for work, none below a floor.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.network import Network
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import NetworkData

__all__ = ["Adaptive", "Neighbourhoods"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

_MEMORY = 0.85
_FLOOR = 0.15
# A row over more whole columns than this ties nothing closely together.
_LONG_ROW = 40
# Columns of the relaxation nearer to the plan than this are as the plan has them.
_SAME = 1e-4


class Neighbourhoods:
    """Draws sets of whole columns of a program.

    Parameters
    ----------
    groups : masks of the columns of each kind of rule.
    relaxed : values in the relaxation, if known.
    """

    def __init__(
        self,
        data: NetworkData,
        program: Program,
        groups: Sequence[BoolArray],
        seed: int,
        relaxed: FloatArray | None,
    ) -> None:
        own = program.periods * len(program.blocks)
        self._columns = np.flatnonzero(program.integer[:own])
        self._count, self._periods = program.columns, program.periods
        self._period = self._columns % program.periods
        self._rng = np.random.default_rng(seed)
        self._groups = [group[self._columns] for group in groups if group.any()]
        self._sets = _sets_by_place(data, program, self._columns)
        self._links = _links(program, self._columns)
        self._relaxed = relaxed
        self.families: dict[str, Callable[[FloatArray, int], BoolArray]] = {
            "window": self._window,
            "place": self._place,
            "kind": self._kind,
            "linked": self._linked,
            "relaxation": self._relaxation,
        }

    @property
    def whole_columns(self) -> int:
        """Number of whole columns to draw from."""
        return len(self._columns)

    def draw(self, family: str, values: FloatArray, size: int) -> BoolArray:
        """Return the columns to free, over all columns of the program."""
        chosen = self.families[family](values, min(size, len(self._columns)))
        return self.mask(chosen)

    def mask(self, chosen: BoolArray) -> BoolArray:
        """Return a choice of the whole columns over all columns."""
        free = np.zeros(self._count, dtype=bool)
        free[self._columns[chosen]] = True
        return free

    def differing(self, plans: Sequence[FloatArray], least: int) -> BoolArray:
        """Return the whole columns in which plans differ, and periods about them if few."""
        first = np.round(plans[0][self._columns])
        chosen = np.zeros(len(self._columns), dtype=bool)
        for plan in plans[1:]:
            chosen |= np.round(plan[self._columns]) != first
        if 0 < chosen.sum() < least:
            near = np.zeros(self._count + 2, dtype=bool)
            near[1 + self._columns[chosen]] = True
            near[1:-1] |= near[:-2] | near[2:]
            chosen = near[1 + self._columns]
        return chosen

    # Families ------------------------------------------------------------------------------

    def _window(self, values: FloatArray, size: int) -> BoolArray:
        return self._around(np.ones(len(self._columns), dtype=bool), size)

    def _place(self, values: FloatArray, size: int) -> BoolArray:
        mine = self._sets[int(self._rng.integers(len(self._sets)))]
        return self._around(mine, size)

    def _kind(self, values: FloatArray, size: int) -> BoolArray:
        mine = self._groups[int(self._rng.integers(len(self._groups)))]
        return self._around(mine, size)

    def _around(self, mine: BoolArray, size: int) -> BoolArray:
        """Return those of ``mine`` in a window about a random period that holds ``size``."""
        middle = int(self._rng.integers(self._periods))
        distance = np.where(mine, np.abs(self._period - middle), np.iinfo(np.int64).max)
        if mine.sum() <= size:
            return mine
        reach = np.partition(distance, size - 1)[size - 1]
        near: BoolArray = mine & (distance <= reach)
        return near

    def _linked(self, values: FloatArray, size: int) -> BoolArray:
        """Return columns reached from a random one through shared rows."""
        chosen = np.zeros(len(self._columns), dtype=bool)
        edge = np.array([int(self._rng.integers(len(self._columns)))])
        chosen[edge] = True
        while chosen.sum() < size and len(edge):
            reached = np.unique(self._links[edge].indices)
            edge = reached[~chosen[reached]]
            room = size - int(chosen.sum())
            if len(edge) > room:
                edge = self._rng.choice(edge, room, replace=False)
            chosen[edge] = True
        return chosen

    def _relaxation(self, values: FloatArray, size: int) -> BoolArray:
        """Return columns in a window where the plan is not what the relaxation would have."""
        if self._relaxed is None:
            return self._window(values, size)
        apart = np.abs(values - self._relaxed)[self._columns] > _SAME
        return self._around(apart if apart.any() else ~apart, size)


def _sets_by_place(data: NetworkData, program: Program, columns: IntArray) -> list[BoolArray]:
    """Return the columns at each node and of each commodity, as masks over ``columns``."""
    blocks_of: dict[object, set[int]] = {}
    touched = _touched(data, data.network)
    for number, (kind, ref, _) in enumerate(program.blocks):
        keys = touched[kind is ColumnKind.ACTIVITY].get(ref, ())
        for key in (*keys, ("ref", ref)):
            blocks_of.setdefault(key, set()).add(number)
    block = columns // program.periods
    sets: dict[bytes, BoolArray] = {}
    for numbers in blocks_of.values():
        mask = np.isin(block, list(numbers))
        if 1 < mask.sum() < len(columns):
            sets[mask.tobytes()] = mask
    return list(sets.values()) or [np.ones(len(columns), dtype=bool)]


def _touched(data: NetworkData, network: Network) -> tuple[dict[str, list[object]], ...]:
    """Return nodes and commodities of each lane, and of each activity."""
    lanes: dict[str, list[object]] = {
        lane.id: [
            ("node", data.nodes[lane.tail].id),
            ("node", data.nodes[lane.head].id),
            *(("commodity", data.commodities[int(one)]) for one in lane.carried),
        ]
        for lane in data.lanes
    }
    activities: dict[str, list[object]] = {
        one.id: [
            *(("node", effect.node) for effect in one.effects),
            *(("commodity", effect.commodity) for effect in one.effects),
        ]
        for one in network.activities
    }
    return lanes, activities


def _links(program: Program, columns: IntArray) -> sparse.csr_array:
    """Return which whole columns share a row, or a continuous column of two rows."""
    entries = sparse.csr_array(
        (np.ones(program.matrix.nnz), program.matrix.indices, program.matrix.indptr),
        shape=program.matrix.shape,
    )
    short = np.diff(entries.indptr) <= _LONG_ROW
    entries = sparse.csr_array(entries[np.flatnonzero(short)])
    direct = sparse.csr_array(entries[:, columns])
    continuous = np.setdiff1d(np.arange(program.columns), columns)
    rest = sparse.csr_array(entries[:, continuous])
    near_rows = sparse.csr_array(rest @ (rest.T @ direct))
    reach = sparse.csr_array(direct.T @ (direct + near_rows))
    reach.data[:] = 1.0
    return reach


class Adaptive:
    """Chooses among families by what they gained for their work of late."""

    def __init__(self, families: Sequence[str], rng: np.random.Generator) -> None:
        self._families, self._rng = list(families), rng
        self._worth = dict.fromkeys(self._families, 1.0)

    def choose(self) -> str:
        """Return a family."""
        worth = np.array([self._worth[one] for one in self._families])
        share = worth / worth.sum() if worth.sum() > 0 else np.full(len(worth), 1 / len(worth))
        share = _FLOOR / len(worth) + (1 - _FLOOR) * share
        return self._families[int(self._rng.choice(len(self._families), p=share / share.sum()))]

    def learn(self, family: str, gain_for_work: float) -> None:
        """Take in what a search of a family gained, relative to the plan, for its work."""
        known = self._worth[family]
        self._worth[family] = _MEMORY * known + (1 - _MEMORY) * gain_for_work
