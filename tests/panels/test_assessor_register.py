"""Training, qualification and its end; drift and power as sittings show them."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace as Fake

import numpy as np
import pytest
from scipy import stats

from bulkflow.lots.tables import DECISION
from bulkflow.records import records_about
from panels.assessors.drift import DriftSettings
from panels.release.files import read_rules
from panels.sittings.watching import power_to_tell, watch_panel
from tests.panels.conftest import SCENARIO, Panels, record_count, register
from tests.panels.filled_sheets import filled, sitting_of, written

WORDS = ("--on", "2027-01-05", "--water", "demineralised, batch W-27-01")
RULE = read_rules(SCENARIO / "panel" / "rules.yaml")[0]


def _next(panels: Panels, folder: Path, *more: object, on: str = "2027-01-05") -> object:
    words = ("--on", on, "--water", "demineralised, batch W-27-01", *more)
    return panels("sitting", "next", folder, "R-1", *words)


def _who(*names: str) -> list[str]:
    return [word for name in names for word in ("--assessor", name)]


TEN = ("A1", "A2", "A3", "A4", "A5", "A6", "A7", "A8", "A9")


@pytest.mark.full
def test_who_is_not_qualified_is_not_planned(decided: Path, panels: Panels) -> None:
    before = record_count(decided)
    ran = _next(panels, decided, *_who(*TEN, "A12"))
    assert ran.code == 2 and record_count(decided) == before
    said = " ".join(ran.err.split())
    assert "A12, who is not qualified on 2027-01-05: no training in off-notes of the house" in said
    assert "does not meet Vejkalna panel 2 (repeatability)" in said
    # a qualification ends
    ran = _next(panels, decided, on="2027-09-12")
    said = " ".join(ran.err.split())
    assert ran.code == 2 and "A1, who is not qualified on 2027-09-12" in said
    assert "qualification ended on 2027-09-11" in said and "A3, who" not in said
    # nobody on the register
    ran = _next(panels, decided, *_who(*TEN, "B1"))
    assert ran.code == 2 and "no qualification by Vejkalna panel 2" in " ".join(ran.err.split())


@pytest.mark.full
def test_an_exception_is_kept_with_its_reason(
    decided: Path, panels: Panels, tmp_path: Path
) -> None:
    ran = _next(panels, decided, *_who(*TEN, "A12"), "--exception", "A12")
    assert ran.code == 2 and "Write" in ran.err
    ran = _next(panels, decided, *_who(*TEN, "A12"), "--exception", "A12:stands in for A10")
    assert ran.code == 0, ran.err
    (one,) = sitting_of(decided, "R-1").unqualified
    assert one.assessor == "A12" and one.reason == "stands in for A10"
    scores = written(tmp_path / "s.csv", filled(decided, "R-1"))
    assert panels("sitting", "record", decided, "R-1", scores, "--close").code == 0
    assert panels("sitting", "decide", decided, "R-1").code == 0
    with register(decided) as session:
        evidence = records_about(session, "VK-NAVY-2642", kinds=(DECISION.name,))[-1].content[
            "evidence"
        ]
    told = " ".join(evidence["deviations"])
    assert "A12 sat without being qualified" in told and "stands in for A10" in told
    assert evidence["source"]["panel"]["qualified_by"] == "Vejkalna panel 2"
    assert set(evidence["source"]["panel"]["chance_of_telling_it"]) == {"VK-2026-12-17", "R-1"}


@pytest.mark.full
def test_training_and_a_paper_make_an_assessor_fit(decided: Path, panels: Panels) -> None:
    who = ("--assessor", "B1")
    for what in ("dilute and rest", "off-notes of the house"):
        words = ("assessor", "train", decided, what, *who, "--on", "2026-12-20", "--by", "Ilze")
        assert panels(*words).code == 0
    ran = panels("assessor", "accept", decided, *who, "--on", "2026-12-21", "--evidence", "T-7")
    assert ran.code == 0, ran.err
    assert _next(panels, decided, *_who(*TEN, "B1")).code == 0
    listed = panels("assessor", "list", decided, "--on", "2026-12-20", "--json").json
    lacks = {one["assessor"]: one["lacks"] for one in listed["assessors"]}
    assert lacks["B1"] == ["no qualification by Vejkalna panel 2"] and lacks["A1"] == []
    ran = panels("assessor", "list", decided, "--on", "2026-12-21")
    assert ran.code == 0 and "2027-12-21" in ran.out
    assert "of VK-DRY would be told" in " ".join(ran.out.split())


def test_a_trial_qualifies_by_the_rule_as_declared_only(
    decided: Path, panels: Panels, tmp_path: Path
) -> None:
    uses = decided / "panel" / "uses"
    words = ("assessor", "qualify", decided)
    assert panels(*words, uses / "panel.yaml", uses / "trial.csv").code == 0
    other = tmp_path / "panel.yaml"
    text = (uses / "panel.yaml").read_text()
    other.write_text(text.replace("largest_bias: 1.0", "largest_bias: 3.0"))
    before = record_count(decided)
    ran = panels(*words, other, uses / "trial.csv")
    assert ran.code == 2 and "is not declared as it stands" in " ".join(ran.err.split())
    assert record_count(decided) == before


def test_without_a_rule_the_decision_says_so(planned: Path, panels: Panels, tmp_path: Path) -> None:
    name = "VK-2026-12-15"
    scores = written(tmp_path / "s.csv", filled(planned, name))
    assert panels("sitting", "record", planned, name, scores, "--close").code == 0
    assert "no rule says who is qualified" in " ".join(
        panels("sitting", "show", planned, name).out.split()
    )


def _sitting(number: int, controls: dict[str, float], lots: dict[str, float]) -> Fake:
    """As much of an analysed sitting as the watch reads."""
    answers = [
        Fake(assessor=who, subject=subject, purpose=purpose, counts=True, glass=Fake(score=score))
        for subject, purpose, scores in (
            (RULE.standard, "control", controls),
            ("L", "lot", lots),
        )
        for who, score in scores.items()
    ]
    judged = (Fake(lot="L", liquid=RULE.liquid),)
    return Fake(name=f"S{number:02d}", answers=answers, held=Fake(sitting=Fake(lots=judged)))


def test_drift_of_an_assessor_follows_from_sittings() -> None:
    """The whole panel moves from day to day, and one assessor slowly down: only that one drifts."""
    rng = np.random.default_rng(5)
    people = [f"A{n}" for n in range(1, 11)]
    sittings = []
    for number in range(24):
        day = rng.normal(0.0, 0.4)
        scores = {who: 7.5 + day + rng.normal(0.0, 0.3) for who in people}
        scores["A4"] -= 0.15 * max(0, number - 10)
        sittings.append(_sitting(number, scores, scores))
    settings = DriftSettings(baseline=10, resolution=0.5)
    watch = watch_panel(sittings, RULE, settings)
    assert [name for name, _ in watch.drifting] == ["A4"]
    assert watch.drifting[0][1] > "S10" and "A4 drifts from" in watch.drift_words[0]
    assert watch_panel(sittings[:11], RULE, settings).drifting == ()
    few = watch_panel(sittings[:5], RULE, settings)
    assert few.drifting == () and few.too_few[0] == ("A1", 5)


def test_power_is_that_of_a_simulated_paired_test() -> None:
    rng = np.random.default_rng(3)
    gaps = np.array([0.9, -0.6, 0.3, -1.2, 0.6, 0.0, 1.2, -0.9, -0.3])
    controls = {f"A{n}": 7.0 for n in range(9)}
    one = _sitting(1, controls, {f"A{n}": 7.0 + gap for n, gap in enumerate(gaps)})
    drop = 0.6
    found = power_to_tell(one, RULE, drop)
    drawn = rng.normal(-drop, gaps.std(ddof=1), size=(40000, 9))
    t = drawn.mean(1) / (drawn.std(1, ddof=1) / 3.0)
    simulated = float((t < -stats.t.isf(0.05, 8)).mean())
    assert found == pytest.approx(simulated, abs=0.01)
    nobody = _sitting(1, controls, {})
    assert power_to_tell(nobody, RULE, drop) is None
