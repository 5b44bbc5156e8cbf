"""Movements: differences judged against their uncertainty, duty, guarantees by day, overdue."""

from datetime import date
from decimal import Decimal

import pytest

from bulkflow.account.acts import transfer
from bulkflow.account.bodies import Gauging, Holding, Report, ReportKind, Side, Transfer
from bulkflow.account.differences import Verdict, compare
from bulkflow.account.guarantees import guarantee_days
from bulkflow.account.journey import gauge_dispatch, receive, report_movement
from bulkflow.account.ledger import ON_THE_WAY, read_ledger
from bulkflow.account.movements import movements, overdue
from bulkflow.account.owing import Places, duty_on
from bulkflow.alcoholometry import Measured
from bulkflow.errors import InputError
from bulkflow.loads.queries import find_load
from bulkflow.loads.tables import LOAD
from bulkflow.records.chain import append

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
        report_movement(session, report("W-3", "exit", date(2027, 1, 16)))
    with store.read() as session:
        found = movements(session, scenario)
    # the exit was planned for nine days after 8 January; no law limits the voyage beyond it
    assert overdue(found, scenario, date(2027, 1, 17)) == []
    late = overdue(found, scenario, date(2027, 1, 29))
    assert [(one.load_id, one.what, one.days) for one in late] == [
        ("W-1", "report of exit", 12),
        ("W-2", "report of exit", 12),
        ("W-1", "receipt", 7),
    ]
    assert "longest journey" not in late[2].rule
    assert "discharged on 2027-01-22, so ask for the report" in late[1].rule


def test_the_limits_of_the_union_hold_inside_it(store, ann, scenario):
    with store.write(ann) as session:
        for name in ("W-1", "W-2"):
            under_way(session, name, "10000", "GRAZ", lane="graz-by-road")
        received(session, "W-2", "9990", liquid="VK-DRY", site="GRAZ")  # Friday 22 January
    with store.read() as session:
        found = movements(session, scenario)
    late = overdue(found, scenario, date(2027, 1, 29))
    assert [(one.load_id, one.what, one.days) for one in late] == [("W-1", "receipt", 7)]
    assert "longest journey 35 days, to 2027-02-12, not passed" in late[0].rule
    late = overdue(found, scenario, date(2027, 2, 25))
    assert [(one.load_id, one.what, one.since) for one in late] == [
        ("W-1", "receipt", date(2027, 1, 22)),
        ("W-2", "report of receipt", date(2027, 1, 29)),
    ]
    assert "PASSED" in late[0].rule
    # a bond overseas waits for the report of receipt, whatever the law there says
    with store.write(ann) as session:
        under_way(session, "W-4", "10000", "NHAVA-SHEVA", lane="riga-nhava-sheva")
        report_movement(session, report("W-4", "exit", date(2027, 1, 16)))
        received(session, "W-4", "9990", liquid="VK-DRY", site="NHAVA-SHEVA")
        (found,) = [x for x in movements(session, scenario) if x.load.load_id == "W-4"]
    (line,) = overdue([found], scenario, date(2027, 2, 28))
    assert line.what == "report of receipt"
    assert "IN-BOND waits for it" in line.rule


def test_reports_have_their_days_and_are_corrected(store, ann, scenario):
    with store.write(ann) as session:
        under_way(session, "W-1", "10000", "NORFOLK")
        before, years = date(2027, 1, 7), date(2031, 1, 1)
        for kind, day, words in (
            ("exit", before, "before W-1 departed"),
            ("exit", years, "more than a year after W-1 departed"),
        ):
            with pytest.raises(InputError, match=words):
                report_movement(session, report("W-1", kind, day))
        with pytest.raises(InputError, match="was not reported yet"):
            report_movement(session, report("W-1", "exit", date(2027, 1, 12)), correct=True)
        received(session, "W-1", "9990", liquid="VK-DRY", site="NORFOLK")  # 22 January
        for kind, day, words in (
            ("receipt", date(2027, 1, 21), "before W-1 discharged"),
            ("exit", date(2027, 1, 23), "after W-1 was discharged beyond it"),
        ):
            with pytest.raises(InputError, match=words):
                report_movement(session, report("W-1", kind, day))
        report_movement(session, report("W-1", "exit", date(2027, 1, 12)))
        report_movement(session, report("W-1", "exit", date(2027, 1, 14)), correct=True)
        (found,) = movements(session, scenario)
        assert found.reported_on(ReportKind.EXIT) == date(2027, 1, 14)
        days = (date(2027, 1, 13), date(2027, 1, 15))
        counted = guarantee_days(read_ledger(session), [found], scenario, *days)
        used = [one.used for one in counted if one.guarantee == "LV-MOVE"]
        # the guarantee follows the corrected day
        assert used == [D("219000.00"), D("219000.00"), D(0)]


