"""The cells of one table as a file or a workbook gives them, before they mean anything."""

from __future__ import annotations

from dataclasses import dataclass, field

from bulkflow.errors import Fault
from bulkflow.reading.cells import Cell, NumberStyle

__all__ = ["Grid", "GridRow", "column_letters"]


@dataclass(frozen=True, slots=True)
class GridRow:
    """One row.

    Parameters
    ----------
    line : line of the file on which it starts, or row of the sheet; from 1.
    cells : as many as the header has columns.
    """

    line: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Grid:
    """The header and the rows of a table.

    Parameters
    ----------
    file : file name, with the sheet of a workbook.
    header_line : line of the header.
    header : names of the columns, '' where a column has none.
    rows : those that are not blank.
    style : how numbers are written in it.
    sha256 : of the file.
    faults : rows that do not fit the header.
    """

    file: str
    header_line: int
    header: tuple[str, ...]
    rows: tuple[GridRow, ...]
    style: NumberStyle
    sha256: str
    faults: list[Fault] = field(default_factory=list)

    def column_name(self, index: int) -> str:
        """Say which column is meant: its name, in a workbook with its letters."""
        name = self.header[index]
        if self.style is NumberStyle.TYPED:
            return f"{name or 'column'} ({column_letters(index)})"
        return name or f"column {index + 1}"


def column_letters(index: int) -> str:
    """Return the letters a spreadsheet gives to column ``index``, from 0.

    Examples
    --------
    >>> column_letters(0), column_letters(27)
    ('A', 'AB')
    """
    letters = ""
    number = index + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
