"""The tables of the report as plain data: headings, and rows of cells with their sort keys.

Figures come from ``bulkflow.plan.views``; words from the table of terms; no layout here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from bulkflow.plan import views
from bulkflow.plan.compare import PlanDifference
from bulkflow.plan.result import HoldCost, Miss, PlanResult
from bulkflow.program.answer import CostBreakdown, Plan
from bulkflow.report.terms import Terms
from bulkflow.scenario.model import Scenario
from bulkflow.wording import amount, percent, share, whole_parts

__all__ = [
    "Cell",
    "Heading",
    "Table",
    "changes_table",
    "charges_table",
    "checks_table",
    "costs_table",
    "due_table",
    "holds_table",
    "lane_table",
    "making_table",
    "misses_table",
    "purchases_table",
    "risk_table",
    "shortage_table",
    "stock_table",
]

LONGEST_WHOLE = 19  # characters
COST_PARTS = (
    "spirit", "making", "freight", "hire", "handling", "capital", "change", "shortage", "floors",
    "sales",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Heading:
    """A column: its words and whether it holds numbers (set to the right)."""

    words: str
    number: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: its text, what it sorts by, and whether it is an alarm (said by a sign too)."""

    text: str
    key: float | str
    alarm: bool = False

    @property
    def whole(self) -> bool:
        """Whether it stays on one line: a name, a day, a word."""
        return len(self.text) <= LONGEST_WHOLE and " " not in self.text


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its caption."""

    caption: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[Cell, ...], ...]


def text(value: str, *, alarm: bool = False) -> Cell:
    """Return a cell of text."""
    return Cell(value, value.casefold(), alarm)


def number(value: float, digits: int = 0, *, alarm: bool = False) -> Cell:
    """Return a cell of a number with thousands set apart."""
    return Cell(f"{value:,.{digits}f}", float(value), alarm)


def blank() -> Cell:
    """Return an empty cell; it sorts before all numbers."""
    return Cell("", float("-inf"))


def day(value: date) -> Cell:
    """Return a cell of a day, written year-month-day as in the files."""
    return Cell(value.isoformat(), value.isoformat())


def weeks(periods: Iterable[int]) -> Cell:
    """Return a cell of periods, runs joined by a dash."""
    runs: list[list[int]] = []
    for period in sorted(set(periods)):
        if runs and period == runs[-1][1] + 1:
            runs[-1][1] = period
        else:
            runs.append([period, period])
    said = ", ".join(f"{first}" if first == last else f"{first}-{last}" for first, last in runs)
    return Cell(said, float(runs[0][0]) if runs else float("-inf"))


def lane_table(plan: Plan, say: Terms) -> Table:
    """Return loads by lane and week of the quarter."""
    found = views.lane_loads(plan)
    week_heads = tuple(
        Heading(str(week), number=True) for week in range(1, plan.quarter_periods + 1)
    )
    rows = tuple(
        (
            text(row.lane),
            *(number(one) if one else Cell("·", 0.0) for one in row.loads),
            number(sum(row.loads)),
            number(row.lpa),
        )
        for row in found
    )
    heads = (
        Heading(say("lane")),
        *week_heads,
        Heading(say("all"), number=True),
        Heading(say("lpa"), number=True),
    )
    return Table(say("h_calendar"), heads, rows)


def stock_table(plan: Plan, scenario: Scenario, say: Terms) -> Table:
    """Return stock of every site and liquid against floor and room over the quarter."""
    heads = (
        Heading(say("site")),
        Heading(say("liquid")),
        Heading(say("opening"), number=True),
        Heading(say("least"), number=True),
        Heading(say("week"), number=True),
        Heading(say("floor"), number=True),
        Heading(say("below_floor")),
        Heading(say("end"), number=True),
        Heading(say("fullest"), number=True),
    )
    rows = tuple(
        (
            text(row.site),
            text(row.liquid),
            number(row.opening_lpa),
            number(row.least_lpa, alarm=bool(row.below_floor)),
            number(row.least_period),
            number(row.floor_lpa) if row.floor_lpa else blank(),
            weeks(row.below_floor),
            number(row.end_lpa),
            blank() if row.fullest_share is None
            else Cell(f"{100 * row.fullest_share:.0f} %", row.fullest_share),
        )
        for row in views.stock_views(plan, scenario)
    )  # fmt: skip
    return Table(say("h_stock"), heads, rows)


def risk_table(plan: Plan, say: Terms) -> Table:
    """Return the fullest week of each guarantee."""
    heads = (
        Heading(say("guarantee")),
        Heading(say("most_used"), number=True),
        Heading(say("week"), number=True),
        Heading(say("limit"), number=True),
        Heading(say("share"), number=True),
        Heading(say("left"), number=True),
    )
    rows = tuple(
        (
            text(row.guarantee),
            number(row.used),
            number(row.period),
            number(row.limit),
            Cell(percent(row.share), row.share, row.share > 1.0),
            number(row.limit - row.used),
        )
        for row in views.guarantee_peaks(plan)
    )
    return Table(say("h_risk"), heads, rows)


def due_table(plan: Plan, say: Terms) -> Table:
    """Return duty falling due on the quarter's arrivals, one by one."""
    heads = (
        Heading(say("payable")),
        Heading(say("site")),
        Heading(say("load")),
        Heading(say("liquid")),
        Heading(say("lpa"), number=True),
        Heading(f"{say('duty')}, {plan.currency}", number=True),
    )
    rows = tuple(
        (
            day(row.payable_on),
            text(row.site),
            text(row.load_id),
            text(row.liquid),
            number(row.lpa),
            number(row.amount),
        )
        for row in sorted(plan.duty_due, key=lambda one: (one.payable_on, one.load_id))
        if row.period <= plan.quarter_periods
    )
    return Table(say("h_due"), heads, rows)


