"""Tables of the report that name lots and tanks: loads with their lots, gates, tank contents."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bulkflow.loads.bodies import LotShare
from bulkflow.lots.bodies import Gate
from bulkflow.lots.explaining import Explanation, GateState
from bulkflow.plan.result import HoldCost
from bulkflow.program.answer import Plan, PlannedLoad
from bulkflow.report.lots_in_loads import Filling
from bulkflow.report.tables import (
    Cell,
    Heading,
    Table,
    blank,
    day,
    decided_by,
    number,
    text,
    weeks,
)
from bulkflow.report.terms import Terms
from bulkflow.scenario.model import Lot, Scenario
from bulkflow.wording import amount

__all__ = [
    "KeyedLot",
    "Line",
    "TankSpell",
    "arrivals_table",
    "changed_tanks_table",
    "coming_lots",
    "constant_tanks",
    "gate_reasons",
    "gates_table",
    "held_loads_table",
    "keyed_lots",
    "loads_table",
    "lot_anchors",
    "lots_table",
    "tank_spells",
]

Fillings = Mapping[str, Filling]


@dataclass(frozen=True, slots=True)
class KeyedLot:
    """A lot with the short key that stands for it in the calendar, and the loads it is in."""

    key: str
    share: LotShare
    lpa: float
    loads: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text with its place on the page ('' for none), and links after it."""

    words: str
    anchor: str = ""
    links: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class TankSpell:
    """Weeks on end in which a tank is set to one liquid; whether it was changed to it then."""

    site: str
    tank: str
    liquid: str
    first: int
    last: int
    changed: bool


def keyed_lots(loads: Sequence[PlannedLoad], fillings: Fillings) -> dict[str, KeyedLot]:
    """Return the lots in some loads, numbered in the order in which loads draw on them."""
    shares: dict[str, LotShare] = {}
    lpa: dict[str, float] = {}
    drawn: dict[str, list[str]] = {}
    for load in loads:
        for share in _shares(load, fillings):
            shares.setdefault(share.lot_id, share)
            lpa[share.lot_id] = lpa.get(share.lot_id, 0.0) + float(share.lpa)
            drawn.setdefault(share.lot_id, []).append(load.load_id)
    return {
        lot: KeyedLot(str(place), share, lpa[lot], tuple(dict.fromkeys(drawn[lot])))
        for place, (lot, share) in enumerate(shares.items(), start=1)
    }


def _shares(load: PlannedLoad, fillings: Fillings) -> tuple[LotShare, ...]:
    filling = fillings.get(load.load_id)
    return filling.shares if filling else ()


def coming_lots(
    plan: Plan, keyed: Mapping[str, KeyedLot], anchors: Mapping[str, str], say: Terms
) -> list[Line]:
    """Return the lots to come, and stock that is no lot, that fill the loads of the quarter.

    Parameters
    ----------
    anchors : the place on the page of loads, by their name.
    """
    days = {load.load_id: say.day(load.loading_day) for load in plan.loads}
    places = lot_anchors(keyed)
    lines = []
    for lot, one in keyed.items():
        if one.share.to_come:
            ready = one.share.expected_on
            told = say("to_come_words", day=ready) if ready else say("in_stock")
            links = tuple((days[load], anchors.get(load, "")) for load in one.loads)
            words = say("coming_lot", mark=one.key, lot=lot, told=told, lpa=amount(one.lpa))
            lines.append(Line(words, places[lot], links))
    return lines


def lot_anchors(keyed: Mapping[str, KeyedLot]) -> dict[str, str]:
    """Return the place on the page of each lot that has a key."""
    return {lot: f"key-{one.key}" for lot, one in keyed.items()}


def loads_table(
    loads: Sequence[PlannedLoad],
    fillings: Fillings,
    keyed: Mapping[str, KeyedLot],
    anchors: Mapping[str, str],
    say: Terms,
    caption: str,
) -> Table:
    """Return loads one by one with their lots, each liquid in a tank or compartment a row.

    Parameters
    ----------
    keyed : the keys of the lots; a lot to come is named by its key, which leads to its row.
    anchors : the place on the page of each load.
    """
    named = bool(fillings)
    heads = (
        Heading(say("loading_day")),
        Heading(say("load")),
        Heading(say("state")),
        Heading(say("tank")),
        Heading(say("liquid")),
        Heading(say("lpa"), number=True),
        Heading(say("litres"), number=True),
        *((Heading(say("lots")),) if named else ()),
        Heading(say("arrives")),
        Heading(say("usable_day")),
    )
    rows, places = [], []
    for load in loads:
        for place, part in enumerate(load.parts):
            rows.append(
                (
                    day(load.loading_day),
                    text(load.load_id),
                    _state(load, fillings, say),
                    text(load.tank_type),
                    text(part.liquid),
                    number(part.lpa),
                    number(part.litres_20c),
                    *((_lots_cell(load, place, fillings, keyed),) if named else ()),
                    day(load.arrival_day),
                    day(load.usable_day),
                )
            )
            places.append(anchors.get(load.load_id, "") if not place else "")
    return Table(caption, heads, tuple(rows), anchors=tuple(places))


