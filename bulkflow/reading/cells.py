"""One cell of a table: from what a file or a workbook holds to a value of the model.

What could be read in two ways is refused, never guessed: ``1.500`` in a file with semicolons,
``05/01/2027``, thousands separators, numbers with units. What a spreadsheet would compute is
refused as well.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from enum import Enum

from bulkflow.reading.words import DAY_MEND, shown

__all__ = [
    "Cell",
    "CellKind",
    "CellTrouble",
    "NumberStyle",
    "is_blank",
    "read_bounded_number",
    "read_cell",
    "read_day",
    "read_number",
    "read_written_number",
]


class CellKind(Enum):
    """What a column holds."""

    TEXT = "text"
    LIST = "list"
    NUMBER = "number"
    COUNT = "count"
    DAY = "day"


class NumberStyle(Enum):
    """How numbers are written in a table."""

    POINT = "point"
    """A file separated by commas: a decimal point."""
    COMMA = "comma"
    """A file separated by semicolons: a decimal comma, or a point that can be nothing else."""
    TYPED = "typed"
    """A workbook: its cells are numbers already."""


@dataclass(frozen=True, slots=True)
class CellTrouble:
    """Why a cell cannot be used.

    Parameters
    ----------
    found : what was found, in words.
    mend : what would be right.
    """

    found: str
    mend: str


Cell = str | int | float | bool | date | datetime | time | CellTrouble | None

_POINT = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
_COMMA = re.compile(r"[-+]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
_WHOLE = re.compile(r"[-+]?[0-9]{1,18}")
_THOUSANDS = re.compile(r"[-+]?[0-9]{1,3}(?:[.,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]+)?")
_AMBIGUOUS = re.compile(r"[-+]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_MOST_DIGITS = 18
_FIRST_YEAR, _LAST_YEAR = 1900, 2199
_ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_LIST_SEPARATOR = re.compile(r"[|;]")

_FORMULA = CellTrouble(
    "starts with '=', as a formula does", "Write the value itself; a table is never computed."
)
_NUMBER_MENDS = {
    NumberStyle.POINT: "Write a number: a point for decimals, no separators, no unit.",
    NumberStyle.COMMA: "Write a number: a comma for decimals, no separators, no unit.",
    NumberStyle.TYPED: "Make the cell a number, without a unit.",
}


def is_blank(cell: Cell) -> bool:
    """Whether a cell says nothing."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def read_cell(cell: Cell, kind: CellKind, style: NumberStyle) -> object:
    """Return the value of a cell that is not blank, or a :class:`CellTrouble`.

    Examples
    --------
    >>> read_cell("1,5", CellKind.NUMBER, NumberStyle.COMMA)
    1.5
    """
    if isinstance(cell, CellTrouble):
        return cell
    if isinstance(cell, str):
        cell = cell.strip().replace("\r\n", "\n").replace("\r", "\n")
        if cell.startswith("="):
            return _FORMULA
    if kind is CellKind.DAY:
        return _day(cell)
    if kind is CellKind.NUMBER:
        number = read_number(cell, style)
        return float(number) if isinstance(number, Decimal) else number
    if kind is CellKind.COUNT:
        return _count(cell, style)
    text = _text(cell)
    if kind is CellKind.LIST and isinstance(text, str):
        return [part.strip() for part in _LIST_SEPARATOR.split(text) if part.strip()]
    return text


def _day(cell: Cell) -> object:
    if isinstance(cell, datetime):
        if cell.time() != time(0):
            return CellTrouble(f"is {cell:%Y-%m-%d %H:%M}", "Give a day without a time of day.")
        return cell.date()
    day = read_day(cell)
    return CellTrouble(f"is {_said(cell)}", day) if isinstance(day, str) else day


def read_day(value: object) -> date | str:
    """Return the day that a date, or a text in the one form that means it everywhere, names.

    Where there is none, return what would be right.

    Examples
    --------
    >>> read_day("2027-02-30"), read_day("30.1.2027")
    ('The calendar has no such day.', 'Write a day as year-month-day, such as 2027-01-04.')
    """
    day: object = value
    if isinstance(value, str) and _ISO_DAY.fullmatch(value):
        try:
            day = date.fromisoformat(value)
        except ValueError:
            return "The calendar has no such day."
    if not isinstance(day, date) or isinstance(day, datetime):
        return DAY_MEND
    # A year such as 0027 or 9999 is a slip, and days reckoned from it would leave the calendar.
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        return f"Its year lies between {_FIRST_YEAR} and {_LAST_YEAR}; correct it."
    return day


