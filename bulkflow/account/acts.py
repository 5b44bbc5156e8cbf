"""What people do to the account: bottle, enter, move, reverse, close a quarter.

Each function takes a writing session, asks whether the acting person may, checks against the
register as it stands, and appends.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.agreement import unsound
from bulkflow.account.bodies import (
    Bottling,
    Closing,
    Entry,
    EntryKind,
    Holding,
    Reversal,
    SourceKind,
    Transfer,
)
from bulkflow.account.fold import holding_key
from bulkflow.account.held_liquid import held_liquid
from bulkflow.account.ledger import (
    ON_THE_WAY,
    check_positions,
    held_on,
    one_act,
    read_ledger,
    sent_on,
)
from bulkflow.account.tables import (
    BOTTLING,
    BOTTLING_TABLE,
    CLOSING,
    ENTRY,
    REPORT,
    REVERSAL,
    TRANSFER,
)
from bulkflow.errors import Fault, InputError
from bulkflow.loads.acts import record_step
from bulkflow.loads.bodies import LoadState, LoadStep
from bulkflow.loads.queries import find_load
from bulkflow.loads.steps import CARRIES_LIQUID
from bulkflow.lots.bodies import (
    BOTTLING_DRAWS,
    ENTRY_DRAWS,
    TRANSFER_DRAWS,
    Draw,
)
from bulkflow.lots.declaring import zone_of
from bulkflow.lots.draws import draw_into_load
from bulkflow.lots.queries import find_lot
from bulkflow.lots.tables import DRAW, DRAW_TABLE
from bulkflow.lots.zones import append_about_lot
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, append, head, is_current, require
from bulkflow.records.schema import RECORD

__all__ = [
    "bottle",
    "close_quarter",
    "enter",
    "reverse",
    "take_back",
    "transfer",
]


def bottle(
    session: Session, bottlings: Sequence[Bottling], *, correct: bool = False
) -> list[Record]:
    """Record lots of bottles; all or none.

    Parameters
    ----------
    correct : the bottlings supersede those of the same names; what those took is given back.

    Raises
    ------
    InputError
        With every name taken, every lot that is not released, every load, lot or stock that
        holds less on the day, or on a later one, than is taken; and every lot that is held or
        rejected and of which the bottles hold, or may hold, some.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"record {len(bottlings)} bottlings")
    standing = _standing_bottlings(session)
    faults = [*_name_faults(bottlings, standing, correct=correct)]
    if faults:
        raise InputError(faults)
    made: list[Record] = []
    with one_act(session):
        for one in bottlings:
            into = f"{BOTTLING_DRAWS}{one.bottling_id}"
            before = standing.get(one.bottling_id)
            if before is not None:
                made += _reverse_draws(session, into, "the bottling is corrected")
            made += _draw(session, into, one.on, _of_lots(one))
            zone = zone_of(session, one.site_id)
            made.append(append(session, BOTTLING, one, supersedes=before, zone=zone))
        check_positions(session)
        _stop_held(session, [one.bottling_id for one in bottlings])
    return made


def _stop_held(session: Session, names: Sequence[str]) -> None:
    """Refuse bottles that hold, or may hold, some of a lot that is held or rejected."""
    mend = "Bottle from a tank it cannot have come to, or settle the lot first."
    faults = [
        Fault("", 0, f"bottling {name}", one.words, mend)
        for name in names
        for one in held_liquid(session, "bottling", name)
    ]
    if faults:
        raise InputError(faults)


def _of_lots(one: Bottling) -> dict[str, Decimal]:
    return {source.source_id: source.lpa for source in one.sources if source.kind is SourceKind.LOT}


def _draw(session: Session, into: str, on: date, lpa: Mapping[str, Decimal]) -> list[Record]:
    draws = [Draw(lot_id=lot, load_id=into, lpa=amount, on=on) for lot, amount in lpa.items()]
    return draw_into_load(session, draws) if draws else []


def _reverse_draws(session: Session, into: str, reason: str) -> list[Record]:
    rows = session.execute(
        select(DRAW_TABLE.c.seq, DRAW_TABLE.c.lot_id).where(
            DRAW_TABLE.c.load_id == into, is_current(DRAW_TABLE.c.seq)
        )
    ).all()
    return [
        append(
            session,
            REVERSAL,
            Reversal(record=seq, of_kind=DRAW.name, subject=lot, reason=reason),
            supersedes=seq,
        )
        for seq, lot in rows
    ]


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


