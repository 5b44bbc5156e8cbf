"""The server: one process on this machine alone, unless somebody says otherwise."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable
from dataclasses import dataclass

import uvicorn
from starlette.types import ASGIApp

from bulkflow.errors import Fault, InputError
from bulkflow.web.security import ANY_ADDRESS, LOOPBACK_NAMES

__all__ = ["Address", "is_loopback", "serve"]

BEFORE_IT = (
    "It is reached from other machines as it is: by HTTP, readable on the way. Put a reverse proxy"
    " with HTTPS before it, let only that proxy reach this port, and say the name that browsers"
    " use with --public https://NAME; cookies are then sent by HTTPS only."
)


@dataclass(frozen=True, slots=True)
class Address:
    """Where a server listens, and how browsers name it.

    Parameters
    ----------
    host : address of this machine to listen on.
    port : 0 for a free one.
    public : what browsers call it, ``https://NAME``, where something stands before it.
    """

    host: str = "127.0.0.1"
    port: int = 0
    public: str | None = None

    def __post_init__(self) -> None:
        """Refuse what is no address.

        Raises
        ------
        InputError : a port out of range, or a public name that is not https://NAME.
        """
        if not 0 <= self.port <= 65535:
            raise InputError(Fault("", 0, "--port", f"is {self.port}", "Give 0 to 65535."))
        name = (self.public or "").removeprefix("https://").rstrip("/")
        if self.public is not None and (
            not self.public.startswith("https://") or not name or "/" in name
        ):
            mend = "Give the name that browsers use, such as https://panel.example."
            raise InputError(Fault("", 0, "--public", f"is {self.public[:60]!r}", mend))

    @property
    def secure(self) -> bool:
        """Whether browsers reach it by HTTPS."""
        return self.public is not None

    @property
    def hosts(self) -> frozenset[str]:
        """Names under which it may be asked, without port."""
        if self.public is not None:
            name = self.public.removeprefix("https://").rstrip("/").lower()
            return frozenset({name.rsplit(":", 1)[0] if name[-1:].isdecimal() else name, name})
        own = f"[{self.host}]" if ":" in self.host else self.host
        everywhere = {socket.gethostname().lower(), ANY_ADDRESS}
        return LOOPBACK_NAMES | (everywhere if self.host in {"0.0.0.0", "::"} else {own})

    @property
    def caution(self) -> str:
        """What to say of it before it serves; empty where nothing."""
        return "" if is_loopback(self.host) or self.secure else BEFORE_IT


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def serve(app: ASGIApp, address: Address, said: Callable[[str], None]) -> None:
    """Serve until interrupted; connections under way are finished.

    Parameters
    ----------
    said : is told the address once it listens, before the first request.

    Raises
    ------
    InputError : the port is taken, or the address is not this machine's.
    """
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((address.host, address.port))
        except OSError as error:
            where = f"{address.host}:{address.port}"
            mend = "Give another --port (0 finds a free one) or --host."
            found = f"{where} cannot be listened on ({error.strerror})"
            raise InputError(Fault("", 0, "--port", found, mend)) from error
        listening.listen(512)
        port = listening.getsockname()[1]
        host = f"[{address.host}]" if ":" in address.host else address.host
        said(address.public or f"http://{host}:{port}")
        config = uvicorn.Config(
            app,
            # addresses of requests may say who asks what: none is written down
            access_log=False,
            log_level="warning",
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=5,
            lifespan="on",
        )
        uvicorn.Server(config).run(sockets=[listening])
