"""Bounds on columns that the rows imply, by propagation.

Each row limits each of its columns, given the least and most the others can be. A few passes over
all rows at once find what a network implies (what a site can send is bounded by what it can make).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.program import Program

__all__ = ["implied_upper"]

FloatArray = NDArray[np.float64]
_PASSES = 12


def implied_upper(program: Program, passes: int = _PASSES) -> FloatArray:
    """Return upper bounds on every column that hold in every plan, (columns,).

    Slightly widened, so that rounding does not cut. Needs non-negative lower bounds only where
    they are; other columns count as unbounded below.
    """
    matrix = sparse.csr_array(program.matrix)
    rows = np.repeat(np.arange(program.rows), np.diff(matrix.indptr))
    columns, values = matrix.indices, matrix.data
    upper = program.upper.copy()
    lower = program.lower
    for _ in range(passes):
        before = upper.copy()
        for sign, side in ((1.0, program.row_upper), (-1.0, -program.row_lower)):
            _tighten(rows, columns, sign * values, side, lower, upper, program.rows)
        if np.array_equal(before, upper):
            break
    return np.asarray(upper)


def _tighten(
    rows: NDArray[np.integer[Any]],
    columns: NDArray[np.integer[Any]],
    values: FloatArray,
    side: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    count: int,
) -> None:
    """Tighten ``upper`` in place by rows ``values x <= side``."""
    least = np.where(values > 0, values * _finite(lower)[columns], values * _finite(upper)[columns])
    unknown = np.where(values > 0, np.isinf(lower)[columns], np.isinf(upper)[columns])
    total = np.bincount(rows, weights=least, minlength=count)
    missing = np.bincount(rows, weights=unknown.astype(float), minlength=count)
    positive = values > 0
    others = missing[rows] - unknown
    slack = side[rows] - (total[rows] - least)
    usable = positive & (others == 0) & np.isfinite(slack)
    bound = slack[usable] / values[usable]
    bound += 1e-9 * np.maximum(1.0, np.abs(bound))
    np.minimum.at(upper, columns[usable], bound)


def _finite(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, 0.0)
