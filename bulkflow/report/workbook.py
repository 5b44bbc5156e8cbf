"""A plan as a workbook: first what a planner opens and prints, then every table of the plan.

Every row of a plan is a row of its own sheet (hidden until asked for, so that a print is short);
what belongs to a row (the parts of a load, the inputs of a run, what served a demand) stands in a
sheet of its own that names the row it belongs to. Texts that a spreadsheet would take for a formula
are written as text and marked so; no cell of ours is a formula.
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
from openpyxl.worksheet.page import PageMargins
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from bulkflow.errors import Fault, InputError
from bulkflow.plan.result import PlanResult
from bulkflow.plan.week import Week
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
from bulkflow.report.lots_in_loads import LotsInLoads
from bulkflow.report.planner_sheets import PlannerSheet, planner_sheets
from bulkflow.report.terms import english
from bulkflow.scenario.model import Scenario
from bulkflow.whole_files import bytes_written_whole

__all__ = ["FORMAT", "write_workbook"]

FORMAT = "bulkflow-plan-workbook/2"
DATA = "data_"  # begins the name of a sheet that holds rows of the plan as they are
COVER = "data_plan"
ROW_COLUMN = "row"
LONG_TEXT, LINE_CHARACTERS, LINE_POINTS = 60, 85, 15.0
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


def write_workbook(
    result: PlanResult,
    scenario: Scenario,
    file: Path,
    *,
    beside: LotsInLoads | None = None,
    week: Week | None = None,
) -> None:
    """Write a plan as a workbook; the file appears whole or not at all.

    Parameters
    ----------
    beside : which lots fill the loads.
    week : the week's list, where it was asked for.

    Raises
    ------
    InputError
        The file cannot be written, or a name holds a character that no cell can hold.
    """
    try:
        book = _book(result.plan)
        sheets = planner_sheets(result, scenario, beside or LotsInLoads(), week, english())
        for place, one in enumerate(sheets):
            _planner_sheet(book.create_sheet(one.name, place), one)
        book.active = 0
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
    _fill(book.create_sheet(f"{DATA}periods"), ("period", "first_day"), starts)
    for sheet in SHEETS:
        _write_table(book, sheet, getattr(plan, sheet.name), plan.currency)
    for each in book.worksheets:
        each.sheet_state = "hidden"
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
    _fill(book.create_sheet(f"{DATA}{sheet.name}"), sheet.columns, numbered, currency)
    if child is None:
        return
    items = [
        (number, *(getattr(item, name) for name in child.columns))
        for number, row in enumerate(rows, start=1)
        for item in getattr(row, child.field)
    ]
    _fill(book.create_sheet(f"{DATA}{child.sheet}"), (ROW_COLUMN, *child.columns), items, currency)


def _planner_sheet(sheet: Worksheet, found: PlannerSheet) -> None:
    """Fill a sheet that a planner reads: typed cells, fitting widths, ready to print."""
    for at, row in enumerate(found.rows, start=1):
        for place, value in enumerate(row, start=1):
            cell = sheet.cell(at, place)
            _set(cell, value)
            if isinstance(value, float):
                cell.number_format = "#,##0" if abs(value) >= 10 or value == int(value) else "0.000"
            bold = at - 1 in found.headings or at - 1 in found.totals
            cell.font = Font(bold=bold)
            if at - 1 in found.headings:
                cell.fill = PatternFill("solid", fgColor="E8ECEF")
                cell.alignment = Alignment(wrap_text=len(row) > 1, vertical="bottom")
    for at, place in found.alarms:
        cell = sheet.cell(at + 1, place + 1)
        cell.font = Font(bold=True, color="B3261E")
    tables_only = [row for row in found.rows if len(row) > 1]
    for place in range(max((len(row) for row in tables_only), default=0)):
        body = [row[place] for row in tables_only[1:] if place < len(row)]
        longest = max((len(_shown(one)) for one in body if one is not None), default=4)
        sheet.column_dimensions[get_column_letter(place + 1)].width = min(60, max(longest, 9) + 2)
    if found.headings == (0,):
        sheet.freeze_panes = "A2"
        sheet.auto_filter.ref = sheet.dimensions
        sheet.print_title_rows = "1:1"
    else:
        _wrap_long_texts(sheet, found)
    _to_print(sheet)


def _wrap_long_texts(sheet: Worksheet, found: PlannerSheet) -> None:
    """Let sentences run over several columns and lines."""
    for at, row in enumerate(found.rows, start=1):
        words = str(row[0]) if len(row) == 1 else ""
        if len(words) > LONG_TEXT:
            sheet.merge_cells(start_row=at, end_row=at, start_column=1, end_column=4)
            sheet.cell(at, 1).alignment = Alignment(wrap_text=True, vertical="top")
            sheet.row_dimensions[at].height = LINE_POINTS * (1 + len(words) // LINE_CHARACTERS)


def _to_print(sheet: Worksheet) -> None:
    """Print on A4 turned, as wide as it is, page by page with what it is."""
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 9  # A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_margins = PageMargins(left=0.4, right=0.4, top=0.5, bottom=0.5)
    footer = sheet.oddFooter
    assert footer is not None and footer.left is not None and footer.right is not None
    footer.left.text, footer.right.text = "&A", "&P / &N"


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
    sheet.print_title_rows = "1:2"
    _to_print(sheet)
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
