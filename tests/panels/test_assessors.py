"""Assessors: performance, drift, sensitivity, and selection by a rule declared beforehand."""

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from panels.assessors.drift import DriftSettings, reference_drift
from panels.assessors.performance import (
    bias_against_reference,
    panel_performance,
    performance_from_table,
)
from panels.assessors.selection import (
    Need,
    SelectionRule,
    review_assessors,
    review_sensitivity,
    reviews_to_frame,
)
from panels.assessors.sensitivity import (
    Threshold,
    best_estimate_thresholds,
    detection,
    forced_choice_record,
    group_threshold,
    most_sensitive_first,
)
from panels.errors import DataError, RangeError

DATA = Path(__file__).parents[1] / "reference" / "sensory_data"
RULE = SelectionRule(name="panel", version="1", declared=date(2031, 1, 10))
PRODUCTS = np.array([5.0, 6.5, 8.0, 4.0])


def panel(seed: int = 1, people: int = 8, replicates: int = 3) -> np.ndarray:
    """A good panel: small levels apart, small noise."""
    rng = np.random.default_rng(seed)
    level = rng.normal(0, 0.2, (people, 1, 1))
    return PRODUCTS[None, :, None] + level + rng.normal(0, 0.35, (people, 4, replicates))


def needs_of(scores: np.ndarray, at: int) -> tuple[Need, ...]:
    found = review_assessors(panel_performance(scores), RULE, first_sitting=date(2031, 2, 1))
    return found[at].needs


def test_a_good_panel_meets_the_rule() -> None:
    found = review_assessors(panel_performance(panel()), RULE, first_sitting=date(2031, 2, 1))
    assert all(review.meets_rule for review in found)
    assert reviews_to_frame(found)["meets_rule"].all()


def test_each_weakness_is_found_and_named() -> None:
    rng = np.random.default_rng(2)
    blind = panel()
    blind[0] = 6.0 + rng.normal(0, 0.35, (4, 3))
    blind[0] -= blind[0].mean(1, keepdims=True) - 6.0  # tells nothing apart at all
    assert Need.DISCRIMINATION in needs_of(blind, 0)
    assert needs_of(blind, 1) == ()
    wild = panel()
    wild[2] += rng.normal(0, 1.6, (4, 3))
    assert Need.REPEATABILITY in needs_of(wild, 2)
    high = panel()
    high[3] += 1.8
    assert needs_of(high, 3) == (Need.BIAS,)
    reversed_scale = panel()
    reversed_scale[4] = 12.0 - reversed_scale[4]
    assert set(needs_of(reversed_scale, 4)) >= {Need.AGREEMENT, Need.SCALE}
    timid = panel()
    timid[5] = 6.0 + 0.3 * (timid[5] - 6.0)
    assert needs_of(timid, 5) == (Need.SCALE,)


def test_agreement_is_not_judged_where_the_panel_sees_no_difference() -> None:
    rng = np.random.default_rng(3)
    result = panel_performance(6.0 + rng.normal(0, 0.5, (8, 4, 3)))
    assert not result.agreement_can_be_judged
    found = review_assessors(result, RULE, first_sitting=date(2031, 2, 1))
    assert all(review.not_judged == (Need.AGREEMENT, Need.SCALE) for review in found)
    assert all(Need.AGREEMENT not in review.needs for review in found)


def test_agreement_is_with_the_others_and_not_with_oneself() -> None:
    # Three people who know nothing: against the full mean each would seem to agree.
    rng = np.random.default_rng(4)
    own, full = [], []
    for _ in range(300):
        scores = rng.normal(size=(3, 4, 2))
        cells = scores.mean(2)
        own += [a.agreement for a in panel_performance(scores).assessors]
        full += [float(np.corrcoef(row, cells.mean(0))[0, 1]) for row in cells]
    assert np.mean([value for value in own if value is not None]) == pytest.approx(0.0, abs=0.06)
    assert np.mean(full) > 0.4


