"""The door: where a visitor types the code that lets them in, and how often it may be wrong."""

from __future__ import annotations

import secrets

from starlette.requests import Request
from starlette.responses import Response

from bulkflow.web.limits import GuessLimit
from bulkflow.web.pages import Pages
from bulkflow.web.sessions import Cookie, Signer

__all__ = ["CODE_LENGTH", "CODE_LETTERS", "Door", "draw_code", "plain_code"]

CODE_LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Letters and figures that are not taken for one another; five bits each."""
CODE_LENGTH = 12
_GROUP = 4


def draw_code() -> str:
    """Draw a code nobody can guess, in groups."""
    return _grouped("".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH)))


def plain_code(typed: str) -> str:
    """Return a code as it was drawn, however it was typed; empty where it can be none."""
    letters = "".join(one for one in typed.upper() if one.isalnum())
    return _grouped(letters) if len(letters) == CODE_LENGTH else ""


def _grouped(letters: str) -> str:
    return "-".join(letters[n : n + _GROUP] for n in range(0, len(letters), _GROUP))


class Door:
    """A page that asks for a code; ``trouble`` and ``form`` are what its template is told.

    Parameters
    ----------
    template : of the page.
    signer : of its form.
    visit : cookie of a visitor who is not known yet, so that the form is ours.
    limit : of wrong codes, by visitor and by address.
    """

    def __init__(
        self, pages: Pages, template: str, signer: Signer, visit: Cookie, limit: GuessLimit
    ) -> None:
        self.pages, self.template, self.signer = pages, template, signer
        self.visit, self.limit = visit, limit

    def show(self, request: Request, trouble: str = "", status: int = 200) -> Response:
        """Return the page, with what went wrong."""
        visit = self.visit.read(request) or secrets.token_urlsafe(16)
        form = self.signer.form_key(visit)
        answer = self.pages.show(request, self.template, status, trouble=trouble, form=form)
        self.visit.put(answer, visit)
        return answer

    async def code(self, request: Request) -> str | Response:
        """Return the code that was typed, or the page that does not hear one now."""
        form, visit = await request.form(), self.visit.read(request)
        if not visit or not self.signer.is_our_form(visit, form.get("form")):
            trouble = "This page had gone stale. Please type your code again."
            return self.show(request, trouble, 403)
        if wait := self.limit.wait(*self._keys(request)):
            answer = self.show(request, f"Too many codes were wrong. Wait {wait} seconds.", 429)
            answer.headers["Retry-After"] = str(wait)
            return answer
        return plain_code(str(form.get("code", "")))

    def wrong(self, request: Request, trouble: str) -> Response:
        """Count a wrong code, and say so."""
        self.limit.failed(*self._keys(request))
        return self.show(request, trouble, 403)

    def _keys(self, request: Request) -> tuple[str, str]:
        sender = "" if request.client is None else request.client.host
        return f"visit {self.visit.read(request)}", f"from {sender}"
