"""The state of the quarter in one sentence and a few figures: what a planner would say of it.

The only place that says it: terminal, report, workbook, ``plan.json`` and ``compare`` show this
one. "Nothing is short" is said where every one of `Summary`'s troubles is none, and nothing was
left unlooked at.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated

from pydantic import Field

from bulkflow.plan.finding import period_words
from bulkflow.plan.result import Miss, PlanResult
from bulkflow.program.answer import DemandServed, LoadKind, PeriodNumber, Plan
from bulkflow.wording import amount, counted, listed, money, percent

__all__ = [
    "NOTHING_LPA",
    "PROMISE_GAP",
    "ROUNDING",
    "Summary",
    "Verdict",
    "gap_words",
    "good_enough",
    "period_unit",
    "summarise",
    "verdict",
]

WEEK_DAYS = 7
NOTHING_SHORT = "Nothing is short"
# Less LPA than this is no shortage anybody could measure.
NOTHING_LPA = 0.5
# Two sums of the same amounts differ by no more than this share: a gap below it is none.
ROUNDING = 1e-9

PROMISE_GAP = 0.01
"""Up to this share of what the plan pays, the gap is good enough to promise loads: freight quotes,
exchange rates and demand are rarely known to a percent (common practice), so that a cheaper plan
within it could not be told from this one. Past it a longer search may well move loads."""


@dataclass(frozen=True, slots=True)
class Summary:
    """The answer in figures, over the quarter; amounts in LPA, money in the plan's currency.

    Those of a later day have a default: documents written before do not hold them. None stands
    for what nobody looked at.

    Parameters
    ----------
    served_lpa : counts what was carried into the quarter's periods.
    good_enough : by `PROMISE_GAP`.
    """

    sentence: str
    demand_lpa: float
    served_lpa: float
    lost_lpa: float
    backlog_end_lpa: Annotated[float, Field(description="carried demand open at the quarter's end")]
    loads: Annotated[int, Field(description="loads that leave in the quarter")]
    late_periods: tuple[PeriodNumber, ...] = ()
    lost_after_lpa: Annotated[float, Field(description="demand lost after the quarter")] = 0.0
    backlog_horizon_lpa: Annotated[
        float, Field(description="carried demand open at the end of the horizon")
    ] = 0.0
    floors_missed: Annotated[
        int | None,
        Field(description="floors that stock falls below in the quarter; null: not looked at"),
    ] = None
    floors_missed_after: Annotated[int | None, Field(description="those below only after it")] = (
        None
    )
    closing_missed_lpa: Annotated[float | None, Field(description="of all closing targets")] = None
    past_life_lpa: Annotated[
        float | None,
        Field(description="stock past its life, in the worst period of each site and liquid"),
    ] = None
    unfilled_loads: Annotated[
        int | None,
        Field(description="loads without lots on their day; null: lots were not put into loads"),
    ] = None
    waiting_loads: Annotated[
        int, Field(description="loads that wait for their lots to be released")
    ] = 0
    gap_money: Annotated[
        float | None, Field(description="cost less bound; null without a bound")
    ] = None
    good_enough: Annotated[bool, Field(description="whether the gap lets loads be promised")] = (
        False
    )


def summarise(result: PlanResult) -> Summary:
    """Return the state of the quarter in words and figures."""
    plan = result.plan
    quarter = plan.quarter_periods
    state = _Demand(result)
    misses = None if result.misses is None else _notable(result.misses)
    loads = [
        load
        for load in plan.loads
        if load.period <= quarter and load.kind is not LoadKind.UNDER_WAY
    ]
    unfilled, waiting = _unready(result, {load.load_id for load in loads})
    trouble = [*state.after(), *_miss_words(misses or (), plan), *_load_words(unfilled, waiting)]
    unlooked = []
    if misses is None:
        unlooked.append("whether floors and closing targets are kept")
    if unfilled is None:
        unlooked.append("whether lots can fill the loads")
    if not trouble and not state.trouble and state.demand > 0 and not unlooked:
        trouble.append(NOTHING_SHORT)
    elif unlooked:
        trouble.append(f"Not looked at: {listed(unlooked)}")
    sentences = [f"{state.head(len(loads))}.", *(f"{one}." for one in trouble), _proof_words(plan)]
    floors = None if misses is None else [one for one in misses if one.kind == "floor"]
    in_quarter = floors and [one for one in floors if min(one.periods) <= quarter]
    return Summary(
        sentence=" ".join(sentences),
        demand_lpa=state.demand,
        served_lpa=state.served,
        lost_lpa=state.lost,
        backlog_end_lpa=state.backlog,
        late_periods=state.late,
        lost_after_lpa=state.lost_after,
        backlog_horizon_lpa=state.backlog_horizon,
        loads=len(loads),
        floors_missed=None if floors is None else len(in_quarter or ()),
        floors_missed_after=None if floors is None else len(floors) - len(in_quarter or ()),
        closing_missed_lpa=_lpa_of(misses, "closing"),
        past_life_lpa=_lpa_of(misses, "life"),
        unfilled_loads=unfilled,
        waiting_loads=waiting,
        gap_money=plan.proof.cost - plan.proof.bound if math.isfinite(plan.proof.bound) else None,
        good_enough=good_enough(plan),
    )


class Verdict(StrEnum):
    """What a planner may do with the plan as it is, the worst first."""

    LOOK_LONGER = "look_longer"
    SHORT = "short"
    MIND = "mind"
    GOOD = "good"


def verdict(summary: Summary) -> Verdict:
    """Return the one word on top of the state of the quarter, of the figures of its sentence."""
    if not summary.good_enough:
        return Verdict.LOOK_LONGER
    short = summary.lost_lpa, summary.backlog_end_lpa, summary.lost_after_lpa
    if max(*short, summary.backlog_horizon_lpa) > NOTHING_LPA or summary.late_periods:
        return Verdict.SHORT
    # Said only where nothing at all is wrong and nothing was left unlooked at.
    return Verdict.GOOD if f"{NOTHING_SHORT}." in summary.sentence else Verdict.MIND


def period_unit(plan: Plan) -> str:
    """Return what a period of a plan is called: a week where it is one."""
    starts = plan.period_starts
    return "week" if len(starts) > 1 and (starts[1] - starts[0]).days == WEEK_DAYS else "period"


def good_enough(plan: Plan) -> bool:
    """Return whether a plan is proved near enough to the cheapest to promise its loads."""
    difference = plan.proof.cost - plan.proof.bound
    # What is paid, sales not taken off: where they are large the cost can be near nothing.
    paid = max(plan.costs.total + plan.costs.sales, abs(plan.proof.cost))
    return difference <= max(PROMISE_GAP * paid, ROUNDING)


def gap_words(plan: Plan) -> str:
    """Return how far a plan is from the cheapest at most, as money, and a share where that helps.

    A share of a cost or bound that is negative or small beside the difference says nothing.
    """
    proof = plan.proof
    difference = money(max(0.0, proof.cost - proof.bound))
    if proof.bound > 0 and proof.gap < 1.0:
        return f"{percent(proof.gap)} ({difference} {plan.currency})"
    return f"{difference} {plan.currency}"


def _proof_words(plan: Plan) -> str:
    proof = plan.proof
    cost = f"The horizon costs {money(proof.cost)} {plan.currency}"
    if proof.gap <= ROUNDING:
        return f"{cost}, proved the cheapest: good enough to promise loads."
    if not math.isfinite(proof.bound):
        return f"{cost}, with no bound proved: not yet good enough to promise loads; look longer."
    proved = f"proved within {gap_words(plan)} of the cheapest"
    if good_enough(plan):
        return f"{cost}, {proved}: good enough to promise loads."
    return (
        f"{cost}, {proved}: not yet good enough to promise loads (that is within"
        f" {percent(PROMISE_GAP)}); look longer."
    )


# --- demand -------------------------------------------------------------------------------------


class _Demand:
    """What becomes of demand, in the quarter and after it."""

    def __init__(self, result: PlanResult) -> None:
        plan, quarter = result.plan, result.plan.quarter_periods
        last = len(plan.period_starts)
        self.unit = period_unit(plan)
        gone = {priority for priority, unmet in result.unmet if unmet == "lost"}
        lost = [row for row in plan.demand if row.priority in gone]
        carried = [row for row in plan.demand if row.priority not in gone]
        within = [row for row in plan.demand if row.period <= quarter]
        self.asked = sum(row.demand_lpa for row in plan.demand)
        self.demand = sum(row.demand_lpa for row in within)
        self.served = sum(lpa for row in within for _, lpa in row.served)
        self.lost = sum(row.open_lpa for row in lost if row.period <= quarter)
        self.lost_after = sum(row.open_lpa for row in lost if row.period > quarter)
        self.backlog = _open_at(carried, quarter)
        self.backlog_horizon = _open_at(carried, last)
        late = {row.period for row in carried if row.open_lpa > NOTHING_LPA}
        self.late = tuple(sorted(one for one in late if one <= quarter))
        self.late_after = {one for one in late if one > quarter}
        self.trouble = bool(self.late) or max(self.lost, self.backlog) > NOTHING_LPA

    def head(self, loads: int) -> str:
        """Return what the quarter's loads do for its demand."""
        if self.asked <= 0:
            return (
                "There is no demand to plan for: demand.csv is missing, empty or all zero."
                f" {counted(loads, 'load')} {'leaves' if loads == 1 else 'leave'} in the quarter"
            )
        if self.demand <= 0 and self.served <= NOTHING_LPA:
            return (
                f"No demand falls in the quarter; {amount(self.asked)} LPA are asked for after it."
                f" {counted(loads, 'load')} {'leaves' if loads == 1 else 'leave'} in the quarter"
            )
        told = []
        if self.backlog > NOTHING_LPA:
            told.append(f"{amount(self.backlog)} LPA still owed at its end")
        if self.lost > NOTHING_LPA:
            told.append(f"{amount(self.lost)} LPA lost")
        if self.late:
            told.append(f"some of it late in {period_words(set(self.late), self.unit)}")
        share = f" ({percent(self.served / self.demand)})" if self.demand > 0 else ""
        serve = "serves" if loads == 1 else "serve"
        return (
            f"Over the quarter {counted(loads, 'load')} {serve} {amount(self.served)} of"
            f" {amount(self.demand)} LPA{share}, {', '.join(told) or 'all of it in time'}"
        )

    def after(self) -> Iterator[str]:
        """Yield what is short after the quarter."""
        told = []
        if self.lost_after > NOTHING_LPA:
            told.append(f"{amount(self.lost_after)} LPA lost")
        if self.backlog_horizon > NOTHING_LPA:
            told.append(f"{amount(self.backlog_horizon)} LPA still owed at the end of the horizon")
        if self.late_after:
            told.append(f"demand late in {period_words(self.late_after, self.unit)}")
        if told:
            yield f"After the quarter: {', '.join(told)}"


