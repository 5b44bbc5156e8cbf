"""What people do to the account: gauge, receive, report, bottle, enter, close a quarter.

Each function takes a writing session, asks whether the acting person may, checks against the
register as it stands, and appends.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import (
    BOTTLING_PREFIX,
    Bottling,
    Closing,
    Entry,
    EntryKind,
    Gauging,
    Report,
    ReportKind,
    Side,
    SourceKind,
)
from bulkflow.account.ledger import HEELS, Ledger, read_ledger
from bulkflow.account.queries import gaugings_of, reports_of
from bulkflow.account.tables import (
    BOTTLING,
    BOTTLING_TABLE,
    CLOSING,
    ENTRY,
    GAUGING,
    REPORT,
)
from bulkflow.errors import Fault, InputError
from bulkflow.loads.acts import record_step
from bulkflow.loads.bodies import LoadState, LoadStep
from bulkflow.loads.queries import LoadRecord, find_load
from bulkflow.lots.acts import record_lots
from bulkflow.lots.bodies import Draw, Lot, Measurement, Origin
from bulkflow.lots.declaring import zone_of
from bulkflow.lots.draws import draw_into_load
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, append, is_current, require

__all__ = [
    "bottle",
    "close_quarter",
    "enter",
    "gauge_dispatch",
    "receive",
    "report_movement",
]

_GONE = frozenset({LoadState.LOADED, LoadState.DEPARTED, LoadState.ARRIVED})
_BEFORE = _GONE | {LoadState.ISSUED}
_THERE = frozenset({LoadState.DISCHARGED, LoadState.RECONCILED})


def gauge_dispatch(session: Session, found: Gauging) -> Record:
    """Record what a load measured when it left; a later gauging supersedes it.

    Raises
    ------
    InputError
        If the load is unknown, has not been loaded, or does not carry the liquid.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"gauge load {found.load_id}")
    load = find_load(session, found.load_id)
    faults = list(_gauging_faults(load, found, load.origin))
    if load.state not in _GONE | _THERE:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "A load is gauged once it is loaded."))
    if found.as_lot is not None or found.heel_lpa:
        mend = "A lot received and a heel belong to the receipt."
        faults.append(Fault("", 0, "side", "is dispatch", mend))
    if faults:
        raise InputError(faults)
    return _append_gauging(session, found, load.origin)


def receive(session: Session, found: Sequence[Gauging]) -> list[Record]:
    """Record what a load measured on receipt, and that it was discharged.

    Steps still missing (arrived, discharged) are taken on the day of the gauging. For a load
    discharged already, the gaugings correct those that stand. A gauging with ``as_lot`` records
    the liquid as a lot of its own, which then waits for its gates.

    Parameters
    ----------
    found : one gauging of each liquid of the load.

    Raises
    ------
    InputError
        If the load is unknown or has not left, a liquid is missing or strange, or the name of a
        lot is taken.
    """
    names = {one.load_id for one in found}
    if len(names) != 1:
        raise ValueError("the gaugings of one load are received together")
    load = find_load(session, names.pop())
    require(session, Power.RECORD, f"receive load {load.load_id}")
    faults = [fault for one in found for fault in _gauging_faults(load, one, load.destination)]
    if load.state not in _THERE | {LoadState.DEPARTED, LoadState.ARRIVED}:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "Only a load that departed is received."))
    faults.extend(_missing_liquids(session, load, found))
    if faults:
        raise InputError(faults)
    made = [_append_gauging(session, one, load.destination) for one in found]
    if load.state in _THERE:
        return made
    on = max(one.on for one in found)
    total = sum((one.lpa + one.heel_lpa for one in found), Decimal(0))
    if load.state is LoadState.DEPARTED:
        made += record_step(session, LoadStep(load_id=load.load_id, state=LoadState.ARRIVED, on=on))
    step = LoadStep(load_id=load.load_id, state=LoadState.DISCHARGED, on=on, lpa=total)
    made += record_step(session, step)
    lots = [_received_lot(one, load) for one in found if one.as_lot is not None]
    return [*made, *(record_lots(session, lots) if lots else [])]


def _gauging_faults(load: LoadRecord, found: Gauging, site: str) -> Iterable[Fault]:
    liquids = {part.liquid_id for part in load.parts}
    if found.liquid_id not in liquids:
        mend = f"It carries {', '.join(sorted(liquids))}."
        words = f"is {found.liquid_id!r}, which {load.load_id} does not carry"
        yield Fault("", 0, "liquid", words, mend)
    if found.site_id != site:
        words = f"is {found.site_id!r}, but this end of {load.load_id} is {site}"
        yield Fault("", 0, "site", words, f"Give {site}.")


