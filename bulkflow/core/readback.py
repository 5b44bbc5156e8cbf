"""From column values to a plan, and from a plan to column values."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.outcome import Solution
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import NetworkData

__all__ = ["column_values", "read_solution"]

FloatArray = NDArray[np.float64]

# Rounding of the solver around zero, far below its own tolerance of 1e-7.
_DUST = 1e-9


def read_solution(data: NetworkData, program: Program, values: FloatArray) -> Solution:
    """Return the plan that column values stand for, dust around zero and bounds removed."""
    clean = np.clip(values, program.lower, program.upper)
    clean[np.abs(clean) < _DUST] = 0.0
    clean[program.integer] = np.round(clean[program.integer])
    shape = (len(data.commodities), data.periods)
    nodes = data.network.nodes
    asking = [node.id for node in nodes if node.demand is not None]
    held = [node.id for node in nodes if node.stock is not None]
    supplied = [node for node in data.nodes if data.network.nodes[data.node_index[node.id]].supply]
    solution = Solution(
        flow={lane.id: np.zeros(shape) for lane in data.lanes},
        stock={name: np.zeros(shape) for name in held},
        supply={node.id: node.supply_fixed.copy() for node in supplied},
        sales={name: np.zeros(shape) for name in asking},
        shortage={name: np.zeros(shape) for name in asking},
        used={},
        vehicles={},
        activity={},
    )
    tables = _tables(solution)
    for position, (kind, ref, commodity) in enumerate(program.blocks):
        part = clean[position * data.periods : (position + 1) * data.periods]
        if commodity < 0:
            tables[kind][ref] = part
        else:
            tables[kind][ref][commodity] += part
    return solution


def column_values(data: NetworkData, program: Program, solution: Solution) -> FloatArray:
    """Return column values of a plan, (columns,); NaN for what the plan does not know.

    The plan may be of another network: only ids, commodities and periods in common count.
    """
    values = np.full(program.columns, np.nan)
    tables = _tables(solution)
    for position, (kind, ref, commodity) in enumerate(program.blocks):
        known = tables[kind].get(ref)
        if known is None:
            continue
        part = known if commodity < 0 else known[commodity] if commodity < len(known) else None
        if part is None:
            continue
        count = min(data.periods, len(part))
        start = position * data.periods
        values[start : start + count] = part[:count]
        if kind is ColumnKind.SUPPLY:
            fixed = data.nodes[data.node_index[ref]].supply_fixed[commodity]
            values[start : start + count] -= fixed[:count]
    return values


def _tables(solution: Solution) -> dict[ColumnKind, dict[str, FloatArray]]:
    return {kind: getattr(solution, kind.value) for kind in ColumnKind}
