"""Mixing rows: several batch rows that share their start, combined into a stronger one.

For a station and a start s let c hold the stock at s-1 and every shortage and continuous inflow
that the rows chosen may use, and let each end i ask c + C Y(i) >= D(i), with Y(i) whole, C the most
that one load can bring, and f(i) = D(i)/C - floor(D(i)/C). For ends with f(1) <= ... <= f(m),

    c / C >= sum over i of (f(i) - f(i-1)) (ceil(D(i)/C) - Y(i)),   f(0) = 0

(Günlük and Pochet, Mixing mixed-integer inequalities, Mathematical Programming 90, 2001, from
memory). With m = 1 it is the batch row. The best choice of ends is an upper envelope: going down
in f, an end enters where it misses more loads than all ends before it.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.cuts.batch_rows import LEAST_FRACTION, BatchRow
from bulkflow.core.cuts.stations import EndRule, Inflow, Station

__all__ = ["MixingCuts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_ROUNDING = 1e-9


class MixingCuts:
    """Finds the violated mixing rows of one station: at most one for each start."""

    def __init__(self, number: int, station: Station) -> None:
        self.number, self.station = number, station
        self.periods = len(station.needs)
        self._size = max(inflow.quantity for inflow in station.whole)
        needs = np.concatenate([[0.0], np.cumsum(station.needs)])
        self._rules: list[EndRule | None] = [None] * self.periods
        ends = list(range(self.periods))
        floors = list(station.end_least)
        for rule in station.end_rules:
            self._rules.append(rule)
            ends.append(rule.period)
            floors.append(rule.floor)
        self._ends = np.array(ends)
        ratio = (
            needs[None, self._ends + 1] - needs[:-1, None] + np.array(floors)[None, :]
        ) / self._size - _ROUNDING
        self._ceiling = np.ceil(ratio)
        self._fraction = ratio - np.floor(ratio)
        self._usable = (
            (self._ends[None, :] >= np.arange(self.periods)[:, None])
            & (ratio > 0)
            & (self._fraction > LEAST_FRACTION)
        )
        # Ends of each start from the largest fraction down; unusable ones come last.
        self._order = np.argsort(np.where(self._usable, -self._fraction, np.inf), axis=1)

    def violated(self, values: FloatArray, *, least: float, most_rows: int) -> list[BatchRow]:
        """Return violated rows that combine two ends or more, the worst first."""
        own, shared, opening = self._continuous(values)
        loads = self._loads(values)
        found = []
        for start in range(self.periods):
            chain = self._chain(start, loads, own)
            if len(chain) < 2:
                continue
            found += self._checked(start, chain, loads, own, shared, opening, least)
        found.sort(key=lambda row: -row.violation)
        return found[:most_rows]

    def _continuous(self, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what each end uses alone, the inflow up to each period, stock before each."""
        station, last = self.station, self.periods
        own = np.zeros(len(self._ends))
        for block in station.backlogs:
            own += values[block + self._ends]
        for place, rule in enumerate(self._rules):
            if rule is not None:
                own[place] += float(rule.values @ values[rule.columns])
        inflow = np.zeros(last)
        np.add.at(
            inflow, station.inflow_periods, station.inflow_values * values[station.inflow_columns]
        )
        opening = np.zeros(last)
        for block in station.stocks:
            opening[1:] += values[block : block + last - 1]
        return own, np.concatenate([[0.0], np.cumsum(inflow)]), opening

    def _loads(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return loads that count for each end, and loads arrived before each start."""
        ends, starts = np.zeros(len(self._ends)), np.zeros(self.periods)
        for number, inflow in enumerate(self.station.whole):
            total = np.concatenate([[0.0], np.cumsum(values[inflow.columns])])
            ends += total[self._past(number, inflow)]
            starts += total[np.searchsorted(inflow.arrivals, np.arange(self.periods), side="left")]
        return ends, starts

    def _past(self, number: int, inflow: Inflow) -> IntArray:
        """Return how many columns of an inflow count for each end."""
        past = np.searchsorted(inflow.arrivals, self._ends, side="right")
        for place, rule in enumerate(self._rules):
            if rule is not None:
                past[place] = rule.through[number]
        return past.astype(np.int64)

    def _chain(
        self, start: int, loads: tuple[FloatArray, FloatArray], own: FloatArray
    ) -> list[int]:
        """Return the ends of the best row, from the largest fraction down."""
        order = self._order[start]
        order = order[self._usable[start, order]]
        # What an end uses alone must be paid for in full, so it counts against it.
        missing = self._ceiling[start, order] - (loads[0][order] - loads[1][start])
        worth = missing - own[order] / (self._size * self._fraction[start, order])
        chain: list[int] = []
        best = 0.0
        for place, value in zip(order.tolist(), worth.tolist(), strict=True):
            if value > best + 1e-9:
                chain.append(place)
                best = value
        return chain

    def _checked(
        self,
        start: int,
        chain: list[int],
        loads: tuple[FloatArray, FloatArray],
        own: FloatArray,
        shared: FloatArray,
        opening: FloatArray,
        least: float,
    ) -> list[BatchRow]:
        """Return the row of a chain if it is violated enough."""
        ends = np.array(chain[::-1])
        steps = np.diff(self._fraction[start, ends], prepend=0.0)
        missing = self._ceiling[start, ends] - (loads[0][ends] - loads[1][start])
        last = int(self._ends[ends].max())
        continuous = opening[start] + shared[last + 1] - shared[start] + own[ends].sum()
        scale = float(steps.sum())
        violation = (float(steps @ missing) - continuous / self._size) / scale
        if violation <= least:
            return []
        return [self._row(start, ends, steps / scale, last, scale, violation)]

    def _row(
        self,
        start: int,
        ends: IntArray,
        weights: FloatArray,
        last: int,
        scale: float,
        violation: float,
    ) -> BatchRow:
        station = self.station
        entries: dict[int, float] = defaultdict(float)
        self._put_continuous(entries, start, ends, last, 1.0 / (self._size * scale))
        for number, inflow in enumerate(station.whole):
            past = self._past(number, inflow)
            first = int(np.searchsorted(inflow.arrivals, start, side="left"))
            for place, weight in zip(ends.tolist(), weights.tolist(), strict=True):
                _put_loads(entries, inflow, first, int(past[place]), weight)
        columns = np.array(sorted(entries), dtype=np.int64)
        return BatchRow(
            key=(self.number, -1, start, *ends.tolist()),
            columns=columns,
            values=np.array([entries[column] for column in columns.tolist()]),
            side=float(weights @ self._ceiling[start, ends]),
            violation=violation,
        )

    def _put_continuous(
        self, entries: dict[int, float], start: int, ends: IntArray, last: int, per_unit: float
    ) -> None:
        """Add the stock before the start, inflow, and what each end uses alone."""
        station = self.station
        if start > 0:
            for block in station.stocks:
                entries[block + start - 1] += per_unit
        inside = (station.inflow_periods >= start) & (station.inflow_periods <= last)
        columns, values = station.inflow_columns[inside], station.inflow_values[inside]
        for place in ends.tolist():
            for block in station.backlogs:
                entries[block + int(self._ends[place])] += per_unit
            rule = self._rules[place]
            if rule is not None:
                columns = np.concatenate([columns, rule.columns])
                values = np.concatenate([values, rule.values])
        for column, value in zip(columns.tolist(), values.tolist(), strict=True):
            entries[column] += value * per_unit


def _put_loads(
    entries: dict[int, float], inflow: Inflow, first: int, past: int, weight: float
) -> None:
    """Add the loads first..past-1, as a difference of cumulative columns where there are any."""
    if past <= first:
        return
    if inflow.cumulative < 0:
        for column in inflow.columns[first:past].tolist():
            entries[column] += weight
        return
    entries[inflow.cumulative + int(inflow.offsets[past - 1])] += weight
    if inflow.offsets[first] > 0:
        entries[inflow.cumulative + int(inflow.offsets[first]) - 1] -= weight
