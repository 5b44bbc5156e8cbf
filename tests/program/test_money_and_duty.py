"""Contracts, currencies, guarantees, duty, origin classes: each optimum worked by hand."""

from datetime import timedelta

import pytest

from bulkflow.errors import InputError, PlanningError
from bulkflow.program.build import build_program
from tests.program.builders import (
    START,
    ask,
    base,
    contract,
    distilling,
    lane,
    liquid,
    loads_by_week,
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


def buying(*contracts, lpa=((2, 1_000.0),), **changes):
    """GIN is bought from SELLER and used at the bottler; a load costs 100."""
    return base(
        **{
            "suppliers": [supplier("SELLER", *contracts)],
            "sites": [site("BOTTLER", "bottler", [tank("B", 50_000.0, "GIN")])],
            "lanes": [lane("road", "SELLER", "BOTTLER", "GIN")],
            "opening_stock": [],
            "demand": [ask(number, amount) for number, amount in lpa],
        }
        | changes
    )


def test_bought_at_the_contract_price():
    plan = planned(buying(contract("GIN", 2.0)))
    assert plan.costs.total == pytest.approx(2_000.0 + 100.0)
    (row,) = plan.purchases
    assert (row.supplier, row.liquid, row.tier, row.lpa) == ("SELLER", "GIN", 0, 1_000.0)


def test_contract_minimum_and_maximum():
    # At least 1,500 must be bought though 1,000 are needed: 3,000 + 100. At most 600: 400 lost.
    assert planned(buying(contract("GIN", 2.0, minimum_lpa=1_500.0))).costs.total == pytest.approx(
        3_100.0
    )
    for limit in ({"maximum_lpa": 600.0}, {"maximum_lpa_per_period": 600.0}):
        plan = planned(buying(contract("GIN", 2.0, **limit), lpa=((2, 1_000.0),)))
        assert plan.costs.total == pytest.approx(1_200.0 + 100.0 + 4_000.0)


def test_contract_dates():
    # The contract starts on Tuesday of week 1, so it sells from week 2: the demand of week 2 is
    # lost, that of week 3 is served.
    data = buying(contract("GIN", 2.0, first_day=week(1, 1)), lpa=((2, 100.0), (3, 100.0)))
    assert planned(data).costs.total == pytest.approx(1_000.0 + 200.0 + 100.0)
    ended = buying(contract("GIN", 2.0, last_day=week(1, 1)), lpa=((2, 100.0), (4, 100.0)))
    plan = planned(ended)
    assert [row.period for row in plan.purchases] == [1]
    assert plan.costs.total == pytest.approx(400.0 + 100.0)


def test_price_changes_by_week():
    # 2.0 at first, 1.0 from week 2, 3.0 from week 3. 1,000 for week 2 cost 2,000 (bought in week
    # 1); 1,000 for week 4 are bought in week 2 at 1.0 with the second load.
    prices = [
        {"supplier": "SELLER", "liquid": "GIN", "first_day": week(2), "price_per_lpa": 1.0},
        {"supplier": "SELLER", "liquid": "GIN", "first_day": week(3), "price_per_lpa": 3.0},
    ]
    data = buying(contract("GIN", 2.0), lpa=((2, 1_000.0), (4, 1_000.0)), prices=prices)
    assert planned(data).costs.total == pytest.approx(2_000.0 + 1_000.0 + 200.0)


def tiers(*steps):
    return {
        "liquid": "GIN",
        "tiers": [{"from_lpa": start, "price_per_lpa": price} for start, price in steps],
    }


def test_dearer_tiers_need_no_choice():
    # 600 at 1.0, the rest at 2.0: 600 + 800 + 100.
    data = buying(tiers((0.0, 1.0), (600.0, 2.0)))
    plan = planned(data)
    assert plan.costs.total == pytest.approx(1_500.0)
    assert not any(item.integer for item in build_program(scenario(data)).network.activities)


def test_cheaper_tiers_open_when_the_one_before_is_full():
    # 600 at 2.0, beyond at 1.0. 1,000: 1,200 + 400 + 100. 500 stay in the first tier: 1,000 + 100.
    cheap = tiers((0.0, 2.0), (600.0, 1.0))
    assert planned(buying(cheap)).costs.total == pytest.approx(1_700.0)
    assert planned(buying(cheap, lpa=((2, 500.0),))).costs.total == pytest.approx(1_100.0)


def test_a_cheap_tier_behind_a_dear_one():
    # 100 at 2.0, 300 at 6.0, beyond at 1.0: 1,000 cost 200 + 1,800 + 600. 300 cost 200 + 1,200.
    steps = tiers((0.0, 2.0), (100.0, 6.0), (400.0, 1.0))
    assert planned(buying(steps)).costs.spirit == pytest.approx(2_600.0)
    assert planned(buying(steps, lpa=((2, 300.0),))).costs.spirit == pytest.approx(1_400.0)


def test_other_currencies_at_the_rate_of_the_week():
    # The seller prices in SEK: 0.1 EUR until week 2, 0.05 from week 2. The lane is in SEK as well.
    # Demand of week 3 is bought in week 2: 1,000 x 20 x 0.05 + 100 x 0.05.
    rates = [
        {"currency": "SEK", "first_day": START - timedelta(days=30), "rate": 0.1},
        {"currency": "SEK", "first_day": week(2), "rate": 0.05},
    ]
    data = buying(
        contract("GIN", 20.0),
        lpa=((3, 1_000.0),),
        exchange_rates=rates,
        suppliers=[supplier("SELLER", contract("GIN", 20.0), currency="SEK")],
        lanes=[lane("road", "SELLER", "BOTTLER", "GIN", currency="SEK")],
    )
    plan = planned(data)
    assert plan.costs.spirit == pytest.approx(1_000.0)
    assert plan.costs.freight == pytest.approx(5.0)


def test_a_missing_exchange_rate_is_told():
    data = buying(contract("GIN", 20.0), suppliers=[
        supplier("SELLER", contract("GIN", 20.0), currency="SEK")
    ])  # fmt: skip
    with pytest.raises(InputError) as caught:
        build_program(scenario(data))
    assert str(caught.value) == (
        "exchange_rates of SEK hold no rate on 2027-01-04."
        " Add a row with a first day on or before 2027-01-04."
    )


HOME = {"id": "HOME", "rates": [{"first_day": START, "kind": "per_lpa", "rate": 10.0}]}


def bonded(limit: float, *legs, lpa=((2, 4_000.0),), **changes):
    """A movement guarantee; duty is 10 an LPA unless ``authorities`` say otherwise."""
    return base(
        **{
            "authorities": [HOME],
            "guarantees": [{"id": "BOND", "kind": "movement", "limit": limit}],
            "lanes": [
                lane(
                    "road",
                    "STORE",
                    "BOTTLER",
                    "GIN",
                    legs=[{"authority": "HOME", "guarantee": "BOND"} | leg for leg in legs],
                )
            ],
            "demand": [ask(number, amount) for number, amount in lpa],
        }
        | changes
    )


def test_movement_guarantee_limits_what_is_on_the_road():
    # 30,000 of guarantee cover 3,000 LPA at 10: of 4,000 asked for in week 2, 1,000 are lost.
    plan = planned(bonded(30_000.0, {}))
    assert plan.costs.total == pytest.approx(100.0 + 10_000.0)
    used = {row.period: row.used for row in plan.guarantee_use}
    assert used == pytest.approx({1: 30_000.0, 2: 0.0, 3: 0.0, 4: 0.0})


def test_guarantee_share():
    # Half the duty counts: 4,000 x 10 x 50 % = 20,000 fit.
    assert planned(bonded(30_000.0, {"share_percent": 50.0})).costs.total == pytest.approx(100.0)


def test_days_at_risk_are_rounded_up_to_weeks():
    # From the day of loading (Monday) to day 7 (Monday of the next week): both weeks count. With
    # 4,000 in week 2 and in week 3 two loads follow each other; 40,000 of guarantee cover one.
    # Until day 6 (Sunday) each counts in its own week only.
    lpa = ((2, 4_000.0), (3, 4_000.0))
    assert planned(bonded(40_000.0, {"to_day": 6}, lpa=lpa)).costs.total == pytest.approx(200.0)
    plan = planned(bonded(40_000.0, {"to_day": 7}, lpa=lpa))
    assert plan.costs.total == pytest.approx(100.0 + 40_000.0)


def test_a_guarantee_is_freed_some_days_after_receipt():
    # Loaded on Monday, discharged on Tuesday: with the report 5 days later (Sunday) each load
    # counts in its own week; with 6 (Monday) the second would meet the first. 40,000 cover one.
    lpa = ((2, 4_000.0), (3, 4_000.0))
    plan = planned(bonded(40_000.0, {"days_after_discharge": 5}, lpa=lpa))
    assert plan.costs.total == pytest.approx(200.0)
    plan = planned(bonded(40_000.0, {"days_after_discharge": 6}, lpa=lpa))
    assert plan.costs.total == pytest.approx(100.0 + 40_000.0)
    used = {row.period: row.used for row in plan.guarantee_use}
    assert max(used.values()) == pytest.approx(40_000.0)


def test_legs_may_start_later():
    # At risk from day 7 on: the load of week 1 counts in week 2 (days 7 to 8) and not in week 1.
    # STORE has just what is asked for.
    enough = [stock("STORE", "GIN", 4_000.0)]
    plan = planned(bonded(50_000.0, {"from_day": 7, "to_day": 8}, opening_stock=enough))
    used = {row.period: row.used for row in plan.guarantee_use}
    assert used == pytest.approx({1: 0.0, 2: 40_000.0, 3: 0.0, 4: 0.0})


def test_two_legs_add_up():
    # Two legs with the same guarantee, both in the week of loading, at 100 % and 50 %: 15 an LPA.
    plan = planned(bonded(45_000.0, {}, {"share_percent": 50.0}))
    assert plan.costs.total == pytest.approx(100.0 + 10_000.0)


@pytest.mark.parametrize(
    ("kind", "rate", "duty"),
    [
        ("per_lpa", 10.0, 10.0),
        ("per_litre", 8.0, 10.0),  # 1 LPA is 1.25 litres at 80 % vol
        ("by_value_percent", 500.0, 10.0),  # of 2.0 an LPA
        ("per_litre_degree", 0.1, 10.0),  # 1 LPA is 100 litre-degrees
    ],
)
def test_duty_is_stated_in_many_ways(kind, rate, duty):
    data = bonded(
        1e6,
        {},
        authorities=[{"id": "HOME", "rates": [{"first_day": START, "kind": kind, "rate": rate}]}],
        liquids=[liquid("GIN", value_per_lpa=2.0)],
    )
    plan = planned(data)
    used = {row.period: row.used for row in plan.guarantee_use}
    (load,) = plan.loads
    assert used[load.period] == pytest.approx(load.lpa * duty)


def test_the_rate_of_the_loading_day_counts():
    # 10 until week 2, 20 from then: for week 3 a load of week 1 (40,000) fits, one of week 2
    # (80,000) does not.
    rates = [
        {"first_day": START, "kind": "per_lpa", "rate": 10.0},
        {"first_day": week(2), "kind": "per_lpa", "rate": 20.0},
    ]
    data = bonded(40_000.0, {}, lpa=((3, 4_000.0),), authorities=[{"id": "HOME", "rates": rates}])
    plan = planned(data)
    assert plan.costs.total == pytest.approx(100.0)
    assert plan.loads[0].period == 1


def test_a_missing_rate_is_told():
    data = bonded(
        1e6, {}, authorities=[
            {"id": "HOME", "rates": [{"first_day": week(3), "kind": "per_lpa", "rate": 10.0}]}
        ],
    )  # fmt: skip
    with pytest.raises(InputError) as caught:
        build_program(scenario(data))
    assert str(caught.value) == (
        "authorities HOME has no rate in force on 2027-01-04."
        " Add a rate with a first day on or before 2027-01-04."
    )


def test_loads_under_way_and_frozen_use_the_guarantee():
    # Under way until Wednesday of week 1 with 500 LPA, frozen 1,000 in week 1: 15,000 of 30,000 in
    # week 1. Of the 4,000 asked for 1,500 come so and 1,500 more fit: 1,000 are lost; two loads.
    rows = [
        {"load_id": "F", "state": "frozen", "departs_on": week(1), "lpa": 1_000.0},
        {
            "load_id": "U",
            "state": "under_way",
            "departs_on": week(1) - timedelta(days=3),
            "usable_on": week(1, 2),
            "lpa": 500.0,
        },
    ]
    authority = {"id": "HOME", "rates": [
        {"first_day": START - timedelta(days=60), "kind": "per_lpa", "rate": 10.0}
    ]}  # fmt: skip
    data = bonded(
        30_000.0,
        {},
        authorities=[authority],
        loads=[row | {"lane": "road", "liquid": "GIN", "tank_type": "T7"} for row in rows],
    )
    plan = planned(data)
    assert plan.costs.total == pytest.approx(200.0 + 10_000.0)
    assert plan.guarantee_use[0].used == pytest.approx(30_000.0)


def test_storage_guarantee_limits_stock():
    # 20,000 cover 2,000 LPA at 10 at the bottler. Weeks 2 to 4 ask for 1,500 each; at the end of a
    # week at most 2,000 may lie there. Two loads would do for 4,500, but one that serves two weeks
    # leaves 1,500 at the end of its first: allowed. 3,000 + 1,500: 200.
    # With 10,000 (1,000 LPA) nothing can be held over: three loads.
    def data(limit: float):
        return base(
            authorities=[HOME],
            guarantees=[{"id": "STORE-BOND", "kind": "storage", "limit": limit}],
            sites=[
                site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
                site(
                    "BOTTLER",
                    "bottler",
                    [tank("B", 50_000.0, "GIN")],
                    authority="HOME",
                    storage_guarantee="STORE-BOND",
                ),
            ],
            demand=[ask(t, 1_500.0) for t in (2, 3, 4)],
        )

    assert planned(data(20_000.0)).costs.total == pytest.approx(200.0)
    assert planned(data(10_000.0)).costs.total == pytest.approx(300.0)


def test_lots_on_hold_use_the_storage_guarantee():
    # A held lot of 1,000 litres = 800 LPA takes 8,000 of the 20,000: 1,200 may be held over.
    data = base(
        authorities=[HOME],
        guarantees=[{"id": "STORE-BOND", "kind": "storage", "limit": 20_000.0}],
        sites=[
            site(
                "BOTTLER",
                "bottler",
                [tank("B", 50_000.0, "GIN")],
                authority="HOME",
                storage_guarantee="STORE-BOND",
            ),
        ],
        lanes=[],
        opening_stock=[stock("BOTTLER", "GIN", 1_000.0)],
        lots=[
            {
                "lot_id": "H",
                "liquid": "GIN",
                "site": "BOTTLER",
                "litres_20c": 1_000.0,
                "strength_percent": 80.0,
                "status": "held",
            }
        ],
        demand=[ask(1, 100.0)],
    )
    plan = planned(data)
    used = [row.used for row in plan.guarantee_use]
    assert used == pytest.approx([17_000.0] * 4)


def test_duty_paid_stock_ties_up_capital_and_falls_due():
    # Capital 36.5 % a year = 0.1 % a day; GIN is worth nothing here, duty is 10. 1,000 arrive in
    # week 2 (discharged Tuesday of week 1) and are used in week 3: at the end of week 2 they
    # cost 1,000 x 10 x 0.001 x 7 = 70. Duty is paid 14 days after discharge: it saves
    # 1,000 x 10 x 0.001 x 14 = 140. The load is forced into week 1 (a promised load), and lies for
    # one week. Freight 100.
    data = base(
        finance={"capital_rate_percent_per_year": 36.5},
        authorities=[HOME | {"payment_lag_days": 14}],
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site(
                "BOTTLER",
                "bottler",
                [tank("B", 50_000.0, "GIN")],
                duty_status="paid",
                authority="HOME",
            ),
        ],
        opening_stock=[stock("STORE", "GIN", 1_000.0)],
        demand=[ask(3, 1_000.0)],
        loads=[
            {
                "load_id": "F",
                "lane": "road",
                "liquid": "GIN",
                "tank_type": "T7",
                "state": "frozen",
                "departs_on": week(1),
                "lpa": 1_000.0,
            }
        ],
    )
    plan = planned(data)
    assert plan.costs.capital == pytest.approx(70.0 - 140.0)
    (due,) = plan.duty_due
    assert (due.load_id, due.period, due.amount) == ("F", 2, pytest.approx(10_000.0))
    assert due.payable_on == week(1, 1) + timedelta(days=14)


