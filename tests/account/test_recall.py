"""Recall both ways: everything reached, how much of it, and where the trail ends."""

from decimal import Decimal
from xml.etree import ElementTree

import pytest

from bulkflow.account.acts import enter
from bulkflow.account.recall import (
    NodeKind,
    behind_bottle,
    behind_lot,
    beyond_lot,
    find_bottling,
)
from bulkflow.account.recall_picture import MOST_IN_A_COLUMN, recall_picture
from bulkflow.errors import InputError
from bulkflow.loads.acts import record_loads
from bulkflow.loads.bodies import Load, LoadPart, LoadState, LoadStep, LotShare
from bulkflow.lots.acts import place_holds

from .making import (
    a_load,
    a_load_under_way,
    a_lot,
    an_entry,
    bottled,
    date,
    received,
    release,
)

D = Decimal


@pytest.fixture
def traced(both, ann):
    """Two neutral lots, two distillates, loads to a bottler and over a depot, bottles of each."""
    with both.write(ann) as session:
        a_lot(session, "N-1", "12000", liquid="neutral")
        a_lot(session, "N-2", "12000", liquid="neutral")
        a_lot(session, "D-1", "9000", parents={"N-1": "6000", "N-2": "4000"})
        a_lot(session, "D-2", "5000", parents={"N-2": "6000"})
        release(session, "D-1")
        release(session, "D-2")
        a_load(session, "L-1", {"D-1": "5000", "D-2": "3000"})
        a_load(session, "L-2", {"D-2": "1500"}, to="depot")
        received(session, "L-1", "7960")
        received(session, "L-2", "1490", site="depot", as_lot="DEP-1")
        release(session, "DEP-1")
        codes = [("N7041-0001", "N7041-4000")]
        bottled(session, "B-1", [("load", "L-1", "5000")], bottled="4975.5", codes=codes)
        bottled(session, "B-2", [("lot", "DEP-1", "900")], site="depot")
    return both


def told(found):
    return {one.name: (one.generation, one.share, one.lpa) for one in found.reached}


def test_a_bad_spirit_lot_is_followed_to_the_bottles(traced):
    with traced.read() as session:
        found = beyond_lot(session, "N-2")
    assert told(found) == {
        "N-2": (0, D("1.000000"), D("12000.000")),
        "D-1": (1, D("0.400000"), D("3600.000")),  # 4,000 of the 10,000 drawn
        "D-2": (1, D("1.000000"), D("5000.000")),
        "L-1": (2, D("0.625000"), D("5000.000")),  # 0.4 of 5,000, and all of 3,000
        "L-2": (2, D("1.000000"), D("1500.000")),
        "DEP-1": (3, D("1.000000"), D("1490.000")),
        "B-1": (3, D("0.625000"), D("3125.000")),
        "B-2": (4, D("1.000000"), D("900.000")),
    }
    assert found.sites == ("depot", "north", "still")
    assert found.cases == 200
    (first,) = [one for one in found.reached if one.name == "B-1"]
    assert (first.where, first.codes) == ("north", ("N7041-0001 to N7041-4000",))
    with traced.read() as session:
        other = beyond_lot(session, "N-1")
    assert told(other)["B-1"] == (3, D("0.375000"), D("1875.000"))
    assert "B-2" not in told(other)


def test_a_bottle_is_followed_back(traced):
    with traced.read() as session:
        found = behind_bottle(session, "N7041-0777")
        same = behind_bottle(session, "B-1")
        depot = behind_bottle(session, "B-2")
    assert found == same
    assert told(found) == {
        "B-1": (0, D("1.000000"), D("5000.000")),
        "L-1": (1, D("1.000000"), D("5000.000")),
        "D-1": (2, D("0.625000"), D("3125.000")),
        "D-2": (2, D("0.375000"), D("1875.000")),
        "N-1": (3, D("0.375000"), D("1875.000")),
        "N-2": (3, D("0.625000"), D("3125.000")),
    }
    assert list(told(depot)) == ["B-2", "DEP-1", "L-2", "D-2", "N-2"]
    assert found.remarks == ()


def test_an_entry_of_a_lot_is_no_load_and_its_state_is_told(traced, ann):
    with traced.write(ann) as session:
        enter(
            session, an_entry("-2", "stocktake", site="still", lot_id="D-1", on=date(2027, 1, 25))
        )
        place_holds(session, ["D-1"], "an odd nose")
    with traced.read() as session:
        found = beyond_lot(session, "D-1")
    assert [one.name for one in found.of_kind(NodeKind.LOAD)] == ["L-1"]
    (said,) = found.remarks
    assert said.startswith("D-1 is held: an odd nose (record ")


