"""Reduction and blending: published examples, and nothing lost but volume."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bulkflow import alcoholometry as al
from bulkflow.errors import OutOfRangeError

spirits = st.floats(1.0, 100.0)
temperatures = st.floats(0.0, 40.0)
volumes = st.floats(0.1, 1e6)


def test_worked_reduction() -> None:
    """1,000 L of 96.4 % vol to 63.5 % vol at 20 degC."""
    made = al.reduce(1000.0, 96.4, 63.5, 20.0)
    assert made.water_mass == pytest.approx(562.27, abs=0.005)
    assert made.water_volume == pytest.approx(563.28, abs=0.005)
    assert made.final_volume == pytest.approx(1518.11, abs=0.005)
    assert made.contraction == pytest.approx(45.17, abs=0.005)


@pytest.mark.parametrize(
    ("target", "spirit_ml"), [(90, 934), (80, 831), (70, 727), (60, 623), (50, 519)]
)
def test_pharmacopoeia_dilutions(target: float, spirit_ml: float) -> None:
    """Millilitres of 96 % ethanol (mean of the limits 96.0-96.6) for 1000 mL at 20 degC."""
    made = al.reduce_to_volume(1000.0, 96.3, target)
    assert made.spirit_volume == pytest.approx(spirit_ml, abs=0.7)


@given(volume=volumes, first=spirits, share=st.floats(0.05, 1.0), t=temperatures)
def test_reduction_loses_no_mass_and_no_alcohol(
    volume: float, first: float, share: float, t: float
) -> None:
    target = first * share
    made = al.reduce(volume, first, target, t)
    assert made.final_mass == pytest.approx(made.spirit_mass + made.water_mass, rel=1e-12)
    assert al.lpa_from_volume(made.final_volume, target, t) == pytest.approx(
        al.lpa_from_volume(volume, first, t), rel=1e-9
    )
    assert made.water_mass >= 0.0
    assert made.contraction == pytest.approx(
        made.spirit_volume + made.water_volume - made.final_volume, rel=1e-9, abs=1e-9 * volume
    )
    turned = al.reduce_to_volume(made.final_volume, first, target, t)
    assert turned.spirit_volume == pytest.approx(volume, rel=1e-9)
    assert turned.water_mass == pytest.approx(made.water_mass, rel=1e-9, abs=1e-9 * volume)


@given(first=st.floats(40.0, 100.0), t=temperatures)
def test_two_stages_need_the_water_of_one(first: float, t: float) -> None:
    once = al.reduce(100.0, first, 20.0, t)
    half = al.reduce(100.0, first, 35.0, t)
    rest = al.reduce(half.final_volume, 35.0, 20.0, t)
    assert half.water_mass + rest.water_mass == pytest.approx(once.water_mass, rel=1e-9)
    assert rest.final_volume == pytest.approx(once.final_volume, rel=1e-9)


def test_nothing_to_do() -> None:
    made = al.reduce(1000.0, 40.0, 40.0, 15.0)
    assert (made.water_mass, made.water_volume, made.contraction) == (0.0, 0.0, 0.0)
    assert made.final_volume == pytest.approx(1000.0, rel=1e-15)
    assert al.reduce(0.0, 96.0, 40.0).final_volume == 0.0


def test_many_at_once() -> None:
    made = al.reduce([100.0, 200.0], 96.4, [[40.0], [63.5]], 20.0)
    assert made.water_mass.shape == (2, 2)
    assert made.water_mass[1, 0] == pytest.approx(56.227, abs=0.001)
    assert isinstance(al.reduce(1.0, 50.0, 40.0).water_mass, np.float64)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((1000.0, 40.0, 41.0), "target strength is 41 % vol; .* 40 % vol .water lowers"),
        ((1000.0, [60.0, 40.0], 50.0), "target strength is 50 % vol"),
        ((1000.0, 40.0, 0.0), "target strength is 0 % vol"),
        ((1000.0, 40.0, float("nan")), "target strength is nan|strength is nan"),
        ((-1.0, 40.0, 20.0), "volume is -1 L"),
        ((1.0, 101.0, 20.0), "strength is 101"),
        ((1.0, 60.0, 20.0, 41.0), "temperature is 41"),
        ((1.0, 60.0, 40.0, -5.0), "mass fraction is 0 .*freezing limit"),  # the water is ice
    ],
)
def test_what_cannot_be_reduced(arguments, words: str) -> None:
    with pytest.raises(OutOfRangeError, match=words):
        al.reduce(*arguments)


# --- blends --------------------------------------------------------------------------------


def test_diluted_alcohol() -> None:
    """USP 29: 500 mL of alcohol (94.9 % vol at 60 degF) and 500 mL of water: about 970 mL."""
    made = al.blend(
        [500.0, 500.0], [al.strength_from_proof(189.8), 0.0], 25.0, blend_temperature=25.0
    )
    assert made.volume == pytest.approx(971.0, abs=1.0)


@given(
    parts=st.lists(st.tuples(volumes, st.floats(0.0, 100.0), temperatures), min_size=1, max_size=6),
    t=temperatures,
)
def test_blends_conserve_mass_and_alcohol(parts, t: float) -> None:
    litres, strengths, warm = (np.array(column) for column in zip(*parts, strict=True))
    made = al.blend(litres, strengths, warm, blend_temperature=t)
    masses = al.mass_from_volume(litres, strengths, warm)
    assert made.mass == pytest.approx(masses.sum(), rel=1e-12)
    assert made.lpa == pytest.approx(al.lpa_from_volume(litres, strengths, warm).sum(), rel=1e-9)
    assert made.lpa == pytest.approx(
        float(al.lpa_from_volume(made.volume, made.strength, t)), rel=1e-9, abs=1e-9
    )
    assert strengths.min() - 1e-9 <= made.strength <= strengths.max() + 1e-9


@given(first=st.floats(0.0, 100.0), second=st.floats(0.0, 100.0), share=st.floats(0.02, 0.98))
def test_how_far_volumes_fail_to_add(first: float, second: float, share: float) -> None:
    """At 20 degC mixing takes at most 3.55 % of the room (ethanol and water), and weak spirit
    with water swells by about 0.1 %: contraction is not always above zero."""
    made = al.blend([share, 1.0 - share], [first, second])
    assert -2e-3 < made.contraction < 0.0356


def test_reduction_is_a_blend_with_water() -> None:
    made = al.reduce(1000.0, 80.0, 40.0, 12.0)
    same = al.blend([1000.0, made.water_volume], [80.0, 0.0], 12.0, blend_temperature=12.0)
    assert same.strength == pytest.approx(40.0, abs=1e-9)
    assert same.volume == pytest.approx(made.final_volume, rel=1e-12)
    assert same.contraction == pytest.approx(made.contraction, rel=1e-9)


@given(first=spirits, other=st.floats(0.0, 100.0), share=st.floats(0.0, 0.95), t=temperatures)
def test_bring_to_strength_arrives(first: float, other: float, share: float, t: float) -> None:
    assume(abs(first - other) > 0.5)
    target = first + share * (other - first)
    made = al.bring_to_strength(100.0, first, other, target, t)
    mixed = al.blend([100.0, made.added_volume], [first, other], t, blend_temperature=t)
    assert mixed.strength == pytest.approx(target, abs=1e-8)
    assert mixed.volume == pytest.approx(made.final_volume, rel=1e-9)


def test_let_down_beyond_the_parts_is_refused() -> None:
    for target in (50.0, 96.0, 97.0):
        with pytest.raises(OutOfRangeError, match="a blend lies between its parts"):
            al.bring_to_strength(100.0, 60.0, 96.0, target)
    same = al.bring_to_strength(100.0, 60.0, 60.0, 60.0)
    assert same.added_mass == 0.0
    with pytest.raises(OutOfRangeError, match="between its parts"):
        al.bring_to_strength(100.0, 60.0, 60.0, 61.0)


def test_blends_along_the_last_axis() -> None:
    made = al.blend([[1.0, 1.0], [2.0, 0.0]], [96.0, 40.0])
    assert made.volume.shape == (2,)
    assert made.strength[1] == pytest.approx(96.0, abs=1e-9)
    warm = al.blend_masses([[1.0, 1.0], [2.0, 1.0]], [96.0, 40.0], blend_temperature=[20.0, 30.0])
    assert warm.volume.shape == (2,)


def test_what_is_no_blend() -> None:
    with pytest.raises(ValueError, match="last axis"):
        al.blend(100.0, 40.0)
    with pytest.raises(OutOfRangeError, match="a blend has at least one part"):
        al.blend([0.0, 0.0], [40.0, 50.0])
    with pytest.raises(OutOfRangeError, match="a blend has at least one part"):
        al.blend([], [])
    with pytest.raises(OutOfRangeError, match=r"volume \[1\] is -3"):
        al.blend([1.0, -3.0], [40.0, 50.0])


def test_a_target_hardly_beyond_the_first_strength_asks_for_nothing_less_than_nothing() -> None:
    """The two strengths differ in their last digit, and their mass fractions the wrong way."""
    made = al.bring_to_strength(100.0, 97.0, 0.0, 97.0 - 97.0 * 2.220446049250313e-16, 0.0)
    assert float(made.added_volume) >= 0.0
    assert float(made.added_mass) >= 0.0
