"""The matrix form of a network: columns, rows, and the way back to what they stand for.

Columns come in blocks of T, one column per period, so that the column of block b and period t
(from 0) is b T + t. A block belongs to a kind of quantity, the id it refers to, and a commodity
or none. Rows carry a label of rule, id, commodity and period. The program always minimises;
`sign` is -1 where the network maximises.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

__all__ = ["ColumnKind", "ColumnLabel", "Program", "ProgramBuilder", "RowLabel", "RowRule"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
NO_COMMODITY = -1
INF = float("inf")


class ColumnKind(StrEnum):
    """Kinds of quantity; for shortage the open backlog where it is backlogged."""

    FLOW = "flow"
    USED = "used"
    VEHICLES = "vehicles"
    STOCK = "stock"
    SUPPLY = "supply"  # the optional part
    SALES = "sales"
    SHORTAGE = "shortage"
    ACTIVITY = "activity"


class RowRule(StrEnum):
    """Rules that rows stand for."""

    BALANCE = "balance"
    SERVED = "served"  # no more becomes short than is asked for
    CAPACITY = "capacity"
    MIN_FLOW = "min_flow"
    ON_OFF = "on_off"
    MIN_IF_USED = "min_if_used"
    VEHICLE_CAPACITY = "vehicle_capacity"
    VEHICLE_FILL = "vehicle_fill"
    LIMIT = "limit"


@dataclass(frozen=True, slots=True, order=True)
class ColumnLabel:
    """What a column stands for; period from 1."""

    kind: ColumnKind
    ref: str
    commodity: str | None
    period: int


@dataclass(frozen=True, slots=True, order=True)
class RowLabel:
    """What a row stands for; period from 1, None for a rule over the horizon."""

    rule: RowRule
    ref: str
    commodity: str | None
    period: int | None


BlockKey = tuple[ColumnKind, str, int]


@dataclass(frozen=True, slots=True)
class Program:
    """Minimise ``cost x + constant`` with ``row_lower <= A x <= row_upper`` and column bounds.

    Parameters
    ----------
    matrix : CSR, rows x columns.
    integer : whether each column must be whole.
    blocks : (kind, ref, commodity index or -1) of each block of T columns, in order.
    row_rules, row_refs, row_commodities, row_periods : labels of the rows (period from 0, -1
        over the horizon).
    """

    periods: int
    commodities: tuple[str, ...]
    sign: float
    constant: float
    cost: FloatArray
    lower: FloatArray
    upper: FloatArray
    integer: NDArray[np.bool_]
    matrix: sparse.csr_array
    row_lower: FloatArray
    row_upper: FloatArray
    blocks: tuple[BlockKey, ...]
    starts: dict[BlockKey, int]
    row_rules: tuple[RowRule, ...]
    row_refs: tuple[str, ...]
    row_commodities: IntArray
    row_periods: IntArray

    @classmethod
    def unlabelled(
        cls,
        *,
        cost: FloatArray,
        lower: FloatArray,
        upper: FloatArray,
        integer: NDArray[np.bool_],
        matrix: sparse.csr_array,
        row_lower: FloatArray,
        row_upper: FloatArray,
        periods: int = 1,
        commodities: tuple[str, ...] = (),
        sign: float = 1.0,
        constant: float = 0.0,
    ) -> Program:
        """Return a program of which nothing needs to be known by name."""
        return cls(
            periods=periods,
            commodities=commodities,
            sign=sign,
            constant=constant,
            cost=cost,
            lower=lower,
            upper=upper,
            integer=integer,
            matrix=matrix,
            row_lower=row_lower,
            row_upper=row_upper,
            blocks=(),
            starts={},
            row_rules=(),
            row_refs=(),
            row_commodities=np.zeros(0, dtype=np.int64),
            row_periods=np.zeros(0, dtype=np.int64),
        )

    @property
    def columns(self) -> int:
        """Number of columns."""
        return len(self.cost)

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.row_lower)

    def start(self, kind: ColumnKind, ref: str, commodity: int = NO_COMMODITY) -> int | None:
        """Return the first column of a block, or None if there is no such block."""
        return self.starts.get((kind, ref, commodity))

    def column_label(self, column: int) -> ColumnLabel:
        """Return what a column stands for."""
        kind, ref, commodity = self.blocks[column // self.periods]
        name = None if commodity == NO_COMMODITY else self.commodities[commodity]
        return ColumnLabel(kind, ref, name, column % self.periods + 1)

    def row_label(self, row: int) -> RowLabel:
        """Return what a row stands for."""
        commodity, period = int(self.row_commodities[row]), int(self.row_periods[row])
        return RowLabel(
            self.row_rules[row],
            self.row_refs[row],
            None if commodity == NO_COMMODITY else self.commodities[commodity],
            None if period < 0 else period + 1,
        )

    def objective(self, values: FloatArray) -> float:
        """Return the network's objective (in its own sense) of column values."""
        return self.sign * (float(self.cost @ values) + self.constant)

    def contradictory_column(self) -> int | None:
        """Return the first column whose lower bound lies above its upper, if any."""
        bad = np.flatnonzero(self.lower > self.upper)
        return int(bad[0]) if len(bad) else None


