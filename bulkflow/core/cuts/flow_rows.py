"""Rounding rows of single lanes: a limited flow in whole vehicles.

With 0 <= x <= U, x <= C k, k whole and r = U - C floor(U/C) > 0,

    k >= (x - (C - r) floor(U/C)) / r,

so that a lane that runs at its limit U pays for ceil(U/C) vehicles, not U/C. U is the column's
bound, or what can enter a node that holds no stock.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cuts.batch_rows import LEAST_FRACTION, BatchRow
from bulkflow.core.network import Activity
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import LaneData, NetworkData, over_periods

__all__ = ["FlowCuts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
INF = float("inf")


class FlowCuts:
    """Finds the violated rows of all lanes."""

    def __init__(self, data: NetworkData, program: Program) -> None:
        entering = _entering(data)
        flows, counts, first, rest = [], [], [], []
        for lane in data.lanes:
            if lane.vehicle_capacity is None:
                continue
            for commodity in lane.carried.tolist():
                start = program.starts[ColumnKind.FLOW, lane.id, commodity]
                columns = start + np.arange(data.periods)
                most = np.minimum(program.upper[columns], entering[lane.tail, commodity])
                kept, whole, left = _rounded(lane, most)
                flows.append(columns[kept])
                counts.append(program.starts[ColumnKind.VEHICLES, lane.id, -1] + kept)
                first.append((lane.vehicle_capacity[kept] - left) / left * whole)
                rest.append(1.0 / left)
        self._flows = np.concatenate([np.zeros(0, dtype=np.int64), *flows])
        self._counts = np.concatenate([np.zeros(0, dtype=np.int64), *counts])
        self._constant = np.concatenate([np.zeros(0), *first])
        self._rate = np.concatenate([np.zeros(0), *rest])

    def violated(self, values: FloatArray, *, least: float, most_rows: int) -> list[BatchRow]:
        """Return violated rows, the worst first; ``most_rows`` counts for each lane's source."""
        del most_rows  # one row a lane and period: there are never many
        needed = values[self._flows] * self._rate - self._constant
        violation = needed - values[self._counts]
        order = np.argsort(-violation)
        return [
            BatchRow(
                key=(-1, int(place)),
                columns=np.array([self._flows[place], self._counts[place]]),
                values=np.array([-self._rate[place], 1.0]),
                side=-float(self._constant[place]),
                violation=float(violation[place]),
            )
            for place in order.tolist()
            if violation[place] > least
        ]


def _rounded(lane: LaneData, most: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the periods with a row, whole vehicles at the limit, and the rest r."""
    capacity = np.zeros(0) if lane.vehicle_capacity is None else lane.vehicle_capacity
    usable = np.isfinite(most) & (most > 0) & (capacity > 0)
    safe = np.where(usable, capacity, 1.0)
    ratio = np.where(usable, most, 0.0) / safe
    whole = np.floor(ratio)
    usable &= (ratio - whole > LEAST_FRACTION) & (ratio - whole < 1.0 - LEAST_FRACTION)
    kept = np.flatnonzero(usable)
    return kept, whole[kept], (most - safe * whole)[kept]


def _entering(data: NetworkData) -> dict[tuple[int, int], FloatArray]:
    """Return the most that can enter a node without stock in each period; inf elsewhere."""
    unlimited = np.full(data.periods, INF)
    entering: dict[tuple[int, int], FloatArray] = defaultdict(lambda: unlimited)
    fed = {(lane.head, int(k)) for lane in data.lanes for k in lane.carried}
    made: dict[tuple[int, int], FloatArray] = {}
    for activity in data.network.activities:
        _add_made(data, activity, made)
    for lane in data.lanes:
        node = data.nodes[lane.tail]
        for commodity in lane.carried.tolist():
            key = (lane.tail, commodity)
            if node.stocked or key in fed or node.shortage_cost is not None:
                continue
            supply = node.supply_most[commodity] + node.supply_fixed[commodity]
            entering[key] = supply + made.get(key, 0.0)
    return entering


def _add_made(
    data: NetworkData, activity: Activity, made: dict[tuple[int, int], FloatArray]
) -> None:
    lower = over_periods(activity.lower, data.periods, -INF)
    upper = over_periods(activity.upper, data.periods, INF)
    for effect in activity.effects:
        key = (data.node_index[effect.node], data.commodity_index[effect.commodity])
        amount = over_periods(effect.amount, data.periods, 0.0)
        with np.errstate(invalid="ignore"):
            most = np.fmax(np.fmax(amount * lower, amount * upper), 0.0)
        landed = np.zeros(data.periods)
        kept = data.periods - effect.lag
        if kept > 0:
            landed[effect.lag :] = most[:kept]
        made[key] = made.get(key, np.zeros(data.periods)) + landed
