"""The questions the product asks of the rules, each answered with the rule itself.

A place's own rule comes before that of the union it belongs to, and that before the rule for
all. None means that no rule is known here, which is not the same as none existing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date
from typing import Literal, TypeVar

from bulkflow.errors import OutOfRangeError
from bulkflow.rules.model import (
    BottleSizes,
    CleaningAge,
    CleaningCode,
    ContentsError,
    DangerousGoods,
    DutySchedule,
    ExciseUnit,
    FlashPoints,
    GasketMaterial,
    JourneyLimit,
    LabelForm,
    LabelTolerance,
    LossAllowance,
    MoneyRounding,
    PriorCargo,
    QuantityRounding,
    ReferenceTemperature,
    Rule,
    SeaSchedule,
    Statement,
    StrengthExemption,
    StrengthLimit,
    SubstanceLimit,
    TransportMode,
)
from bulkflow.rules.reader import all_rules, rules_of, wider_jurisdictions

__all__ = [
    "CAUTIONS_OF",
    "DANGEROUS_GOODS_CAUTION",
    "applying",
    "at_sea",
    "bottle_sizes",
    "cautions",
    "cautions_of",
    "cleaning_age",
    "cleaning_codes",
    "contents_error",
    "dangerous_goods_lines",
    "duty_schedule",
    "excise_unit",
    "flash_points_c",
    "gasket_materials",
    "journey_limit",
    "label_form",
    "label_tolerance",
    "loss_allowance",
    "money_rounding",
    "prior_cargoes",
    "quantity_rounding",
    "reference_temperature",
    "sea_schedule",
    "statements",
    "strength_exemption",
    "strength_limit",
    "substance_limits",
]

DANGEROUS_GOODS_CAUTION = (
    "The line is found by strength only. Which UN number and packing group hold, and what the"
    " code in force asks, a qualified dangerous-goods adviser decides."
)
"""Printed wherever a line of :func:`dangerous_goods_lines` is shown."""

Found = TypeVar("Found", bound=Rule)


def strength_limit(market: str, product: str = "gin", *, on: date) -> StrengthLimit | None:
    """Return the strengths a product must keep in a market; its minimum may be None."""
    return next(
        (found for found in _nearest(StrengthLimit, market, on) if found.product == product), None
    )


def substance_limits(
    jurisdiction: str, product: str = "neutral alcohol", *, on: date
) -> tuple[SubstanceLimit, ...]:
    """Return the limits on substances in a product: the place's own, else its union's."""
    for place in wider_jurisdictions(jurisdiction):
        limits = rules_of(SubstanceLimit, on=on, jurisdiction=place)
        chosen = tuple(found for found in limits if found.product == product)
        if chosen:
            return chosen
    return ()


def bottle_sizes(market: str, *, on: date) -> BottleSizes | None:
    """Return the permitted sizes of bottles in a market."""
    return _first(BottleSizes, market, on)


def label_tolerance(market: str, *, on: date) -> LabelTolerance | None:
    """Return how far strength may lie from the label in a market."""
    return _first(LabelTolerance, market, on)


def reference_temperature(market: str, *, on: date) -> ReferenceTemperature | None:
    """Return the legal temperature of strength in a market."""
    return _first(ReferenceTemperature, market, on)


def duty_schedule(jurisdiction: str, *, on: date) -> DutySchedule | None:
    """Return the general rate of duty on spirits: the place's own, never a union's floor."""
    return next(
        (
            found
            for found in rules_of(DutySchedule, on=on, jurisdiction=jurisdiction)
            if not found.floor_only and found.quota_proof_gallons is None
        ),
        None,
    )


def label_form(market: str, *, on: date) -> LabelForm | None:
    """Return how a strength is written on a label in a market."""
    return _first(LabelForm, market, on)


def contents_error(market: str, *, on: date) -> ContentsError | None:
    """Return how far the contents of a bottle may fall short in a market."""
    return _first(ContentsError, market, on)


def excise_unit(jurisdiction: str, *, on: date) -> ExciseUnit | None:
    """Return the unit in which a place reckons its duty."""
    return _first(ExciseUnit, jurisdiction, on)


def sea_schedule(un_number: int, *, on: date) -> SeaSchedule | None:
    """Return the emergency schedules of a UN number at sea."""
    listed = rules_of(SeaSchedule, on=on)
    return next((found for found in listed if found.un_number == un_number), None)


def flash_points_c(strength_percent: float, *, on: date) -> tuple[tuple[FlashPoints, float], ...]:
    """Return what each table says of the flash point at a strength, for orientation only.

    Examples
    --------
    >>> [round(celsius) for _, celsius in flash_points_c(80.0, on=date(2027, 1, 4))]
    [20, 20]
    """
    found = ((table, table.at(strength_percent)) for table in rules_of(FlashPoints, on=on))
    return tuple((table, celsius) for table, celsius in found if celsius is not None)


def at_sea(line: DangerousGoods, strength_percent: float, *, on: date) -> tuple[str, ...]:
    """Return what a document for the sea says of a cargo: no tunnel, but schedules and flash point.

    Parameters
    ----------
    line : one of :func:`dangerous_goods_lines`.
    strength_percent : of the cargo [% vol].
    """
    said = [line.sea_line]
    schedule = sea_schedule(line.un_number, on=on)
    if schedule is not None:
        said.append(
            f"emergency schedules {schedule.fire}, {schedule.spillage}; stowage category"
            f" {schedule.stowage} [{schedule.citation}]"
        )
    points = flash_points_c(strength_percent, on=on)
    if points:
        degrees = sorted({round(celsius) for _, celsius in points})
        about = " to ".join(f"{one}" for one in (degrees[0], degrees[-1])[: len(degrees)])
        sources = "; ".join(table.source for table, _ in points)
        said.append(f"flash point about {about} degC, for orientation: measure it [{sources}]")
    return tuple(said)


def statements(jurisdiction: str, topic: str, *, on: date) -> tuple[Statement, ...]:
    """Return the statements on a topic that hold somewhere, the place's own first."""
    return tuple(one for one in _nearest(Statement, jurisdiction, on) if one.topic == topic)


