"""From a plan to loads on the register: named, filled from lots, held where they cannot be.

:func:`propose` only reads; :func:`keep` writes what was proposed. Loads keep their names from
plan to plan: promised and later ones always, planned ones where lane, tank, day and liquids are
the same. What is issued or under way is left alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import ROUND_UP, Decimal

from sqlalchemy.orm import Session

from bulkflow.loads.acts import change_load, record_loads, record_step
from bulkflow.loads.allocating import Allocation, Ask, Source, Standing, allocate, fits
from bulkflow.loads.bodies import Load, LoadPart, LoadState, LoadStep, LotShare
from bulkflow.loads.fills import Ways, lpa_range
from bulkflow.loads.holding import Shortfall, shortfall_of
from bulkflow.loads.mixing import part_of
from bulkflow.loads.naming import names_of
from bulkflow.loads.queries import LoadRecord, loads_in, steps_of
from bulkflow.loads.sources import Supplies, floor_thousandth, supplies_of
from bulkflow.loads.steps import CAN_BE_PLANNED_ANEW
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import lots_named
from bulkflow.program.answer import LoadKind, Plan, PlannedLoad
from bulkflow.program.classes import markets_barring
from bulkflow.records.chain import Record, head
from bulkflow.scenario.model import Scenario

__all__ = ["LESS_SHARE", "Proposal", "ProposedLoad", "keep", "propose"]

LESS_SHARE = 0.02
"""Share by which a load may carry less than planned rather than be held: what strengths measured
differ from nominal ones (common practice: within one to two % vol of 80). More is a shortage."""

_THOUSANDTH = Decimal("0.001")


@dataclass(frozen=True, slots=True)
class ProposedLoad:
    """A load as it is to stand on the register.

    Parameters
    ----------
    before : the load it changes, or None for a new one.
    state : the state it is to be in; ``reason`` and ``earliest`` of a held one.
    asked_lpa : what the plan wants; the load may hold less where its lots are weaker.
    promised : whether it was promised, held or not.
    """

    load: Load
    state: LoadState
    before: LoadRecord | None
    asked_lpa: Decimal
    reason: str = ""
    earliest: date | None = None
    promised: bool = False

    @property
    def changes(self) -> bool:
        """Whether anything would be written."""
        return self.before is None or self._differs or self._steps

    @property
    def _differs(self) -> bool:
        kept = None if self.before is None else self.before.description
        return kept != self.load

    @property
    def _steps(self) -> bool:
        if self.before is None:
            return False
        last = self.before.last.step
        if self.state is not LoadState.HELD:
            return self.state is not last.state
        held = (last.state, last.reason, last.earliest_day)
        return held != (LoadState.HELD, self.reason, self.earliest)


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a plan makes of the loads on the register.

    Parameters
    ----------
    loads : those of the plan, by loading day; ``withdrawn`` are no longer in it.
    names : what the plan's loads are called in the register, by their name in the plan.
    untouched : names of loads issued or later, which stay as they are.
    left : LPA of released lots that no load draws on, by lot.
    remarks : what the user should know.
    gaps : goals not proved best within the time, each with its gap.
    """

    loads: tuple[ProposedLoad, ...]
    withdrawn: tuple[LoadRecord, ...]
    untouched: tuple[str, ...]
    left: Mapping[str, Decimal]
    remarks: tuple[str, ...]
    gaps: tuple[tuple[str, float], ...]
    names: Mapping[str, str]


