"""The laboratory, the law and cases through the command line, on a copy of the demo."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from bulkflow.cli import app
from bulkflow.cli.shell import run

DEMO = Path(__file__).parents[2] / "scenarios" / "vejkalna"


@pytest.fixture
def desk(tmp_path: Path, capsys, monkeypatch):
    kept = shutil.ignore_patterns("*.sqlite*", "panel", "pictures", "week3")
    shutil.copytree(DEMO, tmp_path / "demo", ignore=kept)
    monkeypatch.chdir(tmp_path)

    def ask(*words: str, code: int = 0) -> str:
        assert run(app, list(words), name="bulkflow") == code, capsys.readouterr().err
        said = capsys.readouterr()
        return said.out if code == 0 else said.err

    return ask


@pytest.mark.full
def test_a_neutral_lot_that_fails_reaches_no_bottle(desk, tmp_path: Path) -> None:
    """Methanol of 30 g/hl pa: Reg (EU) 2019/787 Art 5; nothing is declared by hand."""
    desk("lots", "begin", "demo")
    neutral = ("--liquid", "NS-CEREAL", "--site", "VEJKALNA", "--strength", "96.4")
    desk("lots", "add", "demo", "N-1", *neutral, "--volume", "30000", "--supplier", "OSTRAVELE",
         "--received", "--made-on", "2026-12-20")  # fmt: skip
    told = desk("lots", "why", "demo", "N-1")
    assert "no result for acetaldehyde, ethyl acetate, furfural, higher alcohols, methanol" in told
    spirit = ("--liquid", "VK-DRY", "--site", "VEJKALNA", "--strength", "80", "--volume", "9000")
    desk("lots", "add", "demo", "D-1", *spirit, "--parent", "N-1=8000", "--made-on", "2026-12-22")
    assert "made from N-1, which is not yet judged" in desk("lots", "why", "demo", "D-1")
    results = tmp_path / "results.csv"
    results.write_text(
        "lot_id,analyte,value,unit,uncertainty\nN-1,methanol,300,mg/l,5\nN-1,furfural,<0.1,mg/l,\n",
        "utf-8",
    )
    desk("lots", "results", "demo", str(results))
    found = json.loads(desk("laboratory", "results", "demo", "N-1", "--json"))["results"]
    (methanol,) = [one for one in found if one["analyte"] == "methanol"]
    assert methanol["value"] == pytest.approx(10 * 300 / 96.4)
    assert methanol["call"] == "outside"
    told = desk("lots", "why", "demo", "D-1")
    assert "parents: CLOSED" in told
    assert "made from N-1, which is held" in told
    assert "bulkflow lots why demo N-1" in told
    history = json.loads(desk("laboratory", "supplier", "demo", "OSTRAVELE", "--json"))
    assert {one["analyte"] for one in history["analytes"]} == {"methanol"}
    desk("laboratory", "certificate", "demo", "N-1", "--out", "c.html", code=3)
    desk("laboratory", "certificate", "demo", "VK-DRY-2641", "--out", "c.html")
    assert "Certificate of analysis" in Path("c.html").read_text("utf-8")


@pytest.mark.full
def test_instruments_and_a_case(desk) -> None:
    desk("lots", "begin", "demo")
    desk("laboratory", "calibrate", "demo", "DM-1", "--what", "density meter", "--on", "2026-01-10")
    listed = json.loads(desk("laboratory", "expiring", "demo", "--by", "2027-01-31", "--json"))
    assert [one["name"] for one in listed["expiring"]] == ["DM-1"]
    assert "DM-1" in desk("laboratory", "expiring", "demo", "--by", "2027-01-31")
    desk("cases", "open", "demo", "C-1", "--what", "complaint", "--about", "lot:VK-DRY-2641",
         "--on", "2027-01-20", "--words", "cloudy", "--topic", "haze", "--hold")  # fmt: skip
    assert "held" in desk("lots", "why", "demo", "VK-DRY-2641")
    desk("cases", "add", "demo", "C-1", "--step", "sample", "--sample", "R-1", "--seal", "114",
         "--from", "store", "--to", "laboratory", "--on", "2027-01-21",
         "--words", "half a litre")  # fmt: skip
    desk("cases", "add", "demo", "C-1", "--step", "decided", "--outcome", "justified",
         "--on", "2027-01-25", "--words", "a film of oil")  # fmt: skip
    shown = desk("cases", "show", "demo", "C-1")
    assert "Lot VK-DRY-2641 is held" in shown
    assert "store to laboratory" in shown
    found = json.loads(desk("cases", "list", "demo", "--json"))
    assert found["trend"] == [{"month": "2027-01", "topic": "haze", "cases": 1}]
    assert "justified" in desk("cases", "list", "demo")


@pytest.mark.full
def test_a_bottle_that_breaks_a_rule_is_not_filled(desk) -> None:
    """Directive 2007/45/EC Annex: 750 ml is no size of the union."""
    wrong = ("account", "bottle", "demo", "B-1", "--site", "GRAZ", "--product", "DRY-750",
             "--on", "2027-01-14", "--from", "stock:VK-DRY=360", "--cases", "180")  # fmt: skip
    desk("lots", "begin", "demo")
    desk("account", "begin", "demo")
    assert "750 ml is no size of AT" in desk(*wrong, code=2)
    desk(*wrong, "--market", "US")
