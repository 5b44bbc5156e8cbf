"""Least orders, waiting tanks, checks at arrival: each optimum worked by hand."""

import pytest

from tests.program.builders import (
    ask,
    base,
    contract,
    lane,
    liquid,
    planned,
    site,
    stock,
    tank,
    tank_type,
    week,
)
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


# --- waiting tanks --------------------------------------------------------------------------------
# A load of 5,000 LPA (6,250 L) leaves STORE on a Monday, arrives on Tuesday and is usable on the
# Monday after.


def waiting(*, litres=6_250.0, fleet=None, **rule):
    """BOTTLER has room for one load; 5,000 LPA are asked for in weeks 2 and 3, by two loads."""
    tanks = [{"tank_type": "T7", "cost_per_load": 100.0, "waiting": rule or None}]
    more = {}
    if fleet is not None:
        tanks[0]["fleet"] = "POOL"
        more["fleets"] = [{"id": "POOL", "tanks": fleet}]
    return base(
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")], closures=SHUT),
            site("BOTTLER", "bottler", [tank("B", litres, "GIN")]),
        ],
        lanes=[lane("road", "STORE", "BOTTLER", "GIN", tanks=tanks)],
        demand=[ask(2, 5_000.0), ask(3, 5_000.0)],
        **more,
    )


SHUT = [{"first_day": week(2), "last_day": week(4, 6)}]  # loads leave STORE in week 1 only


def test_a_load_that_finds_no_room_waits_in_its_tank():
    # Both must leave in week 1, and B holds one of them: without waiting 5,000 are lost.
    assert planned(waiting()).costs.total == pytest.approx(100.0 + 50_000.0)
    # One is discharged a week later: 7 days, 2 of them free, at 40 a day.
    plan = planned(waiting(longest_days=7, free_days=2, cost_per_day=40.0))
    assert plan.costs.hire == pytest.approx(5 * 40.0)
    assert plan.costs.total == pytest.approx(200.0 + 200.0)
    assert sorted((one.waits_periods, one.discharge_day) for one in plan.loads) == [
        (0, week(1, 1)),
        (1, week(2, 1)),
    ]
    assert sorted(one.usable_period for one in plan.loads) == [2, 3]


def test_waiting_is_limited_to_whole_periods():
    plan = planned(waiting(longest_days=6, cost_per_day=40.0))
    assert plan.costs.total == pytest.approx(100.0 + 50_000.0)


def test_room_for_both_is_cheaper_than_waiting():
    plan = planned(waiting(litres=12_500.0, longest_days=28, cost_per_day=40.0))
    assert plan.costs.hire == 0.0
    assert plan.costs.total == pytest.approx(200.0)


def test_a_waiting_tank_is_away():
    # Loads leave in weeks 1 and 2 and each could use the other's tank, were it not waiting.
    def lpa_lost(fleet):
        data = waiting(fleet=fleet, longest_days=7, cost_per_day=0.0)
        data["sites"][0]["closures"] = []
        data["demand"] = [ask(2, 5_000.0), ask(3, 5_000.0)]
        data["sites"][1]["closures"] = [{"first_day": week(1, 1), "last_day": week(1, 6)}]
        plan = planned(data)
        return sum(row.open_lpa for row in plan.demand)

    # Week 1's load is discharged on Monday of week 2 (BOTTLER is shut till then), usable then.
    # It is away in weeks 1 and 2; so is the load of week 2, in week 2: two tanks, or one goes.
    assert lpa_lost(2) == 0.0
    assert lpa_lost(1) == pytest.approx(5_000.0)


def test_the_guarantee_is_tied_up_while_a_load_waits():
    data = waiting(longest_days=7, cost_per_day=0.0)
    data["lanes"][0]["legs"] = [{"authority": "HOME", "guarantee": "BOND"}]
    data["authorities"] = [
        {"id": "HOME", "rates": [{"first_day": week(1), "kind": "per_lpa", "rate": 10.0}]}
    ]
    data["guarantees"] = [{"id": "BOND", "kind": "movement", "limit": 100_000.0}]
    used = {row.period: row.used for row in planned(data).guarantee_use}
    assert used == pytest.approx({1: 100_000.0, 2: 50_000.0, 3: 0.0, 4: 0.0})


