"""Days of a load, origin classes and the terms that follow loads over periods."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.program.build_context import BuildContext
from bulkflow.program.calendar import Periods, WorkingDays, open_share
from bulkflow.program.classes import (
    ANY,
    Commodity,
    contract_periods,
    markets_barring,
    union_class,
)
from bulkflow.program.lagged_terms import lagged_terms, span_weights
from bulkflow.scenario.model import Closure, Contract, PriceTier
from tests.program.builders import (
    START,
    ask,
    base,
    contract,
    distilling,
    lane,
    liquid,
    neutral,
    scenario,
    site,
    stock,
    supplier,
    tank,
    week,
    works,
)

WEEKLY = Periods(START, 7, 4)


def test_periods_by_number_and_day():
    assert (WEEKLY.first_day(2), WEEKLY.last_day(2)) == (date(2027, 1, 11), date(2027, 1, 17))
    assert [WEEKLY.holding(START + timedelta(days=n)) for n in (-1, 0, 6, 7, 28)] == [0, 1, 1, 2, 5]
    # the first period that starts on or after: 1 + ceil(days / 7), not before 1
    assert [WEEKLY.from_day(START + timedelta(days=n)) for n in (-9, 0, 1, 7, 8)] == [1, 1, 2, 2, 3]
    assert [WEEKLY.round_up(days) for days in (0, 1, 7, 8)] == [0, 1, 1, 2]


@given(st.integers(1, 31), st.integers(-200, 400))
def test_from_day_is_the_first_period_not_before_the_day(length, offset):
    periods = Periods(START, length, 5)
    day = START + timedelta(days=offset)
    found = periods.from_day(day)
    assert periods.first_day(found) >= min(day, periods.first_day(found))
    assert found == 1 or periods.first_day(found) >= day > periods.first_day(found - 1)


def test_share_of_a_period_that_is_open():
    shut = [
        Closure(first_day=week(1, 1), last_day=week(1, 2)),
        Closure(first_day=week(1, 2), last_day=week(1, 3)),
    ]
    # Tuesday to Thursday, Wednesday counted once
    assert open_share(WEEKLY, 1, shut) == pytest.approx(4 / 7)
    assert open_share(WEEKLY, 2, shut) == 1.0


def days_of(**changes):
    made = scenario(base(**changes))
    return BuildContext.of(made).lane_days["road"]


def test_days_of_a_plain_lane():
    # Loaded and left on Monday 4 January, arrives on Saturday 9 after 5 days; with 1 day of
    # discharge Sunday 10, moved to Monday 11: usable in week 2. The tank is back 3 days later.
    days = days_of(
        lanes=[
            lane("road", "STORE", "BOTTLER", "GIN", transit_days=5, discharge_days=1, return_days=4)
        ]
    ).of(1, "GIN")
    assert days is not None
    assert (days.loading, days.leaving, days.arrival) == (START, START, week(1, 5))
    assert (days.discharge, days.usable, days.usable_period) == (week(2), week(2), 2)
    assert days.away_until == 2  # Friday 15 January


def test_receipt_check_of_a_supplier():
    # Discharged on Tuesday 5 January, checked for 7 days: usable on Tuesday 12, so in week 3.
    days = days_of(
        suppliers=[supplier("SELLER", contract("GIN", 1.0), receipt_check_days=7)],
        sites=[site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")])],
        lanes=[lane("road", "SELLER", "BOTTLER", "GIN")],
        opening_stock=[],
    ).of(1, "GIN")
    assert days is not None
    assert (days.discharge, days.usable, days.usable_period) == (week(1, 1), week(2, 1), 3)


def test_holidays_delay_loading_and_discharge():
    data = base()
    data["sites"][0]["holidays"] = [week(1), week(1, 1)]
    data["sites"][1]["holidays"] = [week(1, 3)]
    days = BuildContext.of(scenario(data)).lane_days["road"].of(1, "GIN")
    assert days is not None
    # Loaded on Wednesday, arrives on Thursday, a holiday at the bottler: discharged on Friday.
    assert (days.loading, days.discharge) == (week(1, 2), week(1, 4))


def test_same_day_lanes_are_usable_at_once():
    days = days_of(lanes=[lane("road", "STORE", "BOTTLER", "GIN", transit_days=0)]).of(2, "GIN")
    assert days is not None
    assert days.usable_period == 2


def test_the_earliest_sailing_of_a_period_counts():
    # Periods of two weeks hold two Friday sailings; the first counts.
    days = days_of(
        calendar={"start": START, "period_days": 14, "quarter_periods": 2, "horizon_periods": 3},
        lanes=[
            lane("road", "STORE", "BOTTLER", "GIN", sailings={"weekday": "friday"}),
        ],
    )
    found = [days.of(t, "GIN") for t in (1, 2, 3)]
    assert [one.leaving for one in found if one] == [week(1, 4), week(3, 4), week(5, 4)]


def test_a_cut_off_before_the_start_is_missed():
    # The vessel of Monday 4 January had its cut-off on Friday 1: the first is that of Monday 11.
    days = days_of(
        lanes=[
            lane(
                "road",
                "STORE",
                "BOTTLER",
                "GIN",
                sailings={"weekday": "monday", "cut_off_days": 3},
            ),
        ],
    )
    first = days.of(1, "GIN")
    assert first is not None
    assert (first.loading, first.leaving) == (week(1, 4), week(2))


def test_working_days_skip_closures_both_ways():
    place = (
        scenario(base())
        .sites[0]
        .model_copy(update={"closures": (Closure(first_day=week(1, 2), last_day=week(2, 1)),)})
    )
    working = WorkingDays(place)
    assert working.on_or_after(week(1, 2)) == week(2, 2)
    assert working.on_or_before(week(2, 1)) == week(1, 1)


def test_contract_periods_are_those_that_start_within_its_dates():
    dated = Contract(
        liquid="GIN",
        first_day=week(1, 1),
        last_day=week(3),
        tiers=(PriceTier(from_lpa=0.0, price_per_lpa=1.0),),
    )
    assert contract_periods(WEEKLY, dated) == [2, 3]


def test_classes_join():
    assert union_class([]) == ANY
    assert union_class([ANY, "not-for:B", "not-for:A+C"]) == "not-for:A+B+C"
    assert markets_barring("not-for:A+C") == {"A", "C"}
    assert markets_barring(ANY) == frozenset()


def test_presence_follows_contract_lane_still_and_release():
    # NS is sold from week 1, usable at WORKS in week 2; hearts lie there a week after the charge
    # (week 3) and are released two weeks later (week 5): beyond the four weeks.
    def reachability(weeks: int):
        data = works(
            {
                "id": "POT",
                "charge_litres": 1_000.0,
                "hours_per_charge": 1.0,
                "hours_per_period": 10.0,
                "recipes": ["dry"],
            },
            recipes=[distilling("dry", "GIN", ("NS", 100.0), days_to_vat=3)],
            calendar={"start": START, "quarter_periods": 3, "horizon_periods": weeks},
            suppliers=[supplier("FARM", contract("NS", 1.0))],
            tank_types=base()["tank_types"],
            lanes=[lane("farm", "FARM", "WORKS", "NS")],
            opening_stock=[],
            site={"release": {"lag_days": 8}},
        )
        return BuildContext.of(scenario(data)).reachability

    gin = Commodity("GIN", ANY)
    short, long = reachability(4), reachability(5)
    assert short.released["WORKS", Commodity("NS", ANY)] == 2
    assert short.hearts["WORKS", gin] == 3
    assert ("WORKS", gin) not in short.released
    assert long.released["WORKS", gin] == 5


def test_a_liquid_of_one_class_goes_by_its_own_name():
    data = base(
        liquids=[neutral("NS", spirit_base="cereal"), liquid("GIN")],
        markets=[{"id": "STRICT", "barred_spirit_bases": ["cereal"]}],
        sites=[
            site("STORE", "depot", [tank("S", 1e5, "GIN"), tank("N", 1e5, "NS")]),
        ],
        lanes=[],
        opening_stock=[
            stock("STORE", "GIN", 1.0),
            stock("STORE", "NS", 1.0),
        ],
        demand=[ask(1, 1.0, "STORE", "NS", market="STRICT")],
    )
    context = BuildContext.of(scenario(data))
    assert context.names == {
        Commodity("GIN", ANY): "GIN",
        Commodity("NS", "not-for:STRICT"): "NS",
    }


@given(st.data())
def test_lagged_terms_count_what_was_sent(data):
    periods = data.draw(st.integers(1, 8))
    sendable = np.array(data.draw(st.lists(st.booleans(), min_size=periods, max_size=periods)))
    first = np.array(
        data.draw(st.lists(st.integers(0, 4), min_size=periods, max_size=periods)), dtype=int
    )
    length = np.array(
        data.draw(st.lists(st.integers(-1, 5), min_size=periods, max_size=periods)), dtype=int
    )
    weights = span_weights(first, first + length, sendable)
    if data.draw(st.booleans()):
        weights = weights * np.arange(1, periods + 1)
    sent = np.arange(1.0, periods + 1) ** 2 * sendable
    expected = np.zeros(periods)
    for t in range(periods):
        for lag, row in enumerate(weights):
            if t + lag < periods:
                expected[t + lag] += row[t] * sent[t]
    counted = np.zeros(periods)
    for term in lagged_terms("flow", "lane", weights, sendable):
        times = np.broadcast_to(np.asarray(term.times, dtype=float), (periods,))
        for row in range(periods):
            for lag in range(term.lag_first, term.lag_last + 1):
                if 0 <= row - lag < periods:
                    counted[row] += times[row] * sent[row - lag]
    assert counted == pytest.approx(expected)


def test_a_steady_span_is_one_term():
    # Away in the period of sending and two more, in every period: one term over three lags.
    everywhere = np.ones(6, dtype=bool)
    weights = span_weights(np.zeros(6, dtype=int), np.full(6, 2), everywhere)
    (term,) = lagged_terms("vehicles", "lane", weights, everywhere)
    assert (term.times, term.lag_first, term.lag_last) == (1.0, 0, 2)
