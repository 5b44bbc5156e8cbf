"""The workbook: a planner's sheets, every row of a plan, typed; nothing in it can run."""

from __future__ import annotations

import math
import shutil
from dataclasses import asdict, fields, replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from bulkflow.core.options import SolveOptions
from bulkflow.errors import InputError
from bulkflow.plan.make import plan_scenario
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import summarise
from bulkflow.program.answer import Plan
from bulkflow.report.workbook import write_workbook
from bulkflow.scenario import read_workspace
from bulkflow.scenario.model import Scenario
from tests.plan import everything

ROOT = Path(__file__).resolve().parents[2]


def sheets_of(file: Path) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of every sheet by column, as anybody's program reads them."""
    book = load_workbook(file)
    found = {}
    for sheet in book.worksheets:
        if not sheet.title.startswith("data_"):
            continue
        heads, _, *rows = sheet.iter_rows(values_only=True)
        found[sheet.title.removeprefix("data_")] = [
            dict(zip(heads, row, strict=True)) for row in rows
        ]
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
    assert cover["format"] == "bulkflow-plan-workbook/2"
    assert cover["scenario_name"] == plan.scenario_name
    assert cover["costs.freight"] == cell_of(plan.costs.freight)
    assert cover["proof.cost"] == cell_of(plan.proof.cost)
    bound = plan.proof.bound
    assert cover["proof.bound"] == (cell_of(bound) if math.isfinite(bound) else "none proved")


TWO_SITES = ROOT / "scenarios" / "two_sites"


@pytest.fixture(scope="module")
def made() -> tuple[PlanResult, Scenario]:
    scenario = read_workspace(TWO_SITES).scenario
    return plan_scenario(scenario, SolveOptions()), scenario


@pytest.fixture(scope="module")
def plan(made: tuple[PlanResult, Scenario]) -> Plan:
    return made[0].plan


def write(plan: Plan, made: tuple[PlanResult, Scenario], file: Path) -> None:
    result, scenario = made
    write_workbook(replace(result, plan=plan), scenario, file)


def test_every_row_of_every_kind_is_in_its_sheet(
    plan: Plan, made: tuple[PlanResult, Scenario], tmp_path: Path
) -> None:
    full = everything.result()
    unbound = replace(plan, proof=replace(plan.proof, bound=-math.inf, interrupted=True))
    for one, from_ in ((plan, made), (full.plan, (full, everything.scenario())), (unbound, made)):
        write(one, from_, tmp_path / "plan.xlsx")
        assert_same(sheets_of(tmp_path / "plan.xlsx"), one)


def test_cells_are_typed_heads_are_frozen_and_say_their_unit(
    plan: Plan, made: tuple[PlanResult, Scenario], tmp_path: Path
) -> None:
    write(plan, made, tmp_path / "plan.xlsx")
    book = load_workbook(tmp_path / "plan.xlsx")
    sheet = book["data_load_parts"]
    heads = [cell.value for cell in sheet[1]]
    units = dict(zip(heads, [cell.value for cell in sheet[2]], strict=True))
    assert units["lpa"] == "LPA"
    assert units["capacity_litres"] == "L"
    assert units["litres_20c"] == "L at 20 °C"
    assert isinstance(sheet.cell(3, heads.index("lpa") + 1).value, int | float)
    loads = book["data_loads"]
    names = [cell.value for cell in loads[1]]
    assert loads.cell(3, names.index("loading_day") + 1).is_date
    for each in book.worksheets:
        if each.title.startswith("data_"):
            assert each.freeze_panes == "A3"
            assert each.auto_filter.ref
            assert each.sheet_state == "hidden"


@pytest.mark.parametrize("text", ["=1+1", "+A1", "-2", "@SUM(A1)", "=cmd|' /C calc'!A0"])
def test_no_text_becomes_a_formula(
    plan: Plan, made: tuple[PlanResult, Scenario], tmp_path: Path, text: str
) -> None:
    load = replace(plan.loads[0], load_id=text)
    write(replace(plan, loads=(load,), scenario_name=text), made, tmp_path / "plan.xlsx")
    book = load_workbook(tmp_path / "plan.xlsx")
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row]
    assert all(cell.data_type != "f" for cell in cells)
    assert all(cell.quotePrefix for cell in cells if cell.value == text)
    assert sheets_of(tmp_path / "plan.xlsx")["loads"][0]["load_id"] == text


