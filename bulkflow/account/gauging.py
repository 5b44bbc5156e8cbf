"""From readings at a weighbridge or a tank to LPA with its uncertainty: one alcoholometry.

The same functions serve dispatch and receipt, metric and US sites, so that a difference comes
from the liquid and the readings, never from two tables. The uncertainty is that of the readings
(JCGM 100:2008, 5.1.2); the formula's own is common to both ends and cancels in the difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from types import MappingProxyType
from typing import Any, Literal

from bulkflow import alcoholometry as alc
from bulkflow.alcoholometry import Measured, PureAlcoholBasis, propagate
from bulkflow.errors import Fault, InputError
from bulkflow.records.amounts import STANDARD_ROUNDING, Rounding

__all__ = [
    "ASSUMED_SHARE_LIMIT",
    "DEFAULT_LIMITS",
    "Gauged",
    "ProofGallons",
    "Reading",
    "gauge",
    "proof_gallons_of",
]

#: Limits of error (+-) of one reading where none is given, in its unit. Common practice: weigh-
#: bridge scale interval 20 kg, tank tables 0.2 % (a share), field density meter 0.3 kg/m3,
#: alcoholometer of the finer classes 0.1 % vol, thermometer 0.3 degC (0.5 degF).
DEFAULT_LIMITS: Mapping[str, Decimal] = MappingProxyType(
    {
        "weighbridge": Decimal(20),
        "dip": Decimal("0.002"),
        "density": Decimal("0.3"),
        "hydrometer": Decimal("0.1"),
        "proof": Decimal("0.2"),
        "stated": Decimal("0.1"),
        "C": Decimal("0.3"),
        "F": Decimal("0.5"),
    }
)

#: Limits of error of an amount that was stated and not gauged, as a share of it (common practice:
#: 0.1 % of mass and 0.1 % vol of strength, together a little under 0.3 %).
ASSUMED_SHARE_LIMIT = Decimal("0.003")

_STEP = Decimal("0.001")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What was read off the instruments at one end; see :class:`bulkflow.account.bodies.Gauging`.

    Give gross and tare, or a volume; and one strength. Limits left out are those of
    ``DEFAULT_LIMITS``.
    """

    gross_kg: Decimal | None = None
    tare_kg: Decimal | None = None
    volume: Decimal | None = None
    volume_unit: Literal["L", "US gal"] = "L"
    density_kg_m3: Decimal | None = None
    hydrometer_percent: Decimal | None = None
    proof: Decimal | None = None
    stated_percent: Decimal | None = None
    temperature: Decimal | None = None
    sample_temperature: Decimal | None = None
    temperature_unit: Literal["C", "F"] = "C"
    quantity_limit: Decimal | None = None
    strength_limit: Decimal | None = None
    temperature_limit: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Gauged:
    """What follows from a reading; ``fields`` are those of a gauging's body.

    ``lpa`` is unrounded, with its standard uncertainty; the body's is rounded once.
    """

    lpa: Measured
    fields: Mapping[str, Any]


def gauge(reading: Reading, rounding: Rounding = STANDARD_ROUNDING) -> Gauged:
    """Return the LPA that a reading gives, with its uncertainty.

    Raises
    ------
    InputError
        With everything missing, given twice, or impossible.
    OutOfRangeError
        If a reading lies outside the range of the formula.
    """
    by, value = _checked(reading)
    quantity_by: Literal["weighbridge", "dip"] = "dip" if reading.volume else "weighbridge"
    limits = _limits(reading, quantity_by, by)
    inputs = _inputs(reading, by, value, limits)
    chain = _Chain(by, reading)
    lpa = propagate(chain.lpa, **inputs)
    at = {name: one.value for name, one in inputs.items()}
    strength = chain.strength(at["strength"], at.get("sample", at["temperature"]))
    litres = 100.0 * lpa.value / strength
    fields: dict[str, Any] = {
        "quantity_by": quantity_by,
        "gross_kg": reading.gross_kg,
        "tare_kg": reading.tare_kg,
        "volume": reading.volume,
        "volume_unit": reading.volume_unit if quantity_by == "dip" else None,
        "strength_by": by,
        "strength_reading": value,
        "temperature": reading.temperature,
        "sample_temperature": reading.sample_temperature,
        "temperature_unit": reading.temperature_unit,
        **limits,
        "strength_percent": _rounded(strength),
        "litres_20c": _rounded(litres),
        "mass_kg": _rounded(float(alc.mass_from_volume(litres, strength, alc.REFERENCE_C))),
        "lpa": rounding.apply(lpa.value),
        "lpa_uncertainty": _rounded(lpa.standard_uncertainty),
        "rounding": rounding.name,
    }
    return Gauged(lpa, {name: one for name, one in fields.items() if one is not None})


class _Chain:
    """The way from readings to LPA, as a function of them."""

    def __init__(self, by: str, reading: Reading) -> None:
        self._by, self._reading = by, reading

    def strength(self, shown: float, sample: float) -> float:
        """Return % vol at 20 degC."""
        sample = self._celsius(sample)
        match self._by:
            case "density":
                return float(alc.strength_from_density(shown, sample))
            case "hydrometer":
                return float(alc.strength_from_hydrometer(shown, sample))
            case "proof":
                return float(alc.strength_from_proof(alc.proof_from_hydrometer(shown, sample)))
        return shown

    def lpa(self, **at: float) -> float:
        """Return litres of pure alcohol at 20 degC."""
        strength = self.strength(at["strength"], at.get("sample", at["temperature"]))
        celsius = self._celsius(at["temperature"])
        if "volume" in at:
            us = self._reading.volume_unit == "US gal"
            litres = at["volume"] * (alc.LITRES_PER_US_GALLON if us else 1.0)
            return float(alc.lpa_from_volume(litres, strength, celsius))
        density = float(alc.density_from_strength(strength, celsius))
        mass = float(alc.mass_from_weighing(at["gross"] - at["tare"], density))
        return float(alc.lpa_from_mass(mass, strength))

    def _celsius(self, temperature: float) -> float:
        if self._reading.temperature_unit == "F":
            return float(alc.celsius_from_fahrenheit(temperature))
        return temperature


