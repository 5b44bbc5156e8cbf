"""The plan as plain rows: what is bought, made, sent, stocked, served, owed and at risk.

This module owns the shape of an answer and nothing else: no solver, no files. Each row is declared
here only: ``plan.json`` and its JSON Schema (`bulkflow.plan.schema`), data frames, CSV and the
sheets of the workbook follow. Within a version of that document fields may be added, never renamed,
dropped or given another meaning.

Amounts are LPA at 20 degC unless the name says litres; money is in the workspace's currency.
``origin_class`` is ``any`` where no market bars what the liquid was made from, else ``not-for:``
and the markets. Periods count from 1.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import count
from typing import Annotated, Any, NamedTuple, get_type_hints

from pydantic import Field, GetCoreSchemaHandler
from pydantic_core import core_schema

__all__ = [
    "CargoPart",
    "CostBreakdown",
    "DemandServed",
    "DutyDue",
    "FeintsSale",
    "GuaranteeUse",
    "InputTaken",
    "LetDown",
    "LoadKind",
    "PeriodNumber",
    "Plan",
    "PlannedLoad",
    "Proof",
    "Purchase",
    "RulePrice",
    "Run",
    "ServedFrom",
    "StockLevel",
    "TankSetting",
    "Vatting",
    "free_load_name",
]


PeriodNumber = Annotated[int, Field(ge=0)]


class _AsObject:
    """A named tuple that stands in a document as an object, its fields as keys."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        keys = get_type_hints(source)
        shape = core_schema.typed_dict_schema(
            {
                name: core_schema.typed_dict_field(handler.generate_schema(kind))
                for name, kind in keys.items()
            },
            extra_behavior="forbid",
        )
        return core_schema.no_info_before_validator_function(
            lambda row: dict(zip(keys, row, strict=True)) if isinstance(row, tuple) else row,
            core_schema.no_info_after_validator_function(lambda row: source(**row), shape),
            serialization=core_schema.plain_serializer_function_ser_schema(
                lambda row: row._asdict(), return_schema=shape
            ),
        )


class LoadKind(StrEnum):
    """Why a load is in the plan."""

    PLANNED = "planned"
    PROMISED = "promised"
    FROZEN = "frozen"
    UNDER_WAY = "under_way"


@dataclass(frozen=True, slots=True)
class CargoPart:
    """What one tank, or one compartment of it, carries."""

    liquid: str
    origin_class: Annotated[
        str, Field(description="'any', or 'not-for:' and the markets that bar it")
    ]
    lpa: float
    litres_20c: Annotated[
        float, Field(description="litres at 20 degC at the strength of the liquid")
    ]
    capacity_litres: Annotated[float, Field(description="of the tank or compartment")]


@dataclass(frozen=True, slots=True)
class PlannedLoad:
    """One tank journey."""

    load_id: str
    lane: str
    origin: str
    destination: str
    tank_type: str
    kind: LoadKind
    period: Annotated[
        int,
        Field(description="of sending; 0 for loads under way when the plan starts"),
    ]
    loading_day: date
    leaving_day: date
    arrival_day: date
    discharge_day: date
    usable_day: date
    usable_period: Annotated[int, Field(description="may lie beyond the last period")]
    parts: tuple[CargoPart, ...]
    waits_periods: Annotated[
        int,
        Field(ge=0, description="for which it stands full at the receiver, to be discharged"),
    ] = 0

    @property
    def lpa(self) -> float:
        """LPA loaded, all parts together."""
        return sum(part.lpa for part in self.parts)


_LANE_PART = 28  # characters of a load's name, so that it stays a name of a workspace too


def free_load_name(lane: str, loading_day: date, taken: Collection[str]) -> str:
    """Return the first name of a load of a lane and day that is not taken."""
    stem = f"{lane[:_LANE_PART]}-{loading_day:%y%m%d}"
    return next(name for n in count(1) if (name := f"{stem}-{n}") not in taken)


@dataclass(frozen=True, slots=True)
class Purchase:
    """LPA bought of one liquid from one supplier in one period and price tier."""

    supplier: str
    liquid: str
    period: PeriodNumber
    tier: Annotated[int, Field(ge=0, description="price tier of the contract, from 0")]
    lpa: float
    price_per_lpa: float


class InputTaken(NamedTuple):
    """LPA of one liquid taken by a run or a let-down."""

    liquid: str
    origin_class: str
    lpa: float


@dataclass(frozen=True, slots=True)
class Run:
    """Charges of one recipe on one still in one period, by classes of the inputs."""

    site: str
    still: str
    recipe: str
    period: PeriodNumber
    charges: Annotated[float, Field(description="whole, except on a continuous still")]
    inputs: tuple[Annotated[InputTaken, _AsObject()], ...]
    makes: str
    origin_class: str
    hearts_lpa: float
    feints_lpa: float


@dataclass(frozen=True, slots=True)
class LetDown:
    """LPA of one liquid made by letting down at a site in a period."""

    site: str
    recipe: str
    period: PeriodNumber
    inputs: tuple[Annotated[InputTaken, _AsObject()], ...]
    makes: str
    origin_class: str
    lpa: float


@dataclass(frozen=True, slots=True)
class Vatting:
    """Whole vattings (lots to be judged) made in a period, released in ``release_period``."""

    site: str
    liquid: str
    origin_class: str
    period: PeriodNumber
    lots: int
    lpa: float
    release_period: int


