"""Why a lot may ship or not: its gates, open and closed, with the records behind each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import Gate
from bulkflow.lots.gates import LotStatus, gate_columns, laboratory_checks
from bulkflow.lots.queries import LotLine, find_lot, lots_named
from bulkflow.lots.tables import (
    DECISION,
    EXPECTATION,
    EXPECTATION_TABLE,
    HOLD,
    HOLD_TABLE,
    LOT_TABLE,
    OVERRIDE,
    OVERRIDE_TABLE,
    PARENT_TABLE,
)
from bulkflow.records.chain import Record, is_current
from bulkflow.records.schema import RECORD

__all__ = ["Explanation", "GateState", "RecordNote", "explain_lot", "short_reasons"]


@dataclass(frozen=True, slots=True)
class RecordNote:
    """A record behind a gate: its number, who, when (UTC text), the site's zone, in words."""

    record: int
    kind: str
    actor: str
    capacity: str
    at: str
    zone: str
    words: str


@dataclass(frozen=True, slots=True)
class GateState:
    """One gate of a lot: open or closed, why, and the records it rests on."""

    gate: Gate
    is_open: bool
    overridden: bool
    reason: str
    records: tuple[RecordNote, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a lot has its status.

    ``overrides`` lists every override ever given on the lot, whether or not it still counts;
    ``remarks`` what does not close a gate but should be known, such as a rejected parent.
    """

    lot: LotLine
    status: LotStatus
    due_on: date | None
    gates: tuple[GateState, ...]
    overrides: tuple[RecordNote, ...]
    remarks: tuple[str, ...]


def explain_lot(session: Session, lot_id: str) -> Explanation:
    """Return why a lot may ship or not.

    Raises
    ------
    InputError
        If the lot is not in the register.
    """
    lot = find_lot(session, lot_id)
    columns = gate_columns()
    row = (
        session.execute(
            select(*(value.label(name) for name, value in columns.items()))
            .select_from(LOT_TABLE)
            .where(LOT_TABLE.c.seq == lot.record)
        )
        .mappings()
        .one()
    )
    gates = (
        _laboratory(session, lot, row),
        _decision(session, lot, row),
        _hold(session, lot, row),
    )
    overrides = _notes(session, _seqs(session, OVERRIDE_TABLE, lot.lot_id))
    return Explanation(
        lot=lot,
        status=LotStatus(row["status"]),
        due_on=row["due_on"],
        gates=gates,
        overrides=tuple(overrides),
        remarks=_remarks(session, lot),
    )


def short_reasons(session: Session, lots: Sequence[LotLine]) -> dict[str, str]:
    """Return, for each lot, its status in one line with the record it rests on.

    Decisions are read in sets; only lots that are held or wait are explained one by one.
    """
    seqs = [
        lot.decision_record
        for lot in lots
        if lot.decision_record is not None and lot.status in _DECIDED
    ]
    decisions = {note.record: note for note in _notes(session, seqs)}
    reasons: dict[str, str] = {}
    for lot in lots:
        note = decisions.get(lot.decision_record or 0)
        if lot.status in _DECIDED and note is not None and not lot.overridden:
            reasons[lot.lot_id] = f"{note.words} (record {note.record})"
        else:
            reasons[lot.lot_id] = _from_gates(explain_lot(session, lot.lot_id))
    return reasons


_DECIDED = frozenset({LotStatus.RELEASED, LotStatus.REJECTED})


def _from_gates(explained: Explanation) -> str:
    closed = [gate.reason for gate in explained.gates if not gate.is_open]
    if not closed:
        closed = [gate.reason for gate in explained.gates if gate.overridden]
    words = "; ".join(closed) or "every gate is open"
    if explained.due_on is not None and explained.status is LotStatus.AWAITING:
        words += f"; decision due {explained.due_on}"
    return words


def _laboratory(session: Session, lot: LotLine, row: Any) -> GateState:
    checks = session.execute(
        laboratory_checks()
        .where(LOT_TABLE.c.seq == lot.record)
        .order_by("analyte", "limit_record", "result_record")
    ).all()
    missing = [check for check in checks if check.result_record is None and check.required]
    outside = [check for check in checks if check.inside is not None and not check.inside]
    is_open = bool(row["laboratory_open"])
    overridden = is_open and bool(row["laboratory_override"]) and bool(missing or outside)
    if overridden:
        reason = f"overridden (record {row['laboratory_override']}): {_said(missing, outside)}"
    elif not checks:
        reason = f"no limits are declared for {lot.liquid_id}: nothing to keep to"
    elif is_open and missing:
        reason = "released before the register began; " + _said(missing, outside)
    else:
        reason = _said(missing, outside) or f"{len(checks)} checks, all inside their limits"
    seqs = {check.result_record for check in checks} - {None}
    return GateState(
        Gate.LABORATORY, is_open, overridden, reason, tuple(_notes(session, sorted(seqs)))
    )


def _said(missing: Sequence[Any], outside: Sequence[Any]) -> str:
    parts = [
        f"{check.analyte} {_value(check)} is outside {_limit(check)} (record {check.result_record})"
        for check in outside
    ]
    names = sorted({check.analyte for check in missing})
    if names:
        parts.append(f"no result for {', '.join(names)}")
    return "; ".join(parts)


def _value(check: Any) -> str:
    sign = "" if check.qualifier == "=" else check.qualifier
    return f"{sign}{plain_number(check.value)} {check.result_unit}"


def _limit(check: Any) -> str:
    market = f" for {check.market}" if check.market else ""
    low = None if check.minimum is None else f"at least {plain_number(check.minimum)}"
    high = None if check.maximum is None else f"at most {plain_number(check.maximum)}"
    return f"{' and '.join(part for part in (low, high) if part)} {check.unit}{market}"


def plain_number(value: Decimal) -> str:
    """Return an amount without the zeros that only fill its places."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _decision(session: Session, lot: LotLine, row: Any) -> GateState:
    seq, override = row["decision_record"], row["decision_override"]
    is_open = bool(row["decision_open"])
    notes = _notes(session, [seq] if seq is not None else [])
    promised = _notes(session, _seqs(session, EXPECTATION_TABLE, lot.lot_id)[-1:])
    overridden = bool(is_open and override is not None and override > (seq or 0))
    if overridden:
        before = notes[0].words if notes else "no decision was taken"
        reason = f"overridden (record {override}); {before}"
    elif notes:
        reason = f"{notes[0].words} (record {seq})"
    else:
        reason = "no decision was taken"
    if row["due_on"] is not None and not is_open:
        notes = [*notes, *promised]
    return GateState(Gate.DECISION, is_open, overridden, reason, tuple(notes))


def _hold(session: Session, lot: LotLine, row: Any) -> GateState:
    standing = list(
        session.scalars(
            select(HOLD_TABLE.c.seq)
            .where(HOLD_TABLE.c.lot_id == lot.lot_id, is_current(HOLD_TABLE.c.seq))
            .order_by(HOLD_TABLE.c.seq)
        )
    )
    notes = _notes(session, standing)
    reason = (
        "; ".join(f"{note.words} (record {note.record})" for note in notes)
        or "no manual hold stands"
    )
    return GateState(
        Gate.HOLD,
        is_open=bool(row["hold_open"]),
        overridden=False,
        reason=reason,
        records=tuple(notes),
    )


def _remarks(session: Session, lot: LotLine) -> tuple[str, ...]:
    parents = session.scalars(
        select(PARENT_TABLE.c.parent_id)
        .where(PARENT_TABLE.c.seq == lot.record)
        .order_by(PARENT_TABLE.c.place)
    ).all()
    found = lots_named(session, parents)
    remarks = [
        f"made from {name}, which is {found[name].status.value}"
        for name in parents
        if found[name].status in (LotStatus.HELD, LotStatus.REJECTED)
    ]
    if lot.lpa_left <= 0:
        remarks.append("nothing is left of it")
    return tuple(remarks)


def _seqs(session: Session, table: Any, lot_id: str) -> list[int]:
    return list(
        session.scalars(
            select(table.c.seq).distinct().where(table.c.lot_id == lot_id).order_by(table.c.seq)
        )
    )


def _notes(session: Session, seqs: Iterable[int]) -> list[RecordNote]:
    wanted = sorted(set(seqs))
    notes: list[RecordNote] = []
    for start in range(0, len(wanted), 1000):
        part = wanted[start : start + 1000]
        rows = session.execute(
            select(RECORD).where(RECORD.c.seq.in_(part)).order_by(RECORD.c.seq)
        ).mappings()
        notes.extend(note_of(Record(**row)) for row in rows)
    return notes


def note_of(record: Record) -> RecordNote:
    """Return a record in words."""
    return RecordNote(
        record=record.seq,
        kind=record.kind,
        actor=record.actor,
        capacity=record.capacity,
        at=record.at,
        zone=record.zone,
        words=_in_words(record),
    )


_DECIDERS = {
    "panel": "by the panel",
    "laboratory": "by the laboratory",
    "opening": "before the register began",
}


def _in_words(record: Record) -> str:
    body = record.content
    forms = {
        DECISION.name: "{outcome}, decided {decided_by}: {reason}",
        HOLD.name: "hold: {reason}",
        EXPECTATION.name: "{what} due {due_on}",
        OVERRIDE.name: "override of {gates} by {name}, {role}: {reason}",
        "lift": "hold of record {hold} lifted: {reason}",
        "result": "{analyte} {value} {unit}",
        "lot": "{origin}, {liquid_id} at {site_id}",
        "disposition": "{way}: {lpa} LPA, {reason}",
        "sample": "sample {sample_id} taken {taken_on}",
    }
    form = forms.get(record.kind)
    if form is None:
        return record.kind
    if "gates" in body:
        body["gates"] = " and ".join(body["gates"])
    if record.kind == DECISION.name:
        body["decided_by"] = _DECIDERS[body["decided_by"]]
    if record.kind == "result":
        sign = "" if body["qualifier"] == "=" else body["qualifier"]
        body["value"] = sign + plain_number(Decimal(body["value"]))
    return form.format(**body)
