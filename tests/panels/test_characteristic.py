"""The operating characteristic against another simulation of the same words."""

from __future__ import annotations

import math
from typing import Any

import pytest

from panels.release.characteristic import operating_characteristic
from panels.release.rule import ReleaseRule
from tests.panels.independent_simulator import chances
from tests.panels.test_release_rule import rule

ONCE_EACH = {"confirmation_assessors": 66, "confirmation_sets": 1}
# rule, axis, value, draws of the slow simulation
POINTS: list[tuple[dict[str, Any], str, float, int]] = [
    ({}, "quality", 5.0, 60),
    ({}, "quality", 6.25, 100),
    ({}, "quality", 6.75, 120),
    ({}, "quality", 7.0, 120),
    ({}, "noticing share", 0.2, 150),
    ({"assumptions": ONCE_EACH | {"false_alarm_share": 0.06}}, "noticing share", 0.0, 150),
    ({"assumptions": {"check_glasses": 1, "check_drop": 0.6}}, "quality", 7.5, 150),
    ({"assumptions": {"repeats": 1, "residual_sd": 1.2}}, "quality", 7.5, 120),
    ({"score": {"decides": "mean", "minimum": 6.5}, "spending": [1.0]}, "quality", 7.25, 200),
    ({"assumptions": {"missing_share": 0.2}}, "quality", 7.25, 150),
]


def _agree(changes: dict[str, Any], axis: str, value: float, draws: int) -> None:
    one: ReleaseRule = rule(**changes)
    where = {"qualities": [value], "shares": [0.0]}
    if axis != "quality":
        where = {"qualities": [7.5], "shares": [value]}
    found = operating_characteristic(one, seed=11, standard_error=0.02, **where)
    point = found.at(axis, value)  # type: ignore[arg-type]
    assert point is not None
    other = chances(
        one.model_dump(mode="json"),
        quality=value if axis == "quality" else one.assumptions.control_quality,
        share=0.0 if axis == "quality" else value,
        draws=draws,
        seed=3,
    )
    again = 1.0 - point.sittings[0]
    for told, name in (
        (point.release, "release"),
        (point.hold, "hold"),
        (point.reject, "reject"),
        (again, "again"),
    ):
        # 3.5 standard errors of both, and one lot in a hundred for approximate freedoms
        pooled = (told * point.draws + other.get(name, 0.0) * draws) / (point.draws + draws)
        error = math.sqrt(pooled * (1 - pooled) * (1 / draws + 1 / point.draws))
        assert told == pytest.approx(other.get(name, 0.0), abs=3.5 * error + 0.01), (name, other)


@pytest.mark.full
def test_another_simulation_finds_the_same_where_off_notes_decide() -> None:
    _agree({"spending": [1.0]}, "noticing share", 0.3, 60)


@pytest.mark.full
@pytest.mark.parametrize("number", range(len(POINTS)))
def test_another_simulation_finds_the_same(number: int) -> None:
    _agree(*POINTS[number])
