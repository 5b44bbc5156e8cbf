"""Results below detection: the sign and the limit are kept, and a sum has bounds.

``< LOD`` is neither zero nor a number. A sum with such terms is known between bounds: compliance
is settled where both bounds say the same.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from bulkflow.errors import DataError
from bulkflow.laboratory.conformity import Call
from bulkflow.statistics.arguments import at_least, positive

__all__ = [
    "Bounded",
    "Bounds",
    "judge_bounds",
    "limit_of_detection",
    "limit_of_quantification",
    "parse_bounded",
    "root_two_substitute",
    "sum_bounds",
]


@dataclass(frozen=True, slots=True)
class Bounded:
    """A result: the value, or only that it is below (``<``) or above (``>``) it."""

    value: float
    qualifier: str = "="


@dataclass(frozen=True, slots=True)
class Bounds:
    """What is known of a sum: with 0, half the limit, and the limit for what is below it."""

    lower: float
    middle: float
    upper: float


_WRITTEN = re.compile(r"\s*([<>]?)\s*(\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*")


def parse_bounded(text: str) -> Bounded:
    """Return the result that is written, such as ``<0.05``.

    Examples
    --------
    >>> parse_bounded("<0.05")
    Bounded(value=0.05, qualifier='<')
    """
    match = _WRITTEN.fullmatch(text)
    if match is None:
        raise DataError(f"{text!r} is no result; write 0.12, or <0.05 for below detection.")
    return Bounded(float(match[2]), match[1] or "=")


def sum_bounds(results: Sequence[Bounded]) -> Bounds:
    """Return the bounds of a sum; what is only known to be above has no upper bound.

    Examples
    --------
    >>> both = sum_bounds([parse_bounded(text) for text in ("<0.05", "0.12", "<0.05")])
    >>> round(both.lower, 2), round(both.middle, 2), round(both.upper, 2)
    (0.12, 0.17, 0.22)
    """
    values = [(one.qualifier, at_least("value", one.value, 0.0)) for one in results]
    upper = sum(math.inf if sign == ">" else value for sign, value in values)
    middle = sum(value / 2.0 if sign == "<" else value for sign, value in values)
    return Bounds(sum(0.0 if sign == "<" else value for sign, value in values), middle, upper)


def judge_bounds(bounds: Bounds, maximum: float) -> Call:
    """Return what a sum with results below detection says of a maximum.

    Examples
    --------
    >>> judge_bounds(Bounds(0.12, 0.17, 0.22), 0.5).value
    'inside'
    """
    if bounds.upper <= maximum:
        return Call.INSIDE
    return Call.OUTSIDE if bounds.lower > maximum else Call.TOO_CLOSE


def root_two_substitute(limit: float) -> float:
    """Return LOD/sqrt(2), the substitute for skewed data (common practice); say so where used.

    Examples
    --------
    >>> round(root_two_substitute(0.05), 4)
    0.0354
    """
    return positive("limit", limit) / math.sqrt(2.0)


def limit_of_detection(deviation: float, slope: float) -> float:
    """Return 3.3 σ/slope of a calibration.

    References
    ----------
    ICH Q2 (from memory).

    Examples
    --------
    >>> round(limit_of_detection(0.012, 0.8), 4)
    0.0495
    """
    return 3.3 * positive("deviation", deviation) / positive("slope", slope)


def limit_of_quantification(deviation: float, slope: float) -> float:
    """Return 10 σ/slope of a calibration; a third to a fifth of the limit it serves at most.

    Examples
    --------
    >>> round(limit_of_quantification(0.012, 0.8), 3)
    0.15
    """
    return 10.0 * positive("deviation", deviation) / positive("slope", slope)
