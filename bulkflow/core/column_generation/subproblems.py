"""Subproblems read off a program: what each owns, and what of it the dynamic program understands.

A subproblem, or item, is the balance of a node and commodity that nothing leaves but demand, that
holds stock, and that whole vehicles reach on lanes of its own. Its columns are its stock, its
shortage, the flows and vehicle counts of its lanes, and slacks that appear in its rows alone. Rows
over these columns only are the item's own; every other row that counts one of them couples it with
the rest.

What is read here serves two ends: plans, which must keep every row, and a relaxation, which may
leave rows out. Own rows that are not understood are left out of the relaxation (`left_out`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.program import ColumnKind, Program, RowRule
from bulkflow.core.values import LaneData, NetworkData

__all__ = ["Decomposition", "Sending", "Subproblem", "find_subproblems"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sending:
    """Whole vehicles of one lane and sending period.

    Parameters
    ----------
    arrival : period from 0; T where it arrives after the horizon.
    flow, vehicles : columns.
    gain : units arriving per unit sent.
    least, most : what one vehicle brings, in units arriving.
    fewest, greatest : limits on the count.
    """

    arrival: int
    flow: int
    vehicles: int
    gain: float
    least: float
    most: float
    fewest: float
    greatest: float


@dataclass(slots=True)
class Subproblem:
    """See the module; quantities by period from 0, (T,).

    Parameters
    ----------
    position : opening stock less opening backlog.
    needs : demand less exact supply.
    lost : whether unserved demand is lost (else carried over); shortage : first column, or -1
        where every unit must be served.
    room : most stock at the end; arrival_room : most stock before plus what arrives.
    floors : soft floor under the stock (-inf without); floor_slacks : column, or -1.
    lane_blocks : first columns of the flows and counts of its lanes.
    closing : floor under the last stock and what is under way (-inf without), its slack column.
    closing_takes_owed : whether what is owed at the end counts against it.
    """

    node: str
    commodity: int
    stock: int
    shortage: int
    lost: bool
    position: float
    needs: FloatArray
    demand: FloatArray
    least: FloatArray
    room: FloatArray
    arrival_room: FloatArray
    sendings: list[Sending]
    floors: FloatArray
    floor_slacks: IntArray
    closing: float = -np.inf
    closing_slack: int = -1
    closing_takes_owed: bool = False
    slacks: list[int] = field(default_factory=list)
    lane_blocks: list[int] = field(default_factory=list)
    left_out: int = 0

    def columns(self, periods: int) -> IntArray:
        """Return all columns of the item."""
        steps = np.arange(periods)
        parts = [self.stock + steps]
        if self.shortage >= 0:
            parts.append(self.shortage + steps)
        parts += [start + steps for start in self.lane_blocks]
        parts.append(np.array(self.slacks, dtype=np.int64))
        return np.concatenate(parts)


@dataclass(frozen=True, slots=True)
class Decomposition:
    """A program split into items and the rest.

    Parameters
    ----------
    owner : item of each column, -1 for the rest, (columns,).
    own_rows : item of each row that is an item's own, -1 for the others, (rows,).
    """

    program: Program
    items: list[Subproblem]
    owner: IntArray
    own_rows: IntArray
    by_column: sparse.csc_array

    @property
    def shared_rows(self) -> IntArray:
        """Rows that are no item's own."""
        return np.flatnonzero(self.own_rows < 0)


def find_subproblems(data: NetworkData, program: Program) -> Decomposition:
    """Return the items of a program; there may be none."""
    reader = _Reader(data, program)
    items = [item for pair, row in reader.balances.items() if (item := reader.item(pair, row))]
    return reader.split(items)


