"""Lots in the report: which fill which load, with their gates; from the register or the tables."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bulkflow.loads.opening import with_register_and_loads
from bulkflow.plan.document import read_result
from bulkflow.plan.next_steps import Whereabouts
from bulkflow.plan.summary import summarise
from bulkflow.report.calendars import (
    calendar_pictures,
    calendar_words,
    leaving_loads,
)
from bulkflow.report.lot_tables import keyed_lots, tank_spells
from bulkflow.report.lots_in_loads import LotsInLoads, lots_in_loads
from bulkflow.report.page import render_report
from bulkflow.report.terms import english
from bulkflow.scenario import read_workspace
from tests.plan.everything import FOLDER, KEPT


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The kept plan of the workspace with every rule in it, and what its register says beside."""
    folder = tmp_path_factory.mktemp("lots") / "everything"
    shutil.copytree(FOLDER, folder)
    opened = with_register_and_loads(read_workspace(folder).scenario, folder, None)
    result = read_result(KEPT)
    beside = lots_in_loads(
        opened.scenario, folder, result.plan, register=True, chain_head=opened.chain_head
    )
    return folder, opened.scenario, result, beside


def test_every_load_of_the_quarter_from_a_site_is_told(made) -> None:
    _, scenario, result, beside = made
    sites = {site.id for site in scenario.sites}
    for load in leaving_loads(result.plan):
        assert (load.load_id in beside.fillings) == (load.origin in sites), load.load_id


def test_shares_add_up_to_what_a_load_takes_and_no_lot_gives_more_than_it_has(made) -> None:
    _, scenario, result, beside = made
    given: dict[str, float] = {}
    filled = 0
    for load in leaving_loads(result.plan):
        filling = beside.fillings.get(load.load_id)
        if filling is None or not filling.shares:
            continue
        filled += 1
        total = sum(float(one.lpa) for one in filling.shares)
        assert total <= load.lpa + 0.001
        assert total >= 0.98 * load.lpa  # a weaker lot than reckoned fills the tank sooner
        for one in filling.shares:
            given[one.lot_id] = given.get(one.lot_id, 0.0) + float(one.lpa)
    assert filled > 8
    for lot in scenario.lots:
        assert given.get(lot.lot_id, 0.0) <= lot.lpa + 0.001
        if lot.status == "held":
            assert lot.lot_id not in given


@pytest.mark.full
def test_the_tables_alone_give_the_same_lots_as_the_register_they_began(made) -> None:
    folder, scenario, result, beside = made
    plain = folder.parent / "plain"
    shutil.copytree(FOLDER, plain)
    alone = lots_in_loads(scenario, plain, result.plan, register=False)
    assert [one.lot.lot_id for one in alone.lots] == [one.lot.lot_id for one in beside.lots]
    assert set(alone.fillings) == set(beside.fillings)
    assert not (plain / "records.sqlite").exists()  # read for the report, not begun


def test_a_workspace_without_lots_says_nothing_of_them(tmp_path: Path, made) -> None:
    _, scenario, result, _ = made
    assert lots_in_loads(scenario, tmp_path, result.plan, register=False) == LotsInLoads()


def test_the_calendar_says_its_lots_in_words(made) -> None:
    _, _, result, beside = made
    keyed = keyed_lots(leaving_loads(result.plan), beside.fillings)
    words = calendar_words(result.plan, keyed)
    for lot in keyed:
        assert lot in words
    keys = [int(one.key) for one in keyed.values()]
    assert keys == list(range(1, len(keyed) + 1))


def test_the_page_shows_lots_keys_gates_and_commands(made) -> None:
    folder, scenario, result, beside = made
    where = Whereabouts(str(folder), "plans/x")
    page = render_report(result, scenario, beside=beside, where=where)
    for lot in beside.lots:
        assert lot.lot.lot_id in page
        for gate in lot.gates:
            assert gate.reason.replace("'", "&#39;") in page
    assert english()("calendar_lots") in page
    # Every key drawn in a square is in the table of lots.
    calendar = re.findall(r'<svg[^>]*labelledby="calendar.*?</svg>', page, re.S)
    drawn = {int(one) for text in calendar for one in re.findall(r">(\d+)</tspan>", text)}
    drawn |= {int(one) for text in calendar for one in re.findall(r">(\d+) ?</text>", text)}
    keyed = keyed_lots(leaving_loads(result.plan), beside.fillings)
    assert {int(one.key) for one in keyed.values()} - drawn == set()


