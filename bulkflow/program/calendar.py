"""Periods and days: of a load from loading to use, and of what is made until it can be used.

Owns the section "Days of a load" of this package's README and the days of eq. 6. Pure dates; knows
no columns.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Protocol

from bulkflow.scenario.lookup import arrival_check_days
from bulkflow.scenario.model import (
    Calendar,
    Closure,
    Lane,
    LaneTank,
    LoadRow,
    LoadState,
    Recipe,
    Release,
    Sailings,
    Scenario,
    Site,
)

__all__ = [
    "LaneDays",
    "LoadDays",
    "Periods",
    "WorkingDays",
    "all_lane_days",
    "all_working_days",
    "entry_lag",
    "open_share",
    "release_lag",
    "waits",
]

DAY = timedelta(days=1)
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_SATURDAY = 5


@dataclass(frozen=True, slots=True)
class Periods:
    """The periods of a calendar, numbered from 1.

    Parameters
    ----------
    start : first day of period 1.
    days : length of a period [days].
    count : number of periods T.
    """

    start: date
    days: int
    count: int

    @classmethod
    def of(cls, calendar: Calendar) -> Periods:
        """Return the periods of a calendar's horizon."""
        return cls(calendar.start, calendar.period_days, calendar.horizon_periods)

    def first_day(self, period: int) -> date:
        """Return D(t)."""
        return self.start + (period - 1) * self.days * DAY

    def last_day(self, period: int) -> date:
        """Return E(t)."""
        return self.first_day(period + 1) - DAY

    def holding(self, day: date) -> int:
        """Return the period that holds a day; below 1 before the start, above T after the end."""
        return (day - self.start).days // self.days + 1

    def from_day(self, day: date) -> int:
        """Return the first period (not before 1) that starts on or after a day."""
        return max(1, -((self.start - day).days // self.days) + 1)

    def round_up(self, days: int) -> int:
        """Return days as whole periods, rounded up."""
        return -(-days // self.days)

    def numbers(self) -> range:
        """Return 1..T."""
        return range(1, self.count + 1)


class _Place(Protocol):
    """A site or supplier, as far as its working days go."""

    @property
    def closures(self) -> tuple[Closure, ...]:
        """Days on which it is closed."""

    @property
    def holidays(self) -> tuple[date, ...]:
        """Its public holidays."""


class WorkingDays:
    """The working days of one place: Monday to Friday, no holiday, no closure."""

    def __init__(self, place: _Place) -> None:
        self._holidays = frozenset(place.holidays)
        self._closures = place.closures

    def works(self, day: date) -> bool:
        """Tell whether a day is a working day."""
        return (
            day.weekday() < _SATURDAY
            and day not in self._holidays
            and not _inside(day, self._closures)
        )

    def on_or_after(self, day: date) -> date:
        """Return the first working day on or after a day."""
        while not self.works(day):
            day += DAY
        return day

    def on_or_before(self, day: date) -> date:
        """Return the last working day on or before a day."""
        while not self.works(day):
            day -= DAY
        return day


def _inside(day: date, closures: Iterable[Closure]) -> bool:
    return any(closure.first_day <= day <= closure.last_day for closure in closures)


def open_share(periods: Periods, period: int, closures: Iterable[Closure]) -> float:
    """Return the share [0..1] of a period's days that lie outside every closure."""
    listed = tuple(closures)
    if not listed:
        return 1.0
    days = (periods.first_day(period) + offset * DAY for offset in range(periods.days))
    return sum(not _inside(day, listed) for day in days) / periods.days


@dataclass(frozen=True, slots=True)
class LoadDays:
    """The days of one load; ``usable_period`` and ``free_from`` may lie beyond the horizon.

    Parameters
    ----------
    received : day from which it stands in the receiver's tanks: that of discharge where it is
        checked at arrival, else that of use.
    received_period, usable_period : first periods that start on or after these days.
    away_until : last period in which its tank is away.
    wait : periods for which it stands full at the receiver (eq. 33).
    """

    loading: date
    leaving: date
    arrival: date
    discharge: date
    received: date
    usable: date
    received_period: int
    usable_period: int
    away_until: int
    wait: int = 0


def waits(periods: Periods, tank: LaneTank) -> range:
    """Return for how many whole periods a load may wait at the receiver in its tank (eq. 33)."""
    longest = 0 if tank.waiting is None else tank.waiting.longest_days
    return range(longest // periods.days + 1)


class LaneDays:
    """The days of the loads of one lane, by period, liquid and periods of waiting."""

    def __init__(
        self,
        periods: Periods,
        lane: Lane,
        working: Mapping[str, WorkingDays],
        receipt_check_days: int,
        receiver: Site,
    ) -> None:
        self._periods, self._lane = periods, lane
        self._origin, self._destination = working[lane.origin], working[lane.destination]
        self._receipt_days = receipt_check_days
        self._receiver = receiver
        self._departures = (
            self._plain_departures() if lane.sailings is None else self._sailings(lane.sailings)
        )

    def of(self, period: int, liquid: str, wait: int = 0) -> LoadDays | None:
        """Return the days of a load sent in a period, or None where none may leave.

        A wait of some periods that discharges no later than a shorter one is none.
        """
        departure = self._departures.get(period)
        if departure is None:
            return None
        days = self.from_departure(*departure, liquid, wait)
        if wait and self.from_departure(*departure, liquid, wait - 1).discharge == days.discharge:
            return None
        return days

    def sends(self, period: int) -> bool:
        """Tell whether a load may leave in a period."""
        return period in self._departures

    def from_departure(self, loading: date, leaving: date, liquid: str, wait: int = 0) -> LoadDays:
        """Return the days that follow from a loading and a leaving day."""
        lane = self._lane
        arrival = leaving + lane.transit_days * DAY
        stands = lane.discharge_days + wait * self._periods.days
        discharge = self._destination.on_or_after(arrival + stands * DAY)
        usable = discharge + max(self._receipt_days, self.check_days(liquid)) * DAY
        return self._days(loading, leaving, arrival, discharge, usable, liquid, wait)

    def of_row(self, row: LoadRow) -> LoadDays:
        """Return the days of a frozen load, or of one under way, of the opening position.

        Under way: ``departs_on`` and ``usable_on`` decide. Frozen: the lane's days in the period
        of ``departs_on``, waiting for ``usable_on`` where it has one; where the lane has no days
        then, those that follow from ``departs_on``.
        """
        usable = row.usable_on
        if row.state is not LoadState.UNDER_WAY:
            sent_in = self._periods.holding(row.departs_on)
            departure = self._departures.get(sent_in, (row.departs_on, row.departs_on))
            tank = next(one for one in self._lane.tanks if one.tank_type == row.tank_type)
            for wait in waits(self._periods, tank):
                days = self.from_departure(*departure, row.liquid, wait)
                if usable is None or days.usable >= usable:
                    break
            return days
        if usable is None:
            return self.from_departure(row.departs_on, row.departs_on, row.liquid)
        discharge = max(row.departs_on, usable - self.check_days(row.liquid) * DAY)
        return self._days(row.departs_on, row.departs_on, discharge, discharge, usable, row.liquid)

    def check_days(self, liquid: str) -> int:
        """Return the days of the receiver's check of a liquid at arrival; 0 for none."""
        return arrival_check_days(self._receiver, liquid)

    def _days(
        self,
        loading: date,
        leaving: date,
        arrival: date,
        discharge: date,
        usable: date,
        liquid: str,
        wait: int = 0,
    ) -> LoadDays:
        received = discharge if self.check_days(liquid) else usable
        return LoadDays(
            loading,
            leaving,
            arrival,
            discharge,
            received,
            usable,
            self._periods.from_day(received),
            self._periods.from_day(usable),
            self._periods.holding(discharge + self._lane.return_days * DAY),
            wait,
        )

    def _plain_departures(self) -> dict[int, tuple[date, date]]:
        departures = {}
        for period in self._periods.numbers():
            day = self._origin.on_or_after(self._periods.first_day(period))
            if day <= self._periods.last_day(period):
                departures[period] = (day, day)
        return departures

    def _sailings(self, sailings: Sailings) -> dict[int, tuple[date, date]]:
        """Return, for every period, the earliest sailing whose cut-off falls in it."""
        departures: dict[int, tuple[date, date]] = {}
        horizon_end = self._periods.last_day(self._periods.count)
        weekday = _WEEKDAYS.index(sailings.weekday)
        first = sailings.first_day or self._periods.start
        sailing = first + ((weekday - first.weekday()) % 7) * DAY
        step = 7 * sailings.every_weeks * DAY
        while True:
            cut_off = self._origin.on_or_before(sailing - sailings.cut_off_days * DAY)
            if cut_off > horizon_end:
                return departures
            runs = sailing not in sailings.blank_days and not _inside(
                sailing, sailings.port_closures
            )
            if runs and cut_off >= self._periods.start:
                departures.setdefault(self._periods.holding(cut_off), (cut_off, sailing))
            sailing += step


def all_working_days(scenario: Scenario) -> dict[str, WorkingDays]:
    """Return the working days of every site and supplier, by id."""
    return {site.id: WorkingDays(site) for site in scenario.sites} | {
        supplier.id: WorkingDays(supplier) for supplier in scenario.suppliers
    }


def entry_lag(periods: Periods, site: Site, days_to_vat: int) -> int:
    """Return after how many periods hearts enter H, or S at a site without release (eq. 6).

    What is let down at a site with release counts as ready at once.
    """
    if site.release is None:
        return periods.round_up(days_to_vat)
    return 1 + days_to_vat // periods.days


def release_lag(
    periods: Periods, recipes: Iterable[Recipe], site: Site, release: Release, liquid: str
) -> int:
    """Return after how many periods vattings of a liquid are released (eq. 6).

    Parameters
    ----------
    recipes : of the workspace.
    """
    run = {name for still in site.stills for name in still.recipes}
    into = (
        one.days_to_vat % periods.days
        for one in recipes
        if one.method == "distil" and one.makes == liquid and one.id in run
    )
    return periods.round_up(max(into, default=0) + release.lag_days)


def all_lane_days(scenario: Scenario, periods: Periods) -> dict[str, LaneDays]:
    """Return the days of every lane, by id."""
    working = all_working_days(scenario)
    receipt = {one.id: one.receipt_check_days for one in scenario.suppliers}
    sites = {one.id: one for one in scenario.sites}
    return {
        lane.id: LaneDays(
            periods, lane, working, receipt.get(lane.origin, 0), sites[lane.destination]
        )
        for lane in scenario.lanes
    }
