"""What a leader's browser is sent: who is where, and the acts of a sitting.

Each act is a named person's, with the role it needs, and refused with the reason otherwise. Scores
are not looked at before the close; the key stays in its file until then.
"""

from __future__ import annotations

import base64
import json
import math
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

from markupsafe import Markup
from pydantic import ValidationError
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from bulkflow.errors import BulkflowError, Fault, InputError
from bulkflow.lots.bodies import Gate
from bulkflow.lots.deciding import override_gates
from bulkflow.lots.evidence_pictures import decision_picture
from bulkflow.lots.queries import find_lot
from bulkflow.lots.tables import DECISION
from bulkflow.records import Role, records_about
from bulkflow.web.door import Door, draw_code
from bulkflow.web.pages import Pages
from bulkflow.web.sessions import Cookie, Signer, digest_of
from panels.booth.assessor_pages import AssessorPages
from panels.booth.desk import Desk
from panels.booth.occasion import Occasion, Place
from panels.errors import PanelsError
from panels.records import CHOICE, PreparedSample, bodies_about
from panels.sittings.amending import amend_glass
from panels.sittings.confirming import (
    chosen_answers,
    find_confirmation,
    plan_confirmation,
    record_confirmation,
    register_confirmation,
)
from panels.sittings.course import Courses
from panels.sittings.deciding import Judgement, decide_sitting, judge_course, judge_sitting
from panels.sittings.history import HeldSitting, find_sitting, list_sittings
from panels.sittings.keys import draw_seed, key_path, read_key, write_key
from panels.sittings.planning import register_sitting
from panels.sittings.queueing import plan_next, queue_lots
from panels.sittings.recording import close_sitting, record_preparation
from panels.sittings.scores import strength_mend

__all__ = ["LeaderPages"]

HOURS = 12
"""A leader signs in anew after so many."""
NEWEST = 8
"""Sittings shown on the first page."""

Deed = Callable[[str, Occasion, FormData], Awaitable[str]]


@dataclass(frozen=True, slots=True)
class Seated:
    """One assessor, as the leader sees them."""

    assessor: str
    where: str
    answered: int
    of: int
    last: str
    heard: str
    code: str


@dataclass(frozen=True, slots=True)
class JudgedLotShown:
    """One lot after the close."""

    lot: str
    verdict: str
    why: str
    decided: int | None
    status: str
    picture: Markup


