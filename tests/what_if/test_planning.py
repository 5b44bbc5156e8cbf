"""Two sites with a change: hand-worked costs move as they must, and nothing is kept."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

import bulkflow
from bulkflow.cli import app
from bulkflow.cli.shell import ExitCode, run
from bulkflow.scenario.reader import read_workspace

TWO_SITES = Path(__file__).resolve().parents[2] / "scenarios" / "two_sites"


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(TWO_SITES, tmp_path / "two", ignore=shutil.ignore_patterns("*.sqlite*"))
    return tmp_path / "two"


@pytest.mark.full
def test_more_demand_costs_more_and_nothing_is_kept(folder, capsys) -> None:
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    line = "demand HARBOUR DRY +20%"
    assert run(app, ["what-if", "two", line, "--json"], name="bulkflow") is ExitCode.DONE
    said = json.loads(capsys.readouterr().out)
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    assert [one.name for one in folder.parent.iterdir()] == ["two"]
    # 4,000 LPA more: a third load of at least 6,400 LPA, and the spirit for it.
    (row,) = said["receivers"]
    assert (row["asked"], row["asked_before"], row["loads"], row["loads_before"]) == (
        24_000.0, 20_000.0, 3, 2,
    )  # fmt: skip
    assert said["cost"] > 7_000
    assert said["cost_least"] <= said["cost"] <= said["cost_most"]
    parts = said["difference"]["costs"]
    assert said["cost"] == pytest.approx(parts["total"][1] - parts["total"][0], abs=0.01)


@pytest.mark.full
def test_the_plan_is_kept_where_asked_and_starts_from_the_plan_at_hand(folder, capsys) -> None:
    assert run(app, ["plan", "two", "--no-register", "--out", "base"], name="bulkflow") == 0
    words = ["what-if", "two", "freight sea +10%", "--since", "base", "--out", "more"]
    assert run(app, words, name="bulkflow") is ExitCode.DONE
    out = capsys.readouterr().out
    assert "bulkflow compare base more" in out
    assert run(app, ["compare", "base", "more"], name="bulkflow") is ExitCode.DONE
    assert "cost_per_load" in capsys.readouterr().out  # told among the inputs


@pytest.mark.full
def test_in_a_notebook() -> None:
    quarter = bulkflow.Quarter(read_workspace(TWO_SITES))
    plan = quarter.plan()
    same = quarter.what_if("release " + quarter.workspace.scenario.lots[0].lot_id, since=plan)
    assert "No load changes." in same.sentence
    found = quarter.what_if("demand HARBOUR DRY -50%", since=plan)
    assert found.found.cost < 0
    assert list(found.receivers["loads"]) < list(found.receivers["loads_before"])
    assert "less over the horizon" in repr(found)


@pytest.mark.full
def test_what_the_register_learned_since_is_in_the_plan_that_says_so(folder, capsys) -> None:
    """A plan kept under a chain head opens with the lots as they are at that head."""
    change = ["what-if", "two", "demand HARBOUR DRY +5%", "--since", "plan", "--out", "changed"]
    for words in (
        ["plan", "two", "--out", "plan"],
        ["lots", "hold", "two", "DRY-1", "--reason", "cloudy"],
        change,
    ):
        assert run(app, words, name="bulkflow") is ExitCode.DONE
    assert "The register went on since" in " ".join(capsys.readouterr().err.split())
    plan, changed = (
        json.loads(Path(name, "plan.json").read_text("utf-8")) for name in ("plan", "changed")
    )
    assert plan["chain_head"] != changed["chain_head"]
    assert [
        {one["lot_id"]: one["status"] for one in kept["inputs"]["lots"]}["DRY-1"]
        for kept in (plan, changed)
    ] == ["released", "held"]
