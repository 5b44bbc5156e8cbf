"""What a planner opens in the workbook: the answer, the week, and tables by week, ready to print.

The rows are those of the report's tables (`bulkflow.report.tables`), so that both show the same
figures. The sheet ``demand`` is in the form of a workspace's own table: changed and put into the
workspace (``demand.xlsx``, or ``tables: {demand: plan.xlsx#demand}``) it is read as it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from bulkflow.plan import views
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import NOTHING_LPA, summarise, verdict
from bulkflow.plan.week import Week
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.report import lot_tables, tables
from bulkflow.report.calendars import leaving_loads
from bulkflow.report.first_screen import four_figures
from bulkflow.report.lots_in_loads import LotsInLoads
from bulkflow.report.tables import Cell, Heading, Table, blank, day, number, text
from bulkflow.report.terms import Terms
from bulkflow.scenario.model import Scenario

__all__ = ["DEMAND_COLUMNS", "PlannerSheet", "planner_sheets"]

# Of a workspace's table ``demand``; what a plan has in LPA is not given in cases.
DEMAND_COLUMNS = ("site_id", "period_start", "liquid_id", "lpa", "market_id", "priority_id")
DAY = re.compile(r"\d{4}-\d{2}-\d{2}")

Value = str | float | date | None


@dataclass(frozen=True, slots=True)
class PlannerSheet:
    """A sheet: blocks of rows one below the other, each with its headings; () for none.

    Parameters
    ----------
    alarms : rows and columns (from 0, headings counted) of cells that ask for attention.
    totals, headings : rows to be set in bold.
    """

    name: str
    rows: tuple[tuple[Value, ...], ...]
    headings: tuple[int, ...] = (0,)
    totals: tuple[int, ...] = ()
    alarms: tuple[tuple[int, int], ...] = ()


def planner_sheets(
    result: PlanResult,
    scenario: Scenario,
    beside: LotsInLoads,
    week: Week | None,
    say: Terms,
) -> Iterator[PlannerSheet]:
    """Yield the sheets in the order in which they are opened.

    Parameters
    ----------
    beside : which lots fill the loads.
    week : the week's list; None where nobody asked for it.
    """
    plan = result.plan
    loads = leaving_loads(plan)
    keyed = lot_tables.keyed_lots(loads, beside.fillings)
    named = {lot: lot for lot in keyed}
    coming = views.arriving(plan, len(plan.period_starts))
    yield _answer(result, beside, say)
    if week is not None and week.lines:
        yield _week(week)
    yield _sheet("week grid", _grid(plan, say))
    full = lot_tables.loads_table(loads, beside.fillings, {}, named, say, say("loads"))
    yield _sheet("loads", full)
    under_way = [load for load in coming if load.kind is LoadKind.UNDER_WAY]
    yield _sheet("under way", lot_tables.arrivals_table(under_way, say))
    yield _sheet("stock", _stock(plan, scenario, say))
    yield _sheet("served", _served(plan, say))
    if result.holds:
        yield _sheet("holds", tables.holds_table(result.holds, plan, say))
    yield _sheet("purchases", _purchases(plan, say))
    yield PlannerSheet("demand", (DEMAND_COLUMNS, *_demand(plan)))


def _answer(result: PlanResult, beside: LotsInLoads, say: Terms) -> PlannerSheet:
    told = beside.told_to(result) if beside.fillings else result
    summary = summarise(told)
    rows: list[tuple[Value, ...]] = [
        (result.plan.scenario_name,),
        (say(f"verdict_{verdict(summary).value}"),),
        (summary.sentence,),
        (),
    ]
    rows += [(one.name, one.value, one.words) for one in four_figures(result, summary, say)]
    rows.append(())
    costs = _rows(tables.costs_table(result.plan.costs, result.plan.currency, say))
    headings = [0, 1, len(rows)]
    totals = (len(rows) + len(costs) - 2, len(rows) + len(costs) - 1)
    rows += [*costs, (), (say("demand_back"),), (say("data_hidden"),)]
    return PlannerSheet("answer", tuple(rows), tuple(headings), totals)


def _week(week: Week) -> PlannerSheet:
    heads = ("by", "what", "LPA", week.currency, "command")
    rows = ((one.by, one.what, one.holds_up_lpa or None, one.money, one.command)
            for one in week.lines)  # fmt: skip
    return PlannerSheet("week", (heads, *rows))


def _grid(plan: Plan, say: Terms) -> Table:
    """Return loads by lane and week of the quarter, and their LPA."""
    found = views.lane_loads(plan)
    starts = plan.period_starts[: plan.quarter_periods]
    heads = (
        Heading(say("lane")),
        *(Heading(start.isoformat(), number=True) for start in starts),
        Heading(say("all"), number=True),
        Heading(say("lpa"), number=True),
    )
    rows = tuple(
        (
            text(row.lane),
            *(number(one) if one else blank() for one in row.loads),
            number(sum(row.loads)),
            number(row.lpa),
        )
        for row in found
    )
    by_week = [sum(row.loads[place] for row in found) for place in range(len(starts))]
    total = (
        text(say("total")), *(number(one) for one in by_week), number(sum(by_week)),
        number(sum(row.lpa for row in found)),
    )  # fmt: skip
    return Table("", heads, rows, (total,))


def _stock(plan: Plan, scenario: Scenario, say: Terms) -> Table:
    """Return released stock at the end of each period, beside floor and room."""
    strengths = {one.id: one.strength_percent for one in scenario.liquids}
    levels: dict[tuple[str, str, int], float] = {}
    for row in plan.stocks:
        key = (row.site, row.liquid, row.period)
        levels[key] = levels.get(key, 0.0) + row.released_lpa
    heads = (
        *(Heading(say(one)) for one in ("site", "liquid")),
        *(Heading(say(one), number=True) for one in ("floor", "room", "opening")),
        *(Heading(start.isoformat(), number=True) for start in plan.period_starts),
    )
    rows = tuple(
        (
            text(one.site),
            text(one.liquid),
            number(one.floor_lpa) if one.floor_lpa else blank(),
            number(one.room_litres * strengths[one.liquid] / 100) if one.room_litres else blank(),
            number(one.opening_lpa),
            *(
                number(lpa, alarm=lpa < one.floor_lpa - NOTHING_LPA)
                for lpa in (
                    levels.get((one.site, one.liquid, period), 0.0)
                    for period in range(1, len(plan.period_starts) + 1)
                )
            ),
        )
        for one in views.stock_views(plan, scenario)
    )
    return Table("", heads, rows)


def _served(plan: Plan, say: Terms) -> Table:
    """Return demand, what serves it and what is open, by period: three rows a site and liquid."""
    heads = (
        *(Heading(say(one)) for one in ("site", "liquid", "amount")),
        *(Heading(start.isoformat(), number=True) for start in plan.period_starts),
        Heading(say("total"), number=True),
    )
    rows: list[tuple[Cell, ...]] = []
    for one in views.served_at(plan):
        place = text(one.site), text(one.liquid)
        for what, lpa in (("demand", one.demand_lpa), ("served", one.served_lpa)):
            cells = (number(each) if each else blank() for each in lpa)
            rows.append((*place, text(say(what)), *cells, number(sum(lpa))))
        if any(each > NOTHING_LPA for each in one.open_lpa):
            cells = (number(each, alarm=True) if each else blank() for each in one.open_lpa)
            rows.append((*place, text(say("late_or_short")), *cells, blank()))
    return Table("", heads, tuple(rows))


def _purchases(plan: Plan, say: Terms) -> Table:
    heads = (
        *(Heading(say(one)) for one in ("week_begins", "supplier", "liquid")),
        Heading(say("lpa"), number=True),
        Heading(say("price", currency=plan.currency), number=True),
        Heading(f"{say('cost')}, {plan.currency}", number=True),
    )
    bought = sorted(
        (row for row in plan.purchases if row.lpa > NOTHING_LPA),
        key=lambda row: (row.period, row.supplier, row.liquid),
    )
    rows = tuple(
        (
            day(plan.period_starts[row.period - 1]),
            text(row.supplier),
            text(row.liquid),
            number(row.lpa),
            number(row.price_per_lpa, 3),
            number(row.lpa * row.price_per_lpa),
        )
        for row in bought
    )
    total = (text(say("total")), text(""), text(""), number(sum(row.lpa for row in bought)),
             blank(), number(sum(row.lpa * row.price_per_lpa for row in bought)))  # fmt: skip
    return Table("", heads, rows, (total,))


def _demand(plan: Plan) -> Iterator[tuple[Value, ...]]:
    for row in plan.demand:
        if row.demand_lpa > 0:
            start = plan.period_starts[row.period - 1]
            yield (
                row.site, start, row.liquid, row.demand_lpa, row.market or None, row.priority,
            )  # fmt: skip


def _sheet(name: str, table: Table) -> PlannerSheet:
    shown = _rows(table)
    alarms = tuple(
        (at, place)
        for at, row in enumerate((*table.rows, *table.feet), start=1)
        for place, cell in enumerate(_kept(row, table.headings))
        if cell.alarm
    )
    totals = tuple(range(len(shown) - len(table.feet), len(shown)))
    return PlannerSheet(name, shown, totals=totals, alarms=alarms)


def _kept(row: Sequence[Any], headings: Sequence[Heading]) -> list[Any]:
    return [one for one, head in zip(row, headings, strict=True) if head.picture is None]


def _rows(table: Table) -> tuple[tuple[Value, ...], ...]:
    heads = tuple(_day(one.words) for one in table.headings if one.picture is None)
    return (
        heads,
        *(
            tuple(_value(cell) for cell in _kept(row, table.headings))
            for row in (*table.rows, *table.feet)
        ),
    )


def _value(cell: Cell) -> Value:
    """Return a cell of the report as a spreadsheet keeps it: number, day or text."""
    if isinstance(cell.key, float) and cell.text and not cell.text.endswith("%"):
        numeric = re.fullmatch(r"-?[\d,]+(\.\d+)?", cell.text)
        return cell.key if numeric else cell.text
    words = ", ".join([*(one for one, _ in cell.links), *([cell.text] if cell.text else [])])
    return _day(words) if words else None


def _day(words: str) -> Value:
    return date.fromisoformat(words) if DAY.fullmatch(words) else words
