"""Dilution, windows, samples and standards."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.alcoholometry import density_from_strength, strength_from_mass_fraction
from bulkflow.alcoholometry import mass_fraction_from_strength as fraction
from bulkflow.errors import InputError
from panels.errors import RangeError
from panels.preparation.dilution import NosingWindow, measured_strength, prepare_dilution
from panels.preparation.sampling import keep_until, layers_agree, plan_sampling
from panels.preparation.standards import bridge
from panels.release.files import read_rules
from panels.sittings.volumes import spirit_needed
from tests.panels.conftest import SCENARIO, SECOND, Panels, record_count, register

DAY = datetime.date(2026, 12, 14)


@given(st.floats(20.5, 97.0), st.integers(1, 60), st.integers(0, 5), st.floats(5, 50))
def test_mixed_masses_make_the_strength_and_the_volume(
    strength: float, servings: int, spare: int, pour: float
) -> None:
    """Worked back from the masses alone, by the mass fraction of the mixture."""
    made = prepare_dilution("lot", strength, servings=servings, spare=spare, pour_ml=pour)
    alcohol = made.spirit_g * float(fraction(strength))
    mixture = made.spirit_g + made.water_g
    assert float(strength_from_mass_fraction(alcohol / mixture)) == pytest.approx(20.0, abs=1e-6)
    volume = mixture / float(density_from_strength(20.0, 20.0)) * 1000.0
    assert volume == pytest.approx(made.final_ml, rel=1e-6)
    assert made.final_ml >= (servings + spare) * pour - 1e-6
    assert made.final_ml < (servings + spare) * pour + 10.0
    assert made.contraction_ml == pytest.approx(
        made.spirit_ml + made.water_ml - made.final_ml, abs=1e-6
    )
    if strength > 40.0:  # near 20 % vol water and spirit hardly shrink, or even swell a little
        assert made.contraction_ml > 0


def test_density_and_temperature_give_the_strength() -> None:
    density = float(density_from_strength(79.0, 12.5))
    assert measured_strength(density, 12.5) == pytest.approx(79.0, abs=1e-6)


@pytest.mark.parametrize("strength", [19.9, 0.0, -5.0, 100.1, float("nan")])
def test_strengths_that_cannot_be_diluted(strength: float) -> None:
    with pytest.raises(RangeError, match=r"20 to 100"):
        prepare_dilution("lot", strength, servings=4)


def test_nothing_to_pour() -> None:
    with pytest.raises(RangeError, match="nothing to pour"):
        prepare_dilution("lot", 70.0, servings=0)


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (14, "nosed 1 min too early"),
        (15, ""),
        (60, ""),
        (61, "nosed 1 min too late"),
        (0, "nosed 15 min too early"),
    ],
)
def test_nosing_window(minutes: int, words: str) -> None:
    poured = datetime.datetime(2026, 12, 15, 10, 0)  # noqa: DTZ001 - local wall time
    assert NosingWindow().words_for(poured, poured + datetime.timedelta(minutes=minutes)) == words


def test_window_that_cannot_be_kept() -> None:
    with pytest.raises(RangeError, match="cannot be kept"):
        NosingWindow(60, 15)


@given(st.dates(datetime.date(2000, 1, 1), datetime.date(2060, 1, 1)), st.integers(1, 240))
def test_samples_are_kept_whole_months(day: datetime.date, months: int) -> None:
    until = keep_until(day, months)
    assert (until.year - day.year) * 12 + until.month - day.month == months
    assert until.day == day.day or (until + datetime.timedelta(days=1)).day == 1


def test_sampling_plan_draws_enough_for_every_bottle() -> None:
    plan = plan_sampling("VK-1", tank="D1", drawn_on=DAY, panel_ml=120.0, retained=3)
    wanted = sum(bottle.volume_ml for bottle in plan.bottles)
    assert len(plan.levels) * plan.per_level_ml >= wanted
    kept = [bottle for bottle in plan.bottles if bottle.sealed]
    assert len(kept) == 3 and {b.keep_until for b in kept} == {datetime.date(2028, 12, 14)}
    assert len({bottle.label for bottle in plan.bottles}) == len(plan.bottles)
    with pytest.raises(RangeError, match="cannot be drawn"):
        plan_sampling("VK-1", tank="D1", drawn_on=DAY, panel_ml=0.0)


def test_layers() -> None:
    assert layers_agree([859.0, 859.1, 859.2])
    assert not layers_agree([859.0, 859.1, 859.6])
    with pytest.raises(RangeError, match="two levels"):
        layers_agree([859.0])


def test_samples_are_kept_by_the_command(decided: Path, panels: Panels) -> None:
    from bulkflow.lots.samples import kept_samples

    ran = panels("sample", "sheet", decided, "VK-DRY-2643", "--on", "2026-12-14")
    said = " ".join(ran.out.split())
    assert ran.code == 0 and "! Tank entry: " in said and "VK-DRY-2643-261214-R1" in said
    assert "Never nose at an open tank" in said and "Wait before gauging or sampling" in said
    words = ("sample", "keep", decided, "VK-DRY-2643", "--on", "2026-12-14", "--kept-at", "store")
    ran = panels(*words, "--seal", "4711", "--seal", "4712", "--density", 859.0, "--density", 860)
    assert ran.code == 2 and "shows layers that differ" in ran.err
    assert panels(*words, "--seal", "4711", "--seal", "4712").code == 0
    with register(decided) as session:
        kept = kept_samples(session, lot_id="VK-DRY-2643")
    assert [sample.seal for sample in kept] == ["4711", "4712"]
    assert panels(*words, "--seal", "4711").code == 2  # the labels are taken


# Triangle, 66 assessments, 30 % who can tell, risk 5 %: at most 28 correct (exact binomial).
def test_bridging_needs_similarity_with_its_own_risk() -> None:
    joined = bridge("triangle", correct=22, assessments=66, share_of_discriminators=0.3, beta=0.05)
    assert joined.largest_correct == 28
    with pytest.raises(InputError, match="28 at most would show similarity"):
        bridge("triangle", correct=29, assessments=66, share_of_discriminators=0.3, beta=0.05)
    with pytest.raises(InputError, match="needs 30 at least"):
        bridge("triangle", correct=5, assessments=20, share_of_discriminators=0.3, beta=0.05)


SUCCESSOR = """\
standards:
  - standard: VK-DRY-S5
    liquid: VK-DRY
    strength: 80.0
    filled_on: 2027-01-11
    use_by: 2028-07-11
    from_lot: VK-DRY-2643
