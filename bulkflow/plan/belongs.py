"""Whether a plan read from a file belongs to a workspace: its names and its calendar."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bulkflow.errors import Fault, InputError
from bulkflow.program.answer import Plan
from bulkflow.program.calendar import Periods
from bulkflow.scenario.model import Scenario

__all__ = ["refuse_foreign"]


def refuse_foreign(plan: Plan, scenario: Scenario, *, file: str) -> None:
    """Refuse a plan that names what a workspace does not have, or starts outside its quarter.

    Parameters
    ----------
    file : where the plan was read, for the message.

    Raises
    ------
    InputError
        With the unknown lanes, tank types, places and liquids, a line a kind, and with a first
        day that begins no period of the quarter.
    """
    known: Mapping[str, set[str]] = {
        "lane": {one.id for one in scenario.lanes},
        "tank type": {one.id for one in scenario.tank_types},
        "place": {one.id for one in scenario.sites} | {one.id for one in scenario.suppliers},
        "liquid": {one.id for one in scenario.liquids},
    }
    strange: dict[str, list[str]] = {}
    for kind, name in dict.fromkeys(_names(plan)):
        if name not in known[kind]:
            strange.setdefault(kind, []).append(name)
    mend = "Give a plan of this workspace as it is now, or plan it again."
    faults = [
        Fault(
            file,
            0,
            "",
            f"names a {kind} that the workspace lacks: {', '.join(sorted(names))}",
            mend,
        )
        for kind, names in sorted(strange.items())
    ]
    if not _starts_within(plan, scenario):
        begins = plan.period_starts[0]
        found = f"starts on {begins}, which begins no period of the workspace's quarter"
        faults.append(Fault(file, 0, "", found, mend))
    if faults:
        raise InputError(faults)


def _starts_within(plan: Plan, scenario: Scenario) -> bool:
    """Return whether a plan starts with a period of the quarter: the first, or a later one."""
    start, periods = plan.period_starts[0], Periods.of(scenario.calendar)
    period = periods.holding(start)
    within = 1 <= period <= scenario.calendar.quarter_periods
    return within and periods.first_day(period) == start


def _names(plan: Plan) -> Iterable[tuple[str, str]]:
    for load in plan.loads:
        yield "lane", load.lane
        yield "tank type", load.tank_type
        yield "place", load.origin
        yield "place", load.destination
        for part in load.parts:
            yield "liquid", part.liquid
    for rows in (plan.stocks, plan.demand, plan.tank_settings):
        for row in rows:
            yield "place", row.site
            yield "liquid", row.liquid
