"""How full a tank may and must be, and what a load then holds.

Three kinds of limit meet in a tank: the degree of filling of the rule the tank falls under,
the surge rule for shells without partitions, and the gross mass that tank and lane carry. Each
:class:`Limit` names its rule and source and shows its arithmetic; :func:`fill_range` brings them
together for one tank and one strength, and refuses where the least lawful fill exceeds the most.

Volumes are litres **at the filling temperature** unless a name says ``_20``. The liquid's own
facts come from :mod:`bulkflow.alcoholometry`, the rules and the shape of a tank from
:mod:`bulkflow.filling.rules`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from itertools import product

from bulkflow.alcoholometry import (
    LEAST_STRENGTH,
    REFERENCE_C,
    FillingExpansion,
    density_from_strength,
    filling_expansion,
)
from bulkflow.filling.rules import (
    BULK_TEMPERATURE_C,
    SURGE_HIGH,
    SURGE_LOW,
    SURGE_SECTION_LITRES,
    SURGE_SOURCE,
    Compartment,
    TankShell,
    check_number,
    maximum_fill_fraction,
)

__all__ = [
    "FILLING_CAUTION",
    "HOUSE_RULE",
    "LEAST_SHARE_OF_MOST",
    "FillRange",
    "Limit",
    "LimitKind",
    "fill_range",
    "no_common_fill",
]

HOUSE_RULE = "house rule"
"""Source of a limit that no rule sets but whoever sends the load."""

LEAST_SHARE_OF_MOST = 0.5
"""Least share of the most it may hold with which a tank is sent where nothing else says how much.

A journey is paid by the tank: below half a load it waits, or goes in a smaller tank (common
practice).
"""

FILLING_CAUTION = (
    "Strong spirit is a flammable liquid and gives off flammable vapour: earth, vent and keep"
    " ignition away. These limits are worked out from the rules named beside them and are no"
    " approval: the plate of the tank, the code in force where it travels and a qualified"
    " dangerous-goods adviser decide. Nobody enters a tank without training, a valid cleaning"
    " document and a tested atmosphere."
)
"""The usual caution; every page, sheet and table that shows a degree of filling prints it."""


class LimitKind(Enum):
    """Which way a limit works."""

    MAXIMUM = "maximum"
    MINIMUM = "minimum"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit on a load: its amount, the rule that set it, and how it was worked out.

    Parameters
    ----------
    kind : maximum or minimum.
    litres : [L at the filling temperature].
    rule : in words.
    source : clause, plate or house rule.
    arithmetic : the sum in one line, with its numbers.
    """

    kind: LimitKind
    litres: float
    rule: str
    source: str
    arithmetic: str


@dataclass(frozen=True, slots=True)
class FillRange:
    """How much of one liquid one load of a tank may hold, from the least to the most.

    Where ``refused`` the least exceeds the most: no load is lawful, ``reason`` shows the
    arithmetic, and the other fields hold the two limits that contradict each other.

    Parameters
    ----------
    tank, strength_percent, filling_temperature_c : what was asked.
    min_litres, max_litres : [L at the filling temperature].
    min_litres_20, max_litres_20 : the same amounts [L at 20 degC].
    min_mass_kg, max_mass_kg : true mass [kg].
    min_lpa, max_lpa : litres of pure alcohol at 20 degC.
    minimum, maximum : the limits that bind.
    limits : every limit that was looked at, binding or not.
    lawful : all ranges of litres that the rules on filling and mass allow a load of this tank
        (several where compartments may be left nearly empty), without the house minimum.
    expansion : the coefficient used and its basis.
    caution : the usual caution.
    """

    tank: TankShell
    strength_percent: float
    filling_temperature_c: float
    min_litres: float
    max_litres: float
    min_litres_20: float
    max_litres_20: float
    min_mass_kg: float
    max_mass_kg: float
    min_lpa: float
    max_lpa: float
    minimum: Limit
    maximum: Limit
    limits: tuple[Limit, ...]
    lawful: tuple[tuple[float, float], ...]
    expansion: FillingExpansion
    refused: bool
    reason: str
    caution: str = FILLING_CAUTION


