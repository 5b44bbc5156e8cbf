"""Origin classes are kept apart only where a market still to be reached bars the difference."""

import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.cumulative import with_cumulative_counts
from bulkflow.core.cuts.stations import find_stations
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.values import spread_network
from bulkflow.plan.checks.position import Position
from bulkflow.program.answer import LoadKind
from bulkflow.program.build import build_program
from bulkflow.program.build_context import BuildContext
from bulkflow.program.classes import ANY, Commodity
from bulkflow.program.solve import make_plan
from bulkflow.program.start import start_solution
from tests.program.builders import (
    ask,
    base,
    contract,
    distilling,
    lane,
    liquid,
    neutral,
    planned,
    scenario,
    site,
    still,
    stock,
    supplier,
    tank,
    week,
)
from tests.program.random_scenarios import random_scenario

BARRED = "not-for:STRICT"
SOURCES = [supplier("FARM", contract("NS", 1.0)), supplier("ISLAND", contract("NS", 1.0))]
MARKETS = [{"id": "STRICT", "barred_suppliers": ["ISLAND"]}, {"id": "FREE"}]


def two_bottlers(**changes):
    """STORE keeps 4,000 from FARM and 3,000 from ISLAND apart, for NORTH is STRICT.

    BOTTLER, for FREE, has one tank and asks for 6,000 in week 3.
    """
    return base(
        **{
            "liquids": [liquid("GIN"), neutral("NS")],
            "markets": MARKETS,
            "suppliers": SOURCES,
            "sites": [
                site("STORE", "depot", [tank("S", 1e5, "GIN"), tank("R", 1e5, "GIN")]),
                site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")], market="FREE"),
                site("NORTH", "bottler", [tank("N", 5e4, "GIN")], market="STRICT"),
            ],
            "lanes": [
                lane("road", "STORE", "BOTTLER", "GIN"),
                lane("north", "STORE", "NORTH", "GIN"),
            ],
            "opening_stock": [
                stock("STORE", "GIN", 4_000.0, supplier="FARM"),
                stock("STORE", "GIN", 3_000.0, supplier="ISLAND"),
            ],
            "demand": [ask(3, 6_000.0), ask(3, 1_000.0, "NORTH")],
        }
        | changes
    )


def classes(plan, where):
    return {row.origin_class for row in plan.stocks if row.site == where}


def gins(data):
    return {one for one in BuildContext.of(scenario(data)).names if one.liquid == "GIN"}


def test_loads_of_two_classes_share_the_tank_of_a_bottler_whose_market_bars_nothing():
    # 3,000 of either class to BOTTLER, a load each, and 1,000 from FARM to NORTH: 300. Kept apart
    # in its only tank, one of the two would have been lost: 30,000.
    plan = planned(two_bottlers())
    assert plan.costs.total == pytest.approx(300.0)
    assert classes(plan, "STORE") == {ANY, BARRED}
    assert classes(plan, "BOTTLER") == classes(plan, "NORTH") == {ANY}
    loaded = {
        (load.lane, part.origin_class): part.lpa for load in plan.loads for part in load.parts
    }
    assert loaded == pytest.approx(
        {("road", ANY): 3_000.0, ("road", BARRED): 3_000.0, ("north", ANY): 1_000.0}
    )
    (served,) = [row.served for row in plan.demand if row.site == "BOTTLER"]
    assert served == ((ANY, pytest.approx(6_000.0)),)


def test_a_strict_demand_at_the_bottler_keeps_them_apart_there():
    # 500 more at BOTTLER are for STRICT. Its only tank holds one class in week 3, when all is
    # asked for: FARM's 4,000 in one load (100) serve 4,000 of the 7,500 here or at NORTH.
    data = two_bottlers()
    data["demand"].append(ask(3, 500.0, market="STRICT"))
    plan = planned(data)
    assert classes(plan, "BOTTLER") == {ANY, BARRED}
    assert plan.costs.total == pytest.approx(35_000.0 + 100.0)


def test_where_nobody_strict_is_left_nothing_is_kept_apart():
    # Without NORTH's demand STORE keeps nothing apart either: its one tank holds all 7,000, and
    # two loads take 6,000.
    data = two_bottlers(demand=[ask(3, 6_000.0)])
    data["sites"][0]["tanks"] = [tank("S", 1e5, "GIN")]
    plan = planned(data)
    assert plan.costs.total == pytest.approx(200.0)
    assert classes(plan, "STORE") == {ANY}
    # Nor does demand after the horizon of four weeks.
    data["demand"].append(ask(5, 1_000.0, "NORTH"))
    assert gins(data) == {Commodity("GIN", ANY)}
    data["demand"].append(ask(4, 1_000.0, "NORTH"))
    assert gins(data) == {Commodity("GIN", ANY), Commodity("GIN", BARRED)}


