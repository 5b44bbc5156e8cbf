"""``bulkflow plan``, ``check`` and ``compare`` from the command line, on real files."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from bulkflow.cli import app
from bulkflow.cli.progress import Stoppable
from bulkflow.cli.shell import ExitCode, InterruptedSearchError, run
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Progress
from bulkflow.errors import InputError, PlanningError
from bulkflow.plan.belongs import refuse_unlike
from bulkflow.plan.document import read_result, result_from_document, to_document
from bulkflow.plan.frames import COLUMNS
from bulkflow.plan.prove import prove
from bulkflow.scenario.reader import read_workspace
from tests.plan import by_hand, everything
from tests.plan.by_hand import TWO_SITES

ROOT = TWO_SITES.parent.parent
QUICK = ("--no-price-holds", "--no-explain")


def bulkflow(*words: str) -> ExitCode:
    return run(app, list(words), name="bulkflow")


def edit(folder: Path, before: str, after: str, file: str = "scenario.yaml") -> None:
    text = (folder / file).read_text("utf-8")
    assert before in text
    (folder / file).write_text(text.replace(before, after), "utf-8")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan of the tiny workspace as it stands, made once by the command."""
    place = tmp_path_factory.mktemp("planned")
    shutil.copytree(TWO_SITES, place / "two_sites", ignore=shutil.ignore_patterns("*.sqlite*"))
    words = ("plan", str(place / "two_sites"), "--no-register", "--out", str(place / "out"))
    assert bulkflow(*words) is ExitCode.DONE
    return place / "out"


@pytest.fixture
def out(planned: Path, tmp_path: Path) -> Path:
    """A folder with that plan, to change at will."""
    return shutil.copytree(planned, tmp_path / "out")


# --- plan -------------------------------------------------------------------------------------


def test_plan_prints_the_answer_and_nothing_else_on_stdout(workspace: Path, capsys):
    assert bulkflow("plan", str(workspace), "--no-register") is ExitCode.DONE
    out, err = capsys.readouterr()
    assert out.startswith("Two sites, checked by hand\n")
    assert "The horizon costs 11,218 EUR, proved the cheapest: " in " ".join(out.split())
    assert err == ""
    assert "\x1b" not in out
    told, _, after = out.partition("\nNext\n")
    assert max(map(len, told.splitlines())) <= 80
    commands = [line.strip() for line in after.splitlines() if line.startswith("  ")]
    again = f"bulkflow plan {workspace} --no-register --out plans/two_sites"
    assert commands == [again]  # to copy, unbroken


def test_plan_as_json_is_one_document_that_reads_back(workspace: Path, capsys):
    assert bulkflow("plan", str(workspace), "--no-register", "--json") is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "bulkflow-plan/1"
    assert result_from_document(document).plan.costs.total == pytest.approx(11_218.0, abs=0.01)
    assert all(check["passed"] for check in document["checks"])


def test_plan_writes_its_files(workspace: Path, tmp_path: Path, capsys):
    out = tmp_path / "answers" / "january"
    assert bulkflow("plan", str(workspace), "--no-register", "--out", str(out)) is ExitCode.DONE
    count = len(list(out.iterdir()))
    assert count >= len(COLUMNS) + 1
    said = " ".join(capsys.readouterr().err.split())
    assert said.startswith(f"Wrote {count} files to {out}. Took ")
    assert re.search(r"Took \S+ s: search [\d.]+, .*report [\d.]+, workbook [\d.]+\.$", said)
    assert read_result(out / "plan.json").plan.scenario_name == "Two sites, checked by hand"
    assert (out / "loads.csv").read_text().startswith("load_id,lane,period,")


