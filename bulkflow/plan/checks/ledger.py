"""The plan posted to accounts by site, liquid, origin class and period, for all the checks.

Owns what comes in and what goes out (eqs. 1 to 4, 6); judges nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from functools import cached_property

from bulkflow.plan.checks.origin import barred_markets
from bulkflow.plan.checks.position import Account, Commodity, Position
from bulkflow.program.answer import LoadKind, Plan, PlannedLoad
from bulkflow.scenario.model import LaneTank, Scenario

__all__ = ["Ledger"]


class Ledger(Position):
    """A scenario, its plan, and the accounts worked out from the two.

    Amounts under an origin class whose name is wrong are posted under a mark of its own; the
    check of classes names it.
    """

    def __init__(self, scenario: Scenario, plan: Plan) -> None:
        super().__init__(scenario)
        self.plan = plan

    def lane_tank(self, load: PlannedLoad) -> LaneTank | None:
        """Return the lane's entry for the tank type of a load."""
        tanks = self.lanes[load.lane].tanks
        return next((one for one in tanks if one.tank_type == load.tank_type), None)

    @cached_property
    def sent(self) -> tuple[PlannedLoad, ...]:
        """Loads that leave within the horizon: all but those under way at its start."""
        return tuple(load for load in self.plan.loads if load.kind is not LoadKind.UNDER_WAY)

    def vats(self, site: str) -> bool:
        """Return whether what a site makes is vatted and judged before it is stock."""
        return self.sites[site].release is not None

    def arriving_share(self, load: PlannedLoad) -> float:
        """Return the share of a load's LPA that arrives (eq. 3)."""
        return 1.0 - self.lanes[load.lane].transit_loss_percent / 100.0

    # --- accounts -----------------------------------------------------------------------------

    @cached_property
    def stock(self) -> Account:
        """Released stock S at the end of each period, 0 for the opening."""
        return self._levels("released_lpa")

    @cached_property
    def hearts(self) -> Account:
        """Hearts not yet vatted, H."""
        return self._levels("hearts_lpa")

    @cached_property
    def unreleased(self) -> Account:
        """Vattings made and not yet released, and what has arrived and is in its check."""
        return self._levels("unreleased_lpa")

    def held_at(self, commodity: Commodity, period: int) -> float:
        """Return S + H + unreleased of a commodity at the end of a period."""
        key = (commodity, period)
        return self.stock[key] + self.hearts[key] + self.unreleased[key]

    @cached_property
    def commodities(self) -> tuple[Commodity, ...]:
        """Every commodity that the plan or the opening position touches, sorted."""
        accounts = (
            self.stock, self.hearts, self.unreleased, self.opening, self.received, self.sent_lpa,
            self.vatted, self.released, self.let_down_made, self.let_down_used, self.charged,
            self.hearts_made, self.feints_made, self.feints_sold, self.served, self.lots_released,
        )  # fmt: skip
        found = {commodity for account in accounts for commodity, _ in account}
        found |= {key for key, _ in self.blocked_litres}
        return tuple(sorted(found, key=lambda one: (one[0], one[1], sorted(one[2]))))

    @cached_property
    def arrivals(self) -> Account:
        """LPA arriving usable, by period, after loss (eq. 3); each joins what it is there."""
        account = Account()
        for load in self.plan.loads:
            if load.usable_period > self.days.count:
                continue
            for part in load.parts:
                barring = self.barring(part.origin_class)
                commodity = self.kept(load.destination, part.liquid, barring)
                account[commodity, load.usable_period] += part.lpa * self.arriving_share(load)
        return account

    def received_period(self, load: PlannedLoad, liquid: str) -> int:
        """Return the period from which a load's liquid stands in its receiver's tanks (eq. 32)."""
        day = self.days.received_on(load.destination, liquid, load.discharge_day, load.usable_day)
        return self.days.first_starting_on_or_after(day)

    @cached_property
    def received(self) -> Account:
        """LPA entering the receiver's tanks, by period, after loss; usable or still in check."""
        account = Account()
        for load in self.plan.loads:
            for part in load.parts:
                period = self.received_period(load, part.liquid)
                if period <= self.days.count:
                    barring = self.barring(part.origin_class)
                    commodity = self.kept(load.destination, part.liquid, barring)
                    account[commodity, period] += part.lpa * self.arriving_share(load)
        return account

    @cached_property
    def sent_lpa(self) -> Account:
        """LPA sent from each place (suppliers too), by period."""
        account = Account()
        for load in self.sent:
            for part in load.parts:
                commodity = (load.origin, part.liquid, self.barring(part.origin_class))
                account[commodity, load.period] += part.lpa
        return account

    @cached_property
    def vatted(self) -> Account:
        """z: LPA put into vattings, by the period made."""
        return self._post(
            (row.site, row.liquid, row.origin_class, row.period, row.lpa)
            for row in self.plan.vattings
        )

    @cached_property
    def released(self) -> Account:
        """LPA of vattings by the period of their release."""
        return self._post(
            (row.site, row.liquid, row.origin_class, row.release_period, row.lpa)
            for row in self.plan.vattings
        )

    @cached_property
    def let_down_made(self) -> Account:
        """LPA made by letting down, by the period in which it enters S or H (eq. 6)."""
        return self._post(
            (row.site, row.makes, row.origin_class, row.period + int(self.vats(row.site)), row.lpa)
            for row in self.plan.let_downs
        )

    @cached_property
    def let_down_used(self) -> Account:
        """LPA taken by letting down."""
        return self._post(
            (row.site, liquid, origin, row.period, lpa)
            for row in self.plan.let_downs
            for liquid, origin, lpa in row.inputs
        )

    @cached_property
    def charged(self) -> Account:
        """LPA charged to stills."""
        return self._post(
            (row.site, liquid, origin, row.period, lpa)
            for row in self.plan.runs
            for liquid, origin, lpa in row.inputs
        )

    @cached_property
    def hearts_made(self) -> Account:
        """Hearts of distillation by the period in which they enter S or H (eq. 6)."""
        return self._post(
            (row.site, row.makes, row.origin_class,
             self.days.hearts_enter(row.period, self.recipes[row.recipe].days_to_vat,
                                    vats=self.vats(row.site)),
             row.hearts_lpa)
            for row in self.plan.runs
        )  # fmt: skip

    @cached_property
    def feints_made(self) -> Account:
        """Feints recovered, in the period of the charge (eq. 7)."""
        account = Account()
        for row in self.plan.runs:
            feints = self.recipes[row.recipe].feints_liquid or ""
            barring = self.classes.of_mixture(origin for _, origin, _ in row.inputs)
            if row.feints_lpa:
                account[self.kept(row.site, feints, barring), row.period] += row.feints_lpa
        return account

    @cached_property
    def feints_sold(self) -> Account:
        """Feints sold."""
        return self._post(
            (row.site, row.liquid, row.origin_class, row.period, row.lpa)
            for row in self.plan.feints_sales
        )

    @cached_property
    def served(self) -> Account:
        """LPA given to demand."""
        return self._post(
            (row.site, row.liquid, origin, row.period, lpa)
            for row in self.plan.demand
            for origin, lpa in row.served
        )

    @cached_property
    def settings(self) -> dict[tuple[str, str], dict[int, Commodity]]:
        """What each tank (site, tank) is set to, by period."""
        found: dict[tuple[str, str], dict[int, Commodity]] = defaultdict(dict)
        for row in self.plan.tank_settings:
            commodity = (row.site, row.liquid, self.barring(row.origin_class))
            found[row.site, row.tank][row.period] = commodity
        return found

    def changed_from(self, tank: tuple[str, str], period: int) -> Commodity | None:
        """Return what a tank is emptied of in a period, if it is set to another then (eq. 12)."""
        by_period = self.settings.get(tank, {})
        now = by_period.get(period)
        earlier = [one for one in by_period if one < period]
        before = by_period[max(earlier)] if earlier else None
        return before if now is not None and before is not None and now != before else None

    @cached_property
    def heels_lost(self) -> Account:
        """LPA of heels lost at change-overs (eq. 12)."""
        account = Account()
        for site in self.scenario.sites:
            for tank in site.tanks:
                for period in self.periods:
                    before = self.changed_from((site.id, tank.id), period)
                    if before is not None:
                        strength = self.liquids[before[1]].strength_percent
                        account[before, period] += tank.heel_litres * strength / 100.0
        return account

    def outflow(self, commodity: Commodity, period: int) -> float:
        """Return the LPA that leaves released stock in a period (eq. 1, right-hand side)."""
        key = (commodity, period)
        return (
            self.served[key] + self.sent_lpa[key] + self.charged[key] + self.let_down_used[key]
            + self.feints_sold[key] + self.heels_lost[key]
        )  # fmt: skip

    def there_first(self, commodity: Commodity, period: int) -> float:
        """Return the LPA in released stock before anything is made in a period (eq. 7)."""
        key = (commodity, period)
        return (
            self.stock[commodity, period - 1] + self.arrivals[key] + self.released[key]
            + self.lots_released[key]
        )  # fmt: skip

    def made_within(self, commodity: Commodity, period: int) -> float:
        """Return the LPA that enters released stock as a site makes it in a period (eq. 7)."""
        key = (commodity, period)
        hearts = 0.0 if self.vats(commodity[0]) else self.hearts_made[key] + self.let_down_made[key]
        return self.feints_made[key] + hearts

    def taken_first(self, commodity: Commodity, period: int) -> float:
        """Return the LPA that must have been there by then: sent, charged, let down (eq. 7)."""
        key = (commodity, period)
        return self.sent_lpa[key] + self.charged[key] + self.let_down_used[key]

    def barring(self, origin_class: str) -> frozenset[str]:
        """Return the markets that bar a class; a mark of its own for a name that is no class."""
        found = barred_markets(origin_class)
        return frozenset({f"?{origin_class}"}) if found is None else found

    def _levels(self, field: str) -> Account:
        return self._post(
            (row.site, row.liquid, row.origin_class, row.period, getattr(row, field))
            for row in self.plan.stocks
        )

    def _post(self, rows: Iterable[tuple[str, str, str, int, float]]) -> Account:
        account = Account()
        for site, liquid, origin, period, lpa in rows:
            account[(site, liquid, self.barring(origin)), period] += lpa
        return account
