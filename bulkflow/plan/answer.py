"""The plan in the terminal: 80 columns, readable with no colour and when piped.

The answer fits a screen: the loads of the first days, what stands out, and the state of the quarter
in a sentence, last, where the eye is. Longer parts are shown by name (`PARTS`). Marks that colour
would carry are words or signs too ("short", "over floor", "!"). Figures come from
``bulkflow.plan.views``; here is only their layout.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import date

from rich import box
from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bulkflow.plan import views
from bulkflow.plan.finding import Finding
from bulkflow.plan.holds import hold_words
from bulkflow.plan.next_steps import NextStep
from bulkflow.plan.result import HoldCost, Miss, PlanResult
from bulkflow.plan.summary import ROUNDING, gap_words, summarise
from bulkflow.program.answer import Plan, PlannedLoad
from bulkflow.scenario.model import Scenario
from bulkflow.wording import amount, counted, money, percent, share, whole_parts

__all__ = [
    "ALARM",
    "ALL_PARTS",
    "GOOD",
    "HEADING",
    "PARTS",
    "WARNING",
    "day_words",
    "plain_table",
    "print_answer",
    "print_findings",
    "print_next_steps",
    "print_verdict",
]

MOST_STEPS = 3  # offered at the end
MOST_LOADS = 6  # named in the answer in short; fewer where there is more to tell
FEWEST_LOADS = 3
MOST_HOLDS = 2
MOST_FINDINGS = 1
NEARLY_FULL = 0.95  # share of a guarantee
NEXT_PERIODS = 2  # of loads listed one by one; the rest is in the files
WIDEST_NAME = 28  # columns given to the name of a lane or load before it is folded
SHOWN_HASH = 12  # digits of the chain head; plan.json holds it all
WEEK_DAYS = 7
MOST_MISSED = 10  # floors and targets listed; the report and plan.json hold all
MISSED = {"floor": "below floor", "closing": "closing target", "life": "past its life"}
HEADING = "bold"
WARNING = "bold magenta"  # readable on light and dark grounds
ALARM = "bold red"
GOOD = "green"


Sections = Iterator[tuple[str, RenderableType]]

PARTS = {
    "short": "what is late, lost or below its floor or target",
    "reasons": "why it is short",
    "loads": "every week's loads by lane, and those of the next weeks by name",
    "stocks": "stock against floor and room",
    "duty": "duty at risk against guarantees, and duty falling due",
    "holds": "lots held or awaiting, and what depends on them",
    "purchases": "what to buy from whom",
    "runs": "charges by still, recipe and week",
    "costs": "the cost by part",
    "proof": "bound, gap, solver and checks",
    "changes": "every change since the earlier plan",
}
"""The parts of an answer that are shown by name."""

ALL_PARTS = "all"


def print_answer(
    result: PlanResult,
    scenario: Scenario,
    console: Console,
    show: Collection[str] = (),
    *,
    more_follows: bool = False,
) -> None:
    """Print the answer to a console: what stands out, or the parts named; see `print_verdict`.

    Parameters
    ----------
    show : names of `PARTS`; none for the answer in short.
    more_follows : before the verdict, so that the answer in short has to leave room.
    """
    _print_title(result, scenario, console)
    unit = period_word(scenario)
    if show:
        print_findings(result.findings, console)
    else:
        print_findings(result.findings, console, most=MOST_FINDINGS)
    loads = FEWEST_LOADS if more_follows or result.findings else MOST_LOADS
    sections = _sections(result, scenario, unit, show) if show else _brief(result, unit, loads)
    for title, body in sections:
        console.print(Text(title, style=HEADING))
        console.print(body)
        console.print()


def print_verdict(result: PlanResult, console: Console) -> None:
    """Print the state of the quarter in a sentence: the end of the answer."""
    console.print(Text(summarise(result).sentence, style="bold"))
    if result.plan.proof.interrupted:
        console.print(Text("Interrupted: this is the best plan found until then.", style=WARNING))


def print_findings(findings: Sequence[Finding], console: Console, *, most: int = 0) -> None:
    """Print what was found not to work, if anything; past ``most`` (0: all) it is counted."""
    if not findings:
        return
    shown = findings[:most] if most else findings
    console.print(Text("What cannot work", style=HEADING))
    for finding in shown:
        blocks = finding.severity == "blocks"
        sign = Text("blocks  " if blocks else "warning ", style=ALARM if blocks else WARNING)
        row = Table.grid(padding=0)
        row.add_column(width=8)
        row.add_column(ratio=1)
        row.add_row(sign, Text(str(finding)))
        console.print(row)
    for caution in dict.fromkeys(one.caution for one in shown if one.caution):
        console.print(Text(caution, style="italic"))
    if len(shown) < len(findings):
        console.print(f"and {len(findings) - len(shown)} more: bulkflow check lists them.")
    console.print()


def print_next_steps(steps: Sequence[NextStep], console: Console) -> None:
    """Print what comes next; a command stays on one line, to be copied."""
    if not steps:
        return
    console.print()
    console.print(Text("Next", style=HEADING))
    for step in steps[:MOST_STEPS]:
        console.print(f"{step.words}:")
        console.print(Text(f"  {step.command}"), soft_wrap=True)


def period_word(scenario: Scenario) -> str:
    """Return what a period is called: a week where it is one."""
    return "week" if scenario.calendar.period_days == WEEK_DAYS else "period"


def _print_title(result: PlanResult, scenario: Scenario, console: Console) -> None:
    plan = result.plan
    last = plan.period_starts[plan.quarter_periods - 1]
    unit = period_word(scenario)
    console.print(Text(plan.scenario_name, style=HEADING))
    console.print(
        f"{counted(plan.quarter_periods, unit)} from {day_words(plan.period_starts[0])} to the"
        f" {unit} of {day_words(last)} {last.year}, planned over {len(plan.period_starts)}."
    )
    if result.register:
        name = result.register.rsplit("/", 1)[-1]
        number, _, digest = result.chain_head.partition(":")
        console.print(
            f"Opening lots from the register {name}, chain head {number}:{digest[:SHOWN_HASH]}."
        )
    console.print()


def _brief(result: PlanResult, unit: str, most_loads: int) -> Iterator[tuple[str, RenderableType]]:
    """Yield what fits a screen."""
    plan = result.plan
    coming = views.loads_in(plan, [1])
    if coming:
        some = f", the first {most_loads}" if len(coming) > most_loads else ""
        title = f"Loads of the first {unit} ({len(coming)} of {_quarters_loads(plan)}{some})"
        yield title, _named_loads(result, coming[:most_loads])
    yield "What stands out", _facts(result, unit)


def _quarters_loads(plan: Plan) -> int:
    return len(views.loads_in(plan, range(1, plan.quarter_periods + 1)))


def _facts(result: PlanResult, unit: str) -> Table:
    grid = Table.grid(padding=(0, 1))
    for mark, words in _marked(result, unit):
        grid.add_row(Text(mark), words)
    names = ", ".join(PARTS)
    grid.add_row(Text("-"), Text(f"Longer parts with --show: {names} or {ALL_PARTS}."))
    return grid


def _marked(result: PlanResult, unit: str) -> Iterator[tuple[str, Text]]:
    plan = result.plan
    for hold in result.holds[:MOST_HOLDS]:
        yield "-", Text(_hold_in_short(hold, plan))
    if len(result.holds) > MOST_HOLDS:
        more = counted(len(result.holds) - MOST_HOLDS, "lot")
        yield "-", Text(f"{more} more held or awaiting (--show holds).")
    peaks = views.guarantee_peaks(plan)
    if peaks:
        peak = max(peaks, key=lambda one: one.share)
        nearly = peak.share > NEARLY_FULL
        said = (
            f"Guarantee {peak.guarantee} is used to {100 * peak.share:.0f} % in {unit}"
            f" {peak.period}, {amount(peak.limit - peak.used)} {plan.currency} left"
            f"{' !' if nearly else '.'}"
        )
        yield "-", Text(said, style=WARNING if nearly else "")
    yield "-", Text("Checks: ").append_text(_checks_text(result))


def _hold_in_short(hold: HoldCost, plan: Plan) -> str:
    head = f"{hold.lot_id} is {hold.status}, {amount(hold.lpa)} LPA"
    if hold.status == "held" and hold.saving_most is not None:
        return f"{head}: its release is worth up to {money(hold.saving_most)} {plan.currency}."
    if hold.status == "awaiting" and hold.extra_most is not None:
        return f"{head}: its failure costs up to {money(hold.extra_most)} {plan.currency}."
    loads = f": {counted(len(hold.loads), 'load')} would lack it" if hold.loads else ""
    return f"{head}{loads}."


def _sections(
    result: PlanResult, scenario: Scenario, unit: str, show: Collection[str]
) -> Iterator[tuple[str, RenderableType]]:
    """Yield the parts named, in the order of `PARTS`."""
    parts: dict[str, Callable[[], Iterable[tuple[str, RenderableType]]]] = {
        "short": lambda: _short_sections(result, unit),
        "reasons": lambda: [("Why", _explanations(result))] if result.explanations else [],
        "loads": lambda: _load_sections(result, unit),
        "stocks": lambda: _stock_sections(result.plan, scenario, unit),
        "duty": lambda: _duty_sections(result.plan, unit),
        "holds": lambda: _hold_sections(result, unit),
        "purchases": lambda: _buying_sections(result.plan, unit),
        "runs": lambda: _run_sections(result.plan, unit),
        "costs": lambda: [(f"Cost over the horizon ({result.plan.currency})", _costs(result.plan))],
        "proof": lambda: [("Proof", _proof(result))],
    }
    for part, sections in parts.items():
        if part in show or ALL_PARTS in show:
            yield from sections()


def _load_sections(result: PlanResult, unit: str) -> Sections:
    yield f"Loads by {unit} and lane", _loads(result.plan, unit)
    ahead = views.loads_in(result.plan, range(1, 1 + NEXT_PERIODS))
    if ahead:
        yield f"Loads of the next {NEXT_PERIODS} {unit}s", _named_loads(result, ahead)


def _stock_sections(plan: Plan, scenario: Scenario, unit: str) -> Sections:
    yield f"Stock against floor and room (LPA; {unit} in brackets)", _stock(plan, scenario)


def _duty_sections(plan: Plan, unit: str) -> Sections:
    guarantees, owed = views.guarantee_peaks(plan), views.duty_owed(plan)
    if guarantees:
        yield f"Duty at risk against guarantees ({plan.currency})", _guarantees(guarantees, unit)
    if owed:
        yield f"Duty falling due on arrivals ({plan.currency})", _owed(owed)


def _hold_sections(result: PlanResult, unit: str) -> Sections:
    if result.holds:
        held = _holds(result.holds, result.plan, unit)
        yield "Lots held or awaiting, and what depends on them", held


def _buying_sections(plan: Plan, unit: str) -> Sections:
    if views.bought(plan):
        yield "Purchases", _purchases(plan, unit)


def _run_sections(plan: Plan, unit: str) -> Sections:
    if views.charged(plan):
        yield f"Charges by still, recipe and {unit}", _runs(plan)


def _short_sections(result: PlanResult, unit: str) -> Iterator[tuple[str, RenderableType]]:
    quarter, after = views.short_demand(result.plan, result.unmet)
    if quarter:
        yield "Short in the quarter", _short(quarter, unit)
    if after:
        yield "Short after the quarter", _short(after, unit)
    missed = views.missed(result)
    if missed:
        yield f"Floors and targets missed ({result.plan.currency})", _missed(missed, unit)


# --- tables -----------------------------------------------------------------------------------


def plain_table(*columns: str, right: Iterable[str] = ()) -> Table:
    """Return an empty table; columns named in ``right`` are set flush right."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    flush = set(right)
    for column in columns:
        table.add_column(
            Text(column),
            justify="right" if column in flush else "left",
            no_wrap=column in flush,
            overflow="fold",
        )
    return table


