"""``bulkflow rules``: what applies to a workspace, through the command line."""

import json
import shutil
from pathlib import Path

import pytest

from bulkflow.cli import app
from bulkflow.cli.shell import run

DEMO = Path(__file__).parents[2] / "scenarios" / "vejkalna"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    kept = shutil.ignore_patterns("*.sqlite*", "panel", "pictures", "week3")
    return Path(shutil.copytree(DEMO, tmp_path / "workspace", ignore=kept))


def test_rules_are_listed_with_their_sources(folder, capsys) -> None:
    assert run(app, ["rules", str(folder), "--json"], name="bulkflow") == 0
    said = json.loads(capsys.readouterr().out)
    assert said["jurisdictions"]
    assert all(one["source"] and one["basis"] and one["says"] for one in said["rules"])
    assert {one["jurisdiction"] for one in said["rules"]} <= {
        *said["jurisdictions"], "EU", "ALL", "ADR", "IMDG", "OIV",
    }  # fmt: skip


def test_a_day_chooses_the_version_in_force(folder, capsys) -> None:
    """Delegated Reg (EU) 2022/1303: furfural is limited since 15 August 2022."""
    told = []
    for day in ("2022-08-14", "2027-04-01"):
        command = ["rules", str(folder), "--about", "furfural", "--on", day, "--json"]
        assert run(app, command, name="bulkflow") == 0
        told += [one["says"] for one in json.loads(capsys.readouterr().out)["rules"]]
    assert told == [
        "neutral alcohol: furfural not detectable",
        "neutral alcohol: furfural at most 0.5 g/hl pa",
    ]


def test_a_site_that_is_not_there_is_refused(folder, capsys) -> None:
    assert run(app, ["rules", str(folder), "--site", "NOWHERE"], name="bulkflow") == 2
    assert "--site is 'NOWHERE'" in capsys.readouterr().err
