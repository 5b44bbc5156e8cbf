"""From a plan to loads on the register, again and again, and back into the next plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from bulkflow.errors import InputError
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.gates import GateClosedError, LoadGateKind, load_gates
from bulkflow.loads.naming import named_as_known, names_of
from bulkflow.loads.opening import loads_for_plan
from bulkflow.loads.proposing import keep, propose
from bulkflow.loads.queries import find_load, loads_in, steps_of
from bulkflow.lots.acts import place_holds
from bulkflow.lots.queries import find_lot
from bulkflow.plan.precheck import findings
from bulkflow.program.answer import LoadKind
from bulkflow.records.chain import head
from bulkflow.scenario.model import Fleet
from bulkflow.scenario.model import LoadState as RowState
from tests.loads.making import a_load, a_part, accept, record, step
from tests.loads.plans import LOADS, norfolk, part, planned, small_plan
from tests.lots.making import a_rule, add, panel

ON = date(2027, 1, 4)


@pytest.fixture
def session(store, ann):
    with store.write(ann, keep=False) as opened:
        yield opened


def kept(session, scenario, plan=None):
    found = propose(session, scenario, plan or small_plan(scenario))
    keep(session, found, on=ON)
    return found


def lots_of(session, name):
    return {share.lot_id: share.lpa for share in find_load(session, name).shares}


def test_a_plan_becomes_loads_filled_from_lots(session, scenario) -> None:
    found = kept(session, scenario)
    assert found.gaps == ()
    states = {one.load_id: one.state.value for one in loads_in(session)}
    assert states == {
        "W-101": "departed",
        "riga-norfolk-270104-1": "planned",
        "riga-norfolk-270104-2": "planned",
        "F-202": "promised",
        "P-201": "promised",
        "graz-by-road-270118-1": "planned",
        "riga-norfolk-270118-1": "held",
        "riga-norfolk-270125-1": "held",
        "riga-norfolk-270201-1": "planned",
    }
    # the oldest lot first; the tank takes a little less LPA of a lot a little weaker
    assert set(lots_of(session, "riga-norfolk-270104-1")) <= {"VK-DRY-2641", "VK-DRY-2642"}
    assert lots_of(session, "F-202").keys() <= {"VK-DRY-2641", "VK-DRY-2642"}
    assert lots_of(session, "W-101") == {}


def test_lpa_are_conserved_from_lots_to_loads(session, scenario) -> None:
    found = kept(session, scenario)
    drawn: dict[str, Decimal] = {}
    for load in loads_in(session):
        for one in load.parts:
            assert not one.shares or sum(s.lpa for s in one.shares) == one.lpa
        for name, lpa in ((s.lot_id, s.lpa) for s in load.shares):
            drawn[name] = drawn.get(name, Decimal(0)) + lpa
    for name, left in found.left.items():
        assert left == find_lot(session, name).lpa_left - drawn.get(name, Decimal(0))
        assert left >= 0


def test_every_filled_load_keeps_to_its_tank(session, scenario) -> None:
    """At the least and the most that the plan may ask, with lots off their nominal strength."""
    edge = [
        planned("a", "graz-by-road", "GRAZ", "2027-01-04",
                [part("VK-DRY", 5788.4891, capacity=9000.0),  # 80 % of 9,000 L, nominal strength
                 part("VK-NAVY", 5933.5293, capacity=9000.0)], tank_type="ROAD-3C", days=4),
        planned("b", "riga-norfolk", "NORFOLK", "2027-01-04", [part("VK-CIT", 17826.4123)]),
        planned("c", "riga-norfolk", "NORFOLK", "2027-01-04", [part("VK-DRY", 15360.0)]),
    ]  # fmt: skip
    kept(session, scenario, small_plan(scenario, edge, []))
    loads = [one for one in loads_in(session) if one.state is LoadState.PLANNED]
    assert len(loads) == 3
    for load in loads:
        gates = load_gates(session, load, scenario, on=load.loading_day)
        closed = [one for one in gates if not one.is_open and one.kind is not LoadGateKind.TANK]
        assert closed == []


def test_what_cannot_be_filled_is_held_with_the_reason_and_the_day(session, scenario) -> None:
    kept(session, scenario)
    doubtful = find_load(session, "riga-norfolk-270125-1").last.step
    assert doubtful.reason is not None
    assert doubtful.reason.startswith("counts on VK-DRY-2643, which is not released")
    assert doubtful.earliest_day == date(2027, 1, 8)
    short = find_load(session, "riga-norfolk-270118-1").last.step
    assert short.reason is not None
    assert "17,826 LPA of VK-CIT are asked at VEJKALNA for 2027-01-18" in short.reason
    assert "VK-CIT-2642 (30,715 LPA) may not be loaded" in short.reason
    # with the vatting released on 25 January there is enough
    assert short.earliest_day == date(2027, 1, 25)
    later = find_load(session, "riga-norfolk-270201-1")
    assert [(s.to_come, s.expected_on) for s in later.shares] == [(True, date(2027, 2, 1))]


def test_a_promise_held_stays_a_promise(session, scenario) -> None:
    place_holds(session, ["VK-DRY-2641", "VK-DRY-2642"], "taint")
    kept(session, scenario)
    assert [one.step.state.value for one in steps_of(session, "P-201")] == ["promised", "held"]


@pytest.mark.full
def test_the_same_plan_again_changes_nothing(session, scenario) -> None:
    kept(session, scenario)
    before = head(session)
    again = kept(session, scenario)
    assert [one.load.load_id for one in again.loads if one.changes] == []
    assert again.withdrawn == ()
    assert head(session) == before


@pytest.mark.full
def test_a_new_plan_takes_back_what_it_has_no_more(session, scenario) -> None:
    kept(session, scenario)
    fewer = [one for one in LOADS if one.load_id not in ("riga-norfolk-270104-2", "F-202")]
    found = kept(session, scenario, small_plan(scenario, fewer))
    assert [one.load_id for one in found.withdrawn] == ["riga-norfolk-270104-2"]
    assert find_load(session, "riga-norfolk-270104-2").state is LoadState.WITHDRAWN
    # a promise is not taken back by a plan
    assert find_load(session, "F-202").state is LoadState.PROMISED
    assert any("F-202 is promised but not in this plan" in one for one in found.remarks)
    # and a load of that lane and day that comes back gets a new name
    kept(session, scenario)
    assert find_load(session, "riga-norfolk-270104-3").state is LoadState.PLANNED


@pytest.mark.full
def test_a_load_has_one_name_in_every_later_plan(session, scenario) -> None:
    """Whatever numbers a later search gives alike loads, each keeps the name the register has."""
    kept(session, scenario)
    one, two = "riga-norfolk-270104-1", "riga-norfolk-270104-2"
    liquids = {name: find_load(session, name).parts[0].liquid_id for name in (one, two)}
    changed = [
        replace(load, load_id={one: two, two: one}.get(load.load_id, load.load_id))
        for load in LOADS
    ]
    new = norfolk(two.replace("-2", "-3"), "2027-01-04", "VK-NAVY", 18048.9)
    known = {load.load_id: load for load in loads_in(session)}
    plan = named_as_known(small_plan(scenario, [*changed, new], []), known)
    assert len({load.load_id for load in plan.loads}) == len(LOADS) + 1
    for load in plan.loads:
        if load.load_id in liquids:
            assert load.parts[0].liquid == liquids[load.load_id]
    proposal = propose(session, scenario, plan)
    assert all(plan_name == name for plan_name, name in proposal.names.items())
    # what was taken back never lends its name to another load
    kept(session, scenario, small_plan(scenario, [one for one in LOADS if one.load_id != two], []))
    known = {load.load_id: load for load in loads_in(session)}
    names = names_of(LOADS, known)
    assert names[two] == "riga-norfolk-270104-3"
    assert names[one] == one


@pytest.mark.full
def test_issued_loads_keep_their_lots(session, scenario) -> None:
    kept(session, scenario)
    name = "riga-norfolk-270104-1"
    mine = lots_of(session, name)
    accept(session, name, cleaned_on=date(2027, 1, 3), examined_on=ON)
    step(session, scenario, "issued", name, on=ON)
    rows = {row.load_id: row for row in loads_for_plan(session, scenario).rows}
    assert rows[name].state is RowState.FROZEN
    frozen = replace(LOADS[0], load_id=name, kind=LoadKind.FROZEN)
    found = kept(session, scenario, small_plan(scenario, [frozen, *LOADS[1:]]))
    assert name in found.untouched
    assert lots_of(session, name) == mine
    taken = sum(lpa for lot, lpa in mine.items() if lot == "VK-DRY-2641")
    others = [
        s.lpa
        for load in loads_in(session)
        if load.load_id != name
        for s in load.shares
        if s.lot_id == "VK-DRY-2641"
    ]
    assert sum(others) + taken <= Decimal("36969.240")


@pytest.mark.full
def test_a_failed_lot_moves_the_loads_that_counted_on_it(session, scenario) -> None:
    kept(session, scenario)
    place_holds(session, ["VK-DRY-2641"], "taint found on a second nosing")
    found = kept(session, scenario)
    assert all("VK-DRY-2641" not in lots_of(session, one.load.load_id) for one in found.loads)
    assert any("taint found" in one.reason for one in found.loads)


@pytest.mark.full
def test_an_issued_load_overtaken_by_a_closed_lot_is_told(session, scenario) -> None:
    kept(session, scenario)
    name = "riga-norfolk-270104-2"
    accept(session, name, cleaned_on=date(2027, 1, 3), examined_on=ON)
    step(session, scenario, "issued", name, on=ON)
    place_holds(session, ["VK-CIT-2641"], "odd smell")
    found = kept(session, scenario)
    words = f"Load {name} is issued, but VK-CIT-2641 is held: hold it, and allocate again."
    assert words in found.remarks


def test_a_load_in_doubt_may_go_once_its_lot_is_released(session, scenario) -> None:
    kept(session, scenario)
    name = "riga-norfolk-270125-1"
    day = date(2027, 1, 25)
    accept(session, name, cleaned_on=date(2027, 1, 24), examined_on=day)
    with pytest.raises(GateClosedError, match="decision of VK-DRY-2643"):
        step(session, scenario, "issued", name, on=day)
    a_rule(session, liquid="VK-DRY")
    panel(session, "VK-DRY-2643")
    step(session, scenario, "issued", name, on=day)
    assert find_load(session, name).state is LoadState.ISSUED


def test_the_register_having_gone_on_is_remarked(session, scenario) -> None:
    was = str(head(session))
    place_holds(session, ["VK-NAVY-2641"], "asked for")
    found = propose(session, scenario, small_plan(scenario), chain_head=was)
    assert found.remarks[0].startswith("The register has 1 records more")


def test_a_store_is_filled_and_emptied(session, scenario) -> None:
    shuttle = planned(
        "port-shuttle-270111-1",
        "port-shuttle",
        "VENTSPILS",
        "2027-01-11",
        [part("VK-DRY", 18000.0, capacity=30000.0)],
        tank_type="ROAD-30",
        days=0,
    )
    onward = planned("ventspils-yokohama-270126-1", "ventspils-yokohama", "YOKOHAMA",
                     "2027-01-26", [part("VK-DRY", 17700.0)], origin="VENTSPILS")  # fmt: skip
    kept(session, scenario, small_plan(scenario, [shuttle, onward], []))
    drawn = lots_of(session, "ventspils-yokohama-270126-1")
    assert sum(drawn.values()) == Decimal("17700.000")
    assert set(drawn) <= {
        "arrival of port-shuttle-270111-1 VK-DRY",
        "stock of VK-DRY at VENTSPILS (not kept by lot)",
    }


def test_a_load_that_carries_nothing_is_no_load(session, scenario) -> None:
    empty = planned("e", "riga-norfolk", "NORFOLK", "2027-01-04", [part("VK-DRY", 0.0, 1.0)])
    found = kept(session, scenario, small_plan(scenario, [*LOADS, empty]))
    assert len(found.loads) == len(LOADS)


def test_loads_under_way_keep_their_supplier(session, scenario) -> None:
    kept(session, scenario)
    assert loads_for_plan(session, scenario).rows[0].supplier == "OSTRAVELE"
    assert find_load(session, "W-101").parts[0].supplier_id == "OSTRAVELE"


def test_until_a_day(session, scenario) -> None:
    found = propose(session, scenario, small_plan(scenario), until=date(2027, 1, 10))
    assert max(one.load.loading_day for one in found.loads) == date(2027, 1, 8)


# --- the next plan's opening position -----------------------------------------------------------


def rows_of(session, scenario):
    found = loads_for_plan(session, scenario)
    return {row.load_id: row for row in found.rows}, found


def test_every_state_as_the_next_plan_takes_it(session, scenario) -> None:
    day = date(2027, 1, 4)
    record(session, a_load("P"), "promised", day)
    record(session, a_load("H"), "held", day)
    record(session, a_load("D", a_parts(), loading_day=date(2026, 12, 28),
                           leaving_day=date(2026, 12, 30)), "departed", day)  # fmt: skip
    record(session, a_load("Q"), "planned", day)
    rows, found = rows_of(session, scenario)
    assert (rows["P"].state, rows["P"].lpa) == (RowState.FROZEN, 17900.0)
    assert rows["P"].departs_on == date(2027, 1, 11)
    assert rows["P"].supplier == "OSTRAVELE"
    assert "H" not in rows
    assert "Q" not in rows
    assert (rows["D"].state, rows["D"].departs_on) == (RowState.UNDER_WAY, date(2026, 12, 30))
    assert "Load H is left to the plan: it was not promised." in found.said
    # the workspace's own rows stay, but for those of the same name
    assert rows["W-101"].lpa == 17650.0
    record(session, a_load("W-101"), "departed", date(2026, 12, 14))
    assert rows_of(session, scenario)[0]["W-101"].lpa == 17900.0


def a_parts():
    return (a_part([("VK-DRY-2641", 17900, "80.02")]),)


def test_a_promise_whose_lot_fails_is_promised_but_not_frozen(session, scenario) -> None:
    record(session, a_load("P"), "promised", ON)
    place_holds(session, ["VK-DRY-2641"], "taint")
    rows, found = rows_of(session, scenario)
    assert (rows["P"].state, rows["P"].lpa) == (RowState.PROMISED, None)
    assert found.said == (
        "Load P counts on VK-DRY-2641, which is held; the plan looks for other liquid.",
    )


def test_a_held_promise_waits_for_its_day(session, scenario) -> None:
    record(session, a_load("P"), "promised", ON)
    step(session, scenario, "held", "P", on=ON, reason="lot in doubt",
         earliest_day=date(2027, 1, 20))  # fmt: skip
    rows, _ = rows_of(session, scenario)
    assert (rows["P"].state, rows["P"].departs_on) == (RowState.PROMISED, date(2027, 1, 20))
    step(session, scenario, "held", "P", on=ON, reason="no day known")
    assert "P" not in rows_of(session, scenario)[0]


def test_a_loaded_tank_is_under_way_even_before_it_leaves(session, scenario) -> None:
    record(session)
    accept(session)
    step(session, scenario, "issued")
    step(session, scenario, "loaded")
    rows, _ = rows_of(session, scenario)
    row = rows["A-1"]
    assert (row.state, row.departs_on) == (RowState.UNDER_WAY, date(2027, 1, 3))
    assert row.usable_on == date(2027, 2, 10)
    for state in ("departed", "arrived"):
        step(session, scenario, state)
    step(session, scenario, "discharged", on=date(2027, 2, 12))
    assert rows_of(session, scenario)[0]["A-1"].usable_on == date(2027, 2, 12)


def of_two_liquids():
    parts = (
        a_part([("VK-DRY-2641", "6900", "80.02")], compartments_litres=(Decimal(9000),)),
        a_part([("VK-CIT-2641", "6800", "79.03")], "VK-CIT", compartments_litres=(Decimal(9000),)),
    )
    return a_load("G", parts, lane_id="graz-by-road", destination="GRAZ", market="AT",
                  tank_type="ROAD-3C")  # fmt: skip


def test_several_liquids_are_one_load_in_the_plan(session, scenario) -> None:
    record(session, of_two_liquids(), "promised", ON)
    rows, found = rows_of(session, scenario)
    assert (rows["G"].state, rows["G"].lpa) == (RowState.FROZEN, 6900.0)
    assert (rows["G.2"].state, rows["G.2"].liquid) == (RowState.UNDER_WAY, "VK-CIT")
    assert found.set_aside == {"VK-CIT-2641": Decimal("6800.000")}


@pytest.mark.full
def test_two_liquids_under_way_take_one_tank_of_their_fleet(session, scenario) -> None:
    record(session, of_two_liquids(), "promised", ON)
    assert rows_of(session, scenario)[0]["G.2"].in_tank_of == "G"
    accept(session, "G")
    for state in ("issued", "loaded"):
        step(session, scenario, state, "G")
    rows, _ = rows_of(session, scenario)
    given = [row for row in rows.values() if row.load_id in ("G", "G.2")]
    assert [(row.state, row.in_tank_of) for row in given] == [
        (RowState.UNDER_WAY, None),
        (RowState.UNDER_WAY, "G"),
    ]
    lanes = tuple(
        lane.model_copy(update={"tanks": tuple(
            tank.model_copy(update={"fleet": "ROAD"}) for tank in lane.tanks)})
        if lane.id == "graz-by-road" else lane
        for lane in scenario.lanes
    )  # fmt: skip
    fleets = (*scenario.fleets, Fleet(id="ROAD", tanks=1))
    one_tank = scenario.model_copy(update={"lanes": lanes, "fleets": fleets})

    def too_few(*loads):
        found = findings(one_tank.model_copy(update={"loads": loads}))
        return [str(one) for one in found if "Fleet ROAD has 1 tank," in str(one)]

    assert too_few(given[0], given[1].model_copy(update={"in_tank_of": None}))
    assert not too_few(*given)


def test_rows_of_one_tank_stay_so_once_the_register_has_them(session, scenario) -> None:
    listed = tuple(
        row.model_copy(update={"in_tank_of": "W-102"}) if row.load_id == "W-101" else row
        for row in scenario.loads
    )
    changed = scenario.model_copy(update={"loads": listed})
    kept(session, changed)
    rows, _ = rows_of(session, changed)
    assert rows["W-101"].in_tank_of == "W-102"
    alone = tuple(row for row in listed if row.load_id != "W-102")
    rows, _ = rows_of(session, scenario.model_copy(update={"loads": alone}))
    assert rows["W-101"].in_tank_of is None


def test_a_load_the_workspace_has_no_place_for(session, scenario) -> None:
    record(session, a_load(lane_id="riga-oslo"), "promised", ON)
    with pytest.raises(InputError, match=r"TC-24 on lane riga-oslo, which scenario\.yaml lacks"):
        loads_for_plan(session, scenario)


@pytest.mark.full
def test_lots_the_workspace_has_no_word_for(session, scenario) -> None:
    """A register may hold liquids, restrictions and long names that the workspace does not know."""
    long = "Z" * 79
    add(session, long, 50000, 80, liquid="VK-DRY", site="VEJKALNA",
        restrictions=("organic only",))  # fmt: skip
    add(session, "X-1", 5000, 45, liquid="old moonshine", site="VEJKALNA")
    for liquid in ("VK-DRY", "old moonshine"):
        a_rule(session, liquid=liquid)
    for lot in (long, "X-1"):
        panel(session, lot)
    found = kept(session, scenario)
    assert found.left["X-1"] == Decimal("2250.000")
    record(session, a_load("Y", parts=(a_part([("X-1", 2000, 45)], "old moonshine"),)))
    gates = load_gates(session, find_load(session, "Y"), scenario, on=ON)
    words = [one.reason for one in gates if not one.is_open]
    assert "the workspace has no liquid old moonshine" in words


def test_a_few_litres_hold_no_load(session, scenario) -> None:
    """The plan counts with nominal strength: what a weaker lot lacks is not waited for (L6)."""
    has = find_lot(session, "VK-NAVY-2641").lpa_left
    quarter = float(has) / 4
    asked = [
        planned(f"graz-by-road-270104-{n}", "graz-by-road", "GRAZ", "2027-01-04",
                [part("VK-NAVY", quarter, capacity=9000.0),
                 part("VK-NAVY", quarter + more, capacity=9000.0)], tank_type="ROAD-3C", days=4)
        for n, more in ((1, 0.0), (2, 5.0))
    ]  # fmt: skip
    found = kept(session, scenario, small_plan(scenario, asked, []))
    assert {one.state for one in found.loads} == {LoadState.PLANNED}
    carried = sum(one.load.parts[0].lpa for one in found.loads)
    assert has - Decimal("0.002") <= carried <= has
    # what is more than strengths explain is a shortage: one load is held, with the reason
    asked[1] = replace(asked[1], parts=tuple(replace(x, lpa=x.lpa + 300) for x in asked[1].parts))
    found = propose(session, scenario, small_plan(scenario, asked, []))
    assert [one.state for one in found.loads].count(LoadState.HELD) == 1


def test_liquid_that_is_no_lot_names_the_next_step(session, scenario) -> None:
    onward = planned("ventspils-yokohama-270126-1", "ventspils-yokohama", "YOKOHAMA",
                     "2027-01-26", [part("VK-DRY", 17700.0)], origin="VENTSPILS")  # fmt: skip
    kept(session, scenario, small_plan(scenario, [onward], []))
    load = find_load(session, onward.load_id)
    gate = next(one for one in load_gates(session, load, scenario, on=ON) if not one.is_open)
    assert "bulkflow lots add" in gate.reason
    assert "bulkflow loads allocate" in gate.reason
