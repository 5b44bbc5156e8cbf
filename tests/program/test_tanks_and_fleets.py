"""Tanks at sites, fleets, compartments, sailings: each optimum worked by hand."""

import pytest

from bulkflow.program.answer import LoadKind
from bulkflow.program.diagnosis import NoPlanError
from tests.program.builders import (
    ask,
    base,
    lane,
    liquid,
    loads_by_week,
    planned,
    site,
    stock,
    tank,
    tank_type,
    week,
)


def two_liquids(bottler_tanks, **changes):
    """STORE has 20,000 LPA each of GIN and DRY; both are 80 % vol; the lane carries both."""
    return base(
        **{
            "liquids": [liquid("GIN"), liquid("DRY")],
            "sites": [
                site("STORE", "depot", [tank("S", 1e5, "GIN"), tank("R", 1e5, "DRY")]),
                site("BOTTLER", "bottler", bottler_tanks),
            ],
            "lanes": [lane("road", "STORE", "BOTTLER", "GIN", "DRY")],
            "opening_stock": [stock("STORE", "GIN", 2e4), stock("STORE", "DRY", 2e4)],
        }
        | changes
    )


def test_a_tank_holds_one_liquid_at_a_time():
    # One tank for both; GIN is asked for in week 2, DRY too: one of the two (the smaller, 300) is
    # lost. Two tanks: both are served, 200.
    demand = [ask(2, 1_000.0), ask(2, 300.0, what="DRY")]
    one = two_liquids([tank("B", 50_000.0, "GIN", "DRY")], demand=demand)
    assert planned(one).costs.total == pytest.approx(100.0 + 3_000.0)
    two = two_liquids(
        [tank("B", 50_000.0, "GIN", "DRY"), tank("C", 50_000.0, "GIN", "DRY")], demand=demand
    )
    assert planned(two).costs.total == pytest.approx(200.0)


