"""Why a lot may ship or not: its gates, open and closed, with the records behind each."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import Gate, Origin
from bulkflow.lots.gates import LotStatus, gate_columns, laboratory_checks
from bulkflow.lots.inheritance import Blocker, inherited, status_with_parents
from bulkflow.lots.queries import LotLine, find_lot
from bulkflow.lots.tables import (
    DECISION,
    DISPOSITION,
    DRAW,
    EXPECTATION,
    EXPECTATION_TABLE,
    HOLD,
    HOLD_TABLE,
    LIFT,
    LIMIT,
    LOT,
    LOT_TABLE,
    OVERRIDE,
    OVERRIDE_TABLE,
    RESULT,
    RULE,
    SAMPLE,
    SEED_IMPORT,
    SITE,
)
from bulkflow.records.actors import APPOINTMENT, REFUSAL
from bulkflow.records.chain import Record, is_current
from bulkflow.records.schema import RECORD

__all__ = [
    "Explanation",
    "GateState",
    "RecordNote",
    "explain_lot",
    "explain_lots",
    "note_of",
    "short_reasons",
]


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
    """One gate of a lot: open or closed, why, and the records, or other lots, it rests on."""

    gate: Gate
    is_open: bool
    overridden: bool
    reason: str
    records: tuple[RecordNote, ...]
    lots: tuple[str, ...] = ()


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
    return explain_lots(session, [find_lot(session, lot_id)])[0]


def explain_lots(session: Session, lots: Sequence[LotLine]) -> list[Explanation]:
    """Return why each lot may ship or not, read in sets, in the order given."""
    explained: list[Explanation] = []
    for start in range(0, len(lots), _AT_ONCE):
        part = lots[start : start + _AT_ONCE]
        facts = _Facts(session, part)
        explained.extend(facts.explain(lot) for lot in part)
    return explained


def short_reasons(session: Session, lots: Sequence[LotLine]) -> dict[str, str]:
    """Return, for each lot, its status in one line with the record it rests on."""
    plain = [
        lot
        for lot in lots
        if lot.status in _DECIDED and lot.decision_record is not None and not lot.overridden
    ]
    decisions = _notes(session, [lot.decision_record or 0 for lot in plain])
    reasons = {lot.lot_id: _rests_on(decisions[lot.decision_record or 0]) for lot in plain}
    others = [lot for lot in lots if lot.lot_id not in reasons]
    for explained in explain_lots(session, others):
        reasons[explained.lot.lot_id] = _from_gates(explained)
    return reasons


_AT_ONCE = 500
_NAMED_PARENTS = 5
_DECIDED = frozenset({LotStatus.RELEASED, LotStatus.REJECTED})


def _rests_on(note: RecordNote) -> str:
    return f"{note.words} (record {note.record})"


def _from_gates(explained: Explanation) -> str:
    # The hold first: where one stands, it is what people ask about.
    gates = sorted(explained.gates, key=lambda gate: gate.gate is not Gate.HOLD)
    closed = [gate.reason for gate in gates if not gate.is_open]
    if not closed:
        closed = [gate.reason for gate in gates if gate.overridden]
    words = "; ".join(closed) or "every gate is open"
    if explained.due_on is not None and explained.status is LotStatus.AWAITING:
        words += f"; decision due {explained.due_on}"
    return words


class _Facts:
    """What the register says of some lots, read with a fixed number of queries."""

    def __init__(self, session: Session, lots: Sequence[LotLine]) -> None:
        names, records = [lot.lot_id for lot in lots], [lot.record for lot in lots]
        here = LOT_TABLE.c.seq.in_(records)
        columns = gate_columns()
        self._rows = {
            row["lot_id"]: row
            for row in session.execute(
                select(
                    LOT_TABLE.c.lot_id, *(value.label(name) for name, value in columns.items())
                ).where(here)
            ).mappings()
        }
        self._checks: dict[str, list[Any]] = defaultdict(list)
        checks = (
            laboratory_checks().where(here).order_by("analyte", "limit_record", "result_record")
        )
        for check in session.execute(checks):
            self._checks[check.lot_id].append(check)
        self._holds = _by_lot(session, HOLD_TABLE, names, is_current(HOLD_TABLE.c.seq))
        self._promises = _by_lot(session, EXPECTATION_TABLE, names)
        self._overrides = _by_lot(session, OVERRIDE_TABLE, names)
        made = [lot.lot_id for lot in lots if lot.origin != Origin.OPENING.value]
        self._inherited = inherited(session, made)
        self._notes = _notes(session, self._seqs())

    def _seqs(self) -> Iterable[int]:
        for row in self._rows.values():
            yield row["decision_record"] or 0
        for checks in self._checks.values():
            yield from (check.result_record or 0 for check in checks)
        for found in (self._holds, self._promises, self._overrides):
            for seqs in found.values():
                yield from seqs

    def explain(self, lot: LotLine) -> Explanation:
        row = self._rows[lot.lot_id]
        return Explanation(
            lot=lot,
            status=status_with_parents(LotStatus(row["status"]), self._blockers(lot)),
            due_on=row["due_on"],
            gates=(
                self._laboratory(lot, row),
                self._decision(lot, row),
                self._hold(lot, row),
                *self._parents(lot),
            ),
            overrides=tuple(self._notes[seq] for seq in self._overrides[lot.lot_id]),
            remarks=self._remarks(lot),
        )

    def _laboratory(self, lot: LotLine, row: Any) -> GateState:
        checks = self._checks[lot.lot_id]
        missing = [check for check in checks if check.inside is None and check.required]
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
            reason = _said(missing, outside) or _all_inside(checks)
        seqs = sorted({check.result_record for check in checks} - {None})
        return GateState(
            Gate.LABORATORY, is_open, overridden, reason, tuple(self._notes[seq] for seq in seqs)
        )

    def _decision(self, lot: LotLine, row: Any) -> GateState:
        seq, override = row["decision_record"], row["decision_override"]
        is_open = bool(row["decision_open"])
        notes = [] if seq is None else [self._notes[seq]]
        said = _rests_on(notes[0]) if notes else "no decision was taken"
        overridden = bool(is_open and override is not None and override > (seq or 0))
        if row["due_on"] is not None and not is_open:
            notes.append(self._notes[self._promises[lot.lot_id][-1]])
        return GateState(
            Gate.DECISION,
            is_open,
            overridden,
            f"overridden (record {override}); {said}" if overridden else said,
            tuple(notes),
        )

    def _hold(self, lot: LotLine, row: Any) -> GateState:
        notes = tuple(self._notes[seq] for seq in self._holds[lot.lot_id])
        return GateState(
            Gate.HOLD,
            is_open=bool(row["hold_open"]),
            overridden=False,
            reason="; ".join(f"held: {_rests_on(note)}" for note in notes)
            or "no manual hold stands",
            records=notes,
        )

    def _blockers(self, lot: LotLine) -> tuple[Blocker, ...]:
        return self._inherited.get(lot.lot_id, ())

    def _parents(self, lot: LotLine) -> Iterable[GateState]:
        """Yield the gate that the lots behind a lot decide; nothing is behind an opening lot."""
        if lot.origin == Origin.OPENING.value:
            return
        blockers = sorted(self._blockers(lot), key=lambda one: not one.fails)
        words = "; ".join(
            f"made from {one.lot_id}, which is "
            + (one.status.value if one.fails else "not yet judged")
            for one in blockers[:_NAMED_PARENTS]
        )
        if len(blockers) > _NAMED_PARENTS:
            words += f"; and {len(blockers) - _NAMED_PARENTS} more"
        words = words or "every lot behind it is in order"
        yield GateState(
            Gate.PARENTS,
            is_open=not blockers,
            overridden=False,
            reason=words,
            records=(),
            lots=tuple(one.lot_id for one in blockers),
        )

    def _remarks(self, lot: LotLine) -> tuple[str, ...]:
        return ("nothing is left of it",) if lot.lpa_left <= 0 else ()


def _all_inside(checks: Sequence[Any]) -> str:
    count = sum(1 for check in checks if check.inside is not None)
    return f"{count} check{'' if count == 1 else 's'}, all inside the limits"


def _said(missing: Sequence[Any], outside: Sequence[Any]) -> str:
    parts = [
        f"{check.analyte} {_value(check)} is outside {_limit(check)} ({_resting(check)})"
        for check in outside
    ]
    names = sorted({check.analyte for check in missing})
    if names:
        parts.append(f"no result for {', '.join(names)}")
    return "; ".join(parts)


def _resting(check: Any) -> str:
    return "as measured" if check.result_record is None else f"record {check.result_record}"


def _value(check: Any) -> str:
    if check.result_record is None:
        return f"{plain_number(check.measured_percent)} {check.unit}"
    sign = "" if check.qualifier == "=" else check.qualifier
    return f"{sign}{plain_number(check.value)} {check.result_unit}"


def _limit(check: Any) -> str:
    market = f" for {check.market}" if check.market else ""
    return f"{_range(check.minimum, check.maximum)} {check.unit}{market}"


def _range(minimum: Decimal | str | None, maximum: Decimal | str | None) -> str:
    if maximum is not None and Decimal(maximum) == 0:
        return "not detectable"
    low = None if minimum is None else f"at least {plain_number(Decimal(minimum))}"
    high = None if maximum is None else f"at most {plain_number(Decimal(maximum))}"
    return " and ".join(part for part in (low, high) if part)


def plain_number(value: Decimal) -> str:
    """Return an amount without the zeros that only fill its places."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _by_lot(
    session: Session, table: Any, names: Sequence[str], *where: Any
) -> dict[str, list[int]]:
    """Return the records of a table about each lot, oldest first."""
    found: dict[str, list[int]] = defaultdict(list)
    query = (
        select(table.c.lot_id, table.c.seq)
        .distinct()
        .where(table.c.lot_id.in_(names), *where)
        .order_by(table.c.seq)
    )
    for lot_id, seq in session.execute(query):
        found[lot_id].append(seq)
    return found


