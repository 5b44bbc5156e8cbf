"""Recall: from a bad lot on to loads, sites and bottles, and from a bottle back to its origins.

Lots, loads and bottlings are joined by what was drawn: parent into lot, lot into load or
bottling, load into the lot or the bottling it became. Liquid that met in a tank is followed
through it (:mod:`bulkflow.account.mixing`), whatever name a drawing was taken under: so a bottle
that may hold some of a suspect lot is named, with the least and the most there can be.

Each generation is read with one query a kind of link, whatever the size of the register.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import Bottling, SourceKind
from bulkflow.account.mixing import Amounts, followed, needed_for
from bulkflow.account.queries import bottlings_named
from bulkflow.account.tables import CODE_TABLE, GAUGING_TABLE, SOURCE_TABLE
from bulkflow.account.vessels import vessels_behind, vessels_beyond
from bulkflow.errors import Fault, InputError
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.tables import LOAD_TABLE, SHARE_TABLE, STEP_TABLE
from bulkflow.lots.bodies import BOTTLING_DRAWS, ENTRY_DRAWS, TRANSFER_DRAWS
from bulkflow.lots.explaining import short_reasons
from bulkflow.lots.queries import find_lot, lots_named
from bulkflow.lots.tables import DRAW_TABLE, PARENT_TABLE
from bulkflow.records.chain import is_current

__all__ = [
    "Link",
    "NodeKind",
    "Reached",
    "Recall",
    "behind_bottle",
    "behind_lot",
    "beyond_lot",
    "find_bottling",
]

_AT_ONCE = 500


class NodeKind(StrEnum):
    """What a recall reaches."""

    LOT = "lot"
    LOAD = "load"
    BOTTLING = "bottling"


Node = tuple[NodeKind, str]


@dataclass(frozen=True, slots=True)
class Link:
    """LPA that went from one to another; ``planned`` where it is allocated and not yet drawn."""

    source: Node
    target: Node
    lpa: Decimal
    planned: bool = False


@dataclass(frozen=True, slots=True)
class Reached:
    """A lot, load or bottling that a recall reached.

    Parameters
    ----------
    generation : links away, by the shortest way.
    share : of its alcohol that came from the lot asked (beyond), or of the asked bottling's
        alcohol that came from it (behind); None where only a plan links them.
    lpa : that share in LPA, where every vessel was well mixed.
    least, most : what it can be at the least and at the most, in whatever order liquid left the
        vessels (:mod:`bulkflow.account.mixing`). A least above 0: it contains it; else it may.
    where : the site it lies at or goes to; `state` its status or what it is.
    cases, codes : of a bottling.
    """

    kind: NodeKind
    name: str
    generation: int
    share: Decimal | None
    lpa: Decimal | None
    least: Decimal | None
    most: Decimal | None
    liquid_id: str
    where: str
    state: str
    cases: int | None = None
    codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Recall:
    """Everything reached from one start, and the links on the way.

    ``direction`` is ``beyond`` or ``behind``; ``remarks`` say where the trail ends.
    """

    start: Node
    direction: str
    reached: tuple[Reached, ...]
    links: tuple[Link, ...]
    remarks: tuple[str, ...] = ()

    def of_kind(self, kind: NodeKind) -> tuple[Reached, ...]:
        """Return what was reached of one kind."""
        return tuple(one for one in self.reached if one.kind is kind)

    @property
    def sites(self) -> tuple[str, ...]:
        """The sites concerned."""
        return tuple(sorted({one.where for one in self.reached if one.where}))

    @property
    def cases(self) -> int:
        """Cases of bottles concerned."""
        return sum(one.cases or 0 for one in self.reached)


def beyond_lot(session: Session, lot_id: str) -> Recall:
    """Return all that a lot went into: lots, loads (planned ones too) and bottles.

    Raises
    ------
    InputError
        If the lot is not in the register.
    """
    line = find_lot(session, lot_id)
    start = (NodeKind.LOT, lot_id)
    links, generations = _walk(start, lambda edge: _links_from(session, edge))
    amounts = _amounts_beyond(session, lot_id)
    found = _recall(session, start, "beyond", links, generations, amounts)
    state = line.status.value
    why = short_reasons(session, [line])[lot_id].removeprefix(f"{state}: ")
    return replace(found, remarks=(f"{lot_id} is {state}: {why}",))


def behind_bottle(session: Session, name: str) -> Recall:
    """Return all that lies behind a bottle, given by its code or its lot of bottles.

    Raises
    ------
    InputError
        If no lot of bottles has the name or the code.
    """
    bottling = find_bottling(session, name)
    start = (NodeKind.BOTTLING, bottling.bottling_id)
    links, generations = _walk(start, lambda edge: _links_to(session, edge), backwards=True)
    amounts = {**_amounts_behind(session, start), start: _all_of(bottling.lpa_taken)}
    found = _recall(session, start, "behind", links, generations, amounts)
    return replace(found, remarks=tuple(_ends(bottling, found)))


def _ends(bottling: Bottling, found: Recall) -> Iterable[str]:
    """Say where nothing more is known."""
    for source in bottling.sources:
        if source.kind is SourceKind.STOCK:
            yield (
                f"{source.lpa} LPA of {source.liquid_id} came from stock at {bottling.site_id} not"
                " kept by lot: the register does not know what lies behind it."
            )
    known = {link.target for link in found.links}
    for one in found.of_kind(NodeKind.LOAD):
        if (one.kind, one.name) not in known:
            yield f"Load {one.name} was under way when the register began: its lots are not known."


def behind_lot(session: Session, lot_id: str) -> Recall:
    """Return all that lies behind a lot: lots, and loads it was received from.

    Raises
    ------
    InputError
        If the lot is not in the register.
    """
    line = find_lot(session, lot_id)
    start = (NodeKind.LOT, lot_id)
    links, generations = _walk(start, lambda edge: _links_to(session, edge), backwards=True)
    amounts = {**_amounts_behind(session, start), start: _all_of(line.lpa)}
    return _recall(session, start, "behind", links, generations, amounts)


def _all_of(lpa: Decimal) -> Amounts:
    return Amounts(float(lpa), float(lpa), float(lpa))


def find_bottling(session: Session, name: str) -> Bottling:
    """Return the lot of bottles of a name, or the one whose codes hold it.

    Raises
    ------
    InputError
        If there is none, or several hold the code.
    """
    found = bottlings_named(session, [name])
    if found:
        return found[-1].bottling
    # Compared here, since databases order texts differently.
    rows = session.execute(
        select(CODE_TABLE.c.bottling_id, CODE_TABLE.c.first_code, CODE_TABLE.c.last_code).where(
            CODE_TABLE.c.length == len(name), is_current(CODE_TABLE.c.seq)
        )
    )
    names = sorted({bottling for bottling, first, last in rows if first <= name <= last})
    if len(names) == 1:
        return bottlings_named(session, names)[-1].bottling
    if names:
        words = f"{name!r} is on bottles of {', '.join(names)}"
        raise InputError(Fault("", 0, "bottle", words, "Name the lot of bottles."))
    mend = "Give a code as printed on the bottle, or the lot of bottles."
    raise InputError(Fault("", 0, "bottle", f"{name[:60]!r} is not in the register", mend))


# --- walking -----------------------------------------------------------------------------------


def _walk(
    start: Node, following: Any, *, backwards: bool = False
) -> tuple[list[Link], dict[Node, int]]:
    """Follow links generation by generation; each node once, each link once."""
    generations: dict[Node, int] = {start: 0}
    links: list[Link] = []
    edge, generation = [start], 0
    while edge:
        generation += 1
        found = following(edge)
        links += found
        nearest = {link.source if backwards else link.target for link in found}
        edge = sorted(node for node in nearest if node not in generations)
        generations.update(dict.fromkeys(edge, generation))
    return links, generations


def _names(edge: Sequence[Node], kind: NodeKind) -> list[str]:
    return [name for its_kind, name in edge if its_kind is kind]


def _rows(session: Session, query: Any, column: Any, names: Sequence[str]) -> Iterable[Any]:
    for start in range(0, len(names), _AT_ONCE):
        yield from session.execute(query.where(column.in_(names[start : start + _AT_ONCE])))


def _links_from(session: Session, edge: Sequence[Node]) -> list[Link]:
    """Return the links that leave some nodes."""
    lots, loads = _names(edge, NodeKind.LOT), _names(edge, NodeKind.LOAD)
    found = _parent_links(session, PARENT_TABLE.c.parent_id, lots)
    found += _draw_links(session, DRAW_TABLE.c.lot_id, lots)
    found += _planned_links(session, SHARE_TABLE.c.lot_id, lots)
    found += _receipt_links(session, GAUGING_TABLE.c.load_id, loads)
    found += _source_links(session, SOURCE_TABLE.c.source_id, loads, SourceKind.LOAD)
    return found


def _links_to(session: Session, edge: Sequence[Node]) -> list[Link]:
    """Return the links that come to some nodes."""
    lots, loads = _names(edge, NodeKind.LOT), _names(edge, NodeKind.LOAD)
    bottlings = _names(edge, NodeKind.BOTTLING)
    found = _parent_links(session, PARENT_TABLE.c.lot_id, lots)
    found += _receipt_links(session, GAUGING_TABLE.c.as_lot, lots)
    drawn = [*loads, *(f"{BOTTLING_DRAWS}{name}" for name in bottlings)]
    found += _draw_links(session, DRAW_TABLE.c.load_id, drawn)
    found += _source_links(session, SOURCE_TABLE.c.bottling_id, bottlings, SourceKind.LOAD)
    return found


def _parent_links(session: Session, column: Any, names: Sequence[str]) -> list[Link]:
    table = PARENT_TABLE.c
    query = select(table.parent_id, table.lot_id, table.lpa).where(is_current(table.seq))
    return [
        Link((NodeKind.LOT, parent), (NodeKind.LOT, child), lpa)
        for parent, child, lpa in _rows(session, query, column, names)
    ]


def _draw_links(session: Session, column: Any, names: Sequence[str]) -> list[Link]:
    table = DRAW_TABLE.c
    query = select(table.lot_id, table.load_id, table.lpa).where(is_current(table.seq))
    return [
        Link((NodeKind.LOT, lot), _drawn_into(into), lpa)
        for lot, into, lpa in _rows(session, query, column, names)
        # An entry's is no journey; what a move brought elsewhere is followed in its vessels.
        if not into.startswith((ENTRY_DRAWS, TRANSFER_DRAWS))
    ]


def _drawn_into(name: str) -> Node:
    if name.startswith(BOTTLING_DRAWS):
        return NodeKind.BOTTLING, name.removeprefix(BOTTLING_DRAWS)
    return NodeKind.LOAD, name


def _planned_links(session: Session, column: Any, names: Sequence[str]) -> list[Link]:
    """Return what is allocated to loads that were not loaded yet."""
    table = SHARE_TABLE.c
    query = select(table.lot_id, table.load_id, table.lpa).where(is_current(table.seq))
    rows = list(_rows(session, query, column, names))
    states = _states(session, sorted({load for _, load, _ in rows}))
    waiting = {LoadState.PLANNED, LoadState.PROMISED, LoadState.HELD, LoadState.ISSUED}
    return [
        Link((NodeKind.LOT, lot), (NodeKind.LOAD, load), lpa, planned=True)
        for lot, load, lpa in rows
        if states.get(load) in waiting
    ]


def _receipt_links(session: Session, column: Any, names: Sequence[str]) -> list[Link]:
    table = GAUGING_TABLE.c
    query = select(table.load_id, table.as_lot, table.lpa).where(
        is_current(table.seq), table.as_lot.is_not(None)
    )
    return [
        Link((NodeKind.LOAD, load), (NodeKind.LOT, lot), lpa)
        for load, lot, lpa in _rows(session, query, column, names)
    ]


def _source_links(
    session: Session, column: Any, names: Sequence[str], kind: SourceKind
) -> list[Link]:
    table = SOURCE_TABLE.c
    query = select(table.source_id, table.bottling_id, table.lpa).where(
        is_current(table.seq), table.kind == kind.value
    )
    return [
        Link((NodeKind.LOAD, load), (NodeKind.BOTTLING, bottling), lpa)
        for load, bottling, lpa in _rows(session, query, column, names)
    ]


# --- what it is --------------------------------------------------------------------------------


def _recall(
    session: Session,
    start: Node,
    direction: str,
    links: Sequence[Link],
    generations: Mapping[Node, int],
    amounts: Mapping[Node, Amounts],
) -> Recall:
    """Put together what was reached: by links, and by what met it in a vessel only."""
    last = max(generations.values(), default=0) + 1
    met = {node: last for node, one in amounts.items() if one.most > 0 and node not in generations}
    facts = _facts(session, [*generations, *met])
    whole = amounts[start].mixed if direction == "behind" else None
    reached = []
    for node, generation in sorted(
        {**generations, **met}.items(), key=lambda item: (item[1], item[0])
    ):
        found = amounts.get(node)
        own = facts[node].pop("lpa", None)
        base = Decimal(repr(whole)) if whole is not None else own
        share = None
        if found is not None and base:
            share = (Decimal(repr(found.mixed)) / base).quantize(Decimal("0.000001"))
        figures = (
            (None, None, None)
            if found is None
            else tuple(_lpa(one) for one in (found.mixed, found.least, found.most))
        )
        reached.append(Reached(*node, generation, share, *figures, **facts[node]))
    return Recall(start, direction, tuple(reached), tuple(links))


def _lpa(value: float) -> Decimal:
    return Decimal(repr(value)).quantize(Decimal("0.001"))


def _amounts_beyond(session: Session, lot_id: str) -> dict[Node, Amounts]:
    found = followed(vessels_beyond(session, [lot_id]), [("lot", lot_id)])
    return {_node(node): amounts[0] for node, amounts in found.items()}


def _amounts_behind(session: Session, start: Node) -> dict[Node, Amounts]:
    """Return how much of the start each lot and load behind it can be."""
    kind, name = start
    asked = (kind.value, name)
    vessels = needed_for(vessels_behind(session, asked), asked)
    begins = sorted(node for node in vessels.made if node != ("lot", name) or kind != "lot")
    told = followed(vessels, begins, asked).get(asked, [])
    return {_node(node): one for node, one in zip(begins, told, strict=False) if one.most > 0}


def _node(node: tuple[str, str]) -> Node:
    return NodeKind(node[0]), node[1]


def _facts(session: Session, nodes: Sequence[Node]) -> dict[Node, dict[str, Any]]:
    facts: dict[Node, dict[str, Any]] = {}
    for name, line in lots_named(session, _names(nodes, NodeKind.LOT)).items():
        facts[NodeKind.LOT, name] = {
            "liquid_id": line.liquid_id,
            "where": line.site_id,
            "state": line.status.value,
            "lpa": line.lpa,
        }
    loads = _names(nodes, NodeKind.LOAD)
    states = _states(session, loads)
    query = select(LOAD_TABLE.c.load_id, LOAD_TABLE.c.destination, LOAD_TABLE.c.lpa).where(
        is_current(LOAD_TABLE.c.seq)
    )
    for name, where, lpa in _rows(session, query, LOAD_TABLE.c.load_id, loads):
        facts[NodeKind.LOAD, name] = {
            "liquid_id": "", "where": where, "state": states.get(name, ""), "lpa": lpa,
        }  # fmt: skip
    for one in bottlings_named(session, _names(nodes, NodeKind.BOTTLING)):
        body = one.bottling
        facts[NodeKind.BOTTLING, body.bottling_id] = {
            "liquid_id": body.sources[0].liquid_id,
            "where": body.site_id,
            "state": f"{body.product_id}, {body.on}",
            "cases": body.cases,
            "codes": tuple(f"{codes.first} to {codes.last}" for codes in body.codes),
            "lpa": body.lpa_taken,
        }
    unknown = {"liquid_id": "", "where": "", "state": "not in the register"}
    return {node: facts.get(node, unknown) for node in nodes}


def _states(session: Session, loads: Sequence[str]) -> dict[str, str]:
    last = select(func.max(STEP_TABLE.c.seq).label("seq")).group_by(STEP_TABLE.c.load_id)
    found: dict[str, str] = {}
    for start in range(0, len(loads), _AT_ONCE):
        part = loads[start : start + _AT_ONCE]
        ends = last.where(STEP_TABLE.c.load_id.in_(part)).subquery()
        query = select(STEP_TABLE.c.load_id, STEP_TABLE.c.state).join(
            ends, ends.c.seq == STEP_TABLE.c.seq
        )
        found.update((str(name), str(state)) for name, state in session.execute(query))
    return found