def test_a_tank_only_takes_the_liquids_it_may_hold():
    # The second tank takes GIN only: DRY and GIN are both served all the same, as DRY gets B.
    # A third liquid has no tank at all and is lost.
    data = two_liquids(
        [tank("B", 50_000.0, "GIN", "DRY"), tank("C", 50_000.0, "GIN")],
        demand=[ask(2, 1_000.0), ask(2, 300.0, what="DRY")],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(200.0)
    held = {row.tank: row.liquid for row in plan.tank_settings if row.site == "BOTTLER"}
    assert held["C"] == "GIN"
    nowhere = two_liquids([tank("C", 50_000.0, "GIN")], demand=[ask(2, 300.0, what="DRY")])
    assert planned(nowhere).costs.total == pytest.approx(3_000.0)


def test_change_over_costs_money():
    # GIN in week 2, DRY in week 3: one change at 250 and two loads, 450, or lose 300 of DRY at 10.
    data = two_liquids(
        [tank("B", 50_000.0, "GIN", "DRY", change_over_cost=250.0)],
        demand=[ask(2, 1_000.0), ask(3, 300.0, what="DRY")],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(450.0)
    assert plan.costs.making == pytest.approx(250.0)
    changed = [row.period for row in plan.tank_settings if row.site == "BOTTLER" and row.changed]
    assert changed == [3]


def test_change_over_loses_the_heel():
    # Heel of 100 litres = 80 LPA. STORE has 1,000 of GIN for the 1,000 asked for in week 2, and the
    # tank may not run dry: 80 stay and are lost when it is changed to DRY for week 3; DRY needs
    # its own 80 beside the 300. Lost: 80 of GIN x 10; two loads.
    data = two_liquids(
        [tank("B", 50_000.0, "GIN", "DRY", heel_litres=100.0)],
        demand=[ask(2, 1_000.0), ask(3, 300.0, what="DRY")],
        opening_stock=[stock("STORE", "GIN", 1_000.0), stock("STORE", "DRY", 1_000.0)],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(800.0 + 200.0)
    loaded = {}
    for load in plan.loads:
        for part in load.parts:
            loaded[part.liquid] = loaded.get(part.liquid, 0.0) + part.lpa
    assert loaded["GIN"] == pytest.approx(1_000.0)
    assert loaded["DRY"] >= 380.0 - 1e-6


def test_change_over_takes_the_tank_out_of_use():
    # The change takes days: in the week of the change the tank gives no room. GIN in week 2, DRY
    # in week 3: DRY can come only into a tank that is in use, so week 3 is lost: 3,000. Asked for
    # in week 4, DRY comes in week 4 after a change in week 3.
    def data(number: int):
        return two_liquids(
            [tank("B", 50_000.0, "GIN", "DRY", change_over_days=2)],
            demand=[ask(2, 1_000.0), ask(number, 300.0, what="DRY")],
        )

    assert planned(data(3)).costs.total == pytest.approx(100.0 + 3_000.0)
    assert planned(data(4)).costs.total == pytest.approx(200.0)


def test_shared_and_dedicated_fleets():
    # Two bottlers ask for 1,000 each in week 2. One shared tank, away a week: one is served, the
    # other lost (10,000). A fleet each: both served.
    def data(*fleets: str):
        first, second = fleets
        return base(
            sites=[
                site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
                site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")]),
                site("OTHER", "bottler", [tank("B", 50_000.0, "GIN")]),
            ],
            fleets=[{"id": name, "tanks": 1} for name in dict.fromkeys(fleets)],
            lanes=[
                lane(
                    name,
                    "STORE",
                    place,
                    "GIN",
                    tanks=[{"tank_type": "T7", "cost_per_load": 100.0, "fleet": fleet}],
                )
                for name, place, fleet in (("a", "BOTTLER", first), ("b", "OTHER", second))
            ],
            demand=[ask(2, 1_000.0), ask(2, 1_000.0, "OTHER")],
        )

    assert planned(data("ONE", "ONE")).costs.total == pytest.approx(100.0 + 10_000.0)
    assert planned(data("ONE", "TWO")).costs.total == pytest.approx(200.0)


def test_a_tank_is_away_until_it_is_back():
    # Loaded on Monday of week 1, discharged on Tuesday; back 7 days later, Tuesday of week 2: away
    # in weeks 1 and 2. The next load leaves in week 3. Demand of weeks 2 and 3 at 4,000 each, and a
    # load holds about 5,260: the load of week 1 brings all it can; the rest of week 3 is lost.
    data = base(
        fleets=[{"id": "ONE", "tanks": 1}],
        lanes=[
            lane(
                "road",
                "STORE",
                "BOTTLER",
                "GIN",
                return_days=7,
                tanks=[{"tank_type": "T7", "cost_per_load": 100.0, "fleet": "ONE"}],
            )
        ],
        demand=[ask(2, 4_000.0), ask(3, 4_000.0)],
    )
    plan = planned(data)
    assert loads_by_week(plan, "road") == {1: 1}
    (load,) = plan.loads
    assert plan.costs.total == pytest.approx(100.0 + 10.0 * (8_000.0 - load.lpa))
    # A load under way with the only tank keeps it away in week 1.
    busy = data | {
        "loads": [
            {
                "load_id": "U",
                "lane": "road",
                "liquid": "GIN",
                "tank_type": "T7",
                "state": "under_way",
                "departs_on": week(0),
                "usable_on": week(1),
                "lpa": 100.0,
            }
        ]
    }
    # It is back on Monday of week 2; the first load leaves in week 3 and comes too late.
    assert planned(busy).costs.total == pytest.approx(10.0 * 7_900.0)


@pytest.mark.parametrize(
    ("usable", "return_days", "first_load"),
    [
        (week(1, 2), 4, 2),  # Wednesday + 4 = Sunday of week 1: free in week 2
        (week(1, 2), 5, 3),  # + 5 = Monday of week 2: still away then
        (week(2, 6), 0, 3),  # there on Sunday of week 2, and free at once
        (week(2, 6), 1, 4),
        (week(4, 6), 0, None),
    ],
)
def test_a_load_under_way_is_away_until_its_own_day_and_the_way_back(
    usable, return_days, first_load
):
    # The lane's own days (27 of transit, 3 for discharging) count for new loads only: one that
    # leaves now comes too late for the demand, but for the target, which pays for one load.
    # The cheapest week is the first in which the only tank is back: a load costs 0.1 an LPA and
    # week at STORE as long as it stays there.
    data = base(
        sites=[
            site(
                "STORE",
                "depot",
                [tank("S", 100_000.0, "GIN")],
                storage_cost_per_lpa_per_period=0.1,
            ),
            site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")]),
        ],
        fleets=[{"id": "ONE", "tanks": 1}],
        lanes=[
            lane(
                "road",
                "STORE",
                "BOTTLER",
                "GIN",
                transit_days=27,
                discharge_days=3,
                return_days=return_days,
                tanks=[{"tank_type": "T7", "cost_per_load": 100.0, "fleet": "ONE"}],
            )
        ],
        opening_stock=[stock("STORE", "GIN", 4_000.0)],
        stock_policies=[
            {
                "site": "BOTTLER",
                "liquid": "GIN",
                "closing_lpa": 4_100.0,
                "closing_cost_per_lpa": 1.0,
            }
        ],
        loads=[
            {
                "load_id": "U",
                "lane": "road",
                "liquid": "GIN",
                "tank_type": "T7",
                "state": "under_way",
                "departs_on": week(0),
                "usable_on": usable,
                "lpa": 100.0,
            }
        ],
    )
    plan = planned(data)
    sent = [load.period for load in plan.loads if load.kind is LoadKind.PLANNED]
    assert sent == ([] if first_load is None else [first_load])
    weeks_stored = 4 if first_load is None else first_load - 1
    missed = 4_000.0 if first_load is None else 0.0
    freight = 0.0 if first_load is None else 100.0
    assert plan.costs.handling == pytest.approx(400.0 * weeks_stored)
    assert plan.costs.total == pytest.approx(400.0 * weeks_stored + missed + freight)


def test_two_liquids_in_one_tank_under_way_are_one_tank_away():
    """Usable in week 2 and back at once: a fleet of one tank sends its load in week 3."""

    def data(in_tank_of: str | None):
        on_the_way = {
            "lane": "road", "tank_type": "T7", "state": "under_way", "departs_on": week(0),
            "usable_on": week(2),
        }  # fmt: skip
        return two_liquids(
            [tank("B", 50_000.0, "GIN"), tank("C", 50_000.0, "DRY")],
            fleets=[{"id": "ONE", "tanks": 1}],
            lanes=[
                lane("road", "STORE", "BOTTLER", "GIN", "DRY", transit_days=1,
                     tanks=[{"tank_type": "T7", "cost_per_load": 1.0, "fleet": "ONE"}]),
            ],
            loads=[
                on_the_way | {"load_id": "U", "liquid": "GIN", "lpa": 100.0},
                on_the_way | {"load_id": "U.2", "liquid": "DRY", "lpa": 90.0,
                              "in_tank_of": in_tank_of},
            ],
        )  # fmt: skip

    with pytest.raises(NoPlanError, match="fleet ONE"):
        planned(data(None))
    plan = planned(data("U"))
    assert {load.load_id: load.lpa for load in plan.loads if load.kind is LoadKind.UNDER_WAY} == {
        "U": 100.0,
        "U.2": 90.0,
    }


COMPARTMENTS = tank_type(
    "T2C", 6_000.0, compartments=[{"capacity_litres": 3_000.0}, {"capacity_litres": 3_000.0}]
)


def compartments(*demand, **changes):
    return two_liquids(
        [tank("B", 50_000.0, "GIN"), tank("C", 50_000.0, "DRY")],
        tank_types=[COMPARTMENTS],
        lanes=[
            lane(
                "road",
                "STORE",
                "BOTTLER",
                "GIN",
                "DRY",
                tanks=[{"tank_type": "T2C", "cost_per_load": 100.0}],
                **changes,
            )
        ],
        demand=list(demand),
    )


def test_compartments_carry_different_liquids():
    # A compartment of 3,000 litres takes about 2,250 LPA. 2,000 of each liquid go in one load;
    # 3,000 of each fill two compartments each, two loads.
    plan = planned(compartments(ask(2, 2_000.0), ask(2, 2_000.0, what="DRY")))
    assert plan.costs.total == pytest.approx(100.0)
    (load,) = plan.loads
    assert sorted(part.liquid for part in load.parts) == ["DRY", "GIN"]
    more = planned(compartments(ask(2, 3_000.0), ask(2, 3_000.0, what="DRY")))
    assert more.costs.total == pytest.approx(200.0)
    assert all(len(load.parts) == 2 for load in more.loads)


def test_compartments_share_the_weight_limit():
    # 3,000 kg on the lane are 1,500 kg = 1,397 LPA a compartment (1.0741 kg an LPA): 1,300 of each
    # liquid go in one load, 1,500 of each need two compartments each.
    def cost(lpa: float) -> float:
        data = compartments(ask(2, lpa), ask(2, lpa, what="DRY"), payload_limit_kg=3_000.0)
        return planned(data).costs.total

    assert cost(1_300.0) == pytest.approx(100.0)
    assert cost(1_500.0) == pytest.approx(200.0)


def test_promised_loads_of_a_compartmented_tank():
    rows = [
        {
            "load_id": name,
            "lane": "road",
            "liquid": what,
            "tank_type": "T2C",
            "state": "promised",
            "departs_on": week(1),
        }
        for name, what in (("P1", "GIN"), ("P2", "DRY"))
    ]
    # Two loads are promised, one with GIN and one with DRY, though one would carry both: 200.
    plan = planned(compartments() | {"loads": rows})
    assert plan.costs.total == pytest.approx(200.0)
    assert {load.load_id for load in plan.loads} == {"P1", "P2"}


def sea(**sailings):
    """A vessel leaves every Friday; cut-off two days before; three days at sea."""
    return base(
        lanes=[
            lane(
                "sea",
                "STORE",
                "BOTTLER",
                "GIN",
                transit_days=3,
                sailings={"weekday": "friday", "cut_off_days": 2, **sailings},
            )
        ],
        demand=[ask(3, 1_000.0)],
        priorities=[{"id": "core", "unmet": "carried", "cost_per_lpa": 1.0}],
    )


def test_sailing_days():
    # Cut-off Wednesday 6 January, sails Friday 8, arrives Monday 11 (week 2): usable in week 2.
    plan = planned(sea())
    load = plan.loads[0]
    assert plan.costs.total == pytest.approx(100.0)
    days = (load.loading_day, load.leaving_day, load.arrival_day)
    assert days in [(week(t, 2), week(t, 4), week(t + 1)) for t in (1, 2)]


def test_blank_sailings_and_port_closures():
    # With the sailings of 8 and 15 January blank (or the port shut), the vessel of 22 January
    # arrives on Monday of week 4: the demand of week 3 waits one week: 1,000 + 100.
    blank = sea(blank_days=[week(1, 4), week(2, 4)])
    assert planned(blank).costs.total == pytest.approx(1_100.0)
    shut = sea(port_closures=[{"first_day": week(1, 3), "last_day": week(2, 5)}])
    assert planned(shut).costs.total == pytest.approx(1_100.0)


def test_every_other_week():
    # From Friday 8 January every two weeks: 8 and 22 January. The first brings what week 3 needs.
    # From 15 January: 15 (week 2, arrives Monday of week 3). From 22 January: a week late.
    assert planned(sea(every_weeks=2)).costs.total == pytest.approx(100.0)
    late = planned(sea(every_weeks=2, first_day=week(2, 4)))
    assert late.costs.total == pytest.approx(100.0)
    assert {load.leaving_day for load in late.loads} == {week(2, 4)}
    assert planned(sea(every_weeks=2, first_day=week(3, 4))).costs.total == pytest.approx(1_100.0)


def test_cut_off_moves_back_to_a_working_day():
    # Sails on Monday; the cut-off two days before is a Saturday, so Friday. With Friday 8 January a
    # holiday at STORE it is Thursday.
    data = sea()
    data["lanes"][0]["sailings"] = {"weekday": "monday", "cut_off_days": 2}
    plan = planned(data)
    assert plan.loads[0].loading_day == plan.loads[0].leaving_day - (week(2) - week(1, 4))
    data["sites"][0]["holidays"] = [week(1, 4)]
    data["demand"] = [ask(3, 1_000.0), ask(2, 0.0)]
    first = planned(data | {"lanes": [data["lanes"][0] | {"transit_days": 6}]})
    # 6 days at sea from Monday 11 January: Sunday 17, discharged on Monday of week 3.
    assert (first.loads[0].loading_day, first.loads[0].discharge_day) == (week(1, 3), week(3))


def test_bottler_shutdown_delays_discharge():
    # The load of week 1 arrives on Tuesday of week 1; the bottler is shut until Monday of week 2,
    # so it is discharged on Tuesday of week 2 and usable in week 3. Demand of week 2 waits a week:
    # 1,000 x 1 + 100.
    data = base(
        demand=[ask(2, 1_000.0)],
        priorities=[{"id": "core", "unmet": "carried", "cost_per_lpa": 1.0}],
    )
    assert planned(data).costs.total == pytest.approx(100.0)
    data["sites"][1]["closures"] = [{"first_day": week(1, 1), "last_day": week(2)}]
    assert planned(data).costs.total == pytest.approx(1_100.0)


def test_a_week_without_working_day_sends_nothing():
    # STORE is shut all week 1: nothing leaves before week 2, which arrives for week 3.
    data = base(
        demand=[ask(2, 1_000.0)],
        priorities=[{"id": "core", "unmet": "carried", "cost_per_lpa": 1.0}],
    )
    data["sites"][0]["holidays"] = [week(1, day) for day in range(5)]
    plan = planned(data)
    assert plan.costs.total == pytest.approx(1_100.0)
    assert loads_by_week(plan, "road") == {2: 1}
