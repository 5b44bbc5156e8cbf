"""Whether a plan read from a file belongs to a workspace: its names and its calendar.

A plan that is checked or shown must be of the workspace as it is; one to start from may be of the
same workspace as it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import timedelta

from bulkflow.errors import Fault, InputError
from bulkflow.program.answer import Plan
from bulkflow.program.calendar import Periods
from bulkflow.scenario.model import Scenario

__all__ = ["refuse_foreign", "refuse_unlike"]


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


def refuse_unlike(plan: Plan, scenario: Scenario, *, file: str) -> None:
    """Refuse a plan that a new one could not start from, nor be compared with.

    The workspace may have changed since: lanes and places may have come and gone. A plan is of
    another workspace where most of its lanes are not here, or where both its name is another and
    some of its names are unknown.

    Parameters
    ----------
    file : where the plan was read, for the message.

    Raises
    ------
    InputError
        With all that differs: currency, calendar, names.
    """
    mend = "Give --since an earlier plan of this workspace, or leave it out."
    found = list(_unlike_calendar(plan, scenario))
    if plan.currency != scenario.currency:
        found.append(f"is in {plan.currency}, the workspace in {scenario.currency}")
    ends = {one.id: (one.origin, one.destination) for one in scenario.lanes}
    lanes = {load.lane: (load.origin, load.destination) for load in plan.loads}
    other = sorted(name for name, pair in lanes.items() if ends.get(name) != pair)
    places = {one.id for one in scenario.sites} | {one.id for one in scenario.suppliers}
    known = {"place": places, "liquid": {one.id for one in scenario.liquids}}
    strange = {
        f"{kind} {name}" for kind, name in _names(plan) if kind in known and name not in known[kind]
    }
    renamed = plan.scenario_name != scenario.name
    if 2 * len(other) > len(lanes) or (renamed and (strange or other)):
        named = f"is of the workspace {plan.scenario_name!r}, this is {scenario.name!r}"
        found.append(named if renamed else "is of another workspace of the same name")
        if other:
            found.append(
                f"sends on lanes that the workspace lacks, or has between other places:"
                f" {', '.join(other)}"
            )
        if strange:
            found.append(f"names what the workspace lacks: {', '.join(sorted(strange))}")
    if found:
        raise InputError(Fault(file, 0, "", one, mend) for one in found)


def _unlike_calendar(plan: Plan, scenario: Scenario) -> Iterable[str]:
    calendar, starts = scenario.calendar, plan.period_starts
    days = calendar.period_days
    length = (starts[1] - starts[0]).days if len(starts) > 1 else days
    if length != days:
        yield f"has periods of {length} days, the workspace of {days}"
        return
    if (starts[0] - calendar.start).days % days:
        yield (
            f"has periods that begin on {starts[0]} and every {days} days, the workspace on"
            f" {calendar.start}"
        )
    end = calendar.start + timedelta(days=days * calendar.horizon_periods)
    if starts[0] >= end or starts[-1] + timedelta(days=length) <= calendar.start:
        yield (
            f"covers {starts[0]} to {starts[-1] + timedelta(days=length - 1)}, the workspace"
            f" {calendar.start} to {end - timedelta(days=1)}"
        )


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