def fill_range(
    tank: TankShell,
    strength_percent: float,
    filling_temperature_c: float,
    lane_payload_limit_kg: float | None,
    house_minimum_fraction: float | None,
    *,
    density_15: float | None = None,
    density_50: float | None = None,
    bulk_temperature_c: float = BULK_TEMPERATURE_C,
) -> FillRange:
    """Return how much spirit of a strength one load of a tank may hold.

    A load is the tank in use as a whole: at least one compartment filled, the others too or
    (where the rules let them) left at 20 % or less. Where compartments make several separate
    ranges lawful, the fullest one that the mass limits allow is taken; ``lawful`` lists all.

    Parameters
    ----------
    tank : the shell, its rule and its plate.
    strength_percent : of the spirit [% vol at 20 degC], above 0.
    filling_temperature_c : [degC], -20 to 40 (the range of OIML R 22).
    lane_payload_limit_kg : largest mass of liquid that the lane carries [kg], or None.
    house_minimum_fraction : least share of the whole capacity that is worth sending [0..1]; 0 for
        half of the most it may hold, where no rule asks for a least fill; None for what the rules
        ask only.
    density_15, density_50 : the supplier's densities [kg/m3], preferred over the extrapolation.
    bulk_temperature_c : highest mean bulk temperature [degC].

    Returns
    -------
    FillRange : read ``refused`` first.

    Raises
    ------
    OutOfRangeError
        Outside the ranges above, NaN included.

    Examples
    --------
    >>> from bulkflow.filling import FillRule, TankShell
    >>> tank = TankShell.undivided("T1", FillRule.PORTABLE_TP1, 24_000.0)
    >>> found = fill_range(tank, 96.0, 20.0, None, None)
    >>> round(found.min_litres), round(found.max_litres), found.refused
    (19200, 22504, False)
    """
    check_number(
        "strength", strength_percent, LEAST_STRENGTH, 100.0, "% vol", "a load holds alcohol"
    )
    expansion = filling_expansion(strength_percent, density_15=density_15, density_50=density_50)
    fraction = maximum_fill_fraction(
        tank.rule, expansion.alpha, filling_temperature_c, bulk_temperature_c=bulk_temperature_c
    )
    rho = float(density_from_strength(strength_percent, filling_temperature_c))
    warming = (
        f"{tank.rule.numerator_percent:g} / (1 + {expansion.alpha:.4g} x"
        f" ({bulk_temperature_c:g} - {filling_temperature_c:g}))"
    )
    maxima = [
        _degree_limit(tank, fraction, warming),
        *_mass_limits(tank, rho, lane_payload_limit_kg),
    ]
    house = _house_limit(tank, house_minimum_fraction)
    spans = _lawful_spans(tank, fraction)
    ceiling = min(limit.litres for limit in maxima)
    span = _choose(spans, house.litres if house else 0.0, ceiling)
    if span is not None and span.high < ceiling:
        maxima.append(_partial_limit(tank, fraction, span))
    maximum = min(maxima, key=lambda limit: limit.litres)
    minima = [_surge_limit(tank, span or _next_above(spans, ceiling))]
    if house is not None and house.litres == minima[0].litres == 0.0:
        house = _half_load(maximum)
    if house is not None:
        minima.append(house)
    minimum = max(minima, key=lambda limit: limit.litres)
    refused = span is None or minimum.litres > maximum.litres
    low, high = minimum.litres, maximum.litres
    low_20, high_20 = (
        litres * rho / float(density_from_strength(strength_percent, REFERENCE_C))
        for litres in (low, high)
    )
    return FillRange(
        tank=tank,
        strength_percent=strength_percent,
        filling_temperature_c=filling_temperature_c,
        min_litres=low,
        max_litres=high,
        min_litres_20=low_20,
        max_litres_20=high_20,
        min_mass_kg=low * rho / 1000.0,
        max_mass_kg=high * rho / 1000.0,
        min_lpa=low_20 * strength_percent / 100.0,
        max_lpa=high_20 * strength_percent / 100.0,
        minimum=minimum,
        maximum=maximum,
        limits=(*maxima, *minima),
        lawful=tuple((part.low, min(part.high, ceiling)) for part in spans if part.low <= ceiling),
        expansion=expansion,
        refused=refused,
        reason=_refusal(tank, strength_percent, minimum, maximum) if refused else "",
    )


