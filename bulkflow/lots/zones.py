"""Appending records about lots, each in the zone of the site where its lot lies."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import Lot
from bulkflow.lots.tables import LOT_TABLE, SITE_TABLE
from bulkflow.records.chain import Record, append_many, is_current
from bulkflow.records.kinds import Body, Kind

__all__ = ["append_about_lot", "append_about_lots"]

B = TypeVar("B", bound=Body)

_AT_ONCE = 1000


def append_about_lot(
    session: Session, kind: Kind[B], body: B, *, supersedes: int | None = None
) -> Record:
    """Append one record about a lot."""
    return append_about_lots(session, kind, [(body, supersedes)])[0]


def append_about_lots(
    session: Session, kind: Kind[B], entries: Sequence[tuple[B, int | None]]
) -> list[Record]:
    """Append records about lots, in their order.

    Parameters
    ----------
    entries : bodies, each with the number of the record it supersedes (or None). Where no zone
        is declared for the lot's site, the session's is kept.
    """
    zones = _zones(session, {kind.subject(body) for body, _ in entries})
    sites = _site_zones(session)

    def zone(body: B) -> str | None:
        # The record of a lot says itself where it lies.
        return sites.get(body.site_id) if isinstance(body, Lot) else zones.get(kind.subject(body))

    return append_many(session, kind, entries, zone=zone)


def _site_zones(session: Session) -> dict[str, str]:
    rows = session.execute(
        select(SITE_TABLE.c.site_id, SITE_TABLE.c.zone).where(is_current(SITE_TABLE.c.seq))
    )
    return dict(_pairs(rows))


def _zones(session: Session, lot_ids: Iterable[str]) -> dict[str, str]:
    names = sorted(lot_ids)
    found: dict[str, str] = {}
    for start in range(0, len(names), _AT_ONCE):
        rows = session.execute(
            select(LOT_TABLE.c.lot_id, SITE_TABLE.c.zone)
            .join(SITE_TABLE, SITE_TABLE.c.site_id == LOT_TABLE.c.site_id)
            .where(
                LOT_TABLE.c.lot_id.in_(names[start : start + _AT_ONCE]),
                is_current(LOT_TABLE.c.seq),
                is_current(SITE_TABLE.c.seq),
            )
        )
        found.update(_pairs(rows))
    return found


def _pairs(rows: Any) -> Iterable[tuple[str, str]]:
    return ((str(name), str(zone)) for name, zone in rows)
