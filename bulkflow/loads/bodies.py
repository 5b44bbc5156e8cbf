"""What the records of loads say: the bodies of their kinds of record.

Amounts are decimals with three places; LPA are litres of pure alcohol at 20 degC, strengths
% vol at 20 degC. A description stands by itself: days, lane and tank are copied from the plan.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from bulkflow.lots.bodies import Identifier, Text
from bulkflow.records.amounts import Percent, PositiveAmount, SignedAmount
from bulkflow.records.kinds import Body

__all__ = [
    "Load",
    "LoadPart",
    "LoadState",
    "LoadStep",
    "LotShare",
    "Sealing",
    "TankAcceptance",
]


class LoadState(StrEnum):
    """How far a load has come."""

    PLANNED = "planned"
    PROMISED = "promised"
    HELD = "held"
    ISSUED = "issued"
    LOADED = "loaded"
    DEPARTED = "departed"
    ARRIVED = "arrived"
    DISCHARGED = "discharged"
    RECONCILED = "reconciled"
    WITHDRAWN = "withdrawn"


class LotShare(Body):
    """LPA of a load that one lot gives.

    ``expected_on`` is the day from which a lot that is not released yet is counted on: the day
    its decision is due, or that of a lot still to be made or received (``to_come`` true; its name
    is then only a stand-in for the lot to come).
    """

    lot_id: Identifier
    lpa: PositiveAmount
    strength_percent: Percent
    expected_on: date | None = None
    to_come: bool = False


class LoadPart(Body):
    """One liquid in a load: the LPA it holds, from which lots, in which compartments.

    ``shares`` is empty where the lots are not known (held, or taken over from tables); where it
    is not, the shares add up to ``lpa`` to the last digit.
    """

    liquid_id: Identifier
    origin_class: Text = "any"
    lpa: PositiveAmount
    strength_percent: Percent
    litres_20c: PositiveAmount
    supplier_id: Identifier | None = None
    compartments_litres: tuple[PositiveAmount, ...] = ()
    shares: tuple[LotShare, ...] = ()

    @model_validator(mode="after")
    def _shares_add_up(self) -> LoadPart:
        if self.shares:
            total = sum((share.lpa for share in self.shares), Decimal(0))
            if total != self.lpa:
                raise ValueError(f"has shares of {total} LPA in all, but {self.lpa} LPA itself")
            names = [share.lot_id for share in self.shares]
            if len(set(names)) != len(names):
                raise ValueError("names a lot twice")
        return self


class Load(Body):
    """One tank journey as it is meant to go; a later description supersedes it.

    ``reason`` says why a load on its way goes elsewhere.
    """

    load_id: Identifier
    lane_id: Identifier
    origin: Identifier
    destination: Identifier
    tank_type: Identifier
    market: Identifier | None = None
    loading_day: date
    leaving_day: date
    arrival_day: date
    discharge_day: date
    usable_day: date
    parts: tuple[LoadPart, ...] = Field(min_length=1)
    reason: Text | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Load:
        days = (self.loading_day, self.leaving_day, self.arrival_day, self.discharge_day)
        if list(days) != sorted(days):
            raise ValueError(
                "has days that are not in the order loading, leaving, arrival, discharge"
            )
        liquids = [part.liquid_id for part in self.parts]
        if len(set(liquids)) != len(liquids):
            raise ValueError("names a liquid twice")
        return self


class LoadStep(Body):
    """A load comes into a state on a day; what goes with it is given where it is known.

    Parameters
    ----------
    earliest_day : of a held load, the first day on which it could be filled; None: not known.
    movement_reference : of the excise document the load travels under.
    gross_mass_kg : verified gross mass, on loading.
    lpa : LPA measured at this step (received, for a discharge), total of the load.
    temperature_c : of the liquid when it was gauged.
    """

    load_id: Identifier
    state: LoadState
    on: date
    reason: Text | None = None
    earliest_day: date | None = None
    movement_reference: Identifier | None = None
    gross_mass_kg: PositiveAmount | None = None
    lpa: PositiveAmount | None = None
    temperature_c: SignedAmount | None = None
    seals: tuple[Identifier, ...] = ()


class Sealing(Body):
    """Seals put on a load anew, after one was broken or opened on its way.

    ``broken`` names the seals that are not on it any more, where they are known.
    """

    load_id: Identifier
    on: date
    seals: tuple[Identifier, ...] = Field(min_length=1)
    broken: tuple[Identifier, ...] = ()
    reason: Text


class TankAcceptance(Body):
    """What was found of the tank that came for a load, before it is filled.

    ``last_cargoes`` are the last three, the newest first. ``kosher_document`` and
    ``organic_document`` are the documents' numbers where that status was asked for.
    """

    load_id: Identifier
    tank_number: Identifier
    examined_on: date
    last_cargoes: tuple[Text, ...] = Field(max_length=10)
    cleaning_document: Identifier | None = None
    cleaned_on: date | None = None
    cleaning_codes: tuple[Identifier, ...] = ()
    cleaned_at: Text | None = None
    seals: tuple[Identifier, ...] = ()
    seals_intact: bool = False
    gasket_material: Text | None = None
    kosher_asked: bool = False
    kosher_document: Identifier | None = None
    organic_asked: bool = False
    organic_document: Identifier | None = None
    tank_nosed: Annotated[bool | None, Field(description="clean, tainted or not nosed")] = None
    hose_nosed: bool | None = None
    capacity_litres: PositiveAmount | None = None
    tare_kg: PositiveAmount | None = None
    maximum_gross_kg: PositiveAmount | None = None
    note: Text | None = None