def _inputs(
    reading: Reading, by: str, value: Decimal, limits: Mapping[str, Decimal]
) -> dict[str, Measured]:
    assert reading.temperature is not None
    inputs = {
        "strength": _within(value, limits["strength_limit"]),
        "temperature": _within(reading.temperature, limits["temperature_limit"]),
    }
    if reading.sample_temperature is not None and by != "stated":
        inputs["sample"] = _within(reading.sample_temperature, limits["temperature_limit"])
    if reading.volume is not None:
        inputs["volume"] = _within(reading.volume, limits["quantity_limit"])
    else:
        assert reading.gross_kg is not None and reading.tare_kg is not None
        inputs["gross"] = _within(reading.gross_kg, limits["quantity_limit"])
        inputs["tare"] = _within(reading.tare_kg, limits["quantity_limit"])
    return inputs


def _limits(reading: Reading, quantity_by: str, by: str) -> dict[str, Decimal]:
    quantity = reading.quantity_limit
    if quantity is None:
        quantity = DEFAULT_LIMITS[quantity_by]
        if reading.volume is not None:
            quantity = (quantity * reading.volume).quantize(_STEP)
    strength, temperature = reading.strength_limit, reading.temperature_limit
    return {
        "quantity_limit": quantity,
        "strength_limit": DEFAULT_LIMITS[by] if strength is None else strength,
        "temperature_limit": (
            DEFAULT_LIMITS[reading.temperature_unit] if temperature is None else temperature
        ),
    }


_STRENGTHS = {
    "density": "density_kg_m3",
    "hydrometer": "hydrometer_percent",
    "proof": "proof",
    "stated": "stated_percent",
}


def _checked(reading: Reading) -> tuple[str, Decimal]:
    faults: list[Fault] = []
    given = {by: v for by, name in _STRENGTHS.items() if (v := getattr(reading, name)) is not None}
    if len(given) != 1:
        mend = "Give one of density, hydrometer, proof and stated strength."
        faults.append(Fault("", 0, "strength", f"is given {len(given)} ways", mend))
    weighed = reading.gross_kg is not None or reading.tare_kg is not None
    if weighed == (reading.volume is not None):
        found = "is given both ways" if weighed else "is missing"
        mend = "Give gross and tare of the weighbridge, or the volume by dip."
        faults.append(Fault("", 0, "quantity", found, mend))
    elif weighed and (reading.gross_kg is None or reading.tare_kg is None):
        faults.append(Fault("", 0, "weighbridge", "lacks gross or tare", "Give both."))
    elif weighed and reading.gross_kg <= reading.tare_kg:  # type: ignore[operator]
        found = f"is gross {reading.gross_kg} and tare {reading.tare_kg}"
        faults.append(Fault("", 0, "weighbridge", found, "Gross is above tare."))
    if reading.temperature is None:
        mend = "Give the temperature of the liquid when it was gauged."
        faults.append(Fault("", 0, "temperature", "is missing", mend))
    faults.extend(_wrong_numbers(reading))
    if faults:
        raise InputError(faults)
    return next(iter(given.items()))


def _wrong_numbers(reading: Reading) -> list[Fault]:
    faults = []
    for name in Reading.__slots__:
        value = getattr(reading, name)
        if not isinstance(value, Decimal):
            continue
        if not value.is_finite() or value != round(value, 3) or abs(value) > 10**9:
            faults.append(Fault("", 0, name, f"is {value}", "Give at most three decimals."))
        elif value < 0 and not name.endswith("temperature"):
            faults.append(Fault("", 0, name, f"is {value}", "Give a number above 0."))
        elif value == 0 and name in {"gross_kg", "volume", *_STRENGTHS.values()}:
            faults.append(Fault("", 0, name, "is 0", "Give a number above 0."))
    return faults


def _within(value: Decimal, limit: Decimal) -> Measured:
    return Measured.within(float(value), float(limit))


def _rounded(value: float) -> Decimal:
    return Decimal(repr(value)).quantize(_STEP, rounding=ROUND_HALF_UP)


@dataclass(frozen=True, slots=True)
class ProofGallons:
    """An amount in proof gallons, to 0.1, and what one stands for."""

    amount: Decimal
    basis: str

    def __str__(self) -> str:
        """Return the amount with its basis."""
        return f"{self.amount:,} proof gallons ({self.basis})"


_LITRES = alc.litres_per_proof_gallon(PureAlcoholBasis.AT_20_C)
_BASIS = f"same ethanol: 1 proof gallon at 60 °F = {_LITRES:.4f} LPA at 20 °C"


def proof_gallons_of(lpa: Decimal) -> ProofGallons:
    """Return LPA at 20 degC as proof gallons of the same ethanol, halves of 0.1 upwards.

    References
    ----------
    27 CFR 19.1 (proof gallon), 30.1 and 30.64 (one decimal, below 0.05 dropped).

    Examples
    --------
    >>> str(proof_gallons_of(Decimal("17650.000")).amount)
    '9280.7'
    """
    exact = Decimal(repr(float(abs(lpa)) / _LITRES)).quantize(Decimal("0.1"), ROUND_HALF_UP)
    return ProofGallons(exact.copy_sign(lpa), _BASIS)
