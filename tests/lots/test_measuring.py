from decimal import Decimal

import pytest

from bulkflow import alcoholometry
from bulkflow.errors import InputError, OutOfRangeError
from bulkflow.lots.measuring import Readings, measure
from bulkflow.records.amounts import ROUNDINGS

D = Decimal


def test_a_stated_strength_and_a_volume_at_20_degrees_need_no_formula():
    found = measure(Readings(strength_percent=D("78.25"), volume_litres=D("9000.5")))
    assert (found.litres_20c, found.strength_percent) == (D("9000.500"), D("78.250"))
    assert found.lpa == D("7042.891")  # 9000.5 * 0.7825 = 7042.89125
    assert (found.strength_by, found.quantity_by, found.rounding) == (
        "stated",
        "volume",
        "nearest-0.001",
    )
    assert found.volume_temperature_c == D(20)


@pytest.mark.parametrize(
    ("rule", "lpa"),
    [("down-0.01", "7042.890"), ("nearest-0.01", "7042.890"), ("down-1", "7042.000")],
)
def test_lpa_is_rounded_once_by_the_rule_given(rule, lpa):
    readings = Readings(strength_percent=D("78.25"), volume_litres=D("9000.5"))
    found = measure(readings, ROUNDINGS[rule])
    assert (str(found.lpa), found.rounding) == (lpa, rule)


def test_rounding_comes_after_all_arithmetic():
    # 999.995 L of 99.999 % are 999.985... LPA; rounded litres or strength would tip the digit.
    readings = Readings(
        density_kg_m3=D("861.234"), strength_temperature_c=D("17.3"),
        volume_litres=D("10000"), volume_temperature_c=D("12.5"),
    )  # fmt: skip
    found = measure(readings, ROUNDINGS["down-0.01"])
    strength = float(alcoholometry.strength_from_density(861.234, 17.3))
    litres = float(alcoholometry.volume_at_temperature(10000.0, strength, 12.5, 20.0))
    exact = litres * strength / 100
    assert float(found.lpa) <= exact < float(found.lpa) + 0.01 + 1e-9
    assert abs(float(found.strength_percent) - strength) <= 0.0005
    assert abs(float(found.litres_20c) - litres) <= 0.0005
    assert found.density_kg_m3 == D("861.234")


def test_a_hydrometer_and_a_mass():
    readings = Readings(
        hydrometer_percent=D("80.0"), strength_temperature_c=D("15"), mass_kg=D("20000")
    )
    found = measure(readings)
    strength = float(alcoholometry.strength_from_hydrometer(80.0, 15.0))
    assert abs(float(found.strength_percent) - strength) <= 0.0005
    # The LPA of a mass does not depend on the way it is worked out.
    assert abs(float(found.lpa) - float(alcoholometry.lpa_from_mass(20000.0, strength))) < 0.002
    assert found.quantity_by == "mass"
    assert found.volume_litres is None


@pytest.mark.parametrize(
    ("readings", "wheres"),
    [
        (Readings(), ["quantity", "strength"]),
        (Readings(strength_percent=D(50), mass_kg=D(1), volume_litres=D(1)), ["quantity"]),
        (
            Readings(strength_percent=D(50), density_kg_m3=D(900), volume_litres=D(1)),
            ["strength"],
        ),
        (Readings(density_kg_m3=D(900), volume_litres=D(1)), ["strength_temperature_c"]),
        (Readings(hydrometer_percent=D(60), mass_kg=D(1)), ["strength_temperature_c"]),
    ],
)
def test_readings_that_do_not_make_one_measurement_are_told(readings, wheres):
    with pytest.raises(InputError) as told:
        measure(readings)
    assert [fault.where for fault in told.value.faults] == wheres


@pytest.mark.parametrize(
    "readings",
    [
        Readings(density_kg_m3=D(1300), strength_temperature_c=D(20), volume_litres=D(1)),
        Readings(density_kg_m3=D(900), strength_temperature_c=D(90), volume_litres=D(1)),
        Readings(strength_percent=D(50), volume_litres=D(1), volume_temperature_c=D(70)),
    ],
)
def test_readings_outside_the_formula_are_refused(readings):
    with pytest.raises(OutOfRangeError):
        measure(readings)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"strength_percent": D("100.001")}, "strength_percent is 100.001."),
        ({"strength_percent": D(0)}, "strength_percent is 0."),
        ({"strength_percent": D("50.0001")}, "strength_percent is 50.0001. Give at most three"),
        ({"strength_percent": D("NaN")}, "strength_percent is NaN."),
        ({"strength_percent": D(50), "volume_litres": D("-5")}, "volume_litres is -5."),
        ({"strength_percent": D(50), "volume_litres": D("Infinity")}, "volume_litres is Infinity"),
        ({"strength_percent": D(50), "volume_litres": D("1e12")}, "volume_litres is 1E+12."),
    ],
)
def test_numbers_that_cannot_be_read_off_are_refused(fields, says):
    with pytest.raises(InputError) as told:
        measure(Readings(**{"volume_litres": D(10), **fields}))
    assert says in str(told.value)
