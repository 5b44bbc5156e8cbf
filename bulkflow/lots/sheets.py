"""Reading the register's CSV tables, with every fault told at once.

UTF-8 (with or without a byte-order mark); commas, or semicolons with decimal points or commas;
a header of known columns, in any order; dates as YYYY-MM-DD; numbers without exponents or
thousands marks; no text that a spreadsheet would run as a formula.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.lots.faults import faults_of
from bulkflow.records.kinds import Body

__all__ = ["Row", "Sheet", "build", "read_sheet"]

#: Larger files than this are refused before they are read (100,000 lots are about 12 MB).
LARGEST_BYTES = 256 * 1024 * 1024

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_NUMBER = re.compile(r"[+-]?\d{1,18}(\.\d{1,18})?")
_RUNS = ("=", "+", "@", "\t", "-")

T = TypeVar("T", bound=Body)


@dataclass(frozen=True)
class Sheet:
    """A table as read: its name, digest and rows."""

    name: str
    sha256: str
    rows: tuple[Row, ...]


@dataclass
class Row:
    """One row: its line, its cells by column, and a place for faults.

    Reading a cell that is wrong notes a fault and gives None.
    """

    file: str
    line: int
    cells: dict[str, str]
    decimal_comma: bool
    faults: list[Fault] = field(default_factory=list)

    def fault(self, column: str, found: str, mend: str) -> None:
        """Note a fault in a column."""
        self.faults.append(Fault(self.file, self.line, column, found, mend))

    def text(self, column: str) -> str | None:
        """Return a cell's text; None where it is empty."""
        value = self.cells.get(column, "").strip()
        if not value:
            return None
        if value.startswith(_RUNS):
            self.fault(column, f"is {value[:40]!r}", "A text may not start like a formula.")
            return None
        return value

    def needed(self, column: str) -> str | None:
        """Return a cell's text; its absence is a fault."""
        if not self.cells.get(column, "").strip():
            self.fault(column, "is empty", "Give it.")
        return self.text(column)

    def number(self, column: str, *, needed: bool = False) -> Decimal | None:
        """Return a cell as a decimal number."""
        value = self.cells.get(column, "").strip()
        if not value:
            if needed:
                self.fault(column, "is empty", "Give a number.")
            return None
        plain = value.replace(",", ".") if self.decimal_comma and "." not in value else value
        if not _NUMBER.fullmatch(plain):
            mend = "Give a plain number such as 1234.5, without marks for thousands."
            self.fault(column, f"is {value[:40]!r}, not a number", mend)
            return None
        return Decimal(plain)

    def day(self, column: str) -> date | None:
        """Return a cell as a date."""
        value = self.cells.get(column, "").strip()
        if not value:
            return None
        try:
            if _DATE.fullmatch(value):
                return date.fromisoformat(value)
        except ValueError:
            pass  # such as 30 February: told below like any other text
        self.fault(column, f"is {value[:40]!r}, not a date", "Give a date as YYYY-MM-DD.")
        return None

    def choice(self, column: str, choices: Sequence[str]) -> str | None:
        """Return a cell that must be one of a few words."""
        value = self.needed(column)
        if value is not None and value not in choices:
            self.fault(column, f"is {value[:40]!r}", f"Give one of {', '.join(choices)}.")
            return None
        return value

    def words(self, column: str) -> tuple[str, ...]:
        """Return a cell's words, separated by semicolons or bars."""
        value = self.text(column) or ""
        parts = (part.strip() for part in re.split(r"[;|]", value))
        return tuple(dict.fromkeys(part for part in parts if part))


def read_sheet(path: Path, *, needed: Sequence[str], known: Sequence[str]) -> Sheet:
    """Read a table.

    Parameters
    ----------
    needed : columns that must be there.
    known : all columns that may be there.

    Raises
    ------
    InputError
        With every fault of its form.
    """
    data = _bytes(path)
    text = _decoded(path, data)
    header_line = text.split("\n", 1)[0]
    semicolons = header_line.count(";") > header_line.count(",")
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=";" if semicolons else ",", strict=True
    )
    try:
        header = [name.strip() for name in next(reader, [])]
        _check_header(path.name, header, needed, known)
        rows = _rows(path.name, reader, header, decimal_comma=semicolons)
    except csv.Error as error:
        mend = "Close every quotation mark, and save the table as CSV."
        fault = Fault(path.name, reader.line_num, "", f"is not a table: {error}", mend)
        raise InputError(fault) from error
    return Sheet(path.name, hashlib.sha256(data).hexdigest(), rows)


def build(kind: type[T], row: Row, values: dict[str, Any]) -> T | None:
    """Return a body made of `values`, or None with its faults noted in the row."""
    if row.faults:
        return None
    try:
        return kind.model_validate({k: v for k, v in values.items() if v is not None})
    except ValidationError as error:
        row.faults.extend(faults_of(error, file=row.file, line=row.line))
        return None


def _bytes(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            mend = f"Give a table of at most {LARGEST_BYTES // 1024**2} MB."
            raise InputError(Fault(path.name, 0, "", "is too large", mend))
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        mend = "Check its name and rights."
        fault = Fault(path.name, 0, "", f"cannot be read ({reason})", mend)
        raise InputError(fault) from error


def _decoded(path: Path, data: bytes) -> str:
    mend = "Save the table as CSV in UTF-8."
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(Fault(path.name, line, "", "is not in UTF-8", mend)) from error
    if "\x00" in text:
        line = text[: text.index("\x00")].count("\n") + 1
        raise InputError(Fault(path.name, line, "", "holds a NUL character", mend))
    if not text.strip():
        raise InputError(Fault(path.name, 0, "", "is empty", "Give a header line and rows."))
    return text


def _check_header(
    file: str, header: Sequence[str], needed: Sequence[str], known: Sequence[str]
) -> None:
    faults = []
    for name in dict.fromkeys(header):
        if name not in known:
            close = get_close_matches(name, known, n=1)
            mend = f"Did you mean {close[0]}?" if close else f"Known are {', '.join(known)}."
            faults.append(Fault(file, 1, f"column {name[:40]!r}", "is not known", mend))
        elif header.count(name) > 1:
            faults.append(Fault(file, 1, f"column {name!r}", "is there twice", "Keep one."))
    faults.extend(
        Fault(file, 1, f"column {name!r}", "is missing", "Add it.")
        for name in needed
        if name not in header
    )
    if faults:
        raise InputError(faults)


def _rows(file: str, reader: Any, header: Sequence[str], *, decimal_comma: bool) -> tuple[Row, ...]:
    rows: list[Row] = []
    while True:
        line = reader.line_num + 1
        cells = next(reader, None)
        if cells is None:
            return tuple(rows)
        if not any(cell.strip() for cell in cells):
            continue
        row = Row(file, line, dict(zip(header, cells, strict=False)), decimal_comma)
        if len(cells) != len(header):
            found = f"has {len(cells)} cells"
            row.fault("", found, f"The header has {len(header)}; quote texts that hold commas.")
        rows.append(row)
