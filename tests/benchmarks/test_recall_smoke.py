"""The bench of recalls runs, and finds what the whole graph finds; its times are not judged."""

import json

import pytest

from tests.benchmarks import recall


@pytest.mark.full
def test_the_bench_runs_and_agrees_with_the_whole_graph(capsys):
    recall.main(["--lots", "440", "--seed", "3", "--json"])
    report = json.loads(capsys.readouterr().out)
    assert report["agrees_with_the_whole_graph"] is True
    assert report["questions"]["beyond a spirit lot"]["reached"] > 3
    assert report["questions"]["behind a bottle's code"]["reached"] >= 4
    assert "ratio" in report