def propose(
    session: Session,
    scenario: Scenario,
    plan: Plan,
    *,
    chain_head: str = "",
    until: date | None = None,
    seconds: float | None = None,
) -> Proposal:
    """Return the loads of a plan, filled from the lots there are and those to come.

    Parameters
    ----------
    chain_head : of the register when the plan was made; where the register has gone on since,
        that is remarked.
    until : the last loading day that counts (default: the last of the quarter).
    seconds : wall time for each goal of the allocation; its work is limited besides.
    """
    last_day = until or _quarter_end(scenario)
    known = {one.load_id: one for one in loads_in(session)}
    sites = {one.id for one in scenario.sites}
    ours = [
        _liquid_only(load)
        for load in plan.loads
        if load.origin in sites
        and _liquid_only(load).parts
        and (load.loading_day <= last_day or load.load_id in known)
        and not _further_part(load.load_id, known)
    ]
    names = names_of(ours, known)
    supplies = supplies_of(session, scenario, plan, names)
    drawing = _Drawing(session, scenario, ours, names, known, supplies)
    found = allocate(supplies.sources, drawing.asks, seconds=seconds)
    loads = [drawing.proposed(load, found) for load in drawing.loads]
    suppliers = {row.load_id: row.supplier for row in scenario.loads}
    loads += [
        _taken_over(load, suppliers.get(load.load_id))
        for load in ours
        if load.load_id not in known and _away(load)
    ]
    return Proposal(
        loads=tuple(sorted(loads, key=lambda one: (one.load.loading_day, one.load.load_id))),
        withdrawn=tuple(_withdrawn(known.values(), set(names.values()), last_day)),
        untouched=tuple(sorted(set(names.values()) & drawing.untouched)),
        left={
            one.name: found.left[one.name]
            for one in supplies.sources
            if one.standing is Standing.RELEASED
        },
        remarks=tuple(_remarks(session, chain_head, known.values(), names)),
        gaps=found.gaps,
        names=names,
    )


def keep(session: Session, proposal: Proposal, *, on: date) -> list[Record]:
    """Write what was proposed.

    Parameters
    ----------
    on : the day of the steps taken.

    Raises
    ------
    InputError, RefusedError
        As the acts of :mod:`bulkflow.loads.acts` do.
    """
    new = [one for one in proposal.loads if one.before is None]
    records = record_loads(session, [(one.load, _first_step(one, on)) for one in new])
    for one in new:
        if one.promised and one.state is LoadState.HELD:
            records += record_step(session, _step(one, on))
    for one in proposal.loads:
        if one.before is None or not one.changes:
            continue
        if one._differs:
            records.append(change_load(session, one.load))
        if one._steps:
            records += record_step(session, _step(one, max(on, one.before.last.step.on)))
    for load in proposal.withdrawn:
        step = LoadStep(
            load_id=load.load_id,
            state=LoadState.WITHDRAWN,
            on=max(on, load.last.step.on),
            reason="no longer in the plan",
        )
        records += record_step(session, step)
    return records


def _quarter_end(scenario: Scenario) -> date:
    from bulkflow.program.calendar import Periods

    return Periods.of(scenario.calendar).last_day(scenario.calendar.quarter_periods)


def _liquid_only(load: PlannedLoad) -> PlannedLoad:
    """Return a load without the parts that hold nothing: a plan not proved best may send some."""
    return replace(load, parts=tuple(part for part in load.parts if floor_thousandth(part.lpa) > 0))


def _further_part(name: str, known: Mapping[str, LoadRecord]) -> bool:
    """Tell whether a load of the plan is a further liquid of one that the register has whole."""
    stem, _, number = name.rpartition(".")
    return stem in known and number.isdecimal()


def _away(load: PlannedLoad) -> bool:
    return load.kind is LoadKind.UNDER_WAY


def _withdrawn(
    known: Iterable[LoadRecord], named: set[str], last_day: date
) -> Iterable[LoadRecord]:
    for record in known:
        anew = record.state in CAN_BE_PLANNED_ANEW
        if anew and record.load_id not in named and record.loading_day <= last_day:
            yield record


def _remarks(
    session: Session, chain_head: str, known: Collection[LoadRecord], names: Mapping[str, str]
) -> Iterable[str]:
    now = head(session)
    if chain_head and chain_head != str(now):
        seen = int(chain_head.partition(":")[0])
        yield (
            f"The register has {now.seq - seen} records more than when the plan was made; where"
            " they concern lots or stock, plan again first."
        )
    named = set(names.values())
    yield from _issued_in_doubt(session, known)
    for record in known:
        if record.state is LoadState.PROMISED and record.load_id not in named:
            name = record.load_id
            yield f"Load {name} is promised but not in this plan: plan again, or withdraw it."


