"""The position on a later day: stock, arrivals, what is owed, and what was assumed."""

import re
import shutil
from datetime import date
from decimal import Decimal

import pytest

from bulkflow.account.acts import bottle, enter
from bulkflow.account.beginning import begin_account
from bulkflow.account.journey import receive
from bulkflow.account.position import _less, with_account
from bulkflow.account.tables import ACCOUNT
from bulkflow.errors import InputError
from bulkflow.loads.tables import LOADS
from bulkflow.lots.acts import place_holds
from bulkflow.lots.register import open_register
from bulkflow.lots.seeds import import_seeds
from bulkflow.program.calendar import Periods, all_lane_days
from bulkflow.records import Actor, settings_for
from bulkflow.scenario.model import Contract, PriceTier

from .conftest import DEMO
from .making import a_bottling, a_gauging, a_lot, an_entry

D = Decimal
WEEK_3 = date(2027, 1, 18)


@pytest.fixture
def folder(tmp_path):
    found = tmp_path / "vejkalna"
    shutil.copytree(DEMO, found, ignore=shutil.ignore_patterns("records.sqlite*"))
    return found


@pytest.fixture
def writing(folder):
    """A function that runs work on the demo's register, its account begun."""

    def act(work, *, begin=True):
        actor = Actor("Ann", "ann")
        with open_register(settings_for(folder), LOADS, ACCOUNT, actor=actor) as store:
            with store.write(actor) as session:
                import_seeds(session, folder, today=date(2027, 1, 4))
            with store.write(actor) as session:
                if begin:
                    begin_account(session, scenario_of(folder))
                work(session)

    return act


def scenario_of(folder):
    from bulkflow.scenario.reader import read_workspace

    return read_workspace(folder).scenario


def opened(folder, on=WEEK_3):
    return with_account(scenario_of(folder), folder, None, on=on)


def stock(found, site, liquid):
    rows = found.scenario.opening_stock
    return sum(row.lpa for row in rows if (row.site, row.liquid) == (site, liquid))


def arrival(session):
    gauging = a_gauging("W-101", "17322", liquid="VK-DRY", site="NORFOLK", on=date(2027, 1, 12))
    receive(session, [gauging])


@pytest.mark.full
def test_stock_is_what_the_account_says(folder, writing):
    def work(session):
        arrival(session)
        sources = [("load", "W-101", "5000"), ("stock", "VK-DRY", "4000")]
        bottle(
            session,
            [
                a_bottling("B-1", sources, site="NORFOLK", liquid="VK-DRY", on=date(2027, 1, 14)),
            ],
        )
        enter(session, an_entry("-12.5", "stocktake", site="NORFOLK", liquid="VK-DRY",
                                on=date(2027, 1, 15)))  # fmt: skip
        place_holds(session, ["VK-DRY-2642"], "solvent note")

    writing(work)
    before, found = scenario_of(folder), opened(folder)
    was = stock(type("S", (), {"scenario": before}), "NORFOLK", "VK-DRY")
    assert stock(found, "NORFOLK", "VK-DRY") == pytest.approx(was + 17322 - 9000 - 12.5)
    calendar = found.scenario.calendar
    assert (calendar.start, calendar.quarter_periods) == (WEEK_3, 11)
    assert calendar.horizon_periods == before.calendar.horizon_periods - 2
    assert min(row.period_start for row in found.scenario.demand) == WEEK_3
    held = {lot.lot_id: lot.status.value for lot in found.scenario.lots}
    assert held["VK-DRY-2642"] == "held"
    under_way = {row.load_id for row in found.scenario.loads if row.state.value == "under_way"}
    assert "W-101" not in under_way
    assert {"W-102", "W-112"} <= under_way


def test_what_was_not_bottled_is_owed(folder, writing):
    def work(session):
        made = [("stock", "VK-DRY", "8000")]
        bottling = a_bottling("B-1", made, site="DURBAN", liquid="VK-DRY", on=date(2027, 1, 8))
        bottle(session, [bottling])

    writing(work)
    asked = sum(
        row.lpa
        for row in scenario_of(folder).demand
        if (row.site, row.liquid) == ("DURBAN", "VK-DRY") and row.period_start < WEEK_3
    )
    first = next(
        row.lpa
        for row in scenario_of(folder).demand
        if (row.site, row.liquid, row.period_start) == ("DURBAN", "VK-DRY", WEEK_3)
    )
    found = opened(folder)
    due = [
        row.lpa
        for row in found.scenario.demand
        if (row.site, row.liquid, row.period_start) == ("DURBAN", "VK-DRY", WEEK_3)
    ]
    assert sum(due) == pytest.approx(first + asked - 8000)
    assert f"{asked - 8000:,.0f} LPA of VK-DRY asked at DURBAN before 2027-01-18" in found.said


