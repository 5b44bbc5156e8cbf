"""The evidence of a decision: one JSON document that stands by itself.

A reader years later, with no panel software and no other record at hand, must be able to tell
what was judged, how it scored, by which model and with which interval, under which rule and
version, with which chances of error, what deviated, and who took part. The schema is versioned
(``bulkflow.decision-evidence``, version 1); panels and laboratories fill it in, and the register
checks it before it is kept.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from bulkflow.errors import InputError
from bulkflow.lots.bodies import Document, Identifier, Outcome, Text
from bulkflow.reading.shape import faults_of
from bulkflow.records.kinds import Body

__all__ = [
    "EVIDENCE_SCHEMA",
    "EVIDENCE_VERSION",
    "Evidence",
    "Interval",
    "LabFinding",
    "Model",
    "Participant",
    "RuleCopy",
    "ScoreSummary",
    "checked_evidence",
]

EVIDENCE_SCHEMA = "bulkflow.decision-evidence"
EVIDENCE_VERSION = 1

Finite = Annotated[float, Field(allow_inf_nan=False)]


class ScoreSummary(Body):
    """How one thing scored: the lot, the blind control, an attribute, an off-note."""

    what: Text
    unit: Text
    count: Annotated[int, Field(ge=0)]
    mean: Finite | None = None
    standard_deviation: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    detail: Document = Field(default_factory=dict)


class Model(Body):
    """The statistical model, in words, and its estimated parameters."""

    name: Text
    words: Text
    parameters: Document = Field(default_factory=dict)


class Interval(Body):
    """An estimate with the interval that the rule looked at."""

    quantity: Text
    unit: Text
    estimate: Finite
    lower: Finite | None = None
    upper: Finite | None = None
    level: Annotated[float, Field(gt=0, lt=1)]
    sided: Literal["one-sided", "two-sided"]

    @model_validator(mode="after")
    def _ordered(self) -> Interval:
        if self.lower is None and self.upper is None:
            raise ValueError("has neither lower nor upper limit")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError("has its lower limit above its upper limit")
        return self


class RuleCopy(Body):
    """The rule applied, copied in full."""

    rule_id: Identifier
    rule_version: Annotated[int, Field(ge=1)]
    words: Text
    document: Document = Field(default_factory=dict)


class LabFinding(Body):
    """A laboratory value and the limit it was held against, as texts with units."""

    analyte: Identifier
    value: Text
    limit: Text | None = None
    inside: bool | None = None
    record: int | None = None


class Participant(Body):
    """Who took part, and as what."""

    name: Text
    role: Text


class Evidence(Body):
    """The document itself; what it must hold depends on who decided."""

    schema_name: Literal["bulkflow.decision-evidence"] = Field(
        default="bulkflow.decision-evidence", alias="schema"
    )
    version: Literal[1] = 1
    lot_id: Identifier
    decided_by: Literal["panel", "laboratory", "opening"]
    outcome: Outcome
    decided_on: date
    summary: Text
    occasions: tuple[Document, ...] = ()
    scores: tuple[ScoreSummary, ...] = ()
    model: Model | None = None
    intervals: tuple[Interval, ...] = ()
    rule: RuleCopy | None = None
    operating_characteristic: Document | None = None
    findings: tuple[LabFinding, ...] = ()
    deviations: tuple[Text, ...] = ()
    participants: tuple[Participant, ...] = ()
    source: Document = Field(default_factory=dict)

    @model_validator(mode="after")
    def _complete(self) -> Evidence:
        needed: dict[str, tuple[str, ...]] = {
            "panel": (
                "occasions",
                "scores",
                "rule",
                "operating_characteristic",
                "participants",
            ),
            "laboratory": ("findings", "participants"),
            "opening": ("source",),
        }
        wanted = needed[self.decided_by]
        if self.decided_by == "panel" and self.outcome is Outcome.RELEASE:
            # Only a release must rest on an estimate: a hold may say that none could be made.
            wanted += ("model", "intervals")
        missing = [name for name in wanted if not getattr(self, name)]
        if missing:
            raise ValueError(f"lacks {', '.join(missing)}, needed of a {self.decided_by} decision")
        return self


def checked_evidence(document: Evidence | dict[str, Any], *, file: str = "") -> dict[str, Any]:
    """Return evidence as plain data ready to record, after checking it against the schema.

    Raises
    ------
    InputError
        With every fault of the document.
    """
    if isinstance(document, Evidence):
        checked = document
    else:
        try:
            checked = Evidence.model_validate(document)
        except ValidationError as error:
            raise InputError(faults_of(error, Evidence, file=file, prefix=("evidence",))) from error
    return checked.model_dump(mode="json", by_alias=True, exclude_none=True)
