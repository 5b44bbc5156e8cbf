"""Money and duty by date: exchange rates, and duty per LPA at the rate in force (eqs. 29, 30)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from bulkflow.duty import duty_per_lpa, rate_in_force
from bulkflow.errors import Fault, InputError
from bulkflow.program.calendar import Periods
from bulkflow.scenario.lookup import exchange_rate
from bulkflow.scenario.model import Liquid, Scenario

__all__ = ["Money"]

FloatArray = NDArray[np.float64]
_DAYS_PER_YEAR = 365.0


class Money:
    """Amounts of a scenario in its own currency."""

    def __init__(self, scenario: Scenario, periods: Periods) -> None:
        self._periods = periods
        self._own = scenario.currency
        self._rates = scenario.exchange_rates
        self._authorities = {authority.id: authority for authority in scenario.authorities}
        self._capital_per_day = (
            scenario.finance.capital_rate_percent_per_year / 100.0 / _DAYS_PER_YEAR
        )
        self._factors: dict[str | None, FloatArray] = {}
        self._duty: dict[tuple[str, str, date], tuple[float, str | None]] = {}

    def factor_on(self, currency: str | None, day: date) -> float:
        """Return what one unit of a currency (None: the workspace's) is worth on a day.

        Raises
        ------
        InputError
            No row of ``exchange_rates`` holds on the day.
        """
        rate = exchange_rate(currency, self._own, self._rates, day)
        if rate is None:
            raise InputError(
                Fault(
                    "",
                    0,
                    f"exchange_rates of {currency}",
                    f"hold no rate on {day.isoformat()}",
                    f"Add a row with a first day on or before {day.isoformat()}.",
                )
            )
        return rate

    def factors(self, currency: str | None) -> FloatArray:
        """Return the worth of one unit of a currency on D(t), (T,)."""
        if currency not in self._factors:
            self._factors[currency] = np.array(
                [
                    self.factor_on(currency, self._periods.first_day(t))
                    for t in self._periods.numbers()
                ]
            )
        return self._factors[currency]

    def factor(self, currency: str | None, period: int) -> float:
        """Return the worth of one unit of a currency on D(period), any period."""
        if 1 <= period <= self._periods.count:
            return float(self.factors(currency)[period - 1])
        return self.factor_on(currency, self._periods.first_day(period))

    def duty(self, authority: str, liquid: Liquid, day: date) -> tuple[float, str | None]:
        """Return duty per LPA at the rate in force on a day, and its currency (eq. 29).

        Raises
        ------
        InputError
            The authority names no rate for the day.
        """
        key = (authority, liquid.id, day)
        if key not in self._duty:
            rate = rate_in_force(self._authorities[authority].rates, day)
            if rate is None:
                raise InputError(
                    Fault(
                        "",
                        0,
                        f"authorities {authority}",
                        f"has no rate in force on {day.isoformat()}",
                        f"Add a rate with a first day on or before {day.isoformat()}.",
                    )
                )
            amount = duty_per_lpa(
                rate.kind,
                rate.rate,
                strength_percent=liquid.strength_percent,
                value_per_lpa=liquid.value_per_lpa,
            )
            self._duty[key] = (amount, rate.currency)
        return self._duty[key]

    def duty_in(self, authority: str, liquid: Liquid, day: date, period: int) -> float:
        """Return duty per LPA at the rate of a day, in own money at the exchange of a period."""
        amount, currency = self.duty(authority, liquid, day)
        return amount * self.factor(currency, period)

    def duty_by_period(self, authority: str, liquid: Liquid) -> FloatArray:
        """Return duty per LPA at the rate in force on D(t), in own money, (T,)."""
        return np.array(
            [
                self.duty_in(authority, liquid, self._periods.first_day(t), t)
                for t in self._periods.numbers()
            ]
        )

    def capital(self, value: float, days: float) -> float:
        """Return the cost of capital of a value bound for some days (eq. 28)."""
        return value * self._capital_per_day * days

    def capital_each(self, values: FloatArray, days: Sequence[float] | float) -> FloatArray:
        """Return the cost of capital of several values."""
        bound: FloatArray = values * self._capital_per_day * np.asarray(days, dtype=float)
        return bound
