"""The forced-choice tests: names, guess chances, serving orders.

The one home of the guess chance. Whoever knows nothing is right with that chance, and a share
``p_d`` of assessors who notice the difference raises it to ``p_c = p_0 + p_d (1 - p_0)``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import StrEnum
from itertools import permutations
from typing import Literal

from bulkflow.statistics.arguments import fraction
from panels.errors import RangeError

__all__ = [
    "ForcedChoice",
    "MethodName",
    "Sided",
    "check_sided",
    "p_c_from_p_d",
    "p_d_from_p_c",
    "presentation_orders",
]

Sided = Literal["one", "two"]


class ForcedChoice(StrEnum):
    """A test in which the assessor must choose and can be right or wrong.

    The guess chance of each is a property of its instruction: triangle ISO 4120; duo-trio
    ISO 10399; 2-AFC (paired comparison) ISO 5495; tetrad ASTM E3009 (sort four into two pairs,
    unspecified attribute); 3-AFC and two-out-of-five common practice.

    Examples
    --------
    >>> ForcedChoice.of("2AFC").guess
    0.5
    >>> ForcedChoice("two-out-of-five").guess
    0.1
    """

    TRIANGLE = "triangle"
    DUO_TRIO = "duo-trio"
    TWO_AFC = "2-AFC"
    THREE_AFC = "3-AFC"
    TETRAD = "tetrad"
    TWO_OUT_OF_FIVE = "two-out-of-five"

    @property
    def guess(self) -> float:
        """Chance of being right by guessing, ``p_0``."""
        return _GUESS[self]

    @classmethod
    def of(cls, name: MethodName) -> ForcedChoice:
        """Return the test of that name, whatever its hyphens, spaces and capitals.

        Raises
        ------
        RangeError
            When no forced-choice test has that name.
        """
        if isinstance(name, cls):
            return name
        found = _SPELLINGS.get(re.sub(r"[^a-z0-9]", "", str(name).lower()))
        if found is None:
            known = ", ".join(member.value for member in cls)
            raise RangeError(f"no forced-choice test is called {name!r}; known are {known}.")
        return found


MethodName = ForcedChoice | str

_GUESS = {
    ForcedChoice.TRIANGLE: 1 / 3,
    ForcedChoice.DUO_TRIO: 1 / 2,
    ForcedChoice.TWO_AFC: 1 / 2,
    ForcedChoice.THREE_AFC: 1 / 3,
    ForcedChoice.TETRAD: 1 / 3,
    ForcedChoice.TWO_OUT_OF_FIVE: 1 / 10,
}

_SPELLINGS = {
    "triangle": ForcedChoice.TRIANGLE,
    "triangular": ForcedChoice.TRIANGLE,
    "duotrio": ForcedChoice.DUO_TRIO,
    "2afc": ForcedChoice.TWO_AFC,
    "twoafc": ForcedChoice.TWO_AFC,
    "paired": ForcedChoice.TWO_AFC,
    "pairedcomparison": ForcedChoice.TWO_AFC,
    "3afc": ForcedChoice.THREE_AFC,
    "threeafc": ForcedChoice.THREE_AFC,
    "tetrad": ForcedChoice.TETRAD,
    "tetrads": ForcedChoice.TETRAD,
    "unspecifiedtetrad": ForcedChoice.TETRAD,
    "tetradunspecified": ForcedChoice.TETRAD,
    "twooutoffive": ForcedChoice.TWO_OUT_OF_FIVE,
    "2outof5": ForcedChoice.TWO_OUT_OF_FIVE,
    "2outoffive": ForcedChoice.TWO_OUT_OF_FIVE,
    "twooffive": ForcedChoice.TWO_OUT_OF_FIVE,
    "2of5": ForcedChoice.TWO_OUT_OF_FIVE,
    "twofive": ForcedChoice.TWO_OUT_OF_FIVE,
}


def check_sided(method: MethodName, sided: str) -> ForcedChoice:
    """Return the test, refusing a two-sided form where only one side has a meaning.

    Only in the paired comparison can either sample be named; "wrong too often" proves nothing in
    the other tests.
    """
    test = ForcedChoice.of(method)
    if sided not in ("one", "two"):
        raise RangeError(f"sided is {sided!r}; it must be 'one' or 'two'.")
    if sided == "two" and test is not ForcedChoice.TWO_AFC:
        raise RangeError(f"the {test.value} test is one-sided; only 2-AFC has a two-sided form.")
    return test


def p_c_from_p_d(method: MethodName, p_d: float) -> float:
    """Return the proportion correct when a share ``p_d`` of assessors discriminates.

    Parameters
    ----------
    method : forced-choice test.
    p_d : share of assessors who truly notice the difference [0 to 1].

    Notes
    -----
    ``p_c = p_0 + p_d (1 - p_0)`` (Abbott).

    Examples
    --------
    >>> round(p_c_from_p_d("triangle", 0.3), 4)
    0.5333
    """
    guess = ForcedChoice.of(method).guess
    return guess + fraction("p_d", p_d) * (1.0 - guess)


def p_d_from_p_c(method: MethodName, p_c: float) -> float:
    """Return the share of discriminators behind a proportion correct; negative below chance.

    Examples
    --------
    >>> round(p_d_from_p_c("triangle", 0.5), 4)
    0.25
    """
    guess = ForcedChoice.of(method).guess
    return (fraction("p_c", p_c) - guess) / (1.0 - guess)


def presentation_orders(
    method: MethodName, *, constant_reference: bool = False
) -> tuple[tuple[str, ...], ...]:
    """Return the serving orders of one set, each to be used equally often.

    Parameters
    ----------
    method : forced-choice test.
    constant_reference : in the duo-trio, whether the reference is always the standard; then there
        are two orders instead of four.

    Returns
    -------
    tuple of orders; a duo-trio order starts with its reference, written ``R_A`` or ``R_B``.

    References
    ----------
    Triangle: ISO 4120 (six orders; Byer and Abrams 1953). Duo-trio: ISO 10399. Others: all
    distinct arrangements, common practice.

    Examples
    --------
    >>> len(presentation_orders("triangle")), len(presentation_orders("two-out-of-five"))
    (6, 20)
    >>> presentation_orders("duo-trio", constant_reference=True)
    (('R_A', 'A', 'B'), ('R_A', 'B', 'A'))
    """
    test = ForcedChoice.of(method)
    if test is ForcedChoice.DUO_TRIO:
        references = ("R_A",) if constant_reference else ("R_A", "R_B")
        return tuple((ref, *pair) for ref in references for pair in (("A", "B"), ("B", "A")))
    return tuple(order for sample_set in _SETS[test] for order in _arrangements(sample_set))


_SETS: dict[ForcedChoice, tuple[str, ...]] = {
    ForcedChoice.TRIANGLE: ("AAB", "ABB"),
    ForcedChoice.TWO_AFC: ("AB",),
    ForcedChoice.THREE_AFC: ("AAB",),
    ForcedChoice.TETRAD: ("AABB",),
    ForcedChoice.TWO_OUT_OF_FIVE: ("AAABB", "AABBB"),
}


def _arrangements(samples: Sequence[str]) -> list[tuple[str, ...]]:
    return sorted(set(permutations(samples)))
