"""The typed workspace: every thing a planner can say, and in which unit.

This module owns the shape of ``scenario.yaml``; the rows of the tables beside it are in
``bulkflow.scenario.rows``. It reads no files (``bulkflow.scenario.reader`` does) and judges no
sense across records (``bulkflow.scenario.checks`` does). Keys carry their unit; an unknown key is
an error. What each rule *means* in the plan is written once, in ``bulkflow/program/README.md``.

Quantities: LPA are litres of pure alcohol at 20 degC; litres of a liquid are at 20 degC and at
the strength stored; strengths are % vol at 20 degC; money is in the currency named beside it, or
in the workspace's own; a percentage is 0..100.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from bulkflow.scenario.rows import (
    DemandRow,
    ExchangeRateRow,
    IssuedLoadRow,
    LoadRow,
    LoadState,
    Lot,
    LotStatus,
    OpeningStockRow,
    PriceRow,
    Record,
)
from bulkflow.scenario.values import (
    Amount,
    Count,
    CurrencyCode,
    Day,
    Days,
    Id,
    Latitude,
    Longitude,
    Percent,
    Positive,
    PositiveCount,
    Strength,
    Temperature,
    Text,
    Weekday,
    YesNo,
)

__all__ = [
    "ArrivalCheck",
    "Authority",
    "Calendar",
    "Closure",
    "Compartment",
    "Contract",
    "DemandRow",
    "DutyRate",
    "ExchangeRateRow",
    "Finance",
    "Fleet",
    "Guarantee",
    "IssuedLoadRow",
    "Lane",
    "LaneTank",
    "Leg",
    "Liquid",
    "LoadRow",
    "LoadState",
    "Lot",
    "LotStatus",
    "Market",
    "OpeningStockRow",
    "PriceRow",
    "PriceTier",
    "Priority",
    "Product",
    "Recipe",
    "RecipeInput",
    "Record",
    "Release",
    "Sailings",
    "Scenario",
    "Site",
    "SiteKind",
    "Still",
    "StockPolicy",
    "Supplier",
    "Tank",
    "TankType",
    "Waiting",
]


class SiteKind(StrEnum):
    """What a site does for the producer."""

    DISTILLERY = "distillery"
    DEPOT = "depot"
    BOTTLER = "bottler"


class Closure(Record):
    """Days (both included) on which a site, port or still does not work."""

    first_day: Day
    last_day: Day
    reason: Text = "closed"


class Calendar(Record):
    """Periods of equal length; the quarter is reported, the rest keeps its end honest."""

    start: Day
    period_days: Annotated[int, Field(strict=True, ge=1, le=31)] = 7
    quarter_periods: Annotated[int, Field(strict=True, ge=1, le=104)] = 13
    horizon_periods: Annotated[int, Field(strict=True, ge=1, le=160)]
    time_zone: Text = "UTC"


class Finance(Record):
    """Cost of capital; applied to stock, to liquid under way and to duty already paid."""

    capital_rate_percent_per_year: Percent = 0.0


class Liquid(Record):
    """A grade of neutral spirit, a distillate, or feints."""

    id: Id
    name: Text | None = None
    kind: Literal["neutral", "distillate", "feints"]
    strength_percent: Strength
    strength_tolerance_percent: Positive | None = None
    definition: Literal["gin", "distilled gin", "London gin"] | None = None
    lowest_clear_percent: Strength | None = None
    spirit_base: Id | None = None
    value_per_lpa: Amount = 0.0
    shelf_life_days: Annotated[int, Field(strict=True, ge=1)] | None = None
    past_life_cost_per_lpa: Positive | None = None
    density_15c_kg_per_m3: Positive | None = None
    density_50c_kg_per_m3: Positive | None = None


class RecipeInput(Record):
    """One liquid that goes into a recipe, by its share of the LPA charged."""

    liquid: Id
    share_percent_of_lpa: Strength


class Recipe(Record):
    """How one liquid is made: by distilling whole charges, or by letting down.

    ``distil``: a charge is ``Still.charge_litres`` at ``charge_strength_percent``; of its LPA
    ``hearts_percent_of_lpa`` becomes the liquid and ``feints_percent_of_lpa`` the feints liquid.
    ``let_down``: inputs are combined by LPA share at one of ``sites``; ``loss_percent`` is lost.
    """

    id: Id
    makes: Id
    method: Literal["distil", "let_down"]
    inputs: tuple[RecipeInput, ...] = Field(min_length=1)
    charge_strength_percent: Strength | None = None
    hearts_percent_of_lpa: Percent | None = None
    feints_percent_of_lpa: Percent = 0.0
    feints_liquid: Id | None = None
    days_to_vat: Days = 0
    sites: tuple[Id, ...] = ()
    loss_percent: Percent = 0.0
    cost_per_lpa_made: Amount = 0.0
    maximum_lpa_per_period: Amount | None = None


class PriceTier(Record):
    """Price of the LPA bought beyond ``from_lpa`` in the contract's life."""

    from_lpa: Amount
    price_per_lpa: Amount