def _issued_in_doubt(session: Session, known: Iterable[LoadRecord]) -> Iterable[str]:
    """Tell of issued loads that a closed lot has overtaken; a plan does not touch them."""
    issued = [one for one in known if one.state is LoadState.ISSUED]
    lots = lots_named(session, [share.lot_id for one in issued for share in one.shares])
    for load in issued:
        closed = [
            f"{line.lot_id} is {line.status.value}"
            for share in load.shares
            if (line := lots.get(share.lot_id)) and line.status is not LotStatus.RELEASED
        ]
        if closed:
            words = ", ".join(closed)
            yield f"Load {load.load_id} is issued, but {words}: hold it, and allocate again."


def _taken_over(load: PlannedLoad, supplier: str | None) -> ProposedLoad:
    """Return a load under way that the register does not know; its lots are not known either."""
    parts = tuple(
        LoadPart(
            liquid_id=part.liquid,
            origin_class=part.origin_class,
            lpa=floor_thousandth(part.lpa),
            strength_percent=_percent(part.lpa, part.litres_20c),
            litres_20c=floor_thousandth(part.litres_20c),
            supplier_id=supplier,
        )
        for part in load.parts
    )
    body = _body(load, load.load_id, None, parts)
    lpa = sum((part.lpa for part in parts), Decimal(0))
    return ProposedLoad(body, LoadState.DEPARTED, None, lpa)


def _percent(lpa: float, litres: float) -> Decimal:
    return Decimal(repr(100.0 * lpa / litres)).quantize(_THOUSANDTH)


def _ceiling(lpa: float) -> Decimal:
    return Decimal(repr(lpa)).quantize(_THOUSANDTH, rounding=ROUND_UP)


def _body(load: PlannedLoad, name: str, market: str | None, parts: tuple[LoadPart, ...]) -> Load:
    return Load(
        load_id=name,
        lane_id=load.lane,
        origin=load.origin,
        destination=load.destination,
        tank_type=load.tank_type,
        market=market,
        loading_day=load.loading_day,
        leaving_day=load.leaving_day,
        arrival_day=load.arrival_day,
        discharge_day=load.discharge_day,
        usable_day=load.usable_day,
        parts=parts,
    )


def _first_step(one: ProposedLoad, on: date) -> LoadStep:
    if one.state is LoadState.DEPARTED:
        return _step(one, one.load.leaving_day)
    if one.promised:  # and perhaps held, which is its second step then
        return LoadStep(load_id=one.load.load_id, state=LoadState.PROMISED, on=on)
    return _step(one, on)


def _step(one: ProposedLoad, on: date) -> LoadStep:
    held = one.state is LoadState.HELD
    return LoadStep(
        load_id=one.load.load_id,
        state=one.state,
        on=on,
        reason=one.reason[:4000] if held else None,
        earliest_day=one.earliest if held else None,
    )


