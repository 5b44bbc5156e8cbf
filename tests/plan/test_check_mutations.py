"""Every check catches the fault it is there for: a good plan is broken in one way after another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from bulkflow.errors import VerificationError
from bulkflow.plan.check import check_plan
from bulkflow.plan.checks.fill import load_fill
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.scenario.model import Scenario
from tests.plan import everything

Broken = tuple[Scenario, Plan]
Mutation = Callable[[Scenario, Plan], Broken]


def change(
    plan: Plan, table: str, which: Callable[[Any], bool], edit: Callable[[Any], Any]
) -> Plan:
    """Return a plan with the first row of a table that fits edited (None drops it)."""
    rows = list(getattr(plan, table))
    place = next(number for number, row in enumerate(rows) if which(row))
    edited = edit(rows[place])
    rows[place : place + 1] = [] if edited is None else [edited]
    return replace(plan, **{table: tuple(rows)})


def in_plan(
    table: str, edit: Callable[[Any], Any], which: Callable[[Any], bool] = lambda row: True
) -> Mutation:
    return lambda scenario, plan: (scenario, change(plan, table, which, edit))


def costs(**parts: float) -> Mutation:
    def edit(scenario: Scenario, plan: Plan) -> Broken:
        moved = {part: getattr(plan.costs, part) + by for part, by in parts.items()}
        return scenario, replace(plan, costs=replace(plan.costs, **moved))

    return edit


def proof(**fields: Callable[[Any], Any]) -> Mutation:
    def edit(scenario: Scenario, plan: Plan) -> Broken:
        moved = {name: change(getattr(plan.proof, name)) for name, change in fields.items()}
        return scenario, replace(plan, proof=replace(plan.proof, **moved))

    return edit


def in_scenario(collection: str, identity: str | int, **fields: Any) -> Mutation:
    """Change a record of the workspace, so that the plan breaks its rule."""

    def edit(scenario: Scenario, plan: Plan) -> Broken:
        records = list(getattr(scenario, collection))
        place = (
            identity
            if isinstance(identity, int)
            else next(n for n, one in enumerate(records) if one.id == identity)
        )
        values = {
            name: value(records[place]) if callable(value) else value
            for name, value in fields.items()
        }
        records[place] = records[place].model_copy(update=values)
        return scenario.model_copy(update={collection: tuple(records)}), plan

    return edit


def both(*edits: Mutation) -> Mutation:
    def edit(scenario: Scenario, plan: Plan) -> Broken:
        for one in edits:
            scenario, plan = one(scenario, plan)
        return scenario, plan

    return edit


def tank_of(site: str, tank: str, **fields: Any) -> Mutation:
    def tanks(record: Any) -> Any:
        return tuple(
            one.model_copy(update=fields) if one.id == tank else one for one in record.tanks
        )

    return in_scenario("sites", site, tanks=tanks)


def still_of(**fields: Any) -> Mutation:
    def stills(record: Any) -> Any:
        return tuple(one.model_copy(update=fields) for one in record.stills)

    return in_scenario("sites", "WORKS", stills=stills)


def release_of(**fields: Any) -> Mutation:
    return in_scenario(
        "sites", "WORKS", release=lambda site: site.release.model_copy(update=fields)
    )


def contract_of_mill(**fields: Any) -> Mutation:
    def contracts(supplier: Any) -> Any:
        return tuple(one.model_copy(update=fields) for one in supplier.contracts)

    return in_scenario("suppliers", "MILL", contracts=contracts)


def lane_tank_of(lane: str, **fields: Any) -> Mutation:
    def tanks(record: Any) -> Any:
        return tuple(
            one.model_copy(
                update={
                    name: value(one) if callable(value) else value for name, value in fields.items()
                }
            )
            for one in record.tanks
        )

    return in_scenario("lanes", lane, tanks=tanks)


def less_part(load: Any, lpa: float) -> Any:
    parts = (replace(load.parts[0], lpa=load.parts[0].lpa - lpa), *load.parts[1:])
    return replace(load, parts=parts)


def part(**fields: Any) -> Callable[[Any], Any]:
    return lambda load: replace(load, parts=(replace(load.parts[0], **fields), *load.parts[1:]))


def planned(load: Any) -> bool:
    return load.kind is LoadKind.PLANNED


def on(lane: str) -> Callable[[Any], bool]:
    return lambda load: load.lane == lane and load.kind is LoadKind.PLANNED


def later(field: str, days: int = 1) -> Callable[[Any], Any]:
    return lambda load: replace(load, **{field: getattr(load, field) + timedelta(days=days)})


def more_input(run: Any) -> Any:
    liquid, origin, lpa = run.inputs[0]
    return replace(run, inputs=((liquid, origin, lpa + 1.0), *run.inputs[1:]))


def filled_to(limit: str) -> Callable[[Any], Any]:
    """Fill a load just as far as is lawful at the lane's usual temperature."""

    def edit(load: Any) -> Any:
        found = everything.scenario()
        lane = next(one for one in found.lanes if one.id == load.lane)
        tank = next(one for one in found.tank_types if one.id == load.tank_type)
        (held,) = load.parts
        liquid = next(one for one in found.liquids if one.id == held.liquid)
        fill = load_fill(lane, tank, liquid, held.capacity_litres)
        return part(lpa=getattr(fill, limit))(load)

    return edit


