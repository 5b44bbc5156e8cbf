"""A plan from a later day, by the real command line: what is offered after it, and its papers."""

from __future__ import annotations

import html
import json
import re
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from bulkflow.cli import app
from bulkflow.cli.shell import ExitCode, run

TWO_SITES = Path(__file__).resolve().parents[2] / "scenarios" / "two_sites"
LATER = "2027-01-11"
FOUND = (
    "account enter demo --site STILLHOUSE --liquid DRY --kind stocktake --lpa 7500 --on 2027-01-08"
    " --measured-again --reason 'found in the old vat'"
)


@pytest.fixture(scope="module")
def week_on(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tiny workspace a week on: stock that no table names was found at the distillery.

    Beside it a plan of that later day.
    """
    place = tmp_path_factory.mktemp("week_on")
    shutil.copytree(TWO_SITES, place / "demo", ignore=shutil.ignore_patterns("*.sqlite*"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        patch.delenv("BULKFLOW_DATABASE", raising=False)
        later = f"plan demo --on {LATER} --out plans/later"
        for line in ("lots begin demo", "account begin demo", FOUND, later):
            assert run(app, shlex.split(line), name="bulkflow") is ExitCode.DONE
    return place


@pytest.fixture
def desk(week_on: Path, tmp_path: Path, monkeypatch, capsys) -> Callable[[str], str]:
    """A copy of that workspace and its plan, and the command line run beside them."""
    shutil.copytree(week_on, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    capsys.readouterr()

    def bulkflow(line: str) -> str:
        code = run(app, shlex.split(line), name="bulkflow")
        out, err = capsys.readouterr()
        assert code is ExitCode.DONE, f"{line}\n{out}\n{err}"
        return out

    return bulkflow


@pytest.mark.full
def test_every_command_offered_runs_and_plans_from_the_same_day(desk) -> None:
    _, _, offered = desk(f"plan demo --on {LATER}").partition("\nNext\n")
    commands = [line.strip() for line in offered.splitlines() if line.startswith("  bulkflow")]
    assert f"bulkflow plan demo --on {LATER} --out plans/demo" in commands
    for command in commands:
        desk(command.removeprefix("bulkflow "))
    kept = json.loads(Path("plans/demo/plan.json").read_text("utf-8"))
    assert kept["periods"][0]["first_day"] == LATER


def filled_from(page: str) -> set[str]:
    """Return the sources of the loads in a report's calendar."""
    told = re.findall(r"<title>[^<]*lots: ([^<]*)</title>", page)
    return {one.removesuffix(" (not kept by lot)") for lots in told for one in lots.split(", ")}


def test_the_papers_of_a_plan_start_from_its_own_first_day(desk) -> None:
    with_plan = Path("plans/later/report.html").read_text("utf-8")
    desk("report demo plans/later --out alone.html")
    alone = Path("alone.html").read_text("utf-8")
    assert filled_from(with_plan) == filled_from(alone) == {"DRY-1", "stock of DRY at STILLHOUSE"}
    assert "planned, held !" not in alone
    told = json.loads(desk("loads allocate demo plans/later --dry-run --json"))
    assert [load["state"] for load in told["loads"]] == ["planned", "planned"]


@pytest.mark.full
def test_what_changed_is_told_from_the_later_day_on_wherever_it_is_asked(desk) -> None:
    desk("plan demo --out plans/first")
    said = desk(f"plan demo --on {LATER} --since plans/first --out plans/later")
    words = (
        f"Loads and shortages are compared from {LATER} on. Costs are of each plan's own horizon:"
        " the earlier one began on 2027-01-04."
    )
    assert words in " ".join(said.split())
    assert words in " ".join(desk("compare plans/first plans/later").split())
    told = json.loads(desk("compare plans/first plans/later --json"))
    assert (told["begins_before"], told["begins_after"]) == ("2027-01-04", LATER)
    assert min(one["day_before"] or LATER for one in told["loads"]) >= LATER
    desk("report demo plans/later --since plans/first --out alone.html")
    for file in ("alone.html", "plans/later/report.html"):
        page = html.unescape(Path(file).read_text("utf-8"))
        assert words in page
        changes = page[page.index('<h2 id="changes"') : page.index('<h2 id="costs"')]
        assert "2027-01-04" not in changes.replace(words, "")


def test_a_plan_whose_register_is_gone_is_told_of_without_beginning_another(desk) -> None:
    Path("demo/records.sqlite").unlink()
    code = run(app, ["report", "demo", "plans/later", "--out", "alone.html"], name="bulkflow")
    assert code is ExitCode.EXTRA_FAILED
    assert Path("alone.html").exists()
    assert not Path("demo/records.sqlite").exists()


def test_a_plan_that_starts_outside_the_quarter_is_refused(desk, capsys) -> None:
    file = Path("plans/later/plan.json")
    document = json.loads(file.read_text("utf-8"))
    document["periods"][0]["first_day"] = "2027-01-12"
    file.write_text(json.dumps(document), "utf-8")
    code = run(app, ["report", "demo", "plans/later", "--out", "r.html"], name="bulkflow")
    assert code is ExitCode.BAD_INPUT
    assert capsys.readouterr().err == (
        "plans/later: starts on 2027-01-12, which begins no period of the workspace's quarter."
        " Give a plan of this workspace as it is now, or plan it again.\n"
    )
    assert not Path("r.html").exists()


def test_a_plan_is_checked_against_the_register_it_was_made_from(desk, capsys) -> None:
    """What was found or done since changes no plan that was right; another register does."""
    assert "checks of the plan passed" in desk("check demo --plan plans/later")
    desk(FOUND.replace("7500", "-3000"))
    code = run(app, ["check", "demo", "--plan", "plans/later"], name="bulkflow")
    out, err = capsys.readouterr()
    assert code is ExitCode.DONE and "FAILED" not in out
    assert "The register has gone on since the plan was made" in " ".join(err.split())
    file = Path("plans/later/plan.json")
    document = json.loads(file.read_text("utf-8"))
    number, _, digits = document["chain_head"].partition(":")
    document["chain_head"] = f"{number}:{digits[::-1]}"
    file.write_text(json.dumps(document), "utf-8")
    code = run(app, ["check", "demo", "--plan", "plans/later"], name="bulkflow")
    out, err = capsys.readouterr()
    assert code is ExitCode.NO_PLAN and "FAILED" in out
    assert "or it is another one" in " ".join(err.split())
