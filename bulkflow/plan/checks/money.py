"""Money, duty and prices in the workspace's currency, worked out for the check (eqs. 5, 29, 30)."""

from __future__ import annotations

from datetime import date

from bulkflow.duty import duty_per_lpa, rate_in_force
from bulkflow.errors import VerificationError
from bulkflow.scenario.model import Contract, Liquid, Scenario, Site, Supplier

__all__ = ["Money"]

DAYS_A_YEAR = 365.0


class Money:
    """What amounts in any currency, duties and supplier prices are worth on a day."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._authorities = {one.id: one for one in scenario.authorities}
        self._suppliers = {one.id: one for one in scenario.suppliers}
        self.capital_per_day = scenario.finance.capital_rate_percent_per_year / 100.0 / DAYS_A_YEAR

    def rate(self, currency: str | None, on: date) -> float:
        """Return the value of one unit of a currency on a day (eq. 30)."""
        if currency is None or currency == self._scenario.currency:
            return 1.0
        rows = [row for row in self._scenario.exchange_rates if row.currency == currency]
        past = [row for row in rows if row.first_day <= on]
        if not past:
            raise VerificationError(
                f"eq. 30: the workspace has no exchange rate of {currency} on {on}"
            )
        return max(past, key=lambda row: row.first_day).rate

    def duty(self, authority: str | None, liquid: Liquid, on: date, rate_on: date) -> float:
        """Return duty per LPA at an authority's rate on a day; 0 where there is none (eq. 29).

        ``rate_on`` is the day whose exchange rate counts.
        """
        if authority is None:
            return 0.0
        found = rate_in_force(self._authorities[authority].rates, on)
        if found is None:
            return 0.0
        in_its_currency = duty_per_lpa(
            found.kind,
            found.rate,
            strength_percent=liquid.strength_percent,
            value_per_lpa=liquid.value_per_lpa,
        )
        # A percentage of a value already in the workspace's currency needs no exchange.
        if found.kind == "by_value_percent":
            return in_its_currency
        return in_its_currency * self.rate(found.currency, rate_on)

    def payment_lag_days(self, site: Site) -> int:
        """Return the days from discharge to payment of duty at a site."""
        return self._authorities[site.authority].payment_lag_days if site.authority else 0

    def contracts(self, supplier: str, liquid: str) -> tuple[Contract, ...]:
        """Return what a supplier has agreed to sell of a liquid."""
        return tuple(one for one in self._suppliers[supplier].contracts if one.liquid == liquid)

    def supplier(self, supplier: str) -> Supplier:
        """Return a supplier by its id."""
        return self._suppliers[supplier]

    def tier_price(self, supplier: str, contract: Contract, tier: int, on: date) -> float:
        """Return the price per LPA of a tier on a day, in the workspace's currency (eq. 28)."""
        first = contract.tiers[0].price_per_lpa
        rows = [
            row
            for row in self._scenario.prices
            if (row.supplier, row.liquid) == (supplier, contract.liquid) and row.first_day <= on
        ]
        now = max(rows, key=lambda row: row.first_day).price_per_lpa if rows else first
        price = now + contract.tiers[tier].price_per_lpa - first
        return price * self.rate(self._suppliers[supplier].currency, on)
