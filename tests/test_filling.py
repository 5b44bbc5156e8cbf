"""Filling: each rule's figure, the limits together, and a refusal with its arithmetic."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow import alcoholometry as al
from bulkflow.errors import OutOfRangeError
from bulkflow.filling import (
    FILLING_CAUTION,
    Compartment,
    FillRule,
    LimitKind,
    TankShell,
    fill_range,
    maximum_fill_fraction,
    surge_fill_allowed,
)

PORTABLE = TankShell.undivided("T1", FillRule.PORTABLE_TP1, 24_000.0)


# --- the rules -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "percent"),
    # numerator / (1 + 1.15e-3 (50 - 20)) = numerator / 1.0345, ADR 4.3.2.2.1, 4.2.1.9, 4.1.1.4
    [
        (FillRule.ADR_A, 96.665),
        (FillRule.ADR_B, 94.732),
        (FillRule.ADR_C, 93.765),
        (FillRule.ADR_D, 91.832),
        (FillRule.PORTABLE_TP1, 93.765),
        (FillRule.PORTABLE_TP2, 91.832),
        (FillRule.PACKAGING, 94.732),
    ],
)
def test_degree_of_filling(rule: FillRule, percent: float) -> None:
    assert 100 * maximum_fill_fraction(rule, 1.15e-3, 20.0) == pytest.approx(percent, abs=0.0006)
    assert rule.source
    assert rule.scope


def test_another_bulk_temperature() -> None:
    found = maximum_fill_fraction(FillRule.PORTABLE_TP1, 1e-3, 15.0, bulk_temperature_c=40.0)
    assert found == pytest.approx(0.97 / 1.025)


@pytest.mark.parametrize(
    ("alpha", "tf", "tr", "words"),
    [
        (-1e-3, 20.0, 50.0, "coefficient of expansion is -0.001"),
        (1.15, 20.0, 50.0, "coefficient of expansion is 1.15"),
        (math.nan, 20.0, 50.0, "coefficient of expansion is nan"),
        (1e-3, 51.0, 50.0, "filling temperature is 51 degC"),
        (1e-3, math.nan, 50.0, "filling temperature is nan"),
        (1e-3, 20.0, math.inf, "bulk temperature is inf"),
    ],
)
def test_degree_of_filling_out_of_range(alpha: float, tf: float, tr: float, words: str) -> None:
    with pytest.raises(OutOfRangeError) as caught:
        maximum_fill_fraction(FillRule.ADR_A, alpha, tf, bulk_temperature_c=tr)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("section", "fill", "allowed"),
    # ADR 4.3.2.2.4: sections above 7,500 L at least 80 % or at most 20 % full
    [
        (9_000, 0.60, False),
        (7_500, 0.60, True),
        (7_500.1, 0.60, False),
        (9_000, 0.80, True),
        (9_000, 0.20, True),
        (9_000, 0.2001, False),
        (9_000, 0.7999, False),
        (9_000, 0.0, True),
    ],
)
def test_surge_rule(section: float, fill: float, allowed: bool) -> None:
    assert surge_fill_allowed(section, fill) is allowed


def test_surge_rule_out_of_range() -> None:
    for section, fill in ((0.0, 0.5), (math.nan, 0.5), (9_000.0, 1.1), (9_000.0, math.nan)):
        with pytest.raises(OutOfRangeError):
            surge_fill_allowed(section, fill)


RANGES = [
    (lambda x: maximum_fill_fraction(FillRule.ADR_A, x, 20.0), 0.0, 0.01),
    (lambda x: maximum_fill_fraction(FillRule.ADR_A, 1e-3, x), -50.0, 50.0),
    (
        lambda x: maximum_fill_fraction(FillRule.ADR_A, 1e-3, -20.0, bulk_temperature_c=x),
        0.0,
        100.0,
    ),
    (lambda x: surge_fill_allowed(x, 0.5), 1e-9, 1e6),
    (lambda x: surge_fill_allowed(9_000.0, x), 0.0, 1.0),
    (lambda x: Compartment(x), 1e-9, 1e6),
    (lambda x: Compartment(8_000.0, x), 1e-9, 8_000.0),
    (lambda x: plated(x, 1e5), 0.0, 1e5),
    (lambda x: plated(5_000.0, x), 5_000.0, 1e5),
]


def plated(tare_kg: float, max_gross_kg: float) -> TankShell:
    return TankShell.undivided(
        "X", FillRule.ADR_A, 24_000.0, tare_kg=tare_kg, max_gross_kg=max_gross_kg
    )


@pytest.mark.parametrize(("ask", "low", "high"), RANGES)
def test_every_range_ends_where_it_is_said_to(ask, low: float, high: float) -> None:
    """The ends are within; what lies beyond is refused, and the refusal names them."""
    ask(low)
    ask(high)
    for beyond in (low - 0.5, high + 0.5):
        with pytest.raises(OutOfRangeError) as refused:
            ask(beyond)
        assert (refused.value.low, refused.value.high) == (low, high)


# --- one load ------------------------------------------------------------------------------


def test_a_full_tank_container_by_hand() -> None:
    """24,000 L, TP1, 96 % vol at 20 degC, no mass limit.

    Maximum 97/1.0345 = 93.7651 % of 24,000 = 22,503.6 L; minimum 80 % = 19,200 L; LPA at 0.96;
    mass at 807.42 kg/m3.
    """
    found = fill_range(PORTABLE, 96.0, 20.0, None, None)
    assert not found.refused
    assert found.reason == ""
    assert found.max_litres == pytest.approx(22_503.6, abs=0.1)
    assert found.min_litres == pytest.approx(19_200.0)
    assert (found.min_litres_20, found.max_litres_20) == (found.min_litres, found.max_litres)
    assert found.max_lpa == pytest.approx(21_603.5, abs=0.1)
    assert found.min_lpa == pytest.approx(18_432.0)
    assert found.max_mass_kg == pytest.approx(22_503.6 * 0.80742, abs=0.2)
    assert found.maximum.rule == "maximum degree of filling"
    assert found.maximum.source == "ADR and IMDG 4.2.1.9.2 (TP1)"
    assert found.maximum.arithmetic == (
        "97 / (1 + 0.00115 x (50 - 20)) = 93.77 % of 24,000 L = 22,504 L"
    )
    assert found.minimum.source == "ADR and IMDG 4.2.1.9.6"
    assert found.minimum.arithmetic == "80 % of 24,000 L = 19,200 L"
    assert found.expansion.extrapolated
    assert found.caution == FILLING_CAUTION
    assert "flammable" in FILLING_CAUTION
    assert "adviser decide" in FILLING_CAUTION


def test_an_adr_tank_takes_more() -> None:
    road = TankShell.undivided("R1", FillRule.ADR_A, 24_000.0)
    found = fill_range(road, 96.0, 20.0, None, None)
    assert found.max_litres == pytest.approx(24_000.0 / 1.0345, abs=0.1)
    assert found.minimum.source == "ADR 4.3.2.2.4"


def test_cold_filling_leaves_more_room_for_warming() -> None:
    warm, cold = (fill_range(PORTABLE, 96.0, t, None, None) for t in (20.0, 5.0))
    assert cold.max_litres < warm.max_litres
    assert cold.max_litres_20 > cold.max_litres  # counted at 20 degC it is more than as loaded
    density = al.density_from_strength([96.0, 96.0], [5.0, 20.0])
    assert cold.max_litres_20 == pytest.approx(cold.max_litres * density[0] / density[1])


def test_the_suppliers_densities_come_first() -> None:
    found = fill_range(PORTABLE, 96.0, 20.0, None, None, density_15=811.7, density_50=781.2)
    alpha = (811.7 - 781.2) / (35 * 781.2)
    assert found.max_litres == pytest.approx(24_000 * 0.97 / (1 + alpha * 30))
    assert not found.expansion.extrapolated


def test_the_plate_limits_the_mass() -> None:
    """Gross 20,000, tare 4,000: 16,000 kg / 807.42 kg/m3 = 19,816.2 L, above the 80 %."""
    tank = TankShell.undivided(
        "T2", FillRule.PORTABLE_TP1, 24_000.0, tare_kg=4_000.0, max_gross_kg=20_000.0
    )
    found = fill_range(tank, 96.0, 20.0, None, None)
    assert not found.refused
    assert found.max_litres == pytest.approx(19_816.2, abs=0.2)
    assert found.maximum.source == "plate of T2"
    assert found.maximum.arithmetic == "(20,000 - 4,000) kg / 0.8074 kg/L = 19,816 L"
    assert found.max_mass_kg == pytest.approx(16_000.0)


def test_the_lane_limits_the_mass_and_is_named() -> None:
    found = fill_range(PORTABLE, 96.0, 20.0, 17_000.0, 0.80)
    assert found.maximum.rule == "payload limit of the lane"
    assert found.max_mass_kg == pytest.approx(17_000.0)
    assert [limit.kind for limit in found.limits].count(LimitKind.MAXIMUM) == 2


def test_a_lane_that_cannot_carry_the_least_fill_is_refused_with_the_arithmetic() -> None:
    found = fill_range(PORTABLE, 96.0, 20.0, 15_000.0, None)
    assert found.refused
    assert found.min_litres > found.max_litres
    assert found.reason == (
        "No load of 96 % vol fits tank T1: it must hold at least 19,200 L (surge: an undivided"
        " shell above 7,500 L is at least 80 % full, or at most 20 %, ADR and IMDG 4.2.1.9.6:"
        " 80 % of 24,000 L = 19,200 L) and may hold at most 18,578 L (payload limit of the lane,"
        " lane: 15,000 kg / 0.8074 kg/L = 18,578 L)."
    )
    assert found.lawful == ()


def test_a_house_minimum_above_the_maximum_is_refused() -> None:
    found = fill_range(PORTABLE, 96.0, 20.0, None, 0.95)
    assert found.refused
    assert found.minimum.source == "house rule"
    assert "95 % of 24,000 L = 22,800 L" in found.reason


def test_the_house_minimum_binds_where_it_is_higher() -> None:
    found = fill_range(PORTABLE, 96.0, 20.0, None, 0.90)
    assert not found.refused
    assert found.min_litres == pytest.approx(21_600.0)
    assert found.minimum.rule == "least fill worth sending"
    low = fill_range(PORTABLE, 96.0, 20.0, None, 0.10)
    assert low.min_litres == pytest.approx(19_200.0)
    assert low.minimum.source == "ADR and IMDG 4.2.1.9.6"


def test_surge_plates_free_the_fill() -> None:
    tank = TankShell("T3", FillRule.PORTABLE_TP1, (Compartment(24_000.0, 6_000.0),))
    found = fill_range(tank, 96.0, 20.0, 15_000.0, None)
    assert not found.refused
    assert found.min_litres == 0.0
    assert found.minimum.rule == "no least fill"
    assert "6,000 L, not above 7,500 L" in found.minimum.arithmetic
    assert fill_range(tank, 96.0, 20.0, None, 0.5).min_litres == pytest.approx(12_000.0)


def test_each_compartment_keeps_the_surge_rule_by_itself() -> None:
    """Two of 10,000 L: both at least 80 %, or one so and the other at most 20 %."""
    road = TankShell("R2", FillRule.ADR_A, (Compartment(10_000.0), Compartment(10_000.0)))
    full = 10_000.0 / 1.0345
    both = fill_range(road, 96.0, 20.0, None, None)
    assert (both.min_litres, both.max_litres) == pytest.approx((16_000.0, 2 * full))
    assert both.minimum.arithmetic == "80 % of (10,000 + 10,000) L = 16,000 L"
    assert [pair[0] for pair in both.lawful] == pytest.approx([8_000.0, 16_000.0])

    mass = 15_000.0 * 0.80742  # room for 15,000 L: between the two ranges
    one = fill_range(road, 96.0, 20.0, mass, None)
    assert not one.refused
    assert (one.min_litres, one.max_litres) == pytest.approx((8_000.0, full + 2_000.0))
    assert one.maximum.rule == "surge: the compartments not filled stay at 20 % or less"
    assert one.maximum.arithmetic == "96.67 % of 10,000 + 20.00 % of 10,000 L = 11,667 L"
    assert fill_range(road, 96.0, 20.0, mass, 0.6).refused  # 12,000 L lies in the gap


def test_small_compartments_have_no_least_fill() -> None:
    road = TankShell("R3", FillRule.ADR_A, tuple(Compartment(6_000.0) for _ in range(4)))
    found = fill_range(road, 96.0, 20.0, None, 0.8)
    assert found.min_litres == pytest.approx(19_200.0)
    assert found.lawful[0][0] == 0.0


def test_what_is_no_tank() -> None:
    with pytest.raises(ValueError, match="needs at least one compartment"):
        TankShell("X", FillRule.ADR_A, ())
    with pytest.raises(ValueError, match="more than 12 compartments"):
        TankShell("X", FillRule.ADR_A, tuple(Compartment(1_000.0) for _ in range(13)))
    assert TankShell("X", FillRule.ADR_A, (Compartment(1_000.0),) * 12).plate_payload_kg is None
    for half in ({"tare_kg": 4_000.0}, {"max_gross_kg": 34_000.0}):
        with pytest.raises(ValueError, match="tare and maximum gross mass, or neither"):
            TankShell.undivided("X", FillRule.ADR_A, 24_000.0, **half)
    with pytest.raises(OutOfRangeError, match="maximum gross mass is 3000 kg"):
        TankShell.undivided("X", FillRule.ADR_A, 1e4, tare_kg=4_000.0, max_gross_kg=3_000.0)
    for capacity in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(OutOfRangeError, match="compartment capacity"):
            Compartment(capacity)
    with pytest.raises(OutOfRangeError, match="largest section is 9000 L"):
        Compartment(8_000.0, 9_000.0)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((0.0, 20.0, None, None), "strength is 0 % vol"),
        ((math.nan, 20.0, None, None), "strength is nan"),
        ((96.0, 41.0, None, None), "temperature is 41"),
        ((96.0, math.nan, None, None), "temperature is nan"),
        ((96.0, 20.0, -1.0, None), "lane payload limit is -1"),
        ((96.0, 20.0, math.nan, None), "lane payload limit is nan"),
        ((96.0, 20.0, None, 1.2), "house minimum is 1.2"),
        ((96.0, 20.0, None, math.nan), "house minimum is nan"),
    ],
)
def test_what_cannot_be_asked(arguments, words: str) -> None:
    with pytest.raises(OutOfRangeError) as caught:
        fill_range(PORTABLE, *arguments)
    assert words in str(caught.value)


# --- laws ----------------------------------------------------------------------------------

tanks = st.builds(
    TankShell,
    st.just("T"),
    st.sampled_from(FillRule),
    st.lists(
        st.floats(1_000.0, 20_000.0).flatmap(
            lambda size: st.one_of(
                st.just(Compartment(size)),
                st.floats(500.0, size).map(lambda section: Compartment(size, section)),
            )
        ),
        min_size=1,
        max_size=5,
    ).map(tuple),
)
strengths = st.floats(20.0, 100.0)
filling_temperatures = st.floats(0.0, 40.0)
payloads = st.one_of(st.none(), st.floats(0.0, 40_000.0))
minima = st.one_of(st.none(), st.floats(0.0, 1.0))


@given(tank=tanks, strength=strengths, t=filling_temperatures, payload=payloads, house=minima)
def test_a_range_keeps_every_limit_or_is_refused(tank, strength, t, payload, house) -> None:
    found = fill_range(tank, strength, t, payload, house)
    assert found.refused == (found.min_litres > found.max_litres)
    assert found.refused == bool(found.reason)
    assert found.maximum.litres == found.max_litres
    assert found.minimum.litres == found.min_litres
    assert {found.maximum, found.minimum} <= set(found.limits)
    assert found.max_litres <= tank.capacity_litres
    if payload is not None:
        assert found.max_mass_kg <= payload * (1 + 1e-12)
    if found.refused:
        return
    if house is not None:
        assert found.min_litres >= house * tank.capacity_litres
    assert found.min_lpa == pytest.approx(
        float(al.lpa_from_volume(found.min_litres, strength, t)), rel=1e-9, abs=1e-9
    )
    assert found.max_lpa == pytest.approx(float(al.lpa_from_mass(found.max_mass_kg, strength)))
    # every total of the range can be made up of lawful compartments (checked at three places)
    for share in (0.0, 0.5, 1.0):
        total = found.min_litres + share * (found.max_litres - found.min_litres)
        assert can_be_split(tank, found, total)


def can_be_split(tank: TankShell, found, total: float) -> bool:
    """Whether some choice of filled and nearly empty compartments adds up to the total."""
    fraction = maximum_fill_fraction(tank.rule, found.expansion.alpha, found.filling_temperature_c)
    slack = 1e-6
    for choice in range(1, 2 ** len(tank.compartments)):
        low = high = 0.0
        for place, part in enumerate(tank.compartments):
            surges = part.undivided_litres > 7_500.0
            if choice >> place & 1:
                low += 0.8 * part.capacity_litres if surges else 0.0
                high += fraction * part.capacity_litres
            else:
                high += 0.2 * part.capacity_litres if surges else fraction * part.capacity_litres
        if low - slack <= total <= high + slack:
            return True
    return False


@given(tank=tanks, strength=strengths, t=filling_temperatures, payload=st.floats(1e3, 3e4))
def test_a_wider_mass_limit_never_takes_less(tank, strength, t, payload) -> None:
    tight = fill_range(tank, strength, t, payload, None)
    wide = fill_range(tank, strength, t, payload * 1.3, None)
    if not tight.refused:
        assert not wide.refused
        assert wide.max_litres >= tight.max_litres


@given(tank=tanks, first=filling_temperatures, second=filling_temperatures)
def test_warmer_filling_never_lowers_the_degree_of_filling(tank, first, second) -> None:
    low, high = sorted((first, second))
    cool, warm = (fill_range(tank, 90.0, t, None, None).limits[0].litres for t in (low, high))
    assert cool <= warm
