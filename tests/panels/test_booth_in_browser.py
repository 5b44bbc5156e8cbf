"""A whole sitting in a real browser: eight people at once, by hand and by keyboard, with axe."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
import uvicorn

from bulkflow.lots.opening import opening_position
from tests.panels.booth import CODE, Booth
from tests.panels.conftest import Panels, register
from tests.panels.filled_sheets import subjects_of
from tests.report.browser import Browser, Page, program

AXE = Path(__file__).parent / "axe" / "axe.min.js"
"""axe-core 4.14.1 (MPL-2.0, see LICENSE beside it), as published in the npm registry."""
STANDARDS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
NAME, BAD, GOOD = "B-1", "VK-NAVY-2642", "VK-DRY-2643"
SITTING = f"""\
sitting: {NAME}
held_on: 2026-12-15
zone: Europe/Riga
room: nosing room
leader: Ilze Ozola
coder: Juris Kalns
assessors: [P1, P2, P3, P4, P5, P6, P7, P8]
water: demineralised, batch W-27-01
attributes: [juniper]
lots:
  - {{lot: {GOOD}, liquid: VK-DRY, strength: 80.0}}
  - {{lot: {BAD}, liquid: VK-NAVY, strength: 82.0}}
"""

pytestmark = pytest.mark.full


@pytest.fixture
def served(planned: Path, panels: Panels, tmp_path: Path) -> Iterator[tuple[Booth, str]]:
    """A booth behind a real server on this machine; its clock is the test's."""
    program()
    file = tmp_path / "sitting.yaml"
    file.write_text(SITTING, encoding="utf-8")
    ran = panels("sitting", "plan", planned, file, "--seed", 3)
    assert ran.code == 0, ran.err
    with Booth(planned) as booth:
        config = uvicorn.Config(booth.app, port=0, log_level="warning", lifespan="off")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.02)
        port = server.servers[0].sockets[0].getsockname()[1]
        yield booth, f"http://127.0.0.1:{port}"
        server.should_exit = True
        thread.join()


def typed(page: Page, words: str) -> None:
    page.run(f"document.querySelector('#code').value = {words!r}")
    page.click("form button")


def pressed(pages: list[Page], selector: str) -> None:
    """Press the same on every page at once, then wait for each."""
    for page in pages:
        page.events.clear()
        assert page.run(f"(e => e && (e.click(), true))(document.querySelector({selector!r}))")
    for page in pages:
        page.loaded()


def seated(lead: Page, home: str, first: Page) -> dict[str, Page]:
    lead.open(f"{home}/lead/{NAME}")
    lead.click("main > form[action$='/codes'] button")
    html = lead.run("document.documentElement.outerHTML")
    people = {}
    for who, code in re.findall(r'<th scope="row">([^<]+)</th><td><code>([^<]+)</code>', html):
        people[who] = lead.page() if people else first  # type: ignore[attr-defined]
        people[who].sized(390, 844, phone=True)
        people[who].open(home)
        typed(people[who], code)
    return people


def is_accessible(page: Page, what: str) -> None:
    """Run axe in both lights, and measure what a finger has to hit."""
    page.run(f"{AXE.read_text('utf-8')};0")
    page.run("document.querySelectorAll('details').forEach(e => { e.open = true; })")
    for light in ("light", "dark"):
        feature = {"name": "prefers-color-scheme", "value": light}
        page.send("Emulation.setEmulatedMedia", features=[feature])
        found = page.run(
            f"axe.run(document, {{runOnly: {STANDARDS}}}).then(r => r.violations.map("
            "v => [v.id, v.impact, v.nodes.map(n => n.html).slice(0, 3)]))"
        )
        assert found == [], (what, light, found)
    small = page.run(
        "[...document.querySelectorAll('button, .button, .picks label, select, textarea, summary,"
        " .check, input:not([type=hidden]):not([type=radio]):not([type=checkbox])')]"
        ".filter(e => e.offsetParent && (e.offsetHeight < 44 || e.offsetWidth < 44))"
        ".map(e => e.outerHTML)"
    )
    assert small == [], (what, small)
    assert page.run("document.documentElement.scrollWidth <= innerWidth"), f"{what} is too wide"


def code_of(page: Page) -> str:
    return str(page.run("document.querySelector('h1 .code').textContent"))


