"""The tables of the report as plain data: headings, and rows of cells with their sort keys.

Figures come from ``bulkflow.plan.views``; words from the table of terms; no layout here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from markupsafe import Markup

from bulkflow.plan import views
from bulkflow.plan.compare import PlanDifference
from bulkflow.plan.result import HoldCost, Miss, PlanResult
from bulkflow.plan.summary import NOTHING_LPA
from bulkflow.program.answer import CostBreakdown, Plan
from bulkflow.report.terms import Terms
from bulkflow.scenario.model import Scenario
from bulkflow.wording import amount, counted, money, percent, share, whole_parts

__all__ = [
    "Cell",
    "Heading",
    "Table",
    "changes_table",
    "charges_table",
    "check_words",
    "costs_table",
    "due_table",
    "holds_table",
    "lane_table",
    "making_table",
    "misses_table",
    "purchases_table",
    "risk_table",
    "served_table",
    "shortage_table",
    "stock_table",
    "supplies_table",
]

LONGEST_WHOLE = 19  # characters
COST_PARTS = (
    "spirit", "making", "freight", "hire", "handling", "capital", "change", "shortage", "floors",
    "sales",
)  # fmt: skip

Place = tuple[str, str]
Pictures = Mapping[Place, str]


@dataclass(frozen=True, slots=True)
class Heading:
    """A column: its words, whether it holds numbers (set to the right), a picture in its place."""

    words: str
    number: bool = False
    picture: Markup | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: its text, what it sorts by, and whether it is an alarm (said by a sign too).

    Parameters
    ----------
    links : places on the page, each with its words, set before the text.
    picture : shown in place of the text.
    """

    text: str
    key: float | str
    alarm: bool = False
    links: tuple[tuple[str, str], ...] = ()
    picture: Markup | None = None

    @property
    def whole(self) -> bool:
        """Whether it stays on one line: a name, a day, a word."""
        return len(self.text) <= LONGEST_WHOLE and " " not in self.text


