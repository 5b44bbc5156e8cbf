"""Stations: where whole vehicles meet fixed demand, read off the rows of the program.

A station is the balance of a node and commodity (with the pass-through nodes it serves directly)
over all periods. Summed over a window of periods s..e its rows say

    stock at s-1 + shortage + continuous inflow + sum of C y  >=  D(s, e)

where y counts vehicles (or other whole columns) whose load arrives in the window and C is what
one of them can bring. Everything that leaves, and the stock at e, is dropped at its lower bound.
A limit that puts a floor under the stock at e (a closing target, a safety stock, with whatever it
lets count besides) can be added to the sum. All that is used are rows and bounds of the program,
so whatever features the network has, the inequality holds.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.cumulative import CumulativeProgram
from bulkflow.core.program import ColumnKind, Program, RowRule
from bulkflow.core.values import NetworkData

__all__ = ["EndRule", "Inflow", "Station", "find_stations"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_Pair = tuple[str, int]

# Quantities that agree to this many digits are the same load, worked out in different ways.
_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Inflow:
    """Whole columns of one source that each bring the same quantity.

    Parameters
    ----------
    columns : whole columns in the order of their arrival; arrivals : period (from 0) of each, not
        falling; T for those that arrive after the horizon.
    quantity : what one of them can bring.
    cumulative : first cumulative column of the lane, and the offset of each column in it, where
        sums can be written as differences; -1 and empty otherwise.
    """

    columns: IntArray
    arrivals: IntArray
    quantity: float
    cumulative: int
    offsets: IntArray


@dataclass(frozen=True, slots=True)
class EndRule:
    """A limit that puts a floor under the stock at the end of a period.

    Parameters
    ----------
    period : from 0; floor : least stock with everything else the limit counts.
    columns, values : continuous columns that count as well.
    through : for each inflow of the station how many of its columns count in all (those that have
        arrived and those under way).
    """

    period: int
    floor: float
    columns: IntArray
    values: FloatArray
    through: tuple[int, ...]


@dataclass(slots=True)
class Station:
    """See the module; periods from 0.

    Parameters
    ----------
    needs : D of each period, opening stock taken off the first, (T,); end_least : floor under the
        stock at the end of each, (T,).
    stocks, backlogs : first columns of blocks of T.
    continuous : (period, column, value, lower bound) of other inflow, in arrays.
    """

    name: str
    needs: FloatArray
    end_least: FloatArray
    stocks: list[int] = field(default_factory=list)
    backlogs: list[int] = field(default_factory=list)
    inflow_periods: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    inflow_columns: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    inflow_values: FloatArray = field(default_factory=lambda: np.zeros(0))
    whole: list[Inflow] = field(default_factory=list)
    end_rules: list[EndRule] = field(default_factory=list)


def find_stations(data: NetworkData, extended: CumulativeProgram) -> list[Station]:
    """Return the stations of a program that whole inflow reaches."""
    reader = _Reader(data, extended)
    found = (reader.station(cluster) for cluster in _clusters(data, extended.program))
    return [station for station in found if station is not None and station.whole]


def _clusters(data: NetworkData, program: Program) -> Iterator[list[_Pair]]:
    """Yield each pair alone, and pairs joined with the pass-through nodes they serve at once."""
    pairs = _balance_rows(program)
    joined: dict[_Pair, set[_Pair]] = {pair: {pair} for pair in pairs}

    def join(one: _Pair, other: _Pair) -> None:
        if one in joined and other in joined and joined[one] is not joined[other]:
            whole = joined[one] | joined[other]
            for pair in whole:
                joined[pair] = whole

    _join_by_lanes(data, join)
    _join_by_activities(data, join)
    for pair in pairs:
        yield [pair]
    seen: set[int] = set()
    for group in joined.values():
        if len(group) > 1 and id(group) not in seen:
            seen.add(id(group))
            yield sorted(group)


def _join_by_lanes(data: NetworkData, join: Callable[[_Pair, _Pair], None]) -> None:
    """Join along lanes without vehicles, lead time or gain into nodes without stock."""
    for lane in data.lanes:
        head = data.nodes[lane.head]
        at_once = bool((lane.arrival == np.arange(data.periods)).all())
        if lane.vehicle_capacity is None and at_once and not head.stocked:
            for place, commodity in enumerate(lane.carried):
                if (lane.gain[place] == 1).all():
                    join((data.nodes[lane.tail].id, int(commodity)), (head.id, int(commodity)))


def _join_by_activities(data: NetworkData, join: Callable[[_Pair, _Pair], None]) -> None:
    """Join where an activity turns one quantity into as much of another at once."""
    for activity in data.network.activities:
        if len(activity.effects) != 2 or any(effect.lag for effect in activity.effects):
            continue
        one, other = sorted(activity.effects, key=lambda effect: np.min(effect.amount))
        if not np.array_equal(-np.asarray(one.amount), np.asarray(other.amount)):
            continue
        if not data.nodes[data.node_index[other.node]].stocked:
            index = data.commodity_index
            join((one.node, index[one.commodity]), (other.node, index[other.commodity]))


def _balance_rows(program: Program) -> dict[_Pair, int]:
    """Return the first balance row of each (node, commodity)."""
    first: dict[_Pair, int] = {}
    for row, rule in enumerate(program.row_rules):
        if rule is RowRule.BALANCE and program.row_periods[row] == 0:
            first[program.row_refs[row], int(program.row_commodities[row])] = row
    return first


class _Reader:
    """Reads stations off the rows."""

    def __init__(self, data: NetworkData, extended: CumulativeProgram) -> None:
        self.data, self.extended, self.program = data, extended, extended.program
        self.periods = data.periods
        self.rows = _balance_rows(self.program)
        self.lanes = {lane.id: lane for lane in data.lanes}
        self.limits_on = self._limits_on_stock()

    def _limits_on_stock(self) -> dict[int, list[int]]:
        """Return, by stock column, the limits that put a floor under it."""
        found: dict[int, list[int]] = defaultdict(list)
        program = self.program
        for row, rule in enumerate(program.row_rules):
            if rule is not RowRule.LIMIT or not np.isfinite(program.row_lower[row]):
                continue
            span = slice(program.matrix.indptr[row], program.matrix.indptr[row + 1])
            for column, value in zip(
                program.matrix.indices[span], program.matrix.data[span], strict=True
            ):
                block = int(column) // self.periods
                on_stock = block < len(program.blocks) and (
                    program.blocks[block][0] is ColumnKind.STOCK
                )
                if on_stock and value > 0:
                    found[int(column)].append(row)
        return found

    def station(self, cluster: list[_Pair]) -> Station | None:
        """Return the station of a cluster; None where its rows do not allow one."""
        program, periods = self.program, self.periods
        total = sparse.csr_array((periods, program.columns))
        needs = np.zeros(periods)
        for pair in cluster:
            first = self.rows[pair]
            total = total + program.matrix[first : first + periods]
            needs += program.row_lower[first : first + periods]
        total.eliminate_zeros()
        station = Station(
            name=", ".join(f"{node}/{commodity}" for node, commodity in cluster),
            needs=needs,
            end_least=np.zeros(periods),
        )
        entries = total.tocoo()
        rows, columns = entries.row.astype(np.int64), entries.col.astype(np.int64)
        if not self._sort(station, rows, columns, entries.data):
            return None
        for start in station.stocks:
            station.end_least += program.lower[start : start + periods]
        station.end_rules = list(self._end_rules(station))
        return station

    def _sort(
        self, station: Station, rows: IntArray, columns: IntArray, values: FloatArray
    ) -> bool:
        """Give every entry its place in the station; tell whether all have one."""
        blocks = columns // self.periods
        telescoping = np.zeros(len(rows), dtype=bool)
        for block in np.unique(blocks):
            kind = self.program.blocks[block][0]
            if kind not in (ColumnKind.STOCK, ColumnKind.SHORTAGE):
                continue
            inside = blocks == block
            sign = -1.0 if kind is ColumnKind.STOCK else 1.0
            if self._telescopes(rows[inside], columns[inside] % self.periods, values[inside], sign):
                telescoping |= inside
                target = station.stocks if sign < 0 else station.backlogs
                target.append(int(block) * self.periods)
            elif kind is ColumnKind.STOCK:
                return False
        rest = ~telescoping
        return self._sort_rest(station, rows[rest], columns[rest], values[rest])

    def _telescopes(self, rows: IntArray, steps: IntArray, values: FloatArray, sign: float) -> bool:
        """Tell whether a block enters with ``sign`` in its own period and against it next."""
        expected = np.where(rows == steps, sign, np.where(rows == steps + 1, -sign, np.nan))
        return len(rows) == 2 * self.periods - 1 and bool((expected == values).all())

    def _sort_rest(
        self, station: Station, rows: IntArray, columns: IntArray, values: FloatArray
    ) -> bool:
        program = self.program
        lower = program.lower[columns]
        if np.isneginf(lower).any():
            return False
        out = values < 0
        np.add.at(station.needs, rows[out], -values[out] * lower[out])
        whole: dict[tuple[str, int], list[tuple[int, int, float]]] = defaultdict(list)
        continuous = []
        for place in np.flatnonzero(~out):
            column, value, period = int(columns[place]), float(values[place]), int(rows[place])
            source = self._whole_source(column, value)
            if source is None:
                if lower[place] < 0:
                    return False
                continuous.append(place)
                station.needs[period] -= value * lower[place]
            elif source[2] > 0:
                whole[source[0], column // self.periods].append((source[1], period, source[2]))
        places = np.array(continuous, dtype=np.int64)
        station.inflow_periods = rows[places].astype(np.int64)
        station.inflow_columns = columns[places].astype(np.int64)
        station.inflow_values = values[places]
        for (ref, block), parts in whole.items():
            parts += self._late(ref, program.blocks[block][2])
            station.whole += self._inflows(ref, parts)
        return True

    def _late(self, ref: str, commodity: int) -> list[tuple[int, int, float]]:
        """Return what a lane can send that arrives after the horizon: end rules may count it."""
        lane = self.lanes.get(ref)
        if lane is None or lane.vehicle_capacity is None:
            return []
        place = int(np.flatnonzero(lane.carried == commodity)[0])
        start = self.program.starts[ColumnKind.FLOW, ref, commodity]
        late = []
        for step in np.flatnonzero((lane.arrival >= self.periods) & lane.may_send):
            gain = float(lane.gain[place, step])
            source = self._whole_source(start + int(step), gain)
            if source is not None and source[2] > 0:
                late.append((source[1], self.periods, source[2]))
        return late

    def _whole_source(self, column: int, value: float) -> tuple[str, int, float] | None:
        """Return (lane or activity, whole column, what one brings) behind an inflow column."""
        program = self.program
        kind, ref, _ = program.blocks[column // self.periods]
        if kind is ColumnKind.FLOW and self.lanes[ref].vehicle_capacity is not None:
            capacity = self.lanes[ref].vehicle_capacity
            step = column % self.periods
            start = program.starts[ColumnKind.VEHICLES, ref, -1]
            # A lane's own capacity can be less than one vehicle.
            most = min(float(capacity[step]), float(program.upper[column]))  # type: ignore[index]
            return ref, start + step, value * most
        if program.integer[column] and program.lower[column] >= 0:
            return ref, column, value
        return None

    def _inflows(self, lane: str, parts: list[tuple[int, int, float]]) -> Iterator[Inflow]:
        """Yield the inflow of a source, split where a unit of it brings different quantities."""
        parts = sorted(parts, key=lambda part: (part[1], part[0]))
        by_quantity: dict[str, list[tuple[int, int, float]]] = defaultdict(list)
        for column, period, quantity in parts:
            by_quantity[f"{quantity:.{_DIGITS}g}"].append((column, period, quantity))
        for alike in by_quantity.values():
            columns = np.array([column for column, _, _ in alike], dtype=np.int64)
            arrivals = np.array([period for _, period, _ in alike], dtype=np.int64)
            quantity = max(one for _, _, one in alike)
            start = self.extended.starts.get(lane, -1)
            offsets = columns % self.periods
            in_order = len(by_quantity) == 1 and bool((np.diff(offsets) == 1).all())
            if start < 0 or not in_order:
                start, offsets = -1, np.zeros(0, dtype=np.int64)
            yield Inflow(columns, arrivals, quantity, start, offsets)

    # Floors under the closing stock --------------------------------------------------------

    def _end_rules(self, station: Station) -> Iterator[EndRule]:
        if len(station.stocks) != 1:
            return
        start = station.stocks[0]
        for period in range(self.periods):
            for row in self.limits_on.get(start + period, []):
                rule = self._end_rule(station, start + period, period, row)
                if rule is not None:
                    yield rule

    def _end_rule(self, station: Station, stock: int, period: int, row: int) -> EndRule | None:
        """Return a limit as an end rule: what it counts besides the stock must be inflow.

        Vehicles under way must be the station's own and bring what they bring at the station;
        anything else counts as continuous.
        """
        program = self.program
        span = slice(program.matrix.indptr[row], program.matrix.indptr[row + 1])
        columns, values = program.matrix.indices[span], program.matrix.data[span]
        scale = float(values[columns == stock][0])
        floor = float(program.row_lower[row]) / scale
        extra_columns, extra_values = [], []
        under_way: dict[int, int] = {}
        counted = {
            int(column): (number, place)
            for number, inflow in enumerate(station.whole)
            for place, column in enumerate(inflow.columns)
        }
        for column, value in zip(columns.tolist(), (values / scale).tolist(), strict=True):
            if column == stock:
                continue
            low = float(program.lower[column]) if column < program.columns else 0.0
            if np.isneginf(low) or (low < 0 and value > 0):
                return None
            floor -= value * low
            if value < 0:
                continue
            source = None
            if column < self.extended.original_columns:
                source = self._whole_source(column, value)
            if source is not None and source[1] in counted and low == 0:
                number, _ = counted[source[1]]
                if np.isclose(station.whole[number].quantity, source[2], rtol=10.0**-_DIGITS):
                    under_way[source[1]] = number
                    continue
            extra_columns.append(column)
            extra_values.append(value)
        through = self._through(station, period, under_way)
        if through is None:
            return None
        return EndRule(
            period,
            floor,
            np.array(extra_columns, dtype=np.int64),
            np.array(extra_values),
            through,
        )

    def _through(
        self, station: Station, period: int, under_way: dict[int, int]
    ) -> tuple[int, ...] | None:
        """Return how many columns of each inflow count, if what is under way follows in order."""
        through = []
        for number, inflow in enumerate(station.whole):
            arrived = int(np.searchsorted(inflow.arrivals, period, side="right"))
            mine = {column for column, owner in under_way.items() if owner == number}
            following = inflow.columns[arrived : arrived + len(mine)]
            if mine != set(following.tolist()):
                return None
            through.append(arrived + len(mine))
        return tuple(through)
