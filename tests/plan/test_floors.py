"""What floors are worth: reckoned by hand, and by drawing demand and journeys."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bulkflow.plan.floors import floor_covers
from bulkflow.scenario.reader import read_workspace
from tests.plan import by_hand

STATED = {"service": 0.95, "demand_error": 0.2, "transit_error_days": 4.0}


def covers(floor_lpa: float | None = None, **stated: float):
    scenario = read_workspace(by_hand.TWO_SITES).scenario
    if floor_lpa is not None:
        policy = scenario.stock_policies[0]
        fields = {"site": "HARBOUR", "liquid": "DRY", "floor_lpa": floor_lpa}
        scenario = scenario.model_copy(
            update={"stock_policies": (policy.model_copy(update=fields),)}
        )
    return floor_covers(scenario, **(STATED | stated))


def test_one_floor_by_hand():
    """The sea lane leaves weekly and is usable a week later; 5,000 LPA are asked for a week."""
    (one,) = covers()
    assert (one.site, one.liquid, one.lane, one.interval_days) == ("HARBOUR", "DRY", "sea", 14.0)
    sd = math.sqrt(2 * 1_000.0**2 + (5_000.0 * 4 / 7) ** 2)
    assert one.sd_lpa == pytest.approx(sd)
    assert one.wanted_lpa == pytest.approx(1.6448536 * sd)  # the 95 % point of the normal law
    assert (one.floor_lpa, one.covered) == (0.0, 0.5)
    (with_it,) = covers(one.wanted_lpa)
    assert with_it.covered == pytest.approx(0.95)


def test_drawn_demand_is_covered_as_often_as_said():
    """Within 4 standard errors of 200,000 draws with a fixed seed."""
    rng, draws = np.random.default_rng(5), 200_000
    (one,) = covers(4_000.0)
    lead = rng.normal(2.0, 4 / 7, draws)
    demand = rng.normal(lead * 5_000.0, 1_000.0 * np.sqrt(2.0))
    share = np.mean(demand <= 10_000.0 + one.floor_lpa)
    assert abs(share - one.covered) < 4 * math.sqrt(one.covered * (1 - one.covered) / draws)


def test_where_nothing_is_uncertain_any_floor_covers_all():
    (one,) = covers(demand_error=0.0, transit_error_days=0.0)
    assert (one.covered, one.served, one.wanted_lpa) == (1.0, 1.0, 0.0)


@pytest.mark.parametrize(
    "stated", [{"service": 1.0}, {"demand_error": -0.1}, {"transit_error_days": math.nan}]
)
def test_figures_without_sense_are_refused(stated: dict[str, float]):
    with pytest.raises(ValueError):
        covers(**stated)
