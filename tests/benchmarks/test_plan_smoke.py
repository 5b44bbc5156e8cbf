"""Each bench of the planner builds and runs once at the smallest size, and prints its keys."""

from __future__ import annotations

import json

import pytest

from tests.benchmarks import build, plan, replan

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
