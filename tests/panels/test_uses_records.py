"""Declarations and findings of the uses in the register: proof that the rule came first."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from bulkflow.errors import InputError
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, settings_for
from panels.records import PANELS
from panels.uses.declaration import SourceRule, read_any_declaration, read_declaration
from panels.uses.records import (
    USES,
    UseFinding,
    declare,
    digest_of,
    finding_of,
    findings,
    record_finding,
    subject_of,
)
from tests.panels.conftest import Panels

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna" / "panel" / "uses"


@contextmanager
def on(folder: Path, day: date) -> Iterator[Session]:
    """A writing session on that day."""
    moment = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    actor = Actor.current("Ilze Ozola")
    settings = settings_for(folder, f"sqlite:///{folder / 'records.sqlite'}")
    with (
        open_register(settings, PANELS, USES, actor=actor, clock=lambda: moment) as store,
        store.write(actor) as session,
    ):
        yield session


def finding(rule: SourceRule) -> UseFinding:
    return finding_of(
        rule,
        conclusion="qualified",
        passed=True,
        words="It is.",
        first_day=date(2026, 10, 12),
        result={"a": [1.5, None], "b": None},
        tables={"answers": DEMO / "source.csv"},
    )


def test_a_rule_recorded_before_the_first_answer_is_proved_to_be(tmp_path: Path) -> None:
    rule = read_declaration(DEMO / "source.yaml", SourceRule)
    with on(tmp_path, date(2026, 10, 6)) as session:
        declared = declare(session, rule)
    with on(tmp_path, date(2026, 11, 30)) as session:
        record_finding(session, finding(rule))
    with on(tmp_path, date(2026, 12, 1)) as session:
        ((_, kept),) = findings(session)
    assert (kept.declaration_record, kept.recorded_in_time) == (declared.seq, True)
    assert kept.result == {"a": [1.5, "none"]}
    assert len(kept.tables["answers"]) == 64


def test_a_rule_recorded_too_late_or_changed_is_no_proof(tmp_path: Path) -> None:
    rule = read_declaration(DEMO / "source.yaml", SourceRule)
    with on(tmp_path, date(2026, 10, 12)) as session:
        declare(session, rule)
    with on(tmp_path, date(2026, 11, 30)) as session:
        record_finding(session, finding(rule))
        record_finding(session, finding(rule.model_copy(update={"beta": 0.2})))
        late, changed = (body for _, body in findings(session))
    assert late.recorded_in_time is False
    assert (changed.declaration_record, changed.recorded_in_time) == (None, None)


def test_the_same_declaration_is_recorded_once(tmp_path: Path) -> None:
    rule = read_declaration(DEMO / "source.yaml", SourceRule)
    with on(tmp_path, date(2026, 10, 6)) as session:
        record = declare(session, rule)
        with pytest.raises(InputError, match=f"is in record {record.seq} already"):
            declare(session, rule)


def test_every_demo_declaration_has_a_subject_and_a_digest_of_its_own() -> None:
    rules = [read_any_declaration(path) for path in sorted(DEMO.glob("*.yaml"))]
    assert [subject_of(rule) for rule in rules] == [
        "bulk at Tidewater Row",
        "VK-CIT-2642: sulphury",
        "Vejkalna panel 2",
        "Godavari Terrace bottling",
        "cereal spirit of Kalmset",
    ]
    assert len({digest_of(rule) for rule in rules}) == 5


def test_a_declaration_of_no_known_use(tmp_path: Path) -> None:
    path = tmp_path / "rule.yaml"
    path.write_text("declared: 2026-10-05\nuse: sorce\n", "utf-8")
    with pytest.raises(InputError, match=r"rule\.yaml, line 2: use is 'sorce'"):
        read_any_declaration(path)


def test_through_the_command_line(panels: Panels, workspace: Path) -> None:
    rule, table = workspace / "arrival.yaml", workspace / "arrival.csv"
    for path in (rule, table):  # long ago, whenever this test runs
        path.write_text((DEMO / path.name).read_text("utf-8").replace("2026-", "2016-"), "utf-8")
    trial = panels("uses", "declare", workspace, rule, "--dry-run")
    assert trial.code == 0
    assert "nothing was kept" in trial.err
    assert panels("uses", "declare", workspace, rule, "--as", "Ilze").code == 0
    again = panels("uses", "declare", workspace, rule)
    assert again.code == 2
    assert "already" in again.err
    words = ("uses", "arrival", rule, table, "--record", workspace, "--as", "Ilze")
    ran = panels(*words)
    assert ran.code == 3
    assert "Kept as record" in ran.err
    assert "recorded only after the first answers" in ran.err
    kept = panels("uses", "history", workspace, "--json").json["findings"]
    assert [(one["use"], one["passed"]) for one in kept] == [("arrival", False)]
    assert kept[0]["actor"] == "Ilze"
    shown = panels("uses", "history", workspace)
    assert "arrival" in shown.out
    assert "not recorded" not in shown.out
    assert max(len(line.rstrip()) for line in shown.out.splitlines()) <= 80


def test_a_finding_without_a_declaration_says_so(panels: Panels, workspace: Path) -> None:
    for words in (
        ("source", DEMO / "source.yaml", DEMO / "source.csv"),
        ("site", DEMO / "site.yaml", DEMO / "site.csv"),
        ("off-note", DEMO / "off_note.yaml", DEMO / "off_note.csv", DEMO / "records.csv"),
        ("choose", DEMO / "panel.yaml", DEMO / "trial.csv", "--records", DEMO / "records.csv"),
    ):
        ran = panels("uses", *words, "--record", workspace, "--json")
        assert ran.code in (0, 3)
        assert "The declaration is not in the register" in ran.err
        assert json.loads(ran.out)["version"] == 1
    kept = panels("uses", "history", workspace, "--json").json["findings"]
    assert [one["use"] for one in kept] == ["source", "site", "off-note", "panel"]
    assert kept[0]["result"]["deliveries"][0]["delivery"] == "K-2641"
    assert set(kept[3]["tables"]) == {"scores", "records"}


def test_nothing_is_kept_of_a_table_with_faults(panels: Panels, workspace: Path) -> None:
    broken = workspace / "broken.csv"
    broken.write_text("load,date,assessor,correct\nW,2026-10-20,N1,maybe\n", "utf-8")
    ran = panels("uses", "arrival", DEMO / "arrival.yaml", broken, "--record", workspace)
    assert ran.code == 2
    assert not (workspace / "records.sqlite").exists()
