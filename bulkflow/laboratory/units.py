"""Amounts of a substance in spirit: by volume, by mass, by pure alcohol.

Milligrams in a litre change when water is added, grams in a hectolitre of pure alcohol (g/hl pa)
do not: laws limit the latter. Strengths are % vol at 20 degC.
"""

from __future__ import annotations

from collections.abc import Sequence

from bulkflow.alcoholometry import density_from_strength
from bulkflow.errors import OutOfRangeError
from bulkflow.statistics.arguments import finite_array

__all__ = [
    "ACETAL_AS_ETHANAL",
    "UNITS",
    "acetal_as_ethanal",
    "aldehydes_as_ethanal",
    "blended_grams_per_hl",
    "converted",
    "grams_per_hl_from_mg_per_kg",
    "grams_per_hl_from_mg_per_litre",
    "mg_per_kg_from_grams_per_hl",
    "mg_per_kg_from_mg_per_litre",
    "mg_per_litre_after_reduction",
    "mg_per_litre_from_grams_per_hl",
    "mg_per_litre_from_mg_per_kg",
    "unit_named",
]

_SOURCE = "a strength with alcohol in it"
#: Molar masses [g/mol]: ethanal 44.053, 1,1-diethoxyethane 118.176 (computed from atomic masses).
_ETHANAL, _ACETAL = 44.053, 118.176
#: What a gram of 1,1-diethoxyethane counts as ethanal, mole for mole.
ACETAL_AS_ETHANAL = _ETHANAL / _ACETAL


def grams_per_hl_from_mg_per_litre(mg_per_litre: float, strength_percent: float) -> float:
    """Return g/hl of pure alcohol from mg/l.

    Parameters
    ----------
    mg_per_litre : of the liquid as it is [mg/l].
    strength_percent : of that liquid [% vol], above 0.

    Notes
    -----
    ``10 (mg/l) / (% vol)``, by definition.

    Examples
    --------
    >>> grams_per_hl_from_mg_per_litre(20.0, 40.0)
    5.0
    """
    return 10.0 * mg_per_litre / _with_alcohol(strength_percent)


def mg_per_litre_from_grams_per_hl(grams_per_hl: float, strength_percent: float) -> float:
    """Return mg/l of the liquid from g/hl of pure alcohol.

    Examples
    --------
    >>> mg_per_litre_from_grams_per_hl(30.0, 40.0)
    120.0
    """
    return grams_per_hl * _with_alcohol(strength_percent) / 10.0


def mg_per_litre_from_mg_per_kg(
    mg_per_kg: float, strength_percent: float, *, density_kg_m3: float | None = None
) -> float:
    """Return mg/l from mg/kg (ug/l from ug/kg, too); mg/kg is ug/g.

    Parameters
    ----------
    density_kg_m3 : measured at 20 degC; left out, that of OIML R 22 at the strength.

    Examples
    --------
    >>> round(mg_per_litre_from_mg_per_kg(5.0, 40.0), 3)
    4.74
    """
    return mg_per_kg * _density(strength_percent, density_kg_m3) / 1000.0


def mg_per_kg_from_mg_per_litre(
    mg_per_litre: float, strength_percent: float, *, density_kg_m3: float | None = None
) -> float:
    """Return mg/kg from mg/l; the inverse of :func:`mg_per_litre_from_mg_per_kg`.

    Examples
    --------
    >>> round(mg_per_kg_from_mg_per_litre(20.0, 40.0), 2)
    21.1
    """
    return mg_per_litre * 1000.0 / _density(strength_percent, density_kg_m3)


def grams_per_hl_from_mg_per_kg(
    mg_per_kg: float, strength_percent: float, *, density_kg_m3: float | None = None
) -> float:
    """Return g/hl of pure alcohol from a weighed result.

    Notes
    -----
    ``(ug/g) density 10 / (% vol 1000)``, density in kg/m3.

    References
    ----------
    Reg (EC) 2870/2000 annex III.2 (the formula from memory, its arithmetic checked).

    Examples
    --------
    >>> round(grams_per_hl_from_mg_per_kg(100.0, 40.0, density_kg_m3=948.05), 2)
    23.7
    """
    litre = mg_per_litre_from_mg_per_kg(mg_per_kg, strength_percent, density_kg_m3=density_kg_m3)
    return grams_per_hl_from_mg_per_litre(litre, strength_percent)


def mg_per_kg_from_grams_per_hl(
    grams_per_hl: float, strength_percent: float, *, density_kg_m3: float | None = None
) -> float:
    """Return mg/kg from g/hl of pure alcohol.

    Examples
    --------
    >>> round(mg_per_kg_from_grams_per_hl(5.0, 40.0), 2)
    21.1
    """
    litre = mg_per_litre_from_grams_per_hl(grams_per_hl, strength_percent)
    return mg_per_kg_from_mg_per_litre(litre, strength_percent, density_kg_m3=density_kg_m3)


def mg_per_litre_after_reduction(
    mg_per_litre: float, strength_percent: float, reduced_to_percent: float
) -> float:
    """Return mg/l after water was added: g/hl of pure alcohol stays as it was.

    Examples
    --------
    >>> round(mg_per_litre_after_reduction(12.0, 96.4, 40.0), 2)
    4.98
    """
    held = grams_per_hl_from_mg_per_litre(mg_per_litre, strength_percent)
    return mg_per_litre_from_grams_per_hl(held, reduced_to_percent)


