"""Tables of the report that name lots and tanks: loads with their lots, gates, tank contents."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bulkflow.loads.bodies import LotShare
from bulkflow.lots.bodies import Gate
from bulkflow.lots.explaining import Explanation, GateState
from bulkflow.program.answer import Plan, PlannedLoad
from bulkflow.report.lots_in_loads import Filling
from bulkflow.report.tables import Cell, Heading, Table, blank, day, number, text, weeks
from bulkflow.report.terms import Terms
from bulkflow.scenario.model import Lot, Scenario

__all__ = [
    "KeyedLot",
    "TankSpell",
    "gates_table",
    "held_loads_table",
    "keyed_lots",
    "keys_table",
    "loads_table",
    "lots_table",
    "tank_spells",
    "tanks_table",
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


def keys_table(keyed: Mapping[str, KeyedLot], say: Terms) -> Table:
    """Return the lots in the loads of the quarter, with the keys of the calendar."""
    heads = (
        Heading(say("key"), number=True),
        Heading(say("lot")),
        Heading(say("status")),
        Heading(say("ready")),
        Heading(say("lpa"), number=True),
        Heading(say("loads")),
    )
    rows = tuple(
        (
            number(int(one.key)),
            text(lot),
            _standing(one.share, say),
            day(one.share.expected_on) if one.share.expected_on else blank(),
            number(one.lpa),
            text(", ".join(one.loads)),
        )
        for lot, one in keyed.items()
    )
    return Table(say("lots_in_loads"), heads, rows)


def _standing(share: LotShare, say: Terms) -> Cell:
    if share.to_come:
        return text(say("to_come" if share.expected_on else "in_stock"))
    if share.expected_on:
        return text(say("status_awaiting"), alarm=True)
    return text(say("status_released"))


def loads_table(
    loads: Sequence[PlannedLoad], fillings: Fillings, say: Terms, caption: str
) -> Table:
    """Return loads one by one with their lots, each liquid in a tank or compartment a row."""
    named = bool(fillings)
    heads = (
        Heading(say("loading_day")),
        Heading(say("load")),
        Heading(say("lane")),
        Heading(say("tank")),
        Heading(say("liquid")),
        Heading(say("lpa"), number=True),
        Heading(say("litres"), number=True),
        *((Heading(say("lots")),) if named else ()),
        Heading(say("usable_day")),
        Heading(say("state")),
    )
    rows = []
    for load in loads:
        for place, part in enumerate(load.parts):
            rows.append(
                (
                    day(load.loading_day),
                    text(load.load_id),
                    text(load.lane),
                    text(load.tank_type),
                    text(part.liquid),
                    number(part.lpa),
                    number(part.litres_20c),
                    *((_lots_cell(load, place, fillings),) if named else ()),
                    day(load.usable_day),
                    _state(load, fillings, say),
                )
            )
    return Table(caption, heads, tuple(rows))


def _lots_cell(load: PlannedLoad, place: int, fillings: Fillings) -> Cell:
    """Return the lots of the whole load, beside its first part."""
    if place:
        return text("")
    words = ", ".join(f"{one.lot_id} ({one.lpa:,.0f})" for one in _shares(load, fillings))
    return text(words)


def _state(load: PlannedLoad, fillings: Fillings, say: Terms) -> Cell:
    words = say(f"kind_{load.kind.value}")
    filling = fillings.get(load.load_id)
    if filling is None or not filling.held:
        return text(words)
    held = say("load_held")
    if filling.earliest is not None:
        held = f"{held} {say('until', day=filling.earliest.isoformat())}"
    return text(f"{words}, {held}", alarm=True)


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


def lots_table(lots: Sequence[Lot], say: Terms) -> Table:
    """Return opening lots as the plan took them, where no register tells of their gates."""
    heads = (
        Heading(say("lot")),
        Heading(say("liquid")),
        Heading(say("site")),
        Heading(say("lpa"), number=True),
        Heading(say("status")),
        Heading(say("decision_due")),
        Heading(say("why")),
    )
    rows = tuple(
        (
            text(lot.lot_id),
            text(lot.liquid),
            text(lot.site),
            number(lot.lpa),
            text(say(f"status_{lot.status.value}"), alarm=lot.status.value != "released"),
            day(lot.decision_due) if lot.decision_due else blank(),
            text(lot.note or ""),
        )
        for lot in lots
    )
    return Table(say("h_lots"), heads, rows)


def gates_table(lots: Sequence[Explanation], say: Terms) -> Table:
    """Return the lots there are with each of their gates and why it is open or closed."""
    heads = (
        Heading(say("lot")),
        Heading(say("liquid")),
        Heading(say("site")),
        Heading(say("lpa"), number=True),
        Heading(say("status")),
        Heading(say("decision_due")),
        *(Heading(say(f"gate_{gate.value}")) for gate in Gate),
    )
    rows = tuple(
        (
            text(one.lot.lot_id),
            text(one.lot.liquid_id),
            text(one.lot.site_id),
            number(float(one.lot.lpa_left)),
            text(say(f"status_{one.status.value}"), alarm=one.status.value != "released"),
            day(one.due_on) if one.due_on else blank(),
            *(_gate(one, gate, say) for gate in Gate),
        )
        for one in lots
    )
    return Table(say("h_lots"), heads, rows)


def _gate(lot: Explanation, gate: Gate, say: Terms) -> Cell:
    state = next(one for one in lot.gates if one.gate is gate)
    return text(f"{_word(state, say)}: {state.reason}", alarm=not state.is_open)


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


def tanks_table(spells: Sequence[TankSpell], scenario: Scenario, say: Terms) -> Table:
    """Return which tank holds which liquid in which weeks."""
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
    rows = tuple(
        (
            text(one.site),
            text(one.tank),
            number(capacity[one.site, one.tank]) if (one.site, one.tank) in capacity else blank(),
            text(one.liquid),
            weeks(range(one.first, one.last + 1)),
            text(say("week_number", week=one.first), alarm=True) if one.changed else text(""),
        )
        for one in spells
    )
    return Table(say("h_tanks"), heads, rows)