def no_common_fill(emptiest: FillRange, fullest: FillRange) -> str:
    """Return why no load is lawful at every temperature, though one may be at each.

    Parameters
    ----------
    emptiest : at the temperature at which a load has to hold most.
    fullest : at the temperature at which it may hold least.
    """
    return (
        f"No load of {emptiest.strength_percent:g} % vol fits tank {emptiest.tank.name} at every"
        f" filling temperature: at {emptiest.filling_temperature_c:g} degC it must hold at least"
        f" {emptiest.min_lpa:,.0f} LPA ({emptiest.minimum.rule}), at"
        f" {fullest.filling_temperature_c:g} degC at most {fullest.max_lpa:,.0f} LPA"
        f" ({fullest.maximum.rule})."
    )


@dataclass(frozen=True, slots=True)
class _Span:
    """A lawful range of litres, and which compartments are properly filled at either end."""

    low: float
    high: float
    filled_at_low: tuple[bool, ...]
    filled_at_high: tuple[bool, ...]


def _lawful_spans(tank: TankShell, fraction: float) -> list[_Span]:
    """Return what degree of filling and surge rule allow a load, as separate ranges, rising.

    Each compartment is properly filled (from 80 %, or from nothing where it does not surge) or,
    where it surges, at 20 % or less; a load has at least one properly filled. Every choice
    gives one range of totals; ranges that touch are one.
    """
    states = [
        [state for state in (True, False) if _state_range(part, fraction, filled=state)]
        for part in tank.compartments
    ]
    found = []
    for filled in product(*states):
        if any(filled):
            ends = [
                _state_range(part, fraction, filled=state) or (0.0, 0.0)
                for part, state in zip(tank.compartments, filled, strict=True)
            ]
            low, high = math.fsum(end[0] for end in ends), math.fsum(end[1] for end in ends)
            found.append(_Span(low, high, filled, filled))
    return _merge(sorted(found, key=lambda span: (span.low, -span.high)))


def _state_range(part: Compartment, fraction: float, *, filled: bool) -> tuple[float, float] | None:
    """Return the litres of a compartment properly filled or nearly empty; None where barred."""
    capacity = part.capacity_litres
    if not part.surges:
        return (0.0, fraction * capacity) if filled else None
    if filled:
        return (SURGE_HIGH * capacity, fraction * capacity) if fraction >= SURGE_HIGH else None
    return 0.0, SURGE_LOW * capacity


def _merge(spans: list[_Span]) -> list[_Span]:
    """Join ranges that touch; the list is sorted by the low end."""
    merged: list[_Span] = []
    for span in spans:
        if not merged or span.low > merged[-1].high:
            merged.append(span)
        elif span.high > merged[-1].high:
            last = merged[-1]
            merged[-1] = _Span(last.low, span.high, last.filled_at_low, span.filled_at_high)
    return merged


def _choose(spans: list[_Span], house: float, ceiling: float) -> _Span | None:
    """Return the fullest range with room between the house minimum and the ceiling."""
    fitting = [span for span in spans if max(span.low, house) <= min(span.high, ceiling)]
    return fitting[-1] if fitting else None


def _next_above(spans: list[_Span], ceiling: float) -> _Span | None:
    """Return the emptiest range that lies wholly above the ceiling, for showing why not."""
    above = [span for span in spans if span.low > ceiling]
    return above[0] if above else None


def _degree_limit(tank: TankShell, fraction: float, warming: str) -> Limit:
    litres = fraction * tank.capacity_litres
    return Limit(
        LimitKind.MAXIMUM,
        litres,
        "maximum degree of filling",
        tank.rule.source,
        f"{warming} = {100 * fraction:.2f} % of {tank.capacity_litres:,.0f} L = {litres:,.0f} L",
    )


def _mass_limits(tank: TankShell, rho: float, lane_payload_limit_kg: float | None) -> list[Limit]:
    """Return the limits of plate and lane, as far as they are known."""
    limits = []
    payload = tank.plate_payload_kg
    if payload is not None:
        limits.append(
            _mass_limit(
                payload,
                rho,
                "maximum gross mass of the tank",
                f"plate of {tank.name}",
                f"({tank.max_gross_kg:,.0f} - {tank.tare_kg:,.0f}) kg",
            )
        )
    if lane_payload_limit_kg is not None:
        check_number("lane payload limit", lane_payload_limit_kg, 0.0, 1e6, "kg", "mass of liquid")
        limits.append(
            _mass_limit(
                lane_payload_limit_kg,
                rho,
                "payload limit of the lane",
                "lane",
                f"{lane_payload_limit_kg:,.0f} kg",
            )
        )
    return limits


