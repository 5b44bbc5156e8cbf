"""Panels in a notebook: the figures of the command line, as frames."""

from __future__ import annotations

import doctest
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import panels as face
from bulkflow.errors import InputError
from panels import library
from tests.panels.conftest import SCENARIO, SECOND, Panels

TRIAL = SCENARIO / "panel" / "uses" / "trial.csv"


def test_examples() -> None:
    assert doctest.testmod(library).failed == 0
    assert sorted(face.__all__) == sorted(library.__all__)


def test_nothing_heavy_is_imported_before_it_is_asked_for() -> None:
    code = "import panels, sys; print(sorted({'pandas', 'scipy', 'sqlalchemy'} & set(sys.modules)))"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_a_sitting_is_judged_as_by_the_command(decided: Path, panels: Panels) -> None:
    found = face.sitting(decided, SECOND)
    told = panels("sitting", "show", decided, SECOND, "--json").json
    for lot in told["lots"]:
        row = found.lots.loc[lot["lot"]]
        assert row["verdict"] == lot["verdict"] and row["assessors"] == lot["assessors"]
        assert row["mean"] == lot["mean"]["estimate"]
        assert row["difference_lower"] == lot["difference"]["lower_95"]
    assert len(found.controls) == len(told["controls"]) and found.controls["passed"].all()
    shown = repr(found)
    assert SECOND in shown and "VK-NAVY-2642" in shown and len(shown) < 600
    # its scores may be analysed by hand
    own = found.scores[(found.scores["liquid"] == "VK-NAVY") & found.scores["counts"]]
    again = face.mixed_model(own, control="VK-NAVY-S2")
    assert again.frame.loc["VK-NAVY-2642", "mean"] == pytest.approx(
        found.lots.loc["VK-NAVY-2642", "mean"], abs=0.1
    )
    with pytest.raises(InputError, match="not in the register"):
        face.sitting(decided, "VK-2026-12-16")


def test_a_rule_shows_what_it_does() -> None:
    found = face.rule(SCENARIO, "VK-BASE")
    points = found.points
    assert list(points.columns) == ["release", "hold", "reject", "draws"]
    assert (points[["release", "hold", "reject"]].sum(axis=1).round(9) == 1.0).all()
    assert "VK-BASE v1" in repr(found) and len(repr(found).splitlines()) <= 25
    assert len(found.words) == 5
    with pytest.raises(InputError, match="VK-BASE"):
        face.rule(SCENARIO, "VK-BSE")


def test_methods_take_frames() -> None:
    trial = pd.read_csv(TRIAL)
    found = face.performance(trial)
    assert set(found.frame.index) == {f"A{n}" for n in range(1, 13)}
    assert "12 assessors" in repr(found)
    means = trial.groupby(["assessor", "product"], as_index=False)["score"].mean()
    means = means[means["product"].isin(["VK-DRY", "VK-DRY heads", "feinty"])]
    ranks = face.friedman(means, sample="product", value="score")
    assert ranks.frame["rank_sum"].sum() == 12 * 6 and ranks.result.p_value < 0.001
    assert "p < 0.001" in repr(ranks)
    with pytest.raises(InputError, match="is missing for an assessor"):
        face.friedman(means.iloc[1:], sample="product", value="score")
    with pytest.raises(InputError, match="stands twice"):
        face.friedman(trial, sample="product", value="score")
    with pytest.raises(InputError, match="score"):
        face.performance(trial.rename(columns={"score": "scores"}))


def test_the_readme_as_printed(
    decided: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    page = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")
    _, block = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    (decided.parent / "scenarios").mkdir()
    decided.rename(decided.parent / "scenarios" / "vejkalna")
    monkeypatch.chdir(decided.parent)
    names: dict[str, object] = {}
    exec(compile(block, "README.md", "exec"), names)
    assert "VK-DRY v1" in capsys.readouterr().out


@pytest.mark.full
def test_a_rule_changed_is_simulated_anew() -> None:
    rule = face.rule(SCENARIO, "VK-BASE")
    once = rule.simulated(standard_error=0.05, spending=(1.0,))
    assert once.rule.retests == 0 and once.rule.fingerprint != rule.rule.fingerprint
    # without a retest a lot in the middle is held more often
    assert once.points.loc[("quality", 6.75), "hold"] > rule.points.loc[("quality", 6.75), "hold"]
