"""Cumulative vehicle counts as columns: sums over windows become differences of two columns.

For every lane with vehicles, K(t) counts the vehicles sent up to period t. Rows that sum vehicles
over many periods (a fleet away for eight weeks, strengthening rows over windows of arrivals) then
have two entries a lane in place of one a period, which is what keeps the simplex method quick.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.program import ColumnKind, Program, RowRule

__all__ = ["CumulativeProgram", "with_cumulative_counts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# A run of equal coefficients this long is worth two entries instead.
_SHORTEST_RUN = 4


@dataclass(frozen=True, slots=True)
class CumulativeProgram:
    """A program with the cumulative columns behind its own, whose numbers do not change.

    Parameters
    ----------
    program : the extended program; blocks and labels cover only the original columns.
    original_columns : how many columns the original has.
    starts : vehicle lane -> first cumulative column of its T.
    """

    program: Program
    original_columns: int
    starts: dict[str, int]

    def original(self, values: FloatArray) -> FloatArray:
        """Return the values of the original columns."""
        return values[: self.original_columns]

    def extended(self, values: FloatArray) -> FloatArray:
        """Return values of the original columns with the cumulative ones worked out."""
        periods = self.program.periods
        parts = [values]  # NaN where a plan does not know a column; whole columns it knows all
        for lane in self.starts:
            start = self.program.starts[ColumnKind.VEHICLES, lane, -1]
            parts.append(np.cumsum(values[start : start + periods]))
        return np.concatenate(parts)


def with_cumulative_counts(program: Program) -> CumulativeProgram:
    """Return the program with K columns, K(t) = K(t-1) + k(t), and long windows rewritten."""
    periods = program.periods
    lanes = [ref for kind, ref, _ in program.blocks if kind is ColumnKind.VEHICLES]
    first = program.columns
    starts = {lane: first + number * periods for number, lane in enumerate(lanes)}
    count = len(lanes) * periods
    matrix = _rewritten(program, starts, first + count)
    definition = _definitions(program, lanes, starts, first + count)
    zero = np.zeros(count)
    extended = replace(
        program,
        cost=np.concatenate([program.cost, zero]),
        lower=np.concatenate([program.lower, zero]),
        upper=np.concatenate([program.upper, np.full(count, np.inf)]),
        # Whole by their definition; said to the solver so that it branches on them: deciding how
        # many loads leave by a week settles more than deciding those of the week.
        integer=np.concatenate([program.integer, np.ones(count, dtype=bool)]),
        matrix=sparse.csr_array(sparse.vstack([matrix, definition])),
        row_lower=np.concatenate([program.row_lower, zero]),
        row_upper=np.concatenate([program.row_upper, zero]),
    )
    return CumulativeProgram(extended, first, starts)


def _definitions(
    program: Program, lanes: list[str], starts: dict[str, int], columns: int
) -> sparse.csr_array:
    """Return the rows K(t) - K(t-1) - k(t) = 0."""
    periods = program.periods
    steps = np.arange(periods)
    rows, places, values = [], [], []
    for number, lane in enumerate(lanes):
        row, cumulative = number * periods + steps, starts[lane] + steps
        sent = program.starts[ColumnKind.VEHICLES, lane, -1] + steps
        rows += [row, row[1:], row]
        places += [cumulative, cumulative[:-1], sent]
        values += [np.ones(periods), -np.ones(periods - 1), -np.ones(periods)]
    if not lanes:
        return sparse.csr_array((0, columns))
    return sparse.csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(places))),
        shape=(len(lanes) * periods, columns),
    )


def _rewritten(program: Program, starts: dict[str, int], columns: int) -> sparse.csr_array:
    """Return the rows with runs of equal coefficients on vehicle counts written as differences."""
    wider = sparse.csr_array((program.rows, columns - program.columns))
    matrix = sparse.csr_array(sparse.hstack([program.matrix, wider]))
    if not starts:
        return matrix
    limits = [row for row, rule in enumerate(program.row_rules) if rule is RowRule.LIMIT]
    cumulative_of = np.full(columns, -1, dtype=np.int64)
    for lane, start in starts.items():
        sent = program.starts[ColumnKind.VEHICLES, lane, -1]
        cumulative_of[sent : sent + program.periods] = start + np.arange(program.periods)
    changed: dict[int, tuple[IntArray, FloatArray]] = {}
    for row in limits:
        span = slice(matrix.indptr[row], matrix.indptr[row + 1])
        found = _differences(
            matrix.indices[span].astype(np.int64), matrix.data[span], cumulative_of, program.periods
        )
        if found is not None:
            changed[row] = found
    return _replaced(matrix, changed) if changed else matrix


def _differences(
    places: IntArray, values: FloatArray, cumulative_of: IntArray, periods: int
) -> tuple[IntArray, FloatArray] | None:
    """Return the entries of a row with its long runs replaced, or None if it has none."""
    order = np.argsort(places)
    places, values = places[order], values[order]
    counts = cumulative_of[places] >= 0
    if counts.sum() < _SHORTEST_RUN:
        return None
    breaks = np.flatnonzero(
        (np.diff(places) != 1)
        | (np.diff(values) != 0)
        | (np.diff(counts.astype(np.int8)) != 0)
        | (places[1:] % periods == 0)
    )
    edges = np.concatenate([[0], breaks + 1, [len(places)]])
    new_places: list[IntArray] = []
    new_values: list[FloatArray] = []
    replaced = False
    for begin, end in pairwise(edges):
        if not counts[begin] or end - begin < _SHORTEST_RUN:
            new_places.append(places[begin:end])
            new_values.append(values[begin:end])
            continue
        replaced = True
        last = cumulative_of[places[end - 1]]
        new_places.append(np.array([last]))
        new_values.append(values[begin : begin + 1])
        if places[begin] % periods:
            new_places.append(np.array([cumulative_of[places[begin]] - 1]))
            new_values.append(-values[begin : begin + 1])
    if not replaced:
        return None
    return np.concatenate(new_places), np.concatenate(new_values)


def _replaced(
    matrix: sparse.csr_array, changed: dict[int, tuple[IntArray, FloatArray]]
) -> sparse.csr_array:
    keep = np.ones(matrix.shape[0])
    keep[list(changed)] = 0.0
    numbers = np.concatenate([np.full(len(places), row) for row, (places, _) in changed.items()])
    places = np.concatenate([places for places, _ in changed.values()])
    values = np.concatenate([values for _, values in changed.values()])
    new = sparse.csr_array((values, (numbers, places)), shape=matrix.shape)
    result = sparse.csr_array(sparse.diags_array(keep) @ matrix + new)
    result.eliminate_zeros()
    return result
