"""Results of the uses as plain data for one JSON document: stable names, a schema, a version."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum
from typing import Any

import pandas as pd

__all__ = ["document", "plain"]


def document(use: str, **parts: object) -> dict[str, Any]:
    """Return a document of one use: schema, version and its parts."""
    return {
        "schema": f"panels.uses.{use}",
        "version": 1,
        **{name: plain(part) for name, part in parts.items()},
    }


def plain(value: object) -> Any:
    """Return a result as lists, dicts, texts and numbers; what is no finite number is null."""
    simple = _simple(value)
    if simple is not NotImplemented:
        return simple
    if isinstance(value, pd.DataFrame):
        return plain(value.reset_index().to_dict(orient="records"))
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no plain form")


def _simple(value: object) -> Any:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, (int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, date):
        return value.isoformat()
    item = getattr(value, "item", None)  # a number of numpy
    return plain(item()) if callable(item) else NotImplemented