class Contract(Record):
    """What a supplier sells of one liquid, how much of it, and at which price.

    Quantities hold over the periods that start within the contract's dates (all, where no dates
    are given). What is bought in a period is one order. ``prices`` rows of the workspace, where
    present, replace the price of tier one from their date on; later tiers keep their difference
    to tier one.
    """

    liquid: Id
    minimum_lpa: Amount = 0.0
    maximum_lpa: Amount | None = None
    maximum_lpa_per_period: Amount | None = None
    minimum_lpa_per_order: Amount = 0.0
    minimum_loads_per_order: Count = 0
    first_day: Day | None = None
    last_day: Day | None = None
    tiers: tuple[PriceTier, ...] = Field(min_length=1)


class Supplier(Record):
    """A seller of spirit. It is a place lanes can start from.

    ``receipt_check_days`` is the gate of bought spirit: from discharge to its release for use.
    """

    id: Id
    name: Text | None = None
    country: Text | None = None
    latitude: Latitude | None = None
    longitude: Longitude | None = None
    currency: CurrencyCode | None = None
    contracts: tuple[Contract, ...] = Field(min_length=1)
    receipt_check_days: Days = 0
    closures: tuple[Closure, ...] = ()
    holidays: tuple[Day, ...] = ()


class Tank(Record):
    """A named storage tank. It holds one liquid at a time.

    ``liquids`` are those it may hold. Where that is a single liquid the tank is dedicated. A
    change of liquid costs ``change_over_cost``, loses the heel, and keeps the tank out of use
    for the period of the change when ``change_over_days`` is above zero.
    """

    id: Id
    capacity_litres: Positive
    heel_litres: Amount = 0.0
    liquids: tuple[Id, ...] = Field(min_length=1)
    change_over_cost: Amount = 0.0
    change_over_days: Days = 0


class Still(Record):
    """A still: litres a charge, hours a charge, hours a period, cleaning between liquids.

    The charges of a ``continuous`` still (a column fed without a break) need not be whole.
    """

    id: Id
    charge_litres: Positive
    hours_per_charge: Positive
    hours_per_period: Positive
    recipes: tuple[Id, ...] = Field(min_length=1)
    continuous: YesNo = False
    cleaning_hours: Amount = 0.0
    minimum_campaign_charges: Count = 0
    cost_per_charge: Amount = 0.0
    last_recipe: Id | None = None
    shutdowns: tuple[Closure, ...] = ()


class Release(Record):
    """How a vatting becomes a released lot, and how many lots can be judged."""

    lag_days: Days
    panel_lots_per_period: Count | None = None
    laboratory_lots_per_period: Count | None = None
    cost_per_lot: Amount = 0.0
    vatting_minimum_lpa: Amount = 0.0
    vatting_maximum_lpa: Positive | None = None


class ArrivalCheck(Record):
    """What a site does with liquid that arrives before it is used: sample, nosing, laboratory.

    ``liquid`` left out: every liquid that has no row of its own. ``days`` from discharge to use.
    """

    liquid: Id | None = None
    days: Days


