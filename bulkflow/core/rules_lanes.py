"""Columns and rows of lanes: flow, capacity, least flow, on/off rules, whole vehicles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.lane_limits import LaneLimits
from bulkflow.core.network import TermKind
from bulkflow.core.program import ColumnKind, ProgramBuilder, RowRule
from bulkflow.core.rules_nodes import Balances
from bulkflow.core.values import LaneData, NetworkData
from bulkflow.errors import Fault, InputError

__all__ = ["add_lanes"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LANE = -1  # a column or row of a whole lane belongs to no commodity


def add_lanes(
    builder: ProgramBuilder, data: NetworkData, balances: Balances, *, tighten: bool
) -> None:
    """Add the lanes. With ``tighten`` the on/off links use the smallest valid factor.

    Raises
    ------
    InputError
        Where a lane has an on/off rule and nothing bounds what it can carry.
    """
    limits = LaneLimits(data)
    counted = {
        term.ref
        for limit in data.network.limits
        for term in limit.terms
        if TermKind(term.kind) is TermKind.USED
    }
    faults: list[Fault] = []
    for position, lane in enumerate(data.lanes):
        flows = _add_flow(builder, lane, balances)
        _add_sums(builder, lane, flows)
        if lane.vehicle_capacity is not None:
            _add_vehicles(builder, lane, flows)
        if lane.id in counted or _has_on_off_rule(lane):
            most = limits.most(lane, tighten=tighten)
            if np.isfinite(most).all():
                _add_on_off(builder, lane, flows, most)
            else:
                faults.append(_unbounded_fault(position, lane))
    if faults:
        raise InputError(faults)


def _unbounded_fault(position: int, lane: LaneData) -> Fault:
    return Fault(
        "",
        0,
        f"lanes[{position}].capacity",
        f"is not given for {lane.id!r}, which has an on/off rule, and nothing else bounds its flow",
        "Give a capacity.",
    )


def _has_on_off_rule(lane: LaneData) -> bool:
    return any(rule is not None and rule.any() for rule in (lane.fixed_cost, lane.least_if_used))


def _add_flow(builder: ProgramBuilder, lane: LaneData, balances: Balances) -> list[IntArray]:
    """Add the flow of each commodity carried; return their columns."""
    steps = np.arange(builder.periods)
    alone = len(lane.carried) == 1
    arrives = lane.arrival < builder.periods
    flows = []
    for place, commodity in enumerate(int(k) for k in lane.carried):
        upper, lower = lane.capacity_each[place], lane.least_each[place]
        if alone:
            upper = np.minimum(upper, lane.capacity_sum)
            lower = np.maximum(lower, lane.least_sum)
        start = builder.add_columns(
            ColumnKind.FLOW,
            lane.id,
            commodity,
            lower=lower,
            upper=np.where(lane.may_send, upper, 0.0),
            cost=lane.unit_cost[place],
        )
        columns = start + steps
        flows.append(columns)
        builder.add_entries(balances.first(lane.tail, commodity) + steps, columns, -1.0)
        into = balances.first(lane.head, commodity) + lane.arrival[arrives]
        builder.add_entries(into, columns[arrives], lane.gain[place, arrives])
    return flows


def _add_sums(builder: ProgramBuilder, lane: LaneData, flows: list[IntArray]) -> None:
    """Limit the sum over commodities; with one commodity the columns' bounds do it."""
    if len(flows) == 1:
        return
    capped = np.flatnonzero(np.isfinite(lane.capacity_sum) & lane.may_send)
    rows = builder.add_rows(
        RowRule.CAPACITY, lane.id, LANE, capped, upper=lane.capacity_sum[capped]
    )
    forced = np.flatnonzero(lane.least_sum > 0)
    least = builder.add_rows(RowRule.MIN_FLOW, lane.id, LANE, forced, lower=lane.least_sum[forced])
    for columns in flows:
        builder.add_entries(rows, columns[capped], 1.0)
        builder.add_entries(least, columns[forced], 1.0)


def _add_vehicles(builder: ProgramBuilder, lane: LaneData, flows: list[IntArray]) -> None:
    """Add whole vehicles k with fill k <= flow <= capacity k."""
    capacity, fill, cost = lane.vehicle_capacity, lane.vehicle_fill, lane.vehicle_cost
    if capacity is None or fill is None or cost is None:
        return
    if lane.vehicles_most is None or lane.vehicles_least is None:
        return
    start = builder.add_columns(
        ColumnKind.VEHICLES,
        lane.id,
        LANE,
        lower=lane.vehicles_least,
        upper=np.where(lane.may_send, lane.vehicles_most, 0.0),
        cost=cost,
        integer=True,
    )
    steps = np.flatnonzero(lane.may_send)
    rows = builder.add_rows(RowRule.VEHICLE_CAPACITY, lane.id, LANE, steps, upper=0.0)
    builder.add_entries(rows, start + steps, -capacity[steps])
    filled = steps[fill[steps] > 0]
    least = builder.add_rows(RowRule.VEHICLE_FILL, lane.id, LANE, filled, lower=0.0)
    builder.add_entries(least, start + filled, -fill[filled])
    for columns in flows:
        builder.add_entries(rows, columns[steps], 1.0)
        builder.add_entries(least, columns[filled], 1.0)


def _add_on_off(
    builder: ProgramBuilder, lane: LaneData, flows: list[IntArray], most: FloatArray
) -> None:
    """Add used in {0, 1} with flow <= most x used and flow >= least x used."""
    start = builder.add_columns(
        ColumnKind.USED,
        lane.id,
        LANE,
        upper=np.where(lane.may_send, 1.0, 0.0),
        cost=0.0 if lane.fixed_cost is None else lane.fixed_cost,
        integer=True,
    )
    steps = np.flatnonzero(lane.may_send)
    rows = builder.add_rows(RowRule.ON_OFF, lane.id, LANE, steps, upper=0.0)
    builder.add_entries(rows, start + steps, -most[steps])
    floor = np.zeros(builder.periods) if lane.least_if_used is None else lane.least_if_used
    forced = steps[floor[steps] > 0]
    least = builder.add_rows(RowRule.MIN_IF_USED, lane.id, LANE, forced, lower=0.0)
    builder.add_entries(least, start + forced, -floor[forced])
    for columns in flows:
        builder.add_entries(rows, columns[steps], 1.0)
        builder.add_entries(least, columns[forced], 1.0)
