"""Whether the account equals the records, to the last digit: worked out a second way.

The ledger goes through the records in their order. Here the same balances are added up from what
stands now: what is left of each lot, what loads brought, what was bottled and entered, what is
still on the way. Nothing of the ledger is used.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import Entry, EntryKind, Side, SourceKind
from bulkflow.account.ledger import (
    HEELS,
    ON_THE_WAY,
    OUTER,
    first_shortages,
    folded_anew,
    read_ledger,
)
from bulkflow.account.postings import kept_postings, posted_to
from bulkflow.account.queries import bottlings_named, gaugings_of
from bulkflow.account.tables import ENTRY, ENTRY_TABLE, TRANSFER
from bulkflow.errors import Fault
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.queries import LoadFilter, LoadRecord, loads_in, steps_of
from bulkflow.lots.queries import LotFilter, list_lots
from bulkflow.records.chain import Record, is_current
from bulkflow.records.schema import RECORD

__all__ = ["Disagreement", "disagreements", "odd_postings", "standing_balances", "unsound"]

Key = tuple[str, str]
NOTHING = Decimal(0)
_COMING = frozenset({LoadState.LOADED, LoadState.DEPARTED, LoadState.ARRIVED})
_THERE = frozenset({LoadState.DISCHARGED, LoadState.RECONCILED})


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A place and liquid whose balance is not what the records add up to."""

    place: str
    liquid_id: str
    ledger: Decimal
    records: Decimal


def disagreements(session: Session) -> list[Disagreement]:
    """Return where ledger and records differ; empty where every balance is equal."""
    ledger = {key: lpa for key, lpa in read_ledger(session).balances().items()
              if key[0] not in OUTER}  # fmt: skip
    records = standing_balances(session)
    return [
        Disagreement(*key, ledger.get(key, NOTHING), records.get(key, NOTHING))
        for key in sorted({*ledger, *records})
        if ledger.get(key, NOTHING) != records.get(key, NOTHING)
    ]


def odd_postings(session: Session) -> tuple[int, str] | None:
    """Return the first record whose kept postings are not those it gives, and words; or None.

    Where they all are, the balances are compared with what the standing records add up to.
    """
    upto = posted_to(session)
    given = Counter(one for one in folded_anew(session) if one.record <= upto)
    kept = Counter(kept_postings(session))
    if odd := (given - kept) + (kept - given):
        return min(one.record for one in odd), "its postings in the account were changed"
    for one in disagreements(session):
        words = f"the account has {one.ledger} LPA of {one.liquid_id} at {one.place}"
        return upto, f"{words}, but the records add up to {one.records}"
    return None


def unsound(session: Session, sites: Iterable[str], last: date) -> list[Fault]:
    """Return why the account of some sites up to a day is none to be declared; empty if it is."""
    mend = "Find the act that is missing or wrong (bulkflow account balance, records log)."
    wanted = set(sites)
    faults = [
        Fault("", 0, f"{one.liquid_id} at {one.place}",
              f"is {one.ledger} LPA in the ledger and {one.records} LPA by the records", mend)
        for one in disagreements(session)
        if one.place in wanted
    ]  # fmt: skip
    for (place, liquid, holder), (day, lpa) in sorted(first_shortages(session).items()):
        if place in wanted and day <= last:
            what, found = f"{holder or 'stock'} at {place}", f"has {lpa} LPA of {liquid} on {day}"
            faults.append(Fault("", 0, what, found, mend))
    return faults


def standing_balances(session: Session) -> dict[Key, Decimal]:
    """Return LPA by place and liquid as the standing records add up; noughts left out."""
    found: dict[Key, Decimal] = defaultdict(Decimal)
    for line in list_lots(session, LotFilter(with_stock=True)):
        found[line.site_id, line.liquid_id] += line.lpa_left
    for place, liquid, lpa in _all(session):
        found[place, liquid] += lpa
    return {key: lpa for key, lpa in found.items() if lpa}


def _all(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    for part in (_of_loads, _bottled, _entered, _transferred):
        yield from part(session)


def _of_loads(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    loads = loads_in(session)
    gaugings = gaugings_of(session, [load.load_id for load in loads])
    for load in loads:
        if load.state in _COMING:
            for part in load.parts:
                yield ON_THE_WAY, part.liquid_id, part.lpa
        elif load.state in _THERE:
            stated = _stated(session, load)
            for part in load.parts:
                gauged = gaugings.get((load.load_id, part.liquid_id, Side.RECEIPT))
                if gauged is None:
                    yield load.destination, part.liquid_id, stated[part.liquid_id]
                    continue
                yield HEELS, part.liquid_id, gauged.gauging.heel_lpa
                if gauged.gauging.as_lot is None:
                    yield load.destination, part.liquid_id, gauged.gauging.lpa


def _stated(session: Session, load: LoadRecord) -> dict[str, Decimal]:
    """Return what a load brought by the total stated at its discharge, else as documented."""
    totals = [
        one.step.lpa
        for one in steps_of(session, load.load_id)
        if one.step.state is LoadState.DISCHARGED
    ]
    total = totals[-1] if totals else None
    if total is None:
        return {part.liquid_id: part.lpa for part in load.parts}
    *first, last = load.parts
    shares = {
        part.liquid_id: (total * part.lpa / load.lpa).quantize(Decimal("0.001")) for part in first
    }
    return {**shares, last.liquid_id: total - sum(shares.values(), NOTHING)}


def _bottled(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    for one in bottlings_named(session):
        for source in one.bottling.sources:
            if source.kind is not SourceKind.LOT:  # a lot's own account has that
                yield one.bottling.site_id, source.liquid_id, -source.lpa


def _transferred(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    coming = {load.load_id for load in loads_in(session, LoadFilter(states=_COMING))}
    query = select(RECORD).where(RECORD.c.kind == TRANSFER.name, is_current(RECORD.c.seq))
    for row in session.execute(query).mappings():
        body = TRANSFER.read(row["version"], row["body"])
        for end, lpa in ((body.source, -body.lpa), (body.target, body.lpa)):
            # Of a load that is there nothing is on the way, whatever left it before.
            gone = end is not None and end.place == ON_THE_WAY and end.name not in coming
            if end is not None and end.kind is not SourceKind.LOT and not gone:
                yield end.place, body.liquid_id, lpa


def _entered(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    query = (
        select(RECORD)
        .join(ENTRY_TABLE, ENTRY_TABLE.c.seq == RECORD.c.seq)
        .where(is_current(ENTRY_TABLE.c.seq))
    )
    for row in session.execute(query).mappings():
        record = Record(**row)
        entry: Entry = ENTRY.read(record.version, record.body)
        if entry.lot_id is None:  # a lot's own account has that
            yield entry.site_id, entry.liquid_id, entry.lpa
        if entry.kind is EntryKind.HEEL_RETURNED:
            yield HEELS, entry.liquid_id, -entry.lpa
