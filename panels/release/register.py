"""Release rules in the register: declared once, found by liquid and day, never changed."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import ReleaseRule as DeclaredBody
from bulkflow.lots.declaring import declare_rule as declare_in_register
from bulkflow.lots.tables import RULE
from bulkflow.records import Power, Record, records_about, records_in, require
from panels.release.characteristic import Characteristic, check_characteristic
from panels.release.rule import ReleaseRule
from panels.release.words import rule_in_words

__all__ = [
    "DeclaredRule",
    "declare_rule",
    "declared_rules",
    "liquids_with_rules",
    "rule_in_force",
    "rule_of_record",
]


@dataclass(frozen=True, slots=True)
class DeclaredRule:
    """A rule version as it stands in the register.

    Attributes
    ----------
    record : its record's number.
    rule : the rule.
    characteristic : its operating characteristic, computed when it was declared.
    rule_id : name under which decisions cite it.
    """

    record: int
    rule: ReleaseRule
    characteristic: Characteristic
    rule_id: str


def declare_rule(session: Session, rule: ReleaseRule, characteristic: Characteristic) -> Record:
    """Declare a rule version with its operating characteristic.

    Raises
    ------
    RefusedError : the acting person may not declare rules.
    InputError : the version is declared already or skips one, is dated before the version it
        follows.
    RangeError : the characteristic is of another rule, or does not come out again.
    """
    require(session, Power.DECLARE, f"declare the release rule {rule.name}")
    check_characteristic(rule, characteristic)
    earlier = declared_rules(session, rule.liquid)
    expected = earlier[-1].rule.version + 1 if earlier else 1
    if rule.version != expected:
        raise InputError(
            Fault(
                "",
                0,
                "version",
                f"of {rule.liquid} is {rule.version}",
                f"A declared rule is never changed: the next version is {expected}.",
            )
        )
    if earlier and rule.declared < earlier[-1].rule.declared:
        raise InputError(
            Fault(
                "",
                0,
                "declared",
                f"of {rule.name} is {rule.declared}",
                f"It may not lie before the version it follows ({earlier[-1].rule.declared}).",
            )
        )
    document: dict[str, Any] = {
        "rule": rule.model_dump(mode="json", exclude_none=True),
        "fingerprint": rule.fingerprint,
        "characteristic": characteristic.model_dump(mode="json", exclude_none=True),
    }
    body = DeclaredBody(
        liquid_id=rule.liquid,
        rule_id=_rule_id(rule),
        rule_version=rule.version,
        decided_by="panel",
        words=rule_in_words(rule),
        document=document,
    )
    return declare_in_register(session, body)


def declared_rules(session: Session, liquid: str) -> list[DeclaredRule]:
    """Return every version declared for a liquid, oldest first."""
    bodies = [
        (record.seq, RULE.read(record.version, record.body))
        for record in records_about(session, liquid, kinds=(RULE.name,))
    ]
    return [_declared(seq, body) for seq, body in bodies if body.decided_by == "panel"]


def rule_in_force(session: Session, liquid: str, on: datetime.date) -> DeclaredRule | None:
    """Return the latest version declared for a liquid by a day; None where there is none."""
    standing = [found for found in declared_rules(session, liquid) if found.rule.declared <= on]
    return standing[-1] if standing else None


def rule_of_record(session: Session, liquid: str, record: int) -> DeclaredRule:
    """Return the rule version of a record.

    Raises
    ------
    InputError : there is no such rule.
    """
    for found in declared_rules(session, liquid):
        if found.record == record:
            return found
    raise InputError(
        Fault(
            "",
            0,
            "rule",
            f"record {record} is no release rule of {liquid}",
            "List the rules of the liquid.",
        )
    )


def liquids_with_rules(session: Session) -> list[str]:
    """Return the liquids that have a rule, sorted."""
    return sorted({record.subject for record in records_in(session, kinds=(RULE.name,))})


def _rule_id(rule: ReleaseRule) -> str:
    return f"{rule.liquid} panel"


def _declared(record: int, body: DeclaredBody) -> DeclaredRule:
    return DeclaredRule(
        record=record,
        rule=ReleaseRule.model_validate(body.document["rule"]),
        characteristic=Characteristic.model_validate(body.document["characteristic"]),
        rule_id=body.rule_id,
    )
