"""What the records of the account say: the bodies of its kinds of record.

LPA are litres of pure alcohol at 20 degC; strengths % vol at 20 degC; amounts decimals with three
places. A gauging keeps the readings as they were taken and what follows from them.
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, model_validator

from bulkflow.lots.bodies import Identifier, Text
from bulkflow.reading.shape import pattern
from bulkflow.records.amounts import Amount, Percent, PositiveAmount, SignedAmount
from bulkflow.records.kinds import Body

__all__ = [
    "Bottling",
    "BottlingSource",
    "ClosedBalance",
    "Closing",
    "CodeRange",
    "Entry",
    "EntryKind",
    "Gauging",
    "Holding",
    "Report",
    "ReportKind",
    "Reversal",
    "Side",
    "SourceKind",
    "Transfer",
    "quarter_days",
]

_CODE = pattern(
    r"^[^\W_][\w.:/\-]*$",
    "Start with a letter or digit; use letters, digits and . : / _ - only.",
)
Code = Annotated[str, Field(min_length=1, max_length=40, pattern=_CODE)]
Quarter = Annotated[str, Field(pattern=pattern(r"^\d{4}-Q[1-4]$", "Write it as 2027-Q1."))]


class Side(StrEnum):
    """At which end of a journey a load was gauged."""

    DISPATCH = "dispatch"
    RECEIPT = "receipt"


class Gauging(Body):
    """One liquid of a load measured at one end of its journey.

    Parameters
    ----------
    quantity_by : ``weighbridge`` (gross and tare as the scale shows them [kg]) or ``dip``
        (volume by the tank's table, in `volume_unit`, at `temperature`).
    strength_by : ``density`` (true density [kg/m3]), ``hydrometer`` (alcoholometer, % vol scale
        at 20 degC), ``proof`` (glass, US proof at 60 degF) or ``stated`` (% vol at 20 degC).
    temperature, sample_temperature : of the liquid gauged, of the sample, in `temperature_unit`.
    quantity_limit, strength_limit, temperature_limit : limits of error of one reading (+-), in
        the unit of the reading; of a weighbridge for gross and tare each.
    heel_lpa : what stayed in the transport tank when it was emptied (receipt only); `lpa` is
        without it.
    lpa_uncertainty : standard uncertainty of `lpa` from the limits.
    as_lot : the lot that the liquid became on receipt, where it is kept by lot there.
    reason : why readings stand that are not plausible.
    """

    load_id: Identifier
    liquid_id: Identifier
    side: Side
    on: date
    site_id: Identifier
    quantity_by: Literal["weighbridge", "dip"]
    gross_kg: PositiveAmount | None = None
    tare_kg: Amount | None = None
    volume: PositiveAmount | None = None
    volume_unit: Literal["L", "US gal"] | None = None
    strength_by: Literal["density", "hydrometer", "proof", "stated"]
    strength_reading: PositiveAmount
    temperature: SignedAmount
    sample_temperature: SignedAmount | None = None
    temperature_unit: Literal["C", "F"] = "C"
    quantity_limit: Amount
    strength_limit: Amount
    temperature_limit: Amount
    strength_percent: Percent
    litres_20c: PositiveAmount
    mass_kg: PositiveAmount
    lpa: PositiveAmount
    lpa_uncertainty: Amount
    heel_lpa: Amount = Decimal(0)
    rounding: str
    as_lot: Identifier | None = None
    document: Text | None = None
    note: Text | None = None
    reason: Text | None = None


class ReportKind(StrEnum):
    """What a report on a movement confirms."""

    EXIT = "exit"
    RECEIPT = "receipt"


class Report(Body):
    """The authority's confirmation of a movement: it releases the guarantee.

    An exit confirmation releases the legs of the lane that end on the way; a report of receipt
    releases all.
    """

    load_id: Identifier
    kind: ReportKind
    on: date
    reference: Identifier
    note: Text | None = None


class SourceKind(StrEnum):
    """Where liquid that was bottled came from."""

    LOAD = "load"
    LOT = "lot"
    STOCK = "stock"


class BottlingSource(Body):
    """LPA taken for a bottling from a load, a lot, or stock not kept by lot.

    ``source_id`` is the name of the load or lot, and for stock that of the liquid.
    """

    kind: SourceKind
    source_id: Identifier
    liquid_id: Identifier
    lpa: PositiveAmount


class Holding(Body):
    """Where liquid lies: a place (a site, or ``on the way``), and under which name.

    ``kind`` and ``name`` as in :class:`BottlingSource`.
    """

    place: Text
    kind: SourceKind
    name: Identifier


class Transfer(Body):
    """LPA that went from one holder to another without a load of its own; no target: lost.

    A tank pumped over, a load returned to its lots, a part discharged, a spill.
    """

    liquid_id: Identifier
    lpa: PositiveAmount
    on: date
    source: Holding
    target: Holding | None = None
    reason: Text

    @model_validator(mode="after")
    def _goes(self) -> Transfer:
        if self.source == self.target:
            raise ValueError("goes where it came from")
        return self


class Reversal(Body):
    """An act was recorded by mistake: this record supersedes it, and nothing takes its place."""

    record: int
    of_kind: Text
    subject: Text
    reason: Text


class CodeRange(Body):
    """Bottle codes from first to last, both included: of equal length, compared as text."""

    first: Code
    last: Code

    @model_validator(mode="after")
    def _in_order(self) -> CodeRange:
        if len(self.first) != len(self.last) or self.first > self.last:
            raise ValueError(f"runs from {self.first} to {self.last}; give both in one length")
        return self

    def holds(self, code: str) -> bool:
        """Return whether a code lies in the range."""
        return len(code) == len(self.first) and self.first <= code <= self.last


class Bottling(Body):
    """A lot of bottles: what went in, what came out, and the codes on the bottles.

    ``lpa_bottled`` is cases x bottles x size x strength; the rest of what was taken is loss.
    ``market`` is the one the bottles are for, where it is not the site's; ``reason`` says why a
    bottle that breaks a rule of it was filled all the same.
    """

    bottling_id: Identifier
    site_id: Identifier
    product_id: Identifier
    on: date
    sources: tuple[BottlingSource, ...] = Field(min_length=1)
    cases: Annotated[int, Field(ge=1, le=10_000_000)]
    bottles_per_case: Annotated[int, Field(ge=1, le=1000)]
    bottle_ml: PositiveAmount
    strength_percent: Percent
    lpa_bottled: PositiveAmount
    codes: tuple[CodeRange, ...] = ()
    note: Text | None = None
    market: Identifier | None = None
    reason: Text | None = None

    @model_validator(mode="after")
    def _adds_up(self) -> Bottling:
        named = [(source.kind, source.source_id, source.liquid_id) for source in self.sources]
        if len(set(named)) != len(named):
            raise ValueError("names a source twice")
        if self.lpa_bottled > self.lpa_taken:
            raise ValueError(
                f"holds {self.lpa_bottled} LPA in its bottles, but only {self.lpa_taken} was taken"
            )
        return self

    @property
    def lpa_taken(self) -> Decimal:
        """LPA taken in all."""
        return sum((source.lpa for source in self.sources), Decimal(0))


class EntryKind(StrEnum):
    """Why LPA enters or leaves an account without a lot, a load or a bottling."""

    TAKEN_OVER = "taken over"
    BOUGHT_IN = "bought in"
    USED = "used in making"
    RECOVERED = "recovered"
    STOCKTAKE = "stocktake"
    SAMPLES = "samples"
    DESTROYED = "destroyed"
    HEEL_RETURNED = "heel returned"
    CORRECTION = "correction"


class Entry(Body):
    """LPA of a liquid that came to (positive) or left (negative) a site.

    It is that of a lot (``lot_id``), of a load received there (``load_id``), or of stock kept
    under neither. A heel returned moves from the transport tank of its load to the stock.
    ``measured_again`` says that a difference beyond measuring and handling was found twice.
    """

    site_id: Identifier
    liquid_id: Identifier
    kind: EntryKind
    lpa: SignedAmount
    on: date
    load_id: Identifier | None = None
    lot_id: Identifier | None = None
    corrects: int | None = None
    measured_again: Literal[True] | None = None
    reason: Text

    @model_validator(mode="after")
    def _meant(self) -> Entry:
        if self.lpa == 0:
            raise ValueError("is of 0 LPA")
        if self.kind is EntryKind.HEEL_RETURNED and self.load_id is None:
            raise ValueError("names no load whose heel is returned")
        if self.load_id is not None and self.lot_id is not None:
            raise ValueError("names a load and a lot")
        if self.kind in _COME and self.lpa < 0:
            raise ValueError(f"is {self.lpa} LPA; {self.kind.value} is above 0")
        if self.kind in _GO and self.lpa > 0:
            raise ValueError(f"is {self.lpa} LPA; {self.kind.value} is below 0")
        return self


_COME = frozenset(
    {EntryKind.TAKEN_OVER, EntryKind.BOUGHT_IN, EntryKind.RECOVERED, EntryKind.HEEL_RETURNED}
)
_GO = frozenset({EntryKind.USED, EntryKind.SAMPLES, EntryKind.DESTROYED})


class ClosedBalance(Body):
    """Closing LPA of a liquid."""

    liquid_id: Identifier
    lpa: SignedAmount


class Closing(Body):
    """The quarter of a site is closed: what is recorded later counts in a later quarter."""

    site_id: Identifier
    quarter: Quarter
    balances: tuple[ClosedBalance, ...]
    chain_head: str
    return_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]

    @property
    def last_day(self) -> date:
        """The last day of the quarter."""
        return quarter_days(self.quarter)[1]


def quarter_days(quarter: str) -> tuple[date, date]:
    """Return the first and last day of a quarter such as ``2027-Q1``."""
    found = re.fullmatch(r"(\d{4})-Q([1-4])", quarter)
    if found is None:
        raise ValueError(f"{quarter!r} is no quarter")
    year, number = int(found[1]), int(found[2])
    first = date(year, 3 * number - 2, 1)
    after = date(year + number // 4, 3 * number % 12 + 1, 1)
    return first, date.fromordinal(after.toordinal() - 1)
