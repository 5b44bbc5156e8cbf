"""Duty on LPA at a place on a day: by the workspace's authority, else by the published rate.

Exact, rounded once by the authority's rule. Excise law decides what is owed; take licensed
advice before relying on a figure.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from bulkflow.account.gauging import proof_gallons_of
from bulkflow.duty import DutyDue, DutyQuantity, DutyTerms, duty_due, rate_in_force
from bulkflow.rules import duty_schedule, jurisdiction_of, money_rounding
from bulkflow.scenario.model import Authority, Scenario, Site, Supplier

__all__ = ["Owing", "Places", "duty_on"]

EVERYWHERE = "ALL"


@dataclass(frozen=True, slots=True)
class Owing:
    """Duty on an amount: how much, to whom, when, and on what rate.

    ``basis`` says where the rate comes from.
    """

    due: DutyDue
    authority: str
    on: date
    payable: date
    basis: str


class Places:
    """What a scenario says of sites and suppliers, by id."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.sites = {one.id: one for one in scenario.sites}
        self.suppliers = {one.id: one for one in scenario.suppliers}
        self.authorities = {one.id: one for one in scenario.authorities}
        self.liquids = {one.id: one for one in scenario.liquids}
        self.lanes = {one.id: one for one in scenario.lanes}

    def jurisdiction(self, place: str) -> str | None:
        """Return the ISO 3166 code of a site's or supplier's country; None where not known."""
        found: Site | Supplier | None = self.sites.get(place) or self.suppliers.get(place)
        return None if found is None else jurisdiction_of(found.country)

    def in_proof_gallons(self, place: str) -> bool:
        """Whether a place keeps its books in proof gallons."""
        return self.jurisdiction(place) == "US"

    def authority_of(self, place: str) -> Authority | None:
        """Return the authority the workspace names for a site."""
        site = self.sites.get(place)
        return None if site is None else self.authorities.get(site.authority or "")


def duty_on(
    places: Places, site: str, liquid_id: str, lpa: Decimal, strength_percent: Decimal, on: date
) -> Owing | None:
    """Return the duty on LPA of a liquid at a site; None where no rate is known.

    Parameters
    ----------
    lpa : zero or more.
    strength_percent : of the liquid [% vol at 20 degC], above 0.
    """
    place = places.jurisdiction(site)
    rounding = money_rounding(place or EVERYWHERE, on=on) or money_rounding(EVERYWHERE, on=on)
    assert rounding is not None  # the rules have one for everywhere
    quantity = _quantity(places, liquid_id, lpa, strength_percent)
    authority = places.authority_of(site)
    rate = None if authority is None else rate_in_force(authority.rates, on)
    if authority is not None and rate is not None:
        own = places.scenario.currency
        terms = DutyTerms(rate.kind, Decimal(repr(rate.rate)), rate.currency or own)
        payable = on + timedelta(days=authority.payment_lag_days)
        basis = f"workspace, {rate.source or 'no source given'}, from {rate.first_day}"
        due = duty_due(terms, quantity, rounding)
        return Owing(due, authority.name or authority.id, on, payable, basis)
    schedule = None if place is None else duty_schedule(place, on=on)
    if schedule is None:
        return None
    due = duty_due(DutyTerms.of_rule(schedule), quantity, rounding)
    basis = f"{schedule.source}, {schedule.basis.value}"
    return Owing(due, f"excise, {place}", on, on, basis)


def _quantity(
    places: Places, liquid_id: str, lpa: Decimal, strength_percent: Decimal
) -> DutyQuantity:
    value = (
        Decimal(repr(places.liquids[liquid_id].value_per_lpa))
        if liquid_id in places.liquids
        else Decimal(0)
    )
    return DutyQuantity(
        lpa=lpa,
        litres=100 * lpa / strength_percent,
        degree=strength_percent,
        value=lpa * value,
        proof_gallons=proof_gallons_of(lpa).amount,
    )
