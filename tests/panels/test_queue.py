"""The queue of the panel: what is nosed by when, what waits on it, what is not held."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.panels.conftest import Panels, record_count
from tests.panels.filled_sheets import filled, written

WORDS = ("--on", "2027-01-05", "--water", "demineralised, batch W-27-01")
START = ("--from", "2027-01-04")


def _hold(lot: str, **what: object) -> dict[str, object]:
    plain = dict.fromkeys(
        ("saving_least", "saving_most", "extra_least", "extra_most", "short_released_lpa")
    )
    return {"lot_id": lot, "loads": [], "short_as_is_lpa": 900.0, **plain, **what}


def _plan(folder: Path) -> Path:
    """A plan as far as the queue reads it."""
    day = {"load_id": "sea.02.1", "loading_day": "2027-01-18"}
    plan = {
        "currency": "EUR",
        "holds": [
            _hold("VK-NAVY-2642", loads=["sea.03.1", "sea.02.1"], saving_least=0.0,
                  saving_most=2500.0, short_released_lpa=400.0),
            _hold("VK-CIT-2642"),
        ],
        "loads": [day, {"load_id": "sea.03.1", "loading_day": "2027-01-25"},
                  {"load_id": "sea.09.1", "loading_day": "2027-03-01"}],
        "held_loads": [
            {"load_id": "sea.09.1", "why": "VK-CIT-2642 (30 LPA) may not be loaded", "lots": []},
            {"load_id": "sea.02.1", "why": "VK-CIT-26421 may not be loaded", "lots": []},
        ],
    }  # fmt: skip
    folder.mkdir()
    (folder / "plan.json").write_text(json.dumps(plan), encoding="utf-8")
    return folder


def test_queue_says_what_waits_on_a_lot(decided: Path, panels: Panels, tmp_path: Path) -> None:
    words = ("queue", decided, *START, "--plan", _plan(tmp_path / "plan"))
    ran = panels(*words)
    assert ran.code == 0, ran.err
    said = " ".join(ran.out.split())
    assert (
        "VK-NAVY-2642: 2 loads wait, first sea.02.1 on 2027-01-18; its release serves 500" in said
    )
    assert "its release saves 0 to 2,500 EUR" in said
    assert "VK-CIT-2642: the load sea.09.1 waits, to leave on 2027-03-01." in said
    lots = panels(*words, "--json").json["lots"]
    # by the first load that waits, though the other lot is older
    assert [(lot["lot"], lot["by"]) for lot in lots] == [
        ("VK-NAVY-2642", "2027-01-18"),
        ("VK-CIT-2642", "2027-03-01"),
    ]
    late = panels("queue", decided, "--from", "2027-02-01", *words[4:])
    assert "VK-NAVY-2642 cannot be nosed by 2027-01-18" in " ".join(late.out.split())
    ran = panels("queue", decided, *START, "--plan", tmp_path)
    assert ran.code == 2 and "plan.json" in ran.err


def test_an_off_note_to_be_confirmed_waits_in_the_queue(decided: Path, panels: Panels) -> None:
    def queued() -> dict[str, object]:
        lots = panels("queue", decided, *START, "--json").json["lots"]
        return {lot["lot"]: (lot["why"], lot["planned"]) for lot in lots}

    assert queued()["VK-CIT-2642"] == ("confirmation", None)
    words = ("C-1", "VK-CIT-2642", "sulphury", "--on", "2027-01-05", "--sets", 2)
    assert panels("confirm", "plan", decided, *words).code == 0
    assert queued()["VK-CIT-2642"] == ("confirmation", "C-1")


@pytest.mark.full
def test_a_planned_sitting_can_be_cancelled_until_a_sheet_is_in(
    decided: Path, panels: Panels, tmp_path: Path
) -> None:
    assert panels("sitting", "next", decided, "R-1", *WORDS).code == 0
    cancel = ("sitting", "cancel", decided)
    ran = panels(*cancel, "R-1", "--reason", "fire")
    assert ran.code == 2 and "Say in a few words" in ran.err
    assert panels(*cancel, "R-1", "--reason", "the room is not free").code == 0
    assert "cancelled: the room is not free" in " ".join(
        panels("sitting", "list", decided).out.split()
    )
    scores = written(tmp_path / "s.csv", filled(decided, "R-1"))
    before = record_count(decided)
    for words in (
        ("sitting", "record", decided, "R-1", scores),
        ("sitting", "close", decided, "R-1"),
        ("sitting", "decide", decided, "R-1"),
        (*cancel, "R-1", "--reason", "once more please"),
    ):
        ran = panels(*words)
        assert ran.code == 2 and "cancelled" in ran.err, words
    assert record_count(decided) == before
    # its lot waits again, and may be planned again
    assert panels("sitting", "next", decided, "R-2", *WORDS).code == 0
    scores = written(tmp_path / "s.csv", filled(decided, "R-2"))
    assert panels("sitting", "record", decided, "R-2", scores).code == 0
    ran = panels(*cancel, "R-2", "--reason", "we do not like it")
    assert ran.code == 2 and "What was scored is judged" in ran.err


@pytest.mark.full
def test_nothing_is_known_before_its_day(
    decided: Path, panels: Panels, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert panels("sitting", "next", decided, "R-1", *WORDS).code == 0
    words = ("C-1", "VK-CIT-2642", "sulphury", "--on", "2027-01-05", "--sets", 2)
    assert panels("confirm", "plan", decided, *words).code == 0
    scores = written(tmp_path / "s.csv", filled(decided, "R-1"))
    eve = datetime(2027, 1, 4, 20, tzinfo=UTC)
    monkeypatch.setattr("bulkflow.records.times.system_clock", lambda: eve)
    before = record_count(decided)
    for words in (
        ("sitting", "record", decided, "R-1", scores),
        ("confirm", "record", decided, "C-1", scores),
    ):
        ran = panels(*words)
        assert ran.code == 2 and "is on 2027-01-05, and today is 2027-01-04" in ran.err
    keep = ("sample", "keep", decided, "VK-DRY-2643", "--seal", "1", "--kept-at", "store")
    ran = panels(*keep, "--on", "2027-01-06")
    assert ran.code == 2 and "which is to come" in ran.err
    assert record_count(decided) == before
    assert panels("sitting", "record", decided, "R-1", scores, "--rehearsal", "--close").code == 0
    assert "before its day 2027-01-05" in " ".join(
        panels("sitting", "show", decided, "R-1").out.split()
    )


def test_a_close_without_measured_samples_is_told(
    decided: Path, panels: Panels, tmp_path: Path
) -> None:
    assert panels("sitting", "next", decided, "R-1", *WORDS).code == 0
    scores = written(tmp_path / "s.csv", filled(decided, "R-1"))
    ran = panels("sitting", "record", decided, "R-1", scores, "--close")
    assert ran.code == 0 and "diluted samples of R-1 was not recorded" in ran.err
