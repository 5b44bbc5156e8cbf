"""Every fault of a network at once: shapes, signs, ids and references.

Paths read like the planning-example documents (``lanes[4].vehicle.capacity``), so the reader of
documents and programs that build networks report alike.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from numbers import Real
from typing import Any

import numpy as np

from bulkflow.core.network import (
    Activity,
    Demand,
    Lane,
    Limit,
    Network,
    Node,
    Sense,
    Shortage,
    Stock,
    Supply,
    Term,
    TermKind,
    Vehicle,
)
from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import did_you_mean

__all__ = ["FaultList", "check_network", "network_faults"]

# More would only exhaust the memory: 10,000 weeks are two centuries.
MOST_PERIODS = 10_000

_LANE_TERMS = {TermKind.FLOW, TermKind.USED, TermKind.VEHICLES, TermKind.IN_TRANSIT}
_NO_COMMODITY_TERMS = {TermKind.USED, TermKind.VEHICLES, TermKind.ACTIVITY}


def check_network(network: Network, *, file: str = "") -> None:
    """Raise unless the network is whole and consistent.

    Raises
    ------
    InputError
        With every fault found.
    """
    faults = network_faults(network, file=file)
    if faults:
        raise InputError(faults)


def network_faults(network: Network, *, file: str = "") -> list[Fault]:
    """Return every fault of a network, sorted by place; empty if it is sound."""
    check = FaultList(file)
    periods = network.periods
    if not _is_whole(periods) or not 1 <= periods <= MOST_PERIODS:
        check.add(
            "periods", f"is {periods!r}", f"Give a whole number of periods, 1 to {MOST_PERIODS}."
        )
        return check.faults
    if network.sense not in set(Sense):
        check.add("sense", f"is {network.sense!r}", "Write minimise or maximise.")
    _number(check, "objective_constant", network.objective_constant, signed=True)
    names = list(network.commodities)
    if not names:
        check.add("commodities", "is empty", "Name at least one commodity, or leave the key out.")
    _ids(check, "commodities", names)
    values = _Values(check, periods, names)
    _ids(check, "nodes", [node.id for node in network.nodes], attribute=".id")
    _ids(check, "lanes", [lane.id for lane in network.lanes], attribute=".id")
    _ids(check, "activities", [item.id for item in network.activities], attribute=".id")
    _ids(check, "limits", [limit.id for limit in network.limits], attribute=".id")
    known = _Known(
        nodes={node.id: node for node in network.nodes},
        lanes={lane.id: lane for lane in network.lanes},
        activities={item.id for item in network.activities},
        names=names,
    )
    for index, node in enumerate(network.nodes):
        _node(check, values, f"nodes[{index}]", node)
    for index, lane in enumerate(network.lanes):
        _lane(check, values, known, f"lanes[{index}]", lane)
    for index, activity in enumerate(network.activities):
        _activity(check, values, known, f"activities[{index}]", activity)
    for index, limit in enumerate(network.limits):
        _limit(check, values, known, f"limits[{index}]", limit)
    return sorted(check.faults)


class FaultList:
    """Collects faults of one file."""

    def __init__(self, file: str = "") -> None:
        self.file = file
        self.faults: list[Fault] = []

    def add(self, where: str, found: str, mend: str) -> None:
        """Note one fault."""
        self.faults.append(Fault(self.file, 0, where, found, mend))

    def unknown(self, where: str, what: str, name: object, known: Sequence[str]) -> None:
        """Note a reference to something that does not exist, with the nearest that does."""
        mend = did_you_mean(name, known, f"Give the id of a {what} that exists.")
        self.add(where, f"names the unknown {what} {name!r}", mend)


class _Known:
    """What can be referred to."""

    def __init__(
        self,
        *,
        nodes: Mapping[str, Node],
        lanes: Mapping[str, Lane],
        activities: set[str],
        names: Sequence[str],
    ) -> None:
        self.nodes, self.lanes, self.activities, self.names = nodes, lanes, activities, names


class _Values:
    """Checks values against the number of periods and the commodities."""

    def __init__(self, check: FaultList, periods: int, names: Sequence[str]) -> None:
        self.check, self.periods, self.names = check, periods, names

    def value(self, where: str, value: object, *, signed: bool = False) -> None:
        """Check a value: a number, one per period, or a mapping from commodity to either."""
        if value is None:
            return
        if not isinstance(value, Mapping):
            self.period_value(where, value, signed=signed)
            return
        for name, part in value.items():
            if name not in self.names:
                self.check.unknown(where, "commodity", name, self.names)
            self.period_value(f"{where}.{name}", part, signed=signed)

    def period_value(self, where: str, value: object, *, signed: bool = False) -> None:
        """Check a number or a sequence with one number per period."""
        if value is None:
            return
        if isinstance(value, Mapping):
            self.check.add(
                where, "is a mapping", "Give a number, or a list with one number per period."
            )
            return
        if not _is_sequence(value):
            _number(self.check, where, value, signed=signed)
            return
        items = list(value)  # type: ignore[call-overload]
        if len(items) != self.periods:
            self.check.add(
                where,
                f"has {len(items)} numbers for {self.periods} periods",
                "Give one number per period.",
            )
        if _all_sound(items, signed=signed):
            return
        for index, item in enumerate(items):
            _number(self.check, f"{where}[{index}]", item, signed=signed)

    def single(self, where: str, value: object) -> None:
        """Check one number, or a mapping from commodity to one number."""
        if isinstance(value, Mapping):
            for name, part in value.items():
                if name not in self.names:
                    self.check.unknown(where, "commodity", name, list(self.names))
                _number(self.check, f"{where}.{name}", part)
        elif value is not None:
            _number(self.check, where, value)


def _is_whole(value: object) -> bool:
    """Tell whether a value is an integer (numpy's counted, True and False not)."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return False
    return float(value).is_integer()


def _all_sound(items: list[object], *, signed: bool) -> bool:
    """Tell quickly whether every item is a plain finite number: most lists are sound."""
    if not all(type(item) in (int, float) for item in items):
        return False
    array = np.asarray(items, dtype=float)
    return bool(np.isfinite(array).all() and (signed or (array >= 0).all()))


def _is_sequence(value: object) -> bool:
    return hasattr(value, "__len__") and not isinstance(value, str | bytes)


def _number(check: FaultList, where: str, value: object, *, signed: bool = False) -> None:
    if isinstance(value, bool) or not isinstance(value, Real):
        check.add(where, f"is {value!r}", "Give a number.")
    elif not math.isfinite(value):
        check.add(
            where,
            f"is {value}",
            "Give a finite number, or leave the key out where it has no limit.",
        )
    elif not signed and value < 0:
        check.add(where, f"is {value:g}", "Give zero or more.")


def _ids(check: FaultList, where: str, ids: Sequence[object], attribute: str = "") -> None:
    counts = Counter(ids)
    for index, name in enumerate(ids):
        place = f"{where}[{index}]{attribute}"
        if not isinstance(name, str) or not name:
            check.add(place, f"is {name!r}", "Give a name that is not empty.")
        elif counts[name] > 1 and list(ids).index(name) != index:
            check.add(place, f"is {name!r}, which is taken already", "Give each its own name.")


def _node(check: FaultList, values: _Values, path: str, node: Node) -> None:
    if node.supply is not None:
        _supply(check, values, f"{path}.supply", node.supply)
    if node.demand is not None:
        _demand(check, values, f"{path}.demand", node.demand)
    if node.stock is not None:
        _stock(values, f"{path}.stock", node.stock)


def _supply(check: FaultList, values: _Values, path: str, supply: Supply) -> None:
    values.value(f"{path}.at_most", supply.at_most)
    values.value(f"{path}.exactly", supply.exactly)
    values.value(f"{path}.unit_cost", supply.unit_cost, signed=True)
    if supply.unit_cost is not None and supply.exactly is not None and supply.at_most is None:
        check.add(
            f"{path}.unit_cost",
            "goes with exactly",
            "A unit cost belongs to optional supply: give at_most, or leave the cost out.",
        )


def _demand(check: FaultList, values: _Values, path: str, demand: Demand) -> None:
    values.value(f"{path}.exactly", demand.exactly)
    values.value(f"{path}.at_most", demand.at_most)
    values.value(f"{path}.shortage_cost", demand.shortage_cost)
    values.value(f"{path}.unit_revenue", demand.unit_revenue, signed=True)
    values.single(f"{path}.initial_backlog", demand.initial_backlog)
    if demand.shortage not in set(Shortage):
        check.add(f"{path}.shortage", f"is {demand.shortage!r}", "Write lost or backlogged.")
        return
    if demand.unit_revenue is not None and demand.exactly is not None and demand.at_most is None:
        check.add(
            f"{path}.unit_revenue",
            "goes with exactly",
            "Revenue belongs to optional sales: give at_most, or leave the revenue out.",
        )
    if demand.shortage_cost is not None and demand.exactly is None:
        check.add(
            f"{path}.shortage_cost", "is given without exactly", "Say what is asked for: exactly."
        )
    opening = demand.initial_backlog
    has_backlog = any(opening.values()) if isinstance(opening, Mapping) else bool(opening)
    backlogged = Shortage(demand.shortage) is Shortage.BACKLOGGED
    if has_backlog and (not backlogged or demand.shortage_cost is None):
        check.add(
            f"{path}.initial_backlog",
            "is given where nothing can be backlogged",
            "Give shortage: backlogged and a shortage_cost.",
        )


def _stock(values: _Values, path: str, stock: Stock) -> None:
    values.single(f"{path}.initial", stock.initial)
    values.value(f"{path}.at_most", stock.at_most)
    values.value(f"{path}.at_least", stock.at_least)
    values.single(f"{path}.final_exactly", stock.final_exactly)
    values.single(f"{path}.final_at_least", stock.final_at_least)
    values.value(f"{path}.holding_cost", stock.holding_cost, signed=True)


def _lane(check: FaultList, values: _Values, known: _Known, path: str, lane: Lane) -> None:
    for key, node in (("from", lane.from_node), ("to", lane.to_node)):
        if node not in known.nodes:
            check.unknown(f"{path}.{key}", "node", node, list(known.nodes))
    if lane.commodities is not None:
        for index, name in enumerate(lane.commodities):
            if name not in known.names:
                check.unknown(f"{path}.commodities[{index}]", "commodity", name, list(known.names))
        _ids(check, f"{path}.commodities", list(lane.commodities))
        if not lane.commodities:
            check.add(
                f"{path}.commodities", "is empty", "Name what it carries, or leave the key out."
            )
    values.value(f"{path}.unit_cost", lane.unit_cost, signed=True)
    values.value(f"{path}.gain", lane.gain)
    _greater_than_zero(check, f"{path}.gain", lane.gain)
    values.value(f"{path}.capacity", lane.capacity)
    values.value(f"{path}.min_flow", lane.min_flow)
    values.period_value(f"{path}.fixed_cost", lane.fixed_cost)
    values.period_value(f"{path}.min_if_used", lane.min_if_used)
    _lead_time(check, values, path, lane)
    if lane.vehicle is not None:
        _vehicle(check, values, f"{path}.vehicle", lane.vehicle)


def _greater_than_zero(check: FaultList, where: str, value: object) -> None:
    if isinstance(value, Mapping):
        for name, part in value.items():
            _greater_than_zero(check, f"{where}.{name}", part)
    elif _is_sequence(value):
        for index, part in enumerate(value):  # type: ignore[arg-type]
            _greater_than_zero(check, f"{where}[{index}]", part)
    elif isinstance(value, Real) and value == 0:
        check.add(where, "is 0", "Give a number greater than zero.")


def _lead_time(check: FaultList, values: _Values, path: str, lane: Lane) -> None:
    where = f"{path}.lead_time"
    values.period_value(where, lane.lead_time)
    items = list(lane.lead_time) if isinstance(lane.lead_time, Sequence) else [lane.lead_time]
    for item in items:
        if isinstance(item, Real) and math.isfinite(item) and not _is_whole(item):
            check.add(where, f"is {item!r}", "Give whole periods.")
            return


def _vehicle(check: FaultList, values: _Values, path: str, vehicle: Vehicle) -> None:
    before = len(check.faults)
    for key in ("capacity", "min_fill", "max_count", "min_count"):
        values.period_value(f"{path}.{key}", getattr(vehicle, key))
    values.period_value(f"{path}.cost", vehicle.cost, signed=True)
    if len(check.faults) > before:
        return
    for period in range(values.periods):
        capacity, fill = _at(vehicle.capacity, period), _at(vehicle.min_fill, period)
        if fill > capacity:
            check.add(
                f"{path}.min_fill",
                f"is {fill:g}, above the capacity {capacity:g}, in period {period + 1}",
                "Give a least fill that the vehicle can hold.",
            )
            return


def _at(value: Any, period: int) -> float:
    return float(value[period]) if _is_sequence(value) else float(value)


def _activity(
    check: FaultList, values: _Values, known: _Known, path: str, activity: Activity
) -> None:
    for key in ("lower", "upper", "cost"):
        values.period_value(f"{path}.{key}", getattr(activity, key), signed=True)
    for index, effect in enumerate(activity.effects):
        place = f"{path}.effects[{index}]"
        if effect.node not in known.nodes:
            check.unknown(f"{place}.node", "node", effect.node, list(known.nodes))
        if effect.commodity not in known.names:
            check.unknown(f"{place}.commodity", "commodity", effect.commodity, list(known.names))
        values.period_value(f"{place}.amount", effect.amount, signed=True)
        if not _is_whole(effect.lag) or effect.lag < 0:
            check.add(f"{place}.lag", f"is {effect.lag!r}", "Give whole periods, zero or more.")


def _limit(check: FaultList, values: _Values, known: _Known, path: str, limit: Limit) -> None:
    for key in ("at_most", "at_least", "exactly"):
        side = getattr(limit, key)
        values.period_value(f"{path}.{key}", side, signed=True)
        if limit.over_horizon and _is_sequence(side):
            check.add(
                f"{path}.{key}", "has a number per period", "Give one number: it is over_horizon."
            )
    sides = [limit.at_most is not None, limit.at_least is not None, limit.exactly is not None]
    if not any(sides):
        check.add(path, "sets no limit", "Give at_most, at_least or exactly.")
    if sides[2] and (sides[0] or sides[1]):
        check.add(path, "gives exactly beside another side", "Give one or the other.")
    for period in limit.periods or ():
        if not _is_whole(period) or not 1 <= period <= values.periods:
            check.add(
                f"{path}.periods",
                f"names period {period!r} of {values.periods}",
                "Give periods inside the horizon, from 1.",
            )
    if not limit.terms:
        check.add(f"{path}.terms", "is empty", "Give at least one term.")
    for index, term in enumerate(limit.terms):
        _term(check, values, known, f"{path}.terms[{index}]", term)


def _term(check: FaultList, values: _Values, known: _Known, path: str, term: Term) -> None:
    values.period_value(f"{path}.times", term.times, signed=True)
    if not (_is_whole(term.lag_first) and _is_whole(term.lag_last)):
        check.add(f"{path}.lag_first", "is not a whole number", "Give whole periods.")
    elif term.lag_last < term.lag_first:
        check.add(f"{path}.lag_last", "is before lag_first", "Give lag_first <= lag_last.")
    if term.kind not in set(TermKind):
        check.add(path, f"has the unknown kind {term.kind!r}", f"Write one of {_kinds()}.")
        return
    kind = TermKind(term.kind)
    _term_reference(check, known, path, term, kind)
    if term.commodity is None:
        return
    if kind in _NO_COMMODITY_TERMS:
        check.add(
            f"{path}.commodity", f"goes with {kind}", "Leave it out: the term has no commodity."
        )
    elif term.commodity not in known.names:
        check.unknown(f"{path}.commodity", "commodity", term.commodity, list(known.names))


def _kinds() -> str:
    return ", ".join(TermKind)


def _term_reference(check: FaultList, known: _Known, path: str, term: Term, kind: TermKind) -> None:
    where = f"{path}.{kind}"
    if kind is TermKind.ACTIVITY:
        if term.ref not in known.activities:
            check.unknown(where, "activity", term.ref, sorted(known.activities))
        return
    if kind in _LANE_TERMS:
        lane = known.lanes.get(term.ref)
        if lane is None:
            check.unknown(where, "lane", term.ref, list(known.lanes))
        elif kind is TermKind.VEHICLES and lane.vehicle is None:
            check.add(where, f"is {term.ref!r}, a lane without vehicles", "Name one with vehicles.")
        return
    node = known.nodes.get(term.ref)
    if node is None:
        check.unknown(where, "node", term.ref, list(known.nodes))
        return
    needed = {
        TermKind.STOCK: node.stock,
        TermKind.SUPPLY: node.supply,
        TermKind.SHORTAGE: node.demand,
        TermKind.SALES: node.demand,
    }[kind]
    if needed is None:
        what = "demand" if kind in (TermKind.SHORTAGE, TermKind.SALES) else str(kind)
        check.add(where, f"is {term.ref!r}, a node without {what}", f"Name one with {what}.")
