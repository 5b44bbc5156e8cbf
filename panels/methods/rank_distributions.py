"""Exact distributions of rank statistics: Friedman's sum of squares and Page's L.

Both are built row by row. For Friedman the state is the vector of rank sums, kept sorted since
only its spread matters and each row is permuted over all orders: a row's own tied ranks may be
used as well. For Page the state is one number. Distributions without ties are kept, so that a
table of critical values costs one pass.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import permutations
from math import factorial

import numpy as np
from numpy.typing import NDArray

from bulkflow.statistics.arguments import LEVEL_SLACK, FloatArray, count, open_fraction
from panels.errors import RangeError

__all__ = [
    "exact_friedman_possible",
    "exact_page_possible",
    "friedman_critical_value",
    "friedman_distribution",
    "friedman_exact_p",
    "page_critical_value",
    "page_distribution",
    "page_exact_p",
]

_IntArray = NDArray[np.int64]

# Largest number of assessors for each number of products: the distribution then takes one to five
# seconds at most, once.
_LARGEST_PANEL = {2: 1000, 3: 150, 4: 40, 5: 12, 6: 7, 7: 4, 8: 3}
_LARGEST_PAGE_PRODUCTS = 10
_LARGEST_PAGE_ASSESSORS = 200
_CHUNK = 2_000_000


def exact_friedman_possible(ranks: FloatArray) -> bool:
    """Whether the exact distribution of a table of ranks is within reach."""
    assessors, products = ranks.shape
    return bool(assessors <= _LARGEST_PANEL.get(products, 0))


def exact_page_possible(ranks: FloatArray) -> bool:
    """Whether the exact distribution of Page's L for a table of ranks is within reach."""
    assessors, products = ranks.shape
    return bool(products <= _LARGEST_PAGE_PRODUCTS and assessors <= _LARGEST_PAGE_ASSESSORS)


def friedman_distribution(products: int, assessors: int) -> tuple[FloatArray, FloatArray]:
    """Return attainable values of Friedman's statistic without ties, rising, and their chances.

    Raises
    ------
    RangeError
        When the table is too large for an exact distribution.

    Examples
    --------
    >>> values, chances = friedman_distribution(3, 2)
    >>> values.tolist(), [round(float(c), 4) for c in chances]
    ([0.0, 1.0, 3.0, 4.0], [0.1667, 0.3333, 0.3333, 0.1667])
    """
    p, j = count("products", products, least=2), count("assessors", assessors, least=2)
    if j > _LARGEST_PANEL.get(p, 0):
        most = _LARGEST_PANEL.get(p)
        limit = f"up to {most} assessors" if most else f"up to {max(_LARGEST_PANEL)} products"
        raise RangeError(f"exact Friedman values for {p} products are computed {limit}; got {j}.")
    return _distribution(p, j)


def friedman_critical_value(products: int, assessors: int, alpha: float = 0.05) -> float | None:
    """Return the smallest attainable statistic whose exact tail is at most ``alpha``.

    Parameters
    ----------
    products, assessors : P and J; J up to 150 (P = 3), 40 (4), 12 (5), 7 (6), 4 (7), 3 (8).
    alpha : level.

    Returns
    -------
    The value (reject at or above it), or ``None`` where no result can be significant.

    Examples
    --------
    >>> friedman_critical_value(3, 8)
    6.25
    >>> friedman_critical_value(4, 8)
    7.65
    """
    values, chances = friedman_distribution(products, assessors)
    return _critical(values, chances, alpha)


def friedman_exact_p(ranks: FloatArray) -> float:
    """Return the exact p-value of Friedman's test given each row's own ranks, ties included."""
    doubled = np.rint(2.0 * ranks).astype(np.int64)  # mid-ranks become whole
    observed = int(_spread(doubled.sum(0)[None, :])[0])
    rows = np.sort(doubled, axis=1)
    squares, chances = _spread_distribution(list(rows))
    return min(1.0, float(chances[squares >= observed].sum()))


def page_distribution(products: int, assessors: int) -> tuple[int, FloatArray]:
    """Return the smallest value of Page's L without ties and the chances from there up.

    Examples
    --------
    >>> least, chances = page_distribution(3, 1)
    >>> least, [round(float(c), 4) for c in chances]
    (10, [0.1667, 0.3333, 0.0, 0.3333, 0.1667])
    """
    p, j = count("products", products, least=2), count("assessors", assessors)
    if p > _LARGEST_PAGE_PRODUCTS or j > _LARGEST_PAGE_ASSESSORS:
        raise RangeError(
            f"exact values of Page's L are computed up to {_LARGEST_PAGE_PRODUCTS} products and"
            f" {_LARGEST_PAGE_ASSESSORS} assessors; got {p} and {j}."
        )
    least, one = _page_row(tuple(range(1, p + 1)), tuple(range(1, p + 1)))
    total = np.ones(1)
    for _ in range(j):
        total = np.convolve(total, one)
    return least * j, total


def page_critical_value(products: int, assessors: int, alpha: float = 0.05) -> int | None:
    """Return the smallest L whose exact tail is at most ``alpha`` (reject at or above it).

    Examples
    --------
    >>> page_critical_value(4, 8)
    214
    """
    least, chances = page_distribution(products, assessors)
    values = least + np.arange(chances.size, dtype=np.float64)
    found = _critical(values[chances > 0.0], chances[chances > 0.0], alpha)
    return None if found is None else round(found)