def read_number(cell: Cell, style: NumberStyle) -> Decimal | CellTrouble:
    """Return the number a cell that is not blank holds, exactly as it is written.

    Examples
    --------
    >>> read_number("8.750", NumberStyle.POINT)
    Decimal('8.750')
    >>> read_number("8.750", NumberStyle.COMMA).mend
    'Write 8750 or 8.75, whichever is meant.'
    """
    if isinstance(cell, CellTrouble):
        return cell
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        # A spreadsheet keeps fifteen digits; what reckoning leaves behind them says nothing.
        return _usable(Decimal(cell if isinstance(cell, int) else f"{cell:.15g}"), cell)
    if not isinstance(cell, str) or style is NumberStyle.TYPED:
        return CellTrouble(f"is {_said(cell)}", _NUMBER_MENDS[style])
    text = cell.strip()
    if text.startswith("="):
        return _FORMULA
    comma = style is NumberStyle.COMMA
    if len(text) > 40 or not (_POINT.fullmatch(text) or (comma and _COMMA.fullmatch(text))):
        return _no_number(text, style)
    if comma and _AMBIGUOUS.fullmatch(text) and "." in text:
        return _in_two_ways(text)
    return _usable(Decimal(text.replace(",", ".")), text)


def read_written_number(text: str, style: NumberStyle) -> Decimal | CellTrouble:
    """Return a number written inside a text.

    In a workbook a text has no rule of its own: there a comma or a point is taken as the decimal
    mark, and what could be a thousand is refused.
    """
    if style is not NumberStyle.TYPED:
        return read_number(text, style)
    if _AMBIGUOUS.fullmatch(text):
        return _in_two_ways(text)
    return read_number(text, NumberStyle.COMMA)


def read_bounded_number(cell: Cell, style: NumberStyle) -> tuple[str, Decimal | CellTrouble]:
    """Return '<', '>' or '=', and the number beside it: ``<0.5`` where only that is known."""
    text = cell.strip() if isinstance(cell, str) else ""
    if not text.startswith(("<", ">")):
        return "=", read_number(cell, style)
    return text[0], read_written_number(text[1:].strip(), style)


def _usable(number: Decimal, cell: Cell) -> Decimal | CellTrouble:
    if not number.is_finite() or number.adjusted() > _MOST_DIGITS:
        return CellTrouble(f"is {_said(cell)}", "Write a number of a size that can be.")
    return number


def _in_two_ways(text: str) -> CellTrouble:
    """Refuse a number, and give each reading a spelling that every decimal rule reads alike."""
    whole, fraction = re.split("[.,]", text)
    # 1.2340 has a digit too many for a thousand, 8.75 one too few.
    short = fraction.rstrip("0")
    decimal = f"{whole}.{short if len(short) < 3 else short + '0'}" if short else whole
    found = f"is {shown(text)}, which can be read in two ways"
    return CellTrouble(found, f"Write {whole}{fraction} or {decimal}, whichever is meant.")


def _no_number(text: str, style: NumberStyle) -> CellTrouble:
    if _AMBIGUOUS.fullmatch(text):
        return _in_two_ways(text)
    if style is NumberStyle.POINT and _COMMA.fullmatch(text):
        mend = "a decimal comma is read only in a file separated by semicolons"
        return CellTrouble(f"is {shown(text)}", f"Write {text.replace(',', '.')}; {mend}.")
    if _THOUSANDS.fullmatch(text):
        return CellTrouble(f"is {shown(text)}", "Write it without thousands separators.")
    return CellTrouble(f"is {shown(text)}", _NUMBER_MENDS[style])


def _count(cell: Cell, style: NumberStyle) -> object:
    if isinstance(cell, int) and not isinstance(cell, bool):
        return cell
    if isinstance(cell, float) and cell.is_integer():
        return int(cell)
    if isinstance(cell, str) and style is not NumberStyle.TYPED and _WHOLE.fullmatch(cell):
        return int(cell)
    return CellTrouble(f"is {_said(cell)}", "Write a whole number.")


def _text(cell: Cell) -> object:
    if isinstance(cell, str):
        return cell
    # A spreadsheet makes a number of an id such as 12.
    if isinstance(cell, int) and not isinstance(cell, bool):
        return str(cell)
    return CellTrouble(f"is {_said(cell)}", "Make the cell a text.")


def _said(cell: Cell) -> str:
    if isinstance(cell, datetime | date | time):
        return f"the date or time {cell}"
    return shown(cell)
