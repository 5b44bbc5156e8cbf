"""The week of the demo through the command line, with its panel's records and a plan."""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from bulkflow.account.tables import ACCOUNT
from bulkflow.loads.tables import LOADS
from bulkflow.lots.panel_facts import panel_facts
from bulkflow.lots.queries import list_lots
from bulkflow.lots.register import open_register
from bulkflow.program.answer import Purchase
from bulkflow.records import Actor, settings_for
from bulkflow.scenario.reader import read_workspace
from panels.records import PANELS
from panels.sittings.deciding import next_step_of, undecided_sittings
from tests.loads.making import record
from tests.loads.plans import LOADS as PLANNED
from tests.loads.plans import small_plan, write_plan_file
from tests.printed_commands import exists

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"
PROGRAMS = Path(sys.executable).parent


def run(place: Path, command: str) -> str:
    program, *words = shlex.split(command)
    done = subprocess.run(
        [str(PROGRAMS / program), *words], cwd=place, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    """A folder with the demo, its sittings taken over, a small plan, and a load of it."""
    folder = tmp_path_factory.mktemp("week")
    shutil.copytree(DEMO, folder / "demo", ignore=shutil.ignore_patterns("*.sqlite*"))
    run(folder, "panels sitting import demo")
    run(folder, "bulkflow account begin demo")
    plan = replace(
        small_plan(
            read_workspace(DEMO).scenario, [one for one in PLANNED if one.lane != "graz-by-road"]
        ),
        purchases=(Purchase("OSTRAVELE", "NS-CEREAL", 2, 0, 50_000.0, 0.9),),
    )
    write_plan_file(folder / "plan", plan)
    settings = settings_for(folder / "demo")
    with (
        open_register(settings, LOADS, ACCOUNT, PANELS, create=False) as store,
        store.write(Actor("Ann", "ann")) as session,
    ):
        record(session)
    return folder


def week(place: Path, on: str) -> dict:
    return json.loads(run(place, f"bulkflow due demo --plan plan --on {on} --json"))


@pytest.mark.full
def test_every_command_of_the_week_is_one(place) -> None:
    kinds = set()
    for on in ("2027-01-04", "2027-02-08"):
        lines = week(place, on)["lines"]
        kinds |= {one["kind"] for one in lines}
        assert all(exists(one["command"]) for one in lines)
    assert kinds >= {"lot", "load", "arrival", "report", "purchase", "standard"}
    ready = [one["command"] for one in week(place, "2027-01-04")["lines"]]
    for asked in (" promised ", "confirm plan"):
        command = next(one for one in ready if asked in one)
        run(place, f"{command} --dry-run")  # as printed, and allowed
    text = run(place, "bulkflow due demo --plan plan --on 2027-01-04")
    assert max(len(line) for line in text.splitlines() if not line.startswith("       ")) <= 80


@pytest.mark.full
def test_what_the_panel_asks_for_is_read_as_the_panel_says_it(place) -> None:
    with (
        open_register(settings_for(place / "demo"), PANELS, create=False) as store,
        store.read() as session,
    ):
        facts = panel_facts(session)
        for lot in list_lots(session):
            assert facts.next_step.get(lot.lot_id) == next_step_of(session, lot.lot_id)
            assert list(facts.undecided.get(lot.lot_id, ())) == undecided_sittings(
                session, lot.lot_id
            )
    assert facts.next_step["VK-CIT-2642"] == "confirm the off-note"
    assert facts.notes["VK-CIT-2642"] == ("sulphury",)
    assert date(2027, 3, 8) == facts.standards[0].use_by
    assert "A12" not in facts.qualified_until  # did not meet the panel's rule
