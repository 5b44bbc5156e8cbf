"""``bulkflow due``: what has to be done this week, and the command that settles each of it."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.load_options import on_day
from bulkflow.cli.register_options import DatabaseOption, plain_data
from bulkflow.cli.shell import FolderArgument, JsonOption, result_console, write_json
from bulkflow.wording import amount, counted, money

if TYPE_CHECKING:
    from rich.console import Console

    from bulkflow.plan.week import Due, Week

__all__ = ["due", "mount"]

WEEK_SCHEMA = "bulkflow-week/1"
SHOWN = 12
"""Lines shown unless all are asked for: with their commands they fill a screen."""

PlanOption = Annotated[
    Path | None,
    typer.Option("--plan", metavar="PLAN", help="The plan at hand: plan.json or its folder."),
]
DayOption = Annotated[
    str | None, typer.Option("--on", metavar="DATE", help="First day of the week [default: today].")
]
AllOption = Annotated[
    bool, typer.Option("--all", help=f"Every line, not only the {SHOWN} most pressing.")
]


def mount(app: typer.Typer) -> None:
    """Add the command of this module to an app."""
    app.command(no_args_is_help=True)(due)


def due(
    folder: FolderArgument,
    *,
    plan: PlanOption = None,
    on: DayOption = None,
    every: AllOption = False,
    database: DatabaseOption = None,
    json: JsonOption = False,
) -> None:
    """List what has to be done this week, by what it holds up, each with its command.

    Words in capitals are to be filled in.

    Example: bulkflow due scenarios/vejkalna --on 2027-01-04
    """
    from bulkflow.due import week_of_workspace
    from bulkflow.plan.belongs import refuse_foreign
    from bulkflow.plan.document import read_plan_at
    from bulkflow.plan.next_steps import Whereabouts
    from bulkflow.records.settings import settings_for
    from bulkflow.scenario.reader import read_workspace

    scenario = read_workspace(folder).scenario
    result = None if plan is None else read_plan_at(plan)
    if result is not None:
        refuse_foreign(result.plan, scenario, file=str(plan))
    shown = settings_for(folder, database).shown if database else ""
    where = Whereabouts(str(folder), str(plan or ""), shown)
    week = week_of_workspace(
        scenario, folder, on_day(on), plan=result, where=where, database=database
    )
    if json:
        write_json({"schema": WEEK_SCHEMA, **plain_data(week)})
    else:
        _print(week, result_console(), every=every)


def _print(week: Week, console: Console, *, every: bool) -> None:
    late = len([line for line in week.lines if line.late])
    told = f", {late} of them late" if late else ""
    console.print(f"{week.name}: the week from {week.on}")
    if not week.lines:
        console.print("Nothing is due.")
    else:
        console.print(f"{counted(len(week.lines), 'thing')} to do{told}, the most pressing first.")
        console.print(f"\n{'by':>6} {'LPA':>8} {week.currency:>9}  what, and the command")
        console.print("─" * console.width)
    shown = week.lines if every else week.lines[:SHOWN]
    for line in shown:
        _print_line(line, console)
    if len(week.lines) > len(shown):
        rest = len(week.lines) - len(shown)
        console.print(f"\n{counted(rest, 'thing')} more: see them with --all.")
    for words in week.unseen:
        console.print(f"\n{words}")


def _print_line(line: Due, console: Console) -> None:
    day = "" if line.by is None else f"{line.by.day} {line.by:%b}"
    lpa = amount(line.holds_up_lpa) if line.holds_up_lpa else ""
    worth = money(round(line.money)) if line.money else ""
    head = f"{day:>6} {lpa:>8} {worth:>9}  "
    late = f"LATE by {counted(-(line.days or 0), 'day')}. " if line.late else ""
    room = max(console.width - len(head), 24)
    first, *rest = textwrap.wrap(late + line.what, room, break_on_hyphens=False) or [""]
    console.print(head + first)
    for words in rest:
        console.print(" " * len(head) + words)
    # Not wrapped, so that it can be copied as it is.
    console.print(f"       {line.command}", soft_wrap=True)
