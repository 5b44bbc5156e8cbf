"""Returns: they add up, meet the balances, run no formula, and stay as they were closed."""

import csv
import io
from dataclasses import replace
from datetime import date
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from bulkflow.account.acts import bottle, close_quarter, enter
from bulkflow.account.bodies import ClosedBalance, Closing
from bulkflow.account.ledger import read_ledger
from bulkflow.account.return_files import (
    return_csv,
    return_sha256,
    return_status,
    safe_text,
    write_return_workbook,
)
from bulkflow.account.return_page import return_html
from bulkflow.account.returns import CLOSING, OPENING, quarter_return
from bulkflow.account.tables import ACCOUNT
from bulkflow.errors import InputError
from bulkflow.loads.tables import LOADS
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, head, settings_for

from .conftest import Ticking
from .making import a_bottling, a_load_under_way, a_lot, an_entry, bottled, received

D = Decimal


def adds_up(found):
    """Whether opening and lines make the closing of each site and liquid."""
    sums, closings = {}, {}
    for one in found.lines:
        key = (one.site_id, one.liquid_id)
        if one.line == CLOSING:
            closings[key] = one.lpa
        else:
            sums[key] = sums.get(key, D(0)) + one.lpa
    return bool(closings) and sums == closings


@pytest.fixture
def kept(both, ann):
    """A register with two quarters of one bottler."""
    with both.write(ann) as session:
        enter(session, an_entry("500.125", site="NORFOLK", liquid="VK-DRY"))
        a_load_under_way(session, "W-1", "9000", to="NORFOLK", liquid="VK-DRY")
        received(session, "W-1", "8950.5", site="NORFOLK", liquid="VK-DRY")
        bottled(session, "B-1", [("load", "W-1", "4000")], site="NORFOLK", bottled="3980.75",
                liquid="VK-DRY")  # fmt: skip
        bottled(session, "B-2", [("load", "W-1", "1000")], site="NORFOLK", on=date(2027, 5, 3),
                liquid="VK-DRY")  # fmt: skip
    return both


def test_a_quarter_adds_up_and_hands_on(kept, scenario):
    with kept.read() as session:
        first = quarter_return(session, scenario, "2027-Q1", ["NORFOLK"])
        second = quarter_return(session, scenario, "2027-Q2", ["NORFOLK"])
        ledger = read_ledger(session)
        last = str(head(session))
    assert [(one.line, one.lpa) for one in first.lines] == [
        (OPENING, D("0.000")),
        ("taken over", D("500.125")),
        ("received from loads", D("8950.500")),
        ("bottled", D("-3980.750")),
        ("lost in bottling", D("-19.250")),
        (CLOSING, D("5450.625")),
    ]
    assert adds_up(first)
    assert adds_up(second)
    assert second.lines[0].lpa == first.lines[-1].lpa
    assert second.closing_of("NORFOLK") == {"VK-DRY": D("4450.625")}
    assert ledger.balances(date(2027, 3, 31))["NORFOLK", "VK-DRY"] == first.lines[-1].lpa
    assert first.chain_head == last
    assert {one.declared_unit for one in first.lines} == {"proof gallons"}
    assert first.lines[-1].declared == D("2866.0")
    assert "1 proof gallon at 60 °F = 1.9018 LPA" in first.roundings[0]


def test_lines_are_declared_by_the_authoritys_rule(store, ann, scenario):
    with store.write(ann) as session:
        enter(session, an_entry("500.125", site="GRAZ", liquid="VK-DRY"))
    with store.read() as session:
        found = quarter_return(session, scenario, "2027-Q1", ["GRAZ"])
    assert found.lines[-1].declared == D("500.13")
    assert "common practice, from memory" in found.roundings[0]


def test_files_hold_the_figures_and_the_head(kept, scenario, tmp_path):
    with kept.read() as session:
        found = quarter_return(session, scenario, "2027-Q1")
    text = return_csv(found)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [D(row["lpa"]) for row in rows] == [one.lpa for one in found.lines]
    assert {row["chain_head"] for row in rows} == {found.chain_head}
    assert {row["status"] for row in rows} == {"open"}
    assert "\r" not in text
    file = tmp_path / "return.xlsx"
    write_return_workbook(found, file)
    book = load_workbook(file)
    assert book.sheetnames == ["return", "lines", "late", "duty"]
    lines = list(book["lines"].iter_rows(min_row=2, values_only=True))
    assert [D(str(row[3])) for row in lines] == [one.lpa for one in found.lines]
    cover = dict(book["return"].iter_rows(min_row=2, values_only=True))
    assert cover["chain head"] == found.chain_head
    assert cover["digest of the figures (SHA-256)"] == return_sha256(found)
    types = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert "f" not in types
    assert not list(tmp_path.glob(".*part"))
    with pytest.raises(InputError, match="cannot be written"):
        write_return_workbook(found, tmp_path / "nowhere" / "return.xlsx")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", "\t=1", "\r=1"])
def test_no_text_is_run_as_a_formula(text):
    assert safe_text(text) == f"'{text}"
    assert safe_text("VK-DRY") == "VK-DRY"