def test_credit_of_late_arrivals_ends_with_the_horizon():
    # The same with arrival in week 4, the last: 7 days of credit are left, not 14.
    data = base(
        finance={"capital_rate_percent_per_year": 36.5},
        authorities=[HOME | {"payment_lag_days": 14}],
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site(
                "BOTTLER",
                "bottler",
                [tank("B", 50_000.0, "GIN")],
                duty_status="paid",
                authority="HOME",
            ),
        ],
        opening_stock=[stock("STORE", "GIN", 1_000.0)],
        loads=[
            {
                "load_id": "F",
                "lane": "road",
                "liquid": "GIN",
                "tank_type": "T7",
                "state": "frozen",
                "departs_on": week(3),
                "lpa": 1_000.0,
            }
        ],
    )
    # A week of stock at the end costs 70, a week of credit saves 70.
    assert planned(data).costs.capital == pytest.approx(0.0, abs=1e-6)


def two_bases(**market):
    """GIN is made from grain (NS, dear) or cane (CANE, cheap); two markets ask for it."""
    return base(
        liquids=[
            neutral("NS", spirit_base="cereal"),
            neutral("CANE", spirit_base="cane"),
            liquid("GIN"),
        ],
        recipes=[
            distilling("grain", "GIN", ("NS", 100.0)),
            distilling("cane", "GIN", ("CANE", 100.0)),
        ],
        markets=[{"id": "STRICT", **market}, {"id": "FREE"}],
        suppliers=[
            supplier("FARM", contract("NS", 2.0)),
            supplier("ISLAND", contract("CANE", 1.0)),
        ],
        sites=[
            site(
                "WORKS",
                "distillery",
                [
                    tank("N", 1e6, "NS"),
                    tank("C", 1e6, "CANE"),
                    tank("G1", 1e6, "GIN"),
                    tank("G2", 1e6, "GIN"),
                ],
                stills=[still("POT", "grain", "cane")],
            )
        ],
        lanes=[
            lane("a", "FARM", "WORKS", "NS", cost=0.0),
            lane("b", "ISLAND", "WORKS", "CANE", cost=0.0),
        ],
        opening_stock=[],
        demand=[
            ask(3, 1_000.0, "WORKS", market="STRICT"),
            ask(3, 2_000.0, "WORKS", market="FREE"),
        ],
    )