class Site(Record):
    """A place that holds liquid: a distillery, a depot or a bottler.

    ``duty_status``: ``suspended`` or ``paid`` (duty falls due on arrival).
    """

    id: Id
    name: Text | None = None
    kind: SiteKind
    country: Text | None = None
    latitude: Latitude | None = None
    longitude: Longitude | None = None
    market: Id | None = None
    duty_status: Literal["suspended", "paid"] = "suspended"
    authority: Id | None = None
    storage_guarantee: Id | None = None
    handling_cost_per_lpa: Amount = 0.0
    storage_cost_per_lpa_per_period: Amount = 0.0
    currency: CurrencyCode | None = None
    tanks: tuple[Tank, ...] = Field(min_length=1)
    stills: tuple[Still, ...] = ()
    release: Release | None = None
    arrival_checks: tuple[ArrivalCheck, ...] = ()
    feints_sale_price_per_lpa: Amount | None = None
    closures: tuple[Closure, ...] = ()
    holidays: tuple[Day, ...] = ()


class Compartment(Record):
    """One compartment of a road tanker; each carries one liquid or travels empty."""

    capacity_litres: Positive


class TankType(Record):
    """A kind of tank that travels: road tanker or tank container.

    ``regime`` chooses the rule of maximum fill (``bulkflow.filling``). ``sections_litres`` are
    the parts a shell is divided into by partitions or surge plates; left out, it is undivided.
    ``compartments`` are closed against each other and may carry different liquids.
    """

    id: Id
    regime: Literal["adr_tank_vented", "adr_tank_hermetic", "un_portable_tank"]
    capacity_litres: Positive
    sections_litres: tuple[Positive, ...] = ()
    compartments: tuple[Compartment, ...] = ()
    tare_kg: Positive
    maximum_gross_kg: Positive


class Fleet(Record):
    """A number of tanks that lanes share; one away is back after the lane's round trip."""

    id: Id
    tanks: Count


class Leg(Record):
    """A part of a lane on which duty is at risk.

    From ``from_day`` to ``to_day`` after the day of loading (both included; to the exit
    confirmation or the end of transit, say) ``share_percent`` of the duty at the authority's
    rate counts against the guarantee. Without ``to_day`` it runs to the day of discharge and
    ``days_after_discharge`` further: until the report of receipt frees the guarantee.
    """

    authority: Id
    guarantee: Id
    from_day: Days = 0
    to_day: Days | None = None
    days_after_discharge: Days = 0
    share_percent: Percent = 100.0


class Sailings(Record):
    """When a vessel leaves: on one weekday, every so many weeks from a first day."""

    weekday: Weekday
    every_weeks: Annotated[int, Field(strict=True, ge=1, le=26)] = 1
    first_day: Day | None = None
    cut_off_days: Days = 0
    blank_days: tuple[Day, ...] = ()
    port_closures: tuple[Closure, ...] = ()


class Waiting(Record):
    """How long a tank may wait full at the receiver, and what its hire costs.

    ``longest_days`` beyond the day on which it could be discharged, in whole periods; of the days
    from arrival to discharge ``free_days`` cost nothing, each further one ``cost_per_day``.
    """

    longest_days: Days
    free_days: Days = 0
    cost_per_day: Amount


class LaneTank(Record):
    """One kind of tank on a lane, with its price."""

    tank_type: Id
    cost_per_load: Amount
    waiting: Waiting | None = None
    maximum_loads_per_period: Count | None = None
    fleet: Id | None = None


class Lane(Record):
    """A way for loads from a supplier or site to a site.

    A load is filled on the first working day of its period or, with sailings, on the cut-off
    day of the first sailing whose cut-off falls in the period; it arrives ``transit_days`` after
    leaving, is discharged on the receiver's first working day ``discharge_days`` or more after
    that, and its tank is free again ``return_days`` later. A tank carries at least
    ``minimum_fill_percent`` of its capacity; 0 stands for half of the most it may hold. Loads are
    filled at ``filling_temperature_c`` as a rule, and planned to be lawful from the minimum to the
    maximum filling temperature; each of these is the usual one where it is not stated.
    """

    id: Id
    origin: Id
    destination: Id
    liquids: tuple[Id, ...] = Field(min_length=1)
    tanks: tuple[LaneTank, ...] = Field(min_length=1)
    transit_days: Days
    discharge_days: Days = 0
    return_days: Days = 0
    sailings: Sailings | None = None
    cost_per_lpa: Amount = 0.0
    currency: CurrencyCode | None = None
    transit_loss_percent: Percent = 0.0
    payload_limit_kg: Positive | None = None
    minimum_fill_percent: Percent = 0.0
    filling_temperature_c: Temperature = 20.0
    minimum_filling_temperature_c: Temperature | None = None
    maximum_filling_temperature_c: Temperature | None = None
    maximum_loads_per_period: Count | None = None
    legs: tuple[Leg, ...] = ()

    @property
    def filling_temperatures_c(self) -> tuple[float, float]:
        """The lowest and the highest temperature at which a load has to be lawful [degC]."""
        low, high = self.minimum_filling_temperature_c, self.maximum_filling_temperature_c
        usual = self.filling_temperature_c
        return usual if low is None else low, usual if high is None else high


