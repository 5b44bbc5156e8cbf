"""Values spread over commodities and periods: numbers as arrays, ready for the matrix.

`spread_network` turns the plain values of a checked network into arrays. What is not given
becomes what it means: an absent limit is infinite, an absent cost or quantity zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Lane, Network, Node, PeriodValue, Shortage, Value

__all__ = [
    "LaneData",
    "NetworkData",
    "NodeData",
    "over_commodities",
    "over_periods",
    "per_commodity",
    "spread_network",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
INF = float("inf")


def over_periods(value: PeriodValue | None, periods: int, missing: float) -> FloatArray:
    """Return a number or sequence as (T,); None becomes ``missing``."""
    if value is None:
        return np.full(periods, missing)
    return np.array(np.broadcast_to(np.asarray(value, dtype=float), (periods,)))


def over_commodities(
    value: Value | None, commodities: Sequence[str], periods: int, *, missing: float, absent: float
) -> FloatArray:
    """Return a value as (K, T).

    Parameters
    ----------
    missing : what a commodity left out of a mapping counts as.
    absent : what None counts as.
    """
    out = np.empty((len(commodities), periods))
    if value is None:
        out[:] = absent
    elif isinstance(value, Mapping):
        for row, commodity in enumerate(commodities):
            out[row] = over_periods(value.get(commodity), periods, missing)
    else:
        out[:] = over_periods(value, periods, missing)
    return out


def per_commodity(
    value: float | Mapping[str, float] | None, commodities: Sequence[str], missing: float
) -> FloatArray:
    """Return one number per commodity, (K,); None and commodities left out become ``missing``."""
    if value is None:
        return np.full(len(commodities), missing)
    if isinstance(value, Mapping):
        return np.array([float(value.get(name, missing)) for name in commodities])
    return np.full(len(commodities), float(value))


@dataclass(frozen=True, slots=True)
class NodeData:
    """A node in arrays; (K, T) unless said otherwise.

    Parameters
    ----------
    supply_most : optional supply (0 without, inf without limit); supply_fixed : exact supply.
    demand : asked for; shortage_cost : None where every unit must be served.
    sales_most : optional sales (0 without, inf without limit).
    stocked : whether the node can hold stock; initial, initial_backlog : (K,).
    least, most : limits on closing stock, targets for the last period included; ``least`` may
        exceed ``most``, then no plan exists.
    """

    id: str
    supply_most: FloatArray
    supply_fixed: FloatArray
    supply_cost: FloatArray
    demand: FloatArray
    shortage_cost: FloatArray | None
    backlogged: bool
    initial_backlog: FloatArray
    sales_most: FloatArray
    revenue: FloatArray
    stocked: bool
    initial: FloatArray
    least: FloatArray
    most: FloatArray
    holding: FloatArray


@dataclass(frozen=True, slots=True)
class LaneData:
    """A lane in arrays; C is the number of commodities carried.

    Parameters
    ----------
    carried : indices of the commodities carried, (C,).
    unit_cost, gain : (C, T).
    arrival : index from 0 of the period of arrival of what is sent in each period, (T,);
        T or more lies after the horizon.
    may_send : (T,) bool.
    capacity_each, least_each : limits per commodity, (C, T); capacity_sum, least_sum : limits on
        the sum, (T,).
    fixed_cost, least_if_used : (T,), or None without such a rule.
    vehicle_capacity, vehicle_fill, vehicle_cost, vehicles_most, vehicles_least : (T,), or None
        on a lane without vehicles.
    """

    id: str
    tail: int
    head: int
    carried: IntArray
    unit_cost: FloatArray
    gain: FloatArray
    arrival: IntArray
    may_send: NDArray[np.bool_]
    capacity_each: FloatArray
    capacity_sum: FloatArray
    least_each: FloatArray
    least_sum: FloatArray
    fixed_cost: FloatArray | None
    least_if_used: FloatArray | None
    vehicle_capacity: FloatArray | None
    vehicle_fill: FloatArray | None
    vehicle_cost: FloatArray | None
    vehicles_most: FloatArray | None
    vehicles_least: FloatArray | None


@dataclass(frozen=True, slots=True)
class NetworkData:
    """A network in arrays, with the position of each id."""

    network: Network
    periods: int
    commodities: tuple[str, ...]
    nodes: tuple[NodeData, ...]
    lanes: tuple[LaneData, ...]
    node_index: Mapping[str, int]
    lane_index: Mapping[str, int]
    commodity_index: Mapping[str, int]


def spread_network(network: Network) -> NetworkData:
    """Return the arrays of a network that has passed `check_network`."""
    names = tuple(network.commodities)
    node_index = {node.id: position for position, node in enumerate(network.nodes)}
    commodity_index = {name: position for position, name in enumerate(names)}
    return NetworkData(
        network=network,
        periods=network.periods,
        commodities=names,
        nodes=tuple(_spread_node(node, names, network.periods) for node in network.nodes),
        lanes=tuple(
            _spread_lane(lane, names, network.periods, node_index) for lane in network.lanes
        ),
        node_index=node_index,
        lane_index={lane.id: position for position, lane in enumerate(network.lanes)},
        commodity_index=commodity_index,
    )


def _spread_node(node: Node, names: tuple[str, ...], periods: int) -> NodeData:
    supply, demand, stock = node.supply, node.demand, node.stock

    def full(value: Value | None, *, missing: float = 0.0, absent: float = 0.0) -> FloatArray:
        return over_commodities(value, names, periods, missing=missing, absent=absent)

    unlimited_supply = supply is not None and supply.exactly is None
    unlimited_sales = demand is not None and demand.exactly is None
    shortage_cost = None
    if demand is not None and demand.shortage_cost is not None:
        shortage_cost = full(demand.shortage_cost)
    least, most = full(None), full(None, absent=INF)
    if stock is not None:
        least = full(stock.at_least)
        most = full(stock.at_most, missing=INF, absent=INF)
        exact = per_commodity(stock.final_exactly, names, np.nan)
        floor = per_commodity(stock.final_at_least, names, 0.0)
        least[:, -1] = np.fmax(np.maximum(least[:, -1], floor), exact)
        most[:, -1] = np.fmin(most[:, -1], exact)
    return NodeData(
        id=node.id,
        supply_most=full(supply.at_most if supply else None, absent=INF if unlimited_supply else 0),
        supply_fixed=full(supply.exactly if supply else None),
        supply_cost=full(supply.unit_cost if supply else None),
        demand=full(demand.exactly if demand else None),
        shortage_cost=shortage_cost,
        backlogged=demand is not None and Shortage(demand.shortage) is Shortage.BACKLOGGED,
        initial_backlog=per_commodity(demand.initial_backlog if demand else None, names, 0.0),
        sales_most=full(demand.at_most if demand else None, absent=INF if unlimited_sales else 0),
        revenue=full(demand.unit_revenue if demand else None),
        stocked=stock is not None,
        initial=per_commodity(stock.initial if stock else None, names, 0.0),
        least=least,
        most=most,
        holding=full(stock.holding_cost if stock else None),
    )


def _spread_lane(
    lane: Lane, names: tuple[str, ...], periods: int, node_index: Mapping[str, int]
) -> LaneData:
    on_lane = names if lane.commodities is None else tuple(lane.commodities)
    each_most, sum_most = _split(lane.capacity, on_lane, periods, missing=INF)
    each_least, sum_least = _split(lane.min_flow, on_lane, periods, missing=0.0)
    arrival = np.arange(periods) + np.broadcast_to(np.asarray(lane.lead_time), (periods,))
    may_send = np.ones(periods, dtype=bool)
    if not lane.may_arrive_after_horizon:
        may_send = arrival < periods
    return LaneData(
        id=lane.id,
        tail=node_index[lane.from_node],
        head=node_index[lane.to_node],
        carried=np.array([names.index(name) for name in on_lane], dtype=np.int64),
        unit_cost=over_commodities(lane.unit_cost, on_lane, periods, missing=0.0, absent=0.0),
        gain=over_commodities(lane.gain, on_lane, periods, missing=1.0, absent=1.0),
        arrival=arrival.astype(np.int64),
        may_send=may_send,
        capacity_each=each_most,
        capacity_sum=sum_most,
        least_each=np.where(may_send, each_least, 0.0),
        least_sum=np.where(may_send, sum_least, 0.0),
        fixed_cost=None if lane.fixed_cost is None else over_periods(lane.fixed_cost, periods, 0.0),
        least_if_used=(
            None if lane.min_if_used is None else over_periods(lane.min_if_used, periods, 0.0)
        ),
        **_spread_vehicle(lane, periods),
    )


def _split(
    value: Value | None, names: Sequence[str], periods: int, *, missing: float
) -> tuple[FloatArray, FloatArray]:
    """Return a lane's limit as (per commodity, on the sum): a mapping limits each by itself."""
    each, total = np.full((len(names), periods), missing), np.full(periods, missing)
    if isinstance(value, Mapping):
        each = over_commodities(value, names, periods, missing=missing, absent=missing)
    else:
        total = over_periods(value, periods, missing)
    return each, total


def _spread_vehicle(lane: Lane, periods: int) -> dict[str, Any]:
    vehicle = lane.vehicle
    fields = (
        "vehicle_capacity",
        "vehicle_fill",
        "vehicle_cost",
        "vehicles_most",
        "vehicles_least",
    )
    if vehicle is None:
        return dict.fromkeys(fields)
    return dict(
        zip(
            fields,
            (
                over_periods(vehicle.capacity, periods, 0.0),
                over_periods(vehicle.min_fill, periods, 0.0),
                over_periods(vehicle.cost, periods, 0.0),
                over_periods(vehicle.max_count, periods, INF),
                over_periods(vehicle.min_count, periods, 0.0),
            ),
            strict=True,
        )
    )
