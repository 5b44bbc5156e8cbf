"""When awaiting lots can be judged: sittings a week, and lots a sitting.

Lots that wait for their first sitting or for a retest are taken in order of the date promised
for them, then of their age; each gets the first sitting that has room. The dates can be written
into the register as promises, from which the planner takes when a lot may ship.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.acts import expect_decision
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotLine, list_lots
from bulkflow.records import Record
from panels.records import Sitting
from panels.release.judging import NextStep
from panels.release.register import liquids_with_rules
from panels.serving import MAX_SERVINGS
from panels.sittings.deciding import next_step_of
from panels.sittings.definition import DefinedLot, DefinedRepeat, SittingDefinition
from panels.sittings.history import list_sittings

__all__ = ["QueuedLot", "draft_sitting", "promise", "queue_lots", "sitting_days"]

HORIZON_DAYS = 366
"""Dates further away than this are no promise."""


@dataclass(frozen=True, slots=True)
class QueuedLot:
    """A lot with the day on which it can be judged.

    Attributes
    ----------
    on : day of the sitting; None where no sitting within a year has room.
    why : first sitting or retest.
    lpa : what waits with it [L of pure alcohol].
    strength : as the register has it [% vol].
    due_on : by when a decision is promised, if one is.
    planned : name of the sitting, if it is planned already.
    """

    lot: str
    liquid: str
    made_on: date | None
    why: str
    lpa: float
    strength: float
    due_on: date | None
    on: date | None
    planned: str | None


def sitting_days(start: date, weekdays: Sequence[int]) -> Iterator[date]:
    """Yield the days of sittings from a day on, for a year.

    Parameters
    ----------
    weekdays : 0 for Monday to 6 for Sunday.
    """
    for offset in range(HORIZON_DAYS):
        day = start + timedelta(days=offset)
        if day.weekday() in weekdays:
            yield day


def queue_lots(
    session: Session, *, start: date, weekdays: Sequence[int], lots_per_sitting: int
) -> list[QueuedLot]:
    """Give every waiting lot its day.

    Parameters
    ----------
    start : first day that a sitting may be held.
    weekdays : of the sittings, 0 for Monday.
    lots_per_sitting : how many are judged at one, with their controls and a repeat.

    Raises
    ------
    InputError : no weekday, or more lots than assessors can nose with one control.
    """
    if not weekdays or not set(weekdays) <= set(range(7)):
        raise InputError(Fault("", 0, "weekdays", "are none", "Give one at least."))
    if not 1 <= lots_per_sitting < MAX_SERVINGS:
        raise InputError(
            Fault(
                "",
                0,
                "lots",
                f"are {lots_per_sitting} a sitting",
                f"Give 1 to {MAX_SERVINGS - 1}: a control stands beside them.",
            )
        )
    planned = {
        lot.lot: held
        for held in list_sittings(session)
        if held.closing is None
        for lot in held.sitting.lots
    }
    room = {
        held.sitting.held_on: lots_per_sitting - len(held.sitting.lots) for held in planned.values()
    }
    days = list(sitting_days(start, weekdays))
    queued = []
    for line, why in _waiting(session):
        day: date | None
        name: str | None
        if line.lot_id in planned:
            sitting = planned[line.lot_id].sitting
            day, name = sitting.held_on, sitting.sitting
        else:
            day, name = _first_room(days, room, lots_per_sitting), None
        queued.append(
            QueuedLot(
                lot=line.lot_id,
                liquid=line.liquid_id,
                made_on=line.made_on,
                why=why,
                lpa=float(line.lpa_left),
                strength=float(line.strength_percent),
                due_on=line.due_on,
                on=day,
                planned=name,
            )
        )
    return queued


def draft_sitting(
    queued: Sequence[QueuedLot],
    pattern: Sitting,
    *,
    name: str,
    held_on: date,
    water: str,
    lots: int,
) -> SittingDefinition:
    """Write down the next sitting: the first lots of a queue, served as at an earlier sitting.

    Parameters
    ----------
    queued : from `queue_lots`; lots of a planned sitting are left out.
    pattern : whose room, people, times and attributes are taken over.
    lots : most lots; fewer where they, their controls and a blind repeat of the first would be
        more glasses than one may nose.

    Raises
    ------
    InputError : no lot waits.
    """
    chosen: list[QueuedLot] = []
    for lot in queued:
        liquids = {one.liquid for one in [*chosen, lot]}
        if lot.planned is None and len(chosen) < lots:
            glasses = len(chosen) + 1 + len(liquids) + 1
            chosen += [lot] if glasses <= MAX_SERVINGS else []
    if not chosen:
        raise InputError(Fault("", 0, "queue", "holds no lot to be planned", "Nothing waits."))
    return SittingDefinition(
        sitting=name,
        held_on=held_on,
        zone=pattern.zone,
        room=pattern.room,
        leader=pattern.leader,
        coder=pattern.coder,
        assessors=pattern.assessors,
        water=water,
        target_strength=pattern.target_strength,
        pour_ml=pattern.pour_ml,
        spare_servings=pattern.spare_servings,
        earliest_minutes=pattern.earliest_minutes,
        latest_minutes=pattern.latest_minutes,
        attributes=pattern.attributes,
        lots=tuple(
            DefinedLot(lot=lot.lot, liquid=lot.liquid, strength=lot.strength) for lot in chosen
        ),
        repeats=(DefinedRepeat(lot=chosen[0].lot),),
    )


def promise(session: Session, queued: Sequence[QueuedLot]) -> list[Record]:
    """Write the days into the register as the dates by which decisions are expected."""
    return [
        expect_decision(session, lot.lot, lot.on, f"panel sitting, {lot.why}")
        for lot in queued
        if lot.on is not None and lot.planned is None
    ]


def _first_room(days: Sequence[date], room: dict[date, int], lots: int) -> date | None:
    for day in days:
        left = room.setdefault(day, lots)
        if left > 0:
            room[day] = left - 1
            return day
    return None


def _waiting(session: Session) -> list[tuple[LotLine, str]]:
    ruled = set(liquids_with_rules(session))
    found = []
    for line in list_lots(session):
        if line.liquid_id not in ruled:
            continue
        if next_step_of(session, line.lot_id) == NextStep.RETEST.value:
            found.append((line, "retest"))
        elif line.status is LotStatus.AWAITING and line.decision_record is None:
            found.append((line, "first sitting"))
    return sorted(
        found,
        key=lambda item: (
            item[0].due_on or date.max,
            item[0].made_on or date.max,
            item[0].lot_id,
        ),
    )
