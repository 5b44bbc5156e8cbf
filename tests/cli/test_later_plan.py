"""A plan from a later day, by the real command line: what is offered after it, and its papers."""

from __future__ import annotations

import json
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
    " --reason 'found in the old vat'"
)


@pytest.fixture
def desk(tmp_path: Path, monkeypatch, capsys) -> Callable[[str], str]:
    """The tiny workspace a week on: stock that no table names was found at the distillery."""
    shutil.copytree(TWO_SITES, tmp_path / "demo", ignore=shutil.ignore_patterns("*.sqlite*"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)

    def bulkflow(line: str) -> str:
        code = run(app, shlex.split(line), name="bulkflow")
        out, err = capsys.readouterr()
        assert code is ExitCode.DONE, f"{line}\n{out}\n{err}"
        return out

    for line in ("lots begin demo", "account begin demo", FOUND):
        bulkflow(line)
    return bulkflow


def test_every_command_offered_runs_and_plans_from_the_same_day(desk) -> None:
    _, _, offered = desk(f"plan demo --on {LATER}").partition("\nNext\n")
    commands = [line.strip() for line in offered.splitlines() if line.startswith("  bulkflow")]
    assert f"bulkflow plan demo --on {LATER} --out plans/demo" in commands
    for command in commands:
        desk(command.removeprefix("bulkflow "))
    kept = json.loads(Path("plans/demo/plan.json").read_text("utf-8"))
    assert kept["periods"][0]["first_day"] == LATER
