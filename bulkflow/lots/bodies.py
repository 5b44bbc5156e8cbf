"""What the records of the register say: the bodies of its kinds of record.

Identifiers are short texts without marks that a spreadsheet or a page would run; amounts are
decimals (:mod:`bulkflow.records.amounts`). Each body stands by itself: nothing in it has to be
looked up elsewhere to be understood.
"""

from __future__ import annotations

import math
from datetime import date
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, JsonValue, model_validator

from bulkflow.reading.shape import pattern
from bulkflow.records.amounts import (
    LabValue,
    Percent,
    PositiveAmount,
    SignedAmount,
)
from bulkflow.records.kinds import Body

__all__ = [
    "BOTTLING_DRAWS",
    "ENTRY_DRAWS",
    "NOT_A_LOAD",
    "TRANSFER_DRAWS",
    "CaseStep",
    "Comparable",
    "Decision",
    "Disposal",
    "Disposition",
    "Document",
    "Draw",
    "Expectation",
    "Gate",
    "Hold",
    "Identifier",
    "Instrument",
    "Lift",
    "Limit",
    "Lot",
    "Measurement",
    "Origin",
    "Outcome",
    "Override",
    "Parent",
    "ReleaseRule",
    "Result",
    "Sample",
    "SeedFile",
    "SeedImport",
    "Site",
    "Text",
]

#: Letters, digits and a few joining marks, starting with a letter or digit, at most 80.
Identifier = Annotated[
    str,
    Field(
        max_length=80,
        pattern=pattern(
            r"^[^\W_][\w .:/#()\-]*$",
            "Start with a letter or digit; use letters, digits, spaces and . : / # ( ) _ - only.",
        ),
    ),
]
#: Words without control characters other than line ends, at most 4,000.
Text = Annotated[
    str,
    Field(
        min_length=1,
        max_length=4000,
        pattern=pattern(r"^[^\x00-\x08\x0b-\x1f\x7f]+$", "A text holds no control characters."),
    ),
]


def _recordable(document: dict[str, JsonValue]) -> dict[str, JsonValue]:
    """Refuse what has no canonical form, wherever it lies in a document."""
    waiting: list[tuple[str, JsonValue]] = [("", document)]
    while waiting:
        place, value = waiting.pop()
        if isinstance(value, dict):
            waiting.extend((f"{place}.{key}" if place else key, v) for key, v in value.items())
        elif isinstance(value, list):
            waiting.extend((f"{place}.{number}", v) for number, v in enumerate(value))
        elif isinstance(value, float) and not math.isfinite(value):
            raise ValueError(f"holds the number {value} at {place}")
        elif isinstance(value, str) and "\x00" in value:
            raise ValueError(f"holds a NUL character at {place}")
        if "\x00" in place:
            raise ValueError("holds a NUL character in a key")
    return document


#: A JSON object of any shape, its numbers finite.
Document = Annotated[dict[str, JsonValue], AfterValidator(_recordable)]


class Gate(StrEnum):
    """What must be open before a lot may ship."""

    LABORATORY = "laboratory"
    DECISION = "decision"
    HOLD = "hold"
    PARENTS = "parents"


class Outcome(StrEnum):
    """What a decision says of a lot."""

    RELEASE = "release"
    HOLD = "hold"
    REJECT = "reject"


class Origin(StrEnum):
    """How a lot came into the register."""

    MADE = "made"
    RECEIVED = "received"
    OPENING = "opening"


class Disposal(StrEnum):
    """What finally becomes of a rejected lot's liquid."""

    REDISTIL = "redistil"
    BLEND_AWAY = "blend away"
    DESTROY = "destroy under supervision"


class Site(Body):
    """A site, its zone, and how its authority has amounts rounded."""

    site_id: Identifier
    zone: str
    rounding: str
    authority: Text | None = None


class Measurement(Body):
    """What was measured of a lot, and what follows from it.

    ``strength_percent`` [% vol at 20 degC], ``litres_20c`` [L at 20 degC] and ``lpa`` are
    computed from the readings and rounded once by the rule named (see
    :mod:`bulkflow.lots.measuring`).
    """

    strength_by: Literal["density", "hydrometer", "stated"]
    density_kg_m3: PositiveAmount | None = None
    hydrometer_percent: Percent | None = None
    strength_temperature_c: SignedAmount | None = None
    quantity_by: Literal["volume", "mass"]
    volume_litres: PositiveAmount | None = None
    volume_temperature_c: SignedAmount | None = None
    mass_kg: PositiveAmount | None = None
    strength_percent: Percent
    litres_20c: PositiveAmount
    lpa: PositiveAmount
    rounding: str


