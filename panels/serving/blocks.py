"""Incomplete blocks: which lots each assessor noses when nobody should nose them all."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from panels.errors import ServingError

__all__ = ["BlockDesign", "incomplete_blocks"]

EXCHANGE_ROUNDS = 200
"""Sweeps of the exchange search; each ends early once no exchange helps."""


@dataclass(frozen=True, slots=True)
class BlockDesign:
    """Which samples each assessor noses.

    Attributes
    ----------
    blocks : one tuple of sample numbers per assessor.
    replications : how many assessors nose each sample.
    together_least, together_most : fewest and most times two samples share an assessor.
    efficiency : harmonic-mean efficiency of the pairwise differences against a design in which
        every assessor noses every sample with the same number of servings [0 to 1].
    """

    blocks: tuple[tuple[int, ...], ...]
    replications: tuple[int, ...]
    together_least: int
    together_most: int
    efficiency: float


def incomplete_blocks(
    samples: int, assessors: int, block_size: int, rng: np.random.Generator
) -> BlockDesign:
    """Spread samples over assessors, each replicated and paired as evenly as can be found.

    Parameters
    ----------
    samples : number of samples, 2 or more.
    assessors : number of assessors.
    block_size : samples per assessor, below ``samples`` (more is cut to all of them).
    rng : seeded generator.

    Returns
    -------
    BlockDesign with replications that differ by one at most. Where a balanced design exists
    for the numbers it is usually found; the counts say how even it came out.

    Raises
    ------
    ServingError : fewer servings than samples, or a design that cannot compare all samples.
    """
    size = min(block_size, samples)
    if samples < 2 or size < 2:
        raise ServingError(
            f"{samples} lots with {size} to an assessor cannot be compared. Each assessor must"
            " nose at least two of at least two lots; raise the servings per assessor."
        )
    if assessors * size < samples:
        raise ServingError(
            f"{assessors} assessors nosing {size} lots each cannot cover {samples} lots."
            " Split the lots over two sittings."
        )
    present = _even_start(samples, assessors, size, rng)
    _exchange(present, rng)
    together = present.T.astype(np.int64) @ present
    pairs = together[~np.eye(samples, dtype=bool)]
    efficiency = _efficiency(present)
    if efficiency == 0.0:
        raise ServingError(
            f"{assessors} assessors nosing {size} of {samples} lots each leave lots that no"
            " chain of assessors compares. Add assessors or servings, or split the sitting."
        )
    return BlockDesign(
        blocks=tuple(tuple(int(i) for i in np.flatnonzero(row)) for row in present),
        replications=tuple(int(n) for n in present.sum(axis=0)),
        together_least=int(pairs.min()),
        together_most=int(pairs.max()),
        efficiency=efficiency,
    )


def _even_start(samples: int, assessors: int, size: int, rng: np.random.Generator) -> np.ndarray:
    """Incidence matrix (assessors, samples) with replications that differ by one at most."""
    present = np.zeros((assessors, samples), dtype=bool)
    used = np.zeros(samples)
    for row in present:
        # least used first, ties at random
        chosen = np.lexsort((rng.random(samples), used))[:size]
        row[chosen] = True
        used[chosen] += 1
    return present


def _exchange(present: np.ndarray, rng: np.random.Generator) -> None:
    """Swap samples between two assessors while the pairings grow more even.

    A swap of one sample each way keeps replications and block sizes as they are.
    """
    pairs = list(combinations(range(len(present)), 2))
    best = _unevenness(present)
    for _ in range(EXCHANGE_ROUNDS):
        before = best
        for first, second in rng.permutation(pairs):
            best = _best_swap(present, int(first), int(second), best)
        if best >= before:
            return


def _best_swap(present: np.ndarray, a: int, b: int, best: int) -> int:
    for mine in np.flatnonzero(present[a] & ~present[b]):
        for theirs in np.flatnonzero(present[b] & ~present[a]):
            present[[a, a, b, b], [mine, theirs, mine, theirs]] ^= True
            value = _unevenness(present)
            if value < best:
                return value
            present[[a, a, b, b], [mine, theirs, mine, theirs]] ^= True
    return best


def _unevenness(present: np.ndarray) -> int:
    together = present.T.astype(np.int64) @ present
    np.fill_diagonal(together, 0)
    return int((together**2).sum())


def _efficiency(present: np.ndarray) -> float:
    """Harmonic mean of the canonical efficiency factors of the block design."""
    counts = present.astype(float)
    replications = counts.sum(axis=0)
    sizes = counts.sum(axis=1)
    information = np.diag(replications) - counts.T @ (counts / sizes[:, None])
    scale = np.sqrt(np.outer(replications, replications))
    factors = np.sort(np.linalg.eigvalsh(information / scale))[1:]
    tiny = len(counts) * np.finfo(float).eps * 100
    if factors.min() <= tiny:
        return 0.0
    return float(len(factors) / np.sum(1.0 / factors))
