"""Pricing: plans of least reduced cost, for all subproblems (items) together or one by one.

Coarse grids price all items of a block in one sweep: few and short steps, good while prices still
move. Fine grids take items one by one, each on a grid that has its closing target on a node, where
most of the rounding would be lost, and their arrays stay in the cache.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.column_generation.dynamic import Grid
from bulkflow.core.column_generation.subproblems import Decomposition, Subproblem

__all__ = ["Pricer", "aligned_nodes"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Cells of a block of items on a coarse grid: what stays in the cache.
_BLOCK_CELLS = 24_000
# An aligned grid may be this much finer than asked for.
_FINER = 1.3
# Weight of the mean misfit of the periods beside that of the closing target.
_OTHERS = 0.1


def aligned_nodes(item: Subproblem, nodes: int) -> int:
    """Return a number of nodes per vehicle, ``nodes`` or a little more, that suits an item.

    The end of the plan counts most: where demand and closing target are met, a node should lie
    just below.
    """
    size = max(one.most for one in item.sendings)
    asked = np.cumsum(item.needs) - item.position
    tries = np.arange(nodes, max(nodes + 1, int(nodes * _FINER)))
    misfit = _above_node((asked[-1] + max(item.closing, 0.0)) / size * tries)
    needed = asked[asked > 0]
    score = misfit / tries
    if len(needed):
        others = _above_node(needed[None, :] / size * tries[:, None]).mean(axis=1)
        score = score + _OTHERS * others / tries
    return int(tries[np.argmin(score)])


def _above_node(position: FloatArray) -> FloatArray:
    return np.asarray(position - np.floor(position + 1e-6))


class Pricer:
    """All items of a program on grids of a given fineness.

    Parameters
    ----------
    nodes : nodes of the grid per vehicle.
    outer : whether values are bounds (else costs of plans).
    together : price blocks of items in one sweep, on plain grids.
    """

    def __init__(
        self,
        split: Decomposition,
        nodes: int,
        *,
        outer: bool,
        together: bool = False,
    ) -> None:
        self.split = split
        items, periods = split.items, split.program.periods
        self.groups: list[list[int]] = []
        if together:
            self.groups = _blocks(items, nodes)
        else:
            self.groups = [[number] for number in range(len(items))]
        self.grids = [
            Grid(
                [items[number] for number in group],
                periods,
                nodes if together else aligned_nodes(items[group[0]], nodes),
                outer=outer,
            )
            for group in self.groups
        ]

    def values(self, prices: FloatArray) -> FloatArray:
        """Return the value of every item at the prices of the program's columns, (N,)."""
        out = np.zeros(len(self.split.items))
        parts = [grid.values(prices) for grid in self.grids]
        for group, part in zip(self.groups, parts, strict=True):
            out[group] = part
        return out

    def plans(
        self, prices: FloatArray, wanted: set[int] | None = None
    ) -> tuple[FloatArray, dict[int, tuple[int, ...]]]:
        """Return values and the counts of a best plan by item, for all or the items wanted."""
        values = np.full(len(self.split.items), np.nan)
        counts: dict[int, tuple[int, ...]] = {}
        chosen = [
            place
            for place, group in enumerate(self.groups)
            if wanted is None or any(number in wanted for number in group)
        ]
        for place in chosen:
            value, plans = self.grids[place].plans(prices)
            for row, number in enumerate(self.groups[place]):
                values[number] = value[row]
                sendings = len(self.split.items[number].sendings)
                counts[number] = tuple(plans.counts[row, :sendings].astype(int).tolist())
        return values, counts


def _blocks(items: list[Subproblem], nodes: int) -> list[list[int]]:
    """Return the items in order, in blocks of a limited number of cells."""
    blocks: list[list[int]] = []
    cells = 0.0
    for number, item in enumerate(items):
        size = max(one.most for one in item.sendings)
        room = float(np.max(np.where(np.isfinite(item.room), item.room, 0.0)))
        width = (room / size + 4.0) * nodes
        if not blocks or cells + width > _BLOCK_CELLS:
            blocks.append([])
            cells = 0.0
        blocks[-1].append(number)
        cells += width
    return blocks
