"""The loads of the register in the opening position of a plan.

What is promised, issued or on its way takes the place of the workspace's row of the same name:

==================  ===================================================================
promised, issued    frozen at its LPA and day, while every lot in it is released; else
                    promised, so that the plan finds the liquid elsewhere
held                promised, where it was promised and a day is known on which it can
                    be filled; else left to the plan
loaded, departed,   under way
arrived
discharged          under way until the day of discharge, where that lies in the calendar;
                    before it, the workspace's opening stock has it
reconciled          as discharged
withdrawn           not there
==================  ===================================================================

A row has one liquid. Of a promised load of several the largest stands for all; of a frozen one
the first is frozen, and the others, named ``LOAD.2`` and on, are taken out of their lots and
counted as under way, so that one load is not counted as several on its lane. Of one under way
the others are named likewise. All of them are in the tank of the first, and so one tank of its
fleet is away with them, not several.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.loads.bodies import LoadPart, LoadState
from bulkflow.loads.queries import LoadRecord, loads_in, steps_of
from bulkflow.loads.tables import LOADS
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotLine, lots_named
from bulkflow.lots.register import open_register
from bulkflow.plan.register import Opened, with_register
from bulkflow.records.chain import head
from bulkflow.records.settings import settings_for
from bulkflow.scenario.lookup import arrival_check_days
from bulkflow.scenario.model import LoadRow, Lot, Scenario
from bulkflow.scenario.model import LoadState as RowState

__all__ = ["LoadsInPlan", "discharged_on", "loads_for_plan", "with_register_and_loads"]

_S = LoadState
_DAY = timedelta(days=1)
_TRIES = 5


@dataclass(frozen=True, slots=True)
class LoadsInPlan:
    """Rows of loads as a plan takes them, and what was decided about them, in words.

    Parameters
    ----------
    set_aside : LPA, by lot, that are in rows under way and still in their lots.
    """

    rows: tuple[LoadRow, ...]
    said: tuple[str, ...]
    set_aside: Mapping[str, Decimal]


def with_register_and_loads(scenario: Scenario, folder: Path, database: str | None) -> Opened:
    """Return the scenario with opening lots and loads as its register has them.

    Lots and loads are read at one and the same head of the chain.

    Raises
    ------
    InputError
        The register holds a lot or a load that the workspace has no place for.
    DatabaseError
        The register cannot be opened.
    """
    told = ""
    for _ in range(_TRIES):
        opened = with_register(scenario, folder, database)
        if not opened.register:
            return opened
        told = told or opened.said  # tables are taken over, and told of, once
        with (
            open_register(settings_for(folder, database), LOADS, create=False) as store,
            store.read() as session,
        ):
            found = loads_for_plan(session, opened.scenario)
            same = str(head(session)) == opened.chain_head
        if same:
            break
    said = "\n".join(part for part in (told, *found.said) if part)
    lots = tuple(_without(lot, found.set_aside) for lot in opened.scenario.lots)
    changed = opened.scenario.model_copy(update={"loads": found.rows, "lots": lots})
    return replace(opened, scenario=changed, said=said)


def _without(lot: Lot, set_aside: Mapping[str, Decimal]) -> Lot:
    lpa = float(set_aside.get(lot.lot_id, 0))
    if not lpa:
        return lot
    return lot.model_copy(
        update={"litres_20c": max(0.0, lot.litres_20c - lpa * 100.0 / lot.strength_percent)}
    )


def loads_for_plan(session: Session, scenario: Scenario) -> LoadsInPlan:
    """Return the rows of loads of a scenario, those of the register in place of the same names.

    Raises
    ------
    InputError
        With every load on a lane, in a tank or of a liquid that the scenario does not have.
    """
    loads = loads_in(session)
    _check_known(loads, scenario)
    lots = lots_named(session, [share.lot_id for load in loads for share in load.shares])
    maker = _Rows(session, scenario, lots)
    rows = {row.load_id: row for row in scenario.loads}
    for load in loads:
        listed = rows.pop(load.load_id, None)
        for row in maker.of(load):
            rows[row.load_id] = row
            if listed is not None and row.load_id == load.load_id:
                # The register has each row of the tables as a load of its own.
                rows[row.load_id] = row.model_copy(update={"in_tank_of": listed.in_tank_of})
    return LoadsInPlan(tuple(_tanked(rows)), tuple(maker.said), maker.set_aside)


def _tanked(rows: Mapping[str, LoadRow]) -> Iterable[LoadRow]:
    """Yield the rows; what was in the tank of a load no longer there has it to itself."""
    for row in rows.values():
        alone = row.in_tank_of is not None and row.in_tank_of not in rows
        yield row.model_copy(update={"in_tank_of": None}) if alone else row


class _Rows:
    """Turns loads of the register into rows of the opening position."""

    def __init__(self, session: Session, scenario: Scenario, lots: Mapping[str, LotLine]) -> None:
        self.session, self.lots = session, lots
        self.start = scenario.calendar.start
        self.suppliers = {one.id for one in scenario.suppliers}
        self.lanes = {one.id: one for one in scenario.lanes}
        self.sites = {one.id: one for one in scenario.sites}
        self.said: list[str] = []
        self.set_aside: dict[str, Decimal] = defaultdict(Decimal)

    def of(self, load: LoadRecord) -> Iterable[LoadRow]:
        """Yield the rows of one load; none where the plan is free of it."""
        match load.state:
            case _S.PLANNED | _S.WITHDRAWN:
                return
            case _S.PROMISED | _S.ISSUED:
                closed = self._closed(load)
                if closed:
                    self._say(load, f"counts on {closed}; the plan looks for other liquid")
                state = RowState.PROMISED if closed else RowState.FROZEN
                yield from self._rows(load, state, self._coming(load, load.loading_day))
            case _S.HELD:
                yield from self._held(load)
            case _S.LOADED | _S.DEPARTED | _S.ARRIVED:
                yield from self._under_way(load, load.usable_day)
            case _S.DISCHARGED | _S.RECONCILED:
                day = discharged_on(self.session, load)
                if day >= self.start:
                    yield from self._under_way(load, day, discharged=True)

    def _held(self, load: LoadRecord) -> Iterable[LoadRow]:
        states = [one.step.state for one in steps_of(self.session, load.load_id)]
        earliest = load.last.step.earliest_day
        if _S.PROMISED not in states:
            self._say(load, "is left to the plan: it was not promised")
        elif earliest is None:
            self._say(load, "is promised, but no day is known on which it can be filled")
        else:
            day = self._coming(load, max(load.loading_day, earliest))
            self._say(load, f"is promised, and planned for {day}")
            yield from self._rows(load, RowState.PROMISED, day)

    def _coming(self, load: LoadRecord, day: date) -> date:
        if day < self.start:
            self._say(load, f"should have been loaded on {day}; planned from {self.start}")
        return max(day, self.start)

    def _rows(self, load: LoadRecord, state: RowState, day: date) -> Iterable[LoadRow]:
        if state is RowState.PROMISED:
            largest = max(load.parts, key=lambda part: part.lpa)
            yield self._row(load, largest, load.load_id, state, day, None, None)
            return
        for name, part in _named(load):
            if name == load.load_id:
                waits = load.usable_day if self._may_wait(load) else None
                yield self._row(load, part, name, state, day, waits, float(part.lpa))
                continue
            for share in part.shares:
                self.set_aside[share.lot_id] += share.lpa
            usable = max(load.usable_day, self.start)
            left = self.start - _DAY
            under_way = RowState.UNDER_WAY
            yield self._row(load, part, name, under_way, left, usable, float(part.lpa))

    def _may_wait(self, load: LoadRecord) -> bool:
        """Tell whether a load's tank may wait full at the receiver, as it was planned to."""
        tanks = self.lanes[load.lane_id].tanks
        return any(one.tank_type == load.tank_type and one.waiting is not None for one in tanks)

    def _under_way(
        self, load: LoadRecord, usable: date, *, discharged: bool = False
    ) -> Iterable[LoadRow]:
        """Yield rows usable on a day, or once what is discharged on it has been checked."""
        # The liquid has left its lots, so for the plan it has left before the calendar starts.
        left = min(load.leaving_day, self.start - _DAY)
        receiver = self.sites[self.lanes[load.lane_id].destination]
        for name, part in _named(load):
            checked = arrival_check_days(receiver, part.liquid_id) if discharged else 0
            day = max(usable + checked * _DAY, self.start)
            yield self._row(load, part, name, RowState.UNDER_WAY, left, day, float(part.lpa))

    def _row(
        self,
        load: LoadRecord,
        part: LoadPart,
        name: str,
        state: RowState,
        departs: date,
        usable: date | None,
        lpa: float | None,
    ) -> LoadRow:
        return LoadRow(
            load_id=name,
            lane=load.lane_id,
            liquid=part.liquid_id,
            tank_type=load.tank_type,
            state=state,
            departs_on=departs,
            usable_on=usable,
            lpa=lpa,
            supplier=self._supplier(part),
            in_tank_of=None if name == load.load_id else load.load_id,
        )

    def _supplier(self, part: LoadPart) -> str | None:
        """Return whose spirit a part is made from, where all of it is one supplier's."""
        lots = [self.lots[one.lot_id] for one in part.shares if one.lot_id in self.lots]
        known = [lot.supplier_id for lot in lots]
        found = {name for name in known if name in self.suppliers}
        if not part.shares:
            return part.supplier_id
        return found.pop() if len(found) == 1 and len(known) == len(part.shares) else None

    def _closed(self, load: LoadRecord) -> str:
        """Name what of a load's contents cannot be loaded as things stand; '' for nothing."""
        closed = []
        for share in load.shares:
            line = self.lots.get(share.lot_id)
            if line is None:
                closed.append(f"{share.lot_id}, which is no lot of the register yet")
            elif line.status is not LotStatus.RELEASED:
                closed.append(f"{share.lot_id}, which is {line.status.value}")
        if any(not part.shares for part in load.parts):
            closed.append("lots not allocated yet")
        return ", ".join(closed)

    def _say(self, load: LoadRecord, words: str) -> None:
        self.said.append(f"Load {load.load_id} {words}.")


