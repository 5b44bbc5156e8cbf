"""Least orders, waiting tanks, checks at arrival: each optimum worked by hand."""

import pytest

from tests.program.builders import ask, contract, planned, site, tank, week
from tests.program.test_money_and_duty import buying


def test_whatever_is_ordered_is_a_least_order():
    # 1,000 are needed in week 2 and in week 4; without more, two orders of 1,000 (2,200). An
    # order of at least 1,500: 2,000 at once, one load (4,100 = 4,000 + 100), dearer to keep.
    wanted = ((2, 1_000.0), (4, 1_000.0))

    def bought(**least):
        storing = {"storage_cost_per_lpa_per_period": 0.2}
        sites = [site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")], **storing)]
        plan = planned(buying(contract("GIN", 2.0, **least), lpa=wanted, sites=sites))
        return {row.period: row.lpa for row in plan.purchases}, plan.costs.total

    amounts, cost = bought()
    assert amounts == pytest.approx({1: 1_000.0, 3: 1_000.0})
    assert cost == pytest.approx(4_200.0)
    # Kept from week 2 to week 4: 2 x 1,000 x 0.2 = 400, one load of 100.
    amounts, cost = bought(minimum_lpa_per_order=1_500.0)
    assert amounts == pytest.approx({1: 2_000.0})
    assert cost == pytest.approx(4_000.0 + 100.0 + 400.0)
    # Two loads an order at least: all at once in two loads, 200 + 400; two orders would be 400.
    amounts, cost = bought(minimum_loads_per_order=2)
    assert sum(amounts.values()) == pytest.approx(2_000.0)
    assert cost == pytest.approx(4_000.0 + 400.0)


def test_an_order_that_is_too_large_is_not_made():
    # 1,000 are asked for; an order of 8,000 costs 16,000 and more, going short 10,000.
    plan = planned(buying(contract("GIN", 2.0, minimum_lpa_per_order=8_000.0)))
    assert plan.purchases == ()
    assert plan.costs.total == pytest.approx(10_000.0)


def test_a_frozen_load_is_no_order_but_counts_towards_one():
    frozen = {
        "load_id": "F-1",
        "lane": "road",
        "liquid": "GIN",
        "tank_type": "T7",
        "state": "frozen",
        "departs_on": week(1),
        "lpa": 600.0,
    }
    data = buying(contract("GIN", 2.0, minimum_lpa_per_order=1_500.0), loads=[frozen])
    # 600 are there; 400 more are short (4,000) or 900 more are bought: 1,800 + 100.
    plan = planned(data)
    assert plan.costs.total == pytest.approx(600.0 * 2.0 + 100.0 + 1_800.0 + 100.0)
    alone = planned(data | {"demand": [ask(2, 600.0)]})
    assert [row.lpa for row in alone.purchases] == pytest.approx([600.0])
