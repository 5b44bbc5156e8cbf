"""Readings to LPA: one alcoholometry at both ends, with the uncertainty that the readings give."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.account.gauging import Reading, gauge, proof_gallons_of
from bulkflow.alcoholometry import (
    PureAlcoholBasis,
    density_from_strength,
    fahrenheit_from_celsius,
    hydrometer_from_strength,
    litres_per_proof_gallon,
    mass_from_volume,
    proof_from_strength,
    volume_at_temperature,
    weighing_from_mass,
)
from bulkflow.errors import InputError
from bulkflow.records.amounts import ROUNDINGS

D = Decimal


def to3(value):
    return D(repr(float(value))).quantize(D("0.001"))


@pytest.mark.parametrize("strength", [57.1, 80.0, 96.4])
@pytest.mark.parametrize("celsius", [2.0, 15.0, 28.0])
def test_every_way_of_gauging_finds_the_same_liquid(strength, celsius):
    litres = 22_000.0  # at 20 degC
    here = float(volume_at_temperature(litres, strength, 20.0, celsius))
    density = float(density_from_strength(strength, celsius))
    shown = float(weighing_from_mass(mass_from_volume(litres, strength, 20.0), density))
    weighed = {"gross_kg": to3(3900 + shown), "tare_kg": D("3900")}
    dipped = {"volume": to3(here)}
    gallons = {"volume": to3(here / 3.785411784), "volume_unit": "US gal"}
    at = {"temperature": to3(celsius)}
    fahrenheit = {"temperature": to3(fahrenheit_from_celsius(celsius)), "temperature_unit": "F"}
    alcoholometer = to3(hydrometer_from_strength(strength, celsius))
    ways = [
        Reading(**weighed, **at, density_kg_m3=to3(density)),
        Reading(**weighed, **at, hydrometer_percent=alcoholometer),
        Reading(**dipped, **at, density_kg_m3=to3(density)),
        Reading(**dipped, **at, stated_percent=D(str(strength))),
        Reading(**gallons, **fahrenheit, hydrometer_percent=alcoholometer),
    ]
    # a reading of three decimals leaves a few hundredths of an LPA
    for way in ways:
        assert gauge(way).lpa.value == pytest.approx(litres * strength / 100, abs=0.25)


def test_a_proof_hydrometer_at_60_f_reads_true_proof():
    reading = Reading(
        volume=D(5000), volume_unit="US gal", proof=to3(proof_from_strength(80.0)),
        temperature=D(60), temperature_unit="F",
    )  # fmt: skip
    assert float(gauge(reading).fields["strength_percent"]) == pytest.approx(80.0, abs=0.002)


def test_the_uncertainty_is_that_of_the_readings():
    """JCGM 100:2008, 5.1.2, by hand: a dip at 20 degC and a stated strength multiply."""
    reading = Reading(
        volume=D(20000), stated_percent=D(80), temperature=D(20),
        quantity_limit=D(40), strength_limit=D("0.1"), temperature_limit=D(0),
    )  # fmt: skip
    found = gauge(reading)
    relative = math.hypot(40 / 20000, 0.1 / 80) / math.sqrt(3)
    assert found.lpa.standard_uncertainty == pytest.approx(16000 * relative, rel=1e-4)
    assert float(found.fields["lpa_uncertainty"]) == pytest.approx(16000 * relative, abs=0.001)


def test_gross_and_tare_count_each_for_itself():
    reading = Reading(
        gross_kg=D(22000), tare_kg=D(4000), stated_percent=D(80), temperature=D(20),
        quantity_limit=D(20), strength_limit=D(0), temperature_limit=D(0),
    )  # fmt: skip
    found = gauge(reading)
    share = math.sqrt(2) * 20 / math.sqrt(3) / 18000
    assert found.lpa.standard_uncertainty == pytest.approx(found.lpa.value * share, rel=1e-4)


def test_lpa_is_rounded_once_by_the_rule_of_the_place():
    reading = Reading(volume=D("1234.567"), stated_percent=D("80.005"), temperature=D(20))
    assert gauge(reading, ROUNDINGS["down-0.1"]).fields["lpa"] == D("987.700")
    assert gauge(reading).fields["lpa"] == D("987.715")


@pytest.mark.parametrize(
    ("given_", "said"),
    [
        ({}, ["quantity is missing", "strength is given 0 ways", "temperature is missing"]),
        (
            {"volume": D(1), "gross_kg": D(2), "tare_kg": D(1), "stated_percent": D(50)},
            ["quantity is given both ways", "temperature is missing"],
        ),
        (
            {"gross_kg": D(1), "tare_kg": D(2), "stated_percent": D(50), "temperature": D(20)},
            ["weighbridge is gross 1 and tare 2"],
        ),
        (
            {"volume": D("NaN"), "stated_percent": D(-1), "temperature": D("Infinity")},
            ["stated_percent is -1", "temperature is Infinity", "volume is NaN"],
        ),
        (
            {"volume": D("1.2345"), "proof": D(1), "density_kg_m3": D(2), "temperature": D(1)},
            ["strength is given 2 ways", "volume is 1.2345"],
        ),
    ],
)
def test_everything_wrong_is_said_at_once(given_, said):
    with pytest.raises(InputError) as caught:
        gauge(Reading(**given_))
    assert [f"{fault.where} {fault.found}" for fault in caught.value.faults] == said


def test_proof_gallons_name_their_basis():
    found = proof_gallons_of(D("1901.8"))
    assert found.amount == D("1000.0")
    assert "1.9018 LPA at 20 °C" in str(found)
    assert proof_gallons_of(D("-1901.8")).amount == D("-1000.0")


@given(st.integers(0, 10**9).map(lambda n: D(n).scaleb(-3)))
def test_proof_gallons_are_within_half_a_tenth(lpa):
    one = litres_per_proof_gallon(PureAlcoholBasis.AT_20_C)
    assert abs(float(proof_gallons_of(lpa).amount) - float(lpa) / one) <= 0.05 + 1e-9
