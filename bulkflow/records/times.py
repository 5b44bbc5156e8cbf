"""Instants in UTC, and the zone of the site they belong to.

An instant is kept as text, ``2026-03-09T07:15:02.000417Z``: the same on every database, sorted
as it reads, and exactly what is hashed. The zone is an IANA name, kept beside it, so that the
local day can be told years later even if the zone's rules change.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

__all__ = ["Clock", "check_zone", "local_time", "system_clock", "utc_from_text", "utc_text"]

Clock = Callable[[], datetime]

_FORM = "%Y-%m-%dT%H:%M:%S.%fZ"


def system_clock() -> datetime:
    """Return this machine's time in UTC."""
    return datetime.now(UTC)


def utc_text(instant: datetime) -> str:
    """Return an aware instant as the text that is stored and hashed.

    Raises
    ------
    ValueError
        If the instant has no zone.
    """
    if instant.tzinfo is None:
        raise ValueError("an instant without a zone cannot be recorded")
    return instant.astimezone(UTC).strftime(_FORM)


def utc_from_text(text: str) -> datetime:
    """Return the instant that :func:`utc_text` wrote."""
    return datetime.strptime(text, _FORM).replace(tzinfo=UTC)


def check_zone(name: str) -> str:
    """Return `name` if it is a known IANA zone.

    Raises
    ------
    ValueError
        If it is not.
    """
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(
            f"{name!r} is not a known time zone; give an IANA name such as Europe/Lisbon"
        ) from error
    return name


def local_time(text: str, zone: str) -> datetime:
    """Return a stored instant in the wall time of its site."""
    return utc_from_text(text).astimezone(ZoneInfo(zone))
