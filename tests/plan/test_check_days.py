"""The check's own calendar, against days worked out by hand (January 2027: the 4th is a Monday)."""

from __future__ import annotations

from datetime import date

import pytest

from bulkflow.plan.checks.days import Days, LaneDays
from bulkflow.scenario.model import Closure, Lane, Leg, LoadRow, LoadState, Sailings, Scenario
from tests.plan.everything import scenario


def january(day: int) -> date:
    return date(2027, 1, day)


def days_with(period_days: int = 7, **sites: dict[str, object]) -> Days:
    base: Scenario = scenario()
    calendar = base.calendar.model_copy(update={"period_days": period_days})
    changed = tuple(one.model_copy(update=sites.get(one.id, {})) for one in base.sites)
    return Days(base.model_copy(update={"calendar": calendar, "sites": changed}))


def lane(**fields: object) -> Lane:
    sea = next(one for one in scenario().lanes if one.id == "sea-east")
    return sea.model_copy(update={"sailings": None, **fields})


def weekly(**fields: object) -> Sailings:
    return Sailings.model_validate({"weekday": "thursday"} | fields)


def test_periods_hold_their_days():
    days = days_with()
    assert (days.first(2), days.last(2)) == (january(11), january(17))
    assert [days.period_of(january(day)) for day in (3, 4, 10, 11)] == [0, 1, 1, 2]
    assert [days.first_starting_on_or_after(january(day)) for day in (1, 4, 5, 11, 12)] == (
        [1, 1, 2, 2, 3]
    )


def test_what_is_made_is_ready_days_after_the_end_of_its_period():
    """Made by Sunday 10; + 1 is Monday 11 of period 2, + 7 is Sunday 17 of period 2."""
    days = days_with()
    assert [days.hearts_enter(1, more, vats=False) for more in (0, 1, 7, 8)] == [1, 2, 2, 3]
    # Vatted from the day after: Monday 11 and on; 7 days later is Monday 18, of period 3.
    assert [days.hearts_enter(1, more, vats=True) for more in (0, 6, 7)] == [2, 2, 3]
    # Vatted on Wednesday 13: released on Monday 18 after 5 days, on Tuesday 19 after 6.
    assert [days.released(2, 2, lag) for lag in (5, 6)] == [3, 4]


def test_a_load_without_sailings_leaves_on_the_first_working_day():
    """Monday is a holiday and Tuesday closed: Wednesday 6th, +5 = Monday, +1 = Tuesday 12th."""
    days = days_with(
        QUAY={
            "holidays": (january(4),),
            "closures": (Closure(first_day=january(5), last_day=january(5)),),
        }
    )
    assert days.of_lane(lane(), 1, "DRY") == LaneDays(
        january(6), january(6), january(11), january(12), january(12), 3
    )


def test_a_period_without_a_working_day_sends_nothing():
    shut = {"closures": (Closure(first_day=january(4), last_day=january(10)),)}
    assert days_with(QUAY=shut).of_lane(lane(), 1, "DRY") is None


def test_the_receiver_discharges_on_its_first_working_day():
    """Arrives Saturday 9th, + 1 = Sunday 10th; Monday is a holiday: Tuesday 12th."""
    days = days_with(EAST={"holidays": (january(11),)})
    found = days.of_lane(lane(), 1, "DRY")
    assert found is not None
    assert (found.arrival, found.discharge) == (january(9), january(12))


def test_bought_spirit_waits_for_its_receipt_check():
    """Loaded Monday 4th, there on Tuesday 5th, one day of check: Wednesday, usable in period 2."""
    mill = next(one for one in scenario().lanes if one.id == "mill-road")
    found = days_with().of_lane(mill, 1, "GRAIN")
    # The 6th is a holiday at WORKS, but nobody has to work for the check to end.
    assert found is not None
    assert (found.discharge, found.usable, found.usable_period) == (january(5), january(6), 2)


@pytest.mark.parametrize(
    ("sailings", "period", "loading", "leaving"),
    [
        (weekly(), 1, january(7), january(7)),
        (weekly(cut_off_days=2), 1, january(5), january(7)),
        # cut-off 4 days before Thursday 14th is Sunday 10th, moved back to Friday 8th; the
        # sailing of the 7th has its cut-off on Sunday 3rd, before the calendar starts
        (weekly(cut_off_days=4), 1, january(8), january(14)),
        (weekly(blank_days=(january(7),)), 2, january(14), january(14)),
        (weekly(every_weeks=2), 3, january(21), january(21)),
        (weekly(every_weeks=2, first_day=january(1)), 1, january(7), january(7)),
        (weekly(every_weeks=2, first_day=date(2026, 12, 25)), 2, january(14), january(14)),
    ],
)
def test_sailings_by_hand(sailings: Sailings, period: int, loading: date, leaving: date):
    found = days_with().of_lane(lane(sailings=sailings), period, "DRY")
    assert found is not None
    assert (found.loading, found.leaving) == (loading, leaving)


@pytest.mark.parametrize(
    ("sailings", "period"),
    [
        (weekly(blank_days=(january(7),)), 1),
        (weekly(every_weeks=2), 2),
        (weekly(port_closures=({"first_day": january(1), "last_day": january(8)},)), 1),
        (weekly(first_day=january(11)), 1),
    ],
)
def test_periods_without_a_sailing_by_hand(sailings: Sailings, period: int):
    assert days_with().of_lane(lane(sailings=sailings), period, "DRY") is None


def test_loads_of_the_opening_position_keep_their_own_days():
    days = days_with()
    row = LoadRow(load_id="U", lane="sea-east", liquid="DRY", tank_type="TC-10",
                  state=LoadState.UNDER_WAY, departs_on=date(2026, 12, 20),
                  usable_on=january(12), lpa=1.0)  # fmt: skip
    found = days.of_row(lane(), row)
    assert found is not None
    assert (found.loading, found.discharge, found.usable_period) == (
        date(2026, 12, 20), january(12), 3)  # fmt: skip
    frozen = row.model_copy(update={"state": LoadState.FROZEN, "departs_on": january(13)})
    sent = days.of_row(lane(sailings=weekly()), frozen)
    assert sent is not None
    assert sent.loading == january(14)  # the lane's day of that period
    none = days_with().of_row(lane(sailings=weekly(first_day=date(2027, 3, 1))), frozen)
    assert none is not None
    assert none.loading == january(13)  # no sailing then: as given


@pytest.mark.parametrize(
    ("leg", "periods"),
    [
        ({}, range(1, 3)),  # the 5th to the 13th
        ({"to_day": 2}, range(1, 2)),
        ({"from_day": 6}, range(2, 3)),
        ({"from_day": 3, "to_day": 1}, range(0)),
        ({"to_day": 600}, range(1, 11)),
        ({"days_after_discharge": 4}, range(1, 3)),  # to Sunday the 17th
        ({"days_after_discharge": 5}, range(1, 4)),
    ],
)
def test_periods_at_risk_by_hand(leg: dict[str, int], periods: range):
    one = Leg.model_validate({"authority": "HOME", "guarantee": "ROAD"} | leg)
    assert days_with().at_risk(one, january(5), january(13)) == periods


def test_a_still_works_on_the_days_it_is_open():
    days = days_with()
    shut = (Closure(first_day=january(9), last_day=january(12)),)
    assert days.open_share(1, shut) == pytest.approx(5 / 7)
    assert days.open_share(2, shut) == pytest.approx(5 / 7)
    assert days.open_share(3, shut) == 1.0