"""


def test_a_standard_is_joined_to_its_successor(
    decided: Path, panels: Panels, tmp_path: Path
) -> None:
    path = tmp_path / "s5.yaml"
    path.write_text(SUCCESSOR, encoding="utf-8")
    before = record_count(decided)
    ran = panels("standard", "record", decided, path)
    assert ran.code == 2 and "follows VK-DRY-S4 without a bridging test" in ran.err
    words = ("standard", "bridge", decided, path, "--of", "VK-DRY-S4", "--assessments", 66)
    assert panels(*words, "--correct", 40).code == 2
    assert record_count(decided) == before
    assert panels(*words, "--correct", 22, "--scored-in", SECOND).code == 0
    listed = panels("standard", "list", decided, "--json").json["standards"]
    (joined,) = [one for one in listed if one["standard"] == "VK-DRY-S5"]
    assert joined["successor_of"] == "VK-DRY-S4"
    # the lot it was drawn from scored 0.28 above the old standard in the second sitting
    assert joined["bridging"]["score_shift"] == pytest.approx(0.28, abs=0.05)
    again = panels(*words, "--correct", 22)
    assert again.code == 2 and "is recorded already" in again.err


def test_spirit_is_counted_for_repeats_retests_and_confirmations() -> None:
    """Ten assessors at 80 %: 21 glasses of 20 ml at 20 % are made of about 105 ml, twice (one
    retest), and a confirmation of twice ten sets needs as much again."""
    rule = read_rules(SCENARIO / "panel" / "rules.yaml")[0]
    found = spirit_needed("L", 80.0, rule, assessors=10)
    assert found.sitting_ml == pytest.approx(105.0, rel=0.01)
    assert found.again_ml == found.sitting_ml
    assert found.confirming_ml == pytest.approx(105.0, rel=0.01)
    assert found.total_ml >= found.sitting_ml + found.again_ml + found.confirming_ml
    assert spirit_needed("L", 80.0, rule, assessors=10, sat=1).again_ml == 0.0
    assert spirit_needed("L", 80.0, rule, assessors=10, repeats=0).sitting_ml < found.sitting_ml
