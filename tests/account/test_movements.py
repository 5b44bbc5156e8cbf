"""Movements: differences judged against their uncertainty, duty, guarantees by day, overdue."""

from datetime import date
from decimal import Decimal

import pytest

from bulkflow.account.acts import gauge_dispatch, report_movement
from bulkflow.account.bodies import Report, Side
from bulkflow.account.differences import Verdict, compare
from bulkflow.account.guarantees import guarantee_days
from bulkflow.account.ledger import read_ledger
from bulkflow.account.movements import movements, overdue
from bulkflow.account.owing import Places, duty_on
from bulkflow.alcoholometry import Measured
from bulkflow.errors import InputError

from .making import a_gauging, a_load_under_way, received

D = Decimal
ON = date(2027, 1, 22)


@pytest.mark.parametrize(
    ("received_lpa", "u", "places", "verdict"),
    [
        (9980, 10, ("US",), Verdict.NOISE),  # 20 missing, U = 20 x sqrt(2)
        (10050, 10, ("US",), Verdict.GAIN),
        (9950, 10, ("US",), Verdict.ALLOWED),  # 50 + 28 is below 100
        (9890, 10, ("US",), Verdict.STRADDLES),  # 110 lies within 28 of 100
        (9850, 10, ("US",), Verdict.ABOVE),
        (9850, 10, ("AT",), Verdict.NO_ALLOWANCE),  # the union sets none for spirits
        (9850, 10, (None,), Verdict.NO_ALLOWANCE),
        (9850, 10, ("AT", "IE"), Verdict.ABOVE),  # where the receiver sets none, the sender's
    ],
)
def test_a_difference_is_called_what_it_is(received_lpa, u, places, verdict):
    found = compare(Measured(10_000, u), Measured(received_lpa, u), D(0), places=places, on=ON)
    assert found.verdict is verdict
    assert found.is_loss == (verdict not in {Verdict.NOISE, Verdict.GAIN})
    assert found.uncertainty == D("28.284")
    if verdict is Verdict.ABOVE:
        assert (found.allowed, found.above) == (D("100.000"), D("50.000"))
        assert found.allowance.percent == 1.0


def test_a_heel_is_no_loss():
    found = compare(Measured(10_000, 1), Measured(9_940, 1), D(58), places=("US",), on=ON)
    assert (found.lpa, found.verdict) == (D("2.000"), Verdict.NOISE)


def test_both_ends_gauged(store, ann, scenario):
    with store.write(ann) as session:
        under_way(session, "W-1", "17650", "NORFOLK")
        gauge_dispatch(
            session,
            a_gauging("W-1", "17610", liquid="VK-DRY", side=Side.DISPATCH, site="VEJKALNA", u="12"),
        )
        received(session, "W-1", "17400", liquid="VK-DRY", site="NORFOLK", u="9")
    with store.read() as session:
        (found,) = movements(session, scenario)
    (crossing,) = found.crossings
    assert crossing.documented == D("17650.000")
    assert crossing.difference.sent == D("17610.000")
    assert crossing.difference.lpa == D("210.000")
    assert crossing.difference.uncertainty == D("30.000")
    assert crossing.difference.verdict is Verdict.ABOVE
    assert crossing.received_proof_gallons.amount == D("9149.2")
    # 27 CFR 19.462 and 26 USC 5001: 13.50 USD on each proof gallon
    assert crossing.duty_on_loss.due.currency == "USD"
    assert crossing.duty_on_loss.due.amount == D("110.4") * D("13.50")
    assert crossing.falls_due is None


def under_way(session, name, lpa, to, liquid="VK-DRY", lane=None, left=date(2027, 1, 8)):
    lanes = {"NORFOLK": "riga-norfolk", "SANTOS": "riga-santos", "DURBAN": "riga-durban"}
    return a_load_under_way(
        session, name, lpa, liquid=liquid, to=to, frm="VEJKALNA", leaves=left,
        lane=lane or lanes[to],
    )  # fmt: skip