class Parent(Body):
    """LPA drawn from another lot; ``disposition`` is the record that allowed a rejected one."""

    lot_id: Identifier
    lpa: PositiveAmount
    disposition: int | None = None


class Lot(Body):
    """One vatting: neutral spirit received or distillate made, with its parents.

    ``from_load`` is the load that it was received from: its amount is what the receipt says.
    ``reason`` says why what is not plausible stands.
    """

    lot_id: Identifier
    liquid_id: Identifier
    stage: Literal["neutral spirit", "distillate"] | None = None
    origin: Origin
    made_on: date | None = None
    site_id: Identifier
    tank_id: Identifier | None = None
    measurement: Measurement
    spirit_base: Identifier | None = None
    supplier_id: Identifier | None = None
    restrictions: tuple[Identifier, ...] = ()
    markets: tuple[Identifier, ...] = ()
    parents: tuple[Parent, ...] = ()
    from_load: Identifier | None = None
    note: Text | None = None
    reason: Text | None = None

    @model_validator(mode="after")
    def _once_each(self) -> Lot:
        named = [parent.lot_id for parent in self.parents]
        for what, items in (
            ("parent", named),
            ("restriction", self.restrictions),
            ("market", self.markets),
        ):
            if len(set(items)) != len(items):
                raise ValueError(f"names a {what} twice")
        if self.lot_id in named:
            raise ValueError("names itself as its parent")
        return self


class Comparable(Body):
    """A result as limits state it: by pure alcohol, with the strength it was turned with."""

    value: LabValue
    unit: Text
    at_strength_percent: Percent


class Result(Body):
    """One laboratory value of a lot; ``qualifier`` '<' or '>' where only that is known.

    ``compared`` is the same by pure alcohol, where it was given by volume or by mass;
    ``uncertainty`` is the standard uncertainty in the unit of the value.
    """

    lot_id: Identifier
    analyte: Identifier
    value: LabValue
    unit: Text
    qualifier: Literal["=", "<", ">"] = "="
    compared: Comparable | None = None
    uncertainty: LabValue | None = None
    replicate: Annotated[int, Field(ge=1)] | None = None
    instrument: Identifier | None = None
    method: Text | None = None
    laboratory: Text | None = None
    sample_id: Identifier | None = None
    measured_on: date | None = None
    note: Text | None = None


class Limit(Body):
    """What an analyte of a liquid must keep to, for one market or for all.

    ``origin`` names the rule of law or the statement of the workspace that it comes from; None
    where it was declared by hand. A maximum of 0 means not detectable: ``<`` keeps to it.
    """

    liquid_id: Identifier
    market: Identifier | None = None
    analyte: Identifier
    unit: Text
    minimum: LabValue | None = None
    maximum: LabValue | None = None
    required: bool = True
    source: Text
    origin: Text | None = None

    @model_validator(mode="after")
    def _some_bound(self) -> Limit:
        if self.minimum is None and self.maximum is None:
            raise ValueError("has neither minimum nor maximum")
        if self.minimum is not None and self.maximum is not None and self.minimum > self.maximum:
            raise ValueError(f"has minimum {self.minimum} above maximum {self.maximum}")
        return self


class ReleaseRule(Body):
    """The release rule of a liquid, one version; ``document`` is the rule in full."""

    liquid_id: Identifier
    rule_id: Identifier
    rule_version: Annotated[int, Field(ge=1)]
    decided_by: Literal["panel", "laboratory"]
    words: Text
    document: Document = Field(default_factory=dict)


class Decision(Body):
    """A decision on a lot, with evidence that stands by itself (:mod:`bulkflow.lots.evidence`)."""

    lot_id: Identifier
    outcome: Outcome
    decided_by: Literal["panel", "laboratory", "opening"]
    rule_record: int | None = None
    rule_id: Identifier | None = None
    rule_version: int | None = None
    reason: Text
    evidence: Document


class Override(Body):
    """A person opens gates against the evidence; ends when newer evidence says no again."""

    lot_id: Identifier
    gates: tuple[Literal[Gate.LABORATORY, Gate.DECISION], ...] = Field(min_length=1)
    role: Text
    name: Text
    reason: Text


