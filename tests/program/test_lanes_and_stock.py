"""Loads, lead times, unmet demand, floors and targets: each optimum worked by hand."""

from datetime import timedelta

import pytest

from bulkflow.program.answer import LoadKind
from bulkflow.program.build import build_program
from bulkflow.program.diagnosis import NoPlanError
from tests.program.builders import (
    START,
    ask,
    base,
    lane,
    liquid,
    loads_by_week,
    planned,
    scenario,
    site,
    stock,
    tank,
    tank_type,
    week,
)


def test_whole_loads_are_paid_whole():
    # 4,000 in week 2 and 5,000 in week 3. A load holds about 5,260, so 9,000 need two loads: 200.
    plan = planned(base(demand=[ask(2, 4_000.0), ask(3, 5_000.0)]))
    assert plan.costs.total == pytest.approx(200.0)
    assert plan.costs.freight == pytest.approx(200.0)
    assert sum(load.lpa for load in plan.loads) >= 9_000.0


def test_what_cannot_arrive_in_time_is_lost():
    # Nothing is at the bottler; a load sent in week 1 is usable in week 2. The 300 of week 1 are
    # lost: 300 x 10.
    plan = planned(base(demand=[ask(1, 300.0)]))
    assert plan.costs.shortage == pytest.approx(3_000.0)
    assert plan.costs.total == pytest.approx(3_000.0)


