"""Report and papers in a real browser, with axe: nothing stands in the way of any reader."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bulkflow.account.lot_file import lot_file, lot_file_html
from bulkflow.account.tables import ACCOUNT
from bulkflow.loads.arrival import Wanted, arrival_sheet
from bulkflow.loads.paper import arrival_html, load_sheet_html
from bulkflow.loads.sheet import load_sheet
from bulkflow.loads.tables import LOADS
from bulkflow.lots.register import open_register
from bulkflow.records import settings_for
from bulkflow.report.lots_in_loads import lots_in_loads
from bulkflow.report.page import render_report
from tests.loads.making import accept, record
from tests.plan import everything
from tests.report.browser import Browser

pytestmark = pytest.mark.full

AXE = Path(__file__).parents[1] / "panels" / "axe" / "axe.min.js"
"""axe-core 4.14.1 (MPL-2.0, see LICENSE beside it)."""
STANDARDS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def pages(folder, ann, scenario, tmp_path) -> dict[str, Path]:
    beside = lots_in_loads(
        everything.scenario(), everything.FOLDER, everything.result().plan, register=False
    )
    texts = {"report": render_report(everything.result(), everything.scenario(), beside=beside)}
    with (
        open_register(settings_for(folder), LOADS, ACCOUNT, actor=ann) as store,
        store.write(ann) as session,
    ):
        record(session)
        accept(session)
        texts["load sheet"] = load_sheet_html(load_sheet(session, scenario, "A-1"))
        texts["arrival sheet"] = arrival_html(arrival_sheet(session, scenario, "A-1", Wanted()))
        texts["lot file"] = lot_file_html(lot_file(session, scenario, "VK-DRY-2641"))
    files = {}
    for name, text in texts.items():
        files[name] = tmp_path / f"{name}.html"
        files[name].write_text(text, encoding="utf-8")
    return files


def test_axe_finds_nothing_in_the_light_and_in_the_dark(pages: dict[str, Path]) -> None:
    found = {}
    with Browser() as opened:
        opened.send("Page.setBypassCSP", enabled=True)  # for the test's own script alone
        for scheme in ("light", "dark"):
            wanted = [{"name": "prefers-color-scheme", "value": scheme}]
            opened.send("Emulation.setEmulatedMedia", features=wanted)
            for name, file in pages.items():
                opened.open(file)
                opened.run(f"{AXE.read_text('utf-8')};1")
                script = (
                    f"axe.run(document, {{runOnly: {STANDARDS}}}).then(r => JSON.stringify("
                    "r.violations.map(v => [v.id, v.nodes.slice(0, 3).map(n => n.html)])))"
                )
                answer = opened.send(
                    "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
                )
                found[name, scheme] = json.loads(answer["result"]["value"])
    assert {page: said for page, said in found.items() if said} == {}
