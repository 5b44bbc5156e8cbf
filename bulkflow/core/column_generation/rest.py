"""Rounding rows of the rest: a limited flow in whole vehicles.

With x <= U, x <= C k, k whole and r = U - C floor(U / C) > 0, also x <= U - r (ceil(U / C) - k): a
lane that runs at its limit pays for whole vehicles. U is what the rows imply. A row over whole
columns only, all counted in multiples of one number, has a right-hand side in such multiples too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.column_generation.implied import implied_upper
from bulkflow.core.cuts.root_loop import rows_as_block
from bulkflow.core.cuts.whole_rows import whole_rows
from bulkflow.core.program import ColumnKind, Program, RowRule
from bulkflow.core.values import NetworkData

__all__ = ["with_rounding_rows"]

FloatArray = NDArray[np.float64]

# Shares of a vehicle below this make weak rows with far-apart coefficients.
_LEAST_SHARE = 1e-3
# Sides that are whole but for rounding noise stay.
_NEAR = 1e-9


def with_rounding_rows(data: NetworkData, program: Program) -> tuple[Program, FloatArray]:
    """Return the program with a rounding row for every lane and period that has one.

    Beside it the upper bounds of its columns that its rows imply, (columns,).
    """
    program = _with_whole_sides(program)
    upper = implied_upper(program)
    flows, counts, rests, sides = [], [], [], []
    refs: list[str] = []
    commodities, periods = [], []
    for lane in data.lanes:
        if lane.vehicle_capacity is None or len(lane.carried) != 1:
            continue
        flow = program.starts[ColumnKind.FLOW, lane.id, int(lane.carried[0])]
        vehicles = program.starts[ColumnKind.VEHICLES, lane.id, -1]
        steps = np.arange(program.periods)
        most, capacity = upper[flow + steps], lane.vehicle_capacity
        usable = np.isfinite(most) & (most > 0) & (capacity > 0)
        steps, most, capacity = steps[usable], most[usable], capacity[usable]
        whole = np.floor(most / capacity)
        rest = most - whole * capacity
        kept = (rest > _LEAST_SHARE * capacity) & (rest < (1 - _LEAST_SHARE) * capacity)
        flows.append(flow + steps[kept])
        counts.append(vehicles + steps[kept])
        rests.append(rest[kept])
        sides.append((most - rest * (whole + 1))[kept])
        refs += [lane.id] * int(kept.sum())
        commodities.append(np.full(int(kept.sum()), lane.carried[0], dtype=np.int64))
        periods.append(steps[kept].astype(np.int64))
    program = _with_whole_rows(program)
    if not flows:
        return program, upper
    flow_columns, count_columns = np.concatenate(flows), np.concatenate(counts)
    number = np.arange(len(flow_columns))
    block = sparse.csr_array(
        (
            np.concatenate([np.ones(len(number)), -np.concatenate(rests)]),
            (np.concatenate([number, number]), np.concatenate([flow_columns, count_columns])),
        ),
        shape=(len(number), program.columns),
    )
    rounded = replace(
        program,
        matrix=sparse.csr_array(sparse.vstack([program.matrix, block])),
        row_lower=np.concatenate([program.row_lower, np.full(len(number), -np.inf)]),
        row_upper=np.concatenate([program.row_upper, np.concatenate(sides)]),
        row_rules=(*program.row_rules, *([RowRule.CAPACITY] * len(number))),
        row_refs=(*program.row_refs, *refs),
        row_commodities=np.concatenate([program.row_commodities, *commodities]),
        row_periods=np.concatenate([program.row_periods, *periods]),
    )
    return rounded, upper


def _with_whole_rows(program: Program) -> Program:
    """Return the program with the rounding rows of its limits (`bulkflow.core.cuts.whole_rows`)."""
    rows = whole_rows(program)
    if not rows:
        return program
    matrix, lower, upper = rows_as_block(rows, program.columns)
    of = [row.key[1] for row in rows]
    return replace(
        program,
        matrix=sparse.csr_array(sparse.vstack([program.matrix, matrix])),
        row_lower=np.concatenate([program.row_lower, lower]),
        row_upper=np.concatenate([program.row_upper, upper]),
        row_rules=(*program.row_rules, *([RowRule.LIMIT] * len(rows))),
        row_refs=(
            *program.row_refs,
            *(f"{program.row_refs[row.key[1]]} in whole numbers {row.key[3]}" for row in rows),
        ),
        row_commodities=np.concatenate([program.row_commodities, program.row_commodities[of]]),
        row_periods=np.concatenate([program.row_periods, program.row_periods[of]]),
    )


def _with_whole_sides(program: Program) -> Program:
    """Return the program with the sides of rows over whole columns only rounded."""
    matrix = program.matrix
    rows = np.repeat(np.arange(program.rows), np.diff(matrix.indptr))
    size = np.full(program.rows, np.inf)
    np.minimum.at(size, rows, np.abs(matrix.data))
    multiple = matrix.data / size[rows]
    fits = program.integer[matrix.indices] & (np.abs(multiple - np.round(multiple)) < 1e-12)
    whole = np.bincount(rows, weights=~fits, minlength=program.rows) == 0
    whole &= np.isfinite(size)
    size = np.where(whole, size, 1.0)
    upper = np.floor(program.row_upper / size + _NEAR) * size
    lower = np.ceil(program.row_lower / size - _NEAR) * size
    return replace(
        program,
        row_upper=np.where(whole, np.minimum(program.row_upper, upper), program.row_upper),
        row_lower=np.where(whole, np.maximum(program.row_lower, lower), program.row_lower),
    )
