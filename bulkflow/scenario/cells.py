"""One cell of a table: from what a file or a workbook holds to a value of the model.

What could be read in two ways is refused, never guessed: ``1.500`` in a file with semicolons,
``05/01/2027``, thousands separators, numbers with units. What a spreadsheet would compute is
refused as well.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import Enum

from bulkflow.scenario.shape import DAY_MEND, listed, shown

__all__ = ["Cell", "CellKind", "CellTrouble", "NumberStyle", "is_blank", "read_cell"]


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
_AMBIGUOUS_POINT = re.compile(r"[-+]?[1-9][0-9]{0,2}\.[0-9]{3}")
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
        return _number(cell, style)
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
    # The model reads a text in ISO form, and says what is wrong with any other.
    if isinstance(cell, str | date):
        return cell
    return CellTrouble(f"is {_said(cell)}", DAY_MEND)


def _number(cell: Cell, style: NumberStyle) -> object:
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return float(cell)
    if not isinstance(cell, str) or style is NumberStyle.TYPED:
        return CellTrouble(f"is {_said(cell)}", _NUMBER_MENDS[style])
    if style is NumberStyle.COMMA:
        return _number_between_semicolons(cell)
    if len(cell) <= 40 and _POINT.fullmatch(cell):
        return float(cell)
    return _no_number(cell, style)


def _number_between_semicolons(text: str) -> object:
    if _AMBIGUOUS_POINT.fullmatch(text):
        return _in_two_ways(text, text.replace(".", ""), text.replace(".", ","))
    if len(text) <= 40 and (_COMMA.fullmatch(text) or _POINT.fullmatch(text)):
        return float(text.replace(",", "."))
    return _no_number(text, NumberStyle.COMMA)


def _in_two_ways(text: str, *ways: str) -> CellTrouble:
    found = f"is {shown(text)}, which can be read in two ways"
    return CellTrouble(found, f"Write {listed(ways)}.")


def _no_number(text: str, style: NumberStyle) -> CellTrouble:
    if style is NumberStyle.POINT and _COMMA.fullmatch(text):
        with_point = text.replace(",", ".")
        if _AMBIGUOUS_POINT.fullmatch(with_point):
            return _in_two_ways(text, text.replace(",", ""), with_point)
        mend = "a decimal comma is read only in a file separated by semicolons"
        return CellTrouble(f"is {shown(text)}", f"Write {with_point}; {mend}.")
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
