"""Analysis of closed sittings: windows, companions, and files of any content."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bulkflow.errors import InputError
from panels.methods.robust import algorithm_a
from panels.release.rule import OutsideWindow, ReleaseRule
from panels.sittings.analysis import (
    LotFigures,
    SittingAnalysis,
    analyse_sitting,
    answers_of,
    lot_figures,
)
from panels.sittings.history import HeldSitting, find_sitting, rules_of
from panels.sittings.scores import read_sheets, sheet_rules
from tests.panels.conftest import FIRST, register
from tests.panels.filled_sheets import sitting_of


@pytest.fixture(scope="module")
def first(decided_register: Path) -> tuple[HeldSitting, dict[str, ReleaseRule], SittingAnalysis]:
    with register(decided_register) as session:
        held = find_sitting(session, FIRST)
        rules = {liquid: found.rule for liquid, found in rules_of(session, held).items()}
        return held, rules, analyse_sitting(held, rules)


def _figures(analysis: SittingAnalysis, rules: dict[str, ReleaseRule], lot: str) -> LotFigures:
    judged = analysis.judged(lot)
    assert judged is not None
    return lot_figures(lot, [analysis], [analysis], rules[judged.liquid], look=1)


def _keeping(rules: dict[str, ReleaseRule]) -> dict[str, ReleaseRule]:
    return {
        liquid: rule.model_copy(
            update={
                "validity": rule.validity.model_copy(update={"outside_window": OutsideWindow.KEEP})
            }
        )
        for liquid, rule in rules.items()
    }


@pytest.mark.full
def test_late_glass_is_treated_by_the_declared_rule(
    first: tuple[HeldSitting, dict[str, ReleaseRule], SittingAnalysis],
) -> None:
    held, rules, _ = first
    (left_out,) = [a for a in answers_of(held, rules) if a.outside]
    assert left_out.outside == "nosed 9 min too late" and not left_out.counts
    (kept,) = [a for a in answers_of(held, _keeping(rules)) if a.outside]
    assert kept.counts and kept.glass == left_out.glass
    told = analyse_sitting(held, _keeping(rules)).deviations
    assert any("9 min too late, kept and marked" in line for line in told)


def test_robust_companion_is_algorithm_a_over_assessors(
    first: tuple[HeldSitting, dict[str, ReleaseRule], SittingAnalysis],
) -> None:
    held, rules, analysis = first
    by: dict[str, dict[str, list[float]]] = {}
    for answer in answers_of(held, rules):
        if answer.counts and answer.glass.score is not None:
            own = by.setdefault(answer.assessor, {})
            own.setdefault(answer.subject, []).append(answer.glass.score)
    gaps = [
        float(np.mean(own["VK-CIT-2642"]) - np.mean(own["VK-CIT-S3"]))
        for own in by.values()
        if {"VK-CIT-2642", "VK-CIT-S3"} <= set(own)
    ]
    found = _figures(analysis, rules, "VK-CIT-2642").robust_difference
    assert found is not None and found.n == len(gaps)
    assert found.mean == pytest.approx(algorithm_a(gaps, resolution=0.5).mean)


def test_one_assessor_gone_mad_moves_the_companion_less_than_the_mean(
    first: tuple[HeldSitting, dict[str, ReleaseRule], SittingAnalysis],
) -> None:
    """The model takes every score at its word; the companion shows when one of them decides."""
    held, rules, analysis = first
    spoilt = []
    for record, sheet in held.sheets:
        if sheet.assessor == "A1":
            inside = {r.code: r.subject for r in held.key if r.assessor == "A1"}
            glasses = tuple(
                glass.model_copy(update={"score": 0.0})
                if inside[glass.code] == "VK-CIT-2641"
                else glass
                for glass in sheet.glasses
            )
            sheet = sheet.model_copy(update={"glasses": glasses})
        spoilt.append((record, sheet))
    other = analyse_sitting(
        HeldSitting(
            held.record, held.sitting, held.preparation, tuple(spoilt), held.openings, held.closing
        ),
        rules,
    )
    before, after = (_figures(one, rules, "VK-CIT-2641") for one in (analysis, other))
    assert before.difference and after.difference
    assert before.robust_difference and after.robust_difference
    moved = abs(after.difference.estimate - before.difference.estimate)
    robust = abs(after.robust_difference.mean - before.robust_difference.mean)
    assert moved > 0.6 and robust < 0.5 * moved


def test_means_agree_with_plain_averages_where_nothing_is_missing(
    first: tuple[HeldSitting, dict[str, ReleaseRule], SittingAnalysis],
) -> None:
    held, rules, analysis = first
    scores = [
        a.glass.score
        for a in answers_of(held, rules)
        if a.subject == "VK-CIT-2642" and a.counts and a.glass.score is not None
    ]
    found = _figures(analysis, rules, "VK-CIT-2642").mean
    assert found is not None and len(scores) == 10
    assert found.estimate == pytest.approx(float(np.mean(scores)), abs=0.02)


HEADER = "assessor,code,poured,nosed,score,off_notes,remarks\n"


@pytest.mark.full
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode)))
def test_any_file_is_read_or_refused(
    planned_register: Path, tmp_path: Path, content: bytes
) -> None:
    """Nothing that is handed in ends in anything but sheets or faults."""
    sitting = sitting_of(planned_register, FIRST)
    with register(planned_register) as session:
        found = rules_of(session, find_sitting(session, FIRST))
    rules = sheet_rules([one.rule for one in found.values()])
    path = tmp_path / "scores.csv"
    for text in (content, HEADER.encode() + b"A1," + content):
        path.write_bytes(text)
        try:
            sheets = read_sheets(path, sitting, rules, recorded=())
        except InputError as error:
            assert error.faults
        else:
            assert all(sheet.sitting == FIRST for sheet in sheets)
