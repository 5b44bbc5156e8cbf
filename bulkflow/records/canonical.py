"""The canonical form of a record, and its hash.

The canonical form is JSON with these choices made once, so that any two programs that follow
them write the same bytes for the same record:

- keys sorted by code point, no white space, text in UTF-8 and not escaped beyond what JSON
  demands, every string in Unicode normal form C, no NUL and no lone surrogates;
- a field that is not given is left out (never ``null``), so that a later version may add
  optional fields without touching the form of earlier records;
- amounts are decimals written as text, with all their places (``"12345.678"``); whole numbers
  are JSON integers; binary floating-point numbers occur only in statistics of evidence, are
  finite, and are written as the shortest text that reads back to the same number;
- dates are ``YYYY-MM-DD``, instants are UTC with microseconds and ``Z``.

The hash of a record is SHA-256 (FIPS 180-4) over the canonical form of all its fields but the
hash itself; the field ``previous`` is the hash of the record before it, so each hash vouches
for everything up to it.
"""

from __future__ import annotations

import hashlib
import json
import math
import unicodedata
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any

__all__ = ["BEGINNING", "canonical_text", "chain_hash"]

#: What stands for ``previous`` in the first record of a chain.
BEGINNING = "0" * 64


def canonical_text(value: Any) -> str:
    """Return the canonical form of a JSON-like value.

    Parameters
    ----------
    value : mappings with string keys, lists, tuples, text, whole numbers, decimals, finite
        floating-point numbers, dates, truth values; ``None`` only as the value of a key, which
        is then left out.

    Raises
    ------
    ValueError
        If a number is not finite, or a text holds a NUL or a lone surrogate.
    TypeError
        If something has no canonical form.

    Examples
    --------
    >>> canonical_text({"b": Decimal("10.50"), "a": [1, True], "none": None})
    '{"a":[1,true],"b":"10.50"}'
    """
    return json.dumps(
        _plain(value),
        ensure_ascii=False,
        allow_nan=False,
        sort_keys=True,
        separators=(",", ":"),
    )


def chain_hash(fields: Mapping[str, Any]) -> str:
    """Return the hash of a record: SHA-256 of the canonical form of `fields` without ``hash``."""
    return hashlib.sha256(
        canonical_text({k: v for k, v in fields.items() if k != "hash"}).encode()
    ).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return _plain_text(value)
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return _plain_float(value)
    if isinstance(value, Mapping):
        return {_key(k): _plain(v) for k, v in value.items() if v is not None}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return _plain_scalar(value)


def _plain_scalar(value: Any) -> str:
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise ValueError(f"{value} is not a finite amount")
        return format(value, "f")
    if isinstance(value, datetime):
        raise TypeError("write instants with bulkflow.records.times.utc_text")
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no canonical form")


def _plain_float(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{value} is not a finite number")
    return value


def _plain_text(value: str) -> str:
    if value.isascii():
        if "\x00" in value:
            raise ValueError("a text holds a NUL character")
        return value
    if "\x00" in value or any("\ud800" <= mark <= "\udfff" for mark in value):
        raise ValueError("a text holds a NUL character or half a character")
    return unicodedata.normalize("NFC", value)


def _key(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"a key must be text, not {value!r}")
    return _plain_text(value)