def _missing_liquids(
    session: Session, load: LoadRecord, found: Sequence[Gauging]
) -> Iterable[Fault]:
    given = [one.liquid_id for one in found]
    for name in sorted({name for name in given if given.count(name) > 1}):
        yield Fault("", 0, "liquid", f"{name} is gauged twice", "Give each liquid once.")
    before = gaugings_of(session, [load.load_id])
    if load.state not in _THERE:
        for part in load.parts:
            if part.liquid_id not in given:
                words = f"{part.liquid_id} of {load.load_id} is not gauged"
                yield Fault("", 0, "liquid", words, "Gauge every liquid of a load together.")
        return
    for one in found:
        stands = before.get((load.load_id, one.liquid_id, Side.RECEIPT))
        if (stands.gauging.as_lot if stands else None) != one.as_lot:
            words = f"is {one.as_lot or 'none'}, unlike the gauging that stands"
            yield Fault("", 0, "as_lot", words, "Correct the lot itself instead.")


def _append_gauging(session: Session, found: Gauging, site: str) -> Record:
    stands = gaugings_of(session, [found.load_id]).get((found.load_id, found.liquid_id, found.side))
    before = None if stands is None else stands.record
    return append(session, GAUGING, found, supersedes=before, zone=zone_of(session, site))


def _received_lot(found: Gauging, load: LoadRecord) -> Lot:
    assert found.as_lot is not None
    return Lot(
        lot_id=found.as_lot,
        liquid_id=found.liquid_id,
        origin=Origin.RECEIVED,
        made_on=found.on,
        site_id=found.site_id,
        measurement=Measurement(
            strength_by="stated",
            quantity_by="mass",
            mass_kg=found.mass_kg,
            strength_percent=found.strength_percent,
            litres_20c=found.litres_20c,
            lpa=found.lpa,
            rounding=found.rounding,
        ),
        note=f"received from load {load.load_id}",
    )


def report_movement(session: Session, report: Report) -> list[Record]:
    """Record the authority's confirmation of a movement; it releases the guarantee.

    A report of receipt of a load that was discharged reconciles it.

    Raises
    ------
    InputError
        If the load is unknown or has not left, or the same report stands already.
    """
    require(session, Power.RECORD, f"report on load {report.load_id}")
    load = find_load(session, report.load_id)
    faults = []
    if load.state not in _GONE | _THERE:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "Only a movement that began is reported."))
    elif report.kind is ReportKind.RECEIPT and load.state not in _THERE:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "Record its receipt first."))
    for stands in reports_of(session, [load.load_id]):
        if stands.report.kind is report.kind:
            words = f"{report.kind.value} was reported already (record {stands.record})"
            faults.append(Fault("", 0, "kind", words, "One report of a kind ends a movement."))
    if faults:
        raise InputError(faults)
    made = [append(session, REPORT, report, zone=zone_of(session, load.destination))]
    if report.kind is ReportKind.RECEIPT and load.state is LoadState.DISCHARGED:
        on = max(report.on, load.last.step.on)
        step = LoadStep(load_id=load.load_id, state=LoadState.RECONCILED, on=on)
        made += record_step(session, step)
    return made


def bottle(
    session: Session, bottlings: Sequence[Bottling], *, correct: bool = False
) -> list[Record]:
    """Record lots of bottles; all or none.

    Parameters
    ----------
    correct : the bottlings supersede those of the same names; what they took from lots must be
        as before.

    Raises
    ------
    InputError
        With every name taken, and every load, lot or stock that holds less than was taken.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"record {len(bottlings)} bottlings")
    standing = _standing_bottlings(session)
    faults = list(_name_faults(bottlings, standing, correct=correct))
    if not correct:
        faults += _source_faults(read_ledger(session), bottlings)
    if faults:
        raise InputError(faults)
    made: list[Record] = []
    for one in bottlings:
        into = drawn_name(one.bottling_id)
        draws = [
            Draw(lot_id=source.source_id, load_id=into, lpa=source.lpa, on=one.on)
            for source in one.sources
            if source.kind is SourceKind.LOT
        ]
        if draws and not correct:
            made += draw_into_load(session, draws)
        before = standing.get(one.bottling_id)
        zone = zone_of(session, one.site_id)
        made.append(append(session, BOTTLING, one, supersedes=before, zone=zone))
    return made


def drawn_name(bottling_id: str) -> str:
    """Return what a lot's draw into a bottling names."""
    return f"{BOTTLING_PREFIX}{bottling_id}"


