"""From failed validations to the faults that users are told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.records.kinds import Body

__all__ = ["body_of", "faults_of"]

T = TypeVar("T", bound=Body)


def body_of(kind: type[T], fields: Mapping[str, Any]) -> T:
    """Return a record body made of `fields`; those that are None are not given.

    Raises
    ------
    InputError
        With every fault of the fields.
    """
    try:
        return kind.model_validate({k: v for k, v in fields.items() if v is not None})
    except ValidationError as error:
        raise InputError(faults_of(error)) from error


def faults_of(
    error: ValidationError, *, file: str = "", line: int = 0, prefix: str = ""
) -> list[Fault]:
    """Return every fault of a failed validation, in the form users are told."""
    faults = []
    for item in error.errors():
        place = [str(part) for part in item["loc"]]
        where = ".".join([prefix, *place] if prefix else place)
        found, mend = _words(item["type"], item["msg"], item["input"])
        faults.append(Fault(file, line, where, found, mend))
    return faults


_MENDS = {
    "missing": ("is missing", "Give it."),
    "extra_forbidden": ("is not a field known here", "Leave it out, or correct its name."),
}


def _words(kind: str, message: str, given: object) -> tuple[str, str]:
    if kind in _MENDS:
        return _MENDS[kind]
    if kind == "value_error":
        return message.removeprefix("Value error, "), "Correct it."
    if kind == "string_pattern_mismatch":
        return f"is {_short(given)}", (
            "Start with a letter or digit; use letters, digits, spaces and . : / # ( ) _ - only."
        )
    return f"is {_short(given)}", f"{message}."


def _short(given: object) -> str:
    text = repr(given)
    return text if len(text) <= 60 else text[:57] + "..."
