"""Questions to the register: lots in lists, one lot, and why it may or may not ship."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Select, exists, func, select, type_coerce
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Origin
from bulkflow.lots.gates import LotStatus, current_lots, gate_columns, lpa_left
from bulkflow.lots.inheritance import Blocker, all_inherited, inherited, status_with_parents
from bulkflow.lots.tables import LOT_TABLE, MARKET_TABLE, RESTRICTION_TABLE
from bulkflow.reading.words import did_you_mean
from bulkflow.records.amounts import FixedPoint

__all__ = [
    "LotFilter",
    "LotLine",
    "count_by_status",
    "find_lot",
    "left_in_lots",
    "list_lots",
    "lots_named",
]


@dataclass(frozen=True, slots=True)
class LotLine:
    """A lot in one line.

    Amounts in LPA [L of pure alcohol at 20 degC], strength in % vol at 20 degC. ``record`` is
    the record that describes it now; ``due_on`` the date by which a decision is promised;
    ``overridden`` is true for ever once any gate of the lot was overridden; ``by_parents`` where
    the status is not its own but that of lots behind it.
    """

    lot_id: str
    record: int
    liquid_id: str
    stage: str | None
    origin: str
    made_on: date | None
    site_id: str
    tank_id: str | None
    litres_20c: Decimal
    strength_percent: Decimal
    lpa: Decimal
    lpa_left: Decimal
    spirit_base: str | None
    supplier_id: str | None
    status: LotStatus
    due_on: date | None
    decision_record: int | None
    overridden: bool
    restrictions: tuple[str, ...] = ()
    markets: tuple[str, ...] = ()
    by_parents: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFilter:
    """What lots to list; what is None does not filter."""

    status: LotStatus | None = None
    liquid_id: str | None = None
    site_id: str | None = None
    tank_id: str | None = None
    supplier_id: str | None = None
    spirit_base: str | None = None
    restriction: str | None = None
    market: str | None = None
    with_stock: bool = False


EVERY_LOT = LotFilter()


def list_lots(
    session: Session,
    wanted: LotFilter = EVERY_LOT,
    *,
    after: str | None = None,
    limit: int | None = None,
) -> list[LotLine]:
    """Return lots in order of their names.

    Parameters
    ----------
    wanted : which.
    after : only lots whose name sorts after this one (the last of the page before).
    limit : at most so many.
    """
    query = _lines().where(*_conditions(wanted)).order_by(LOT_TABLE.c.lot_id)
    if after is not None:
        query = query.where(LOT_TABLE.c.lot_id > after)
    if wanted.status in (None, LotStatus.REJECTED):
        return _read(session, query if limit is None else query.limit(limit))
    if wanted.status is LotStatus.RELEASED:
        return _released(session, query, limit)
    # What others take over from their parents comes to those that are so by themselves.
    behind = all_inherited(session)
    more = [name for name in sorted(behind) if after is None or name > after]
    of_any = _lines().where(*_conditions(replace(wanted, status=None)))
    lines = {line.lot_id: line for line in _read(session, query, behind)}
    more = [name for name in more if name not in lines]
    for start in range(0, len(more), _AT_ONCE):
        part = more[start : start + _AT_ONCE]
        for line in _read(session, of_any.where(LOT_TABLE.c.lot_id.in_(part)), behind):
            lines[line.lot_id] = line
    listed = sorted(lines.values(), key=lambda line: line.lot_id)
    return [line for line in listed if line.status is wanted.status][:limit]


def _released(session: Session, query: Select[Any], limit: int | None) -> list[LotLine]:
    """Return lots that are released with their parents, page by page where so many are asked."""
    if limit is None:
        return [line for line in _read(session, query) if line.status is LotStatus.RELEASED]
    found: list[LotLine] = []
    after: str | None = None
    while len(found) < limit:
        page = query if after is None else query.where(LOT_TABLE.c.lot_id > after)
        lines = _read(session, page.limit(limit))
        found += [line for line in lines if line.status is LotStatus.RELEASED]
        if len(lines) < limit:
            break
        after = lines[-1].lot_id
    return found[:limit]


def left_in_lots(session: Session) -> dict[tuple[str, str], Decimal]:
    """Return what is left of all lots [LPA], by site and liquid; noughts left out."""
    inner = (
        current_lots()
        .add_columns(LOT_TABLE.c.site_id, LOT_TABLE.c.liquid_id, lpa_left().label("left"))
        .subquery()
    )
    total = type_coerce(func.sum(inner.c.left), FixedPoint())
    rows = session.execute(
        select(inner.c.site_id, inner.c.liquid_id, total).group_by(
            inner.c.site_id, inner.c.liquid_id
        )
    )
    return {(site, liquid): lpa for site, liquid, lpa in rows if lpa}


def lots_named(session: Session, lot_ids: Iterable[str]) -> dict[str, LotLine]:
    """Return the lots of these names that are in the register, by name."""
    names = sorted(set(lot_ids))
    found: dict[str, LotLine] = {}
    for start in range(0, len(names), _AT_ONCE):
        part = names[start : start + _AT_ONCE]
        lines = _read(session, _lines().where(LOT_TABLE.c.lot_id.in_(part)))
        found.update((line.lot_id, line) for line in lines)
    return found


def find_lot(session: Session, lot_id: str) -> LotLine:
    """Return one lot.

    Raises
    ------
    InputError
        If it is not in the register; names the nearest ones.
    """
    lines = _read(session, _lines().where(LOT_TABLE.c.lot_id == lot_id))
    if lines:
        return lines[0]
    raise InputError(
        Fault("", 0, "lot", f"{lot_id!r} is not in the register", _nearest(session, lot_id))
    )


def count_by_status(session: Session, wanted: LotFilter = EVERY_LOT) -> dict[LotStatus, int]:
    """Return how many lots there are of each status."""
    inner = (
        current_lots()
        .add_columns(gate_columns()["status"].label("status"))
        .where(*_conditions(wanted))
        .subquery()
    )
    rows = session.execute(select(inner.c.status, func.count()).group_by(inner.c.status))
    counts = dict.fromkeys(LotStatus, 0)
    counts |= {LotStatus(status): int(count) for status, count in rows}
    for own, status in _changed_by_parents(session, wanted):
        counts[own] -= 1
        if wanted.status in (None, own):
            counts[status] += 1
    return counts


def _changed_by_parents(
    session: Session, wanted: LotFilter
) -> Iterable[tuple[LotStatus, LotStatus]]:
    """Yield, for each lot whose status its parents change, its own and the changed one."""
    found = all_inherited(session)
    names = sorted(found)
    query = (
        current_lots()
        .add_columns(LOT_TABLE.c.lot_id, gate_columns()["status"].label("status"))
        .where(*_conditions(wanted))
    )
    for start in range(0, len(names), _AT_ONCE):
        part = names[start : start + _AT_ONCE]
        for lot_id, status in session.execute(query.where(LOT_TABLE.c.lot_id.in_(part))):
            own = LotStatus(status)
            changed = status_with_parents(own, found[lot_id])
            if changed is not own:
                yield own, changed


_AT_ONCE = 1000
_MANY = 2000


@cache
def _lines() -> Select[Any]:
    gates = gate_columns()
    return current_lots().add_columns(
        *LOT_TABLE.columns,
        lpa_left().label("lpa_left"),
        gates["status"].label("status"),
        gates["due_on"].label("due_on"),
        gates["decision_record"].label("decision_record"),
        gates["ever_overridden"].label("overridden"),
    )


def _conditions(wanted: LotFilter) -> list[ColumnElement[bool]]:
    column = LOT_TABLE.c
    conditions = [
        column[name] == value
        for name in ("liquid_id", "site_id", "tank_id", "supplier_id", "spirit_base")
        if (value := getattr(wanted, name)) is not None
    ]
    if wanted.restriction is not None:
        conditions.append(_has(RESTRICTION_TABLE, "restriction", wanted.restriction))
    if wanted.market is not None:
        conditions.append(_has(MARKET_TABLE, "market", wanted.market))
    if wanted.with_stock:
        conditions.append(lpa_left() > 0)
    if wanted.status is not None:
        conditions.append(gate_columns()["status"] == wanted.status.value)
    return conditions


def _has(table: Any, name: str, value: str) -> ColumnElement[bool]:
    return exists(
        select(table.c.seq)
        .where(table.c.seq == LOT_TABLE.c.seq, table.c[name] == value)
        .correlate(LOT_TABLE)
    )


def _read(
    session: Session,
    query: Select[Any],
    behind: Mapping[str, tuple[Blocker, ...]] | None = None,
) -> list[LotLine]:
    """Return the lines of a query, with what lots take over (``behind``, where it is known)."""
    rows = session.execute(query).mappings().all()
    seqs = [row["seq"] for row in rows]
    restrictions = _words(session, RESTRICTION_TABLE, "restriction", seqs)
    markets = _words(session, MARKET_TABLE, "market", seqs)
    lines = [_line(row, restrictions, markets) for row in rows]
    if behind is None:
        names = [line.lot_id for line in lines if line.origin != Origin.OPENING.value]
        # Upwards from a few lots, downwards from what is not in order for many.
        behind = all_inherited(session) if len(names) > _MANY else inherited(session, names)
    return [_with_parents(line, behind.get(line.lot_id, ())) for line in lines]


def _with_parents(line: LotLine, blockers: tuple[Blocker, ...]) -> LotLine:
    status = status_with_parents(line.status, blockers)
    return line if status is line.status else replace(line, status=status, by_parents=True)


def _line(
    row: Mapping[Any, Any],
    restrictions: Mapping[int, tuple[str, ...]],
    markets: Mapping[int, tuple[str, ...]],
) -> LotLine:
    fields = dict(row)
    seq = fields.pop("seq")
    return LotLine(
        **{
            **fields,
            "record": seq,
            "status": LotStatus(fields["status"]),
            "overridden": bool(fields["overridden"]),
            "restrictions": restrictions.get(seq, ()),
            "markets": markets.get(seq, ()),
        }
    )


def _words(
    session: Session, table: Any, name: str, seqs: Sequence[int]
) -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    for start in range(0, len(seqs), _AT_ONCE):
        part = seqs[start : start + _AT_ONCE]
        rows = session.execute(
            select(table.c.seq, table.c[name])
            .where(table.c.seq.in_(part))
            .order_by(table.c.seq, table.c.place)
        )
        for seq, word in rows:
            found[seq] = (*found.get(seq, ()), word)
    return found


def _nearest(session: Session, lot_id: str) -> str:
    names = session.scalars(select(LOT_TABLE.c.lot_id).distinct().limit(20_000)).all()
    return did_you_mean(lot_id, names, "List the lots to see their names.")