@dataclass(frozen=True, slots=True)
class StockLevel:
    """Stock at a site at the end of a period (period 0: the opening)."""

    site: str
    liquid: str
    origin_class: str
    period: PeriodNumber
    released_lpa: float
    hearts_lpa: Annotated[float, Field(description="made, not yet vatted")]
    unreleased_lpa: Annotated[
        float, Field(description="vatted, not yet released; or in its check at arrival")
    ]


@dataclass(frozen=True, slots=True)
class TankSetting:
    """What a tank is set to in a period."""

    site: str
    tank: str
    period: PeriodNumber
    liquid: str
    origin_class: str
    changed: Annotated[
        bool, Field(description="whether it was changed to this liquid in this period")
    ]


class ServedFrom(NamedTuple):
    """LPA of one origin class given to a demand."""

    origin_class: str
    lpa: float


@dataclass(frozen=True, slots=True)
class DemandServed:
    """Demand of a site, liquid, market and priority in a period and what became of it."""

    site: str
    liquid: str
    market: Annotated[str, Field(description="'' where none is named")]
    priority: str
    period: PeriodNumber
    demand_lpa: float
    served: tuple[Annotated[ServedFrom, _AsObject()], ...]
    open_lpa: Annotated[float, Field(description="backlog at the end of the period, or lost in it")]


@dataclass(frozen=True, slots=True)
class FeintsSale:
    """LPA of feints sold at a site in a period."""

    site: str
    liquid: str
    origin_class: str
    period: PeriodNumber
    lpa: float


@dataclass(frozen=True, slots=True)
class GuaranteeUse:
    """Duty at risk against a guarantee in a period, in the workspace's currency."""

    guarantee: str
    period: PeriodNumber
    used: float
    limit: float


@dataclass(frozen=True, slots=True)
class DutyDue:
    """Duty falling due on an arrival at a duty-paid site, in the workspace's currency."""

    site: str
    load_id: str
    liquid: str
    period: PeriodNumber
    lpa: float
    amount: float
    payable_on: date


@dataclass(frozen=True, slots=True)
class CostBreakdown:
    """The objective by part (eq. 28), in the workspace's currency."""

    spirit: float
    making: float
    freight: float
    handling: float
    capital: float
    change: float
    shortage: float
    floors: float
    sales: float
    hire: Annotated[float, Field(description="of tanks that stand full at the receiver")] = 0.0

    @property
    def total(self) -> float:
        """Cost of the plan: all parts, less sales."""
        return (
            self.spirit
            + self.making
            + self.freight
            + self.hire
            + self.handling
            + self.capital
            + self.change
            + self.shortage
            + self.floors
            - self.sales
        )

    @property
    def changeable(self) -> float:
        """What the plan can change: freight, hire, handling, capital, change, short, floors."""
        return (
            self.freight
            + self.hire
            + self.handling
            + self.capital
            + self.change
            + self.shortage
            + self.floors
        )


@dataclass(frozen=True, slots=True)
class RulePrice:
    """What one unit more on the right-hand side of a rule would save.

    Parameters
    ----------
    rule, ref : the rows of the network.
    by_period, over_horizon : a rule has one or the other.
    """

    rule: str
    ref: str
    commodity: Annotated[str, Field(description="'' where the rule has none")]
    by_period: Annotated[tuple[float, ...], Field(description="money per unit, by period")]
    over_horizon: Annotated[
        float, Field(description="money per unit, of a rule over the whole horizon")
    ]


@dataclass(frozen=True, slots=True)
class Proof:
    """How good the plan is known to be. ``bound``: no plan can cost less.

    Parameters
    ----------
    prices : those the bound was proved with, where it was proved by prices; planning again
        starts from them.
    repairs : what was done so that the plan holds exactly, in words.
    """

    cost: float
    bound: float
    solver: str
    seconds: float
    interrupted: bool
    columns: int
    rows: int
    rows_added: int
    prices: tuple[RulePrice, ...] = ()
    repairs: tuple[str, ...] = ()

    @property
    def gap(self) -> float:
        """(cost - bound) / |cost|, 0 for a plan that costs nothing."""
        return max(0.0, self.cost - self.bound) / abs(self.cost) if self.cost else 0.0

    def gap_over(self, changeable: float) -> float:
        """Return the same difference over what the plan can change; inf where that is 0."""
        difference = max(0.0, self.cost - self.bound)
        if difference == 0.0:
            return 0.0
        return difference / changeable if changeable > 0 else float("inf")


@dataclass(frozen=True, slots=True)
class Plan:
    """A complete plan over the horizon; the quarter is ``quarter_periods`` of it."""

    scenario_name: str
    currency: str
    quarter_periods: int
    period_starts: tuple[date, ...]
    loads: tuple[PlannedLoad, ...]
    purchases: tuple[Purchase, ...]
    runs: tuple[Run, ...]
    let_downs: tuple[LetDown, ...]
    vattings: tuple[Vatting, ...]
    stocks: tuple[StockLevel, ...]
    tank_settings: tuple[TankSetting, ...]
    demand: tuple[DemandServed, ...]
    feints_sales: tuple[FeintsSale, ...]
    guarantee_use: tuple[GuaranteeUse, ...]
    duty_due: tuple[DutyDue, ...]
    costs: CostBreakdown
    proof: Proof
