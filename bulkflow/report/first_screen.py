"""The first screen of the report: the verdict, four figures, and what the week asks for."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from bulkflow.plan import views
from bulkflow.plan.next_steps import Whereabouts, next_steps
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import NOTHING_LPA, Summary, gap_words, good_enough
from bulkflow.plan.week import DueKind, Week
from bulkflow.report.lots_in_loads import LotsInLoads
from bulkflow.report.terms import Terms
from bulkflow.wording import amount, money, percent

__all__ = ["Figure", "Step", "four_figures", "week_lines", "week_steps"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: its name, its value as it is read, and what it means in a line."""

    name: str
    value: str
    words: str
    alarm: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """Something to do: in words, where the page tells more, and the command that does it.

    Parameters
    ----------
    by : the day by which; '' where none hangs on it.
    weight : what it holds up, in LPA and money.
    """

    words: str
    place: str = ""
    command: str = ""
    by: str = ""
    weight: str = ""
    late: bool = False


def four_figures(result: PlanResult, summary: Summary, say: Terms) -> list[Figure]:
    """Return served, late or short, the gap, and the tightest guarantee; all of the quarter."""
    return [
        _served(summary, say),
        _short(result, summary, say),
        _gap(result, say),
        _guarantee(result, say),
    ]


def _served(summary: Summary, say: Terms) -> Figure:
    if summary.demand_lpa <= 0:
        return Figure(say("served"), say("none"), say("no_demand"), alarm=True)
    words = say("of_lpa", part=amount(summary.served_lpa), whole=amount(summary.demand_lpa))
    share = summary.served_lpa / summary.demand_lpa
    return Figure(say("served"), percent(share), words)


def _short(result: PlanResult, summary: Summary, say: Terms) -> Figure:
    late, period = views.late_at_once(result.plan, result.unmet)
    told = []
    if late:
        week = say.day(result.plan.period_starts[period - 1])
        told.append(say("late_words", lpa=amount(late), week=week))
    if summary.backlog_end_lpa > NOTHING_LPA:
        told.append(say("owed_words", lpa=amount(summary.backlog_end_lpa)))
    if summary.lost_lpa > NOTHING_LPA:
        told.append(say("lost_words", lpa=amount(summary.lost_lpa)))
    value = say("some_lpa", lpa=amount(late + summary.lost_lpa))
    return Figure(say("late_or_short"), value, "; ".join(told) or say("no_shortage"), bool(told))


def _gap(result: PlanResult, say: Terms) -> Figure:
    plan, proof = result.plan, result.plan.proof
    if not math.isfinite(proof.bound):
        return Figure(say("proof_gap"), say("none"), say("proof_no_bound"), alarm=True)
    shown, _, rest = gap_words(plan).partition(" (")
    words = say("gap_means", most=rest.rstrip(")") or shown)
    return Figure(say("proof_gap"), shown, words, alarm=not good_enough(plan))


def _guarantee(result: PlanResult, say: Terms) -> Figure:
    peak = views.tightest_guarantee(result.plan)
    if peak is None:
        return Figure(say("tightest"), say("none"), say("no_guarantee"))
    words = say(
        "tightest_words",
        guarantee=peak.guarantee,
        week=say.day(result.plan.period_starts[peak.period - 1]),
        left=money(peak.limit - peak.used),
        currency=result.plan.currency,
    )
    return Figure(say("tightest"), percent(peak.share), words, alarm=peak.share > 1.0)


# Where the page tells more of a line of the week, by what the line is about.
PLACES = {
    DueKind.LOT: "lots",
    DueKind.LOAD: "next",
    DueKind.ARRIVAL: "arrivals",
    DueKind.PURCHASE: "supplies",
    DueKind.GUARANTEE: "risk",
    DueKind.TANK: "stock",
    DueKind.FLOOR: "stock",
}


def week_lines(week: Week, anchors: Mapping[str, str], say: Terms) -> list[Step]:
    """Return the week's list; each line leads to its load, its lot, or the section it belongs to.

    Parameters
    ----------
    anchors : the place on the page of loads and lots, by name.
    """
    return [
        Step(
            line.what,
            place=anchors.get(line.subject, PLACES.get(line.kind, "")),
            command=line.command,
            by="" if line.by is None else say.day(line.by),
            weight=", ".join(
                filter(
                    None,
                    (
                        say("some_lpa", lpa=amount(line.holds_up_lpa)) if line.holds_up_lpa else "",
                        f"{money(round(line.money))} {week.currency}" if line.money else "",
                    ),
                )
            ),
            late=line.late,
        )
        for line in week.lines
    ]


def week_steps(
    result: PlanResult, beside: LotsInLoads, where: Whereabouts | None, say: Terms
) -> list[Step]:
    """Return what comes next, most pressing first: commands where it is known where the plan is."""
    return [*_places(result, say), *_commands(result, beside, where, say)]


def _places(result: PlanResult, say: Terms) -> Iterator[Step]:
    if any(views.short_demand(result.plan, result.unmet)):
        yield Step(say("next_short"), "short")
    if result.holds:
        yield Step(say("next_holds"), "lots")
    yield Step(say("next_loads"), "next")
    if result.plan.guarantee_use:
        yield Step(say("next_duty"), "risk")


def _commands(
    result: PlanResult, beside: LotsInLoads, where: Whereabouts | None, say: Terms
) -> Iterator[Step]:
    if where is None:
        return
    for step in next_steps(result, where, loads=beside.soonest(result.plan)):
        yield Step(say(f"do_{step.key}", subject=step.subject), command=step.command)
