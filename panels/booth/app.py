"""The booth as one application: assessors' pages and leaders', behind the guard."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response

from bulkflow.errors import BulkflowError
from bulkflow.web.door import Door
from bulkflow.web.limits import GuessLimit
from bulkflow.web.pages import Pages
from bulkflow.web.security import Guard
from bulkflow.web.serving import Address
from bulkflow.web.sessions import Cookie, Signer, secret_in
from panels.booth.assessor_pages import AssessorPages
from panels.booth.desk import Desk
from panels.booth.leader_pages import LeaderPages

__all__ = ["make_booth", "secret_file"]

GUESSES, GUESS_SECONDS = 10, 300.0
"""Wrong codes from one browser or address in that time; then it waits."""
SEAT_SECONDS = 18 * 3600


def secret_file(folder: Path) -> Path:
    """Return where a workspace keeps what its booth signs forms with."""
    return folder / "panel" / "keys" / "booth.secret"


def make_booth(desk: Desk, folder: Path, address: Address, leaders: Mapping[str, str]) -> Guard:
    """Put the pages together.

    Parameters
    ----------
    desk : of the workspace's register; closed with the application.
    folder : the workspace.
    leaders : codes of those who may lead, by name.
    """
    signer = Signer(secret_in(secret_file(folder)))
    pages = Pages("panels.booth", ("clock.js", "watch.js"))
    limit = GuessLimit(GUESSES, GUESS_SECONDS)
    visit = Cookie("visit", address.secure, SEAT_SECONDS)
    assessors = AssessorPages(
        desk,
        pages,
        signer,
        Cookie("seat", address.secure, SEAT_SECONDS),
        Door(pages, "enter.html", signer, visit, limit),
    )
    leading = LeaderPages(
        desk,
        folder,
        pages,
        signer,
        Cookie("lead", address.secure, SEAT_SECONDS),
        Door(pages, "lead_enter.html", signer, visit, limit),
        leaders,
        assessors,
    )

    async def trouble(request: Request, error: Exception) -> Response:
        """Say what went wrong without what only a log should hold."""
        words = "Nothing of it could be kept. Try again in a moment, or tell the leader."
        return pages.show(request, "trouble.html", 503, words=words)

    async def missing(request: Request, error: Exception) -> Response:
        return pages.show(request, "trouble.html", 404, words="There is no such page.")

    @asynccontextmanager
    async def living(_: Starlette) -> AsyncIterator[None]:
        yield
        desk.close()

    app = Starlette(
        routes=[*assessors.routes, *leading.routes, pages.route],
        exception_handlers={BulkflowError: trouble, 404: missing},
        lifespan=living,
    )
    return Guard(app, hosts=address.hosts, secure=address.secure)
