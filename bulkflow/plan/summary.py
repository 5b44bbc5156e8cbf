"""The answer in one sentence and a few figures, over the quarter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bulkflow.plan.finding import period_words
from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import LoadKind, Plan

__all__ = ["NOTHING_LPA", "ROUNDING", "Summary", "percent_words", "summarise"]

WEEK_DAYS = 7
# Less LPA than this is no shortage anybody could measure.
NOTHING_LPA = 0.5
# Two sums of the same amounts differ by no more than this share: a gap below it is none.
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Summary:
    """The answer over the quarter; amounts in LPA.

    Parameters
    ----------
    demand_lpa, served_lpa : of the quarter's periods; served counts what was carried into them.
    lost_lpa : demand lost for good.
    backlog_end_lpa : carried demand still open at the end of the quarter.
    loads : loads that leave in the quarter.
    """

    sentence: str
    demand_lpa: float
    served_lpa: float
    lost_lpa: float
    backlog_end_lpa: float
    loads: int


def summarise(result: PlanResult) -> Summary:
    """Return the answer in a sentence and figures."""
    plan = result.plan
    lost_for_good = {priority for priority, unmet in result.unmet if unmet == "lost"}
    quarter = [row for row in plan.demand if row.period <= plan.quarter_periods]
    demand = sum(row.demand_lpa for row in quarter)
    served = sum(lpa for row in quarter for _, lpa in row.served)
    late = sorted(
        {
            row.period
            for row in quarter
            if row.priority not in lost_for_good and row.open_lpa > NOTHING_LPA
        }
    )
    lost = sum(row.open_lpa for row in quarter if row.priority in lost_for_good)
    backlog = sum(
        row.open_lpa
        for row in quarter
        if row.priority not in lost_for_good and row.period == plan.quarter_periods
    )
    loads = sum(
        load.period <= plan.quarter_periods and load.kind is not LoadKind.UNDER_WAY
        for load in plan.loads
    )
    return Summary(
        _sentence(plan, demand, served, lost, backlog, late, loads),
        demand,
        served,
        lost,
        backlog,
        loads,
    )


def _sentence(
    plan: Plan,
    demand: float,
    served: float,
    lost: float,
    backlog: float,
    late: Sequence[int],
    loads: int,
) -> str:
    share = served / demand if demand else 1.0
    starts = plan.period_starts
    weekly = len(starts) > 1 and (starts[1] - starts[0]).days == WEEK_DAYS
    unit = "week" if weekly else "period"
    told = []
    if backlog > NOTHING_LPA:
        told.append(f"{backlog:,.0f} LPA still owed at its end")
    if lost > NOTHING_LPA:
        told.append(f"{lost:,.0f} LPA lost")
    if late:
        told.append(f"some of it late in {period_words(set(late), unit)}")
    what = ", ".join(told) or "nothing short"
    proof = plan.proof
    if proof.gap <= ROUNDING:
        proved = "proved the cheapest"
    elif math.isfinite(proof.bound):
        proved = f"proved within {percent_words(proof.gap)} of the cheapest"
    else:
        proved = "with no bound proved"
    return (
        f"Over the quarter {loads} loads serve {served:,.0f} of {demand:,.0f} LPA"
        f" ({percent_words(share)}), {what}; the horizon costs {proof.cost:,.0f}"
        f" {plan.currency}, {proved}."
    )


def percent_words(fraction: float) -> str:
    """Return a fraction as a percentage with as many digits as it needs, never rounded to 0 or 100.

    Examples
    --------
    >>> percent_words(0.00042), percent_words(0.0312), percent_words(0.9996), percent_words(1.0)
    ('0.042 %', '3.12 %', '99.96 %', '100 %')
    """
    percent = 100.0 * fraction
    if percent in (0.0, 100.0):
        return f"{percent:.0f} %"
    for digits in (2, 3, 4, 6):
        text = f"{percent:.{digits}f}"
        if float(text) not in (0.0, 100.0):
            return f"{text} %"
    return "under 0.000001 %" if percent < 1 else "just under 100 %"