def _notes(session: Session, seqs: Iterable[int]) -> dict[int, RecordNote]:
    wanted = sorted(set(seqs) - {0})
    notes: dict[int, RecordNote] = {}
    for start in range(0, len(wanted), 1000):
        part = wanted[start : start + 1000]
        for row in session.execute(select(RECORD).where(RECORD.c.seq.in_(part))).mappings():
            notes[row["seq"]] = note_of(Record(**row))
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


_FORMS = {
    LOT.name: "{origin}, {liquid_id} at {site_id}, {lpa} LPA",
    RESULT.name: "{analyte} {value} {unit}",
    LIMIT.name: "limit of {analyte}: {range} {unit}",
    RULE.name: "release by the {decided_by} under {rule_id} version {rule_version}",
    DECISION.name: "{outcome}, decided {decided_by}: {reason}",
    HOLD.name: "{reason}",
    LIFT.name: "hold of record {hold} lifted: {reason}",
    EXPECTATION.name: "{what} due {due_on}",
    OVERRIDE.name: "override of {gates} by {name}, {role}: {reason}",
    DISPOSITION.name: "{way}: {lpa} LPA, {reason}",
    DRAW.name: "{lpa} LPA into load {load_id}",
    SAMPLE.name: "sample {sample_id} taken {taken_on}",
    SITE.name: "zone {zone}, LPA rounded {rounding}",
    SEED_IMPORT.name: "took over {names}",
    APPOINTMENT.name: "{action} as {role}: {reason}",
    REFUSAL.name: "refused: {attempted}",
}


