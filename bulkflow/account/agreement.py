"""Whether the account equals the records, to the last digit: worked out a second way.

The ledger goes through the records in their order. Here the same balances are added up from what
stands now: what is left of each lot, what loads brought, what was bottled and entered, what is
still on the way. Nothing of the ledger is used.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sqlalchemy import func, select, type_coerce
from sqlalchemy.orm import Session

from bulkflow.account.bodies import Entry, EntryKind, Side, SourceKind
from bulkflow.account.ledger import (
    HEELS,
    ON_THE_WAY,
    OUTER,
    balances_on,
    first_shortages,
    folded_anew,
)
from bulkflow.account.postings import kept_postings, posted_to
from bulkflow.account.queries import gaugings_of
from bulkflow.account.tables import BOTTLING_TABLE, ENTRY, ENTRY_TABLE, SOURCE_TABLE, TRANSFER
from bulkflow.errors import Fault
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.queries import LoadFilter, LoadRecord, loads_in
from bulkflow.loads.tables import STEP_TABLE
from bulkflow.lots.queries import left_in_lots
from bulkflow.records.amounts import FixedPoint
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
    ledger = {key: lpa for key, lpa in balances_on(session).items() if key[0] not in OUTER}
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
    for (site, liquid), lpa in left_in_lots(session).items():
        found[site, liquid] += lpa
    for place, liquid, lpa in _all(session):
        found[place, liquid] += lpa
    return {key: lpa for key, lpa in found.items() if lpa}


def _all(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    for part in (_of_loads, _bottled, _entered, _transferred):
        yield from part(session)


def _of_loads(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    loads = loads_in(session)
    names = [load.load_id for load in loads]
    gaugings, totals = gaugings_of(session, names), _totals(session)
    for load in loads:
        if load.state in _COMING:
            for part in load.parts:
                yield ON_THE_WAY, part.liquid_id, part.lpa
        elif load.state in _THERE:
            for part in load.parts:
                gauged = gaugings.get((load.load_id, part.liquid_id, Side.RECEIPT))
                if gauged is None:
                    stated = _stated(load, totals.get(load.load_id))
                    yield load.destination, part.liquid_id, stated[part.liquid_id]
                    continue
                yield HEELS, part.liquid_id, gauged.gauging.heel_lpa
                if gauged.gauging.as_lot is None:
                    yield load.destination, part.liquid_id, gauged.gauging.lpa


def _totals(session: Session) -> dict[str, Decimal | None]:
    """Return the total stated of each load at its discharge."""
    query = (
        select(RECORD)
        .join(STEP_TABLE, STEP_TABLE.c.seq == RECORD.c.seq)
        .where(STEP_TABLE.c.state == LoadState.DISCHARGED.value)
        .order_by(RECORD.c.seq)
    )
    bodies = (json.loads(row["body"]) for row in session.execute(query).mappings())
    return {
        one["load_id"]: Decimal(one["lpa"]) if one.get("lpa") is not None else None
        for one in bodies
    }


def _stated(load: LoadRecord, total: Decimal | None) -> dict[str, Decimal]:
    """Return what a load brought by the total stated at its discharge, else as documented."""
    if total is None:
        return {part.liquid_id: part.lpa for part in load.parts}
    *first, last = load.parts
    shares = {
        part.liquid_id: (total * part.lpa / load.lpa).quantize(Decimal("0.001")) for part in first
    }
    return {**shares, last.liquid_id: total - sum(shares.values(), NOTHING)}


def _bottled(session: Session) -> Iterable[tuple[str, str, Decimal]]:
    here, source = BOTTLING_TABLE.c, SOURCE_TABLE.c
    by = (here.site_id, source.liquid_id)
    query = (
        select(*by, type_coerce(func.sum(source.lpa), FixedPoint()))
        .join(SOURCE_TABLE, source.seq == here.seq)
        # A lot's own account has what was taken of it.
        .where(is_current(here.seq), source.kind != SourceKind.LOT.value)
        .group_by(*by)
    )
    for site, liquid, lpa in session.execute(query):
        yield site, liquid, -lpa


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