def test_an_unfit_folder_is_refused_before_the_search(workspace: Path, tmp_path: Path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.docx").write_text("years of work")
    words = ("plan", str(workspace), "--no-register", "--out", str(out))
    assert bulkflow(*words) is ExitCode.BAD_INPUT
    said = capsys.readouterr()
    assert said.out == ""
    assert "holds other files (thesis.docx)" in said.err


def test_plan_since_an_earlier_one_shows_what_changed(workspace: Path, out: Path, capsys):
    edit(workspace, "HARBOUR,2027-01-18,DRY,5000", "HARBOUR,2027-01-18,DRY,5300", "demand.csv")
    capsys.readouterr()
    words = ("plan", str(workspace), "--no-register", "--since", str(out))
    for show in ((), ("--show", "changes")):
        assert bulkflow(*words, *show) is ExitCode.DONE
        text = " ".join(capsys.readouterr().out.split())
        assert "What changed since the earlier plan" in text
        assert "2 loads as before, 1 on the same day with another amount, 0 moved, 0 added" in text
        assert ("6,600 to 6,900" in text) is bool(show)
    assert "demand HARBOUR 2027-01-18 DRY core: lpa 5,000 5,300" in text


def test_parts_are_asked_for_by_name(workspace: Path, out: Path, capsys):
    assert bulkflow("report", str(workspace), str(out), "--show", "stocks,costs") is ExitCode.DONE
    text = capsys.readouterr().out
    assert "Stock against floor and room" in text and "Cost over the horizon" in text
    assert "Purchases" not in text
    assert bulkflow("plan", str(workspace), "--show", "lods", "--show", "x") is ExitCode.BAD_INPUT
    told = capsys.readouterr().err
    assert "Did you mean loads?" in told and "'x'" in told


@pytest.mark.parametrize("solver", ["highs", "cbc"])
def test_plan_with_either_solver(workspace: Path, capsys, solver: str):
    words = ("plan", str(workspace), "--no-register", "--json", "--solver", solver)
    assert bulkflow(*words) is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    assert solver.lower() in document["proof"]["solver"].lower()
    assert document["proof"]["cost"] == pytest.approx(11_218.0, abs=0.01)


@pytest.mark.full
def test_plan_begins_a_register_once_and_says_so(workspace: Path, capsys):
    assert bulkflow("plan", str(workspace), "--json") is ExitCode.DONE
    out, err = capsys.readouterr()
    first = json.loads(out)
    said = " ".join(err.split())
    assert (
        said.index("There is no register yet, so it is begun now, with what stands in opening_")
        == 0
    )
    assert said.index("(--no-register plans from the tables alone") < said.index("Took over 1 ")
    assert first["register"].endswith("records.sqlite")
    assert re.fullmatch(r"\d+:[0-9a-f]{64}", first["chain_head"])
    assert bulkflow("plan", str(workspace), "--json") is ExitCode.DONE
    out, err = capsys.readouterr()
    assert err == ""
    assert json.loads(out)["chain_head"] == first["chain_head"]
    assert json.loads(out)["proof"]["cost"] == pytest.approx(first["proof"]["cost"])


@pytest.mark.full
def test_edits_of_the_opening_tables_are_told_wherever_the_register_is_used(
    workspace: Path, capsys
):
    commands = (("plan", str(workspace), *QUICK), ("check", str(workspace)))
    commands += (("lots", "list", str(workspace)),)
    assert bulkflow(*commands[0]) is ExitCode.DONE
    capsys.readouterr()
    for words in commands:
        assert bulkflow(*words) is ExitCode.DONE
        assert "edited" not in capsys.readouterr().err
    edit(workspace, "8750,80,released", "9000,80,released", "opening_lots.csv")
    for words in commands:
        assert bulkflow(*words) is ExitCode.DONE
        (line,) = [one for one in capsys.readouterr().err.splitlines() if "edited" in one]
        assert line.startswith(
            "opening_lots.csv was edited after the register took it over: changed DRY-1. The"
            " register keeps what it has; record there what is meant: bulkflow lots add"
            f" {workspace} LOT"
        )
    assert bulkflow("check", str(workspace), "--json") is ExitCode.DONE
    assert len(json.loads(capsys.readouterr().out)["edited_tables"]) == 1
    # As the line says: the lot is corrected in the register, and the plan has it.
    again = ("lots", "add", str(workspace), "DRY-1", "--liquid", "DRY", "--site", "STILLHOUSE")
    again += ("--tank", "D1", "--strength", "80", "--volume", "9000", "--correct")
    assert bulkflow(*again) is ExitCode.DONE
    capsys.readouterr()
    assert bulkflow("plan", str(workspace), "--json") is ExitCode.DONE
    (lot,) = json.loads(capsys.readouterr().out)["inputs"]["lots"]
    assert lot["litres_20c"] == pytest.approx(9000.0)


@pytest.mark.full
def test_plan_takes_a_hold_from_the_register(workspace: Path, capsys):
    assert bulkflow("plan", str(workspace), *QUICK) is ExitCode.DONE
    held = bulkflow("lots", "hold", str(workspace), "DRY-1", "--reason", "odd smell")
    assert held is ExitCode.DONE
    capsys.readouterr()
    assert bulkflow("plan", str(workspace), "--json") is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    (hold,) = document["holds"]
    assert (hold["lot_id"], hold["status"]) == ("DRY-1", "held")
    assert "odd smell" in hold["note"]
    assert hold["cost_released"] == pytest.approx(11_218.0, abs=0.01)
    assert hold["cost_as_is"] > hold["cost_released"]
    assert document["summary"]["backlog_end_lpa"] > 0
    assert document["explanations"]


def test_a_register_with_a_liquid_the_workspace_lacks_is_refused(workspace: Path, capsys):
    assert bulkflow("plan", str(workspace), *QUICK) is ExitCode.DONE
    for file in ("scenario.yaml", "demand.csv", "opening_stock.csv", "opening_lots.csv"):
        text = (workspace / file).read_text("utf-8")
        (workspace / file).write_text(text.replace("DRY", "DRIER"), "utf-8")
    capsys.readouterr()
    assert bulkflow("plan", str(workspace)) is ExitCode.BAD_INPUT
    assert "lot DRY-1 has the liquid 'DRY', which scenario.yaml does not have." in (
        capsys.readouterr().err
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan", "no/such/folder"), "no/such/folder: is not a folder."),
        (("plan", ".", "--seconds", "-3"), "Invalid value for '--seconds'"),
        (("plan", ".", "--gap", "2"), "Invalid value for '--gap'"),
        (("plan", ".", "--solver", "abacus"), "Invalid value for '--solver'"),
        (("plan", ".", "--fast"), "No such option"),
        (("check", "no/such/folder"), "is not a folder"),
        (("compare", "a.json", "b.json"), "a.json: cannot be read"),
    ],
)
def test_wrong_words_are_bad_input(words: tuple[str, ...], said: str, capsys):
    assert bulkflow(*words) is ExitCode.BAD_INPUT
    out, err = capsys.readouterr()
    assert out == ""
    assert said.lower() in err.lower()
    assert "Traceback" not in err


