"""Duty: what a rate comes to, what falls due on a quantity, what is at risk on the way.

Pure: numbers in, numbers out. The planner works in floats per LPA (:func:`duty_per_lpa`); what
is owed is exact, in ``Decimal``, and rounded once by the authority's rule (:func:`duty_due`).
Excise law decides what is owed; take licensed advice before relying on a figure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal, InvalidOperation, localcontext
from typing import Literal, Protocol, TypeAlias, TypeVar

from bulkflow.errors import OutOfRangeError
from bulkflow.rules import DutySchedule, RoundingMode

__all__ = [
    "DatedRate",
    "DutyDue",
    "DutyQuantity",
    "DutyTerms",
    "Exact",
    "LegRisk",
    "RateKind",
    "RiskLeg",
    "Rounding",
    "duty_at_risk",
    "duty_due",
    "duty_per_lpa",
    "greatest_risk",
    "rate_in_force",
    "risk_on",
    "round_to",
]

RateKind = Literal["per_lpa", "per_litre", "by_value_percent", "per_litre_degree"]


class DatedRate(Protocol):
    """Anything with the day from which it holds."""

    @property
    def first_day(self) -> date:
        """The first day on which the rate holds."""


R = TypeVar("R", bound=DatedRate)


def rate_in_force(rates: Iterable[R], on: date) -> R | None:
    """Return the rate with the latest ``first_day`` on or before ``on``, or None."""
    past = [rate for rate in rates if rate.first_day <= on]
    return max(past, key=lambda rate: rate.first_day) if past else None


def duty_per_lpa(
    kind: RateKind, rate: float, *, strength_percent: float, value_per_lpa: float
) -> float:
    """Duty on one LPA of a liquid, in the currency of the rate (eq. 29).

    Parameters
    ----------
    kind : how the rate is stated.
    rate : per LPA; per litre of liquid at 20 degC; per cent of value; or per litre-degree
        (one litre at 1 % vol).
    strength_percent : strength of the liquid [% vol at 20 degC, above 0].
    value_per_lpa : value of the liquid [money/LPA], used by ``by_value_percent``.

    Examples
    --------
    >>> duty_per_lpa("per_litre", 8.0, strength_percent=80.0, value_per_lpa=0.0)
    10.0
    """
    if not 0.0 < strength_percent <= 100.0:
        raise ValueError(f"strength_percent is {strength_percent}; it lies above 0 and up to 100")
    match kind:
        case "per_lpa":
            return rate
        case "per_litre":
            return rate * 100.0 / strength_percent
        case "by_value_percent":
            return rate / 100.0 * value_per_lpa
        case "per_litre_degree":
            return rate * 100.0


# --- what falls due --------------------------------------------------------------------------

ScheduleKind = Literal[
    "per_lpa",
    "per_litre",
    "by_value_percent",
    "per_litre_degree",
    "per_proof_gallon",
    "per_litre_stepped",
]

Exact: TypeAlias = Decimal | int | float
"""A number to be taken exactly; a float stands for the shortest decimal that gives it."""

_DIGITS = 40  # enough that no product of amounts here is rounded before its rule says so
_UNITS = {
    "lpa": "LPA",
    "litres": "L",
    "degree": "% vol",
    "proof_gallons": "proof gal",
    "share at risk": "%",
    "value": "money",
    "amount": "money",
    "rate of duty": "money",
    "duty per LPA": "money/LPA",
}  # of the numbers checked here, for messages
_MODES = {RoundingMode.HALF_UP: ROUND_HALF_UP, RoundingMode.DOWN: ROUND_DOWN}


class Rounding(Protocol):
    """A rule of rounding, such as ``bulkflow.rules.MoneyRounding``."""

    @property
    def quantum(self) -> Decimal:
        """The step that results keep to: 0.01, or 100."""

    @property
    def mode(self) -> RoundingMode:
        """What happens to the rest."""


@dataclass(frozen=True, slots=True)
class DutyTerms:
    """A rate of duty as the authority states it.

    Parameters
    ----------
    kind : as in :class:`bulkflow.rules.DutySchedule`.
    rate : per LPA, litre, litre-degree or proof gallon; or per cent of value.
    currency : ISO 4217 code.
    up_to_degree, rate_per_further_degree : of ``per_litre_stepped`` only.
    """

    kind: ScheduleKind
    rate: Decimal
    currency: str
    up_to_degree: Decimal | None = None
    rate_per_further_degree: Decimal | None = None

    def __post_init__(self) -> None:
        """Refuse rates below zero and steps without their figures."""
        _exact("rate of duty", self.rate)
        stepped = self.kind == "per_litre_stepped"
        if stepped != (self.up_to_degree is not None and self.rate_per_further_degree is not None):
            raise ValueError("up_to_degree and rate_per_further_degree go with per_litre_stepped")

    @classmethod
    def of_rule(cls, schedule: DutySchedule) -> DutyTerms:
        """Return the terms of a published schedule."""
        step, more = schedule.up_to_degree, schedule.rate_per_further_degree
        return cls(
            schedule.schedule,
            _exact("rate of duty", schedule.rate),
            schedule.currency,
            None if step is None else _exact("degree", step),
            None if more is None else _exact("rate of duty", more),
        )


@dataclass(frozen=True, slots=True)
class DutyQuantity:
    """What duty is charged on; give what the schedule asks for.

    Parameters
    ----------
    lpa : litres of pure alcohol at 20 degC (``per_lpa``, ``per_litre_degree``).
    litres : of product, at the legal temperature (``per_litre``, ``per_litre_stepped``).
    degree : % vol at the legal temperature (``per_litre_stepped``).
    value : in the currency of the rate (``by_value_percent``).
    proof_gallons : (``per_proof_gallon``).
    """

    lpa: Exact | None = None
    litres: Exact | None = None
    degree: Exact | None = None
    value: Exact | None = None
    proof_gallons: Exact | None = None

    def exactly(self, name: str) -> Decimal:
        """Return one of the amounts, which must have been given."""
        found: Exact | None = getattr(self, name)
        if found is None:
            raise ValueError(f"this schedule of duty needs {name} of the quantity")
        return _exact(name, found)


@dataclass(frozen=True, slots=True)
class DutyDue:
    """An amount of duty, before and after rounding, and how it was worked out."""

    amount: Decimal
    unrounded: Decimal
    currency: str
    arithmetic: str


def duty_due(terms: DutyTerms, quantity: DutyQuantity, rounding: Rounding) -> DutyDue:
    """Return the duty on a quantity, exact, rounded once by the authority's rule.

    Parameters
    ----------
    terms : the rate.
    quantity : with the amount that the kind of rate asks for.
    rounding : the authority's rule for money.

    Returns
    -------
    DutyDue

    Raises
    ------
    OutOfRangeError
        For amounts that are below zero or no finite numbers.
    ValueError
        If the quantity lacks what the schedule asks for.

    Examples
    --------
    >>> from bulkflow.rules import money_rounding
    >>> cents = money_rounding("IE", on=date(2026, 1, 1))
    >>> terms = DutyTerms("per_lpa", Decimal("33.99"), "GBP")
    >>> duty_due(terms, DutyQuantity(lpa=Decimal("21634.56")), cents).amount
    Decimal('735358.69')
    """
    with localcontext() as context:
        context.prec = _DIGITS
        unrounded, arithmetic = _charge(terms, quantity)
        amount = round_to(unrounded, rounding)
    if amount != unrounded:
        arithmetic = f"{arithmetic}, rounded {amount:,}"
    return DutyDue(amount, unrounded, terms.currency, f"{arithmetic} {terms.currency}")


def round_to(value: Exact, rounding: Rounding) -> Decimal:
    """Return a number rounded to the quantum of a rule, halves up or the rest cut off.

    Examples
    --------
    >>> from bulkflow.rules import money_rounding
    >>> round_to(Decimal("123456.78"), money_rounding("JP", on=date(2026, 1, 1)))
    Decimal('123400')
    """
    with localcontext() as context:
        context.prec = _DIGITS
        steps = _exact("amount", value) / rounding.quantum
        whole = steps.to_integral_value(rounding=_MODES[rounding.mode])
        return (whole * rounding.quantum).quantize(min(rounding.quantum, Decimal(1)))


def _exact(name: str, value: Exact) -> Decimal:
    """Return a number as Decimal; it must be finite and zero or more."""
    try:
        found = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
    except InvalidOperation:
        found = Decimal("nan")
    if not found.is_finite() or found < 0:
        shown = math.nan if found.is_nan() else float(found)
        source = "an amount is zero or more"
        raise OutOfRangeError(name, shown, 0.0, math.inf, _UNITS.get(name, "units"), source)
    return found


def _charge(terms: DutyTerms, quantity: DutyQuantity) -> tuple[Decimal, str]:
    """Return the exact duty and its arithmetic."""
    rate = terms.rate
    match terms.kind:
        case "per_lpa":
            base, words = quantity.exactly("lpa"), "LPA"
        case "per_litre":
            base, words = quantity.exactly("litres"), "L"
        case "per_litre_degree":
            base, words = 100 * quantity.exactly("lpa"), "litre-degrees"
        case "per_proof_gallon":
            base, words = quantity.exactly("proof_gallons"), "proof gal"
        case "by_value_percent":
            base, words, rate = quantity.exactly("value"), "of value", rate / 100
        case "per_litre_stepped":
            base, words, rate = quantity.exactly("litres"), "L", _stepped_rate(terms, quantity)
    due = base * rate
    return due, f"{base:,f} {words} x {rate:f} = {due:,f}"


def _stepped_rate(terms: DutyTerms, quantity: DutyQuantity) -> Decimal:
    """Return the rate per litre at a degree: a begun degree is dropped."""
    if terms.up_to_degree is None or terms.rate_per_further_degree is None:
        raise ValueError("a stepped rate needs its step")  # __post_init__ does not let it be
    further = max(Decimal(0), (quantity.exactly("degree") - terms.up_to_degree) // 1)
    return terms.rate + further * terms.rate_per_further_degree


# --- what is at risk -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RiskLeg:
    """A part of a journey on which duty is at risk.

    Parameters
    ----------
    authority, guarantee : whose duty, and the security that answers for it.
    currency : of the guarantee.
    duty_per_lpa : in that currency.
    share_percent : of the duty that counts against the guarantee, 0..100.
    from_day, to_day : days after loading, both included.
    """

    authority: str
    guarantee: str
    currency: str
    duty_per_lpa: Exact
    share_percent: Exact
    from_day: int
    to_day: int

    def __post_init__(self) -> None:
        """Refuse shares above the whole and legs that end before they begin."""
        _exact("duty per LPA", self.duty_per_lpa)
        share = float(_exact("share at risk", self.share_percent))
        if share > 100.0:
            raise OutOfRangeError("share at risk", share, 0.0, 100.0, "%", "a part of the duty")
        first, last = self.from_day, self.to_day
        if first < 0 or last < first:
            source = "a leg begins on or after loading and ends on or after it begins"
            low = max(first, 0)
            raise OutOfRangeError("last day of a leg", last, low, math.inf, "days", source)


@dataclass(frozen=True, slots=True)
class LegRisk:
    """The duty at risk on one leg of a load: LPA x duty per LPA x share."""

    leg: RiskLeg
    amount: Decimal


def duty_at_risk(lpa: Exact, legs: Iterable[RiskLeg]) -> tuple[LegRisk, ...]:
    """Return what each leg of a load puts at risk, exact.

    Parameters
    ----------
    lpa : of the load, as loaded.
    legs : of its journey.

    Raises
    ------
    OutOfRangeError
        For amounts that are below zero or no finite numbers.
    """
    load = _exact("lpa", lpa)
    with localcontext() as context:
        context.prec = _DIGITS
        return tuple(LegRisk(leg, _share(leg) * load) for leg in legs)


def _share(leg: RiskLeg) -> Decimal:
    """Return what counts against the guarantee for one LPA."""
    share = _exact("share at risk", leg.share_percent)
    return _exact("duty per LPA", leg.duty_per_lpa) * share / 100


def risk_on(risks: Iterable[LegRisk], guarantee: str, day: int) -> Decimal:
    """Return what counts against a guarantee on a day after loading."""
    counted = [
        risk.amount
        for risk in risks
        if risk.leg.guarantee == guarantee and risk.leg.from_day <= day <= risk.leg.to_day
    ]
    return sum(counted, Decimal(0))


def greatest_risk(risks: Iterable[LegRisk]) -> dict[str, Decimal]:
    """Return, for each guarantee, the most that counts against it on any one day."""
    listed = tuple(risks)
    most: dict[str, Decimal] = {}
    for risk in listed:  # the sum can only rise on a day on which some leg begins
        name = risk.leg.guarantee
        then = risk_on(listed, name, risk.leg.from_day)
        most[name] = max(most.get(name, then), then)
    return most