class DutyRate(Record):
    """A rate of duty from a day on, in one of the ways authorities state it."""

    first_day: Day
    kind: Literal["per_lpa", "per_litre", "by_value_percent", "per_litre_degree"]
    rate: Amount
    currency: CurrencyCode | None = None
    source: Text | None = None


class Authority(Record):
    """An excise authority: its dated rates and when duty must be paid."""

    id: Id
    name: Text | None = None
    rates: tuple[DutyRate, ...] = Field(min_length=1)
    payment_lag_days: Days = 0


class Guarantee(Record):
    """Security lodged for duty: on movements, or on stock at the sites that name it."""

    id: Id
    name: Text | None = None
    kind: Literal["movement", "storage"]
    limit: Amount
    currency: CurrencyCode | None = None


class Market(Record):
    """A market or a customer, and what may not be in the liquid it gets."""

    id: Id
    name: Text | None = None
    country: Text | None = None
    barred_spirit_bases: tuple[Id, ...] = ()
    barred_suppliers: tuple[Id, ...] = ()


class Priority(Record):
    """What unmet demand costs and whether it is carried to the next period or lost."""

    id: Id
    unmet: Literal["carried", "lost"]
    cost_per_lpa: Amount


class Product(Record):
    """A bottled product, to turn cases into LPA of a liquid."""

    id: Id
    liquid: Id
    bottle_ml: Positive
    strength_percent: Strength
    bottles_per_case: PositiveCount
    bottling_loss_percent: Percent = 0.0
    label_strength: Text | None = None
    added_allergens: tuple[Id, ...] = ()
    lot_code: Text | None = None


class StockPolicy(Record):
    """Floor and closing target of one liquid at one site.

    The floor is soft: each LPA below it costs ``floor_cost_per_lpa_per_period``. The closing
    target counts stock and liquid on the way at the end of the horizon.
    """

    site: Id
    liquid: Id
    floor_lpa: Amount = 0.0
    floor_cost_per_lpa_per_period: Amount = 0.0
    closing_lpa: Amount = 0.0
    closing_cost_per_lpa: Amount = 0.0


class Scenario(Record):
    """A complete workspace: what ``scenario.yaml`` and its tables say together."""

    format: Literal["bulkflow-workspace/1"]
    name: Text
    currency: CurrencyCode
    calendar: Calendar
    finance: Finance = Finance()
    change_cost_per_load: Amount = 0.0
    liquids: tuple[Liquid, ...] = Field(min_length=1)
    recipes: tuple[Recipe, ...] = ()
    suppliers: tuple[Supplier, ...] = ()
    sites: tuple[Site, ...] = Field(min_length=1)
    tank_types: tuple[TankType, ...] = ()
    fleets: tuple[Fleet, ...] = ()
    lanes: tuple[Lane, ...] = ()
    authorities: tuple[Authority, ...] = ()
    guarantees: tuple[Guarantee, ...] = ()
    markets: tuple[Market, ...] = ()
    priorities: tuple[Priority, ...] = Field(min_length=1)
    products: tuple[Product, ...] = ()
    stock_policies: tuple[StockPolicy, ...] = ()
    demand: tuple[DemandRow, ...] = ()
    lots: tuple[Lot, ...] = ()
    opening_stock: tuple[OpeningStockRow, ...] = ()
    prices: tuple[PriceRow, ...] = ()
    exchange_rates: tuple[ExchangeRateRow, ...] = ()
    loads: tuple[LoadRow, ...] = ()
    issued_loads: tuple[IssuedLoadRow, ...] = ()
