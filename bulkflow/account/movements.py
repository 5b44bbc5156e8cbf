"""Movements: each load that left, what came of it, what is owed on it, and what is overdue."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, Literal

from sqlalchemy.orm import Session

from bulkflow.account.bodies import ReportKind, Side
from bulkflow.account.differences import Difference, compare, stated
from bulkflow.account.gauging import ProofGallons, proof_gallons_of
from bulkflow.account.ledger import Line, gone_on_the_way
from bulkflow.account.owing import Owing, Places, duty_on
from bulkflow.account.queries import (
    GaugingRecord,
    ReportRecord,
    gaugings_of,
    reports_by_load,
)
from bulkflow.alcoholometry import Measured
from bulkflow.loads.bodies import LoadPart, LoadState
from bulkflow.loads.queries import LoadFilter, LoadRecord, StepRecord, loads_in, steps_of
from bulkflow.rules import JourneyLimit, in_union, journey_limit
from bulkflow.scenario.model import Leg, Scenario

__all__ = [
    "REPORT_WORKING_DAYS",
    "Crossing",
    "Movement",
    "Overdue",
    "Reading",
    "movements",
    "overdue",
]

#: Working days after the end of a movement within which receipt is reported: Directive (EU)
#: 2020/262 Art 24, from memory. The law of the union, for movements that end in it.
REPORT_WORKING_DAYS = 5

LEFT = frozenset(
    {
        LoadState.DEPARTED,
        LoadState.ARRIVED,
        LoadState.DISCHARGED,
        LoadState.RECONCILED,
    }
)
_SATURDAY = 5


@dataclass(frozen=True, slots=True)
class Reading:
    """One figure there is of one amount.

    Parameters
    ----------
    what : the figure: documented, loaded, gauged, taken off, received, heel.
    uncertainty : expanded, k = 2; None where nothing is measured.
    stands : what it is used for, and why; '' where another one stands.
    """

    what: str
    on: date | None
    lpa: Decimal
    uncertainty: Decimal | None
    how: str
    stands: str = ""


@dataclass(frozen=True, slots=True)
class Crossing:
    """One liquid of a movement.

    Parameters
    ----------
    readings : all figures of its amount side by side, from the document to the receipt.
    taken_off : LPA that left it on the way for another holder: no loss.
    documented : LPA of the load as it left the lots or was taken over.
    sent_by, received_by : how the two ends were measured, in words.
    difference : None until it is received.
    falls_due : duty on what was received at a duty-paid site.
    duty_on_loss, duty_above : on the whole loss, and on what exceeds the allowance.
    received_proof_gallons : at US sites, on the basis it names.
    """

    liquid_id: str
    documented: Decimal
    strength_percent: Decimal
    sent_by: str
    received_by: str
    difference: Difference | None
    falls_due: Owing | None
    duty_on_loss: Owing | None
    duty_above: Owing | None
    received_proof_gallons: ProofGallons | None
    records: tuple[int, ...]
    readings: tuple[Reading, ...]
    taken_off: Decimal


@dataclass(frozen=True, slots=True)
class Movement:
    """A load that left, by its steps, gaugings and reports."""

    load: LoadRecord
    left_on: date
    discharged_on: date | None
    crossings: tuple[Crossing, ...]
    reports: tuple[ReportRecord, ...]
    taken_back_on: date | None = None

    def reported_on(self, kind: ReportKind) -> date | None:
        """Return the day on which a report says the movement exited or was received."""
        days = [one.report.on for one in self.reports if one.report.kind is kind]
        return days[-1] if days else None

    @property
    def released_on(self) -> date | None:
        """The day of the report of receipt, which releases every guarantee."""
        return self.reported_on(ReportKind.RECEIPT)


def movements(
    session: Session, scenario: Scenario, wanted: LoadFilter | None = None
) -> list[Movement]:
    """Return the movements that began, by the day they left."""
    wanted = wanted or LoadFilter(states=LEFT | {LoadState.WITHDRAWN})
    loads = [
        load
        for load in loads_in(session, wanted)
        if load.state in LEFT or _came_back(session, load)
    ]
    names = [load.load_id for load in loads]
    gaugings, reports = gaugings_of(session, names), reports_by_load(session, names)
    places, gone = Places(scenario), gone_on_the_way(session)
    found = [
        _movement(load, steps_of(session, load.load_id), gaugings, reports, places, gone)
        for load in loads
    ]
    return sorted(found, key=lambda one: (one.left_on, one.load.load_id))


def _came_back(session: Session, load: LoadRecord) -> bool:
    """Tell whether a load was withdrawn after it had left."""
    states = {one.step.state for one in steps_of(session, load.load_id)}
    return load.state is LoadState.WITHDRAWN and LoadState.DEPARTED in states


def _movement(
    load: LoadRecord,
    steps: Sequence[StepRecord],
    gaugings: Mapping[tuple[str, str, Side], GaugingRecord],
    reports: Mapping[str, list[ReportRecord]],
    places: Places,
    gone: Mapping[tuple[str, str, Line], Decimal],
) -> Movement:
    left = _day_of(steps, LoadState.DEPARTED) or load.leaving_day
    discharged = _day_of(steps, LoadState.DISCHARGED)
    crossings = tuple(
        _crossing(load, part, discharged, steps, gaugings, places, gone) for part in load.parts
    )
    given, back = tuple(reports.get(load.load_id, ())), _day_of(steps, LoadState.WITHDRAWN)
    return Movement(load, left, discharged, crossings, given, back)


def _day_of(steps: Sequence[StepRecord], state: LoadState) -> date | None:
    days = [one.step.on for one in steps if one.step.state is state]
    return days[-1] if days else None


def _crossing(
    load: LoadRecord,
    part: LoadPart,
    discharged: date | None,
    steps: Sequence[StepRecord],
    gaugings: Mapping[tuple[str, str, Side], GaugingRecord],
    places: Places,
    gone: Mapping[tuple[str, str, Line], Decimal],
) -> Crossing:
    sent = gaugings.get((load.load_id, part.liquid_id, Side.DISPATCH))
    received = gaugings.get((load.load_id, part.liquid_id, Side.RECEIPT))
    strength = received.gauging.strength_percent if received else part.strength_percent
    difference = None
    taken_off = gone.get((load.load_id, part.liquid_id, Line.MOVED), Decimal(0))
    if discharged is not None:
        there, heel = _received(load, part, received, steps)
        difference = compare(
            _less(stated(part.lpa) if sent is None else _measured(sent), taken_off),
            there,
            heel,
            places=(places.jurisdiction(load.destination), places.jurisdiction(load.origin)),
            on=discharged,
        )
    return Crossing(
        liquid_id=part.liquid_id,
        documented=part.lpa,
        strength_percent=strength,
        sent_by=_how(sent),
        received_by="not received" if discharged is None else _how(received),
        difference=difference,
        **_owed(load, part.liquid_id, strength, difference, discharged, places),
        records=tuple(one.record for one in (sent, received) if one is not None),
        readings=tuple(_readings(load, part, steps, (sent, received), difference, gone)),
        taken_off=taken_off,
    )


def _less(sent: Measured, lpa: Decimal) -> Measured:
    return Measured(sent.value - float(lpa), sent.standard_uncertainty)


def _readings(
    load: LoadRecord,
    part: LoadPart,
    steps: Sequence[StepRecord],
    gauged: tuple[GaugingRecord | None, GaugingRecord | None],
    difference: Difference | None,
    gone: Mapping[tuple[str, str, Line], Decimal],
) -> Iterable[Reading]:
    """Yield every figure of the amount of one liquid, in the order in which they came to be."""
    sent, received = gauged
    account = "in the account: it is what left the lots"
    judged = "of what was sent, in the difference"
    only = f"{account}; {judged}, for nothing was gauged" if sent is None else account
    lots = ", ".join(share.lot_id for share in part.shares) or "taken over"
    assumed = _expanded(stated(part.lpa))
    yield Reading("documented", load.loading_day, part.lpa, assumed, lots, only)
    for one in (one.step for one in steps if one.step.lpa is not None):
        if len(load.parts) == 1 and (one.state is not LoadState.DISCHARGED or received is None):
            stands = ""
            if one.state is LoadState.DISCHARGED:
                stands = "in the account and the difference: nothing was gauged"
            lpa = one.lpa or Decimal(0)
            yield Reading(one.state.value, one.on, lpa, _expanded(stated(lpa)), "stated", stands)
    if sent is not None:
        body, doubled = sent.gauging, 2 * sent.gauging.lpa_uncertainty
        yield Reading("gauged, sent", body.on, body.lpa, doubled, _how(sent), f"{judged}: measured")
    for line, what in ((Line.MOVED, "taken off"), (Line.SPILT, "lost")):
        lpa = gone.get((load.load_id, part.liquid_id, line), Decimal(0))
        if lpa:
            yield Reading(what, None, lpa, None, "moved on the way", "in the account")
    if received is not None:
        body, doubled = received.gauging, 2 * received.gauging.lpa_uncertainty
        stands = "in the account and the difference: measured"
        yield Reading("gauged, received", body.on, body.lpa, doubled, _how(received), stands)
        if body.heel_lpa:
            yield Reading("heel", body.on, body.heel_lpa, None, "stated", "in the account")
    if difference is not None:
        yield Reading(
            "sent less received", None, difference.lpa, difference.uncertainty,
            difference.verdict.value,
        )  # fmt: skip


def _expanded(one: Measured) -> Decimal:
    return Decimal(repr(one.expanded_uncertainty)).quantize(Decimal("0.001"))


def _owed(
    load: LoadRecord,
    liquid: str,
    strength: Decimal,
    difference: Difference | None,
    discharged: date | None,
    places: Places,
) -> dict[str, Any]:
    """Return what falls due on a crossing: on what came in, and on what was lost."""
    nothing = dict.fromkeys(
        ("falls_due", "duty_on_loss", "duty_above", "received_proof_gallons"), None
    )
    if difference is None or discharged is None:
        return nothing
    site = places.sites.get(load.destination)

    def duty(lpa: Decimal) -> Owing | None:
        return duty_on(places, load.destination, liquid, lpa, strength, discharged)

    paid = site is not None and site.duty_status == "paid"
    us = places.in_proof_gallons(load.destination)
    return {
        "falls_due": duty(difference.received) if paid else None,
        "duty_on_loss": duty(difference.lpa) if difference.is_loss else None,
        "duty_above": duty(difference.above) if difference.above else None,
        "received_proof_gallons": proof_gallons_of(difference.received) if us else None,
    }


def _received(
    load: LoadRecord,
    part: LoadPart,
    gauged: GaugingRecord | None,
    steps: Sequence[StepRecord],
) -> tuple[Measured, Decimal]:
    """Return what was received: as gauged, else the part's share of the total stated."""
    if gauged is not None:
        return _measured(gauged), gauged.gauging.heel_lpa
    totals = [one.step.lpa for one in steps if one.step.state is LoadState.DISCHARGED]
    total = totals[-1] if totals else None
    lpa = part.lpa if total is None else (total * part.lpa / load.lpa).quantize(Decimal("0.001"))
    return stated(lpa), Decimal(0)


