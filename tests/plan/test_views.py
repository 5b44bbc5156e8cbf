"""The plan as people ask about it: sums worked by hand from the tiny plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.plan import views
from bulkflow.plan.finding import period_words
from bulkflow.plan.write import safe_cell
from bulkflow.program.answer import DutyDue, LoadKind, Purchase
from bulkflow.scenario.model import Lot, Scenario
from bulkflow.scenario.reader import read_workspace
from tests.plan import by_hand, everything


def tiny() -> Scenario:
    return read_workspace(by_hand.TWO_SITES).scenario


def test_loads_by_lane_and_period_of_the_quarter():
    (sea,) = views.lane_loads(by_hand.plan())  # the load of grain leaves after the quarter
    assert (sea.lane, sea.loads, sea.lpa) == ("sea", (1, 1, 0), 13_000.0)


def test_loads_under_way_do_not_leave():
    loads = views.loads_in(everything.result().plan, range(-5, 99))
    assert all(load.kind is not LoadKind.UNDER_WAY for load in loads)
    assert [load.loading_day for load in loads] == sorted(load.loading_day for load in loads)


def test_stock_against_floor_and_room():
    """5,000 LPA at 80 % are 6,250 L of 20,000 L; the least is 2,000 at the end of period 1."""
    found = {(one.site, one.liquid): one for one in views.stock_views(by_hand.plan(), tiny())}
    harbour = found["HARBOUR", "DRY"]
    assert (harbour.opening_lpa, harbour.least_lpa, harbour.least_period) == (7_000.0, 2_000.0, 1)
    assert (harbour.end_lpa, harbour.room_litres) == (5_000.0, 20_000.0)
    assert harbour.fullest_share == pytest.approx(0.3125)
    assert harbour.fullest_period == 3
    assert harbour.below_floor == ()


def test_a_floor_not_kept_names_its_periods():
    policy = (
        tiny()
        .stock_policies[0]
        .model_copy(update={"site": "HARBOUR", "liquid": "DRY", "floor_lpa": 3_000.0})
    )
    scenario = tiny().model_copy(update={"stock_policies": (policy,)})
    found = {(one.site, one.liquid): one for one in views.stock_views(by_hand.plan(), scenario)}
    assert found["HARBOUR", "DRY"].below_floor == (1,)


def test_lots_that_may_not_be_used_take_room():
    """8,000 L held beside 6,250 L in use fill 14,250 L of 20,000 L."""
    lot = Lot(lot_id="H", liquid="DRY", site="HARBOUR", litres_20c=8_000.0, strength_percent=80.0,
              status="held")  # fmt: skip
    scenario = tiny().model_copy(update={"lots": (*tiny().lots, lot)})
    found = {(one.site, one.liquid): one for one in views.stock_views(by_hand.plan(), scenario)}
    assert found["HARBOUR", "DRY"].fullest_share == pytest.approx(0.7125)
    due = lot.model_copy(update={"status": "awaiting", "decision_due": by_hand.monday(3)})
    freed = tiny().model_copy(update={"lots": (*tiny().lots, due)})
    found = {(one.site, one.liquid): one for one in views.stock_views(by_hand.plan(), freed)}
    assert found["HARBOUR", "DRY"].fullest_share == pytest.approx(12_250 / 20_000)  # period 2
    assert found["HARBOUR", "DRY"].fullest_period == 2


def test_the_fullest_period_of_a_guarantee():
    (bond,) = views.guarantee_peaks(by_hand.plan())
    assert (bond.used, bond.limit, bond.period) == (130_000.0, 150_000.0, 2)
    assert bond.share == pytest.approx(13 / 15)
    assert views.GuaranteePeak("G", 0.0, 0.0, 1).share == 0.0
    assert views.GuaranteePeak("G", 5.0, 0.0, 1).share == 1.0


def test_purchases_and_charges_of_the_quarter_only():
    assert views.bought(by_hand.plan()) == []
    early = replace(
        by_hand.plan(),
        purchases=(
            Purchase("GRAINHOUSE", "NEUTRAL", 1, 0, 100.0, 1.0),
            Purchase("GRAINHOUSE", "NEUTRAL", 3, 1, 300.0, 0.8),
        ),
    )
    (one,) = views.bought(early)
    assert (one.lpa, one.cost, one.periods) == (400.0, pytest.approx(340.0), (1, 3))
    (run,) = views.charged(by_hand.plan())
    assert (run.still, run.charges, run.hearts_lpa) == ("POT", (2.0, 0.0, 0.0), 9_600.0)


def test_short_demand_is_worst_if_carried_and_the_sum_if_lost():
    demand = tuple(
        replace(row, open_lpa=lpa)
        for row, lpa in zip(by_hand.plan().demand, (0.0, 300.0, 200.0, 900.0), strict=True)
    )
    plan = replace(by_hand.plan(), demand=demand)
    (carried,), (after,) = views.short_demand(plan, (("core", "carried"),))
    assert (carried.lpa, carried.at_end_lpa, carried.periods) == (300.0, 200.0, (2, 3))
    assert (after.lpa, after.at_end_lpa, after.periods) == (900.0, 900.0, (4,))
    (lost,), (lost_after,) = views.short_demand(plan, (("core", "lost"),))
    assert (lost.lpa, lost.at_end_lpa, lost.unmet) == (500.0, 0.0, "lost")
    assert (lost_after.lpa, lost_after.at_end_lpa) == (900.0, 0.0)


def test_duty_owed_counts_loads_once():
    day = date(2027, 1, 12)
    rows = tuple(
        DutyDue("BAY", load, liquid, 1, 10.0, amount, day + timedelta(days=amount))
        for load, liquid, amount in (("A", "DRY", 5), ("A", "CONC", 7), ("B", "DRY", 2))
    )
    late = DutyDue("BAY", "C", "DRY", 4, 10.0, 9.0, day)
    (owed,) = views.duty_owed(replace(by_hand.plan(), duty_due=(*rows, late)))
    assert (owed.arrivals, owed.lpa, owed.amount) == (2, 30.0, 14.0)
    assert (owed.first_payable, owed.last_payable) == (date(2027, 1, 14), date(2027, 1, 19))


@given(st.sets(st.integers(1, 200), min_size=1, max_size=40))
def test_periods_in_words_say_all_of_them_and_no_other(periods: set[int]):
    words = period_words(periods).removeprefix("periods ").removeprefix("period ")
    said: set[int] = set()
    for run in words.replace(" and ", ", ").split(", "):
        first, _, last = run.partition(" to ")
        said |= set(range(int(first), int(last or first) + 1))
    assert said == periods


@given(st.text(max_size=30))
def test_a_safe_cell_is_the_text_itself_or_marked_as_text(text: str):
    cell = safe_cell(text)
    assert cell in (text, f"'{text}")
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
