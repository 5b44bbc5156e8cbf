"""The job in a notebook: the same rules, words and figures as the command line."""

import doctest
import json
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import bulkflow
from bulkflow import library
from bulkflow.errors import InputError

FOLDER = Path(__file__).resolve().parent.parent / "scenarios" / "two_sites"


@pytest.fixture(scope="module")
def quarter() -> bulkflow.Quarter:
    return bulkflow.read(FOLDER)


@pytest.fixture(scope="module")
def plan(quarter: bulkflow.Quarter) -> bulkflow.QuarterPlan:
    return quarter.plan()


def test_tables_have_real_dates(quarter: bulkflow.Quarter) -> None:
    demand = quarter.tables["demand"]
    assert demand["period_start"].dtype.kind == "M"
    assert demand["lpa"].sum() == sum(row.lpa or 0.0 for row in quarter.workspace.scenario.demand)


def test_a_quarter_is_built_of_its_own_values_and_tables(quarter: bulkflow.Quarter) -> None:
    again = bulkflow.build(quarter.values, {k: v for k, v in quarter.tables.items() if len(v)})
    assert again.workspace.scenario == quarter.workspace.scenario


def test_a_change_reaches_the_record_named_and_no_other(quarter: bulkflow.Quarter) -> None:
    dearer = quarter.change({"lanes.sea.tanks": [{"tank_type": "TC-10", "cost_per_load": 4000.0}]})
    lanes = {one.id: one for one in dearer.workspace.scenario.lanes}
    assert lanes["sea"].tanks[0].cost_per_load == 4000.0
    assert lanes["grain-road"] == next(
        one for one in quarter.workspace.scenario.lanes if one.id == "grain-road"
    )
    assert quarter.workspace.scenario != dearer.workspace.scenario


def test_a_table_is_changed_by_its_frame(quarter: bulkflow.Quarter) -> None:
    demand = quarter.tables["demand"].assign(lpa=lambda frame: frame["lpa"] * 1.1)
    more = quarter.change(demand=demand)
    assert more.tables["demand"]["lpa"].sum() == pytest.approx(
        1.1 * quarter.tables["demand"]["lpa"].sum()
    )


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("lane.sea.transit_days", "lane is not in the workspace. Did you mean lanes?"),
        ("lanes.see.transit_days", "lanes.see is not in the workspace. Did you mean sea?"),
        ("lanes.sea", "lanes.sea is a whole record. Name one of its keys."),
    ],
)
def test_a_path_that_leads_nowhere_is_told(
    quarter: bulkflow.Quarter, path: str, words: str
) -> None:
    with pytest.raises(InputError) as caught:
        quarter.change({path: 1})
    assert str(caught.value) == words


def test_what_breaks_a_rule_is_told_in_the_words_of_the_reader(quarter: bulkflow.Quarter) -> None:
    with pytest.raises(InputError) as caught:
        quarter.change({"lanes.sea.transit_days": -3, "lanes.sea.transit": 4})
    told = [str(fault) for fault in caught.value.faults]
    assert any("transit_days is -3" in one for one in told), told
    assert any("transit is not a key" in one and "transit_days" in one for one in told), told


def test_a_wrong_cell_is_told_by_table_and_row(quarter: bulkflow.Quarter) -> None:
    demand = quarter.tables["demand"]
    demand.loc[2, "site_id"] = "HARBOR"
    with pytest.raises(InputError) as caught:
        quarter.change(demand=demand)
    (fault,) = caught.value.faults
    assert (fault.file, fault.line) == ("demand", 3)
    assert "HARBOUR" in fault.mend
    with pytest.raises(InputError, match="demands is no table of a workspace"):
        quarter.change(demands=demand)


def test_a_plan_says_what_the_command_says(
    quarter: bulkflow.Quarter, plan: bulkflow.QuarterPlan, tmp_path: Path
) -> None:
    plan.save(tmp_path / "out")
    kept = json.loads((tmp_path / "out" / "plan.json").read_text("utf-8"))
    assert kept["summary"]["sentence"] == plan.sentence
    assert {"report.html", "plan.xlsx"} <= {one.name for one in (tmp_path / "out").iterdir()}
    again = bulkflow.read_plan(tmp_path / "out", quarter)
    pd.testing.assert_frame_equal(again.loads, plan.loads)
    assert plan.loads["loading_day"].dtype.kind == "M"
    starts = plan.stocks.loc[plan.stocks["period"] == 1, "period_start"]
    assert (starts == pd.Timestamp(quarter.workspace.scenario.calendar.start)).all()


def test_results_print_as_a_few_lines(
    quarter: bulkflow.Quarter, plan: bulkflow.QuarterPlan
) -> None:
    for shown in (repr(quarter), repr(plan)):
        assert 4 <= len(shown.splitlines()) <= 8
        assert len(shown) < 1000
    assert plan.sentence in repr(plan)


def test_two_plans_are_compared(quarter: bulkflow.Quarter, plan: bulkflow.QuarterPlan) -> None:
    demand = quarter.tables["demand"].assign(lpa=lambda frame: frame["lpa"] * 0.5)
    less = quarter.change(demand=demand).plan(since=plan)
    costs = less.compare(plan)["costs"]
    assert costs.loc["total", "difference"] < 0
    assert costs.loc["total", "before"] == pytest.approx(plan.costs.loc["total", "amount"])


def test_pictures_are_svg(plan: bulkflow.QuarterPlan) -> None:
    drawn = plan.draw()
    assert set(drawn) == {"map", "calendar"}
    assert all("<svg" in picture for picture in drawn.values())


def test_the_page_of_the_library_does_what_it_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER.parent.parent)
    outcome = doctest.testmod(library)
    assert outcome.attempted > 3
    assert outcome.failed == 0


def test_the_page_of_the_readme_does_what_it_says(monkeypatch: pytest.MonkeyPatch) -> None:
    root = FOLDER.parent.parent
    monkeypatch.chdir(root)
    page = (root / "README.md").read_text("utf-8")
    block, _ = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    names: dict[str, object] = {}
    exec(compile(block, "README.md", "exec"), names)
    again = names["again"]
    assert isinstance(again, bulkflow.QuarterPlan)
    assert again.result.report.passed


def test_the_library_costs_nothing_before_it_is_asked_for() -> None:
    code = (
        "import sys, bulkflow; assert 'pandas' not in sys.modules;"
        " assert 'read' in dir(bulkflow) or bulkflow.__all__;"
        " bulkflow.read; assert 'pandas' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
