"""What a rule says, in one line, to stand beside its title and its source."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bulkflow.rules.model import (
    BottleSizes,
    CleaningAge,
    CleaningCode,
    Contaminant,
    ContentsError,
    DangerousGoods,
    DutySchedule,
    ExciseUnit,
    Figure,
    FlashPoints,
    GasketMaterial,
    JourneyLimit,
    LabelForm,
    LabelTolerance,
    LossAllowance,
    MethodPrecision,
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
    WeightLimit,
)

__all__ = ["says"]


def says(rule: Rule) -> str:
    """Return what a rule says in one line.

    Examples
    --------
    >>> from datetime import date
    >>> from bulkflow.rules.reader import rule
    >>> says(rule("eu.gin.strength", on=date(2027, 1, 4)))
    'gin: at least 37.5 % vol'
    """
    return _WORDS[type(rule)](rule)


def _strength(rule: StrengthLimit) -> str:
    parts = []
    if rule.minimum_percent is not None:
        parts.append(f"at least {rule.minimum_percent:g} % vol")
    if rule.maximum_percent is not None:
        parts.append(f"at most {rule.maximum_percent:g} % vol")
    return f"{rule.product}: {', '.join(parts) or 'no strength is fixed'}"


def _substance(rule: SubstanceLimit) -> str:
    most = "not detectable" if rule.maximum is None else f"at most {rule.maximum:g} g/hl pa"
    return f"{rule.product}: {rule.substance} {most}"


def _sizes(rule: BottleSizes) -> str:
    if not rule.millilitres:
        return "any size"
    listed = ", ".join(f"{size:g}" for size in rule.millilitres)
    if rule.fixed_from_ml is None or rule.fixed_to_ml is None:
        return f"{listed} ml"
    return f"{listed} ml from {rule.fixed_from_ml:g} to {rule.fixed_to_ml:g} ml; beyond, any"


def _contents(rule: ContentsError) -> str:
    return "; ".join(
        f"{band.from_ml:g} to {band.to_ml:g} ml "
        + (f"{band.millilitres:g} ml" if band.percent is None else f"{band.percent:g} %")
        for band in rule.bands
    )


def _duty(rule: DutySchedule) -> str:
    how = rule.schedule.replace("_", " ")
    said = f"{rule.rate:g} {rule.currency} {how}"
    if rule.up_to_degree is not None:
        said += (
            f" up to {rule.up_to_degree:g} degrees, {rule.rate_per_further_degree:g} a degree more"
        )
    return said + (" (least rate)" if rule.floor_only else "")


def _loss(rule: LossAllowance) -> str:
    share = "no figure" if rule.percent is None else f"{rule.percent:g} % of {rule.of_what}"
    return share if rule.consequence is None else f"{share}. {rule.consequence}"


def _goods(rule: DangerousGoods) -> str:
    special = ", ".join(map(str, rule.special_provisions)) or "none"
    return f"{rule.document_line}; special provisions {special}; tank {rule.tank_code}"


_WORDS: dict[type[Rule], Callable[[Any], str]] = {
    Statement: lambda rule: rule.text,
    StrengthLimit: _strength,
    SubstanceLimit: _substance,
    BottleSizes: _sizes,
    ContentsError: _contents,
    LabelTolerance: lambda rule: (
        f"{rule.plus_minus:g} {rule.unit} either way"
        if not rule.drop_only
        else f"{rule.plus_minus:g} {rule.unit} below"
    ),
    LabelForm: lambda rule: f"{rule.text} For example: {rule.example}",
    ReferenceTemperature: lambda rule: f"{rule.celsius:.4g} degC",
    ExciseUnit: lambda rule: f"{rule.unit}, at {rule.celsius:.4g} degC",
    DutySchedule: _duty,
    LossAllowance: _loss,
    JourneyLimit: lambda rule: f"{rule.mode}: {rule.days} days",
    QuantityRounding: lambda rule: f"{rule.unit} to {rule.quantum}, {rule.mode.value}",
    MoneyRounding: lambda rule: f"money to {rule.quantum}, {rule.mode.value}",
    DangerousGoods: _goods,
    SeaSchedule: lambda rule: (
        f"UN {rule.un_number}: {rule.fire}, {rule.spillage}; stowage {rule.stowage}"
    ),
    FlashPoints: lambda rule: (
        ", ".join(
            f"{percent:g} %: {celsius:g}"
            for percent, celsius in zip(rule.percent, rule.celsius, strict=True)
        )
        + " degC"
    ),
    StrengthExemption: lambda rule: f"up to {rule.up_to_percent:g} % vol",
    WeightLimit: lambda rule: f"{rule.subject}: {rule.kilograms:,.0f} kg",
    CleaningCode: lambda rule: f"{rule.code}: {rule.meaning}",
    PriorCargo: lambda rule: f"{rule.cargo}: {rule.verdict}",
    GasketMaterial: lambda rule: f"{rule.material}: {'suited' if rule.suited else 'not suited'}",
    CleaningAge: lambda rule: f"at most {rule.maximum_days} days",
    MethodPrecision: lambda rule: (
        f"{rule.method}, {rule.sample}: r {rule.repeatability:g},"
        f" R {rule.reproducibility:g} {rule.unit}"
    ),
    Figure: lambda rule: f"{rule.quantity}: {rule.value:g} {rule.unit}",
    Contaminant: lambda rule: (
        f"{rule.product}: {rule.substance} {rule.maximum:g} {rule.unit} ({rule.force})"
    ),
}
