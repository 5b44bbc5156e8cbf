"""``panels queue``: what has to be nosed, by when, and what waits on it."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.register_options import (
    AsOption,
    DatabaseOption,
    day_option,
    plain_data,
    plain_table,
)
from bulkflow.cli.shell import FolderArgument, JsonOption, result_console, write_json
from panels.cli.register import reading_panels, tell_edits, writing_panels

if TYPE_CHECKING:
    from panels.sittings.queueing import QueuedLot, WaitingOn

__all__ = ["queue"]


class Weekday(StrEnum):
    """Days of the week, Monday first."""

    MON = "mon"
    TUE = "tue"
    WED = "wed"
    THU = "thu"
    FRI = "fri"
    SAT = "sat"
    SUN = "sun"


WORKING_DAYS = [*Weekday][:5]


def queue(
    folder: FolderArgument,
    *,
    start: Annotated[
        str | None,
        typer.Option("--from", metavar="DATE", help="First possible day [default: today]."),
    ] = None,
    weekday: Annotated[
        list[Weekday] | None,
        typer.Option("--weekday", help="Day of a sitting; give each one [default: mon to fri]."),
    ] = None,
    lots: Annotated[int, typer.Option("--lots", help="Lots judged at one sitting.")] = 4,
    plan: Annotated[
        Path | None,
        typer.Option("--plan", metavar="FOLDER", help="A plan, to say what waits on each lot."),
    ] = None,
    promise: Annotated[
        bool, typer.Option("--promise", help="Write the days into the register.")
    ] = False,
    database: DatabaseOption = None,
    name: AsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what has to be nosed, by when, on which day it can be, and what waits on it.

    Loads, litres and money come from a plan of the workspace, named by --plan.

    Example: panels queue scenarios/vejkalna --from 2027-01-04 --weekday tue --weekday thu
    """
    from bulkflow.records.times import system_clock
    from panels.sittings.queueing import promise as write_promises
    from panels.sittings.queueing import queue_lots, read_waiting

    first = day_option("--from", start) or system_clock().astimezone().date()
    days = [[*Weekday].index(day) for day in weekday or WORKING_DAYS]
    waiting = {} if plan is None else read_waiting(plan)
    opened = writing_panels(folder, database, name) if promise else reading_panels(folder, database)
    with opened as session:
        queued = queue_lots(
            session, start=first, weekdays=days, lots_per_sitting=lots, waiting=waiting
        )
        tell_edits(session, folder)
        if promise:
            write_promises(session, queued)
    if as_json:
        lines = [plain_data(one) for one in queued]
        write_json({"schema": "panels.queue", "version": 2, "promised": promise, "lots": lines})
    elif queued:
        _print(queued, priced=plan is not None)
    else:
        sys.stdout.write("Nothing waits for the panel.\n")


_ANY_DAY = {"confirmation": "any day", "decision": "now"}


def _print(queued: list[QueuedLot], *, priced: bool) -> None:
    console = result_console()
    headings = {
        "lot": "left",
        "LPA": "right",
        "needs": "left",
        "by": "left",
        "can be on": "left",
        "planned": "left",
    }
    rows = [
        [
            one.lot,
            f"{one.lpa:,.0f}",
            one.why,
            str(one.by or "-"),
            str(one.on or _ANY_DAY.get(one.why, "no room")),
            one.planned or "-",
        ]
        for one in queued
    ]
    console.print(plain_table(headings, rows))
    for one in queued:
        if one.by and one.on and one.on > one.by:
            console.print(f"{one.lot} cannot be nosed by {one.by}: hold a sitting more.")
        if priced:
            console.print(f"{one.lot}: {_waiting_words(one.waiting)}")
    if any(one.why == "confirmation" and one.planned is None for one in queued):
        console.print("Confirm an off-note: panels confirm plan.")
    for name in dict.fromkeys(one.planned for one in queued if one.why == "decision"):
        console.print(f"Decide a closed sitting: panels sitting decide {name}.")
    if any(one.on is not None and one.planned is None for one in queued):
        console.print("Make the next sitting from this: panels sitting next.")


def _waiting_words(found: WaitingOn) -> str:
    from bulkflow.wording import counted, money

    parts = [
        f"{counted(len(found.loads), 'load')} wait, first {found.loads[0]} on {found.first_day}"
        if len(found.loads) > 1
        else f"the load {found.loads[0]} waits, to leave on {found.first_day}"
        if found.loads
        else "no load waits for it"
    ]
    if found.serves_lpa is not None and found.serves_lpa >= 1:
        parts.append(f"its release serves {found.serves_lpa:,.0f} LPA more")
    for verb, least, most in (
        ("its release saves", found.saves_least, found.saves_most),
        ("its failure costs", found.costs_least, found.costs_most),
    ):
        if most is not None:
            parts.append(f"{verb} {money(least or 0.0)} to {money(most)} {found.currency}")
        elif least:
            parts.append(f"{verb} {money(least)} {found.currency} at least")
    return "; ".join(parts) + "."