def day_words(day: date) -> str:
    """Return a day without its year: ``4 Jan``."""
    return f"{day.day} {day:%b}"


def _runs_of(periods: Sequence[int]) -> str:
    """Return periods with runs joined: ``3-5, 9``."""
    parts: list[str] = []
    first = previous = None
    for period in [*periods, None]:
        if previous is not None and period != previous + 1:
            parts.append(f"{first}" if first == previous else f"{first}-{previous}")
            first = None
        if first is None:
            first = period
        previous = period
    return ", ".join(parts)


def _short(short: Sequence[views.ShortDemand], unit: str) -> Table:
    table = plain_table("site", "liquid", "priority", f"{unit}s", "LPA")
    for one in short:
        if one.unmet == "lost":
            what = f"{amount(one.lpa)} lost"
        else:
            what = f"{amount(one.lpa)} late at worst, {amount(one.at_end_lpa)} at the end"
        table.add_row(one.site, one.liquid, one.priority, _runs_of(one.periods),
                      Text(what, style=ALARM))  # fmt: skip
    return table


def _missed(missed: Sequence[Miss], unit: str) -> Table:
    table = plain_table("", "site", "liquid", f"{unit}s", "LPA at worst", "cost",
                   right=("LPA at worst", "cost"))  # fmt: skip
    for one in missed[:MOST_MISSED]:
        table.add_row(MISSED[one.kind], one.site, one.liquid, _runs_of(one.periods),
                      Text(amount(one.worst_lpa), style=WARNING), amount(one.cost))  # fmt: skip
    rest = missed[MOST_MISSED:]
    if rest:
        table.add_row(f"{len(rest)} more", "", "", "", "", amount(sum(one.cost for one in rest)))
    return table


