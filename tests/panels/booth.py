"""A booth in this process, a clock that tests set, and browsers that read what they are sent."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

from starlette.testclient import TestClient

from bulkflow.lots.register import open_register
from bulkflow.records import Actor, settings_for
from bulkflow.web.serving import Address
from panels.booth.app import make_booth
from panels.booth.desk import Desk
from panels.records import PANELS

HOME = "http://127.0.0.1:8020"
LEADER, CODE = "Ilze Ozola", "LEAD-CDE2-3456"


@dataclass
class Clock:
    """The time as a test has it."""

    now: datetime = datetime(2026, 12, 15, 8, 0, tzinfo=UTC)  # 10:00 in the room

    def __call__(self) -> datetime:
        return self.now

    def pass_(self, **by: float) -> None:
        self.now += timedelta(**by)


class Browser(TestClient):
    """A browser without scripts: fills in the forms it finds, and keeps all that it was sent."""

    def __init__(self, app: object) -> None:
        super().__init__(app, base_url=HOME)  # type: ignore[arg-type]
        self.sent: list[bytes] = []
        self.page = ""

    def see(self, path: str) -> str:
        return self._seen(self.get(path))

    def fill(self, path: str, **fields: str) -> str:
        """Send a form of the page, with the hidden fields it has."""
        hidden = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', self.page))
        data = {name: unescape(value) for name, value in hidden.items()} | fields
        return self._seen(self.post(path, data=data))

    def _seen(self, answer: object) -> str:
        for one in (*answer.history, answer):  # type: ignore[attr-defined]
            said = "".join(f"{name}: {value}\n" for name, value in one.headers.items())
            self.sent += [said.encode(), one.content]
            self.status = one.status_code
        self.page = answer.text  # type: ignore[attr-defined]
        return self.page


@dataclass
class Booth:
    """A workspace's booth, its clock and its browsers."""

    folder: Path
    clock: Clock = field(default_factory=Clock)
    pause: int = 60
    browsers: dict[str, Browser] = field(default_factory=dict)

    def __enter__(self) -> Booth:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Begin to serve, or go on after a stop; browsers keep what they have."""
        self.store = open_register(settings_for(self.folder, environ={}), PANELS, clock=self.clock)
        self.desk = Desk(self.store, Actor(LEADER, "tests"), pause=timedelta(seconds=self.pause))
        self.app = make_booth(self.desk, self.folder, Address(port=8020), {LEADER: CODE})
        for browser in self.browsers.values():
            browser._transport.app = self.app  # type: ignore[attr-defined]

    def stop(self) -> None:
        self.desk.close()
        self.store.close()

    def leader(self) -> Browser:
        browser = self.browsers.setdefault("", Browser(self.app))
        browser.see("/lead")
        browser.fill("/lead/enter", code=CODE)
        assert "Acting as" in browser.page
        return browser

    def seated(self, leader: Browser, name: str) -> dict[str, Browser]:
        """Give everybody a code, and let them take their seats."""
        leader.see(f"/lead/{name}")
        leader.fill(f"/lead/{name}/codes", assessor="")
        codes = dict(
            re.findall(r'<th scope="row">([^<]+)</th><td><code>([^<]+)</code>', leader.page)
        )
        for who, code in codes.items():
            browser = self.browsers[who] = Browser(self.app)
            browser.see("/")
            browser.fill("/enter", code=code.lower().replace("-", " "))
            assert browser.status == 200 and f"{who}: 1 of" in browser.page, browser.page
        return {who: self.browsers[who] for who in codes}


def score(browser: Browser, value: str, **fields: str) -> None:
    """Answer the glass in turn, and confirm it."""
    browser.see("/")
    browser.fill("/answer", step="check", score=value, **fields)
    assert "is this right?" in browser.page, browser.page
    browser.fill("/answer", step="confirm")


def shown_codes(page: str) -> list[str]:
    """Return every number of three digits that a page shows as a code."""
    return re.findall(r'class="code"[^>]*>(?:<input[^>]*>)?(\d{3})<', page)
