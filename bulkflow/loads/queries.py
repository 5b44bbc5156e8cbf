"""Questions to the register about loads: lists with filters, one load, its steps, its tank."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.loads.bodies import (
    Load,
    LoadPart,
    LoadState,
    LoadStep,
    LotShare,
    Sealing,
    TankAcceptance,
)
from bulkflow.loads.tables import (
    ACCEPTANCE,
    ACCEPTANCE_TABLE,
    LOAD,
    LOAD_STEP,
    LOAD_TABLE,
    SEALING,
    SHARE_TABLE,
    STEP_TABLE,
)
from bulkflow.reading.words import did_you_mean
from bulkflow.records.chain import Record, is_current
from bulkflow.records.schema import RECORD

__all__ = [
    "EVERY_LOAD",
    "LoadFilter",
    "LoadRecord",
    "StepRecord",
    "TankRecord",
    "accepted_tank",
    "find_load",
    "load_names",
    "loads_in",
    "reserved_lpa",
    "sealings_of",
    "seals_on",
    "steps_of",
]


@dataclass(frozen=True, slots=True)
class StepRecord:
    """A step of a load, with its record's number, person and instant (UTC text)."""

    record: int
    at: str
    zone: str
    actor: str
    step: LoadStep


@dataclass(frozen=True, slots=True)
class TankRecord:
    """The acceptance that stands for a load's tank, with its record's number and person."""

    record: int
    at: str
    actor: str
    tank: TankAcceptance