class LeaderPages:
    """Sign in by name, serve, close, decide.

    Parameters
    ----------
    cookie : of a leader who signed in.
    door : where their codes are typed.
    codes : personal codes of those who may sign in, by name; told to them by who starts the booth.
    assessors : knows when each assessor's browser was last heard of.
    """

    def __init__(
        self,
        desk: Desk,
        folder: Path,
        pages: Pages,
        signer: Signer,
        cookie: Cookie,
        door: Door,
        codes: Mapping[str, str],
        assessors: AssessorPages,
    ) -> None:
        self.desk, self.folder, self.pages, self.signer = desk, folder, pages, signer
        self.cookie, self.door = cookie, door
        self.names = {digest_of(code): name for name, code in codes.items()}
        self.assessors = assessors
        self._deeds: dict[str, Deed] = {
            "prepare": self._prepare,
            "pour": self._pour,
            "close": self._close,
            "decide": self._decide,
            "amend": self._amend,
            "override": self._override,
        }

    @property
    def routes(self) -> list[Route]:
        """Where they are found."""
        return [
            Route("/lead", self.home),
            Route("/lead/enter", self.enter, methods=["POST"]),
            Route("/lead/leave", self.leave, methods=["POST"]),
            Route("/lead/next", self.next, methods=["POST"]),
            # names of sittings may hold a slash
            Route("/lead/{name:path}/codes", self.codes, methods=["POST"]),
            Route("/lead/{name:path}/{deed}", self.deed, methods=["POST"]),
            Route("/lead/{name:path}", self.look),
        ]

    async def home(self, request: Request) -> Response:
        """Show sittings and tests, and what waits for one."""
        person = self._person(request)
        return self.door.show(request) if person is None else await self._home(request, person)

    async def enter(self, request: Request) -> Response:
        """Redeem a leader's code."""
        code = await self.door.code(request)
        if isinstance(code, Response):
            return code
        person = self.names.get(digest_of(code))
        if person is None:
            return self.door.wrong(request, "This code is nobody's.")
        until = int((self.desk.now + timedelta(hours=HOURS)).timestamp())
        said = json.dumps([person, until, secrets.token_hex(8)])
        text = base64.urlsafe_b64encode(said.encode()).decode("ascii")
        answer = RedirectResponse("/lead", 303)
        self.cookie.put(answer, self.signer.sign("lead", text))
        return answer

    async def leave(self, request: Request) -> Response:
        """End the session."""
        form = await request.form()
        answer = RedirectResponse("/lead", 303)
        if self.signer.is_our_form(self.cookie.read(request), form.get("form")):
            self.cookie.end(answer)
        return answer

    async def next(self, request: Request) -> Response:
        """Plan the next sitting from the queue, or a test of a lot in it."""
        person = self._person(request)
        form = await request.form()
        if person is None or not self._is_ours(request, form):
            return self.door.show(request, "Please sign in again; nothing was done.", 403)
        plan = self._plan_test if _text(form, "lot") else self._plan_sitting
        try:
            name = await run_in_threadpool(self.desk.act, person, lambda s: plan(s, form))
        except (BulkflowError, PanelsError, ValueError) as error:
            given = {name: _text(form, name) for name in ("name", "on", "water", "lots")}
            return await self._home(request, person, trouble=_words(error), given=given)
        return RedirectResponse(f"/lead/{quote(name)}", 303)

    def _plan_sitting(self, session: Session, form: FormData) -> str:
        name = _text(form, "name")
        planned = plan_next(
            session,
            name=name,
            held_on=_day(form),
            water=_text(form, "water"),
            lots=_whole(form, "lots"),
            seed=draw_seed(),
        )
        register_sitting(session, planned, key_file=key_path(self.folder, name))
        return name

    def _plan_test(self, session: Session, form: FormData) -> str:
        name, lot = _text(form, "name"), _text(form, "lot")
        standing = [note for note, _ in Courses(session).of(lot).standing.notes]
        if len(standing) != 1:
            found = f"has {', '.join(standing) or 'no off-note'} standing"
            mend = "Plan its test by name: panels confirm plan."
            raise InputError(Fault("", 0, lot, found, mend))
        planned = plan_confirmation(
            session,
            test=name,
            lot=lot,
            note=standing[0],
            held_on=_day(form),
            seed=draw_seed(),
            sets=_whole(form, "sets"),
        )
        register_confirmation(session, planned)
        write_key(key_path(self.folder, name), planned.key)
        return name

    async def look(self, request: Request) -> Response:
        """Show one sitting or test."""
        person = self._person(request)
        if person is None:
            return self.door.show(request)
        return await self._show(request, person, request.path_params["name"])

    async def codes(self, request: Request) -> Response:
        """Draw personal codes; they are shown this once."""
        person, name = self._person(request), request.path_params["name"]
        form = await request.form()
        if person is None or not self._is_ours(request, form):
            return self.door.show(request, "Please sign in again; nothing was done.", 403)
        one = await run_in_threadpool(self.desk.occasion, name)
        chosen = _text(form, "assessor")
        people = [
            who
            for who in (() if one is None else one.assessors)
            if who == chosen or (not chosen and one is not None and who not in one.sessions)
        ]
        drawn = {who: draw_code() for who in people}
        try:
            digests = {who: digest_of(code) for who, code in drawn.items()}
            await run_in_threadpool(self.desk.give_seats, person, name, digests)
        except BulkflowError as error:
            return await self._show(request, person, name, trouble=_words(error))
        return self.pages.show(
            request, "codes.html", **self._frame(request, person), name=name, codes=drawn
        )

    async def deed(self, request: Request) -> Response:
        """Do one of the acts of a sitting."""
        person, name = self._person(request), request.path_params["name"]
        form = await request.form()
        if person is None or not self._is_ours(request, form):
            return self.door.show(request, "Please sign in again; nothing was done.", 403)
        deed = self._deeds.get(request.path_params["deed"])
        one = await run_in_threadpool(self.desk.occasion, name)
        if deed is None or one is None:
            return await self._show(request, person, name, trouble="There is no such act.")
        try:
            await deed(person, one, form)
        except (BulkflowError, PanelsError, ValueError) as error:
            return await self._show(request, person, name, trouble=_words(error))
        return RedirectResponse(f"/lead/{quote(name)}", 303)

    async def _prepare(self, person: str, one: Occasion, form: FormData) -> str:
        def prepare(session: Session) -> None:
            sitting = find_sitting(session, one.name).sitting
            faults, samples = [], []
            for subject in sitting.samples:
                given = _text(form, f"strength:{subject}")
                try:
                    value = float(given.replace(",", "."))
                    mend = strength_mend(value, sitting.target_strength)
                except ValueError:
                    value, mend = 0.0, "Give the measured strength in % vol, such as 20.05."
                if mend or not math.isfinite(value):
                    faults.append(Fault("", 0, subject, f"is {given or 'not given'}", mend))
                else:
                    samples.append(PreparedSample(subject=subject, diluted_strength=value))
            if faults:
                raise InputError(faults)
            record_preparation(session, one.name, samples, prepared_by=person)

        await run_in_threadpool(self.desk.act, person, prepare)
        return "prepared"

    async def _pour(self, person: str, one: Occasion, form: FormData) -> str:
        flight = _whole(form, "flight")
        await run_in_threadpool(self.desk.pour, person, one.name, flight)
        return "poured"

    async def _close(self, person: str, one: Occasion, form: FormData) -> str:
        missing = sum(map(len, one.servings.values())) - one.answered
        if one.rules is not None and missing and _text(form, "sure") != "yes":
            mend = "Wait for them, or say that you close all the same."
            raise InputError(Fault("", 0, one.name, f"lacks {missing} answers", mend))

        def close(session: Session) -> None:
            key = key_path(self.folder, one.name)
            if one.rules is None:
                plan = find_confirmation(session, one.name)
                choices = [body for _, body in bodies_about(session, CHOICE, one.name)]
                found = read_key(key, sitting=one.name, digest=plan.key_digest)
                record_confirmation(session, plan, chosen_answers(plan, found, choices))
                return
            held = find_sitting(session, one.name)
            found = read_key(key, sitting=one.name, digest=held.sitting.key_digest)
            close_sitting(session, one.name, found, remarks=_text(form, "remarks") or None)

        await run_in_threadpool(self.desk.act, person, close)
        return "closed"

    async def _decide(self, person: str, one: Occasion, form: FormData) -> str:
        await run_in_threadpool(
            self.desk.act, person, lambda session: decide_sitting(session, one.name)
        )
        return "decided"

    async def _amend(self, person: str, one: Occasion, form: FormData) -> str:
        def amend(session: Session) -> None:
            amend_glass(
                session,
                one.name,
                _text(form, "assessor"),
                _text(form, "code"),
                field=_text(form, "column"),
                value=_text(form, "value"),
                reason=_text(form, "reason"),
            )

        await run_in_threadpool(self.desk.act, person, amend)
        return "amended"

    async def _override(self, person: str, one: Occasion, form: FormData) -> str:
        def override(session: Session) -> None:
            override_gates(
                session,
                _text(form, "lot"),
                [Gate.DECISION],
                role=Role(_text(form, "role")),
                reason=_text(form, "reason"),
            )

        if len(_text(form, "reason").split()) < 2:
            raise InputError(
                Fault("", 0, "reason", "is missing", "Say in a few words why the lot may ship.")
            )
        await run_in_threadpool(self.desk.act, person, override)
        return "overridden"

    def _person(self, request: Request) -> str | None:
        text = self.signer.text_of("lead", self.cookie.read(request))
        if not text:
            return None
        person, until, _ = json.loads(base64.urlsafe_b64decode(text))
        return str(person) if until > self.desk.now.timestamp() else None

    def _is_ours(self, request: Request, form: FormData) -> bool:
        return self.signer.is_our_form(self.cookie.read(request), form.get("form"))

    def _frame(self, request: Request, person: str) -> dict[str, Any]:
        return {"person": person, "form": self.signer.form_key(self.cookie.read(request))}

    async def _home(
        self,
        request: Request,
        person: str,
        *,
        trouble: str = "",
        given: Mapping[str, str] | None = None,
    ) -> Response:
        today = self.desk.now.astimezone().date()

        def question(session: Session) -> tuple[list[HeldSitting], list[Any]]:
            queued = queue_lots(session, start=today, weekdays=range(5), lots_per_sitting=4)
            return list_sittings(session)[::-1][:NEWEST], queued

        held, queued = await run_in_threadpool(self.desk.ask, question)
        going_on = await run_in_threadpool(self.desk.occasions)
        return self.pages.show(
            request,
            "lead.html",
            422 if trouble else 200,
            **self._frame(request, person),
            held=held,
            tests=[one for one in going_on.values() if one.rules is None],
            queued=queued,
            trouble=trouble,
            given={"name": "", "on": str(today), "lots": "4", "water": ""} | dict(given or {}),
        )

    async def _show(
        self, request: Request, person: str, name: str, *, trouble: str = ""
    ) -> Response:
        one = await run_in_threadpool(self.desk.occasion, name)
        if one is None:
            return await self._home(
                request, person, trouble=trouble or f"No sitting or test called {name} goes on."
            )
        judged = await run_in_threadpool(self.desk.ask, lambda s: _judged(s, one))
        to_make = await run_in_threadpool(self.desk.ask, lambda s: _to_make(s, one))
        return self.pages.show(
            request,
            "occasion.html",
            422 if trouble else 200,
            **self._frame(request, person),
            occasion=one,
            seated=[self._seated(one, who) for who in one.assessors],
            poured={n: f"{one.local(at):%H:%M:%S}" for n, at in one.poured.items()},
            opens={n: f"{one.local(at + one.earliest):%H:%M:%S}" for n, at in one.poured.items()},
            now=f"{one.local(self.desk.now):%H:%M:%S}",
            total=sum(map(len, one.servings.values())),
            judged=judged,
            to_make=to_make,
            folder=self.folder,
            roles=[role.value for role in Role],
            columns=["score", "off_notes", "remarks", *one.attributes],
            trouble=trouble,
        )

    def _seated(self, one: Occasion, who: str) -> Seated:
        now = self.desk.now
        turn, done = one.turn(who, now, self.desk.pause), one.answers.get(who, {})
        where = turn.place.value
        if turn.place in (Place.RESTING, Place.PAUSING) and turn.opens is not None:
            where = f"{where} until {one.local(turn.opens):%H:%M:%S}"
        if turn.place is Place.OPEN and turn.ends is not None:
            late = now > turn.ends
            where = f"late: its window ended at {one.local(turn.ends):%H:%M}" if late else where
            where += (
                "" if late or turn.opens is None else f" since {one.local(turn.opens):%H:%M:%S}"
            )
        if who not in one.sessions and turn.place not in (Place.FINISHED, Place.OVER):
            where = "missing" if one.poured else "not here yet"
        heard = self.assessors.last_heard.get((one.name, who))
        return Seated(
            who,
            where,
            len(done),
            turn.of,
            f"{one.local(max(done.values())):%H:%M:%S}" if done else "-",
            "-" if heard is None else _ago(now - heard),
            "taken" if who in one.sessions else "given" if who in one.seats else "none",
        )


