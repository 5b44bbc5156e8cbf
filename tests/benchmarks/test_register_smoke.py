"""The bench of the register runs, small, on every change; its times are not looked at."""

import json

import pytest

from tests.benchmarks.register import main


@pytest.mark.full
def test_the_bench_of_the_register_runs(capsys):
    main(["--lots", "250", "--seed", "3", "--json"])
    report = json.loads(capsys.readouterr().out)
    assert report["instance"]["lots"] == 250
    assert report["verify"]["whole"]
    # Limits of four liquids, lots, four results and a decision for each, one hold in 200.
    assert report["verify"]["records"] == 4 * 4 + 250 + 4 * 250 + 250 + 1
    found = {name: figures["found"] for name, figures in report["questions"].items()}
    assert found["first page of 50"] == 50
    assert found["opening position"] == 250
    assert 0 < found["all held"] < 125  # with what was made from a lot that is held
    assert found["behind one lot"] > 0
    assert found["beyond the busiest lot"] > 0
