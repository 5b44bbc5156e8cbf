"""The rows of a table as a reader of records asks for them: a cell at a time, by column.

Asking for a cell that is wrong notes a fault and gives None; once every row has been asked, all
faults of the table are raised together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path, PurePath
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.reading.cells import (
    Cell,
    CellKind,
    CellTrouble,
    is_blank,
    read_bounded_number,
    read_cell,
    read_number,
)
from bulkflow.reading.csvfile import read_csv
from bulkflow.reading.faults import told_once
from bulkflow.reading.grid import Grid, GridRow
from bulkflow.reading.shape import field_path, shape_faults
from bulkflow.reading.words import MOST_TOLD, did_you_mean, figure, shown
from bulkflow.reading.workbook import read_workbook
from bulkflow.wording import listed

__all__ = ["TABLE_SUFFIXES", "Row", "Sheet", "columns_of", "read_grid", "read_sheet", "sheet_of"]

WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")
TABLE_SUFFIXES = (".csv", *WORKBOOK_SUFFIXES)

_MOST_DECIMALS = 18
_RUNS = ("=", "+", "-", "@")
_NO_FORMULA = "A text does not start with = + - or @ (as a formula does)."

T = TypeVar("T", bound=BaseModel)


def read_grid(path: Path, name: str, table: str, sheet: str | None = None) -> Grid:
    """Read a table from a workbook, by its suffix, or from a CSV file.

    Parameters
    ----------
    path, name : the file, and what it is called in faults.
    table : name of the table, which the sheet of a workbook bears.
    sheet : another sheet.

    Raises
    ------
    InputError
        If the file is no table.
    """
    if PurePath(name).suffix.lower() in WORKBOOK_SUFFIXES:
        return read_workbook(path, name, table, sheet)
    return read_csv(path, name)


def columns_of(
    grid: Grid, needed: Sequence[str], known: Sequence[str], passed_over: Sequence[str] = ()
) -> tuple[dict[str, int], list[Fault]]:
    """Return where each known column stands, and the faults of the header.

    Parameters
    ----------
    needed : columns that must be there.
    known : all columns that may be there.
    passed_over : columns that others read, and nobody here asks for.

    Raises
    ------
    InputError
        Where a needed column is lacking: nothing more can be said of the rows.
    """
    places: dict[str, int] = {}
    faults = list(grid.faults)

    def fault(where: str, found: str, mend: str) -> None:
        faults.append(Fault(grid.file, grid.header_line, where, found, mend))

    for index, name in enumerate(grid.header):
        label = grid.column_name(index)[:60]
        if not name:
            if any(not is_blank(row.cells[index]) for row in grid.rows):
                fault(f"column {index + 1}", "has no name in the header", "Name it, or clear it.")
        elif name in places:
            fault(label, "is the name of two columns", "Keep one of them.")
        elif name in known or name in passed_over:
            places[name] = index
        else:
            fault(label, "is not a column known here", did_you_mean(name, known))
    if lacking := [name for name in needed if name not in places]:
        word = "column" if len(lacking) == 1 else "columns"
        mend = f"Its columns are {listed(list(known), most=20)}."
        fault("", f"lacks the {word} {listed(lacking, MOST_TOLD)}", mend)
        raise InputError(faults)
    return {name: index for name, index in places.items() if name in known}, faults


@dataclass
class Row:
    """One row, its cells by column, and a place for faults."""

    grid: Grid
    cells: GridRow
    columns: Mapping[str, int]
    faults: list[Fault] = field(default_factory=list)

    @property
    def file(self) -> str:
        """Name of the file, with the sheet of a workbook."""
        return self.grid.file

    @property
    def line(self) -> int:
        """Line of the file, or row of the sheet."""
        return self.cells.line

    def fault(self, column: str, found: str, mend: str) -> None:
        """Note a fault in a column ('' for the whole row)."""
        where = self._label(column) or column
        self.faults.append(Fault(self.file, self.line, where, found, mend))

    def plain(self, column: str) -> str:
        """Return what stands in a cell as plain words, unjudged; '' where it is blank."""
        cell = self._cell(column)
        if is_blank(cell):
            return ""
        if isinstance(cell, datetime):
            return (cell.date() if cell.time() == time(0) else cell).isoformat()
        if isinstance(cell, time):
            return f"{cell:%H:%M}"
        if isinstance(cell, float):
            return figure(cell)
        return cell.found if isinstance(cell, CellTrouble) else str(cell).strip()

    def plain_cells(self) -> dict[str, str]:
        """Return what the row says, by column; blank cells are left out."""
        cells = {column: self.plain(column) for column in self.columns}
        return {column: words for column, words in cells.items() if words}

    def text(self, column: str) -> str | None:
        """Return a cell's text; None where it is blank."""
        value = self.value(column, CellKind.TEXT)
        if isinstance(value, str) and value.startswith(_RUNS):
            self.fault(column, f"is {shown(value)}", _NO_FORMULA)
            return None
        return value if isinstance(value, str) else None

    def needed(self, column: str) -> str | None:
        """Return a cell's text; its absence is a fault."""
        self._refuse_blank(column)
        return self.text(column)

    def number(self, column: str, *, needed: bool = False) -> Decimal | None:
        """Return a cell's number, exactly as it is written."""
        return self.bounded_number(column, needed=needed, bounds=False)[1]

    def bounded_number(
        self, column: str, *, needed: bool = False, bounds: bool = True
    ) -> tuple[str, Decimal | None]:
        """Return '=', '<' or '>', and a cell's number."""
        if needed:
            self._refuse_blank(column)
        cell = self._cell(column)
        if is_blank(cell):
            return "=", None
        style = self.grid.style
        bound, number = (
            read_bounded_number(cell, style) if bounds else ("=", read_number(cell, style))
        )
        if isinstance(number, CellTrouble):
            self.fault(column, number.found, number.mend)
            return bound, None
        if int(number.as_tuple().exponent) < -_MOST_DECIMALS:
            self.fault(
                column, f"is {shown(str(number))}", f"Give {_MOST_DECIMALS} decimals at most."
            )
            return bound, None
        return bound, number

    def count(self, column: str, *, needed: bool = False) -> int | None:
        """Return a cell's whole number."""
        if needed:
            self._refuse_blank(column)
        value = self.value(column, CellKind.COUNT)
        return value if isinstance(value, int) else None

    def day(self, column: str, *, needed: bool = False) -> date | None:
        """Return a cell's day."""
        if needed:
            self._refuse_blank(column)
        value = self.value(column, CellKind.DAY)
        return value if isinstance(value, date) else None

    def choice(self, column: str, choices: Sequence[str]) -> str | None:
        """Return a cell that must be one of a few words; its absence is a fault."""
        self._refuse_blank(column)
        value = self.plain(column)
        if value and value not in choices:
            self.fault(
                column, f"is {shown(value)}", f"It is {listed(choices, MOST_TOLD, last='or')}."
            )
        return value if value in choices else None

    def words(self, column: str) -> tuple[str, ...]:
        """Return a cell's words, separated by semicolons or bars."""
        value = self.value(column, CellKind.LIST)
        return tuple(dict.fromkeys(value)) if isinstance(value, list) else ()

    def build(
        self,
        kind: type[T],
        values: Mapping[str, Any],
        columns: Mapping[str, str] | None = None,
    ) -> T | None:
        """Return a record made of ``values``, or None with its faults noted in the row.

        ``columns`` gives the column that fills each field, where they differ in name.
        """
        told = {fault.where for fault in self.faults}
        record = None
        try:
            record = kind.model_validate({k: v for k, v in values.items() if v is not None})
        except ValidationError as error:
            for fault in shape_faults(error, kind):
                if told and not fault.parts:
                    continue  # a judgement of the whole row, some cells of which are unknown
                first = str(fault.parts[0]) if fault.parts else ""
                column = (columns or {}).get(first, first)
                own = column if len(fault.parts) == 1 else field_path(fault.parts)
                where = self._label(column) or own
                if where not in told:
                    empty = fault.found == "is missing"
                    found = "is empty" if empty else fault.found
                    mend = "Every row needs it." if empty else fault.mend
                    self.faults.append(Fault(self.file, self.line, where, found, mend))
        return None if self.faults else record

    def _label(self, column: str) -> str:
        index = self.columns.get(column)
        return "" if index is None else self.grid.column_name(index)

    def _cell(self, column: str) -> Cell:
        index = self.columns.get(column)
        return None if index is None else self.cells.cells[index]

    def _refuse_blank(self, column: str) -> None:
        if is_blank(self._cell(column)):
            self.fault(column, "is empty", "Every row needs it.")

    def value(self, column: str, kind: CellKind) -> object:
        """Return what a cell holds, by the kind of its column; None where it is blank."""
        cell = self._cell(column)
        if is_blank(cell):
            return None
        value = read_cell(cell, kind, self.grid.style)
        if isinstance(value, CellTrouble):
            self.fault(column, value.found, value.mend)
            return None
        return value


