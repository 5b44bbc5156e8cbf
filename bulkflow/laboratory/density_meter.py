"""What errors of density and temperature do to a strength read with a density meter.

The cell gives a density without a term for glass; it is turned into strength by solving the
density formula of OIML R 22 at the cell's temperature (:mod:`bulkflow.alcoholometry`).
"""

from __future__ import annotations

from bulkflow.alcoholometry import density_from_strength, strength_from_density

__all__ = [
    "WATER_20C_KG_M3",
    "density_slope",
    "strength_at_cell_temperature",
    "strength_error_from_density",
    "strength_error_from_temperature",
    "uncorrected_temperature_error",
    "water_check_deviation",
]

#: Water at 20 degC for checking the instrument, Reg (EC) 2870/2000 Annex I note 2 [kg/m3]. OIML
#: R 22 gives 998.201: the difference is below what an instrument of five digits shows.
WATER_20C_KG_M3 = 998.203
_STEP = 1e-3


def density_slope(strength_percent: float, temperature_c: float = 20.0) -> float:
    """Return how density changes with strength [kg/m3 per % vol], below 0.

    Examples
    --------
    >>> round(density_slope(40.0), 3)
    -1.605
    """
    low = max(0.0, strength_percent - _STEP)
    high = min(100.0, strength_percent + _STEP)
    rise = float(density_from_strength(high, temperature_c)) - float(
        density_from_strength(low, temperature_c)
    )
    return rise / (high - low)


def strength_at_cell_temperature(density_kg_m3: float, temperature_c: float) -> float:
    """Return the strength at 20 degC from a density read at the cell's temperature [% vol].

    Examples
    --------
    >>> round(strength_at_cell_temperature(946.03, 23.0), 2)
    40.0
    """
    return float(strength_from_density(density_kg_m3, temperature_c))


def uncorrected_temperature_error(
    strength_percent: float, sample_c: float, taken_as_c: float = 20.0
) -> float:
    """Return how far a strength is off if a sample is taken to be at another temperature [% vol].

    Examples
    --------
    >>> round(uncorrected_temperature_error(40.0, 21.0), 3)
    0.414
    """
    read = float(density_from_strength(strength_percent, sample_c))
    return float(strength_from_density(read, taken_as_c)) - strength_percent


def strength_error_from_density(strength_percent: float, density_error_kg_m3: float) -> float:
    """Return the size of the strength's error from an error of density [% vol].

    Examples
    --------
    >>> round(strength_error_from_density(40.0, 0.05), 4)
    0.0312
    """
    return abs(density_error_kg_m3 / density_slope(strength_percent))


def strength_error_from_temperature(strength_percent: float, temperature_error_k: float) -> float:
    """Return the size of the strength's error from a small error of temperature [% vol].

    Examples
    --------
    >>> round(strength_error_from_temperature(40.0, 0.05), 4)
    0.0208
    """
    return abs(uncorrected_temperature_error(strength_percent, 20.0 + temperature_error_k))


def water_check_deviation(reading_kg_m3: float) -> float:
    """Return how far the daily check with water at 20 degC is off [kg/m3].

    Adjust beyond 0.05 (five digits) or 0.1 (four digits): common practice.

    Examples
    --------
    >>> round(water_check_deviation(998.25), 3)
    0.047
    """
    return reading_kg_m3 - WATER_20C_KG_M3