@pytest.mark.full
def test_every_assumption_is_said(folder, writing):
    def work(session):
        where = {"liquid": "NS-CEREAL", "site": "VEJKALNA", "supplier_id": "OSTRAVELE"}
        a_lot(session, "NS-1", "20000", on=date(2027, 1, 6), **where)

    writing(work)
    found = opened(folder)
    words = " ".join(found.said.split())
    for said in (
        "Load W-101 is overdue and not received: it is counted on from 2027-01-18.",
        "Load P-201 (promised) was to leave on 2027-01-11",
        "No bottling is recorded at GRAZ:",
        "20,000 LPA of NS-CEREAL came from OSTRAVELE before 2027-01-18.",
    ):
        assert said in words, words
    row = next(row for row in found.scenario.loads if row.load_id == "P-201")
    assert (row.state.value, row.departs_on) == ("promised", WEEK_3)
    before = {one.id: one for one in scenario_of(folder).suppliers}["OSTRAVELE"].contracts[0]
    after = {one.id: one for one in found.scenario.suppliers}["OSTRAVELE"].contracts[0]
    assert after.minimum_lpa == before.minimum_lpa - 20000
    assert after.maximum_lpa == before.maximum_lpa - 20000
    # the asked demand of GRAZ was taken off its stock, as far as it went
    asked = sum(
        row.lpa
        for row in scenario_of(folder).demand
        if (row.site, row.liquid) == ("GRAZ", "VK-CIT") and row.period_start < WEEK_3
    )
    was = stock(type("S", (), {"scenario": scenario_of(folder)}), "GRAZ", "VK-CIT")
    assert stock(found, "GRAZ", "VK-CIT") == pytest.approx(max(0, was - asked))


def test_an_arrival_within_the_calendar_brings_what_was_received(folder, writing):
    writing(arrival)
    found = opened(folder, on=None)
    row = next(row for row in found.scenario.loads if row.load_id == "W-101")
    lane = next(one for one in found.scenario.lanes if one.id == row.lane)
    assert row.lpa * (1 - lane.transit_loss_percent / 100) == pytest.approx(17322)
    assert "Load W-101 brought 17,322.000 LPA of VK-DRY" in found.said


def test_what_is_in_its_check_is_still_to_come(folder, writing):
    file = folder / "scenario.yaml"
    site = re.compile(r"(?m)^  - id: NORFOLK\n")
    text = file.read_text("utf-8")
    assert len(site.findall(text)) == 1
    checks = "    arrival_checks: [{liquid: VK-DRY, days: 10}]\n"
    writing(arrival)
    at_once = opened(folder)
    file.write_text(site.sub(lambda found: found.group() + checks, text), "utf-8")
    found = opened(folder)
    row = next(row for row in found.scenario.loads if row.load_id == "W-101")
    assert (row.state.value, row.usable_on) == ("under_way", date(2027, 1, 22))
    lane = next(one for one in found.scenario.lanes if one.id == row.lane)
    assert row.lpa * (1 - lane.transit_loss_percent / 100) == pytest.approx(17322)
    was = stock(at_once, "NORFOLK", "VK-DRY")
    assert stock(found, "NORFOLK", "VK-DRY") == pytest.approx(was - 17322)
    days = all_lane_days(found.scenario, Periods.of(found.scenario.calendar))[row.lane].of_row(row)
    assert (days.received_period, days.usable_period) == (1, 2)


def test_a_later_day_needs_an_account_and_the_first_day_of_a_period(folder, writing):
    with pytest.raises(InputError, match=r"is 2027-01-19\. Give the first day of a period"):
        opened(folder, on=date(2027, 1, 19))
    with pytest.raises(InputError, match="first day of a period"):
        opened(folder, on=date(2027, 4, 5))
    writing(lambda _: None, begin=False)
    with pytest.raises(InputError, match="Begin the account first"):
        opened(folder)


@pytest.mark.parametrize(
    ("got", "starts", "prices"),
    [(0, [0, 100, 300], [3, 2, 1]), (40, [0, 60, 260], [3, 2, 1]), (100, [0, 200], [2, 1]),
     (150, [0, 150], [2, 1]), (900, [0], [1])],
)  # fmt: skip
def test_tiers_go_on_from_what_was_bought(got, starts, prices):
    contract = Contract(
        liquid="NS",
        minimum_lpa=500.0,
        tiers=(
            PriceTier(from_lpa=0.0, price_per_lpa=3.0),
            PriceTier(from_lpa=100.0, price_per_lpa=2.0),
            PriceTier(from_lpa=300.0, price_per_lpa=1.0),
        ),
    )
    left = _less(contract, float(got))
    assert [tier.from_lpa for tier in left.tiers] == starts
    assert [tier.price_per_lpa for tier in left.tiers] == prices
    assert left.minimum_lpa == max(0, 500 - got)
    assert left.maximum_lpa is None