def test_a_load_that_counts_on_an_unreleased_lot_is_marked(made) -> None:
    _, scenario, result, beside = made
    awaiting = {lot.lot_id for lot in scenario.lots if lot.status == "awaiting"}
    counting = [
        name
        for name, one in beside.fillings.items()
        if awaiting & {share.lot_id for share in one.shares}
    ]
    for name in counting:
        assert beside.fillings[name].held
        assert beside.fillings[name].earliest is not None
    assert counting
    page = render_report(result, scenario, beside=beside)
    told = summarise(beside.told_to(result))
    leaving = {load.load_id for load in leaving_loads(result.plan)}
    held = [one for name, one in beside.fillings.items() if one.held and name in leaving]
    assert told.unfilled_loads == sum(not one.shares for one in held)
    assert told.waiting_loads >= len(held) - told.unfilled_loads > 0
    assert told.sentence in page  # the page's own filling speaks on top of it, too
    assert "planned, held until 2027-01-13 !" in page
    assert "counts on DRY-2, which is not released" in page


def test_every_tank_is_told_in_every_week_once(made) -> None:
    _, _, result, _ = made
    quarter = result.plan.quarter_periods
    told = {
        (one.site, one.tank, week): one.liquid
        for one in tank_spells(result.plan)
        for week in range(one.first, one.last + 1)
    }
    set_to = {
        (row.site, row.tank, row.period): row.liquid
        for row in result.plan.tank_settings
        if row.period <= quarter
    }
    assert told == set_to
    length = sum(one.last - one.first + 1 for one in tank_spells(result.plan))
    assert length == len(set_to)


@pytest.mark.full
def test_the_clock_dates_what_is_taken_over(tmp_path: Path, made) -> None:
    _, scenario, result, _ = made
    plain = tmp_path / "everything"
    shutil.copytree(FOLDER, plain)
    beside = lots_in_loads(
        scenario, plain, result.plan, register=False,
        clock=lambda: datetime(2027, 1, 4, 8, tzinfo=UTC),
    )  # fmt: skip
    stamps = {note.at[:10] for lot in beside.lots for gate in lot.gates for note in gate.records}
    assert stamps == {"2027-01-04"}


def test_a_long_calendar_is_parted_into_pages_that_keep_every_load(made) -> None:
    _, _, result, _ = made
    one = leaving_loads(result.plan)[0]
    many = tuple(
        replace(one, load_id=f"{lane}.{number}", lane=f"lane-{lane:02}", period=week)
        for lane in range(30)
        for week in (1, 2)
        for number in range(week * 2)
    )
    plan = replace(result.plan, loads=many)
    drawn = calendar_pictures(plan, {}, name="c", title="t", description="d")
    assert len(drawn) == 2  # 30 lanes of two rows each, at most 34 rows a picture
    for lane in range(30):
        assert sum(f">lane-{lane:02}<" in text for text in drawn) == 1
    for text in drawn:
        wide, tall = map(float, re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text).groups())
        assert 186 * tall / wide < 230  # mm on an A4 page, which has 268 less its margins


def test_a_load_leads_to_its_lots_and_a_lot_to_its_decision(made) -> None:
    _, scenario, result, beside = made
    lot = next(one for one in beside.lots if one.status.value == "released").lot.lot_id
    drawn = "<svg><title>scores</title></svg>"
    page = render_report(result, scenario, beside=replace(beside, decisions=((lot, drawn),)))
    rows = re.findall(r'<tr role="row" id="([^"]+)">(.*?)</tr>', page, re.S)
    told = dict(rows)
    squares = re.findall(r'<a href="#([^"]+)" aria-label="(?:[\d?…]+ )*([^:"]+):', page)
    assert {words for _, words in squares} == {one.load_id for one in leaving_loads(result.plan)}
    for place, load in squares:
        assert load in told[place] or place.startswith("supply-")
    taking = next(
        place
        for place, load in squares
        if load in beside.fillings and lot in [s.lot_id for s in beside.fillings[load].shares]
    )
    ((key, words),) = re.findall(r'<a href="#(key-[^"]+)">([^<]+)</a>', told[taking])[:1]
    assert words == lot
    assert f">{lot}<" in told[key]
    assert 'href="#decision-1"' in told[key]
    assert '<figure id="decision-1"' in page


def test_what_holds_a_lot_is_told_in_sentences(made) -> None:
    _, scenario, result, _ = made
    hold = replace(result.holds[0], note="held: off-note named; no decision was taken")
    page = render_report(replace(result, holds=(hold,)), scenario)
    assert ". Held: off-note named; no decision was taken." in page
