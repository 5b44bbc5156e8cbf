"""What counts against each guarantee on each day, from the records.

A leg of a movement counts from the day the load left (and the leg's first day) until it is
reported: an exit confirmation releases the legs that end on the way, a report of receipt all of
them. The day a leg was planned to end releases nothing. Stock counts against the storage
guarantee of its site. Amounts are rounded once, for each load and leg, in the guarantee's
currency.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from bulkflow.account.bodies import ReportKind
from bulkflow.account.ledger import Ledger
from bulkflow.account.movements import Movement
from bulkflow.errors import Fault, InputError
from bulkflow.program.calendar import Periods
from bulkflow.program.money import Money
from bulkflow.scenario.model import Guarantee, Leg, Liquid, Scenario

__all__ = ["GuaranteeDay", "Use", "guarantee_days", "uses_of"]

_CENT = Decimal("0.01")
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Use:
    """What one leg of one load puts at risk, from a day to a day (None: still open)."""

    guarantee: str
    load_id: str
    authority: str
    amount: Decimal
    first_day: date
    last_day: date | None
    released_by: str

    def on(self, day: date) -> bool:
        """Whether it counts on a day."""
        return self.first_day <= day and (self.last_day is None or day <= self.last_day)


@dataclass(frozen=True, slots=True)
class GuaranteeDay:
    """A guarantee on one day: what is used, of what limit, and by what."""

    guarantee: str
    currency: str
    day: date
    used: Decimal
    limit: Decimal
    by: tuple[tuple[str, Decimal], ...]

    @property
    def left(self) -> Decimal:
        """What is left; below zero where the guarantee does not suffice."""
        return self.limit - self.used


def uses_of(found: Sequence[Movement], scenario: Scenario) -> list[Use]:
    """Return what each leg of each movement puts at risk, and until when.

    Raises
    ------
    InputError
        If a rate of duty or of exchange is missing on a day on which it is needed.
    """
    rates = _Rates(scenario)
    lanes = {lane.id: lane for lane in scenario.lanes}
    return [
        use
        for one in found
        if one.load.lane_id in lanes
        for leg in lanes[one.load.lane_id].legs
        for use in _legs_use(one, leg, rates)
    ]


def _legs_use(one: Movement, leg: Leg, rates: _Rates) -> Iterable[Use]:
    last, by = None, "not released"
    exit_day, receipt_day = one.reported_on(ReportKind.EXIT), one.released_on
    if leg.to_day is not None and exit_day is not None:
        last, by = exit_day, "exit confirmation"
    if receipt_day is not None and (last is None or receipt_day < last):
        last, by = receipt_day, "report of receipt"
    back = one.taken_back_on
    if back is not None and (last is None or back < last):
        last, by = back, "taken back"
    first = one.left_on + leg.from_day * _DAY
    if last is not None and last < first:
        return
    amount = sum(
        (
            rates.amount(leg.guarantee, leg.authority, part.liquid_id, part.lpa, one.left_on)
            * Decimal(repr(leg.share_percent))
            / 100
            for part in one.load.parts
        ),
        Decimal(0),
    )
    yield Use(
        guarantee=leg.guarantee,
        load_id=one.load.load_id,
        authority=leg.authority,
        amount=amount.quantize(_CENT, rounding=ROUND_HALF_UP),
        first_day=first,
        last_day=last,
        released_by=by,
    )


def guarantee_days(
    ledger: Ledger, found: Sequence[Movement], scenario: Scenario, first: date, last: date
) -> list[GuaranteeDay]:
    """Return each guarantee on each day, both ends included.

    Raises
    ------
    InputError
        As :func:`uses_of`.
    """
    uses, rates = uses_of(found, scenario), _Rates(scenario)
    stored = {
        site.id: ledger.days(site.id, first, last)
        for site in scenario.sites
        if site.storage_guarantee is not None
    }
    days = []
    for guarantee in scenario.guarantees:
        for offset in range((last - first).days + 1):
            day = first + offset * _DAY
            by = [
                (use.load_id, use.amount)
                for use in uses
                if use.guarantee == guarantee.id and use.on(day)
            ]
            for site in scenario.sites:
                if site.storage_guarantee == guarantee.id and site.authority is not None:
                    held = stored[site.id][offset][1]
                    amount = sum(
                        (
                            rates.amount(guarantee.id, site.authority, liquid, lpa, day)
                            for liquid, lpa in held.items()
                        ),
                        Decimal(0),
                    )
                    by.append((f"stock at {site.id}", amount.quantize(_CENT, ROUND_HALF_UP)))
            days.append(
                GuaranteeDay(
                    guarantee=guarantee.id,
                    currency=guarantee.currency or scenario.currency,
                    day=day,
                    used=sum((amount for _, amount in by), Decimal("0.00")),
                    limit=Decimal(repr(guarantee.limit)).quantize(_CENT),
                    by=tuple(sorted(by)),
                )
            )
    return days


class _Rates:
    """Rates of duty in a guarantee's currency, exact."""

    def __init__(self, scenario: Scenario) -> None:
        self._money = Money(scenario, Periods.of(scenario.calendar))
        self._liquids: dict[str, Liquid] = {one.id: one for one in scenario.liquids}
        self._guarantees: dict[str, Guarantee] = {one.id: one for one in scenario.guarantees}
        self._own = scenario.currency

    def amount(
        self, guarantee: str, authority: str, liquid: str, lpa: Decimal, on: date
    ) -> Decimal:
        """Return the duty on LPA at the rate of a day, unrounded."""
        if liquid not in self._liquids:
            mend = "Add the liquid to scenario.yaml, where its duty is worked out."
            raise InputError(Fault("", 0, f"liquid {liquid}", "is not in the workspace", mend))
        rate, currency = self._money.duty(authority, self._liquids[liquid], on)
        return lpa * Decimal(repr(rate)) * Decimal(repr(self._exchange(currency, guarantee, on)))

    def _exchange(self, currency: str | None, guarantee: str, on: date) -> float:
        wanted = self._guarantees[guarantee].currency
        if (currency or self._own) == (wanted or self._own):
            return 1.0
        return self._money.factor_on(currency, on) / self._money.factor_on(wanted, on)
