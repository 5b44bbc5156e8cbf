"""The shapes of a rule: every one dated, sourced, and honest about how its figure is known.

Rules are facts of law and trade, kept as data (``*.yaml`` beside this module) and read by
:mod:`bulkflow.rules.reader`. They are offered to the user with their source; no rule here is
legal advice.
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = [
    "AnyRule",
    "Basis",
    "BottleSizes",
    "CleaningAge",
    "CleaningCode",
    "Contaminant",
    "ContentsBand",
    "ContentsError",
    "DangerousGoods",
    "DutySchedule",
    "ExciseUnit",
    "Figure",
    "FlashPoints",
    "GasketMaterial",
    "JourneyLimit",
    "LabelForm",
    "LabelTolerance",
    "LossAllowance",
    "MethodPrecision",
    "MoneyRounding",
    "PriorCargo",
    "QuantityRounding",
    "ReferenceTemperature",
    "RoundingMode",
    "Rule",
    "SeaSchedule",
    "Statement",
    "StrengthExemption",
    "StrengthLimit",
    "SubstanceLimit",
    "TransportMode",
    "WeightLimit",
]

Text = Annotated[str, Field(min_length=1, max_length=400)]
Percent = Annotated[float, Field(ge=0.0, le=100.0, allow_inf_nan=False)]
Amount = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


TransportMode = Literal[
    "sea", "road", "rail", "air", "post", "fixed installations", "inland waterway", "other"
]


class Basis(StrEnum):
    """How the figure of a rule is known."""

    SEEN = "published (seen)"
    MEMORY = "from memory"
    COMPUTED = "computed"


class RoundingMode(StrEnum):
    """What happens to what is left below the quantum."""

    HALF_UP = "half_up"
    DOWN = "down"


class Rule(BaseModel):
    """What all rules share.

    Parameters
    ----------
    id : stable name; several versions of it hold one after the other.
    jurisdiction : ISO 3166 code of a country, or EU, XI, ADR, IMDG, ALL.
    title : what it is about, in words.
    basis : how the figure is known.
    source : law, standard, notice or 'common practice'.
    read_from : official page, a copy of the text, or somebody's summary; None from memory.
    as_of : day for which the source gives the figure (the first day of a month or a year where
        no more is known); None where it gives none.
    first_day, last_day : window in which it is in force, both included; None for open.
    note : what else to know.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: Annotated[str, Field(pattern=r"^[a-z0-9_.]+$")]
    jurisdiction: Annotated[str, Field(pattern=r"^[A-Z]{2,4}$")]
    title: Text
    basis: Basis
    source: Text
    read_from: Literal["official", "copy", "summary"] | None = None
    as_of: date | None = None
    first_day: date | None = None
    last_day: date | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.first_day and self.last_day and self.first_day > self.last_day:
            raise ValueError("first_day is after last_day")
        if (self.basis is Basis.SEEN) != (self.read_from is not None):
            raise ValueError("read_from goes with the basis 'published (seen)', and only with it")
        return self

    def holds_on(self, day: date) -> bool:
        """Return whether the rule is in force on a day."""
        return (self.first_day is None or self.first_day <= day) and (
            self.last_day is None or day <= self.last_day
        )

    @property
    def citation(self) -> str:
        """Source, basis and date in one line, to stand beside the figure wherever it is shown."""
        parts = [self.source, self.basis.value]
        if self.as_of is not None:
            parts.append(f"as of {self.as_of.isoformat()}")
        return "; ".join(parts)


class Statement(Rule):
    """A rule that is words."""

    kind: Literal["statement"]
    topic: Text
    text: Text


class StrengthLimit(Rule):
    """Strengths at which a product may be bottled, charged or called so [% vol]."""

    kind: Literal["strength"]
    product: Text
    minimum_percent: Percent | None = None
    maximum_percent: Percent | None = None


class SubstanceLimit(Rule):
    """The most of a substance in a product [g per hl of pure alcohol]."""

    kind: Literal["substance_limit"]
    product: Text
    substance: Text
    maximum: Positive | None = None
    not_detectable: bool = False

    @model_validator(mode="after")
    def _one_limit(self) -> Self:
        if (self.maximum is None) != self.not_detectable:
            raise ValueError("give a maximum, or not_detectable")
        return self


class BottleSizes(Rule):
    """Permitted nominal contents [ml]; an empty list leaves every size open.

    Where ``fixed_from_ml`` and ``fixed_to_ml`` are given the list binds between them only.
    """

    kind: Literal["bottle_sizes"]
    millilitres: tuple[Positive, ...]
    fixed_from_ml: Positive | None = None
    fixed_to_ml: Positive | None = None

    def allows(self, millilitres: float) -> bool:
        """Return whether a nominal size may be sold."""
        outside = (self.fixed_from_ml is not None and millilitres < self.fixed_from_ml) or (
            self.fixed_to_ml is not None and millilitres > self.fixed_to_ml
        )
        return not self.millilitres or outside or millilitres in self.millilitres


