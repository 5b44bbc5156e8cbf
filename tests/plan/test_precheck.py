"""What cannot work is said in words, with its records: each case made from a good workspace."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import cache
from typing import Any

import pytest

from bulkflow.filling import FILLING_CAUTION
from bulkflow.plan.checks.position import Position
from bulkflow.plan.finding import Finding
from bulkflow.plan.precheck import findings
from bulkflow.plan.precheck_flow import SINK, SOURCE, find_shortfalls, unroll
from bulkflow.plan.precheck_loads import unstated_temperatures
from bulkflow.scenario.model import (
    Closure,
    DemandRow,
    Leg,
    LoadRow,
    LoadState,
    Lot,
    Market,
    OpeningStockRow,
    Release,
    Scenario,
    Waiting,
)
from bulkflow.scenario.reader import read_workspace
from tests.plan import everything
from tests.plan.by_hand import START, TWO_SITES


@cache
def tiny() -> Scenario:
    return read_workspace(TWO_SITES).scenario


def edited(collection: str, identity: str, **fields: Any) -> Scenario:
    records = tuple(
        one.model_copy(update=fields) if one.id == identity else one
        for one in getattr(tiny(), collection)
    )
    return tiny().model_copy(update={collection: records})


def lane(name: str, **fields: Any) -> Scenario:
    return edited("lanes", name, **fields)


def with_rows(**rows: Any) -> Scenario:
    return tiny().model_copy(update=rows)


def load(**fields: Any) -> LoadRow:
    values = {
        "load_id": "L1",
        "lane": "sea",
        "liquid": "DRY",
        "tank_type": "TC-10",
        "state": LoadState.PROMISED,
        "departs_on": START,
    }
    return LoadRow(**(values | fields))


def tanks_of(site: str, litres: float) -> Scenario:
    tanks = next(one for one in tiny().sites if one.id == site).tanks
    small = tuple(tank.model_copy(update={"capacity_litres": litres}) for tank in tanks)
    return edited("sites", site, tanks=small)


def harbour_shut() -> Scenario:
    shut = Closure(first_day=START, last_day=START + timedelta(days=60))
    return edited("sites", "STILLHOUSE", closures=(shut,))


def contract(**fields: Any) -> Scenario:
    supplier = tiny().suppliers[0]
    contracts = tuple(one.model_copy(update=fields) for one in supplier.contracts)
    return edited("suppliers", "GRAINHOUSE", contracts=contracts)


def barred() -> Scenario:
    market = Market(id="PURE", barred_spirit_bases=("cereal",))
    sites = tuple(
        site.model_copy(update={"market": "PURE"}) if site.id == "HARBOUR" else site
        for site in tiny().sites
    )
    stock = tuple(row for row in tiny().opening_stock if row.site != "HARBOUR")
    return with_rows(markets=(market,), sites=sites, opening_stock=stock)


def no_neutral_lane() -> Scenario:
    lanes = tuple(one for one in tiny().lanes if one.id == "sea")
    stock = tuple(row for row in tiny().opening_stock if row.liquid != "NEUTRAL")
    return with_rows(lanes=lanes, opening_stock=stock)


def demand_of(liquid: str, site: str = "HARBOUR", lpa: float = 100.0) -> Scenario:
    row = DemandRow(site=site, period_start=START, liquid=liquid, lpa=lpa)
    return with_rows(demand=(*tiny().demand, row))


def stuck_lot() -> Scenario:
    lot = Lot(lot_id="BIG", liquid="DRY", site="HARBOUR", litres_20c=25_000.0,
              strength_percent=80.0, status="held")  # fmt: skip
    return with_rows(lots=(*tiny().lots, lot))


CASES: list[tuple[str, str, Callable[[], Scenario], str, str]] = [
    ("minimum fill above the most of the lane", "warns",
     lambda: lane("sea", payload_limit_kg=5000.0),
     "Lane sea can carry nothing, its least fill is above the most. No load of 80 % vol fits tank"
     " TC-10: it must hold at least 8,000 L", "lanes[sea]"),
    ("one liquid of a lane does not fit", "warns",
     lambda: lane("grain-road", liquids=("NEUTRAL", "FEINTS"), payload_limit_kg=6600.0),
     "Lane grain-road cannot carry FEINTS in TC-10, its least fill is above the most.",
     "liquids[FEINTS]"),
    ("slower than the horizon", "warns", lambda: lane("sea", transit_days=90),
     "Lane sea is slower than the horizon: its first load can be used on 2027-04-05, the horizon"
     " ends on 2027-01-31. Lengthen calendar.horizon_periods.", "lanes[sea]"),
    ("no day to load", "warns", harbour_shut,
     "No load can leave on lane sea: there is no working day or sailing", "lanes[sea]"),
    ("tank smaller than a load", "warns", lambda: tanks_of("HARBOUR", 7_999.0),
     "HARBOUR cannot take a load of DRY from lane sea: the least load arrives as 8,000 L, and"
     " HARBOUR holds 7,999 L in all.", "sites[HARBOUR]"),
    ("guarantee smaller than a load", "warns",
     lambda: edited("guarantees", "ROAD-BOND", limit=63_999.0),
     "Guarantee ROAD-BOND is smaller than one load of DRY on lane sea: 6,400 LPA at 10.00 EUR"
     " puts 64,000 EUR at risk, the limit is 63,999 EUR.", "guarantees[ROAD-BOND]"),
    ("promise on a day without a way", "blocks",
     lambda: harbour_shut().model_copy(update={"loads": (load(),)}),
     "Load L1 is promised for period 1, in which no load can leave on lane sea.", "loads[L1]"),
    ("promise that does not fit", "blocks",
     lambda: lane("sea", payload_limit_kg=5000.0).model_copy(update={"loads": (load(),)}),
     "Load L1 is promised, but No load of 80 % vol fits tank TC-10", "loads[L1]"),
    ("frozen loads above the guarantee", "blocks",
     lambda: with_rows(loads=tuple(
         load(load_id=f"F{n}", state=LoadState.FROZEN, lpa=7000.0) for n in (1, 2, 3))),
     "Loads already frozen or under way (F1, F2, F3) put 210,000 EUR at risk against ROAD-BOND in"
     " period 1, above its limit of 150,000.", "guarantees[ROAD-BOND]"),
    ("too many promises", "blocks",
     lambda: lane("sea", maximum_loads_per_period=1).model_copy(
         update={"loads": (load(), load(load_id="L2"))}),
     "2 loads are promised or frozen on lane sea in period 1; it sends at most 1 a period.",
     "lanes[sea]"),
    ("a contract that cannot be taken", "blocks",
     lambda: contract(minimum_lpa=900.0, maximum_lpa_per_period=200.0),
     "The contract with GRAINHOUSE asks for at least 900 LPA of NEUTRAL, but its most per period"
     " allows 800 LPA.", "suppliers[GRAINHOUSE]"),
    ("demand told twice in a period", "warns",
     lambda: with_rows(demand=(*tiny().demand, tiny().demand[0].model_copy(
         update={"period_start": tiny().demand[0].period_start + timedelta(days=2)}))),
     "is told on several days of period", "demand[0]"),
    ("a wait of less than a period", "warns",
     lambda: lane("sea", tanks=tuple(
         one.model_copy(update={"waiting": Waiting(longest_days=5, cost_per_day=1.0)})
         for one in next(x for x in tiny().lanes if x.id == "sea").tanks)),
     "may wait 5 days, less than a period of 7: the plan lets none wait.", "lanes[sea]"),
    ("a least order that no tank takes", "warns",
     lambda: contract(minimum_lpa_per_order=900_000.0),
     "The least order of NEUTRAL from GRAINHOUSE is 900,000 LPA, but", "suppliers[GRAINHOUSE]"),
    ("a least order of more loads than may leave", "warns",
     lambda: lane("grain-road", maximum_loads_per_period=1).model_copy(
         update={"suppliers": contract(minimum_loads_per_order=2).suppliers}),
     "The least order of NEUTRAL from GRAINHOUSE is 2 loads, but its lanes send at most 1 in a"
     " period: nothing can be ordered.", "suppliers[GRAINHOUSE]"),
    ("a minimum for which there is no room", "blocks",
     # NEUTRAL: the tank's 28,800 and what charges can take, less the 12,000 there are. Charges:
     # DRY has 20,000 of demand, 16,000 and 24,000 of room, at 80 % of hearts 75,000.
     lambda: contract(minimum_lpa=500_000.0),
     "The contract with GRAINHOUSE asks for at least 500,000 LPA of NEUTRAL, but tanks, stills and"
     " demand can take at most 91,800 LPA of it by the end of the horizon.", "sites[STILLHOUSE]"),
    ("a minimum that nobody needs", "warns",
     # 20,000 of demand at 80 % take 25,000, the closing target 5,000; 12,000 are there.
     lambda: contract(minimum_lpa=60_000.0),
     "all demand and closing targets of the horizon can use at most 18,000 LPA of it. The other"
     " 42,000 LPA, for 42,000 EUR or more, are bought because of the minimum alone.",
     "suppliers[GRAINHOUSE]"),
    ("a maximum below a load", "warns",
     lambda: contract(maximum_lpa=7_000.0),
     "Nothing can be bought of NEUTRAL from GRAINHOUSE: the contract allows at most 7,000 LPA, and"
     " the least load on its lanes is 7,680 LPA.", "lanes[grain-road]"),
    ("a closing target above the room", "warns",
     lambda: with_rows(stock_policies=tuple(one.model_copy(update={"closing_lpa": 30_000.0})
                                            for one in tiny().stock_policies)),
     "The closing target of NEUTRAL at STILLHOUSE is 30,000 LPA, but its tanks, and what will be"
     " used before later loads arrive, leave room for 28,800 LPA.", "sites[STILLHOUSE]"),
    ("a contract whose lanes are too few", "blocks",
     lambda: lane("grain-road", maximum_loads_per_period=0).model_copy(
         update={"suppliers": contract(minimum_lpa=900.0).suppliers}),
     "asks for at least 900 LPA of NEUTRAL, but its lanes can fetch at most 0 LPA.",
     "suppliers[GRAINHOUSE]"),
    ("promises of more than there is", "blocks",
     lambda: with_rows(loads=(load(), load(load_id="L2"))),
     "Loads L1, L2 of DRY from STILLHOUSE in period 1 take at least 12,800 LPA (promised ones at"
     " their least fill); at most 7,000 LPA can be there in time, limited by opening stock of DRY"
     " at STILLHOUSE in period 1 (7,000 LPA). Promise less or later, or correct what is on hand.",
     "loads[L2]"),
    ("lots that fill more than the tanks", "blocks", stuck_lot,
     "Lots of DRY at HARBOUR that may not be used fill 25,000 L; its tanks for DRY hold 20,000 L.",
     "sites[HARBOUR]"),
    ("a liquid nobody makes", "warns",
     lambda: with_rows(recipes=(), lots=(), opening_stock=(), demand=tiny().demand,
                       sites=tuple(site.model_copy(update={"stills": ()})
                                   for site in tiny().sites)),
     "Nothing can meet the demand for DRY at HARBOUR: nobody makes or sells it, and none is in"
     " stock.", "liquids[DRY]"),
    ("demand nothing reaches", "warns", lambda: demand_of("NEUTRAL"),
     "Nothing can meet the demand for NEUTRAL at HARBOUR: it can be at GRAINHOUSE, STILLHOUSE,"
     " but no lane takes it to HARBOUR.", "sites[HARBOUR]"),
    ("a lane from where the liquid cannot be", "warns",
     lambda: lane("sea", liquids=("DRY", "FEINTS"), origin="GRAINHOUSE").model_copy(
         update={"demand": demand_of("FEINTS").demand}),
     "it cannot be where its lanes start (sea from GRAINHOUSE).", "liquids[FEINTS]"),
    ("all of it barred", "warns", barred,
     "Nothing can meet the demand for DRY at HARBOUR: all DRY that can be there is barred from"
     " market PURE.", "liquids[DRY]"),
    ("a recipe without its input", "warns", no_neutral_lane,
     "Recipe distil-dry can never run at STILLHOUSE: no NEUTRAL can be there within the horizon.",
     "recipes[distil-dry]"),
    ("more asked for than stills give", "warns",
     lambda: with_rows(demand=tuple(row.model_copy(update={"lpa": 40_000.0})
                                    for row in tiny().demand)),
     "Demand for DRY at HARBOUR in periods 1 to 4 is 160,000 LPA; at most", "sites[HARBOUR]"),
    ("demand before anything can arrive", "warns",
     lambda: with_rows(opening_stock=tuple(
         row for row in tiny().opening_stock if row.site != "HARBOUR")),
     "Demand for DRY at HARBOUR in period 1 is 5,000 LPA; at most 0 LPA can be there in time,"
     " since nothing arrives so soon.", "sites[HARBOUR]"),
]  # fmt: skip


def found(scenario: Scenario, said: str) -> Finding:
    told = findings(scenario)
    matching = [one for one in told if said in one.words]
    assert matching, "\n".join(one.words for one in told)
    return matching[0]


@pytest.mark.parametrize(
    ("severity", "make", "said", "record"),
    [pytest.param(*case[1:], id=case[0]) for case in CASES],
)
def test_each_thing_that_cannot_work_is_said(
    severity: str, make: Callable[[], Scenario], said: str, record: str
):
    one = found(make(), said)
    assert one.severity == severity
    assert record in one.records
    assert one.words.endswith(".")
    if one.words.startswith(("Demand for", "Nothing can meet the demand")):
        assert one.records[0].startswith("demand[")  # what was asked for comes first


def test_what_blocks_comes_first():
    scenario = stuck_lot().model_copy(update={"demand": demand_of("NEUTRAL").demand})
    severities = [one.severity for one in findings(scenario)]
    assert severities == sorted(severities, key=lambda one: one != "blocks")
    assert severities[0] == "blocks"


def test_filling_carries_its_caution():
    assert found(lane("sea", payload_limit_kg=5000.0), "can carry nothing").caution == (
        FILLING_CAUTION
    )


def test_two_legs_against_one_guarantee_are_each_looked_at():
    legs = (Leg(authority="HOME", guarantee="ROAD-BOND", share_percent=10.0, to_day=1),)
    assert findings(lane("sea", legs=legs)) == ()


def test_the_good_workspaces_have_nothing_that_blocks():
    assert findings(tiny()) == ()
    assert [one for one in findings(everything.scenario()) if one.severity == "blocks"] == []


# --- the flow ---------------------------------------------------------------------------------


def test_the_cut_names_lane_site_and_period_with_amounts_worked_by_hand():
    """9,000 a week for 4 weeks, 36,000 in all; one load a week of at most 7,520.38 LPA.

    The bottler has 7,000. What is sent in period 1 can only be the 7,000 there are at the
    distillery; periods 2 and 3 send a full load each; what is sent in period 4 comes too late.
    """
    rows = tuple(row.model_copy(update={"lpa": 9_000.0}) for row in tiny().demand)
    scenario = lane("sea", maximum_loads_per_period=1).model_copy(update={"demand": rows})
    (short,) = find_shortfalls(Position(scenario), set())
    assert (short.sites, short.liquids) == (("HARBOUR",), ("DRY",))
    assert short.periods == {1, 2, 3, 4}
    assert short.demand_lpa == pytest.approx(36_000.0)
    told = {one.words: (one.periods, one.lpa) for one in short.limiters}
    assert told == {
        "lane sea": ({2, 3}, pytest.approx(2 * 7_520.38, abs=0.01)),
        "opening stock of DRY at HARBOUR": ({1}, pytest.approx(7_000.0)),
        "opening stock of DRY at STILLHOUSE": ({1}, pytest.approx(7_000.0)),
    }
    assert short.most_lpa == pytest.approx(29_040.76, abs=0.05)


def test_the_bound_is_never_below_what_a_plan_serves():
    """Every shortfall told is real: the kept plan serves no more than the bound allows."""
    scenario = everything.scenario()
    plan = everything.result().plan
    for short in find_shortfalls(Position(scenario), set()):
        served = sum(
            lpa
            for row in plan.demand
            if row.site in short.sites
            and row.liquid in short.liquids
            and row.period in short.periods
            for _, lpa in row.served
        )
        assert served <= short.most_lpa + 1.0


def test_a_finding_adds_up_to_the_rows_it_names():
    """60,000 a week at the bottler, 200,000 at the works in week 3 alone: 440,000 in all."""
    rows = tuple(row.model_copy(update={"lpa": 60_000.0}) for row in tiny().demand)
    third = START + timedelta(days=14)
    works = DemandRow(site="STILLHOUSE", period_start=third, liquid="DRY", lpa=200_000.0)
    found(
        with_rows(demand=(*rows, works)),
        "Demand for DRY at HARBOUR in periods 1 to 4 and for DRY at STILLHOUSE in period 3 is"
        " 440,000 LPA in all; at most 71,600 LPA can be there in time",
    )


def test_unrolled_lanes_carry_their_days():
    graph = unroll(Position(tiny()), {"DRY"})
    sea = [
        (tail[2], head[2])
        for tail, head, data in graph.edges(data=True)
        if data["words"] == "lane sea"
    ]
    assert sorted(sea) == [(1, 2), (2, 3), (3, 4)]
    assert graph.in_degree(SINK) == 4
    assert graph.out_degree(SOURCE) >= 3


def test_feints_redistilled_and_let_down_are_ways_too():
    """What can become a liquid is followed through every recipe, feints included."""
    graph = unroll(Position(everything.scenario()), {"DRY"})
    liquids = {node[1] for node in graph if isinstance(node, tuple) and node[0] in ("WORKS", "BAY")}
    assert {"GRAIN", "CANE", "CONC", "DRY"} <= liquids


def test_feints_that_go_back_into_the_charge_are_followed_at_a_site_that_releases_lots():
    """The recipe's own liquid is then no way to the feints: nothing is made of it."""
    recipe = tiny().recipes[0]
    inputs = (
        recipe.inputs[0].model_copy(update={"share_percent_of_lpa": 95.0}),
        recipe.inputs[0].model_copy(update={"liquid": "FEINTS", "share_percent_of_lpa": 5.0}),
    )
    sites = tuple(
        site.model_copy(update={"release": Release(lag_days=7)}) if site.stills else site
        for site in tiny().sites
    )
    scenario = with_rows(recipes=(recipe.model_copy(update={"inputs": inputs}),), sites=sites)
    for wanted in ({"FEINTS"}, {"DRY"}, {"DRY", "FEINTS"}):
        assert SOURCE in unroll(Position(scenario), wanted)
    rows = (DemandRow(site="STILLHOUSE", period_start=START, liquid="FEINTS", lpa=100.0),)
    findings(scenario.model_copy(update={"demand": (*scenario.demand, *rows)}))


def test_opening_stock_alone_is_no_shortfall():
    rows = (DemandRow(site="HARBOUR", period_start=START, liquid="DRY", lpa=7_000.0),)
    stock = (OpeningStockRow(site="HARBOUR", liquid="DRY", lpa=7_000.0),)
    scenario = with_rows(demand=rows, opening_stock=stock, lots=())
    assert find_shortfalls(Position(scenario), set()) == []


def test_lanes_whose_filling_temperature_is_taken_for_granted_are_named_where_it_binds() -> None:
    assert "(grain-road and sea): 20 degC is taken." in unstated_temperatures(tiny())
    stated = lane("sea", minimum_filling_temperature_c=-5.0)
    assert unstated_temperatures(stated).startswith("1 lane of tanks")
    small = edited("tank_types", "TC-10", sections_litres=(5_000.0, 5_000.0))
    assert unstated_temperatures(small) == ""  # no surge rule: the cold asks for nothing more
