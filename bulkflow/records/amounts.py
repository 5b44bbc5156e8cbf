"""Amounts as fixed-point decimals, rounded once.

Litres of pure alcohol, litres, kilograms and % vol are kept to three places, laboratory values
to six. In the database an amount is a whole number of thousandths (or millionths): exact on
both databases, summed exactly, ordered as numbers; SQLite has no decimal type of its own. In
records and in Python it is a :class:`~decimal.Decimal` with all its places.

Rounding happens once, where a computed number enters a record, by the rule declared for the
site's authority; the record keeps the rule's name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer
from sqlalchemy import BigInteger
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

__all__ = [
    "LARGEST",
    "MILLIONTHS",
    "ROUNDINGS",
    "STANDARD_ROUNDING",
    "THOUSANDTHS",
    "Amount",
    "FixedPoint",
    "LabValue",
    "Percent",
    "PositiveAmount",
    "Rounding",
    "SignedAmount",
]

THOUSANDTHS = 3
MILLIONTHS = 6
#: Largest amount taken: a thousand million of any unit, far above any stock, so that a slip
#: of units shows, and sums of millions of rows stay inside 64 bits.
LARGEST = Decimal(10**9)


class FixedPoint(TypeDecorator[Decimal]):
    """A decimal with a fixed number of places, stored as a whole number.

    Parameters
    ----------
    places : places after the point.
    """

    impl = BigInteger
    cache_ok = True

    def __init__(self, places: int = THOUSANDTHS) -> None:
        super().__init__()
        self.places = places

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> int | None:
        """Return the whole number stored; an amount with more places is a mistake."""
        if value is None:
            return None
        shifted = Decimal(value).scaleb(self.places)
        if shifted != shifted.to_integral_value():
            raise ValueError(f"{value} has more than {self.places} places; round it first")
        return int(shifted)

    def process_result_value(self, value: Any, dialect: Dialect) -> Decimal | None:
        """Return the decimal, with all its places."""
        return None if value is None else Decimal(int(value)).scaleb(-self.places)


@dataclass(frozen=True, slots=True)
class Rounding:
    """How an authority has an amount rounded, once.

    Parameters
    ----------
    name : what records call the rule.
    quantum : the step rounded to, such as 0.001.
    mode : rounding mode of :mod:`decimal`.
    words : the rule in words.
    """

    name: str
    quantum: Decimal
    mode: str
    words: str

    def apply(self, value: Decimal | float) -> Decimal:
        """Return `value` rounded by this rule, with three places.

        A binary number is taken at its shortest decimal text, so that 2.675 means 2.675.

        Raises
        ------
        ValueError
            If the number is not finite.

        Examples
        --------
        >>> ROUNDINGS["down-0.1"].apply(1234.5678)
        Decimal('1234.500')
        """
        number = value if isinstance(value, Decimal) else Decimal(repr(float(value)))
        if not number.is_finite():
            raise ValueError(f"{value} is not a finite amount")
        return number.quantize(self.quantum, rounding=self.mode).quantize(Decimal("0.001"))


def _rule(name: str, step: str, mode: str, words: str) -> tuple[str, Rounding]:
    return name, Rounding(name, Decimal(step), mode, words)


#: The rules a site may declare. Which one an authority asks for is the declarer's to say.
ROUNDINGS: Mapping[str, Rounding] = MappingProxyType(
    dict(
        (
            _rule("nearest-0.001", "0.001", ROUND_HALF_UP, "to the nearest 0.001, half upwards"),
            _rule("nearest-0.01", "0.01", ROUND_HALF_UP, "to the nearest 0.01, half upwards"),
            _rule("nearest-0.1", "0.1", ROUND_HALF_UP, "to the nearest 0.1, half upwards"),
            _rule("even-0.01", "0.01", ROUND_HALF_EVEN, "to the nearest 0.01, half to even"),
            _rule("down-0.01", "0.01", ROUND_DOWN, "down to 0.01"),
            _rule("down-0.1", "0.1", ROUND_DOWN, "down to 0.1"),
            _rule("nearest-1", "1", ROUND_HALF_UP, "to the nearest whole litre, half upwards"),
            _rule("down-1", "1", ROUND_DOWN, "down to the whole litre"),
        )
    )
)

#: Used where a site declares none: the finest step of the accounts.
STANDARD_ROUNDING = ROUNDINGS["nearest-0.001"]


def _no_float(value: Any) -> Any:
    if isinstance(value, float | bool):
        raise ValueError("give a decimal, as text or Decimal, not a binary number")
    return value


def _with_places(places: int) -> Any:
    step = Decimal(1).scaleb(-places)

    def check(value: Decimal) -> Decimal:
        if abs(value) > LARGEST:
            raise ValueError(f"is {value}, above {LARGEST} in size")
        exact = value.quantize(step)
        if exact != value:
            raise ValueError(f"has more than {places} places")
        # A negative zero would make a second canonical form of nothing.
        return abs(exact) if exact == 0 else exact

    return AfterValidator(check)


_AS_TEXT = PlainSerializer(lambda value: format(value, "f"), return_type=str)

#: Zero or more, three places (litres of pure alcohol, litres, kilograms).
Amount = Annotated[
    Decimal, BeforeValidator(_no_float), Field(ge=0), _with_places(THOUSANDTHS), _AS_TEXT
]
#: Above zero, three places.
PositiveAmount = Annotated[
    Decimal, BeforeValidator(_no_float), Field(gt=0), _with_places(THOUSANDTHS), _AS_TEXT
]
#: Any sign, three places (temperatures, differences).
SignedAmount = Annotated[Decimal, BeforeValidator(_no_float), _with_places(THOUSANDTHS), _AS_TEXT]
#: 0 to 100, three places (strength in % vol at 20 degC).
Percent = Annotated[
    Decimal, BeforeValidator(_no_float), Field(ge=0, le=100), _with_places(THOUSANDTHS), _AS_TEXT
]
#: Any sign, six places (laboratory values and their limits).
LabValue = Annotated[Decimal, BeforeValidator(_no_float), _with_places(MILLIONTHS), _AS_TEXT]
