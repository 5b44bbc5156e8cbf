"""Days that lie outside the calendar, end before they start, or fall on the wrong weekday."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from bulkflow.scenario.draft import Draft
from bulkflow.scenario.model import (
    Closure,
    DemandRow,
    IssuedLoadRow,
    Lane,
    Sailings,
    Site,
    Supplier,
)

__all__ = ["WEEKDAYS", "check_dates", "inside_calendar"]

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def check_dates(draft: Draft) -> None:
    """Check the calendar, closures, sailings and the days of rows."""
    _calendar(draft)
    for path, supplier in draft.each(Supplier):
        _closures(draft, f"{path}.closures", supplier.closures)
        for index, contract in enumerate(supplier.contracts):
            _in_order(draft, f"{path}.contracts[{index}]", contract.first_day, contract.last_day)
    for path, site in draft.each(Site):
        _closures(draft, f"{path}.closures", site.closures)
        for index, still in enumerate(site.stills):
            _closures(draft, f"{path}.stills[{index}].shutdowns", still.shutdowns)
    for path, lane in draft.each(Lane):
        if lane.sailings is not None:
            _sailings(draft, f"{path}.sailings", lane.sailings)
    for path, row in draft.each(DemandRow):
        inside_calendar(draft, f"{path}.period_start", row.period_start)
    for path, issued in draft.each(IssuedLoadRow):
        inside_calendar(draft, f"{path}.period_start", issued.period_start)


def inside_calendar(draft: Draft, path: str, day: date) -> bool:
    """Note a fault where a day lies before the calendar or after its horizon."""
    first, last = draft.first_day, draft.last_day
    if first is None or last is None or first <= day <= last:
        return True
    side = "before the calendar starts" if day < first else "after the horizon ends"
    mend = f"Give a day from {first} to {last}, or take the row out."
    draft.add(path, f"is {day}, {side}", mend)
    return False


def _calendar(draft: Draft) -> None:
    calendar = draft.calendar
    if calendar is None:
        return
    if calendar.quarter_periods > calendar.horizon_periods:
        found = f"is {calendar.quarter_periods}, beyond the horizon of {calendar.horizon_periods}"
        mend = "The quarter lies inside the horizon; lengthen the horizon."
        draft.add("calendar.quarter_periods", found, mend)
    try:
        ZoneInfo(calendar.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        found = f"is {calendar.time_zone!r}, which is no time zone"
        mend = "Write it as Area/City, such as Europe/Riga, or UTC."
        draft.add("calendar.time_zone", found, mend)


def _in_order(draft: Draft, path: str, first: date | None, last: date | None) -> None:
    if first is not None and last is not None and last < first:
        found = f"is {last}, before the first day {first}"
        draft.add(f"{path}.last_day", found, "The last day is the first or later.")


def _closures(draft: Draft, path: str, closures: Iterable[Closure]) -> None:
    for index, closure in enumerate(closures):
        _in_order(draft, f"{path}[{index}]", closure.first_day, closure.last_day)


def _sailings(draft: Draft, path: str, sailings: Sailings) -> None:
    _closures(draft, f"{path}.port_closures", sailings.port_closures)
    days = [(f"{path}.first_day", sailings.first_day)]
    days += [(f"{path}.blank_days[{i}]", day) for i, day in enumerate(sailings.blank_days)]
    for where, day in days:
        if day is not None and WEEKDAYS[day.weekday()] != sailings.weekday:
            found = f"is {day}, a {WEEKDAYS[day.weekday()].capitalize()}"
            mend = (
                f"The vessel leaves on a {sailings.weekday.capitalize()}; correct the day or"
                " the weekday."
            )
            draft.add(where, found, mend)