def _explanations(result: PlanResult) -> Table:
    grid = Table.grid()
    for lines in result.explanations:
        for place, line in enumerate(lines):
            indent = 0 if place == 0 else 2
            grid.add_row(Padding(Text(line.removeprefix("- ")), (0, 0, 0, indent)))
    return grid


def _loads(plan: Plan, unit: str) -> RenderableType:
    """Return counts of loads, a column a period; more periods than fit go in further tables."""
    lanes = views.lane_loads(plan)
    if not lanes:
        return Text("No loads.")
    name_width = min(WIDEST_NAME, max(len(row.lane) for row in lanes))
    across = max(1, (80 - name_width - 14) // 3)
    grid = Table.grid()
    for start in range(0, plan.quarter_periods, across):
        stop = min(start + across, plan.quarter_periods)
        grid.add_row(_load_block(plan, lanes, unit, start, stop))
    return grid


def _load_block(
    plan: Plan, lanes: Sequence[views.LaneLoads], unit: str, start: int, stop: int
) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 0))
    table.add_column(unit, overflow="fold", max_width=WIDEST_NAME)
    for period in range(start, stop):
        table.add_column(str(period + 1), justify="right", min_width=2)
    table.add_column("all", justify="right", min_width=4)
    table.add_column("LPA", justify="right", min_width=8)
    for row in lanes:
        counts = row.loads[start:stop]
        cells = [str(count) if count else "·" for count in counts]
        table.add_row(row.lane, *cells, str(sum(row.loads)), amount(row.lpa))
    return table