def purchases_table(plan: Plan, say: Terms) -> Table:
    """Return the purchases of the quarter."""
    heads = (
        Heading(say("supplier")),
        Heading(say("liquid")),
        Heading(say("lpa"), number=True),
        Heading(say("price", currency=plan.currency), number=True),
        Heading(f"{say('cost')}, {plan.currency}", number=True),
        Heading(say("weeks")),
    )
    rows = tuple(
        (
            text(row.supplier),
            text(row.liquid),
            number(row.lpa),
            number(row.cost / row.lpa, 3),
            number(row.cost),
            weeks(row.periods),
        )
        for row in views.bought(plan)
    )
    return Table(say("h_purchases"), heads, rows)


def charges_table(plan: Plan, say: Terms) -> Table:
    """Return charges by still, recipe and week."""
    heads = (
        Heading(say("still")),
        Heading(say("recipe")),
        *(Heading(str(week), number=True) for week in range(1, plan.quarter_periods + 1)),
        Heading(say("hearts"), number=True),
    )
    rows = tuple(
        (
            text(row.still),
            text(row.recipe),
            *(Cell(f"{one:g}", one) if one else Cell("·", 0.0) for one in row.charges),
            number(row.hearts_lpa),
        )
        for row in views.charged(plan)
    )
    return Table(say("charges"), heads, rows)


def making_table(plan: Plan, say: Terms) -> Table:
    """Return the vattings and let-downs of the quarter."""
    heads = (
        Heading(say("week"), number=True),
        Heading(say("site")),
        Heading(say("made")),
        Heading(say("liquid")),
        Heading(say("lots"), number=True),
        Heading(say("lpa"), number=True),
    )
    vattings = [
        (row.period, row.site, say("vatting"), row.liquid, number(row.lots), row.lpa)
        for row in plan.vattings
    ]
    let_downs = [
        (row.period, row.site, row.recipe, row.makes, blank(), row.lpa) for row in plan.let_downs
    ]
    rows = tuple(
        (number(period), text(site), text(how), text(liquid), lots, number(lpa))
        for period, site, how, liquid, lots, lpa in sorted(
            vattings + let_downs, key=lambda row: (row[0], row[1], row[3])
        )
        if period <= plan.quarter_periods and lpa > 0.5
    )
    return Table(say("h_runs"), heads, rows)


def holds_table(holds: Sequence[HoldCost], currency: str, say: Terms) -> Table:
    """Return what each closed gate costs, as planned, released, and failed."""
    heads = (
        Heading(say("lot")),
        Heading(say("status")),
        Heading(say("lpa"), number=True),
        Heading(f"{say('cost_as_is')}, {currency}", number=True),
        Heading(f"{say('cost_released')}, {currency}", number=True),
        Heading(f"{say('cost_failed')}, {currency}", number=True),
        Heading(f"{say('saving')}, {currency}", number=True),
        Heading(f"{say('extra')}, {currency}", number=True),
        Heading(f"{say('short_periods')} ({say('before')}, {say('after')})"),
    )
    rows = tuple(
        (
            text(hold.lot_id),
            text(say(f"status_{hold.status}")),
            number(hold.lpa),
            *(
                blank() if amount is None else number(amount)
                for amount in (hold.cost_as_is, hold.cost_released, hold.cost_failed)
            ),
            _range(hold.saving_least, hold.saving_most, say),
            _range(hold.extra_least, hold.extra_most, say),
            _short(hold),
        )
        for hold in holds
    )
    return Table(say("h_holds"), heads, rows)


