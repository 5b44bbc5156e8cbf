"""A plan as a workbook: one sheet a table, typed cells, frozen headings with units.

Every row of a plan is a row of its sheet; what belongs to a row (the parts of a load, the inputs
of a run, what served a demand) stands in a sheet of its own that names the row it belongs to.
Texts that a spreadsheet would take for a formula are written as text and marked so; no cell of
ours is a formula.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import Field, dataclass, fields
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any, get_type_hints

from openpyxl import Workbook
from openpyxl.cell.cell import Cell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.utils.exceptions import IllegalCharacterError
from openpyxl.worksheet.worksheet import Worksheet

from bulkflow.errors import Fault, InputError
from bulkflow.program.answer import (
    CargoPart,
    CostBreakdown,
    DemandServed,
    DutyDue,
    FeintsSale,
    GuaranteeUse,
    InputTaken,
    LetDown,
    Plan,
    PlannedLoad,
    Proof,
    Purchase,
    Run,
    ServedFrom,
    StockLevel,
    TankSetting,
    Vatting,
)
from bulkflow.whole_files import bytes_written_whole

__all__ = ["FORMAT", "write_workbook"]

FORMAT = "bulkflow-plan-workbook/1"
COVER = "plan"
ROW_COLUMN = "row"
NO_BOUND = "none proved"  # a cell cannot hold an infinite number


@dataclass(frozen=True, slots=True)
class _Child:
    """A field of a row that is a list: its sheet, and the kind of its items."""

    field: str
    sheet: str
    kind: type

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns."""
        return tuple(get_type_hints(self.kind))


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


SHEETS: tuple[_Sheet, ...] = (
    _Sheet("loads", PlannedLoad, _Child("parts", "load_parts", CargoPart)),
    _Sheet("purchases", Purchase),
    _Sheet("runs", Run, _Child("inputs", "run_inputs", InputTaken)),
    _Sheet("let_downs", LetDown, _Child("inputs", "let_down_inputs", InputTaken)),
    _Sheet("vattings", Vatting),
    _Sheet("stocks", StockLevel),
    _Sheet("tank_settings", TankSetting),
    _Sheet("demand", DemandServed, _Child("served", "demand_served", ServedFrom)),
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
        (number, *(getattr(item, name) for name in child.columns))
        for number, row in enumerate(rows, start=1)
        for item in getattr(row, child.field)
    ]
    _fill(book.create_sheet(child.sheet), (ROW_COLUMN, *child.columns), items, currency)


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


def _figures(kind: type) -> list[Field[Any]]:
    """Return the fields that are one cell each; the lists of a proof stand in plan.json only."""
    return [one for one in fields(kind) if one.default != ()]
