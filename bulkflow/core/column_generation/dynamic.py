"""The best plan of every item at given prices: a dynamic program over a grid of positions.

The position of an item is what it has had in all (opening stock less opening backlog, plus what
has arrived); less the demand so far it is the stock, or where negative the backlog. Nodes of the
grid are whole multiples of a fraction of one vehicle above the opening position. Going back in
time, sending k vehicles is a sliding minimum over the nodes they can reach, for all items at once.

Two roundings of the same data:

``inner``: nodes are real positions, costs exact at them, fills rounded inwards. Every path is a
plan of the item, so values are costs of plans.

``outer``: kinks of the cost are moved down to a node, fills and rooms rounded outwards. For given
counts what remains is a problem whose breakpoints and bounds all lie on nodes, with differences
of positions only in its rows, so a best path runs over nodes; and it costs no more than the true
best. Values are bounds, up to the cost of part of a node.

Backlogs deeper than the grid reaches are priced from below (`_deep`), so bounds hold whatever is
cut. Costs must not reward holding stock against a backlog; where prices do, the bound is -inf.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.column_generation.subproblems import Subproblem

__all__ = ["Grid", "SubproblemPlans"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# How many vehicles deep a backlog the grid follows.
_DEPTH = 3.0
# Rounding noise in grid units: what is closer to a node is on it.
_NEAR = 1e-6


@dataclass(frozen=True, slots=True)
class SubproblemPlans:
    """Plans of items: numbers of vehicles and units arriving, (N, operations)."""

    counts: FloatArray
    amounts: FloatArray


@dataclass(slots=True)
class _Operation:
    """Sending k vehicles in one period, for those items that can, with equal windows.

    Parameters
    ----------
    rows : places of the items in the grid; slots : which sending of each.
    low, high : nodes that one vehicle moves; fewest, rounds : least count, most repetitions.
    flows, vehicles : columns to price; gains : (rows,).
    """

    rows: IntArray
    slots: IntArray
    low: int
    high: int
    fewest: int
    rounds: int
    flows: IntArray
    vehicles: IntArray
    gains: FloatArray


@dataclass(slots=True)
class _Step:
    """An operation as it was applied: the values it led to, and the most vehicles that paid."""

    operation: _Operation
    period: int
    after: FloatArray
    used: int = 0


class Grid:
    """Items of a program on grids of ``nodes_per_vehicle``, ready to be priced again and again.

    Parameters
    ----------
    outer : round outwards (values are bounds) or inwards (values are costs of plans).
    """

    def __init__(
        self, items: list[Subproblem], periods: int, nodes_per_vehicle: int, *, outer: bool
    ) -> None:
        self.items, self.periods, self.outer = items, periods, outer
        largest = np.array([max(one.most for one in item.sendings) for item in items])
        self.unit = largest / nodes_per_vehicle
        self.position = np.array([item.position for item in items])
        self.owed = np.array([item.closing_takes_owed for item in items])
        asked = np.array([np.cumsum(item.needs) for item in items]).reshape(len(items), periods)
        self.zero = (asked - self.position[:, None]) / self.unit[:, None]
        self.kink = self._down(self.zero) if outer else self.zero
        self._lay_windows(nodes_per_vehicle)
        self.stages = [self._operations(period) for period in range(periods + 1)]
        self.cells = len(items) * self.width

    def _down(self, values: FloatArray) -> FloatArray:
        return np.floor(values + _NEAR)

    # The window of nodes of each period ----------------------------------------------------

    def _lay_windows(self, nodes_per_vehicle: int) -> None:
        items, periods = self.items, self.periods
        room = np.array([item.room for item in items])
        before = np.array([item.arrival_room for item in items])
        asked = self.zero * self.unit[:, None] + self.position[:, None]
        earlier = np.concatenate([np.zeros((len(items), 1)), asked[:, :-1]], axis=1)
        held = np.maximum(asked + room, asked)
        arriving = np.maximum(earlier + before, self.position[:, None])
        top = (np.minimum(held, arriving) - self.position[:, None]) / self.unit[:, None]
        top = np.ceil(top - _NEAR) if self.outer else np.floor(top + _NEAR)
        enough = np.max(self.zero, axis=1) + self._extra_need() + 2.0 * nodes_per_vehicle
        enough += [
            sum(one.fewest * one.most for one in item.sendings) for item in items
        ] / self.unit
        self.cut_above = bool((top > enough[:, None]).any())
        # What is there at the start may lie above every limit; it is not held to them.
        self.top = np.maximum(np.minimum(top, enough[:, None]), 0.0)
        late = any(one.arrival >= periods for item in items for one in item.sendings)
        self.cut_above |= late
        last = enough if late else self.top[:, -1]
        tops = np.concatenate([self.top, np.maximum(last, self.top[:, -1])[:, None]], axis=1)
        deep = _DEPTH * nodes_per_vehicle
        low = np.concatenate([self.zero, self.zero[:, -1:]], axis=1) - deep
        self.offset = np.maximum(np.floor(low), 0.0).astype(np.int64)
        self.offset[:, 0] = 0
        self.width = int(np.max(tops - self.offset)) + 2
        self.deepest = (self.zero - self.offset[:, :-1]) * self.unit[:, None]

    def _extra_need(self) -> FloatArray:
        most = [
            max(0.0, item.closing, float(np.max(item.floors)), float(np.max(item.least)))
            for item in self.items
        ]
        return np.array(most) / self.unit

    def _operations(self, period: int) -> list[_Operation]:
        """Return the sendings that arrive in a period, grouped by what one vehicle moves."""
        rounds: dict[int, dict[tuple[int, int, int, int], list[tuple[int, int]]]] = {}
        for row, item in enumerate(self.items):
            turn = 0
            for slot, one in enumerate(item.sendings):
                if one.arrival != period:
                    continue
                low, high = one.least / self.unit[row], one.most / self.unit[row]
                if self.outer:
                    low, high = np.floor(low + _NEAR), np.ceil(high - _NEAR)
                else:
                    low, high = np.ceil(low - _NEAR), np.floor(high + _NEAR)
                if high < low or high < 1:
                    continue
                reach = self.width // max(1, int(low)) + 1
                most = int(min(one.greatest, reach))
                key = (int(low), int(high), int(np.ceil(one.fewest - _NEAR)), most)
                rounds.setdefault(turn, {}).setdefault(key, []).append((row, slot))
                turn += 1
        return [
            self._operation(key, pairs)
            for turn in sorted(rounds)
            for key, pairs in sorted(rounds[turn].items())
        ]

    def _operation(
        self, key: tuple[int, int, int, int], pairs: list[tuple[int, int]]
    ) -> _Operation:
        sendings = [self.items[row].sendings[slot] for row, slot in pairs]
        return _Operation(
            rows=np.array([row for row, _ in pairs]),
            slots=np.array([slot for _, slot in pairs]),
            low=key[0],
            high=key[1],
            fewest=key[2],
            rounds=key[3],
            flows=np.array([one.flow for one in sendings]),
            vehicles=np.array([one.vehicles for one in sendings]),
            gains=np.array([one.gain for one in sendings]),
        )

    # Values --------------------------------------------------------------------------------

    def values(self, prices: FloatArray) -> FloatArray:
        """Return the value of every item at the prices of the program's columns, (N,)."""
        return self._backward(prices, None)

    def plans(self, prices: FloatArray) -> tuple[FloatArray, SubproblemPlans]:
        """Return the values and a best plan of every item (``inner`` grids)."""
        kept: list[_Step] = []
        values = self._backward(prices, kept)
        return values, self._forward(prices, kept)

    def _backward(self, prices: FloatArray, kept: list[_Step] | None) -> FloatArray:
        steps = np.arange(self.width)
        costs = _Costs(self, prices)
        value = costs.closing(self.offset[:, -1][:, None] + steps)
        for operation in self.stages[self.periods]:
            self._apply(value, operation, prices, kept, self.periods)
        value = self._shifted(value, self.offset[:, -1], self.offset[:, self.periods - 1])
        for period in range(self.periods - 1, -1, -1):
            nodes = self.offset[:, period][:, None] + steps
            if period == self.periods - 1:
                self._flatten(value, period, costs.none_left_too_dear)
            costs.add(value, period, nodes)
            for operation in self.stages[period]:
                self._apply(value, operation, prices, kept, period)
            if period:
                value = self._shifted(value, self.offset[:, period], self.offset[:, period - 1])
        start = value[:, 0]
        return np.minimum(start, costs.deep()) if self.outer else start

    def _flatten(self, value: FloatArray, period: int, too_dear: FloatArray) -> None:
        """Let what follows a backlog at the end cost what it costs from no stock.

        Not where the closing target counts what is owed: there a backlog is less than no stock.
        """
        zero = self.kink[:, period].astype(np.int64) if self.outer else self._none_left()
        place = np.clip(zero - self.offset[:, period], 0, self.width - 1)
        steps = np.arange(self.width)
        level = np.take_along_axis(value, place[:, None], axis=1) - too_dear[:, None]
        below = (steps[None, :] < place[:, None]) & ~self.owed[:, None]
        np.copyto(value, level, where=below)

    def _shifted(self, value: FloatArray, old: IntArray, new: IntArray) -> FloatArray:
        """Return values on the window of another period; nodes outside cost infinity."""
        shift = new - old
        if not shift.any():
            return value
        place = np.arange(self.width)[None, :] + shift[:, None]
        outside = (place < 0) | (place >= self.width)
        moved = np.take_along_axis(value, np.clip(place, 0, self.width - 1), axis=1)
        moved[outside] = np.inf
        return moved

    def _apply(
        self,
        value: FloatArray,
        operation: _Operation,
        prices: FloatArray,
        kept: list[_Step] | None,
        period: int,
    ) -> None:
        """Let the items of an operation send; ``value`` is changed in place."""
        everyone = len(operation.rows) == len(value)
        before = value if everyone else value[operation.rows]
        step = _Step(operation, period, before.copy() if kept is not None else before)
        unit = self.unit[operation.rows]
        per_node = (prices[operation.flows] / operation.gains * unit)[:, None]
        per_vehicle = prices[operation.vehicles][:, None]
        slope = per_node * np.arange(self.width)[None, :]
        best = before
        for _ in range(operation.fewest):
            best = per_vehicle - slope + self._window(best + slope, operation)
        for step.used in range(operation.fewest, operation.rounds):
            sent = per_vehicle - slope + self._window(best + slope, operation)
            better = sent < best
            if not better.any():
                break
            best = np.where(better, sent, best)
        else:
            step.used = operation.rounds
        value[operation.rows] = best
        if kept is not None:
            kept.append(step)

    def _window(self, values: FloatArray, operation: _Operation) -> FloatArray:
        """Return the least of ``values[:, j + low .. j + high]`` at every j."""
        count = operation.high - operation.low + 1
        width = self.width
        padded = np.full((len(values), width + count), np.inf)
        if operation.low < width:
            padded[:, : width - operation.low] = values[:, operation.low :]
        span = 1
        while span * 2 <= count:
            padded = np.minimum(padded[:, :-span], padded[:, span:])
            span *= 2
        if count > span:
            rest = count - span
            padded = np.minimum(padded[:, :-rest], padded[:, rest:])
        return padded[:, :width]

    # The way forward -----------------------------------------------------------------------

    def _forward(self, prices: FloatArray, kept: list[_Step]) -> SubproblemPlans:
        most = max(len(item.sendings) for item in self.items)
        counts = np.zeros((len(self.items), most))
        amounts = np.zeros((len(self.items), most))
        node = np.zeros(len(self.items), dtype=np.int64)
        for step in reversed(kept):
            operation, rows = step.operation, step.operation.rows
            if step.period == self.periods:
                node = np.where(self.owed, node, np.maximum(node, self._none_left()))
            place = node[rows] - self.offset[rows, step.period]
            k, moved = self._best_step(step, place, prices)
            node[rows] += moved
            counts[rows, operation.slots] = k
            amounts[rows, operation.slots] = moved * self.unit[rows]
        return SubproblemPlans(counts, amounts)

    def _none_left(self) -> IntArray:
        """Return the node of no stock at the end: a backlog there is followed as from it."""
        return np.asarray(np.ceil(self.zero[:, -1] - _NEAR), dtype=np.int64)

    def _best_step(
        self, step: _Step, place: IntArray, prices: FloatArray
    ) -> tuple[IntArray, IntArray]:
        """Return how many vehicles each item sends from its place, and how many nodes they move."""
        operation, after = step.operation, step.after
        rows = np.arange(len(place))
        per_node = prices[operation.flows] / operation.gains * self.unit[operation.rows]
        per_vehicle = prices[operation.vehicles]
        inside = (place >= 0) & (place < self.width)
        best = np.where(inside, after[rows, np.clip(place, 0, self.width - 1)], np.inf)
        if operation.fewest:
            best[:] = np.inf
        count, moved = np.zeros(len(place), dtype=np.int64), np.zeros(len(place), dtype=np.int64)
        for k in range(max(1, operation.fewest), step.used + 1):
            move = np.arange(k * operation.low, k * operation.high + 1)
            target = place[:, None] + move[None, :]
            reached = np.take_along_axis(after, np.clip(target, 0, self.width - 1), axis=1)
            reached = np.where((target >= 0) & (target < self.width), reached, np.inf)
            total = reached + per_node[:, None] * move[None, :]
            least = np.argmin(total, axis=1)
            cost = total[rows, least] + k * per_vehicle
            better = cost < best
            best = np.where(better, cost, best)
            count = np.where(better, k, count)
            moved = np.where(better, move[least], moved)
        return count, moved


