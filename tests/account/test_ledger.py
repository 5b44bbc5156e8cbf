"""The ledger: LPA conserved to the last digit, equal to the records, never changed once closed."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.account.acts import bottle, close_quarter, enter, reverse, take_back, transfer
from bulkflow.account.agreement import disagreements, standing_balances
from bulkflow.account.bodies import ClosedBalance, Closing, Holding, Transfer
from bulkflow.account.guarantees import uses_of
from bulkflow.account.journey import receive
from bulkflow.account.ledger import (
    HEELS,
    ON_THE_WAY,
    OUTER,
    Line,
    balances_on,
    not_by_lot,
    postings_in,
    read_ledger,
)
from bulkflow.account.movements import movements, overdue
from bulkflow.errors import InputError
from bulkflow.loads.bodies import LoadStep
from bulkflow.loads.queries import find_load
from bulkflow.loads.tables import LOAD_STEP
from bulkflow.lots.acts import correct_lot, dispose
from bulkflow.lots.bodies import Disposition
from bulkflow.lots.queries import find_lot, list_lots
from bulkflow.records import append

from .making import (
    NORTH,
    STILL,
    a_bottling,
    a_gauging,
    a_load,
    a_load_under_way,
    a_lot,
    an_entry,
    bottled,
    later,
    received,
    release,
    two_liquids_under_way,
)

D = Decimal


def nothing_is_lost(postings):
    """Each record's postings, and so all, add up to nothing, for each liquid or over all."""
    by_record = {}
    for one in postings:
        by_record[one.record] = by_record.get(one.record, D(0)) + one.lpa
    return set(by_record.values()) <= {D(0)}


def by_lot(session):
    """What the register of lots says lies where, by site and liquid."""
    found = {}
    for line in list_lots(session):
        key = (line.site_id, line.liquid_id)
        found[key] = found.get(key, D(0)) + line.lpa_left
    return {key: lpa for key, lpa in found.items() if lpa}


def test_a_journey_from_still_to_bottle(both, ann):
    with both.write(ann) as session:
        a_lot(session, "N-1", "12000", liquid="neutral")
        a_lot(session, "D-1", "9000", parents={"N-1": "11000"})
        release(session, "D-1")
        a_load(session, "L-1", {"D-1": "8000"})
        received(session, "L-1", "7960", heel_lpa=D(12))
        bottled(session, "B-1", [("load", "L-1", "5000")], bottled="4975.5")
    with both.read() as session:
        ledger = read_ledger(session)
        left = not_by_lot(session)
        postings = postings_in(session)
        lots = by_lot(session)
    balances = ledger.balances()
    assert balances[STILL, "neutral"] == lots[STILL, "neutral"] == D("1000.000")
    assert balances[STILL, "dry"] == lots[STILL, "dry"] == D("1000.000")
    assert balances[NORTH, "dry"] == D("2960.000") == left[NORTH, "dry", "load L-1"]
    assert balances[HEELS, "dry"] == D("12.000")
    assert (ON_THE_WAY, "dry") not in balances
    assert balances[Line.TRANSIT.value, "dry"] == D("28.000")
    assert balances[Line.BOTTLED.value, "dry"] == D("4975.500")
    assert balances[Line.BOTTLING_LOSS.value, "dry"] == D("24.500")
    assert balances[Line.USED.value, "neutral"] == D("11000.000")
    assert nothing_is_lost(postings)
    with both.read() as session:
        assert disagreements(session) == []
        standing = standing_balances(session)
    assert standing == {key: lpa for key, lpa in balances.items() if key[0] not in OUTER}
    days = dict(ledger.days(NORTH, date(2027, 1, 21), date(2027, 1, 29)))
    assert days[date(2027, 1, 21)] == {}
    assert days[date(2027, 1, 22)] == {"dry": D("7960.000")}
    assert days[date(2027, 1, 29)] == {"dry": D("2960.000")}
    way = dict(ledger.days(ON_THE_WAY, date(2027, 1, 7), date(2027, 1, 22)))
    assert [way[date(2027, 1, day)].get("dry", 0) for day in (7, 8, 21, 22)] == [0, 8000, 8000, 0]


def test_a_load_under_way_at_the_start_is_taken_over(store, ann):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "17650")
    with store.read() as session:
        assert read_ledger(session).balances() == {
            (ON_THE_WAY, "dry"): D("17650.000"),
            (Line.TAKEN_OVER.value, "dry"): D("-17650.000"),
        }
    with store.write(ann) as session:
        received(session, "W-1", "17700")
    with store.read() as session:
        balances = read_ledger(session).balances()
    assert balances[NORTH, "dry"] == D("17700.000")
    assert balances[Line.TRANSIT.value, "dry"] == D("-50.000")  # a gain


