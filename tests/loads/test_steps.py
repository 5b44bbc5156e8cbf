"""Loads on the register: descriptions, legal steps only, what leaves the lots, what is refused."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from bulkflow.errors import InputError
from bulkflow.loads.acts import change_load, divert, seal_anew
from bulkflow.loads.arrival import arrival_sheet
from bulkflow.loads.arrival_text import arrival_lines
from bulkflow.loads.bodies import LoadState, LotShare, Sealing
from bulkflow.loads.gates import GateClosedError, LoadGateKind, load_gates
from bulkflow.loads.opening import loads_for_plan
from bulkflow.loads.queries import LoadFilter, find_load, loads_in, reserved_lpa, seals_on, steps_of
from bulkflow.loads.sheet import load_sheet
from bulkflow.loads.steps import FIRST_STATES, NEXT_STATES
from bulkflow.loads.tables import LOADS
from bulkflow.lots.account import account_of
from bulkflow.lots.acts import lift_hold, place_holds
from bulkflow.lots.queries import find_lot, list_lots
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, settings_for, verify
from bulkflow.records.actors import Appointment, Role
from bulkflow.records.errors import RecordsError, RefusedError
from bulkflow.records.store import change_role
from tests.loads.making import LOADING, a_load, a_part, accept, record, step
from tests.lots.making import panel

DAY = timedelta(days=1)
JOURNEY = ("issued", "loaded", "departed", "arrived", "discharged", "reconciled")


@pytest.mark.full
def test_a_load_goes_its_way_and_takes_its_liquid_with_it(store, ann, scenario) -> None:
    with store.write(ann) as session:
        before = find_lot(session, "VK-DRY-2641").lpa_left
        record(session)
        step(session, scenario, "promised", on=date(2027, 1, 5))
        accept(session)
        for state in JOURNEY:
            reference = "24LV0000000000000017A" if state == "issued" else None
            step(session, scenario, state, movement_reference=reference)
            drawn = before - find_lot(session, "VK-DRY-2641").lpa_left
            assert drawn == (Decimal(0) if state == "issued" else Decimal("17900.000"))
        found = find_load(session, "A-1")
        assert found.state is LoadState.RECONCILED
        assert found.movement_reference == "24LV0000000000000017A"
        assert found.tank_number == "BKFU 204118 7"
        assert [one.step.state.value for one in steps_of(session, "A-1")] == [
            "planned",
            "promised",
            *JOURNEY,
        ]
        entries = account_of(session, "VK-DRY-2641").entries
        assert [(one.what, one.lpa) for one in entries[1:]] == [
            ("into load A-1", Decimal("-17900.000"))
        ]
    with store.read() as session:
        assert verify(session, store.kinds).broken is None


def test_what_was_really_drawn_counts(store, ann, scenario) -> None:
    parts = (a_part([("VK-DRY-2641", 9000, "80.02"), ("VK-DRY-2642", 8900, "79.95")]),)
    with store.write(ann) as session:
        record(session, a_load(parts=parts))
        accept(session)
        step(session, scenario, "issued")
        assert reserved_lpa(session) == {"VK-DRY-2641": 9000, "VK-DRY-2642": 8900}
        assert reserved_lpa(session, besides=["A-1"]) == {}
        with pytest.raises(InputError, match="VK-DRY-2641, VK-DRY-2642"):
            step(session, scenario, "loaded", shares={"VK-DRY-2641": Decimal(9000)})
        really = {"VK-DRY-2641": Decimal("9011.25"), "VK-DRY-2642": Decimal("8895.5")}
        step(session, scenario, "loaded", shares=really)
        found = find_load(session, "A-1")
        assert found.lpa == Decimal("17906.750")
        assert {share.lot_id: share.lpa for share in found.shares} == really
        left = find_lot(session, "VK-DRY-2642")
        assert left.lpa - left.lpa_left == Decimal("8895.500")
        assert reserved_lpa(session) == {}


def test_states_in_which_no_load_begins(store, ann) -> None:
    with store.write(ann) as session:
        for state in sorted(set(LoadState) - FIRST_STATES):
            with pytest.raises(InputError, match=f"begin as {state.value}"):
                record(session, state=state)


@pytest.mark.full
def test_only_legal_steps(store, ann, scenario) -> None:
    tried = 0
    for state in sorted(FIRST_STATES):
        for then in sorted(LoadState):
            with store.write(ann, keep=False) as session:
                record(session, state=state)
                if state is not LoadState.DEPARTED:
                    accept(session)
                tried += 1
                if then in NEXT_STATES[state]:
                    step(session, scenario, then, reason="asked for")
                    assert find_load(session, "A-1").state is then
                    continue
                words = f"is {state.value} and cannot become {then.value}"
                with pytest.raises(InputError, match=words):
                    step(session, scenario, then, reason="asked for")
                assert find_load(session, "A-1").state is state
    assert tried == len(FIRST_STATES) * len(LoadState)


@pytest.mark.full
@given(data=st.data())
def test_any_walk_of_steps_follows_the_table(begun, data) -> None:
    """Whatever is tried in whatever order, the states recorded are a path of the table."""
    from bulkflow.scenario.reader import read_workspace

    scenario, ann = read_workspace(begun).scenario, Actor("Ann", "ann")
    with (
        open_register(settings_for(begun), LOADS) as store,
        store.write(ann, keep=False) as session,
    ):
        record(session)
        accept(session)
        for then in data.draw(st.lists(st.sampled_from(sorted(LoadState)), max_size=12)):
            try:
                step(session, scenario, then, reason="tried")
            except InputError:
                continue
        path = [one.step.state for one in steps_of(session, "A-1")]
        assert all(b in NEXT_STATES[a] for a, b in pairwise(path))
        left = find_lot(session, "VK-DRY-2641")
        assert (left.lpa - left.lpa_left > 0) == (LoadState.LOADED in path)


def test_a_closed_gate_of_any_lot_refuses_and_is_named(store, ann, scenario) -> None:
    with store.write(ann) as session:
        record(session)
        accept(session)
        place_holds(session, ["VK-DRY-2641"], "a phone call from the bottler")
        with pytest.raises(GateClosedError) as refused:
            step(session, scenario, "issued")
        assert [(one.kind.value, one.subject) for one in refused.value.closed] == [
            ("hold", "VK-DRY-2641")
        ]
        assert "a phone call from the bottler" in str(refused.value)
        lift_hold(session, "VK-DRY-2641", "a wrong number")
        step(session, scenario, "issued")
        place_holds(session, ["VK-DRY-2641"], "again")
        with pytest.raises(GateClosedError, match="may not be loaded"):
            step(session, scenario, "loaded")
        lift_hold(session, "VK-DRY-2641", "settled")
        step(session, scenario, "loaded")
        place_holds(session, ["VK-DRY-2641"], "and again")
        with pytest.raises(GateClosedError, match="may not be departed"):
            step(session, scenario, "departed")


def test_lots_that_are_not_there_yet_close_the_contents(store, ann, scenario) -> None:
    waiting = LotShare(
        lot_id="VK-DRY to come", lpa=Decimal(17900), strength_percent=Decimal(80), to_come=True
    )
    with store.write(ann) as session:
        record(session, a_load(parts=(a_part([waiting]),)))
        accept(session)
        with pytest.raises(GateClosedError, match="VK-DRY to come, which is no lot"):
            step(session, scenario, "issued")


def test_more_than_the_lot_holds_or_the_tank_takes(store, ann, scenario) -> None:
    with store.write(ann) as session:
        record(session, a_load(parts=(a_part([("VK-DRY-2641", 36970, "80.02")]),)))
        accept(session)
        with pytest.raises(GateClosedError) as refused:
            step(session, scenario, "issued")
    closed = {one.kind.value: one.reason for one in refused.value.closed}
    assert set(closed) == {"amount", "fill"}
    assert closed["amount"] == "36970.000 LPA of 36969.240 LPA left"


def test_a_promise_to_a_market_that_bars_the_lot(store, ann, scenario) -> None:
    barred = scenario.model_copy(
        update={
            "markets": tuple(
                one.model_copy(update={"barred_suppliers": ("OSTRAVELE",)})
                if one.id == "US"
                else one
                for one in scenario.markets
            )
        }
    )
    with store.write(ann) as session:
        record(session)
        accept(session)
        with pytest.raises(GateClosedError, match="US may not have it"):
            step(session, barred, "issued")


def test_a_lot_past_its_shelf_life(store, ann, scenario) -> None:
    old = a_load(
        parts=(a_part([("VK-CIT-2641", 17500, "79.03")], liquid="VK-CIT"),),
        usable_day=date(2027, 8, 29),
    )
    with store.write(ann) as session:
        record(session, old)
        accept(session)
        with pytest.raises(GateClosedError, match="good until 2027-08-28"):
            step(session, scenario, "issued")


def test_changing_and_listing(store, ann, scenario) -> None:
    with store.write(ann) as session:
        record(session)
        record(session, a_load("B-2", loading_day=date(2027, 1, 12), lane_id="riga-santos",
                               destination="SANTOS", market="BR"))  # fmt: skip
        change_load(session, a_load(parts=(a_part([("VK-DRY-2642", 17000, "79.95")]),)))
        assert [one.load_id for one in loads_in(session)] == ["A-1", "B-2"]
        assert [one.load_id for one in loads_in(session, LoadFilter(lot_id="VK-DRY-2641"))] == [
            "B-2"
        ]
        assert [one.load_id for one in loads_in(session, LoadFilter(destination="SANTOS"))] == [
            "B-2"
        ]
        late = LoadFilter(loading_from=date(2027, 1, 12))
        assert [one.load_id for one in loads_in(session, late)] == ["B-2"]
        held = LoadFilter(states=frozenset({LoadState.HELD}))
        assert loads_in(session, held) == []
        step(session, scenario, "held", reason="strike in the port", earliest_day=date(2027, 1, 20))
        assert [one.load_id for one in loads_in(session, held)] == ["A-1"]
        assert find_load(session, "A-1").last.step.earliest_day == date(2027, 1, 20)
        with pytest.raises(InputError, match="Did you mean A-1"):
            find_load(session, "A-11")
        with pytest.raises(InputError, match="in the register already"):
            record(session)


def test_a_step_needs_its_reason_and_its_day(store, ann, scenario) -> None:
    with store.write(ann) as session:
        record(session)
        with pytest.raises(InputError, match="reason is missing"):
            step(session, scenario, "held")
        with pytest.raises(InputError, match="before A-1 was planned"):
            step(session, scenario, "promised", on=date(2026, 12, 1))
        with pytest.raises(ValueError, match="workspace at hand"):
            step(session, None, "issued")


def test_a_clerk_may_load_but_not_issue(store, ann, scenario) -> None:
    bo = Actor("Bo", "bo")
    with store.write(ann) as session:
        record(session)
        accept(session)
        for person, role in (("Ann", Role.OWNER), ("Bo", Role.CLERK)):
            change_role(
                session, Appointment(person=person, role=role, action="appoint", reason="start")
            )
    with pytest.raises(RefusedError), store.write(bo) as session:
        step(session, scenario, "issued")
    with store.write(ann) as session:
        step(session, scenario, "issued")
    with store.write(bo) as session:
        step(session, scenario, "loaded", on=LOADING)
        assert find_load(session, "A-1").state is LoadState.LOADED


def test_the_age_of_a_cleaning_counts_to_the_filling(store, ann, scenario) -> None:
    with store.write(ann) as session:
        record(session)
        accept(session, cleaned_on=date(2027, 1, 4))
        step(session, scenario, "issued")
        with pytest.raises(GateClosedError, match="8 days on 2027-01-12, at most 7"):
            step(session, scenario, "loaded", on=date(2027, 1, 12))
        step(session, scenario, "loaded", on=LOADING)
        step(session, scenario, "departed", on=date(2027, 1, 15))
        assert find_load(session, "A-1").state is LoadState.DEPARTED


def test_loads_on_either_database(database_url, ann) -> None:
    """The tables, the filters by state and lot, and the chain, on both engines."""
    from tests.lots.making import a_rule, add, panel

    with open_register(settings_for(".", database_url), LOADS) as store:
        with store.write(ann) as session:
            add(session, "D-1", 40000, 80)
            a_rule(session)
            panel(session, "D-1")
            record(session, a_load(parts=(a_part([("D-1", 17900, "80")], "dry"),)))
            record(session, a_load("B-2", parts=(a_part([("D-1", "900.5", "80")], "dry"),)), "held")
            accept(session)
        with store.read() as session:
            held = LoadFilter(states=frozenset({LoadState.HELD}), lot_id="D-1")
            assert [one.load_id for one in loads_in(session, held)] == ["B-2"]
            found = find_load(session, "A-1")
            assert found.lpa == Decimal("17900.000")
            assert found.tank_number == "BKFU 204118 7"
            assert verify(session, store.kinds).broken is None
            assert reserved_lpa(session) == {}


def edited(session, sql):
    """Change tables as someone could who has the file, with the guards switched off."""
    guards = text("SELECT name FROM sqlite_master WHERE type = 'trigger'")
    for name in session.scalars(guards).all():
        session.execute(text(f"DROP TRIGGER {name}"))
    assert session.execute(text(sql)).rowcount == 1


@pytest.mark.full
@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM lot_hold WHERE lot_id = 'VK-DRY-2641'",
        "UPDATE lot_hold SET lot_id = 'VK-DRY-2642' WHERE lot_id = 'VK-DRY-2641'",
        "UPDATE decision SET outcome = 'hold' WHERE lot_id = 'VK-DRY-2641'",
        "UPDATE record SET supersedes = (SELECT seq FROM lot_hold WHERE lot_id = 'VK-DRY-2641')"
        " WHERE seq = (SELECT max(seq) FROM record)",
        "UPDATE record SET body = replace(body, 'taint', 'saint') WHERE body LIKE '%taint%'",
        "INSERT INTO gate_override (seq, place, lot_id, gate) SELECT max(seq), 0, 'VK-DRY-2641',"
        " 'decision' FROM record",
    ],
)
def test_an_edited_table_opens_no_gate(store, ann, scenario, sql) -> None:
    """What a sheet and a dispatch rest on is verified before they are made (L15)."""
    with store.write(ann, keep=False) as session:
        record(session)
        accept(session)
        place_holds(session, ["VK-DRY-2641"], "taint")
        place_holds(session, ["VK-NAVY-2641"], "of another lot, not looked at")
        with pytest.raises(GateClosedError):
            load_sheet(session, scenario, "A-1")
        edited(session, sql)
        with pytest.raises(RecordsError, match="load sheet of A-1 is refused"):
            load_sheet(session, scenario, "A-1")
        with pytest.raises(RecordsError, match="issued of A-1 is refused"):
            step(session, scenario, "issued")
        with pytest.raises(RecordsError, match="decision on VK-DRY-2641 is refused"):
            panel(session, "VK-DRY-2641")


def test_verifying_what_a_sheet_rests_on_leaves_other_lots_alone(store, ann, scenario) -> None:
    with store.write(ann, keep=False) as session:
        record(session)
        accept(session)
        place_holds(session, ["VK-NAVY-2641"], "of another lot")
        edited(session, "DELETE FROM lot_hold WHERE lot_id = 'VK-NAVY-2641'")
        assert load_sheet(session, scenario, "A-1").load.load_id == "A-1"


def test_a_load_on_its_way_goes_to_another_receiver(store, ann, scenario) -> None:
    with store.write(ann, keep=False) as session:
        record(session)
        with pytest.raises(InputError, match="Only a load with liquid in its tank is diverted"):
            divert(session, "A-1", "riga-santos", scenario, arrives=LOADING, reason="refused")
        accept(session)
        for state in ("issued", "loaded", "departed"):
            step(session, scenario, state)
        day = date(2027, 2, 14)
        with pytest.raises(InputError, match="no other lane of VEJKALNA for what it carries"):
            divert(session, "A-1", "graz-by-road", scenario, arrives=day, reason="refused")
        with pytest.raises(InputError, match="before A-1 left"):
            divert(session, "A-1", "riga-santos", scenario, arrives=LOADING - DAY, reason="refused")
        divert(session, "A-1", "riga-santos", scenario, arrives=day, reason="refused")
        found = find_load(session, "A-1")
        assert (found.lane_id, found.destination, found.arrival_day) == (
            "riga-santos", "SANTOS", day
        )  # fmt: skip
        assert found.shares[0].lot_id == "VK-DRY-2641"
        # the next plan awaits it there
        row = next(x for x in loads_for_plan(session, scenario).rows if x.load_id == "A-1")
        assert (row.lane, row.usable_on) == ("riga-santos", found.usable_day)


def test_a_load_sealed_anew_shows_the_seals_that_are_on_it(store, ann, scenario):
    with store.write(ann) as session:
        record(session)
        accept(session)
        with pytest.raises(InputError, match=r"is planned\. Only a load with liquid"):
            seal_anew(session, a_sealing("Z-9"))
        step(session, scenario, "issued")
        step(session, scenario, "loaded", seals=("Z-1", "Z-2"))
        step(session, scenario, "departed", on=date(2027, 1, 15), seals=("Z-3",))
        with pytest.raises(
            InputError, match=r"is Z-8, which is not on it\. On A-1 are Z-1, Z-2, Z-3"
        ):
            seal_anew(session, a_sealing("Z-9", broken=("Z-8",)))
        with pytest.raises(InputError, match="seal is Z-2, which is on it already"):
            seal_anew(session, a_sealing("Z-2"))
        with pytest.raises(InputError, match="on is 2027-01-14, before A-1 was departed"):
            seal_anew(session, a_sealing("Z-9", on=date(2027, 1, 14)))
        seal_anew(session, a_sealing("Z-9", broken=("Z-2",)))
        assert seals_on(session, "A-1") == ("Z-1", "Z-3", "Z-9")
        said = "\n".join(str(one) for one in arrival_lines(arrival_sheet(session, scenario, "A-1")))
    assert "Seals: Z-1, Z-3, Z-9." in said
    assert "Sealed anew 2027-01-20: Z-9 for Z-2 (opened by customs)." in said


def a_sealing(*seals, on=date(2027, 1, 20), broken=()):
    return Sealing(load_id="A-1", on=on, seals=seals, broken=broken, reason="opened by customs")


def test_a_held_lot_in_the_tank_drawn_from_is_told_before_loading(store, ann, scenario):
    with store.write(ann) as session:
        record(session)
        tank = find_lot(session, "VK-DRY-2641").tank_id
        mate = next(one for one in list_lots(session)
                    if one.tank_id == tank and one.lot_id != "VK-DRY-2641")  # fmt: skip
        place_holds(session, [mate.lot_id], "odd nose")
        gates = load_gates(session, find_load(session, "A-1"), scenario, on=LOADING)
    (told,) = (one for one in gates if one.kind is LoadGateKind.BESIDE)
    assert told.is_open
    assert told.reason.startswith(f"{mate.lot_id} is held and lies in {tank} too")
