"""``lots why`` says what opens each closed gate, in commands that are there."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bulkflow.cli import app
from bulkflow.cli.shell import ExitCode, run
from tests.printed_commands import exists

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"


@pytest.fixture(scope="module")
def begun(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("steps") / "demo"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("records.sqlite*"))
    assert run(app, ["lots", "begin", str(folder)], name="bulkflow") is ExitCode.DONE
    return folder


@pytest.fixture
def steps(begun, tmp_path, capsys, monkeypatch):
    folder = Path(shutil.copytree(begun, tmp_path / "demo"))
    monkeypatch.chdir(tmp_path)

    def ask(*words: str) -> list[str]:
        assert run(app, [*words], name="bulkflow") is ExitCode.DONE
        out = capsys.readouterr().out
        if words[:2] != ("lots", "why"):
            return []
        after = out.partition("\nNext\n")[2]
        return [line.strip() for line in after.splitlines() if line.startswith("  ")]

    ask.folder = folder
    return ask


def test_a_lot_under_a_hold_and_undecided(steps) -> None:
    commands = steps("lots", "why", "demo", "VK-NAVY-2642")
    assert commands == [
        "panels rule declare demo",
        "bulkflow lots lift demo VK-NAVY-2642 --reason WHY",
    ]
    assert all(map(exists, commands))


def test_a_second_hold_asks_which(steps) -> None:
    steps("lots", "hold", "demo", "VK-NAVY-2642", "--reason", "leak")
    lift = steps("lots", "why", "demo", "VK-NAVY-2642")[-1]
    assert exists(lift)
    assert lift.startswith("bulkflow lots lift demo VK-NAVY-2642 --hold ")


def test_what_follows_a_rule_depends_on_who_decides(steps) -> None:
    rule = ("lots", "rule", "demo", "VK-DRY", "R", "1", "--words", "w", "--decided-by")
    steps(*rule, "laboratory")
    commands = steps("lots", "why", "demo", "VK-DRY-2643")
    assert commands == ["bulkflow lots decide demo EVIDENCE.json --reason WHY"]
    assert all(map(exists, commands))


def test_a_missing_result_is_asked_for(steps) -> None:
    steps("lots", "limit", "demo", "VK-DRY", "methanol", "g/hL", "--maximum", "30", "--source", "x")
    commands = steps("lots", "why", "demo", "VK-DRY-2643")
    assert commands[0] == "bulkflow lots result demo VK-DRY-2643 ANALYTE VALUE UNIT"
    assert all(map(exists, commands))


def test_an_open_lot_leads_to_its_loads(steps) -> None:
    assert steps("lots", "why", "demo", "VK-DRY-2641") == [
        "bulkflow loads list demo --lot VK-DRY-2641"
    ]


def test_without_a_file_of_rules_the_liquid_is_named(steps) -> None:
    (steps.folder / "panel" / "rules.yaml").unlink()
    commands = steps("lots", "why", "demo", "VK-DRY-2643")
    assert commands == ["bulkflow lots rule demo VK-DRY ID 1 --decided-by panel --words WORDS"]
