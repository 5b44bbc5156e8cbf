"""Published networks with known optimum: source and basis of each figure are in its file."""

import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from bulkflow import stocks
from tests.reference.planning_examples.runner import check_file
from tests.reference.planning_examples.variants import NotUnderstoodError, changed

DATA = Path(__file__).parent / "planning_examples" / "data"
FILES = sorted(DATA.glob("*.yaml"))


@pytest.mark.full
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_published_figures_come_out(path: Path) -> None:
    checks = list(check_file(path))
    assert checks
    assert [str(check) for check in checks if not check.ok] == []


def test_every_example_is_there() -> None:
    assert [path.name[:2] for path in FILES] == [f"{number:02d}" for number in range(1, 17)]


def test_normal_loss_to_ten_digits() -> None:
    document = yaml.safe_load((DATA / "16_stochastic_reference_values.yaml").read_text())
    exact = {case["inputs"]["z"]: case["exact"] for case in document["cases"] if "exact" in case}
    assert len(exact) == 5
    for z, value in exact.items():
        assert stocks.normal_loss(z) == pytest.approx(value, abs=5e-11)


@pytest.mark.full
def test_runner_says_what_fails(tmp_path: Path) -> None:
    wrong = yaml.safe_load((DATA / "01_dantzig_cannery.yaml").read_text())
    wrong["expected"]["objective"] = 154
    path = tmp_path / "wrong.yaml"
    path.write_text(yaml.safe_dump(wrong))
    run = subprocess.run(
        [
            sys.executable,
            "-m",
            "tests.reference.planning_examples",
            str(path),
            str(DATA / "02_winston_powerco.yaml"),
            str(tmp_path / "absent.yaml"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    lines = run.stdout.splitlines()
    assert run.returncode == 1
    assert lines[0] == "dantzig_cannery 153.675 154 FAIL"
    assert lines[1] == "winston_powerco 1020 1020 ok"
    assert lines[3].startswith("absent - nan FAIL")


TINY = {
    "nodes": [
        {"id": "S", "supply": {"at_most": 9, "unit_cost": 2}},
        {"id": "D", "stock": {"initial": 3, "at_most": 7, "holding_cost": 1}},
        {"id": "K", "demand": {"exactly": [1, 2], "shortage_cost": 5}},
    ],
    "lanes": [
        {"id": "in", "from": "S", "to": "D", "lead_time": 1, "capacity": 4, "fixed_cost": 3},
        {
            "id": "out",
            "from": "D",
            "to": "K",
            "lead_time": 2,
            "min_if_used": 1,
            "vehicle": {"capacity": 24, "min_fill": 19, "cost": 7},
        },
    ],
    "limits": [{"id": "duty at risk in transit"}, {"id": "duty paid"}, {"id": "fleet"}],
}


@pytest.mark.parametrize(
    ("words", "place", "value"),
    [
        ("no duty limit", ["limits"], [{"id": "fleet"}]),
        ("no fleet limit", ["limits", 2], None),
        ("no tank limits", ["nodes", 1, "stock", "at_most"], None),
        ("no storage limit", ["nodes", 1, "stock", "at_most"], None),
        ("no minimum fill", ["lanes", 1, "vehicle", "min_fill"], None),
        ("no minimum load", ["lanes", 1, "min_if_used"], None),
        ("no fixed costs on the inbound lanes", ["lanes", 0, "fixed_cost"], None),
        ("no fixed costs", ["lanes", 0, "fixed_cost"], None),
        ("no lane capacities", ["lanes", 0, "capacity"], None),
        ("no holding cost", ["nodes", 1, "stock", "holding_cost"], None),
        ("no opening stock", ["nodes", 1, "stock", "initial"], None),
        ("no whole containers", ["lanes", 1, "vehicle"], None),
        ("every lead time 0", ["lanes", 1, "lead_time"], 0),
        ("all lead times 3", ["lanes", 0, "lead_time"], 3),
        ("every container holds 12 tonnes", ["lanes", 1, "vehicle", "capacity"], "refused"),
        ("every container holds 30 tonnes", ["lanes", 1, "vehicle", "capacity"], 30),
        ("out lead_time 3", ["lanes", 1, "lead_time"], 3),
        ("lane in capacity 5.5", ["lanes", 0, "capacity"], 5.5),
        ("in lead time 4", ["lanes", 0, "lead_time"], 4),
        ("D holding_cost 2", ["nodes", 1, "stock", "holding_cost"], 2),
        ("S unit_cost 1", ["nodes", 0, "supply", "unit_cost"], 1),
        ("site capacity does not bind (58268)", ["lanes", 0, "capacity"], 58268),
        ("demand doubled", ["nodes", 2, "demand", "exactly"], [2, 4]),
        ("shortage backlogged", ["nodes", 2, "demand", "shortage"], "backlogged"),
        ("no minimum fill and no tank limits", ["nodes", 1, "stock", "at_most"], None),
        ("the moon is full", [], "refused"),
    ],
)
def test_words_of_variants(words: str, place: list, value: object) -> None:
    if value == "refused":
        with pytest.raises(NotUnderstoodError):
            changed(TINY, words)
        return
    found: object = changed(TINY, words)
    for step in place:
        if isinstance(found, dict):
            found = found.get(step)
        else:
            found = found[step] if step < len(found) else None
    assert found == value
