"""What the methods accept: checks of arguments, each with one clear message.

A number outside the range of a method raises :class:`~bulkflow.errors.RangeError`; data that cannot
be analysed (not a number, wrong shape) raise :class:`~bulkflow.errors.DataError`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bulkflow.errors import DataError, RangeError

__all__ = [
    "LEVEL_SLACK",
    "FloatArray",
    "at_least",
    "count",
    "counts_out_of",
    "finite_array",
    "fraction",
    "open_fraction",
    "positive",
]

FloatArray = NDArray[np.float64]

LEVEL_SLACK = 1e-12
"""Relative slack when a computed tail is compared with a stated level: a tail that equals the
level in exact arithmetic must not miss it by the last bit."""


def open_fraction(name: str, value: float) -> float:
    """Return ``value`` when it lies strictly between 0 and 1."""
    if not 0.0 < value < 1.0:  # also refuses NaN
        raise RangeError(f"{name} is {value!r}; it must lie strictly between 0 and 1.")
    return float(value)


def fraction(name: str, value: float) -> float:
    """Return ``value`` when it lies between 0 and 1, ends included."""
    if not 0.0 <= value <= 1.0:
        raise RangeError(f"{name} is {value!r}; it must lie between 0 and 1.")
    return float(value)


def count(name: str, value: float, *, least: int = 1) -> int:
    """Return ``value`` as a whole number of at least ``least``."""
    if isinstance(value, bool) or not math.isfinite(value) or value != int(value):
        raise RangeError(f"{name} is {value!r}; it must be a whole number.")
    if value < least:
        raise RangeError(f"{name} is {value!r}; it must be at least {least}.")
    return int(value)


def counts_out_of(correct: float, n: float) -> tuple[int, int]:
    """Return the number correct and the number of trials, when they can belong together."""
    trials = count("n", n)
    right = count("correct", correct, least=0)
    if right > trials:
        raise RangeError(f"correct is {right}, more than the {trials} trials.")
    return right, trials


def positive(name: str, value: float) -> float:
    """Return ``value`` when it is a finite number above zero."""
    if not (math.isfinite(value) and value > 0.0):
        raise RangeError(f"{name} is {value!r}; it must be a number above zero.")
    return float(value)


def at_least(name: str, value: float, least: float) -> float:
    """Return ``value`` when it is at least ``least`` (infinity allowed)."""
    if not value >= least:
        raise RangeError(f"{name} is {value!r}; it must be at least {least:g}.")
    return float(value)


def finite_array(
    name: str, values: ArrayLike | Iterable[Any], *, dimensions: int = 1, least: int = 1
) -> FloatArray:
    """Return the values as floats, refusing gaps, infinities and the wrong number of dimensions.

    ``least`` is the smallest length allowed along the first axis.
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DataError(f"{name} must be numbers in a full table: {error}.") from error
    if array.ndim != dimensions:
        raise DataError(f"{name} has {array.ndim} dimension(s); {dimensions} expected.")
    if array.shape[0] < least:
        raise DataError(f"{name} holds {array.shape[0]} value(s); at least {least} needed.")
    if not np.isfinite(array).all():
        raise DataError(
            f"{name} holds {int((~np.isfinite(array)).sum())} missing or infinite values."
        )
    return array
