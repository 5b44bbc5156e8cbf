"""The ledger: every record as postings of LPA that add up to nothing.

A place is a site, the liquid on its way, what stayed in transport tanks, or one of the outer
accounts (bought in, bottled, lost on the way ...). Each record takes from one place what it gives
to another, so the sum over all places is nought, to the last digit, whatever is recorded.

Corrections never change what stood: a record that supersedes another takes back its postings and
makes its own. Where the quarter of a site is closed by then, both count on the first day after
it. So a closed quarter is corrected only in a later one, whichever command wrote the record.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import BOTTLING_PREFIX, EntryKind, Side, SourceKind, quarter_days
from bulkflow.account.tables import BOTTLING, CLOSING, ENTRY, GAUGING
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.tables import LOAD, LOAD_STEP
from bulkflow.lots.tables import DISPOSITION, DRAW, LOT
from bulkflow.records.chain import Record, records_in
from bulkflow.records.schema import RECORD
from bulkflow.records.times import local_time

__all__ = [
    "HEELS",
    "ON_THE_WAY",
    "OUTER",
    "Ledger",
    "Line",
    "Posting",
    "read_ledger",
]

NOTHING = Decimal(0)
ON_THE_WAY = "on the way"
HEELS = "heels in tanks"


class Line(StrEnum):
    """What a posting is, as a line of the account; also names the outer account it faces."""

    TAKEN_OVER = "taken over"
    BOUGHT_IN = "bought in"
    RECEIVED = "received from loads"
    MADE = "made"
    RECOVERED = "recovered"
    HEEL_RETURNED = "heel returned"
    USED = "used in making"
    DISPATCHED = "dispatched in loads"
    BOTTLED = "bottled"
    BOTTLING_LOSS = "lost in bottling"
    DISPOSED = "redistilled or blended away"
    DESTROYED = "destroyed"
    SAMPLES = "samples"
    STOCKTAKE = "stocktake difference"
    TRANSIT = "difference on the way"
    CORRECTION = "correction"


#: Outer accounts are the lines themselves: what enters a site from outside leaves one of them.
OUTER = frozenset(line.value for line in Line)

_ENTRY_LINES = {
    EntryKind.TAKEN_OVER: Line.TAKEN_OVER,
    EntryKind.BOUGHT_IN: Line.BOUGHT_IN,
    EntryKind.USED: Line.USED,
    EntryKind.RECOVERED: Line.RECOVERED,
    EntryKind.STOCKTAKE: Line.STOCKTAKE,
    EntryKind.SAMPLES: Line.SAMPLES,
    EntryKind.DESTROYED: Line.DESTROYED,
    EntryKind.HEEL_RETURNED: Line.HEEL_RETURNED,
    EntryKind.CORRECTION: Line.CORRECTION,
}


@dataclass(frozen=True, slots=True)
class Posting:
    """LPA that came to a place (negative: left it) on a day.

    Parameters
    ----------
    record : it rests on; `subject` is the lot, load or bottling it is about.
    day : on which it counts; ``happened`` is when it happened, earlier where the quarter was
        closed before it was recorded.
    """

    record: int
    day: date
    happened: date
    place: str
    liquid_id: str
    lpa: Decimal
    line: Line
    subject: str

    @property
    def is_late(self) -> bool:
        """Whether it corrects a quarter that was closed."""
        return self.day != self.happened


Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Ledger:
    """All postings, in the order of the records, and the sites' closings.

    Parameters
    ----------
    closings : by site, the last days of its closed quarters in order.
    load_left : LPA of each (load, liquid) that lies at its destination not kept by lot.
    """

    postings: tuple[Posting, ...]
    closings: Mapping[str, tuple[date, ...]]
    load_left: Mapping[tuple[str, str], Decimal]

    def balances(self, on: date | None = None) -> dict[Key, Decimal]:
        """Return LPA by (place, liquid) at the end of a day (default: of all), noughts left out."""
        found: dict[Key, Decimal] = defaultdict(Decimal)
        for one in self.postings:
            if on is None or one.day <= on:
                found[one.place, one.liquid_id] += one.lpa
        return {key: lpa for key, lpa in sorted(found.items()) if lpa}

    def sites(self) -> tuple[str, ...]:
        """Return the sites that have an account."""
        inner = {one.place for one in self.postings} - OUTER - {ON_THE_WAY, HEELS}
        return tuple(sorted(inner))

    def days(self, place: str, first: date, last: date) -> list[tuple[date, dict[str, Decimal]]]:
        """Return each day's closing LPA by liquid of a place, both ends included."""
        moves: dict[date, dict[str, Decimal]] = defaultdict(lambda: defaultdict(Decimal))
        running: dict[str, Decimal] = defaultdict(Decimal)
        for one in self.postings:
            if one.place == place:
                if one.day < first:
                    running[one.liquid_id] += one.lpa
                else:
                    moves[one.day][one.liquid_id] += one.lpa
        days = []
        for offset in range((last - first).days + 1):
            day = first + timedelta(days=offset)
            for liquid, lpa in moves.get(day, {}).items():
                running[liquid] += lpa
            days.append((day, {k: v for k, v in sorted(running.items()) if v}))
        return days