def use_held_lot(scenario: Scenario, plan: Plan) -> Broken:
    """Let the stock fall below what there is without the lot in hand."""
    gone = scenario.model_copy(
        update={
            "lots": tuple(
                lot.model_copy(update={"status": "held", "decision_due": None})
                if lot.lot_id == "DRY-2"
                else lot
                for lot in scenario.lots
            )
        }
    )
    return gone, plan


def made_this_week(scenario: Scenario, plan: Plan) -> Broken:
    """Let feints be sent in the week in which they are recovered; every balance still holds."""
    run = min(plan.runs, key=lambda one: one.period)
    there = sum(
        row.released_lpa for row in plan.stocks
        if (row.site, row.liquid, row.period) == (run.site, "FEINTS", run.period - 1)
    )  # fmt: skip
    sold = next(one for one in plan.feints_sales if one.period == run.period)
    assert sold.lpa > there
    load = next(one for one in plan.loads if one.lane == "shuttle")
    part = replace(load.parts[0], liquid="FEINTS", origin_class=sold.origin_class, lpa=sold.lpa)
    sent = replace(load, load_id="FE-1", period=run.period, parts=(part,))
    others = tuple(one for one in plan.feints_sales if one is not sold)
    return scenario, replace(plan, loads=(*plan.loads, sent), feints_sales=others)


def double_load(scenario: Scenario, plan: Plan) -> Broken:
    return scenario, replace(plan, loads=(*plan.loads, plan.loads[0]))


def serve_barred(scenario: Scenario, plan: Plan) -> Broken:
    row_at_east = lambda row: row.site == "EAST"  # noqa: E731
    barred = lambda row: replace(row, served=(("not-for:EASTERN", 10.0), *row.served))  # noqa: E731
    return scenario, change(plan, "demand", row_at_east, barred)


def owe_at_the_end(scenario: Scenario, plan: Plan) -> Broken:
    """Let the target of BAY be no less than what stands there, and leave some demand open."""
    last = len(plan.period_starts)
    there = sum(
        row.released_lpa
        for row in plan.stocks
        if (row.site, row.liquid, row.period) == ("BAY", "DRY", last)
    )
    least = max(there, scenario.stock_policies[1].closing_lpa)
    set_target = in_scenario("stock_policies", 1, closing_lpa=least)
    assert "cost-floors" not in failed(set_target(scenario, plan))
    owed = in_plan(
        "demand", lambda row: replace(row, open_lpa=100.0),
        lambda row: (row.site, row.priority, row.period) == ("BAY", "core", last))  # fmt: skip
    return both(set_target, owed)(scenario, plan)


def lots(row: Any) -> bool:
    return row.lots >= 1


