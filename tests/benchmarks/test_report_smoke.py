"""The bench of the report runs, at a tiny size."""

from __future__ import annotations

import json

import pytest

from tests.benchmarks.report import main


@pytest.mark.full
def test_the_bench_of_the_report_runs(capsys: pytest.CaptureFixture[str]) -> None:
    size = ["--weeks", "8", "--bottlers", "1", "--liquids", "1", "--gap", "0.05"]
    assert main([*size, "--seconds", "20", "--json"]) == 0
    measured = json.loads(capsys.readouterr().out)
    assert measured["loads"] > 0
    assert measured["pictures"] >= 4
    assert measured["megabytes"] > 0.01
