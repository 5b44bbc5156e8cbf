"""Every command that README.md shows is run as printed, in order."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.readme_commands import commands, named
from tests.readme_runs import differences

ROOT = Path(__file__).resolve().parent.parent
SETUP = "python3 -m venv"
PANEL_FIRST = "panels sitting import scenarios/vejkalna"


@pytest.fixture(scope="module")
def workplace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the scenarios as they are committed, no register yet."""
    place = tmp_path_factory.mktemp("readme")
    ignore = shutil.ignore_patterns("*.sqlite*", "out")
    shutil.copytree(ROOT / "scenarios", place / "scenarios", ignore=ignore)
    (place / "plans").mkdir()
    run(PANEL_FIRST, place)  # the first of the set-up commands does this
    return place


def run(command: str, place: Path) -> subprocess.CompletedProcess[str]:
    """Run a command line with this environment's programs in front."""
    environment = os.environ | {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command],
        cwd=place,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return done


@pytest.mark.full
@pytest.mark.parametrize("command", [one for one in commands() if not one.startswith(SETUP)])
def test_the_tour_works_as_printed(command: str, workplace: Path) -> None:
    assert run(command, workplace).stdout.strip() or "report" in command


def test_there_is_one_command_for_the_job_and_one_for_the_tests() -> None:
    assert "bulkflow plan scenarios/vejkalna" in named("plan")
    assert named("test").endswith("pytest -q -n 2")


def test_plans_are_compared_to_the_last_digit_but_for_times() -> None:
    plan = {"loads": [{"lpa": 6400.0}, {"lpa": 6600.0}], "proof": {"cost": 1.0, "seconds": 2.0}}
    later = {"loads": plan["loads"], "proof": {"cost": 1.0, "seconds": 9.0}, "chain_head": "7:ab"}
    assert list(differences(plan, later)) == []
    other = {"loads": [{"lpa": 6400.0}, {"lpa": 6600.000001}], "proof": plan["proof"]}
    assert list(differences(plan, other)) == ["loads[1].lpa: 6600.0, then 6600.000001"]
    fewer = {"loads": plan["loads"][:1], "proof": plan["proof"]}
    assert list(differences(plan, fewer)) == ["loads: 2 rows, then 1"]


@pytest.mark.full
def test_the_first_command_plans_the_demo_from_a_fresh_clone(tmp_path: Path) -> None:
    clone = tmp_path / "clone"
    subprocess.run(["git", "clone", "-q", str(ROOT), str(clone)], check=True)
    done = run(named("plan"), clone)
    assert "Over the quarter" in done.stdout
    assert "checks" in done.stdout
    for name in ("report.html", "plan.xlsx", "plan.json", "loads.csv"):
        assert (clone / "out" / name).stat().st_size > 0
    text = done.stdout[done.stdout.index("Over the quarter") :]  # after what the panel said
    for lot in ("VK-CIT-2642", "VK-NAVY-2642"):
        assert lot in text  # held by the panel, and said so in the answer
    assert "VK-DRY-2643  awaiting" not in text  # so in the tables; released by the panel


@pytest.mark.full
def test_the_second_command_runs_from_a_fresh_clone_as_far_as_collecting(tmp_path: Path) -> None:
    clone = tmp_path / "clone"
    subprocess.run(["git", "clone", "-q", str(ROOT), str(clone)], check=True)
    command = named("test") + " --collect-only"
    assert "tests collected" in run(command, clone).stdout