def applying(jurisdictions: Iterable[str], *, on: date) -> tuple[Rule, ...]:
    """Return every rule in force on a day in any of some places, in the order of the files.

    Wider rules are included; what holds everywhere, too, and the codes on dangerous goods.
    """
    places = {wide for one in jurisdictions for wide in wider_jurisdictions(one)}
    places |= {"ALL", "ADR", "IMDG", "OIV"}
    return tuple(one for one in all_rules() if one.jurisdiction in places and one.holds_on(on))


def loss_allowance(jurisdiction: str, *, on: date) -> LossAllowance | None:
    """Return what may be lost in transit; its per cent is None where none is set."""
    return _first(LossAllowance, jurisdiction, on)


def journey_limit(jurisdiction: str, mode: TransportMode, *, on: date) -> JourneyLimit | None:
    """Return the longest journey under suspension by a mode of transport."""
    return next(
        (found for found in _nearest(JourneyLimit, jurisdiction, on) if found.mode == mode), None
    )


def quantity_rounding(jurisdiction: str, *, on: date) -> QuantityRounding | None:
    """Return how the authority rounds quantities in its accounts."""
    return _first(QuantityRounding, jurisdiction, on)


def money_rounding(jurisdiction: str, *, on: date) -> MoneyRounding | None:
    """Return how the authority rounds duty."""
    return _first(MoneyRounding, jurisdiction, on)


def strength_exemption(*, on: date, code: str = "ADR") -> StrengthExemption | None:
    """Return up to which strength a liquid is not subject to the code on dangerous goods."""
    return next(iter(rules_of(StrengthExemption, on=on, jurisdiction=code)), None)