def test_carried_demand_costs_in_every_week_it_is_open():
    # 300 of week 1 wait one week for the load of week 1: 300 x 2 + 100.
    data = base(
        demand=[ask(1, 300.0)],
        priorities=[{"id": "core", "unmet": "carried", "cost_per_lpa": 2.0}],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(700.0)
    assert plan.costs.shortage == pytest.approx(600.0)


def test_what_is_short_falls_on_the_cheapest_priority():
    # 500 in stock, no more can come in week 1: 400 at 9 and 400 at 3 are asked for. The dear are
    # served, 300 of the cheap are lost: 300 x 3.
    data = base(
        demand=[ask(1, 400.0, priority="dear"), ask(1, 400.0, priority="cheap")],
        priorities=[
            {"id": "dear", "unmet": "lost", "cost_per_lpa": 9.0},
            {"id": "cheap", "unmet": "lost", "cost_per_lpa": 3.0},
        ],
        opening_stock=[stock("BOTTLER", "GIN", 500.0)],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(900.0)
    open_lpa = {row.priority: row.open_lpa for row in plan.demand}
    assert open_lpa == pytest.approx({"dear": 0.0, "cheap": 300.0})


def test_lost_and_carried_demand_share_a_site():
    # Nothing can come before week 2. Lost: 100 x 10. Carried from week 1: 100 x 2, then served by
    # one load: 100.
    data = base(
        demand=[ask(1, 100.0, priority="core"), ask(1, 100.0, priority="later")],
        priorities=[
            {"id": "core", "unmet": "lost", "cost_per_lpa": 10.0},
            {"id": "later", "unmet": "carried", "cost_per_lpa": 2.0},
        ],
    )
    assert planned(data).costs.total == pytest.approx(1_000.0 + 200.0 + 100.0)


def test_transit_loss_arrives_less():
    # 10 % is lost: 900 asked for take 1,000 loaded, at 0.5 an LPA loaded: 100 + 500.
    data = base(
        demand=[ask(2, 900.0)],
        lanes=[
            lane("road", "STORE", "BOTTLER", "GIN", transit_loss_percent=10.0, cost_per_lpa=0.5)
        ],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(600.0)
    assert plan.loads[0].lpa == pytest.approx(1_000.0)


def test_a_lane_that_loses_everything_carries_nothing():
    lost = lane("road", "STORE", "BOTTLER", "GIN", transit_loss_percent=100.0)
    plan = planned(base(demand=[ask(2, 900.0)], lanes=[lost]))
    assert plan.loads == ()
    assert plan.costs.total == pytest.approx(9_000.0)


def test_a_tank_that_cannot_be_filled_enough_is_refused():
    # At least 99 % of the tank, at most 94 %: no load is lawful, and the reason is kept.
    full = lane("road", "STORE", "BOTTLER", "GIN", minimum_fill_percent=99.0)
    data = base(demand=[ask(2, 900.0)], lanes=[full])
    assert planned(data).costs.total == pytest.approx(9_000.0)
    refusals = build_program(scenario(data)).maps.loads.refusals
    (reason,) = refusals.values()
    assert reason.startswith("No load of 80 % vol fits tank T7: it must hold at least 6,930 L")


@pytest.mark.parametrize("days", [1, 2, 14, 31])
def test_periods_of_other_lengths(days):
    # Loaded on Monday 4 January, usable on Tuesday 5: with periods of one day in period 2, with
    # longer ones from the next period on. Asked for in period 3, which every length can serve.
    calendar = {
        "start": START,
        "period_days": days,
        "quarter_periods": 3,
        "horizon_periods": 4,
    }
    third = START + timedelta(days=2 * days)
    row = {"site": "BOTTLER", "period_start": third, "liquid": "GIN", "lpa": 900.0}
    plan = planned(base(calendar=calendar, demand=[row]))
    assert plan.costs.total == pytest.approx(100.0)


def test_places_that_are_shut_throughout_send_and_take_nothing():
    shut = [{"first_day": week(0), "last_day": week(9)}]
    sites = [
        site("STORE", "depot", [tank("S", 1e5, "GIN")], closures=shut),
        site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")]),
    ]
    plan = planned(base(demand=[ask(2, 900.0)], sites=sites))
    assert plan.loads == ()
    assert plan.costs.total == pytest.approx(9_000.0)


def test_handling_storage_and_capital():
    # Capital 36.5 % a year is 0.1 % a day. One LPA of GIN is worth 2.
    # Week 2 asks for 1,000 and nothing else happens: one load of 1,000 leaves in week 1.
    # Handling 1,000 x 0.3 = 300. Storage at STORE 0.01 an LPA and week on 40,000 - 1,000 at the
    # ends of weeks 1 to 4: 4 x 390 = 1,560. Capital on it: 39,000 x 2 x 0.001 x 7 x 4 = 2,184.
    # On the road from Monday to Tuesday: 1,000 x 2 x 0.001 x 1 = 2. Freight 100.
    data = base(
        finance={"capital_rate_percent_per_year": 36.5},
        liquids=[
            {"id": "GIN", "kind": "distillate", "strength_percent": 80.0, "value_per_lpa": 2.0}
        ],
        sites=[
            site(
                "STORE",
                "depot",
                [tank("S", 100_000.0, "GIN")],
                storage_cost_per_lpa_per_period=0.01,
            ),
            site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")], handling_cost_per_lpa=0.3),
        ],
        demand=[ask(2, 1_000.0)],
        # a dear load, so that moving stock to the bottler, where storing is free, does not pay
        lanes=[lane("road", "STORE", "BOTTLER", "GIN", cost_per_lpa=1.0)],
    )
    plan = planned(data)
    assert plan.costs.handling == pytest.approx(300.0 + 1_560.0)
    assert plan.costs.capital == pytest.approx(2_184.0 + 2.0)
    assert plan.costs.freight == pytest.approx(100.0 + 1_000.0)


def test_floor_is_bought_where_it_is_dearer_than_a_load():
    # Floor 800 from week 1; 0.2 an LPA and week. Week 1 cannot be helped: 160. From week 2 a load
    # (100) saves 3 x 160.
    data = base(
        stock_policies=[
            {
                "site": "BOTTLER",
                "liquid": "GIN",
                "floor_lpa": 800.0,
                "floor_cost_per_lpa_per_period": 0.2,
            }
        ]
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(260.0)
    assert plan.costs.floors == pytest.approx(160.0)


def test_closing_target_counts_what_is_on_the_way():
    # Target 1,000 at 1 each; the last load can leave in week 4 and arrive after the end. 100.
    # Its week is free to choose, so only the cost is compared.
    policy = {
        "site": "BOTTLER",
        "liquid": "GIN",
        "closing_lpa": 1_000.0,
        "closing_cost_per_lpa": 1.0,
    }
    assert planned(base(stock_policies=[policy])).costs.total == pytest.approx(100.0)
    # Where a load costs 2,000, missing the target is cheaper: 1,000.
    dear = base(
        stock_policies=[policy], lanes=[lane("road", "STORE", "BOTTLER", "GIN", cost=2_000.0)]
    )
    plan = planned(dear)
    assert plan.costs.floors == pytest.approx(1_000.0)
    assert plan.costs.total == pytest.approx(1_000.0)


def test_room_on_arrival_holds_a_whole_load_back():
    # The bottler's tank holds 10,000 litres = 8,000 LPA and starts with 7,000. Week 1 uses 2,000,
    # week 2 asks for 6,500. At the start of week 2 there are 5,000; at most 3,000 may arrive:
    # 1,500 are needed, one load. A tank of 8,000 litres = 6,400 LPA starts with 6,400: after week
    # 1 there are 4,400, at most 2,000 may come, 2,100 are needed: 100 are lost, at 10.
    def data(litres: float, opening: float):
        return base(
            sites=[
                site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
                site("BOTTLER", "bottler", [tank("B", litres, "GIN")]),
            ],
            opening_stock=[stock("STORE", "GIN", 40_000.0), stock("BOTTLER", "GIN", opening)],
            demand=[ask(1, 2_000.0), ask(2, 6_500.0)],
        )

    assert planned(data(10_000.0, 7_000.0)).costs.total == pytest.approx(100.0)
    assert planned(data(8_000.0, 6_400.0)).costs.total == pytest.approx(100.0 + 1_000.0)


def test_heel_stays():
    # 500 litres of heel are 400 LPA: of 1,000 in stock only 600 serve the 700 asked for.
    data = base(
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN", heel_litres=500.0)]),
        ],
        opening_stock=[stock("BOTTLER", "GIN", 1_000.0)],
        demand=[ask(1, 700.0)],
    )
    assert planned(data).costs.shortage == pytest.approx(1_000.0)


def test_heel_starts_when_the_liquid_can_come():
    # The bottler starts empty with a heel of 400 LPA: the first load must bring it, beside the 300
    # asked for in week 2. STORE has 700, which is just enough; with 650 the heel comes first.
    def data(lpa: float):
        return base(
            sites=[
                site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
                site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN", heel_litres=500.0)]),
            ],
            opening_stock=[stock("STORE", "GIN", lpa)],
            demand=[ask(2, 300.0)],
        )

    assert planned(data(700.0)).costs.total == pytest.approx(100.0)
    assert planned(data(650.0)).costs.total == pytest.approx(100.0 + 500.0)


def test_a_depot_between():
    # STORE -> PORT by road (50), PORT -> BOTTLER by sea (100), a week each: demand of week 3 costs
    # 150; that of week 2 cannot be met.
    data = base(
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site("PORT", "depot", [tank("P", 50_000.0, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")]),
        ],
        lanes=[
            lane("road", "STORE", "PORT", "GIN", cost=50.0),
            lane("sea", "PORT", "BOTTLER", "GIN", cost=100.0),
        ],
        demand=[ask(2, 10.0), ask(3, 1_000.0)],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(150.0 + 100.0)
    assert loads_by_week(plan, "road") == {1: 1}
    assert loads_by_week(plan, "sea") == {2: 1}


def test_several_tank_sizes_on_one_lane():
    # A tank of 3,500 litres takes about 2,630 LPA for 60, one of 7,000 about 5,260 for 100.
    # 7,000 LPA: large + small = 160 (two large 200, three small 180).
    sizes = [
        {"tank_type": "T7", "cost_per_load": 100.0},
        {"tank_type": "T3", "cost_per_load": 60.0},
    ]
    data = base(
        tank_types=[tank_type("T7", 7_000.0), tank_type("T3", 3_500.0)],
        lanes=[lane("road", "STORE", "BOTTLER", "GIN", tanks=sizes)],
        demand=[ask(2, 7_000.0)],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(160.0)
    assert sorted(load.tank_type for load in plan.loads) == ["T3", "T7"]


def test_a_load_is_lawful_at_the_coldest_filling_too():
    # An undivided tank of 10,000 litres is at least 80 % full. At 20 degC that is 6,400 LPA of GIN;
    # at 0 degC it is denser by 875.97 / 859.27 kg/m3 (OIML R 22), so 6,524 LPA. STORE has 6,500: at
    # 20 degC a load goes for 100, at 0 degC none may, and 100 LPA are lost at 10.
    def cost(**more: float) -> float:
        tanks = [{"tank_type": "T10", "cost_per_load": 100.0}]
        data = base(
            tank_types=[tank_type("T10", 10_000.0)],
            lanes=[lane("road", "STORE", "BOTTLER", "GIN", tanks=tanks, **more)],
            opening_stock=[stock("STORE", "GIN", 6_500.0)],
            demand=[ask(2, 100.0)],
        )
        return planned(data).costs.total

    assert cost() == pytest.approx(100.0)
    assert cost(minimum_filling_temperature_c=0.0) == pytest.approx(1_000.0)
    # Least at 5 degC: 6,494 LPA. Warmer days ask for less, and change nothing.
    assert cost(minimum_filling_temperature_c=5.0) == pytest.approx(100.0)
    assert cost(maximum_filling_temperature_c=30.0) == pytest.approx(100.0)


def test_a_load_is_no_fuller_than_the_coldest_filling_allows():
    # 97 % at 50 degC: 5,264 LPA of GIN in 7,000 litres filled at 20 degC, 5,248 at -20 degC. Of
    # 5,260 asked for, a second load for 100 is less than 12 LPA lost at 10.
    def cost(**more: float) -> float:
        data = base(
            lanes=[lane("road", "STORE", "BOTTLER", "GIN", **more)], demand=[ask(2, 5_260.0)]
        )
        return planned(data).costs.total

    assert cost() == pytest.approx(100.0)
    assert cost(minimum_filling_temperature_c=-20.0) == pytest.approx(200.0)


def test_no_load_where_what_the_cold_asks_for_is_more_than_the_heat_allows():
    # By densities that hardly change the tank may be 96.9 % full at any temperature; 96 % is asked
    # for. By mass 96 % at -20 degC (5,581 LPA of GIN) is more than 96.9 % at 20 degC (5,431).
    def refusals(**more: float) -> list[str]:
        gin = liquid("GIN", density_15c_kg_per_m3=864.0, density_50c_kg_per_m3=863.9)
        road = lane("road", "STORE", "BOTTLER", "GIN", minimum_fill_percent=96.0, **more)
        built = build_program(scenario(base(liquids=[gin], lanes=[road])))
        return [*built.maps.loads.refusals.values()]

    assert refusals() == []
    assert refusals(filling_temperature_c=-20.0) == []
    assert refusals(minimum_filling_temperature_c=-20.0) == [
        "No load of 80 % vol fits tank T7 at every filling temperature: at -20 degC it must hold"
        " at least 5,581 LPA (least fill worth sending), at 20 degC at most 5,431 LPA (maximum"
        " degree of filling)."
    ]


def test_lane_weight_limit():
    # GIN of 80 % vol weighs 0.8593 kg a litre at 20 degC (OIML R 22), so 1.0741 kg an LPA.
    # 3,000 kg are 2,793 LPA a load: 5,000 LPA need two loads, 6,000 three.
    def data(lpa: float):
        return base(
            lanes=[lane("road", "STORE", "BOTTLER", "GIN", payload_limit_kg=3_000.0)],
            demand=[ask(2, lpa)],
        )

    assert planned(data(5_000.0)).costs.total == pytest.approx(200.0)
    assert planned(data(6_000.0)).costs.total == pytest.approx(300.0)


def test_minimum_fill():
    # At least 50 % of 7,000 litres at 80 % = 2,800 LPA a load. The bottler's tank holds 4,000
    # litres = 3,200 LPA and has 500; week 2 asks for 600. 100 are missing, a load brings 2,800 and
    # does not fit above 400: 500 + 2,800 > 3,200. The 100 are lost.
    def data(fill: float):
        return base(
            sites=[
                site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
                site("BOTTLER", "bottler", [tank("B", 4_000.0, "GIN")]),
            ],
            lanes=[lane("road", "STORE", "BOTTLER", "GIN", minimum_fill_percent=fill)],
            opening_stock=[stock("STORE", "GIN", 40_000.0), stock("BOTTLER", "GIN", 500.0)],
            demand=[ask(2, 600.0)],
        )

    assert planned(data(50.0)).costs.total == pytest.approx(1_000.0)
    assert planned(data(40.0)).costs.total == pytest.approx(100.0)


def test_a_load_is_never_nothing():
    # No rule sets a least fill in a tank of 7,000 litres and the lane states none: half of the
    # most, 97 / (1 + 0.00106208 x 30) = 94.0 % of 7,000 L at 80 % = 5,264 LPA, so 2,632. Week 2 is
    # 100 short. With 500 in stock 3,132 must fit: a tank of 4,000 L = 3,200 LPA takes a load
    # (100), one of 3,900 L = 3,120 LPA does not, and the 100 are lost (1,000).
    def data(litres: float):
        return base(
            sites=[
                site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
                site("BOTTLER", "bottler", [tank("B", litres, "GIN")]),
            ],
            lanes=[lane("road", "STORE", "BOTTLER", "GIN", minimum_fill_percent=0.0)],
            opening_stock=[stock("STORE", "GIN", 40_000.0), stock("BOTTLER", "GIN", 500.0)],
            demand=[ask(2, 600.0)],
        )

    plan = planned(data(4_000.0))
    assert plan.costs.total == pytest.approx(100.0)
    assert plan.loads[0].lpa >= 2_630.0
    assert planned(data(3_900.0)).costs.total == pytest.approx(1_000.0)


def test_loads_per_period():
    # One load a week: 9,000 in week 2 get one load (about 5,260) of week 1. The lane's own limit
    # and that of its only tank type say the same.
    tight = [{"tank_type": "T7", "cost_per_load": 100.0, "maximum_loads_per_period": 1}]
    for lanes in (
        [lane("road", "STORE", "BOTTLER", "GIN", maximum_loads_per_period=1)],
        [lane("road", "STORE", "BOTTLER", "GIN", tanks=tight)],
    ):
        plan = planned(base(lanes=lanes, demand=[ask(2, 9_000.0)]))
        most = plan.loads[0].lpa
        assert 5_200.0 < most < 5_300.0
        assert loads_by_week(plan, "road") == {1: 1}
        assert plan.costs.total == pytest.approx(100.0 + 10.0 * (9_000.0 - most))


def test_promised_frozen_and_under_way():
    # Promised: a load in week 3 that nobody needs: 100. Frozen: 1,000 in week 1: 100. Under way:
    # 500 usable in week 2, nothing to pay. Week 2 asks for 1,500, which those two bring.
    rows = [
        {"load_id": "P", "state": "promised", "departs_on": week(3, 2)},
        {"load_id": "F", "state": "frozen", "departs_on": week(1), "lpa": 1_000.0},
        {
            "load_id": "U",
            "state": "under_way",
            "departs_on": week(0),
            "usable_on": week(1, 3),
            "lpa": 500.0,
        },
    ]
    data = base(
        demand=[ask(2, 1_500.0)],
        loads=[row | {"lane": "road", "liquid": "GIN", "tank_type": "T7"} for row in rows],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(200.0)
    kinds = {load.load_id: (load.kind, load.period) for load in plan.loads}
    assert kinds == {
        "P": (LoadKind.PROMISED, 3),
        "F": (LoadKind.FROZEN, 1),
        "U": (LoadKind.UNDER_WAY, 0),
    }


def test_frozen_loads_count_against_the_lane():
    # One load a week, and it is frozen with 1,000 LPA: of the 1,500 asked for 500 are lost.
    frozen = {
        "load_id": "F",
        "lane": "road",
        "liquid": "GIN",
        "tank_type": "T7",
        "state": "frozen",
        "departs_on": week(1),
        "lpa": 1_000.0,
    }
    data = base(
        lanes=[lane("road", "STORE", "BOTTLER", "GIN", maximum_loads_per_period=1)],
        demand=[ask(2, 1_500.0)],
        loads=[frozen],
    )
    assert planned(data).costs.total == pytest.approx(100.0 + 5_000.0)


def test_change_against_the_issued_plan():
    # Issued: a load in week 2. Needed: 1,000 in week 2, so a load in week 1. Dropping the issued
    # load and sending another: 2 changes x 30 + 100 = 160; keeping both: 30 + 200 = 230.
    # With demand in week 3 the issued load serves and nothing changes: 100.
    issued = [
        {
            "lane": "road",
            "liquid": "GIN",
            "tank_type": "T7",
            "period_start": week(2),
            "loads": 1,
        }
    ]
    early = base(change_cost_per_load=30.0, issued_loads=issued, demand=[ask(2, 1_000.0)])
    plan = planned(early)
    assert plan.costs.total == pytest.approx(160.0)
    assert plan.costs.change == pytest.approx(60.0)
    late = planned(early | {"demand": [ask(3, 1_000.0)]})
    assert late.costs.total == pytest.approx(100.0)
    # A change dearer than a load keeps the issued load too: 100 + 150 + 100.
    dear = planned(early | {"change_cost_per_load": 150.0})
    assert dear.costs.total == pytest.approx(350.0)


def test_lots_enter_when_they_are_released():
    # Lots of 1,000 litres = 800 LPA each: released counts at once; awaiting until Wednesday of
    # week 1 enters in week 2; held never. Demand of 1,000 a week at the same site: week 1 lacks
    # 200, week 2 lacks 200, week 3 lacks 1,000.
    lots = [
        {"lot_id": "1", "status": "released"},
        {"lot_id": "2", "status": "awaiting", "decision_due": week(1, 2)},
        {"lot_id": "3", "status": "held"},
        {"lot_id": "4", "status": "rejected"},
    ]
    data = base(
        opening_stock=[],
        lots=[
            lot
            | {"liquid": "GIN", "site": "STORE", "litres_20c": 1_000.0, "strength_percent": 80.0}
            for lot in lots
        ],
        demand=[ask(t, 1_000.0, "STORE") for t in (1, 2, 3)],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(14_000.0)
    assert [row.open_lpa for row in plan.demand] == pytest.approx([200.0, 200.0, 1_000.0])


def test_lots_that_may_not_be_used_take_room():
    # The bottler's tank holds 5,000 litres = 4,000 LPA; a held lot takes 2,000 litres. 2,400 LPA
    # may arrive for the 3,000 asked for: 600 are lost.
    data = base(
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 5_000.0, "GIN")]),
        ],
        lots=[
            {
                "lot_id": "H",
                "liquid": "GIN",
                "site": "BOTTLER",
                "litres_20c": 2_000.0,
                "strength_percent": 80.0,
                "status": "held",
            }
        ],
        demand=[ask(2, 3_000.0)],
    )
    assert planned(data).costs.total == pytest.approx(100.0 + 6_000.0)


def test_shelf_life():
    # GIN keeps 7 days: what is in stock at the end of a week leaves in the next. Demand of 1,000 in
    # weeks 2, 3 and 4 at the bottler: a load usable in week 2 can bring for weeks 2 and 3, not for
    # week 4: two loads. With 14 days one would do. STORE's own stock would be too old, so it
    # has only what is sent in weeks 1 and 2: opening 1,000 for two loads needs the first by week
    # 1 and the rest in week 2.
    def data(days: int):
        return base(
            liquids=[
                {
                    "id": "GIN",
                    "kind": "distillate",
                    "strength_percent": 80.0,
                    "shelf_life_days": days,
                }
            ],
            demand=[ask(t, 1_000.0) for t in (2, 3, 4)],
            opening_stock=[stock("STORE", "GIN", 3_000.0)],
        )

    assert planned(data(14)).costs.total == pytest.approx(100.0)
    # 7 days: at STORE the stock at the end of week 1 must leave in week 2; at the bottler what is
    # left at the end of week 2 must leave in week 3. Loads of week 1 (for weeks 2 and 3) and of
    # week 2 (arrives in week 3, for weeks 3 and 4): 200.
    assert planned(data(7)).costs.total == pytest.approx(200.0)


def test_stock_past_its_life_has_a_price_where_one_is_given():
    # 3,000 at STORE, nobody asks for it. A week's life: what stands at the ends of weeks 1 to 3
    # and does not leave in the next is past its life, 0.1 an LPA and week. Left where it is: 900.
    # A load (100) in week 2 or 3 takes it away in time once, and late another time: 100 + 300.
    def data(days: int, cost: float, **changes):
        gin = {"id": "GIN", "kind": "distillate", "strength_percent": 80.0}
        return base(
            liquids=[gin | {"shelf_life_days": days, "past_life_cost_per_lpa": 0.1}],
            opening_stock=[stock("STORE", "GIN", 3_000.0)],
            lanes=[lane("road", "STORE", "BOTTLER", "GIN", cost=cost)],
            **changes,
        )

    plan = planned(data(7, 100.0))
    assert plan.costs.floors == pytest.approx(300.0)
    assert plan.costs.total == pytest.approx(400.0)
    assert planned(data(7, 5_000.0)).costs.floors == pytest.approx(900.0)
    # Less than a week's life: nothing may stand at the end of any week, 4 x 300.
    assert planned(data(6, 5_000.0)).costs.floors == pytest.approx(1_200.0)
    # 1,000 asked for in week 2 leave in time; 2,000 are past their life at three ends of weeks.
    asked = {"demand": [ask(2, 1_000.0, "STORE")]}
    assert planned(data(7, 5_000.0, **asked)).costs.floors == pytest.approx(600.0)
    # Three weeks' life: only what stands at the end of week 1 can be past it within the horizon.
    assert planned(data(21, 5_000.0, **asked)).costs.floors == pytest.approx(200.0)


def test_without_a_price_nothing_may_outlive_its_life():
    gin = {"id": "GIN", "kind": "distillate", "strength_percent": 80.0, "shelf_life_days": 7}
    data = base(liquids=[gin], opening_stock=[stock("STORE", "GIN", 3_000.0)])
    with pytest.raises(NoPlanError, match="shelf life of GIN at"):
        planned(data)
