"""What the uses keep in the register: the declaration before, and the finding after.

A declaration recorded before the first glass is the proof that the rule was not made to fit. A
finding carries the declaration, the digests of the tables judged, and the whole result, so that it
can be read years later without any file.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Text
from bulkflow.records import (
    Body,
    Component,
    Kind,
    Power,
    Record,
    append,
    records_in,
    require,
)
from bulkflow.records.canonical import canonical_text
from panels.uses.declaration import (
    ArrivalRule,
    Declaration,
    OffNoteUseRule,
    PanelRule,
    SiteRule,
    SourceRule,
)
from panels.uses.documents import plain

__all__ = [
    "DECLARATION",
    "FINDING",
    "USES",
    "UseDeclaration",
    "UseFinding",
    "declare",
    "digest_of",
    "finding_of",
    "findings",
    "is_declared",
    "record_finding",
    "subject_of",
]

Use = Literal["source", "site", "arrival", "off-note", "panel"]


class UseDeclaration(Body):
    """A declaration, kept before the first glass; ``digest`` is SHA-256 of its canonical form."""

    use: Use
    subject: Text
    declared: datetime.date
    declared_by: Text
    digest: str
    declaration: dict[str, Any]


class UseFinding(Body):
    """What a use showed.

    Parameters
    ----------
    conclusion, passed, words : the answer, whether the gate opens, and the sentence.
    first_day : of the answers judged.
    declaration, digest : the rule as it was read.
    declaration_record : where it was recorded; left out where it was not.
    recorded_in_time : whether that was before the first day; left out where it was not recorded.
    tables : SHA-256 of every table judged, by what it holds.
    result : everything behind the answer.
    """

    use: Use
    subject: Text
    conclusion: Text
    passed: bool
    words: Text
    first_day: datetime.date
    digest: str
    declaration: dict[str, Any]
    declaration_record: Annotated[int, Field(ge=1)] | None = None
    recorded_in_time: bool | None = None
    tables: dict[str, str]
    result: dict[str, Any]


DECLARATION = Kind("panel use declaration", UseDeclaration, lambda body: body.subject)
FINDING = Kind("panel use finding", UseFinding, lambda body: body.subject)

USES = Component("panel uses", steps=(), kinds=(DECLARATION, FINDING))
"""What the uses bring to the record database; no index tables of their own."""


def subject_of(rule: Declaration) -> str:
    """Return what a declaration is about, as the register names it."""
    if isinstance(rule, OffNoteUseRule):
        return f"{rule.lot}: {rule.note}"
    if isinstance(rule, PanelRule):
        return f"{rule.name} {rule.version}"
    if isinstance(rule, (SourceRule, SiteRule, ArrivalRule)):
        return rule.subject
    raise TypeError(f"{type(rule).__name__} is no declaration of a use")


def digest_of(rule: Declaration) -> str:
    """Return SHA-256 of a declaration's canonical form: any change of a field changes it."""
    return hashlib.sha256(canonical_text(_fields(rule)).encode()).hexdigest()


def declare(session: Session, rule: Declaration) -> Record:
    """Record a declaration.

    Raises
    ------
    InputError
        If the very same is recorded already.
    RefusedError
        If the acting person may not declare.
    """
    require(session, Power.DECLARE, f"declare the rule for {subject_of(rule)}")
    digest = digest_of(rule)
    known = _declaration_record(session, digest)
    if known is not None:
        found = f"is in record {known.seq} already"
        raise InputError(Fault("", 0, "declaration", found, "Nothing is left to do."))
    fields = _fields(rule)
    body = UseDeclaration(
        use=fields["use"],
        subject=subject_of(rule),
        declared=rule.declared,
        declared_by=rule.declared_by,
        digest=digest,
        declaration=fields,
    )
    return append(session, DECLARATION, body)


def is_declared(session: Session, rule: Declaration) -> bool:
    """Whether the very same declaration is recorded."""
    return _declaration_record(session, digest_of(rule)) is not None


def finding_of(
    rule: Declaration,
    *,
    conclusion: str,
    passed: bool,
    words: str,
    first_day: datetime.date,
    result: object,
    tables: Mapping[str, Path],
) -> UseFinding:
    """Return the record of a finding; what is no finite number in the result is left out.

    Parameters
    ----------
    rule : the declaration judged by.
    conclusion, passed, words, first_day : as in :class:`UseFinding`.
    result : dataclass or plain data.
    tables : files judged, by what they hold; their digests are kept.
    """
    fields = _fields(rule)
    return UseFinding(
        use=fields["use"],
        subject=subject_of(rule),
        conclusion=conclusion,
        passed=passed,
        words=words,
        first_day=first_day,
        digest=digest_of(rule),
        declaration=fields,
        tables={
            name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in tables.items()
        },
        result=_without_gaps(plain(result)),
    )


def record_finding(session: Session, finding: UseFinding) -> Record:
    """Record a finding, with the record of its declaration where there is one.

    Raises
    ------
    RefusedError
        If the acting person may not decide for the panel.
    """
    require(session, Power.DECIDE_PANEL, f"record the finding on {finding.subject}")
    rule = _declaration_record(session, finding.digest)
    if rule is not None:
        in_time = datetime.date.fromisoformat(rule.at[:10]) < finding.first_day
        update = {"declaration_record": rule.seq, "recorded_in_time": in_time}
        finding = finding.model_copy(update=update)
    return append(session, FINDING, finding)


def findings(session: Session) -> Sequence[tuple[Record, UseFinding]]:
    """Return all findings, oldest first."""
    return [
        (record, FINDING.read(record.version, record.body))
        for record in records_in(session, kinds=(FINDING.name,))
    ]


def _declaration_record(session: Session, digest: str) -> Record | None:
    for record in records_in(session, kinds=(DECLARATION.name,)):
        if DECLARATION.read(record.version, record.body).digest == digest:
            return record
    return None


def _fields(rule: Declaration) -> dict[str, Any]:
    fields: dict[str, Any] = _without_gaps(rule.model_dump(mode="json", exclude_none=True))
    return fields


def _without_gaps(value: Any) -> Any:
    """Leave out what is not given: gaps have no canonical form inside lists."""
    if isinstance(value, dict):
        return {key: _without_gaps(item) for key, item in value.items() if item is not None}
    if isinstance(value, list):
        return ["none" if item is None else _without_gaps(item) for item in value]
    return value