class _Drawing:
    """What loads ask for, and how an allocation reads back into loads."""

    def __init__(
        self,
        session: Session,
        scenario: Scenario,
        loads: Sequence[PlannedLoad],
        names: Mapping[str, str],
        known: Mapping[str, LoadRecord],
        supplies: Supplies,
    ) -> None:
        self.session, self.names, self.known, self.supplies = session, names, known, supplies
        self.ways = Ways.of(scenario)
        self.markets = {site.id: site.market for site in scenario.sites}
        self.untouched = {
            name
            for name, record in known.items()
            if record.state not in CAN_BE_PLANNED_ANEW | {LoadState.PROMISED}
        }
        self.loads = [
            load for load in loads if not _away(load) and names[load.load_id] not in self.untouched
        ]
        self.asks = [ask for load in self.loads for ask in self._asks(load)]

    def proposed(self, load: PlannedLoad, found: Allocation) -> ProposedLoad:
        name = self.names[load.load_id]
        before, market = self.known.get(name), self.markets[load.destination]
        asks = [ask for ask in self.asks if ask.load == name]
        parts = tuple(self._part(load, ask, found) for ask in asks)
        held = self._held(asks, found)
        promised = self._promised(load, before)
        state = LoadState.HELD if held else LoadState.PROMISED if promised else LoadState.PLANNED
        asked = sum((floor_thousandth(part.lpa) for part in load.parts), Decimal(0))
        return ProposedLoad(
            _body(load, name, market, parts),
            state,
            before,
            asked,
            reason=held.reason if held else "",
            earliest=held.earliest if held else None,
            promised=promised,
        )

    def _promised(self, load: PlannedLoad, before: LoadRecord | None) -> bool:
        if load.kind in (LoadKind.PROMISED, LoadKind.FROZEN):
            return True
        if before is None:
            return False
        return any(
            one.step.state is LoadState.PROMISED for one in steps_of(self.session, before.load_id)
        )

    def _asks(self, load: PlannedLoad) -> Iterable[Ask]:
        for liquid in dict.fromkeys(part.liquid for part in load.parts):
            parts = [part for part in load.parts if part.liquid == liquid]
            barred = frozenset.intersection(*(markets_barring(p.origin_class) for p in parts))
            ask = Ask(
                load=self.names[load.load_id],
                liquid=liquid,
                site=load.origin,
                lpa=sum((floor_thousandth(part.lpa) for part in parts), Decimal(0)),
                loading=load.loading_day,
                usable=load.usable_day,
                market=self.markets[load.destination],
                barred=barred,
                promised=load.kind is not LoadKind.PLANNED,
            )
            yield self._within_fill(load, ask)

    def _within_fill(self, load: PlannedLoad, ask: Ask) -> Ask:
        """Ask for what the tank may hold whichever of the lots that may fill it does.

        The plan counts with the liquid's nominal strength; of a weaker lot the fullest tank
        holds less LPA, of a stronger one the emptiest that does not surge holds more.
        """
        strengths = {one.strength_percent for one in self.supplies.sources if fits(one, ask)}
        lpa = least = Decimal(0)
        for part in (one for one in load.parts if one.liquid == ask.liquid):
            where = (self.ways, load.lane, load.tank_type, ask.liquid)
            found = [lpa_range(*where, one, part.capacity_litres) for one in strengths]
            ranges = [one for one in found if one is not None]
            amount = floor_thousandth(part.lpa)
            if not ranges:
                least += amount
            else:
                amount = max(amount, _ceiling(max(low for low, _ in ranges)))
                amount = min(amount, floor_thousandth(min(high for _, high in ranges)))
                emptiest = _ceiling(max(low for low, _ in ranges))
                least += min(amount, max(emptiest, _ceiling(float(amount) * (1 - LESS_SHARE))))
            lpa += amount
        return replace(ask, lpa=lpa, least=least)

    def _part(self, load: PlannedLoad, ask: Ask, found: Allocation) -> LoadPart:
        parts = [part for part in load.parts if part.liquid == ask.liquid]
        strength = Decimal(repr(self.ways.liquids[ask.liquid].strength_percent))
        bare = LoadPart(
            liquid_id=ask.liquid,
            origin_class=min(part.origin_class for part in parts),
            lpa=ask.lpa,
            strength_percent=strength.quantize(_THOUSANDTH),
            litres_20c=(ask.lpa * 100 / strength).quantize(_THOUSANDTH),
            compartments_litres=self._compartments(load, ask.liquid),
        )
        shares = found.filled.get(ask.key, {})
        if not shares:
            return bare
        sources = {one.name: one for one in self.supplies.sources}
        ordered = sorted(shares, key=lambda name: sources[name].age)
        return part_of(bare, [_share(sources[name], shares[name]) for name in ordered])

    def _compartments(self, load: PlannedLoad, liquid: str) -> tuple[Decimal, ...]:
        if not self.ways.tanks[load.tank_type].compartments:
            return ()
        return tuple(
            Decimal(repr(part.capacity_litres)).quantize(_THOUSANDTH)
            for part in load.parts
            if part.liquid == liquid
        )

    def _held(self, asks: Sequence[Ask], found: Allocation) -> Shortfall | None:
        return shortfall_of(asks, found, self.supplies)


def _share(source: Source, lpa: Decimal) -> LotShare:
    released = source.standing is Standing.RELEASED
    return LotShare(
        lot_id=source.name,
        lpa=lpa,
        strength_percent=source.strength_percent,
        expected_on=None if released else source.ready,
        to_come=source.standing is Standing.TO_COME,
    )
