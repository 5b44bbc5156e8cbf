"""What a load puts at risk against each guarantee, what others use already, and what is left.

A leg counts from its first to its last day after loading (to the discharge, where no last day
is stated), at the rate in force on the day of loading. Guarantees are shown in their own
currency. Discharged loads no longer count: their receipt releases the guarantee.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from bulkflow.duty import LegRisk, RiskLeg, duty_at_risk, risk_on
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.queries import LoadRecord
from bulkflow.program.calendar import Periods, all_lane_days
from bulkflow.program.money import Money
from bulkflow.scenario.model import Guarantee, Lane, LoadRow, Scenario
from bulkflow.scenario.model import LoadState as RowState

__all__ = ["AT_RISK", "GuaranteeLine", "guarantee_lines"]

AT_RISK = frozenset({LoadState.ISSUED, LoadState.LOADED, LoadState.DEPARTED, LoadState.ARRIVED})
"""States in which a load's duty counts against a guarantee."""

_CENT = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class GuaranteeLine:
    """One guarantee on the first day on which this load counts against it.

    Amounts in the guarantee's currency. ``enough`` is false where nothing is left.

    Parameters
    ----------
    others : what other loads put at risk on that day; ``others_named`` are those loads.
    arithmetic : how the load's own amount was worked out.
    """

    guarantee: str
    name: str
    currency: str
    first_day: date
    last_day: date
    this_load: Decimal
    others: Decimal
    others_named: tuple[str, ...]
    limit: Decimal
    arithmetic: str

    @property
    def left(self) -> Decimal:
        """What is left of the limit; below zero where it does not suffice."""
        return self.limit - self.others - self.this_load

    @property
    def enough(self) -> bool:
        """Whether the guarantee covers this load beside the others."""
        return self.left >= 0


@dataclass(frozen=True, slots=True)
class _Journey:
    """A load as far as its risk goes."""

    name: str
    loading: date
    risks: tuple[LegRisk, ...]


def guarantee_lines(
    scenario: Scenario, load: LoadRecord, others: Iterable[LoadRecord], known: Collection[str]
) -> list[GuaranteeLine]:
    """Return a line for each guarantee that the load's lane names.

    Parameters
    ----------
    others : loads of the register; those at risk are counted.
    known : names of all its loads: rows of the workspace's own table that are not among them
        are counted too.

    Raises
    ------
    InputError
        If a rate of duty or of exchange is missing on a day on which it is needed.
    """
    reckoner = _Reckoner(scenario)
    own = reckoner.journey(load)
    rest = [
        reckoner.journey(one)
        for one in others
        if one.load_id != load.load_id and one.state in AT_RISK
    ]
    rest += [reckoner.row(row) for row in scenario.loads if reckoner.counts(row, known)]
    names = dict.fromkeys(risk.leg.guarantee for risk in own.risks)
    return [reckoner.line(name, own, rest) for name in names]


class _Reckoner:
    """Works out legs, rates and days of one scenario's loads."""

    def __init__(self, scenario: Scenario) -> None:
        self.periods = Periods.of(scenario.calendar)
        self.money = Money(scenario, self.periods)
        self.lanes = {one.id: one for one in scenario.lanes}
        self.liquids = {one.id: one for one in scenario.liquids}
        self.guarantees = {one.id: one for one in scenario.guarantees}
        self.currency = scenario.currency
        self.lane_days = all_lane_days(scenario, self.periods)

    def journey(self, load: LoadRecord) -> _Journey:
        """Return the risk of a load of the register."""
        lane = self.lanes[load.lane_id]
        risks = [
            risk
            for part in load.parts
            for risk in self._risks(
                lane, part.liquid_id, part.lpa, load.loading_day, load.discharge_day
            )
        ]
        return _Journey(load.load_id, load.loading_day, tuple(risks))

    def row(self, row: LoadRow) -> _Journey:
        """Return the risk of a row of the workspace's own table of loads."""
        lane = self.lanes[row.lane]
        days = self.lane_days[lane.id].of_row(row)
        lpa = Decimal(repr(row.lpa or 0.0))
        risks = self._risks(lane, row.liquid, lpa, days.loading, days.discharge)
        return _Journey(row.load_id, days.loading, tuple(risks))

    def counts(self, row: LoadRow, known: Collection[str]) -> bool:
        """Tell whether a row is at risk, and not on the register by its own name."""
        return row.load_id not in known and row.state is RowState.UNDER_WAY

    def line(self, name: str, own: _Journey, rest: Sequence[_Journey]) -> GuaranteeLine:
        guarantee = self.guarantees[name]
        legs = [risk for risk in own.risks if risk.leg.guarantee == name]
        first = own.loading + timedelta(days=min(risk.leg.from_day for risk in legs))
        last = own.loading + timedelta(days=max(risk.leg.to_day for risk in legs))
        used = {
            one.name: risk_on(one.risks, name, (first - one.loading).days)
            for one in rest
            if (first - one.loading).days >= 0
        }
        used = {name: amount for name, amount in used.items() if amount > 0}
        mine = risk_on(own.risks, name, (first - own.loading).days)
        return GuaranteeLine(
            guarantee=name,
            name=guarantee.name or name,
            currency=guarantee.currency or self.currency,
            first_day=first,
            last_day=last,
            this_load=_cents(mine),
            others=_cents(sum(used.values(), Decimal(0))),
            others_named=tuple(sorted(used)),
            limit=_cents(Decimal(repr(guarantee.limit))),
            arithmetic="; ".join(_words(risk) for risk in legs),
        )

    def _risks(
        self, lane: Lane, liquid: str, lpa: Decimal, loading: date, discharge: date
    ) -> Iterable[LegRisk]:
        last_day = (discharge - loading).days
        legs = []
        for leg in lane.legs:
            guarantee = self.guarantees[leg.guarantee]
            amount, currency = self.money.duty(leg.authority, self.liquids[liquid], loading)
            to_day = last_day + leg.days_after_discharge if leg.to_day is None else leg.to_day
            if to_day < leg.from_day:
                continue
            legs.append(
                RiskLeg(
                    authority=leg.authority,
                    guarantee=leg.guarantee,
                    currency=guarantee.currency or self.currency,
                    duty_per_lpa=amount * self._exchange(currency, guarantee, loading),
                    share_percent=leg.share_percent,
                    from_day=leg.from_day,
                    to_day=to_day,
                )
            )
        return duty_at_risk(lpa, legs)

    def _exchange(self, currency: str | None, guarantee: Guarantee, day: date) -> float:
        """Return what one unit of a rate's currency is in the guarantee's."""
        if (currency or self.currency) == (guarantee.currency or self.currency):
            return 1.0
        own = self.money.factor_on(currency, day)
        return own / self.money.factor_on(guarantee.currency, day)


def _words(risk: LegRisk) -> str:
    leg = risk.leg
    share = "" if Decimal(str(leg.share_percent)) == 100 else f" x {leg.share_percent:g} %"
    rate = float(leg.duty_per_lpa)
    return (
        f"{leg.authority}: {rate:,.4g} {leg.currency}/LPA{share} = {_cents(risk.amount):,}"
        f" {leg.currency}, days {leg.from_day} to {leg.to_day}"
    )


def _cents(amount: Decimal) -> Decimal:
    return amount.quantize(_CENT, rounding=ROUND_HALF_UP)
