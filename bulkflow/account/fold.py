"""From records to postings: each record takes from one holder what it gives to another.

So the sum over all places is nought, to the last digit, whatever is recorded. Corrections never
change what stood: a record that supersedes another takes back its postings, on the days on which
they happened, and makes its own. Where the quarter of a site is closed by then, both count on the
first day after it. So a closed quarter is corrected only in a later one, whichever command wrote
the record; and what came late is not counted as gone before it is counted as come.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import EntryKind, Side, SourceKind, quarter_days
from bulkflow.account.postings import (
    HEELS,
    NO_HOLDER,
    ON_THE_WAY,
    OUTER,
    Key,
    Line,
    Posting,
    kept_postings,
    of_load,
    of_lot,
)
from bulkflow.account.tables import (
    BOTTLING,
    CLOSING,
    ENTRY,
    GAUGING,
    POSTING_TABLE,
    REVERSAL,
    TRANSFER,
)
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.tables import LOAD, LOAD_STEP
from bulkflow.lots.bodies import NOT_A_LOAD, Origin
from bulkflow.lots.tables import DISPOSITION, DRAW, LOT
from bulkflow.records.chain import Record
from bulkflow.records.schema import RECORD
from bulkflow.records.times import local_time

__all__ = ["KINDS", "Fold", "holding_key"]

NOTHING = Decimal(0)
_DAY = timedelta(days=1)

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
#: A lot taken over without a day was there before anything that the register says of it.
BEFORE_THE_REGISTER = date(1900, 1, 1)
_LOT_LINES = {"made": Line.MADE, "received": Line.BOUGHT_IN}

#: The kinds of record that move LPA, or say where it lies.
KINDS = tuple(
    kind.name
    for kind in (
        LOT, DISPOSITION, DRAW, LOAD, LOAD_STEP, GAUGING, BOTTLING, ENTRY, CLOSING, TRANSFER,
        REVERSAL,
    )
)  # fmt: skip


def holding_key(place: str, liquid: str, kind: str, name: str) -> Key:
    """Return where liquid lies that is named by kind (``lot``, ``load``, ``stock``) and name."""
    holder = {SourceKind.LOT: of_lot, SourceKind.LOAD: of_load}.get(SourceKind(kind))
    return place, liquid, NO_HOLDER if holder is None else holder(name)


@dataclass(slots=True)
class _Load:
    """A load as the records have it up to now; LPA by liquid."""

    body: dict[str, Any] = field(default_factory=dict)
    way: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    dispatched: bool = False
    gaugings: dict[str, dict[str, Any]] = field(default_factory=dict)
    received: dict[str, tuple[Decimal, Decimal]] = field(default_factory=dict)
    discharged_on: date | None = None

    @property
    def site(self) -> str:
        return str(self.body["destination"])


class Fold:
    """Goes through records in their order and posts each.

    Parameters
    ----------
    after : the last record whose postings are kept; what was before it is read where it is
        needed. 0: from the beginning.
    superseded : of a fold from the beginning, the records that something supersedes.
    """

    def __init__(
        self, session: Session, after: int, superseded: frozenset[int] = frozenset()
    ) -> None:
        self._session, self._after, self._superseded = session, after, superseded
        self.postings: list[Posting] = []
        self._happened = date.min
        self._own: list[Posting] = []  # of the record at hand
        self._back: list[Posting] = []
        self._kept: dict[int, list[Posting]] = {}
        self._lots: dict[str, tuple[str, str]] = {}
        self._watched: dict[str, list[Posting]] = {}
        self._loads: dict[str, _Load] = {}
        self._closed: dict[str, date] = {}
        self._floors: dict[Key, date] = {}
        for body in self._bodies(CLOSING.name):
            self._closing(body)
        self._handlers: dict[str, Callable[[dict[str, Any]], None]] = {
            LOT.name: self._lot,
            DISPOSITION.name: self._disposition,
            DRAW.name: self._draw,
            LOAD.name: self._load,
            LOAD_STEP.name: self._step,
            GAUGING.name: self._gauging,
            BOTTLING.name: self._bottling,
            ENTRY.name: self._entry,
            CLOSING.name: self._closing,
            TRANSFER.name: self._transfer,
            REVERSAL.name: self._reversal,
        }

    def add(self, record: Record) -> None:
        """Post one record."""
        self._now, self._own, self._back = record, [], []
        # A gauging posts its difference to the one before, so there is nothing to take back.
        if record.supersedes is not None and record.kind != GAUGING.name:
            self._take_back(record.supersedes)
        self._handlers[record.kind](record.content)
        if self._after or record.seq in self._superseded:
            self._kept[record.seq] = self._own
        made = [*self._back, *self._own]
        self.postings += made
        if self._watched:
            for one in made:
                if one.holder in self._watched:
                    self._watched[one.holder].append(one)
        for one in made:
            if one.place == ON_THE_WAY:
                self._at(one.holder.removeprefix("load ")).way[one.liquid_id] += one.lpa

    # --- what stood before ------------------------------------------------------------------

    def _bodies(self, kind: str, subject: str | None = None) -> list[dict[str, Any]]:
        """Return the bodies of the kept records of a kind, oldest first."""
        if not self._after:
            return []
        query = select(RECORD).where(RECORD.c.kind == kind, RECORD.c.seq <= self._after)
        if subject is not None:
            query = query.where(RECORD.c.subject == subject)
        rows = self._session.execute(query.order_by(RECORD.c.seq)).mappings()
        return [Record(**row).content for row in rows]

    def _postings_of(self, *where: Any) -> list[Posting]:
        if not self._after:
            return []
        return kept_postings(self._session, POSTING_TABLE.c.seq <= self._after, *where)

    def _at(self, load_id: str) -> _Load:
        """Return a load as it stands."""
        if load_id not in self._loads:
            load = self._loads[load_id] = _Load()
            subject, column = f"load {load_id}", POSTING_TABLE.c
            for body in self._bodies(LOAD.name, subject):
                load.body = body
            for body in self._bodies(GAUGING.name, subject):
                if body["side"] == Side.RECEIPT:
                    load.gaugings[body["liquid_id"]] = body
            for one in self._postings_of(column.holder == of_load(load_id)):
                if one.place == ON_THE_WAY:
                    load.way[one.liquid_id] += one.lpa
                    load.dispatched = True
            received = column.line == Line.RECEIVED.value
            for one in self._postings_of(column.subject == load_id, received):
                there, heel = load.received.get(one.liquid_id, (NOTHING, NOTHING))
                load.discharged_on = load.discharged_on or one.happened
                if one.place == HEELS:
                    heel += one.lpa
                elif one.place not in {ON_THE_WAY, Line.TRANSIT.value}:
                    there += one.lpa
                load.received[one.liquid_id] = (there, heel)
        return self._loads[load_id]

    def _where(self, lot_id: str) -> tuple[str, str]:
        """Return the site and liquid of a lot."""
        if lot_id not in self._lots:
            bodies = self._bodies(LOT.name, lot_id)
            self._lots[lot_id] = (bodies[-1]["site_id"], bodies[-1]["liquid_id"])
        return self._lots[lot_id]

    def _take_back(self, record: int) -> None:
        """Post the opposite of what a record posted, on the days on which that happened."""
        own = self._kept.get(record)
        if own is None:
            column = POSTING_TABLE.c
            own = self._postings_of(column.seq == record, column.taken_back.is_(False))
        for gone, come in zip(own[::2], own[1::2], strict=True):
            self._happened = gone.happened
            lost, got = self._moved_since(gone, come)
            # What left goes back, so it leaves where it came to.
            self._pair(gone.line, -gone.lpa, got, lost, gone.subject, taken_back=True)

    def _moved_since(self, *ends: Posting) -> tuple[Key, ...]:
        """Return where the ends of a move lie now: of a lot corrected since, where it lies now."""
        keys = [one.key for one in ends]
        for place, (_, _, holder) in enumerate(keys):
            name = holder.removeprefix("lot ")
            if name != holder and not (self._now.kind == LOT.name and name == self._now.subject):
                site, liquid = self._where(name)
                keys = [(where, liquid, who) for where, _, who in keys]
                keys[place] = (site, liquid, holder)
        return tuple(keys)

    # --- posting ----------------------------------------------------------------------------

    def _move(
        self,
        line: Line,
        liquid: str,
        lpa: Decimal,
        *,
        frm: tuple[str, str],
        to: tuple[str, str],
        subject: str,
    ) -> None:
        """Post LPA that leaves one place and holder and comes to another."""
        gone, come = (frm[0], liquid, frm[1]), (to[0], liquid, to[1])
        self._pair(line, lpa, gone, come, subject)

    def _pair(
        self, line: Line, lpa: Decimal, frm: Key, to: Key, subject: str, *, taken_back: bool = False
    ) -> None:
        if not lpa:
            return
        day = self._counted(*((frm, to) if lpa > 0 else (to, frm)))
        made = self._back if taken_back else self._own
        for (place, liquid, holder), amount in ((frm, -lpa), (to, lpa)):
            made.append(
                Posting(
                    self._now.seq, day, self._happened, place, liquid, amount, line, subject,
                    holder, taken_back,
                )
            )  # fmt: skip

    def _counted(self, loses: Key, gains: Key) -> date:
        """Return the day on which a move counts: in no closed quarter of the sites concerned."""
        if not self._closed:
            return self._happened
        opens = [self._closed[key[0]] + _DAY for key in (loses, gains) if key[0] in self._closed]
        day = max(self._happened, *opens, self._floor(loses))
        if day > self._happened and gains[0] not in OUTER:
            self._floors[gains] = max(day, self._floor(gains))
        return day

    def _floor(self, key: Key) -> date:
        """Return the day on which the last of what came late to a holder counts."""
        if key not in self._floors:
            column = POSTING_TABLE.c
            late = [] if key[0] in OUTER else self._postings_of(
                column.place == key[0], column.liquid_id == key[1], column.holder == key[2],
                column.on_day > column.happened, column.lpa > 0,
            )  # fmt: skip
            self._floors[key] = max((one.day for one in late), default=date.min)
        return self._floors[key]

    # --- lots -------------------------------------------------------------------------------

    def _lot(self, body: dict[str, Any]) -> None:
        name, here = body["lot_id"], (body["site_id"], body["liquid_id"])
        made_on = body.get("made_on")
        recorded = self._now
        if made_on:
            made = date.fromisoformat(made_on)
        elif body["origin"] == Origin.OPENING:
            made = BEFORE_THE_REGISTER
        else:  # on the site's day on which it was recorded
            made = local_time(recorded.at, recorded.zone).date()
        self._happened = made
        line = _LOT_LINES.get(body["origin"], Line.TAKEN_OVER)
        lpa = Decimal(body["measurement"]["lpa"])
        outer, inner = (line.value, NO_HOLDER), (here[0], of_lot(name))
        self._move(line, here[1], lpa, frm=outer, to=inner, subject=name)
        for parent in body.get("parents", ()):
            if parent.get("disposition") is None:
                self._leave_lot(Line.USED, parent["lot_id"], Decimal(parent["lpa"]))
        if recorded.supersedes is not None:
            self._follow(name, self._where(name), here)
            self._happened = made
        if recorded.seq in self._superseded:
            self._watched.setdefault(of_lot(name), [])
        self._lots[name] = here

    def _leave_lot(self, line: Line, lot_id: str, lpa: Decimal) -> None:
        place, liquid = self._where(lot_id)
        self._move(
            line, liquid, lpa, frm=(place, of_lot(lot_id)), to=(line.value, NO_HOLDER),
            subject=lot_id,
        )  # fmt: skip

    def _follow(self, name: str, before: tuple[str, str], now: tuple[str, str]) -> None:
        """Where a corrected lot lies elsewhere, what was taken of it was taken from there."""
        if before == now:
            return
        holder, line = of_lot(name), Line.CORRECTION
        days: dict[date, Decimal] = defaultdict(Decimal)
        kept = self._postings_of(POSTING_TABLE.c.holder == holder)
        batch = self._watched.get(holder) if not self._after else self.postings
        for one in (*kept, *(batch or ()), *self._back):
            if one.key == (*before, holder):
                days[one.happened] += one.lpa
        for day, lpa in sorted(days.items()):
            self._happened = day
            # Kept with what is taken back: no later correction of the lot takes this back.
            for (place, liquid), amount in ((before, -lpa), (now, lpa)):
                outer = (line.value, liquid, NO_HOLDER)
                self._pair(line, amount, outer, (place, liquid, holder), name, taken_back=True)

    def _disposition(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["decided_on"])
        destroyed = body["way"].startswith("destroy")
        line = Line.DESTROYED if destroyed else Line.DISPOSED
        self._leave_lot(line, body["lot_id"], Decimal(body["lpa"]))

    def _draw(self, body: dict[str, Any]) -> None:
        lot_id, load_id = body["lot_id"], body["load_id"]
        if load_id.startswith(NOT_A_LOAD):
            return  # the record it belongs to posts what it took
        self._happened = date.fromisoformat(body["on"])
        place, liquid = self._where(lot_id)
        self._to_way(
            load_id, liquid, Decimal(body["lpa"]), (place, of_lot(lot_id)), Line.DISPATCHED
        )

    # --- loads ------------------------------------------------------------------------------

    def _to_way(
        self, load_id: str, liquid: str, lpa: Decimal, frm: tuple[str, str], line: Line
    ) -> None:
        self._at(load_id).dispatched = True
        to = (ON_THE_WAY, of_load(load_id))
        self._move(line, liquid, lpa, frm=frm, to=to, subject=load_id)

    def _load(self, body: dict[str, Any]) -> None:
        self._at(body["load_id"]).body = body

    def _step(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["on"])
        load = self._at(body["load_id"])
        if body["state"] == LoadState.DEPARTED and not load.dispatched:
            # Under way when the register began: no lots were drawn into it here.
            outer = (Line.TAKEN_OVER.value, NO_HOLDER)
            for part in load.body["parts"]:
                lpa = Decimal(part["lpa"])
                self._to_way(body["load_id"], part["liquid_id"], lpa, outer, Line.TAKEN_OVER)
        elif body["state"] == LoadState.DISCHARGED:
            self._discharge(body, load)

    def _discharge(self, body: dict[str, Any], load: _Load) -> None:
        load.discharged_on = self._happened
        there = {liquid: lpa for liquid, lpa in load.way.items() if lpa}
        stated = _shared_out(body.get("lpa"), there)
        for liquid, sent in there.items():
            found = load.gaugings.get(liquid)
            received = Decimal(found["lpa"]) if found else stated.get(liquid, sent)
            heel = Decimal(found.get("heel_lpa", 0)) if found else NOTHING
            self._arrive(body["load_id"], load, liquid, (received, heel), sent)

    def _arrive(
        self,
        load_id: str,
        load: _Load,
        liquid: str,
        came: tuple[Decimal, Decimal],
        sent: Decimal,
    ) -> None:
        """Post what came of what was sent; what is missing is the difference on the way."""
        way = (ON_THE_WAY, of_load(load_id))
        missing = sent - sum(came, NOTHING)
        ends = self._ends(load_id, load, liquid)
        for lpa, end in zip(came, ends, strict=True):
            self._move(Line.RECEIVED, liquid, lpa, frm=way, to=end, subject=load_id)
        lost = (Line.TRANSIT.value, NO_HOLDER)
        self._move(Line.TRANSIT, liquid, missing, frm=way, to=lost, subject=load_id)
        load.received[liquid] = came

    def _ends(self, load_id: str, load: _Load, liquid: str) -> tuple[tuple[str, str], ...]:
        """Return where what was received came to, and what stayed in the tank."""
        found = load.gaugings.get(liquid)
        # A lot recorded on receipt stands in the account as bought in: the load settles that.
        as_lot = found is not None and found.get("as_lot")
        to = (Line.BOUGHT_IN.value, NO_HOLDER) if as_lot else (load.site, of_load(load_id))
        return to, (HEELS, of_load(load_id))

    def _gauging(self, body: dict[str, Any]) -> None:
        if body["side"] != Side.RECEIPT:
            return
        name, liquid = body["load_id"], body["liquid_id"]
        load = self._at(name)
        load.gaugings[liquid] = body
        if liquid not in load.received or load.discharged_on is None:
            return
        # Measured again: it is what came on the day of the discharge that was other.
        self._happened = load.discharged_on
        now = (Decimal(body["lpa"]), Decimal(body.get("heel_lpa", 0)))
        lost = (Line.TRANSIT.value, NO_HOLDER)
        for lpa, before, end in zip(
            now, load.received[liquid], self._ends(name, load, liquid), strict=True
        ):
            more = lpa - before
            self._move(Line.RECEIVED, liquid, more, frm=lost, to=end, subject=name)
        load.received[liquid] = now

    # --- bottlings, entries, transfers, closings ----------------------------------------------

    def _bottling(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["on"])
        site, name = body["site_id"], body["bottling_id"]
        taken = [(one, Decimal(one["lpa"])) for one in body["sources"]]
        lost = sum((lpa for _, lpa in taken), NOTHING) - Decimal(body["lpa_bottled"])
        for source, lpa in taken:
            loss = min(lost, lpa)  # the loss of the whole is posted with its first sources
            lost -= loss
            liquid = source["liquid_id"]
            _, _, holder = holding_key(site, liquid, source["kind"], source["source_id"])
            for line, amount in ((Line.BOTTLED, lpa - loss), (Line.BOTTLING_LOSS, loss)):
                outer = (line.value, NO_HOLDER)
                self._move(line, liquid, amount, frm=(site, holder), to=outer, subject=name)

    def _entry(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["on"])
        line, lpa = _ENTRY_LINES[EntryKind(body["kind"])], Decimal(body["lpa"])
        site = str(body["site_id"])
        load, lot = str(body.get("load_id") or ""), str(body.get("lot_id") or "")
        frm, holder = (line.value, NO_HOLDER), NO_HOLDER
        if line is Line.HEEL_RETURNED:
            frm = (HEELS, of_load(load))
        elif lot or load:
            holder = of_lot(lot) if lot else of_load(load)
        subject = load or lot or site
        self._move(line, body["liquid_id"], lpa, frm=frm, to=(site, holder), subject=subject)

    def _transfer(self, body: dict[str, Any]) -> None:
        self._happened = date.fromisoformat(body["on"])
        source, target = body["source"], body.get("target")
        line = Line.SPILT if target is None else Line.MOVED
        ends = [
            holding_key(one["place"], body["liquid_id"], one["kind"], one["name"])
            for one in (source, target)
            if one is not None
        ]
        to = ends[1] if len(ends) > 1 else (line.value, body["liquid_id"], NO_HOLDER)
        self._pair(line, Decimal(body["lpa"]), ends[0], to, source["name"])

    def _reversal(self, body: dict[str, Any]) -> None:
        """Post nothing of its own: what it supersedes was taken back."""

    def _closing(self, body: dict[str, Any]) -> None:
        last = quarter_days(body["quarter"])[1]
        self._closed[body["site_id"]] = max(last, self._closed.get(body["site_id"], last))


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