def test_an_assessor_who_scores_everything_alike_has_no_agreement() -> None:
    scores = panel()
    scores[0] = 6.0
    one = panel_performance(scores).assessors[0]
    assert one.agreement is None
    assert one.slope == 0.0
    assert np.isnan(one.discrimination.p_value)
    assert {Need.DISCRIMINATION, Need.AGREEMENT, Need.SCALE} <= set(needs_of(scores, 0))


def test_shares_of_interaction_add_up_and_point_to_the_odd_one() -> None:
    scores = panel()
    scores[6] = scores[6, ::-1]
    frame = panel_performance(scores).to_frame()
    assert frame["interaction_share"].sum() == pytest.approx(1.0)
    assert frame["interaction_share"].idxmax() == "7"
    assert frame["bias"].sum() == pytest.approx(0.0, abs=1e-9)


def test_from_a_long_table() -> None:
    frame = pd.read_csv(DATA / "wine_bitterness_9x4x2.csv")
    result = performance_from_table(
        frame, assessor="assessor", product="product", score="score_0_100"
    )
    assert result.assessors[1].slope == pytest.approx(1.6603, abs=1e-4)
    assert result.repeatability == pytest.approx(11.8145, abs=1e-3)
    assert result.interaction_ratio == pytest.approx(1.2239, abs=1e-4)
    with pytest.raises(DataError, match="needs replicates"):
        performance_from_table(
            frame[frame.replicate == 1], assessor="assessor", product="product", score="score_0_100"
        )


def test_a_rule_made_after_the_scores_is_refused() -> None:
    result = panel_performance(panel())
    for first in (date(2031, 1, 10), date(2030, 12, 1)):
        with pytest.raises(DataError, match="it may judge later data only"):
            review_assessors(result, RULE, first_sitting=first)
    with pytest.raises(DataError, match="declared on 2031-01-10"):
        review_sensitivity([], RULE, first_sitting=date(2031, 1, 1))


@pytest.mark.parametrize(
    "wrong",
    [
        {"largest_discrimination_p": 0.0},
        {"least_agreement": 1.5},
        {"largest_bias": 0.0},
        {"slope_range": (1.5, 0.5)},
        {"repeatability_alpha": float("nan")},
    ],
)
def test_rules_that_cannot_be_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(RangeError):
        SelectionRule(name="x", version="1", declared=date(2031, 1, 1), **wrong)  # type: ignore[arg-type]


# --- bias and drift --------------------------------------------------------------------------


def test_bias_against_the_agreed_value() -> None:
    result = bias_against_reference([7.0, 7.5, 7.2, 6.9], 7.5)
    assert result.lower < result.bias < result.upper
    assert (result.p_value < 0.05) == (result.upper < 0.0)
    assert bias_against_reference([7.0, 7.0], 7.0).p_value == 1.0
    assert bias_against_reference([7.0, 7.0], 7.5).p_value == 0.0


def test_slow_drift_is_seen_by_ewma_and_cusum_before_any_jump() -> None:
    rng = np.random.default_rng(5)
    quiet = list(7.0 + rng.normal(0, 0.15, 12))
    drifting = [7.0 - 0.05 * i for i in range(1, 13)]
    names = [f"s{i:02d}" for i in range(1, 25)]
    found = reference_drift(names, quiet + drifting, DriftSettings(baseline=12))
    charts = [chart for charts in found.signals.values() for chart in charts]
    assert charts[0] in ("EWMA", "CUSUM")
    assert set(found.signals) <= set(names[12:])
    assert list(found.to_frame().columns)[-1] == "signals"


@pytest.mark.full
def test_false_alarms_are_as_rare_as_said() -> None:
    # In-control run lengths, centre and spread known: EWMA about 370, CUSUM about 465.
    rng = np.random.default_rng(7)
    lengths: dict[str, list[int]] = {"EWMA": [], "CUSUM": []}
    for _ in range(150):
        scores = rng.normal(size=2500)
        settings = DriftSettings(baseline=5, agreed=0.0, resolution=0.0)
        chart = reference_drift([str(i) for i in range(2500)], scores.tolist(), settings)
        # The baseline's own spread is noisy; judge with the true one.
        z = np.array(chart.average.z)
        reach = 2.86 * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * np.arange(1, 2501))))
        over = np.flatnonzero(np.abs(z) > reach)
        lengths["EWMA"].append(int(over[0]) + 1 if over.size else 2500)
    assert np.mean(lengths["EWMA"]) == pytest.approx(370, rel=0.25)


