"""The rules on filling a tank, and the tank as far as they go.

Owns the degree of filling by rule, the surge rule and the shape of a tank. What they mean for a
load is in :mod:`bulkflow.filling.load`.

References
----------
ADR 4.1.1.4, 4.2.1.9, 4.3.2.2 (editions 2013 to 2025 as read in part; the code in force decides).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from bulkflow.errors import OutOfRangeError

__all__ = [
    "BULK_TEMPERATURE_C",
    "SURGE_HIGH",
    "SURGE_LOW",
    "SURGE_SECTION_LITRES",
    "SURGE_SOURCE",
    "Compartment",
    "FillRule",
    "TankShell",
    "check_number",
    "maximum_fill_fraction",
    "surge_fill_allowed",
]

TINY = 1e-9
"""Stands for above zero in the checks of amounts [L, % vol]."""

SURGE_SECTION_LITRES = 7_500.0
"""A section above this is undivided in the sense of the surge rule [L]."""

SURGE_HIGH, SURGE_LOW = 0.80, 0.20

BULK_TEMPERATURE_C = 50.0
"""Highest mean bulk temperature that the rules assume unless an authority agrees otherwise."""

SURGE_SOURCE = {False: "ADR 4.3.2.2.4", True: "ADR and IMDG 4.2.1.9.6"}
"""Clause of the surge rule, by whether the tank is a UN portable tank."""

_MOST_COMPARTMENTS = 12  # no road tank has more; every choice of filled ones is looked at


class FillRule(Enum):
    """The rule on the maximum degree of filling that a tank falls under.

    The value is the key used in workspaces.
    """

    ADR_A = "adr_a"
    ADR_B = "adr_b"
    ADR_C = "adr_c"
    ADR_D = "adr_d"
    PORTABLE_TP1 = "portable_tp1"
    PORTABLE_TP2 = "portable_tp2"
    PACKAGING = "packaging"

    @property
    def numerator_percent(self) -> float:
        """The figure above the line of the rule's formula [%]."""
        return _RULES[self].numerator_percent

    @property
    def source(self) -> str:
        """Where the rule stands."""
        return _RULES[self].source

    @property
    def scope(self) -> str:
        """What the rule is for, in words."""
        return _RULES[self].scope

    @property
    def is_portable_tank(self) -> bool:
        """Whether this is a UN portable tank (most 20 ft tank containers are)."""
        return self in (FillRule.PORTABLE_TP1, FillRule.PORTABLE_TP2)


@dataclass(frozen=True, slots=True)
class _RuleText:
    numerator_percent: float
    source: str
    scope: str


_RULES = {
    FillRule.ADR_A: _RuleText(
        100.0,
        "ADR 4.3.2.2.1 (a)",
        "flammable, no further hazard; tank with breather or safety valve",
    ),
    FillRule.ADR_B: _RuleText(
        98.0,
        "ADR 4.3.2.2.1 (b)",
        "toxic or corrosive; tank with breather or safety valve (scope from memory)",
    ),
    FillRule.ADR_C: _RuleText(
        97.0,
        "ADR 4.3.2.2.1 (c)",
        "flammable; hermetically closed without safety device (scope from memory)",
    ),
    FillRule.ADR_D: _RuleText(
        95.0,
        "ADR 4.3.2.2.1 (d)",
        "more toxic or corrosive; hermetically closed (scope from memory)",
    ),
    FillRule.PORTABLE_TP1: _RuleText(
        97.0, "ADR and IMDG 4.2.1.9.2 (TP1)", "UN portable tank, general"
    ),
    FillRule.PORTABLE_TP2: _RuleText(
        95.0,
        "ADR and IMDG 4.2.1.9.3 (TP2)",
        "UN portable tank; class 6.1 or 8, or vapour pressure above 175 kPa at 65 degC",
    ),
    FillRule.PACKAGING: _RuleText(98.0, "ADR 4.1.1.4 (b)", "drums and other packagings"),
}


@dataclass(frozen=True, slots=True)
class Compartment:
    """One closed space of a tank.

    Parameters
    ----------
    capacity_litres : full (water) capacity [L], above 0.
    largest_section_litres : of the sections into which surge plates divide it [L]; leave it
        out where there are none.
    """

    capacity_litres: float
    largest_section_litres: float | None = None

    def __post_init__(self) -> None:
        """Refuse capacities that no tank has."""
        check_number("compartment capacity", self.capacity_litres, TINY, 1e6, "L", "size of a tank")
        if self.largest_section_litres is not None:
            check_number(
                "largest section",
                self.largest_section_litres,
                TINY,
                self.capacity_litres,
                "L",
                "a section is part of its compartment",
            )

    @property
    def undivided_litres(self) -> float:
        """The largest undivided space [L]."""
        section = self.largest_section_litres
        return self.capacity_litres if section is None else section

    @property
    def surges(self) -> bool:
        """Whether the 20/80 rule binds this compartment."""
        return self.undivided_litres > SURGE_SECTION_LITRES