def test_a_received_lot_is_counted_once(store, ann):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000", to="depot")
        received(session, "W-1", "8990", site="depot", as_lot="DEPOT-1")
    with store.read() as session:
        ledger = read_ledger(session)
        left = not_by_lot(session)
        postings = postings_in(session)
        lots = by_lot(session)
    assert ledger.balances()["depot", "dry"] == lots["depot", "dry"] == D("8990.000")
    assert (Line.BOUGHT_IN.value, "dry") not in ledger.balances()
    assert [key for key in left if key[0] not in {ON_THE_WAY, HEELS}] == []
    assert nothing_is_lost(postings)


def test_gauging_again_posts_the_difference(store, ann):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
        received(session, "W-1", "8900")
        bottled(session, "B-1", [("load", "W-1", "1000")])
    with store.write(ann) as session:
        received(session, "W-1", "8950", heel_lpa=D(5))
        received(session, "W-1", "8940", heel_lpa=D(5), on=date(2027, 1, 25))
    with store.read() as session:
        ledger = read_ledger(session)
        left = not_by_lot(session)
        postings = postings_in(session)
    balances = ledger.balances()
    assert balances[NORTH, "dry"] == D("7940.000") == left[NORTH, "dry", "load W-1"]
    assert balances[HEELS, "dry"] == D("5.000")
    assert balances[Line.TRANSIT.value, "dry"] == D("55.000")
    assert nothing_is_lost(postings)


def test_a_bottling_corrected_gives_back_what_it_took(store, ann):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
        received(session, "W-1", "9000")
        bottled(session, "B-1", [("load", "W-1", "1000")])
        bottle(
            session, [a_bottling("B-1", [("load", "W-1", "1200")], bottled="1190")], correct=True
        )
    with store.read() as session:
        ledger = read_ledger(session)
        left = not_by_lot(session)
    assert ledger.balances()[NORTH, "dry"] == D("7800.000") == left[NORTH, "dry", "load W-1"]
    assert ledger.balances()[Line.BOTTLED.value, "dry"] == D("1190.000")


def test_a_lot_corrected_to_another_site_takes_its_draws_along(store, ann):
    with store.write(ann) as session:
        a_lot(session, "N-1", "5000", liquid="neutral")
        a_lot(session, "D-1", "3000", parents={"N-1": "3500"})
    with store.write(ann) as session:
        line = list_lots(session)[1]
        from bulkflow.lots.tables import LOT
        from bulkflow.records.chain import records_about

        record = records_about(session, line.lot_id)[0]
        body = LOT.read(record.version, record.body)
        correct_lot(session, body.model_copy(update={"site_id": "depot"}))
    with store.read() as session:
        ledger = read_ledger(session)
        assert {k: v for k, v in ledger.balances().items() if k[0] not in OUTER} == by_lot(session)
    assert ledger.balances()["depot", "neutral"] == D("1500.000")


def test_a_closed_quarter_keeps_its_figures(both, ann):
    with both.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
        received(session, "W-1", "8900")
        bottled(session, "B-1", [("load", "W-1", "1000")])
        before = read_ledger(session).balances(date(2027, 3, 31))
        wrong = Closing(
            site_id=NORTH, quarter="2027-Q1", balances=(), chain_head="1:0", return_sha256="0" * 64
        )
        with pytest.raises(InputError, match=r"the account has 7900\.000 LPA of dry"):
            close_quarter(session, wrong, today=date(2027, 4, 5))
        stands = (ClosedBalance(liquid_id="dry", lpa=D(7900)),)
        closing = wrong.model_copy(update={"balances": stands})
        close_quarter(session, closing, today=date(2027, 4, 5))
    with both.write(ann) as session:
        received(session, "W-1", "8950")
        bottle(session, [a_bottling("B-1", [("load", "W-1", "1200")])], correct=True)
        enter(session, an_entry("-3", "samples", on=date(2027, 2, 1), load_id="W-1"))
    with both.read() as session:
        ledger = read_ledger(session)
        postings = postings_in(session)
    after = ledger.balances(date(2027, 3, 31))
    assert after[NORTH, "dry"] == before[NORTH, "dry"] == D("7900.000")
    assert ledger.balances(date(2027, 4, 1))[NORTH, "dry"] == D("7747.000")
    late = [one for one in postings if one.is_late]
    assert {one.day for one in late} == {date(2027, 4, 1)}
    assert {one.happened for one in late} == {
        date(2027, 1, 22),
        date(2027, 1, 29),
        date(2027, 2, 1),
    }
    assert nothing_is_lost(postings)
    with both.write(ann) as session, pytest.raises(InputError, match="closed up to 2027-03-31"):
        close_quarter(session, closing, today=date(2027, 4, 6))


