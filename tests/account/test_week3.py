"""The demo's week 3, run as it is written: short arrival, failed lot, re-planned in one command."""

import re
import shlex
import shutil

import pytest

from bulkflow.cli import app as APP
from bulkflow.cli.shell import run

from .conftest import DEMO

SECONDS = "60"


def commands():
    text = (DEMO / "week3" / "commands.txt").read_text("utf-8")
    return [line for line in text.splitlines() if line and not line.startswith("#")]


@pytest.fixture
def run_line(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    monkeypatch.setenv("COLUMNS", "110")
    shutil.copytree(DEMO, tmp_path / "scenarios" / "vejkalna")

    def bulkflow(line):
        words = shlex.split(line)
        assert words[0] == "bulkflow"
        code = run(APP, words[1:], name="bulkflow")
        out, err = capsys.readouterr()
        assert code == 0, f"{line}\n{out}\n{err}"
        return " ".join(out.split()), " ".join(err.split())

    return bulkflow


def test_the_story_up_to_the_plan(run_line):
    """Everything but the two plans, whose search takes its time."""
    said = {}
    for line in commands():
        if line.startswith("bulkflow plan"):
            if not said:
                run_line("bulkflow lots begin scenarios/vejkalna")
            continue
        said[line.split()[2] if "account" in line else line.split()[1]] = run_line(line)[0]
    assert "+324.602 LPA ± 81.615 (k = 2), +1.84 %: loss above the allowance" in said["movements"]
    assert "27 CFR 19.462" in said["movements"]
    assert "NORFOLK VK-DRY 50,303.198" in said["balance"]
    assert "heels in tanks VK-DRY 3.200" in said["balance"]
    why, _ = run_line("bulkflow lots why scenarios/vejkalna VK-DRY-2642")
    assert "laboratory: CLOSED ethyl acetate 2.1" in why
    assert "may not ship" in why
    out, _ = run_line("bulkflow records verify scenarios/vejkalna")
    assert "records are whole" in out
    out, _ = run_line("bulkflow account recall scenarios/vejkalna --bottle NOR-D2702-004711")
    assert "Load W-101 was under way when the register began" in out


@pytest.mark.full
def test_week_3_is_replanned_in_one_command(run_line):
    lines = [re.sub(r"--seconds \d+", f"--seconds {SECONDS}", line) for line in commands()]
    *earlier, last = lines
    for line in earlier:
        run_line(line)
    assert "--on 2027-01-18 --since plans/january" in last
    out, err = run_line(last)
    assert "Planned from 2027-01-18." in err
    assert "LPA of VK-CIT asked at NORFOLK before 2027-01-18 were not bottled: owed" in err
    assert "Why: what the register learned since then" in out
    assert "Lot VK-DRY-2642 (VK-DRY, 35,258 LPA left) is held and may not ship" in out
    assert "Load W-101 arrived at NORFOLK with 17,325 LPA, 325 LPA short of what was sent." in out
    assert "Loads and shortages are compared from 2027-01-18 on." in out
    assert "11 weeks from 18 Jan" in out
