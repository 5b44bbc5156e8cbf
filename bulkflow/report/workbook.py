"""A plan as a workbook, and back: one sheet a table, typed cells, frozen headings with units.

Every row of a plan is a row of its sheet; what belongs to a row (the parts of a load, the inputs
of a run, what served a demand) stands in a sheet of its own that names the row it belongs to.
Texts that a spreadsheet would take for a formula are written as text and marked so; no cell of
ours is a formula, and a formula found on reading is refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import Field, dataclass, fields
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, get_type_hints
from zipfile import BadZipFile

from openpyxl import Workbook, load_workbook
from openpyxl.cell.cell import Cell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.utils.exceptions import IllegalCharacterError, InvalidFileException
from openpyxl.worksheet.worksheet import Worksheet

from bulkflow.errors import Fault, InputError
from bulkflow.program.answer import (
    CargoPart,
    CostBreakdown,
    DemandServed,
    DutyDue,
    FeintsSale,
    GuaranteeUse,
    LetDown,
    Plan,
    PlannedLoad,
    Proof,
    Purchase,
    Run,
    StockLevel,
    TankSetting,
    Vatting,
)
from bulkflow.whole_files import bytes_written_whole

__all__ = ["FORMAT", "read_workbook", "write_workbook"]

FORMAT = "bulkflow-plan-workbook/1"
COVER = "plan"
ROW_COLUMN = "row"
NO_BOUND = "none proved"  # a cell cannot hold an infinite number


@dataclass(frozen=True, slots=True)
class _Child:
    """A field of a row that is a list: its sheet, and the columns of its items."""

    field: str
    sheet: str
    columns: tuple[str, ...]
    kind: type | None = None


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A sheet: the field of the plan it holds, and the kind of its rows."""

    name: str
    kind: type
    child: _Child | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns, the row number first where another sheet points to it."""
        own = tuple(
            one.name for one in fields(self.kind) if not self.child or one.name != self.child.field
        )
        return (ROW_COLUMN, *own) if self.child else own


_INPUTS = ("liquid", "origin_class", "lpa")
SHEETS: tuple[_Sheet, ...] = (
    _Sheet(
        "loads",
        PlannedLoad,
        _Child("parts", "load_parts", tuple(one.name for one in fields(CargoPart)), CargoPart),
    ),
    _Sheet("purchases", Purchase),
    _Sheet("runs", Run, _Child("inputs", "run_inputs", _INPUTS)),
    _Sheet("let_downs", LetDown, _Child("inputs", "let_down_inputs", _INPUTS)),
    _Sheet("vattings", Vatting),
    _Sheet("stocks", StockLevel),
    _Sheet("tank_settings", TankSetting),
    _Sheet("demand", DemandServed, _Child("served", "demand_served", ("origin_class", "lpa"))),
    _Sheet("feints_sales", FeintsSale),
    _Sheet("guarantee_use", GuaranteeUse),
    _Sheet("duty_due", DutyDue),
)
UNITS = {
    "lpa": "LPA",
    "amount": "money",
    "used": "money",
    "limit": "money",
    "charges": "number",
    "seconds": "s",
}
KIND_WORDS = {
    str: "a text",
    int: "a whole number",
    float: "a number",
    bool: "TRUE or FALSE",
    date: "a date",
}
ENDINGS = {"_lpa": "LPA", "_litres": "L", "_20c": "L at 20 °C", "_day": "date", "_on": "date"}


def write_workbook(plan: Plan, file: Path) -> None:
    """Write a plan as a workbook; the file appears whole or not at all.

    Raises
    ------
    InputError
        The file cannot be written, or a name holds a character that no cell can hold.
    """
    try:
        book = _book(plan)
    except IllegalCharacterError as error:
        found = f"would hold a character that no cell can hold ({str(error)[:60]!r})"
        mend = "Take the control character out of the name."
        raise InputError(Fault(str(file), 0, "", found, mend)) from error
    with bytes_written_whole(file) as stream:
        book.save(stream)


def _book(plan: Plan) -> Workbook:
    book = Workbook()
    cover = book.active
    assert isinstance(cover, Worksheet)  # a new workbook has one plain sheet
    cover.title = COVER
    _fill(cover, ("key", "value"), _cover_rows(plan))
    starts = [(number, day) for number, day in enumerate(plan.period_starts, start=1)]
    _fill(book.create_sheet("periods"), ("period", "first_day"), starts)
    for sheet in SHEETS:
        _write_table(book, sheet, getattr(plan, sheet.name), plan.currency)
    return book


def _cover_rows(plan: Plan) -> list[tuple[str, Any]]:
    rows: list[tuple[str, Any]] = [
        ("format", FORMAT),
        ("scenario_name", plan.scenario_name),
        ("currency", plan.currency),
        ("quarter_periods", plan.quarter_periods),
    ]
    rows += [
        (f"costs.{one.name}", getattr(plan.costs, one.name)) for one in _figures(CostBreakdown)
    ]
    rows += [(f"proof.{one.name}", getattr(plan.proof, one.name)) for one in _figures(Proof)]
    return [(key, NO_BOUND if value == -math.inf else value) for key, value in rows]


def _write_table(book: Workbook, sheet: _Sheet, rows: Sequence[Any], currency: str) -> None:
    child = sheet.child
    own = [name for name in sheet.columns if name != ROW_COLUMN]
    numbered = [
        (*((number,) if child else ()), *(getattr(row, name) for name in own))
        for number, row in enumerate(rows, start=1)
    ]
    _fill(book.create_sheet(sheet.name), sheet.columns, numbered, currency)
    if child is None:
        return
    items = [
        (number, *_item_values(item, child))
        for number, row in enumerate(rows, start=1)
        for item in getattr(row, child.field)
    ]
    _fill(book.create_sheet(child.sheet), (ROW_COLUMN, *child.columns), items, currency)


def _item_values(item: Any, child: _Child) -> Iterable[Any]:
    return item if child.kind is None else [getattr(item, name) for name in child.columns]


def _fill(
    sheet: Worksheet, columns: Sequence[str], rows: Sequence[Sequence[Any]], currency: str = ""
) -> None:
    """Fill a sheet: headings, their units, rows; frozen, with filters and fitting widths."""
    sheet.append([None] * len(columns))
    for place, name in enumerate(columns, start=1):
        head = sheet.cell(1, place, name)
        head.font = Font(bold=True)
        head.fill = PatternFill("solid", fgColor="E8ECEF")
        unit = sheet.cell(2, place, _unit(name, currency))
        unit.font = Font(italic=True, color="51606F")
        unit.alignment = Alignment(horizontal="left")
    for number, row in enumerate(rows, start=3):
        for place, value in enumerate(row, start=1):
            _set(sheet.cell(number, place), value)
    sheet.freeze_panes = "A3"
    last = get_column_letter(len(columns))
    sheet.auto_filter.ref = f"A2:{last}{max(2, len(rows) + 2)}"
    for place, name in enumerate(columns, start=1):
        longest = max((len(_shown(row[place - 1])) for row in rows[:400]), default=0)
        width = min(44, max(len(name), longest) + 3)
        sheet.column_dimensions[get_column_letter(place)].width = width


def _unit(name: str, currency: str) -> str:
    found = UNITS.get(name) or next(
        (unit for ending, unit in ENDINGS.items() if name.endswith(ending)), ""
    )
    if name.startswith("price_per"):
        return f"{currency} per LPA"
    return currency if found == "money" else found


def _shown(value: Any) -> str:
    return f"{value:,.1f}" if isinstance(value, float) else str(value)


def _set(cell: Cell | Any, value: Any) -> None:
    """Set a typed value; a text is never taken for a formula."""
    if isinstance(value, StrEnum):
        value = value.value
    if hasattr(value, "item"):  # a number of an array
        value = value.item()
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"
        if value.startswith(("=", "+", "-", "@")):
            cell.quotePrefix = True
    elif isinstance(value, date):
        cell.number_format = "yyyy-mm-dd"
    elif isinstance(value, float):
        cell.number_format = "#,##0.0##"


def read_workbook(file: Path) -> Plan:
    """Read a plan back from a workbook written by `write_workbook`.

    Raises
    ------
    InputError
        The file is no workbook of a plan, or cells were changed to what they cannot be.
    """
    try:
        book = load_workbook(file)
    except (OSError, BadZipFile, InvalidFileException, KeyError, ValueError) as error:
        mend = "Give a workbook written by this program."
        raise InputError(Fault(str(file), 0, "", "cannot be read as a workbook", mend)) from error
    reader = _Reader(str(file), book)
    cover = reader.cover()
    plan_rows: dict[str, tuple[Any, ...]] = {
        sheet.name: tuple(reader.records(sheet)) for sheet in SHEETS
    }
    starts = tuple(row["first_day"] for row in reader.rows("periods", {"first_day": date}))
    reader.raise_for_faults()
    return Plan(
        scenario_name=cover["scenario_name"],
        currency=cover["currency"],
        quarter_periods=cover["quarter_periods"],
        period_starts=starts,
        costs=_part(CostBreakdown, "costs", cover),
        proof=_part(Proof, "proof", cover),
        **plan_rows,
    )


def _part(kind: type, name: str, cover: dict[str, Any]) -> Any:
    return kind(**{one.name: cover[f"{name}.{one.name}"] for one in _figures(kind)})


def _figures(kind: type) -> list[Field[Any]]:
    """Return the fields that are one cell each; the lists of a proof stand in plan.json only."""
    return [one for one in fields(kind) if one.default != ()]


def _cover_kinds() -> dict[str, type]:
    """Return the keys of the cover with the kind of each value."""
    kinds: dict[str, type] = {
        "format": str,
        "scenario_name": str,
        "currency": str,
        "quarter_periods": int,
    }
    for name, kind in (("costs", CostBreakdown), ("proof", Proof)):
        hints = get_type_hints(kind)
        kinds |= {f"{name}.{one.name}": hints[one.name] for one in _figures(kind)}
    return kinds


class _Reader:
    """Reads typed rows from the sheets of one workbook and gathers every fault."""

    def __init__(self, file: str, book: Workbook) -> None:
        self.file = file
        self.book = book
        self.faults: list[Fault] = []

    def raise_for_faults(self) -> None:
        if self.faults:
            raise InputError(self.faults)

    def cover(self) -> dict[str, Any]:
        """Return keys and values of the first sheet, checked for being all there."""
        kinds = _cover_kinds()
        found = {key: value for key, value, _ in self._pairs()}
        missing = [key for key in kinds if found.get(key) is None]
        self.raise_for_faults()
        if missing or found["format"] != FORMAT:
            mend = "Give a workbook written by this program."
            what = f"lacks {missing[0]}" if missing else f"is of format {found['format']}"
            raise InputError(Fault(self.file, 0, f"sheet {COVER}", what, mend))
        return {
            key: -math.inf if value == NO_BOUND else self._value(COVER, cell, kinds[key])
            for key, value, cell in self._pairs()
            if key in kinds
        }

    def _pairs(self) -> Iterable[tuple[str, Any, Any]]:
        """Return key, value and cell of the value, for each line of the cover."""
        if COVER not in self.book.sheetnames:
            self._missing(COVER)
            return
        for line in self.book[COVER].iter_rows(min_row=3, max_col=2):
            if len(line) == 2 and line[0].value is not None:
                yield str(line[0].value), line[1].value, line[1]

    def _missing(self, name: str) -> None:
        mend = "Give a workbook written by this program."
        self.faults.append(Fault(self.file, 0, f"sheet {name}", "is missing", mend))

    def records(self, sheet: _Sheet) -> Iterable[Any]:
        """Return the rows of a sheet as records of the plan, with their items."""
        hints = get_type_hints(sheet.kind)
        items = self._items(sheet.child) if sheet.child else {}
        for row in self.rows(sheet.name, hints):
            values = {name: row.get(name) for name in sheet.columns if name != ROW_COLUMN}
            if sheet.child:
                values[sheet.child.field] = tuple(items.get(row.get(ROW_COLUMN), ()))
            yield sheet.kind(**values)

    def _items(self, child: _Child) -> dict[Any, list[Any]]:
        hints = get_type_hints(child.kind) if child.kind else {"lpa": float}
        found: dict[Any, list[Any]] = {}
        for row in self.rows(child.sheet, hints):
            values = [row.get(name) for name in child.columns]
            item = child.kind(*values) if child.kind else tuple(values)
            found.setdefault(row.get(ROW_COLUMN), []).append(item)
        return found

    def rows(self, name: str, hints: dict[str, Any]) -> Iterable[dict[str, Any]]:
        """Return the rows of a sheet by column, each value of its kind."""
        if name not in self.book.sheetnames:
            self._missing(name)
            return
        lines = self.book[name].iter_rows()
        heads = [cell.value for cell in next(lines, ())]
        next(lines, None)  # units
        for line in lines:
            if all(cell.value is None for cell in line):
                continue
            yield {
                str(head): self._value(name, cell, hints.get(str(head)))
                for head, cell in zip(heads, line, strict=False)
            }

    def _value(self, sheet: str, cell: Any, kind: Any) -> Any:
        value = cell.value
        if cell.data_type == "f":
            return self._fault(sheet, cell, "a formula", "Write the value itself.")
        if kind is date and isinstance(value, datetime):
            return value.date()
        if kind is float and isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
        if kind is str and value is None:
            return ""
        if isinstance(kind, type) and issubclass(kind, StrEnum):
            try:
                return kind(value)
            except ValueError:
                return self._fault(sheet, cell, f"{value!r}", f"Use one of {', '.join(kind)}.")
        if isinstance(kind, type) and not isinstance(value, kind):
            return self._fault(sheet, cell, f"{value!r}", f"Give {KIND_WORDS[kind]}.")
        return value

    def _fault(self, sheet: str, cell: Any, found: str, mend: str) -> None:
        where = f"sheet {sheet}, cell {cell.coordinate}"
        self.faults.append(Fault(self.file, cell.row, where, f"holds {found}", mend))
