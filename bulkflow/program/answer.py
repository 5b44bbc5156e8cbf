"""The plan as plain rows: what is bought, made, sent, stocked, served, owed and at risk.

This module owns the shape of an answer and nothing else: no solver, no files. Amounts are LPA at
20 degC unless the name says litres; money is in the workspace's currency. ``origin_class`` is
``any`` where no market bars what the liquid was made from, else ``not-for:`` and the markets.
Periods count from 1.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import count

__all__ = [
    "CargoPart",
    "CostBreakdown",
    "DemandServed",
    "DutyDue",
    "FeintsSale",
    "GuaranteeUse",
    "LetDown",
    "LoadKind",
    "Plan",
    "PlannedLoad",
    "Proof",
    "Purchase",
    "RulePrice",
    "Run",
    "StockLevel",
    "TankSetting",
    "Vatting",
    "free_load_name",
]


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
    origin_class: str
    lpa: float
    litres_20c: float
    capacity_litres: float


@dataclass(frozen=True, slots=True)
class PlannedLoad:
    """One tank journey. ``usable_period`` may lie beyond the horizon.

    ``waits_periods`` : for how long it stands full at the receiver beyond the lane's own days.
    """

    load_id: str
    lane: str
    origin: str
    destination: str
    tank_type: str
    kind: LoadKind
    period: int
    loading_day: date
    leaving_day: date
    arrival_day: date
    discharge_day: date
    usable_day: date
    usable_period: int
    parts: tuple[CargoPart, ...]
    waits_periods: int = 0

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
    """LPA bought of one liquid from one supplier in one period and price tier (from 0)."""

    supplier: str
    liquid: str
    period: int
    tier: int
    lpa: float
    price_per_lpa: float


@dataclass(frozen=True, slots=True)
class Run:
    """Charges of one recipe on one still in one period, by classes of the inputs.

    Whole, except on a continuous still.
    """

    site: str
    still: str
    recipe: str
    period: int
    charges: float
    inputs: tuple[tuple[str, str, float], ...]
    makes: str
    origin_class: str
    hearts_lpa: float
    feints_lpa: float


@dataclass(frozen=True, slots=True)
class LetDown:
    """LPA of one liquid made by letting down at a site in a period."""

    site: str
    recipe: str
    period: int
    inputs: tuple[tuple[str, str, float], ...]
    makes: str
    origin_class: str
    lpa: float


@dataclass(frozen=True, slots=True)
class Vatting:
    """Whole vattings (lots to be judged) made in a period, released in ``release_period``."""

    site: str
    liquid: str
    origin_class: str
    period: int
    lots: int
    lpa: float
    release_period: int


@dataclass(frozen=True, slots=True)
class StockLevel:
    """Stock of a commodity at a site at the end of a period (period 0: the opening).

    ``unreleased_lpa``: vatted and not yet released, or arrived and still in its check.
    """

    site: str
    liquid: str
    origin_class: str
    period: int
    released_lpa: float
    hearts_lpa: float
    unreleased_lpa: float


@dataclass(frozen=True, slots=True)
class TankSetting:
    """What a tank is set to in a period, and whether it was changed to it then."""

    site: str
    tank: str
    period: int
    liquid: str
    origin_class: str
    changed: bool


@dataclass(frozen=True, slots=True)
class DemandServed:
    """Demand of a site, liquid, market and priority in a period and what became of it.

    ``served`` pairs origin class and LPA. ``open_lpa`` is the backlog at the end of the period
    (carried) or what was lost in it (lost).
    """

    site: str
    liquid: str
    market: str
    priority: str
    period: int
    demand_lpa: float
    served: tuple[tuple[str, float], ...]
    open_lpa: float


@dataclass(frozen=True, slots=True)
class FeintsSale:
    """LPA of feints sold at a site in a period."""

    site: str
    liquid: str
    origin_class: str
    period: int
    lpa: float


@dataclass(frozen=True, slots=True)
class GuaranteeUse:
    """Duty at risk against a guarantee in a period, in the workspace's currency."""

    guarantee: str
    period: int
    used: float
    limit: float


@dataclass(frozen=True, slots=True)
class DutyDue:
    """Duty falling due on an arrival at a duty-paid site, in the workspace's currency."""

    site: str
    load_id: str
    liquid: str
    period: int
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
    hire: float = 0.0

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
    """What one unit more on the right-hand side of a rule would save, by period.

    Parameters
    ----------
    rule, ref, commodity : the rows of the network; commodity is "" where they have none.
    by_period, over_horizon : money of the plan per unit; a rule has one or the other.
    """

    rule: str
    ref: str
    commodity: str
    by_period: tuple[float, ...]
    over_horizon: float


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
