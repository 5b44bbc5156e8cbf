"""Nothing beside a plan can lose it: faults really provoked after it was made."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bulkflow.cli.shell import ExitCode
from bulkflow.errors import SolverError
from bulkflow.plan.document import read_result
from tests.cli.test_plan import bulkflow
from tests.plan.by_hand import TWO_SITES

EXTRAS: dict[str, tuple[str, str]] = {
    "bulkflow.plan.make.price_holds": ("What holds cost is not known", "--no-price-holds"),
    "bulkflow.plan.make.explained": ("Why demand is short is not known", "--no-explain"),
    "bulkflow.plan.answer.print_answer": ("The answer was not shown", ""),
    "bulkflow.plan.compare.compare_plans": ("What changed was not shown", "bulkflow compare"),
    "bulkflow.report.lots_in_loads.lots_in_loads": ("Which lots fill the loads is not known", ""),
    "bulkflow.report.page.render_report": ("The report was not written", "bulkflow report"),
    "bulkflow.report.workbook.write_workbook": ("The workbook was not written", "--out FILE.xlsx"),
    "bulkflow.plan.next_steps.next_steps": ("What comes next was not shown", ""),
}
"""Where each extra is done, what is said if it fails, and a word of the way out."""


def raising(error: Exception) -> Callable[..., Any]:
    def fail(*_: object, **__: object) -> None:
        raise error

    return fail


@pytest.fixture(scope="module")
def quarter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace and a plan of it; then a lot is held, so that every extra has something to do."""
    place = tmp_path_factory.mktemp("quarter")
    folder = place / "two_sites"
    shutil.copytree(TWO_SITES, folder, ignore=shutil.ignore_patterns("*.sqlite*"))
    assert bulkflow("lots", "begin", str(folder)) is ExitCode.DONE
    assert bulkflow("plan", str(folder), "--out", str(place / "first")) is ExitCode.DONE
    held = bulkflow("lots", "hold", str(folder), "DRY-1", "--reason", "odd smell")
    assert held is ExitCode.DONE
    return place


@pytest.fixture
def earlier(quarter: Path, workspace: Path, capsys) -> Path:
    """The plan made before; the workspace is as it was left after it, with its register."""
    shutil.copytree(quarter / "two_sites", workspace, dirs_exist_ok=True)
    capsys.readouterr()
    return quarter / "first"


ERRORS = (SolverError("it contradicts itself"), ZeroDivisionError("bug"), OSError(28, "disk full"))


@pytest.mark.full
@pytest.mark.parametrize(
    ("seam", "error"), list(zip(EXTRAS, itertools.cycle(ERRORS), strict=False)), ids=str
)
def test_a_failed_extra_is_named_and_the_plan_kept(
    seam: str, error: Exception, workspace: Path, earlier: Path, tmp_path: Path, capsys, monkeypatch
):  # fmt: skip
    monkeypatch.setattr(seam, raising(error))
    out = tmp_path / "out"
    words = ("plan", str(workspace), "--since", str(earlier), "--out", str(out))
    assert bulkflow(*words) is ExitCode.EXTRA_FAILED
    failing, way_out = EXTRAS[seam]
    err = capsys.readouterr().err
    (line,) = [one for one in err.splitlines() if one.startswith(failing)]
    assert str(error.args[-1]) in line
    assert way_out in line
    assert "Traceback" not in err
    assert read_result(out / "plan.json").plan.loads
    assert (out / "loads.csv").exists()
    others = {"report.html", "plan.xlsx"} - ({"report.html"} if "report." in seam else set())
    others -= {"plan.xlsx"} if "workbook" in seam else set()
    others -= {"report.html"} if "compare_plans" in seam or "next_steps" in seam else set()
    assert others <= {one.name for one in out.iterdir()}


@pytest.mark.full
def test_a_failed_extra_in_json_and_with_its_traceback(
    workspace: Path, earlier: Path, tmp_path: Path, capsys, monkeypatch
):  # fmt: skip
    monkeypatch.setattr("bulkflow.report.page.render_report", raising(ZeroDivisionError("bug")))
    words = ("plan", str(workspace), "--out", str(tmp_path / "out"), "--json")
    assert bulkflow(*words) is ExitCode.EXTRA_FAILED
    said = capsys.readouterr()
    assert json.loads(said.out)["schema"] == "bulkflow-plan/1"
    error = json.loads(said.err[said.err.index("{") :])["error"]
    assert (error["kind"], error["exit_code"]) == ("extra", 4)
    assert "traceback" not in error
    assert bulkflow(*words, "--debug") is ExitCode.EXTRA_FAILED
    assert "ZeroDivisionError: bug" in capsys.readouterr().err


