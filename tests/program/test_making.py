"""Stills, recipes, let-down, vatting and judging: each optimum worked by hand."""

import pytest

from tests.program.builders import (
    ask,
    base,
    contract,
    distilling,
    lane,
    liquid,
    loads_by_week,
    neutral,
    planned,
    site,
    still,
    stock,
    supplier,
    tank,
    week,
    works,
)

PLAIN = distilling("dry", "GIN", ("NS", 100.0))


def test_charges_are_whole_and_the_cheaper_still_goes_first():
    # Charges of 1,000 LPA for 50 on the large still (two a week) and of 600 for 40 on the small.
    # 2,500 in week 1: two large + one small = 140 (no other choice reaches 2,500 for less:
    # one large + three small = 170, large still has no third charge).
    data = works(
        still("LARGE", "dry", hours_per_period=2.0, cost_per_charge=50.0),
        still("SMALL", "dry", litres=600.0, cost_per_charge=40.0),
        recipes=[PLAIN],
        demand=[ask(1, 2_500.0, "WORKS")],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(140.0)
    assert {(run.still, run.charges) for run in plan.runs} == {("LARGE", 2.0), ("SMALL", 1.0)}


def test_charge_strength_and_yield():
    # 1,000 litres at 60 % vol are 600 LPA, of which 80 % are hearts: 480 a charge. 900 need two.
    recipe = distilling(
        "dry", "GIN", ("NS", 100.0), charge_strength_percent=60.0, hearts_percent_of_lpa=80.0
    )
    data = works(
        still("POT", "dry", cost_per_charge=50.0), recipes=[recipe], demand=[ask(1, 900.0, "WORKS")]
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(100.0)
    (run,) = plan.runs
    assert run.inputs == (("NS", "any", pytest.approx(1_200.0)),)
    assert run.hearts_lpa == pytest.approx(960.0)


def test_a_continuous_still_makes_part_charges():
    # 900 of charges of 480 hearts: 1.875 charges at 50.
    recipe = distilling(
        "dry", "GIN", ("NS", 100.0), charge_strength_percent=60.0, hearts_percent_of_lpa=80.0
    )
    data = works(
        still("COLUMN", "dry", cost_per_charge=50.0, continuous=True),
        recipes=[recipe],
        demand=[ask(1, 900.0, "WORKS")],
    )
    assert planned(data).costs.total == pytest.approx(93.75)


def test_days_to_vat_delay_the_hearts():
    # A charge of week 1 is run by Sunday 10 January; 8 days on is Monday 18, of week 3, which it
    # serves. Week 2 is lost.
    recipe = distilling("dry", "GIN", ("NS", 100.0), days_to_vat=8)
    data = works(
        still("POT", "dry"),
        recipes=[recipe],
        demand=[ask(2, 100.0, "WORKS"), ask(3, 900.0, "WORKS")],
    )
    assert planned(data).costs.total == pytest.approx(1_000.0)


def test_a_shutdown_takes_its_share_of_the_hours():
    # Ten charges a week; shut on Monday and Tuesday: 5/7 of the hours, 7.14, so 7 charges.
    closed = [{"first_day": week(1), "last_day": week(1, 1)}]
    data = works(
        still("POT", "dry", shutdowns=closed), recipes=[PLAIN], demand=[ask(1, 9_000.0, "WORKS")]
    )
    assert planned(data).costs.shortage == pytest.approx(20_000.0)
    of_site = works(
        still("POT", "dry"),
        recipes=[PLAIN],
        demand=[ask(1, 9_000.0, "WORKS")],
        site={"closures": closed},
    )
    assert planned(of_site).costs.shortage == pytest.approx(20_000.0)


def two_gins(**changes):
    """WORKS makes GIN and DRY, each from NS, on one still of ten charges of 1,000 a week."""
    data = works(
        still("POT", "gin", "dry", **changes.pop("still", {})),
        recipes=[
            distilling("gin", "GIN", ("NS", 100.0)),
            distilling("dry", "DRY", ("NS", 100.0)),
        ],
        **changes,
    )
    data["liquids"].append(liquid("DRY"))
    data["sites"][0]["tanks"].append(tank("D", 1e6, "DRY"))
    return data


def test_cleaning_between_liquids_takes_hours():
    # Ten hours, a charge an hour, cleaning 3 hours. 4,000 of each in week 1. Set to gin at the
    # start: gin needs no cleaning, dry one: 10 - 3 = 7 charges; 1,000 are lost. Without
    # ``last_recipe`` both are cleaned for: 4 charges, 4,000 are lost.
    demand = [ask(1, 4_000.0, "WORKS", "GIN"), ask(1, 4_000.0, "WORKS", "DRY")]
    set_to_gin = two_gins(demand=demand, still={"cleaning_hours": 3.0, "last_recipe": "gin"})
    assert planned(set_to_gin).costs.shortage == pytest.approx(10_000.0)
    clean = two_gins(demand=demand, still={"cleaning_hours": 3.0})
    assert planned(clean).costs.shortage == pytest.approx(40_000.0)


def test_a_still_stays_set_over_the_weekend():
    # 9,000 of gin in week 1, 6,000 of dry in week 2, set to gin, cleaning 3 hours, and in week 2
    # gin 1,000. Week 1: 9 charges of gin, one hour left. Week 2: dry 6 charges + cleaning = 9
    # hours, gin 1 charge: set to gin from week 1, so no second cleaning: 10 hours. Nothing is lost.
    # With charges of gin made ahead in week 1 (10 charges) it would work too; with 10,000 in week 1
    # only the carried setting does.
    data = two_gins(
        demand=[
            ask(1, 10_000.0, "WORKS", "GIN"),
            ask(2, 6_000.0, "WORKS", "DRY"),
            ask(2, 1_000.0, "WORKS", "GIN"),
        ],
        still={"cleaning_hours": 3.0, "last_recipe": "gin"},
    )
    assert planned(data).costs.total == pytest.approx(0.0, abs=1e-6)
    # Set to nothing at the start, week 1 loses three charges.
    del data["sites"][0]["stills"][0]["last_recipe"]
    assert planned(data).costs.total == pytest.approx(30_000.0)


def test_minimum_campaign():
    # At least 4 charges in a row, 50 each: 1,000 of gin cost 200, not 50.
    data = two_gins(
        demand=[ask(1, 1_000.0, "WORKS", "GIN")],
        still={"minimum_campaign_charges": 4, "cost_per_charge": 50.0},
    )
    assert planned(data).costs.total == pytest.approx(200.0)


def test_a_campaign_may_run_over_the_end_of_a_week():
    # Two hours a week; 2,000 in week 1 and 2,000 in week 2: a campaign of 4 charges, 2 and 2, set
    # to gin from the start. Nothing is lost: 4 x 50.
    data = two_gins(
        demand=[ask(1, 2_000.0, "WORKS", "GIN"), ask(2, 2_000.0, "WORKS", "GIN")],
        still={
            "minimum_campaign_charges": 4,
            "cost_per_charge": 50.0,
            "hours_per_period": 2.0,
            "last_recipe": "gin",
        },
    )
    assert planned(data).costs.total == pytest.approx(200.0)


FEINTY = distilling(
    "dry",
    "GIN",
    ("NS", 100.0),
    hearts_percent_of_lpa=80.0,
    feints_percent_of_lpa=15.0,
    feints_liquid="FEINTS",
)


def test_feints_are_sold():
    # A charge of 1,000 gives 800 hearts and 150 feints, sold at 0.5: 50 - 75.
    data = works(
        still("POT", "dry", cost_per_charge=50.0),
        recipes=[FEINTY],
        demand=[ask(1, 800.0, "WORKS")],
        site={"feints_sale_price_per_lpa": 0.5},
    )
    plan = planned(data | {"opening_stock": [stock("WORKS", "NS", 1_000.0)]})
    assert plan.costs.sales == pytest.approx(75.0)
    assert plan.costs.total == pytest.approx(-25.0)


def test_feints_are_redistilled():
    # 1,000 LPA of spirit: one charge gives 800 hearts and 150 feints. A charge of feints on the
    # small still (150 litres of pure alcohol) gives 120 more: 920 of the 1,000 asked for.
    again = distilling("again", "GIN", ("FEINTS", 100.0), hearts_percent_of_lpa=80.0)
    data = works(
        still("POT", "dry"),
        still("SMALL", "again", litres=150.0),
        recipes=[FEINTY, again],
        demand=[ask(2, 1_000.0, "WORKS")],
    )
    plan = planned(data | {"opening_stock": [stock("WORKS", "NS", 1_000.0)]})
    assert plan.costs.shortage == pytest.approx(800.0)


def test_feints_that_nobody_takes_fill_their_tank():
    # Feints have a tank of 300 litres at 70 % = 210 LPA and no buyer: one charge (150), not two.
    data = works(still("POT", "dry"), recipes=[FEINTY], demand=[ask(1, 1_600.0, "WORKS")])
    data["sites"][0]["tanks"][2]["capacity_litres"] = 300.0
    assert planned(data).costs.shortage == pytest.approx(8_000.0)


def test_a_recipe_of_several_inputs():
    # Gin from 60 % grain spirit and 40 % cane spirit. 1,000 of grain and 1,000 of cane: charges of
    # 1,000 take 600 + 400, so one charge (a second lacks 200 of grain): 1,000 of 2,000 are lost.
    data = works(
        still("POT", "mixed"),
        recipes=[distilling("mixed", "GIN", ("NS", 60.0), ("CANE", 40.0))],
        demand=[ask(1, 2_000.0, "WORKS")],
        opening_stock=[stock("WORKS", "NS", 1_000.0), stock("WORKS", "CANE", 1_000.0)],
    )
    data["liquids"].append(neutral("CANE"))
    data["sites"][0]["tanks"].append(tank("C", 1e6, "CANE"))
    assert planned(data).costs.shortage == pytest.approx(10_000.0)


LET_DOWN = {
    "id": "let-down",
    "makes": "GIN",
    "method": "let_down",
    "inputs": [
        {"liquid": "BASE", "share_percent_of_lpa": 25.0},
        {"liquid": "NS", "share_percent_of_lpa": 75.0},
    ],
    "loss_percent": 10.0,
    "cost_per_lpa_made": 0.1,
}


def test_let_down_at_the_distillery():
    # 900 of GIN take 900 / 0.9 = 1,000 of inputs: 250 BASE and 750 NS, and cost 90. With 200 of
    # BASE only 720 come about: 72 + 180 x 10.
    def data(lpa: float):
        made = works(
            recipes=[LET_DOWN | {"sites": ["WORKS"]}],
            demand=[ask(1, 900.0, "WORKS")],
            opening_stock=[stock("WORKS", "NS", 5_000.0), stock("WORKS", "BASE", lpa)],
        )
        made["liquids"].append(liquid("BASE"))
        made["sites"][0]["tanks"].append(tank("C", 1e6, "BASE"))
        return made

    plan = planned(data(250.0))
    assert plan.costs.total == pytest.approx(90.0)
    (row,) = plan.let_downs
    assert {one: lpa for one, _, lpa in row.inputs} == pytest.approx({"BASE": 250.0, "NS": 750.0})
    assert planned(data(200.0)).costs.total == pytest.approx(72.0 + 1_800.0)


def test_let_down_at_the_bottler_makes_more_than_was_shipped():
    # BASE comes from STORE (100 a load), NS from the bottler's own supplier (60 a load, 1 an LPA)
    # with 8 days of receipt check: usable two weeks later. 1,000 of GIN in week 3 take 277.8 of
    # BASE (0.36 an LPA on the road: 100) and 833.3 of NS: 100 + 100 + 60 + 833.3 + 100 (letting
    # down).
    data = base(
        liquids=[liquid("GIN"), liquid("BASE"), neutral("NS")],
        recipes=[LET_DOWN | {"sites": ["BOTTLER"]}],
        suppliers=[supplier("LOCAL", contract("NS", 1.0), receipt_check_days=8)],
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "BASE")]),
            site(
                "BOTTLER",
                "bottler",
                [tank("B", 50_000.0, "GIN"), tank("C", 9e3, "BASE"), tank("N", 9e3, "NS")],
            ),
        ],
        lanes=[
            lane("road", "STORE", "BOTTLER", "BASE", cost_per_lpa=0.36),
            lane("local", "LOCAL", "BOTTLER", "NS", cost=60.0),
        ],
        opening_stock=[stock("STORE", "BASE", 5_000.0)],
        demand=[ask(3, 1_000.0)],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(200.0 + 60.0 + 2_500.0 / 3.0 + 100.0)
    shipped = sum(load.lpa for load in plan.loads if load.lane == "road")
    assert shipped == pytest.approx(2_500.0 / 9.0)
    # A week earlier the spirit is not yet checked.
    assert planned(data | {"demand": [ask(2, 1_000.0)]}).costs.total == pytest.approx(10_000.0)