def closing_of(found, site):
    balances = tuple(
        ClosedBalance(liquid_id=liquid, lpa=lpa) for liquid, lpa in found.closing_of(site).items()
    )
    return Closing(
        site_id=site,
        quarter=found.quarter,
        balances=balances,
        chain_head=found.chain_head,
        return_sha256=return_sha256(found),
    )


def test_what_is_closed_stays_and_corrections_count_later(kept, ann, scenario):
    with kept.write(ann) as session:
        before = quarter_return(session, scenario, "2027-Q1", ["NORFOLK"])
        record = close_quarter(session, closing_of(before, "NORFOLK"), today=date(2027, 4, 8))
    with kept.write(ann) as session:
        received(session, "W-1", "8940", site="NORFOLK", liquid="VK-DRY")
        again = a_bottling("B-1", [("load", "W-1", "4010")], site="NORFOLK", bottled="3980.75",
                           liquid="VK-DRY")  # fmt: skip
        bottle(session, [again], correct=True)
    with kept.read() as session:
        after = quarter_return(session, scenario, "2027-Q1", ["NORFOLK"])
        later = quarter_return(session, scenario, "2027-Q2", ["NORFOLK"])
    assert after.lines == before.lines
    assert return_sha256(after) == record.content["return_sha256"]
    assert return_status(after) == {
        "NORFOLK": f"closed by record {record.seq}, its figures as closed"
    }
    forged = replace(after, lines=(*after.lines[:-1], replace(after.lines[-1], lpa=D(1))))
    assert "ITS FIGURES DIFFER FROM THOSE CLOSED" in return_status(forged)["NORFOLK"]
    assert after.closed[0][1].record == record.seq
    assert after.late == ()
    assert adds_up(later)
    # the loss of the bottling is taken back and posted anew, ten more
    assert {one.happened for one in later.late} == {date(2027, 1, 22), date(2027, 1, 29)}
    assert {one.counted for one in later.late} == {date(2027, 4, 1)}
    assert sum(one.lpa for one in later.late) == D("-20.500")
    assert later.closing_of("NORFOLK") == {"VK-DRY": D("4430.125")}


def test_quarters_and_sites_must_be_known(store, ann, scenario):
    with store.write(ann) as session:
        a_lot(session, "D-1", "1000", site="VEJKALNA", liquid="VK-DRY")
    with store.read() as session, pytest.raises(InputError, match=r"quarter is '2027-Q5'\. Give"):
        quarter_return(session, scenario, "2027-Q5")
    with store.read() as session, pytest.raises(InputError, match="site is 'MOON', which has no"):
        quarter_return(session, scenario, "2027-Q1", ["MOON"])


ENTRIES = st.tuples(
    st.sampled_from(["bought in", "used in making", "stocktake", "recovered", "samples"]),
    st.integers(1, 5_000_000).map(lambda n: D(n).scaleb(-3)),
    st.dates(date(2027, 1, 4), date(2027, 9, 30)),
    st.sampled_from(["VK-DRY", "VK-CIT"]),
)


@pytest.mark.full
@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.lists(ENTRIES, min_size=1, max_size=12))
def test_quarters_always_add_up_and_hand_on(scenario, entries):
    """Whatever was entered: each quarter adds up and begins as the one before ended."""
    memory = settings_for(".", "sqlite:///:memory:")
    ann = Actor("Ann", "ann")
    with open_register(memory, LOADS, ACCOUNT, clock=Ticking()) as store:
        for kind, lpa, on, liquid in entries:
            signed = -lpa if kind in {"used in making", "samples"} else lpa
            try:
                with store.write(ann) as session:
                    enter(session, an_entry(signed, kind, site="GRAZ", liquid=liquid, on=on))
            except InputError as error:
                assert "GRAZ" in str(error)
        with store.read() as session:
            found = [
                quarter_return(session, scenario, f"2027-Q{number}", ["GRAZ"])
                for number in (1, 2, 3)
            ]
            total = read_ledger(session).balances()
    for quarter in found:
        assert adds_up(quarter) or not quarter.lines
    for before, after in pairwise(found):
        opened = {one.liquid_id: one.lpa for one in after.lines if one.line == OPENING}
        left = {liquid: lpa for liquid, lpa in before.closing_of("GRAZ").items() if lpa}
        assert {liquid: lpa for liquid, lpa in opened.items() if lpa} == left
    ended = {("GRAZ", liquid): lpa for liquid, lpa in found[-1].closing_of("GRAZ").items() if lpa}
    assert ended == {key: lpa for key, lpa in total.items() if key[0] == "GRAZ"}


def test_the_page_to_sign_holds_every_line_the_digests_and_room_to_sign(kept, scenario):
    with kept.read() as session:
        found = quarter_return(session, scenario, "2027-Q1", ["NORFOLK"])
    page = return_html(found, "<b>Maker</b>", {"NORFOLK": "Tidewater"})
    assert "<b>Maker</b>" not in page
    for line in found.lines:
        assert f"<td>{line.line}</td>" in page
        assert f'<td class="n">{line.lpa:,.3f}</td>' in page
    assert return_sha256(found) in page
    assert return_sha256(found, "NORFOLK") in page
    for said in ("signature", "Name and capacity", found.chain_head, "Return 2027-Q1: Tidewater"):
        assert said in page
    assert 'content: "Return 2027-Q1: NORFOLK"' in page
    assert 'content: "page " counter(page) " of " counter(pages) ""' in page
