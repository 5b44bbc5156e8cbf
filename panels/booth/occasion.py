"""A sitting or a test as it goes on: whose turn it is for which glass, and from when.

Pure: made from what the register says, and asked with the time. It knows codes and trays, and
never what is in a glass.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from bulkflow.records import Record
from bulkflow.records.times import utc_from_text
from panels.records import (
    ADMISSION,
    CANCELLATION,
    CHOICE,
    CLOSING,
    CONFIRMATION,
    POURING,
    SEAT,
    SHEET,
    ConfirmationPlan,
    Sitting,
)
from panels.sittings.scores import SheetRules

__all__ = ["KINDS", "Occasion", "Place", "Serving", "Turn", "occasion_of", "trial_occasion"]

KINDS = tuple(
    kind.name
    for kind in (SEAT, ADMISSION, POURING, SHEET, CHOICE, CLOSING, CANCELLATION, CONFIRMATION)
)
"""Kinds of record that move an occasion on."""


class Place(StrEnum):
    """Where an assessor is."""

    WAITING = "waits for the glasses"
    RESTING = "glasses rest"
    PAUSING = "pause"
    OPEN = "noses"
    FINISHED = "finished"
    OVER = "closed"


@dataclass(frozen=True, slots=True)
class Serving:
    """What is nosed and answered at once: a glass, or a set of three.

    Attributes
    ----------
    flight, position : where it stands in the assessor's own order.
    codes : from left to right.
    liquid : what a glass is judged as; empty in a test.
    """

    flight: int
    position: int
    codes: tuple[str, ...]
    liquid: str


@dataclass(frozen=True, slots=True)
class Turn:
    """What an assessor may do now.

    Attributes
    ----------
    place : where they are.
    serving : the one in turn; None when all are answered, or none may be.
    number, of : which one it is of how many.
    opens : when it may be answered; None before it is poured.
    ends : when its nosing window ends.
    """

    place: Place
    serving: Serving | None
    number: int
    of: int
    opens: datetime | None = None
    ends: datetime | None = None

    @property
    def mark(self) -> str:
        """Changes whenever the page has to."""
        return f"{self.place.name.lower()}-{self.number}"


@dataclass
class Occasion:
    """A sitting, or a test, with all that has happened at it.

    Attributes
    ----------
    rules : scale and notes of a sitting's sheet; None for a test.
    note : the off-note a test asks for; empty for a sitting.
    servings : by assessor, in their own order.
    poured : when each flight was, by flight.
    answers : when each code, or set by its first code, was answered; by assessor.
    seats : digest of the standing code, by assessor.
    used : digests of codes that were redeemed.
    sessions : digest of the standing session, by assessor.
    admitted : when the standing session began, by assessor.
    """

    name: str
    held_on: date
    zone: str
    room: str
    assessors: tuple[str, ...]
    attributes: tuple[str, ...]
    earliest: timedelta
    latest: timedelta
    rules: SheetRules | None
    note: str
    servings: Mapping[str, tuple[Serving, ...]]
    poured: dict[int, datetime] = field(default_factory=dict)
    answers: dict[str, dict[str, datetime]] = field(default_factory=dict)
    seats: dict[str, str] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)
    sessions: dict[str, str] = field(default_factory=dict)
    admitted: dict[str, datetime] = field(default_factory=dict)
    over: bool = False

    @property
    def flights(self) -> tuple[int, ...]:
        """Flights, in order."""
        return tuple(sorted({one.flight for own in self.servings.values() for one in own}))

    @property
    def answered(self) -> int:
        """Servings answered so far."""
        return sum(len(own) for own in self.answers.values())

    def take(self, record: Record) -> None:
        """Move on by a record of `KINDS` about it, or about a test's lot."""
        body, at = record.content, utc_from_text(record.at)
        if record.kind == SEAT.name:
            self.seats[body["assessor"]] = body["code_digest"]
            self.sessions.pop(body["assessor"], None)
        elif record.kind == ADMISSION.name:
            self.used.add(body["code_digest"])
            self.sessions[body["assessor"]] = body["session_digest"]
            self.admitted[body["assessor"]] = at
        elif record.kind == POURING.name:
            self.poured.setdefault(body["flight"], at)  # pressed twice, the first one counts
        elif record.kind == SHEET.name:
            for glass in body["glasses"]:
                self._answered(body["assessor"], glass["code"], at)
        elif record.kind == CHOICE.name:
            self._answered(body["assessor"], self._set_of(body).codes[0], at)
        elif record.kind != CONFIRMATION.name or body["test"] == self.name:
            self.over = True  # closed, cancelled, or its answers are recorded

    def turn(self, assessor: str, now: datetime, pause: timedelta) -> Turn:
        """Say what an assessor may do.

        Parameters
        ----------
        pause : from an answer to the next serving.
        """
        own, done = self.servings[assessor], self.answers.get(assessor, {})
        left = [(n, one) for n, one in enumerate(own, start=1) if one.codes[0] not in done]
        if self.over:
            return Turn(Place.OVER, None, len(own), len(own))
        if not left:
            return Turn(Place.FINISHED, None, len(own), len(own))
        number, serving = left[0]
        poured = self.poured.get(serving.flight)
        if poured is None:
            return Turn(Place.WAITING, serving, number, len(own))
        rested = poured + self.earliest
        opens = max([rested, *(at + pause for at in done.values())])
        place = Place.OPEN if now >= opens else Place.RESTING if now < rested else Place.PAUSING
        return Turn(place, serving, number, len(own), opens, poured + self.latest)

    def local(self, instant: datetime) -> datetime:
        """Return an instant in the wall time of the room."""
        return instant.astimezone(ZoneInfo(self.zone))

    def seat_of(self, code: str) -> str | None:
        """Return the assessor whose standing code this digest is, if it was not redeemed yet."""
        if code in self.used or self.over:
            return None
        return next((who for who, digest in self.seats.items() if digest == code), None)

    def _answered(self, assessor: str, key: str, at: datetime) -> None:
        self.answers.setdefault(assessor, {}).setdefault(key, at)

    def _set_of(self, choice: Mapping[str, Any]) -> Serving:
        own = self.servings[choice["assessor"]]
        return next(one for one in own if one.flight == choice["number"])


