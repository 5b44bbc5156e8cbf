"""Each bench of the planner builds and runs once at the smallest size, and prints its keys."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.benchmarks import build, literature, plan, replan

KEYS = {
    "columns",
    "rows",
    "rows_added",
    "seconds_first_plan",
    "seconds_1_percent",
    "cost",
    "bound",
    "gap",
    "gap_changeable",
    "wall_seconds",
    "peak_mb",
}
TINY = ["--weeks", "8", "--bottlers", "2", "--liquids", "1", "--seed", "3", "--seconds", "2"]


@pytest.mark.parametrize("more", [[], ["--plain"], ["--full"]])
def test_bench_runs_tiny(more: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert plan.main([*TINY, "--gap", "0.02", "--json", *more]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found.keys() >= KEYS
    assert found["bound"] <= found["cost"]
    assert found["gap"] == pytest.approx((found["cost"] - found["bound"]) / found["cost"])
    assert 0 <= found["gap"] <= found["gap_changeable"]


def test_replan_bench_runs_tiny(capsys: pytest.CaptureFixture[str]) -> None:
    assert replan.main([*TINY, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["gap"] <= 0.01
    assert 0 <= found["loads_moved"] <= 2 * found["loads"]


def test_build_bench_runs_tiny(capsys: pytest.CaptureFixture[str]) -> None:
    sizes = [word for word in TINY if word != "--seconds"][:-1]
    assert build.main([*sizes, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["columns"] > 0
    assert found["ratio"] > 0


def test_literature_bench_reads_networks_and_matrices(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    instances = Path(__file__).parents[1] / "reference" / "planning_instances"
    shutil.copy(instances / "canad_r01.1.yaml", tmp_path)
    # max x + y with x + 2 y <= 3, both whole, at most 2: x = 2, y = 0 or x = 1, y = 1.
    (tmp_path / "knapsack.mps").write_text(
        "NAME small\nOBJSENSE\n    MAX\nROWS\n N gain\n L room\nCOLUMNS\n"
        "    MARKER 'MARKER' 'INTORG'\n    x gain 1 room 1\n    y gain 1 room 2\n"
        "    MARKER 'MARKER' 'INTEND'\nRHS\n    rhs room 3\nBOUNDS\n"
        " UP bnd x 2\n UP bnd y 2\nENDATA\n"
    )
    assert literature.main([str(tmp_path), "--json", "--seconds", "20"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    found = {row["instance"]: row for row in rows}
    assert found["knapsack"]["strong_objective"] == found["knapsack"]["plain_objective"] == 2
    # 74 079 (Canad set, from memory; see the README of the instances).
    assert found["canad_r01.1"]["strong_objective"] == pytest.approx(74_079)
    assert all(row["strong_gap"] <= 1e-6 for row in rows)
