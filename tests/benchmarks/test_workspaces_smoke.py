"""The bench of workspaces runs, and its line has the figures it promises."""

from __future__ import annotations

import json
from pathlib import Path

from tests.benchmarks.workspaces import main

TWO_SITES = Path(__file__).parents[2] / "scenarios" / "two_sites"


def test_one_line_of_json_a_workspace(capsys) -> None:
    assert main([str(TWO_SITES), "--work", "2", "--json", "--plain"]) == 0
    strong, plain = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    wanted = "workspace columns cost bound gap seconds_first_plan seconds_1_percent wall_seconds"
    assert set(f"{wanted} cpu_seconds peak_mb".split()) <= set(strong)
    assert strong["cost"] == plain["cost"]
