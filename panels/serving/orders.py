"""Serving orders balanced for position and for first-order carry-over.

Every assessor meets the samples in another order, so that neither the place in the row nor the
sample nosed just before can favour a lot. Williams squares do this exactly when the number of
assessors is a multiple of the number of samples (twice that for an odd number); for other
panels whole squares are filled up with distinct rows of one more square. With an odd number of
samples such rows leave neighbours uneven, so the most even of several draws is taken.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np

__all__ = ["Balance", "balance_of", "balanced_orders", "improve_orders", "williams_design"]

SampleT = TypeVar("SampleT", bound=Hashable)

DRAWS = 6
"""Draws of each kind, of an odd number of samples, of which the most even one is taken."""

IMPROVEMENT_ROUNDS = 60
"""Sweeps over all assessors when orders of incomplete blocks are improved by exchange."""


@dataclass(frozen=True, slots=True)
class Balance:
    """How even a set of serving orders is.

    Attributes
    ----------
    position_least, position_most : fewest and most times that a sample stands in one position.
    neighbours_least, neighbours_most : fewest and most times that one sample directly follows
        another one, over all ordered pairs.
    """

    position_least: int
    position_most: int
    neighbours_least: int
    neighbours_most: int

    @property
    def is_exact(self) -> bool:
        """Whether every sample meets every position and every predecessor equally often."""
        return (
            self.position_least == self.position_most
            and self.neighbours_least == self.neighbours_most
        )


def williams_design(samples: int) -> tuple[tuple[int, ...], ...]:
    """Sequences of a Williams design, one row an order of presentation.

    Parameters
    ----------
    samples : number of samples, 1 or more.

    Returns
    -------
    tuple of rows of sample numbers 0 to ``samples`` - 1: ``samples`` rows for an even number,
    twice as many for an odd one. Each sample stands equally often in each position, and
    directly follows each other sample equally often (once; twice for an odd number).

    Raises
    ------
    ValueError : fewer than one sample.

    References
    ----------
    E. J. Williams (1949), Experimental designs balanced for the estimation of residual effects
    of treatments, Australian Journal of Scientific Research A 2, 149-168.

    Examples
    --------
    >>> [sample + 1 for sample in williams_design(6)[0]]
    [1, 2, 6, 3, 5, 4]
    >>> len(williams_design(3))
    6
    """
    if samples < 1:
        raise ValueError(f"a design needs at least one sample, not {samples}")
    first = [0]
    low, high = 1, samples - 1
    while low <= high:
        first.append(low)
        if low < high:
            first.append(high)
        low, high = low + 1, high - 1
    square = [tuple((sample + shift) % samples for sample in first) for shift in range(samples)]
    if samples % 2 and samples > 1:
        square += [tuple(reversed(row)) for row in square]
    return tuple(square)


def balanced_orders(
    samples: Sequence[SampleT], assessors: int, rng: np.random.Generator
) -> tuple[tuple[SampleT, ...], ...]:
    """One order per assessor over the same samples, from randomised Williams squares.

    Parameters
    ----------
    samples : the samples that every assessor noses, each once.
    assessors : number of assessors, 1 or more.
    rng : seeded generator; it decides which sample gets which letter of the design and which
        assessor gets which row.

    Returns
    -------
    tuple of ``assessors`` orders. Over whole designs the balance is exact; the remainder comes
    from distinct rows of one more square, so that positions differ by one at most, and
    neighbours by one. For an odd number of samples they would differ by two: there the most even
    of several draws and exchanges is taken, positions first. See `balance_of`.
    """
    size = len(samples)
    drawn: list[Sequence[tuple[int, ...]]] = [_williams_rows(size, assessors, rng)]
    if size % 2 and size > 1 and assessors % (2 * size):
        drawn += [_williams_rows(size, assessors, rng) for _ in range(DRAWS)]
        drawn += [improve_orders([range(size)] * assessors, rng) for _ in range(DRAWS)]
    rows = min(drawn, key=_unevenness)
    letters = rng.permutation(size)
    order_of = rng.permutation(assessors)
    return tuple(tuple(samples[letters[letter]] for letter in rows[i]) for i in order_of)


def _unevenness(rows: Sequence[Sequence[int]]) -> tuple[int, int]:
    found = balance_of(rows)
    return (
        found.position_most - found.position_least,
        found.neighbours_most - found.neighbours_least,
    )


def _williams_rows(size: int, assessors: int, rng: np.random.Generator) -> list[tuple[int, ...]]:
    """Draw rows from whole squares, and distinct ones of one more."""
    design = williams_design(size)
    rows: list[tuple[int, ...]] = []
    while len(rows) < assessors:
        squares = [design[start : start + size] for start in range(0, len(design), size)]
        rng.shuffle(squares)
        for square in squares:
            wanted = min(size, assessors - len(rows))
            rows += [square[i] for i in rng.permutation(size)[:wanted]]
    return rows


def improve_orders(
    blocks: Sequence[Sequence[SampleT]], rng: np.random.Generator
) -> tuple[tuple[SampleT, ...], ...]:
    """Order incomplete blocks so that positions and neighbours come out as even as found.

    Starts from a random order of each block and exchanges two places at a time as long as the
    sum of squared counts (sample by position, sample after sample) falls.
    """
    names = sorted({sample for block in blocks for sample in block}, key=str)
    number = {name: i for i, name in enumerate(names)}
    orders = [rng.permutation([number[sample] for sample in block]) for block in blocks]
    length = max(len(order) for order in orders)
    positions = np.zeros((len(names), length), dtype=np.int64)
    follows = np.zeros((len(names), len(names)), dtype=np.int64)
    for order in orders:
        _count(order, positions, follows, 1)
    for _ in range(IMPROVEMENT_ROUNDS):
        if not _improve_once(orders, positions, follows, rng):
            break
    return tuple(tuple(names[i] for i in order) for order in orders)


def _improve_once(
    orders: list[np.ndarray], positions: np.ndarray, follows: np.ndarray, rng: np.random.Generator
) -> bool:
    """Try every exchange of two places once; tell whether any helped."""
    helped = False
    for which in rng.permutation(len(orders)):
        order = orders[which]
        for first in range(len(order)):
            for second in range(first + 1, len(order)):
                before = int((positions**2).sum() + (follows**2).sum())
                _count(order, positions, follows, -1)
                order[[first, second]] = order[[second, first]]
                _count(order, positions, follows, 1)
                if int((positions**2).sum() + (follows**2).sum()) < before:
                    helped = True
                    continue
                _count(order, positions, follows, -1)
                order[[first, second]] = order[[second, first]]
                _count(order, positions, follows, 1)
    return helped


def _count(order: np.ndarray, positions: np.ndarray, follows: np.ndarray, step: int) -> None:
    positions[order, np.arange(len(order))] += step
    follows[order[:-1], order[1:]] += step


def balance_of(orders: Sequence[Sequence[Hashable]]) -> Balance:
    """Count positions and neighbours over a set of orders."""
    samples = sorted({sample for order in orders for sample in order}, key=str)
    length = max(len(order) for order in orders)
    at = Counter((sample, place) for order in orders for place, sample in enumerate(order))
    after = Counter(pair for order in orders for pair in pairwise(order))
    places = [at[(sample, place)] for sample in samples for place in range(length)]
    pairs = [after[(a, b)] for a in samples for b in samples if a != b] or [0]
    return Balance(min(places), max(places), min(pairs), max(pairs))
