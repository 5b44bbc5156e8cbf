"""A real browser for tests: Chromium without a window, spoken to over a pipe.

The protocol is that of the browser's own developer tools, messages of JSON ended by a zero byte.
No name can be looked up, and no other address is let through, so nothing leaves the machine.
"""

from __future__ import annotations

import base64
import itertools
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest

VARIABLE = "BULKFLOW_TEST_BROWSER"
PROGRAMS = ("chromium", "chromium-browser", "google-chrome")
SECONDS = 60.0
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    "--remote-debugging-pipe",
)


def program() -> str:
    """Return the browser to use; skip without one, but fail where one was asked for."""
    asked = os.environ.get(VARIABLE)
    if asked:
        found = shutil.which(asked)
        if found is None:
            pytest.fail(f"{VARIABLE} asks for {asked}, which is not installed")
        return found
    for name in PROGRAMS:
        if found := shutil.which(name):
            return found
    pytest.skip("no Chromium is installed, so the page was not opened in a browser")


class _Pipe:
    """A running browser, and what it says to whom."""

    def __init__(self) -> None:
        self.heard: dict[str, list[dict[str, Any]]] = {"": []}
        self._numbers = itertools.count(1)
        self._rest = b""
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        self._folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        command = [program(), *FLAGS, f"--user-data-dir={self._folder.name}", "about:blank"]
        shell = ["bash", "-c", f'exec "$@" 3<&{to_read} 4>&{to_write}', "browser", *command]
        self._process = subprocess.Popen(
            shell,
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)

    def close(self) -> None:
        self._process.terminate()
        self._process.wait(SECONDS)
        os.close(self._write)
        os.close(self._read)
        self._folder.cleanup()

    def ask(self, session: str, method: str, parameters: dict[str, Any]) -> dict[str, Any]:
        """Send a message and return its answer; events that come before it are kept."""
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        os.write(self._write, json.dumps(message).encode("utf-8") + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == number:
                assert "error" not in answer, (method, answer["error"])
                return answer["result"]
            self._keep(answer)

    def wait(self) -> None:
        """Wait for an event."""
        self._keep(self._next())

    def _keep(self, event: dict[str, Any]) -> None:
        self.heard.setdefault(event.get("sessionId", ""), []).append(event)

    def _next(self) -> dict[str, Any]:
        end = time.monotonic() + SECONDS
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._read], [], [], max(0.0, end - time.monotonic()))
            assert ready, "the browser did not answer"
            part = os.read(self._read, 1 << 20)
            assert part, "the browser went away"
            self._rest += part
        message, _, self._rest = self._rest.partition(b"\0")
        return json.loads(message)


class Page:
    """One page, with cookies of its own."""

    def __init__(self, pipe: _Pipe) -> None:
        self._pipe, self._session = pipe, ""
        own = self.send("Target.createBrowserContext")["browserContextId"]
        target = self.send("Target.createTarget", url="about:blank", browserContextId=own)
        attached = self.send("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Network", "Log", "Runtime"):
            self.send(f"{domain}.enable")

    @property
    def events(self) -> list[dict[str, Any]]:
        """What the page was told since it was opened."""
        return self._pipe.heard.setdefault(self._session, [])

    def send(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send a message and return its answer; events that come before it are kept."""
        return self._pipe.ask(self._session, method, parameters)

    def open(self, place: Path | str) -> None:
        """Open a file or an address and wait until it is loaded."""
        self.events.clear()
        self.send("Page.navigate", url=place if isinstance(place, str) else place.as_uri())
        self.loaded()

    def click(self, selector: str) -> None:
        """Press what a selector finds, and wait for the page it leads to."""
        self.events.clear()
        assert self.run(f"(e => e && (e.click(), true))(document.querySelector({selector!r}))")
        self.loaded()

    def loaded(self) -> None:
        """Wait until a page is loaded."""
        while not self.heard("Page.loadEventFired"):
            self._pipe.wait()

    def heard(self, method: str) -> list[dict[str, Any]]:
        """Return what events of one kind said."""
        return [one["params"] for one in self.events if one.get("method") == method]

    def run(self, script: str) -> Any:
        """Return the value of an expression on the page."""
        answer = self.send(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def press(self, key: str, text: str = "") -> None:
        """Press a key as a hand does, on what has the focus."""
        code = {"Tab": 9, "Enter": 13, " ": 32, "ArrowRight": 39}[key]
        common = {"key": key, "code": key, "windowsVirtualKeyCode": code}
        self.send("Input.dispatchKeyEvent", type="keyDown", text=text, **common)
        self.send("Input.dispatchKeyEvent", type="keyUp", **common)

    def sized(self, width: int, height: int, *, phone: bool = False, dark: bool = False) -> None:
        """Take the size of a screen, and its light."""
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=2 if phone else 1, mobile=phone,
        )  # fmt: skip
        feature = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.send("Emulation.setEmulatedMedia", features=[feature])

    def picture(self, *, whole: bool = True) -> bytes:
        """Return the page as PNG."""
        shot = self.send("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(shot["data"])


class Browser(Page):
    """One page in a browser of its own; use it in a ``with`` block."""

    def __init__(self) -> None:
        """Start nothing yet."""

    def __enter__(self) -> Browser:
        self._pipe = _Pipe()
        Page.__init__(self, self._pipe)
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self._pipe.close()

    def page(self) -> Page:
        """Return another page, as on another person's device."""
        return Page(self._pipe)
