"""Pages from templates in the shared frame, and files beside them that never change."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from bulkflow.paper import look
from bulkflow.web.security import nonce_of

__all__ = ["Pages"]

_TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
_LONG = "public, max-age=31536000, immutable"
_SHARED = "bulkflow.web"


class Pages:
    """Templates of one application in the shared frame ``layout.html``.

    Parameters
    ----------
    package : whose ``templates`` and ``static`` folders hold what is its own.
    files : names of its static files, beside the shared ones.
    """

    def __init__(self, package: str, files: tuple[str, ...] = ()) -> None:
        own, shared = PackageLoader(package), PackageLoader(_SHARED)
        self._environment = Environment(
            loader=ChoiceLoader([own, shared]),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._files: Mapping[str, bytes] = {
            name: _content(owner, name)
            for owner, names in ((_SHARED, ("base.css", "web.css")), (package, files))
            for name in names
        }
        self._environment.globals["static"] = self._address

    def show(
        self, request: Request, template: str, status: int = 200, **values: Any
    ) -> HTMLResponse:
        """Return a page."""
        found = self._environment.get_template(template)
        return HTMLResponse(
            found.render(nonce=nonce_of(request.scope), **values), status_code=status
        )

    def part(self, template: str, **values: Any) -> Markup:
        """Return a part of a page, which is alike for whoever asks."""
        return Markup(self._environment.get_template(template).render(**values))

    @property
    def route(self) -> Route:
        """Where browsers find the files; their address changes with what is in them."""
        return Route("/static/{mark}/{name}", self._file)

    def _address(self, name: str) -> str:
        return f"/static/{_mark(self._files[name])}/{name}"

    async def _file(self, request: Request) -> Response:
        name, mark = request.path_params["name"], request.path_params["mark"]
        content = self._files.get(name)
        if content is None or mark != _mark(content):
            return PlainTextResponse("There is no such file.\n", 404)
        kind = _TYPES[name.rsplit(".", 1)[-1]]
        return Response(content, media_type=kind, headers={"Cache-Control": _LONG})


def _content(package: str, name: str) -> bytes:
    if (package, name) == (_SHARED, "base.css"):
        return look().encode()
    return (resources.files(package) / "static" / name).read_bytes()


@cache
def _mark(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:12]
