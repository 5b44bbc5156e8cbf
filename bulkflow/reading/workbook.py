"""A table in a sheet of a workbook (.xlsx, .xlsm).

Cells are taken as last saved: a formula counts with the value its spreadsheet computed, and is
refused where the file holds none (a program wrote it and no spreadsheet has opened it since).
Macros and links are never followed.
"""

from __future__ import annotations

import hashlib
import io
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree.ElementTree import ParseError

from bulkflow.errors import Fault, InputError
from bulkflow.reading.cells import Cell, CellTrouble, NumberStyle, is_blank
from bulkflow.reading.grid import Grid, GridRow, column_letters
from bulkflow.reading.textfile import MAXIMUM_TABLE_BYTES, read_bytes
from bulkflow.reading.words import MOST_TOLD, did_you_mean
from bulkflow.wording import listed

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook

__all__ = ["read_workbook"]

MAXIMUM_UNPACKED_BYTES = 300_000_000

_NO_VALUE = CellTrouble(
    "is a formula without a saved value",
    "Open the workbook in a spreadsheet and save it, or write the value itself.",
)
# What the library raises on files that are no workbooks, or broken ones.
_BROKEN = (
    zipfile.BadZipFile,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    EOFError,
    ParseError,
)


def read_workbook(path: Path, name: str, table: str, sheet: str | None = None) -> Grid:
    """Read one sheet; its first row that is not blank is the header.

    Parameters
    ----------
    path, name : the workbook, and what it is called in faults.
    table : name of the table.
    sheet : the sheet; None for the one that bears the name of the table, or the only one.

    Raises
    ------
    InputError
        If the file is no workbook, unpacks to more than is reasonable, or lacks the sheet.
    """
    data = read_bytes(path, name, MAXIMUM_TABLE_BYTES)
    try:
        _refuse_what_unpacks_too_large(data, name)
        values = _open(data, computed=True)
        formulas = _open(data, computed=False)
        chosen = _choose([each.title for each in values.worksheets], name, sheet, table)
        rows = list(_rows(values[chosen], formulas[chosen]))
    except _BROKEN as error:
        mend = "Save it again as a workbook (.xlsx), or as CSV UTF-8."
        fault = Fault(name, 0, "", "cannot be read as a workbook", mend)
        raise InputError(fault) from error
    return _grid(f"{name}, sheet {chosen}", rows, hashlib.sha256(data).hexdigest())


def _refuse_what_unpacks_too_large(data: bytes, name: str) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        size = sum(item.file_size for item in packed.infolist())
    if size > MAXIMUM_UNPACKED_BYTES:
        found = f"unpacks to {size:,} bytes"
        mend = f"At most {MAXIMUM_UNPACKED_BYTES:,} are read; take out what is not needed."
        raise InputError(Fault(name, 0, "", found, mend))


def _open(data: bytes, *, computed: bool) -> Workbook:
    from openpyxl import load_workbook

    with warnings.catch_warnings():
        # Styles, drawings and validations that are passed over; they change no value.
        warnings.simplefilter("ignore", UserWarning)
        return load_workbook(io.BytesIO(data), read_only=True, data_only=computed, keep_links=False)


def _choose(sheets: list[str], name: str, sheet: str | None, table: str) -> str:
    if sheet is not None:
        if sheet in sheets:
            return sheet
        mend = did_you_mean(sheet, sheets, f"Its sheets are {listed(sheets, MOST_TOLD)}.")
        raise InputError(Fault(name, 0, "", f"has no sheet {sheet!r}", mend))
    if table in sheets:
        return table
    if len(sheets) == 1:
        return sheets[0]
    mend = (
        f"Call the one to be read {table}; a table of a workspace may be named under tables, such"
    )
    mend += f" as {table}: {name}#{sheets[0] if sheets else 'Sheet1'}."
    found = f"has {len(sheets)} sheets and none is called {table}"
    raise InputError(Fault(name, 0, "", found, mend))


def _rows(values: Any, formulas: Any) -> Iterator[GridRow]:
    # The size a file claims for a sheet can be wrong; the rows themselves are not.
    values.reset_dimensions()
    formulas.reset_dimensions()
    pairs = zip(values.iter_rows(), formulas.iter_rows(), strict=True)
    for number, (shown, written) in enumerate(pairs, start=1):
        cells = tuple(_cell(a, b) for a, b in zip(shown, written, strict=True))
        if not all(is_blank(cell) for cell in cells):
            yield GridRow(number, cells)


def _cell(shown: Any, written: Any) -> Cell:
    if written.data_type == "f" and shown.value is None:
        return _NO_VALUE
    if shown.data_type == "e":
        return CellTrouble(f"is the error {shown.value}", "Mend the formula, or write the value.")
    value: Cell = shown.value
    return value


def _grid(label: str, rows: list[GridRow], digest: str) -> Grid:
    if not rows:
        mend = "Start it with a row of column names, or leave the table out."
        raise InputError(Fault(label, 0, "", "is empty", mend))
    first = rows[0]
    header = tuple(_header(first.cells))
    kept, faults = [], []
    for row in rows[1:]:
        beyond = [i for i, cell in enumerate(row.cells) if i >= len(header) and not is_blank(cell)]
        if beyond:
            found = f"has a value in column {column_letters(beyond[0])}, which has no name"
            faults.append(Fault(label, row.line, "", found, "Name the column or clear it."))
            continue
        padded = (*row.cells[: len(header)], *(None,) * (len(header) - len(row.cells)))
        kept.append(GridRow(row.line, padded))
    return Grid(label, first.line, header, tuple(kept), NumberStyle.TYPED, digest, faults)


def _header(cells: Iterable[Cell]) -> list[str]:
    names = ["" if is_blank(cell) else str(cell).strip() for cell in cells]
    while names and not names[-1]:
        names.pop()
    return names