def discharged_on(session: Session, load: LoadRecord) -> date:
    """Return the day on which a load was discharged."""
    steps = steps_of(session, load.load_id)
    return max(one.step.on for one in steps if one.step.state is _S.DISCHARGED)


def _named(load: LoadRecord) -> Iterable[tuple[str, LoadPart]]:
    for number, part in enumerate(load.parts, 1):
        yield (load.load_id if number == 1 else f"{load.load_id}.{number}"), part


def _check_known(loads: Iterable[LoadRecord], scenario: Scenario) -> None:
    lanes = {lane.id: {tank.tank_type for tank in lane.tanks} for lane in scenario.lanes}
    liquids = {one.id for one in scenario.liquids}
    faults = []
    for load in loads:
        if load.state in {_S.PLANNED, _S.WITHDRAWN}:
            continue
        where = f"load {load.load_id}"
        if load.tank_type not in lanes.get(load.lane_id, set()):
            found = f"goes in {load.tank_type} on lane {load.lane_id}, which scenario.yaml lacks"
            faults.append(Fault("", 0, where, found, "Add it to scenario.yaml."))
        faults += [
            Fault("", 0, where, f"carries {part.liquid_id}, which scenario.yaml lacks",
                  "Add the liquid to scenario.yaml.")
            for part in load.parts
            if part.liquid_id not in liquids
        ]  # fmt: skip
    if faults:
        raise InputError(faults)
