"""The report of a quarter as one HTML file: no outside requests, prints on A4, reads in grey."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from bulkflow.plan import views
from bulkflow.plan.compare import PlanDifference
from bulkflow.plan.holds import hold_words
from bulkflow.plan.next_steps import Whereabouts, next_steps
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.plan.summary import gap_words, period_unit, summarise
from bulkflow.program.answer import Plan
from bulkflow.report import lot_tables, tables
from bulkflow.report.calendars import (
    calendar_pictures,
    calendar_words,
    leaving_loads,
    tank_pictures,
)
from bulkflow.report.charts import Series, risk_picture, stock_picture, stock_series
from bulkflow.report.lots_in_loads import LotsInLoads
from bulkflow.report.map import lane_counts, map_picture, placed_map
from bulkflow.report.tables import Table
from bulkflow.report.terms import Terms, english
from bulkflow.scenario.model import Scenario
from bulkflow.wording import money, percent

__all__ = ["render_report"]

NEXT_PERIODS = 2
SHOWN_HASH = 16


@dataclass(frozen=True, slots=True)
class _Section:
    """One part of the page, in the order of reading."""

    key: str
    title: str
    notes: tuple[str, ...] = ()
    pictures: tuple[Markup, ...] = ()
    tables: tuple[Table, ...] = ()
    small: bool = False
    folded: tuple[Table, ...] = field(default=())


def render_report(
    result: PlanResult,
    scenario: Scenario,
    *,
    since: PlanDifference | None = None,
    terms: Terms | None = None,
    beside: LotsInLoads | None = None,
    where: Whereabouts | None = None,
) -> str:
    """Return the report as the text of one HTML file.

    Parameters
    ----------
    result : a checked plan, with what its gates cost where that was asked for.
    scenario : the workspace it was made from.
    since : what changed since an earlier plan, if there is one.
    terms : the language; English where left out.
    beside : which lots fill the loads, and the gates of the lots.
    where : where the plan was made from and written to, for commands to copy; None for none.
    """
    say = terms or english()
    plan = result.plan
    environment = Environment(
        loader=ChoiceLoader(
            [PackageLoader("bulkflow.report", "."), PackageLoader("bulkflow.web", "static")]
        ),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template("page.html")
    return page.render(
        say=say,
        language=say.language,
        plan=plan,
        sentence=summarise(beside.told_to(result) if beside else result).sentence,
        made_for=say(
            "made_for",
            periods=plan.quarter_periods,
            first=plan.period_starts[0].isoformat(),
            last=plan.period_starts[plan.quarter_periods - 1].isoformat(),
            horizon=len(plan.period_starts),
        ),
        origin=_origin(result, say),
        next_steps=_next_steps(result, say),
        commands=_commands(result, beside, where, say) if where else [],
        sections=list(_sections(result, scenario, since, beside or LotsInLoads(), say)),
    )


def _origin(result: PlanResult, say: Terms) -> str:
    if not result.register:
        return say("opening_tables")
    number, _, digest = result.chain_head.partition(":")
    name = result.register.rsplit("/", 1)[-1]
    return say("opening_register", register=name, head=f"{number}:{digest[:SHOWN_HASH]}")


def _next_steps(result: PlanResult, say: Terms) -> list[tuple[str, str]]:
    """Return what a planner does next, as (section, words)."""
    steps = []
    if any(views.short_demand(result.plan, result.unmet)):
        steps.append(("short", say("next_short")))
    if result.holds:
        steps.append(("holds", say("next_holds")))
    steps.append(("next", say("next_loads")))
    if result.plan.guarantee_use:
        steps.append(("risk", say("next_duty")))
    return steps


def _commands(
    result: PlanResult, beside: LotsInLoads | None, where: Whereabouts, say: Terms
) -> list[tuple[str, str]]:
    """Return commands that take the next step, each with what it is for."""
    loads = beside.soonest(result.plan) if beside else ()
    return [
        (say(f"do_{step.key}", subject=step.subject), step.command)
        for step in next_steps(result, where, loads=loads)
    ]


def _sections(
    result: PlanResult,
    scenario: Scenario,
    since: PlanDifference | None,
    beside: LotsInLoads,
    say: Terms,
) -> Iterator[_Section]:
    plan = result.plan
    if result.findings:
        notes = tuple(str(one) for one in result.findings)
        yield _Section("findings", say("h_findings"), notes)
    yield from _demand_sections(result, say)
    yield _map_section(scenario, plan, say)
    yield from _load_sections(plan, beside, say)
    yield _stock_section(scenario, plan, say)
    yield from _duty_sections(plan, say)
    yield _Section("purchases", say("h_purchases"), tables=(tables.purchases_table(plan, say),))
    yield _Section(
        "runs",
        say("h_runs"),
        tables=_filled(tables.charges_table(plan, say), tables.making_table(plan, say)),
    )
    yield _tanks_section(plan, scenario, say)
    yield from _lot_sections(result, scenario, beside, say)
    if since is not None:
        yield _changes_section(since, say)
    costs = tables.costs_table(plan.costs, plan.currency, say)
    yield _Section("costs", say("h_costs"), tables=(costs,))
    yield _proof_section(result, say)


def _filled(*found: Table) -> tuple[Table, ...]:
    return tuple(table for table in found if table.rows)


def _demand_sections(result: PlanResult, say: Terms) -> Iterator[_Section]:
    quarter, after = views.short_demand(result.plan, result.unmet)
    shown = _filled(
        tables.shortage_table(quarter, say("h_short"), say),
        tables.shortage_table(after, say("short_after"), say),
        tables.misses_table(views.missed(result), result.plan.currency, say),
    )
    asked = sum(
        row.demand_lpa for row in result.plan.demand if row.period <= result.plan.quarter_periods
    )
    notes = (say("no_shortage"),) if asked > 0 and not quarter else ()
    yield _Section("short", say("h_short"), notes, tables=shown)
    if result.explanations:
        yield _Section("why", say("h_why"), tuple(" ".join(one) for one in result.explanations))


def _map_section(scenario: Scenario, plan: Plan, say: Terms) -> _Section:
    counts = lane_counts(plan)
    words = ", ".join(f"{lane} {loads}" for lane, loads in sorted(counts.items())) or say("none")
    sites = len(scenario.sites) + len(scenario.suppliers)
    description = say("map_alt", sites=sites, lanes=len(scenario.lanes), lanes_in_words=words)
    placed = placed_map(scenario, plan)
    picture = map_picture(
        placed, scenario, plan, name="map", title=say("h_map"), description=description
    )
    notes = [say("map_note"), say("map_real" if placed.real else "map_schematic")]
    if placed.unlabelled:
        notes.append(say("map_unlabelled", lanes=", ".join(placed.unlabelled)))
    return _Section("map", say("h_map"), tuple(notes), (Markup(picture),))


def _load_sections(plan: Plan, beside: LotsInLoads, say: Terms) -> Iterator[_Section]:
    loads = leaving_loads(plan)
    keyed = lot_tables.keyed_lots(loads, beside.fillings)
    if not loads:
        yield _Section("calendar", say("h_calendar"), (say("no_loads"),))
        return
    alternative = say(
        "calendar_alt",
        loads=len(loads),
        lanes=len({load.lane for load in loads}),
        weeks=plan.quarter_periods,
        calendar_in_words=calendar_words(plan, keyed),
    )
    drawn = calendar_pictures(
        plan,
        keyed,
        beside.unfilled(),
        name="calendar",
        title=say("h_calendar"),
        description=alternative,
    )
    notes = [say("calendar_note")]
    if keyed:
        notes.append(say("calendar_lots"))
    notes += beside.remarks
    yield _Section(
        "calendar",
        say("h_calendar"),
        tuple(notes),
        tuple(Markup(one) for one in drawn),
        _filled(lot_tables.keys_table(keyed, say), tables.lane_table(plan, say)),
    )
    yield _next_section(plan, beside, say)


def _next_section(plan: Plan, beside: LotsInLoads, say: Terms) -> _Section:
    soon, later = range(1, 1 + NEXT_PERIODS), range(1 + NEXT_PERIODS, plan.quarter_periods + 1)
    ahead = views.loads_in(plan, soon)
    notes = [] if ahead else [say("no_loads")]
    first = lot_tables.loads_table(ahead, beside.fillings, say, say("h_next"))
    rest = lot_tables.loads_table(
        views.loads_in(plan, later), beside.fillings, say, say("later_loads")
    )
    return _Section(
        "next", say("h_next"), tuple(notes), tables=_filled(first), folded=_filled(rest)
    )


def _tanks_section(plan: Plan, scenario: Scenario, say: Terms) -> _Section:
    spells = lot_tables.tank_spells(plan)
    if not spells:
        return _Section("tanks", say("h_tanks"), (say("no_tanks"),))
    description = say(
        "tanks_alt",
        tanks=len({(one.site, one.tank) for one in spells}),
        changes=sum(one.changed for one in spells),
    )
    drawn = tank_pictures(spells, plan, name="tanks", title=say("h_tanks"), description=description)
    return _Section(
        "tanks",
        say("h_tanks"),
        (say("tanks_note"),),
        tuple(Markup(one) for one in drawn),
        folded=(lot_tables.tanks_table(spells, scenario, say),),
    )


def _stock_section(scenario: Scenario, plan: Plan, say: Terms) -> _Section:
    strengths = {one.id: one.strength_percent for one in scenario.liquids}
    floors = {(one.site, one.liquid): one.floor_lpa for one in scenario.stock_policies}
    rooms = {
        (one.site, one.liquid): one.room_litres * strengths[one.liquid] / 100.0
        for one in views.stock_views(plan, scenario)
        if one.room_litres > 0
    }
    pictures = tuple(
        Markup(_stock_picture(series, plan, place, say))
        for place, series in enumerate(stock_series(plan, floors, rooms))
    )
    return _Section(
        "stock",
        say("h_stock"),
        (say("stock_note"),),
        pictures,
        (tables.stock_table(plan, scenario, say),),
        small=True,
    )


def _stock_picture(series: Series, plan: Plan, place: int, say: Terms) -> str:
    description = say(
        "stock_alt",
        liquid=series.liquid,
        site=series.site,
        opening=f"{series.lpa[0]:,.0f}",
        end=f"{series.lpa[-1]:,.0f}",
        floor=f"{series.floor_lpa:,.0f}",
        room=say("none") if series.room_lpa is None else f"{series.room_lpa:,.0f}",
    )
    return stock_picture(
        series,
        plan.quarter_periods,
        name=f"stock{place}",
        title=f"{series.site}, {series.liquid}",
        description=description,
    )


def _duty_sections(plan: Plan, say: Terms) -> Iterator[_Section]:
    names = sorted({row.guarantee for row in plan.guarantee_use})
    pictures = tuple(
        Markup(_risk_picture(plan, guarantee, place, say)) for place, guarantee in enumerate(names)
    )
    notes = () if names else (say("no_guarantee"),)
    yield _Section("risk", say("h_risk"), notes, pictures, _filled(tables.risk_table(plan, say)))
    due = tables.due_table(plan, say)
    notes = () if due.rows else (say("no_due"),)
    yield _Section("due", say("h_due"), notes, tables=_filled(due))


def _risk_picture(plan: Plan, guarantee: str, place: int, say: Terms) -> str:
    rows = sorted(
        (row for row in plan.guarantee_use if row.guarantee == guarantee),
        key=lambda row: row.period,
    )
    most = max(rows, key=lambda row: row.used)
    description = say(
        "risk_alt",
        guarantee=guarantee,
        most=f"{most.used:,.0f}",
        limit=f"{most.limit:,.0f}",
        currency=plan.currency,
        week=most.period,
    )
    return risk_picture(
        [row.used for row in rows],
        most.limit,
        plan.quarter_periods,
        name=f"risk{place}",
        title=f"{guarantee}, {plan.currency}",
        description=description,
    )


def _lot_sections(
    result: PlanResult, scenario: Scenario, beside: LotsInLoads, say: Terms
) -> Iterator[_Section]:
    if beside.lots:
        gates = lot_tables.gates_table(beside.lots, say)
        pictures = tuple(Markup(picture) for picture in beside.decisions)
        notes = (say("gates_note"), *([say("decisions_note")] if pictures else []))
        yield _Section("lots", say("h_lots"), notes, pictures=pictures, tables=(gates,), small=True)
    elif scenario.lots:
        lots = lot_tables.lots_table(scenario.lots, say)
        yield _Section("lots", say("h_lots"), tables=(lots,))
    costs = tables.holds_table(result.holds, result.plan.currency, say)
    loads = lot_tables.held_loads_table(leaving_loads(result.plan), beside.fillings, say)
    if costs.rows or loads.rows:
        notes = tuple(_hold_words(hold, result.plan, say) for hold in result.holds)
        yield _Section("holds", say("h_holds"), notes, tables=_filled(costs, loads))


def _hold_words(hold: HoldCost, plan: Plan, say: Terms) -> str:
    said = say(
        "hold_words",
        lot=hold.lot_id,
        status=say(f"status_{hold.status}"),
        lpa=f"{hold.lpa:,.0f}",
        liquid=hold.liquid,
        site=hold.site,
    )
    counted = (
        say("counts_never")
        if hold.enters_period is None
        else say("counts_from", week=hold.enters_period)
    )
    loads = f"; {say('depends')}: {', '.join(hold.loads)}" if hold.loads else ""
    parts = [f"{counted}{loads}", hold.note, *hold_words(hold, plan, period_unit(plan))]
    sentences = (f"{part[0].upper()}{part[1:].rstrip('.')}." for part in parts if part)
    return " ".join([said, *sentences])


def _changes_section(since: PlanDifference, say: Terms) -> _Section:
    before, after = since.costs["total"]
    cost = (
        f"{say('cost')}: {before:,.0f} {since.currency} {say('before')},"
        f" {after:,.0f} {say('after')}"
    )
    notes = [say("kept", kept=since.kept_loads), cost]
    if since.begins_later:
        day, began = since.begins_after.isoformat(), since.begins_before.isoformat()
        notes.insert(0, say("compared_from", day=day, began=began))
    return _Section(
        "changes", say("h_changes"), tuple(notes), tables=_filled(tables.changes_table(since, say))
    )


def _proof_section(result: PlanResult, say: Terms) -> _Section:
    plan, proof, report = result.plan, result.plan.proof, result.report
    bound = (
        f"{say('proof_bound')} {money(proof.bound)} {plan.currency}; {say('proof_bound_note')}"
        if math.isfinite(proof.bound)
        else say("proof_no_bound")
    )
    over = proof.gap_over(plan.costs.changeable)
    notes = [f"{say('proof_cost')} {money(proof.cost)} {plan.currency}", bound]
    if math.isfinite(proof.bound):
        gap = f"{say('proof_gap')} {gap_words(plan)}"
        if over < 1.0:
            gap += f", {say('proof_gap_changeable', changeable=percent(over))}"
        notes.append(gap)
    size = say(
        "proof_size",
        columns=f"{proof.columns:,}",
        rows=f"{proof.rows:,}",
        added=f"{proof.rows_added:,}",
        seconds=f"{proof.seconds:.1f}",
    )
    notes.append(f"{say('proof_solver')} {proof.solver}, {size}")
    passed = sum(check.passed for check in report.checks)
    notes.append(
        say(
            "proof_checks",
            passed=passed,
            all=len(report.checks),
            comparisons=f"{report.comparisons:,}",
        )
    )
    return _Section(
        "proof", say("h_proof"), tuple(notes), folded=(tables.checks_table(result, say),)
    )
