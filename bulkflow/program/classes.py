"""Origin classes: which markets bar what (README, "Words and sets").

A commodity is a liquid with an origin class. Here a class is the whole set of markets that bar
it; which of them matter at a place is in `bulkflow.program.markets_ahead`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from bulkflow.program.calendar import Periods
from bulkflow.scenario.model import (
    Contract,
    LoadRow,
    Lot,
    LotStatus,
    OpeningStockRow,
    Recipe,
    Scenario,
    Site,
)

__all__ = [
    "ANY",
    "Commodity",
    "Origins",
    "class_name",
    "contract_periods",
    "lot_entry_period",
    "markets_barring",
    "recipes_at",
    "union_class",
]

ANY = "any"
_PREFIX = "not-for:"


class Commodity(NamedTuple):
    """A liquid and the origin class of what it was made from."""

    liquid: str
    origin_class: str


def class_name(markets: Iterable[str]) -> str:
    """Return the class that markets bar."""
    listed = sorted(set(markets))
    return _PREFIX + "+".join(listed) if listed else ANY


def markets_barring(origin_class: str) -> frozenset[str]:
    """Return the markets that bar a class."""
    if origin_class == ANY:
        return frozenset()
    return frozenset(origin_class.removeprefix(_PREFIX).split("+"))


def union_class(classes: Iterable[str]) -> str:
    """Return the class of what is made from several: barred where any input is."""
    return class_name(market for one in classes for market in markets_barring(one))


class Origins:
    """The class of what is bought, of opening stock, lots and loads."""

    def __init__(self, scenario: Scenario) -> None:
        self._markets = scenario.markets
        self._known = {market.id for market in scenario.markets}
        self._base = {liquid.id: liquid.spirit_base for liquid in scenario.liquids}
        self._suppliers = {supplier.id for supplier in scenario.suppliers}
        self._lane_origin = {lane.id: lane.origin for lane in scenario.lanes}

    def bought(self, liquid: str, supplier: str | None) -> Commodity:
        """Return the commodity of a liquid from a supplier (None: from nobody named)."""
        return Commodity(liquid, class_name(self._barring(self._base[liquid], supplier)))

    def of_lot(self, lot: Lot) -> Commodity:
        """Return the commodity of an opening lot."""
        base = lot.spirit_base or self._base[lot.liquid]
        restricted = self._known.intersection(lot.restrictions)
        return Commodity(lot.liquid, class_name(self._barring(base, lot.supplier) | restricted))

    def of_stock(self, row: OpeningStockRow) -> Commodity:
        """Return the commodity of a row of opening stock."""
        return self.bought(row.liquid, row.supplier)

    def of_load(self, row: LoadRow) -> Commodity:
        """Return the commodity of a frozen load or one under way."""
        origin = self._lane_origin[row.lane]
        supplier = row.supplier or (origin if origin in self._suppliers else None)
        return self.bought(row.liquid, supplier)

    def _barring(self, base: str | None, supplier: str | None) -> set[str]:
        return {
            market.id
            for market in self._markets
            if (base is not None and base in market.barred_spirit_bases)
            or (supplier is not None and supplier in market.barred_suppliers)
        }


def lot_entry_period(periods: Periods, lot: Lot) -> int | None:
    """Return the period in which a lot enters S (0: it is in S(0)), or None for never (eq. 2)."""
    match lot.status:
        case LotStatus.RELEASED:
            return 0
        case LotStatus.AWAITING:
            if lot.decision_due is None:
                return None
            entry = periods.from_day(lot.decision_due)
            return entry if entry <= periods.count else None
        case LotStatus.HELD | LotStatus.REJECTED:
            return None


def contract_periods(periods: Periods, contract: Contract) -> list[int]:
    """Return the periods that start within a contract's dates (eq. 5)."""
    return [
        period
        for period in periods.numbers()
        if (contract.first_day is None or periods.first_day(period) >= contract.first_day)
        and (contract.last_day is None or periods.first_day(period) <= contract.last_day)
    ]


def recipes_at(scenario: Scenario, site: Site) -> list[Recipe]:
    """Return the recipes that a site's stills run or that it lets down, each once."""
    on_stills = {recipe for still in site.stills for recipe in still.recipes}
    return [
        recipe
        for recipe in scenario.recipes
        if (recipe.method == "distil" and recipe.id in on_stills)
        or (recipe.method == "let_down" and site.id in recipe.sites)
    ]