def test_no_words_at_all_show_the_help(capsys):
    for words in ((), ("plan",), ("check",), ("compare",)):
        assert bulkflow(*words) is ExitCode.BAD_INPUT
        assert "Usage: bulkflow" in "".join(capsys.readouterr())


def test_every_fault_of_a_workspace_is_told_and_nothing_written(workspace: Path, capsys):
    edit(workspace, "transit_days: 5", "transit_days: -5")
    edit(workspace, "cost_per_load: 300.0", "cost_per_lood: 300.0")
    before = sorted(workspace.iterdir())
    assert bulkflow("plan", str(workspace), "--json") is ExitCode.BAD_INPUT
    out, err = capsys.readouterr()
    assert out == ""
    faults = json.loads(err)["error"]["faults"]
    assert len(faults) >= 2
    assert all(fault["file"] == "scenario.yaml" and fault["line"] > 0 for fault in faults)
    assert sorted(workspace.iterdir()) == before


def too_much_for_the_lane(workspace: Path) -> None:
    """Ask a contract for more than one load a week can fetch."""
    edit(workspace, "- liquid: NEUTRAL\n", "- liquid: NEUTRAL\n        minimum_lpa: 60000.0\n")
    edit(workspace, "transit_days: 1", "transit_days: 1\n    maximum_loads_per_period: 1")


