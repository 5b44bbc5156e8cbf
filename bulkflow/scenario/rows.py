"""The rows of a workspace's tables, and the base of every record of a workspace.

Units and words as in `bulkflow.scenario.model`, which gives these names on.
"""

from __future__ import annotations

from enum import StrEnum

from pydantic import BaseModel, ConfigDict

from bulkflow.scenario.values import (
    Amount,
    Count,
    CurrencyCode,
    Day,
    Id,
    LotNumber,
    Note,
    Positive,
    Strength,
)

__all__ = [
    "DemandRow",
    "ExchangeRateRow",
    "IssuedLoadRow",
    "LoadRow",
    "LoadState",
    "Lot",
    "LotStatus",
    "OpeningStockRow",
    "PriceRow",
    "Record",
]


class Record(BaseModel):
    """A frozen record that refuses keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class LotStatus(StrEnum):
    """Where a lot stands before its gates."""

    RELEASED = "released"
    AWAITING = "awaiting"
    HELD = "held"
    REJECTED = "rejected"


class LoadState(StrEnum):
    """How far a load of the opening position has come."""

    PROMISED = "promised"
    FROZEN = "frozen"
    UNDER_WAY = "under_way"


class DemandRow(Record):
    """Demand of one period: either LPA of a liquid or cases of a product.

    ``market`` left out is the site's own; ``priority`` left out is the first of the workspace.
    """

    site: Id
    period_start: Day
    liquid: Id | None = None
    lpa: Amount | None = None
    product: Id | None = None
    cases: Amount | None = None
    market: Id | None = None
    priority: Id | None = None


class Lot(Record):
    """A lot of the opening position.

    ``restrictions`` are ids of markets the lot may not go to, beside those that its spirit base
    and its supplier already bar.
    """

    lot_id: LotNumber
    liquid: Id
    site: Id
    tank: Id | None = None
    litres_20c: Amount
    strength_percent: Strength
    status: LotStatus
    decision_due: Day | None = None
    made_on: Day | None = None
    spirit_base: Id | None = None
    supplier: Id | None = None
    restrictions: tuple[Id, ...] = ()
    note: Note | None = None

    @property
    def lpa(self) -> float:
        """Litres of pure alcohol at 20 degC in the lot."""
        return self.litres_20c * self.strength_percent / 100.0


class OpeningStockRow(Record):
    """Stock at a site at the start of the calendar that is not kept by lot."""

    site: Id
    liquid: Id
    lpa: Amount
    supplier: Id | None = None


class PriceRow(Record):
    """A supplier's price of a liquid from a day on; replaces the contract's first tier."""

    supplier: Id
    liquid: Id
    first_day: Day
    price_per_lpa: Amount


class ExchangeRateRow(Record):
    """What one unit of a currency is worth in the workspace's currency from a day on."""

    currency: CurrencyCode
    first_day: Day
    rate: Positive


class LoadRow(Record):
    """A load that is promised, frozen, or already under way when the plan starts.

    ``promised``: the plan must send at least this load in the period of ``departs_on``, of any
    LPA within the fill range. ``frozen``: this load with exactly its LPA. ``under_way``: it left
    before the start and arrives, usable, on ``usable_on``. A row has one liquid: a further liquid
    of a load under way is a row of its own, and ``in_tank_of`` names the load it travels with.
    """

    load_id: Id
    lane: Id
    liquid: Id
    tank_type: Id
    state: LoadState
    departs_on: Day
    usable_on: Day | None = None
    lpa: Amount | None = None
    supplier: Id | None = None
    in_tank_of: Id | None = None


class IssuedLoadRow(Record):
    """Loads of the last issued plan, for the price of changing it."""

    lane: Id
    liquid: Id
    tank_type: Id
    period_start: Day
    loads: Count
