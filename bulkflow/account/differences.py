"""What was sent against what was received: a difference, its uncertainty, and the allowance.

A difference inside its expanded uncertainty (k = 2, about 95 %) is not called a loss. One beyond
it is compared with what the authority allows, and where the uncertainty straddles the allowance
that is said. The authority decides; the words here are offered to the person who reports.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum

from bulkflow.account.gauging import ASSUMED_SHARE_LIMIT
from bulkflow.alcoholometry import Measured
from bulkflow.rules import LossAllowance, loss_allowance

__all__ = ["Difference", "Verdict", "compare", "stated"]

_STEP = Decimal("0.001")


class Verdict(StrEnum):
    """What a difference may be called."""

    NOISE = "within measurement"
    GAIN = "gain"
    ALLOWED = "loss within the allowance"
    STRADDLES = "loss, not told apart from the allowance"
    ABOVE = "loss above the allowance"
    NO_ALLOWANCE = "loss, no allowance is set"


@dataclass(frozen=True, slots=True)
class Difference:
    """Sent less received (and heel), in LPA.

    Parameters
    ----------
    uncertainty : expanded, k = 2.
    allowance : the rule compared with, and ``allowed`` its LPA; None where none sets a figure.
    jurisdiction : whose rule it is.
    """

    sent: Decimal
    received: Decimal
    heel: Decimal
    lpa: Decimal
    uncertainty: Decimal
    verdict: Verdict
    jurisdiction: str | None
    allowance: LossAllowance | None
    allowed: Decimal | None

    @property
    def percent(self) -> Decimal:
        """The difference in per cent of what was sent."""
        return (100 * self.lpa / self.sent).quantize(Decimal("0.01"), ROUND_HALF_UP)

    @property
    def is_loss(self) -> bool:
        """Whether it may be called a loss."""
        return self.verdict not in {Verdict.NOISE, Verdict.GAIN}

    @property
    def above(self) -> Decimal:
        """LPA by which a loss exceeds the allowance; 0 where it does not."""
        if not self.is_loss or self.allowed is None:
            return Decimal(0)
        return max(Decimal(0), self.lpa - self.allowed)

    @property
    def words(self) -> str:
        """The difference in a sentence."""
        said = f"{self.lpa:+,.3f} LPA ± {self.uncertainty:,.3f} (k = 2), {self.percent:+} %: "
        said += self.verdict.value
        if self.allowance is not None and self.allowed is not None:
            said += f" of {self.allowance.percent:g} % = {self.allowed:,.3f} LPA"
        return said


def stated(lpa: Decimal) -> Measured:
    """Return an amount that was stated and not gauged, with the uncertainty assumed of it."""
    return Measured.within(float(lpa), float(lpa * ASSUMED_SHARE_LIMIT))


def compare(
    sent: Measured,
    received: Measured,
    heel: Decimal,
    *,
    places: tuple[str | None, ...],
    on: date,
) -> Difference:
    """Return the difference of a movement, judged.

    Parameters
    ----------
    sent, received : LPA with standard uncertainty.
    heel : LPA that stayed in the tank.
    places : jurisdictions asked for an allowance in their order, the receiver's first.
    on : the day of receipt.
    """
    u = Measured(sent.value, sent.standard_uncertainty).minus(received).expanded_uncertainty
    gone = _decimal(sent.value) - _decimal(received.value) - heel
    uncertainty = _decimal(u)
    place, rule = _allowance(places, on)
    allowed = None
    if rule is not None and rule.percent is not None:
        allowed = (_decimal(sent.value) * Decimal(repr(rule.percent)) / 100).quantize(_STEP)
    return Difference(
        sent=_decimal(sent.value),
        received=_decimal(received.value),
        heel=heel,
        lpa=gone,
        uncertainty=uncertainty,
        verdict=_verdict(gone, uncertainty, allowed),
        jurisdiction=place,
        allowance=rule,
        allowed=allowed,
    )


def _verdict(gone: Decimal, uncertainty: Decimal, allowed: Decimal | None) -> Verdict:
    if abs(gone) <= uncertainty:
        return Verdict.NOISE
    if gone < 0:
        return Verdict.GAIN
    if allowed is None:
        return Verdict.NO_ALLOWANCE
    if gone + uncertainty <= allowed:
        return Verdict.ALLOWED
    return Verdict.ABOVE if gone - uncertainty > allowed else Verdict.STRADDLES


def _allowance(places: tuple[str | None, ...], on: date) -> tuple[str | None, LossAllowance | None]:
    """Return the first rule that sets a figure, else the first that says there is none."""
    found = [(place, loss_allowance(place, on=on)) for place in places if place is not None]
    known = [(place, rule) for place, rule in found if rule is not None]
    for place, rule in known:
        if rule.percent is not None:
            return place, rule
    return known[0] if known else (None, None)


def _decimal(value: float) -> Decimal:
    return Decimal(repr(float(value))).quantize(_STEP, rounding=ROUND_HALF_UP)