MUTATIONS: list[tuple[str, str, Mutation]] = [
    ("names", "an unknown lane", in_plan("loads", lambda one: replace(one, lane="nowhere"))),
    ("names", "an unknown liquid in a run", in_plan(
        "runs", lambda run: replace(run, inputs=(("WATER", "any", 1.0),)))),
    ("names", "a load twice", double_load),
    ("numbers", "not a number", in_plan("stocks", lambda row: replace(
        row, released_lpa=float("nan")))),
    ("numbers", "a negative amount", in_plan("purchases", lambda row: replace(row, lpa=-1.0))),
    ("numbers", "a cost that is no number", costs(freight=float("nan"))),
    ("calendar", "another currency", lambda s, p: (s, replace(p, currency="XXX"))),
    ("calendar", "periods begin a day late", lambda s, p: (s, replace(p, period_starts=tuple(
        day + timedelta(days=1) for day in p.period_starts)))),
    ("calendar", "a stock not shown", in_plan(
        "stocks", lambda row: None, lambda row: row.period == 5)),
    ("calendar", "a guarantee shown twice in a period", in_plan(
        "guarantee_use", lambda row: replace(row, period=2), lambda row: row.period == 1)),
    ("calendar", "a period after the horizon", in_plan(
        "vattings", lambda row: replace(row, period=99))),
    ("opening-stock", "more at the start", in_plan(
        "stocks", lambda row: replace(row, released_lpa=row.released_lpa + 5.0),
        lambda row: row.period == 0)),
    ("opening-stock", "unreleased at the start", in_plan(
        "stocks", lambda row: replace(row, unreleased_lpa=5.0),
        lambda row: row.period == 0)),
    ("released-stock", "stock out of nothing", in_plan(
        "stocks", lambda row: replace(row, released_lpa=row.released_lpa + 1.0),
        lambda row: row.period == 4)),
    ("released-stock", "a load that never left", in_plan("loads", lambda load: None, planned)),
    ("first-there", "a load on the Monday before what is in it is made", made_this_week),
    ("gates", "an awaiting lot failed", use_held_lot),
    ("purchase", "less bought than sent", in_plan(
        "purchases", lambda row: replace(row, lpa=row.lpa - 1.0))),
    ("prices", "another price", in_plan(
        "purchases", lambda row: replace(row, price_per_lpa=row.price_per_lpa + 0.1))),
    ("prices", "a tier that is not", in_plan("purchases", lambda row: replace(row, tier=7))),
    ("contracts", "below the minimum", contract_of_mill(minimum_lpa=500_000.0)),
    ("contracts", "above the maximum", contract_of_mill(maximum_lpa=20_000.0)),
    ("contracts", "above the most per period", contract_of_mill(maximum_lpa_per_period=100.0)),
    ("price-tiers", "the second tier before the first is full", in_plan(
        "purchases", lambda row: replace(row, lpa=row.lpa - 500.0), lambda row: row.tier == 0)),
    ("orders", "a larger least order", contract_of_mill(minimum_lpa_per_order=90_000.0)),
    ("orders", "more loads an order", contract_of_mill(minimum_loads_per_order=9)),
    ("hearts", "hearts out of nothing", in_plan(
        "stocks", lambda row: replace(row, hearts_lpa=row.hearts_lpa + 1.0),
        lambda row: row.period == 3 and row.site == "WORKS")),
    ("hearts", "hearts too soon", in_scenario("recipes", "dry-of-grain", days_to_vat=9)),
    ("unreleased", "unreleased out of nothing", in_plan(
        "stocks", lambda row: replace(row, unreleased_lpa=row.unreleased_lpa + 1.0),
        lambda row: row.period == 3 and row.site == "WORKS")),
    ("vatting-size", "a lot too large", release_of(vatting_maximum_lpa=4_001.0)),
    ("vatting-size", "a lot too small", release_of(vatting_minimum_lpa=15_999.0)),
    ("vatting-size", "half a lot", in_plan(
        "vattings", lambda row: replace(row, lots=row.lots + 0.5))),
    ("release-lag", "released too soon", in_plan(
        "vattings", lambda row: replace(row, release_period=row.period))),
    ("release-lag", "a longer lag", release_of(lag_days=15)),
    ("origin", "cane called clean", in_plan(
        "runs", lambda run: replace(run, origin_class="any"),
        lambda run: run.recipe == "dry-of-cane")),
    ("origin", "a class that is none", in_plan("loads", part(origin_class="perhaps"), planned)),
    ("origin", "a supplier's class", in_plan(
        "loads", part(origin_class="not-for:EASTERN"), on("mill-road"))),
    ("origin", "kept apart where nothing bars it", lambda s, p: (s, replace(p, stocks=tuple(
        replace(row, origin_class="not-for:EASTERN")
        if (row.site, row.liquid) == ("BAY", "DRY") else row for row in p.stocks)))),
    ("released-stock", "a market beyond that bars it", in_scenario(
        "sites", "BAY", market="EASTERN")),
    ("shelf-life", "a shorter life", in_scenario("liquids", "DRY", shelf_life_days=8)),
    ("whole-charges", "no charge at all", in_plan(
        "runs", lambda run: replace(run, charges=0))),
    ("whole-charges", "a trickle on a continuous still", both(
        still_of(continuous=True), in_plan("runs", lambda run: replace(run, charges=0.001)))),
    ("whole-charges", "half a charge", in_plan(
        "runs", lambda run: replace(run, charges=run.charges - 0.5))),
    ("whole-charges", "a recipe the still cannot run", still_of(recipes=("dry-of-cane",))),
    ("charges", "more taken", in_plan("runs", more_input)),
    ("charges", "more hearts", in_plan(
        "runs", lambda run: replace(run, hearts_lpa=run.hearts_lpa + 1.0))),
    ("charges", "more feints", in_plan(
        "runs", lambda run: replace(run, feints_lpa=run.feints_lpa + 1.0))),
    ("still-hours", "slower charges", still_of(hours_per_charge=40.0)),
    ("still-hours", "longer cleaning", still_of(cleaning_hours=90.0)),
    ("campaigns", "longer campaigns", still_of(minimum_campaign_charges=9)),
    ("let-down", "more taken", in_plan("let_downs", more_input)),
    ("let-down", "a greater loss", in_scenario("recipes", "let-down", loss_percent=2.0)),
    ("let-down-limits", "a smaller limit", in_scenario(
        "recipes", "let-down", maximum_lpa_per_period=1.0)),
    ("let-down-limits", "another site", in_scenario("recipes", "let-down", sites=("EAST",))),
    ("judging", "a smaller panel", release_of(panel_lots_per_period=0)),
    ("judging", "a slower laboratory", release_of(laboratory_lots_per_period=0)),
    ("tank-settings", "a liquid it may not hold", in_plan(
        "tank_settings", lambda row: replace(row, liquid="GRAIN"), lambda row: row.tank == "X1")),
    ("tank-settings", "set to nothing", in_plan(
        "tank_settings", lambda row: None, lambda row: row.tank == "D2" and row.period == 5)),
    ("tank-settings", "two liquids at once", lambda s, p: (s, replace(
        p, tank_settings=(*p.tank_settings, p.tank_settings[0])))),
    ("change-overs", "a change not shown", in_plan(
        "tank_settings", lambda row: replace(row, changed=False), lambda row: row.changed)),
    ("room", "a smaller tank", tank_of("WORKS", "D1", capacity_litres=500.0)),
    ("room", "lots in hand left out", tank_of("WORKS", "D3", capacity_litres=1_000.0)),
    ("room-on-arrival", "a smaller tank", tank_of("EAST", "T1", capacity_litres=9_000.0)),
    ("room-on-arrival", "a tank out of use", in_plan(
        "tank_settings", lambda row: None, lambda row: row.tank == "X1" and row.period == 4)),
    ("room-after-the-end", "more on the way than there is room for", in_plan(
        "loads", lambda load: later("discharge_day", 70)(later("usable_day", 70)(
            replace(part(lpa=600_000.0)(load), usable_period=19))), on("sea-east"))),
    ("heels", "a deeper heel", tank_of("EAST", "T1", heel_litres=20_000.0)),
    ("storage-guarantees", "a smaller limit", in_scenario("guarantees", "STORE", limit=1_000.0)),
    ("storage-guarantees", "use not shown", in_plan(
        "guarantee_use", lambda row: replace(row, used=0.0),
        lambda row: row.guarantee == "STORE")),
    ("lanes", "another destination", in_plan(
        "loads", lambda load: replace(load, destination="WORKS"), on("shuttle"))),
    ("lanes", "a liquid the lane does not take", in_scenario(
        "lanes", "shuttle", liquids=("CONC",))),
    ("lanes", "a tank type the lane does not have", in_plan(
        "loads", lambda load: replace(load, tank_type="TRUCK"), on("shuttle"))),
    ("purpose", "cane for a market that bars it", in_plan(
        "loads", part(origin_class="not-for:EASTERN"), on("sea-east"))),
    ("days", "loaded on another day", in_plan("loads", later("loading_day"), planned)),
    ("days", "sails on another day", in_plan("loads", later("leaving_day"), on("sea-east"))),
    ("days", "arrives on another day", in_plan("loads", later("arrival_day"), planned)),
    ("days", "discharged on another day", in_plan("loads", later("discharge_day"), planned)),
    ("days", "a wait not shown", in_plan(
        "loads", lambda load: replace(load, waits_periods=load.waits_periods + 1), on("sea-east"))),
    ("days", "discharged before its wait is over", in_scenario(
        "lanes", "sea-east", discharge_days=8)),
    ("days", "a longer check at arrival", in_scenario("sites", "BAY", arrival_checks=lambda site: (
        tuple(one.model_copy(update={"days": 12}) for one in site.arrival_checks)))),
    ("unreleased", "used before the end of its check", in_plan(
        "stocks", lambda row: replace(row, unreleased_lpa=0.0, released_lpa=(
            row.released_lpa + row.unreleased_lpa)),
        lambda row: row.site == "BAY" and row.unreleased_lpa > 1.0)),
    ("room", "liquid in its check left out", tank_of("BAY", "T1", capacity_litres=18_000.0)),
    ("days", "usable too soon", in_plan("loads", later("usable_day", -1), on("mill-road"))),
    ("days", "usable in another period", in_plan(
        "loads", lambda load: replace(load, usable_period=load.usable_period - 1), planned)),
    ("days", "no sailing", in_scenario("lanes", "sea-east", sailings=lambda lane: (
        lane.sailings.model_copy(update={"every_weeks": 9})))),
    ("days", "a holiday on the day", in_scenario("sites", "QUAY", holidays=lambda site: tuple(
        site_day for site_day in (everything.scenario().calendar.start + timedelta(days=n)
                                  for n in range(70)) if site_day.weekday() == 0))),
    ("fill", "too little in a tank", in_plan("loads", lambda load: less_part(load, 6_000.0),
                                             on("mill-road"))),
    ("fill", "nothing in a tank that need not be full", both(
        in_scenario("tank_types", "TC-10", sections_litres=(5_000.0, 5_000.0)),
        in_plan("loads", part(lpa=0.0, litres_20c=0.0), on("mill-road")))),
    ("fill", "too much in a tank", in_plan("loads", lambda load: less_part(load, -3_000.0),
                                           on("shuttle"))),
    ("fill", "too little in a compartment", in_scenario(
        "lanes", "truck-bay", minimum_fill_percent=96.0)),
    ("fill", "too little for the coldest filling", both(
        in_plan("loads", filled_to("min_lpa"), on("mill-road")),
        in_scenario("lanes", "mill-road", minimum_filling_temperature_c=5.0))),
    ("fill", "too much for the coldest filling", both(
        in_plan("loads", filled_to("max_lpa"), on("shuttle")),
        in_scenario("lanes", "shuttle", minimum_filling_temperature_c=-20.0))),
    ("litres", "litres of another strength", in_plan(
        "loads", part(litres_20c=1.0), planned)),
    ("compartments", "four of three", in_plan(
        "loads", lambda load: replace(load, parts=(*load.parts, *load.parts, *load.parts,
                                                   *load.parts)), on("truck-bay"))),
    ("compartments", "an empty load", in_plan(
        "loads", lambda load: replace(load, parts=()), planned)),
    ("payload", "a lighter lane", in_scenario("lanes", "truck-bay", payload_limit_kg=3_000.0)),
    ("counts", "fewer loads a period", in_scenario(
        "lanes", "mill-road", maximum_loads_per_period=1)),
    ("counts", "fewer tanks a period", lane_tank_of("shuttle", maximum_loads_per_period=1)),
    ("fleets", "a smaller fleet", in_scenario("fleets", "POOL", tanks=1)),
    ("fleets", "a longer round trip", both(
        in_scenario("fleets", "POOL", tanks=5),
        in_scenario("lanes", "sea-bay", return_days=120),
        in_scenario("lanes", "truck-east", return_days=120))),
    ("movement-guarantees", "a smaller limit", in_scenario("guarantees", "ROAD", limit=1_000.0)),
    ("movement-guarantees", "use not shown", in_plan(
        "guarantee_use", lambda row: replace(row, used=row.used + 1.0),
        lambda row: row.guarantee == "ROAD")),
    ("movement-guarantees", "another limit shown", in_plan(
        "guarantee_use", lambda row: replace(row, limit=row.limit + 1.0),
        lambda row: row.guarantee == "ROAD")),
    ("movement-guarantees", "freed long after receipt", in_scenario(
        "lanes", "truck-east", legs=lambda lane: tuple(
            leg.model_copy(update={"to_day": None, "days_after_discharge": 30})
            for leg in lane.legs))),
    ("promised", "the promise not kept", in_plan(
        "loads", lambda load: None, lambda load: load.lane == "sea-bay" and load.period == 2)),
    ("given-loads", "another amount frozen", in_plan(
        "loads", lambda load: less_part(load, 1.0), lambda load: load.kind is LoadKind.FROZEN)),
    ("given-loads", "a load under way left out", in_plan(
        "loads", lambda load: None, lambda load: load.kind is LoadKind.UNDER_WAY)),
    ("given-loads", "a load under way out of nothing", in_plan(
        "loads", lambda load: replace(load, load_id="UW-9"),
        lambda load: load.kind is LoadKind.UNDER_WAY)),
    ("given-loads", "a planned load called frozen", in_plan(
        "loads", lambda load: replace(load, kind=LoadKind.FROZEN), planned)),
    ("demand", "less asked for", in_plan(
        "demand", lambda row: replace(row, demand_lpa=row.demand_lpa - 1.0))),
    ("demand", "a row left out", in_plan("demand", lambda row: None)),
    ("demand", "cases of another size", in_scenario("products", "DRY-70", bottle_ml=750.0)),
    ("markets", "a barred class served", serve_barred),
    ("unmet", "shortage not shown", in_plan(
        "demand", lambda row: replace(row, open_lpa=0.0), lambda row: row.open_lpa > 1.0)),
    ("duty-due", "less owed", in_plan(
        "duty_due", lambda row: replace(row, amount=row.amount - 1.0))),
    ("duty-due", "paid late", in_plan("duty_due", later("payable_on"))),
    ("duty-due", "left out", in_plan("duty_due", lambda row: None)),
    ("duty-due", "owed by nobody", in_plan(
        "duty_due", lambda row: replace(row, load_id="L-0"))),
    ("cost-spirit", "less", costs(spirit=-1.0, making=1.0)),
    ("cost-making", "less", costs(making=-1.0, spirit=1.0)),
    ("cost-making", "dearer charges", still_of(cost_per_charge=501.0)),
    ("cost-making", "dearer lots", release_of(cost_per_lot=301.0)),
    ("cost-making", "dearer changes", tank_of("QUAY", "X1", change_over_cost=260.0)),
    ("cost-freight", "less", costs(freight=-1.0, spirit=1.0)),
    ("cost-freight", "another exchange rate", both(
        in_scenario("exchange_rates", 0, rate=0.5), in_scenario("exchange_rates", 1, rate=0.5))),
    ("cost-hire", "less", costs(hire=-1.0, spirit=1.0)),
    ("cost-hire", "dearer days", lane_tank_of("sea-east", waiting=lambda tank: (
        tank.waiting.model_copy(update={"cost_per_day": 61.0})))),
    ("cost-handling", "less", costs(handling=-1.0, spirit=1.0)),
    ("cost-capital", "less", costs(capital=-1.0, spirit=1.0)),
    ("cost-capital", "longer credit", in_scenario("authorities", "BAYLAND", payment_lag_days=9)),
    ("cost-change", "less", costs(change=-1.0, spirit=1.0)),
    ("cost-change", "another issued plan", in_scenario("issued_loads", 0, loads=7)),
    ("cost-shortage", "less", costs(shortage=-1.0, spirit=1.0)),
    ("cost-floors", "less", costs(floors=-1.0, spirit=1.0)),
    ("cost-floors", "a higher floor", in_scenario("stock_policies", 0, floor_lpa=40_000.0)),
    ("cost-floors", "a higher target", in_scenario("stock_policies", 2, closing_lpa=90_000.0)),
    ("cost-floors", "what is owed at the end left out", owe_at_the_end),
    ("cost-floors", "stock past its life for nothing", in_scenario(
        "liquids", "DRY", shelf_life_days=8, past_life_cost_per_lpa=0.1)),
    ("cost-sales", "more", costs(sales=1.0, spirit=1.0)),
    ("cost", "the sum is another", proof(cost=lambda cost: cost + 5.0)),
    ("bound", "a cost below the bound", proof(bound=lambda bound: 1e9)),
]  # fmt: skip


