"""The bench of alcoholometry runs, and both of its ways agree."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path


def test_bench_runs_small() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.alcoholometry", "--size", "500", "--slow", "50"],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).resolve().parents[2],
    )
    found = json.loads(done.stdout)
    assert found["size"] == 500
    assert found["alternative_measured_on"] == 50
    assert found["ratio"] > 0.0
    assert found["largest_error_percent_vol"] < 1e-8
    assert found["largest_difference_percent_vol"] < 1e-8
