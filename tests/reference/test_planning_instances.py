"""Benchmark instances of the literature, solved to proof; sources in planning_instances/."""

from pathlib import Path

import pytest

from tests.reference.planning_examples.runner import check_file

DATA = Path(__file__).parent / "planning_instances"
QUICK = [
    "canad_r01.1",
    "canad_r01.2",
    "fcnet_k10x90",
    "fcnet_l61x114",
    "fcnet_sp50x100",
    "trigeiro_F1",
]
LONGER = [
    "canad_c33",
    "canad_c41",
    "fcnet_g40x132",
    "fcnet_p50x288",
    "fcnet_r20x100",
    "orlib_cap41",
    "trigeiro_G53",
]


def _check(name: str) -> None:
    checks = list(check_file(DATA / f"{name}.yaml"))
    assert checks
    assert [str(check) for check in checks if not check.ok] == []


@pytest.mark.full
@pytest.mark.parametrize("name", QUICK)
def test_small_instances(name: str) -> None:
    _check(name)


@pytest.mark.full
@pytest.mark.parametrize("name", LONGER)
def test_larger_instances(name: str) -> None:
    _check(name)