def occasion_of(sitting: Sitting, rules: SheetRules, records: Iterable[Record]) -> Occasion:
    """Return a sitting as it stands after these records about it."""
    servings = {
        who: tuple(
            Serving(place.flight, place.position, (place.code,), place.liquid)
            for place in sorted(
                (one for one in sitting.places if one.assessor == who),
                key=lambda one: (one.flight, one.position),
            )
        )
        for who in sitting.assessors
    }
    made = _begun(sitting, rules, "", servings)
    for record in records:
        made.take(record)
    return made


def trial_occasion(plan: ConfirmationPlan, served: Sitting, records: Iterable[Record]) -> Occasion:
    """Return a test as it stands; `served` is it in the form of a sitting."""
    servings = {
        who: tuple(
            Serving(one.number, 1, one.codes, "")
            for one in sorted(plan.sets, key=lambda one: one.number)
            if one.assessor == who
        )
        for who in plan.assessors
    }
    made = _begun(served, None, plan.note, servings)
    for record in records:
        made.take(record)
    return made


def _begun(
    sitting: Sitting,
    rules: SheetRules | None,
    note: str,
    servings: Mapping[str, tuple[Serving, ...]],
) -> Occasion:
    return Occasion(
        name=sitting.sitting,
        held_on=sitting.held_on,
        zone=sitting.zone,
        room=sitting.room,
        assessors=sitting.assessors,
        attributes=sitting.attributes,
        earliest=timedelta(minutes=sitting.earliest_minutes),
        latest=timedelta(minutes=sitting.latest_minutes),
        rules=rules,
        note=note,
        servings=servings,
    )
