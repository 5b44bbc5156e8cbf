"""Duty per litre of pure alcohol, from the ways in which authorities state a rate.

Pure: numbers in, numbers out. Which rate is in force on a day is found by ``rate_in_force``.
Excise law decides what is owed; take licensed advice before relying on a figure.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Literal, Protocol, TypeVar

__all__ = ["DatedRate", "RateKind", "duty_per_lpa", "rate_in_force"]

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
