"""What an assessor's browser is sent: blind codes, one serving at a time, in their own order."""

from __future__ import annotations

import asyncio
import math
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from bulkflow.web.door import Door
from bulkflow.web.pages import Pages
from bulkflow.web.sessions import Cookie, Signer, digest_of
from panels.booth.desk import Desk, Kept
from panels.booth.forms import (
    ATTRIBUTE_STEPS,
    LONGEST_REMARK,
    NO_SCORE,
    Answer,
    fields_of,
    read_answer,
)
from panels.booth.occasion import Occasion, Place, Turn
from panels.preparation import cautions

__all__ = ["AssessorPages"]

TROUBLES = {
    Kept.NOT_IN_TURN: "That serving is not in front of you now. Nothing was kept of it.",
    Kept.TOO_EARLY: "That serving is not open yet. Nothing was kept of it.",
    Kept.OVER: "No answers are taken any more. Nothing was kept; tell the leader.",
}


@dataclass(frozen=True, slots=True)
class Visitor:
    """Whose page it is."""

    token: str
    occasion: Occasion
    assessor: str


class AssessorPages:
    """Sign in with a personal code, nose, answer.

    Parameters
    ----------
    desk : keeps what comes in.
    pages : templates.
    signer : of forms.
    seat : cookie of an admitted assessor.
    door : where their codes are typed.
    """

    def __init__(self, desk: Desk, pages: Pages, signer: Signer, seat: Cookie, door: Door) -> None:
        self.desk, self.pages, self.signer, self.seat, self.door = desk, pages, signer, seat, door
        self.last_heard: dict[tuple[str, str], datetime] = {}
        self._empty: dict[str, Markup] = {}
        self._looking = asyncio.Lock()

    @property
    def routes(self) -> list[Route]:
        """Where they are found."""
        return [
            Route("/", self.home),
            Route("/enter", self.enter, methods=["POST"]),
            Route("/answer", self.answer, methods=["POST"]),
            Route("/turn", self.mark),
        ]

    async def home(self, request: Request) -> Response:
        """Show whose turn it is for what, or where to sign in."""
        visitor = await self._visitor(request)
        if visitor is None:
            return self.door.show(request)
        return self._turn_page(request, visitor)

    async def mark(self, request: Request) -> Response:
        """Say what the page would show, for the clock to ask."""
        visitor = await self._visitor(request)
        return PlainTextResponse("door" if visitor is None else self._turn(visitor).mark)

    async def enter(self, request: Request) -> Response:
        """Redeem a personal code into a session."""
        code = await self.door.code(request)
        if isinstance(code, Response):
            return code
        token = secrets.token_urlsafe(32)
        digests = digest_of(code), digest_of(token)
        if not code or not await run_in_threadpool(self.desk.admit, *digests):
            words = "This code opens no seat: it is mistyped, was used, or its sitting is over."
            return self.door.wrong(request, f"{words} Ask the leader for a new one.")
        answer = RedirectResponse("/", 303)
        self.seat.put(answer, token)
        return answer

    async def answer(self, request: Request) -> Response:
        """Show an answer again before it is kept; keep a confirmed one, once."""
        visitor = await self._visitor(request)
        form = await request.form()
        if visitor is None:
            return self.door.show(request, "Your session has ended. Nothing was kept.", 403)
        if not self.signer.is_our_form(visitor.token, form.get("form")):
            return self._turn_page(
                request, visitor, trouble="The form was not this page's.", status=403
            )
        turn = self._turn(visitor)
        codes = str(form.get("codes", ""))
        done = visitor.occasion.answers.get(visitor.assessor, {})
        if codes.split(" ")[0] in done:
            return RedirectResponse("/", 303)  # sent again: it was kept the first time
        if turn.place is Place.OVER:
            return self._turn_page(request, visitor, trouble=TROUBLES[Kept.OVER], status=409)
        if turn.serving is None or codes != " ".join(turn.serving.codes):
            return self._turn_page(request, visitor, trouble=TROUBLES[Kept.NOT_IN_TURN], status=409)
        if turn.place is not Place.OPEN:
            return self._turn_page(request, visitor, trouble=TROUBLES[Kept.TOO_EARLY], status=409)
        given = _given(visitor.occasion, form)
        found, wrong = read_answer(visitor.occasion, turn.serving, given)
        step = form.get("step")
        if found is None or step not in ("check", "confirm"):
            return self._turn_page(
                request, visitor, given=given, wrong=wrong, status=422 if wrong else 200
            )
        if step == "check":
            return self._check_page(request, visitor, found, given)
        kept = await asyncio.wrap_future(
            self.desk.keep(visitor.occasion.name, visitor.assessor, found)
        )
        if kept in TROUBLES:
            return self._turn_page(request, visitor, trouble=TROUBLES[kept], status=409)
        return RedirectResponse("/", 303)

    async def _visitor(self, request: Request) -> Visitor | None:
        token = self.seat.read(request)
        if not token:
            return None
        if not self.desk.is_fresh:
            async with self._looking:  # the first one looks for all who wait
                if not self.desk.is_fresh:
                    await run_in_threadpool(self.desk.catch_up)
        found = self.desk.whose(digest_of(token))
        if found is None:
            return None
        occasion, assessor = found
        self.last_heard[occasion.name, assessor] = self.desk.now
        return Visitor(token, occasion, assessor)

    def _turn(self, visitor: Visitor) -> Turn:
        return visitor.occasion.turn(visitor.assessor, self.desk.now, self.desk.pause)

    def _turn_page(
        self,
        request: Request,
        visitor: Visitor,
        *,
        given: dict[str, str] | None = None,
        wrong: dict[str, str] | None = None,
        trouble: str = "",
        status: int = 200,
    ) -> Response:
        turn, occasion = self._turn(visitor), visitor.occasion
        return self.pages.show(
            request,
            "turn.html",
            status,
            **self._common(visitor, turn),
            fields=self._fields(occasion, turn, given or {}, wrong or {}),
            wrong=wrong or {},
            trouble=trouble,
            seconds=_seconds(turn, self.desk.now),
            opens=_clock(occasion, turn.opens),
            ends="" if turn.ends is None else f"{occasion.local(turn.ends):%H:%M}",
            late=turn.ends is not None and self.desk.now > turn.ends,
            cautions=cautions.ASSESSORS,
        )

    def _fields(
        self, occasion: Occasion, turn: Turn, given: dict[str, str], wrong: dict[str, str]
    ) -> Markup:
        """Return what is filled in of a serving; a glass's empty fields are alike for everybody."""
        if turn.place is not Place.OPEN:
            return Markup()
        alike = occasion.rules is not None and not given and not wrong
        if alike and occasion.name in self._empty:
            return self._empty[occasion.name]
        made = self.pages.part(
            "fields.html",
            occasion=occasion,
            codes=() if turn.serving is None else turn.serving.codes,
            given=given,
            wrong=wrong,
            scores=() if occasion.rules is None else [f"{one:g}" for one in occasion.rules.steps],
            steps=ATTRIBUTE_STEPS,
            no_score=NO_SCORE,
            longest=LONGEST_REMARK,
        )
        if alike:
            self._empty[occasion.name] = made
        return made

    def _check_page(
        self, request: Request, visitor: Visitor, found: Answer, given: dict[str, str]
    ) -> Response:
        turn = self._turn(visitor)
        return self.pages.show(
            request,
            "check.html",
            **self._common(visitor, turn),
            given=given,
            said=list(_said(visitor.occasion, found)),
        )

    def _common(self, visitor: Visitor, turn: Turn) -> dict[str, Any]:
        return {
            "occasion": visitor.occasion,
            "assessor": visitor.assessor,
            "turn": turn,
            "form": self.signer.form_key(visitor.token),
        }