def test_eight_people_nose_at_once_and_a_lot_fails(served: tuple[Booth, str]) -> None:
    booth, home = served
    inside = subjects_of(booth.folder, NAME)
    asked: list[str] = []
    with Browser() as lead:
        lead.open(f"{home}/lead")
        is_accessible(lead, "the leader's door")
        typed(lead, CODE)
        is_accessible(lead, "the sittings")
        first = lead.page()
        first.sized(390, 844, phone=True)
        first.open(home)
        is_accessible(first, "the door")
        people = seated(lead, home, first)
        pages = list(people.values())
        is_accessible(first, "the wait")
        lead.open(f"{home}/lead/{NAME}")
        is_accessible(lead, "the leader's table")
        # the page goes on by itself when the flight is poured, and when it has rested
        pressed([lead], "form[action$='/pour'] button")
        _until(first, "document.querySelector('[data-seconds]') !== null")
        assert first.run("document.querySelector('.clock').textContent").startswith("15:0")
        booth.clock.pass_(minutes=15)
        _until(first, "document.querySelector('form[data-own]') !== null")
        while True:
            for page in pages:
                page.open(home)
            if first.run("document.querySelector('form[data-own]') === null"):
                break
            for who, page in people.items():
                subject = inside[(who, code_of(page))]
                value = {BAD: "2"}.get(subject, "7.5" if int(who[1]) % 2 else "8")
                page.run(f"document.querySelector('[name=score][value=\"{value}\"]').click()")
            pressed(pages, "button[value=check]")
            if "confirm" not in asked:
                is_accessible(first, "the second look")
                asked.append("confirm")
            pressed(pages, "button[value=confirm]")
            booth.clock.pass_(seconds=61)
        assert "That was the last one" in first.run("document.body.textContent")
        lead.open(f"{home}/lead/{NAME}")
        pressed([lead], "form[action$='/close'] button")
        pressed([lead], "form[action$='/decide'] button")
        said = lead.run("document.body.textContent")
        assert f"{BAD}: reject" in said and f"{GOOD}: release" in said
        is_accessible(lead, "the decisions")
        for page in (lead, first):
            assert page.heard("Log.entryAdded") == []
            urls = [one["request"]["url"] for one in page.heard("Network.requestWillBeSent")]
            assert urls and all(one.startswith((home, "data:")) for one in urls), urls
    with register(booth.folder) as session:
        lots = {lot.lot_id: lot.status for lot in opening_position(session, date(2027, 1, 4))}
    assert lots[BAD] == "rejected" and lots[GOOD] == "released"


def test_a_glass_by_keyboard_alone(served: tuple[Booth, str]) -> None:
    booth, home = served
    with Browser() as lead:
        lead.open(f"{home}/lead")
        lead.run("document.querySelector('#code').focus()")
        lead.send("Input.insertText", text=CODE)
        _entered(lead)
        people = seated(lead, home, lead.page())
        booth.desk.pour("Ilze Ozola", NAME, 1)
        booth.clock.pass_(minutes=15)
        page = people["P1"]
        page.open(home)
        is_accessible(page, "the glass")
        code = code_of(page)
        _tab_to(page, "score")
        page.press(" ", " ")
        page.press("ArrowRight")
        _tab_to(page, "remarks")
        page.send("Input.insertText", text="clean, a little green")
        _tab_to(page, "step")
        _entered(page)
        assert "clean, a little green" in page.run("document.body.textContent")
        _tab_to(page, "step")
        _entered(page)
        assert "Your answer is kept" in page.run("document.body.textContent")
    ((_, sheet),) = _sheets(booth)
    assert (sheet.glasses[0].code, sheet.glasses[0].score) == (code, 0.5)


def test_the_command_serves_says_where_and_ends(planned: Path) -> None:
    folder = planned.parent / "served"
    shutil.copytree(planned, folder)
    command = [
        Path(sys.executable).parent / "panels",
        "booth",
        folder,
        "--port",
        "0",
        "--as",
        "Ilze",
    ]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert running.stdout is not None
        where = running.stdout.readline().split()[-1]
        code = running.stdout.readline()
        assert re.fullmatch(rf"Ilze leads at {where}/lead with the code \S+\n", code), code
        with urllib.request.urlopen(where, timeout=20) as answer:
            assert "Take your seat" in answer.read().decode()
            assert "Server" not in answer.headers
    finally:
        running.send_signal(signal.SIGINT)
        _, said = running.communicate(timeout=30)
    assert "Traceback" not in said and code.split()[-1] not in said, said


def _until(page: Page, question: str) -> None:
    end = time.monotonic() + 30
    while True:
        try:
            if page.run(question):
                return
        except AssertionError:  # the page was just being loaded
            pass
        assert time.monotonic() < end, question
        time.sleep(0.2)


def _entered(page: Page) -> None:
    page.events.clear()
    page.press("Enter", "\r")
    page.loaded()


def _tab_to(page: Page, name: str) -> None:
    for _ in range(60):
        page.press("Tab")
        if page.run("document.activeElement.name") == name:
            return
    raise AssertionError(f"{name} is not reached by Tab")


def _sheets(booth: Booth) -> list[object]:
    from panels.sittings.history import find_sitting

    with register(booth.folder) as session:
        return list(find_sitting(session, NAME).sheets)