@dataclass(frozen=True, slots=True)
class LoadRecord:
    """A load as the register has it.

    Parameters
    ----------
    record : number of the record that describes it now.
    parts : its liquids, each with LPA, strength [% vol], litres at 20 degC and lot shares.
    last : its last step; ``state`` is that step's.
    movement_reference : the last one recorded with a step, or None.
    tank_number : of the tank that stands accepted or examined for it, or None.
    """

    record: int
    load_id: str
    lane_id: str
    origin: str
    destination: str
    tank_type: str
    market: str | None
    loading_day: date
    leaving_day: date
    arrival_day: date
    discharge_day: date
    usable_day: date
    parts: tuple[LoadPart, ...]
    last: StepRecord
    movement_reference: str | None
    tank_number: str | None

    @property
    def state(self) -> LoadState:
        """Where it stands."""
        return self.last.step.state

    @property
    def lpa(self) -> Decimal:
        """LPA of the whole load."""
        return sum((part.lpa for part in self.parts), Decimal(0))

    @property
    def litres_20c(self) -> Decimal:
        """Litres at 20 degC of the whole load."""
        return sum((part.litres_20c for part in self.parts), Decimal(0))

    @property
    def shares(self) -> tuple[LotShare, ...]:
        """What each lot gives, over all parts."""
        return tuple(share for part in self.parts for share in part.shares)

    @property
    def description(self) -> Load:
        """The body that stands, to make a corrected one from."""
        return Load(
            load_id=self.load_id,
            lane_id=self.lane_id,
            origin=self.origin,
            destination=self.destination,
            tank_type=self.tank_type,
            market=self.market,
            loading_day=self.loading_day,
            leaving_day=self.leaving_day,
            arrival_day=self.arrival_day,
            discharge_day=self.discharge_day,
            usable_day=self.usable_day,
            parts=self.parts,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadFilter:
    """What loads to list; what is None does not filter."""

    states: frozenset[LoadState] | None = None
    lane_id: str | None = None
    origin: str | None = None
    destination: str | None = None
    lot_id: str | None = None
    loading_from: date | None = None
    loading_to: date | None = None


EVERY_LOAD = LoadFilter()


def loads_in(session: Session, wanted: LoadFilter = EVERY_LOAD) -> list[LoadRecord]:
    """Return loads by loading day and name."""
    return _read(session, _conditions(wanted))


def load_names(session: Session) -> set[str]:
    """Return the names of all loads there ever were."""
    return set(session.scalars(select(LOAD_TABLE.c.load_id).distinct()))


def find_load(session: Session, load_id: str) -> LoadRecord:
    """Return one load.

    Raises
    ------
    InputError
        If it is not in the register; names the nearest ones.
    """
    found = _read(session, [LOAD_TABLE.c.load_id == load_id])
    if found:
        return found[0]
    names = session.scalars(select(LOAD_TABLE.c.load_id).distinct().limit(20_000)).all()
    mend = did_you_mean(load_id, names, "List the loads to see their names.")
    raise InputError(Fault("", 0, "load", f"{load_id!r} is not in the register", mend))


def steps_of(session: Session, load_id: str) -> list[StepRecord]:
    """Return the steps of a load, oldest first."""
    query = (
        select(RECORD)
        .join(STEP_TABLE, STEP_TABLE.c.seq == RECORD.c.seq)
        .where(STEP_TABLE.c.load_id == load_id)
        .order_by(RECORD.c.seq)
    )
    return [_step(Record(**row)) for row in session.execute(query).mappings()]


def seals_on(session: Session, load_id: str) -> tuple[str, ...]:
    """Return the seals that should be on a load: those put on, less those said to be broken."""
    seals = [seal for one in steps_of(session, load_id) for seal in one.step.seals]
    for one in sealings_of(session, load_id):
        seals = [seal for seal in seals if seal not in one.broken] + list(one.seals)
    return tuple(dict.fromkeys(seals))


def sealings_of(session: Session, load_id: str) -> list[Sealing]:
    """Return what was sealed anew of a load, oldest first."""
    query = (
        select(RECORD)
        .where(RECORD.c.kind == SEALING.name, RECORD.c.subject == f"load {load_id}")
        .order_by(RECORD.c.seq)
    )
    rows = (Record(**row) for row in session.execute(query).mappings())
    return [SEALING.read(record.version, record.body) for record in rows]


def accepted_tank(session: Session, load_id: str) -> TankRecord | None:
    """Return what was found last of the tank of a load, or None where none was examined."""
    return _tanks(session, [load_id]).get(load_id)


def reserved_lpa(session: Session, *, besides: Iterable[str] = ()) -> dict[str, Decimal]:
    """Return, by lot, the LPA that issued loads count on and that is still in the lot.

    Parameters
    ----------
    besides : loads to leave out.
    """
    left_out = set(besides)
    reserved: dict[str, Decimal] = defaultdict(Decimal)
    for load in loads_in(session, LoadFilter(states=frozenset({LoadState.ISSUED}))):
        if load.load_id not in left_out:
            for share in load.shares:
                reserved[share.lot_id] += share.lpa
    return dict(reserved)


_AT_ONCE = 1000


def _conditions(wanted: LoadFilter) -> list[Any]:
    column = LOAD_TABLE.c
    conditions: list[Any] = [
        column[name] == value
        for name in ("lane_id", "origin", "destination")
        if (value := getattr(wanted, name)) is not None
    ]
    if wanted.loading_from is not None:
        conditions.append(column.loading_day >= wanted.loading_from)
    if wanted.loading_to is not None:
        conditions.append(column.loading_day <= wanted.loading_to)
    if wanted.lot_id is not None:
        conditions.append(
            exists(
                select(SHARE_TABLE.c.seq)
                .where(SHARE_TABLE.c.seq == column.seq, SHARE_TABLE.c.lot_id == wanted.lot_id)
                .correlate(LOAD_TABLE)
            )
        )
    if wanted.states is not None:
        conditions.append(_last_state().in_(sorted(state.value for state in wanted.states)))
    return conditions


def _last_seq() -> Any:
    return (
        select(func.max(STEP_TABLE.c.seq))
        .where(STEP_TABLE.c.load_id == LOAD_TABLE.c.load_id)
        .correlate(LOAD_TABLE)
        .scalar_subquery()
    )


def _last_state() -> Any:
    return select(STEP_TABLE.c.state).where(STEP_TABLE.c.seq == _last_seq()).scalar_subquery()


def _read(session: Session, conditions: Sequence[Any]) -> list[LoadRecord]:
    query = (
        select(RECORD, LOAD_TABLE.c.load_id)
        .join(LOAD_TABLE, LOAD_TABLE.c.seq == RECORD.c.seq)
        .where(is_current(LOAD_TABLE.c.seq), *conditions)
        .order_by(LOAD_TABLE.c.loading_day, LOAD_TABLE.c.load_id)
    )
    described: list[tuple[int, Load]] = []
    for row in session.execute(query).mappings():
        record = Record(**{name: row[name] for name in Record.__slots__})
        described.append((record.seq, LOAD.read(record.version, record.body)))
    names = [load.load_id for _, load in described]
    steps = _steps(session, names)
    tanks = _tanks(session, names)
    return [_line(seq, load, steps[load.load_id], tanks) for seq, load in described]


def _line(
    seq: int, load: Load, steps: Sequence[StepRecord], tanks: dict[str, TankRecord]
) -> LoadRecord:
    references = [one.step.movement_reference for one in steps if one.step.movement_reference]
    tank = tanks.get(load.load_id)
    return LoadRecord(
        record=seq,
        load_id=load.load_id,
        lane_id=load.lane_id,
        origin=load.origin,
        destination=load.destination,
        tank_type=load.tank_type,
        market=load.market,
        loading_day=load.loading_day,
        leaving_day=load.leaving_day,
        arrival_day=load.arrival_day,
        discharge_day=load.discharge_day,
        usable_day=load.usable_day,
        parts=load.parts,
        last=steps[-1],
        movement_reference=references[-1] if references else None,
        tank_number=None if tank is None else tank.tank.tank_number,
    )


def _steps(session: Session, names: Sequence[str]) -> dict[str, list[StepRecord]]:
    found: dict[str, list[StepRecord]] = defaultdict(list)
    for start in range(0, len(names), _AT_ONCE):
        query = (
            select(RECORD)
            .join(STEP_TABLE, STEP_TABLE.c.seq == RECORD.c.seq)
            .where(STEP_TABLE.c.load_id.in_(names[start : start + _AT_ONCE]))
            .order_by(RECORD.c.seq)
        )
        for row in session.execute(query).mappings():
            step = _step(Record(**row))
            found[step.step.load_id].append(step)
    return found


def _step(record: Record) -> StepRecord:
    body = LOAD_STEP.read(record.version, record.body)
    return StepRecord(record.seq, record.at, record.zone, record.actor, body)


def _tanks(session: Session, names: Sequence[str]) -> dict[str, TankRecord]:
    found: dict[str, TankRecord] = {}
    for start in range(0, len(names), _AT_ONCE):
        query = (
            select(RECORD)
            .join(ACCEPTANCE_TABLE, ACCEPTANCE_TABLE.c.seq == RECORD.c.seq)
            .where(
                ACCEPTANCE_TABLE.c.load_id.in_(names[start : start + _AT_ONCE]),
                is_current(ACCEPTANCE_TABLE.c.seq),
            )
            .order_by(RECORD.c.seq)
        )
        for row in session.execute(query).mappings():
            record = Record(**row)
            body = ACCEPTANCE.read(record.version, record.body)
            found[body.load_id] = TankRecord(record.seq, record.at, record.actor, body)
    return found
