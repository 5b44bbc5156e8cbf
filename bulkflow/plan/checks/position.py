"""What a workspace says before any plan: records by id, calendar, money, the opening position.

Worked out for the check and for the search for what cannot work; knows no plan.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property
from typing import TypeVar

from bulkflow.plan.checks.days import Days
from bulkflow.plan.checks.kept import MarketsAhead
from bulkflow.plan.checks.money import Money
from bulkflow.plan.checks.origin import OriginClasses
from bulkflow.scenario.model import (
    Fleet,
    Lane,
    Liquid,
    LoadRow,
    LoadState,
    Lot,
    LotStatus,
    Recipe,
    Scenario,
    Site,
    TankType,
)

__all__ = ["Account", "Commodity", "Position", "by_id"]

Commodity = tuple[str, str, frozenset[str]]
"""Site, liquid and the markets that bar it."""


class Account(dict[tuple[Commodity, int], float]):
    """Amounts by commodity and period; what was never posted is 0, and reading posts nothing."""

    def __missing__(self, key: tuple[Commodity, int]) -> float:
        """Return 0 for a commodity and period without an entry."""
        return 0.0


Named = TypeVar("Named", Site, Liquid, Lane, Recipe, TankType, Fleet)


def by_id(records: Iterable[Named]) -> dict[str, Named]:
    """Return records by their id."""
    return {record.id: record for record in records}


class Position:
    """A scenario's records by id, its days, money and origin classes, and its opening position."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.days, self.money = Days(scenario), Money(scenario)
        self.classes = OriginClasses(scenario)
        self.ahead = MarketsAhead(scenario, self.days)
        self.sites, self.liquids = by_id(scenario.sites), by_id(scenario.liquids)
        self.lanes, self.recipes = by_id(scenario.lanes), by_id(scenario.recipes)
        self.tank_types = by_id(scenario.tank_types)
        self.suppliers = {one.id: one for one in scenario.suppliers}
        self.periods = self.days.periods

    def kept(self, place: str, liquid: str, barring: frozenset[str]) -> Commodity:
        """Return what a liquid is at a place: barred by those it could still come to there."""
        return (place, liquid, barring & self.ahead.of(place, liquid))

    def of_lot(self, lot: Lot) -> Commodity:
        """Return what an opening lot is where it lies."""
        return self.kept(lot.site, lot.liquid, self.classes.of_lot(lot))

    def litres(self, liquid: str, lpa: float) -> float:
        """Return litres at 20 degC at the strength of the liquid."""
        return lpa * 100.0 / self.liquids[liquid].strength_percent

    def entry_period(self, lot: Lot) -> int | None:
        """Return the period in which an opening lot enters released stock (eq. 2).

        0 for the opening stock itself, None for never (or beyond the horizon).
        """
        if lot.status is LotStatus.RELEASED:
            return 0
        if lot.status is LotStatus.AWAITING and lot.decision_due is not None:
            period = self.days.first_starting_on_or_after(lot.decision_due)
            return period if period <= self.days.count else None
        return None

    def days_into(self, site: Site, liquid: str) -> int:
        """Return how many days into a period hearts of a liquid are ready at a site, at most."""
        run = {self.recipes[name] for still in site.stills for name in still.recipes}
        days = [one.days_to_vat % self.days.length for one in run
                if one.method == "distil" and one.makes == liquid]  # fmt: skip
        return max(days, default=0)

    @cached_property
    def load_rows(self) -> dict[str, LoadRow]:
        """The promised, frozen and under-way loads of the workspace."""
        return {row.load_id: row for row in self.scenario.loads}

    def rows_in_state(self, state: LoadState) -> list[LoadRow]:
        """Return the workspace's loads of a state."""
        return [row for row in self.scenario.loads if row.state is state]

    @cached_property
    def opening(self) -> Account:
        """S(0): opening stock and released lots (eq. 1)."""
        account = Account()
        for row in self.scenario.opening_stock:
            barring = self.classes.of_bought(row.liquid, row.supplier)
            account[self.kept(row.site, row.liquid, barring), 0] += row.lpa
        for lot in self.scenario.lots:
            if self.entry_period(lot) == 0:
                account[self.of_lot(lot), 0] += lot.lpa
        return account

    @cached_property
    def lots_released(self) -> Account:
        """Opening lots by the period in which they are released (eq. 2)."""
        account = Account()
        for lot in self.scenario.lots:
            period = self.entry_period(lot)
            if period:
                account[self.of_lot(lot), period] += lot.lpa
        return account

    @cached_property
    def blocked_litres(self) -> Account:
        """Litres of opening lots that may not be used, at the end of each period (eq. 14)."""
        account = Account()
        for lot in self.scenario.lots:
            for period in self._blocked_periods(lot):
                account[self.of_lot(lot), period] += lot.litres_20c
        return account

    @cached_property
    def blocked_lpa(self) -> Account:
        """LPA of opening lots that may not be used, at the end of each period (eq. 17)."""
        account = Account()
        for lot in self.scenario.lots:
            for period in self._blocked_periods(lot):
                account[self.of_lot(lot), period] += lot.lpa
        return account

    def _blocked_periods(self, lot: Lot) -> range:
        entry = self.entry_period(lot)
        return range(self.days.count + 1 if entry is None else entry)