_KINDS = tuple(
    kind.name
    for kind in (LOT, DISPOSITION, DRAW, LOAD, LOAD_STEP, GAUGING, BOTTLING, ENTRY, CLOSING)
)


def read_ledger(session: Session) -> Ledger:
    """Return the ledger of the register as it stands."""
    fold = _Fold(_superseded_in(session))
    for record in records_in(session, kinds=_KINDS):
        fold.add(record)
    return fold.ledger()


def _superseded_in(session: Session) -> frozenset[int]:
    """Return the records that something supersedes: their postings are kept to be taken back."""
    query = select(RECORD.c.supersedes).where(RECORD.c.supersedes.is_not(None))
    return frozenset(session.scalars(query))


@dataclass(slots=True)
class _Load:
    """A load as the ledger meets it."""

    body: dict[str, Any] = field(default_factory=dict)
    way: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    dispatched: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    gaugings: dict[str, dict[str, Any]] = field(default_factory=dict)
    received: dict[str, tuple[Decimal, Decimal]] = field(default_factory=dict)

    @property
    def site(self) -> str:
        return str(self.body["destination"])


class _Fold:
    """Goes through the records once and posts each."""

    def __init__(self, superseded: frozenset[int]) -> None:
        self._superseded = superseded
        self._postings: list[Posting] = []
        self._happened = date.min
        self._own: list[Posting] = []  # of the record at hand
        self._kept: dict[int, list[Posting]] = {}
        self._lots: dict[str, Key] = {}
        self._loads: dict[str, _Load] = defaultdict(_Load)
        self._closed: dict[str, list[date]] = defaultdict(list)
        self._left: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
        self._taken: dict[int, dict[tuple[str, str], Decimal]] = {}
        self._drawn: dict[str, Decimal] = defaultdict(Decimal)
        self._handlers = {
            LOT.name: self._lot,
            DISPOSITION.name: self._disposition,
            DRAW.name: self._draw,
            LOAD.name: self._load,
            LOAD_STEP.name: self._step,
            GAUGING.name: self._gauging,
            BOTTLING.name: self._bottling,
            ENTRY.name: self._entry,
            CLOSING.name: self._closing,
        }

    def ledger(self) -> Ledger:
        closings = {site: tuple(sorted(days)) for site, days in self._closed.items()}
        left = {key: lpa for key, lpa in self._left.items() if lpa}
        return Ledger(tuple(self._postings), closings, left)

    def add(self, record: Record) -> None:
        self._now = record
        self._own.clear()
        self._handlers[record.kind](record.content)
        # A gauging posts its difference to the one before, so there is nothing to take back.
        gauged = record.kind == GAUGING.name
        taken_back = [] if gauged else self._kept.get(record.supersedes or 0, [])
        posted = [
            Posting(record.seq, one.day, one.happened, one.place, one.liquid_id, -one.lpa,
                    one.line, one.subject)
            for one in taken_back
        ]  # fmt: skip
        for one in taken_back:
            if one.line is Line.USED and one.place not in OUTER:
                self._drawn[one.subject] += one.lpa
        posted += self._own
        if record.seq in self._superseded:
            self._kept[record.seq] = list(self._own)
        self._postings.extend(self._in_open_quarters(posted))

    def _in_open_quarters(self, postings: Sequence[Posting]) -> Iterable[Posting]:
        """Move what falls into a closed quarter of any site concerned behind it."""
        closed = [days[-1] for one in postings if (days := self._closed.get(one.place))]
        opens = max(closed) + timedelta(days=1) if closed else date.min
        for one in postings:
            day = max(one.happened, opens)
            yield Posting(
                one.record, day, one.happened, one.place, one.liquid_id, one.lpa, one.line,
                one.subject,
            )  # fmt: skip

    def _move(
        self, line: Line, liquid: str, lpa: Decimal, *, frm: str, to: str, subject: str
    ) -> None:
        """Post LPA that leaves one place and comes to another."""
        if not lpa:
            return
        for place, amount in ((frm, -lpa), (to, lpa)):
            day = self._happened
            self._own.append(Posting(self._now.seq, day, day, place, liquid, amount, line, subject))

    # --- lots -----------------------------------------------------------------------------

    def _lot(self, body: dict[str, Any]) -> None:
        name, site, liquid = body["lot_id"], body["site_id"], body["liquid_id"]
        made_on = body.get("made_on")
        # Without a day of its own it counts on the site's day on which it was recorded.
        recorded = self._now
        self._happened = (
            date.fromisoformat(made_on)
            if made_on
            else local_time(recorded.at, recorded.zone).date()
        )
        line = {"made": Line.MADE, "received": Line.BOUGHT_IN}.get(body["origin"], Line.TAKEN_OVER)
        lpa = Decimal(body["measurement"]["lpa"])
        self._move(line, liquid, lpa, frm=line.value, to=site, subject=name)
        for parent in body.get("parents", ()):
            if parent.get("disposition") is None:
                place, its_liquid = self._lots[parent["lot_id"]]
                used = Decimal(parent["lpa"])
                self._use(parent["lot_id"], place, its_liquid, used)
        self._follow(name, (site, liquid))
        self._lots[name] = (site, liquid)

    def _use(self, lot_id: str, place: str, liquid: str, lpa: Decimal) -> None:
        self._drawn[lot_id] += lpa
        self._move(Line.USED, liquid, lpa, frm=place, to=Line.USED.value, subject=lot_id)

    def _follow(self, name: str, now: Key) -> None:
        """Where a corrected lot lies elsewhere, what was taken of it was taken from there."""
        before = self._lots.get(name, now)
        if before == now or not self._drawn[name]:
            return
        lpa, line = self._drawn[name], Line.CORRECTION
        self._move(line, before[1], lpa, frm=line.value, to=before[0], subject=name)
        self._move(line, now[1], lpa, frm=now[0], to=line.value, subject=name)

    def _disposition(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["decided_on"])
        place, liquid = self._lots[body["lot_id"]]
        destroyed = body["way"].startswith("destroy")
        line = Line.DESTROYED if destroyed else Line.DISPOSED
        lpa = Decimal(body["lpa"])
        self._drawn[body["lot_id"]] += lpa
        self._move(line, liquid, lpa, frm=place, to=line.value, subject=body["lot_id"])

    def _draw(self, body: dict[str, Any]) -> None:
        self._drawn[body["lot_id"]] += Decimal(body["lpa"])
        if body["load_id"].startswith(BOTTLING_PREFIX):
            return  # the bottling itself posts what it took
        self._happened = date.fromisoformat(body["on"])
        place, liquid = self._lots[body["lot_id"]]
        self._to_way(body["load_id"], liquid, Decimal(body["lpa"]), place, Line.DISPATCHED)

    # --- loads ----------------------------------------------------------------------------

    def _to_way(self, load_id: str, liquid: str, lpa: Decimal, place: str, line: Line) -> None:
        load = self._loads[load_id]
        load.way[liquid] += lpa
        load.dispatched[liquid] += lpa
        self._move(line, liquid, lpa, frm=place, to=ON_THE_WAY, subject=load_id)

    def _load(self, body: dict[str, Any]) -> None:
        self._loads[body["load_id"]].body = body

    def _step(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["on"])
        load = self._loads[body["load_id"]]
        if body["state"] == LoadState.DEPARTED and not load.dispatched:
            # Under way when the register began: no lots were drawn into it here.
            for part in load.body["parts"]:
                lpa = Decimal(part["lpa"])
                self._to_way(
                    body["load_id"], part["liquid_id"], lpa, Line.TAKEN_OVER.value, Line.TAKEN_OVER
                )
        elif body["state"] == LoadState.DISCHARGED:
            self._discharge(body, load)

    def _discharge(self, body: dict[str, Any], load: _Load) -> None:
        stated = _shared_out(body.get("lpa"), load.way)
        for liquid, lpa in list(load.way.items()):
            found = load.gaugings.get(liquid)
            received = Decimal(found["lpa"]) if found else stated.get(liquid, lpa)
            heel = Decimal(found.get("heel_lpa", 0)) if found else NOTHING
            self._arrive(body["load_id"], load, liquid, received, heel, lpa, found)
            load.way[liquid] = NOTHING

    def _arrive(
        self,
        load_id: str,
        load: _Load,
        liquid: str,
        received: Decimal,
        heel: Decimal,
        sent: Decimal,
        found: Mapping[str, Any] | None,
    ) -> None:
        """Post what came of what was sent; what is missing is the difference on the way."""
        as_lot = found is not None and found.get("as_lot")
        # A lot recorded on receipt stands in the account as bought in: the load settles that.
        to = Line.BOUGHT_IN.value if as_lot else load.site
        self._move(Line.RECEIVED, liquid, received, frm=ON_THE_WAY, to=to, subject=load_id)
        self._move(Line.RECEIVED, liquid, heel, frm=ON_THE_WAY, to=HEELS, subject=load_id)
        missing = sent - received - heel
        self._move(
            Line.TRANSIT, liquid, missing, frm=ON_THE_WAY, to=Line.TRANSIT.value, subject=load_id
        )
        load.received[liquid] = (received, heel)
        if not as_lot:
            self._left[load_id, liquid] += received

    def _gauging(self, body: dict[str, Any]) -> None:
        if body["side"] != Side.RECEIPT:
            return
        self._happened = date.fromisoformat(body["on"])
        load, liquid = self._loads[body["load_id"]], body["liquid_id"]
        load.gaugings[liquid] = body
        if liquid in load.received:
            self._regauge(body["load_id"], load, liquid, body)

    def _regauge(self, load_id: str, load: _Load, liquid: str, after: dict[str, Any]) -> None:
        """Post the difference that a gauging makes after the discharge."""
        before, heel_before = load.received[liquid]
        now, heel_now = Decimal(after["lpa"]), Decimal(after.get("heel_lpa", 0))
        load.received[liquid] = (now, heel_now)
        more, heel = now - before, heel_now - heel_before
        lost = Line.TRANSIT.value
        to = Line.BOUGHT_IN.value if after.get("as_lot") else load.site
        self._move(Line.RECEIVED, liquid, more, frm=lost, to=to, subject=load_id)
        self._move(Line.RECEIVED, liquid, heel, frm=lost, to=HEELS, subject=load_id)
        if not after.get("as_lot"):
            self._left[load_id, liquid] += more

    # --- bottlings, entries, closings -------------------------------------------------------

    def _bottling(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["on"])
        site, name = body["site_id"], body["bottling_id"]
        taken = [(one, Decimal(one["lpa"])) for one in body["sources"]]
        lost = sum((lpa for _, lpa in taken), NOTHING) - Decimal(body["lpa_bottled"])
        for source, lpa in taken:
            loss = min(lost, lpa)  # the loss of the whole is posted with its first sources
            lost -= loss
            liquid = source["liquid_id"]
            bottled = Line.BOTTLED
            self._move(bottled, liquid, lpa - loss, frm=site, to=bottled.value, subject=name)
            wasted = Line.BOTTLING_LOSS
            self._move(wasted, liquid, loss, frm=site, to=wasted.value, subject=name)
        self._leave_loads(body)

    def _leave_loads(self, body: dict[str, Any]) -> None:
        """Take what was bottled off what loads left; what a corrected one took is put back."""
        for key, lpa in self._taken.get(self._now.supersedes or 0, {}).items():
            self._left[key] += lpa
        taken = {
            (one["source_id"], one["liquid_id"]): Decimal(one["lpa"])
            for one in body["sources"]
            if one["kind"] == SourceKind.LOAD
        }
        for key, lpa in taken.items():
            self._left[key] -= lpa
        self._taken[self._now.seq] = taken

    def _entry(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["on"])
        line, lpa = _ENTRY_LINES[EntryKind(body["kind"])], Decimal(body["lpa"])
        frm = HEELS if line is Line.HEEL_RETURNED else line.value
        subject = body.get("load_id") or body["site_id"]
        self._move(line, body["liquid_id"], lpa, frm=frm, to=body["site_id"], subject=subject)

    def _closing(self, body: dict[str, Any]) -> None:
        self._closed[body["site_id"]].append(quarter_days(body["quarter"])[1])
        self._closed[body["site_id"]].sort()


def _shared_out(total: str | None, parts: Mapping[str, Decimal]) -> dict[str, Decimal]:
    """Share a measured total among liquids as they were sent, to the last thousandth."""
    if total is None:
        return {}
    whole, left = sum(parts.values(), NOTHING), Decimal(total)
    if not whole:
        return {}
    shares: dict[str, Decimal] = {}
    for place, (liquid, lpa) in enumerate(parts.items(), 1):
        last = place == len(parts)
        exact = (Decimal(total) * lpa / whole).quantize(Decimal("0.001"))
        shares[liquid] = left if last else exact
        left -= shares[liquid]
    return shares