def test_what_blocks_ends_with_code_three_and_says_why(workspace: Path, capsys):
    too_much_for_the_lane(workspace)
    assert bulkflow("plan", str(workspace), "--no-register") is ExitCode.NO_PLAN
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("No plan can meet the rules:\n")
    assert "asks for at least 60,000 LPA of NEUTRAL, but its lanes can fetch at most" in err


def test_rules_that_cannot_hold_together_are_named_with_file_and_line(workspace: Path, capsys):
    """A contract must be taken in the first week, and the tank has no room for it."""
    edit(
        workspace,
        "- liquid: NEUTRAL\n",
        "- liquid: NEUTRAL\n        minimum_lpa: 40000.0\n        last_day: 2027-01-08\n",
    )
    assert bulkflow("plan", str(workspace), "--no-register") is ExitCode.NO_PLAN
    err = capsys.readouterr().err
    assert err.startswith("No plan meets every rule.")
    assert re.search(r"scenario\.yaml, line \d+", err)


# --- check ------------------------------------------------------------------------------------


def test_check_of_a_good_workspace(workspace: Path, capsys):
    assert bulkflow("check", str(workspace)) is ExitCode.DONE
    out = capsys.readouterr().out
    assert "Every file was read without a fault." in " ".join(out.split())
    assert "Nothing was found that cannot work." in out
    assert not (workspace / "records.sqlite").exists()


def test_check_names_file_and_line(workspace: Path, capsys):
    edit(workspace, "limit: 150000.0", "limit: 1000.0")
    assert bulkflow("check", str(workspace), "--json") is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    (finding,) = [one for one in document["findings"] if "ROAD-BOND" in one["words"]]
    lines = (workspace / "scenario.yaml").read_text("utf-8").splitlines()
    number = next(n for n, line in enumerate(lines, start=1) if "id: ROAD-BOND" in line)
    assert f"scenario.yaml, line {number}" in finding["places"]


def test_check_that_finds_what_blocks_ends_with_three(workspace: Path, capsys):
    too_much_for_the_lane(workspace)
    assert bulkflow("check", str(workspace)) is ExitCode.NO_PLAN
    out = " ".join(capsys.readouterr().out.split())
    assert "blocks" in out
    assert "(scenario.yaml, line 3" in out


def test_check_holds_a_plan_against_a_workspace(workspace: Path, out: Path, capsys):
    assert bulkflow("check", str(workspace), "--plan", str(out)) is ExitCode.DONE
    assert re.search(r"(\d+) of \1 checks of the plan passed", capsys.readouterr().out)
    edit(workspace, "limit: 150000.0", "limit: 129999.0")
    assert bulkflow("check", str(workspace), "--plan", str(out)) is ExitCode.NO_PLAN
    assert "FAILED movement-guarantees (eq. 21)" in capsys.readouterr().out