def _open_at(rows: Sequence[DemandServed], period: int) -> float:
    return sum(row.open_lpa for row in rows if row.period == period)


# --- stock and loads ----------------------------------------------------------------------------


def _notable(misses: Sequence[Miss]) -> list[Miss]:
    return [one for one in misses if one.worst_lpa > NOTHING_LPA]


def _lpa_of(misses: Sequence[Miss] | None, kind: str) -> float | None:
    return None if misses is None else sum(one.worst_lpa for one in misses if one.kind == kind)


def _miss_words(misses: Sequence[Miss], plan: Plan) -> Iterator[str]:
    floors = [one for one in misses if one.kind == "floor"]
    within = [one for one in floors if min(one.periods) <= plan.quarter_periods]
    after = len(floors) - len(within)
    if within:
        beyond = f", and below {after} more after it" if after else ""
        yield (
            f"Stock falls below {counted(len(within), 'floor')} in the quarter"
            f" ({_worst(within)}){beyond}"
        )
    elif floors:
        yield f"Stock falls below {counted(after, 'floor')} after the quarter ({_worst(floors)})"
    closing = [one for one in misses if one.kind == "closing"]
    if closing:
        lpa = sum(one.worst_lpa for one in closing)
        missed = "is missed" if len(closing) == 1 else "are missed"
        yield (
            f"{counted(len(closing), 'closing target')} {missed}, by {amount(lpa)} LPA"
            f" ({_worst(closing)})"
        )
    old = [one for one in misses if one.kind == "life"]
    if old:
        lpa = sum(one.worst_lpa for one in old)
        yield f"{amount(lpa)} LPA of stock outlive their shelf life ({_worst(old)})"


