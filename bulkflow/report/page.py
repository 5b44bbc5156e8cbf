"""The report of a quarter as one HTML file: no outside requests, prints on A4, reads in grey."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from bulkflow.paper import short_head, stylesheet
from bulkflow.plan import views
from bulkflow.plan.compare import InputChange, PlanDifference
from bulkflow.plan.holds import hold_words
from bulkflow.plan.next_steps import Whereabouts
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.plan.summary import Verdict, gap_words, period_unit, summarise, verdict
from bulkflow.plan.week import Week
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.report import lot_tables, tables
from bulkflow.report.calendars import calendar_pictures, calendar_words, leaving_loads
from bulkflow.report.charts import Strips, stock_series
from bulkflow.report.first_screen import Step, four_figures, week_lines, week_steps
from bulkflow.report.lot_tables import Line
from bulkflow.report.lots_in_loads import LotsInLoads
from bulkflow.report.map import lane_counts, map_picture, placed_map
from bulkflow.report.tables import Table
from bulkflow.report.terms import Terms, english
from bulkflow.scenario.model import Scenario
from bulkflow.wording import money, percent

__all__ = ["render_report"]

NEXT_PERIODS = 2
FIRST_STEPS = 8  # of the week, on the first screen
ARRIVING_PERIODS = 4
MOST_INPUTS = 20  # changed ones, shown


@dataclass(frozen=True, slots=True)
class _Small:
    """A small picture with its place on the page; one that others tell of too is not printed."""

    place: str
    picture: Markup
    printed: bool


@dataclass(frozen=True, slots=True)
class _Section:
    """One part of the page, in the order of reading.

    Parameters
    ----------
    pictures : as wide as the page.
    lines : one-line texts below the tables.
    small : small pictures in fixed colours.
    half : whether two of them may stand side by side on a wide screen.
    """

    key: str
    title: str
    notes: tuple[str, ...] = ()
    pictures: tuple[Markup, ...] = ()
    tables: tuple[Table, ...] = ()
    lines: tuple[Line, ...] = ()
    small: tuple[_Small, ...] = ()
    half: bool = False


def render_report(
    result: PlanResult,
    scenario: Scenario,
    *,
    since: PlanDifference | None = None,
    terms: Terms | None = None,
    beside: LotsInLoads | None = None,
    where: Whereabouts | None = None,
    week: Week | None = None,
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
    week : the week's list of `bulkflow.due`; where it is None the next steps after a plan are told.
    """
    say = terms or english()
    plan = result.plan
    environment = Environment(
        loader=PackageLoader("bulkflow.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template("page.html")
    summary = summarise(beside.told_to(result) if beside else result)
    judged = verdict(summary)
    loads = _Loads(plan, scenario, beside or LotsInLoads(), say)
    sections = list(_sections(result, scenario, since, loads, beside or LotsInLoads(), say))
    steps = _week(result, beside or LotsInLoads(), where, week, loads, say)
    named = {section.key for section in sections} | set(loads.places.values())
    steps = [one if one.place in named else replace(one, place="") for one in steps]
    return page.render(
        say=say,
        language=say.language,
        plan=plan,
        style=stylesheet(
            f"{plan.scenario_name}: {say('report')}",
            result.chain_head,
            page_words=say("page_words", page="{page}", pages="{pages}"),
        ),
        verdict=say(f"verdict_{judged.value}"),
        go=judged in (Verdict.GOOD, Verdict.MIND),
        sentence=summary.sentence,
        figures=four_figures(result, summary, say),
        week=steps[:FIRST_STEPS],
        more=steps[FIRST_STEPS:],
        week_from=None if week is None else week.on.isoformat(),
        unseen=() if week is None else week.unseen,
        made_for=say(
            "made_for",
            periods=plan.quarter_periods,
            first=plan.period_starts[0].isoformat(),
            last=plan.period_starts[plan.quarter_periods - 1].isoformat(),
            horizon=len(plan.period_starts),
        ),
        origin=_origin(result, say),
        sections=sections,
    )


def _origin(result: PlanResult, say: Terms) -> str:
    if not result.register:
        return say("opening_tables")
    name = result.register.rsplit("/", 1)[-1]
    return say("opening_register", register=name, head=short_head(result.chain_head))


def _week(
    result: PlanResult,
    beside: LotsInLoads,
    where: Whereabouts | None,
    week: Week | None,
    loads: _Loads,
    say: Terms,
) -> list[Step]:
    if week is None:
        return week_steps(result, beside, where, say)
    return week_lines(week, loads.places, say) or [Step(say("nothing_due"))]


def _sections(
    result: PlanResult,
    scenario: Scenario,
    since: PlanDifference | None,
    loads: _Loads,
    beside: LotsInLoads,
    say: Terms,
) -> Iterator[_Section]:
    plan, strips = result.plan, Strips(result.plan, say)
    if result.findings:
        notes = tuple(str(one) for one in result.findings)
        yield _Section("findings", say("h_findings"), notes)
    if since is not None:
        yield _changes_section(since, say)
    yield from _load_sections(loads, beside, say)
    yield _stock_section(scenario, plan, strips, say)
    yield from _demand_sections(result, strips, say)
    yield from _duty_sections(plan, strips, say)
    yield from _lot_sections(result, scenario, loads, beside, say)
    costs = tables.costs_table(plan.costs, plan.currency, say)
    yield _Section("costs", say("h_costs"), tables=(costs,), half=True)
    bought = tables.purchases_table(plan, say)
    yield _Section("purchases", say("h_purchases"), tables=(bought,), half=True)
    yield _making_section(plan, say)
    yield _tanks_section(plan, scenario, say)
    yield _map_section(scenario, plan, say)
    yield _proof_section(result, say)


def _filled(*found: Table) -> tuple[Table, ...]:
    return tuple(table for table in found if table.rows)


def _demand_sections(result: PlanResult, strips: Strips, say: Terms) -> Iterator[_Section]:
    plan = result.plan
    drawn = {
        (one.site, one.liquid): strips.served(one, name=f"served{place}")
        for place, one in enumerate(views.served_at(plan))
    }
    served = tables.served_table(plan, say, drawn, strips.axis())
    yield _Section("served", say("h_served"), (say("served_note"),), tables=_filled(served),
                   half=True)  # fmt: skip
    quarter, after = views.short_demand(plan, result.unmet)
    shown = _filled(
        tables.shortage_table(plan, quarter, say("short_quarter"), say),
        tables.shortage_table(plan, after, say("short_after"), say),
        tables.misses_table(plan, views.missed(result), say),
    )
    asked = sum(row.demand_lpa for row in plan.demand if row.period <= plan.quarter_periods)
    notes = (say("no_shortage"),) if asked > 0 and not quarter else ()
    why = tuple(Line(" ".join(one)) for one in result.explanations)
    yield _Section("short", say("h_short"), notes, tables=shown, lines=why, half=True)


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
    lanes = tables.lane_table(plan, scenario, say)
    return _Section("map", say("h_map"), (" ".join(notes),), (Markup(picture),), _filled(lanes),
                    half=True)  # fmt: skip


class _Loads:
    """The loads that leave in the quarter: their lots by key, and where on the page each is."""

    def __init__(self, plan: Plan, scenario: Scenario, beside: LotsInLoads, say: Terms) -> None:
        self.plan = plan
        self.all = leaving_loads(plan)
        self.keyed = lot_tables.keyed_lots(self.all, beside.fillings)
        self.sites = {site.id for site in scenario.sites}
        self.supplies, where = tables.supplies_table(plan, self.sites, say)
        self.own = [load for load in self.all if load.load_id not in where]
        own = {load.load_id: f"load-{place}" for place, load in enumerate(self.own, start=1)}
        self.anchors = own | where
        self.places = self.anchors | lot_tables.lot_anchors(self.keyed)


def _load_sections(told: _Loads, beside: LotsInLoads, say: Terms) -> Iterator[_Section]:
    plan, loads, keyed, anchors = told.plan, told.all, told.keyed, told.anchors
    if loads:
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
            say=say,
            link=anchors.__getitem__,
        )
        notes = [say("calendar_note"), *([say("calendar_lots")] if keyed else [])]
        yield _Section("calendar", say("h_calendar"), (" ".join(notes),),
                       tuple(Markup(one) for one in drawn))  # fmt: skip
    else:
        yield _Section("calendar", say("h_calendar"), (say("no_loads"),))

    def table(first: int, last: int, caption: str) -> Table:
        here = [load for load in told.own if first <= load.period <= last]
        return lot_tables.loads_table(here, beside.fillings, keyed, anchors, say, caption)

    ahead = table(1, NEXT_PERIODS, say("h_next"))
    later = table(NEXT_PERIODS + 1, plan.quarter_periods, say("later_loads"))
    notes = [] if ahead.rows else [say("no_loads")]
    yield _Section("next", say("h_next"), tuple(notes), tables=_filled(ahead, later))
    coming = views.arriving(plan, ARRIVING_PERIODS)
    shown = lot_tables.arrivals_table([load for load in coming if load.origin in told.sites
                                       or load.kind is LoadKind.UNDER_WAY], say)  # fmt: skip
    notes = [say("arrivals_note") if shown.rows else say("no_arrivals")]
    yield _Section("arrivals", say("h_arrivals"), tuple(notes), tables=_filled(shown), half=True)
    if told.supplies.rows:
        yield _Section("supplies", say("supplies"), tables=(told.supplies,), half=True)
    lines = tuple(lot_tables.coming_lots(plan, keyed, anchors, say))
    if lines or beside.remarks:
        yield _Section("keys", say("lots_in_loads"), (" ".join(beside.remarks),), lines=lines)


def _making_section(plan: Plan, say: Terms) -> _Section:
    made = tables.charges_table(plan, say), tables.making_table(plan, say)
    return _Section("runs", say("h_runs"), tables=_filled(*made))


def _tanks_section(plan: Plan, scenario: Scenario, say: Terms) -> _Section:
    spells = lot_tables.tank_spells(plan)
    if not spells:
        return _Section("tanks", say("h_tanks"), (say("no_tanks"),), half=True)
    changed = lot_tables.changed_tanks_table(spells, plan, scenario, say)
    notes = (say("tanks_note" if changed.rows else "no_change"),)
    constant = tuple(Line(words) for words in lot_tables.constant_tanks(spells, say))
    return _Section("tanks", say("h_tanks"), notes, tables=_filled(changed), lines=constant,
                    half=True)  # fmt: skip


def _stock_section(scenario: Scenario, plan: Plan, strips: Strips, say: Terms) -> _Section:
    strengths = {one.id: one.strength_percent for one in scenario.liquids}
    floors = {(one.site, one.liquid): one.floor_lpa for one in scenario.stock_policies}
    rooms = {
        (one.site, one.liquid): one.room_litres * strengths[one.liquid] / 100.0
        for one in views.stock_views(plan, scenario)
        if one.room_litres > 0
    }
    drawn = {
        (series.site, series.liquid): strips.stock(series, name=f"stock{place}")
        for place, series in enumerate(stock_series(plan, floors, rooms))
    }
    stock = tables.stock_table(plan, scenario, say, drawn, strips.axis())
    return _Section("stock", say("h_stock"), (say("stock_note"),), tables=_filled(stock))


def _duty_sections(plan: Plan, strips: Strips, say: Terms) -> Iterator[_Section]:
    drawn = {}
    for place, guarantee in enumerate(sorted({row.guarantee for row in plan.guarantee_use})):
        rows = sorted((row for row in plan.guarantee_use if row.guarantee == guarantee),
                      key=lambda row: row.period)  # fmt: skip
        drawn[guarantee] = strips.at_risk(rows, name=f"risk{place}")
    risk = tables.risk_table(plan, say, drawn, strips.axis())
    notes = (say("risk_note") if drawn else say("no_guarantee"),)
    yield _Section("risk", say("h_risk"), notes, tables=_filled(risk), half=True)
    due = tables.due_table(plan, say)
    none_due = () if due.rows else (say("no_due"),)
    yield _Section("due", say("h_due"), none_due, tables=_filled(due), half=True)


def _lot_sections(
    result: PlanResult, scenario: Scenario, leaving: _Loads, beside: LotsInLoads, say: Terms
) -> Iterator[_Section]:
    plan = result.plan
    if beside.lots:
        closed = {one.lot.lot_id for one in beside.lots if not all(g.is_open for g in one.gates)}
        small: list[_Small] = []
        pictured: dict[str, str] = {}
        for place, (lot, picture) in enumerate(beside.decisions, start=1):
            anchor = f"decision-{place}"
            small.append(_Small(anchor, Markup(picture), printed=lot in closed))
            pictured |= {lot: anchor} if lot else {}
        gates = lot_tables.gates_table(
            beside.lots, result.holds, plan, leaving.keyed, leaving.anchors, pictured, say
        )
        notes = (say("gates_note"),)
        reasons = tuple(Line(words) for words in lot_tables.gate_reasons(beside.lots, say))
        yield _Section("lots", say("h_lots"), notes, tables=(gates,), lines=reasons)
        if small:
            yield _Section("decisions", say("h_decisions"), (say("decisions_note"),),
                           small=tuple(small))  # fmt: skip
    elif scenario.lots:
        lots = lot_tables.lots_table(scenario.lots, result.holds, plan, say)
        yield _Section("lots", say("h_lots"), tables=(lots,))
    costs = tables.holds_table(result.holds, plan, say)
    loads = lot_tables.held_loads_table(leaving.all, beside.fillings, say)
    if costs.rows or loads.rows:
        told = tuple(Line(_hold_words(hold, plan, say)) for hold in result.holds)
        yield _Section("holds", say("h_holds"), tables=_filled(costs, loads), lines=told)


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
    by, load = views.decide_by(plan, hold)
    decide = ""
    if by is not None and load is not None:
        decide = say("decide_words" if hold.loads else "decide_could", day=by, load=load.load_id)
    parts = [f"{counted}{loads}", decide, hold.note, *hold_words(hold, plan, period_unit(plan))]
    sentences = (f"{part[0].upper()}{part[1:].rstrip('.')}." for part in parts if part)
    return " ".join([said, *sentences])


def _changes_section(since: PlanDifference, say: Terms) -> _Section:
    before, after = since.costs["total"]
    cost = (
        f"{say('cost').capitalize()}: {money(before)} {since.currency} {say('before')},"
        f" {money(after)} {say('after')}"
    )
    counts = Counter(one.change for one in since.loads)
    changed = [say(f"changes_{kind}", loads=counts[kind])
               for kind in ("amount", "moved", "added", "dropped") if counts[kind]]  # fmt: skip
    notes = [". ".join([say("kept", kept=since.kept_loads).rstrip("."), *changed, cost]) + "."]
    if since.begins_later:
        day, began = since.begins_after.isoformat(), since.begins_before.isoformat()
        notes.insert(0, say("compared_from", day=day, began=began))
    if since.inputs is not None:
        notes.append(say("inputs_changed", inputs=len(since.inputs)))
    told = [_input_words(one, say) for one in since.inputs or ()]
    more = [say("and_more", more=len(told) - MOST_INPUTS)] if len(told) > MOST_INPUTS else []
    return _Section(
        "changes",
        say("h_changes"),
        tuple(notes),
        tables=_filled(tables.changes_table(since, say)),
        lines=tuple(Line(words) for words in (*told[:MOST_INPUTS], *more)),
    )


def _input_words(change: InputChange, say: Terms) -> str:
    what = ", ".join(filter(None, (change.part, change.row, change.key)))
    none = say("none")
    return say("input_words", what=what, before=change.before or none, after=change.after or none)


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
    notes = [". ".join(f"{note[0].upper()}{note[1:]}" for note in notes) + "."]
    lines = tuple(Line(words) for words in tables.check_words(result, say))
    return _Section("proof", say("h_proof"), tuple(notes), lines=lines)
