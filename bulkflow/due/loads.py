"""Loads to promise, fill, issue and send; arrivals; reports that release a guarantee."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import timedelta
from decimal import Decimal

from sqlalchemy.orm import Session

from bulkflow.account.guarantees import uses_of
from bulkflow.account.movements import Movement, Overdue, movements, overdue
from bulkflow.due.asking import Asking, day_words
from bulkflow.errors import InputError
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.gates import LoadGate, LoadGateKind, load_gates
from bulkflow.loads.queries import LoadRecord
from bulkflow.plan.week import DAYS_AHEAD, Due, DueKind
from bulkflow.wording import counted, listed

__all__ = ["PROMISE_DAYS", "load_lines", "movement_lines"]

PROMISE_DAYS = 14
"""A receiver is told of a load this long before it is filled (common practice)."""

_S = LoadState
_OF_LOTS = {LoadGateKind.LABORATORY, LoadGateKind.DECISION, LoadGateKind.HOLD}


def load_lines(
    session: Session,
    asking: Asking,
    loads: Sequence[LoadRecord],
    steps: Mapping[str, Sequence[str]],
) -> Iterator[Due]:
    """Yield what is next for each load that is to be filled or to leave soon.

    Parameters
    ----------
    steps : by lot, the commands that settle its closed gates.
    """
    promise_until = asking.on + timedelta(days=PROMISE_DAYS)
    for load in loads:
        if load.state is _S.LOADED:
            if load.leaving_day <= asking.until:
                yield _to_sail(session, asking, load)
        elif load.state in {_S.PLANNED, _S.PROMISED, _S.HELD, _S.ISSUED}:
            last = promise_until if load.state is _S.PLANNED else asking.until
            if load.loading_day <= last:
                yield _to_fill(session, asking, load, steps)


def _to_fill(
    session: Session, asking: Asking, load: LoadRecord, steps: Mapping[str, Sequence[str]]
) -> Due:
    gates = load_gates(session, load, asking.scenario, on=max(asking.on, load.loading_day))
    closed = [gate for gate in gates if not gate.is_open]
    ready = [gate for gate in closed if gate.kind is not LoadGateKind.TANK]
    if load.state is _S.PLANNED and not ready:
        words, command = "promise", _step(asking, load, _S.PROMISED, asking.on)
    elif closed:
        words, command = _settle(asking, load, closed, steps)
    elif load.state is _S.ISSUED:
        words = "fill, seal and gauge"
        command = _step(asking, load, _S.LOADED, load.loading_day, "--seal", "SEAL")
    else:
        words, command = "issue", _step(asking, load, _S.ISSUED, asking.on)
    return asking.line(
        DueKind.LOAD,
        f"{_name(load)}, to be filled: {words}{_gate_words(_untold(closed, words))}",
        load.load_id,
        command,
        by=load.loading_day,
        lpa=float(load.lpa),
    )


def _settle(
    asking: Asking,
    load: LoadRecord,
    closed: Sequence[LoadGate],
    steps: Mapping[str, Sequence[str]],
) -> tuple[str, str]:
    """Return what settles the first closed gate, in words and as a command."""
    gate = min(closed, key=lambda one: one.kind is LoadGateKind.TANK)
    if gate.kind is LoadGateKind.TANK:
        rest = (load.load_id, "TANK", "--on", str(asking.on), "--cargo", "CARGO")
        return "examine its tank", asking.bulkflow("loads tank", *rest)
    if gate.kind in _OF_LOTS and steps.get(gate.subject):
        return f"settle {gate.subject}", steps[gate.subject][0]
    to_come = [share.lot_id for share in load.shares if share.to_come]
    if gate.kind is LoadGateKind.CONTENTS and to_come:
        place = ("--liquid", gate.subject, "--site", load.origin)
        measured = ("--volume", "LITRES", "--strength", "STRENGTH")
        words = f"record as a lot what it counts on ({listed(to_come, 2)})"
        return words, asking.bulkflow("lots add", "LOT", *place, *measured)
    if asking.where.out and load.state is not _S.ISSUED:
        return "fill it from other lots", asking.bulkflow("loads allocate", asking.where.out)
    return "see what it lacks", asking.bulkflow("loads show", load.load_id)


def _to_sail(session: Session, asking: Asking, load: LoadRecord) -> Due:
    closed = [
        gate
        for gate in load_gates(session, load, asking.scenario, on=asking.on)
        if not gate.is_open
    ]
    lacks = {gate.kind for gate in closed}
    rest = ["--movement", "REFERENCE"] if LoadGateKind.DOCUMENT in lacks else []
    rest += ["--seal", "SEAL"] if LoadGateKind.SEALS in lacks else []
    return asking.line(
        DueKind.LOAD,
        f"{_name(load)}, to leave: send it{_gate_words(closed)}",
        load.load_id,
        _step(asking, load, _S.DEPARTED, load.leaving_day, *rest),
        by=load.leaving_day,
        lpa=float(load.lpa),
    )


def _untold(closed: Iterable[LoadGate], words: str) -> Iterator[LoadGate]:
    """Yield the closed gates that what is to be done does not tell of already."""
    for gate in closed:
        told = gate.kind is LoadGateKind.CONTENTS and "counts on" in words
        if not told and not (gate.kind is LoadGateKind.TANK and "tank" in words):
            yield gate


def _gate_words(closed: Iterable[LoadGate]) -> str:
    subjects: dict[str, list[str]] = defaultdict(list)
    for gate in closed:
        if gate.subject not in subjects[gate.kind.value]:
            subjects[gate.kind.value].append(gate.subject)
    named = [
        f"{kind} of {', '.join(names)}" if kind not in _PLAIN else kind
        for kind, names in subjects.items()
    ]
    return f"; closed: {'; '.join(named)}" if named else ""


_PLAIN = {kind.value for kind in (LoadGateKind.TANK, LoadGateKind.DOCUMENT, LoadGateKind.SEALS)}


def movement_lines(session: Session, asking: Asking, loads: Sequence[LoadRecord]) -> Iterator[Due]:
    """Yield arrivals and receipts of the week, and the reports that are due or missing."""
    found = movements(session, asking.scenario)
    at_risk = _at_risk(asking, found)
    by_name = {one.load.load_id: one.load for one in found}
    # What is late by the end of the week is due in it.
    due = overdue(found, asking.scenario, asking.on + timedelta(days=DAYS_AHEAD + 1))
    receipts = {one.load_id for one in due if one.what == "receipt"}
    for one in due:
        if one.what == "receipt":
            yield _receipt_line(asking, one, by_name[one.load_id])
    for kind, what in (("exit", "report of exit"), ("receipt", "report of receipt")):
        for late in (True, False):
            missing = [one for one in due if one.what == what and (one.since < asking.on) is late]
            if missing:
                yield _reports_line(asking, kind, missing, at_risk)
    for load in loads:
        arriving = load.state is _S.DEPARTED and load.arrival_day <= asking.until
        if arriving and load.load_id not in receipts:
            yield asking.line(
                DueKind.ARRIVAL,
                f"{_name(load)}, arrives; discharge is planned for {day_words(load.discharge_day)}",
                load.load_id,
                _step(asking, load, _S.ARRIVED, max(load.arrival_day, asking.on)),
                by=load.arrival_day,
                lpa=float(load.lpa),
            )


def _receipt_line(asking: Asking, one: Overdue, load: LoadRecord) -> Due:
    measured = ("--gross", "KG", "--tare", "KG", "--density", "DENSITY", "--temperature", "DEGC")
    return asking.line(
        DueKind.ARRIVAL,
        f"{_name(load)}, to be received: gauge it, and nose it beside the kept sample",
        load.load_id,
        asking.bulkflow("account receive", load.load_id, "--on", str(asking.on), *measured),
        by=one.since,
        lpa=float(load.lpa),
    )


def _reports_line(
    asking: Asking, kind: str, missing: Sequence[Overdue], at_risk: Mapping[str, float]
) -> Due:
    """Return one line for all reports of a kind: they are asked for together, longest late first.

    What is at risk is the duty that they would release.
    """
    first = min(missing, key=lambda one: (one.since, one.load_id))
    names = [one.load_id for one in sorted(missing, key=lambda one: (one.since, one.load_id))]
    rest = ("--kind", kind, "--on", str(asking.on), "--reference", "REFERENCE")
    what = f"Ask for the {first.what} of {first.load_id} to {first.destination}"
    if len(names) > 1:
        what += f" and {counted(len(names) - 1, 'load')} more"
    return asking.line(
        DueKind.REPORT,
        f"{what}: until it comes the duty stays at risk",
        first.load_id,
        asking.bulkflow("account report", *names, *rest),
        by=first.since,
        money=sum(at_risk.get(name, 0.0) for name in names) or None,
    )


def _at_risk(asking: Asking, found: Sequence[Movement]) -> dict[str, float]:
    """Return the duty that each load holds in guarantees of the workspace's own currency."""
    own = {
        one.id
        for one in asking.scenario.guarantees
        if (one.currency or asking.scenario.currency) == asking.scenario.currency
    }
    held: dict[str, Decimal] = defaultdict(Decimal)
    try:
        for use in uses_of(found, asking.scenario):
            if use.guarantee in own and use.on(asking.on):
                held[use.load_id] += use.amount
    except InputError:  # a rate is missing, as every command on guarantees says
        return {}
    return {load: float(amount) for load, amount in held.items()}


def _name(load: LoadRecord) -> str:
    return f"{load.load_id} to {load.destination}"


def _step(asking: Asking, load: LoadRecord, state: LoadState, on: object, *rest: str) -> str:
    return asking.bulkflow("loads step", load.load_id, state.value, "--on", str(on), *rest)