def _given(occasion: Occasion, form: FormData) -> dict[str, str]:
    """Return what a form says in the fields there are."""
    return {name: str(form[name]) for name in fields_of(occasion) if name in form}


def _said(occasion: Occasion, found: Answer) -> list[tuple[str, str]]:
    """Put an answer into words, to be looked at before it is kept."""
    if found.glass is None:
        return [(f"The one that is {occasion.note}", found.choice)]
    glass = found.glass
    named = ", ".join(f"{one['note']} {one['intensity']}" for one in glass["off_notes"])
    return [
        ("Quality", "no score" if glass["score"] is None else f"{glass['score']:g}"),
        *((name, f"{value:g}") for name, value in glass["attributes"].items()),
        ("Off-notes", named or "none noticed"),
        ("Remarks", glass["remarks"] or "none"),
    ]


def _clock(occasion: Occasion, instant: datetime | None) -> str:
    """Return a time of day to the second, rounded up: what it says has come by then."""
    if instant is None:
        return ""
    up = instant + timedelta(microseconds=999_999)
    return f"{occasion.local(up.replace(microsecond=0)):%H:%M:%S}"


def _seconds(turn: Turn, now: datetime) -> int:
    if turn.opens is None or turn.place is Place.OPEN:
        return 0
    return max(0, math.ceil((turn.opens - now).total_seconds()))