def _measured(gauged: GaugingRecord) -> Measured:
    return Measured(float(gauged.gauging.lpa), float(gauged.gauging.lpa_uncertainty))


_STRENGTHS = {
    "density": "density meter",
    "hydrometer": "alcoholometer",
    "proof": "proof hydrometer",
    "stated": "stated strength",
}


def _how(gauged: GaugingRecord | None) -> str:
    if gauged is None:
        return "as documented (± 0.3 % assumed)"
    body = gauged.gauging
    return f"{body.quantity_by}, {_STRENGTHS[body.strength_by]}"


What = Literal["report of exit", "receipt", "report of receipt"]
#: In the order in which they are listed: without its exit a movement has not ended for the law.
_WHATS: tuple[What, ...] = ("report of exit", "receipt", "report of receipt")


@dataclass(frozen=True, slots=True)
class Overdue:
    """A movement of which a receipt or a report is late on a day.

    Parameters
    ----------
    what : what is missing.
    since : the last day on which it was in time.
    rule : why that is the day, with its source.
    """

    load_id: str
    destination: str
    what: What
    left_on: date
    expected: date
    since: date
    days: int
    rule: str
    movement_reference: str | None


def overdue(found: Sequence[Movement], scenario: Scenario, on: date) -> list[Overdue]:
    """Return what is overdue on a day: missing reports of exit first, then the longest overdue.

    A movement out of the union ends for its law with the exit, one inside it with the receipt;
    the limits of that law are set against these alone. Elsewhere the plan's days count, and a
    report of receipt is missed where a guarantee waits for it.
    """
    places = Places(scenario)
    late = [
        line
        for one in found
        if one.taken_back_on is None
        for line in (
            _late_exit(one, places, on), _late_receipt(one, places, on),
            _late_report(one, places, on),
        )
        if line is not None
    ]  # fmt: skip
    return sorted(late, key=lambda line: (_WHATS.index(line.what), -line.days, line.load_id))