def test_days_shut_cost_hire_without_any_choice():
    # BOTTLER is shut until Friday of week 1: from Tuesday 3 days, one of them free.
    data = waiting(longest_days=0, free_days=1, cost_per_day=40.0)
    data["sites"][1]["closures"] = [{"first_day": week(1, 1), "last_day": week(1, 3)}]
    data["demand"] = [ask(2, 5_000.0)]
    plan = planned(data)
    assert plan.costs.hire == pytest.approx(2 * 40.0)
    (load,) = plan.loads
    assert (load.arrival_day, load.discharge_day) == (week(1, 1), week(1, 4))


def test_compartments_wait_too():
    halves = tank_type(
        "T7", 7_000.0, compartments=[{"capacity_litres": 3_500.0}, {"capacity_litres": 3_500.0}]
    )
    data = waiting(longest_days=7, free_days=2, cost_per_day=40.0) | {"tank_types": [halves]}
    plan = planned(data)
    assert plan.costs.total == pytest.approx(200.0 + 200.0)


def test_a_frozen_load_waits_until_the_day_it_is_given():
    frozen = {
        "load_id": "F-1",
        "lane": "road",
        "liquid": "GIN",
        "tank_type": "T7",
        "state": "frozen",
        "departs_on": week(1),
        "lpa": 5_000.0,
    }
    rule = {"longest_days": 14, "free_days": 2, "cost_per_day": 40.0}
    data = waiting(**rule) | {"loads": [frozen | {"usable_on": week(2, 1)}]}
    plan = planned(data)
    given = next(one for one in plan.loads if one.load_id == "F-1")
    assert (given.waits_periods, given.usable_day) == (1, week(2, 1))
    assert plan.costs.total == pytest.approx(200.0 + 200.0)


# --- checks at arrival ----------------------------------------------------------------------------


def checked(days, *, lpa=((3, 4_000.0),), tank_litres=50_000.0, **changes):
    """BOTTLER checks what arrives for some days before it is used."""
    bottler = {"arrival_checks": [{"days": days}]} | changes.pop("site", {})
    return base(
        **{
            "sites": [
                site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
                site("BOTTLER", "bottler", [tank("B", tank_litres, "GIN")], **bottler),
            ],
            "demand": [ask(number, amount) for number, amount in lpa],
        }
        | changes
    )


def stocks_of(plan):
    """Released and unreleased LPA at BOTTLER by week."""
    rows = [row for row in plan.stocks if row.site == "BOTTLER"]
    return {row.period: (row.released_lpa, row.unreleased_lpa) for row in rows}


def test_liquid_is_used_after_its_check():
    # Discharged on Tuesday of week 1; with 6 days usable on Monday of week 2, with 7 on Tuesday of
    # it, so from week 3. It stands in the tanks from week 2 (the first that starts after Tuesday).
    lpa = ((2, 4_000.0),)
    assert planned(checked(6, lpa=lpa)).costs.total == pytest.approx(100.0)
    assert planned(checked(7, lpa=lpa)).costs.total == pytest.approx(40_000.0)
    plan = planned(checked(7, opening_stock=[stock("STORE", "GIN", 4_000.0)]))
    (load,) = plan.loads
    assert (load.period, load.usable_day, load.usable_period) == (1, week(2, 1), 3)
    assert stocks_of(plan) == {
        0: (0.0, 0.0),
        1: (0.0, 0.0),
        2: (0.0, pytest.approx(4_000.0)),
        3: (0.0, 0.0),
        4: (0.0, 0.0),
    }


def test_liquid_in_its_check_fills_the_tank():
    # 5,000 LPA (6,250 L) in weeks 3 and 4: with 7 days of check each load stands for a week before
    # it is used, so while the second is received in week 3 the first has not left: 12,500 L.
    lpa = ((3, 5_000.0), (4, 5_000.0))
    assert planned(checked(7, lpa=lpa, tank_litres=12_500.0)).costs.total == pytest.approx(200.0)
    plan = planned(checked(7, lpa=lpa, tank_litres=12_400.0))
    # The load that is received before the first is used may bring what 12,400 L leave: 4,920.
    assert sum(row.open_lpa for row in plan.demand) == pytest.approx(80.0)
    # Without a check each comes as it is used.
    assert planned(checked(0, lpa=lpa, tank_litres=6_250.0)).costs.total == pytest.approx(200.0)