@dataclass(frozen=True, slots=True)
class TankShell:
    """A tank as far as filling goes.

    Parameters
    ----------
    name : for messages.
    rule : on the maximum degree of filling.
    compartments : at least one; see :meth:`undivided` for the usual single shell.
    tare_kg, max_gross_kg : of the tank (container) by its plate; both, or neither where only
        the lane limits the mass.
    """

    name: str
    rule: FillRule
    compartments: tuple[Compartment, ...]
    tare_kg: float | None = None
    max_gross_kg: float | None = None

    def __post_init__(self) -> None:
        """Refuse a tank without compartments and masses that do not go together."""
        if not self.compartments:
            raise ValueError(f"tank {self.name!r} needs at least one compartment")
        if len(self.compartments) > _MOST_COMPARTMENTS:
            raise ValueError(f"tank {self.name!r} has more than {_MOST_COMPARTMENTS} compartments")
        if (self.tare_kg is None) != (self.max_gross_kg is None):
            raise ValueError(f"tank {self.name!r}: give tare and maximum gross mass, or neither")
        if self.tare_kg is not None and self.max_gross_kg is not None:
            check_number("tare", self.tare_kg, 0.0, 1e5, "kg", f"tank {self.name}")
            check_number(
                "maximum gross mass",
                self.max_gross_kg,
                self.tare_kg,
                1e5,
                "kg",
                f"tank {self.name}, not below its tare",
            )

    @classmethod
    def undivided(
        cls,
        name: str,
        rule: FillRule,
        capacity_litres: float,
        *,
        tare_kg: float | None = None,
        max_gross_kg: float | None = None,
    ) -> TankShell:
        """Return a tank of one compartment without surge plates."""
        return cls(name, rule, (Compartment(capacity_litres),), tare_kg, max_gross_kg)

    @property
    def capacity_litres(self) -> float:
        """Capacity of all compartments together [L]."""
        return math.fsum(part.capacity_litres for part in self.compartments)

    @property
    def plate_payload_kg(self) -> float | None:
        """Maximum gross mass less tare [kg]; None where the plate is not known."""
        if self.tare_kg is None or self.max_gross_kg is None:
            return None
        return self.max_gross_kg - self.tare_kg


def maximum_fill_fraction(
    rule: FillRule,
    alpha: float,
    filling_temperature_c: float,
    *,
    bulk_temperature_c: float = BULK_TEMPERATURE_C,
) -> float:
    """Return the maximum degree of filling, numerator / (1 + alpha (tr - tf)), as a fraction.

    Parameters
    ----------
    rule : sets the numerator.
    alpha : mean cubic expansion, 15 to 50 degC [1/K], 0..0.01.
    filling_temperature_c : tf [degC], -50 up to ``bulk_temperature_c``.
    bulk_temperature_c : tr [degC]; 50 unless an authority agrees otherwise.

    Returns
    -------
    float : fraction of the capacity [0..1].

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, NaN included.

    Examples
    --------
    >>> round(100 * maximum_fill_fraction(FillRule.PORTABLE_TP1, 1.15e-3, 20.0), 2)
    93.77
    >>> round(100 * maximum_fill_fraction(FillRule.ADR_A, 1.15e-3, 20.0), 2)
    96.67
    """
    check_number("coefficient of expansion", alpha, 0.0, 0.01, "1/K", rule.source)
    check_number("bulk temperature", bulk_temperature_c, 0.0, 100.0, "degC", rule.source)
    check_number(
        "filling temperature",
        filling_temperature_c,
        -50.0,
        bulk_temperature_c,
        "degC",
        f"{rule.source}, up to the highest bulk temperature",
    )
    warming = bulk_temperature_c - filling_temperature_c
    return rule.numerator_percent / 100.0 / (1.0 + alpha * warming)


def surge_fill_allowed(undivided_section_litres: float, fill_fraction: float) -> bool:
    """Return whether the surge rule allows a degree of filling.

    A shell not divided by partitions or surge plates into sections of at most 7,500 L is
    filled to at least 80 % or at most 20 % of its capacity (ADR 4.3.2.2.4, 4.2.1.9.6; not for
    liquids of 2,680 mm2/s and more at 20 degC, from which spirit is far).

    Parameters
    ----------
    undivided_section_litres : largest undivided space [L], above 0.
    fill_fraction : degree of filling [0..1].

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, NaN included.
    """
    check_number("undivided section", undivided_section_litres, TINY, 1e6, "L", "size of a tank")
    check_number("degree of filling", fill_fraction, 0.0, 1.0, "of the capacity", "a fraction")
    if undivided_section_litres <= SURGE_SECTION_LITRES:
        return True
    return fill_fraction >= SURGE_HIGH or fill_fraction <= SURGE_LOW


def check_number(
    quantity: str, value: float, low: float, high: float, unit: str, source: str
) -> None:
    """Raise unless a number lies within its range; NaN never does."""
    if not low <= value <= high:
        raise OutOfRangeError(quantity, value, low, high, unit, source)