def _legs(one: Movement, places: Places) -> tuple[Leg, ...]:
    lane = places.lanes.get(one.load.lane_id)
    return () if lane is None else lane.legs


def _late_exit(one: Movement, places: Places, on: date) -> Overdue | None:
    ends = [leg.to_day for leg in _legs(one, places) if leg.to_day is not None]
    start, end = (in_union(places.jurisdiction(x)) for x in (one.load.origin, one.load.destination))
    leaves = not end if start else bool(ends)
    if one.reported_on(ReportKind.EXIT) is not None or not leaves:
        return None
    expected = one.left_on + timedelta(days=max(ends)) if ends else one.load.arrival_day
    if on <= expected:
        return None
    rule = f"exit was planned for {expected}; until it is reported the duty stays at risk"
    if one.discharged_on is not None:
        rule += f"; the load was discharged on {one.discharged_on}, so ask for the report"
    return _line(one, "report of exit", expected, on, rule)


def _late_receipt(one: Movement, places: Places, on: date) -> Overdue | None:
    expected = one.load.discharge_day
    if one.discharged_on is not None or on <= expected:
        return None
    limit = _journey(one, places)
    rule = f"discharge was planned for {expected}"
    if limit is not None:
        last = one.left_on + timedelta(days=limit.days)
        passed = "PASSED" if on > last else "not passed"
        rule += (
            f"; longest journey {limit.days} days, to {last}, {passed}"
            f" ({limit.source}, {limit.basis.value})"
        )
    return _line(one, "receipt", expected, on, rule)