Row = tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its caption.

    Parameters
    ----------
    feet : totals, which stay last however the rows are sorted.
    anchors : the name on the page of each row; () for none.
    """

    caption: str
    headings: tuple[Heading, ...]
    rows: tuple[Row, ...]
    feet: tuple[Row, ...] = ()
    anchors: tuple[str, ...] = ()


def text(value: str, *, alarm: bool = False) -> Cell:
    """Return a cell of text."""
    return Cell(value, value.casefold(), alarm)


def number(value: float, digits: int = 0, *, alarm: bool = False) -> Cell:
    """Return a cell of a number with thousands set apart."""
    shown = f"{value:,.{digits}f}" if digits else amount(value)
    return Cell(shown, float(value), alarm)


def cash(value: float, *, alarm: bool = False) -> Cell:
    """Return a cell of money."""
    return Cell(money(value), float(value), alarm)


def blank() -> Cell:
    """Return an empty cell; it sorts before all numbers."""
    return Cell("", float("-inf"))


def drawn(picture: str) -> Cell:
    """Return a cell with a picture."""
    return Cell("", "", picture=Markup(picture))


def day(value: date) -> Cell:
    """Return a cell of a day, written year-month-day as in the files."""
    return Cell(value.isoformat(), value.isoformat())


def weeks(plan: Plan, periods: Iterable[int], say: Terms) -> Cell:
    """Return a cell of periods by the days on which they begin, runs joined by a dash."""
    runs: list[list[int]] = []
    for period in sorted(set(periods)):
        if runs and period == runs[-1][1] + 1:
            runs[-1][1] = period
        else:
            runs.append([period, period])

    def begins(period: int) -> str:
        return say.day(plan.period_starts[period - 1])

    said = ", ".join(
        begins(first) if first == last else f"{begins(first)} – {begins(last)}"
        for first, last in runs
    )
    return Cell(said, float(runs[0][0]) if runs else float("-inf"))


def lane_table(plan: Plan, scenario: Scenario, say: Terms) -> Table:
    """Return the lanes that carry loads in the quarter, from where to where."""
    lanes = {lane.id: lane for lane in scenario.lanes}
    found = views.lane_loads(plan)
    heads = (
        Heading(say("lane")),
        Heading(say("from")),
        Heading(say("to")),
        Heading(say("loads"), number=True),
        Heading(say("lpa"), number=True),
    )
    rows = tuple(
        (
            text(row.lane),
            text(lanes[row.lane].origin if row.lane in lanes else ""),
            text(lanes[row.lane].destination if row.lane in lanes else ""),
            number(sum(row.loads)),
            number(row.lpa),
        )
        for row in found
    )
    total = (
        text(say("total")), text(""), text(""), number(sum(sum(row.loads) for row in found)),
        number(sum(row.lpa for row in found)),
    )  # fmt: skip
    return Table(say("loads_by_lane"), heads, rows, (total,))


def stock_table(plan: Plan, scenario: Scenario, say: Terms, pictures: Pictures, axis: str) -> Table:
    """Return stock of every site and liquid against floor and room over the quarter."""
    heads = (
        Heading(say("site")),
        Heading(say("liquid")),
        Heading(say("stock_strip"), picture=Markup(axis)),
        Heading(say("opening"), number=True),
        Heading(say("least"), number=True),
        Heading(say("week_of_least")),
        Heading(say("floor"), number=True),
        Heading(say("below_floor")),
        Heading(say("end"), number=True),
        Heading(say("fullest"), number=True),
    )
    rows = tuple(
        (
            text(row.site),
            text(row.liquid),
            drawn(pictures[row.site, row.liquid])
            if (row.site, row.liquid) in pictures
            else text(""),
            number(row.opening_lpa),
            number(row.least_lpa, alarm=bool(row.below_floor)),
            weeks(plan, [row.least_period], say),
            number(row.floor_lpa) if row.floor_lpa else blank(),
            weeks(plan, row.below_floor, say),
            number(row.end_lpa),
            blank()
            if row.fullest_share is None
            else Cell(f"{100 * row.fullest_share:.0f} %", row.fullest_share),
        )
        for row in views.stock_views(plan, scenario)
    )
    return Table(say("h_stock"), heads, rows)


def served_table(plan: Plan, say: Terms, pictures: Pictures, axis: str) -> Table:
    """Return demand of the quarter against what serves it, by site and liquid."""
    quarter = plan.quarter_periods
    heads = (
        Heading(say("site")),
        Heading(say("liquid")),
        Heading(say("served_strip"), picture=Markup(axis)),
        Heading(say("demand"), number=True),
        Heading(say("served"), number=True),
        Heading(say("share"), number=True),
        Heading(say("open_in")),
    )
    rows = []
    for row in views.served_at(plan):
        asked, served = sum(row.demand_lpa[:quarter]), sum(row.served_lpa[:quarter])
        still_open = [place + 1 for place, lpa in enumerate(row.open_lpa[:quarter])
                      if lpa > NOTHING_LPA]  # fmt: skip
        rows.append(
            (
                text(row.site),
                text(row.liquid),
                drawn(pictures[row.site, row.liquid]),
                number(asked),
                number(served, alarm=bool(still_open)),
                Cell(percent(served / asked), served / asked) if asked > 0 else blank(),
                weeks(plan, still_open, say),
            )
        )
    asked, served = (sum(cells[place].key for cells in rows) for place in (3, 4))  # type: ignore[misc]
    total = (
        text(say("total")), text(""), text(""), number(asked), number(served),
        Cell(percent(served / asked), served / asked) if asked > 0 else blank(), text(""),
    )  # fmt: skip
    return Table(say("h_served"), heads, tuple(rows), (total,))


def risk_table(plan: Plan, say: Terms, pictures: Mapping[str, str], axis: str) -> Table:
    """Return the fullest week of each guarantee."""
    heads = (
        Heading(say("guarantee")),
        Heading(say("risk_strip"), picture=Markup(axis)),
        Heading(say("most_used"), number=True),
        Heading(say("week_of_most")),
        Heading(say("limit"), number=True),
        Heading(say("share"), number=True),
        Heading(say("left"), number=True),
    )
    rows = tuple(
        (
            text(row.guarantee),
            drawn(pictures[row.guarantee]),
            cash(row.used),
            weeks(plan, [row.period], say),
            cash(row.limit),
            Cell(percent(row.share), row.share, row.share > 1.0),
            cash(row.limit - row.used),
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
    due = [row for row in plan.duty_due if row.period <= plan.quarter_periods]
    rows = tuple(
        (
            day(row.payable_on),
            text(row.site),
            text(row.load_id),
            text(row.liquid),
            number(row.lpa),
            cash(row.amount),
        )
        for row in sorted(due, key=lambda one: (one.payable_on, one.load_id))
    )
    total = (text(say("total")), text(""), text(""), text(""), number(sum(one.lpa for one in due)),
             cash(sum(one.amount for one in due)))  # fmt: skip
    return Table(say("h_due"), heads, rows, (total,) if rows else ())


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
    found = views.bought(plan)
    rows = tuple(
        (
            text(row.supplier),
            text(row.liquid),
            number(row.lpa),
            number(row.cost / row.lpa, 3),
            cash(row.cost),
            weeks(plan, row.periods, say),
        )
        for row in found
    )
    total = (text(say("total")), text(""), number(sum(one.lpa for one in found)), blank(),
             cash(sum(one.cost for one in found)), text(""))  # fmt: skip
    return Table(say("h_purchases"), heads, rows, (total,) if rows else ())


def supplies_table(plan: Plan, made_at: Iterable[str], say: Terms) -> tuple[Table, dict[str, str]]:
    """Return loads from suppliers, those alike on a day in one row, and the row of each load.

    Parameters
    ----------
    made_at : the sites; what comes from elsewhere is a supplier's.
    """
    own = set(made_at)
    groups: dict[tuple[date, str, str, str], list[str]] = {}
    lpa: dict[tuple[date, str, str, str], float] = {}
    usable: dict[tuple[date, str, str, str], date] = {}
    for load in views.loads_in(plan, range(1, plan.quarter_periods + 1)):
        if load.origin in own:
            continue
        liquids = ", ".join(dict.fromkeys(part.liquid for part in load.parts))
        key = (load.loading_day, load.lane, load.tank_type, liquids)
        groups.setdefault(key, []).append(load.load_id)
        lpa[key] = lpa.get(key, 0.0) + load.lpa
        usable[key] = max(usable.get(key, load.usable_day), load.usable_day)
    heads = (
        Heading(say("loading_day")),
        Heading(say("lane")),
        Heading(say("loads"), number=True),
        Heading(say("tank")),
        Heading(say("liquid")),
        Heading(say("lpa"), number=True),
        Heading(say("usable_day")),
    )
    keys = sorted(groups)
    rows = tuple(
        (day(key[0]), text(key[1]), number(len(groups[key])), text(key[2]), text(key[3]),
         number(lpa[key]), day(usable[key]))
        for key in keys
    )  # fmt: skip
    anchors = tuple(f"supply-{place}" for place in range(1, len(keys) + 1))
    total = (
        text(say("total")), text(""), number(sum(len(one) for one in groups.values())), text(""),
        text(""), number(sum(lpa.values())), text(""),
    )  # fmt: skip
    where = {load: anchor for key, anchor in zip(keys, anchors, strict=True)
             for load in groups[key]}  # fmt: skip
    table = Table(say("supplies"), heads, rows, (total,) if rows else (), anchors)
    return table, where


def charges_table(plan: Plan, say: Terms) -> Table:
    """Return charges by still, recipe and week."""
    heads = (
        Heading(say("still")),
        Heading(say("recipe")),
        *(
            Heading(say.day(start), number=True)
            for start in plan.period_starts[: plan.quarter_periods]
        ),
        Heading(say("all"), number=True),
        Heading(say("hearts"), number=True),
    )
    rows = tuple(
        (
            text(row.still),
            text(row.recipe),
            *(Cell(f"{one:g}", one) if one else Cell("·", 0.0) for one in row.charges),
            Cell(f"{sum(row.charges):g}", sum(row.charges)),
            number(row.hearts_lpa),
        )
        for row in views.charged(plan)
    )
    return Table(say("charges"), heads, rows)


def making_table(plan: Plan, say: Terms) -> Table:
    """Return the vattings and let-downs of the quarter, each liquid of a site in one row."""
    heads = (
        Heading(say("site")),
        Heading(say("made")),
        Heading(say("liquid")),
        Heading(say("lots"), number=True),
        Heading(say("lpa"), number=True),
        Heading(say("weeks")),
    )
    made: dict[tuple[str, str, str], list[tuple[int, int, float]]] = {}
    for vatting in plan.vattings:
        key = (vatting.site, say("vatting"), vatting.liquid)
        made.setdefault(key, []).append((vatting.period, vatting.lots, vatting.lpa))
    for one in plan.let_downs:
        made.setdefault((one.site, one.recipe, one.makes), []).append((one.period, 0, one.lpa))
    rows = []
    for key in sorted(made):
        here = [row for row in made[key] if row[0] <= plan.quarter_periods and row[2] > 0.5]
        if here:
            lots = sum(row[1] for row in here)
            rows.append(
                (
                    *(text(word) for word in key),
                    number(lots) if lots else blank(),
                    number(sum(row[2] for row in here)),
                    weeks(plan, [row[0] for row in here], say),
                )
            )
    return Table(say("making"), heads, tuple(rows))


def holds_table(holds: Sequence[HoldCost], plan: Plan, say: Terms) -> Table:
    """Return what each closed gate costs, as planned, released, and failed."""
    currency = plan.currency
    heads = (
        Heading(say("lot")),
        Heading(say("status")),
        Heading(say("lpa"), number=True),
        Heading(say("decide_by")),
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
            decided_by(hold, plan, say),
            *(
                blank() if cost is None else cash(cost)
                for cost in (hold.cost_as_is, hold.cost_released, hold.cost_failed)
            ),
            _range(hold.saving_least, hold.saving_most, say),
            _range(hold.extra_least, hold.extra_most, say),
            _short(hold),
        )
        for hold in holds
    )
    return _told_columns(Table(say("h_holds"), heads, rows))


def decided_by(hold: HoldCost, plan: Plan, say: Terms) -> Cell:
    """Return the last day on which a decision still serves the plan, as a cell."""
    by, _ = views.decide_by(plan, hold)
    return day(by) if by is not None else text(say("no_load_of_it"))


def _told_columns(table: Table) -> Table:
    """Return a table without the columns that say nothing in any row."""
    keep = [place for place in range(len(table.headings))
            if any(row[place].text for row in table.rows)]  # fmt: skip
    rows = tuple(tuple(row[place] for place in keep) for row in table.rows)
    return replace(table, headings=tuple(table.headings[place] for place in keep), rows=rows)


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


def shortage_table(
    plan: Plan, short: Sequence[views.ShortDemand], caption: str, say: Terms
) -> Table:
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
            weeks(plan, row.periods, say),
            number(row.lpa, alarm=True) if row.unmet == "carried" else blank(),
            number(row.lpa, alarm=True) if row.unmet == "lost" else blank(),
            number(row.at_end_lpa) if row.unmet == "carried" else blank(),
        )
        for row in short
    )
    return Table(caption, heads, rows)


def misses_table(plan: Plan, missed: Sequence[Miss], say: Terms) -> Table:
    """Return floors and closing targets missed, and stock past its life."""
    heads = (
        Heading(say("miss")),
        Heading(say("site")),
        Heading(say("liquid")),
        Heading(say("weeks")),
        Heading(say("lpa_worst"), number=True),
        Heading(f"{say('cost')}, {plan.currency}", number=True),
    )
    rows = tuple(
        (
            text(say(f"miss_{one.kind}")),
            text(one.site),
            text(one.liquid),
            weeks(plan, one.periods, say),
            number(one.worst_lpa, alarm=True),
            number(one.cost),
        )
        for one in missed
    )
    empty = (text("") for _ in range(4))
    total = (text(say("total")), *empty, number(sum(one.cost for one in missed)))
    return Table(say("missed"), heads, rows, (total,) if rows else ())


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
    caption = say("changed_loads", loads=counted(len(rows), "load"))
    return Table(caption, heads, rows)


def costs_table(costs: CostBreakdown, currency: str, say: Terms) -> Table:
    """Return the cost by part, with total and what the plan can change."""
    parts = [part for part in COST_PARTS if part != "hire" or costs.hire]
    exact = [getattr(costs, part) * (-1.0 if part == "sales" else 1.0) for part in parts]
    heads = (
        Heading(say("part")),
        Heading(f"{say('amount')}, {currency}", number=True),
        Heading(say("share"), number=True),
    )

    def row(words: str, of: float, shown: float) -> Row:
        return text(words), number(shown), Cell(share(of, costs.total), of)

    rows = tuple(
        row(say(f"cost_{part}"), one, shown)
        for part, one, shown in zip(parts, exact, whole_parts(exact), strict=True)
    )
    feet = (
        row(say("total"), costs.total, costs.total),
        row(say("cost_changeable"), costs.changeable, costs.changeable),
    )
    return Table(say("h_costs"), heads, rows, feet)


def check_words(result: PlanResult, say: Terms) -> list[str]:
    """Return every check of the plan in a line, those that failed first."""
    lines = []
    for check in sorted(result.report.checks, key=lambda one: one.passed):
        passed = say("passed") if check.passed else say("failed")
        worst = "0" if check.worst == 0 else f"{check.worst:.1g}"
        off = say("off_by", worst=f"{worst} {check.unit}".strip())
        lines.append(f"{check.words}: {passed}{f', {off}' if check.worst else ''}")
    return lines
