"""Who is asking: signed tokens in hardened cookies, and forms that only this server made.

A token is a text with its signature; the server keeps its secret in a file that only its owner may
read, so a session outlives a restart. What a token stands for, and whether it still holds, is for
the application to say.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from bulkflow.whole_files import written_whole

__all__ = ["Cookie", "Signer", "digest_of", "secret_in"]

SECRET_BYTES = 32
_OWNER_ONLY = 0o600


def digest_of(secret: str) -> str:
    """Return what may be kept of a secret with 60 random bits or more."""
    return hashlib.sha256(secret.encode()).hexdigest()


def secret_in(path: Path) -> bytes:
    """Return the secret that a file keeps; a new one is drawn where there is none.

    Raises
    ------
    OSError : the file can be neither read nor written.
    ValueError : it holds something else.
    """
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(path, rights=_OWNER_ONLY) as stream:
            stream.write(secrets.token_hex(SECRET_BYTES) + "\n")
    found = bytes.fromhex(path.read_text("ascii").strip())
    if len(found) != SECRET_BYTES:
        raise ValueError(f"{path} does not hold a secret of {SECRET_BYTES} bytes")
    return found


@dataclass(frozen=True, slots=True)
class Signer:
    """Signs texts for one purpose with a server's secret."""

    secret: bytes

    def sign(self, purpose: str, text: str) -> str:
        """Return a text with its signature, of letters that a cookie may hold."""
        return f"{text}.{self._mark(purpose, text)}"

    def text_of(self, purpose: str, token: str) -> str | None:
        """Return the text that was signed; None where the signature is not ours."""
        text, _, mark = token.rpartition(".")
        return text if hmac.compare_digest(mark, self._mark(purpose, text)) else None

    def form_key(self, session: str) -> str:
        """Return what a form of a session carries to show that it is ours."""
        return self._mark("form", session)

    def is_our_form(self, session: str, key: object) -> bool:
        """Whether a form carries the key of the session that sends it."""
        return isinstance(key, str) and hmac.compare_digest(
            key.encode(), self.form_key(session).encode()
        )

    def _mark(self, purpose: str, text: str) -> str:
        found = hmac.digest(self.secret, f"{purpose}\0{text}".encode(), "sha256")
        return base64.urlsafe_b64encode(found).decode("ascii").rstrip("=")


@dataclass(frozen=True, slots=True)
class Cookie:
    """A cookie that scripts cannot read and other sites cannot send with a form.

    Parameters
    ----------
    name : of letters, digits and hyphens.
    secure : whether browsers reach the server by HTTPS; the cookie is then bound to this host.
    seconds : how long a browser keeps it.
    """

    name: str
    secure: bool
    seconds: int

    @property
    def full_name(self) -> str:
        """The name a browser knows it by."""
        return f"__Host-{self.name}" if self.secure else self.name

    def read(self, request: Request) -> str:
        """Return what the request brought; empty where nothing."""
        return request.cookies.get(self.full_name, "")

    def put(self, response: Response, value: str) -> None:
        """Give it to the browser."""
        response.set_cookie(
            self.full_name,
            value,
            max_age=self.seconds,
            path="/",
            secure=self.secure,
            httponly=True,
            samesite="lax",  # a link in a message still finds its session; forms carry a key
        )

    def end(self, response: Response) -> None:
        """Take it away."""
        response.delete_cookie(
            self.full_name, path="/", secure=self.secure, httponly=True, samesite="lax"
        )