def blended_grams_per_hl(lpa: Sequence[float], grams_per_hl: Sequence[float]) -> float:
    """Return g/hl of pure alcohol of a blend: the parts weighted by their pure alcohol.

    Parameters
    ----------
    lpa : litres of pure alcohol of each part, together above 0.
    grams_per_hl : of each part [g/hl pa].

    Examples
    --------
    >>> blended_grams_per_hl([1000.0, 500.0], [3.0, 9.0])
    5.0
    """
    weights, held = finite_array("lpa", lpa), finite_array("grams_per_hl", grams_per_hl)
    total = float(weights.sum())
    if len(weights) != len(held) or (weights < 0.0).any() or not total > 0.0:
        raise OutOfRangeError("lpa", total, 0.0, float("inf"), "LPA", "as many parts as values")
    return float(weights @ held) / total


def acetal_as_ethanal(acetal: float) -> float:
    """Return what an amount of 1,1-diethoxyethane counts as ethanal, in the same unit.

    Examples
    --------
    >>> round(acetal_as_ethanal(1.0), 4)
    0.3728
    """
    return acetal * ACETAL_AS_ETHANAL


def aldehydes_as_ethanal(ethanal: float, acetal: float) -> float:
    """Return ethanal and 1,1-diethoxyethane together, expressed as ethanal.

    References
    ----------
    Reg (EU) 2019/787 Art 5 asks for this sum; the factor is that of the molar masses.

    Examples
    --------
    >>> round(aldehydes_as_ethanal(0.20, 0.50), 4)
    0.3864
    """
    return ethanal + acetal_as_ethanal(acetal)


#: Units of an amount of substance, as they are kept, by what people write.
UNITS = {
    "g/hl pa": ("g/hl", "g/hl pa", "g/hlpa", "g/hl a.a.", "g/hl aa", "g/hl of pure alcohol",
                "g/hl pure alcohol", "g/hl of 100 % vol alcohol", "g/hl lpa"),
    "mg/l": ("mg/l", "mg/litre", "mg/dm3", "ppm v"),
    "mg/kg": ("mg/kg", "ug/g", "ppm"),
    "ug/l": ("ug/l", "ppb v"),
    "ug/kg": ("ug/kg", "ppb"),
    "mg/100 ml": ("mg/100 ml", "mg/100ml"),
    "g/l": ("g/l", "g/litre"),
}  # fmt: skip
#: What one of a unit is in mg/l (by volume) or mg/kg (by mass).
_BY_VOLUME = {"mg/l": 1.0, "ug/l": 1e-3, "mg/100 ml": 10.0, "g/l": 1000.0}
_BY_MASS = {"mg/kg": 1.0, "ug/kg": 1e-3}


def unit_named(text: str) -> str | None:
    """Return the unit that is meant, as it is kept; None for one that is no amount of substance.

    Examples
    --------
    >>> unit_named("g/hL"), unit_named("mg/L"), unit_named("% vol")
    ('g/hl pa', 'mg/l', None)
    """
    wanted = " ".join(text.lower().replace("µ", "u").replace("μ", "u").split())
    return next((unit for unit, names in UNITS.items() if wanted in names), None)


def converted(
    value: float,
    unit: str,
    wanted: str,
    strength_percent: float,
    *,
    density_kg_m3: float | None = None,
) -> float:
    """Return an amount of substance in another unit, by the liquid's strength.

    Parameters
    ----------
    value : in ``unit``.
    unit, wanted : as in ``UNITS``, or any way of writing it.
    strength_percent : of the liquid in which it was found [% vol at 20 degC].
    density_kg_m3 : measured at 20 degC; left out, that of OIML R 22 at the strength.

    Raises
    ------
    OutOfRangeError
        For a unit that is none, or a strength without alcohol.

    Examples
    --------
    >>> converted(48.2, "mg/L", "g/hl pa", 96.4)
    5.0
    """
    held, asked = unit_named(unit), unit_named(wanted)
    if held is None or asked is None:
        raise OutOfRangeError("the unit of", value, 0.0, float("inf"), unit, ", ".join(UNITS))
    if held == asked:
        return value
    litre = _as_mg_per_litre(value, held, strength_percent, density_kg_m3)
    if asked == "g/hl pa":
        return grams_per_hl_from_mg_per_litre(litre, strength_percent)
    if asked in _BY_VOLUME:
        return litre / _BY_VOLUME[asked]
    by_mass = mg_per_kg_from_mg_per_litre(litre, strength_percent, density_kg_m3=density_kg_m3)
    return by_mass / _BY_MASS[asked]


def _as_mg_per_litre(
    value: float, unit: str, strength_percent: float, density_kg_m3: float | None
) -> float:
    if unit == "g/hl pa":
        return mg_per_litre_from_grams_per_hl(value, strength_percent)
    if unit in _BY_VOLUME:
        return value * _BY_VOLUME[unit]
    by_mass = value * _BY_MASS[unit]
    return mg_per_litre_from_mg_per_kg(by_mass, strength_percent, density_kg_m3=density_kg_m3)


def _with_alcohol(strength_percent: float) -> float:
    if not 0.0 < strength_percent <= 100.0:
        raise OutOfRangeError("strength", strength_percent, 0.0, 100.0, "% vol", _SOURCE)
    return float(strength_percent)


def _density(strength_percent: float, measured: float | None) -> float:
    if measured is not None:
        return measured
    return float(density_from_strength(strength_percent, 20.0))