def test_a_market_that_bars_a_base_gets_another():
    # Nothing barred: 3,000 from cane at 1.0. STRICT bars cane: its 1,000 come from grain at 2.0.
    assert planned(two_bases()).costs.total == pytest.approx(3_000.0)
    plan = planned(two_bases(barred_spirit_bases=["cane"]))
    assert plan.costs.total == pytest.approx(2_000.0 + 2_000.0)
    served = {row.market: dict(row.served) for row in plan.demand}
    assert served["STRICT"] == pytest.approx({"any": 1_000.0})
    assert served["FREE"] == pytest.approx({"not-for:STRICT": 2_000.0})


def test_a_market_that_bars_a_supplier_gets_another():
    assert planned(two_bases(barred_suppliers=["ISLAND"])).costs.total == pytest.approx(4_000.0)


def test_classes_are_kept_apart_in_tanks():
    # Both gins wait a week for their release before week 4. With two tanks each has its own; with
    # one tank only one class can be kept: all from grain, 3,000 at 2.0.
    data = two_bases(barred_spirit_bases=["cane"])
    data["sites"][0]["release"] = {"lag_days": 7}
    for row in data["demand"]:
        row["period_start"] = week(4)
    assert planned(data).costs.total == pytest.approx(4_000.0)
    del data["sites"][0]["tanks"][3]
    assert planned(data).costs.total == pytest.approx(6_000.0)