def enter(session: Session, entry: Entry) -> Record:
    """Record LPA that came to or left a site without a lot, a load or a bottling of its own.

    An entry that names a lot changes what is left of that lot too; a gain brings LPA to it.

    Raises
    ------
    InputError
        If more leaves than lies there on the day or later, under the name given; or more heel
        returns than stayed in the load's tank; or a stock-take differs by more than measuring
        explains, and was not measured again.
    RefusedError
        If the acting person may not record, or not dispose of so much.
    """
    there = _beyond_measuring(session, entry)
    grave = entry.kind is EntryKind.DESTROYED or there is not None
    power = Power.DISPOSE if grave else Power.RECORD
    require(session, power, f"enter {entry.lpa} LPA at {entry.site_id}")
    once = entry.kind is EntryKind.STOCKTAKE and not entry.measured_again
    # More than there is at all is refused below, with where the rest lies.
    if there is not None and once and entry.lpa >= -there:
        found = f"is {entry.lpa:+,} LPA where {there:,} LPA should lie"
        mend = (
            f"A difference above {LARGE_SHARE:.0%} is seldom liquid: look for a movement that was"
            " not recorded. If it was measured again and stands, say so (--measured-again)."
        )
        raise InputError(Fault("", 0, "stocktake", found, mend))
    with one_act(session):
        if entry.lot_id is not None:
            # The draw comes first, so its number names it.
            into = f"{ENTRY_DRAWS}{head(session).seq + 1}"
            _draw_any(session, entry.lot_id, into, -entry.lpa, entry.on)
        return append(session, ENTRY, entry, zone=zone_of(session, entry.site_id))


#: Share of what lies there above which a difference is no clerk's to write off (common practice).
LARGE_SHARE = Decimal("0.01")


def _beyond_measuring(session: Session, entry: Entry) -> Decimal | None:
    """Return what should lie there, of a difference that measuring does not explain; else None."""
    if entry.kind not in {EntryKind.STOCKTAKE, EntryKind.CORRECTION}:
        return None
    kind, name = SourceKind.STOCK, entry.liquid_id
    if entry.lot_id or entry.load_id:
        kind = SourceKind.LOT if entry.lot_id else SourceKind.LOAD
        name = entry.lot_id or entry.load_id or ""
    key = holding_key(entry.site_id, entry.liquid_id, kind, name)
    there = held_on(session, [key], entry.on)[key]
    return there if abs(entry.lpa) > LARGE_SHARE * there else None


def _draw_any(session: Session, lot_id: str, into: str, lpa: Decimal, on: date) -> None:
    """Take LPA from a lot, or bring it, whatever its gates say: it is a fact, not an intent."""
    find_lot(session, lot_id)
    append_about_lot(session, DRAW, Draw(lot_id=lot_id, load_id=into, lpa=lpa, on=on))


def transfer(session: Session, found: Transfer) -> Record:
    """Record LPA that went from one holder to another, or was lost.

    Raises
    ------
    InputError
        If there is less at the source on the day or later.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"move {found.lpa} LPA of {found.source.name}")
    with one_act(session):
        into = f"{TRANSFER_DRAWS}{head(session).seq + 1}"
        for end, lpa in ((found.source, found.lpa), (found.target, -found.lpa)):
            if end is not None and end.kind is SourceKind.LOT:
                _draw_any(session, end.name, into, lpa, found.on)
        return append(session, TRANSFER, found, zone=zone_of(session, found.source.place))


def take_back(session: Session, load_id: str, on: date, reason: str) -> list[Record]:
    """Record that all of a load came back from its way: into its lots, else into stock.

    What was refused, broke down or was filled by mistake; the load is then withdrawn. Of several
    lots each gets its share of what is left on the way.

    Raises
    ------
    InputError
        If the load is unknown, or carries nothing.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"take back load {load_id}")
    load = find_load(session, load_id)
    if load.state not in CARRIES_LIQUID:
        mend = "Only what is in its tank, or on its way, is taken back."
        raise InputError(Fault("", 0, "load", f"{load_id} is {load.state.value}", mend))
    made: list[Record] = []
    for part in load.parts:
        way = Holding(place=ON_THE_WAY, kind=SourceKind.LOAD, name=load_id)
        left = sent_on(session, load_id, part.liquid_id)
        shares = {share.lot_id: share.lpa for share in part.shares}
        for lot, lpa in _shared(left, shares or {"": part.lpa}).items():
            kind, name = (SourceKind.LOT, lot) if lot else (SourceKind.STOCK, part.liquid_id)
            place = find_lot(session, lot).site_id if lot else load.origin
            target = Holding(place=place, kind=kind, name=name)
            body = Transfer(
                liquid_id=part.liquid_id, lpa=lpa, on=on, source=way, target=target, reason=reason
            )
            made.append(transfer(session, body))
    step = LoadStep(load_id=load_id, state=LoadState.WITHDRAWN, on=on, reason=reason)
    return made + record_step(session, step, emptied=True)


