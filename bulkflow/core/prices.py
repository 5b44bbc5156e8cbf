"""Prices of rows, kept with a plan: what its bound was proved with, and where to start again.

Any prices prove some bound (the least cost of everything at them), so those of another network are
safe to start from; near a program much like theirs they prove a good one.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.program import NO_COMMODITY, Program

__all__ = ["PriceKey", "prices_by_rule", "prices_of_rows"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PriceKey = tuple[str, str, str]
"""Rule, what it is the rule of, and the commodity ("" for none)."""


def prices_by_rule(
    program: Program, rows: IntArray, prices: FloatArray
) -> dict[PriceKey, FloatArray]:
    """Return the prices of rows by rule: by period, and last the row over the horizon, (T + 1,).

    Rules without a price are left out, and so are rows that share rule and period with another.
    """
    found: dict[PriceKey, FloatArray] = {}
    seen: dict[PriceKey, NDArray[np.bool_]] = {}
    for row, price in zip(rows.tolist(), prices.tolist(), strict=True):
        key, period = _key(program, row), int(program.row_periods[row])
        by_period = found.setdefault(key, np.zeros(program.periods + 1))
        taken = seen.setdefault(key, np.zeros(program.periods + 1, dtype=bool))
        by_period[period] = 0.0 if taken[period] else price
        taken[period] = True
    return {key: by_period for key, by_period in found.items() if by_period.any()}


def prices_of_rows(
    program: Program, rows: IntArray, prices: Mapping[PriceKey, FloatArray]
) -> FloatArray:
    """Return a price for each of ``rows``, 0 where none is known.

    Raises
    ------
    ValueError
        Prices of another number of periods, or not finite.
    """
    for key, by_period in prices.items():
        if by_period.shape != (program.periods + 1,) or not np.isfinite(by_period).all():
            raise ValueError(
                f"prices of {key} must be {program.periods + 1} finite numbers, one a period and"
                f" one for the horizon, not {by_period.shape}"
            )
    none = np.zeros(program.periods + 1)
    return np.array(
        [
            prices.get(_key(program, row), none)[int(program.row_periods[row])]
            for row in rows.tolist()
        ]
    )


def _key(program: Program, row: int) -> PriceKey:
    commodity = int(program.row_commodities[row])
    name = "" if commodity == NO_COMMODITY else program.commodities[commodity]
    return (str(program.row_rules[row].value), program.row_refs[row], name)