def _worst(misses: Sequence[Miss]) -> str:
    """Return the worst of some misses in words: ``DRY at HARBOUR by 3,000 LPA``."""
    worst = max(misses, key=lambda one: one.worst_lpa)
    most = "most: " if len(misses) > 1 else ""
    return f"{most}{worst.liquid} at {worst.site} by {amount(worst.worst_lpa)} LPA"


def _unready(result: PlanResult, quarter: set[str]) -> tuple[int | None, int]:
    """Return how many of the quarter's loads no lot can fill, and how many wait for their lots."""
    counting = {load for hold in result.holds for load in hold.loads} & quarter
    if result.held_loads is None:
        return None, len(counting)
    held = {one.load_id: one for one in result.held_loads if one.load_id in quarter}
    unfilled = {name for name, one in held.items() if not one.lots}
    return len(unfilled), len((held.keys() | counting) - unfilled)


def _load_words(unfilled: int | None, waiting: int) -> Iterator[str]:
    if unfilled:
        rest = "lacks lots for its day" if unfilled == 1 else "lack lots for their day"
        yield f"{counted(unfilled, 'load')} {rest}"
    if waiting:
        rest = "waits for its lots" if waiting == 1 else "wait for their lots"
        yield f"{counted(waiting, 'load')} {rest} to be released"
