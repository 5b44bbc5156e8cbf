"""Columns and rows of nodes: supply, demand, stock, shortage, and the balance they share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import TermKind
from bulkflow.core.program import INF, ColumnKind, ProgramBuilder, RowRule
from bulkflow.core.values import NetworkData, NodeData, over_periods

__all__ = ["Balances", "add_activities", "add_nodes"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Balances:
    """The balance rows, by node and commodity; -1 where nothing of a commodity can ever be."""

    def __init__(self, builder: ProgramBuilder, data: NetworkData) -> None:
        self._first = np.full((len(data.nodes), len(data.commodities)), -1, dtype=np.int64)
        periods = np.arange(data.periods)
        for node, commodity in sorted(_present(data)):
            rows = builder.add_rows(
                RowRule.BALANCE, data.nodes[node].id, commodity, periods, lower=0.0, upper=0.0
            )
            self._first[node, commodity] = rows[0]

    def first(self, node: int, commodity: int) -> int:
        """Return the row of the first period, or -1."""
        return int(self._first[node, commodity])

    def present(self) -> list[tuple[int, int]]:
        """Return the (node, commodity) pairs that have a balance."""
        return [(int(node), int(k)) for node, k in np.argwhere(self._first >= 0)]


def _present(data: NetworkData) -> set[tuple[int, int]]:
    """Return the (node, commodity) pairs that anything touches."""
    pairs = {
        (end, int(commodity))
        for lane in data.lanes
        for commodity in lane.carried
        for end in (lane.tail, lane.head)
    }
    for activity in data.network.activities:
        for effect in activity.effects:
            pairs.add((data.node_index[effect.node], data.commodity_index[effect.commodity]))
    for index, node in enumerate(data.nodes):
        quantities = (
            node.supply_most,
            node.supply_fixed,
            node.demand,
            node.sales_most,
            node.least,
            node.initial[:, None],
            node.initial_backlog[:, None],
        )
        touched = np.any([(part > 0).any(axis=1) for part in quantities], axis=0)
        pairs |= {(index, int(commodity)) for commodity in np.flatnonzero(touched)}
    return pairs


def add_nodes(builder: ProgramBuilder, data: NetworkData, balances: Balances) -> None:
    """Add what nodes take in, hold, sell and fall short of, and their share of the balances."""
    watched = _watched_nodes(data)
    leaving = {(lane.tail, int(k)) for lane in data.lanes for k in lane.carried}
    affected = {
        (data.node_index[effect.node], data.commodity_index[effect.commodity])
        for activity in data.network.activities
        for effect in activity.effects
    }
    for index, commodity in balances.present():
        node = data.nodes[index]
        rows = balances.first(index, commodity) + np.arange(data.periods)
        builder.add_to_sides(rows, node.demand[commodity] - node.supply_fixed[commodity])
        _add_supply_and_sales(builder, node, commodity, rows)
        if node.stocked:
            _add_stock(builder, node, commodity, rows)
        if node.shortage_cost is not None:
            _add_shortage(builder, node, commodity, rows)
            may_borrow = (
                (index, commodity) in leaving
                or (index, commodity) in affected
                or index in watched
                or node.sales_most[commodity].any()
                or node.least[commodity].any()
                or (node.holding[commodity] < 0).any()
            )
            if node.backlogged and may_borrow:
                _add_served(builder, node, commodity)


def _watched_nodes(data: NetworkData) -> set[int]:
    """Return nodes whose stock or shortage a limit counts."""
    kinds = {TermKind.STOCK, TermKind.SHORTAGE}
    return {
        data.node_index[term.ref]
        for limit in data.network.limits
        for term in limit.terms
        if TermKind(term.kind) in kinds
    }


def _add_supply_and_sales(
    builder: ProgramBuilder, node: NodeData, commodity: int, rows: IntArray
) -> None:
    steps = np.arange(len(rows))
    if node.supply_most[commodity].any():
        start = builder.add_columns(
            ColumnKind.SUPPLY,
            node.id,
            commodity,
            upper=node.supply_most[commodity],
            cost=node.supply_cost[commodity],
        )
        builder.add_entries(rows, start + steps, 1.0)
    if node.sales_most[commodity].any():
        start = builder.add_columns(
            ColumnKind.SALES,
            node.id,
            commodity,
            upper=node.sales_most[commodity],
            cost=-node.revenue[commodity],
        )
        builder.add_entries(rows, start + steps, -1.0)


def _add_stock(builder: ProgramBuilder, node: NodeData, commodity: int, rows: IntArray) -> None:
    start = builder.add_columns(
        ColumnKind.STOCK,
        node.id,
        commodity,
        lower=node.least[commodity],
        upper=node.most[commodity],
        cost=node.holding[commodity],
    )
    steps = np.arange(len(rows))
    builder.add_entries(rows, start + steps, -1.0)
    builder.add_entries(rows[1:], start + steps[:-1], 1.0)
    builder.add_to_sides(rows[:1], -node.initial[commodity : commodity + 1])


def _add_shortage(builder: ProgramBuilder, node: NodeData, commodity: int, rows: IntArray) -> None:
    """Add the demand lost in each period, or the backlog open at its end."""
    if node.shortage_cost is None:
        return
    asked = node.demand[commodity]
    opening = node.initial_backlog[commodity]
    most = opening + np.cumsum(asked) if node.backlogged else asked
    if not most.any():
        return
    start = builder.add_columns(
        ColumnKind.SHORTAGE,
        node.id,
        commodity,
        upper=most,
        cost=node.shortage_cost[commodity],
    )
    steps = np.arange(len(rows))
    builder.add_entries(rows, start + steps, 1.0)
    if node.backlogged:
        builder.add_entries(rows[1:], start + steps[:-1], -1.0)
        builder.add_to_sides(rows[:1], np.array([opening]))


def _add_served(builder: ProgramBuilder, node: NodeData, commodity: int) -> None:
    """Let the backlog rise by no more than the demand of the period.

    Left out where a rise beyond it could bring nothing: with nothing leading on and no floor
    under the stock, such a rise only holds stock against backlog at a cost.
    """
    start = builder.start(ColumnKind.SHORTAGE, node.id, commodity)
    if start is None:
        return
    steps = np.arange(builder.periods)
    upper = node.demand[commodity].copy()
    upper[0] += node.initial_backlog[commodity]
    rows = builder.add_rows(RowRule.SERVED, node.id, commodity, steps, upper=upper)
    builder.add_entries(rows, start + steps, 1.0)
    builder.add_entries(rows[1:], start + steps[:-1], -1.0)


def add_activities(builder: ProgramBuilder, data: NetworkData, balances: Balances) -> None:
    """Add the activities and their effects on balances."""
    steps = np.arange(data.periods)
    for activity in data.network.activities:
        start = builder.add_columns(
            ColumnKind.ACTIVITY,
            activity.id,
            -1,
            lower=over_periods(activity.lower, data.periods, -INF),
            upper=over_periods(activity.upper, data.periods, INF),
            cost=over_periods(activity.cost, data.periods, 0.0),
            integer=activity.integer,
        )
        for effect in activity.effects:
            first = balances.first(
                data.node_index[effect.node], data.commodity_index[effect.commodity]
            )
            amount = over_periods(effect.amount, data.periods, 0.0)
            lands = steps[steps + effect.lag < data.periods]
            builder.add_entries(first + lands + effect.lag, start + lands, amount[lands])