def _shared(total: Decimal, parts: Mapping[str, Decimal]) -> dict[str, Decimal]:
    """Share an amount out in proportion, to the last thousandth; shares of nothing left out."""
    whole, left, found = sum(parts.values(), Decimal(0)), total, dict[str, Decimal]()
    for place, (name, lpa) in enumerate(parts.items(), 1):
        share = (total * lpa / whole).quantize(Decimal("0.001"))
        found[name] = left if place == len(parts) else share
        left -= found[name]
    return {name: lpa for name, lpa in found.items() if lpa > 0}


def reverse(session: Session, record: int, reason: str) -> list[Record]:
    """Record that an act was recorded by mistake; what it took is given back.

    Parameters
    ----------
    record : of an entry, a transfer, a bottling or a report.

    Raises
    ------
    InputError
        If it is none of those or does not stand, or something was taken since of what it brought.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"reverse record {record}")
    row = (
        session.execute(select(RECORD).where(RECORD.c.seq == record, is_current(RECORD.c.seq)))
        .mappings()
        .first()
    )
    found = None if row is None else Record(**row)
    if found is None or found.kind not in _REVERSIBLE:
        said = f"{record} is no standing record of {', '.join(sorted(_REVERSIBLE))}"
        mend = "List the records (bulkflow records log FOLDER); a correction has a way of its own."
        raise InputError(Fault("", 0, "record", said, mend))
    for end in (found.content.get("source"), found.content.get("target")):
        if end is not None and end["place"] == ON_THE_WAY:
            load = find_load(session, end["name"])
            if load.state not in CARRIES_LIQUID:
                said = f"{record} is of {load.load_id} on its way; it is {load.state.value} since"
                mend = "What it brought, and what is missing, is told by its receipt: correct that."
                raise InputError(Fault("", 0, "record", said, mend))
    body = Reversal(record=record, of_kind=found.kind, subject=found.subject, reason=reason)
    with one_act(session):
        draws = _reverse_draws(session, _drawn_for(found), reason)
        return [*draws, append(session, REVERSAL, body, supersedes=record, zone=found.zone)]


def _drawn_for(found: Record) -> str:
    """Return the name of the draws that were recorded just before a record, for it."""
    content = found.content
    if found.kind == BOTTLING.name:
        return f"{BOTTLING_DRAWS}{content['bottling_id']}"
    if found.kind == ENTRY.name:
        return f"{ENTRY_DRAWS}{found.seq - 1}" if content.get("lot_id") else ""
    ends = (content.get("source"), content.get("target"))
    lots = sum(1 for end in ends if end is not None and end["kind"] == SourceKind.LOT)
    return f"{TRANSFER_DRAWS}{found.seq - lots}" if lots else ""


_REVERSIBLE = frozenset({ENTRY.name, TRANSFER.name, BOTTLING.name, REPORT.name})


def _listed(balances: Mapping[str, Decimal]) -> str:
    return ", ".join(f"{lpa} LPA of {name}" for name, lpa in sorted(balances.items())) or "nothing"


def close_quarter(session: Session, closing: Closing, *, today: date) -> Record:
    """Close the quarter of a site; what is recorded later counts after it.

    Raises
    ------
    InputError
        If it is closed already, a later one is closed, it has not ended, or the account does
        not add up: a balance given is not the ledger's, or the ledger's not the records'.
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
    else:
        faults += unsound(session, [closing.site_id], closing.last_day)
    meant = {one.liquid_id: one.lpa for one in closing.balances if one.lpa}
    ledger = read_ledger(session).balances(closing.last_day)
    stands = {liquid: lpa for (place, liquid), lpa in ledger.items() if place == closing.site_id}
    if not faults and meant != stands:
        found = f"are {_listed(meant)}, but the account has {_listed(stands)}"
        faults.append(Fault("", 0, "balances", found, "Make the return again; somebody recorded."))
    if faults:
        raise InputError(faults)
    return append(session, CLOSING, closing, zone=zone_of(session, closing.site_id))
