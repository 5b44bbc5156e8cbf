"""Headers of every answer, and the requests that are heard at all.

A page may run only the scripts and show only the styles that this server sends it, speak to this
server alone, and be framed by nobody. A request for another host's name is refused (a foreign page
could otherwise reach a server on this machine by a name of its own), and so is a form that another
site sent.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections.abc import Collection

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["ANY_ADDRESS", "LARGEST_BODY", "LOOPBACK_NAMES", "Guard", "content_policy", "nonce_of"]

LARGEST_BODY = 64 * 1024
"""Bytes of a form; ours have a few hundred."""

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})

ANY_ADDRESS = "any address"
"""Stands among the names for every address in figures: no foreign page can have one of ours."""

_STEADY = {
    "X-Content-Type-Options": "nosniff",
    # not no-referrer: a browser would then name no origin for our own forms either
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "X-Frame-Options": "DENY",
}


def content_policy(nonce: str) -> str:
    """Return the content security policy of a page whose inline scripts carry a nonce."""
    return (
        "default-src 'none'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        f"form-action 'self'; base-uri 'none'; frame-ancestors 'none'; script-src 'nonce-{nonce}'"
    )


def nonce_of(scope: Scope) -> str:
    """Return the nonce for scripts of the answer to this request."""
    return str(scope["bulkflow.nonce"])


class Guard:
    """ASGI middleware around everything a server says and hears.

    Parameters
    ----------
    hosts : names under which the server may be asked, without port.
    secure : whether browsers reach it by HTTPS (through what stands before it).
    largest_body : bytes of a request's body that are read.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Collection[str] = LOOPBACK_NAMES,
        secure: bool = False,
        largest_body: int = LARGEST_BODY,
    ) -> None:
        self.app = app
        self.hosts = frozenset(host.lower() for host in hosts)
        self.secure, self.largest_body = secure, largest_body

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        scope["bulkflow.nonce"] = nonce = secrets.token_urlsafe(16)

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _STEADY.items():
                    headers[name] = value
                headers["Content-Security-Policy"] = content_policy(nonce)
                if self.secure:
                    headers["Strict-Transport-Security"] = "max-age=31536000"
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, sending)
            return
        await self.app(scope, _Counted(receive, self.largest_body), sending)

    def _is_known(self, name: str) -> bool:
        return name in self.hosts or (ANY_ADDRESS in self.hosts and _is_address(name))

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "").lower()
        if not self._is_known(_without_port(host)):
            return PlainTextResponse("This server is not known by that name.\n", 421)
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > self.largest_body:
            return PlainTextResponse("The form is too large.\n", 413)
        if scope["method"] in {"GET", "HEAD"}:
            return None
        origin = headers.get("origin")
        foreign = origin is not None and origin.split("://")[-1].lower() != host
        if foreign or headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
            return PlainTextResponse("Forms of other sites are not taken.\n", 403)
        return None


def _without_port(host: str) -> str:
    name, colon, port = host.rpartition(":")
    return name if colon and port.isdecimal() and (":" not in name or name.endswith("]")) else host


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


class _Counted:
    """Receives a body up to a limit, whatever length was said; more of it ends the request."""

    def __init__(self, receive: Receive, most: int) -> None:
        self.receive, self.left = receive, most

    async def __call__(self) -> Message:
        message = await self.receive()
        if message["type"] == "http.request":
            self.left -= len(message.get("body", b""))
            if self.left < 0:
                return {"type": "http.disconnect"}
        return message
