"""``bulkflow report``: a kept plan as a page and a workbook, through the real command line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from bulkflow.cli import app
from bulkflow.cli.shell import ExitCode, run
from tests.plan.everything import FOLDER, KEPT, result


@pytest.fixture
def desk(tmp_path: Path, monkeypatch, capsys):
    shutil.copytree(FOLDER, tmp_path / "demo")
    (tmp_path / "plans").mkdir()
    shutil.copy(KEPT, tmp_path / "plans" / "plan.json")
    monkeypatch.chdir(tmp_path)

    def bulkflow(*words: str) -> tuple[ExitCode, str, str]:
        code = run(app, words, name="bulkflow")
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return code, out, err

    return bulkflow


def test_it_writes_a_page_with_lots_and_a_workbook(desk) -> None:
    code, out, err = desk("report", "demo", "plans", "--out", "r.html", "--out", "plan.xlsx")
    assert (code, out, err) == (ExitCode.DONE, "", "Wrote r.html and plan.xlsx.\n")
    page = Path("r.html").read_text("utf-8")
    assert "DRY-1" in page
    assert "bulkflow loads" not in page  # planned from the tables: there is no register to fill
    back = pd.read_excel("plan.xlsx", sheet_name="data_loads", skiprows=[1])
    assert list(back["load_id"]) == [load.load_id for load in result().plan.loads]
    assert not Path("demo/records.sqlite").exists()


@pytest.mark.full
def test_changes_since_an_earlier_plan_in_another_language_and_the_files_as_json(desk) -> None:
    Path("lv.yaml").write_text('kept: "{kept} kravas kā bija."\n', encoding="utf-8")
    words = ("--since", "plans", "--terms", "lv.yaml", "--out", "r.html", "--json")
    code, out, _ = desk("report", "demo", "plans", *words)
    assert code is ExitCode.DONE
    assert json.loads(out) == {"schema": "bulkflow-report-files/1", "files": ["r.html"]}
    page = Path("r.html").read_text("utf-8")
    assert '<html lang="lv">' in page
    assert "kravas kā bija." in page


def test_the_ending_says_what_a_file_is_and_another_ending_is_refused_before_any_work(desk) -> None:
    words = ("--out", "r.pdf", "--out", "a.xlsx", "--out", "b.xlsx")
    code, _, err = desk("report", "demo", "plans", *words)
    assert code is ExitCode.BAD_INPUT
    assert err == (
        "--out is r.pdf. Its ending says what it is (the report: .html and a workbook: .xlsx).\n"
        "--out names a.xlsx and b.xlsx. Give one file ending in .xlsx.\n"
    )
    assert not Path("a.xlsx").exists()


def test_no_file_named_is_wrong_usage(desk) -> None:
    code, _, err = desk("report", "demo", "plans")
    assert code is ExitCode.BAD_INPUT
    assert err == (
        "the command names no file to write. Give --out report.html, --out plan.xlsx, or both;"
        " or --show PART.\n"
    )


def test_a_plan_of_another_workspace_is_refused_with_every_strange_name(desk) -> None:
    two_sites = Path(__file__).resolve().parents[2] / "scenarios" / "two_sites"
    code, _, err = desk("report", str(two_sites), "plans", "--out", "r.html")
    assert code is ExitCode.BAD_INPUT
    lane, liquid, place, tank = err.splitlines()
    assert lane.startswith("plans: names a lane that the workspace lacks: ")
    assert lane.count("sea-bay") == 1
    assert "CONC" in liquid
    assert "BAY, EAST, MILL" in place
    assert "tank type" in tank
    assert not Path("r.html").exists()


def test_lots_that_cannot_be_told_are_said_and_the_page_is_written(desk) -> None:
    Path("demo/lab_limits.csv").write_text("nonsense\n", encoding="utf-8")
    code, _, err = desk("report", "demo", "plans", "--out", "r.html")
    assert code is ExitCode.EXTRA_FAILED
    assert err.startswith("Wrote r.html.\nThe report names no lots in loads: ")
    assert "lab_limits.csv" in err
    assert Path("r.html").exists()


@pytest.mark.full
def test_a_folder_that_is_not_there_is_told_and_nothing_is_left(desk) -> None:
    code, _, err = desk("report", "demo", "plans", "--out", "nowhere/r.html")
    assert code is ExitCode.BAD_INPUT
    assert "r.html: cannot be written" in err