def page_exact_p(ranks: FloatArray, places: NDArray[np.int64]) -> float:
    """Return the exact p-value of Page's L given each row's own ranks, ties included."""
    doubled = np.rint(2.0 * ranks).astype(np.int64)
    observed = int(places @ doubled.sum(0))
    total, least = np.ones(1), 0
    for row in np.sort(doubled, axis=1):
        row_least, one = _page_row(tuple(range(1, ranks.shape[1] + 1)), tuple(int(v) for v in row))
        total = np.convolve(total, one)
        least += row_least
    at = max(0, observed - least)
    return min(1.0, float(total[at:].sum()))


def _critical(values: FloatArray, chances: FloatArray, alpha: float) -> float | None:
    level = open_fraction("alpha", alpha) * (1.0 + LEVEL_SLACK) + 1e-15
    tails = np.cumsum(chances[::-1])[::-1]
    significant = np.flatnonzero(tails <= level)
    return float(values[significant[0]]) if significant.size else None


@lru_cache(maxsize=256)
def _distribution(products: int, assessors: int) -> tuple[FloatArray, FloatArray]:
    p, j = products, assessors
    row = np.arange(1, p + 1, dtype=np.int64)
    squares, chances = _spread_distribution([row] * j)
    values = (12.0 * squares - 3.0 * (j * (p + 1)) ** 2 * p) / (j * p * (p + 1))
    return np.asarray(values, dtype=np.float64), chances


def _spread_distribution(rows: list[_IntArray]) -> tuple[_IntArray, FloatArray]:
    """Return the attainable sums of squared rank sums, rising, and their chances.

    The last row needs no new states: its effect on the sum of squares is a product of matrices,
    which spares the longest step.
    """
    states, chances = rows[0][None, :], np.ones(1)
    for row in rows[1:-1]:
        states, chances = _add_row(states, chances, row)
    orders = _orders(rows[-1])
    own = int((rows[-1] ** 2).sum())
    tally: dict[int, float] = {}
    step = max(1, _CHUNK // orders.shape[0])
    for start in range(0, states.shape[0], step):
        block = states[start : start + step]
        after = _spread(block)[:, None] + own + 2 * (block @ orders.T)
        weight = np.repeat(chances[start : start + step] / orders.shape[0], orders.shape[0])
        least = int(after.min())
        counts = np.bincount((after - least).ravel(), weights=weight)
        for at in np.flatnonzero(counts):
            tally[least + int(at)] = tally.get(least + int(at), 0.0) + float(counts[at])
    squares = np.array(sorted(tally), dtype=np.int64)
    return squares, np.array([tally[int(square)] for square in squares], dtype=np.float64)


def _orders(row: _IntArray) -> _IntArray:
    return np.array(sorted(set(permutations(row.tolist()))), dtype=np.int64)


def _add_row(
    states: _IntArray, chances: FloatArray, row: _IntArray
) -> tuple[_IntArray, FloatArray]:
    """Add every distinct permutation of a row to every state and merge equal ones.

    States stay sorted: adding all permutations to a sorted state gives the same multiset of sums
    as adding them to any arrangement of it.
    """
    orders = _orders(row)
    base = int(states.max() + row.max() + 1)
    powers = base ** np.arange(row.size - 1, dtype=np.int64)  # the last sum follows from the rest
    total = int(states[0].sum() + row.sum())
    step = max(1, _CHUNK // orders.shape[0])
    merged_keys = np.empty(0, dtype=np.int64)
    merged: FloatArray = np.empty(0)
    for start in range(0, states.shape[0], step):
        block = states[start : start + step]
        sums = np.sort((block[:, None, :] + orders).reshape(-1, row.size), axis=1)
        weight = np.repeat(chances[start : start + step] / orders.shape[0], orders.shape[0])
        keys = np.concatenate([merged_keys, sums[:, :-1] @ powers])
        merged_keys, at = np.unique(keys, return_inverse=True)
        combined = np.bincount(at.ravel(), weights=np.concatenate([merged, weight]))
        merged = np.asarray(combined, dtype=np.float64)
    new = np.empty((merged_keys.size, row.size), dtype=np.int64)
    rest = merged_keys
    for column in range(row.size - 1):
        new[:, column] = rest % base
        rest = rest // base
    new[:, -1] = total - new[:, :-1].sum(1)
    return new, merged


def _spread(states: _IntArray) -> _IntArray:
    """Whole number that rises with the variance of rank sums of a fixed total."""
    return np.asarray((states * states).sum(1), dtype=np.int64)


@lru_cache(maxsize=512)
def _page_row(places: tuple[int, ...], row: tuple[int, ...]) -> tuple[int, FloatArray]:
    """Distribution of Σ place x rank over the permutations of one row.

    Products are placed one by one; the state is the set of ranks used (as bits) and the sum so
    far, which needs 2^P states instead of P! orders.
    """
    p = len(places)
    least = sum(a * b for a, b in zip(places, sorted(row, reverse=True), strict=True))
    most = sum(a * b for a, b in zip(places, sorted(row), strict=True))
    ways: dict[int, FloatArray] = {0: np.zeros(most + 1)}
    ways[0][0] = 1.0
    for place in places:
        following: dict[int, FloatArray] = {}
        for used, sums in ways.items():
            for index, rank in enumerate(row):
                if used >> index & 1:
                    continue
                moved = following.setdefault(used | 1 << index, np.zeros(most + 1))
                gain = place * rank
                moved[gain:] += sums[: most + 1 - gain]
        ways = following
    full = ways[(1 << p) - 1]
    return least, full[least:] / factorial(p)
