"""What panels keep in the register: kinds of record, and questions about them.

Each kind is appended to the one chain of `bulkflow.records`; nothing here is edited. The key of
a sitting is not among the records until it is opened: the sitting carries only the key's digest,
and the key itself lies in a file apart (`panels.sittings.keys`).
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, Field
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import Identifier, Text
from bulkflow.reading.shape import pattern
from bulkflow.records import Body, Component, Kind, Record, records_about, records_in

__all__ = [
    "ADMISSION",
    "AMENDMENT",
    "CANCELLATION",
    "CHECK_PURPOSES",
    "CHOICE",
    "CLOSING",
    "CONFIRMATION",
    "CONFIRMATION_PLAN",
    "KEY_OPENING",
    "PANELS",
    "POURING",
    "PREPARATION",
    "QUALIFICATION",
    "REOPENING",
    "SEAT",
    "SHEET",
    "SITTING",
    "STANDARD",
    "TRAINING",
    "Admission",
    "Amendment",
    "Bridging",
    "Cancellation",
    "CheckSample",
    "Choice",
    "Closing",
    "ConfirmationPlan",
    "ConfirmationRecord",
    "ForcedChoiceSet",
    "Glass",
    "JudgedLot",
    "KeyOpening",
    "KeyOpeningPurpose",
    "KeyRow",
    "OffNoteMark",
    "Place",
    "PlainWords",
    "PouredStandard",
    "Pouring",
    "Preparation",
    "PreparedSample",
    "Qualification",
    "Reopening",
    "RuleUsed",
    "Seat",
    "Sheet",
    "Sitting",
    "Standard",
    "Training",
    "Unqualified",
    "bodies_about",
    "latest_bodies",
]

Finite = Annotated[float, Field(allow_inf_nan=False)]
Strength = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]
CLOCK_MEND = "Give the local time as HH:MM, such as 10:05."
ClockTime = Annotated[str, Field(pattern=pattern(r"^([01]\d|2[0-3]):[0-5]\d$", CLOCK_MEND))]
BlindCode = Annotated[
    str, Field(pattern=pattern(r"^[1-9]\d\d$", "A blind code has three digits, the first not 0."))
]

_RUNNABLE = re.compile(r"^\s*[=+\-@\t|]|[<>]|\{\{|\{%")


def _plain(words: str) -> str:
    if _RUNNABLE.search(words):
        raise ValueError(
            "has a mark that a spreadsheet or a page could run (= + - @ | at the start, < or >)"
        )
    return words


PlainWords = Annotated[Text, AfterValidator(_plain)]
"""Free text that means nothing to a spreadsheet or a browser."""


class Bridging(Body):
    """The test that joined a standard to the one before it.

    Parameters
    ----------
    test : forced-choice test used.
    assessments, correct : what was found.
    share_of_discriminators, beta : the similarity sought and its risk.
    largest_correct : most correct answers that still show similarity.
    score_shift, score_shift_se : new standard minus old one, where both were scored [score].
    """

    test: Text
    assessments: Annotated[int, Field(ge=1)]
    correct: Annotated[int, Field(ge=0)]
    share_of_discriminators: Finite
    beta: Finite
    largest_correct: int
    score_shift: Finite | None = None
    score_shift_se: Finite | None = None


class Standard(Body):
    """An approved reference standard of a liquid.

    Parameters
    ----------
    standard : its name.
    liquid : what it is the standard of.
    strength : as kept [% vol at 20 degC].
    filled_on, use_by : standards age; none is served after ``use_by``.
    from_lot : where it was drawn from.
    successor_of, bridging : the standard before it, and the test that joined them.
    """

    standard: Identifier
    liquid: Identifier
    strength: Strength
    filled_on: datetime.date
    use_by: datetime.date
    from_lot: Identifier | None = None
    kept_at: PlainWords | None = None
    successor_of: Identifier | None = None
    bridging: Bridging | None = None


class JudgedLot(Body):
    """A lot put before the panel, with its measured strength [% vol at 20 degC].

    ``glasses`` is how many are poured of it in all.
    """

    lot: Identifier
    liquid: Identifier
    strength: Strength
    strength_by: Literal["stated", "density"]
    suspected: bool = False
    glasses: Annotated[int, Field(ge=1)]


class PouredStandard(Body):
    """A standard served blind as the control of its liquid."""

    standard: Identifier
    liquid: Identifier
    strength: Strength
    glasses: Annotated[int, Field(ge=1)]


class CheckSample(Body):
    """A spiked or known-poor sample, served blind to see whether the panel can tell.

    ``strength`` is as kept [% vol at 20 degC]; ``what`` says what was added or is wrong with it.
    """

    sample: Identifier
    kind: Literal["spiked", "known-poor"]
    liquid: Identifier
    strength: Strength
    what: PlainWords
    glasses: Annotated[int, Field(ge=1)] = 1


class Place(Body):
    """One glass on a tray: the liquid it is judged as, and no word of lot or control."""

    assessor: Identifier
    flight: Annotated[int, Field(ge=1)]
    position: Annotated[int, Field(ge=1)]
    code: BlindCode
    liquid: Identifier


class RuleUsed(Body):
    """The rule version a sitting stands on, and its record."""

    liquid: Identifier
    version: Annotated[int, Field(ge=1)]
    fingerprint: str
    record: Annotated[int, Field(ge=1)]


class Unqualified(Body):
    """An assessor who sits without being qualified: what is lacking, and why it is allowed."""

    assessor: Identifier
    lacks: Text
    reason: PlainWords


class Sitting(Body):
    """A planned sitting, as assessors and servers may see it.

    Parameters
    ----------
    sitting : its name.
    held_on, zone : local day.
    coder : dilutes, pours and codes; the only one to see the key before the close.
    water : what it was diluted with.
    target_strength : nosing strength [% vol at 20 degC].
    earliest_minutes, latest_minutes : nosing window after pouring.
    key_digest : SHA-256 of the key kept apart.
    unqualified : who sits by exception.
    qualified_by : rule by which the others are qualified; none where there was no rule.
    """

    sitting: Identifier
    held_on: datetime.date
    zone: str
    room: PlainWords
    leader: Identifier
    coder: Identifier
    method: Text
    assessors: tuple[Identifier, ...]
    water: PlainWords
    target_strength: Strength
    pour_ml: Annotated[float, Field(gt=0, le=200, allow_inf_nan=False)]
    spare_servings: Annotated[int, Field(ge=0)]
    earliest_minutes: Annotated[int, Field(ge=0)]
    latest_minutes: Annotated[int, Field(ge=1)]
    attributes: tuple[Identifier, ...]
    lots: tuple[JudgedLot, ...]
    standards: tuple[PouredStandard, ...]
    checks: tuple[CheckSample, ...] = ()
    places: tuple[Place, ...]
    rules: tuple[RuleUsed, ...]
    key_digest: str
    balance: tuple[Text, ...] = ()
    unqualified: tuple[Unqualified, ...] = ()
    qualified_by: Text | None = None

    @property
    def samples(self) -> tuple[str, ...]:
        """Everything that is made up: lots, standards, and samples that check the panel."""
        return (
            *(lot.lot for lot in self.lots),
            *(poured.standard for poured in self.standards),
            *(poor.sample for poor in self.checks),
        )


class PreparedSample(Body):
    """A diluted sample as measured."""

    subject: Identifier
    diluted_strength: Strength


class Preparation(Body):
    """How the samples of a sitting were made up."""

    sitting: Identifier
    prepared_by: Identifier
    samples: tuple[PreparedSample, ...]


class OffNoteMark(Body):
    """An off-note named on a glass, with its intensity."""

    note: Identifier
    intensity: Annotated[int, Field(ge=1)]


class Glass(Body):
    """What one assessor wrote of one glass; ``score`` is left out where none was given."""

    code: BlindCode
    poured: ClockTime
    nosed: ClockTime | None = None
    score: Finite | None = None
    attributes: dict[str, Finite] = Field(default_factory=dict)
    off_notes: tuple[OffNoteMark, ...] = ()
    remarks: PlainWords | None = None


class Sheet(Body):
    """The sheet of one assessor, or those glasses of it that came in together."""

    sitting: Identifier
    assessor: Identifier
    glasses: tuple[Glass, ...]


class Seat(Body):
    """A personal code is given to an assessor of a sitting or test; one before it ends with it.

    ``code_digest`` is the SHA-256 of the code, which itself is kept nowhere.
    """

    sitting: Identifier
    assessor: Identifier
    code_digest: str


class Admission(Body):
    """A code was redeemed, once, into the session with this digest."""

    sitting: Identifier
    assessor: Identifier
    code_digest: str
    session_digest: str


class Pouring(Body):
    """The glasses of a flight were poured and covered when this was recorded."""

    sitting: Identifier
    flight: Annotated[int, Field(ge=1)]


class Choice(Body):
    """The glass that an assessor picked in a set of a forced-choice test."""

    test: Identifier
    assessor: Identifier
    number: Annotated[int, Field(ge=1)]
    code: BlindCode


class Amendment(Body):
    """A slip on a sheet struck through: what stood there, what stands there now, and why.

    Who and when are its record's.

    Parameters
    ----------
    field : column of the score table.
    old, new : as written in that column; empty for nothing.
    glass : the whole glass from now on.
    """

    sitting: Identifier
    assessor: Identifier
    field: Identifier
    old: str
    new: str
    reason: PlainWords
    glass: Glass


class KeyRow(Body):
    """What was in a glass."""

    assessor: Identifier
    code: BlindCode
    subject: Identifier
    purpose: Literal["lot", "control", "repeat", "spiked", "known-poor"]


CHECK_PURPOSES = frozenset({"spiked", "known-poor"})
"""Purposes of glasses that show what the panel can tell; they judge no lot."""

KeyOpeningPurpose = Literal["coding", "early", "due"]


class KeyOpening(Body):
    """The key was looked at: to code the glasses, early for a reason, or after the close."""

    sitting: Identifier
    purpose: KeyOpeningPurpose
    reason: PlainWords
    seed: str | None = None
    rows: tuple[KeyRow, ...] = ()


class Closing(Body):
    """No more sheets are taken; ``without_sheet`` are the assessors who gave none."""

    sitting: Identifier
    without_sheet: tuple[Identifier, ...] = ()
    remarks: PlainWords | None = None


class Cancellation(Body):
    """A planned sitting of which nothing was scored is not held."""

    sitting: Identifier
    reason: PlainWords


class ForcedChoiceSet(Body):
    """Three coded glasses of a set, in serving order; one of them is the lot."""

    assessor: Identifier
    number: Annotated[int, Field(ge=1)]
    codes: tuple[BlindCode, BlindCode, BlindCode]


class ConfirmationPlan(Body):
    """A planned confirmation, as assessors may see it; the key lies apart.

    Parameters
    ----------
    test : its name.
    lot, note : which lot is suspected of which off-note.
    assessors : those most sensitive to the taint first.
    unqualified : who of them is not qualified by the panel's rule on that day.
    """

    test: Identifier
    lot: Identifier
    note: Identifier
    standard: Identifier
    held_on: datetime.date
    assessors: tuple[Identifier, ...]
    sets: tuple[ForcedChoiceSet, ...]
    key_digest: str
    unqualified: tuple[Identifier, ...] = ()


class Training(Body):
    """What an assessor was trained in."""

    assessor: Identifier
    what: Text
    on: datetime.date
    by: PlainWords


class Qualification(Body):
    """Whether an assessor meets the declared rule of the panel.

    Parameters
    ----------
    rule : name and version of the rule.
    on, valid_until : first and last day on which it holds.
    lacks : what an assessor who does not meet it should train; empty for one who does.
    evidence : digests of the tables judged, or the paper it stands on.
    """

    assessor: Identifier
    rule: Text
    on: datetime.date
    valid_until: datetime.date
    lacks: tuple[Text, ...] = ()
    evidence: PlainWords


class Reopening(Body):
    """A lot that the panel released or rejected is put before it again.

    ``aside`` are the sittings before; they are not judged together with those to come.
    """

    lot: Identifier
    reopened_on: datetime.date
    reason: PlainWords
    aside: tuple[Identifier, ...]


class ConfirmationRecord(Body):
    """A directed confirmation of an off-note, or the similarity test that clears it.

    Parameters
    ----------
    test : name of the planned test.
    method : forced-choice test used.
    assessments, correct : answers, and those that picked the lot.
    finding : what it shows under the rule.
    """

    lot: Identifier
    note: Identifier
    held_on: datetime.date
    test: Identifier
    method: Text
    assessors: tuple[Identifier, ...]
    assessments: Annotated[int, Field(ge=1)]
    correct: Annotated[int, Field(ge=0)]
    finding: Literal["confirmed", "similar", "open"]
    words: Text


STANDARD = Kind("panel standard", Standard, lambda body: body.standard)
SITTING = Kind("panel sitting", Sitting, lambda body: body.sitting)
PREPARATION = Kind("panel preparation", Preparation, lambda body: body.sitting)
SHEET = Kind("panel sheet", Sheet, lambda body: body.sitting)
KEY_OPENING = Kind("panel key opening", KeyOpening, lambda body: body.sitting)
SEAT = Kind("panel seat", Seat, lambda body: body.sitting)
ADMISSION = Kind("panel admission", Admission, lambda body: body.sitting)
POURING = Kind("panel pouring", Pouring, lambda body: body.sitting)
CHOICE = Kind("panel choice", Choice, lambda body: body.test)
AMENDMENT = Kind("panel amendment", Amendment, lambda body: body.sitting)
CLOSING = Kind("panel closing", Closing, lambda body: body.sitting)
CANCELLATION = Kind("panel cancellation", Cancellation, lambda body: body.sitting)
CONFIRMATION_PLAN = Kind("panel confirmation plan", ConfirmationPlan, lambda body: body.test)
CONFIRMATION = Kind("panel confirmation", ConfirmationRecord, lambda body: body.lot)
TRAINING = Kind("panel training", Training, lambda body: body.assessor)
QUALIFICATION = Kind("panel qualification", Qualification, lambda body: body.assessor)
REOPENING = Kind("panel reopening", Reopening, lambda body: body.lot)

KINDS: tuple[Kind[Any], ...] = (
    AMENDMENT,
    STANDARD,
    SITTING,
    PREPARATION,
    SEAT,
    ADMISSION,
    POURING,
    SHEET,
    CHOICE,
    KEY_OPENING,
    CLOSING,
    CANCELLATION,
    CONFIRMATION_PLAN,
    CONFIRMATION,
    REOPENING,
    TRAINING,
    QUALIFICATION,
)

#: What panels bring to the record database: kinds of record, no index tables of their own.
PANELS = Component("panels", steps=(), kinds=KINDS)

B = TypeVar("B", bound=Body)


def bodies_about(session: Session, kind: Kind[B], subject: str) -> list[tuple[Record, B]]:
    """Return records of one kind about a subject with their bodies, oldest first.

    Superseded ones are left out.
    """
    return _standing(records_about(session, subject, kinds=(kind.name,)), kind)


def latest_bodies(session: Session, kind: Kind[B]) -> dict[str, tuple[Record, B]]:
    """Return the newest standing record of every subject of a kind, by subject."""
    return {
        record.subject: (record, body)
        for record, body in _standing(records_in(session, kinds=(kind.name,)), kind)
    }


def _standing(records: Iterable[Record], kind: Kind[B]) -> list[tuple[Record, B]]:
    listed = list(records)
    replaced = {record.supersedes for record in listed}
    return [
        (record, kind.read(record.version, record.body))
        for record in listed
        if record.seq not in replaced
    ]