def _mass_limit(payload: float, rho: float, rule: str, source: str, text: str) -> Limit:
    litres = 1000.0 * payload / rho
    arithmetic = f"{text} / {rho / 1000.0:.4f} kg/L = {litres:,.0f} L"
    return Limit(LimitKind.MAXIMUM, litres, rule, source, arithmetic)


def _house_limit(tank: TankShell, fraction: float | None) -> Limit | None:
    """Return the least fill that the house sends, if it has one."""
    if fraction is None:
        return None
    check_number("house minimum", fraction, 0.0, 1.0, "of the capacity", "a fraction")
    litres = fraction * tank.capacity_litres
    return Limit(
        LimitKind.MINIMUM,
        litres,
        "least fill worth sending",
        HOUSE_RULE,
        f"{100 * fraction:g} % of {tank.capacity_litres:,.0f} L = {litres:,.0f} L",
    )


def _half_load(maximum: Limit) -> Limit:
    """Return the least fill of a tank for which neither rule nor house states one."""
    litres = LEAST_SHARE_OF_MOST * maximum.litres
    share = f"{100 * LEAST_SHARE_OF_MOST:g} %"
    return Limit(
        LimitKind.MINIMUM,
        litres,
        f"{share} of the most, where no least fill is stated",
        HOUSE_RULE,
        f"{share} of {maximum.litres:,.0f} L = {litres:,.0f} L",
    )


def _surge_limit(tank: TankShell, span: _Span | None) -> Limit:
    """Return the least fill that the surge rule allows, at the low end of a range."""
    filled = span.filled_at_low if span else tuple(True for _ in tank.compartments)
    source = SURGE_SOURCE[tank.rule.is_portable_tank]
    bound = [
        part for part, state in zip(tank.compartments, filled, strict=True) if part.surges and state
    ]
    if not bound:
        section = max(part.undivided_litres for part in tank.compartments)
        return Limit(
            LimitKind.MINIMUM,
            0.0,
            "no least fill",
            source,
            f"largest undivided section {section:,.0f} L, not above {SURGE_SECTION_LITRES:,.0f} L"
            if section <= SURGE_SECTION_LITRES
            else "compartments that surge are left at 20 % or less",
        )
    sizes = " + ".join(f"{part.capacity_litres:,.0f}" for part in bound)
    sizes = f"({sizes})" if len(bound) > 1 else sizes
    litres = math.fsum(SURGE_HIGH * part.capacity_litres for part in bound)
    return Limit(
        LimitKind.MINIMUM,
        litres,
        f"surge: an undivided shell above {SURGE_SECTION_LITRES:,.0f} L is at least"
        f" {100 * SURGE_HIGH:.0f} % full, or at most {100 * SURGE_LOW:.0f} %",
        source,
        f"{100 * SURGE_HIGH:.0f} % of {sizes} L = {litres:,.0f} L",
    )


def _partial_limit(tank: TankShell, fraction: float, span: _Span) -> Limit:
    """Return the most that a range short of the full tank allows, compartment by compartment."""
    terms = [
        f"{100 * (fraction if state else SURGE_LOW):.2f} % of {part.capacity_litres:,.0f}"
        for part, state in zip(tank.compartments, span.filled_at_high, strict=True)
    ]
    return Limit(
        LimitKind.MAXIMUM,
        span.high,
        "surge: the compartments not filled stay at 20 % or less",
        SURGE_SOURCE[tank.rule.is_portable_tank],
        f"{' + '.join(terms)} L = {span.high:,.0f} L",
    )


def _refusal(tank: TankShell, strength: float, minimum: Limit, maximum: Limit) -> str:
    return (
        f"No load of {strength:g} % vol fits tank {tank.name}: it must hold at least"
        f" {minimum.litres:,.0f} L ({minimum.rule}, {minimum.source}: {minimum.arithmetic}) and"
        f" may hold at most {maximum.litres:,.0f} L ({maximum.rule}, {maximum.source}:"
        f" {maximum.arithmetic})."
    )