def test_equal_reference_scores_are_not_an_alarm() -> None:
    names = [str(i) for i in range(10)]
    settings = DriftSettings(baseline=5, resolution=0.5)
    found = reference_drift(names, [7.0] * 8 + [7.5, 7.0], settings)
    assert "individuals" not in [c for charts in found.signals.values() for c in charts]
    with pytest.raises(DataError, match="do not vary"):
        reference_drift(names, [7.0] * 10, DriftSettings(baseline=5, resolution=0.0))


def test_drift_refusals() -> None:
    with pytest.raises(DataError, match="a sitting stands twice"):
        reference_drift(["a", "a"], [1.0, 2.0])
    with pytest.raises(DataError, match="the baseline alone needs 8"):
        reference_drift(["a", "b"], [1.0, 2.0])
    with pytest.raises(RangeError, match="baseline is 3"):
        reference_drift(["a", "b"], [1.0, 2.0], DriftSettings(baseline=3))
    with pytest.raises(DataError, match="2 sittings but 1 scores"):
        reference_drift(["a", "b"], [1.0])


# --- sensitivity -----------------------------------------------------------------------------


def test_detection_weighs_hits_against_false_alarms() -> None:
    sharp = detection("A", "musty", named=9, spiked=10, false_alarms=1, controls=20)
    shouty = detection("B", "musty", named=9, spiked=10, false_alarms=17, controls=20)
    perfect = detection("C", "musty", named=10, spiked=10, false_alarms=0, controls=20)
    assert sharp.p_value < 0.001 < shouty.p_value
    assert perfect.d_prime_shrunk > sharp.d_prime_shrunk > shouty.d_prime_shrunk
    assert most_sensitive_first([shouty, sharp, perfect], "musty") == ("C", "A", "B")
    assert most_sensitive_first([sharp], "metallic") == ()


def test_thresholds_of_an_ascending_series() -> None:
    steps = [0.5, 1.5, 4.5, 13.5]
    found = best_estimate_thresholds(
        steps, {"A": [0, 0, 1, 1], "B": [1, 1, 1, 1], "C": [1, 0, 1, 0], "D": [0, 1, 1, 1]}
    )
    by_name = {one.assessor: one for one in found}
    assert by_name["A"].value == pytest.approx((1.5 * 4.5) ** 0.5)
    assert by_name["B"] == Threshold("B", pytest.approx((0.5 / 3 * 0.5) ** 0.5), "below")
    assert by_name["C"] == Threshold("C", pytest.approx((13.5 * 40.5) ** 0.5), "above")
    assert by_name["D"].value == pytest.approx((0.5 * 1.5) ** 0.5)
    mean, spread = group_threshold(found)
    assert min(one.value for one in found) < mean < max(one.value for one in found)
    assert spread > 0.0
    for wrong, message in (
        ({"A": [1, 0]}, "2 answers for 4 steps"),
        ({"A": [1, 0, 2, 1]}, "neither 1"),
    ):
        with pytest.raises(DataError, match=message):
            best_estimate_thresholds(steps, wrong)
    with pytest.raises(DataError, match="above zero and rise"):
        best_estimate_thresholds([1.0, 1.0], {"A": [1, 1]})


def test_sensitivity_under_the_rule() -> None:
    records = [
        forced_choice_record("A", "musty", 8, 9),
        forced_choice_record("A", "sulphury", 3, 9),
        forced_choice_record("B", "musty", 9, 9),
    ]
    reviews = review_sensitivity(records, RULE, first_sitting=date(2031, 2, 1))
    assert [review.meets_rule for review in reviews] == [False, True]
    assert reviews[0].findings[0].asked == "sulphury: p at most 0.05"