def test_what_is_gauged_is_plausible_or_has_a_reason(store, ann, scenario):
    def gauged(session, **fields):
        reading = {"gross_kg": D(39500), "tare_kg": D(19500), **fields}
        given = {"reason": None} | {k: v for k, v in fields.items() if k in {"reason", "on"}}
        body = a_gauging("W-1", fields.get("lpa", "17650"), liquid="VK-DRY", site="VEJKALNA",
                         side="dispatch", **{"on": date(2027, 1, 8), **given})  # fmt: skip
        changed = {"strength_percent": D(80), "strength_reading": D(80), "volume": None}
        reading = {k: v for k, v in reading.items() if k in Gauging.model_fields}
        body = body.model_copy(update={**changed, **reading, "lpa": D(fields.get("lpa", "17650"))})
        return gauge_dispatch(session, body, scenario)

    with store.write(ann) as session:
        part = {"strength_percent": D(80), "litres_20c": D("22062.500")}
        under_way(session, "W-1", "17650", "NORFOLK")
        load = find_load(session, "W-1")
        parts = (load.parts[0].model_copy(update=part),)
        body = load.description.model_copy(update={"parts": parts, "tank_type": "TC-24"})
        append(session, LOAD, body, supersedes=load.record)
        for fields, words in (
            ({"gross_kg": D(236400)}, "by its plate the tank carries at most"),
            ({"lpa": "1765"}, "-90 % against 17,650 of the document"),
            ({"strength_percent": D(62)}, "VK-DRY in W-1 has 80.000 % vol"),
            ({"volume": D(199000), "gross_kg": None, "tare_kg": None}, "the tank holds 24,000 L"),
            ({"temperature": D(72)}, "tanks are between -25 and 45 °C"),
        ):
            with pytest.raises(InputError, match=words):
                gauged(session, **fields)
            gauged(session, **fields, reason="the scale was checked twice")
        assert "reason" not in gauged(session).content
        with pytest.raises(InputError, match="before W-1 was departed"):
            received(session, "W-1", "17600", liquid="VK-DRY", site="NORFOLK",
                     on=date(2027, 1, 7))  # fmt: skip
        # what was taken off on the way is not asked for at the end of it
        spilt = Holding(place=ON_THE_WAY, kind="load", name="W-1")
        leak = Transfer(liquid_id="VK-DRY", lpa=D(5000), on=date(2027, 1, 15), source=spilt,
                        reason="a valve leaked")  # fmt: skip
        transfer(session, leak)
        fields = {"liquid": "VK-DRY", "site": "NORFOLK", "reason": None, "strength_percent": D(80)}
        for lpa, heel, strange in (("17600", "0", True), ("12640", "0", False)):
            body = a_gauging("W-1", lpa, heel_lpa=D(heel), volume=None, **{
                k: v for k, v in fields.items() if k != "strength_percent"})  # fmt: skip
            body = body.model_copy(update={"strength_percent": D(80)})
            if strange:
                with pytest.raises(InputError, match="against 12,650 of what was sent"):
                    receive(session, [body])
            else:
                receive(session, [body])


def test_correcting_a_receipt_keeps_its_heel(store, ann, scenario):
    with store.write(ann) as session:
        under_way(session, "W-1", "10000", "NORFOLK")
        received(session, "W-1", "9900", liquid="VK-DRY", site="NORFOLK", heel_lpa=D(60))
        received(session, "W-1", "9910", liquid="VK-DRY", site="NORFOLK")
        (crossing,) = movements(session, scenario)[0].crossings
        assert (crossing.difference.received, crossing.difference.heel) == (D(9910), D(60))
        received(session, "W-1", "9910", liquid="VK-DRY", site="NORFOLK", heel_lpa=D(0))
        (crossing,) = movements(session, scenario)[0].crossings
        assert crossing.difference.heel == 0


def test_every_figure_of_an_amount_stands_side_by_side(store, ann, scenario):
    with store.write(ann) as session:
        under_way(session, "W-1", "10000", "NORFOLK")
        gauge_dispatch(session, a_gauging("W-1", "9980", liquid="VK-DRY", site="VEJKALNA",
                                          side=Side.DISPATCH, on=date(2027, 1, 8)))  # fmt: skip
        way = Holding(place=ON_THE_WAY, kind="load", name="W-1")
        stock = Holding(place="NORFOLK", kind="stock", name="VK-DRY")
        for lpa, target in (("3000", stock), ("40", None)):
            transfer(session, Transfer(liquid_id="VK-DRY", lpa=D(lpa), on=date(2027, 1, 20),
                                       source=way, target=target, reason="as found"))  # fmt: skip
        received(session, "W-1", "6900", liquid="VK-DRY", site="NORFOLK", heel_lpa=D(30))
        (found,) = movements(session, scenario)
    (crossing,) = found.crossings
    figures = {one.what: one.lpa for one in crossing.readings}
    # what was taken off is no loss; what leaked is
    less = D(9980) - D(3000) - D(6900) - D(30)
    assert figures == {
        "documented": D(10000), "gauged, sent": D(9980), "taken off": D(3000), "lost": D(40),
        "gauged, received": D(6900), "heel": D(30), "sent less received": less,
    }  # fmt: skip
    assert crossing.difference.lpa == less
    stands = {one.what: one.stands for one in crossing.readings}
    assert stands["documented"].startswith("in the account: it is what left the lots")
    assert "measured" in stands["gauged, sent"]