def test_frozen_loads_and_loads_under_way_join_what_is_there():
    # F takes 1,000 of ISLAND's from STORE in week 1, U brings 800 of ISLAND's: both are plain GIN
    # at BOTTLER. 1,800 of the 6,000 are there; 4,200 more: ISLAND's 2,000 and FARM's 2,200, a load
    # each. Freight: F, those two, and NORTH's: 400.
    row = {"lane": "road", "liquid": "GIN", "tank_type": "T7", "supplier": "ISLAND"}
    frozen = {"load_id": "F", "state": "frozen", "departs_on": week(1), "lpa": 1_000.0}
    under_way = {
        "load_id": "U",
        "state": "under_way",
        "departs_on": week(0),
        "usable_on": week(2),
        "lpa": 800.0,
    }
    plan = planned(two_bottlers(loads=[row | frozen, row | under_way]))
    assert plan.costs.total == pytest.approx(400.0)
    given = {one.load_id: one for one in plan.loads if one.kind is not LoadKind.PLANNED}
    assert [given[name].parts[0].origin_class for name in ("F", "U")] == [BARRED, BARRED]
    assert classes(plan, "BOTTLER") == {ANY}
    left = {
        (row.origin_class, row.period): row.released_lpa
        for row in plan.stocks
        if row.site == "STORE"
    }
    assert left[BARRED, 0] - 1_000.0 >= left[BARRED, 1] - 1e-6