def forged(out: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """Return a copy of a plan's document with something changed."""
    document = json.loads((out / "plan.json").read_text("utf-8"))
    change(document)
    file = out.parent / "forged.json"
    file.write_text(json.dumps(document), "utf-8")
    return file


def bound_to_cost(document: dict[str, Any]) -> None:
    """Forge the bound and all that says so, as one would who knows how."""
    kept = result_from_document(document)
    proof = replace(kept.plan.proof, bound=kept.plan.proof.cost)
    document |= to_document(replace(kept, plan=replace(kept.plan, proof=proof)))


def all_served(document: dict[str, Any]) -> None:
    document["summary"] |= {"backlog_end_lpa": 0.0, "served_lpa": document["summary"]["demand_lpa"]}


FORGED: dict[str, tuple[Callable[[dict[str, Any]], None], str]] = {
    "gap set to 0": (lambda document: document["proof"].update(gap=0.0), "kept-proof"),
    "all served": (all_served, "kept-summary"),
    "another sentence": (
        lambda document: document["summary"].update(sentence="Nothing is short."),
        "kept-summary",
    ),
    "a check flipped": (lambda document: document["checks"][3].update(passed=False), "kept-checks"),
    "a check left out": (lambda document: document["checks"].pop(), "kept-checks"),
    "another total": (lambda document: document["costs"].update(total=1.0), "kept-costs"),
    "no lot held": (lambda document: document["holds"].clear(), "kept-holds"),
    "a lot as released": (
        lambda document: document["holds"][0].update(status="awaiting"),
        "kept-holds",
    ),
    "lost taken as carried": (
        lambda document: document["priorities"][0].update(unmet="lost"),
        "kept-priorities",
    ),
}


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The tiny workspace with its only lot held, and a plan of it that is short and not proved."""
    place = tmp_path_factory.mktemp("held")
    folder, out = place / "two_sites", place / "out"
    shutil.copytree(TWO_SITES, folder, ignore=shutil.ignore_patterns("*.sqlite*"))
    edit(folder, ",released,", ",held,", "opening_lots.csv")
    words = ("plan", str(folder), "--no-register", "--gap", "0.5", "--rounds", "0", "--nodes", "0")
    assert bulkflow(*words, "--out", str(out)) is ExitCode.DONE
    assert bulkflow("check", str(folder), "--plan", str(out)) is ExitCode.DONE
    return folder, out


@pytest.mark.parametrize("how", FORGED)
def test_what_a_reader_relies_on_is_derived_anew(how: str, held: tuple[Path, Path], capsys):
    folder, out = held
    change, check = FORGED[how]
    capsys.readouterr()
    file = forged(out, change)
    assert bulkflow("check", str(folder), "--plan", str(file)) is ExitCode.NO_PLAN
    failed = [one for one in capsys.readouterr().out.splitlines() if one.startswith("FAILED")]
    assert any(one.startswith(f"FAILED {check}:") for one in failed), failed


def test_a_bound_is_a_claim_until_it_is_proved(workspace: Path, out: Path, capsys):
    capsys.readouterr()
    check = ("check", str(workspace), "--plan", str(out))
    assert bulkflow(*check) is ExitCode.DONE
    said = capsys.readouterr().out
    assert re.search(r"Claimed by the planner, not derived here: its bound \(1\d,\d\d\d", said)
    assert f"  bulkflow check {workspace} --plan {out} --prove 60\n" in said
    assert bulkflow(*check, "--prove", "60") is ExitCode.DONE
    assert "The bound holds: a bound of 11," in capsys.readouterr().out


def test_a_bound_raised_to_the_cost_is_refuted(workspace: Path, tmp_path: Path, capsys):
    """A plan that buys more than it need is no cheapest plan, though every amount is in order."""
    out = tmp_path / "out"
    as_it_is = (workspace / "scenario.yaml").read_text("utf-8")
    edit(workspace, "- liquid: NEUTRAL\n", "- liquid: NEUTRAL\n        minimum_lpa: 9000.0\n")
    assert bulkflow("plan", str(workspace), "--no-register", "--out", str(out)) is ExitCode.DONE
    (workspace / "scenario.yaml").write_text(as_it_is, "utf-8")
    check = ("check", str(workspace), "--plan", str(forged(out, bound_to_cost)))
    capsys.readouterr()
    assert bulkflow(*check) is ExitCode.DONE  # all but the bound follows; that it does not is said
    said = capsys.readouterr().out
    assert re.search(r"Claimed by the planner, not derived here: its bound \(1\d,\d\d\d", said)
    assert bulkflow(*check, "--prove", "60") is ExitCode.NO_PLAN
    assert "FAILED bound-proved: The bound is false: a plan that" in capsys.readouterr().out
    assert bulkflow(*check, "--prove", "60", "--json") is ExitCode.NO_PLAN
    assert json.loads(capsys.readouterr().out)["bound"]["proved_anew"]["holds"] is False


def test_a_bound_above_the_cost_is_refuted_by_the_plan_itself(held: tuple[Path, Path], capsys):
    folder, out = held
    file = forged(out, lambda document: document["proof"].update(bound=1e9))
    assert bulkflow("check", str(folder), "--plan", str(file), "--prove", "5") is ExitCode.NO_PLAN
    said = capsys.readouterr().out
    assert "FAILED bound (eq. 28)" in said
    assert "The bound is false" in said


def test_a_bound_not_reached_in_the_time_has_a_code_of_its_own(held: tuple[Path, Path], capsys):
    """The relaxation alone does not reach a bound put halfway to the cost of the best plan."""
    folder, out = held
    best = read_result(out / "plan.json").plan
    scenario = read_workspace(folder).scenario
    halfway = (best.proof.bound + best.proof.cost) / 2
    claim = replace(best, proof=replace(best.proof, bound=halfway))
    found = prove(scenario, claim, SolveOptions(max_rounds=0, max_nodes=0))
    assert found.holds is None
    assert best.proof.bound - 1.0 < found.bound < halfway
    assert str(found).startswith("The bound was not proved anew in the time: a bound of ")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"currency": "USD"}, "is in EUR, the workspace in USD"),
        ({"start": date(2028, 1, 3)}, "covers 2027-01-04 to 2027-01-31, the workspace 2028-01-03"),
        ({"start": date(2027, 1, 5)}, "has periods that begin on 2027-01-04 and every 7 days"),
        ({"period_days": 14}, "has periods of 7 days, the workspace of 14"),
    ],
)
def test_since_needs_the_same_currency_and_calendar(changed: dict[str, Any], said: str):
    scenario = read_workspace(TWO_SITES).scenario
    calendar = scenario.calendar.model_copy(
        update={name: value for name, value in changed.items() if name != "currency"}
    )
    currency = changed.get("currency", scenario.currency)
    other = scenario.model_copy(update={"currency": currency, "calendar": calendar})
    refuse_unlike(by_hand.plan(), scenario, file="plan.json")
    with pytest.raises(InputError, match=said):
        refuse_unlike(by_hand.plan(), other, file="plan.json")


def test_since_refuses_a_plan_of_another_workspace_before_the_search(
    workspace: Path, tmp_path: Path, capsys, monkeypatch
):
    def searched(*_: Any, **__: Any) -> None:
        raise AssertionError("searched")

    monkeypatch.setattr("bulkflow.plan.make.plan_workspace", searched)
    other = everything.FOLDER.parent / "everything-plan.json"
    words = ("plan", str(workspace), "--no-register", "--since", str(other))
    assert bulkflow(*words) is ExitCode.BAD_INPUT
    said = capsys.readouterr().err
    assert "is of the workspace" in said
    assert "sends on lanes that the workspace lacks" in said
    assert "names what the workspace lacks: " in said


def test_since_takes_a_plan_from_before_a_lane_was_opened_and_the_place_renamed(
    workspace: Path, out: Path, capsys
):
    edit(workspace, "Two sites, checked by hand", "Two sites, second version")
    words = ("plan", str(workspace), "--no-register", "--since", str(out))
    assert bulkflow(*words) is ExitCode.DONE


def test_tables_changed_since_are_named(workspace: Path, out: Path, capsys):
    (out / "loads.csv").write_text("none")
    capsys.readouterr()
    assert bulkflow("check", str(workspace), "--plan", str(out)) is ExitCode.DONE
    assert "Not as the program wrote them, or gone: loads.csv in" in capsys.readouterr().err


# --- compare ----------------------------------------------------------------------------------


def test_compare_two_plans(workspace: Path, out: Path, tmp_path: Path, capsys):
    before, after = out, tmp_path / "after"
    edit(workspace, "cost_per_load: 1000.0", "cost_per_load: 1100.0")
    assert bulkflow("plan", str(workspace), "--no-register", "--out", str(after)) is ExitCode.DONE
    capsys.readouterr()
    assert bulkflow("compare", str(before), str(after)) is ExitCode.DONE
    text = capsys.readouterr().out
    assert "3 loads as before, 0 on the same day with another" in " ".join(text.split())
    assert re.search(r"freight\s+2,300\s+2,500\s+\+200", text)
    assert "lanes  sea: tanks[TC-10].cost_per_load  1,000  1,100" in text
    shown = re.findall(r"^(\w+) +(-?[\d,]+) +(-?[\d,]+) +[+-]?[\d,]+$", text, re.M)
    for column in (1, 2):  # sales are taken off: the table adds up as it stands
        *parts, total = (int(row[column].replace(",", "")) for row in shown)
        assert sum(parts) == total
    assert "sales" in {row[0] for row in shown}
    for folder in (before, after):
        costs = pd.read_csv(folder / "costs.csv").set_index("part")["amount"]
        assert costs.drop(["total", "changeable"]).sum() == pytest.approx(costs["total"], abs=1e-5)
    assert bulkflow("compare", str(before / "plan.json"), str(after), "--json") is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    assert document["costs"]["total"][1] - document["costs"]["total"][0] == pytest.approx(200.0)


@pytest.mark.full
def test_compare_shows_runs_purchases_and_inputs(
    workspace: Path, out: Path, tmp_path: Path, capsys
):
    before, after = out, tmp_path / "after"
    edit(workspace, "8750,80,released", "8000,80,held", "opening_lots.csv")
    edit(workspace, "HARBOUR,2027-01-25,DRY,5000,,,,core\n", "", "demand.csv")
    edit(workspace, "- liquid: NEUTRAL\n", "- liquid: NEUTRAL\n        minimum_lpa: 9000.0\n")
    assert bulkflow("plan", str(workspace), "--no-register", "--out", str(after)) is ExitCode.DONE
    capsys.readouterr()
    assert bulkflow("compare", str(before), str(after), "--json") is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    inputs = {
        (one["part"], one["row"], one["key"]): (one["before"], one["after"])
        for one in document["inputs"]
    }
    assert inputs.pop(("lots", "DRY-1", "litres_20c")) == ("8,750", "8,000")
    assert inputs.pop(("lots", "DRY-1", "status")) == ("released", "held")
    assert inputs.pop(("demand", "HARBOUR 2027-01-25 DRY core", "")) == ("lpa 5,000", "")
    key = ("suppliers", "GRAINHOUSE", "contracts[NEUTRAL].minimum_lpa")
    assert inputs.pop(key) == ("", "9,000")
    assert not inputs
    plans = [read_result(folder / "plan.json").plan for folder in (before, after)]
    bought = [sum(row.lpa for row in plan.purchases) for plan in plans]
    change = sum(row["after_lpa"] - row["before_lpa"] for row in document["purchases"])
    assert change == pytest.approx(bought[1] - bought[0], abs=60.0)
    charges = [sum(row.charges for row in plan.runs) for plan in plans]
    change = sum(row["after_charges"] - row["before_charges"] for row in document["runs"])
    assert change == pytest.approx(charges[1] - charges[0])
    assert document["purchases"]
    assert bulkflow("compare", str(before), str(after)) is ExitCode.DONE
    text = capsys.readouterr().out
    assert "Purchases (LPA)" in text
    assert "lots       DRY-1: status" in text
    assert bulkflow("compare", str(before), str(before)) is ExitCode.DONE
    assert "No input changed." in capsys.readouterr().out


def test_compare_of_a_folder_without_a_plan(tmp_path: Path, capsys):
    assert bulkflow("compare", str(tmp_path), str(tmp_path)) is ExitCode.BAD_INPUT
    assert "holds no plan.json" in capsys.readouterr().err


# --- progress and Ctrl-C ----------------------------------------------------------------------


def test_a_search_hands_back_its_answer_and_its_errors():
    search = Stoppable("EUR")
    assert search.run(lambda report, stop: 42, label="search") == 42

    def fail(report: Any, stop: threading.Event) -> None:
        raise ValueError("said by the search")

    with pytest.raises(ValueError, match="said by the search"):
        search.run(fail, label="search")
    assert not search.interrupted


def test_ctrl_c_once_stops_with_the_best_so_far():
    def best(report: Any, stop: threading.Event) -> str:
        report(Progress(0.0, "searching", 10.0, 8.0, 0.2))
        os.kill(os.getpid(), signal.SIGINT)
        return "best so far" if stop.wait(20) else "never heard"

    before = signal.getsignal(signal.SIGINT)
    search = Stoppable("EUR")
    assert search.run(best, label="search") == "best so far"
    assert search.interrupted
    assert signal.getsignal(signal.SIGINT) is before


def test_ctrl_c_before_there_is_a_plan_says_so():
    def nothing(report: Any, stop: threading.Event) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        stop.wait(20)
        raise PlanningError("No plan was found before the search was stopped.")

    with pytest.raises(InterruptedSearchError, match="Interrupted: No plan was found"):
        Stoppable("EUR").run(nothing, label="search")


def test_ctrl_c_twice_gives_up():
    def deaf(report: Any, stop: threading.Event) -> None:
        for _ in range(2):
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.3)
        time.sleep(2)

    with pytest.raises(InterruptedSearchError, match="search was given up"):
        Stoppable("EUR").run(deaf, label="search")


def test_a_search_given_up_does_not_hold_the_process_back(tmp_path: Path):
    script = tmp_path / "deaf.py"
    script.write_text(
        "import os, signal, sys, time\n"
        "from bulkflow.cli.progress import Stoppable\n"
        "from bulkflow.cli.shell import leave, make_app, run\n"
        "def deaf(report, stop):\n"
        "    for _ in range(2):\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "        time.sleep(0.3)\n"
        "    time.sleep(600)\n"
        "app = make_app('Deaf.')\n"
        "@app.command()\n"
        "def search() -> None:\n"
        "    Stoppable('EUR').run(deaf, label='the search')\n"
        "@app.command()\n"
        "def rest() -> None:\n"
        "    pass\n"
        "leave(run(app, ['search'], name='deaf'))\n"
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == "Interrupted: the search was given up.\n"


def bulkflow_process(*words: str, **environment: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", "from bulkflow.cli import main; main()", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, **environment},
    )


def test_the_real_command_in_a_pipe(workspace: Path):
    process = bulkflow_process("plan", str(workspace), "--no-register", LC_ALL="C")
    out, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (0, "")
    assert "proved the cheapest" in " ".join(out.split())


@pytest.mark.full
def test_ctrl_c_during_a_real_search_keeps_and_shows_the_best_plan(tmp_path: Path):
    """A search that would go on for minutes, stopped once it has had time to find plans."""
    out = tmp_path / "out"
    process = bulkflow_process(
        "plan", str(everything.FOLDER), "--no-register", "--seconds", "300", "--gap", "0",
        "--out", str(out),
    )  # fmt: skip
    time.sleep(30)
    process.send_signal(signal.SIGINT)
    text, err = process.communicate(timeout=60)
    assert process.returncode == ExitCode.INTERRUPTED, err
    assert "Interrupted: this is the best plan found until then." in text
    assert read_result(out / "plan.json").plan.proof.interrupted


# --- help -------------------------------------------------------------------------------------


def test_schema_prints_the_shipped_schema(capsys):
    assert bulkflow("schema") is ExitCode.DONE
    assert json.loads(capsys.readouterr().out)["$id"] == "urn:bulkflow-plan:1"


def test_the_examples_in_the_help_work(
    workspace: Path, planned: Path, tmp_path: Path, monkeypatch, capsys
):
    shutil.copytree(workspace, tmp_path / "scenarios" / "two_sites")
    for month in ("january", "february"):
        shutil.copytree(planned, tmp_path / "plans" / month)
    monkeypatch.chdir(tmp_path)
    for command in ("plan", "check", "compare", "schema"):
        capsys.readouterr()
        assert bulkflow(command, "--help") is ExitCode.DONE
        text = " ".join(capsys.readouterr().out.split())
        example = re.search(r"Example: (bulkflow .*?) (Arguments|Options):", text)
        assert example is not None
        assert bulkflow(*shlex.split(example[1])[1:]) is ExitCode.DONE


def test_a_run_of_the_solver_left_to_itself_does_not_hold_the_process_back(tmp_path: Path):
    script = tmp_path / "left.py"
    script.write_text(
        "import threading, time\n"
        "from bulkflow.cli.shell import ExitCode, leave\n"
        "threading.Thread(target=time.sleep, args=(600,), name='a run of HiGHS').start()\n"
        "print('planned')\n"
        "leave(ExitCode.DONE)\n"
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "planned\n", "")
