"""The workbook: every row of a plan is in it, typed; nothing in it can run."""

from __future__ import annotations

import math
from dataclasses import asdict, fields, replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from bulkflow.core.options import SolveOptions
from bulkflow.errors import InputError
from bulkflow.plan.document import read_result
from bulkflow.plan.make import plan_scenario
from bulkflow.program.answer import Plan
from bulkflow.report.workbook import write_workbook
from bulkflow.scenario import read_workspace

ROOT = Path(__file__).resolve().parents[2]
EVERYTHING = ROOT / "tests" / "plan" / "workspaces" / "everything-plan.json"


def sheets_of(file: Path) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of every sheet by column, as anybody's program reads them."""
    book = load_workbook(file)
    found = {}
    for sheet in book.worksheets:
        heads, _, *rows = sheet.iter_rows(values_only=True)
        found[sheet.title] = [dict(zip(heads, row, strict=True)) for row in rows]
    return found


def cell_of(value: Any) -> Any:
    """Return a value as a cell keeps it: sixteen digits, days as moments, no empty text."""
    if isinstance(value, float):
        return pytest.approx(value, rel=1e-15, abs=0.0)
    if isinstance(value, date):
        return datetime.combine(value, time())
    return value or (None if value == "" else value)


PARTS = {
    ("loads", "parts"): "load_parts",
    ("runs", "inputs"): "run_inputs",
    ("let_downs", "inputs"): "let_down_inputs",
    ("demand", "served"): "demand_served",
}


def plain(row: Any) -> dict[str, Any]:
    return row._asdict() if isinstance(row, tuple) else asdict(row)


def assert_same(sheets: dict[str, list[dict[str, Any]]], plan: Plan) -> None:
    """Every row of the plan and every part of one is a row of its sheet, and nothing else is."""
    seen = {"plan", "periods"}
    for table in (one.name for one in fields(plan)):
        rows = getattr(plan, table)
        if not isinstance(rows, tuple) or table == "period_starts":
            continue
        lists = {field: sheet for (name, field), sheet in PARTS.items() if name == table}
        number = [{"row": place} if lists else {} for place in range(1, len(rows) + 1)]
        expected = [
            at | {name: cell_of(v) for name, v in plain(row).items() if name not in lists}
            for at, row in zip(number, rows, strict=True)
        ]
        assert sheets[table] == expected
        for field, sheet in lists.items():
            assert sheets[sheet] == [
                at | {name: cell_of(value) for name, value in plain(part).items()}
                for at, row in zip(number, rows, strict=True)
                for part in getattr(row, field)
            ]
        seen |= {table, *lists.values()}
    assert seen == set(sheets)
    starts = [{"period": n, "first_day": cell_of(d)} for n, d in enumerate(plan.period_starts, 1)]
    assert sheets["periods"] == starts
    cover = {row["key"]: row["value"] for row in sheets["plan"]}
    assert cover["format"] == "bulkflow-plan-workbook/1"
    assert cover["scenario_name"] == plan.scenario_name
    assert cover["costs.freight"] == cell_of(plan.costs.freight)
    assert cover["proof.cost"] == cell_of(plan.proof.cost)
    bound = plan.proof.bound
    assert cover["proof.bound"] == (cell_of(bound) if math.isfinite(bound) else "none proved")


@pytest.fixture(scope="module")
def plan() -> Plan:
    scenario = read_workspace(ROOT / "scenarios" / "two_sites").scenario
    return plan_scenario(scenario, SolveOptions()).plan


def test_every_row_of_every_kind_is_in_its_sheet(plan: Plan, tmp_path: Path) -> None:
    everything = read_result(EVERYTHING).plan
    unbound = replace(plan, proof=replace(plan.proof, bound=-math.inf, interrupted=True))
    for one in (plan, everything, unbound):
        write_workbook(one, tmp_path / "plan.xlsx")
        assert_same(sheets_of(tmp_path / "plan.xlsx"), one)


def test_cells_are_typed_heads_are_frozen_and_say_their_unit(plan: Plan, tmp_path: Path) -> None:
    write_workbook(plan, tmp_path / "plan.xlsx")
    book = load_workbook(tmp_path / "plan.xlsx")
    sheet = book["load_parts"]
    heads = [cell.value for cell in sheet[1]]
    units = dict(zip(heads, [cell.value for cell in sheet[2]], strict=True))
    assert units["lpa"] == "LPA"
    assert units["capacity_litres"] == "L"
    assert units["litres_20c"] == "L at 20 °C"
    assert isinstance(sheet.cell(3, heads.index("lpa") + 1).value, int | float)
    loads = book["loads"]
    names = [cell.value for cell in loads[1]]
    assert loads.cell(3, names.index("loading_day") + 1).is_date
    for each in book.worksheets:
        assert each.freeze_panes == "A3"
        assert each.auto_filter.ref


@pytest.mark.parametrize("text", ["=1+1", "+A1", "-2", "@SUM(A1)", "=cmd|' /C calc'!A0"])
def test_no_text_becomes_a_formula(plan: Plan, tmp_path: Path, text: str) -> None:
    load = replace(plan.loads[0], load_id=text)
    write_workbook(replace(plan, loads=(load,), scenario_name=text), tmp_path / "plan.xlsx")
    book = load_workbook(tmp_path / "plan.xlsx")
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row]
    assert all(cell.data_type != "f" for cell in cells)
    assert all(cell.quotePrefix for cell in cells if cell.value == text)
    assert sheets_of(tmp_path / "plan.xlsx")["loads"][0]["load_id"] == text


def test_a_name_with_a_control_character_is_refused(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a character that no cell can hold"):
        write_workbook(replace(plan, scenario_name="a\x01b"), tmp_path / "plan.xlsx")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_workbook(plan, tmp_path / "nowhere" / "plan.xlsx")
