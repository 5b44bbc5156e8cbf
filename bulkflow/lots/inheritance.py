"""What a lot takes over from the lots it was made from, over all generations.

A lot whose parents fail, are held or are not yet judged is no better than they are: its gate
*parents* is closed, whatever its own results and decisions say. It opens with theirs: by a
result, a decision, a lifted hold or an override recorded at the parent, with its own reason. What
was drawn from a rejected lot under a disposition (redistilled, blended away) is settled by that
record, and nothing behind it counts.

Parents are followed over loads too: of a lot that a load became, those are the lots loaded.
A liquid for which no release rule is declared (neutral spirit, as a rule) is not decided on: its
results are what is asked of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Select, and_, exists, select
from sqlalchemy.orm import Session

from bulkflow.lots.gates import LotStatus, current_lots, gate_columns
from bulkflow.lots.tables import (
    DRAW_TABLE,
    FROM_LOAD_TABLE,
    LOT_TABLE,
    PARENT_TABLE,
    RULE_TABLE,
)
from bulkflow.records.chain import is_current

__all__ = ["Blocker", "all_inherited", "inherited", "status_with_parents"]


@dataclass(frozen=True, slots=True)
class Blocker:
    """A lot behind another one that is not in order, with its own status."""

    lot_id: str
    status: LotStatus

    @property
    def fails(self) -> bool:
        """Whether it is held or rejected, rather than not yet judged."""
        return self.status is not LotStatus.AWAITING


def status_with_parents(own: LotStatus, blockers: Iterable[Blocker]) -> LotStatus:
    """Return a lot's status with what it takes over: never better than its own."""
    worst = [blocker.fails for blocker in blockers]
    if not worst or own in (LotStatus.REJECTED, LotStatus.HELD):
        return own
    return LotStatus.HELD if any(worst) else LotStatus.AWAITING


def inherited(session: Session, lot_ids: Iterable[str]) -> dict[str, tuple[Blocker, ...]]:
    """Return, for each lot that takes over anything, the lots behind it that are not in order."""
    behind = _behind(session, set(lot_ids))
    every = {name for names in behind.values() for name in names}
    blocking = _blocking(session, every)
    found = {
        lot_id: tuple(blocking[name] for name in sorted(names) if name in blocking)
        for lot_id, names in behind.items()
    }
    return {lot_id: blockers for lot_id, blockers in found.items() if blockers}


def all_inherited(session: Session) -> dict[str, tuple[Blocker, ...]]:
    """Return the same for the whole register, from the lots that are not in order downwards."""
    blocking = _blocking(session, None)
    found: dict[str, dict[str, Blocker]] = defaultdict(dict)
    edge = {name: {blocker} for name, blocker in blocking.items()}
    while edge:
        following: dict[str, set[Blocker]] = defaultdict(set)
        for parent, child in _links(session, list(edge), behind=False):
            new = {one for one in edge[parent] if one.lot_id not in found[child]}
            found[child].update((one.lot_id, one) for one in new)
            if new:
                following[child] |= new
        edge = following
    return {
        name: tuple(sorted(blockers.values(), key=lambda one: one.lot_id))
        for name, blockers in found.items()
        if blockers
    }


def _behind(session: Session, lot_ids: set[str]) -> dict[str, set[str]]:
    """Return every lot behind each of some lots."""
    parents: dict[str, set[str]] = defaultdict(set)
    asked: set[str] = set()
    edge = set(lot_ids)
    while edge:
        asked |= edge
        for parent, child in _links(session, sorted(edge), behind=True):
            parents[child].add(parent)
        edge = {name for child in edge for name in parents.get(child, ())} - asked
    return {lot_id: _reached(lot_id, parents) for lot_id in lot_ids if lot_id in parents}


def _reached(lot_id: str, parents: Mapping[str, set[str]]) -> set[str]:
    found: set[str] = set()
    waiting = list(parents.get(lot_id, ()))
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting.extend(parents.get(name, ()))
    return found - {lot_id}


_AT_ONCE = 1000


def _links(session: Session, names: list[str], *, behind: bool) -> Iterable[tuple[str, str]]:
    """Yield parent and child of every link at some lots, a disposed parent's left out."""
    child, parent = PARENT_TABLE.c.lot_id, PARENT_TABLE.c.parent_id
    came, drawn = FROM_LOAD_TABLE.c, DRAW_TABLE.c
    near = child if behind else parent
    near_load = came.lot_id if behind else drawn.lot_id
    by_parent = select(parent, child).where(
        PARENT_TABLE.c.disposition.is_(None), is_current(PARENT_TABLE.c.seq)
    )
    by_load = (
        select(drawn.lot_id, came.lot_id)
        .join(FROM_LOAD_TABLE, came.load_id == drawn.load_id)
        .join(LOT_TABLE, and_(LOT_TABLE.c.lot_id == drawn.lot_id, is_current(LOT_TABLE.c.seq)))
        .where(
            is_current(drawn.seq),
            is_current(came.seq),
            LOT_TABLE.c.liquid_id == came.liquid_id,
        )
    )
    for start in range(0, len(names), _AT_ONCE):
        part = names[start : start + _AT_ONCE]
        for query, column in ((by_parent, near), (by_load, near_load)):
            for row in session.execute(query.where(column.in_(part))):
                yield row[0], row[1]


def _blocking(session: Session, names: set[str] | None) -> dict[str, Blocker]:
    """Return which of some lots (None: of all) are not in order themselves."""
    if names is None:
        rows = list(session.execute(_not_in_order()))
    else:
        listed = sorted(names)
        rows = [
            row
            for start in range(0, len(listed), _AT_ONCE)
            for row in session.execute(
                _not_in_order().where(LOT_TABLE.c.lot_id.in_(listed[start : start + _AT_ONCE]))
            )
        ]
    return {row.lot_id: Blocker(row.lot_id, LotStatus(row.status)) for row in rows}


@cache
def _not_in_order() -> Select[Any]:
    gates = gate_columns()
    has_rule = exists(
        select(RULE_TABLE.c.seq)
        .where(RULE_TABLE.c.liquid_id == LOT_TABLE.c.liquid_id, is_current(RULE_TABLE.c.seq))
        .correlate(LOT_TABLE)
    )
    inner = (
        current_lots()
        .add_columns(
            LOT_TABLE.c.lot_id,
            LOT_TABLE.c.seq,
            gates["status"].label("status"),
        )
        .where(gates["status"] != LotStatus.RELEASED.value)
    )
    only_undecided = and_(
        gates["status"] == LotStatus.AWAITING.value,
        gates["laboratory_open"],
        gates["decision_record"].is_(None),
        ~has_rule,
    )
    return inner.where(~only_undecided)