def failed(broken: Broken) -> set[str]:
    return {check.id for check in check_plan(*broken).failures}


def test_the_plan_is_good_and_leaves_no_check_without_work():
    report = check_plan(everything.scenario(), everything.result().plan)
    assert [str(check) for check in report.failures] == []
    assert [check.id for check in report.checks if check.compared == 0] == []
    report.raise_for_failures()


def test_every_check_has_a_mutation():
    checks = {check.id for check in everything.result().report.checks}
    assert checks == {check for check, _, _ in MUTATIONS}


@pytest.mark.parametrize(
    ("check", "mutation"),
    [pytest.param(check, edit, id=f"{check}: {words}") for check, words, edit in MUTATIONS],
)
def test_a_broken_plan_is_caught_by_its_check(check: str, mutation: Mutation):
    broken = mutation(everything.scenario(), everything.result().plan)
    report = check_plan(*broken)
    assert check in {one.id for one in report.failures}
    with pytest.raises(VerificationError, match=check):
        report.raise_for_failures()
    said = next(one for one in report.failures if one.id == check)
    assert said.where
    assert said.worst > said.tolerance


@pytest.mark.parametrize(("return_days", "periods"), [(5, 1), (6, 2), (8, 2), (12, 2), (13, 3)])
def test_a_load_under_way_is_away_from_the_start(return_days: int, periods: int):
    """Usable on Tuesday 5 January: with 6 days back the tank is away on Monday 11, of period 2."""
    scenario, plan = both(
        in_scenario("fleets", "POOL", tanks=0),
        in_scenario("lanes", "sea-east", return_days=return_days, transit_days=40),
    )(everything.scenario(), everything.result().plan)
    under_way = tuple(load for load in plan.loads if load.kind is LoadKind.UNDER_WAY)
    assert [load.load_id for load in under_way] == ["UW-1"]
    report = check_plan(scenario, replace(plan, loads=under_way))
    assert next(one for one in report.checks if one.id == "fleets").failures == periods


def test_a_further_liquid_in_a_tank_under_way_is_no_tank_of_its_own():
    scenario, plan = in_scenario("fleets", "POOL", tanks=1)(
        everything.scenario(), everything.result().plan
    )
    first = next(load for load in plan.loads if load.kind is LoadKind.UNDER_WAY)
    plan = replace(plan, loads=(first, replace(first, load_id="UW-1.2")))
    row = next(row for row in scenario.loads if row.load_id == first.load_id)

    def failures(in_tank_of: str | None) -> int:
        second = row.model_copy(update={"load_id": "UW-1.2", "in_tank_of": in_tank_of})
        both_rows = scenario.model_copy(update={"loads": (row, second)})
        checks = check_plan(both_rows, plan).checks
        return next(one for one in checks if one.id == "fleets").failures

    assert failures(None) > 0
    assert failures("UW-1") == 0


def test_stock_past_its_life_is_a_cost_where_it_has_a_price():
    dear = in_scenario("liquids", "DRY", shelf_life_days=8, past_life_cost_per_lpa=0.1)
    assert failed(dear(everything.scenario(), everything.result().plan)) == {"cost-floors"}
