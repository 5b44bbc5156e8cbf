"""Rounding rows over whole columns: hours of a still in whole charges, and what is like them.

A row ``sum of a x <= b`` over columns x >= 0, divided by one of its coefficients d > 0, gives over
its whole columns (Chvatal and Gomory)

    sum of floor(a / d) x <= floor(b / d),

where continuous columns with a >= 0 are left out. 28 hours at 10 a charge relax to 2.8 charges of
all recipes together; whole they are 2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cuts.batch_rows import BatchRow
from bulkflow.core.program import Program, RowRule

__all__ = ["WholeRowCuts", "whole_rows"]

FloatArray = NDArray[np.float64]

_NEAR = 1e-9
# More coefficients than this in a row are none of a few kinds of work sharing a limit.
_MOST_DIVISORS = 4
_SOURCE = -2  # in keys of rows


def whole_rows(program: Program) -> list[BatchRow]:
    """Return the rounding rows of a program's limits, in the form ``... >= side``."""
    found: list[BatchRow] = []
    for row, rule in enumerate(program.row_rules):
        if rule is not RowRule.LIMIT:
            continue
        span = slice(program.matrix.indptr[row], program.matrix.indptr[row + 1])
        columns, values = program.matrix.indices[span], program.matrix.data[span]
        if (program.lower[columns] < 0).any():
            continue
        sides = ((1.0, program.row_upper[row]), (-1.0, -program.row_lower[row]))
        for number, (sign, side) in enumerate(sides):
            if not np.isfinite(side) or side < 0:
                continue
            found += _of_row(program, (row, number), columns, sign * values, float(side))
    return found


def _of_row(
    program: Program,
    key: tuple[int, int],
    columns: NDArray[np.int32],
    values: FloatArray,
    side: float,
) -> list[BatchRow]:
    whole = program.integer[columns]
    if (values[~whole] < 0).any() or whole.sum() < 2:
        return []
    columns, values = columns[whole].astype(np.int64), values[whole]
    divisors = np.unique(values[values > 0])
    if not 0 < len(divisors) <= _MOST_DIVISORS:
        return []
    rows = []
    for number, divisor in enumerate(divisors.tolist()):
        rounded, most = np.floor(values / divisor + _NEAR), np.floor(side / divisor + _NEAR)
        same = (np.abs(values / divisor - rounded) <= _NEAR).all()
        if same and side / divisor - most <= _NEAR:
            continue
        kept = rounded != 0
        rows.append(
            BatchRow(
                key=(_SOURCE, *key, number),
                columns=columns[kept],
                values=-rounded[kept],
                side=-float(most),
                violation=0.0,
            )
        )
    return rows


class WholeRowCuts:
    """Finds the violated ones of these rows."""

    def __init__(self, program: Program) -> None:
        self._rows = whole_rows(program)

    def violated(self, values: FloatArray, *, least: float, most_rows: int) -> list[BatchRow]:
        """Return violated rows; there are never many, so ``most_rows`` is left aside."""
        del most_rows
        return [row for row in self._rows if row.side - row.values @ values[row.columns] > least]
