"""What a drawing may contain: liquid followed through the vessels in which it meets other liquid.

A vessel is what mixes: the tank that lots share, a lot in no named tank, the stock of a liquid at
a site (loads received there included: one tank, unless they are kept as lots), a load on its way,
what stayed in a transport tank. Nothing says in which order liquid leaves a vessel, so of each
drawing three figures are told: the **least** and the **most** of what is followed that it can
hold, whatever the order, and what it holds if the vessel was **well mixed**. The least is no more,
and the most no less, than what any order gives.

Followed day by day from the standing postings: on a day, what comes mixes before anything leaves.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from bulkflow.account.vessels import SMALL, Flow, Node, Vessel, Vessels, vessels_behind

__all__ = ["Amounts", "followed", "held_in", "needed_for"]

_PASSES = 50


@dataclass(frozen=True, slots=True)
class Amounts:
    """LPA of what is followed: the least and the most there can be, and well mixed."""

    least: float
    mixed: float
    most: float


def held_in(session: Session, node: Node, lots: Collection[str]) -> dict[str, Decimal]:
    """Return, of those lots of which there can be some in a bottling or a load, the most LPA.

    Of a load: as it was when it left. What was redistilled or blended away is as if it were
    another liquid.
    """
    vessels = needed_for(vessels_behind(session, node, disposed=False), node)
    starts = sorted(node for node in vessels.made if node[0] == "lot" and node[1] in lots)
    if not starts:
        return {}
    told = followed(vessels, starts, node).get(node, [])
    return {
        node[1]: Decimal(repr(one.most)).quantize(Decimal("0.001"))
        for node, one in zip(starts, told, strict=False)
        if one.most > SMALL
    }


def needed_for(found: Vessels, node: Node) -> Vessels:
    """Return what can bear on a lot, load or bottling: of each vessel, since it last was empty."""
    return _Needed(found).of(node)


def followed(
    found: Vessels, starts: Sequence[Node], only: Node | None = None
) -> dict[Node, list[Amounts]]:
    """Return, for each lot, load and bottling (or only for one), what it holds of each start.

    Of a lot or a load: of what it was when it came to be.
    """
    return _Following(found, starts, only).run()


# --- what is needed ----------------------------------------------------------------------------


class _Needed:
    """Goes back from one node, through each vessel no further than to when it last was empty."""

    def __init__(self, found: Vessels) -> None:
        self._found = found
        self._into: dict[Vessel, list[Flow]] = defaultdict(list)
        for one in found.flows:
            self._into[one.target].append(one)
        self._made: dict[Vessel, list[tuple[Node, date]]] = defaultdict(list)
        for made, (vessel, day, _) in found.made.items():
            self._made[vessel].append((made, day))
        self._emptied: dict[Vessel, list[date]] = {}
        # Of each vessel, the last day on which it was empty before, and the last one that counts.
        self._spans: dict[Vessel, tuple[date, date]] = {}
        self._flows: dict[int, Flow] = {}
        self._edge: list[tuple[Vessel, date]] = []

    def of(self, node: Node) -> Vessels:
        vessel = self._found.made[node][0] if node in self._found.made else None
        target = {"lot": ("made", node[1])}.get(node[0], node)
        self._take(self._into[target])
        if node[0] == "load" and vessel is not None:
            self._edge.append((vessel, self._found.made[node][1]))
        while self._edge:
            self._widen(*self._edge.pop())
        needed = Vessels(flows=list(self._flows.values()))
        for name, (since, until) in self._spans.items():
            for day, amounts in self._found.totals[name].items():
                if since < day <= until:
                    needed.totals[name][day] = amounts
            for made, day in self._made[name]:
                if since < day <= until:
                    needed.made[made] = self._found.made[made]
        if node in self._found.made:
            needed.made[node] = self._found.made[node]
        return needed

    def _take(self, flows: Iterable[Flow]) -> None:
        for one in flows:
            if id(one) not in self._flows:
                self._flows[id(one)] = one
                self._edge.append((one.source, one.day))

    def _widen(self, vessel: Vessel, day: date) -> None:
        emptied = self._days_emptied(vessel)
        place = bisect_left(emptied, day)
        since = emptied[place - 1] if place else date.min
        had = self._spans.get(vessel, (date.max, date.min))
        if had[0] <= since and had[1] >= day:
            return
        since, until = self._spans[vessel] = min(since, had[0]), max(day, had[1])
        self._take(one for one in self._into[vessel] if since < one.day <= until)
        for made, on in self._made[vessel]:
            if made[0] == "lot" and since < on <= until:
                self._take(self._into["made", made[1]])

    def _days_emptied(self, vessel: Vessel) -> list[date]:
        if vessel not in self._emptied:
            whole, days = 0.0, []
            for day, (come, gone) in sorted(self._found.totals[vessel].items()):
                whole = max(0.0, whole + come - gone)
                if whole <= SMALL:
                    days.append(day)
            self._emptied[vessel] = days
        return self._emptied[vessel]


# --- following ---------------------------------------------------------------------------------


class _Following:
    """Goes through the days once, each vessel with three vectors: least, mixed, most."""

    def __init__(self, found: Vessels, starts: Sequence[Node], only: Node | None) -> None:
        self._found, self._starts, self._only = found, starts, only
        self._size = len(starts)
        self._has: dict[Vessel, NDArray[np.float64]] = {}
        self._whole: dict[Vessel, float] = defaultdict(float)
        self._told: dict[Node, NDArray[np.float64]] = {}
        self._begins = {node: place for place, node in enumerate(starts)}

    def run(self) -> dict[Node, list[Amounts]]:
        flows: dict[date, list[Flow]] = defaultdict(list)
        for one in self._found.flows:
            flows[one.day].append(one)
        made: dict[date, list[Node]] = defaultdict(list)
        for node, (_, day, _) in self._found.made.items():
            made[day].append(node)
        busy: dict[date, list[Vessel]] = defaultdict(list)
        for vessel, days in self._found.totals.items():
            for day in days:
                busy[day].append(vessel)
        for day in sorted({*flows, *made, *busy}):
            self._day(day, flows[day], made[day], busy[day])
        return {
            node: [Amounts(*map(float, column)) for column in told.T]
            for node, told in self._told.items()
        }

    def _nothing(self) -> NDArray[np.float64]:
        return np.zeros((3, self._size))

    def _day(self, day: date, flows: list[Flow], made: list[Node], busy: list[Vessel]) -> None:
        vessels = {*busy, *(one.source for one in flows)}
        into: dict[Vessel, list[Flow]] = defaultdict(list)
        for one in flows:
            into[one.target].append(one)
        lots: dict[Vessel, list[Node]] = defaultdict(list)
        for node in made:
            lots[self._found.made[node][0]].append(node)
            vessels.add(self._found.made[node][0])
        whole = {v: self._whole[v] + self._found.totals[v][day][0] for v in vessels}
        flowing = [self._nothing() for _ in flows]
        number = {id(one): place for place, one in enumerate(flows)}
        have: dict[Vessel, NDArray[np.float64]] = {}
        for _ in range(_PASSES):
            before = [one.copy() for one in flowing]
            for vessel in vessels:
                have[vessel] = self._come(vessel, into, lots, flowing, number, whole[vessel])
            for place, one in enumerate(flows):
                flowing[place] = _drawn(one, have.get(one.source, self._nothing()),
                                        whole.get(one.source, 0.0))  # fmt: skip
            if all(np.array_equal(a, b) for a, b in zip(before, flowing, strict=True)):
                break
        for place, one in enumerate(flows):
            if one.target[0] == "bottling" and self._only in (None, ("bottling", one.target[1])):
                node = ("bottling", one.target[1])
                self._told[node] = self._told.get(node, self._nothing()) + flowing[place]
        self._leave(day, vessels, have, whole, flows, flowing)

    def _come(
        self,
        vessel: Vessel,
        into: Mapping[Vessel, Sequence[Flow]],
        lots: Mapping[Vessel, Sequence[Node]],
        flowing: Sequence[NDArray[np.float64]],
        number: Mapping[int, int],
        whole: float,
    ) -> NDArray[np.float64]:
        """Return what a vessel has of each start once all of the day has come."""
        has = self._has.get(vessel, self._nothing())
        came = self._nothing()
        for one in into.get(vessel, ()):
            came = came + flowing[number[id(one)]]
        for node in lots.get(vessel, ()):
            parts = came if node[0] == "load" else self._nothing()
            for one in into.get(("made", node[1]), ()) if node[0] == "lot" else ():
                parts = parts + flowing[number[id(one)]]
            parts = self._begun(node, parts)
            if self._only in (None, node):
                self._told[node] = parts
            came = parts if node[0] == "load" else came + parts
        has = has + came
        has[2] = np.minimum(has[2], whole)
        return has

    def _begun(self, node: Node, came: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what came with a node, all of it its own where it is followed from there."""
        place = self._begins.get(node)
        if place is None or node not in self._found.made:
            return came
        came = came.copy()
        came[:, place] = self._found.made[node][2]
        return came

    def _leave(
        self,
        day: date,
        vessels: Iterable[Vessel],
        have: Mapping[Vessel, NDArray[np.float64]],
        whole: Mapping[Vessel, float],
        flows: Sequence[Flow],
        flowing: Sequence[NDArray[np.float64]],
    ) -> None:
        for vessel in vessels:
            gone = self._found.totals[vessel][day][1]
            left = max(0.0, whole[vessel] - gone)
            self._whole[vessel] = left
            has = have[vessel].copy()
            has[0] = np.maximum(0.0, has[0] - gone)
            if left <= SMALL:
                has[:] = 0.0
            else:
                has[1] *= left / whole[vessel]
                has[2] = np.minimum(has[2], left)
            self._has[vessel] = has


def _drawn(one: Flow, has: NDArray[np.float64], whole: float) -> NDArray[np.float64]:
    """Return least, mixed and most that a drawing holds of each start."""
    if not has.any():
        return np.zeros_like(has)
    whole = max(whole, one.lpa)  # a load that brought more than was sent
    least = np.maximum(0.0, one.lpa - (whole - has[0]))
    mixed = one.lpa * has[1] / whole
    most = np.minimum(one.lpa, has[2])
    return np.stack([np.minimum(least, has[0]), mixed, most]) * (one.comes / one.lpa)