def _in_words(record: Record) -> str:
    form = _FORMS.get(record.kind)
    return _plainly(record) if form is None else form.format(**_for_words(record))


def _plainly(record: Record) -> str:
    """Return a record of another package's kind: what it is, its amount, its day, its reason."""
    body: dict[str, Any] = record.content
    said = [str(body[name]) for name in ("state", "side", "kind", "liquid_id") if body.get(name)]
    lpa = body.get("lpa") or body.get("lpa_bottled")
    if lpa is None and isinstance(body.get("parts"), list):
        lpa = sum((Decimal(part["lpa"]) for part in body["parts"] if "lpa" in part), Decimal(0))
    said += [f"{lpa} LPA"] if lpa else []
    said += [str(body[name]) for name in ("on", "quarter", "reason") if body.get(name)]
    return ": ".join([record.kind, ", ".join(said)] if said else [record.kind])


def _for_words(record: Record) -> dict[str, Any]:
    body: dict[str, Any] = record.content
    if record.kind == LOT.name:
        body["lpa"] = body["measurement"]["lpa"]
    elif record.kind == RESULT.name:
        sign = "" if body["qualifier"] == "=" else body["qualifier"]
        body["value"] = sign + plain_number(Decimal(body["value"]))
    elif record.kind == LIMIT.name:
        body["range"] = _range(*(body.get(name) for name in ("minimum", "maximum")))
    elif record.kind == DECISION.name:
        body["decided_by"] = _DECIDERS[body["decided_by"]]
    elif record.kind == OVERRIDE.name:
        body["gates"] = " and ".join(body["gates"])
    elif record.kind == SEED_IMPORT.name:
        body["names"] = ", ".join(file["name"] for file in body["files"])
    return body
