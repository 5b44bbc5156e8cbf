"""Vessels, what came to each and what left it: read from the standing postings.

A vessel is what mixes: the tank that lots share, a lot in no named tank, the stock of a liquid at
a site (loads received there included: one tank, unless they are kept as lots), a load on its way,
what stayed in a transport tank. What a drawing from one may contain is worked out in
:mod:`bulkflow.account.mixing`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from bulkflow.account.postings import HEELS, ON_THE_WAY, OUTER, Line, of_load, of_lot
from bulkflow.account.tables import GAUGING_TABLE, POSTING_TABLE, SOURCE_TABLE
from bulkflow.lots.tables import DRAW_TABLE, LOT_TABLE, PARENT_TABLE
from bulkflow.records.chain import is_current
from bulkflow.records.schema import RECORD

__all__ = ["SMALL", "Flow", "Node", "Vessel", "Vessels", "vessels_behind", "vessels_beyond"]

Node = tuple[str, str]
"""A lot, load or bottling, by kind and name."""
Vessel = tuple[str, ...]
SMALL = 5e-4
"""Half of the last digit of an amount [LPA]."""

_COLUMN = POSTING_TABLE.c
_AT_ONCE = 400
_COUPLED = frozenset({Line.MOVED.value, Line.HEEL_RETURNED.value})


@dataclass(frozen=True, slots=True)
class Flow:
    """LPA that leaves a vessel on a day for another, or for a bottling; ``comes`` of it arrives."""

    day: date
    source: Vessel
    target: Vessel
    lpa: float
    comes: float


@dataclass(slots=True)
class Vessels:
    """Vessels, what comes to each and leaves it by day, and the flows between them.

    Parameters
    ----------
    made : of each lot and load, the vessel it came into, the day, LPA.
    """

    totals: dict[Vessel, dict[date, list[float]]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(lambda: [0.0, 0.0]))
    )
    flows: list[Flow] = field(default_factory=list)
    made: dict[Node, tuple[Vessel, date, float]] = field(default_factory=dict)


def vessels_beyond(session: Session, lots: Iterable[str]) -> Vessels:
    """Return the vessels that anything of some lots can have come to."""
    return _Reader(session).beyond(lots)


def vessels_behind(session: Session, node: Node, *, disposed: bool = True) -> Vessels:
    """Return the vessels from which anything can have come to a lot, load or bottling.

    Parameters
    ----------
    disposed : whether what was redistilled or blended away is followed into what it became.
    """
    return _Reader(session, disposed=disposed).behind(node)


class _Reader:
    """Reads vessels, a generation at a time with one query a kind of row."""

    def __init__(self, session: Session, *, disposed: bool = True) -> None:
        self._session, self._disposed = session, disposed
        self._found = Vessels()
        self._read: set[Vessel] = set()
        self._tanks: dict[str, Vessel] = {}
        self._flows: dict[tuple[date, Vessel, Vessel], Flow] = {}

    def beyond(self, lots: Iterable[str]) -> Vessels:
        edge = set(self._vessels_of(sorted(lots)).values())
        while edge:
            self._load(edge)
            targets = {one.target for one in self._flows.values() if one.target[0] != "bottling"}
            made = [one[1] for one in targets if one[0] == "made"]
            edge = {one for one in targets if one[0] not in {"made", "disposed"}}
            edge = (edge | set(self._vessels_of(made).values())) - self._read
        return self._done()

    def behind(self, node: Node) -> Vessels:
        kind, name = node
        if kind == "bottling":
            return self._behind(set(self._sources_of(name)))
        if kind == "lot":
            return self._behind(set(self._vessels_of([name]).values()))
        way = select(_COLUMN.liquid_id).distinct()
        way = way.where(_COLUMN.place == ON_THE_WAY, _COLUMN.holder == of_load(name))
        return self._behind({("way", name, liquid) for liquid in self._session.scalars(way)})

    def _behind(self, edge: set[Vessel]) -> Vessels:
        while edge:
            self._load(edge)
            edge = set(self._origins(edge)) - self._read
        return self._done()

    def _done(self) -> Vessels:
        self._found.flows.extend(self._flows.values())
        return self._found

    # --- which vessel -------------------------------------------------------------------------

    def _vessels_of(self, lots: Sequence[str]) -> dict[str, Vessel]:
        """Return the vessel of each lot: its tank, where one is named."""
        missing = [name for name in lots if name not in self._tanks]
        if missing:
            table = LOT_TABLE.c
            query = select(table.lot_id, table.site_id, table.tank_id).where(is_current(table.seq))
            for name, site, tank in self._rows(query, table.lot_id, missing):
                self._tanks[name] = ("tank", site, tank) if tank else ("lot", name)
        return {name: self._tanks[name] for name in lots if name in self._tanks}

    def _vessel(self, place: str, liquid: str, holder: str) -> Vessel:
        if holder.startswith("lot "):
            name = holder.removeprefix("lot ")
            return self._vessels_of([name]).get(name, ("lot", name))
        if place in {ON_THE_WAY, HEELS}:
            kind = "way" if place == ON_THE_WAY else "heel"
            return kind, holder.removeprefix("load "), liquid
        return "stock", place, liquid

    def _rows(self, query: Any, column: Any, names: Sequence[str]) -> Iterable[Any]:
        names = sorted(set(names))
        for start in range(0, len(names), _AT_ONCE):
            yield from self._session.execute(
                query.where(column.in_(names[start : start + _AT_ONCE]))
            )

    def _lots_in(self, vessels: Iterable[Vessel]) -> list[str]:
        lots = [one[1] for one in vessels if one[0] == "lot"]
        tanks = [one for one in vessels if one[0] == "tank"]
        table = LOT_TABLE.c
        query = select(table.lot_id, table.site_id, table.tank_id).where(is_current(table.seq))
        for name, site, tank in self._rows(query, table.tank_id, [one[2] for one in tanks]):
            if ("tank", site, tank) in tanks:
                lots.append(name)
                self._tanks[name] = ("tank", site, tank)
        return lots

    # --- what came and went -------------------------------------------------------------------

    def _load(self, vessels: set[Vessel]) -> None:
        """Read what came to some vessels and left them."""
        self._read |= vessels
        net: dict[tuple[Any, ...], float] = defaultdict(float)
        lots = self._lots_in(vessels)
        self._vessels_of(lots)
        loads = [one[1] for one in vessels if one[0] in {"way", "heel"}]
        holders = [of_lot(name) for name in lots] + [of_load(name) for name in loads]
        columns = (
            _COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder, _COLUMN.happened, _COLUMN.line,
            _COLUMN.subject, _COLUMN.seq, _COLUMN.taken_back, _COLUMN.lpa,
        )  # fmt: skip
        rows = list(self._rows(select(*columns), _COLUMN.holder, holders))
        for one in vessels:
            if one[0] == "stock":
                here = and_(_COLUMN.place == one[1], _COLUMN.liquid_id == one[2])
                not_a_lot = ~_COLUMN.holder.like("lot %")
                rows += self._session.execute(select(*columns).where(here, not_a_lot))
        stand = self._standing({row.seq for row in rows if row.line in _COUPLED})
        for place, liquid, holder, day, line, subject, seq, back, lpa in rows:
            vessel = self._vessel(place, liquid, holder)
            coupled = seq if line in _COUPLED else 0
            if vessel in vessels and (not coupled or (seq in stand and not back)):
                key = (vessel, day, Line(line), subject, coupled, liquid, holder)
                net[key] += float(lpa)
        standing = {key: lpa for key, lpa in net.items() if abs(lpa) > SMALL}
        self._lots_made(lots)
        self._children(lots)
        self._leave(standing)

    def _leave(self, net: Mapping[tuple[Any, ...], float]) -> None:
        partners = self._partners({key[4] for key, lpa in net.items() if key[4] and lpa < 0})
        for (vessel, day, line, subject, seq, liquid, holder), lpa in net.items():
            if vessel[0] == "way" and line in {Line.RECEIVED, Line.TRANSIT}:
                continue  # below: what came of a load is what its corrected receipt says
            if line is Line.USED and holder.startswith("lot ") and lpa < 0:
                continue  # told by the lots made of it
            self._total(vessel, day, lpa)
            if lpa > 0 and vessel[0] == "way" and line in {Line.DISPATCHED, Line.TAKEN_OVER}:
                before = self._found.made.get(("load", subject))
                total = lpa + (before[2] if before else 0.0)
                self._found.made["load", subject] = (vessel, day, total)
            if lpa > 0:
                continue
            targets: dict[Line, Vessel] = {
                Line.BOTTLED: ("bottling", subject),
                Line.BOTTLING_LOSS: ("bottling", subject),
                Line.DISPATCHED: ("way", subject, liquid),
                Line.DISPOSED: ("disposed", subject),
            }
            target = partners.get(seq) or targets.get(line)
            if target is not None:
                self._flow(day, vessel, target, -lpa, -lpa)
            if line is Line.DISPOSED:
                self._total(("disposed", subject), day, -lpa)
        self._discharged({key[0] for key in net if key[0][0] == "way"})

    def _discharged(self, ways: set[Vessel]) -> None:
        """Let loads on their way come to what their standing receipts say."""
        columns = (
            _COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder, _COLUMN.happened, _COLUMN.subject,
            _COLUMN.lpa,
        )  # fmt: skip
        query = select(*columns).where(_COLUMN.line == Line.RECEIVED.value)
        came: dict[tuple[Vessel, Vessel], float] = defaultdict(float)
        days: dict[Vessel, date] = {}
        as_lots = self._as_lots([one[1] for one in ways])
        names = [of_load(one[1]) for one in ways]
        rows = list(self._rows(query, _COLUMN.holder, names))
        for place, liquid, holder, day, subject, lpa in rows:
            way: Vessel = ("way", subject, liquid)
            days[way] = min(day, days.get(way, day))
            if place != ON_THE_WAY:
                came[way, self._vessel(place, liquid, holder)] += float(lpa)
        for journey, (lot, lpa) in as_lots.items():
            if journey in days:
                came[journey, ("made", lot)] += lpa
        for (journey, target), lpa in came.items():
            if journey in ways and lpa > SMALL:
                self._flow(days[journey], journey, target, lpa, lpa)
        for journey in ways & days.keys():
            # All of it is gone on that day, come or lost.
            self._found.totals[journey][days[journey]][1] = float("inf")

    def _as_lots(self, loads: Sequence[str]) -> dict[Vessel, tuple[str, float]]:
        table = GAUGING_TABLE.c
        query = select(table.load_id, table.liquid_id, table.as_lot, table.lpa).where(
            is_current(table.seq), table.as_lot.is_not(None)
        )
        rows = self._rows(query, table.load_id, loads)
        return {("way", load, liquid): (lot, float(lpa)) for load, liquid, lot, lpa in rows}

    def _standing(self, seqs: set[int]) -> set[int]:
        """Return those of some records that nothing supersedes."""
        wanted, found = sorted(seqs), set()
        for start in range(0, len(wanted), _AT_ONCE):
            here = RECORD.c.seq.in_(wanted[start : start + _AT_ONCE])
            found |= set(
                self._session.scalars(select(RECORD.c.seq).where(here, is_current(RECORD.c.seq)))
            )
        return found

    def _partners(self, seqs: set[int]) -> dict[int, Vessel]:
        """Return where the moves of some records went, of those that stand."""
        if not seqs:
            return {}
        columns = (_COLUMN.seq, _COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder, _COLUMN.lpa)
        query = select(*columns).where(
            _COLUMN.seq.in_(sorted(seqs)), _COLUMN.lpa > 0, is_current(_COLUMN.seq),
            _COLUMN.taken_back.is_(False), _COLUMN.place.not_in(sorted(OUTER)),
        )  # fmt: skip
        return {
            seq: self._vessel(place, liquid, holder)
            for seq, place, liquid, holder, _ in self._session.execute(query)
        }

    def _total(self, vessel: Vessel, day: date, lpa: float) -> None:
        self._found.totals[vessel][day][0 if lpa > 0 else 1] += abs(lpa)

    def _flow(self, day: date, source: Vessel, target: Vessel, lpa: float, comes: float) -> None:
        # One drawing, under however many names it was taken.
        before = self._flows.get((day, source, target))
        if before is not None:
            lpa, comes = lpa + before.lpa, comes + before.comes
        self._flows[day, source, target] = Flow(day, source, target, lpa, comes)

    # --- lots ---------------------------------------------------------------------------------

    def _made_on(self, lots: Sequence[str]) -> dict[str, tuple[date, float]]:
        """Return the day a lot came to be, and its LPA then."""
        columns = (_COLUMN.subject, _COLUMN.happened, _COLUMN.lpa, _COLUMN.holder)
        lines = [line.value for line in (Line.MADE, Line.BOUGHT_IN, Line.TAKEN_OVER)]
        query = select(*columns).where(_COLUMN.line.in_(lines))
        found: dict[tuple[str, date], float] = defaultdict(float)
        for subject, day, lpa, _ in self._rows(query, _COLUMN.holder, [of_lot(n) for n in lots]):
            found[subject, day] += float(lpa)
        return {name: (day, lpa) for (name, day), lpa in found.items() if lpa > SMALL}

    def _lots_made(self, lots: Sequence[str]) -> None:
        vessels = self._vessels_of(lots)
        for name, (day, lpa) in self._made_on(lots).items():
            self._found.made["lot", name] = (vessels[name], day, lpa)

    def _children(self, lots: Sequence[str]) -> None:
        """Add what was drawn from lots into lots made of them."""
        table = PARENT_TABLE.c
        columns = (table.parent_id, table.lot_id, table.lpa, table.disposition)
        query = select(*columns).where(is_current(table.seq))
        rows = list(self._rows(query, table.parent_id, lots))
        children = sorted({row[1] for row in rows})
        vessels, made = self._vessels_of([*lots, *children]), self._made_on(children)
        drawn: dict[str, float] = defaultdict(float)
        for _, child, lpa, _ in self._rows(query, table.lot_id, children):
            drawn[child] += float(lpa)
        for parent, child, lpa, disposition in rows:
            if child not in made or (disposition is not None and not self._disposed):
                continue
            day, whole = made[child]
            source = vessels[parent] if disposition is None else ("disposed", parent)
            self._total(source, day, -float(lpa))
            share = float(lpa) / drawn[child] * whole
            self._flow(day, source, ("made", child), float(lpa), share)

    # --- backwards ----------------------------------------------------------------------------

    def _sources_of(self, bottling: str) -> Iterable[Vessel]:
        holders = select(_COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder).where(
            _COLUMN.seq == select(SOURCE_TABLE.c.seq).where(
                SOURCE_TABLE.c.bottling_id == bottling, is_current(SOURCE_TABLE.c.seq)
            ).limit(1).scalar_subquery(),
            _COLUMN.place.not_in(sorted(OUTER)), _COLUMN.taken_back.is_(False),
        )  # fmt: skip
        for row in self._session.execute(holders):
            yield self._vessel(*row)

    def _origins(self, vessels: set[Vessel]) -> Iterable[Vessel]:
        """Yield the vessels from which something came to others."""
        lots = self._lots_in(vessels)
        table = PARENT_TABLE.c
        query = select(table.parent_id).where(is_current(table.seq))
        if not self._disposed:
            query = query.where(table.disposition.is_(None))
        parents = [row[0] for row in self._rows(query, table.lot_id, lots)]
        yield from self._vessels_of(parents).values()
        gauged = GAUGING_TABLE.c
        query = select(gauged.load_id, gauged.liquid_id).where(is_current(gauged.seq))
        for load, liquid in self._rows(query, gauged.as_lot, lots):
            yield "way", load, liquid
        drawn = DRAW_TABLE.c
        query = select(drawn.lot_id).where(is_current(drawn.seq))
        loads = [one[1] for one in vessels if one[0] == "way"]
        yield from self._vessels_of(
            [r[0] for r in self._rows(query, drawn.load_id, loads)]
        ).values()
        yield from (("way", one[1], one[2]) for one in vessels if one[0] == "heel")
        yield from self._coming(vessels, lots)

    def _coming(self, vessels: set[Vessel], lots: Sequence[str]) -> Iterable[Vessel]:
        """Yield where loads and moves came from."""
        stocks = [
            and_(_COLUMN.place == one[1], _COLUMN.liquid_id == one[2])
            for one in vessels
            if one[0] == "stock"
        ]
        names = [of_lot(name) for name in lots]
        names += [of_load(one[1]) for one in vessels if one[0] in {"way", "heel"}]
        lines = [Line.RECEIVED.value, *sorted(_COUPLED)]
        columns = (_COLUMN.line, _COLUMN.subject, _COLUMN.liquid_id, _COLUMN.seq, _COLUMN.place)
        query = select(*columns).where(_COLUMN.line.in_(lines), _COLUMN.lpa > 0)
        rows = list(self._rows(query, _COLUMN.holder, names))
        for start in range(0, len(stocks), 100):
            rows += self._session.execute(query.where(or_(*stocks[start : start + 100])))
        seqs = set()
        for line, subject, liquid, seq, place in rows:
            if line == Line.RECEIVED.value and place not in OUTER:
                yield "way", subject, liquid
            elif line != Line.RECEIVED.value:
                seqs.add(seq)
        for start in range(0, len(seqs), _AT_ONCE):
            part = sorted(seqs)[start : start + _AT_ONCE]
            away = select(_COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder).where(
                _COLUMN.seq.in_(part), _COLUMN.lpa < 0
            )
            for row in self._session.execute(away):
                yield self._vessel(*row)