def _named_loads(result: PlanResult, loads: Sequence[PlannedLoad]) -> Table:
    """Return loads by name: the names that the register and every paper know them by."""
    table = plain_table("load", "on", "to", "liquid", "LPA", "usable", "",
                   right=("on", "LPA", "usable"))  # fmt: skip
    table.columns[0].no_wrap = max((len(one.load_id) for one in loads), default=0) <= WIDEST_NAME
    for load in loads:
        for place, part in enumerate(load.parts):
            whole = place == 0
            kind = load.kind.value
            remarks = [] if kind == "planned" else [kind]
            if load.waits_periods:
                remarks.append(f"stands full {(load.discharge_day - load.arrival_day).days} days")
            remarks += [f"waits for {lot}" for lot in result.waits_for(load.load_id)]
            table.add_row(
                load.load_id if whole else "",
                day_words(load.loading_day) if whole else "",
                load.destination if whole else "",
                part.liquid,
                amount(part.lpa),
                day_words(load.usable_day) if whole else "",
                Text(", ".join(remarks), style=WARNING) if whole else "",
            )
    return table


def _stock(plan: Plan, scenario: Scenario) -> Table:
    table = plain_table("site", "liquid", "least", "floor", "below floor in", "end", "fullest",
                   right=("least", "floor", "end", "fullest"))  # fmt: skip
    before = ""
    for view in views.stock_views(plan, scenario):
        full = "-"
        if view.fullest_share is not None:
            full = f"{100 * view.fullest_share:.0f} % ({view.fullest_period})"
        table.add_row(
            view.site if view.site != before else "",
            view.liquid,
            f"{amount(view.least_lpa)} ({view.least_period})",
            amount(view.floor_lpa) if view.floor_lpa else "-",
            Text(_runs_of(view.below_floor), style=WARNING),
            amount(view.end_lpa),
            full,
        )
        before = view.site
    return table


