"""The demo's two sittings: what they lead to, and that the decisions stand by themselves."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bulkflow.lots.gates import LotStatus
from bulkflow.lots.opening import opening_position
from bulkflow.lots.queries import list_lots
from bulkflow.lots.register import open_register
from bulkflow.lots.tables import DECISION
from bulkflow.records import records_about, settings_for, verify
from panels.records import PANELS
from tests.panels.conftest import FIRST, SECOND, Panels, record_count, register

STATUSES = {
    "VK-BASE-2641": "released",
    "VK-CIT-2641": "released",
    "VK-CIT-2642": "held",
    "VK-DRY-2641": "released",
    "VK-DRY-2642": "released",
    "VK-DRY-2643": "released",
    "VK-NAVY-2641": "released",
    "VK-NAVY-2642": "held",
}


def test_sittings_lead_to_these_statuses(decided: Path) -> None:
    with register(decided) as session:
        found = {line.lot_id: line.status.value for line in list_lots(session)}
    assert found == STATUSES


def test_the_planner_sees_what_the_panel_decided(decided: Path) -> None:
    from datetime import date

    with register(decided) as session:
        lots = {lot.lot_id: lot for lot in opening_position(session, date(2027, 1, 4))}
    assert lots["VK-DRY-2643"].status == LotStatus.RELEASED.value
    assert "sulphury" in lots["VK-CIT-2642"].reason
    assert lots["VK-NAVY-2642"].status == LotStatus.HELD.value


def test_one_lot_fails_on_an_off_note_and_one_is_to_be_nosed_again(
    decided: Path, panels: Panels
) -> None:
    first = {
        lot["lot"]: lot for lot in panels("sitting", "show", decided, FIRST, "--json").json["lots"]
    }
    second = {
        lot["lot"]: lot for lot in panels("sitting", "show", decided, SECOND, "--json").json["lots"]
    }
    tainted = first["VK-CIT-2642"]
    assert (tainted["verdict"], tainted["next_step"]) == ("hold", "confirm the off-note")
    (note,) = [n for n in tainted["off_notes"] if n["stops"]]
    assert note["note"] == "sulphury" and note["assessors"] == ["A2", "A4", "A5", "A9"]
    assert note["chance"] < 0.001
    borderline = second["VK-NAVY-2642"]
    assert (borderline["verdict"], borderline["next_step"]) == ("hold", "retest")
    released = [lot for lot in [*first.values(), *second.values()] if lot["verdict"] == "release"]
    assert len(released) == 6


def _evidence(folder: Path, lot: str) -> dict[str, object]:
    with register(folder) as session:
        record = records_about(session, lot, kinds=(DECISION.name,))[-1]
    return record.content["evidence"]


def test_evidence_stands_by_itself(decided: Path) -> None:
    found = _evidence(decided, "VK-CIT-2642")
    assert found["schema"] == "bulkflow.decision-evidence" and found["version"] == 1
    assert found["outcome"] == "hold"
    text = json.dumps(found)
    for told in ("sulphury", "Algorithm A", "Kenward-Roger", "Dunnett", "one-sided", "W-26-49"):
        assert told in text
    assert found["rule"]["rule_version"] == 1
    assert found["rule"]["document"]["score"]["largest_drop"] == 1.25
    points = found["operating_characteristic"]["points"]
    assert {point["axis"] for point in points} == {"quality", "noticing share"}
    assert (
        found["operating_characteristic"]["fingerprint"] == found["rule"]["document"]["fingerprint"]
    )
    assert {p["name"] for p in found["participants"]} >= {"A1", "Ilze Ozola", "Juris Kalns"}
    glasses = found["occasions"][0]["glasses"]
    assert {glass["purpose"] for glass in glasses} == {"lot", "control"}
    assert len([glass for glass in glasses if glass["purpose"] == "lot"]) == 10


def test_deviations_are_told(decided: Path) -> None:
    told = " ".join(_evidence(decided, "VK-DRY-2641")["deviations"])
    assert "nosed 9 min too late, left out" in told
    assert "glasses that came back without a score: 1" in told
    assert "no sheet from A7" in " ".join(_evidence(decided, "VK-BASE-2641")["deviations"])


def test_importing_again_changes_nothing(decided: Path, panels: Panels) -> None:
    before = record_count(decided)
    ran = panels("sitting", "import", decided)
    assert ran.code == 0 and "Nothing new" in ran.out
    assert record_count(decided) == before


@pytest.mark.full
def test_dry_run_leaves_no_register_behind(workspace: Path, panels: Panels) -> None:
    ran = panels("sitting", "import", workspace, "--dry-run")
    assert ran.code == 0 and "VK-NAVY-2642: Hold" in ran.out
    assert "Dry run: nothing was kept." in ran.err
    assert not (workspace / "records.sqlite").exists()


@pytest.mark.full
def test_a_sitting_to_come_is_not_taken_in_but_the_story_of_a_quarter_is(
    workspace: Path, panels: Panels, monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import UTC, datetime

    # before the sittings, and before the plan that begins on 2027-01-04
    monkeypatch.setattr(
        "bulkflow.records.times.system_clock", lambda: datetime(2026, 1, 1, tzinfo=UTC)
    )
    assert panels("sitting", "import", workspace, "--dry-run").code == 0
    file = workspace / "panel" / "sittings" / "2026-12-15.yaml"
    file.write_text(file.read_text().replace("held_on: 2026-12-15", "held_on: 2027-01-04"))
    ran = panels("sitting", "import", workspace)
    assert ran.code == 2 and not ran.out
    assert "2026-12-15.yaml, line 3" in ran.err, ran.err
    assert "is 2027-01-04, and sittings are taken in up to 2027-01-03" in ran.err
    (workspace / "scenario.yaml").unlink()
    ran = panels("sitting", "import", workspace)
    assert ran.code == 2 and "up to 2026-01-01" in ran.err and "2026-12-17.yaml" in ran.err


def test_chain_is_whole(decided: Path) -> None:
    from bulkflow.lots.tables import LOTS
    from bulkflow.records.migrations import RECORDS

    kinds = {kind.name: kind for part in (RECORDS, LOTS, PANELS) for kind in part.kinds}
    with register(decided) as session:
        found = verify(session, kinds)
    assert found.broken is None and found.records > 50


def test_no_key_is_in_the_register_before_the_close(planned: Path) -> None:
    """Whoever reads the whole register learns codes, and lots, and nothing that joins them."""
    from bulkflow.records import records_in
    from panels.sittings.keys import key_path, read_key

    key = read_key(key_path(planned, FIRST), sitting=FIRST)
    with register(planned) as session:
        kinds = {record.kind for record in records_in(session)}
        (sitting,) = records_in(session, kinds=("panel sitting",))
    assert "panel key opening" not in kinds
    assert str(key.seed) not in sitting.body
    by_assessor = [place for place in sitting.content["places"] if place["assessor"] == "A1"]
    assert all(
        set(place) == {"assessor", "flight", "position", "code", "liquid"} for place in by_assessor
    )


@pytest.mark.parametrize("sitting", [FIRST, SECOND])
def test_scores_of_the_demo_are_on_the_scale(decided: Path, panels: Panels, sitting: str) -> None:
    document = panels("sitting", "show", decided, sitting, "--json").json
    assert document["state"] == "closed" and not document["void"]
    assert all(check["passed"] for check in document["controls"])


@pytest.mark.full
def test_sittings_on_either_database(workspace: Path, panels: Panels, database_url: str) -> None:
    ran = panels("sitting", "import", workspace, "--database", database_url)
    assert ran.code == 0, ran.err
    settings = settings_for(workspace, database_url, environ={})
    with open_register(settings, PANELS, create=False) as store, store.read() as session:
        found = {line.lot_id: line.status.value for line in list_lots(session)}
    assert found == STATUSES


@pytest.mark.full
def test_edits_of_tables_taken_over_are_told_row_by_row(decided: Path, panels: Panels) -> None:
    words = ("sitting", "import", decided)
    assert "edited" not in panels(*words).err
    table = decided / "panel" / "sittings" / "2026-12-15.scores.csv"
    was = table.read_text()
    assert "A1,779,10:00,10:18,9,4" in was and "A1,616,10:00,10:26,8.5,5" in was
    now = was.replace("A1,779,10:00,10:18,9,4", "A1,779,10:00,10:18,7,4")
    lines = [line for line in now.splitlines() if not line.startswith("A2,")]
    table.write_text("\n".join([*lines, ""]))
    before = record_count(decided)
    for command in (words, ("sitting", "list", decided), ("queue", decided)):
        told = " ".join(panels(*command).err.split())
        assert "2026-12-15.scores.csv was edited after the register took it over: A1 779" in told
        assert "(taken out)" in told and "panels sitting amend" in told and "616" not in told
    assert record_count(decided) == before
    # an amendment that says the same settles it
    table.write_text(now)
    reason = ("--reason", "keyed 9 for 7")
    assert panels("sitting", "amend", decided, FIRST, "A1", "779", "score", "7", *reason).code == 0
    assert "edited" not in panels(*words).err
    samples = decided / "panel" / "sittings" / "2026-12-17.preparation.csv"
    samples.write_text(samples.read_text().replace("VK-DRY-2643,20.12", "VK-DRY-2643,20.02"))
    assert "2026-12-17.preparation.csv was edited" in panels(*words).err