class ContentsBand(BaseModel):
    """Tolerable negative error of contents between two nominal sizes: per cent or ml."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    from_ml: Positive
    to_ml: Positive
    percent: Positive | None = None
    millilitres: Positive | None = None

    @model_validator(mode="after")
    def _one_error(self) -> Self:
        if (self.percent is None) == (self.millilitres is None):
            raise ValueError("give per cent or millilitres")
        return self


class ContentsError(Rule):
    """Tolerable negative error of contents by nominal size."""

    kind: Literal["contents_error"]
    bands: Annotated[tuple[ContentsBand, ...], Field(min_length=1)]

    def tolerable_ml(self, nominal_ml: float) -> float | None:
        """Return the error for a nominal size [ml]; None where no band reaches."""
        for band in self.bands:
            if band.from_ml <= nominal_ml <= band.to_ml:
                if band.percent is not None:
                    return nominal_ml * band.percent / 100.0
                return band.millilitres
        return None


class LabelTolerance(Rule):
    """How far the strength in the bottle may lie from the strength on the label."""

    kind: Literal["label_tolerance"]
    plus_minus: Positive
    unit: Literal["% vol", "% of the declared strength"]
    drop_only: bool = False

    def percent_vol(self, declared_percent: float) -> float:
        """Return the tolerance in % vol for a declared strength."""
        if self.unit == "% vol":
            return self.plus_minus
        return self.plus_minus / 100.0 * declared_percent


class ReferenceTemperature(Rule):
    """The temperature to which a legal strength refers [degC]."""

    kind: Literal["reference_temperature"]
    celsius: Annotated[float, Field(ge=0.0, le=40.0)]


class DutySchedule(Rule):
    """A rate of excise duty, in the way the authority states it.

    ``per_lpa``: per litre of pure alcohol at 20 degC. ``per_litre``: per litre of product.
    ``by_value_percent``: per cent of value. ``per_litre_degree``: per litre and % vol.
    ``per_proof_gallon``: per US proof gallon. ``per_litre_stepped``: per litre of product up to
    a degree, and so much more for every further whole degree.
    """

    kind: Literal["duty_schedule"]
    schedule: Literal[
        "per_lpa",
        "per_litre",
        "by_value_percent",
        "per_litre_degree",
        "per_proof_gallon",
        "per_litre_stepped",
    ]
    rate: Amount
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
    up_to_degree: Percent | None = None
    rate_per_further_degree: Amount | None = None
    quota_proof_gallons: Positive | None = None
    floor_only: bool = False

    @model_validator(mode="after")
    def _steps(self) -> Self:
        stepped = self.schedule == "per_litre_stepped"
        given = self.up_to_degree is not None and self.rate_per_further_degree is not None
        if stepped != given:
            raise ValueError("up_to_degree and rate_per_further_degree go with per_litre_stepped")
        return self


class LossAllowance(Rule):
    """How much may be lost before an authority asks; no per cent where none is set."""

    kind: Literal["loss_allowance"]
    percent: Percent | None = None
    of_what: Text
    consequence: Text | None = None


class JourneyLimit(Rule):
    """The longest journey under duty suspension, by mode of transport [days]."""

    kind: Literal["journey_limit"]
    mode: TransportMode
    days: Annotated[int, Field(ge=1)]


class QuantityRounding(Rule):
    """How an authority rounds a quantity in its accounts."""

    kind: Literal["quantity_rounding"]
    unit: Text
    quantum: Annotated[Decimal, Field(gt=0)]
    mode: RoundingMode


class MoneyRounding(Rule):
    """How an authority rounds an amount of duty."""

    kind: Literal["money_rounding"]
    quantum: Annotated[Decimal, Field(gt=0)]
    mode: RoundingMode


class DangerousGoods(Rule):
    """One line of the list of dangerous goods, with the strengths it is for [% vol]."""

    kind: Literal["dangerous_goods"]
    un_number: Annotated[int, Field(ge=1, le=9999)]
    cargo: Literal["alcoholic beverage", "ethanol"]
    proper_name: Text
    above_percent: Percent
    up_to_percent: Percent
    flash_point_below_c: float | None = None
    flash_point_from_c: float | None = None
    hazard_class: Text
    classification_code: Text
    packing_group: Literal["I", "II", "III"]
    hazard_number: int
    special_provisions: tuple[int, ...]
    tank_code: Text
    portable_tank: Text
    vehicle: Text
    tunnel_code: Text
    transport_category: int
    limited_quantity: Text

    @property
    def document_line(self) -> str:
        """The particulars in the order of a transport document (ADR 5.4.1.1.1)."""
        return (
            f"UN {self.un_number} {self.proper_name}, {self.hazard_class}, {self.packing_group},"
            f" ({self.tunnel_code})"
        )

    @property
    def sea_line(self) -> str:
        """The particulars for sea: no tunnel code (IMDG 5.4.1.4)."""
        return (
            f"UN {self.un_number} {self.proper_name}, {self.hazard_class}, PG {self.packing_group}"
        )


class StrengthExemption(Rule):
    """Up to which strength a liquid is not subject to the code [% vol]."""

    kind: Literal["strength_exemption"]
    up_to_percent: Percent


class WeightLimit(Rule):
    """A mass: of a vehicle by law, of a tank container by its rating [kg]."""

    kind: Literal["weight_limit"]
    subject: Text
    kilograms: Positive


class CleaningCode(Rule):
    """One code of a cleaning document."""

    kind: Literal["cleaning_code"]
    code: Text
    meaning: Text


class PriorCargo(Rule):
    """What an earlier cargo of a tank means for potable spirit; ``words`` are what it is called.

    ``ask``: neither taken nor refused by the list; a person decides, with a reason.
    """

    kind: Literal["prior_cargo"]
    cargo: Text
    words: Annotated[tuple[Text, ...], Field(min_length=1)]
    verdict: Literal["accepted", "ask", "barred"]


class GasketMaterial(Rule):
    """Whether a gasket is suited to strong alcohol; ``words`` are what it is called."""

    kind: Literal["gasket_material"]
    material: Text
    words: Annotated[tuple[Text, ...], Field(min_length=1)]
    suited: bool


class CleaningAge(Rule):
    """The oldest cleaning that is taken, in days up to filling."""

    kind: Literal["cleaning_age"]
    maximum_days: Annotated[int, Field(ge=0)]


class LabelForm(Rule):
    """How a strength is written on a label: a pattern (case is no matter) and an example."""

    kind: Literal["label_form"]
    pattern: Text
    example: Text
    text: Text

    def follows(self, label: str) -> bool:
        """Return whether the words of a label that state its strength have the form."""
        return re.fullmatch(self.pattern, " ".join(label.split()), re.IGNORECASE) is not None


class ExciseUnit(Rule):
    """The unit in which duty is reckoned, in LPA by nominal volume; 0 where it is no amount.

    ``celsius`` is the temperature at which its strength and volume are taken.
    """

    kind: Literal["excise_unit"]
    unit: Text
    litres_of_pure_alcohol: Amount
    celsius: Annotated[float, Field(ge=0.0, le=40.0)]


class SeaSchedule(Rule):
    """Emergency schedules and stowage of a UN number at sea."""

    kind: Literal["sea_schedule"]
    un_number: Annotated[int, Field(ge=1, le=9999)]
    fire: Text
    spillage: Text
    stowage: Text


class FlashPoints(Rule):
    """Flash points [degC] by strength [%], for orientation: between the points linear."""

    kind: Literal["flash_points"]
    percent: Annotated[tuple[Percent, ...], Field(min_length=2)]
    celsius: tuple[float, ...]

    @model_validator(mode="after")
    def _pairs(self) -> Self:
        if len(self.percent) != len(self.celsius) or list(self.percent) != sorted(self.percent):
            raise ValueError("give a flash point for each per cent, in rising order")
        return self

    def at(self, strength_percent: float) -> float | None:
        """Return the flash point at a strength [degC]; None where the table does not reach."""
        for (low, low_c), (high, high_c) in pairwise(zip(self.percent, self.celsius, strict=True)):
            if low <= strength_percent <= high:
                return low_c + (high_c - low_c) * (strength_percent - low) / (high - low)
        return None


class MethodPrecision(Rule):
    """How far results of a method on a kind of sample lie apart: r and R, in ``unit``."""

    kind: Literal["method_precision"]
    method: Text
    sample: Text
    about_percent: Percent | None = None
    repeatability: Positive
    reproducibility: Positive
    unit: Text


class Figure(Rule):
    """One number of a method, a study or a practice."""

    kind: Literal["figure"]
    quantity: Text
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: Text


class Contaminant(Rule):
    """The most of a contaminant in a product, in ``unit`` of the product as it is."""

    kind: Literal["contaminant"]
    substance: Text
    product: Text
    maximum: Positive
    unit: Literal["ug/kg", "mg/kg"]
    force: Literal["limit", "target", "voluntary", "action level"]


AnyRule = Annotated[
    Statement
    | StrengthLimit
    | SubstanceLimit
    | BottleSizes
    | ContentsError
    | LabelTolerance
    | ReferenceTemperature
    | DutySchedule
    | LossAllowance
    | JourneyLimit
    | QuantityRounding
    | MoneyRounding
    | DangerousGoods
    | StrengthExemption
    | WeightLimit
    | CleaningCode
    | PriorCargo
    | GasketMaterial
    | CleaningAge
    | LabelForm
    | ExciseUnit
    | SeaSchedule
    | FlashPoints
    | MethodPrecision
    | Figure
    | Contaminant,
    Field(discriminator="kind"),
]