def test_what_lies_behind_a_lot(traced):
    with traced.read() as session:
        found = behind_lot(session, "DEP-1")
    assert told(found)["N-2"] == (3, D("1.000000"), D("1490.000"))


@pytest.mark.parametrize("code", ["N7041-0000", "N7041-4001", "N7041-777", "", "=1+1"])
def test_a_code_outside_every_range_is_told(traced, code):
    with traced.read() as session, pytest.raises(InputError, match="is not in the register"):
        find_bottling(session, code)


def test_a_code_on_two_lots_of_bottles_is_told(traced, ann):
    with traced.write(ann) as session:
        codes = [("N7041-3999", "N7041-5000")]
        bottled(session, "B-3", [("load", "L-1", "100")], codes=codes)
    with traced.read() as session, pytest.raises(InputError, match="on bottles of B-1, B-3"):
        find_bottling(session, "N7041-4000")


def test_where_the_trail_ends_is_said(store, ann):
    with store.write(ann) as session:
        from bulkflow.account.acts import enter

        enter(session, an_entry("300"))
        a_load_under_way(session, "W-1", "700")
        received(session, "W-1", "700")
        bottled(session, "B-1", [("load", "W-1", "600"), ("stock", "dry", "200")])
    with store.read() as session:
        found = behind_bottle(session, "B-1")
    # One tank: 800 of 1,000 LPA, of which 700 came with the load, under whatever name.
    assert told(found)["W-1"] == (1, D("0.700000"), D("560.000"))
    (load,) = [one for one in found.reached if one.name == "W-1"]
    assert (load.least, load.most) == (D("500.000"), D("700.000"))
    assert found.remarks == (
        "200.000 LPA of dry came from stock at north not kept by lot: the register does not know"
        " what lies behind it.",
        "Load W-1 was under way when the register began: its lots are not known.",
    )


def test_planned_loads_are_reached_and_count_no_liquid(store, ann):
    with store.write(ann) as session:
        a_lot(session, "D-1", "9000")
        share = LotShare(lot_id="D-1", lpa=D(5000), strength_percent=D(50))
        part = LoadPart(
            liquid_id="dry", lpa=D(5000), strength_percent=D(50), litres_20c=D(10000),
            shares=(share,),
        )  # fmt: skip
        days = dict.fromkeys(
            ("loading_day", "leaving_day", "arrival_day", "discharge_day", "usable_day"),
            date(2027, 2, 1),
        )
        load = Load(
            load_id="P-1", lane_id="lane", origin="still", destination="north", tank_type="T",
            parts=(part,), **days,
        )  # fmt: skip
        step = LoadStep(load_id="P-1", state=LoadState.PROMISED, on=date(2027, 1, 5))
        record_loads(session, [(load, step)])
    with store.read() as session:
        found = beyond_lot(session, "D-1")
    (reached,) = found.of_kind(NodeKind.LOAD)
    assert (reached.name, reached.share, reached.lpa) == ("P-1", None, None)
    assert (reached.where, reached.state) == ("north", "promised")
    assert [link.planned for link in found.links] == [True]


@pytest.mark.full
def test_the_picture_is_one_whole_svg(traced):
    with traced.read() as session:
        found = beyond_lot(session, "N-2")
    text = recall_picture(found)
    root = ElementTree.fromstring(text)
    words = " ".join(root.itertext())
    assert root.tag.endswith("svg")
    for one in found.reached:
        assert one.name in words
    assert "4 lots, 2 loads, 2 lots of bottles" in words
    assert "http://" not in text.replace("http://www.w3.org/", "")


def test_a_wide_picture_says_what_it_leaves_out(store, ann):
    more = MOST_IN_A_COLUMN + 3
    with store.write(ann) as session:
        a_lot(session, "N-1", "90000", liquid="neutral")
        for number in range(more):
            a_lot(session, f"D-{number:02d}", "900", parents={"N-1": "1000"})
    with store.read() as session:
        found = beyond_lot(session, "N-1")
    assert len(found.reached) == more + 1
    text = recall_picture(found)
    assert "3 of them are not drawn: the list has all." in text
    assert text.count("100.0 % at still") == MOST_IN_A_COLUMN