class Expectation(Body):
    """A decision on a lot is expected by a date."""

    lot_id: Identifier
    due_on: date
    what: Text


class Hold(Body):
    """A manual hold on a lot."""

    lot_id: Identifier
    reason: Text


class Lift(Body):
    """A hold is lifted; the record supersedes the hold's."""

    lot_id: Identifier
    hold: int
    reason: Text


class Sample(Body):
    """A retained sample; a later record with ``gone_on`` supersedes it when it is used up."""

    lot_id: Identifier
    sample_id: Identifier
    taken_on: date
    taken_from: Text | None = None
    volume_ml: PositiveAmount | None = None
    kept_at: Text | None = None
    seal: Text | None = None
    expires_on: date | None = None
    gone_on: date | None = None
    gone_how: Text | None = None


class Instrument(Body):
    """A measuring instrument as last calibrated; a later record supersedes it.

    ``expires_on`` is set by the user: a certificate gives no interval unless agreed (ISO/IEC
    17025:2017, 7.8.4.3). ``retired_on`` ends its use.
    """

    instrument_id: Identifier
    what: Literal[
        "density meter",
        "hydrometer",
        "pycnometer",
        "balance",
        "thermometer",
        "gas chromatograph",
        "volumetric",
        "weighbridge",
        "meter",
    ]
    site_id: Identifier | None = None
    calibrated_on: date
    expires_on: date
    certificate: Text | None = None
    by: Text | None = None
    retired_on: date | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Instrument:
        if self.expires_on < self.calibrated_on:
            raise ValueError(f"expires on {self.expires_on}, before it was calibrated")
        return self


class CaseStep(Body):
    """One step of a complaint or of an officer's sample; steps are added, never changed.

    ``about`` is what the case began from (a bottle's code, a lot of bottles, a load or a lot),
    ``lots`` what lies behind it as the register knew it then. ``from_hand`` and ``to_hand`` are the
    chain of custody of a sample, its ``seal`` with it.
    """

    case_id: Identifier
    step: Literal["opened", "sample", "result", "note", "decided", "closed"]
    what: Literal["complaint", "officer's sample", "own check"] | None = None
    on: date
    words: Text
    about_kind: Literal["lot", "load", "bottle"] | None = None
    about: Identifier | None = None
    lots: tuple[Identifier, ...] = ()
    loads: tuple[Identifier, ...] = ()
    topic: Identifier | None = None
    market: Identifier | None = None
    sample_id: Identifier | None = None
    seal: Text | None = None
    from_hand: Text | None = None
    to_hand: Text | None = None
    outcome: Literal["justified", "not justified", "open"] | None = None


class Disposition(Body):
    """What becomes of LPA of a rejected lot; it leaves the lot's account with this record."""

    lot_id: Identifier
    way: Disposal
    lpa: PositiveAmount
    decided_on: date
    supervised_by: Text | None = None
    document: Text | None = None
    reason: Text

    @model_validator(mode="after")
    def _supervised(self) -> Disposition:
        if self.way is Disposal.DESTROY and not self.supervised_by:
            raise ValueError("is destruction without the supervising officer's name")
        return self


#: What a lot is drawn into beside loads is named so, before the name or number of its record.
BOTTLING_DRAWS, ENTRY_DRAWS, TRANSFER_DRAWS = "bottling/", "entry/", "transfer/"
NOT_A_LOAD = (BOTTLING_DRAWS, ENTRY_DRAWS, TRANSFER_DRAWS)


class Draw(Body):
    """LPA that left a lot into a load and travels with it; below 0 it came to the lot.

    Where ``load_id`` begins as one of ``NOT_A_LOAD``, it belongs to another record, named so.
    """

    lot_id: Identifier
    load_id: Identifier
    lpa: SignedAmount
    on: date


class SeedFile(Body):
    """A table that was imported, its digest, and of each row its name and a short digest.

    ``table`` is empty in older registers, where the file always bore the table's name.
    """

    name: str
    table: str = ""
    sha256: str
    rows: Annotated[int, Field(ge=0)]
    marks: tuple[str, ...] = ()


class SeedImport(Body):
    """The seed tables of a workspace were imported, once."""

    files: tuple[SeedFile, ...]