def _guarantees(peaks: Sequence[views.GuaranteePeak], unit: str) -> Table:
    table = plain_table("guarantee", "most used", unit, "limit", "share", "left",
                   right=("most used", unit, "limit", "share", "left"))  # fmt: skip
    for peak in peaks:
        nearly = peak.share > NEARLY_FULL
        table.add_row(
            peak.guarantee,
            amount(peak.used),
            str(peak.period),
            amount(peak.limit),
            Text(f"{100 * peak.share:.0f} %{' !' if nearly else ''}",
                 style=WARNING if nearly else ""),
            amount(peak.limit - peak.used),
        )  # fmt: skip
    return table


def _owed(owed: Sequence[views.DutyOwed]) -> Table:
    table = plain_table("site", "arrivals", "LPA", "duty", "payable",
                   right=("arrivals", "LPA", "duty"))  # fmt: skip
    for one in owed:
        payable = f"{day_words(one.first_payable)} to {day_words(one.last_payable)}"
        table.add_row(one.site, str(one.arrivals), amount(one.lpa), amount(one.amount), payable)
    return table


def _holds(holds: Sequence[HoldCost], plan: Plan, unit: str) -> RenderableType:
    grid = Table.grid(padding=(0, 0))
    for hold in holds:
        due = f", decision due {day_words(hold.decision_due)}" if hold.decision_due else ""
        head = Text(f"{hold.lot_id}  ", style="bold")
        head.append(f"{hold.status}", style=WARNING)
        head.append(f": {amount(hold.lpa)} LPA of {hold.liquid} at {hold.site}{due}", style="")
        grid.add_row(head)
        for line in _hold_lines(hold, plan, unit):
            grid.add_row(Padding(Text(line), (0, 0, 0, 2)))
    return grid


def _hold_lines(hold: HoldCost, plan: Plan, unit: str) -> Iterator[str]:
    if hold.note:
        yield f"Gate: {hold.note}"
    if hold.enters_period is None:
        yield "The plan does not count on it."
    elif hold.loads:
        loads = {load.load_id: load for load in plan.loads}
        alike = Counter(
            f"{loads[one].lane} {day_words(loads[one].loading_day)}" for one in hold.loads
        )
        named = [f"{name} ({count} loads)" if count > 1 else name for name, count in alike.items()]
        yield (
            f"The plan counts on it from {unit} {hold.enters_period}; without it these loads"
            f" would lack liquid: {', '.join(named)}."
        )
    else:
        yield f"The plan counts on it from {unit} {hold.enters_period}; no load needs it."
    yield from hold_words(hold, plan, unit)