def _journey(one: Movement, places: Places) -> JourneyLimit | None:
    """Return the limit of a journey under suspension; None where it does not stay in the union."""
    lane = places.lanes.get(one.load.lane_id)
    ends = (places.jurisdiction(one.load.origin), places.jurisdiction(one.load.destination))
    if lane is None or ends[0] is None or not all(in_union(place) for place in ends):
        return None
    return journey_limit(ends[0], "sea" if lane.sailings else "road", on=one.left_on)


def _late_report(one: Movement, places: Places, on: date) -> Overdue | None:
    if one.released_on is not None or one.discharged_on is None:
        return None
    if in_union(places.jurisdiction(one.load.destination)):
        last, left = one.discharged_on, REPORT_WORKING_DAYS
        while left:
            last += timedelta(days=1)
            left -= last.weekday() < _SATURDAY
        rule = (
            f"{REPORT_WORKING_DAYS} working days after discharge on {one.discharged_on}"
            " (Directive (EU) 2020/262 Art 24, from memory)"
        )
    else:
        waits = [leg for leg in _legs(one, places) if leg.to_day is None]
        if not waits:
            return None
        days = max(leg.days_after_discharge for leg in waits)
        last = one.discharged_on + timedelta(days=days)
        names = ", ".join(sorted({leg.guarantee for leg in waits}))
        rule = (
            f"no limit of the law is known there; guarantee {names} waits for it since {last},"
            f" as planned after discharge on {one.discharged_on}"
        )
    return None if on <= last else _line(one, "report of receipt", last, on, rule)


def _line(one: Movement, what: What, since: date, on: date, rule: str) -> Overdue:
    return Overdue(
        load_id=one.load.load_id,
        destination=one.load.destination,
        what=what,
        left_on=one.left_on,
        expected=one.load.discharge_day,
        since=since,
        days=(on - since).days,
        rule=rule,
        movement_reference=one.load.movement_reference,
    )