@dataclass(slots=True)
class _Rows:
    """Rows collected so far."""

    lower: list[FloatArray] = field(default_factory=list)
    upper: list[FloatArray] = field(default_factory=list)
    rules: list[RowRule] = field(default_factory=list)
    refs: list[str] = field(default_factory=list)
    commodities: list[IntArray] = field(default_factory=list)
    periods: list[IntArray] = field(default_factory=list)
    count: int = 0


class ProgramBuilder:
    """Collects columns, rows and entries in arrays."""

    def __init__(self, periods: int, commodities: tuple[str, ...]) -> None:
        self.periods, self.commodities = periods, commodities
        self.blocks: list[BlockKey] = []
        self.starts: dict[BlockKey, int] = {}
        self._cost: list[FloatArray] = []
        self._lower: list[FloatArray] = []
        self._upper: list[FloatArray] = []
        self._integer: list[NDArray[np.bool_]] = []
        self._rows = _Rows()
        self._entries: list[tuple[IntArray, IntArray, FloatArray]] = []
        self._right_side: list[tuple[IntArray, FloatArray]] = []

    def add_columns(
        self,
        kind: ColumnKind,
        ref: str,
        commodity: int,
        *,
        lower: FloatArray | float = 0.0,
        upper: FloatArray | float = INF,
        cost: FloatArray | float = 0.0,
        integer: bool = False,
    ) -> int:
        """Add a block of T columns; return the first."""
        key = (kind, ref, commodity)
        if key in self.starts:
            raise ValueError(f"the columns {key} exist already")
        start = len(self.blocks) * self.periods
        self.blocks.append(key)
        self.starts[key] = start
        for target, value in ((self._lower, lower), (self._upper, upper), (self._cost, cost)):
            target.append(np.array(np.broadcast_to(np.asarray(value, float), (self.periods,))))
        self._integer.append(np.full(self.periods, integer))
        return start

    def start(self, kind: ColumnKind, ref: str, commodity: int = NO_COMMODITY) -> int | None:
        """Return the first column of a block, or None."""
        return self.starts.get((kind, ref, commodity))

    def add_rows(
        self,
        rule: RowRule,
        ref: str,
        commodity: int,
        periods: IntArray,
        *,
        lower: FloatArray | float = -INF,
        upper: FloatArray | float = INF,
    ) -> IntArray:
        """Add a row for each of ``periods`` (from 0, -1 for the horizon); return their numbers."""
        rows, count = self._rows, len(periods)
        numbers = np.arange(rows.count, rows.count + count)
        rows.lower.append(np.array(np.broadcast_to(np.asarray(lower, float), (count,))))
        rows.upper.append(np.array(np.broadcast_to(np.asarray(upper, float), (count,))))
        rows.rules.extend([rule] * count)
        rows.refs.extend([ref] * count)
        rows.commodities.append(np.full(count, commodity))
        rows.periods.append(np.asarray(periods, dtype=np.int64))
        rows.count += count
        return numbers

    def add_entries(self, rows: IntArray, columns: IntArray, values: FloatArray | float) -> None:
        """Add ``values`` at (rows, columns); entries at the same place add up."""
        spread = np.array(np.broadcast_to(np.asarray(values, float), rows.shape))
        self._entries.append((rows, columns, spread))

    def add_to_sides(self, rows: IntArray, values: FloatArray) -> None:
        """Add ``values`` to both sides of rows."""
        self._right_side.append((rows, values))

    def finish(self, *, sign: float, constant: float) -> Program:
        """Return the program; ``constant`` counts in the minimised objective."""
        rows = self._rows
        columns = len(self.blocks) * self.periods
        lower, upper = _joined(rows.lower), _joined(rows.upper)
        for numbers, values in self._right_side:
            np.add.at(lower, numbers, values)
            np.add.at(upper, numbers, values)
        return Program(
            periods=self.periods,
            commodities=self.commodities,
            sign=sign,
            constant=constant,
            cost=_joined(self._cost),
            lower=_joined(self._lower),
            upper=_joined(self._upper),
            integer=np.concatenate(self._integer) if self._integer else np.zeros(0, bool),
            matrix=self._matrix(rows.count, columns),
            row_lower=lower,
            row_upper=upper,
            blocks=tuple(self.blocks),
            starts=dict(self.starts),
            row_rules=tuple(rows.rules),
            row_refs=tuple(rows.refs),
            row_commodities=_joined_whole(rows.commodities),
            row_periods=_joined_whole(rows.periods),
        )

    def _matrix(self, rows: int, columns: int) -> sparse.csr_array:
        numbers = _joined_whole([entry[0] for entry in self._entries])
        places = _joined_whole([entry[1] for entry in self._entries])
        values = _joined([entry[2] for entry in self._entries])
        matrix = sparse.csr_array((values, (numbers, places)), shape=(rows, columns))
        matrix.sum_duplicates()
        matrix.eliminate_zeros()
        return matrix


def _joined(parts: Sequence[FloatArray]) -> FloatArray:
    return np.concatenate(parts) if parts else np.zeros(0)


def _joined_whole(parts: Sequence[IntArray]) -> IntArray:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
