"""A table in a CSV file: commas or semicolons, quotes as in RFC 4180."""

from __future__ import annotations

import csv
import hashlib
import io
from pathlib import Path

from bulkflow.errors import Fault, InputError
from bulkflow.reading.cells import NumberStyle, is_blank
from bulkflow.reading.grid import Grid, GridRow
from bulkflow.reading.textfile import MAXIMUM_TABLE_BYTES, decoded, read_bytes

__all__ = ["read_csv"]

_STYLES = {",": NumberStyle.POINT, ";": NumberStyle.COMMA}


def read_csv(path: Path, name: str) -> Grid:
    """Read a CSV file; blank rows are left out.

    The separator is the one the header uses. Where it is a semicolon, numbers have a decimal
    comma (or a point that can be nothing else); where it is a comma, a decimal point.

    Raises
    ------
    InputError
        If the file is no text, empty, separated by something else or its quotes are not closed.
    """
    data = read_bytes(path, name, MAXIMUM_TABLE_BYTES)
    text = decoded(data, name)
    separator = _separator(text, name)
    rows = _rows(text, name, separator)
    header_row = next((row for row in rows if not all(map(is_blank, row.cells))), None)
    if header_row is None:
        mend = "Start it with a line of column names, or delete the file."
        raise InputError(Fault(name, 0, "", "is empty", mend))
    header = tuple(str(cell).strip() for cell in header_row.cells)
    kept, faults = [], []
    for row in rows[rows.index(header_row) + 1 :]:
        if all(map(is_blank, row.cells)):
            continue
        if len(row.cells) != len(header):
            found = f"has {len(row.cells)} cells where the header has {len(header)}"
            mend = "Fill up or take out cells; a text that holds the separator stands in quotes."
            faults.append(Fault(name, row.line, "", found, mend))
            continue
        kept.append(row)
    digest = hashlib.sha256(data).hexdigest()
    style = _STYLES[separator]
    return Grid(name, header_row.line, header, tuple(kept), style, digest, faults)


def _separator(text: str, name: str) -> str:
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        if ";" in line:
            return ";"
        if "," not in line and "\t" in line:
            mend = "Separate the columns with commas or semicolons."
            raise InputError(Fault(name, number, "", "is separated by tabs", mend))
        return ","
    return ","


def _rows(text: str, name: str, separator: str) -> list[GridRow]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[GridRow] = []
    line = 1
    try:
        for cells in reader:
            rows.append(GridRow(line, tuple(cells)))
            line = reader.line_num + 1
    except csv.Error as error:
        found = f"cannot be read from here on ({error})"
        mend = "Check the quotes: each opened one is closed, and one inside a text is doubled."
        raise InputError(Fault(name, line, "", found, mend)) from error
    return rows
