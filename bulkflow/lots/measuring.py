"""From readings to strength, litres at 20 degC and LPA, rounded once.

The readings are kept as they were taken; what follows is computed by
:mod:`bulkflow.alcoholometry` in full precision and rounded once, LPA last, from unrounded
strength and volume. Litres and strength are kept to 0.001; LPA by the site's rule.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Measurement
from bulkflow.records.amounts import LARGEST, STANDARD_ROUNDING, THOUSANDTHS, Rounding

__all__ = ["Readings", "measure"]

REFERENCE_C = Decimal(20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What was read off the instruments; exactly one strength and one quantity.

    Parameters
    ----------
    strength_percent : stated [% vol at 20 degC].
    density_kg_m3 : density in vacuum [kg/m3] at `strength_temperature_c`.
    hydrometer_percent : alcoholometer reading [% vol scale] at `strength_temperature_c`.
    strength_temperature_c : of the sample [degC]; needed with density or hydrometer.
    volume_litres : volume [L] at `volume_temperature_c`.
    volume_temperature_c : of the liquid in the tank [degC] (20 if not given).
    mass_kg : true mass [kg] (a weighing in air is corrected before).
    """

    strength_percent: Decimal | None = None
    density_kg_m3: Decimal | None = None
    hydrometer_percent: Decimal | None = None
    strength_temperature_c: Decimal | None = None
    volume_litres: Decimal | None = None
    volume_temperature_c: Decimal | None = None
    mass_kg: Decimal | None = None


def measure(readings: Readings, rounding: Rounding = STANDARD_ROUNDING) -> Measurement:
    """Return the measurement that readings give, its LPA rounded once by `rounding`.

    Raises
    ------
    InputError
        If not exactly one strength and one quantity are given, or a temperature is missing.
    OutOfRangeError
        If a reading lies outside the range of the formula.
    """
    strength_by, quantity_by = _check(readings)
    strength = _strength(readings, strength_by)
    litres = _litres(readings, strength)
    plain = STANDARD_ROUNDING.apply
    return Measurement(
        strength_by=strength_by,
        density_kg_m3=readings.density_kg_m3,
        hydrometer_percent=readings.hydrometer_percent,
        strength_temperature_c=readings.strength_temperature_c,
        quantity_by=quantity_by,
        volume_litres=readings.volume_litres,
        volume_temperature_c=_volume_temperature(readings),
        mass_kg=readings.mass_kg,
        strength_percent=plain(strength),
        litres_20c=plain(litres),
        lpa=rounding.apply(litres * strength / 100),
        rounding=rounding.name,
    )


def _check(
    readings: Readings,
) -> tuple[Literal["stated", "density", "hydrometer"], Literal["volume", "mass"]]:
    faults: list[Fault] = []
    strengths: dict[Literal["stated", "density", "hydrometer"], Decimal | None] = {
        "stated": readings.strength_percent,
        "density": readings.density_kg_m3,
        "hydrometer": readings.hydrometer_percent,
    }
    quantities: dict[Literal["volume", "mass"], Decimal | None] = {
        "volume": readings.volume_litres,
        "mass": readings.mass_kg,
    }
    strength = [name for name, value in strengths.items() if value is not None]
    quantity = [name for name, value in quantities.items() if value is not None]
    if len(strength) != 1:
        mend = "Give one of strength_percent, density_kg_m3 and hydrometer_percent."
        faults.append(Fault("", 0, "strength", f"is given {len(strength)} ways", mend))
    elif strength != ["stated"] and readings.strength_temperature_c is None:
        mend = "Give strength_temperature_c with a density or a hydrometer reading."
        faults.append(Fault("", 0, "strength_temperature_c", "is missing", mend))
    if len(quantity) != 1:
        mend = "Give one of volume_litres and mass_kg."
        faults.append(Fault("", 0, "quantity", f"is given {len(quantity)} ways", mend))
    if faults := [*faults, *_wrong_numbers(readings)]:
        raise InputError(faults)
    return strength[0], quantity[0]


#: What may be read: above this (None: no floor here) and up to that. Formulas have their range.
_BOUNDS: dict[str, tuple[Decimal | None, Decimal]] = {
    "strength_percent": (Decimal(0), Decimal(100)),
    "density_kg_m3": (Decimal(0), LARGEST),
    "hydrometer_percent": (Decimal(0), Decimal(100)),
    "strength_temperature_c": (None, LARGEST),
    "volume_litres": (Decimal(0), LARGEST),
    "volume_temperature_c": (None, LARGEST),
    "mass_kg": (Decimal(0), LARGEST),
}


def _wrong_numbers(readings: Readings) -> Iterable[Fault]:
    for name, (above, highest) in _BOUNDS.items():
        value: Decimal | None = getattr(readings, name)
        if value is None:
            continue
        if not value.is_finite() or value > highest or (above is not None and value <= above):
            mend = f"Give a number above {above} and at most {highest}."
            yield Fault("", 0, name, f"is {value}", mend)
        elif value != round(value, THOUSANDTHS):
            yield Fault("", 0, name, f"is {value}", "Give at most three decimals.")


def _strength(readings: Readings, by: Literal["stated", "density", "hydrometer"]) -> Decimal:
    from bulkflow import alcoholometry

    if by == "stated":
        assert readings.strength_percent is not None
        return readings.strength_percent
    assert readings.strength_temperature_c is not None
    at = float(readings.strength_temperature_c)
    if by == "density":
        assert readings.density_kg_m3 is not None
        return _exact(alcoholometry.strength_from_density(float(readings.density_kg_m3), at))
    assert readings.hydrometer_percent is not None
    return _exact(alcoholometry.strength_from_hydrometer(float(readings.hydrometer_percent), at))


def _litres(readings: Readings, strength: Decimal) -> Decimal:
    """Litres at 20 degC; a volume read at 20 degC is taken as it is, without arithmetic."""
    from bulkflow import alcoholometry

    if readings.mass_kg is not None:
        return _exact(alcoholometry.volume_from_mass(float(readings.mass_kg), float(strength), 20))
    assert readings.volume_litres is not None
    at = _volume_temperature(readings)
    if at is None or at == REFERENCE_C:
        return readings.volume_litres
    return _exact(
        alcoholometry.volume_at_temperature(
            float(readings.volume_litres), float(strength), float(at), float(REFERENCE_C)
        )
    )


def _volume_temperature(readings: Readings) -> Decimal | None:
    if readings.volume_litres is None:
        return None
    given = readings.volume_temperature_c
    return REFERENCE_C if given is None else given


def _exact(number: object) -> Decimal:
    return Decimal(repr(float(number)))  # type: ignore[arg-type]
