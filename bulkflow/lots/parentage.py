"""Parentage both ways: what a lot was made from, and what was made from it, in LPA.

The lots reached are found by one recursive query; how much of the alcohol of one lot lies in
another is then computed along the links, each lot taken as well mixed: a lot drawn in equal
parts from two parents is half of each. Only registered parents count;
of a lot that a load became, those are the lots that were loaded.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, select
from sqlalchemy.orm import Session

from bulkflow.lots.tables import DRAW_TABLE, FROM_LOAD_TABLE, LOT_TABLE, PARENT_TABLE
from bulkflow.records.chain import is_current

__all__ = ["Link", "Relation", "ancestors_of", "descendants_of", "links_behind", "links_beyond"]


@dataclass(frozen=True, slots=True)
class Link:
    """LPA drawn from a parent into a child [L of pure alcohol]."""

    parent_id: str
    child_id: str
    lpa: Decimal


@dataclass(frozen=True, slots=True)
class Relation:
    """A lot related to another one.

    Parameters
    ----------
    generation : links away, by the shortest way.
    share : of an ancestor, the part of the asked lot's alcohol that came from it; of a
        descendant, the part of its own alcohol that came from the asked lot (0 to 1).
    lpa : that part in LPA: of the asked lot for an ancestor, of the descendant otherwise.
    """

    lot_id: str
    liquid_id: str
    site_id: str
    supplier_id: str | None
    generation: int
    share: Decimal
    lpa: Decimal


def ancestors_of(session: Session, lot_id: str) -> list[Relation]:
    """Return the lots behind a lot, nearest first."""
    links = links_behind(session, lot_id)
    drawn = _totals(links)
    parents: dict[str, list[Link]] = defaultdict(list)
    for link in links:
        parents[link.child_id].append(link)
    shares: dict[str, Decimal] = defaultdict(Decimal, {lot_id: Decimal(1)})
    for name in _order(lot_id, {c: [k.parent_id for k in ks] for c, ks in parents.items()}):
        for link in parents.get(name, ()):
            shares[link.parent_id] += shares[name] * link.lpa / drawn[name]
    generations = _generations(lot_id, {c: [k.parent_id for k in ks] for c, ks in parents.items()})
    lots = _lots(session, [lot_id, *generations])
    whole = lots[lot_id][3] if lot_id in lots else Decimal(0)
    return _relations(generations, lots, shares, dict.fromkeys(generations, whole))


def descendants_of(session: Session, lot_id: str) -> list[Relation]:
    """Return the lots made from a lot, nearest first."""
    links = links_beyond(session, lot_id)
    children: dict[str, list[Link]] = defaultdict(list)
    for link in links:
        children[link.parent_id].append(link)
    ways = {p: [k.child_id for k in ks] for p, ks in children.items()}
    generations = _generations(lot_id, ways)
    drawn = _drawn_by(session, list(generations))
    shares: dict[str, Decimal] = defaultdict(Decimal, {lot_id: Decimal(1)})
    for name in _order(lot_id, ways):
        for link in children.get(name, ()):
            shares[link.child_id] += shares[name] * link.lpa / drawn[link.child_id]
    lots = _lots(session, list(generations))
    return _relations(generations, lots, shares, {name: lots[name][3] for name in lots})


def links_behind(session: Session, lot_id: str) -> list[Link]:
    """Return the links from a lot back to its origins."""
    return _links_over_loads(session, lot_id, behind=True)


def links_beyond(session: Session, lot_id: str) -> list[Link]:
    """Return the links from a lot on to everything made from it."""
    return _links_over_loads(session, lot_id, behind=False)


def _links_over_loads(session: Session, lot_id: str, *, behind: bool) -> list[Link]:
    """Follow parents, and from lot to lot over the loads that became lots."""
    parent, child = PARENT_TABLE.c.parent_id, PARENT_TABLE.c.lot_id
    found: dict[tuple[str, str], Link] = {}
    waiting, seen = [lot_id], {lot_id}
    while waiting:
        name = waiting.pop()
        links = _links(session, name, *((child, parent) if behind else (parent, child)))
        found.update({(link.parent_id, link.child_id): link for link in links})
        names = {name} | {link.parent_id if behind else link.child_id for link in links}
        for link in _over_loads(session, sorted(names), behind=behind):
            found[link.parent_id, link.child_id] = link
            far = link.parent_id if behind else link.child_id
            if far not in seen:
                seen.add(far)
                waiting.append(far)
    return list(found.values())


def _over_loads(session: Session, names: list[str], *, behind: bool) -> list[Link]:
    came, drawn = FROM_LOAD_TABLE.c, DRAW_TABLE.c
    near = came.lot_id if behind else drawn.lot_id
    query = (
        select(drawn.lot_id, came.lot_id, drawn.lpa)
        .join(FROM_LOAD_TABLE, came.load_id == drawn.load_id)
        .join(LOT_TABLE, and_(LOT_TABLE.c.lot_id == drawn.lot_id, is_current(LOT_TABLE.c.seq)))
        .where(is_current(drawn.seq), is_current(came.seq), LOT_TABLE.c.liquid_id == came.liquid_id)
    )
    return [
        Link(*row)
        for start in range(0, len(names), _AT_ONCE)
        for row in session.execute(query.where(near.in_(names[start : start + _AT_ONCE])))
    ]


_AT_ONCE = 1000


def _links(
    session: Session, lot_id: str, near: ColumnElement[str], far: ColumnElement[str]
) -> list[Link]:
    seed: Select[Any] = select(far.label("name")).where(
        near == lot_id, is_current(PARENT_TABLE.c.seq)
    )
    reached = seed.cte("reached", recursive=True)
    # UNION, not UNION ALL: a lot reached by many ways is followed once.
    reached = reached.union(
        select(far).where(near == reached.c.name, is_current(PARENT_TABLE.c.seq))
    )
    starts = select(reached.c.name)
    query = (
        select(PARENT_TABLE.c.parent_id, PARENT_TABLE.c.lot_id, PARENT_TABLE.c.lpa)
        .where(
            is_current(PARENT_TABLE.c.seq),
            (near == lot_id) | near.in_(starts),
        )
        .order_by(PARENT_TABLE.c.seq, PARENT_TABLE.c.place)
    )
    return [Link(*row) for row in session.execute(query)]


def _totals(links: list[Link]) -> dict[str, Decimal]:
    totals: dict[str, Decimal] = defaultdict(Decimal)
    for link in links:
        totals[link.child_id] += link.lpa
    return totals


def _drawn_by(session: Session, lot_ids: list[str]) -> dict[str, Decimal]:
    totals: dict[str, Decimal] = defaultdict(Decimal)
    for start in range(0, len(lot_ids), _AT_ONCE):
        rows = session.execute(
            select(PARENT_TABLE.c.lot_id, PARENT_TABLE.c.lpa).where(
                PARENT_TABLE.c.lot_id.in_(lot_ids[start : start + _AT_ONCE]),
                is_current(PARENT_TABLE.c.seq),
            )
        )
        for name, lpa in rows:
            totals[name] += lpa
        for link in _over_loads(session, lot_ids[start : start + _AT_ONCE], behind=True):
            totals[link.child_id] += link.lpa
    return totals


def _generations(start: str, ways: Mapping[str, list[str]]) -> dict[str, int]:
    found: dict[str, int] = {}
    edge, generation = [start], 0
    seen = {start}
    while edge:
        generation += 1
        following = []
        for name in edge:
            for other in ways.get(name, ()):
                if other not in seen:
                    seen.add(other)
                    found[other] = generation
                    following.append(other)
        edge = following
    return found


def _order(start: str, ways: Mapping[str, list[str]]) -> list[str]:
    """Return the lots reached so that each comes after all those it is reached from."""
    waiting: dict[str, int] = defaultdict(int)
    for others in ways.values():
        for other in others:
            waiting[other] += 1
    ready, order = [start], []
    while ready:
        name = ready.pop()
        order.append(name)
        for other in ways.get(name, ()):
            waiting[other] -= 1
            if waiting[other] == 0:
                ready.append(other)
    return order


def _lots(session: Session, names: list[str]) -> dict[str, tuple[str, str, str | None, Decimal]]:
    found: dict[str, tuple[str, str, str | None, Decimal]] = {}
    for start in range(0, len(names), _AT_ONCE):
        rows = session.execute(
            select(
                LOT_TABLE.c.lot_id,
                LOT_TABLE.c.liquid_id,
                LOT_TABLE.c.site_id,
                LOT_TABLE.c.supplier_id,
                LOT_TABLE.c.lpa,
            ).where(
                LOT_TABLE.c.lot_id.in_(names[start : start + _AT_ONCE]),
                is_current(LOT_TABLE.c.seq),
            )
        )
        for name, liquid, site, supplier, lpa in rows:
            found[name] = (liquid, site, supplier, lpa)
    return found


def _relations(
    generations: Mapping[str, int],
    lots: Mapping[str, tuple[str, str, str | None, Decimal]],
    shares: Mapping[str, Decimal],
    wholes: Mapping[str, Decimal],
) -> list[Relation]:
    step = Decimal("0.001")
    return [
        Relation(
            lot_id=name,
            liquid_id=lots[name][0],
            site_id=lots[name][1],
            supplier_id=lots[name][2],
            generation=generation,
            share=shares[name].quantize(Decimal("0.000001")),
            lpa=(shares[name] * wholes[name]).quantize(step),
        )
        for name, generation in sorted(generations.items(), key=lambda item: (item[1], item[0]))
    ]
