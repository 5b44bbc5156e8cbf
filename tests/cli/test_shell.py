"""The one error wrapper: every kind of error has its exit code, its text and its JSON."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from bulkflow.cli.shell import (
    ExitCode,
    ExtrasFailedError,
    InterruptedSearchError,
    exit_code_of,
    make_app,
    run,
    write_json,
)
from bulkflow.errors import (
    BulkflowError,
    Fault,
    InputError,
    NoneFoundError,
    OutOfRangeError,
    PlanningError,
    RecordsError,
    SolverError,
    VerificationError,
)
from bulkflow.records.errors import DatabaseError, NewerDatabaseError, RefusedError

FAULTS = InputError(
    [
        Fault("scenario.yaml", 31, "lanes[4].transit_days", "is -4", "Days are zero or more."),
        Fault("demand.csv", 2, "lpa", "is 'x'", "Write a number."),
    ]
)

CODES = [
    (FAULTS, ExitCode.BAD_INPUT),
    (OutOfRangeError("strength", 120.0, 0.0, 100.0, "% vol", "OIML R 22"), ExitCode.BAD_INPUT),
    (PlanningError("none"), ExitCode.NO_PLAN),
    (NoneFoundError("none in time"), ExitCode.NONE_FOUND),
    (ExtrasFailedError(["no report"], [OSError()]), ExitCode.EXTRA_FAILED),
    (SolverError("odd"), ExitCode.FAULT),
    (VerificationError("eq. 4"), ExitCode.FAULT),
    (RecordsError("no"), ExitCode.NO_PLAN),
    (DatabaseError("cannot open"), ExitCode.BAD_INPUT),
    (RefusedError("Ona", "lift a hold", "lift", "quality"), ExitCode.NO_PLAN),
    (NewerDatabaseError("made by a newer program"), ExitCode.BAD_INPUT),
    (KeyboardInterrupt(), ExitCode.INTERRUPTED),
    (ZeroDivisionError("oops"), ExitCode.FAULT),
]


def raising(error: BaseException):
    app = make_app("An app that fails.")

    @app.command()
    def fail(*, json: bool = False) -> None:
        raise error

    @app.command()
    def rest() -> int:
        return ExitCode.NO_PLAN

    return app


@pytest.mark.parametrize(("error", "code"), CODES, ids=lambda value: str(value)[:30])
def test_each_error_has_its_code(error, code, capsys):
    assert exit_code_of(error) is code
    assert run(raising(error), ["fail"], name="x") is code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.strip() or code is ExitCode.INTERRUPTED
    unexpected = isinstance(error, ZeroDivisionError)
    assert ("Traceback" in err) is unexpected


@pytest.mark.parametrize(
    "kind",
    [kind for kind in BulkflowError.__subclasses__() if kind.__module__.startswith("bulkflow.")],
)
def test_no_error_of_ours_is_shown_as_unexpected(kind, capsys):
    error = kind.__new__(kind)
    Exception.__init__(error, "said plainly")
    error.faults = ()
    run(raising(error), ["fail"], name="x")
    assert "Unexpected" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (FAULTS, "input"),
        (OutOfRangeError("strength", 120.0, 0.0, 100.0, "% vol", "OIML R 22"), "range"),
        (type("NoWayError", (PlanningError,), {})("none"), "planning"),
        (SolverError("odd"), "solver"),
        (VerificationError("eq. 4"), "verification"),
        (DatabaseError("cannot open"), "records"),
        (InterruptedSearchError("stopped"), "interrupted"),
        (ZeroDivisionError("oops"), "fault"),
    ],
)
def test_each_error_has_its_word_in_json(error, kind, capsys):
    run(raising(error), ["fail", "--json"], name="x")
    assert json.loads(capsys.readouterr().err)["error"]["kind"] == kind


def test_debug_shows_the_traceback_of_a_user_fault(capsys):
    run(raising(FAULTS), ["fail", "--debug"], name="x")
    assert "Traceback" in capsys.readouterr().err


def test_all_faults_are_shown_sorted(capsys):
    run(raising(FAULTS), ["fail"], name="x")
    assert capsys.readouterr().err == (
        "demand.csv, line 2: lpa is 'x'. Write a number.\n"
        "scenario.yaml, line 31: lanes[4].transit_days is -4. Days are zero or more.\n"
    )


def test_errors_as_json_go_to_stderr(capsys):
    run(raising(FAULTS), ["fail", "--json"], name="x")
    out, err = capsys.readouterr()
    said = json.loads(err)["error"]
    assert (out, said["kind"], said["exit_code"]) == ("", "input", 2)
    assert said["faults"][0] == {
        "file": "demand.csv",
        "line": 2,
        "where": "lpa",
        "found": "is 'x'",
        "mend": "Write a number.",
    }


def test_a_wrong_command_is_usage(capsys):
    assert run(raising(FAULTS), ["nothing", "--json"], name="x") is ExitCode.BAD_INPUT
    assert json.loads(capsys.readouterr().err)["error"]["kind"] == "usage"


def test_a_command_returns_its_code():
    assert run(raising(FAULTS), ["rest"], name="x") is ExitCode.NO_PLAN


def test_json_refuses_numbers_it_does_not_have():
    with pytest.raises(ValueError, match="JSON"):
        write_json({"gap": float("nan")})


def in_process(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from bulkflow.cli import main; main()", *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )


def test_help_names_every_exit_code_and_imports_nothing_heavy():
    done = in_process("--help", PYTHONPROFILEIMPORTTIME="1")
    assert done.returncode == 0
    for code in ExitCode:
        assert f"{int(code)} " in done.stdout
    imported = {line.rsplit("|", 1)[-1].strip() for line in done.stderr.splitlines()}
    heavy = {"pandas", "numpy", "pulp", "networkx", "matplotlib", "sqlalchemy", "pydantic", "yaml"}
    assert not heavy & imported


def test_a_file_that_may_not_be_used_is_bad_input_wherever_it_is_met(capsys):
    app = raising(PermissionError(13, "Permission denied", "/kept/apart"))
    assert run(app, ["fail"], name="failing") == ExitCode.BAD_INPUT
    assert capsys.readouterr().err == (
        "/kept/apart: cannot be used (Permission denied). Check who may read and write it, and"
        " that there is room.\n"
    )


def test_a_reader_that_goes_away_is_no_fault(tmp_path: Path):
    script = tmp_path / "talk.py"
    script.write_text(
        "import sys\n"
        "from bulkflow.cli.shell import make_app, run\n"
        "app = make_app('Talks.')\n"
        "@app.command()\n"
        "def talk() -> None:\n"
        "    for _ in range(100_000):\n"
        "        print('a line of the plan')\n"
        "@app.command()\n"
        "def rest() -> None:\n"
        "    pass\n"
        "sys.exit(run(app, name='talk'))\n"
    )
    done = subprocess.run(
        f"{sys.executable} {script} talk | head -1; exit ${{PIPESTATUS[0]}}",
        shell=True,
        executable="/bin/bash",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "a line of the plan\n", "")


def test_progress_says_how_good_the_plan_is_and_how_long_it_looks() -> None:
    from bulkflow.cli.progress import _Shown
    from bulkflow.core.outcome import Progress

    shown = _Shown("planning", "EUR", 16.0)
    assert shown.line() == "planning  0 of about 16 s  no plan yet"
    shown.update(Progress(1.0, "cuts", 1_000_000.0, 980_000.0, 0.02))
    assert shown.line().endswith("cuts  best 1,000,000 EUR  at most 2 % too dear")
    shown.update(Progress(2.0, "search", 1_000_000.0, 996_000.0, 0.004))
    assert shown.line().endswith("at most 0.4 % too dear (good enough)")
