"""Release rules: form, fingerprint, judgement, simulated risks and their inverse."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import stats

from bulkflow.errors import InputError
from panels.errors import RangeError
from panels.methods.mixed_model import Estimate
from panels.release.characteristic import (
    Characteristic,
    check_characteristic,
    draws_for,
    operating_characteristic,
    panel_size,
    quality_grid,
    quarter_risk,
)
from panels.release.confirmation import ConfirmationFinding, judge_confirmation
from panels.release.files import read_rules
from panels.release.judging import Code, false_alarm_rate, judge_scores, off_note_finding
from panels.release.rule import ConfirmationRule, ReleaseRule
from panels.release.simulation import simulate_lots
from panels.release.words import rule_in_words
from tests.panels.conftest import SCENARIO, Panels, record_count

NOTES = ["sulphury", "musty", "feinty", "solventy"]


def rule(**changes: Any) -> ReleaseRule:
    """A small rule; nested parts given by name replace those here."""
    form: dict[str, Any] = {
        "liquid": "L",
        "version": 1,
        "declared": datetime.date(2026, 11, 2),
        "declared_by": "leader",
        "standard": "S",
        "score": {"minimum": 6.0, "largest_drop": 1.25},
        "off_note_list": NOTES,
        "validity": {"control_minimum": 6.5, "largest_repeat_difference": 1.5},
    }
    return ReleaseRule.model_validate({**form, **changes})


def test_fingerprint_knows_every_change_and_nothing_else() -> None:
    first = rule()
    assert first.fingerprint == rule().fingerprint
    changed = [
        rule(version=2),
        rule(score={"minimum": 6.1, "largest_drop": 1.25}),
        rule(spending=[1.0]),
        rule(off_note_list=NOTES[::-1]),
        rule(off_notes={"assessors": 4}),
        rule(assumptions={"assessors": 11}),
    ]
    prints = {first.fingerprint, *(other.fingerprint for other in changed)}
    assert len(prints) == len(changed) + 1
    again = ReleaseRule.model_validate_json(first.model_dump_json())
    assert again.fingerprint == first.fingerprint


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"spending": [0.6, 0.6]}, "add up to more than 1"),
        ({"score": {"decides": "mean", "largest_drop": 1}}, "so a minimum is needed"),
        ({"score": {"decides": "both", "minimum": 6}}, "so a largest_drop is needed"),
        ({"score": {"minimum": 12, "largest_drop": 1}}, "minimum must lie inside the scale"),
        ({"score": {"minimum": float("nan"), "largest_drop": 1}}, "finite number"),
        ({"off_note_list": ["a", "a"]}, "names a note twice"),
        ({"off_notes": {"assessors": 9}}, "more than fewest_assessors"),
        ({"off_notes": {"least_intensity": 6}}, "lies above highest_intensity"),
        ({"version": 0}, "greater than or equal to 1"),
        ({"level": 0.05}, "Extra inputs are not permitted"),
        ({"assumptions": {"day_sd": 0.5}}, "the level would not hold"),
        ({"validity": {"control_minimum": 11, "largest_repeat_difference": 1}}, "inside the scale"),
    ],
)
def test_rules_that_make_no_sense(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        rule(**changes)


def _one(estimate: float, error: float = 0.3, freedom: float = 9.0) -> tuple[Any, Any, Any]:
    return [estimate], [error], [freedom]


@pytest.mark.parametrize(
    ("mean", "difference", "expected"),
    [
        (7.5, 0.0, Code.RELEASE),
        (6.3, 0.0, Code.HOLD),  # the mean's interval straddles its minimum
        (7.5, -1.0, Code.HOLD),  # the difference's interval straddles the largest drop
        (5.0, -0.1, Code.REJECT),
        (7.5, -2.5, Code.REJECT),  # far below its control, however well it scored
    ],
)
def test_release_hold_and_reject(mean: float, difference: float, expected: Code) -> None:
    assert judge_scores(rule(), 1, _one(mean), _one(difference))[0] == expected


def test_release_takes_the_one_sided_limit_of_the_look() -> None:
    """Half of five per cent at the first sitting: t(0.975, 9) = 2.262 standard errors."""
    just = 6.0 + 2.262 * 0.3
    only_mean = rule(score={"decides": "mean", "minimum": 6.0})
    assert judge_scores(only_mean, 1, _one(just + 0.01), _one(0))[0] == Code.RELEASE
    assert judge_scores(only_mean, 1, _one(just - 0.01), _one(0))[0] == Code.HOLD
    # without a retest all of it is spent: t(0.95, 9) = 1.833
    whole = rule(score={"decides": "mean", "minimum": 6.0}, spending=[1.0])
    assert judge_scores(whole, 1, _one(6.0 + 1.84 * 0.3), _one(0))[0] == Code.RELEASE


@given(st.floats(0, 10), st.floats(-5, 5), st.floats(0.05, 2), st.floats(2, 60), st.floats(0.01, 3))
def test_a_better_lot_never_fares_worse(
    mean: float, difference: float, error: float, freedom: float, better: float
) -> None:
    first = judge_scores(rule(), 1, _one(mean, error, freedom), _one(difference, error, freedom))
    second = judge_scores(
        rule(), 1, _one(mean + better, error, freedom), _one(difference + better, error, freedom)
    )
    assert second[0] >= first[0]


@given(st.integers(0, 12), st.integers(0, 6), st.integers(1, 30))
def test_off_note_stops_by_count_and_stands_out_by_chance(
    named: int, on_controls: int, controls: int
) -> None:
    on_controls = min(on_controls, controls)
    found = off_note_finding(
        rule(),
        "musty",
        marks={f"A{n}": 3 for n in range(named)},
        asked=12,
        control_named=on_controls,
        controls=controls,
    )
    assert found.stops == (named >= 3)
    rate = (on_controls + 0.5) / (controls + 1)
    assert found.false_alarm_rate == pytest.approx(rate)
    alone = stats.binom.sf(named - 1, 12, rate)
    assert found.chance == pytest.approx(1 - (1 - alone) ** len(NOTES), abs=1e-9)
    assert found.stands_out == (found.stops and found.chance <= 0.05)


def test_faint_marks_do_not_count() -> None:
    found = off_note_finding(
        rule(off_notes={"least_intensity": 3}),
        "musty",
        marks={"A1": 2, "A2": 3, "A3": 1},
        asked=10,
        control_named=0,
        controls=10,
    )
    assert found.assessors == ("A2",) and not found.stops


def test_clean_controls_do_not_make_a_panel_infallible() -> None:
    assert float(false_alarm_rate(0, 10)) == pytest.approx(0.5 / 11)


# 3-AFC at 5 %: 11 of 20 are needed; at most 25 of 60 show that no more than 30 % can tell, at
# 5 % (both from the exact binomial tables of the triangle, which has the same guessing chance).
@pytest.mark.parametrize(
    ("correct", "people", "expected"),
    [
        (11, 20, ConfirmationFinding.CONFIRMED),
        (10, 20, ConfirmationFinding.OPEN),
        (4, 20, ConfirmationFinding.OPEN),  # below guessing proves nothing
        (25, 60, ConfirmationFinding.SIMILAR),
        (26, 60, ConfirmationFinding.OPEN),
        (27, 60, ConfirmationFinding.CONFIRMED),
        (17, 17, ConfirmationFinding.OPEN),  # fewer than the rule draws a conclusion from
    ],
)
def test_confirmation(correct: int, people: int, expected: ConfirmationFinding) -> None:
    found = judge_confirmation(
        ConfirmationRule(), assessments=people, correct=correct, assessors=people
    )
    assert found.finding is expected


def test_repeats_may_confirm_but_never_clear() -> None:
    found = judge_confirmation(ConfirmationRule(), assessments=60, correct=10, assessors=30)
    assert found.finding is ConfirmationFinding.OPEN and found.most_similar is None
    found = judge_confirmation(ConfirmationRule(), assessments=60, correct=40, assessors=30)
    assert found.finding is ConfirmationFinding.CONFIRMED


def test_rule_in_words_names_its_limits() -> None:
    told = rule_in_words(rule())
    parts = ["above 6", "above -1.25", "5 % at most", "2.5 %, 2.5 %", "3 assessors", "3-AFC"]
    parts += ["0.4 from day to day", "one test of a note", "stands until", "2 void sittings"]
    for part in parts:
        assert part in told


@pytest.mark.full
def test_simulation_repeats_and_follows_quality() -> None:
    shares = []
    for quality in (5.0, 6.0, 7.0, 8.0):
        lots = simulate_lots(rule(), quality=quality, draws=150, rng=np.random.default_rng(1))
        shares.append(float((lots.verdicts(rule()) == Code.RELEASE).mean()))
    assert shares == sorted(shares) and shares[0] == 0.0 and shares[-1] > 0.9
    again = simulate_lots(rule(), quality=8.0, draws=150, rng=np.random.default_rng(1))
    assert float((again.verdicts(rule()) == Code.RELEASE).mean()) == shares[-1]


@pytest.mark.full
def test_risk_at_the_limit_stays_below_the_level() -> None:
    """A lot exactly on its minimum, retest included; 4 standard errors of leeway."""
    only_mean = rule(score={"decides": "mean", "minimum": 7.0, "level": 0.1})
    lots = simulate_lots(only_mean, quality=7.0, draws=800, rng=np.random.default_rng(5))
    share = float((lots.verdicts(only_mean) == Code.RELEASE).mean())
    assert share < 0.1 + 4 * np.sqrt(0.1 * 0.9 / 800)


@pytest.mark.full
@pytest.mark.parametrize("looks", [1, 2, 3])
def test_risk_at_the_limit_stays_below_the_level_closely(looks: int) -> None:
    """On the mean alone, with a panel whose level moves by 0.4 from day to day."""
    spending = [1 / looks] * looks
    only_mean = rule(score={"decides": "mean", "minimum": 7.0}, spending=spending)
    assert only_mean.assumptions.day_sd == 0.4
    lots = simulate_lots(only_mean, quality=7.0, draws=4000, rng=np.random.default_rng(looks))
    share = float((lots.verdicts(only_mean) == Code.RELEASE).mean())
    assert 0.01 < share < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 4000)


@pytest.mark.full
def test_a_mean_alone_keeps_its_level_though_the_panel_drifts_by_day() -> None:
    """Without a day in the limits the same panel would release 14 % for a stated 5 %."""
    only_mean = rule(score={"decides": "mean", "minimum": 7.0}, spending=[1.0])
    lots = simulate_lots(only_mean, quality=7.0, draws=1500, rng=np.random.default_rng(8))
    share = float((lots.verdicts(only_mean) == Code.RELEASE).mean())
    assert share < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 1500)
    blind = only_mean.model_copy(
        update={"score": only_mean.score.model_copy(update={"day_sd": 0.0, "replicate_sd": 0.0})}
    )
    assert float((lots.verdicts(blind) == Code.RELEASE).mean()) > 0.1


@pytest.mark.full
def test_simulated_mean_agrees_with_a_closed_form() -> None:
    """One sitting, one score a sample, nothing missing, no rounding to speak of.

    Assessors differ so much that their variance is never estimated as nothing. The judged
    difference is then a paired t statistic with J - 1 degrees of freedom, whose chance of
    clearing the limit is a noncentral t probability.
    """
    plain = rule(
        score={
            "decides": "difference",
            "largest_drop": 1.0,
            "step": 0.001,
            "highest": 100,
            "replicate_sd": 0.0,
        },
        spending=[1.0],
        off_notes={"assessors": 8},
        assumptions={
            "assessors": 10,
            "lots": 1,
            "control_glasses": 1,
            "missing_share": 0.0,
            "interaction_sd": 0.0,
            "assessor_sd": 8.0,
            "residual_sd": 0.6,
            "control_quality": 50.0,
            "false_alarm_share": 0.0,
            "day_sd": 0.0,
            "replicate_sd": 0.0,
            "assessor_sitting_sd": 0.0,
            "quarter": [],
        },
    )
    draws = 4000
    lots = simulate_lots(plain, quality=49.6, draws=draws, rng=np.random.default_rng(2))
    found = float((lots.verdicts(plain) == Code.RELEASE).mean())
    shift = (49.6 - 50.0 + 1.0) / (0.6 * np.sqrt(2.0 / 10))
    expected = float(stats.nct.sf(stats.t.isf(0.05, 9), 9, shift))
    assert found == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / draws))


def test_operating_characteristic_states_its_precision() -> None:
    told: list[int] = []
    found = operating_characteristic(
        rule(),
        seed=3,
        standard_error=0.05,
        qualities=[6.0, 7.5],
        shares=[0.0, 0.5],
        progress=told.append,
    )
    assert found.draws == draws_for(0.05) == 100 and sum(told) == 400
    assert all(sum(p.sittings) == pytest.approx(1.0) and not p.faults() for p in found.points)
    assert found.fingerprint == rule().fingerprint
    frame = found.to_frame()
    assert (frame[["release_se", "hold_se", "reject_se"]] <= 0.05).all(axis=None)
    assert frame[["release", "hold", "reject"]].sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert frame.loc[("noticing share", 0.5), "release"] < 0.2
    assert frame.loc[("quality", 7.5), "release"] > 0.8


def test_grid_spans_from_rejects_to_releases() -> None:
    grid = quality_grid(rule())
    assert min(grid) <= 4.75 and max(grid) >= 7.5 and 6.0 in grid and 6.25 in grid


@pytest.mark.parametrize("error", [0.0, 0.0005, 0.2, float("nan")])
def test_precision_out_of_reach(error: float) -> None:
    with pytest.raises(RangeError, match="outside"):
        draws_for(error)


@pytest.mark.full
def test_panel_size_keeps_both_risks() -> None:
    pattern = rule(
        score={"decides": "mean", "minimum": 6.0, "day_sd": 0.1},
        spending=[1.0],
        assumptions={"day_sd": 0.1},
    )
    found = panel_size(
        pattern,
        bad_quality=6.0,
        risk_if_bad=0.05,
        good_quality=7.0,
        risk_if_good=0.1,
        seed=1,
        standard_error=0.03,
    )
    assert found.assessors is not None and found.limit is not None
    assert found.release_if_bad <= 0.05 and found.release_if_good >= 0.9
    fewer = [share for n, _, share in found.tried if n < found.assessors]
    assert all(share < 0.9 for share in fewer)
    closer = panel_size(
        pattern,
        bad_quality=6.9,
        risk_if_bad=0.01,
        good_quality=7.0,
        risk_if_good=0.01,
        seed=1,
        standard_error=0.05,
    )
    assert closer.assessors is None
    with pytest.raises(RangeError, match="cannot be told apart"):
        panel_size(
            pattern,
            bad_quality=7.0,
            risk_if_bad=0.05,
            good_quality=6.0,
            risk_if_good=0.1,
            seed=1,
        )


def test_rules_of_the_demo_read_and_their_stored_risks_fit() -> None:
    from panels.release.files import read_characteristic

    rules = read_rules(SCENARIO / "panel" / "rules.yaml")
    assert [r.liquid for r in rules] == ["VK-DRY", "VK-CIT", "VK-NAVY", "VK-BASE"]
    for one in rules:
        stored = read_characteristic(SCENARIO / "panel", one)
        assert stored is not None and stored.standard_error <= 0.01


BAD_RULES = {
    "no list": ("rules: none\n", "holds no list of rules"),
    "unknown part": ("ruls: []\n", "ruls is not a key known here"),
    "unknown field": (
        "rules:\n  - {liquid: L, versoin: 1}\n",
        "rules.yaml, line 2: rules[0].versoin is not a key known here",
    ),
    "hostile": ("rules: !!python/object/apply:os.system [ls]\n", "has the tag"),
    "no YAML": ("rules: [\n", "cannot be read as YAML"),
}


@pytest.mark.parametrize("how", BAD_RULES)
def test_files_that_are_no_rules(tmp_path: Path, how: str) -> None:
    text, words = BAD_RULES[how]
    path = tmp_path / "rules.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_rules(path)
    assert words in str(caught.value)


def test_a_declared_rule_is_never_changed(decided: Path, panels: Panels) -> None:
    path = decided / "panel" / "rules.yaml"
    text = path.read_text()
    before = record_count(decided)
    path.write_text(text.replace("largest_drop: 1.5", "largest_drop: 2.5"))
    ran = panels("rule", "declare", decided)
    assert ran.code == 2 and "A declared rule is never changed: give the next version." in ran.err
    assert record_count(decided) == before


@pytest.mark.full
def test_a_next_version_waits_for_what_is_to_be_decided(decided: Path, panels: Panels) -> None:
    """An off-note of VK-CIT is to be confirmed under version 1; nothing of VK-DRY waits."""
    path = decided / "panel" / "rules.yaml"
    text = path.read_text()
    quick = "      assessors: 10\n      lots: 3"
    for liquid, code in (("VK-CIT", 2), ("VK-DRY", 0)):
        start = text.index(f"  - liquid: {liquid}\n")
        end = text.find("  - liquid:", start + 5)
        entry = text[start : end if end > 0 else None]
        assert quick in entry
        second = entry.replace("version: 1", "version: 2").replace("2026-11-02", "2026-12-20")
        path.write_text(text.rstrip("\n") + "\n" + second)
        stored = decided / "panel" / "characteristics" / f"{liquid}-v2.json"
        rule = next(r for r in read_rules(path) if r.name == f"{liquid} v2")
        risks = operating_characteristic(
            rule, seed=1, standard_error=0.05, qualities=[6.0, 6.25, 7.5], shares=[0.5, 0.7]
        )
        stored.write_text(risks.model_dump_json())
        ran = panels("rule", "declare", decided, "--liquid", liquid)
        assert ran.code == code, ran.err
        if code:
            assert "would overtake the confirmation of an off-note in VK-CIT-2642" in ran.err
    shown = panels("rule", "show", decided, "--liquid", "VK-DRY", "--json").json["rules"]
    assert [one["rule"]["version"] for one in shown] == [1, 2]


def test_changed_risks_are_not_taken_for_the_rule(decided: Path, panels: Panels) -> None:
    """A stored characteristic of another rule is no characteristic of this one."""
    from panels.release.files import read_characteristic

    (first, *_) = read_rules(decided / "panel" / "rules.yaml")
    other = first.model_copy(update={"version": 2})
    assert read_characteristic(decided / "panel", other) is None
    shown = panels("rule", "show", decided, "--liquid", "VK-DRY", "--json").json
    assert shown["rules"][0]["characteristic"]["fingerprint"] == first.fingerprint


def small_characteristic(one: ReleaseRule) -> Characteristic:
    return operating_characteristic(
        one, seed=4, standard_error=0.05, qualities=[6.0, 6.25, 7.5], shares=[0.5, 0.7]
    )


def _forged(found: Characteristic, **changes: Any) -> Characteristic:
    """Change points and put the digest right, as a careful forger would."""
    points = tuple(point.model_copy(update=changes) for point in found.points)
    other = found.model_copy(update={"points": points})
    return other.model_copy(update={"digest": other.computed_digest()})


def test_stored_risks_are_taken_only_where_they_come_out_again() -> None:
    one = rule()
    found = small_characteristic(one)
    check_characteristic(one, found)
    check_characteristic(one, found, whole=True)
    zeros = {"release": 0.0, "hold": 0.0, "reject": 0.0}
    kind = {"release": 1.0, "hold": 0.0, "reject": 0.0, "batches": "100/0"}
    fewer = found.model_copy(update={"points": found.points[1:]})
    fewer = fewer.model_copy(update={"digest": fewer.computed_digest()})
    for other, words in (
        (found.model_copy(update={"seed": 5}), "does not fit its digest"),
        (_forged(found, **zeros), "do not follow from its counts"),
        (_forged(found, **kind), "does not come out again"),
        (_forged(found, batches=""), "has counts of 0 batches"),
        (fewer, "lacks the rule's limits"),
    ):
        with pytest.raises(RangeError, match=words):
            check_characteristic(one, other)
    with pytest.raises(RangeError, match="computed for another rule"):
        check_characteristic(rule(spending=[1.0]), found)


def test_a_quarter_adds_up() -> None:
    one = rule()
    found = quarter_risk(one, small_characteristic(one))
    assert found.lots == 30 and found.bad == 4
    assert found.released + found.held + found.rejected == pytest.approx(30.0)
    assert found.bad_released <= 4 and found.sittings >= 30


def test_estimates_speak_for_themselves() -> None:
    assert Estimate(7.0, 0.2, 9.0).p_value(7.0) == pytest.approx(1.0)
