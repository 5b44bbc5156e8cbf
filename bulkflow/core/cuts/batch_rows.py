"""Batch rounding rows: whole loads against what a window of periods needs.

From the inequality of a station over a window s..e (see `bulkflow.core.cuts.stations`),

    c + sum of C(j) y(j) >= D,   c >= 0 continuous, y(j) whole,

mixed-integer rounding with a divisor C gives, with f = D/C - floor(D/C) > 0,

    c / (f C) + sum of (floor(a(j)) + min(frac(a(j)) / f, 1)) y(j) >= ceil(D/C),   a(j) = C(j)/C.

Every quantity that one load of the station can bring is tried as divisor. This is the basic
mixed-integer rounding of Nemhauser and Wolsey, and for one quantity the batch inequality of
Pochet and Wolsey, Math. of Operations Research 18 (1993) 767-785.

The rows are found for all windows of a station at once, on cumulative sums.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cuts.stations import EndRule, Inflow, Station

__all__ = ["BatchRow", "StationCuts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Below this share of a load the row is weak and its coefficients are far apart.
LEAST_FRACTION = 1e-3
# Rounding in D may not lift the right-hand side over the next whole number.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class BatchRow:
    """A row ``sum of values x columns >= side``, violated by ``violation`` when it was found."""

    key: tuple[int, ...]
    columns: IntArray
    values: FloatArray
    side: float
    violation: float


class StationCuts:
    """Finds the violated rows of one station."""

    def __init__(self, number: int, station: Station) -> None:
        self.number, self.station = number, station
        self.periods = len(station.needs)
        self._needs = np.concatenate([[0.0], np.cumsum(station.needs)])
        self.divisors = sorted({inflow.quantity for inflow in station.whole})
        self._window = np.triu(np.ones((self.periods, self.periods), dtype=bool))
        self._rules: list[EndRule | None] = [None, *station.end_rules]

    def violated(self, values: FloatArray, *, least: float, most_rows: int) -> list[BatchRow]:
        """Return the most violated row for each end of a window, the worst ``most_rows`` of them.

        Parameters
        ----------
        values : of all columns, cumulative ones included.
        """
        found: list[tuple[float, int, int, int, int]] = []
        slack = self._continuous(values)
        loads = [self._arrived(inflow, values) for inflow in self.station.whole]
        for rule_number, rule in enumerate(self._rules):
            for divisor_number, divisor in enumerate(self.divisors):
                found += self._best(
                    slack, loads, values, rule_number, rule, divisor_number, divisor
                )
        found = [entry for entry in found if entry[0] > least]
        found.sort(reverse=True)
        return [self._row(*entry) for entry in found[:most_rows]]

    # Values of the parts over windows ------------------------------------------------------

    def _continuous(self, values: FloatArray) -> FloatArray:
        """Return c for each window s..e, (T, T)."""
        station, last = self.station, self.periods
        opening, short = np.zeros(last), np.zeros(last)
        for start in station.stocks:
            opening[1:] += values[start : start + last - 1]
        for start in station.backlogs:
            short += values[start : start + last]
        inflow = np.zeros(last)
        np.add.at(
            inflow,
            station.inflow_periods,
            station.inflow_values * values[station.inflow_columns],
        )
        total = np.concatenate([[0.0], np.cumsum(inflow)])
        result: FloatArray = opening[:, None] + short[None, :] + total[None, 1:] - total[:-1, None]
        return result

    def _arrived(self, inflow: Inflow, values: FloatArray) -> FloatArray:
        """Return the loads of an inflow that have arrived before each period 0..T, (T + 1,)."""
        arriving = np.zeros(self.periods + 1)
        np.add.at(arriving, inflow.arrivals, values[inflow.columns])
        return np.concatenate([[0.0], np.cumsum(arriving[: self.periods])])

    def _best(
        self,
        slack: FloatArray,
        loads: list[FloatArray],
        values: FloatArray,
        rule_number: int,
        rule: EndRule | None,
        divisor_number: int,
        divisor: float,
    ) -> list[tuple[float, int, int, int, int]]:
        """Return (violation, rule, divisor, s, e) of the best start for each end."""
        last = self.periods
        ends = np.arange(last) if rule is None else np.array([rule.period])
        need = self._needs[None, ends + 1] - self._needs[:-1, None]
        windows = [total[None, ends + 1] - total[:-1, None] for total in loads]
        rest = slack[:, ends]
        if rule is None:
            need = need + self.station.end_least[None, ends]
        else:
            need = need + rule.floor
            rest = rest + float(rule.values @ values[rule.columns])
            for number, inflow in enumerate(self.station.whole):
                arrived = int(np.searchsorted(inflow.arrivals, rule.period, side="right"))
                under_way = values[inflow.columns[arrived : rule.through[number]]].sum()
                windows[number] = windows[number] + under_way
        ratio = need / divisor - _ROUNDING
        fraction = ratio - np.floor(ratio)
        usable = self._window[:, ends] & (need > 0) & (fraction > LEAST_FRACTION)
        safe = np.where(usable, fraction, 1.0)
        left = rest / (divisor * safe)
        for inflow, window in zip(self.station.whole, windows, strict=True):
            left = left + _weight(inflow.quantity / divisor, safe) * window
        violation = np.where(usable, np.ceil(ratio) - left, -np.inf)
        starts = np.argmax(violation, axis=0)
        return [
            (float(violation[start, place]), rule_number, divisor_number, int(start), int(end))
            for place, (start, end) in enumerate(zip(starts, ends, strict=True))
        ]

    # One row -------------------------------------------------------------------------------

    def _row(
        self, violation: float, rule_number: int, divisor_number: int, start: int, end: int
    ) -> BatchRow:
        station, rule = self.station, self._rules[rule_number]
        divisor = self.divisors[divisor_number]
        need = float(self._needs[end + 1] - self._needs[start])
        need += station.end_least[end] if rule is None else rule.floor
        ratio = need / divisor - _ROUNDING
        fraction = ratio - np.floor(ratio)
        per_unit = 1.0 / (divisor * fraction)
        columns: list[IntArray] = []
        values: list[FloatArray] = []

        def put(places: list[int] | IntArray, weights: FloatArray | float) -> None:
            array = np.asarray(places, dtype=np.int64)
            columns.append(array)
            values.append(np.broadcast_to(np.asarray(weights, dtype=float), array.shape))

        if start > 0:
            put([block + start - 1 for block in station.stocks], per_unit)
        put([block + end for block in station.backlogs], per_unit)
        inside = (station.inflow_periods >= start) & (station.inflow_periods <= end)
        put(station.inflow_columns[inside], station.inflow_values[inside] * per_unit)
        if rule is not None:
            put(rule.columns, rule.values * per_unit)
        for number, inflow in enumerate(station.whole):
            weight = float(_weight(inflow.quantity / divisor, np.array(fraction)))
            first = int(np.searchsorted(inflow.arrivals, start, side="left"))
            past = int(np.searchsorted(inflow.arrivals, end, side="right"))
            if rule is not None:
                past = rule.through[number]
            _put_window(put, inflow, first, past, weight)
        places, weights = _summed(np.concatenate(columns), np.concatenate(values))
        return BatchRow(
            key=(self.number, rule_number, divisor_number, start, end),
            columns=places,
            values=weights,
            side=float(np.ceil(ratio)),
            violation=violation,
        )


def _weight(ratio: float, fraction: FloatArray) -> FloatArray:
    """Return the coefficient of a whole column that brings ``ratio`` divisors."""
    whole = np.floor(ratio + _ROUNDING)
    rest = max(0.0, ratio - whole)
    return np.asarray(whole + np.minimum(rest / fraction, 1.0))


def _put_window(put: object, inflow: Inflow, first: int, past: int, weight: float) -> None:
    """Add the loads first..past-1, as a difference of cumulative columns where there are any."""
    if not callable(put) or past <= first:
        return
    if inflow.cumulative < 0 or past - first < 3:
        put(inflow.columns[first:past], weight)
        return
    put([inflow.cumulative + int(inflow.offsets[past - 1])], weight)
    if inflow.offsets[first] > 0:
        put([inflow.cumulative + int(inflow.offsets[first]) - 1], -weight)


def _summed(columns: IntArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return the entries with those of the same column added up."""
    places, where = np.unique(columns, return_inverse=True)
    weights = np.zeros(len(places))
    np.add.at(weights, where, values)
    return places, weights