def _purchases(plan: Plan, unit: str) -> Table:
    table = plain_table("supplier", "liquid", "LPA", f"{plan.currency}/LPA", "cost", f"{unit}s",
                   right=("LPA", f"{plan.currency}/LPA", "cost"))  # fmt: skip
    for one in views.bought(plan):
        table.add_row(one.supplier, one.liquid, amount(one.lpa), f"{one.cost / one.lpa:.3f}",
                      amount(one.cost), _runs_of(one.periods))  # fmt: skip
    return table


def _runs(plan: Plan) -> RenderableType:
    rows = views.charged(plan)
    whole = all(count == int(count) for row in rows for count in row.charges)
    across = 13 if whole else 8
    grid = Table.grid()
    for start in range(0, plan.quarter_periods, across):
        stop = min(start + across, plan.quarter_periods)
        table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 0))
        table.add_column("still, recipe", overflow="fold", max_width=29)
        for period in range(start, stop):
            table.add_column(str(period + 1), justify="right", min_width=2 if whole else 5)
        table.add_column("hearts LPA", justify="right", min_width=12)
        for row in rows:
            cells = [f"{one:.3g}" if one else "·" for one in row.charges[start:stop]]
            table.add_row(f"{row.still}, {row.recipe}", *cells, amount(row.hearts_lpa))
        grid.add_row(table)
    return grid


def _costs(plan: Plan) -> Table:
    table = plain_table("part", "amount", "of all", "", right=("amount", "of all"))
    costs = plan.costs
    notes = {
        "spirit": "bought from suppliers",
        "making": "charges, let-down, lots judged, tank changes",
        "freight": "loads",
        "hire": "tanks that wait at the receiver",
        "handling": "arrivals and storage",
        "capital": "tied up in stock, loads and duty paid",
        "change": "against the last issued plan",
        "shortage": "demand late or lost",
        "floors": "stock below floor or target, or past its life",
        "sales": "feints",
    }
    parts = [-costs.sales if part == "sales" else getattr(costs, part) for part in notes]
    for (part, note), exact, shown in zip(notes.items(), parts, whole_parts(parts), strict=True):
        if exact:
            table.add_row(part, amount(shown), share(exact, costs.total), note)
    table.add_section()
    table.add_row(Text("total", style="bold"), Text(amount(costs.total), style="bold"), "", "")
    table.add_row("changeable", amount(costs.changeable), share(costs.changeable, costs.total),
                  "all but spirit, making and sales")  # fmt: skip
    return table


def _proof(result: PlanResult) -> RenderableType:
    plan = result.plan
    proof = plan.proof
    table = Table.grid(padding=(0, 2))
    table.add_column()
    table.add_column(overflow="fold", ratio=1)
    table.add_row("cost", f"{money(proof.cost)} {plan.currency}")
    if math.isfinite(proof.bound):
        table.add_row("bound", f"{money(proof.bound)} {plan.currency}; no plan can cost less")
        table.add_row("gap", _gap_words(plan))
    else:
        table.add_row("bound", Text("none proved in the time given", style=WARNING))
    size = (
        f"{counted(proof.columns, 'column')}, {counted(proof.rows, 'row')},"
        f" {proof.rows_added:,} of them added"
    )
    table.add_row("solver", f"{proof.solver}, {proof.seconds:.1f} s, {size}")
    for words in proof.repairs:
        table.add_row("repaired", words)
    table.add_row("checks", _checks_text(result))
    return table


def _gap_words(plan: Plan) -> str:
    if plan.proof.gap <= ROUNDING:
        return "none: proved the cheapest"
    over = plan.proof.gap_over(plan.costs.changeable)
    if not over < 1.0:
        return gap_words(plan)
    return f"{gap_words(plan)}, {percent(over)} of what the plan can change"


def _checks_text(result: PlanResult) -> Text:
    report = result.report
    if report.passed:
        return Text(
            f"all {len(report.checks)} of the plan passed ({report.comparisons:,} comparisons,"
            " worked out apart from the planner)",
            style=GOOD,
        )
    named = ", ".join(check.id for check in report.failures)
    return Text(f"{len(report.failures)} of {len(report.checks)} FAILED: {named}", style=ALARM)
