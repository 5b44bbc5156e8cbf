"""Days and periods, worked out from the calendar for the check (README, "Days of a load")."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from bulkflow.scenario.model import (
    Closure,
    Lane,
    Leg,
    LoadRow,
    LoadState,
    Sailings,
    Scenario,
    Site,
    Supplier,
)

__all__ = ["Days", "LaneDays"]

DAY = timedelta(days=1)
SATURDAY = 5  # date.weekday(): Monday is 0
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
# A place shut for longer than this has no next working day worth planning for.
LONGEST_SEARCH_DAYS = 3 * 366


@dataclass(frozen=True, slots=True)
class LaneDays:
    """The days of a load on a lane in a period, and the period from which it is usable."""

    loading: date
    leaving: date
    arrival: date
    discharge: date
    usable: date
    usable_period: int
    waits: int = 0


def within(day: date, closures: Iterable[Closure]) -> bool:
    """Return whether a day lies inside one of the closures, first and last day included."""
    return any(closure.first_day <= day <= closure.last_day for closure in closures)


class Days:
    """The calendar of a scenario, and the days of its lanes."""

    def __init__(self, scenario: Scenario) -> None:
        calendar = scenario.calendar
        self.start, self.length = calendar.start, calendar.period_days
        self.count = calendar.horizon_periods
        self.periods = range(1, self.count + 1)
        places: tuple[Site | Supplier, ...] = (*scenario.sites, *scenario.suppliers)
        self._closures = {place.id: place.closures for place in places}
        self._holidays = {place.id: frozenset(place.holidays) for place in places}
        self._arrival_checks = {
            (site.id, check.liquid): check.days
            for site in scenario.sites
            for check in site.arrival_checks
        }
        self._receipt_days = {one.id: one.receipt_check_days for one in scenario.suppliers}
        self._known: dict[tuple[str, int, str, int], LaneDays | None] = {}

    def first(self, period: int) -> date:
        """Return the first day of a period, D(t)."""
        return self.start + (period - 1) * self.length * DAY

    def last(self, period: int) -> date:
        """Return the last day of a period, E(t)."""
        return self.first(period + 1) - DAY

    def period_of(self, day: date) -> int:
        """Return the period that holds a day; below 1 before the calendar starts."""
        return (day - self.start).days // self.length + 1

    def first_starting_on_or_after(self, day: date) -> int:
        """Return the first period of the calendar that starts on or after a day."""
        return max(1, 1 - (self.start - day).days // self.length)

    def hearts_enter(self, period: int, days_to_vat: int, *, vats: bool) -> int:
        """Return the period in which hearts of a period's charges enter H, or S where none vats.

        A charge may be the last of its period (eq. 6).
        """
        if vats:
            return self.period_of(self.first(period + 1) + days_to_vat * DAY)
        return self.period_of(self.last(period) + days_to_vat * DAY)

    def released(self, period: int, days_into: int, lag_days: int) -> int:
        """Return the period in which a vatting enters S, made so many days into one (eq. 6)."""
        return self.first_starting_on_or_after(self.first(period) + (days_into + lag_days) * DAY)

    def at_risk(self, leg: Leg, loading: date, discharge: date) -> range:
        """Return the periods of the horizon in which a load is at risk on a leg (eq. 21)."""
        begins = loading + leg.from_day * DAY
        ends = discharge + leg.days_after_discharge * DAY
        if leg.to_day is not None:
            ends = loading + leg.to_day * DAY
        if ends < begins:  # discharged before the leg would begin
            return range(0)
        return range(max(1, self.period_of(begins)), min(self.period_of(ends), self.count) + 1)

    def open_share(self, period: int, *closures: Iterable[Closure]) -> float:
        """Return the share of a period's days outside all the closures."""
        days = [self.first(period) + offset * DAY for offset in range(self.length)]
        return sum(not any(within(day, some) for some in closures) for day in days) / self.length

    def works(self, place: str, day: date) -> bool:
        """Return whether a day is a working day of a site or supplier."""
        return (
            day.weekday() < SATURDAY
            and day not in self._holidays[place]
            and not within(day, self._closures[place])
        )

    def of_lane(self, lane: Lane, period: int, liquid: str, waits: int = 0) -> LaneDays | None:
        """Return the days of a load sent in a period, or None where none may leave.

        ``waits`` : whole periods for which it waits at the receiver in its tank (eq. 33).
        """
        key = (lane.id, period, liquid, waits)
        if key not in self._known:
            away = self._departure(lane, period)
            self._known[key] = away and self._follow(lane, *away, liquid, waits)
        return self._known[key]

    def most_waits(self, lane: Lane, tank_type: str) -> int:
        """Return for how many whole periods a tank may wait at the end of a lane."""
        days = [
            tank.waiting.longest_days
            for tank in lane.tanks
            if tank.tank_type == tank_type and tank.waiting is not None
        ]
        return days[0] // self.length if days else 0

    def arrival_check_days(self, site: str, liquid: str) -> int:
        """Return the days of a site's check of a liquid at arrival, 0 for none (eq. 32)."""
        for_all = self._arrival_checks.get((site, None), 0)
        return self._arrival_checks.get((site, liquid), for_all)

    def received_on(self, site: str, liquid: str, discharge: date, usable: date) -> date:
        """Return the day from which a load stands in its receiver's tanks (eq. 32)."""
        return discharge if self.arrival_check_days(site, liquid) else usable

    def of_row(self, lane: Lane, row: LoadRow) -> LaneDays | None:
        """Return the days of a frozen load, or of one under way, of the opening position."""
        if row.state is LoadState.UNDER_WAY:
            there = row.usable_on
            if there is None:
                return None
            period = self.first_starting_on_or_after(there)
            left = row.departs_on
            came = there - self.arrival_check_days(lane.destination, row.liquid) * DAY
            came = max(left, came)
            return LaneDays(left, left, came, came, there, period)
        away = self._departure(lane, self.period_of(row.departs_on))
        loading, leaving = away or (row.departs_on, row.departs_on)
        found = None
        for waits in range(self.most_waits(lane, row.tank_type) + 1):
            found = self._follow(lane, loading, leaving, row.liquid, waits)
            if row.usable_on is None or (found is not None and found.usable >= row.usable_on):
                break
        return found

    def _follow(
        self, lane: Lane, loading: date, leaving: date, liquid: str, waits: int
    ) -> LaneDays | None:
        """Return the days that follow from loading and leaving."""
        arrival = leaving + lane.transit_days * DAY
        stands = lane.discharge_days + waits * self.length
        discharge = self._next_working(lane.destination, arrival + stands * DAY)
        if discharge is None:
            return None
        in_check = self.arrival_check_days(lane.destination, liquid)
        usable = discharge + max(in_check, self._receipt_days.get(lane.origin, 0)) * DAY
        return LaneDays(
            loading,
            leaving,
            arrival,
            discharge,
            usable,
            self.first_starting_on_or_after(usable),
            waits,
        )

    def _departure(self, lane: Lane, period: int) -> tuple[date, date] | None:
        """Return loading and leaving day of the load of a period."""
        if lane.sailings is not None:
            return self._sailing(lane, lane.sailings, period)
        for offset in range(self.length):
            day = self.first(period) + offset * DAY
            if self.works(lane.origin, day):
                return day, day
        return None

    def _sailing(self, lane: Lane, sailings: Sailings, period: int) -> tuple[date, date] | None:
        first = sailings.first_day or self.start
        while WEEKDAYS[first.weekday()] != sailings.weekday:
            first += DAY
        # A cut-off lies before its sailing, by cut_off_days and the days the origin is shut.
        latest = self.last(period) + (sailings.cut_off_days + LONGEST_SEARCH_DAYS) * DAY
        day = first
        while day <= latest:
            barred = day in sailings.blank_days or within(day, sailings.port_closures)
            cut_off = self._last_working(lane.origin, day - sailings.cut_off_days * DAY)
            if not barred and cut_off is not None:
                if cut_off > self.last(period):
                    return None
                if cut_off >= self.first(period):
                    return cut_off, day
            day += 7 * sailings.every_weeks * DAY
        return None

    def _last_working(self, place: str, day: date) -> date | None:
        return self._search(place, day, -DAY)

    def _next_working(self, place: str, day: date) -> date | None:
        return self._search(place, day, DAY)

    def _search(self, place: str, day: date, step: timedelta) -> date | None:
        for _ in range(LONGEST_SEARCH_DAYS):
            if self.works(place, day):
                return day
            day += step
        return None
