"""What each line changes, and what is said of a line that cannot be read."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.errors import InputError
from bulkflow.scenario.lookup import demand_liquid, demand_lpa
from bulkflow.scenario.reader import read_workspace
from bulkflow.what_if import FORMS, changed, read_changes

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"

SMALL = read_workspace(DEMO.parent / "two_sites").scenario


@pytest.fixture(scope="module")
def scenario():
    return read_workspace(DEMO).scenario


def after(scenario, *lines):
    return changed(scenario, read_changes(lines, scenario))


def demand(scenario, site, liquid):
    products = {one.id: one for one in scenario.products}
    return {row.period_start: demand_lpa(row, products) for row in scenario.demand
            if (row.site, demand_liquid(row, products)) == (site, liquid)}  # fmt: skip


def lane(scenario, name):
    return next(one for one in scenario.lanes if one.id == name)


def test_demand_of_a_month_and_nothing_else(scenario) -> None:
    new = after(scenario, "demand NORFOLK VK-DRY +20% 2027-04")
    was, now = demand(scenario, "NORFOLK", "VK-DRY"), demand(new, "NORFOLK", "VK-DRY")
    assert {day for day in was if now[day] != was[day]} == {d for d in was if d.month == 4}
    assert all(now[d] == pytest.approx(1.2 * was[d]) for d in was if d.month == 4)
    for place in (("NORFOLK", "VK-CIT"), ("GRAZ", "VK-DRY")):
        assert demand(new, *place) == demand(scenario, *place)
    assert new.model_copy(update={"demand": scenario.demand}) == scenario  # nothing else


def test_a_day_means_its_period_and_changes_add_up(scenario) -> None:
    new = after(scenario, "demand GRAZ VK-DRY -1000 2027-01-13", "demand GRAZ VK-DRY +10%")
    was, now = demand(scenario, "GRAZ", "VK-DRY"), demand(new, "GRAZ", "VK-DRY")
    monday = date(2027, 1, 11)
    assert now[monday] == pytest.approx(1.1 * max(0.0, was[monday] - 1000))
    assert now[monday + timedelta(7)] == pytest.approx(1.1 * was[monday + timedelta(7)])


def test_lots_guarantees_and_prices(scenario) -> None:
    new = after(scenario, "hold VK-CIT-2641", "release VK-NAVY-2642", "guarantee LV-MOVE 6500000",
                "price OSTRAVELE NS-CEREAL +10%", "floor GRAZ VK-DRY 0")  # fmt: skip
    lots = {one.lot_id: (one.status.value, one.decision_due) for one in new.lots}
    assert lots["VK-CIT-2641"] == ("held", None)
    assert lots["VK-NAVY-2642"] == ("released", None)
    assert {one.id: one.limit for one in new.guarantees}["LV-MOVE"] == 6_500_000.0
    supplier = next(one for one in new.suppliers if one.id == "OSTRAVELE")
    assert supplier.contracts[0].tiers[0].price_per_lpa == pytest.approx(0.99)
    rows = [row.price_per_lpa for row in new.prices if row.supplier == "OSTRAVELE"]
    assert rows == pytest.approx([1.1 * 0.91, 1.1 * 0.89])  # the dated prices too
    floors = {(one.site, one.liquid): one.floor_lpa for one in new.stock_policies}
    assert floors["GRAZ", "VK-DRY"] == 0.0


def test_journeys_sailings_and_sites(scenario) -> None:
    new = after(scenario, "delay riga-santos 7", "blank riga-norfolk 2027-02-05",
                "freight graz-by-road +50%", "late W-101 3",
                "close GRAZ 2027-02-01 2027-02-05")  # fmt: skip
    assert lane(new, "riga-santos").transit_days == lane(scenario, "riga-santos").transit_days + 7
    usable = lambda one: {row.load_id: row.usable_on for row in one.loads}  # noqa: E731
    assert usable(new)["W-104"] == usable(scenario)["W-104"] + timedelta(7)  # by riga-santos
    assert usable(new)["W-101"] == usable(scenario)["W-101"] + timedelta(3)
    assert usable(new)["W-102"] == usable(scenario)["W-102"]
    assert date(2027, 2, 5) in lane(new, "riga-norfolk").sailings.blank_days
    assert lane(new, "graz-by-road").tanks[0].cost_per_load == pytest.approx(4425.0)
    closures = next(one for one in new.sites if one.id == "GRAZ").closures
    assert (closures[-1].first_day, closures[-1].last_day) == (date(2027, 2, 1), date(2027, 2, 5))


def test_every_fault_of_every_line_with_the_nearest_word(scenario) -> None:
    with pytest.raises(InputError) as refused:
        read_changes(["demand NORFLOK VK-DRI 20% 2027-13", "hold VK-CIT-264", "delay riga-santo 7",
                      "dely x", "guarantee LV-MOVE", "hold 'x", "late F-202 3",
                      "blank riga-norfolk 2027-02-01", "demand GRAZ VK-DRY +1% 2031-01"],
                     scenario)  # fmt: skip
    told = str(refused.value)
    for words in (
        "Did you mean NORFOLK?",
        "Did you mean VK-DRY?",
        "'20%' for an amount",
        "'2027-13' for a time",
        "Did you mean VK-CIT-264",
        "Did you mean riga-santos?",
        "Did you mean delay?",
        "has 1 word after guarantee. Give guarantee NAME AMOUNT.",
        "opens a quote that is not closed",
        "names no load under way ('F-202')",
        "a Monday. riga-norfolk sails on Fridays.",
        "It is asked for from 2027-01-04",
    ):
        assert words in told
    with pytest.raises(InputError, match="names no change"):
        read_changes([], scenario)


@given(st.lists(st.text(max_size=60) | st.sampled_from([*FORMS, "demand GRAZ VK-DRY +1e9%"]),
                min_size=1, max_size=3))  # fmt: skip
def test_no_line_breaks_the_reader(lines) -> None:
    try:
        read_changes(lines, SMALL)
    except InputError as error:
        assert all(ord(mark) >= 32 or mark == "\n" for mark in str(error))
