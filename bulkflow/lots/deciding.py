"""Decisions on lots, and overriding gates.

Panels and laboratories call :func:`decide` with their evidence. A decision is never edited: a
new one supersedes the last.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Decision, Gate, Outcome, Override
from bulkflow.lots.declaring import StandingRule, standing_rule
from bulkflow.lots.evidence import Evidence, checked_evidence
from bulkflow.lots.gates import gate_columns
from bulkflow.lots.queries import LotLine, find_lot
from bulkflow.lots.tables import DECISION, LOT_TABLE, OVERRIDE
from bulkflow.lots.trusted import refuse_untrue
from bulkflow.lots.zones import append_about_lot
from bulkflow.reading.shape import body_of
from bulkflow.records.actors import Power, Role, nobody_appoints, roles_of
from bulkflow.records.chain import Record, acting, require
from bulkflow.records.errors import RefusedError

__all__ = ["decide", "override_gates"]

_POWERS = {
    "panel": Power.DECIDE_PANEL,
    "laboratory": Power.DECIDE_LABORATORY,
    "opening": Power.OPEN,
}


def decide(
    session: Session,
    *,
    lot_id: str,
    outcome: Outcome,
    reason: str,
    evidence: Evidence | dict[str, Any],
) -> Record:
    """Record a decision on a lot; it supersedes the last one.

    Parameters
    ----------
    outcome : release, hold or reject.
    reason : in a sentence.
    evidence : the document of :mod:`bulkflow.lots.evidence`; who decided, and the rule applied,
        are taken from it.

    Raises
    ------
    InputError
        If the lot is unknown, the evidence incomplete or about something else, the rule
        applied is not the one in force for the lot's liquid, or (of a release) none is.
    RefusedError
        If the acting person may not decide.
    """
    document = checked_evidence(evidence)
    decided_by: Literal["panel", "laboratory", "opening"] = document["decided_by"]
    require(session, _POWERS[decided_by], f"decide on {lot_id}")
    lot = find_lot(session, lot_id)
    if decided_by != "opening":
        refuse_untrue(session, [lot_id], what=f"the decision on {lot_id}")
    faults = _mismatches(document, lot_id, outcome)
    rule = None
    if decided_by != "opening":
        rule = standing_rule(session, lot.liquid_id)
        faults += _rule_faults(document, lot, outcome, rule)
    if faults:
        raise InputError(faults)
    under = rule if rule is not None and document.get("rule") else None
    body = body_of(
        Decision,
        {
            "lot_id": lot_id,
            "outcome": outcome,
            "decided_by": decided_by,
            "rule_record": None if under is None else under.record,
            "rule_id": None if under is None else under.rule.rule_id,
            "rule_version": None if under is None else under.rule.rule_version,
            "reason": reason,
            "evidence": document,
        },
    )
    return append_about_lot(session, DECISION, body, supersedes=lot.decision_record)


def override_gates(
    session: Session, lot_id: str, gates: Sequence[Gate], *, role: Role, reason: str
) -> Record:
    """Open closed gates of a lot against the evidence there is.

    Parameters
    ----------
    gates : laboratory, decision or both (a hold is lifted, not overridden).
    role : in which the acting person overrides; they must hold it.
    reason : why; kept and shown for ever.

    Raises
    ------
    InputError
        If a gate is open already, or is the hold gate.
    RefusedError
        If the acting person may not override, or does not hold the role.
    """
    person = acting(session).actor.name
    attempted = f"override the {' and '.join(gate.value for gate in gates)} gate of {lot_id}"
    require(session, Power.OVERRIDE, attempted)
    if not nobody_appoints(session) and role not in roles_of(session, person):
        raise RefusedError(person, attempted, Power.OVERRIDE.value, role.value)
    lot = find_lot(session, lot_id)
    if Gate.HOLD in gates:
        raise InputError(Fault("", 0, "gate", "is a manual hold", "Lift it, with its reason."))
    columns = gate_columns()
    row = (
        session.execute(
            select(
                columns["laboratory_open"].label(Gate.LABORATORY.value),
                columns["decision_open"].label(Gate.DECISION.value),
            ).where(LOT_TABLE.c.seq == lot.record)
        )
        .mappings()
        .one()
    )
    faults = [
        Fault("", 0, "gate", f"{gate.value} of {lot_id} is open", "There is nothing to override.")
        for gate in gates
        if row[gate.value]
    ]
    if faults:
        raise InputError(faults)
    chosen = [gate for gate in (Gate.LABORATORY, Gate.DECISION) if gate in gates]
    body = body_of(
        Override,
        {"lot_id": lot_id, "gates": chosen, "role": role.value, "name": person, "reason": reason},
    )
    return append_about_lot(session, OVERRIDE, body)


def _mismatches(document: dict[str, Any], lot_id: str, outcome: Outcome) -> list[Fault]:
    faults = []
    if document["lot_id"] != lot_id:
        found = f"is about {document['lot_id']}, not {lot_id}"
        faults.append(Fault("", 0, "evidence.lot_id", found, "Give the evidence of this lot."))
    if document["outcome"] != outcome.value:
        found = f"says {document['outcome']}, the decision {outcome.value}"
        faults.append(Fault("", 0, "evidence.outcome", found, "Make them agree."))
    return faults


def _rule_faults(
    document: dict[str, Any], lot: LotLine, outcome: Outcome, rule: StandingRule | None
) -> list[Fault]:
    applied = document.get("rule")
    if rule is None:
        if outcome is not Outcome.RELEASE and applied is None:
            return []
        found = f"no release rule is declared for {lot.liquid_id}"
        return [Fault("", 0, "evidence.rule", found, "Declare it before deciding under it.")]
    faults = []
    in_force = (rule.rule.rule_id, rule.rule.rule_version)
    if applied is None and outcome is Outcome.RELEASE:
        mend = f"Apply {in_force[0]} version {in_force[1]}, in force for {lot.liquid_id}."
        faults.append(Fault("", 0, "evidence.rule", "is missing", mend))
    if applied is not None and (applied["rule_id"], applied["rule_version"]) != in_force:
        found = f"is {applied['rule_id']} version {applied['rule_version']}"
        mend = f"In force for {lot.liquid_id} is {in_force[0]} version {in_force[1]}."
        faults.append(Fault("", 0, "evidence.rule", found, mend))
    if outcome is Outcome.RELEASE and document["decided_by"] != rule.rule.decided_by:
        found = f"is {document['decided_by']}"
        mend = f"{lot.liquid_id} is released by the {rule.rule.decided_by}."
        faults.append(Fault("", 0, "evidence.decided_by", found, mend))
    return faults
