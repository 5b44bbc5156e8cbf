"""Pictures of the booth for the README: a glass on a phone, and the leader's table."""

from __future__ import annotations

import contextlib
import re
import shutil
import tempfile
import threading
import time
from datetime import UTC, date, datetime
from pathlib import Path

import uvicorn

from bulkflow.cli.shell import run
from panels.cli import build_app
from panels.sittings.keys import key_path
from panels.sittings.planning import register_sitting
from panels.sittings.queueing import plan_next
from tests.panels.booth import CODE, LEADER, Booth, Clock
from tests.report.browser import Browser, Page

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"
NAME, DAY = "VK-2027-01-05", date(2027, 1, 5)
PHONE, DESK = (390, 844), (1100, 900)


def booth_pictures() -> dict[str, bytes]:
    """Return the pictures by the name of their file; needs Chromium."""
    # the page shows the folder as it was named
    with tempfile.TemporaryDirectory(prefix="booth-") as place, contextlib.chdir(place):
        folder = Path("vejkalna")
        shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("*.sqlite*", "out"))
        assert run(build_app(), ["sitting", "import", str(folder)], name="panels") == 0
        with Booth(folder, Clock(datetime(2027, 1, 5, 8, tzinfo=UTC))) as booth:
            booth.desk.act(LEADER, lambda session: _planned(session, folder))
            return _taken(booth)


def _planned(session: object, folder: Path) -> None:
    planned = plan_next(
        session, name=NAME, held_on=DAY, water="demineralised, batch W-27-01", lots=4, seed=5
    )  # type: ignore[arg-type]
    register_sitting(session, planned, key_file=key_path(folder, NAME))  # type: ignore[arg-type]


def _taken(booth: Booth) -> dict[str, bytes]:
    leader = booth.leader()
    people = booth.seated(leader, NAME)
    leader.see(f"/lead/{NAME}")
    strengths = dict.fromkeys(re.findall(r'name="(strength:[^"]+)"', leader.page), "20.05")
    leader.fill(f"/lead/{NAME}/prepare", **strengths)
    leader.fill(f"/lead/{NAME}/pour", flight="1")
    booth.clock.pass_(minutes=15)
    for number, browser in enumerate(people.values()):
        browser.see("/")
        for _ in range((0, 1, 2, 1, 1, 0, 1, 1, 0, 1)[number]):
            browser.see("/")
            browser.fill("/answer", step="check", score="7.5")
            browser.fill("/answer", step="confirm")
            booth.clock.pass_(seconds=61 if number == 2 else 7)
    server = uvicorn.Server(uvicorn.Config(booth.app, port=0, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    home = f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    with Browser() as desk:
        desk.sized(*DESK)
        desk.send("Emulation.setScrollbarsHidden", hidden=True)
        desk.open(f"{home}/lead")
        desk.run(f"document.querySelector('#code').value = {CODE!r}")
        desk.click("form button")
        phone = _signed_in(desk.page(), home, people["A1"].cookies["seat"])
        desk.open(f"{home}/lead/{NAME}")
        made = {"booth-leader.png": desk.picture(whole=False)}
        phone.run("document.querySelector('[name=score][value=\"7.5\"]').click()")
        made["booth-glass.png"] = phone.picture(whole=False)
    server.should_exit = True
    thread.join()
    return made


def _signed_in(page: Page, home: str, token: str) -> Page:
    page.sized(*PHONE, phone=True)
    page.send("Emulation.setScrollbarsHidden", hidden=True)
    page.send("Network.setCookie", name="seat", value=token, url=home, httpOnly=True)
    page.open(home)
    return page