def _to_make(session: Session, one: Occasion) -> tuple[str, ...]:
    """Return the samples whose diluted strength is still to be recorded."""
    if one.over or one.rules is None:
        return ()
    held = find_sitting(session, one.name)
    return () if held.preparation is not None else held.sitting.samples


def _judged(session: Session, one: Occasion) -> list[JudgedLotShown]:
    """Return what a closed sitting or test says of its lots; nothing before."""
    if not one.over:
        return []
    if one.rules is None:
        lot = find_confirmation(session, one.name).lot
        return [_shown(session, lot, judge_course(Courses(session).of(lot)), since=0)]
    held = find_sitting(session, one.name)
    if held.closing is None:
        return []
    return [
        _shown(session, lot, judgement, since=held.closing[0].seq)
        for lot, judgement in judge_sitting(session, held)[1].items()
    ]


def _shown(session: Session, lot: str, judgement: Judgement, *, since: int) -> JudgedLotShown:
    made = records_about(session, lot, kinds=(DECISION.name,))
    mine = next((record for record in reversed(made) if record.seq > since), None)
    evidence = None if mine is None else mine.content.get("evidence")
    return JudgedLotShown(
        lot,
        judgement.verdict.value,
        judgement.why,
        None if mine is None else mine.seq,
        find_lot(session, lot).status.value,
        # drawn by this program from numbers and escaped texts
        Markup(decision_picture(evidence, name=f"lot-{lot}") if evidence else ""),
    )


def _ago(gone: timedelta) -> str:
    seconds = max(0, int(gone.total_seconds()))
    return f"{seconds} s ago" if seconds < 120 else f"{seconds // 60} min ago"


def _text(form: FormData, name: str) -> str:
    return str(form.get(name, "")).strip()


def _whole(form: FormData, name: str) -> int:
    text = _text(form, name)
    if not (text.isascii() and text.isdecimal() and len(text) < 6):
        raise InputError(Fault("", 0, name, f"is {text!r}", "Give a whole number."))
    return int(text)


def _words(error: Exception) -> str:
    """Say what was refused, and the way out."""
    if isinstance(error, ValidationError):
        told = [(" ".join(map(str, one["loc"])), one["msg"]) for one in error.errors()]
        return "; ".join(f"{where}: {said}" for where, said in told)
    return str(error)


def _day(form: FormData) -> date:
    try:
        return date.fromisoformat(_text(form, "on"))
    except ValueError as error:
        mend = "Give a day as 2027-01-05."
        raise InputError(Fault("", 0, "day", f"is {_text(form, 'on')!r}", mend)) from error
