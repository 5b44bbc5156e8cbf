"""The kinds of value a workspace holds: ids, texts, amounts, days, each with its limits."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints
from pydantic_core import PydanticCustomError, PydanticKnownError

from bulkflow.reading.cells import read_day
from bulkflow.reading.shape import pattern

__all__ = [
    "CURRENCY_PATTERN",
    "ID_PATTERN",
    "LINE_PATTERN",
    "NOTE_PATTERN",
    "Amount",
    "Count",
    "CurrencyCode",
    "Day",
    "Days",
    "Id",
    "Latitude",
    "Longitude",
    "LotNumber",
    "Note",
    "Percent",
    "Positive",
    "PositiveCount",
    "Strength",
    "Temperature",
    "Text",
    "Weekday",
    "YesNo",
]

ID_PATTERN = pattern(
    r"^[A-Za-z0-9][A-Za-z0-9._-]*$",
    "An id is made of the letters a to z, digits, '.', '_' and '-', and starts with a letter or a"
    " digit.",
)
CURRENCY_PATTERN = pattern(
    r"^[A-Z]{3}$", "A currency is its code of three capital letters, such as EUR."
)
LINE_PATTERN = pattern(
    r"^[^=+@\p{Cc}-][^\p{Cc}]*$",
    "A text stands on one line, and does not start with = + - or @ (as a formula does).",
)
NOTE_PATTERN = pattern(
    r"^[^=+@\p{Cc}-]([^\p{Cc}]|[\n\t])*$",
    "A note holds no control characters, and does not start with = + - or @ (as a formula does).",
)

Id = Annotated[str, StringConstraints(strict=True, min_length=1, max_length=40, pattern=ID_PATTERN)]
# A text that starts with one of = + - @ would be computed by a spreadsheet that opens one of our
# tables; a control character would break tables and screens. Space around a text says nothing and
# is taken off.
Text = Annotated[
    str,
    StringConstraints(
        strict=True,
        strip_whitespace=True,
        min_length=1,
        max_length=200,
        pattern=LINE_PATTERN,
    ),
]
Note = Annotated[
    str,
    StringConstraints(
        strict=True,
        strip_whitespace=True,
        min_length=1,
        max_length=2000,
        pattern=NOTE_PATTERN,
    ),
]
LotNumber = Annotated[
    str,
    StringConstraints(
        strict=True,
        strip_whitespace=True,
        min_length=1,
        max_length=60,
        pattern=LINE_PATTERN,
    ),
]
CurrencyCode = Annotated[str, StringConstraints(strict=True, pattern=CURRENCY_PATTERN)]
# Beyond a million million, an amount is a slip of the pen, and a solver loses its digits. What
# other figures are divided by is a millionth or more.
LEAST_ABOVE_ZERO = 1e-6


def _no_trace(value: float) -> float:
    if 0.0 < value < LEAST_ABOVE_ZERO:
        raise PydanticKnownError("greater_than_equal", {"ge": LEAST_ABOVE_ZERO})
    return value


_NoTrace = AfterValidator(_no_trace)
Amount = Annotated[float, Field(strict=True, ge=0, le=1e12, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, gt=0, le=1e12, allow_inf_nan=False), _NoTrace]
Strength = Annotated[float, Field(strict=True, gt=0, le=100, allow_inf_nan=False), _NoTrace]
Percent = Annotated[float, Field(strict=True, ge=0, le=100, allow_inf_nan=False)]
Days = Annotated[int, Field(strict=True, ge=0, le=730)]
Count = Annotated[int, Field(strict=True, ge=0, le=100_000)]
PositiveCount = Annotated[int, Field(strict=True, ge=1, le=100_000)]
Latitude = Annotated[float, Field(strict=True, ge=-90, le=90, allow_inf_nan=False)]
Longitude = Annotated[float, Field(strict=True, ge=-180, le=180, allow_inf_nan=False)]
Temperature = Annotated[float, Field(strict=True, ge=-20, le=40, allow_inf_nan=False)]
YesNo = Annotated[bool, Field(strict=True)]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


def _iso_day(value: object) -> date:
    """Take a date, or a text in the one form that means the same day everywhere."""
    day = read_day(value)
    if isinstance(day, str):
        raise PydanticCustomError("not_a_day", "not a day", {"mend": day})
    return day


Day = Annotated[date, BeforeValidator(_iso_day)]
