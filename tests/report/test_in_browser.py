"""The report in a real browser: asks for nothing, sorts by mouse and keys, fits A4 and a phone."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from bulkflow.plan.next_steps import Whereabouts
from bulkflow.report.lots_in_loads import lots_in_loads
from bulkflow.report.page import render_report
from bulkflow.report.terms import english
from tests.plan.everything import FOLDER, result, scenario
from tests.report.browser import Browser

pytestmark = pytest.mark.full

A4_WIDTH = 703  # pixels: 210 mm less margins of 12 mm
MARKS = "data-key"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "report.html"
    beside = lots_in_loads(scenario(), FOLDER, result().plan, register=False)
    file.write_text(
        render_report(result(), scenario(), beside=beside, where=Whereabouts("demo", "plans/demo")),
        encoding="utf-8",
    )
    return file


@pytest.fixture(scope="module")
def browser(page: Path) -> Iterator[Browser]:
    with Browser() as opened:
        opened.open(page)
        yield opened


def column(browser: Browser, section: str, place: int) -> list[str]:
    """Return the sort keys of a column of a section's first table."""
    return browser.run(
        f"[...document.querySelector('[aria-labelledby={section}] tbody').rows]"
        f".map(row => row.cells[{place}].dataset.key)"
    )


def heading(section: str, place: int) -> str:
    return f"document.querySelectorAll('[aria-labelledby={section}] thead th')[{place}]"


def test_nothing_is_asked_for_and_nothing_goes_wrong(page: Path) -> None:
    with Browser() as opened:
        opened.open(page)
        opened.run("document.title")
        asked = [one["request"]["url"] for one in opened.heard("Network.requestWillBeSent")]
        assert asked == [page.as_uri()]
        assert opened.heard("Log.entryAdded") == []
        assert opened.heard("Runtime.exceptionThrown") == []


def test_a_request_would_be_refused_by_the_page_itself(browser: Browser) -> None:
    browser.events.clear()
    browser.run("fetch('https://example.org/x').catch(() => null); 1")
    browser.run("document.body.append(Object.assign(new Image(), {src: 'https://example.org/y'}))")
    browser.run("new Promise(r => setTimeout(r, 200)) && 1")
    said = [one["entry"]["text"] for one in browser.heard("Log.entryAdded")]
    assert sum("Content Security Policy" in one for one in said) >= 1, said
    assert browser.heard("Network.responseReceived") == []


def test_a_click_sorts_numbers_as_numbers_up_then_down(browser: Browser) -> None:
    lpa = 5  # of the loads of the next weeks, the sixth column
    before = column(browser, "next", lpa)
    browser.run(heading("next", lpa) + ".querySelector('button').click()")
    up = [float(one) for one in column(browser, "next", lpa)]
    assert up == sorted(float(one) for one in before)
    assert browser.run(heading("next", lpa) + ".getAttribute('aria-sort')") == "ascending"
    browser.run(heading("next", lpa) + ".querySelector('button').click()")
    assert [float(one) for one in column(browser, "next", lpa)] == up[::-1]
    assert browser.run(heading("next", lpa) + ".getAttribute('aria-sort')") == "descending"


@pytest.mark.parametrize(("key", "text"), [("Enter", "\r"), (" ", " ")])
def test_keys_sort_too(browser: Browser, key: str, text: str) -> None:
    opening, least = 3, 4
    browser.run(heading("stock", opening) + ".querySelector('button').focus()")
    browser.press("Tab")  # and on to the next heading
    browser.press(key, text)
    marked = browser.run(
        "[...document.querySelectorAll('[aria-labelledby=stock] thead th')]"
        ".map(th => th.getAttribute('aria-sort'))"
    )
    assert marked[least] is not None
    assert [one is not None for one in marked].count(True) == 1
    keys = [float(one) for one in column(browser, "stock", least)]
    assert keys in (sorted(keys), sorted(keys, reverse=True))
    browser.run(heading("stock", least) + ".removeAttribute('aria-sort')")


