"""What has to be nosed, by when, and what waits on it.

Lots that wait for a first sitting, a retest or the confirmation of an off-note are taken in order
of the date by which a decision is promised, or else by which the first load that needs it is to
leave; then of their age. Those for a sitting each get the first one that has room. The dates can be
written into the register as promises, from which the planner takes when a lot may ship. What waits
on a lot is told by a plan, where one is named: loads, and what a release would serve and save.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.acts import expect_decision
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotLine, list_lots
from bulkflow.reading.textfile import read_text
from bulkflow.records import Record
from panels.records import CONFIRMATION as ANSWERED
from panels.records import CONFIRMATION_PLAN, Sitting, bodies_about, latest_bodies
from panels.release.judging import NextStep
from panels.release.register import liquids_with_rules
from panels.serving import MAX_SERVINGS
from panels.sittings.deciding import next_step_of, undecided_sittings
from panels.sittings.definition import (
    DefinedException,
    DefinedLot,
    DefinedRepeat,
    SittingDefinition,
    served_as,
)
from panels.sittings.history import find_sitting, list_sittings
from panels.sittings.planning import PlannedSitting, plan_sitting

__all__ = [
    "QueuedLot",
    "WaitingOn",
    "draft_sitting",
    "plan_next",
    "promise",
    "queue_lots",
    "read_waiting",
    "sitting_days",
]

HORIZON_DAYS = 366
"""Dates further away than this are no promise."""


PLAN_FILE = "plan.json"
CONFIRMATION = "confirmation"
DECISION = "decision"


@dataclass(frozen=True, slots=True)
class WaitingOn:
    """What waits on the decision on a lot, as a plan has it.

    Attributes
    ----------
    loads : that are planned to carry it, or lack it, by loading day.
    first_day : on which the first of them leaves.
    serves_lpa : how much more its release would serve [LPA]; None where the plan does not say.
    saves_least, saves_most : what its release saves [money]; None without a limit.
    costs_least, costs_most : what it costs more if the lot is rejected [money].
    currency : of the money.
    """

    loads: tuple[str, ...] = ()
    first_day: date | None = None
    serves_lpa: float | None = None
    saves_least: float | None = None
    saves_most: float | None = None
    costs_least: float | None = None
    costs_most: float | None = None
    currency: str = ""


NOTHING = WaitingOn()


@dataclass(frozen=True, slots=True)
class QueuedLot:
    """A lot with the day on which it can be judged.

    Attributes
    ----------
    on : day of the sitting; None where no sitting within a year has room, or none is needed.
    why : first sitting, retest, confirmation, or decision on a closed sitting.
    lpa : what waits with it [L of pure alcohol].
    strength : as the register has it [% vol].
    due_on : by when a decision is promised, if one is.
    by : when it is needed: as promised, or before the first load that waits for it leaves.
    planned : name of the sitting, or test, if it is planned already.
    waiting : what waits on it, if a plan was given.
    """

    lot: str
    liquid: str
    made_on: date | None
    why: str
    lpa: float
    strength: float
    due_on: date | None
    by: date | None
    on: date | None
    planned: str | None
    waiting: WaitingOn = field(default=NOTHING)


def read_waiting(folder: Path) -> dict[str, WaitingOn]:
    """Return what waits on lots as a plan in a folder says, by lot.

    Raises
    ------
    InputError : there is no plan in the folder.
    """
    path = folder / PLAN_FILE
    try:
        plan = json.loads(read_text(path, str(path)))
        holds, loads = plan["holds"], {load["load_id"]: load for load in plan["loads"]}
        short = plan["held_loads"]
        currency = str(plan["currency"])
        return {hold["lot_id"]: _waiting_on(hold, loads, short, currency) for hold in holds}
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            Fault(str(path), 0, "", "is not a plan", "Name a folder that bulkflow plan wrote.")
        ) from error


def _waits_for(lot: str, load: Mapping[str, Any]) -> bool:
    """Whether a load lacks a lot: it waits for it, or its sentence names what may not be loaded."""
    named = rf"(?<![\w-]){re.escape(lot)}(?![\w-])"
    return lot in load["lots"] or re.search(named, load["why"]) is not None


def _waiting_on(
    hold: Mapping[str, Any],
    loads: Mapping[str, Mapping[str, Any]],
    short: Sequence[Mapping[str, Any]],
    currency: str,
) -> WaitingOn:
    names = [*hold["loads"], *(one["load_id"] for one in short if _waits_for(hold["lot_id"], one))]
    leaving = sorted(
        (date.fromisoformat(loads[name]["loading_day"]), name)
        for name in dict.fromkeys(names)
        if name in loads
    )
    serves = None
    if hold["short_released_lpa"] is not None:
        serves = max(0.0, hold["short_as_is_lpa"] - hold["short_released_lpa"])
    return WaitingOn(
        loads=tuple(name for _, name in leaving),
        first_day=leaving[0][0] if leaving else None,
        serves_lpa=serves,
        saves_least=hold["saving_least"],
        saves_most=hold["saving_most"],
        costs_least=hold["extra_least"],
        costs_most=hold["extra_most"],
        currency=currency,
    )


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
    session: Session,
    *,
    start: date,
    weekdays: Sequence[int],
    lots_per_sitting: int,
    waiting: Mapping[str, WaitingOn] | None = None,
) -> list[QueuedLot]:
    """Give every waiting lot its day.

    Parameters
    ----------
    start : first day that a sitting may be held.
    weekdays : of the sittings, 0 for Monday.
    lots_per_sitting : how many are judged at one, with their controls and a repeat.
    waiting : what waits on lots, from `read_waiting`.

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
        if held.running
        for lot in held.sitting.lots
    }
    room = {
        held.sitting.held_on: lots_per_sitting - len(held.sitting.lots) for held in planned.values()
    }
    days = list(sitting_days(start, weekdays))
    tests = _waiting_tests(session)
    queued = []
    for line, why, on in _waiting(session, waiting or {}):
        day: date | None = None
        name: str | None = None
        if why == DECISION:
            name = undecided_sittings(session, line.lot_id)[0]
        elif why == CONFIRMATION:
            name = tests.get(line.lot_id)
        elif line.lot_id in planned:
            sitting = planned[line.lot_id].sitting
            day, name = sitting.held_on, sitting.sitting
        else:
            day = _first_room(days, room, lots_per_sitting)
        queued.append(
            QueuedLot(
                lot=line.lot_id,
                liquid=line.liquid_id,
                made_on=line.made_on,
                why=why,
                lpa=float(line.lpa_left),
                strength=float(line.strength_percent),
                due_on=line.due_on,
                by=line.due_on or on.first_day,
                on=day,
                planned=name,
                waiting=on,
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
    assessors: Sequence[str] = (),
    exceptions: Mapping[str, str] | None = None,
) -> SittingDefinition:
    """Write down the next sitting: the first lots of a queue, served as at an earlier sitting.

    Parameters
    ----------
    queued : from `queue_lots`; lots of a planned sitting are left out.
    pattern : whose room, people, times and attributes are taken over.
    lots : most lots; fewer where they, their controls and a blind repeat of the first would be
        more glasses than one may nose.
    assessors : instead of those of the pattern.
    exceptions : who sits without being qualified, and why.

    Raises
    ------
    InputError : no lot waits.
    """
    chosen: list[QueuedLot] = []
    for lot in queued:
        liquids = {one.liquid for one in [*chosen, lot]}
        if lot.planned is None and lot.why not in (CONFIRMATION, DECISION) and len(chosen) < lots:
            glasses = len(chosen) + 1 + len(liquids) + 1
            chosen += [lot] if glasses <= MAX_SERVINGS else []
    if not chosen:
        raise InputError(Fault("", 0, "queue", "holds no lot to be planned", "Nothing waits."))
    return SittingDefinition(
        sitting=name,
        held_on=held_on,
        **served_as(pattern) | ({"assessors": tuple(assessors)} if assessors else {}),
        water=water,
        lots=tuple(
            DefinedLot(lot=lot.lot, liquid=lot.liquid, strength=lot.strength) for lot in chosen
        ),
        repeats=(DefinedRepeat(lot=chosen[0].lot),),
        exceptions=tuple(
            DefinedException(assessor=name, reason=reason)
            for name, reason in (exceptions or {}).items()
        ),
    )


def plan_next(
    session: Session,
    *,
    name: str,
    held_on: date,
    water: str,
    lots: int,
    seed: int,
    like: str | None = None,
    assessors: Sequence[str] = (),
    exceptions: Mapping[str, str] | None = None,
) -> PlannedSitting:
    """Plan the next sitting from the queue of its day; nothing is written.

    Parameters
    ----------
    like : whose people, room and times it takes over; the newest sitting's where none is named.

    Raises
    ------
    InputError : there is no sitting to be like, no lot waits, or it may not be held so.
    """
    held = find_sitting(session, like) if like else next(iter(list_sittings(session)[-1:]), None)
    if held is None:
        mend = "Plan the first one: panels sitting plan."
        raise InputError(Fault("", 0, "the queue", "has no sitting to go by", mend))
    queued = queue_lots(session, start=held_on, weekdays=[held_on.weekday()], lots_per_sitting=lots)
    drafted = draft_sitting(
        queued,
        held.sitting,
        name=name,
        held_on=held_on,
        water=water,
        lots=lots,
        assessors=assessors,
        exceptions=exceptions,
    )
    return plan_sitting(session, drafted, seed=seed)


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


def _waiting_tests(session: Session) -> dict[str, str]:
    """Return planned confirmations without answers, by lot."""
    plans = [body for _, body in latest_bodies(session, CONFIRMATION_PLAN).values()]
    return {
        plan.lot: plan.test
        for plan in plans
        if all(body.test != plan.test for _, body in bodies_about(session, ANSWERED, plan.lot))
    }


WHY = {NextStep.RETEST.value: "retest", NextStep.CONFIRM_OFF_NOTE.value: CONFIRMATION}


def _waiting(
    session: Session, waiting: Mapping[str, WaitingOn]
) -> list[tuple[LotLine, str, WaitingOn]]:
    ruled = set(liquids_with_rules(session))
    found = []
    for line in list_lots(session):
        if line.liquid_id not in ruled:
            continue
        on = waiting.get(line.lot_id, NOTHING)
        why = WHY.get(next_step_of(session, line.lot_id) or "")
        if why is None and line.status is LotStatus.AWAITING and line.decision_record is None:
            why = "first sitting"
        if why is not None and undecided_sittings(session, line.lot_id):
            why = DECISION
        if why is not None:
            found.append((line, why, on))
    return sorted(
        found,
        key=lambda item: (
            item[0].due_on or item[2].first_day or date.max,
            item[0].made_on or date.max,
            item[0].lot_id,
        ),
    )