def dangerous_goods_lines(
    strength_percent: float,
    cargo: Literal["alcoholic beverage", "ethanol"],
    *,
    on: date,
    flash_point_c: float | None = None,
    code: str = "ADR",
) -> tuple[DangerousGoods, ...]:
    """Return the lines of the list of dangerous goods that come into question.

    Parameters
    ----------
    strength_percent : [% vol at 20 degC], 0..100.
    cargo : a beverage has one line by strength; neutral alcohol has its packing group by flash
        point, and both lines are returned where that is not given.
    on : the day.
    flash_point_c : measured [degC].
    code : ADR.

    Returns
    -------
    tuple : empty where the strength is exempt. Show ``DANGEROUS_GOODS_CAUTION`` with it.

    Raises
    ------
    OutOfRangeError
        For strengths outside 0..100, NaN included.
    """
    if not 0.0 <= strength_percent <= 100.0:
        raise OutOfRangeError("strength", strength_percent, 0.0, 100.0, "% vol", code)
    exempt = strength_exemption(on=on, code=code)
    if exempt is not None and strength_percent <= exempt.up_to_percent:
        return ()
    return tuple(
        line
        for line in rules_of(DangerousGoods, on=on, jurisdiction=code)
        if line.cargo == cargo
        and line.above_percent < strength_percent <= line.up_to_percent
        and _flash_point_fits(line, flash_point_c)
    )


def cleaning_codes(*, on: date) -> tuple[CleaningCode, ...]:
    """Return the codes of cleaning documents that matter for spirit."""
    return rules_of(CleaningCode, on=on)


def cleaning_age(*, on: date) -> CleaningAge | None:
    """Return how old a cleaning may be when a tank is filled."""
    return next(iter(rules_of(CleaningAge, on=on)), None)


def prior_cargoes(text: str, *, on: date) -> tuple[PriorCargo, ...]:
    """Return the entries of the list of last cargoes that a cargo's name falls under.

    Whole words count, whatever their case; barred ones come first, then those to be asked about.
    """
    order = ("barred", "ask", "accepted")
    found = [one for one in rules_of(PriorCargo, on=on) if _named(one.words, text)]
    return tuple(sorted(found, key=lambda one: order.index(one.verdict)))


def gasket_materials(text: str, *, on: date) -> tuple[GasketMaterial, ...]:
    """Return the entries of the list of gaskets that a name falls under, unsuited ones first."""
    found = [one for one in rules_of(GasketMaterial, on=on) if _named(one.words, text)]
    return tuple(sorted(found, key=lambda one: one.suited))


def _named(words: tuple[str, ...], text: str) -> bool:
    return any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text, re.IGNORECASE) for word in words)


def cautions(*, on: date, topic: str = "caution") -> tuple[Statement, ...]:
    """Return the statements on a topic: by default the usual cautions."""
    return tuple(found for found in rules_of(Statement, on=on) if found.topic == topic)


Work = Literal["loading", "receiving", "sampling", "bench"]

CAUTIONS_OF: dict[Work, tuple[str, ...]] = {
    "loading": ("vapour", "earthing", "filling_speed", "stop_fill", "waiting", "gear", "emergency"),
    "receiving": ("vapour", "earthing", "discharge", "stop_fill", "waiting", "gear", "emergency"),
    "sampling": ("entry", "vapour", "earthing", "waiting", "gear", "local"),
    "bench": ("vapour", "local"),
}
"""What a paper for some work prints of the cautions, in the order of the work."""


def cautions_of(work: Work, *, on: date) -> tuple[Statement, ...]:
    """Return the cautions that belong to some work; each is defined once, with its source."""
    found = {one.id.removeprefix("caution."): one for one in cautions(on=on)}
    return tuple(found[name] for name in CAUTIONS_OF[work])


def _flash_point_fits(line: DangerousGoods, flash_point_c: float | None) -> bool:
    if flash_point_c is None:
        return True
    below, since = line.flash_point_below_c, line.flash_point_from_c
    return (below is None or flash_point_c < below) and (since is None or flash_point_c >= since)


def _nearest(kind: type[Found], jurisdiction: str, on: date) -> list[Found]:
    """Return the rules of a kind, the place's own first, then wider ones."""
    return [
        found
        for place in wider_jurisdictions(jurisdiction)
        for found in rules_of(kind, on=on, jurisdiction=place)
    ]


def _first(kind: type[Found], jurisdiction: str, on: date) -> Found | None:
    return next(iter(_nearest(kind, jurisdiction, on)), None)
