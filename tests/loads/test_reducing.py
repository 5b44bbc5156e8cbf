"""Reduction on the sheet: laws, and published examples through it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.errors import InputError, OutOfRangeError
from bulkflow.loads.reducing import (
    correction,
    let_down,
    liquor,
    on_label,
    reduce_in_stages,
    target_of_label,
)

SIXTY_F = 140.0 / 9.0

strengths = st.floats(60.0, 96.5)
amounts = st.floats(10.0, 40_000.0)
temperatures = st.floats(5.0, 35.0)


@given(lpa=amounts, start=strengths, end=st.floats(36.0, 58.0), at=temperatures)
def test_water_takes_no_alcohol_away_however_many_stages(lpa, start, end, at) -> None:
    spirit = liquor(lpa, start, at)
    one = reduce_in_stages(spirit, [end], at)
    two = reduce_in_stages(spirit, [(start + end) / 2, end], at)
    for stages in (one, two):
        assert stages[-1].after.lpa == pytest.approx(lpa, rel=1e-9)
        added = sum(stage.added_kg for stage in stages)
        assert stages[-1].after.mass_kg == pytest.approx(spirit.mass_kg + added, rel=1e-9)
        litres = sum(s.added_litres - s.contraction_litres for s in stages)
        assert stages[-1].after.litres == pytest.approx(spirit.litres + litres, rel=1e-9)
    assert one[0].added_kg == pytest.approx(sum(stage.added_kg for stage in two), rel=1e-9)


@given(
    litres=st.floats(100.0, 60_000.0),
    target=st.floats(37.0, 57.0),
    off=st.floats(-2.0, 2.0).filter(lambda off: abs(off) > 1e-9),  # else there is none to add
    spirit=strengths,
    at=temperatures,
)
def test_a_correction_brings_the_batch_to_its_target(litres, target, off, spirit, at) -> None:
    found = correction(litres, target + off, target, spirit, at)
    batch = liquor(litres, target, at)  # for its temperature only
    assert found.after.strength_percent == target
    before = correction(litres, target + off, target + off, spirit, at).after
    lpa = before.lpa
    if found.kind == "spirit":
        lpa += liquor(1.0, spirit, at).lpa / liquor(1.0, spirit, at).mass_kg * found.added_kg
    assert found.after.lpa == pytest.approx(lpa, rel=1e-7)
    assert found.after.mass_kg == pytest.approx(before.mass_kg + found.added_kg, rel=1e-9)
    assert (found.kind == "water") == (off > 0)
    assert batch.litres > 0


@given(lpa=amounts, first=strengths, more=amounts, other=strengths, at=temperatures)
def test_letting_down_adds_the_alcohol_up(lpa, first, more, other, at) -> None:
    made = let_down(liquor(lpa, first, at), [(more, other)], at)
    assert made.after.lpa == pytest.approx(lpa + more, rel=1e-9)
    low, high = sorted((first, other))
    assert low - 1e-6 <= made.after.strength_percent <= high + 1e-6


@given(label=st.floats(36.0, 60.0), celsius=st.sampled_from([15.0, SIXTY_F, 20.0]))
def test_a_label_and_its_strength_at_20_c(label, celsius) -> None:
    target = target_of_label(label, celsius)
    assert on_label(target.strength_percent, celsius) == pytest.approx(label, abs=1e-9)


def test_published_reductions_through_the_sheet() -> None:
    # USP, Diluted Alcohol: 500 mL of 94.9 % vol and 500 mL of water give about 970 mL at 25 degC.
    spirit = liquor(0.5 * 0.949 * 1000.0, 94.9, 25.0)
    scale = 500.0 / spirit.litres
    made = reduce_in_stages(liquor(spirit.lpa * scale, 94.9, 25.0), [49.0], 25.0)[0]
    assert made.contraction_litres > 0
    # 27 CFR 30.64: 1000 lb of 200 proof to 190 proof needs 82.03 lb of water; by mass, any unit.
    target = target_of_label(95.0, SIXTY_F).strength_percent
    pure = liquor(1000.0, 100.0, 20.0)
    step = reduce_in_stages(pure, [target], 20.0)[0]
    assert 1000.0 * step.added_kg / pure.mass_kg == pytest.approx(82.03, abs=0.05)


def test_what_is_off_the_way_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="water lowers a strength"):
        reduce_in_stages(liquor(100.0, 60.0, 20.0), [61.0], 20.0)
    with pytest.raises(OutOfRangeError):
        correction(1000.0, 39.0, 40.0, 39.5, 20.0)
    with pytest.raises(InputError, match="20 degC, 15 degC or 60 degF"):
        target_of_label(40.0, 25.0)


@pytest.mark.parametrize(
    ("proof", "strength", "source"),
    [(80.0, 40.069, "computed from OIML R 22"), (100.0, 50.061, "computed from OIML R 22")],
)
def test_american_labels_at_20_c(proof, strength, source) -> None:
    assert target_of_label(proof / 2, SIXTY_F).strength_percent == pytest.approx(
        strength, abs=0.0006
    ), source