def test_storage_is_paid_in_the_check_and_floors_are_not_met_by_it():
    policy = {
        "site": "BOTTLER",
        "liquid": "GIN",
        "floor_lpa": 1_000.0,
        "floor_cost_per_lpa_per_period": 1.0,
    }
    storing = {"storage_cost_per_lpa_per_period": 0.1}
    plan = planned(checked(14, lpa=((4, 4_000.0),), site=storing, stock_policies=[policy]))
    # Received in week 2, usable in week 4: 4,000 stand at the ends of weeks 2 and 3, at 400 each;
    # the floor is short in weeks 1 to 3 and kept in week 4 by 1,000 more in the load, which cost
    # 100 at each of the three ends.
    assert plan.costs.handling == pytest.approx(2 * 500.0 + 100.0)
    assert plan.costs.floors == pytest.approx(3_000.0)


def test_capital_and_duty_count_from_receipt():
    # Value 2: under way from Monday to Tuesday (1 day), then stocked at the end of week 2 (7 days);
    # duty 10 an LPA from receipt. 365 % a year is 1 % a day.
    data = checked(
        7,
        site={"duty_status": "paid", "authority": "HOME"},
        liquids=[liquid("GIN", value_per_lpa=2.0)],
        finance={"capital_rate_percent_per_year": 100.0},
        authorities=[
            {
                "id": "HOME",
                "payment_lag_days": 3,
                "rates": [{"first_day": week(1), "kind": "per_lpa", "rate": 10.0}],
            }
        ],
        opening_stock=[stock("STORE", "GIN", 4_000.0)],
    )
    plan = planned(data)
    day = 4_000.0 / 365.0
    assert plan.costs.capital == pytest.approx(day * (2.0 * 1 + 12.0 * 7 - 10.0 * 3))
    (due,) = plan.duty_due
    assert (due.period, due.payable_on) == (2, week(1, 4))
    assert due.amount == pytest.approx(40_000.0)


def test_a_storage_guarantee_covers_liquid_in_its_check():
    data = checked(
        7,
        site={"authority": "HOME", "storage_guarantee": "STORE-BOND"},
        authorities=[
            {"id": "HOME", "rates": [{"first_day": week(1), "kind": "per_lpa", "rate": 10.0}]}
        ],
        guarantees=[{"id": "STORE-BOND", "kind": "storage", "limit": 30_000.0}],
    )
    plan = planned(data)
    assert sum(row.open_lpa for row in plan.demand) == pytest.approx(1_000.0)
    assert max(row.used for row in plan.guarantee_use) == pytest.approx(30_000.0)


def test_a_row_for_a_liquid_goes_before_the_row_for_all():
    lpa = ((2, 4_000.0),)
    rows = [{"days": 30}, {"liquid": "GIN", "days": 0}]
    assert planned(checked(0, lpa=lpa, site={"arrival_checks": rows})).costs.total == 100.0


def test_a_load_under_way_stands_in_its_check_before_it_is_usable():
    under_way = {
        "load_id": "U-1",
        "lane": "road",
        "liquid": "GIN",
        "tank_type": "T7",
        "state": "under_way",
        "departs_on": week(0),
        "usable_on": week(3),
        "lpa": 4_000.0,
    }
    plan = planned(checked(10, loads=[under_way]))
    (load,) = plan.loads
    assert load.discharge_day == week(1, 4)
    assert stocks_of(plan)[2] == (0.0, pytest.approx(4_000.0))
    assert plan.costs.total == pytest.approx(0.0)


def test_the_longer_of_two_checks_counts():
    data = buying(contract("GIN", 2.0), lpa=((2, 1_000.0),))
    data["suppliers"][0]["receipt_check_days"] = 3
    data["sites"][0]["arrival_checks"] = [{"days": 6}]
    assert planned(data).costs.total == pytest.approx(2_100.0)
    data["suppliers"][0]["receipt_check_days"] = 7
    assert planned(data).costs.total == pytest.approx(10_000.0)
