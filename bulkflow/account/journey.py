"""What people record of a load's journey in the account: gauged, received, reported.

Each function takes a writing session, asks whether the acting person may, checks against the
register as it stands, and appends.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import Gauging, Report, ReportKind, Side
from bulkflow.account.ledger import one_act, sent_on
from bulkflow.account.plausible import gauging_faults
from bulkflow.account.queries import gaugings_of, reports_of
from bulkflow.account.tables import GAUGING, REPORT
from bulkflow.errors import Fault, InputError
from bulkflow.loads.acts import record_step
from bulkflow.loads.bodies import LoadState, LoadStep
from bulkflow.loads.plausible import day_faults, plate_of, refuse_strange
from bulkflow.loads.queries import LoadRecord, accepted_tank, find_load, steps_of
from bulkflow.loads.steps import CARRIES_LIQUID, THERE
from bulkflow.lots.acts import correct_lot, record_lots
from bulkflow.lots.bodies import Lot, Measurement, Origin
from bulkflow.lots.declaring import zone_of
from bulkflow.lots.law import adopt_limits
from bulkflow.lots.queries import find_lot
from bulkflow.lots.tables import LOT
from bulkflow.plan.law import limits_of_law
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, append, require
from bulkflow.records.schema import RECORD
from bulkflow.scenario.model import Scenario

__all__ = ["gauge_dispatch", "receive", "report_movement"]


def gauge_dispatch(session: Session, found: Gauging, scenario: Scenario | None = None) -> Record:
    """Record what a load measured when it left; a later gauging supersedes it.

    Parameters
    ----------
    scenario : the workspace, for what its tanks may carry.

    Raises
    ------
    InputError
        If the load is unknown, has not been loaded, or does not carry the liquid; or the readings
        are not plausible, and no reason is stated.
    RefusedError
        If the acting person may not record.
    """
    require(session, Power.RECORD, f"gauge load {found.load_id}")
    load = find_load(session, found.load_id)
    faults = list(_gauging_faults(load, found, load.origin))
    if load.state not in CARRIES_LIQUID | THERE:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "A load is gauged once it is loaded."))
    if found.as_lot is not None or found.heel_lpa:
        mend = "A lot received and a heel belong to the receipt."
        faults.append(Fault("", 0, "side", "is dispatch", mend))
    if faults:
        raise InputError(faults)
    _check_gauging(session, load, found, scenario)
    return _append_gauging(session, found, load.origin)


def receive(
    session: Session, found: Sequence[Gauging], scenario: Scenario | None = None
) -> list[Record]:
    """Record what a load measured on receipt, and that it was discharged.

    Steps still missing (arrived, discharged) are taken on the day of the gauging. For a load
    discharged already, the gaugings correct those that stand. A gauging with ``as_lot`` records
    the liquid as a lot of its own, which then waits for its gates.

    Parameters
    ----------
    found : one gauging of each liquid of the load. A heel that a correction does not name stays.
    scenario : the workspace, for what its tanks may carry.

    Raises
    ------
    InputError
        If the load is unknown or has not left, a liquid is missing or strange, or the name of a
        lot is taken; or the readings are not plausible, and no reason is stated.
    """
    names = {one.load_id for one in found}
    if len(names) != 1:
        raise ValueError("the gaugings of one load are received together")
    load = find_load(session, names.pop())
    require(session, Power.RECORD, f"receive load {load.load_id}")
    faults = [fault for one in found for fault in _gauging_faults(load, one, load.destination)]
    if load.state not in THERE | {LoadState.DEPARTED, LoadState.ARRIVED}:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "Only a load that departed is received."))
    faults.extend(_missing_liquids(session, load, found))
    if faults:
        raise InputError(faults)
    if load.state in THERE:
        found = [_with_heel(session, one) for one in found]
    for one in found:
        _check_gauging(session, load, one, scenario)
    with one_act(session):
        made = _received(session, load, found)
        return made + ([] if scenario is None else adopt_limits(session, limits_of_law(scenario)))


def _received(session: Session, load: LoadRecord, found: Sequence[Gauging]) -> list[Record]:
    made = [_append_gauging(session, one, load.destination) for one in found]
    if load.state in THERE:
        return made + [_corrected_lot(session, one) for one in found if one.as_lot is not None]
    on = max(one.on for one in found)
    total = sum((one.lpa + one.heel_lpa for one in found), Decimal(0))
    if load.state is LoadState.DEPARTED:
        made += record_step(session, LoadStep(load_id=load.load_id, state=LoadState.ARRIVED, on=on))
    why = next((one.reason for one in found if one.reason), "as gauged")
    step = LoadStep(load_id=load.load_id, state=LoadState.DISCHARGED, on=on, lpa=total, reason=why)
    made += record_step(session, step)
    lots = [_received_lot(one, load) for one in found if one.as_lot is not None]
    return [*made, *(record_lots(session, lots) if lots else [])]


def _gauging_faults(load: LoadRecord, found: Gauging, site: str) -> Iterable[Fault]:
    liquids = {part.liquid_id for part in load.parts}
    if found.liquid_id not in liquids:
        mend = f"It carries {', '.join(sorted(liquids))}."
        words = f"is {found.liquid_id!r}, which {load.load_id} does not carry"
        yield Fault("", 0, "liquid", words, mend)
    if found.site_id != site:
        words = f"is {found.site_id!r}, but this end of {load.load_id} is {site}"
        yield Fault("", 0, "site", words, f"Give {site}.")


def _with_heel(session: Session, found: Gauging) -> Gauging:
    """Return a corrected receipt with the heel that stands, unless it states one itself."""
    stands = gaugings_of(session, [found.load_id]).get((found.load_id, found.liquid_id, found.side))
    if stands is None or "heel_lpa" in found.model_fields_set:
        return found
    return found.model_copy(update={"heel_lpa": stands.gauging.heel_lpa})


def _check_gauging(
    session: Session, load: LoadRecord, found: Gauging, scenario: Scenario | None
) -> None:
    """Refuse a gauging out of its time, and one that is not plausible without a reason."""
    days = {one.step.state: one.step.on for one in steps_of(session, load.load_id)}
    before = LoadState.LOADED if found.side is Side.DISPATCH else LoadState.DEPARTED
    if before in days:
        what = f"{load.load_id} was {before.value}"
        faults = [*day_faults("on", found.on, days[before], what)]
        if faults:
            raise InputError(faults)
    tank = accepted_tank(session, load.load_id)
    plate = plate_of(load.tank_type, scenario, None if tank is None else tank.tank)
    part = next(one for one in load.parts if one.liquid_id == found.liquid_id)
    sent = part.lpa
    if found.side is Side.RECEIPT:
        sent = sent_on(session, load.load_id, found.liquid_id)
    refuse_strange(gauging_faults(found, part, sent, plate), found.reason)


def _missing_liquids(
    session: Session, load: LoadRecord, found: Sequence[Gauging]
) -> Iterable[Fault]:
    given = [one.liquid_id for one in found]
    for name in sorted({name for name in given if given.count(name) > 1}):
        yield Fault("", 0, "liquid", f"{name} is gauged twice", "Give each liquid once.")
    before = gaugings_of(session, [load.load_id])
    if load.state not in THERE:
        for part in load.parts:
            if part.liquid_id not in given:
                words = f"{part.liquid_id} of {load.load_id} is not gauged"
                yield Fault("", 0, "liquid", words, "Gauge every liquid of a load together.")
        return
    for one in found:
        stands = before.get((load.load_id, one.liquid_id, Side.RECEIPT))
        if (stands.gauging.as_lot if stands else None) != one.as_lot:
            words = f"is {one.as_lot or 'none'}, unlike the gauging that stands"
            yield Fault("", 0, "as_lot", words, "Correct the lot itself instead.")


def _append_gauging(session: Session, found: Gauging, site: str) -> Record:
    stands = gaugings_of(session, [found.load_id]).get((found.load_id, found.liquid_id, found.side))
    before = None if stands is None else stands.record
    return append(session, GAUGING, found, supersedes=before, zone=zone_of(session, site))


def _received_lot(found: Gauging, load: LoadRecord) -> Lot:
    assert found.as_lot is not None
    return Lot(
        lot_id=found.as_lot,
        liquid_id=found.liquid_id,
        origin=Origin.RECEIVED,
        made_on=found.on,
        site_id=found.site_id,
        measurement=_measured(found),
        from_load=load.load_id,
    )


def _measured(found: Gauging) -> Measurement:
    return Measurement(
        strength_by="stated",
        quantity_by="mass",
        mass_kg=found.mass_kg,
        strength_percent=found.strength_percent,
        litres_20c=found.litres_20c,
        lpa=found.lpa,
        rounding=found.rounding,
    )


def _corrected_lot(session: Session, found: Gauging) -> Record:
    """Let the lot that a load became hold what the load is now said to have brought."""
    line = find_lot(session, found.as_lot or "")
    row = session.execute(select(RECORD).where(RECORD.c.seq == line.record)).mappings().one()
    body = LOT.read(row["version"], row["body"])
    corrected = body.model_copy(update={"measurement": _measured(found)})
    return correct_lot(session, corrected, receipt=True)


def report_movement(session: Session, report: Report, *, correct: bool = False) -> list[Record]:
    """Record the authority's confirmation of a movement; it releases the guarantee.

    A report of receipt of a load that was discharged reconciles it.

    Parameters
    ----------
    correct : the report supersedes the one of its kind that stands.

    Raises
    ------
    InputError
        If the load is unknown or has not left, the same report stands already (or none, to
        correct), or its day is before what it reports or in another year.
    """
    require(session, Power.RECORD, f"report on load {report.load_id}")
    load = find_load(session, report.load_id)
    faults = []
    if load.state not in CARRIES_LIQUID | THERE:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "Only a movement that began is reported."))
    elif report.kind is ReportKind.RECEIPT and load.state not in THERE:
        words = f"{load.load_id} is {load.state.value}"
        faults.append(Fault("", 0, "load", words, "Record its receipt first."))
    stands = next(
        (
            one.record
            for one in reports_of(session, [load.load_id])
            if one.report.kind is report.kind
        ),
        None,
    )
    if stands is not None and not correct:
        words = f"{report.kind.value} was reported already (record {stands})"
        mend = "One report of a kind ends a movement; correct it (--correct)."
        faults.append(Fault("", 0, "kind", words, mend))
    if stands is None and correct:
        words = f"{report.kind.value} of {load.load_id} was not reported yet"
        faults.append(Fault("", 0, "kind", words, "Report it first."))
    if not faults:
        faults += _report_days(session, load, report)
    if faults:
        raise InputError(faults)
    made = [
        append(session, REPORT, report, supersedes=stands, zone=zone_of(session, load.destination))
    ]
    if report.kind is ReportKind.RECEIPT and load.state is LoadState.DISCHARGED:
        on = max(report.on, load.last.step.on)
        step = LoadStep(load_id=load.load_id, state=LoadState.RECONCILED, on=on)
        made += record_step(session, step)
    return made


def _report_days(session: Session, load: LoadRecord, report: Report) -> Iterable[Fault]:
    """Yield faults where a report is dated before what it reports, or in another year."""
    days = {one.step.state: one.step.on for one in steps_of(session, load.load_id)}
    state = LoadState.DEPARTED if report.kind is ReportKind.EXIT else LoadState.DISCHARGED
    if state not in days:  # loaded, and not gone yet
        words = f"{load.load_id} is {load.state.value}"
        yield Fault("", 0, "load", words, "Record its departure first.")
        return
    yield from day_faults("on", report.on, days[state], f"{load.load_id} {state.value}")
    if report.kind is ReportKind.EXIT and LoadState.DISCHARGED in days:
        there = days[LoadState.DISCHARGED]
        if report.on > there:
            words = f"is {report.on}, after {load.load_id} was discharged beyond it ({there})"
            yield Fault("", 0, "on", words, "Give the day on which it left the territory.")
