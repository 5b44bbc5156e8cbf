"""The most that a lane can carry in a period: the smallest valid factor of its on/off link.

Three sources, each valid by itself; the smallest wins:

- what the lane says: capacity, vehicles;
- what can exist: opening stock, supply and production up to the period, times the gain of the
  best way (on lanes that nothing can pass twice in one period);
- what the far end can absorb: demand, open backlog, sales and room in the period of arrival
  (where nothing leads on from it), or, if no plan can profit from carrying more
  (`_surplus_is_idle`), all demand still to come and closing targets behind it.

The last of these may cut off plans, but never all the best ones. All others cut off nothing.
"""

from __future__ import annotations

from collections import defaultdict

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Limit, TermKind
from bulkflow.core.values import LaneData, NetworkData, over_periods

__all__ = ["LaneLimits", "stated_most"]

FloatArray = NDArray[np.float64]
INF = float("inf")


def stated_most(lane: LaneData) -> FloatArray:
    """Return what the lane itself allows in each period, (T,); zero where it may not send."""
    most = np.minimum(lane.capacity_sum, lane.capacity_each.sum(axis=0))
    if lane.vehicle_capacity is not None and lane.vehicles_most is not None:
        with np.errstate(invalid="ignore"):
            by_vehicles = lane.vehicle_capacity * lane.vehicles_most
        most = np.fmin(most, np.where(lane.vehicle_capacity == 0, 0.0, by_vehicles))
    return np.where(lane.may_send, most, 0.0)