def _lots_cell(
    load: PlannedLoad, place: int, fillings: Fillings, keyed: Mapping[str, KeyedLot]
) -> Cell:
    """Return the lots of the whole load, beside its first part."""
    if place:
        return text("")
    anchors = lot_anchors(keyed)
    links = tuple(
        (
            f"{keyed[one.lot_id].key}" if one.to_come and one.lot_id in keyed else one.lot_id,
            anchors.get(one.lot_id, ""),
        )
        for one in _shares(load, fillings)
    )
    return Cell("", ", ".join(words for words, _ in links), links=links)


def _state(load: PlannedLoad, fillings: Fillings, say: Terms) -> Cell:
    words = say(f"kind_{load.kind.value}")
    filling = fillings.get(load.load_id)
    if filling is None or not filling.held:
        return text(words)
    held = say("load_held")
    if filling.earliest is not None:
        held = f"{held} {say('until', day=filling.earliest.isoformat())}"
    return text(f"{words}, {held}", alarm=True)


def arrivals_table(loads: Sequence[PlannedLoad], say: Terms) -> Table:
    """Return loads under way and arriving, by the day from which they can be used."""
    heads = (
        Heading(say("usable_day")),
        Heading(say("load")),
        Heading(say("state")),
        Heading(say("to")),
        Heading(say("liquid")),
        Heading(say("lpa"), number=True),
        Heading(say("left_on")),
        Heading(say("arrives")),
    )
    rows = tuple(
        (
            day(load.usable_day),
            text(load.load_id),
            text(say(f"kind_{load.kind.value}")),
            text(load.destination),
            text(", ".join(dict.fromkeys(part.liquid for part in load.parts))),
            number(load.lpa),
            day(load.leaving_day),
            day(load.arrival_day),
        )
        for load in loads
    )
    total = (text(say("total")), *(text("") for _ in range(4)),
             number(sum(load.lpa for load in loads)), text(""), text(""))  # fmt: skip
    return Table(say("h_arrivals"), heads, rows, (total,) if rows else ())


def held_loads_table(loads: Sequence[PlannedLoad], fillings: Fillings, say: Terms) -> Table:
    """Return the loads that released lots cannot fill, why, and from which day they could be."""
    heads = (
        Heading(say("loading_day")),
        Heading(say("load")),
        Heading(say("lpa"), number=True),
        Heading(say("earliest")),
        Heading(say("why")),
    )
    held = [(load, fillings[load.load_id]) for load in loads if load.load_id in fillings]
    rows = tuple(
        (
            day(load.loading_day),
            text(load.load_id),
            number(load.lpa),
            day(filling.earliest) if filling.earliest else text(say("not_known")),
            text(filling.held),
        )
        for load, filling in held
        if filling.held
    )
    return Table(say("held_loads"), heads, rows)


def lots_table(lots: Sequence[Lot], holds: Sequence[HoldCost], plan: Plan, say: Terms) -> Table:
    """Return opening lots as the plan took them, where no register tells of their gates."""
    heads = (
        Heading(say("lot")),
        Heading(say("liquid")),
        Heading(say("site")),
        Heading(say("lpa"), number=True),
        Heading(say("status")),
        Heading(say("decide_by")),
        Heading(say("why")),
    )
    by = {hold.lot_id: decided_by(hold, plan, say) for hold in holds}
    rows = tuple(
        (
            text(lot.lot_id),
            text(lot.liquid),
            text(lot.site),
            number(lot.lpa),
            text(say(f"status_{lot.status.value}"), alarm=lot.status.value != "released"),
            by.get(lot.lot_id) or (day(lot.decision_due) if lot.decision_due else blank()),
            text(lot.note or ""),
        )
        for lot in lots
    )
    return Table(say("h_lots"), heads, rows)


def gates_table(
    lots: Sequence[Explanation],
    holds: Sequence[HoldCost],
    plan: Plan,
    keyed: Mapping[str, KeyedLot],
    anchors: Mapping[str, str],
    pictured: Mapping[str, str],
    say: Terms,
) -> Table:
    """Return the lots there are in one line each: their gates, and by when they are decided.

    Parameters
    ----------
    keyed : those in the loads of the quarter, with the keys of the calendar.
    anchors : the place on the page of loads, by their name.
    pictured : the place on the page of the picture of a lot's decision.
    """
    days = {load.load_id: say.day(load.loading_day) for load in plan.loads}
    heads = (
        *((Heading(say("key"), number=True),) if keyed else ()),
        Heading(say("lot")),
        Heading(say("liquid")),
        Heading(say("site")),
        Heading(say("lpa"), number=True),
        Heading(say("status")),
        Heading(say("decide_by")),
        *(Heading(say(f"gate_{gate.value}")) for gate in Gate),
        *((Heading(say("in_loads")),) if keyed else ()),
        *((Heading(say("evidence")),) if pictured else ()),
    )
    by = {hold.lot_id: decided_by(hold, plan, say) for hold in holds}
    rows = tuple(
        (
            *((_key_cell(keyed.get(one.lot.lot_id)),) if keyed else ()),
            text(one.lot.lot_id),
            text(one.lot.liquid_id),
            text(one.lot.site_id),
            number(float(one.lot.lpa_left)),
            text(say(f"status_{one.status.value}"), alarm=one.status.value != "released"),
            by.get(one.lot.lot_id) or (day(one.due_on) if one.due_on else blank()),
            *(_gate(one, gate, say) for gate in Gate),
            *((_drawn_on(keyed.get(one.lot.lot_id), days, anchors),) if keyed else ()),
            *((_pictured(one.lot.lot_id, pictured, say),) if pictured else ()),
        )
        for one in lots
    )
    places = lot_anchors(keyed)
    named = tuple(places.get(one.lot.lot_id, "") for one in lots)
    return Table(say("h_lots"), heads, rows, anchors=named)