class _Reader:
    def __init__(self, data: NetworkData, program: Program) -> None:
        self.data, self.program = data, program
        self.periods = program.periods
        self.by_column = sparse.csc_array(program.matrix)
        # Slacks of one row; and what else every row has.
        self.alone = (np.diff(self.by_column.indptr) == 1) & ~program.integer & (program.lower == 0)
        rows = np.repeat(np.arange(program.rows), np.diff(program.matrix.indptr))
        self.others = np.bincount(
            rows, weights=~self.alone[program.matrix.indices], minlength=program.rows
        )
        self.limits = np.array([rule is RowRule.LIMIT for rule in program.row_rules], dtype=bool)
        self.lanes = {lane.id: lane for lane in data.lanes}
        self.balances = {
            (program.row_refs[row], int(program.row_commodities[row])): row
            for row, rule in enumerate(program.row_rules)
            if rule is RowRule.BALANCE and program.row_periods[row] == 0
        }

    def item(self, pair: tuple[str, int], first: int) -> Subproblem | None:
        """Return the item of a balance, or None where it is none."""
        program, data = self.program, self.data
        node = data.nodes[data.node_index[pair[0]]]
        stock = program.start(ColumnKind.STOCK, *pair)
        shortage = program.start(ColumnKind.SHORTAGE, *pair)
        if stock is None or not (node.demand[pair[1]] > 0).any():
            return None
        span = slice(program.matrix.indptr[first], program.matrix.indptr[first + self.periods])
        blocks = np.unique(program.matrix.indices[span] // self.periods)
        lanes = []
        for block in blocks:
            kind, ref, commodity = program.blocks[block]
            if kind in (ColumnKind.STOCK, ColumnKind.SHORTAGE) and (ref, commodity) == pair:
                continue
            if kind is not ColumnKind.FLOW or not self._serves(self.lanes[ref], pair):
                return None
            lanes.append(self.lanes[ref])
        if not lanes or not np.isfinite(program.cost[stock : stock + self.periods]).all():
            return None
        index = pair[1]
        item = Subproblem(
            node=pair[0],
            commodity=index,
            stock=stock,
            shortage=-1 if shortage is None else shortage,
            lost=shortage is not None and not node.backlogged,
            position=float(node.initial[index] - node.initial_backlog[index]),
            needs=node.demand[index] - node.supply_fixed[index],
            demand=node.demand[index],
            least=node.least[index].copy(),
            room=node.most[index].copy(),
            arrival_room=np.full(self.periods, np.inf),
            sendings=[one for lane in lanes for one in self._sendings(lane)],
            floors=np.full(self.periods, -np.inf),
            floor_slacks=np.full(self.periods, -1, dtype=np.int64),
        )
        for lane in lanes:
            item.lane_blocks.append(program.starts[ColumnKind.FLOW, lane.id, index])
            item.lane_blocks.append(program.starts[ColumnKind.VEHICLES, lane.id, -1])
        item.sendings.sort(key=lambda one: (one.arrival, one.vehicles))
        if not item.sendings or item.lost:
            return None
        self._read_rows(item)
        return item

    def _serves(self, lane: LaneData, pair: tuple[str, int]) -> bool:
        """Tell whether a lane brings whole vehicles of this commodity alone to this node."""
        return (
            lane.vehicle_capacity is not None
            and len(lane.carried) == 1
            and int(lane.carried[0]) == pair[1]
            and self.data.nodes[lane.head].id == pair[0]
            and lane.tail != lane.head
            and (ColumnKind.USED, lane.id, -1) not in self.program.starts
        )

    def _sendings(self, lane: LaneData) -> list[Sending]:
        capacity, fill = lane.vehicle_capacity, lane.vehicle_fill
        if capacity is None or fill is None:
            return []
        program = self.program
        flow = program.starts[ColumnKind.FLOW, lane.id, int(lane.carried[0])]
        vehicles = program.starts[ColumnKind.VEHICLES, lane.id, -1]
        found = []
        for step in np.flatnonzero(lane.may_send & (program.upper[vehicles:][: self.periods] > 0)):
            gain = float(lane.gain[0, step])
            found.append(
                Sending(
                    arrival=min(int(lane.arrival[step]), self.periods),
                    flow=flow + int(step),
                    vehicles=vehicles + int(step),
                    gain=gain,
                    least=gain * float(fill[step]),
                    most=gain * min(float(capacity[step]), float(program.upper[flow + step])),
                    fewest=max(0.0, float(program.lower[vehicles + step])),
                    greatest=float(program.upper[vehicles + step]),
                )
            )
        return [one for one in found if one.most > 0]

    # Own rows ------------------------------------------------------------------------------

    def _read_rows(self, item: Subproblem) -> None:
        """Read the limits over the item's columns."""
        columns = np.unique(item.columns(self.periods))
        mine = set(columns.tolist())
        arrivals: dict[int, dict[int, float]] = defaultdict(dict)
        for one in item.sendings:
            arrivals[one.arrival][one.flow] = one.gain
        entries = sparse.csc_array(self.by_column[:, columns])
        counted = np.repeat(~self.alone[columns], np.diff(entries.indptr))
        inside = np.bincount(entries.indices, weights=counted, minlength=self.program.rows)
        # Rows with columns of others besides are for the items together.
        own = (inside == self.others) & self.limits
        for row in np.unique(entries.indices[own[entries.indices]]).tolist():
            self._read_limit(item, row, mine, arrivals)

    def _read_limit(
        self, item: Subproblem, row: int, mine: set[int], arrivals: dict[int, dict[int, float]]
    ) -> None:
        matrix = self.program.matrix
        span = slice(matrix.indptr[row], matrix.indptr[row + 1])
        entries = dict(zip(matrix.indices[span].tolist(), matrix.data[span].tolist(), strict=True))
        others = {column: value for column, value in entries.items() if column not in mine}
        if any(not self._is_slack(column) for column in others):
            return
        stocks = [c for c in entries if item.stock <= c < item.stock + self.periods]
        flows = {
            c: v
            for c, v in entries.items()
            if c in mine and c not in stocks and self.program.upper[c] > 0
        }
        lower, upper = float(self.program.row_lower[row]), float(self.program.row_upper[row])
        item.slacks += list(others)
        understood = False
        if len(stocks) == 1 and entries[stocks[0]] > 0:
            scale, step = entries[stocks[0]], stocks[0] - item.stock
            flows = {c: v / scale for c, v in flows.items()}
            if np.isinf(upper):
                slack = {c: v / scale for c, v in others.items()}
                understood = self._read_floor(item, step, lower / scale, flows, slack)
            elif np.isinf(lower) and not others:
                understood = self._read_room(item, step, upper / scale, flows, arrivals)
        elif not stocks and not others and np.isinf(lower) and flows == arrivals[0]:
            item.arrival_room[0] = min(item.arrival_room[0], upper + max(item.position, 0.0))
            understood = True
        if not understood:
            item.left_out += 1

    def _is_slack(self, column: int) -> bool:
        return bool(self.alone[column])

    def _read_floor(
        self,
        item: Subproblem,
        step: int,
        floor: float,
        flows: dict[int, float],
        slack: dict[int, float],
    ) -> bool:
        if len(slack) != 1:
            return False
        ((column, times),) = slack.items()
        enough = times == 1 and self.program.upper[column] >= floor - 1e-9 * abs(floor)
        if not enough or self.program.cost[column] < 0:
            return False
        if not flows and item.floor_slacks[step] < 0:
            item.floors[step], item.floor_slacks[step] = floor, column
            return True
        late = {one.flow: one.gain for one in item.sendings if one.arrival >= self.periods}
        owed = {} if item.shortage < 0 else {item.shortage + self.periods - 1: -1.0}
        takes_owed = bool(owed) and _same(flows, late | owed)
        known = takes_owed or _same(flows, late)
        if step == self.periods - 1 and known and item.closing_slack < 0:
            item.closing, item.closing_slack = floor, column
            item.closing_takes_owed = takes_owed
            return True
        return False

    def _read_room(
        self,
        item: Subproblem,
        step: int,
        room: float,
        flows: dict[int, float],
        arrivals: dict[int, dict[int, float]],
    ) -> bool:
        if not flows:
            item.room[step] = min(item.room[step], room)
            return True
        if step + 1 < self.periods and _same(flows, arrivals[step + 1]):
            item.arrival_room[step + 1] = min(item.arrival_room[step + 1], room)
            return True
        return False

    def split(self, items: list[Subproblem]) -> Decomposition:
        """Return the program split into these items and the rest."""
        owner = np.full(self.program.columns, -1, dtype=np.int64)
        for number, item in enumerate(items):
            owner[item.columns(self.periods)] = number
        matrix = self.program.matrix
        rows = np.repeat(np.arange(self.program.rows), np.diff(matrix.indptr))
        owners = owner[matrix.indices]
        lowest = np.full(self.program.rows, len(items), dtype=np.int64)
        highest = np.full(self.program.rows, -1, dtype=np.int64)
        np.minimum.at(lowest, rows, owners)
        np.maximum.at(highest, rows, owners)
        own = np.where((lowest == highest) & (lowest >= 0), lowest, -1)
        return Decomposition(self.program, items, owner, own, self.by_column)


def _same(one: dict[int, float], other: dict[int, float]) -> bool:
    return one.keys() == other.keys() and all(
        abs(one[key] - other[key]) <= 1e-9 * abs(other[key]) for key in one
    )
