"""Recheck of a plan against its network, sharing nothing with the code that builds the program.

Every balance, limit, lane rule and whole number is computed again from the plain values of the
network and the quantities of the plan, and the objective with them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Activity, Lane, Limit, Network, Node, Term
from bulkflow.core.outcome import Solution
from bulkflow.errors import VerificationError

__all__ = ["Breach", "CheckReport", "check_solution"]

FloatArray = NDArray[np.float64]

# Ten times the feasibility tolerance of the solvers, relative to the size of the quantities.
TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True)
class Breach:
    """A rule that a plan breaks, by how much; period from 1, None over the horizon."""

    rule: str
    ref: str
    commodity: str | None
    period: int | None
    amount: float

    def __str__(self) -> str:
        """Return the breach in words."""
        what = f"{self.rule} of {self.ref!r}"
        if self.commodity is not None:
            what += f", {self.commodity}"
        if self.period is not None:
            what += f", period {self.period}"
        return f"{what}: off by {self.amount:g}"


@dataclass(frozen=True, slots=True)
class CheckReport:
    """Every breach found, and the objective recomputed in the sense of the network."""

    objective: float
    breaches: tuple[Breach, ...]

    def raise_for_breaches(self) -> None:
        """Raise if the plan breaks any rule.

        Raises
        ------
        VerificationError
            Names the first five breaches.
        """
        if self.breaches:
            shown = "; ".join(str(breach) for breach in self.breaches[:5])
            raise VerificationError(f"the plan breaks {len(self.breaches)} rules: {shown}")


def check_solution(
    network: Network, solution: Solution, *, tolerance: float = TOLERANCE
) -> CheckReport:
    """Return what a plan breaks and what it costs.

    Parameters
    ----------
    tolerance : least excess that counts, relative to the size of the quantities compared
        (absolute below 1).
    """
    checker = _Checker(network, solution, tolerance)
    breaches = tuple(checker.breaches())
    return CheckReport(objective=checker.objective(), breaches=breaches)


def _table(value: object, network: Network, left_out: float, absent: float = 0.0) -> FloatArray:
    """Return any value as commodities x periods."""
    names, last = list(network.commodities), network.periods
    table = np.full((len(names), last), absent, dtype=float)
    if value is None:
        return table
    for position, name in enumerate(names):
        part = value.get(name, left_out) if isinstance(value, Mapping) else value
        table[position] = part
    return table


def _series(value: object, last: int, absent: float) -> FloatArray:
    """Return a number or one per period as an array over periods."""
    return np.zeros(last) + (absent if value is None else np.asarray(value, dtype=float))


class _Checker:
    def __init__(self, network: Network, solution: Solution, tolerance: float) -> None:
        self.network, self.plan, self.tolerance = network, solution, tolerance
        self.names, self.last = list(network.commodities), network.periods
        self.shape = (len(self.names), self.last)
        self._lanes = {lane.id: lane for lane in network.lanes}

    # Parts ----------------------------------------------------------------------------------

    def _over(
        self,
        rule: str,
        ref: str,
        left: FloatArray,
        right: FloatArray,
        scale: FloatArray | float = 0.0,
    ) -> Iterator[Breach]:
        """Yield a breach wherever left exceeds right, (T,) or (K, T)."""
        size = np.maximum(np.abs(left), np.where(np.isfinite(right), np.abs(right), 0.0))
        allowed = self.tolerance * np.maximum(1.0, np.maximum(size, scale))
        with np.errstate(invalid="ignore"):
            excess = left - right
        for place in np.argwhere(~(excess <= allowed)):
            commodity = self.names[place[0]] if len(place) == 2 else None
            yield Breach(rule, ref, commodity, int(place[-1]) + 1, float(excess[tuple(place)]))

    def _carried(self, lane: Lane) -> FloatArray:
        """Return 1 for the commodities a lane may carry, (K, 1)."""
        allowed = self.names if lane.commodities is None else lane.commodities
        return np.array([[float(name in allowed)] for name in self.names])

    def _arrival(self, lane: Lane) -> NDArray[np.int64]:
        lead = np.zeros(self.last, dtype=np.int64) + np.asarray(lane.lead_time, dtype=np.int64)
        return np.arange(self.last) + lead

    def _shortage(self, node: Node) -> FloatArray:
        return self.plan.shortage.get(node.id, np.zeros(self.shape))

    def _backlogged(self, node: Node) -> bool:
        return node.demand is not None and str(node.demand.shortage) == "backlogged"

    # Rules ---------------------------------------------------------------------------------

    def breaches(self) -> Iterator[Breach]:
        yield from self._signs()
        for lane in self.network.lanes:
            yield from self._lane(lane)
        for node in self.network.nodes:
            yield from self._node(node)
        for activity in self.network.activities:
            yield from self._activity(activity)
        yield from self._balances()
        for limit in self.network.limits:
            yield from self._limit(limit)

    def _signs(self) -> Iterator[Breach]:
        tables = {
            "flow": self.plan.flow,
            "stock": self.plan.stock,
            "supply": self.plan.supply,
            "sales": self.plan.sales,
            "shortage": self.plan.shortage,
            "used": self.plan.used,
            "vehicles": self.plan.vehicles,
        }
        for kind, table in tables.items():
            for ref, values in table.items():
                yield from self._over(f"sign of {kind}", ref, -values, np.zeros(values.shape))

    def _lane(self, lane: Lane) -> Iterator[Breach]:
        flow = self.plan.flow[lane.id]
        total = flow.sum(axis=0)
        none = np.zeros(self.shape)
        yield from self._over(
            "commodities", lane.id, flow, np.where(self._carried(lane) > 0, np.inf, none)
        )
        may_send = np.ones(self.last, dtype=bool)
        if not lane.may_arrive_after_horizon:
            may_send = self._arrival(lane) < self.last
        yield from self._over("arrival", lane.id, total, np.where(may_send, np.inf, 0.0))
        if isinstance(lane.capacity, Mapping):
            most = _table(lane.capacity, self.network, np.inf)
            yield from self._over("capacity", lane.id, flow, most)
        else:
            yield from self._over(
                "capacity", lane.id, total, _series(lane.capacity, self.last, np.inf)
            )
        if isinstance(lane.min_flow, Mapping):
            least = _table(lane.min_flow, self.network, 0.0) * may_send
            yield from self._over("min_flow", lane.id, least, flow)
        else:
            least = _series(lane.min_flow, self.last, 0.0) * may_send
            yield from self._over("min_flow", lane.id, least, total)
        yield from self._on_off(lane, total)
        yield from self._vehicles(lane, total)

    def _on_off(self, lane: Lane, total: FloatArray) -> Iterator[Breach]:
        floor = _series(lane.min_if_used, self.last, 0.0)
        carries = total > self.tolerance * np.maximum(1.0, floor)
        yield from self._over("min_if_used", lane.id, np.where(carries, floor, 0.0), total)
        if lane.id in self.plan.used:
            used = self.plan.used[lane.id]
            whole = np.abs(used - np.round(used))
            yield from self._over("whole used", lane.id, whole, np.zeros(self.last))
            yield from self._over("used", lane.id, carries.astype(float), used)
            yield from self._over("used", lane.id, used, np.ones(self.last))

    def _vehicles(self, lane: Lane, total: FloatArray) -> Iterator[Breach]:
        vehicle = lane.vehicle
        if vehicle is None:
            return
        count = self.plan.vehicles[lane.id]
        off = np.abs(count - np.round(count))
        yield from self._over("whole vehicles", lane.id, off, np.zeros(self.last))
        capacity = _series(vehicle.capacity, self.last, 0.0)
        fill = _series(vehicle.min_fill, self.last, 0.0)
        yield from self._over("vehicle capacity", lane.id, total, capacity * count)
        yield from self._over("vehicle min_fill", lane.id, fill * count, total)
        most = _series(vehicle.max_count, self.last, np.inf)
        least = _series(vehicle.min_count, self.last, 0.0)
        yield from self._over("vehicle max_count", lane.id, count, most)
        yield from self._over("vehicle min_count", lane.id, least, count)

    def _node(self, node: Node) -> Iterator[Breach]:
        if node.stock is not None:
            yield from self._stock(node)
        if node.supply is not None:
            fixed = _table(node.supply.exactly, self.network, 0.0)
            unlimited = node.supply.at_most is None and node.supply.exactly is None
            free = _table(node.supply.at_most, self.network, 0.0, np.inf if unlimited else 0.0)
            taken = self.plan.supply[node.id]
            yield from self._over("supply at_most", node.id, taken, fixed + free)
            yield from self._over("supply exactly", node.id, fixed, taken)
        if node.demand is not None:
            unlimited = node.demand.at_most is None and node.demand.exactly is None
            most = _table(node.demand.at_most, self.network, 0.0, np.inf if unlimited else 0.0)
            yield from self._over("sales at_most", node.id, self.plan.sales[node.id], most)
            yield from self._shortages(node)

    def _stock(self, node: Node) -> Iterator[Breach]:
        stock = node.stock
        if stock is None:
            return
        closing = self.plan.stock[node.id]
        most = _table(stock.at_most, self.network, np.inf, np.inf)
        least = _table(stock.at_least, self.network, 0.0)
        yield from self._over("stock at_most", node.id, closing, most)
        yield from self._over("stock at_least", node.id, least, closing)
        exact, floor = stock.final_exactly, stock.final_at_least
        for position, name in enumerate(self.names):
            end = closing[position, -1:]
            target = exact.get(name) if isinstance(exact, Mapping) else exact
            if target is not None:
                off, none = np.abs(end - target), np.zeros(1)
                yield from self._over("final_exactly", node.id, off, none, abs(target))
            lowest = floor.get(name, 0.0) if isinstance(floor, Mapping) else floor
            if lowest is not None:
                yield from self._over("final_at_least", node.id, np.array([lowest]), end)

    def _shortages(self, node: Node) -> Iterator[Breach]:
        demand = node.demand
        if demand is None:
            return
        short = self._shortage(node)
        asked = _table(demand.exactly, self.network, 0.0)
        if demand.shortage_cost is None:
            yield from self._over("demand exactly", node.id, short, np.zeros(self.shape))
        yield from self._over("shortage", node.id, self._rise(node), asked)

    def _rise(self, node: Node) -> FloatArray:
        """Return what goes short in each period: lost, or the rise of the backlog."""
        short = self._shortage(node)
        if not self._backlogged(node) or node.demand is None:
            return short
        opening = _table(node.demand.initial_backlog, self.network, 0.0)[:, :1]
        return np.diff(short, axis=1, prepend=opening)

    def _activity(self, activity: Activity) -> Iterator[Breach]:
        level = self.plan.activity[activity.id]
        lower = _series(activity.lower, self.last, -np.inf)
        upper = _series(activity.upper, self.last, np.inf)
        yield from self._over("lower", activity.id, lower, level)
        yield from self._over("upper", activity.id, level, upper)
        if activity.integer:
            off = np.abs(level - np.round(level))
            yield from self._over("whole level", activity.id, off, np.zeros(self.last))

    def _balances(self) -> Iterator[Breach]:
        surplus = {node.id: np.zeros(self.shape) for node in self.network.nodes}
        size = {node.id: np.zeros(self.shape) for node in self.network.nodes}

        def put(node: str, amount: FloatArray) -> None:
            surplus[node] += amount
            size[node] = np.maximum(size[node], np.abs(amount))

        for node in self.network.nodes:
            self._put_node(node, put)
        for lane in self.network.lanes:
            sent = self.plan.flow[lane.id]
            put(lane.from_node, -sent)
            arriving = np.zeros(self.shape)
            gained = sent * _table(lane.gain, self.network, 1.0, 1.0)
            for period, arrival in enumerate(self._arrival(lane)):
                if arrival < self.last:
                    arriving[:, arrival] += gained[:, period]
            put(lane.to_node, arriving)
        for activity in self.network.activities:
            level = self.plan.activity[activity.id]
            for effect in activity.effects:
                amount = np.zeros(self.shape)
                made = level * _series(effect.amount, self.last, 0.0)
                kept = self.last - effect.lag
                if kept > 0:
                    amount[self.names.index(effect.commodity), effect.lag :] = made[:kept]
                put(effect.node, amount)
        for name, rest in surplus.items():
            yield from self._over("balance", name, np.abs(rest), np.zeros(self.shape), size[name])

    def _put_node(self, node: Node, put: object) -> None:
        if not callable(put):
            return
        if node.supply is not None:
            put(node.id, self.plan.supply[node.id])
        if node.stock is not None:
            closing = self.plan.stock[node.id]
            opening = _table(node.stock.initial, self.network, 0.0)[:, :1]
            put(node.id, -closing)
            put(node.id, np.concatenate([opening, closing[:, :-1]], axis=1))
        if node.demand is not None:
            put(node.id, -_table(node.demand.exactly, self.network, 0.0))
            put(node.id, -self.plan.sales[node.id])
            put(node.id, self._rise(node))

    def _limit(self, limit: Limit) -> Iterator[Breach]:
        rows = np.zeros(self.last)
        size = np.zeros(self.last)
        for term in limit.terms:
            counted = self._counted(term)
            times = _series(term.times, self.last, 1.0)
            part = times * self._windows(counted, term)
            rows += part
            size = np.maximum(size, np.abs(part))
        within = np.ones(self.last, dtype=bool)
        if limit.periods is not None:
            within = np.isin(np.arange(self.last) + 1, limit.periods)
        if limit.over_horizon:
            rows, size = np.array([rows[within].sum()]), np.array([size[within].max(initial=0.0)])
            within = np.array([True])
        least = limit.exactly if limit.exactly is not None else limit.at_least
        most = limit.exactly if limit.exactly is not None else limit.at_most
        low = np.where(within, _series(least, len(rows), -np.inf), -np.inf)
        high = np.where(within, _series(most, len(rows), np.inf), np.inf)
        yield from self._over("limit", limit.id, rows, high, size)
        yield from self._over("limit", limit.id, low, rows, size)

    def _windows(self, counted: FloatArray, term: Term) -> FloatArray:
        """Return, for each period t, the sum over the periods t - lag_last to t - lag_first."""
        running = np.concatenate([[0.0], np.cumsum(counted)])
        now = np.arange(self.last)
        begin = np.clip(now - term.lag_last, 0, self.last)
        end = np.maximum(begin, np.clip(now - term.lag_first + 1, 0, self.last))
        return np.asarray(running[end] - running[begin])

    def _counted(self, term: Term) -> FloatArray:
        """Return the quantity a term counts in each period."""
        kind = str(term.kind)
        if kind == "in_transit":
            arrival = self._arrival(self._lanes[term.ref])
            now = np.arange(self.last)[:, None]
            under_way = (now >= now.T) & (now < arrival[None, :])
            sent = self._narrowed(self.plan.flow[term.ref], term)
            return np.asarray(under_way.astype(float) @ sent)
        table: Mapping[str, FloatArray] = getattr(self.plan, kind)
        if kind == "used" and term.ref not in table:
            carries = self.plan.flow[term.ref].sum(axis=0) > self.tolerance
            return np.asarray(carries, dtype=float)
        values = table[term.ref]
        return values if values.ndim == 1 else self._narrowed(values, term)

    def _narrowed(self, values: FloatArray, term: Term) -> FloatArray:
        if term.commodity is None:
            return np.asarray(values.sum(axis=0))
        return np.asarray(values[self.names.index(term.commodity)])

    # Objective -----------------------------------------------------------------------------

    def objective(self) -> float:
        """Return cost less revenue, or revenue less cost, with the constant."""
        cost = sum(self._lane_cost(lane) for lane in self.network.lanes)
        cost += sum(self._node_cost(node) for node in self.network.nodes)
        for activity in self.network.activities:
            level = self.plan.activity[activity.id]
            cost += float((level * _series(activity.cost, self.last, 0.0)).sum())
        sign = -1.0 if str(self.network.sense) == "maximise" else 1.0
        return sign * cost + self.network.objective_constant

    def _lane_cost(self, lane: Lane) -> float:
        flow = self.plan.flow[lane.id]
        cost = float((flow * _table(lane.unit_cost, self.network, 0.0)).sum())
        if lane.fixed_cost is not None and lane.id in self.plan.used:
            fixed = _series(lane.fixed_cost, self.last, 0.0)
            cost += float((self.plan.used[lane.id] * fixed).sum())
        if lane.vehicle is not None:
            each = _series(lane.vehicle.cost, self.last, 0.0)
            cost += float((self.plan.vehicles[lane.id] * each).sum())
        return cost

    def _node_cost(self, node: Node) -> float:
        cost = 0.0
        if node.stock is not None:
            holding = _table(node.stock.holding_cost, self.network, 0.0)
            cost += float((self.plan.stock[node.id] * holding).sum())
        if node.supply is not None:
            fixed = _table(node.supply.exactly, self.network, 0.0)
            each = _table(node.supply.unit_cost, self.network, 0.0)
            cost += float(((self.plan.supply[node.id] - fixed) * each).sum())
        if node.demand is not None:
            revenue = _table(node.demand.unit_revenue, self.network, 0.0)
            short = _table(node.demand.shortage_cost, self.network, 0.0)
            cost -= float((self.plan.sales[node.id] * revenue).sum())
            cost += float((self._shortage(node) * short).sum())
        return cost
