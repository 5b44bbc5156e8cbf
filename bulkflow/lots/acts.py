"""What people do to lots: record, correct, measure, hold, lift, dispose.

Each function takes a writing session (:meth:`bulkflow.records.Store.write`), asks whether the
acting person may, checks against the register as it stands, and appends. Deciding and
overriding are in :mod:`bulkflow.lots.deciding`, samples in :mod:`bulkflow.lots.samples`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import (
    Disposition,
    Expectation,
    Hold,
    Lift,
    Lot,
    Result,
)
from bulkflow.lots.comparing import with_comparable
from bulkflow.lots.drawing import Drawing
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.parentage import descendants_of
from bulkflow.lots.queries import LotLine, find_lot, lots_named
from bulkflow.lots.tables import (
    DISPOSITION,
    EXPECTATION,
    HOLD,
    HOLD_TABLE,
    LIFT,
    LOT,
    RESULT,
    RESULT_TABLE,
)
from bulkflow.lots.zones import append_about_lot, append_about_lots
from bulkflow.reading.shape import body_of
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, is_current, require
from bulkflow.records.schema import RECORD

__all__ = [
    "correct_lot",
    "correct_result",
    "dispose",
    "expect_decision",
    "lift_hold",
    "place_holds",
    "record_lots",
    "record_results",
    "standing_holds",
]


def record_lots(session: Session, lots: Sequence[Lot]) -> list[Record]:
    """Record new lots, parents before children; all or none.

    A parent gives up the LPA drawn. A rejected parent gives only what was disposed of by
    redistilling or blending away, and the link names that record.

    Raises
    ------
    InputError
        With every fault: a name already taken, a parent unknown, more drawn than is left.
    RefusedError
        If the acting person may not record lots.
    """
    require(session, Power.RECORD, f"record {_some([lot.lot_id for lot in lots])}")
    drawing = Drawing(
        session,
        lots_named(session, [name for lot in lots for name in (lot.lot_id, *_parents(lot))]),
    )
    linked: list[Lot] = []
    taken: list[Fault] = []
    for lot in lots:
        if lot.lot_id in drawing:
            found = f"{lot.lot_id!r} is in the register already"
            mend = "Give it another name, or correct the lot that is there."
            taken.append(Fault("", 0, "lot_id", found, mend))
            continue
        linked.append(drawing.draw(lot))
        drawing.add(lot)
    if faults := [*taken, *drawing.faults]:
        raise InputError(faults)
    return append_about_lots(session, LOT, [(lot, None) for lot in linked])


def correct_lot(session: Session, lot: Lot, *, receipt: bool = False) -> Record:
    """Record a corrected description of a lot; it supersedes the one that stands.

    Parameters
    ----------
    receipt : the receipt of the load that it came from is corrected, and its amount with it.

    Raises
    ------
    InputError
        If the lot is unknown, would hold less than was taken from it, would descend from
        itself, or has another amount, day or site than the receipt of the load it came from.
    """
    require(session, Power.RECORD, f"correct {lot.lot_id}")
    before = find_lot(session, lot.lot_id)
    faults: list[Fault] = []
    row = session.execute(select(RECORD).where(RECORD.c.seq == before.record)).mappings().one()
    stands = LOT.read(row["version"], row["body"])
    lot = lot.model_copy(update={"from_load": stands.from_load})
    if stands.from_load is not None and not receipt:
        faults += _unlike_receipt(stands, lot)
    taken = before.lpa - before.lpa_left
    if lot.measurement.lpa < taken:
        found = f"is {lot.measurement.lpa}, but {taken} was taken from {lot.lot_id} already"
        faults.append(Fault("", 0, "lpa", found, f"Give at least {taken}."))
    children = {relation.lot_id for relation in descendants_of(session, lot.lot_id)}
    faults.extend(
        Fault("", 0, "parents", f"{name} was made from {lot.lot_id}", "Name another parent.")
        for name in _parents(lot)
        if name in children
    )
    drawing = Drawing(session, lots_named(session, _parents(lot)))
    linked = drawing.draw(lot, before=before.record)
    if faults := [*faults, *drawing.faults]:
        raise InputError(faults)
    return append_about_lot(session, LOT, linked, supersedes=before.record)


def _unlike_receipt(stands: Lot, lot: Lot) -> Iterable[Fault]:
    found = {
        "lpa": (stands.measurement.lpa, lot.measurement.lpa),
        "made_on": (stands.made_on, lot.made_on),
        "site_id": (stands.site_id, lot.site_id),
    }
    for name, (old, new) in found.items():
        if old != new:
            words = f"is {new}, but load {stands.from_load} brought {old}"
            mend = "Correct the receipt of the load (bulkflow account receive)."
            yield Fault("", 0, name, words, mend)


def record_results(session: Session, results: Sequence[Result]) -> list[Record]:
    """Record laboratory results; all or none.

    Raises
    ------
    InputError
        With every lot that is not in the register.
    RefusedError
        If the acting person may not record results.
    """
    require(session, Power.MEASURE, f"record results of {_some([r.lot_id for r in results])}")
    known = _check_known(session, [result.lot_id for result in results])
    compared = [with_comparable(result, known[result.lot_id]) for result in results]
    return append_about_lots(session, RESULT, [(result, None) for result in compared])


def correct_result(session: Session, record: int, result: Result) -> Record:
    """Record a result that supersedes an earlier one; its note must give the reason.

    Raises
    ------
    InputError
        If `record` is not a standing result of the same lot and analyte, or no reason is given.
    """
    require(session, Power.MEASURE, f"correct a result of {result.lot_id}")
    row = session.execute(
        select(RESULT_TABLE.c.lot_id, RESULT_TABLE.c.analyte).where(
            RESULT_TABLE.c.seq == record, is_current(RESULT_TABLE.c.seq)
        )
    ).first()
    if row is None or (row.lot_id, row.analyte) != (result.lot_id, result.analyte):
        found = f"{record} is not a standing result for {result.analyte} of {result.lot_id}"
        raise InputError(Fault("", 0, "record", found, "Show the lot to see its results."))
    if not result.note:
        mend = "Say why the earlier value does not stand."
        raise InputError(Fault("", 0, "note", "is missing", mend))
    result = with_comparable(result, find_lot(session, result.lot_id))
    return append_about_lot(session, RESULT, result, supersedes=record)


def expect_decision(session: Session, lot_id: str, due_on: date, what: str) -> Record:
    """Record the date by which a decision on a lot is expected; the last one said counts."""
    require(session, Power.RECORD, f"promise a decision on {lot_id}")
    find_lot(session, lot_id)
    body = body_of(Expectation, {"lot_id": lot_id, "due_on": due_on, "what": what})
    return append_about_lot(session, EXPECTATION, body)


def place_holds(session: Session, lot_ids: Sequence[str], reason: str) -> list[Record]:
    """Place a hold on each lot named; all or none."""
    require(session, Power.HOLD, f"hold {_some(lot_ids)}")
    _check_known(session, lot_ids)
    holds = [body_of(Hold, {"lot_id": lot_id, "reason": reason}) for lot_id in lot_ids]
    return append_about_lots(session, HOLD, [(hold, None) for hold in holds])


def standing_holds(session: Session, lot_id: str) -> list[int]:
    """Return the records of the holds that stand on a lot."""
    return list(
        session.scalars(
            select(HOLD_TABLE.c.seq)
            .where(HOLD_TABLE.c.lot_id == lot_id, is_current(HOLD_TABLE.c.seq))
            .order_by(HOLD_TABLE.c.seq)
        )
    )


def lift_hold(session: Session, lot_id: str, reason: str, *, hold: int | None = None) -> Record:
    """Lift a hold.

    Parameters
    ----------
    hold : its record; may be left out where only one stands.

    Raises
    ------
    InputError
        If no such hold stands, or several do and none is named.
    RefusedError
        If the acting person may not lift.
    """
    require(session, Power.LIFT, f"lift the hold on {lot_id}")
    find_lot(session, lot_id)
    standing = standing_holds(session, lot_id)
    if hold is None and len(standing) == 1:
        hold = standing[0]
    if hold is None or hold not in standing:
        listed = ", ".join(map(str, standing))
        if not standing:
            found, mend = f"{lot_id} has no standing hold", "There is nothing to lift."
        elif hold is None:
            found, mend = f"{lot_id} has {len(standing)} holds", f"Name one of {listed}."
        else:
            found, mend = f"{hold} is not a standing hold on {lot_id}", f"Name one of {listed}."
        raise InputError(Fault("", 0, "hold", found, mend))
    body = body_of(Lift, {"lot_id": lot_id, "hold": hold, "reason": reason})
    return append_about_lot(session, LIFT, body, supersedes=hold)


def dispose(session: Session, disposition: Disposition) -> Record:
    """Record what becomes of LPA of a rejected lot; it leaves the lot's account.

    Raises
    ------
    InputError
        If the lot is not rejected, or less is left than is disposed of.
    RefusedError
        If the acting person may not dispose.
    """
    lot_id = disposition.lot_id
    require(session, Power.DISPOSE, f"{disposition.way.value} {lot_id}")
    lot = find_lot(session, lot_id)
    if lot.status is not LotStatus.REJECTED:
        found = f"{lot_id} is {lot.status.value}, not rejected"
        raise InputError(Fault("", 0, "lot_id", found, "Only a rejected lot is disposed of."))
    if disposition.lpa > lot.lpa_left:
        found = f"is {disposition.lpa}, but {lot.lpa_left} is left of {lot_id}"
        raise InputError(Fault("", 0, "lpa", found, f"Give at most {lot.lpa_left}."))
    return append_about_lot(session, DISPOSITION, disposition)


def _parents(lot: Lot) -> list[str]:
    return [parent.lot_id for parent in lot.parents]


def _check_known(session: Session, lot_ids: Iterable[str]) -> dict[str, LotLine]:
    wanted = sorted(set(lot_ids))
    known = lots_named(session, wanted)
    missing = [lot_id for lot_id in wanted if lot_id not in known]
    if missing:
        mend = "Record the lot first, or correct its name."
        raise InputError(
            Fault("", 0, "lot", f"{lot_id!r} is not in the register", mend) for lot_id in missing
        )
    return known


def _some(lot_ids: Sequence[str]) -> str:
    names = list(dict.fromkeys(lot_ids))
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"