def test_a_class_names_only_the_markets_still_to_be_reached():
    # ISLAND's is barred by A and by B. STORE sends to PORT and to ABROAD, for A; PORT to BOTTLER,
    # for B: it is not for A or B at STORE, not for B at PORT and BOTTLER.
    data = base(
        markets=[{"id": name, "barred_suppliers": ["ISLAND"]} for name in "AB"],
        suppliers=[supplier("ISLAND", contract("GIN", 1.0))],
        sites=[
            site("STORE", "depot", [tank("S", 1e5, "GIN")]),
            site("PORT", "depot", [tank("P", 1e5, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")], market="B"),
            site("ABROAD", "bottler", [tank("C", 5e4, "GIN")], market="A"),
        ],
        lanes=[
            lane("in", "ISLAND", "STORE", "GIN"),
            lane("shuttle", "STORE", "PORT", "GIN"),
            lane("sea", "PORT", "BOTTLER", "GIN"),
            lane("abroad", "STORE", "ABROAD", "GIN"),
        ],
        opening_stock=[],
        lots=[
            {
                "lot_id": "LOT",
                "liquid": "GIN",
                "site": "PORT",
                "litres_20c": 1_000.0,
                "strength_percent": 80.0,
                "status": "held",
                "restrictions": ["A"],
            }
        ],
        demand=[ask(4, 10.0, "BOTTLER"), ask(4, 10.0, "ABROAD")],
    )
    classes = BuildContext.of(scenario(data)).classes
    island = Commodity("GIN", "not-for:A+B")
    found = {
        place: classes.keep(place, island).origin_class
        for place in ("ISLAND", "STORE", "PORT", "BOTTLER", "ABROAD")
    }
    assert found == {
        "ISLAND": "not-for:A+B",
        "STORE": "not-for:A+B",
        "PORT": "not-for:B",
        "BOTTLER": "not-for:B",
        "ABROAD": "not-for:A",
    }
    assert classes.bought("GIN", "ISLAND") == island
    assert classes.of_lot(scenario(data).lots[0]) == Commodity("GIN", ANY)


def distillery(*more_demand, feints: bool = False):
    """Two spirits, a gin from each; the gin of ISLAND's is barred by STRICT; one tank each."""
    by_feints = {"feints_percent_of_lpa": 10.0, "feints_liquid": "FEINTS"} if feints else {}
    return base(
        liquids=[
            neutral("NS"),
            neutral("CANE", spirit_base="cane"),
            liquid("GIN"),
            liquid("FEINTS", kind="feints", strength=70.0),
        ],
        recipes=[
            distilling("grain", "GIN", ("NS", 100.0)),
            distilling("cane", "GIN", ("CANE", 100.0), hearts_percent_of_lpa=90.0, **by_feints),
            *([distilling("again", "GIN", ("FEINTS", 100.0))] if feints else []),
        ],
        markets=[{"id": "STRICT", "barred_spirit_bases": ["cane"]}, {"id": "FREE"}],
        suppliers=[supplier("FARM", contract("NS", 2.0)), supplier("ISLE", contract("CANE", 1.0))],
        sites=[
            site(
                "WORKS",
                "distillery",
                [
                    tank("N", 1e6, "NS"),
                    tank("C", 1e6, "CANE"),
                    tank("F", 1e6, "FEINTS"),
                    tank("G", 1e6, "GIN"),
                    tank("H", 1e6, "GIN"),
                ],
                stills=[still("POT", "grain", "cane", *(["again"] if feints else []))],
            ),
            site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")], market="FREE"),
        ],
        lanes=[
            lane("a", "FARM", "WORKS", "NS", cost=0.0),
            lane("b", "ISLE", "WORKS", "CANE", cost=0.0),
            lane("road", "WORKS", "BOTTLER", "GIN", cost=0.0),
        ],
        opening_stock=[],
        demand=[ask(4, 1_800.0), *more_demand],
    )


def test_what_goes_into_a_recipe_is_kept_apart_for_what_comes_out_of_it():
    strict = ask(4, 500.0, "WORKS", market="STRICT")
    free, apart = (BuildContext.of(scenario(data)) for data in (distillery(), distillery(strict)))
    cane = Commodity("CANE", BARRED)
    assert free.classes.bought("CANE", "ISLE") == Commodity("CANE", ANY)
    assert apart.classes.bought("CANE", "ISLE") == cane
    assert apart.classes.made("WORKS", "GIN", [cane]) == Commodity("GIN", BARRED)
    assert apart.classes.made("WORKS", "FEINTS", [cane]) == Commodity("FEINTS", ANY)
    assert apart.classes.keep("BOTTLER", Commodity("GIN", BARRED)) == Commodity("GIN", ANY)
    # 1,800 for FREE from two charges of cane (90 %) at 1.0, 500 for STRICT from grain at 2.0, in
    # a whole charge of 1,000.
    assert planned(distillery()).costs.total == pytest.approx(2_000.0)
    assert planned(distillery(strict)).costs.total == pytest.approx(2_000.0 + 2_000.0)


def test_feints_are_kept_apart_where_they_are_distilled_again():
    strict = ask(4, 500.0, "WORKS", market="STRICT")
    data = distillery(strict, feints=True)
    classes = BuildContext.of(scenario(data)).classes
    made = classes.made("WORKS", "FEINTS", [Commodity("CANE", BARRED)])
    assert made == Commodity("FEINTS", BARRED)
    assert planned(data).costs.total == pytest.approx(2_000.0 + 2_000.0)


def test_rounding_rows_at_the_bottler_see_the_loads_of_both_classes():
    network = build_program(scenario(two_bottlers())).network
    data = spread_network(network)
    stations = find_stations(data, with_cumulative_counts(assemble_data(data, form=Form.STRONG)))
    (bottler,) = [one for one in stations if one.name.startswith("site BOTTLER/")]
    arrivals = sorted(len(one.columns) for one in bottler.whole)
    assert arrivals == [4, 4]  # weeks 1 to 3 arrive in time, week 4 after the end
    strong, plain = (
        make_plan(scenario(two_bottlers()), SolveOptions(gap=0.0, form=form)).costs.total
        for form in ("strong", "plain")
    )
    assert strong == pytest.approx(plain)


def test_what_leaves_by_turning_into_another_class_has_left_in_time():
    # A week's life at STORE: both classes must leave in week 2 at the latest, and be used in
    # week 3 or 4: BOTTLER asks for 3,000 in weeks 2 and 3, and NORTH for its 1,000.
    gin = liquid("GIN", shelf_life_days=7)
    data = two_bottlers(
        liquids=[gin, neutral("NS")],
        demand=[ask(2, 3_000.0), ask(3, 3_000.0), ask(3, 1_000.0, "NORTH")],
    )
    assert planned(data).costs.total == pytest.approx(300.0)


def test_a_plan_is_a_start_for_itself():
    made = scenario(two_bottlers())
    plan = planned(two_bottlers())
    program = build_program(made)
    vehicles = start_solution(program, plan).vehicles
    sent = {name: counts.sum() for name, counts in vehicles.items() if counts.any()}
    assert sent == {"road/T7/GIN|any": 1, f"road/T7/GIN|{BARRED}": 1, "north/T7/GIN|any": 1}


@pytest.mark.parametrize("seed", range(40))
def test_builder_and_check_reach_the_same_markets(seed: int):
    made = scenario(random_scenario(seed))
    context, position = BuildContext.of(made), Position(made)
    places = [*context.sites, *context.suppliers]
    for place in places:
        for one in made.liquids:
            ahead = context.classes.markets_ahead(place, one.id)
            assert ahead == position.ahead.of(place, one.id)
    assert any(context.classes.markets_ahead(place, "GIN") for place in places)
    for place, commodity in context.reachability.released:
        assert context.classes.keep(place, commodity) == commodity
