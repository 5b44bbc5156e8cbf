"""Faults of shape in the user's words: missing, wrong type, out of range, unknown key.

The typed model finds them; this module says for each what was found and what would be right.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from bulkflow.scenario.model import Record
from bulkflow.scenario.values import (
    CURRENCY_PATTERN,
    FIRST_YEAR,
    ID_PATTERN,
    LAST_YEAR,
    LINE_PATTERN,
    NOTE_PATTERN,
)

__all__ = ["DAY_MEND", "ShapeFault", "figure", "listed", "nearest", "shape_faults", "shown"]

DAY_MEND = "Write a day as year-month-day, such as 2027-01-04."

_FAR_MEND = f"Its year lies between {FIRST_YEAR} and {LAST_YEAR}; correct it."

_PATTERN_MENDS = {
    ID_PATTERN: "An id is made of the letters a to z, digits, '.', '_' and '-', and starts with a "
    "letter or a digit.",
    CURRENCY_PATTERN: "A currency is its code of three capital letters, such as EUR.",
    LINE_PATTERN: "A text stands on one line, and does not start with = + - or @ (as a formula "
    "does).",
    NOTE_PATTERN: "A note holds no control characters, and does not start with = + - or @ (as a "
    "formula does).",
}


@dataclass(frozen=True, slots=True)
class ShapeFault:
    """What is wrong at one place of a record.

    Parameters
    ----------
    parts : keys and positions that lead to the place from the record.
    found : what was found, in words.
    mend : what would be right.
    """

    parts: tuple[str | int, ...]
    found: str
    mend: str


def shape_faults(error: ValidationError, model: type[Record]) -> Iterator[ShapeFault]:
    """Turn what validation of a ``model`` found into the user's words."""
    for details in error.errors(include_url=False):
        # A list whose items are all wrong counts as empty; the items have been told already.
        if details["type"] == "too_short" and details["input"]:
            continue
        found, mend = _described(details, model)
        yield ShapeFault(tuple(details["loc"]), found, mend)


def shown(value: object) -> str:
    """Say what a value is: ``the text 'abc'``, ``-4``, ``a list``.

    Examples
    --------
    >>> shown("1,5"), shown(None), shown(True)
    ("the text '1,5'", 'empty', "the word 'true'")
    """
    if value is None or value == "":
        return "empty"
    if isinstance(value, bool):
        return f"the word '{str(value).lower()}'"
    if isinstance(value, int) and abs(value) >= 10**15:
        return f"{float(value):g}" if abs(value) < 10**300 else "a number beyond all use"
    if isinstance(value, int | float):
        return figure(value)
    if isinstance(value, str):
        short = value if len(value) <= 40 else value[:37] + "..."
        return f"the text {short!r}"
    if isinstance(value, dict):
        return "a group of keys"
    if isinstance(value, list | tuple):
        return "a list"
    return f"{value}"