class _Costs:
    """Costs of positions at given prices."""

    def __init__(self, grid: Grid, prices: FloatArray) -> None:
        self.grid, self.prices = grid, prices
        items, steps = grid.items, np.arange(grid.periods)
        self.holding = np.array([prices[item.stock + steps] for item in items])
        self.short = np.array(
            [
                prices[item.shortage + steps]
                if item.shortage >= 0 and not item.lost
                else np.full(grid.periods, np.inf)
                for item in items
            ]
        )
        self.floors = np.array([item.floors for item in items])
        self.floor_prices = np.array(
            [np.where(item.floor_slacks >= 0, prices[item.floor_slacks], 0.0) for item in items]
        )
        if grid.outer:
            # Stock can be held for a floor against a backlog, at what both cost in a period; at the
            # end the same stock can serve floor and closing target.
            held_back = self.short + self.holding
            self.floor_prices = np.minimum(self.floor_prices, held_back)
            left = np.maximum(held_back[:, -1] - self._closing_prices(), 0.0)
            both = np.where(grid.owed, np.inf, left)
            self.floor_prices[:, -1] = np.minimum(self.floor_prices[:, -1], both)
            self.most_for_closing = np.where(grid.owed, np.inf, held_back[:, -1])
        else:
            self.most_for_closing = np.full(len(items), np.inf)
        self.least = np.array([item.least for item in items])
        self.hard = np.isinf(self.short)
        # Stock held against a backlog must not pay, nor a floor's slack.
        self.sound = (np.where(self.hard, 0.0, self.short) + self.holding >= -1e-12).all(axis=1)
        self.sound &= (self.floor_prices >= 0).all(axis=1)
        self.least_cost = np.zeros(len(items))

    def _closing_prices(self) -> FloatArray:
        return np.array(
            [
                self.prices[item.closing_slack] if item.closing_slack >= 0 else 0.0
                for item in self.grid.items
            ]
        )

    def closing(self, nodes: IntArray) -> FloatArray:
        """Return the cost of missing the closing target at final positions, (N, W)."""
        grid = self.grid
        target = np.array([item.closing for item in grid.items])
        prices = self._closing_prices()
        self.sound &= prices >= 0
        prices = np.minimum(prices, np.maximum(self.most_for_closing, 0.0))
        self.closing_prices = prices
        aim = np.where(np.isfinite(target), target, 0.0) / grid.unit
        zero = grid.zero[:, -1]
        kink = zero + aim
        self.none_left_too_dear = np.zeros(len(grid.items))
        if grid.outer:
            kink = np.floor(kink + _NEAR)
            # From the node of no stock the target may lie further up than it does from no stock.
            further = np.maximum(kink - np.floor(zero + _NEAR) - aim, 0.0)
            self.none_left_too_dear = further * grid.unit * prices
        missing = np.maximum(kink[:, None] - nodes, 0.0)
        self.final = np.asarray(missing * (prices * grid.unit)[:, None])
        return self.final.copy()

    def add(self, value: FloatArray, period: int, nodes: IntArray) -> None:
        """Add what positions cost at the end of a period; what is not allowed costs infinity."""
        grid = self.grid
        unit = grid.unit[:, None]
        zero, kink = grid.zero[:, period][:, None], grid.kink[:, period][:, None]
        holding = self.holding[:, period][:, None]
        hard = self.hard[:, period][:, None]
        short = np.where(hard, 0.0, self.short[:, period][:, None])
        stock = np.maximum(nodes, kink) - zero
        cost = holding * stock * unit
        cost += short * np.maximum(kink - nodes, 0.0) * unit
        floor = self.floors[:, period]
        if np.isfinite(floor).any():
            cost += self._floor_cost(period, nodes, kink)
        self.least_cost += np.min(cost, axis=1)
        value += cost
        allowed = nodes <= grid.top[:, period][:, None]
        lowest = kink if grid.outer else np.ceil(zero - _NEAR)
        lowest = lowest + self._least_nodes(period)
        allowed &= ~hard | (nodes >= lowest)
        value[~allowed] = np.inf

    def _least_nodes(self, period: int) -> FloatArray:
        nodes = self.least[:, period] / self.grid.unit
        rounded = np.floor(nodes + _NEAR) if self.grid.outer else np.ceil(nodes - _NEAR)
        return np.asarray(rounded)[:, None]

    def _floor_cost(self, period: int, nodes: IntArray, kink: FloatArray) -> FloatArray:
        grid = self.grid
        floor = np.where(np.isfinite(self.floors[:, period]), self.floors[:, period], 0.0)
        nodes_floor = floor / grid.unit
        if grid.outer:
            nodes_floor = np.floor(nodes_floor + _NEAR)
        held = np.maximum(nodes, kink) - kink
        price = (self.floor_prices[:, period] * grid.unit)[:, None]
        missing = np.maximum(nodes_floor[:, None] - held, 0.0)
        return np.asarray(price * missing)

    def deep(self) -> FloatArray:
        """Return what any plan costs at least whose backlog goes below the grid, (N,).

        With q the least cost of a unit over all sendings (vehicles spread over what they bring), a
        plan costs at least q for each unit of the final position above the opening one, the least
        cost of a position in every period, and the backlog below the grid.
        """
        grid = self.grid
        out = np.full(len(grid.items), np.inf)
        for row, item in enumerate(grid.items):
            if not self.sound[row]:
                out[row] = -np.inf
                continue
            unit_cost = self._least_unit_cost(item)
            if grid.cut_above and (unit_cost < 0 or (self.holding[row] < 0).any()):
                out[row] = -np.inf
                continue
            cut = grid.offset[row, :-1] > 0
            if not cut.any():
                continue
            if not np.isfinite(unit_cost):
                out[row] = -np.inf
                continue
            nodes = grid.offset[row, -1] + np.arange(grid.width)
            below = np.arange(0, grid.offset[row, -1] + 1)
            final = float(np.min(unit_cost * nodes * grid.unit[row] + self.final[row]))
            final = min(final, self._below(row, unit_cost, below))
            depth = np.min((self.short[row] * (grid.deepest[row] - grid.unit[row]))[cut])
            out[row] = final + self.least_cost[row] + depth
        return out

    def _below(self, row: int, unit_cost: float, nodes: IntArray) -> float:
        """Return the least of unit cost and closing cost below the window (both are linear)."""
        grid = self.grid
        ends = np.array([nodes[0], nodes[-1]])
        at_bottom = self.final[row, 0]
        price = float(self.closing_prices[row])
        rise = price * (ends[-1] - ends) * grid.unit[row]
        least = np.min(unit_cost * ends * grid.unit[row] + at_bottom + rise)
        return float(least - abs(price * grid.unit[row]))

    def _least_unit_cost(self, item: Subproblem) -> float:
        least = np.inf
        for one in item.sendings:
            per_unit = self.prices[one.flow] / one.gain
            per_vehicle = self.prices[one.vehicles]
            costs = [per_unit + per_vehicle / one.most]
            if one.least > 0:
                costs.append(per_unit + per_vehicle / one.least)
            elif per_vehicle < 0:
                return -np.inf
            least = min(least, *costs)
        return float(least)
