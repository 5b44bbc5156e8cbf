"""Faults of shape in the user's words: missing, wrong type, out of range, unknown key.

The typed models find them; this module says for each what was found and what would be right.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import DAY_MEND, MOST_TOLD, did_you_mean, figure, nearest, shown
from bulkflow.wording import listed

__all__ = ["ShapeFault", "body_of", "faults_of", "field_path", "pattern", "shape_faults"]

T = TypeVar("T", bound=BaseModel)

_PATTERN_MENDS: dict[str, str] = {}


def pattern(expression: str, mend: str) -> str:
    """Return a regular expression for texts, after noting what is right where it does not match."""
    _PATTERN_MENDS[expression] = mend
    return expression


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


def field_path(parts: tuple[str | int, ...]) -> str:
    """Join the parts of a path.

    Examples
    --------
    >>> field_path(("lanes", 3, "tank_type"))
    'lanes[3].tank_type'
    """
    path = ""
    for part in parts:
        if isinstance(part, int):
            path += f"[{part}]"
        else:
            path += f".{part}" if path else part
    return path


def shape_faults(error: ValidationError, model: type[BaseModel]) -> Iterator[ShapeFault]:
    """Turn what validation of a ``model`` found into the user's words."""
    for details in error.errors(include_url=False):
        # A list is short by its wrong items, too; those have been told already.
        if details["type"] == "too_short" and _length(details) < len(details["input"]):
            continue
        found, mend = _described(details, model)
        yield ShapeFault(tuple(details["loc"]), found, mend)


def faults_of(
    error: ValidationError,
    model: type[BaseModel],
    *,
    file: str = "",
    line: int = 0,
    prefix: tuple[str | int, ...] = (),
) -> list[Fault]:
    """Return every fault of a failed validation, at one line, below the path ``prefix``."""
    return [
        Fault(file, line, field_path((*prefix, *fault.parts)), fault.found, fault.mend)
        for fault in shape_faults(error, model)
    ]


def body_of(kind: type[T], fields: Mapping[str, Any]) -> T:
    """Return a record made of ``fields``; those that are None are not given.

    Raises
    ------
    InputError
        With every fault of the fields.
    """
    try:
        return kind.model_validate({k: v for k, v in fields.items() if v is not None})
    except ValidationError as error:
        raise InputError(faults_of(error, kind)) from error


def _length(details: ErrorDetails) -> int:
    return int(details.get("ctx", {}).get("actual_length", 0))


def _described(details: ErrorDetails, model: type[BaseModel]) -> tuple[str, str]:
    kind, value = details["type"], details["input"]
    if kind == "extra_forbidden":
        key = str(details["loc"][-1])
        return "is not a key known here", did_you_mean(key, _keys_at(model, details["loc"]))
    if kind == "missing":
        return "is missing", "Add it."
    if value is None:
        may_go = "" if _is_required(model, details["loc"]) else ", or leave the key out"
        return "is empty", f"Give it a value{may_go}."
    if "mend" in details.get("ctx", {}):
        return f"is {shown(value)}", str(details["ctx"]["mend"])
    describe = _BY_KIND.get(kind)
    if describe is None:
        return f"is {shown(value)}", f"{details['msg']}."
    return describe(value, details.get("ctx", {}))


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
    mend = _PATTERN_MENDS.get(context["pattern"], f"It has the form {context['pattern']}.")
    return f"is {shown(value)}", mend


def _choice(value: object, context: dict[str, Any]) -> tuple[str, str]:
    words = [word.strip("'") for word in context["expected"].replace(" or ", ", ").split(", ")]
    near = nearest(value, words) if isinstance(value, str) else None
    if near and len(words) > 1:
        return (
            f"is {shown(value)}",
            f"Did you mean {near}? It is {listed(words, MOST_TOLD, last='or')}.",
        )
    return f"is {shown(value)}", f"It is {listed(words, MOST_TOLD, last='or')}."


def _at_least(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", f"It is {figure(context['ge'])} or more."


def _above(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", f"It is above {figure(context['gt'])}."


def _at_most(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", f"It is at most {figure(context['le'])}."


def _too_long(value: object, context: dict[str, Any]) -> tuple[str, str]:
    length = len(value) if isinstance(value, str) else 0
    return f"has {length} characters", f"At most {context['max_length']} fit."


def _too_few(value: object, context: dict[str, Any]) -> tuple[str, str]:
    if not value:
        return "is an empty list", "Give at least one item."
    return f"has {context['actual_length']} items", f"Give {context['min_length']} at least."


def _too_many(value: object, context: dict[str, Any]) -> tuple[str, str]:
    found = context["actual_length"] or "too many"
    return f"has {found} items", f"Give {context['max_length']} at most."


def _judged(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return str(context["error"]).rstrip("."), "Correct it."


def _places(value: object, context: dict[str, Any]) -> tuple[str, str]:
    return f"is {shown(value)}", f"Give at most {context['decimal_places']} decimals."


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
    "too_short": _too_few,
    "too_long": _too_many,
    "model_type": _group,
    "model_attributes_type": _group,
    "decimal_max_places": _places,
    "value_error": _judged,
    **dict.fromkeys(("decimal_type", "decimal_parsing", "float_parsing"), _number),
    **dict.fromkeys(("int_parsing", "int_from_float"), _whole_number),
    **dict.fromkeys(
        ("date_type", "date_parsing", "date_from_datetime_parsing", "date_from_datetime_inexact"),
        lambda value, _: (f"is {shown(value)}", DAY_MEND),
    ),
}


def _keys_at(model: type[BaseModel], parts: tuple[str | int, ...]) -> list[str]:
    """Return the keys of the record that holds the last of ``parts``."""
    return list(_model_at(model, parts[:-1]).model_fields)


def _is_required(model: type[BaseModel], parts: tuple[str | int, ...]) -> bool:
    last = parts[-1] if parts else 0
    field = None if isinstance(last, int) else _model_at(model, parts[:-1]).model_fields.get(last)
    return field is None or field.is_required()


def _model_at(model: type[BaseModel], parts: tuple[str | int, ...]) -> type[BaseModel]:
    current: type[BaseModel] = model
    for part in parts:
        if isinstance(part, str) and part in current.model_fields:
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