def figure(value: float) -> str:
    """Write a number in full, without the digits that reckoning leaves behind.

    Examples
    --------
    >>> figure(0.1 + 0.2), figure(1e12), figure(70000.0)
    ('0.3', '1000000000000', '70000')
    """
    return f"{value:.15g}"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most like ``word``, or None where none comes near."""
    choices = list(known)
    folded = {choice.lower(): choice for choice in reversed(choices)}
    close = difflib.get_close_matches(word.lower(), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def listed(words: Sequence[str], *, last: str = "or", most: int = 12) -> str:
    """Join words for a sentence, cutting a long list short.

    Examples
    --------
    >>> listed(["a", "b", "c"])
    'a, b or c'
    """
    if len(words) > most:
        return ", ".join(words[:most]) + f" and {len(words) - most} more"
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + f" {last} {words[-1]}"


def _described(details: ErrorDetails, model: type[Record]) -> tuple[str, str]:
    kind, value = details["type"], details["input"]
    if kind == "extra_forbidden":
        key = str(details["loc"][-1])
        return "is not a key known here", _known_keys_mend(key, _keys_at(model, details["loc"]))
    if kind == "missing":
        return "is missing", "Add it."
    if value is None:
        may_go = "" if _is_required(model, details["loc"]) else ", or leave the key out"
        return "is empty", f"Give it a value{may_go}."
    describe = _BY_KIND.get(kind)
    if describe is None:
        return f"is {shown(value)}", f"{details['msg']}."
    return describe(value, details.get("ctx", {}))


def _known_keys_mend(key: str, known: Sequence[str]) -> str:
    if near := nearest(key, known):
        return f"Did you mean {near}?"
    return f"Known here: {listed(known, last='and', most=40)}."


def _number(value: object, _: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", "Write a number: a point for decimals, no separators, no unit."


def _whole_number(value: object, _: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", "Write a whole number."


def _text(value: object, _: dict[str, Any]) -> tuple[str, str]:
    if isinstance(value, dict | list):
        return f"is {shown(value)}", "Write a text."
    return f"is {shown(value)}", f"A text is needed; put it in quotes: '{_plain(value)}'."


def _plain(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)[:40]


def _pattern(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", _PATTERN_MENDS[context["pattern"]]


def _choice(value: object, context: dict[str, Any]) -> tuple[str, str]:
    words = [word.strip("'") for word in context["expected"].replace(" or ", ", ").split(", ")]
    near = nearest(value, words) if isinstance(value, str) else None
    if near and len(words) > 1:
        return f"is {shown(value)}", f"Did you mean {near}? It is {listed(words)}."
    return f"is {shown(value)}", f"It is {listed(words)}."


def _at_least(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", f"It is {figure(context['ge'])} or more."


def _above(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", f"It is above {figure(context['gt'])}."


def _at_most(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", f"It is at most {figure(context['le'])}."


def _too_long(value: object, context: dict[str, Any]) -> tuple[str, str]:
    length = len(value) if isinstance(value, str) else 0
    return f"has {length} characters", f"At most {context['max_length']} fit."


def _list(value: object, _: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", "A list is needed: [a, b], or one line '- a' for each item."


def _group(value: object, _: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", "Keys with their values are needed here (key: value)."


_BY_KIND: dict[str, Callable[[object, dict[str, Any]], tuple[str, str]]] = {
    "float_type": _number,
    "finite_number": _number,
    "int_type": _whole_number,
    "bool_type": lambda value, _: (f"is {shown(value)}", "Write true or false."),
    "string_type": _text,
    "string_too_short": lambda value, _: ("is empty", "Give it a value."),
    "string_too_long": _too_long,
    "string_pattern_mismatch": _pattern,
    "string_unicode": lambda value, _: ("holds half a character", "Type the text again."),
    "literal_error": _choice,
    "enum": _choice,
    "greater_than_equal": _at_least,
    "greater_than": _above,
    "less_than_equal": _at_most,
    "tuple_type": _list,
    "too_short": lambda value, _: ("is an empty list", "Give at least one item."),
    "model_type": _group,
    "model_attributes_type": _group,
    "not_a_day": lambda value, _: (f"is {shown(value)}", DAY_MEND),
    "far_day": lambda value, _: (f"is {shown(value)}", _FAR_MEND),
    "no_such_day": lambda value, _: (f"is {shown(value)}", "The calendar has no such day."),
}


def _keys_at(model: type[Record], parts: tuple[str | int, ...]) -> list[str]:
    """Return the keys of the record that holds the last of ``parts``."""
    return list(_model_at(model, parts[:-1]).model_fields)


def _is_required(model: type[Record], parts: tuple[str | int, ...]) -> bool:
    last = parts[-1] if parts else 0
    if isinstance(last, int):
        return True
    return _model_at(model, parts[:-1]).model_fields[last].is_required()


def _model_at(model: type[Record], parts: tuple[str | int, ...]) -> type[BaseModel]:
    current: type[BaseModel] = model
    for part in parts:
        if isinstance(part, str):
            current = _record_in(current.model_fields[part].annotation) or current
    return current


def _record_in(annotation: Any) -> type[BaseModel] | None:
    """Find the record type inside ``X``, ``X | None`` or ``tuple[X, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        if record := _record_in(inner):
            return record
    return None
