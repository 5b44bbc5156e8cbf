"""The command line as a whole: help, errors, what runs without the heavy libraries."""

from __future__ import annotations

import datetime
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

from panels.cli import build_app
from panels.release.files import read_characteristic, read_rules
from panels.release.picture import draw_characteristic
from panels.release.rule import ReleaseRule
from tests.panels.conftest import FIRST, SCENARIO, Panels


def _commands() -> dict[str, str]:
    """Every command with its help; worked uses have examples and tests of their own."""
    root = typer.main.get_command(build_app())
    found: dict[str, str] = {}
    for group, held in root.commands.items():  # type: ignore[attr-defined]
        if group == "uses":
            continue
        for name, command in getattr(held, "commands", {"": held}).items():
            found[f"{group} {name}".strip()] = command.help or ""
    return found


@pytest.mark.parametrize("name", _commands())
def test_every_command_has_help_with_one_example(name: str) -> None:
    text = _commands()[name]
    examples = re.findall(r"Example: (panels .*)", text)
    assert len(examples) == 1
    assert examples[0].startswith(f"panels {name} ")


def test_help_needs_no_heavy_library() -> None:
    code = (
        "import sys\n"
        "from panels.cli import build_app\n"
        "from bulkflow.cli.shell import run\n"
        "run(build_app(), ['--help'], name='panels')\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'sqlalchemy', 'pydantic', 'jinja2'}\n"
        "sys.exit(f'{sorted(heavy & set(sys.modules))}' if heavy & set(sys.modules) else 0)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert "sitting" in ran.stdout


def test_errors_of_the_package_become_bad_input(decided: Path, panels: Panels) -> None:
    ran = panels("rule", "size", decided, "--liquid", "VK-DRY", "--bad", 8, "--good", 6)
    assert ran.code == 2 and "cannot be told apart" in ran.err and "Traceback" not in ran.err
    ran = panels("rule", "size", decided, "--liquid", "VK-DRY", "--bad", 8, "--good", 6, "--json")
    assert json.loads(ran.err)["error"]["exit_code"] == 2
    ran = panels("rule", "size", decided, "--liquid", "VK-DYR", "--bad", 6, "--good", 7)
    assert ran.code == 2 and "Did you mean VK-DRY?" in ran.err


def test_debug_shows_the_traceback(decided: Path, panels: Panels) -> None:
    ran = panels("--debug", "rule", "size", decided, "--liquid", "VK-DRY", "--bad", 8, "--good", 6)
    assert ran.code == 2 and "Traceback" in ran.err


def test_unknown_sitting(decided: Path, panels: Panels) -> None:
    ran = panels("sitting", "show", decided, "VK-2026-12-16")
    assert ran.code == 2 and "Did you mean VK-2026-12-1" in ran.err


def test_no_register_is_said_plainly(workspace: Path, panels: Panels) -> None:
    ran = panels("sitting", "list", workspace)
    assert ran.code == 2 and "Traceback" not in ran.err
    assert not (workspace / "records.sqlite").exists()


@pytest.mark.full
def test_tables_fit_eighty_columns(decided: Path, panels: Panels) -> None:
    for words in (
        ("sitting", "list", decided),
        ("sitting", "show", decided, FIRST),
        ("sitting", "sheets", decided, FIRST, "--paper", "preparation", "--paper", "trays"),
        ("rule", "show", decided, "--liquid", "VK-DRY"),
        ("standard", "list", decided, "--on", "2027-01-04"),
        ("sample", "sheet", decided, "VK-DRY-2643", "--on", "2026-12-14"),
        ("queue", decided, "--from", "2027-01-04", "--weekday", "tue"),
    ):
        ran = panels(*words)
        assert ran.code == 0, ran.err
        assert max(len(line.rstrip()) for line in ran.out.splitlines()) <= 80, words
        assert "VK-" in ran.out


def test_queue_gives_dates_by_capacity(decided: Path, panels: Panels) -> None:
    words = ("queue", decided, "--from", "2027-01-04", "--json")
    lots = {lot["lot"]: lot for lot in panels(*words, "--weekday", "thu").json["lots"]}
    assert {name: (lot["why"], lot["on"]) for name, lot in lots.items()} == {
        "VK-NAVY-2642": ("retest", "2027-01-07"),
        "VK-CIT-2642": ("confirmation", None),
    }
    assert panels(*words, "--weekday", "thu", "--promise").code == 0
    ran = panels("queue", decided, "--from", "2027-01-04", "--weekday", "thu", "--lots", 9)
    assert ran.code == 2 and "a control stands beside them" in ran.err


def test_queue_fills_one_sitting_after_the_other(planned: Path, panels: Panels) -> None:
    """One lot awaits a first sitting; with room for one lot a day it gets a day of its own."""
    ran = panels("queue", planned, "--from", "2026-12-15", "--weekday", "tue", "--json")
    lots = {lot["lot"]: (lot["on"], lot["planned"]) for lot in ran.json["lots"]}
    assert lots["VK-DRY-2643"] == ("2026-12-22", None)  # four lots fill the planned sitting


def test_interrupted_work_says_so_and_keeps_what_was_finished(
    workspace: Path, panels: Panels, monkeypatch: pytest.MonkeyPatch
) -> None:
    from panels.release import characteristic

    real, calls = characteristic.operating_characteristic, []

    def stopped(rule: ReleaseRule, **how: Any) -> characteristic.Characteristic:
        calls.append(rule.name)
        if len(calls) > 1:
            raise KeyboardInterrupt
        how |= {"standard_error": 0.05, "qualities": [7.5], "shares": [0.0]}
        return real(rule, **how)

    monkeypatch.setattr(characteristic, "operating_characteristic", stopped)
    stored = workspace / "panel" / "characteristics"
    for path in stored.glob("*"):
        path.unlink()
    ran = panels("rule", "risks", workspace)
    assert ran.code == 130 and "Interrupted." in ran.err and "Traceback" not in ran.err
    assert [path.name for path in stored.glob("*")] == ["VK-DRY-v1.json"]


def test_picture_of_the_risks(tmp_path: Path) -> None:
    (rule, *_) = read_rules(SCENARIO / "panel" / "rules.yaml")
    found = read_characteristic(SCENARIO / "panel", rule)
    assert found is not None
    for name in ("oc.svg", "oc.png"):
        draw_characteristic(found, rule, tmp_path / name)
    text = (tmp_path / "oc.svg").read_text()
    assert text.lstrip().startswith("<?xml") and "svg" in text
    assert (tmp_path / "oc.png").read_bytes().startswith(b"\x89PNG")


def test_stored_risks_are_of_today() -> None:
    """The stored characteristics belong to rules that hold before the demo's sittings."""
    for rule in read_rules(SCENARIO / "panel" / "rules.yaml"):
        assert rule.declared < datetime.date(2026, 12, 15)
