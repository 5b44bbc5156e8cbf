"""The week's list: what is told, by when, what it holds up, in which order, by which command."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from functools import partial

import pytest

from bulkflow.due.asking import Asking
from bulkflow.due.week import week_in, week_of_workspace
from bulkflow.loads.bodies import LotShare
from bulkflow.lots.acts import expect_decision, place_holds
from bulkflow.lots.bodies import Instrument, Sample
from bulkflow.lots.instruments import record_instrument
from bulkflow.lots.samples import keep_sample
from bulkflow.plan.check import CheckReport
from bulkflow.plan.next_steps import Whereabouts
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.plan.week import DueKind
from bulkflow.program.answer import GuaranteeUse, Purchase, StockLevel, TankSetting
from bulkflow.records.settings import DATABASE_FILE
from tests.loads.making import a_load, a_part, accept, record, step
from tests.loads.plans import small_plan
from tests.printed_commands import exists

MONDAY = date(2027, 1, 4)
WHERE = Whereabouts("demo", "plans/a b")


@pytest.fixture
def told(store, scenario):
    def ask(on=MONDAY, plan=None):
        with store.read() as session:
            week = week_in(session, Asking(scenario, on, plan, WHERE))
        assert all(exists(line.command) for line in week.lines)
        return week

    return ask


def about(week, subject, kind=None):
    return [one for one in week.lines if one.subject == subject and kind in (None, one.kind)]


def write(store, ann, *acts):
    with store.write(ann) as session:
        for act in acts:
            act(session)


@pytest.mark.full
def test_a_load_goes_from_promise_to_sea_one_command_at_a_time(store, ann, scenario, told) -> None:
    write(store, ann, record)
    seen = []
    for act in (
        lambda s: step(s, scenario, "promised", on=MONDAY),
        accept,
        lambda s: step(s, scenario, "issued"),
        lambda s: step(s, scenario, "loaded"),
        lambda s: step(s, scenario, "departed", on=date(2027, 1, 15)),
    ):
        (line,) = about(told(date(2027, 1, 11)), "A-1", DueKind.LOAD)
        assert (line.days, line.holds_up_lpa) == (4 if "departed" in line.command else 0, 17900.0)
        seen.append(line.command)
        write(store, ann, act)
    assert [words.split("demo ")[1] for words in seen] == [
        "A-1 promised --on 2027-01-11",
        "A-1 TANK --on 2027-01-11 --cargo CARGO",
        "A-1 issued --on 2027-01-11",
        "A-1 loaded --on 2027-01-11 --seal SEAL",
        "A-1 departed --on 2027-01-15 --movement REFERENCE --seal SEAL",
    ]
    assert about(told(date(2027, 1, 18)), "A-1", DueKind.LOAD) == []


def test_missing_papers_are_named(store, ann, scenario, told) -> None:
    write(store, ann, record, accept, lambda s: step(s, scenario, "issued"))
    write(store, ann, lambda s: step(s, scenario, "loaded"))
    (line,) = about(told(date(2027, 1, 12)), "A-1")
    assert "closed: movement document; seals" in line.what


def test_a_load_far_ahead_is_not_of_this_week(store, ann, told) -> None:
    write(store, ann, record)  # to be filled on 11 January
    assert about(told(date(2026, 12, 27)), "A-1") == []  # 15 days before it is filled
    assert len(about(told(date(2026, 12, 28)), "A-1")) == 1  # promised two weeks before


def test_a_closed_lot_in_a_load_leads_to_what_opens_the_lot(store, ann, told) -> None:
    write(store, ann, record, lambda s: place_holds(s, ["VK-DRY-2641"], "a leak was found"))
    week = told()
    (line,) = about(week, "A-1")
    (lot,) = about(week, "VK-DRY-2641")
    assert "closed: hold of VK-DRY-2641" in line.what
    assert line.command == lot.command
    assert lot.command == "bulkflow lots lift demo VK-DRY-2641 --reason WHY"
    assert (lot.by, lot.holds_up_lpa > 30_000) == (date(2027, 1, 11), True)
    assert "load A-1 waits for it, to be filled on 11 Jan" in lot.what


def test_what_a_load_counts_on_is_recorded_as_a_lot(store, ann, told) -> None:
    share = LotShare(lot_id="stock of VK-DRY", lpa=Decimal(17900),
                     strength_percent=Decimal(80), to_come=True)  # fmt: skip
    write(store, ann, lambda s: record(s, a_load(parts=(a_part([share]),))))
    (line,) = about(told(), "A-1")
    assert "record as a lot what it counts on (stock of VK-DRY)" in line.what
    assert line.command.startswith("bulkflow lots add demo LOT --liquid VK-DRY --site VEJKALNA")


def test_arrivals_receipts_and_reports(store, ann, scenario, told) -> None:
    write(store, ann, record, accept, lambda s: step(s, scenario, "issued"))
    write(store, ann, lambda s: step(s, scenario, "loaded"))
    write(store, ann, lambda s: step(s, scenario, "departed", on=date(2027, 1, 15)))
    kinds = {}
    for on in (date(2027, 1, 24), date(2027, 1, 31), date(2027, 2, 12)):
        week = told(on)
        kinds[on.day] = {one.kind: one for one in about(week, "A-1")}
    exit_line = kinds[24][DueKind.REPORT]
    assert exit_line.by == date(2027, 1, 24) and exit_line.days == 0
    assert exit_line.money == pytest.approx(17900 * 21.9)  # the duty at risk on it
    assert "--kind exit" in exit_line.command
    assert kinds[31][DueKind.ARRIVAL].command.startswith("bulkflow loads step demo A-1 arrived")
    receipt = kinds[12][DueKind.ARRIVAL]
    assert receipt.command.startswith("bulkflow account receive demo A-1")
    assert receipt.late and receipt.days == -2


@pytest.mark.full
def test_reports_are_asked_for_together(store, ann, scenario, told) -> None:
    for name in ("A-1", "A-2"):
        write(store, ann, partial(record, load=a_load(name)), partial(accept, name=name))
        for state, on in (("issued", 11), ("loaded", 11), ("departed", 15)):
            go = partial(step, scenario=scenario, state=state, name=name, on=date(2027, 1, on))
            write(store, ann, go)
    week = told(date(2027, 1, 26))
    (report,) = [one for one in week.lines if one.kind is DueKind.REPORT]
    assert report.command.startswith("bulkflow account report demo A-1 A-2 --kind exit")
    assert report.money == pytest.approx(2 * 17900 * 21.9)
    assert report.late


def test_a_lot_without_loads_goes_by_its_promise(store, ann, told) -> None:
    (before,) = about(told(), "VK-DRY-2643")
    write(store, ann, lambda s: expect_decision(s, "VK-DRY-2643", date(2027, 1, 8), "panel"))
    (line,) = about(told(), "VK-DRY-2643")
    assert line.by == date(2027, 1, 8)
    assert before.kind is DueKind.LOT


def test_samples_that_expire_are_told_four_weeks_ahead(store, ann, told) -> None:
    sample = Sample(lot_id="VK-DRY-2641", sample_id="R-1", taken_on=date(2026, 12, 1),
                    expires_on=date(2027, 2, 1))  # fmt: skip
    write(store, ann, lambda s: keep_sample(s, sample))
    assert about(told(date(2027, 1, 3)), "R-1") == []
    (line,) = about(told(), "R-1")
    assert line.command.startswith("bulkflow lots sample-gone demo R-1 --on 2027-01-04")


def test_certificates_of_instruments_are_told_before_they_expire(store, ann, told) -> None:
    meter = Instrument(instrument_id="DM 1", what="density meter",
                       calibrated_on=date(2026, 1, 20), expires_on=date(2027, 1, 20))  # fmt: skip
    write(store, ann, lambda s: record_instrument(s, meter))
    (line,) = about(told(), "DM 1")
    assert (line.kind, line.days) == (DueKind.CALIBRATION, 16)
    assert "laboratory calibrate demo 'DM 1' --what 'density meter'" in line.command


def test_a_plan_adds_what_comes(scenario, told) -> None:
    plan = replace(
        small_plan(scenario),
        purchases=(Purchase("OSTRAVELE", "NS-CEREAL", 2, 0, 50_000.0, 0.9),
                   Purchase("OSTRAVELE", "NS-CEREAL", 5, 0, 10_000.0, 0.9)),
        guarantee_use=(GuaranteeUse("LV-MOVE", 2, 6_000_000.0, 7_200_000.0),
                       GuaranteeUse("LV-STORE", 2, 1.0, 7_200_000.0)),
        stocks=(StockLevel("GRAZ", "VK-DRY", "any", 1, 100.0, 0.0, 0.0),
                StockLevel("GRAZ", "VK-CIT", "any", 1, 70_000.0, 0.0, 0.0)),
        tank_settings=(TankSetting("GRAZ", "T2", 1, "VK-CIT", "any", changed=False),),
    )  # fmt: skip
    hold = HoldCost("VK-DRY-2643", "VK-DRY", "VEJKALNA", "awaiting", 1.0, None, None, "",
                    ("riga-norfolk-270118-1",), extra_most=4_000.0)  # fmt: skip
    result = PlanResult(plan, CheckReport(()), (("core", "carried"),), holds=(hold,))
    week = told(plan=result)
    by_kind = {one.kind: one for one in week.lines}
    bought = [one for one in week.lines if one.kind is DueKind.PURCHASE]
    assert [(one.by, one.holds_up_lpa, one.money) for one in bought] == [
        (date(2027, 1, 11), 50_000.0, pytest.approx(45_000.0))
    ]
    assert "83.3 %" in by_kind[DueKind.GUARANTEE].what
    assert by_kind[DueKind.TANK].subject == "GRAZ VK-CIT"  # 88,600 of 100,000 litres
    floor = next(one for one in week.lines if one.subject == "GRAZ VK-DRY")
    assert (floor.kind, floor.holds_up_lpa) == (DueKind.FLOOR, 5_400.0)
    assert "'plans/a b'" in floor.command  # quoted, to be copied
    (lot,) = about(week, "VK-DRY-2643")
    assert (lot.by, lot.money) == (date(2027, 1, 18), 4_000.0)
    unfilled = next(one for one in week.lines if "not filled from lots" in one.what)
    assert unfilled.command == "bulkflow loads allocate demo 'plans/a b'"
    assert [words.split(",")[0] for words in week.unseen] == ["The account is not begun"]


@pytest.mark.full
def test_late_things_come_first_then_the_week_by_what_it_holds_up(store, ann, told) -> None:
    write(
        store,
        ann,
        lambda s: record(s, a_load("SMALL", (a_part([("VK-DRY-2641", 9000, "80.02")]),))),
        lambda s: record(s, a_load("LARGE")),
    )
    lines = told(date(2027, 1, 11)).lines
    ranks = [(not one.late, (one.days or 0) > 7) for one in lines]
    assert ranks == sorted(ranks)
    names = [one.subject for one in lines]
    assert names.index("LARGE") < names.index("SMALL")


def test_without_a_register_and_without_a_plan(scenario, tmp_path) -> None:
    week = week_of_workspace(scenario, tmp_path, MONDAY, where=Whereabouts("demo"))
    (line,) = week.lines
    assert (line.kind, line.command) == (DueKind.PLAN, "bulkflow plan demo --out plans/demo")
    assert exists(line.command)
    assert len(week.unseen) == 2
    assert not (tmp_path / DATABASE_FILE).exists()