def test_weeks_sort_by_number_and_empty_cells_first(browser: Browser) -> None:
    below = 7
    browser.run(heading("stock", below) + ".querySelector('button').click()")
    keys = column(browser, "stock", below)
    numbers = [float(one) for one in keys]
    assert numbers == sorted(numbers)
    assert len(set(numbers)) > 1


def test_a_total_stays_last_whatever_is_sorted(browser: Browser) -> None:
    for _ in range(2):
        browser.run(heading("costs", 1) + ".querySelector('button').click()")
        last = browser.run(
            "[...document.querySelector('[aria-labelledby=costs] table').rows].slice(-2)"
            ".map(row => row.cells[0].textContent)"
        )
        assert last == [english()("total"), english()("cost_changeable")]


def test_no_words_of_a_picture_are_written_over_others(browser: Browser) -> None:
    for name in ("map", "calendar"):
        boxes = browser.run(
            f"[...document.querySelectorAll('svg[aria-labelledby^={name}] text')]"
            ".map(t => { const b = t.getBoundingClientRect();"
            " return [b.left, b.top, b.right, b.bottom, t.textContent]; })"
        )
        assert len(boxes) > 5
        for place, (left, top, right, bottom, words) in enumerate(boxes):
            for other_left, other_top, other_right, other_bottom, other in boxes[place + 1 :]:
                across = min(right, other_right) - max(left, other_left)
                down = min(bottom, other_bottom) - max(top, other_top)
                # Line boxes are taller than letters: a little of each other's is no collision.
                assert across <= 0.5 or down <= 0.45 * (bottom - top), (words, other)


@pytest.mark.parametrize(("width", "medium"), [(A4_WIDTH, "print"), (390, "screen")])
def test_nothing_runs_out_of_the_page(browser: Browser, width: int, medium: str) -> None:
    browser.send("Emulation.setEmulatedMedia", media=medium)
    browser.send(
        "Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1,
        mobile=False,
    )  # fmt: skip
    try:
        assert browser.run("document.documentElement.scrollWidth") <= width
    finally:
        browser.send("Emulation.clearDeviceMetricsOverride")
        browser.send("Emulation.setEmulatedMedia", media="")


def test_it_prints_whole_on_a4_in_a_small_file_without_scripts(page: Path) -> None:
    with Browser() as opened:
        opened.send("Emulation.setScriptExecutionDisabled", value=True)
        opened.open(page)
        answer = opened.send("Page.printToPDF", preferCSSPageSize=True)
    paper = base64.b64decode(answer["data"])
    sizes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", paper)
    assert 3 <= len(sizes) <= 8
    assert len(paper) < 3_000_000
    for wide, tall in sizes:
        assert float(wide) == pytest.approx(595.3, abs=1.0)
        assert float(tall) == pytest.approx(841.9, abs=1.0)
    assert "<details" not in page.read_text("utf-8")  # folded away without a script for good


def test_the_headings_of_a_table_are_printed_on_every_page_it_fills(browser: Browser) -> None:
    """A button is not painted where a heading is said again; its words, without it, are."""
    browser.send("Emulation.setEmulatedMedia", media="print")
    try:
        shown = browser.run(
            "[...document.querySelectorAll('thead, th button')].map(one =>"
            " getComputedStyle(one).display)"
        )
    finally:
        browser.send("Emulation.setEmulatedMedia", media="")
    assert set(shown) == {"table-header-group", "contents"}


def test_the_headings_and_pictures_are_told_to_a_reader_of_the_page(browser: Browser) -> None:
    named = browser.run(
        "[...document.querySelectorAll('svg[role]')].map(svg =>"
        " svg.getAttribute('aria-labelledby').split(' ')"
        ".map(id => document.getElementById(id).textContent.trim()))"
    )
    assert len(named) >= 6
    assert all(title and len(description) > 20 for title, description in named)
    scopes = browser.run("[...document.querySelectorAll('th')].every(th => th.scope === 'col')")
    assert scopes is True
