"""The workbook: what is written reads back; nothing in it can run; slips are told by cell."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from bulkflow.core.options import SolveOptions
from bulkflow.errors import InputError
from bulkflow.plan.check import check_plan
from bulkflow.plan.document import read_result
from bulkflow.plan.make import plan_scenario
from bulkflow.program.answer import Plan
from bulkflow.report.workbook import read_workbook, write_workbook
from bulkflow.scenario import read_workspace

ROOT = Path(__file__).resolve().parents[2]
EVERYTHING = ROOT / "tests" / "plan" / "workspaces" / "everything-plan.json"


def same(one: Any, other: Any) -> bool:
    """Compare deeply; numbers to the sixteen digits a workbook cell keeps."""
    if is_dataclass(one):
        return type(one) is type(other) and all(
            same(getattr(one, part.name), getattr(other, part.name)) for part in fields(one)
        )
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float):
        return math.isclose(one, other, rel_tol=1e-15, abs_tol=0.0)
    return one == other and type(one) is type(other)


@pytest.fixture(scope="module")
def plan() -> Plan:
    scenario = read_workspace(ROOT / "scenarios" / "two_sites").scenario
    return plan_scenario(scenario, SolveOptions()).plan


def test_the_plan_reads_back(plan: Plan, tmp_path: Path) -> None:
    write_workbook(plan, tmp_path / "plan.xlsx")
    back = read_workbook(tmp_path / "plan.xlsx")
    assert same(back, plan)
    scenario = read_workspace(ROOT / "scenarios" / "two_sites").scenario
    check_plan(scenario, back).raise_for_failures()


def test_a_plan_with_every_kind_of_row_reads_back(tmp_path: Path) -> None:
    everything = read_result(EVERYTHING).plan
    write_workbook(everything, tmp_path / "plan.xlsx")
    assert same(read_workbook(tmp_path / "plan.xlsx"), everything)


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
    assert read_workbook(tmp_path / "plan.xlsx").loads[0].load_id == text


def test_slips_are_told_all_at_once_by_sheet_and_cell(plan: Plan, tmp_path: Path) -> None:
    file = tmp_path / "plan.xlsx"
    write_workbook(plan, file)
    book = load_workbook(file)
    heads = [cell.value for cell in book["loads"][1]]
    book["loads"].cell(3, heads.index("kind") + 1).value = "dreamt"
    book["loads"].cell(4, heads.index("period") + 1).value = "two"
    book["purchases"]["E3"].value = "=1+1"
    del book["vattings"]
    book.save(file)
    with pytest.raises(InputError) as caught:
        read_workbook(file)
    said = str(caught.value)
    assert len(caught.value.faults) == 4
    assert "holds 'dreamt'. Use one of planned, promised, frozen, under_way." in said
    assert "holds 'two'. Give a int." not in said
    assert "holds 'two'. Give a whole number." in said
    assert "sheet purchases, cell E3 holds a formula. Write the value itself." in said
    assert "sheet vattings is missing" in said


def test_slips_on_the_cover_are_told_by_cell(plan: Plan, tmp_path: Path) -> None:
    file = tmp_path / "plan.xlsx"
    write_workbook(plan, file)
    book = load_workbook(file)
    rows = {row[0].value: row[1] for row in book["plan"].iter_rows(max_col=2)}
    rows["costs.making"].value = "abc"
    rows["quarter_periods"].value = "3 weeks"
    rows["proof.interrupted"].value = "perhaps"
    book.save(file)
    with pytest.raises(InputError) as caught:
        read_workbook(file)
    assert len(caught.value.faults) == 3
    assert "holds 'abc'. Give a number." in str(caught.value)
    assert "holds '3 weeks'. Give a whole number." in str(caught.value)
    assert "holds 'perhaps'. Give TRUE or FALSE." in str(caught.value)


def test_a_plan_without_a_bound_reads_back(plan: Plan, tmp_path: Path) -> None:
    proof = replace(plan.proof, bound=-math.inf, interrupted=True)
    write_workbook(replace(plan, proof=proof), tmp_path / "plan.xlsx")
    assert same(read_workbook(tmp_path / "plan.xlsx").proof, proof)


def test_a_name_with_a_control_character_is_refused(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a character that no cell can hold"):
        write_workbook(replace(plan, scenario_name="a\x01b"), tmp_path / "plan.xlsx")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"", b"no workbook", b"PK\x03\x04broken"])
def test_what_is_no_workbook_is_refused(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "plan.xlsx"
    file.write_bytes(content)
    with pytest.raises(InputError, match="cannot be read as a workbook"):
        read_workbook(file)


def test_another_workbook_is_refused(plan: Plan, tmp_path: Path) -> None:
    file = tmp_path / "plan.xlsx"
    write_workbook(plan, file)
    book = load_workbook(file)
    book["plan"]["B3"].value = "something-else/9"
    book.save(file)
    with pytest.raises(InputError, match="is of format something-else/9"):
        read_workbook(file)


def test_a_folder_that_is_not_there_is_told(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_workbook(plan, tmp_path / "nowhere" / "plan.xlsx")


def test_days_stay_days(plan: Plan, tmp_path: Path) -> None:
    write_workbook(plan, tmp_path / "plan.xlsx")
    starts = read_workbook(tmp_path / "plan.xlsx").period_starts
    assert all(type(day) is date for day in starts)