def _standing_bottlings(session: Session) -> dict[str, int]:
    rows = session.execute(
        select(BOTTLING_TABLE.c.bottling_id, BOTTLING_TABLE.c.seq).where(
            is_current(BOTTLING_TABLE.c.seq)
        )
    )
    return {str(name): int(seq) for name, seq in rows}


def _name_faults(
    bottlings: Sequence[Bottling], standing: dict[str, int], *, correct: bool
) -> Iterable[Fault]:
    names = [one.bottling_id for one in bottlings]
    for name in sorted(set(names)):
        if names.count(name) > 1:
            yield Fault("", 0, "bottling", f"{name!r} is given twice", "Give each its own name.")
        elif (name in standing) != correct:
            found = f"{name!r} is in the register already"
            mend = "Give it another name, or correct the one that is there (--correct)."
            if correct:
                found, mend = f"{name!r} is not in the register", "Record it first."
            yield Fault("", 0, "bottling", found, mend)
    if correct:
        lots = [
            one.bottling_id
            for one in bottlings
            if any(source.kind is SourceKind.LOT for source in one.sources)
        ]
        mend = "Enter the difference of the lot as a correction."
        for name in lots:
            yield Fault("", 0, "bottling", f"{name!r} took from a lot, which stays drawn", mend)


def _source_faults(ledger: Ledger, bottlings: Sequence[Bottling]) -> Iterable[Fault]:
    """Find loads and stocks from which more is taken than lies there."""
    left = dict(ledger.load_left)
    stock = ledger.balances()
    for one in bottlings:
        for source in one.sources:
            what = f"{source.kind.value} {source.source_id} of {one.bottling_id}"
            if source.kind is SourceKind.LOAD:
                key = (source.source_id, source.liquid_id)
                there = left.get(key, Decimal(0))
                left[key] = there - source.lpa
            elif source.kind is SourceKind.STOCK:
                there = stock.get((one.site_id, source.liquid_id), Decimal(0))
            else:
                continue
            place = (one.site_id, source.liquid_id)
            stock[place] = stock.get(place, Decimal(0)) - source.lpa
            if source.lpa > there:
                found = f"has {there} LPA left at {one.site_id}, but {source.lpa} is taken"
                yield Fault("", 0, what, found, "Correct the amount, or name another source.")


def enter(session: Session, entry: Entry) -> Record:
    """Record LPA that came to or left a site's stock without a lot, a load or a bottling.

    Raises
    ------
    InputError
        If more leaves than lies there, or more heel returns than stayed in the tanks.
    RefusedError
        If the acting person may not record.
    """
    power = Power.DISPOSE if entry.kind is EntryKind.DESTROYED else Power.RECORD
    require(session, power, f"enter {entry.lpa} LPA at {entry.site_id}")
    balances = read_ledger(session).balances()
    place = HEELS if entry.kind is EntryKind.HEEL_RETURNED else entry.site_id
    takes = entry.lpa if place == HEELS else -entry.lpa
    there = balances.get((place, entry.liquid_id), Decimal(0))
    if takes > there:
        found = f"is {entry.lpa}, but {there} LPA of {entry.liquid_id} lies at {place}"
        raise InputError(Fault("", 0, "lpa", found, "Correct the amount, the site or the liquid."))
    return append(session, ENTRY, entry, zone=zone_of(session, entry.site_id))


def close_quarter(session: Session, closing: Closing, *, today: date) -> Record:
    """Close the quarter of a site; what is recorded later counts after it.

    Raises
    ------
    InputError
        If it is closed already, a later one is closed, or it has not ended.
    RefusedError
        If the acting person may not declare.
    """
    require(session, Power.DECLARE, f"close {closing.quarter} of {closing.site_id}")
    closed = read_ledger(session).closings.get(closing.site_id, ())
    faults = []
    if closed and closing.last_day <= closed[-1]:
        found = f"is {closing.quarter}, but {closing.site_id} is closed up to {closed[-1]}"
        faults.append(Fault("", 0, "quarter", found, "Correct it in a later quarter."))
    if closing.last_day >= today:
        found = f"is {closing.quarter}, which ends on {closing.last_day}"
        faults.append(Fault("", 0, "quarter", found, "Close it when it has ended."))
    if faults:
        raise InputError(faults)
    return append(session, CLOSING, closing, zone=zone_of(session, closing.site_id))