class LaneLimits:
    """Derives the limits of lanes; what several lanes need is worked out once, when asked."""

    def __init__(self, data: NetworkData) -> None:
        self.data = data
        self._consumed, self._produced = self._activity_effects()
        self._lanes_of: dict[int, list[LaneData]] = defaultdict(list)
        for lane in data.lanes:
            for commodity in lane.carried:
                self._lanes_of[int(commodity)].append(lane)
        self._existing: dict[int, FloatArray] = {}
        self._repeating: dict[int, set[int]] = {}
        self._needs: dict[int, FloatArray | None] = {}

    def most(self, lane: LaneData, *, tighten: bool) -> FloatArray:
        """Return the most the lane can carry in each period, (T,); inf where nothing bounds it.

        Without ``tighten`` what the lane says is taken where it says something.
        """
        stated = stated_most(lane)
        if not tighten and np.isfinite(stated).all():
            return stated
        derived = np.zeros(self.data.periods)
        for place, commodity in enumerate(lane.carried):
            each = np.minimum(
                self._by_existence(lane, int(commodity)),
                self._by_absorption(lane, place, int(commodity)),
            )
            derived += np.minimum(each, lane.capacity_each[place])
        derived = np.where(lane.may_send, derived, 0.0)
        if tighten:
            return np.minimum(stated, derived)
        return np.where(np.isfinite(stated), stated, derived)

    def _activity_effects(self) -> tuple[set[tuple[int, int]], dict[tuple[int, int], FloatArray]]:
        """Return what activities may consume, and how much they can produce per period."""
        data = self.data
        consumed: set[tuple[int, int]] = set()
        produced: dict[tuple[int, int], FloatArray] = {}
        for activity in data.network.activities:
            lower = over_periods(activity.lower, data.periods, -INF)
            upper = over_periods(activity.upper, data.periods, INF)
            for effect in activity.effects:
                key = (data.node_index[effect.node], data.commodity_index[effect.commodity])
                amount = over_periods(effect.amount, data.periods, 0.0)
                with np.errstate(invalid="ignore"):
                    ends = np.nan_to_num(
                        np.stack([amount * lower, amount * upper]), nan=0.0, posinf=INF, neginf=-INF
                    )
                if (ends < 0).any():
                    consumed.add(key)
                gain = np.maximum(ends.max(axis=0), 0.0)
                produced[key] = produced.get(key, np.zeros(data.periods)) + gain
        return consumed, produced

    # What can exist ------------------------------------------------------------------------

    def _by_existence(self, lane: LaneData, commodity: int) -> FloatArray:
        if commodity not in self._existing:
            self._existing[commodity] = self._existence(commodity)
            self._repeating[commodity] = self._same_period_cycles(commodity)
        if lane.tail in self._repeating[commodity] and lane.head in self._repeating[commodity]:
            return np.full(self.data.periods, INF)
        return self._existing[commodity]

    def _existence(self, commodity: int) -> FloatArray:
        data = self.data
        entering = np.zeros(data.periods)
        for index, node in enumerate(data.nodes):
            entering += node.supply_most[commodity] + node.supply_fixed[commodity]
            entering += self._produced.get((index, commodity), 0.0)
            entering[0] += node.initial[commodity]
        with np.errstate(invalid="ignore"):
            return np.nan_to_num(np.cumsum(entering) * self._growth(commodity), posinf=INF)

    def _growth(self, commodity: int) -> float:
        """Return the most that gains on a way through the network can multiply a unit by."""
        graph: nx.DiGraph[int] = nx.DiGraph()
        for lane in self._lanes_of[commodity]:
            gain = float(lane.gain[int(np.flatnonzero(lane.carried == commodity)[0])].max())
            known = graph.get_edge_data(lane.tail, lane.head, {"gain": 1.0})["gain"]
            graph.add_edge(lane.tail, lane.head, gain=max(1.0, known, gain))
        if all(edge["gain"] == 1.0 for _, _, edge in graph.edges(data=True)):
            return 1.0
        if not nx.is_directed_acyclic_graph(graph):
            return INF
        growth: dict[int, float] = {}
        for node in nx.topological_sort(graph):
            before = [
                growth[tail] * float(edge["gain"])
                for tail, _, edge in graph.in_edges(node, data=True)
            ]
            growth[node] = max([1.0, *before])
        return max(growth.values())

    def _same_period_cycles(self, commodity: int) -> set[int]:
        """Return nodes that a unit can leave and reach again within one period."""
        graph: nx.DiGraph[int] = nx.DiGraph()
        for lane in self._lanes_of[commodity]:
            if (lane.arrival == np.arange(self.data.periods)).any():
                graph.add_edge(lane.tail, lane.head)
        nodes: set[int] = set()
        for part in nx.strongly_connected_components(graph):
            if len(part) > 1 or any(graph.has_edge(node, node) for node in part):
                nodes |= part
        return nodes

    # What the far end can absorb -----------------------------------------------------------

    def _by_absorption(self, lane: LaneData, place: int, commodity: int) -> FloatArray:
        data, node = self.data, self.data.nodes[lane.head]
        most = np.full(data.periods, INF)
        inside = lane.arrival < data.periods
        at = lane.arrival[inside]
        leads_on = any(other.tail == lane.head for other in self._lanes_of[commodity])
        if not leads_on and (lane.head, commodity) not in self._consumed:
            room = node.most[commodity] if node.stocked else np.zeros(data.periods)
            asked = node.demand[commodity]
            open_before = np.zeros(data.periods)
            if node.backlogged:
                open_before = node.initial_backlog[commodity] + np.cumsum(asked) - asked
            taken = asked + open_before + node.sales_most[commodity] + room
            most[inside] = taken[at] / lane.gain[place, inside]
        needs = self._needs_behind(commodity)
        if needs is not None:
            most[inside] = np.minimum(most[inside], needs[lane.head][at])
        return most

    def _needs_behind(self, commodity: int) -> FloatArray | None:
        """Return, node x period, all that may still be wanted from then on at or behind a node."""
        if commodity not in self._needs:
            idle = self._surplus_is_idle(commodity)
            self._needs[commodity] = self._needs_table(commodity) if idle else None
        return self._needs[commodity]

    def _needs_table(self, commodity: int) -> FloatArray:
        data = self.data
        own = np.zeros((len(data.nodes), data.periods))
        initial = 0.0
        for index, node in enumerate(data.nodes):
            wanted = node.demand[commodity] + node.sales_most[commodity]
            ahead = np.cumsum(wanted[::-1])[::-1]
            if node.backlogged:
                ahead = np.full(data.periods, wanted.sum() + node.initial_backlog[commodity])
            own[index] = ahead + node.least[commodity, -1]
            initial += float(node.initial[commodity])
        graph: nx.DiGraph[int] = nx.DiGraph()
        graph.add_nodes_from(range(len(data.nodes)))
        graph.add_edges_from((lane.tail, lane.head) for lane in self._lanes_of[commodity])
        table = np.empty_like(own)
        for index in range(len(data.nodes)):
            behind = [index, *nx.descendants(graph, index)]
            table[index] = own[behind].sum(axis=0) + initial
        return table

    def _surplus_is_idle(self, commodity: int) -> bool:
        """Tell whether some best plan carries nothing that is not wanted.

        A plan splits into paths from supply to where the quantity ends. A path from optional
        supply to surplus closing stock can be taken out of the plan, at no cost, if nothing
        forces flow, every cost on the way is zero or more and every limit only caps.
        """
        data = self.data
        for node in data.nodes:
            if node.supply_fixed[commodity].any() or (node.least[commodity, :-1] > 0).any():
                return False
            if min(node.supply_cost[commodity].min(), node.holding[commodity].min()) < 0:
                return False
        for lane in self._lanes_of[commodity]:
            place = int(np.flatnonzero(lane.carried == commodity)[0])
            if not _only_caps(lane) or (lane.gain[place] != 1).any():
                return False
            if (lane.unit_cost[place] < 0).any():
                return False
        touched = any(key[1] == commodity for key in self._consumed | set(self._produced))
        return not touched and all(_limit_only_caps(limit) for limit in data.network.limits)


def _only_caps(lane: LaneData) -> bool:
    """Tell whether no rule of the lane forces flow."""
    forcing = [lane.least_each, lane.least_sum, lane.least_if_used, lane.vehicle_fill]
    return not any(rule is not None and rule.any() for rule in forcing)


def _limit_only_caps(limit: Limit) -> bool:
    """Tell whether taking quantity out of a plan can never break the limit."""
    free = {TermKind.SHORTAGE, TermKind.SALES, TermKind.ACTIVITY}
    terms = [term for term in limit.terms if TermKind(term.kind) not in free]
    if not terms:
        return True
    caps = limit.at_least is None and limit.exactly is None
    return caps and all(np.min(np.asarray(term.times, dtype=float)) >= 0 for term in terms)