def test_what_is_mixed_is_barred_where_any_input_is():
    # One recipe of half and half: STRICT bars what comes of it, all of its 1,000 are lost.
    data = two_bases(barred_spirit_bases=["cane"])
    data["recipes"] = [distilling("grain", "GIN", ("NS", 50.0), ("CANE", 50.0))]
    data["sites"][0]["stills"] = [still("POT", "grain")]
    plan = planned(data)
    assert plan.costs.shortage == pytest.approx(10_000.0)
    assert plan.costs.spirit == pytest.approx(1_000.0 * 2.0 + 1_000.0 * 1.0)


def test_nothing_is_sent_where_its_class_is_barred():
    # STRICT bars gin from cane. A closing target at its bottler could be met with it for a load,
    # but as nobody there may take it none goes: the target is missed, 1,000 at 3.0.
    data = base(
        liquids=[liquid("GIN", spirit_base="cane")],
        markets=[{"id": "STRICT", "barred_spirit_bases": ["cane"]}, {"id": "FREE"}],
        sites=[
            site("STORE", "depot", [tank("S", 1e5, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")], market="STRICT"),
            site("OTHER", "bottler", [tank("B", 5e4, "GIN")], market="FREE"),
        ],
        lanes=[lane("road", "STORE", "BOTTLER", "GIN"), lane("b", "STORE", "OTHER", "GIN")],
        demand=[ask(1, 0.0), ask(2, 200.0), ask(2, 300.0, "OTHER")],
        stock_policies=[
            {
                "site": "BOTTLER",
                "liquid": "GIN",
                "closing_lpa": 1_000.0,
                "closing_cost_per_lpa": 3.0,
            }
        ],
    )
    plan = planned(data)
    assert loads_by_week(plan, "road") == {}
    # The 200 of STRICT are lost at 10; OTHER is served by one load.
    assert plan.costs.total == pytest.approx(3_000.0 + 2_000.0 + 100.0)


def test_lots_carry_their_restrictions():
    # Two lots of 1,000 LPA: one from a supplier the market bars, one restricted by hand; only stock
    # from nobody named may go. 1,500 asked for, 500 in stock: 1,000 are lost.
    data = base(
        markets=[{"id": "STRICT", "barred_suppliers": ["ISLAND"]}],
        suppliers=[supplier("ISLAND", contract("GIN", 1.0))],
        sites=[
            site("STORE", "depot", [tank("A", 1e5, "GIN"), tank("B", 1e5, "GIN")], market="STRICT")
        ],
        lanes=[],
        opening_stock=[stock("STORE", "GIN", 500.0)],
        lots=[
            {
                "lot_id": name,
                "liquid": "GIN",
                "site": "STORE",
                "litres_20c": 1_250.0,
                "strength_percent": 80.0,
                "status": "released",
                **more,
            }
            for name, more in (("1", {"supplier": "ISLAND"}), ("2", {"restrictions": ["STRICT"]}))
        ],
        demand=[ask(1, 1_500.0, "STORE")],
    )
    assert planned(data).costs.shortage == pytest.approx(10_000.0)


def test_demand_in_cases():
    # 1,000 cases of 6 bottles of 700 ml at 40 % vol are 1,680 LPA; with 4 % bottling loss 1,750.
    # 750 are in stock: 1,000 are lost.
    data = base(
        products=[
            {
                "id": "P",
                "liquid": "GIN",
                "bottle_ml": 700.0,
                "strength_percent": 40.0,
                "bottles_per_case": 6,
                "bottling_loss_percent": 4.0,
            }
        ],
        opening_stock=[stock("BOTTLER", "GIN", 750.0)],
        demand=[{"site": "BOTTLER", "period_start": week(1), "product": "P", "cases": 1_000.0}],
    )
    assert planned(data).costs.total == pytest.approx(10_000.0)


def test_a_promise_that_cannot_be_kept_is_told():
    row = {
        "load_id": "P-1",
        "lane": "road",
        "liquid": "GIN",
        "tank_type": "T7",
        "state": "promised",
        "departs_on": week(1),
    }
    shut = base(loads=[row])
    shut["sites"][0]["holidays"] = [week(1, day) for day in range(5)]
    with pytest.raises(PlanningError, match=r"Load P-1 is promised for 2027-01-04, but no load"):
        build_program(scenario(shut))
    nothing = base(loads=[row], opening_stock=[])
    with pytest.raises(
        PlanningError, match=r"^Load P-1 is promised, but no GIN can ever be at STORE\.$"
    ):
        build_program(scenario(nothing))
    barred = base(
        liquids=[liquid("GIN", spirit_base="cane")],
        markets=[{"id": "STRICT", "barred_spirit_bases": ["cane"]}],
        demand=[ask(2, 1.0, market="STRICT")],
        loads=[row],
    )
    with pytest.raises(
        PlanningError, match=r"no market served from BOTTLER takes the GIN there is"
    ):
        build_program(scenario(barred))
