"""The register behind the booth: what is new in it, and keeping what comes in.

Answers are taken by one thread, which keeps together in one transaction all that wait for it, so
that forty assessors who answer at once wait for two or three writes to the disk and not for forty.
An answer is acknowledged when its transaction is on the disk.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TypeVar

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.records import (
    Actor,
    Power,
    Record,
    append,
    append_many,
    head,
    records_about,
    records_in,
    require,
)
from bulkflow.records.store import Store
from panels.booth.forms import Answer
from panels.booth.occasion import KINDS, Occasion, Place, occasion_of, trial_occasion
from panels.records import (
    ADMISSION,
    CANCELLATION,
    CHOICE,
    CLOSING,
    CONFIRMATION,
    CONFIRMATION_PLAN,
    POURING,
    SEAT,
    SHEET,
    SITTING,
    Admission,
    Choice,
    Glass,
    Pouring,
    Seat,
    Sheet,
    bodies_about,
    latest_bodies,
)
from panels.sittings.history import last_sitting_of, rules_used
from panels.sittings.scores import sheet_rules
from panels.sittings.sheets import as_sitting

__all__ = ["Desk", "Kept"]

MOST_AT_ONCE = 200
"""Answers kept in one transaction."""
PAUSE = timedelta(seconds=60)
"""From one answer to the next serving, for the nose to rest (common practice)."""

LOOK_AGAIN_SECONDS = 0.25
"""So old may the state be that a page shows, where something else wrote (a command, another booth);
what this booth wrote is seen at once, and what is kept is judged by what stands when it is."""

T = TypeVar("T")


class Kept(StrEnum):
    """What became of an answer."""

    NOW = "kept"
    BEFORE = "kept before"
    NOT_IN_TURN = "not in turn"
    TOO_EARLY = "too early"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class _Waiting:
    occasion: str
    assessor: str
    answer: Answer
    kept: Future[Kept]


class Desk:
    """Occasions of one register, and the one place where a booth writes.

    Parameters
    ----------
    store : the open register.
    actor : who answers for the booth.
    pause : between an assessor's servings.
    rehearsal : whether a sitting may be served on another day than its own.
    """

    def __init__(
        self, store: Store, actor: Actor, *, pause: timedelta = PAUSE, rehearsal: bool = False
    ) -> None:
        self.store, self.actor, self.pause, self.rehearsal = store, actor, pause, rehearsal
        self._known: dict[str, Occasion] = {}
        self._sessions: dict[str, tuple[Occasion, str]] = {}
        self._seen = 0
        self._written = 0
        self._looked = (0, -LOOK_AGAIN_SECONDS)
        self._lock = threading.RLock()
        self._waiting: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._keep_coming, name="answers", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Keep what waits, and take no more."""
        self._waiting.put(None)
        self._thread.join()

    @property
    def now(self) -> datetime:
        """The time by which turns are told."""
        return self.store.clock()

    def ask(self, question: Callable[[Session], T]) -> T:
        """Answer a question from the register as it is now."""
        with self.store.read() as session:
            return question(session)

    def act(self, person: str, deed: Callable[[Session], T]) -> T:
        """Do something as a named person; all of it is kept, or nothing."""
        try:
            with self.store.write(Actor(person, self.actor.account)) as session:
                return deed(session)
        finally:
            self._look_again()

    @property
    def is_fresh(self) -> bool:
        """Whether `whose` tells what stands now without asking the register."""
        written, at = self._looked
        return written == self._written and time.monotonic() - at < LOOK_AGAIN_SECONDS

    def catch_up(self) -> None:
        """Take in what the register has that was not seen yet."""
        looking = (self._written, time.monotonic())
        with self.store.read() as session:
            self._catch_up(session)
        self._looked = looking

    def occasions(self) -> dict[str, Occasion]:
        """Return the sittings and tests that go on, by name, as they stand now."""
        self.catch_up()
        return {name: one for name, one in self._known.items() if not one.over}

    def occasion(self, name: str) -> Occasion | None:
        """Return a sitting or test as it stands now, over or not; None where there is none."""
        with self.store.read() as session:
            self._catch_up(session)
            if name not in self._known:
                with self._lock:
                    self._known |= {one.name: one for one in _going_on(session, {name})}
            return self._known.get(name)

    def whose(self, session_digest: str) -> tuple[Occasion, str] | None:
        """Return the occasion and the assessor that a session stands for, as last seen."""
        found = self._sessions.get(session_digest)
        if found is None:
            return None
        occasion, who = found
        return found if occasion.sessions.get(who) == session_digest else None

    def admit(self, code_digest: str, session_digest: str) -> bool:
        """Redeem a code, once; return whether it stood for a seat."""
        try:
            with self.store.write(self.actor) as session:
                self._catch_up(session)
                for one in self._known.values():
                    if who := one.seat_of(code_digest):
                        body = Admission(
                            sitting=one.name,
                            assessor=who,
                            code_digest=code_digest,
                            session_digest=session_digest,
                        )
                        append(session, ADMISSION, body, zone=one.zone)
                        return True
            return False
        finally:
            self._look_again()

    def give_seats(self, person: str, name: str, codes: dict[str, str]) -> None:
        """Give assessors personal codes, by their digests; earlier ones of theirs end.

        Raises
        ------
        RefusedError : the person may not record sittings.
        """
        one = self._going_on(name)

        def deed(session: Session) -> None:
            require(session, Power.RECORD, f"give codes for {name}")
            bodies = [
                (Seat(sitting=name, assessor=who, code_digest=digest), None)
                for who, digest in codes.items()
            ]
            append_many(session, SEAT, bodies, zone=one.zone)

        self.act(person, deed)

    def pour(self, person: str, name: str, flight: int) -> None:
        """Say that a flight is poured and covered now.

        Raises
        ------
        InputError : it is over, poured already, or it is another day than its own.
        RefusedError : the person may not record sittings.
        """
        one = self._going_on(name)
        today = one.local(self.now).date()
        if today != one.held_on and not self.rehearsal:
            found = f"is on {one.held_on}, and today is {today}"
            mend = "Serve it on its day; for a rehearsal start the booth with --rehearsal."
            raise _refused(name, found, mend)
        if flight not in one.flights:
            raise _refused(name, f"has no flight {flight}", "Pour one that it has.")
        if flight in one.poured:
            raise _refused(name, f"has flight {flight} poured already", "Its clock runs.")

        def deed(session: Session) -> None:
            require(session, Power.RECORD, f"serve {name}")
            append(session, POURING, Pouring(sitting=name, flight=flight), zone=one.zone)

        self.act(person, deed)

    def keep(self, occasion: str, assessor: str, answer: Answer) -> Future[Kept]:
        """Keep an answer; the future ends once it is on the disk, or known not to be."""
        kept: Future[Kept] = Future()
        self._waiting.put(_Waiting(occasion, assessor, answer, kept))
        return kept

    def _going_on(self, name: str) -> Occasion:
        one = self.occasion(name)
        if one is None or one.over:
            raise _refused(name, "is not going on", "Plan another one.")
        return one

    def _keep_coming(self) -> None:
        while True:
            batch, ended = self._batch()
            if batch:
                try:
                    outcomes = self._keep(batch)
                    self._look_again()
                except Exception as error:
                    for one in batch:
                        one.kept.set_exception(error)
                else:
                    for one, kept in zip(batch, outcomes, strict=True):
                        one.kept.set_result(kept)
            if ended:
                return

    def _batch(self) -> tuple[list[_Waiting], bool]:
        """Wait for an answer, and take those that came in the meantime with it."""
        batch: list[_Waiting] = []
        one = self._waiting.get()
        while one is not None:
            if one.kept.set_running_or_notify_cancel():  # nobody gave it up before
                batch.append(one)
            if len(batch) == MOST_AT_ONCE:
                return batch, False
            try:
                one = self._waiting.get_nowait()
            except queue.Empty:
                return batch, False
        return batch, True

    def _keep(self, batch: Sequence[_Waiting]) -> list[Kept]:
        with self.store.write(self.actor) as session:
            require(session, Power.RECORD, "take answers in the booth")
            self._catch_up(session)
            now, coming = self.now, set[tuple[str, str, str]]()
            outcomes = []
            for one in batch:
                place = (one.occasion, one.assessor, one.answer.serving.codes[0])
                outcomes.append(Kept.BEFORE if place in coming else self._judged(one, now))
                if outcomes[-1] is Kept.NOW:
                    coming.add(place)
            fresh = [
                (self._known[one.occasion], one)
                for one, kept in zip(batch, outcomes, strict=True)
                if kept is Kept.NOW
            ]
            for zone in {occasion.zone for occasion, _ in fresh}:
                here = [item for item in fresh if item[0].zone == zone]
                sheets = [(_sheet(*item, now), None) for item in here if item[1].answer.glass]
                append_many(session, SHEET, sheets, zone=zone)
                choices = [(_choice(one), None) for _, one in here if one.answer.choice]
                append_many(session, CHOICE, choices, zone=zone)
        return outcomes

    def _judged(self, one: _Waiting, now: datetime) -> Kept:
        occasion = self._known.get(one.occasion)
        if occasion is None:
            return Kept.OVER
        serving = one.answer.serving
        if serving.codes[0] in occasion.answers.get(one.assessor, {}):
            return Kept.BEFORE
        turn = occasion.turn(one.assessor, now, self.pause)
        if turn.place is Place.OVER:
            return Kept.OVER
        if turn.serving != serving:
            return Kept.NOT_IN_TURN
        if turn.place is not Place.OPEN:
            return Kept.TOO_EARLY
        poured = occasion.local(occasion.poured[serving.flight])
        same_day = poured.date() == occasion.local(now).date()
        return Kept.NOW if same_day else Kept.OVER

    def _look_again(self) -> None:
        with self._lock:
            self._written += 1

    def _catch_up(self, session: Session) -> None:
        with self._lock:
            last = head(session).seq
            if last <= self._seen:
                return
            plans = (SITTING.name, CONFIRMATION_PLAN.name)
            fresh = list(records_in(session, after=self._seen, kinds=(*plans, *KINDS)))
            if self._seen == 0 or any(record.kind in plans for record in fresh):
                self._known |= {one.name: one for one in _going_on(session, self._known)}
            else:
                for record in fresh:
                    for name in {record.subject, record.content.get("test")}:
                        if name in self._known:
                            self._known[name].take(record)
            self._seen = last
            self._sessions = {
                digest: (one, who)
                for one in self._known.values()
                for who, digest in one.sessions.items()
            }