@pytest.mark.full
def test_a_disk_that_is_full_for_the_report_keeps_the_plan(workspace: Path, tmp_path: Path):
    """No file may grow beyond the size of the plan's own document: the report is larger."""
    out = tmp_path / "out"
    script = (
        "import resource, sys\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv.pop(1)),) * 2)\n"
        "from bulkflow.cli import main\n"
        "main()\n"
    )
    words = ["plan", str(workspace), "--no-register", "--out", str(out)]
    assert bulkflow(*words) is ExitCode.DONE
    sizes = {one.name: one.stat().st_size for one in out.iterdir()}
    room = max(size for name, size in sizes.items() if name not in ("report.html", "plan.xlsx"))
    assert sizes["report.html"] > room + 10_000
    done = subprocess.run(
        [sys.executable, "-c", script, str(room + 10_000), *words],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == ExitCode.EXTRA_FAILED, done.stderr
    assert "The report was not written: " in done.stderr
    assert "File too large" in done.stderr
    assert read_result(out / "plan.json").plan.loads
    assert not (out / "report.html").exists()


def test_a_plan_that_cannot_be_written_where_it_should_is_kept_elsewhere(
    workspace: Path, tmp_path: Path, capsys, monkeypatch
):  # fmt: skip
    from bulkflow.plan import make

    out = tmp_path / "out"
    plan_workspace = make.plan_workspace

    def meanwhile(*words: Any, **named: Any) -> Any:
        out.mkdir()
        (out / "mine.txt").write_text("mine")
        return plan_workspace(*words, **named)

    monkeypatch.setattr(make, "plan_workspace", meanwhile)
    words = ("plan", str(workspace), "--no-register", "--out", str(out))
    assert bulkflow(*words) is ExitCode.BAD_INPUT
    said = capsys.readouterr()
    assert "Over the quarter" in said.out
    assert "holds other files (mine.txt)" in said.err
    kept = Path(said.err.partition("it is kept in ")[2].split()[0].rstrip("."))
    assert read_result(kept).plan.loads
    kept.unlink()
    kept.parent.rmdir()
    assert [one.name for one in out.iterdir()] == ["mine.txt"]


SLOW = (
    "import pathlib, sys, time\n"
    "import bulkflow.report.lots_in_loads as seam\n"
    "def slow(*words, **named):\n"
    "    pathlib.Path(sys.argv[-1] + '.filling').touch()\n"
    "    time.sleep(600)\n"
    "seam.lots_in_loads = slow\n"
    "from bulkflow.cli import main\n"
    "main()\n"
)


def started_and_kept(workspace: Path, out: Path) -> subprocess.Popen[str]:
    """Start a plan whose filling of loads takes for ever; return once it is at that."""
    words = ["plan", str(workspace), "--no-register", "--out", str(out)]
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        # Where the tests run in the background, their children would not hear Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    filling = out.with_name(f"{out.name}.filling")
    while not filling.exists():
        assert process.poll() is None
        time.sleep(0.1)
    return process


@pytest.mark.full
def test_a_process_killed_beside_its_plan_leaves_the_plan(workspace: Path, tmp_path: Path):
    out = tmp_path / "out"
    process = started_and_kept(workspace, out)
    process.kill()
    process.communicate(timeout=30)
    assert read_result(out / "plan.json").plan.loads
    words = ("plan", str(workspace), "--no-register", "--out", str(out))
    assert bulkflow(*words) is ExitCode.DONE


@pytest.mark.full
def test_ctrl_c_beside_a_plan_keeps_it(workspace: Path, tmp_path: Path):
    out = tmp_path / "out"
    process = started_and_kept(workspace, out)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=300)
    assert process.returncode == ExitCode.INTERRUPTED, err
    said = " ".join(err.split())
    assert (
        f"Interrupted. Which lots fill the loads is not known. The plan is kept in {out}." in said
    )
    assert {"plan.json", "loads.csv", "report.html", "plan.xlsx"} <= {
        one.name for one in out.iterdir()
    }


@pytest.mark.full
def test_a_reader_that_goes_away_loses_no_report(workspace: Path, tmp_path: Path):
    out = tmp_path / "out"
    command = (
        f"{sys.executable} -m bulkflow.cli plan {workspace} --no-register --out {out} | head -1"
    )
    script = f"{sys.executable} -c 'from bulkflow.cli import main; main()'"
    command = command.replace(f"{sys.executable} -m bulkflow.cli", script)
    done = subprocess.run(
        ["bash", "-c", f"{command}; exit ${{PIPESTATUS[0]}}"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == ExitCode.DONE, done.stderr
    assert {"plan.json", "report.html", "plan.xlsx"} <= {one.name for one in out.iterdir()}


def test_a_user_s_own_file_is_refused_before_the_search(
    workspace: Path, tmp_path: Path, capsys, monkeypatch
):  # fmt: skip
    monkeypatch.setattr("bulkflow.plan.make.plan_workspace", raising(AssertionError("searched")))
    out = tmp_path / "out"
    out.mkdir()
    (out / "demand.csv").write_text("my own demand")
    words = ("plan", str(workspace), "--no-register", "--out", str(out))
    assert bulkflow(*words) is ExitCode.BAD_INPUT
    assert "holds other files (demand.csv)" in capsys.readouterr().err
    assert (out / "demand.csv").read_text() == "my own demand"


def test_no_plan_in_the_time_is_told_from_no_plan_at_all(
    workspace: Path, capsys, monkeypatch
):  # fmt: skip
    from bulkflow.errors import NoneFoundError

    said = NoneFoundError("No plan was found before the search was stopped (time, after 1.0 s).")
    monkeypatch.setattr("bulkflow.plan.make.make_plan", raising(said))
    words = ("plan", str(workspace), "--no-register", "--json")
    assert bulkflow(*words) is ExitCode.NONE_FOUND
    error = json.loads(capsys.readouterr().err)["error"]
    assert (error["kind"], error["exit_code"]) == ("none_found", 5)