def test_a_name_with_a_control_character_is_refused(
    plan: Plan, made: tuple[PlanResult, Scenario], tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="a character that no cell can hold"):
        write(replace(plan, scenario_name="a\x01b"), made, tmp_path / "plan.xlsx")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(
    plan: Plan, made: tuple[PlanResult, Scenario], tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write(plan, made, tmp_path / "nowhere" / "plan.xlsx")


def rows_of(file: Path, sheet: str) -> list[dict[str, Any]]:
    heads, *rows = load_workbook(file)[sheet].iter_rows(values_only=True)
    return [dict(zip(heads, row, strict=True)) for row in rows]


def test_a_planner_opens_the_answer_the_week_grid_loads_stock_and_demand(
    made: tuple[PlanResult, Scenario], tmp_path: Path
) -> None:
    result, scenario = made
    plan, file = result.plan, tmp_path / "plan.xlsx"
    write_workbook(result, scenario, file)
    book = load_workbook(file)
    shown = [each.title for each in book.worksheets if each.sheet_state == "visible"]
    assert shown == ["answer", "week grid", "loads", "under way", "stock", "served", "purchases",
                     "demand"]  # fmt: skip
    answer = [cell.value for row in book["answer"].iter_rows() for cell in row]
    assert summarise(result).sentence in answer
    grid = {row.pop("lane"): row for row in rows_of(file, "week grid")}
    for day, start in zip(list(grid["total"])[:-2], plan.period_starts, strict=False):
        assert day == datetime.combine(start, time())
        leaving = [load for load in plan.loads if load.loading_day >= start]
        assert grid["total"][day] <= len(leaving)
    own = [load for load in plan.loads if load.period in range(1, plan.quarter_periods + 1)]
    assert grid["total"]["all"] == len(own)
    loads = rows_of(file, "loads")
    assert [(row["load"], row["liquid"], row["LPA"], row["kind"]) for row in loads] == [
        (load.load_id, part.liquid, pytest.approx(part.lpa), load.kind.value)
        for load in sorted(own, key=lambda load: (load.loading_day, load.lane, load.load_id))
        for part in load.parts
    ]
    assert all(isinstance(row["loading"], datetime) for row in loads)
    last = datetime.combine(plan.period_starts[-1], time())
    for row in rows_of(file, "stock"):
        level = sum(
            one.released_lpa
            for one in plan.stocks
            if (one.site, one.liquid, one.period)
            == (row["site"], row["liquid"], len(plan.period_starts))
        )
        assert row[last] == pytest.approx(level)
    served = [row["total"] for row in rows_of(file, "served") if row["amount"] == "served"]
    assert sum(served) == pytest.approx(sum(lpa for row in plan.demand for _, lpa in row.served))
    for each in book.worksheets:
        assert each.page_setup.orientation == "landscape"
        assert each.sheet_properties.pageSetUpPr.fitToPage
        assert (each.page_setup.fitToWidth, each.page_setup.fitToHeight) == (1, 0)
        if each.title not in {"answer"}:
            assert each.print_title_rows


def test_the_demand_sheet_is_changed_and_given_back_as_it_is(
    made: tuple[PlanResult, Scenario], tmp_path: Path
) -> None:
    result, scenario = made
    again = tmp_path / "again"
    shutil.copytree(TWO_SITES, again, ignore=shutil.ignore_patterns("demand.csv", "records*"))
    file = again / "demand.xlsx"
    write_workbook(result, scenario, file)
    before = read_workspace(again).scenario.demand
    assert sorted(map(key_of, before)) == sorted(map(key_of, scenario.demand))
    book = load_workbook(file)
    book["demand"]["D2"] = 7_777.5
    book.save(file)
    after = read_workspace(again).scenario.demand
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert [new.lpa for _, new in changed] == [7_777.5]
    by_name = tmp_path / "named"
    shutil.copytree(TWO_SITES, by_name, ignore=shutil.ignore_patterns("demand.csv", "records*"))
    shutil.copy(file, by_name / "plan.xlsx")
    settings = (by_name / "scenario.yaml").read_text("utf-8")
    (by_name / "scenario.yaml").write_text(
        settings + "\ntables:\n  demand: plan.xlsx#demand\n", encoding="utf-8"
    )
    assert read_workspace(by_name).scenario.demand == after


def key_of(row: Any) -> tuple[Any, ...]:
    return row.site, row.period_start, row.liquid, round(row.lpa, 6)