def test_duty_falls_due_where_duty_is_paid_on_arrival(store, ann, scenario):
    with store.write(ann) as session:
        under_way(session, "W-1", "17000", "DURBAN")
        received(session, "W-1", "17000", liquid="VK-DRY", site="DURBAN", on=date(2027, 2, 25))
    with store.read() as session:
        (found,) = movements(session, scenario)
    due = found.crossings[0].falls_due
    # the rate of 24 February 2027, paid 30 days later
    assert (due.due.amount, due.due.currency) == (D("17000") * 305, "ZAR")
    assert due.payable == date(2027, 3, 27)


def test_duty_by_value_is_worked_on_the_liquids_value(scenario):
    found = duty_on(Places(scenario), "SANTOS", "VK-DRY", D(1000), D(80), ON)
    assert found.due.amount == D("341.25")  # 1000 x 1.75 x 19.5 %


def test_a_guarantee_is_released_by_its_report(store, ann, scenario):
    days = (date(2027, 1, 8), date(2027, 2, 6))
    with store.write(ann) as session:
        under_way(session, "W-1", "10000", "NORFOLK")
        under_way(session, "W-2", "10000", "NORFOLK")
        report_movement(session, report("W-1", "exit", date(2027, 1, 15)))
    amount = D("219000.00")  # 10,000 LPA at 21.9 EUR
    with store.read() as session:
        found = guarantee_days(read_ledger(session), movements(session, scenario), scenario, *days)
    used = {one.day: one for one in found if one.guarantee == "LV-MOVE"}
    limit = D(repr(next(one.limit for one in scenario.guarantees if one.id == "LV-MOVE")))
    assert used[date(2027, 1, 8)].used == 2 * amount
    assert used[date(2027, 1, 15)].used == 2 * amount
    assert used[date(2027, 1, 16)].used == amount
    assert used[date(2027, 1, 16)].by == (("W-2", amount),)
    # nobody reported W-2: the day on which its leg was planned to end releases nothing
    assert used[date(2027, 2, 6)].used == amount
    assert used[date(2027, 2, 6)].left == limit - amount


def report(load, kind, on):
    return Report(load_id=load, kind=kind, on=on, reference=f"R-{load}-{kind}")


def test_a_report_of_receipt_reconciles_and_comes_after_the_receipt(store, ann, scenario):
    with store.write(ann) as session:
        under_way(session, "W-1", "10000", "NORFOLK")
    with store.write(ann) as session, pytest.raises(InputError, match="Record its receipt first"):
        report_movement(session, report("W-1", "receipt", ON))
    with store.write(ann) as session:
        received(session, "W-1", "9990", liquid="VK-DRY", site="NORFOLK")
        report_movement(session, report("W-1", "receipt", ON))
    with store.read() as session:
        (found,) = movements(session, scenario)
    assert found.load.state == "reconciled"
    assert found.released_on == ON
    with store.write(ann) as session, pytest.raises(InputError, match="was reported already"):
        report_movement(session, report("W-1", "receipt", ON))


def test_what_is_overdue_is_listed(store, ann, scenario):
    with store.write(ann) as session:
        for name in ("W-1", "W-2", "W-3"):
            under_way(session, name, "10000", "NORFOLK")
        received(session, "W-2", "9990", liquid="VK-DRY", site="NORFOLK")  # Friday 22 January
        received(session, "W-3", "9990", liquid="VK-DRY", site="NORFOLK")
        report_movement(session, report("W-3", "receipt", ON))
    with store.read() as session:
        found = movements(session, scenario)
    assert overdue(found, scenario, date(2027, 1, 22)) == []
    late = overdue(found, scenario, date(2027, 1, 29))
    assert [(one.load_id, one.what, one.days) for one in late] == [("W-1", "receipt", 7)]
    assert "longest journey 45 days, to 2027-02-22, not passed" in late[0].rule
    late = overdue(found, scenario, date(2027, 2, 25))
    assert [(one.load_id, one.what, one.since) for one in late] == [
        ("W-1", "receipt", date(2027, 1, 22)),
        ("W-2", "report of receipt", date(2027, 1, 29)),
    ]
    assert "PASSED" in late[0].rule