def _going_on(session: Session, known: Collection[str]) -> Iterator[Occasion]:
    """Yield every sitting and test that is not over, and those named, made anew."""
    for name, (_, sitting) in latest_bodies(session, SITTING).items():
        records = _about(session, name)
        ended = any(one.kind in (CLOSING.name, CANCELLATION.name) for one in records)
        if not ended or name in known:
            rules = sheet_rules([found.rule for found in rules_used(session, sitting).values()])
            yield occasion_of(sitting, rules, records)
    for name, (_, plan) in latest_bodies(session, CONFIRMATION_PLAN).items():
        answered = [body.test for _, body in bodies_about(session, CONFIRMATION, plan.lot)]
        if name in answered and name not in known:
            continue
        last = last_sitting_of(session, plan.lot)
        if last is not None:
            one = trial_occasion(plan, as_sitting(plan, last), _about(session, name))
            one.over = name in answered
            yield one


def _about(session: Session, name: str) -> list[Record]:
    return records_about(session, name, kinds=KINDS)


def _sheet(occasion: Occasion, one: _Waiting, now: datetime) -> Sheet:
    poured = occasion.poured[one.answer.serving.flight]
    times = {
        "poured": f"{occasion.local(poured):%H:%M}",
        "nosed": f"{occasion.local(now):%H:%M}",
    }
    glass = Glass.model_validate((one.answer.glass or {}) | times)
    return Sheet(sitting=one.occasion, assessor=one.assessor, glasses=(glass,))


def _choice(one: _Waiting) -> Choice:
    return Choice(
        test=one.occasion,
        assessor=one.assessor,
        number=one.answer.serving.flight,
        code=one.answer.choice,
    )


def _refused(name: str, found: str, mend: str) -> InputError:
    return InputError(Fault("", 0, name, found, mend))