def _key_cell(found: KeyedLot | None) -> Cell:
    return blank() if found is None else number(int(found.key))


def _drawn_on(found: KeyedLot | None, days: Mapping[str, str], anchors: Mapping[str, str]) -> Cell:
    """Return the loading days of the loads that draw on a lot, each leading to its load."""
    if found is None:
        return text("")
    links = tuple((days[load], anchors.get(load, "")) for load in found.loads)
    return Cell("", found.loads[0], links=links)


def _pictured(lot: str, pictured: Mapping[str, str], say: Terms) -> Cell:
    return Cell("", "", links=((say("see"), pictured[lot]),)) if lot in pictured else text("")


def gate_reasons(lots: Sequence[Explanation], say: Terms) -> list[str]:
    """Return why each gate of each lot is open or closed, one text a lot, the closed first."""
    told = []
    for one in sorted(lots, key=lambda lot: all(state.is_open for state in lot.gates)):
        gates = (f"{say(f'gate_{state.gate.value}')} {_word(state, say)}: {state.reason}"
                 for state in one.gates)  # fmt: skip
        told.append(f"{one.lot.lot_id}. {'; '.join(part.rstrip('.') for part in gates)}.")
    return told


def _gate(lot: Explanation, gate: Gate, say: Terms) -> Cell:
    state = next((one for one in lot.gates if one.gate is gate), None)
    if state is None:  # an opening lot has nothing behind it
        return text("")
    return text(_word(state, say), alarm=not state.is_open)


def _word(state: GateState, say: Terms) -> str:
    if state.overridden:
        return say("gate_overridden")
    return say("gate_open") if state.is_open else say("gate_closed")


def tank_spells(plan: Plan) -> list[TankSpell]:
    """Return what each tank holds over the quarter, weeks with one liquid joined."""
    rows = sorted(
        (row.site, row.tank, row.period, row.liquid, row.changed)
        for row in plan.tank_settings
        if row.period <= plan.quarter_periods
    )
    spells: list[TankSpell] = []
    for site, tank, period, liquid, changed in rows:
        last = spells[-1] if spells else None
        joins = last and (last.site, last.tank, last.liquid) == (site, tank, liquid)
        if last is not None and joins and last.last == period - 1 and not changed:
            spells[-1] = TankSpell(site, tank, liquid, last.first, period, last.changed)
        else:
            spells.append(TankSpell(site, tank, liquid, period, period, changed))
    return spells


def changed_tanks_table(
    spells: Sequence[TankSpell], plan: Plan, scenario: Scenario, say: Terms
) -> Table:
    """Return the tanks that change their liquid in the quarter, one row a spell."""
    capacity = {
        (site.id, tank.id): tank.capacity_litres for site in scenario.sites for tank in site.tanks
    }
    heads = (
        Heading(say("site")),
        Heading(say("tank")),
        Heading(say("capacity"), number=True),
        Heading(say("liquid")),
        Heading(say("weeks")),
        Heading(say("changed")),
    )
    changing = {(one.site, one.tank) for one in spells if one.changed}
    rows = tuple(
        (
            text(one.site),
            text(one.tank),
            number(capacity[one.site, one.tank]) if (one.site, one.tank) in capacity else blank(),
            text(one.liquid),
            weeks(plan, range(one.first, one.last + 1), say),
            text(say("week_of", day=say.day(plan.period_starts[one.first - 1])), alarm=True)
            if one.changed
            else text(""),
        )
        for one in spells
        if (one.site, one.tank) in changing
    )
    return Table(say("h_tanks"), heads, rows)


def constant_tanks(spells: Sequence[TankSpell], say: Terms) -> list[str]:
    """Return the tanks that hold one liquid throughout, in words: one text a site."""
    changing = {(one.site, one.tank) for one in spells if one.changed}
    held: dict[str, dict[str, list[str]]] = {}
    for one in spells:
        if (one.site, one.tank) not in changing:
            held.setdefault(one.site, {}).setdefault(one.liquid, []).append(one.tank)
    return [
        f"{site}: "
        + "; ".join(
            f"{liquid} {say('in')} {', '.join(dict.fromkeys(tanks))}"
            for liquid, tanks in sorted(liquids.items())
        )
        for site, liquids in sorted(held.items())
    ]