def released(**release):
    return {"release": {"lag_days": 7, **release}}


def test_vatting_and_release_lag():
    # Charges of week 1 are run by its end, vatted in week 2 and released a week later: week 2 is
    # lost, week 3 served. Each lot costs 30.
    data = works(
        still("POT", "dry"),
        recipes=[PLAIN],
        demand=[ask(2, 100.0, "WORKS"), ask(3, 1_000.0, "WORKS")],
        site=released(cost_per_lot=30.0),
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(1_000.0 + 30.0)
    (vatting,) = plan.vattings
    assert (vatting.period, vatting.release_period, vatting.lots) == (2, 3, 1)


@pytest.mark.parametrize(
    ("days_to_vat", "lag_days", "vatted", "released"),
    [
        (0, 0, 2, 2),  # run by Sunday 10, vatted and released on Monday 11
        (0, 1, 2, 3),  # Tuesday 12
        (2, 5, 2, 3),  # vatted on Wednesday 13, released on Monday 18
        (2, 6, 2, 4),  # Tuesday 19
        (6, 8, 2, 4),  # vatted on Sunday 17, released on Monday 25: 14 days, no day rounded twice
        (7, 7, 3, 4),  # vatted on Monday 18, released on Monday 25
        (8, 7, 3, 5),  # vatted on Tuesday 19, released on Tuesday 26: beyond the four weeks
    ],
)
def test_days_from_charge_to_release_are_added_and_rounded_once(
    days_to_vat: int, lag_days: int, vatted: int, released: int
):
    # A charge of week 1 for each week's 1,000. The first week served is that of the release.
    recipe = distilling("dry", "GIN", ("NS", 100.0), days_to_vat=days_to_vat)
    data = works(
        still("POT", "dry"),
        recipes=[recipe],
        demand=[ask(number, 1_000.0, "WORKS") for number in range(1, 5)],
        site={"release": {"lag_days": lag_days}},
    )
    plan = planned(data)
    served = [row.period for row in plan.demand if row.served]
    assert served == list(range(released, 5))
    if served:
        first = min(plan.vattings, key=lambda one: one.period)
        assert (first.period, first.release_period) == (vatted, released)


def test_what_is_made_in_a_week_is_loaded_from_the_next_on():
    # Hearts of week 1 serve the works in week 1, but are loaded in week 2 at the earliest and serve
    # the bottler in week 3. On the Monday of week 1 only the 200 in stock can leave: of 1,000 asked
    # for in week 2, 800 are lost.
    data = works(
        still("POT", "dry"),
        recipes=[PLAIN],
        demand=[ask(1, 600.0, "WORKS"), ask(2, 1_000.0), ask(3, 1_000.0)],
        opening_stock=[stock("WORKS", "NS", 100_000.0), stock("WORKS", "GIN", 200.0)],
        tank_types=base()["tank_types"],
        lanes=[lane("road", "WORKS", "BOTTLER", "GIN")],
    )
    data["sites"].append(site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")]))
    plan = planned(data)
    assert plan.costs.shortage == pytest.approx(8_000.0)
    assert [(load.period, round(load.lpa)) for load in plan.loads] == [(1, 200), (2, 1_000)]


def test_feints_go_back_into_charges_of_later_weeks_only():
    # A charge by the first recipe gives 900 for 50, and 100 of feints; one by the second takes 500
    # of feints and gives 1,000 for 1. Week 1 has no feints yet: its 5,500 take seven charges by the
    # first (6,300). Week 2 has 800 over and 700 of feints: one by the second.
    again = distilling("again", "GIN", ("NS", 50.0), ("FEINTS", 50.0))
    first = distilling("first", "GIN", ("NS", 100.0), hearts_percent_of_lpa=90.0,
                       feints_percent_of_lpa=10.0, feints_liquid="FEINTS")  # fmt: skip
    data = works(
        still("POT", "first", cost_per_charge=50.0),
        still("COLUMN", "again", cost_per_charge=1.0),
        recipes=[first, again],
        demand=[ask(1, 5_500.0, "WORKS"), ask(2, 1_000.0, "WORKS")],
    )
    plan = planned(data)
    runs = {(run.period, run.recipe): run.charges for run in plan.runs}
    assert runs == {(1, "first"): 7, (2, "again"): 1}


def test_what_is_let_down_is_loaded_a_week_later():
    # Let down in week 1 for the works' own demand of week 1; a load of it leaves in week 2 and
    # serves week 3. Week 2 at the bottler is lost: 1,000.
    recipe = LET_DOWN | {"sites": ["WORKS"], "loss_percent": 0.0, "cost_per_lpa_made": 0.0}
    data = works(
        recipes=[recipe],
        demand=[ask(1, 100.0, "WORKS"), ask(2, 100.0), ask(3, 100.0)],
        opening_stock=[stock("WORKS", "NS", 5_000.0), stock("WORKS", "BASE", 5_000.0)],
        tank_types=base()["tank_types"],
        lanes=[lane("road", "WORKS", "BOTTLER", "GIN")],
    )
    data["liquids"].append(liquid("BASE"))
    data["sites"][0]["tanks"].append(tank("C", 1e6, "BASE"))
    data["sites"].append(site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")]))
    plan = planned(data)
    assert plan.costs.total == pytest.approx(1_000.0 + 100.0)
    assert loads_by_week(plan, "road") == {2: 1}


def test_vatting_size():
    # Vattings of 1,500 to 2,000: 1,000 asked for in week 3 take two charges, as one charge is no
    # vatting; 3,000 take three charges and two vattings; 2,200 (no split into whole charges
    # reaches it in one vatting): three charges, two vattings of 1,500.
    def cost(lpa: float) -> float:
        data = works(
            still("POT", "dry", cost_per_charge=50.0),
            recipes=[PLAIN],
            demand=[ask(3, lpa, "WORKS")],
            site=released(
                vatting_minimum_lpa=1_500.0, vatting_maximum_lpa=2_000.0, cost_per_lot=30.0
            ),
        )
        return planned(data).costs.total

    assert cost(1_000.0) == pytest.approx(100.0 + 30.0)
    assert cost(3_000.0) == pytest.approx(150.0 + 60.0)
    assert cost(2_200.0) == pytest.approx(150.0 + 60.0)


def test_panel_and_laboratory_set_the_release_dates():
    # The panel judges two lots a week, the laboratory three; an opening lot is due in week 2, so
    # one new lot (2,000 at most) is judged then: of 4,000 asked for in week 3, 2,000 are lost. The
    # opening lot itself (500 litres = 400 LPA) enters in week 3 and serves 400 of them.
    data = works(
        still("POT", "dry"),
        recipes=[PLAIN],
        demand=[ask(3, 4_000.0, "WORKS")],
        site=released(
            vatting_maximum_lpa=2_000.0, panel_lots_per_period=2, laboratory_lots_per_period=3
        ),
        lots=[
            {
                "lot_id": "1",
                "liquid": "GIN",
                "site": "WORKS",
                "litres_20c": 500.0,
                "strength_percent": 80.0,
                "status": "awaiting",
                "decision_due": week(2, 3),
            }
        ],
    )
    assert planned(data).costs.shortage == pytest.approx(16_000.0)


def test_let_down_passes_the_gate_too():
    # Where the site has a release gate, what is let down there in week 1 is vatted in week 2 and
    # waits a week as well: it serves week 3.
    data = works(
        recipes=[LET_DOWN | {"sites": ["WORKS"], "loss_percent": 0.0, "cost_per_lpa_made": 0.0}],
        demand=[ask(2, 100.0, "WORKS"), ask(3, 100.0, "WORKS")],
        opening_stock=[stock("WORKS", "NS", 5_000.0), stock("WORKS", "BASE", 5_000.0)],
        site=released(),
    )
    data["liquids"].append(liquid("BASE"))
    data["sites"][0]["tanks"].append(tank("C", 1e6, "BASE"))
    assert planned(data).costs.total == pytest.approx(1_000.0)


def test_hearts_and_unreleased_lots_need_room():
    # The GIN tank holds 2,000 litres = 1,600 LPA: one charge of 1,000 fits, two do not. Of 2,000
    # asked for in week 3, 1,000 are lost.
    data = works(
        still("POT", "dry"),
        recipes=[PLAIN],
        demand=[ask(3, 2_000.0, "WORKS")],
        site=released(),
    )
    data["sites"][0]["tanks"][1]["capacity_litres"] = 2_000.0
    assert planned(data).costs.shortage == pytest.approx(10_000.0)