def test_a_quarter_is_closed_when_it_has_ended(store, ann):
    closing = Closing(
        site_id=NORTH, quarter="2027-Q1", balances=(), chain_head="1:0", return_sha256="0" * 64
    )
    with store.write(ann) as session, pytest.raises(InputError, match="Close it when it has ended"):
        close_quarter(session, closing, today=date(2027, 3, 31))


def test_more_than_there_is_cannot_be_taken(store, ann):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
        received(session, "W-1", "8900", heel_lpa=D(4))
        enter(session, an_entry("100"))
    with store.write(ann) as session, pytest.raises(InputError) as caught:
        bottle(
            session,
            [
                a_bottling("B-1", [("load", "W-1", "8000")]),
                a_bottling("B-2", [("load", "W-1", "1000"), ("stock", "dry", "1000.001")]),
            ],
        )
    assert [str(fault) for fault in caught.value.faults] == [
        "load W-1 at north has 8900.000 LPA of dry on 2027-01-29, but 9000.000 is taken. "
        "Correct the amount or the day, or name another source.",
        "stock at north has 100.000 LPA of dry on 2027-01-29, but 1000.001 is taken. "
        "Stock is what no lot or load holds; there lie load W-1 (8,900.000).",
    ]
    with (
        store.write(ann) as session,
        pytest.raises(InputError, match=r"heels in tanks has 4\.000"),
    ):
        enter(session, an_entry("4.001", "heel returned", load_id="W-1", on=date(2027, 1, 22)))
    with (
        store.write(ann) as session,
        pytest.raises(InputError, match=r"stock at north has 100\.000"),
    ):
        enter(session, an_entry("-9000.001", "stocktake"))


def test_a_total_measured_at_discharge_is_shared_out_as_it_was_sent(store, ann):
    # of 7,979.999 LPA three eighths are 2,992.499625, in thousandths 2,992.500; the rest is navy
    with store.write(ann) as session:
        two_liquids_under_way(session, "W-2", {"dry": "3000", "navy": "5000"})
        on = date(2027, 1, 21)
        later(session, "W-2", "arrived", on)
        step = LoadStep(load_id="W-2", state="discharged", on=on, lpa=D("7979.999"))
        append(session, LOAD_STEP, step)
    with store.read() as session:
        balances = balances_on(session)
        assert disagreements(session) == []
    assert balances[NORTH, "dry"] == D("2992.500")
    assert balances[NORTH, "navy"] == D("4987.499")


def test_a_difference_beyond_measuring_is_taken_only_when_it_was_measured_again(store, ann):
    # 100 LPA lie there; one per cent of it is what measuring explains
    def take(lpa, **fields):
        with store.write(ann) as session:
            return enter(session, an_entry(lpa, "stocktake", **fields))

    with store.write(ann) as session:
        enter(session, an_entry("100"))
    with pytest.raises(InputError, match=r"is -5\.000 LPA where 100\.000 LPA should lie\. A"):
        take("-5", measured_again=None)
    assert take("-1", measured_again=None)
    assert take("-5")


def test_what_left_a_load_on_its_way_is_told_by_its_receipt(store, ann):
    leak = Transfer(
        liquid_id="dry", lpa=D(40), on=date(2027, 1, 15), reason="a valve dripped",
        source=Holding(place=ON_THE_WAY, kind="load", name="W-1"),
    )  # fmt: skip
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
        record = transfer(session, leak).seq
        received(session, "W-1", "8950")
    with store.write(ann) as session, pytest.raises(InputError, match="discharged since"):
        reverse(session, record, "it was rain")
    with (
        store.write(ann) as session,
        pytest.raises(InputError, match=r"W-1 at on the way has 0\.000"),
    ):
        transfer(session, leak.model_copy(update={"on": date(2027, 1, 16)}))
    with store.read() as session:
        balances = read_ledger(session).balances()
        assert disagreements(session) == []
    assert balances[Line.SPILT.value, "dry"] == D(40)
    assert balances[Line.TRANSIT.value, "dry"] == D(10)


def test_only_what_left_is_received(store, ann):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
    with store.write(ann) as session, pytest.raises(InputError) as caught:
        receive(session, [a_gauging("W-1", "1", liquid="citrus", site="south")])
    assert [str(fault) for fault in caught.value.faults] == [
        "liquid dry of W-1 is not gauged. Gauge every liquid of a load together.",
        "liquid is 'citrus', which W-1 does not carry. It carries dry.",
        "site is 'south', but this end of W-1 is north. Give north.",
    ]


