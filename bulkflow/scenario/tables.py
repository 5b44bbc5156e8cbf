"""The tables of a workspace: their files, their columns, and the field each column fills.

Columns carry ids as ``..._id`` and their unit; this is the one place that maps them to the
fields of the model. The writer and the reader share it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from bulkflow.errors import Fault
from bulkflow.reading.cells import CellKind
from bulkflow.reading.grid import Grid
from bulkflow.reading.rows import Row, columns_of
from bulkflow.scenario.model import (
    DemandRow,
    ExchangeRateRow,
    IssuedLoadRow,
    LoadRow,
    Lot,
    OpeningStockRow,
    PriceRow,
    Record,
)

__all__ = ["LIST_SEPARATOR", "TABLES", "Column", "RowRead", "Table", "TableRead", "read_table"]

LIST_SEPARATOR = "|"
"""Written between the items of one cell; ``;`` is read as well."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name in the file, the field it fills, what it holds."""

    name: str
    field: str
    kind: CellKind = CellKind.TEXT


@dataclass(frozen=True, slots=True)
class Table:
    """A table: its name in files, its field of the scenario, its rows' type and columns.

    ``passed_over`` are columns that others read from the same file, and the plan does not need.
    ``needs_rows``: a file without rows is a slip; elsewhere it says that there is nothing.
    """

    name: str
    field: str
    model: type[Record]
    columns: tuple[Column, ...]
    id_field: str | None = None
    passed_over: tuple[str, ...] = ()
    needs_rows: bool = False

    @property
    def required(self) -> list[str]:
        """Names of the columns that every file must have."""
        fields = self.model.model_fields
        return [column.name for column in self.columns if fields[column.field].is_required()]


_SITE = Column("site_id", "site")
_LIQUID = Column("liquid_id", "liquid")
_SUPPLIER = Column("supplier_id", "supplier")
_LANE = Column("lane_id", "lane")
_TANK_TYPE = Column("tank_type_id", "tank_type")
_FIRST_DAY = Column("first_day", "first_day", CellKind.DAY)
_PERIOD_START = Column("period_start", "period_start", CellKind.DAY)
_LPA = Column("lpa", "lpa", CellKind.NUMBER)

_ALL = (
    Table(
        "demand",
        "demand",
        DemandRow,
        (
            _SITE,
            _PERIOD_START,
            _LIQUID,
            _LPA,
            Column("product_id", "product"),
            Column("cases", "cases", CellKind.NUMBER),
            Column("market_id", "market"),
            Column("priority_id", "priority"),
        ),
        needs_rows=True,
    ),
    Table(
        "opening_lots",
        "lots",
        Lot,
        (
            Column("lot_id", "lot_id"),
            _LIQUID,
            _SITE,
            Column("tank_id", "tank"),
            Column("litres_20c", "litres_20c", CellKind.NUMBER),
            Column("strength_percent", "strength_percent", CellKind.NUMBER),
            Column("status", "status"),
            Column("decision_due", "decision_due", CellKind.DAY),
            Column("made_on", "made_on", CellKind.DAY),
            Column("spirit_base", "spirit_base"),
            _SUPPLIER,
            Column("restrictions", "restrictions", CellKind.LIST),
            Column("note", "note"),
        ),
        id_field="lot_id",
        # Of the register of lots, which takes its first lots from the same file.
        passed_over=("markets", "stage"),
    ),
    Table("opening_stock", "opening_stock", OpeningStockRow, (_SITE, _LIQUID, _LPA, _SUPPLIER)),
    Table(
        "prices",
        "prices",
        PriceRow,
        (_SUPPLIER, _LIQUID, _FIRST_DAY, Column("price_per_lpa", "price_per_lpa", CellKind.NUMBER)),
    ),
    Table(
        "exchange_rates",
        "exchange_rates",
        ExchangeRateRow,
        (Column("currency", "currency"), _FIRST_DAY, Column("rate", "rate", CellKind.NUMBER)),
    ),
    Table(
        "loads",
        "loads",
        LoadRow,
        (
            Column("load_id", "load_id"),
            _LANE,
            _LIQUID,
            _TANK_TYPE,
            Column("state", "state"),
            Column("departs_on", "departs_on", CellKind.DAY),
            Column("usable_on", "usable_on", CellKind.DAY),
            _LPA,
            _SUPPLIER,
            Column("in_tank_of", "in_tank_of"),
        ),
        id_field="load_id",
    ),
    Table(
        "issued_loads",
        "issued_loads",
        IssuedLoadRow,
        (_LANE, _LIQUID, _TANK_TYPE, _PERIOD_START, Column("loads", "loads", CellKind.COUNT)),
    ),
)
TABLES: dict[str, Table] = {table.name: table for table in _ALL}
"""Table by its name in files, in the order of the documentation."""


@dataclass(frozen=True, slots=True)
class RowRead:
    """A row: where it is, its record (None where its shape is wrong), its id if it has one."""

    line: int
    record: Record | None
    record_id: str | None


@dataclass
class TableRead:
    """A table as read.

    Parameters
    ----------
    file : file name, with the sheet of a workbook.
    columns : field -> what its column is called to the user.
    rows : in the order of the file.
    faults : what is wrong with header, rows and cells.
    """

    file: str
    columns: dict[str, str] = field(default_factory=dict)
    rows: list[RowRead] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


def read_table(grid: Grid, table: Table) -> TableRead:
    """Turn the cells of a table into records, with every fault of its shape.

    Raises
    ------
    InputError
        If it lacks a column that every row needs.
    """
    names = [column.name for column in table.columns]
    columns, faults = columns_of(grid, table.required, names, table.passed_over)
    if table.needs_rows and not grid.rows and not faults:
        mend = "Add the rows, or take the file out."
        faults.append(Fault(grid.file, 0, "", "has a header but no rows", mend))
    column_of = {column.field: column.name for column in table.columns}
    read = TableRead(grid.file, faults=faults)
    read.columns = {
        field: grid.column_name(columns[name]) if name in columns else name
        for field, name in column_of.items()
    }
    for cells in grid.rows:
        row = Row(grid, cells, columns)
        values = {column.field: row.value(column.name, column.kind) for column in table.columns}
        record = row.build(table.model, values, column_of)
        given = values.get(table.id_field) if table.id_field else None
        read.faults.extend(row.faults)
        read.rows.append(RowRead(row.line, record, given if isinstance(given, str) else None))
    return read
