"""Turns what callers give into float64 arrays, and refuses what no formula can hold.

Every public function of the package passes its arguments through here once. Text, truth
values, complex numbers and masked entries are a programmer's mistake (``TypeError``); NaN,
infinities and values outside the stated range raise :class:`~bulkflow.errors.OutOfRangeError`
naming the quantity, the first offending element, the range and its source.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bulkflow.errors import OutOfRangeError

__all__ = ["Array", "FloatOrArray", "amount", "as_floats", "in_range", "unwrap"]

Array: TypeAlias = NDArray[np.float64]
"""An array of float64, of any shape (0-dimensional included)."""

FloatOrArray: TypeAlias = np.float64 | NDArray[np.float64]
"""What public functions return: a float64 where all inputs are scalars, else an array."""


_MOST = 1e15  # of any amount: far above what the world makes, far below what would overflow


def as_floats(quantity: str, values: ArrayLike) -> Array:
    """Return the values as float64; raise ``TypeError`` for what is not a plain number."""
    if np.ma.isMaskedArray(values):
        raise TypeError(f"{quantity} is a masked array; fill or drop the masked entries first")
    found = np.asarray(values)
    if found.size and found.dtype.kind not in "iuf":
        raise TypeError(f"{quantity} must be a number or an array of numbers, not {values!r:.60}")
    return found.astype(np.float64, copy=False)


def in_range(
    quantity: str, values: ArrayLike, low: float, high: float, unit: str, source: str
) -> Array:
    """Return the values as float64, all of them finite and within [low, high]."""
    array = as_floats(quantity, values)
    # min and max are NaN if any element is, and a comparison with NaN is false.
    if array.size and not (array.min() >= low and array.max() <= high):
        bad = ~((array >= low) & (array <= high))
        raise_first(quantity, array, bad, low=low, high=high, unit=unit, source=source)
    return array


def amount(quantity: str, values: ArrayLike, unit: str) -> Array:
    """Return an amount (volume, mass, money) as float64: finite, and zero or more."""
    return in_range(quantity, values, 0.0, _MOST, unit, "an amount is zero or more")


def raise_first(
    quantity: str,
    array: Array,
    bad: NDArray[np.bool_],
    *,
    low: float,
    high: float,
    unit: str,
    source: str,
) -> None:
    """Raise for the first offending element, telling its place where there are several."""
    place = tuple(int(axis[0]) for axis in np.nonzero(np.atleast_1d(bad)))
    value = float(np.atleast_1d(array)[place])
    name = quantity
    if array.ndim:
        name = f"{quantity} [{', '.join(str(index) for index in place)}]"
    raise OutOfRangeError(name, value, low, high, unit, source)


def unwrap(array: Array) -> FloatOrArray:
    """Return a scalar for a 0-dimensional array, the array itself otherwise."""
    value: FloatOrArray = array[()]
    return value
