"""A workspace to begin with reads without a fault, and is sized by its demand."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from bulkflow.begin import begin_workspace
from bulkflow.cli import app
from bulkflow.cli.begin import _next_quarter
from bulkflow.cli.shell import ExitCode, run
from bulkflow.core.options import SolveOptions
from bulkflow.errors import InputError
from bulkflow.plan.make import plan_scenario
from bulkflow.plan.precheck import findings
from bulkflow.plan.summary import summarise
from bulkflow.scenario.reader import read_workspace

MONDAY = date(2027, 1, 4)
HEADER = "site_id,period_start,liquid_id,lpa,market_id,priority_id\n"


def begun(tmp_path, demand=None):
    begin_workspace(tmp_path / "new", MONDAY, demand)
    return read_workspace(tmp_path / "new").scenario


def test_the_example_reads_and_nothing_in_it_cannot_work(tmp_path) -> None:
    scenario = begun(tmp_path)
    assert findings(scenario) == ()
    assert scenario.calendar.start == MONDAY
    text = (tmp_path / "new" / "scenario.yaml").read_text("utf-8")
    assert sum(line.startswith("#") for line in text.splitlines()) > 10
    assert max(map(len, text.splitlines())) <= 110


@pytest.mark.full
def test_it_plans_at_once_and_serves_all(tmp_path) -> None:
    plan = plan_scenario(begun(tmp_path), SolveOptions(work=3.0))
    state = summarise(plan)
    assert state.served_lpa == pytest.approx(state.demand_lpa)
    assert state.late_periods == () and state.loads > 10


def test_a_planners_own_workbook_is_taken_over(tmp_path) -> None:
    book = Workbook()
    sheet = book.active
    sheet.append(["site_id", "period_start", "liquid_id", "lpa", "market_id", "priority_id"])
    for day in (date(2027, 4, 5), date(2027, 4, 12), date(2027, 5, 3)):
        sheet.append(["NO", day, "007", 80_000, "on", "1e3"])
    book.save(tmp_path / "mine.xlsx")
    scenario = begun(tmp_path, tmp_path / "mine.xlsx")
    assert findings(scenario) == ()
    assert {row.site for row in scenario.demand} == {"NO"}  # texts, whatever YAML thinks of them
    assert [one.id for one in scenario.liquids] == ["NEUTRAL", "007"]
    assert [one.id for one in scenario.markets] == ["on"]
    assert [one.id for one in scenario.priorities] == ["1e3"]
    assert scenario.calendar.start == date(2027, 4, 5)
    tank = next(one for one in scenario.sites if one.id == "NO").tanks[0]
    assert tank.capacity_litres >= 80_000 / 0.8 + 24_000  # the month's demand, and a load


def test_what_cannot_be_taken_over_is_told_and_nothing_is_written(tmp_path) -> None:
    file = tmp_path / "mine.csv"
    file.write_text("site_id,period_start,liquid_id,lpa,product_id,cases\n"
                    "A,2027-01-04,,,P,10\nDISTILLERY,2027-01-04,DRY,5,,\n", "utf-8")  # fmt: skip
    with pytest.raises(InputError) as refused:
        begun(tmp_path, file)
    assert "cases are asked for" in str(refused.value)
    assert "is 'DISTILLERY', which is made up here" in str(refused.value)
    assert not (tmp_path / "new").exists()
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="is not empty"):
        begin_workspace(tmp_path / "new", MONDAY)
    assert [one.name for one in (tmp_path / "new").iterdir()] == ["mine.txt"]


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(["A", "B", "C"]), st.sampled_from(["X", "Y"]),
                          st.integers(0, 20), st.floats(0.1, 500_000.0)),
                min_size=1, max_size=12, unique_by=lambda row: row[:3]))  # fmt: skip
def test_any_demand_gives_a_workspace_that_reads(tmp_path_factory, rows) -> None:
    place = tmp_path_factory.mktemp("any")
    lines = [f"{site},{date.fromordinal(MONDAY.toordinal() + 7 * week)},{liquid},{lpa:.3f},,\n"
             for site, liquid, week, lpa in rows]  # fmt: skip
    (place / "d.csv").write_text(HEADER + "".join(lines), "utf-8")
    scenario = begun(place, place / "d.csv")
    assert not [one for one in findings(scenario) if one.severity == "blocks"]


def test_the_command_says_what_comes_next(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(app, ["begin", "q 1", "--start", "2027-01-04"], name="bulkflow") is ExitCode.DONE
    assert "bulkflow plan 'q 1' --out 'plans/q 1'" in capsys.readouterr().out
    assert run(app, ["check", "q 1"], name="bulkflow") is ExitCode.DONE


def test_the_next_quarter_begins_on_a_monday() -> None:
    for today, first in ((date(2026, 12, 1), MONDAY), (date(2027, 1, 1), date(2027, 4, 5)),
                         (date(2027, 11, 30), date(2028, 1, 3))):  # fmt: skip
        assert _next_quarter(today) == first