def _range(least: float | None, most: float | None, say: Terms) -> Cell:
    if least is None:
        return blank()
    if most is None:
        return Cell(say("at_least", least=amount(least)), least)
    return Cell(say("saving_range", least=amount(least), most=amount(most)), most)


def _short(hold: HoldCost) -> Cell:
    if hold.short_as_is_lpa is None or hold.short_released_lpa is None:
        return blank()
    return Cell(
        f"{hold.short_as_is_lpa:,.0f}, {hold.short_released_lpa:,.0f}", hold.short_as_is_lpa
    )


def shortage_table(short: Sequence[views.ShortDemand], caption: str, say: Terms) -> Table:
    """Return demand late or lost."""
    heads = (
        Heading(say("site")),
        Heading(say("liquid")),
        Heading(say("market")),
        Heading(say("priority")),
        Heading(say("weeks")),
        Heading(say("late"), number=True),
        Heading(say("lost"), number=True),
        Heading(say("at_end"), number=True),
    )
    rows = tuple(
        (
            text(row.site),
            text(row.liquid),
            text(row.market),
            text(row.priority),
            weeks(row.periods),
            number(row.lpa, alarm=True) if row.unmet == "carried" else blank(),
            number(row.lpa, alarm=True) if row.unmet == "lost" else blank(),
            number(row.at_end_lpa) if row.unmet == "carried" else blank(),
        )
        for row in short
    )
    return Table(caption, heads, rows)


def misses_table(missed: Sequence[Miss], currency: str, say: Terms) -> Table:
    """Return floors and closing targets missed, and stock past its life."""
    heads = (
        Heading(say("miss")),
        Heading(say("site")),
        Heading(say("liquid")),
        Heading(say("weeks")),
        Heading(say("lpa_worst"), number=True),
        Heading(f"{say('cost')}, {currency}", number=True),
    )
    rows = tuple(
        (
            text(say(f"miss_{one.kind}")),
            text(one.site),
            text(one.liquid),
            weeks(one.periods),
            number(one.worst_lpa, alarm=True),
            number(one.cost),
        )
        for one in missed
    )
    return Table(say("missed"), heads, rows)


def changes_table(difference: PlanDifference, say: Terms) -> Table:
    """Return the loads that an earlier plan had otherwise."""
    heads = (
        Heading(say("change")),
        Heading(say("lane")),
        Heading(say("tank")),
        Heading(say("liquid")),
        Heading(say("loading_before")),
        Heading(say("loading_after")),
        Heading(f"{say('lpa')} {say('before')}", number=True),
        Heading(f"{say('lpa')} {say('after')}", number=True),
    )
    rows = tuple(
        (
            text(say(f"change_{row.change}")),
            text(row.lane),
            text(row.tank_type),
            text(row.liquids),
            day(row.day_before) if row.day_before else blank(),
            day(row.day_after) if row.day_after else blank(),
            number(row.lpa_before),
            number(row.lpa_after),
        )
        for row in difference.loads
    )
    return Table(say("h_changes"), heads, rows)


def costs_table(costs: CostBreakdown, currency: str, say: Terms) -> Table:
    """Return the cost by part, with total and what the plan can change."""
    parts = [part for part in COST_PARTS if part != "hire" or costs.hire]
    exact = [getattr(costs, part) * (-1.0 if part == "sales" else 1.0) for part in parts]
    signed: list[tuple[str, float, float]] = [
        (say(f"cost_{part}"), one, shown)
        for part, one, shown in zip(parts, exact, whole_parts(exact), strict=True)
    ]
    signed += [
        (say("total"), costs.total, costs.total),
        (say("cost_changeable"), costs.changeable, costs.changeable),
    ]
    heads = (
        Heading(say("part")),
        Heading(f"{say('amount')}, {currency}", number=True),
        Heading(say("share"), number=True),
    )
    rows = tuple(
        (
            text(part),
            number(shown),
            Cell(share(one, costs.total), one),
        )
        for part, one, shown in signed
    )
    return Table(say("h_costs"), heads, rows)


def checks_table(result: PlanResult, say: Terms) -> Table:
    """Return every check of the plan."""
    heads = (
        Heading(say("check")),
        Heading(say("result")),
        Heading(say("worst"), number=True),
        Heading(say("compared"), number=True),
    )
    rows = tuple(
        (
            text(check.words),
            text(say("passed") if check.passed else say("failed"), alarm=not check.passed),
            Cell(f"{check.worst:.2g} {check.unit}".strip(), check.worst),
            number(check.compared),
        )
        for check in result.report.checks
    )
    return Table(say("check"), heads, rows)