@dataclass(frozen=True)
class Sheet:
    """A table as read: its name, digest and rows, and the faults of its form."""

    name: str
    sha256: str
    rows: tuple[Row, ...]
    faults: tuple[Fault, ...] = ()

    def all_faults(self, more: Iterable[Fault] = ()) -> Iterator[Fault]:
        """Yield the faults of the table and of its rows, and others beside them."""
        yield from self.faults
        for row in self.rows:
            yield from row.faults
        yield from more

    def raise_faults(self, more: Iterable[Fault] = ()) -> None:
        """Raise every fault of the table, or that it has no rows.

        Raises
        ------
        InputError
            If there is any.
        """
        faults = list(self.all_faults(more))
        if not faults and not self.rows:
            faults = [Fault(self.name, 0, "", "has a header but no rows", "Add the rows.")]
        if faults:
            raise InputError(told_once(faults))


def sheet_of(grid: Grid, *, needed: Sequence[str], known: Sequence[str]) -> Sheet:
    """Return the rows of a grid, by column.

    Raises
    ------
    InputError
        Where a needed column is lacking.
    """
    columns, faults = columns_of(grid, needed, known)
    rows = tuple(Row(grid, row, columns) for row in grid.rows)
    return Sheet(grid.file, grid.sha256, rows, tuple(faults))


def read_sheet(path: Path, table: str, *, needed: Sequence[str], known: Sequence[str]) -> Sheet:
    """Read a table a user names: a CSV file, or a workbook with a sheet of the table's name.

    Whoever reads it raises its faults with :meth:`Sheet.raise_faults` when all cells were asked.

    Raises
    ------
    InputError
        If the file is no table, or lacks a needed column.
    """
    return sheet_of(read_grid(path, path.name, table), needed=needed, known=known)