AMOUNTS = st.integers(1, 3_000_000).map(lambda n: D(n).scaleb(-3))


@given(lpa=st.lists(AMOUNTS, min_size=1, max_size=4), total=AMOUNTS)
def test_a_measured_total_is_shared_out_to_the_last_digit(lpa, total):
    from bulkflow.account.fold import _shared_out

    parts = {f"liquid{number}": amount for number, amount in enumerate(lpa)}
    assert sum(_shared_out(str(total), parts).values()) == total


def test_a_rejected_lot_leaves_the_account_once(store, ann):
    with store.write(ann) as session:
        a_lot(session, "D-1", "1000")
        release(session, "D-1", "reject")
        dispose(
            session,
            Disposition(
                lot_id="D-1",
                way="redistil",
                lpa=D(800),
                decided_on=date(2027, 1, 12),
                reason="off-note",
            ),
        )
        a_lot(session, "D-2", "650", parents={"D-1": "700"})
    with store.read() as session:
        balances = read_ledger(session).balances()
        lots = by_lot(session)
    assert balances[STILL, "dry"] == lots[STILL, "dry"] == D("850.000")
    assert balances[Line.DISPOSED.value, "dry"] == D("800.000")


def test_a_balance_that_differs_from_the_records_is_found(store, ann, monkeypatch):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
        received(session, "W-1", "8900", heel_lpa=D(4))
    from bulkflow.account import agreement

    with store.read() as session:
        assert disagreements(session) == []
        monkeypatch.setattr(agreement, "_bottled", lambda _: [("north", "dry", D("0.001"))])
        (found,) = disagreements(session)
    assert (found.place, found.ledger, found.records) == (NORTH, D("8900.000"), D("8900.001"))


def test_a_total_stated_at_discharge_counts_where_nothing_was_gauged(store, ann):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "9000")
        later(session, "W-1", "arrived", date(2027, 1, 20))
        step = LoadStep(load_id="W-1", state="discharged", on=date(2027, 1, 21), lpa=D(8950))
        append(session, LOAD_STEP, step)
    with store.read() as session:
        balances = read_ledger(session).balances()
        assert disagreements(session) == []
    assert balances[NORTH, "dry"] == D("8950.000")
    assert balances[Line.TRANSIT.value, "dry"] == D("50.000")
    with store.write(ann) as session:
        received(session, "W-1", "8970", on=date(2027, 1, 23))
    with store.read() as session:
        assert read_ledger(session).balances()[NORTH, "dry"] == D("8970.000")
        assert disagreements(session) == []


def test_a_load_that_comes_back_fills_its_lots_again(both, ann):
    """Refused on the way after a leak: what is left goes back, and the account adds up."""
    with both.write(ann) as session:
        for name in ("L-1", "L-2"):
            a_lot(session, name)
            release(session, name)
        a_load(session, "A-1", {"L-1": "3000", "L-2": "6000"})
        way = Holding(place=ON_THE_WAY, kind="load", name="A-1")
        transfer(session, Transfer(liquid_id="dry", lpa=D("0.100"), on=date(2027, 1, 9),
                                   source=way, reason="a leak"))  # fmt: skip
        take_back(session, "A-1", date(2027, 1, 11), "refused at the port")
        assert find_load(session, "A-1").state == "withdrawn"
        left = {name: find_lot(session, name).lpa_left for name in ("L-1", "L-2")}
        assert left == {"L-1": D("9999.967"), "L-2": D("9999.933")}
        assert disagreements(session) == []
        assert (ON_THE_WAY, "dry") not in read_ledger(session).balances()
        for act in (
            lambda: take_back(session, "A-1", date(2027, 1, 12), "again"),
            lambda: received(session, "A-1", "9000"),
        ):
            with pytest.raises(InputError, match="A-1 is withdrawn"):
                act()


@pytest.mark.full
def test_a_load_that_came_back_frees_its_guarantee_and_is_not_missed(both, ann, scenario):
    with both.write(ann) as session:
        a_load_under_way(session, "W-1", "10000", to="NORFOLK", frm="VEJKALNA", liquid="VK-DRY",
                         lane="riga-norfolk")  # fmt: skip
        take_back(session, "W-1", date(2027, 1, 11), "refused at the port")
        (found,) = movements(session, scenario)
        assert found.taken_back_on == date(2027, 1, 11)
        assert overdue([found], scenario, date(2027, 3, 1)) == []
        (use,) = uses_of([found], scenario)
        assert (use.last_day, use.released_by) == (date(2027, 1, 11), "taken back")
        # its lots are not known: it is stock of the site that sent it
        assert read_ledger(session).balances()["VEJKALNA", "VK-DRY"] == D(10000)
        assert disagreements(session) == []
