"""Limits that come from the law or from the workspace, beside those declared by hand.

They are recorded once the register holds a lot of their liquid, each with the rule behind it, and
stand beside the house's own limits: a limit declared by hand tightens or adds, it never takes the
place of one of these. Another version of the same rule supersedes the one before.
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import Limit
from bulkflow.lots.tables import LIMIT, LIMIT_TABLE, LOT_TABLE
from bulkflow.records.chain import Record, append, is_current
from bulkflow.records.schema import RECORD

__all__ = ["adopt_limits", "missing_limits", "standing_origin"]


def adopt_limits(session: Session, limits: Iterable[Limit]) -> list[Record]:
    """Record what of some limits of law is not in force yet, for liquids the register has lots of.

    Parameters
    ----------
    session : a writing session.
    limits : each with ``origin``, the rule it comes from.
    """
    return [
        append(session, LIMIT, limit, supersedes=before)
        for limit, before in missing_limits(session, limits)
    ]


def missing_limits(session: Session, limits: Iterable[Limit]) -> list[tuple[Limit, int | None]]:
    """Return the limits that :func:`adopt_limits` would record, each with what it supersedes."""
    wanted = list(limits)
    liquids = {limit.liquid_id for limit in wanted}
    held = set(
        session.scalars(
            select(LOT_TABLE.c.liquid_id).distinct().where(LOT_TABLE.c.liquid_id.in_(liquids))
        )
    )
    found: list[tuple[Limit, int | None]] = []
    for limit in wanted:
        if limit.liquid_id not in held:
            continue
        before = standing_origin(session, limit)
        if before is None or before[1] != limit:
            found.append((limit, before and before[0]))
    return found


def standing_origin(session: Session, limit: Limit) -> tuple[int, Limit] | None:
    """Return the limit in force of the same liquid, market, analyte and origin, and its record."""
    column = LIMIT_TABLE.c
    same_market = column.market.is_(None) if limit.market is None else column.market == limit.market
    query = (
        select(RECORD.c.seq, RECORD.c.version, RECORD.c.body)
        .join(LIMIT_TABLE, column.seq == RECORD.c.seq)
        .where(
            column.liquid_id == limit.liquid_id,
            column.analyte == limit.analyte,
            same_market,
            is_current(column.seq),
        )
    )
    for seq, version, body in session.execute(query):
        stands = LIMIT.read(version, body)
        if stands.origin == limit.origin:
            return seq, stands
    return None
