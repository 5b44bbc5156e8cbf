"""What people do to loads: record, change, step on, examine the tank that came.

Each function takes a writing session, asks whether the acting person may, checks against the
register as it stands, and appends. A gate that says no raises :class:`GateClosedError`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.loads.bodies import Load, LoadPart, LoadState, LoadStep, Sealing, TankAcceptance
from bulkflow.loads.gates import TO_LEAVE, GateClosedError, load_gates
from bulkflow.loads.plausible import (
    amount_faults,
    day_faults,
    plate_of,
    refuse_strange,
    step_faults,
)
from bulkflow.loads.queries import LoadRecord, accepted_tank, find_load, seals_on
from bulkflow.loads.steps import CARRIES_LIQUID, FIRST_STATES, NEEDS_OPEN_GATES, NEXT_STATES
from bulkflow.loads.tables import ACCEPTANCE, LOAD, LOAD_STEP, LOAD_TABLE, SEALING
from bulkflow.lots.bodies import Draw
from bulkflow.lots.declaring import zone_of
from bulkflow.lots.draws import draw_into_load
from bulkflow.lots.trusted import refuse_untrue
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, append, require
from bulkflow.rules import in_union, jurisdiction_of
from bulkflow.scenario.model import Scenario

__all__ = ["change_load", "divert", "examine_tank", "record_loads", "record_step", "seal_anew"]

_BEFORE_LOADING = frozenset({LoadState.PLANNED, LoadState.PROMISED, LoadState.HELD})


def record_loads(session: Session, loads: Sequence[tuple[Load, LoadStep]]) -> list[Record]:
    """Record new loads, each with its first step; all or none.

    Raises
    ------
    InputError
        With every name taken already, and every first step that none may be.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"record {len(loads)} loads")
    names = [load.load_id for load, _ in loads]
    faults = [
        Fault("", 0, "load_id", f"{name!r} is given twice", "Give each load its own name.")
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    taken = set(
        session.scalars(select(LOAD_TABLE.c.load_id).where(LOAD_TABLE.c.load_id.in_(names)))
    )
    mend = "Give it another name, or change the load that is there."
    faults += [
        Fault("", 0, "load_id", f"{name!r} is in the register already", mend)
        for name in sorted(taken)
    ]
    for load, step in loads:
        if step.load_id != load.load_id:
            raise ValueError(f"the first step of {load.load_id} names {step.load_id}")
        if step.state not in FIRST_STATES:
            found = f"{load.load_id} would begin as {step.state.value}"
            faults.append(Fault("", 0, "state", found, "Record it as it was before."))
    if faults:
        raise InputError(faults)
    records = []
    for load, step in loads:
        zone = zone_of(session, load.origin)
        records.append(append(session, LOAD, load, zone=zone))
        records.append(append(session, LOAD_STEP, step, zone=zone))
    return records


def change_load(session: Session, load: Load) -> Record:
    """Record a changed description of a load that is not issued yet; it supersedes the old one.

    Raises
    ------
    InputError
        If it is unknown, or issued already.
    """
    require(session, Power.RECORD, f"change load {load.load_id}")
    before = find_load(session, load.load_id)
    if before.state not in _BEFORE_LOADING:
        found = f"{load.load_id} is {before.state.value}"
        mend = "Only a planned, promised or held load is changed; hold an issued one first."
        raise InputError(Fault("", 0, "load", found, mend))
    return append(session, LOAD, load, supersedes=before.record, zone=zone_of(session, load.origin))


def divert(
    session: Session, load_id: str, lane_id: str, scenario: Scenario, *, arrives: date, reason: str
) -> Record:
    """Record that a load with liquid in its tank goes by another lane, to another receiver.

    Parameters
    ----------
    lane_id : from the same origin, for its kind of tank.
    arrives : the day on which it is expected there.

    Raises
    ------
    InputError
        If the load is unknown or carries nothing, the lane is none for it, or the day is before
        the load left.
    """
    require(session, Power.RECORD, f"divert load {load_id}")
    load = find_load(session, load_id)
    if load.state not in CARRIES_LIQUID:
        mend = "Only a load with liquid in its tank is diverted; plan another one anew."
        raise InputError(Fault("", 0, "load", f"{load_id} is {load.state.value}", mend))
    fitting = {
        one.id: one
        for one in scenario.lanes
        if one.origin == load.origin
        and one.id != load.lane_id
        and load.tank_type in {tank.tank_type for tank in one.tanks}
        and {part.liquid_id for part in load.parts} <= set(one.liquids)
    }
    if lane_id not in fitting:
        found = f"is {lane_id!r}, which is no other lane of {load.origin} for what it carries"
        mend = f"Give one of {', '.join(sorted(fitting)) or 'none: add one to scenario.yaml'}."
        raise InputError(Fault("", 0, "lane", found, mend))
    before = max(load.last.step.on, load.leaving_day)
    if faults := [*day_faults("arrives", arrives, before, f"{load_id} left")]:
        raise InputError(faults)
    lane = fitting[lane_id]
    there = arrives + timedelta(days=lane.discharge_days)
    market = next((one.market for one in scenario.sites if one.id == lane.destination), None)
    update = {
        "lane_id": lane_id, "destination": lane.destination, "market": market,
        "arrival_day": arrives, "discharge_day": there, "usable_day": there, "reason": reason,
    }  # fmt: skip
    body = load.description.model_copy(update=update)
    return append(session, LOAD, body, supersedes=load.record, zone=zone_of(session, load.origin))


def seal_anew(session: Session, sealing: Sealing) -> Record:
    """Record seals put on a load with liquid in its tank, after one was broken or opened.

    Raises
    ------
    InputError
        If the load is unknown or carries nothing, a seal named as broken is not on it, a new one
        is, or the day is before the load's last step.
    """
    require(session, Power.RECORD, f"seal load {sealing.load_id}")
    load = find_load(session, sealing.load_id)
    faults = []
    if load.state not in CARRIES_LIQUID:
        mend = "Only a load with liquid in its tank is sealed anew."
        faults.append(Fault("", 0, "load", f"{load.load_id} is {load.state.value}", mend))
    there = seals_on(session, load.load_id)
    mend = f"On {load.load_id} are {', '.join(there) or 'none'}."
    faults += [
        Fault("", 0, "broken", f"is {seal}, which is not on it", mend)
        for seal in sealing.broken
        if seal not in there
    ]
    faults += [
        Fault("", 0, "seal", f"is {seal}, which is on it already", mend)
        for seal in sealing.seals
        if seal in there
    ]
    what = f"{load.load_id} was {load.state.value}"
    faults += day_faults("on", sealing.on, load.last.step.on, what)
    if faults:
        raise InputError(faults)
    return append(session, SEALING, sealing, zone=zone_of(session, load.origin))


def record_step(
    session: Session,
    step: LoadStep,
    *,
    scenario: Scenario | None = None,
    shares: Mapping[str, Decimal] | None = None,
    emptied: bool = False,
) -> list[Record]:
    """Record the next step of a load.

    Loading draws the load's LPA from its lots. Issuing, loading and departing need every gate
    of every lot, and the tank's, to be open. A departure needs a movement reference and seals, too,
    and what is measured has to be plausible; a stated reason lets both pass.

    Parameters
    ----------
    step : the load, the state it comes into, the day, and what goes with it.
    scenario : the workspace, for markets and shelf lives; needed for the three steps named.
    shares : on loading, what was really drawn, by lot, where it differs from what was meant;
        every lot of the load is named.
    emptied : the tank was emptied again, so that the load can be withdrawn from its way.

    Returns
    -------
    list : the step's record last; before it those of a changed description and of the draws.

    Raises
    ------
    InputError
        If the load is unknown, the step is not legal from where it stands, or a reason or
        amount is missing.
    GateClosedError
        If a gate says no; carries every closed gate.
    RefusedError
        If the acting person may not.
    """
    power = Power.ISSUE if step.state is LoadState.ISSUED else Power.RECORD
    require(session, power, f"make load {step.load_id} {step.state.value}")
    load = find_load(session, step.load_id)
    _check_legal(load, step, emptied=emptied)
    _check_plausible(session, load, step, scenario, shares)
    made: list[Record] = []
    if shares is not None:
        load = _with_shares(session, load, step, shares, made)
    if step.state in NEEDS_OPEN_GATES:
        lots = [share.lot_id for share in load.shares if not share.to_come]
        refuse_untrue(session, lots, [load.load_id], what=f"{step.state.value} of {load.load_id}")
        if scenario is None:
            raise ValueError(f"a load is {step.state.value} only with the workspace at hand")
        at = None if step.temperature_c is None else float(step.temperature_c)
        gates = load_gates(session, load, scenario, on=step.on, temperature_c=at, leaving=step)
        closed = [gate for gate in gates if not gate.is_open]
        if step.reason and any(gate.kind in TO_LEAVE for gate in closed):
            require(session, Power.OVERRIDE, f"let load {step.load_id} leave as it is")
            closed = [gate for gate in closed if gate.kind not in TO_LEAVE]
        if closed:
            raise GateClosedError(load.load_id, step.state.value, closed)
    if step.state is LoadState.LOADED:
        made += draw_into_load(session, _draws(load, step))
    made.append(append(session, LOAD_STEP, step, zone=zone_of(session, load.origin)))
    return made


def examine_tank(session: Session, found: TankAcceptance) -> Record:
    """Record what was found of the tank that came for a load; a later record supersedes it.

    Whether the tank is accepted is judged from the record whenever it is asked.

    Raises
    ------
    InputError
        If the load is unknown, or liquid is in the tank already.
    """
    require(session, Power.RECORD, f"examine the tank of load {found.load_id}")
    load = find_load(session, found.load_id)
    if load.state not in _BEFORE_LOADING | {LoadState.ISSUED}:
        words = f"{load.load_id} is {load.state.value}"
        raise InputError(Fault("", 0, "load", words, "A tank is examined before it is filled."))
    before = accepted_tank(session, found.load_id)
    return append(
        session,
        ACCEPTANCE,
        found,
        supersedes=None if before is None else before.record,
        zone=zone_of(session, load.origin),
    )


def _check_legal(load: LoadRecord, step: LoadStep, *, emptied: bool) -> None:
    faults = []
    following = NEXT_STATES[load.state]
    if emptied and load.state in CARRIES_LIQUID:
        following |= {LoadState.WITHDRAWN}
    if step.state not in following:
        legal = ", ".join(sorted(state.value for state in following)) or "nothing"
        found = f"{load.load_id} is {load.state.value} and cannot become {step.state.value}"
        faults.append(Fault("", 0, "step", found, f"From {load.state.value} follows: {legal}."))
    if step.state not in {LoadState.HELD, LoadState.WITHDRAWN}:
        what = f"{load.load_id} was {load.state.value}"
        faults += day_faults("on", step.on, load.last.step.on, what)
    if step.state in {LoadState.HELD, LoadState.WITHDRAWN} and not step.reason:
        faults.append(Fault("", 0, "reason", "is missing", "Say why, in a sentence."))
    if faults:
        raise InputError(faults)


def _check_plausible(
    session: Session,
    load: LoadRecord,
    step: LoadStep,
    scenario: Scenario | None,
    shares: Mapping[str, Decimal] | None,
) -> None:
    tank = accepted_tank(session, load.load_id)
    plate = plate_of(load.tank_type, scenario, None if tank is None else tank.tank)
    union = scenario is not None and _inside_union(scenario, load.origin)
    strange = [*step_faults(step, load.parts, plate, inside_union=union)]
    if shares is not None and set(shares) == {share.lot_id for share in load.shares}:
        drawn = sum(shares.values(), Decimal(0))
        strange += amount_faults("drawn", drawn, load.lpa, "the load as it was meant")
    refuse_strange(strange, step.reason)


def _inside_union(scenario: Scenario, site: str) -> bool:
    country = next((one.country for one in scenario.sites if one.id == site), None)
    return in_union(jurisdiction_of(country))


def _draws(load: LoadRecord, step: LoadStep) -> list[Draw]:
    return [
        Draw(lot_id=share.lot_id, load_id=load.load_id, lpa=share.lpa, on=step.on)
        for share in load.shares
    ]


def _with_shares(
    session: Session,
    load: LoadRecord,
    step: LoadStep,
    shares: Mapping[str, Decimal],
    made: list[Record],
) -> LoadRecord:
    """Record what was really drawn as the description that stands."""
    meant = {share.lot_id for share in load.shares}
    if step.state is not LoadState.LOADED or set(shares) != meant or min(shares.values()) <= 0:
        listed = ", ".join(sorted(meant)) or "none"
        found = f"name {', '.join(sorted(shares)) or 'no lot'}"
        mend = f"On loading, give LPA above 0 for each lot of the load: {listed}."
        raise InputError(Fault("", 0, "shares", found, mend))
    parts = tuple(_drawn_part(part, shares) for part in load.parts)
    body = load.description.model_copy(update={"parts": parts})
    made.append(
        append(session, LOAD, body, supersedes=load.record, zone=zone_of(session, load.origin))
    )
    return find_load(session, load.load_id)


def _drawn_part(part: LoadPart, shares: Mapping[str, Decimal]) -> LoadPart:
    from bulkflow.loads.mixing import part_of

    drawn = [
        share.model_copy(update={"lpa": shares[share.lot_id].quantize(Decimal("0.001"))})
        for share in part.shares
    ]
    return part_of(part, drawn)
