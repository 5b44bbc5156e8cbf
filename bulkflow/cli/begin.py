"""``bulkflow begin``: a workspace to begin with."""

from __future__ import annotations

import shlex
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.register_options import day_option
from bulkflow.cli.shell import JsonOption, result_console, write_json

if TYPE_CHECKING:
    from datetime import date

__all__ = ["begin", "mount"]

NewFolderArgument = Annotated[
    Path, typer.Argument(metavar="FOLDER", help="A new folder for the workspace, or an empty one.")
]
DemandOption = Annotated[
    Path | None,
    typer.Option(
        "--demand",
        metavar="FILE",
        help="Your own demand, CSV or workbook: columns site_id, period_start, liquid_id, lpa, and"
        " where there are any market_id, priority_id. All else is sized to it.",
    ),
]
StartOption = Annotated[
    str | None,
    typer.Option(
        "--start",
        metavar="DATE",
        help="First day of the plan, where no demand says it [default: the first Monday of the"
        " next quarter].",
    ),
]


def mount(app: typer.Typer) -> None:
    """Add the command of this module to an app."""
    app.command(no_args_is_help=True)(begin)


def begin(
    folder: NewFolderArgument,
    *,
    demand: DemandOption = None,
    start: StartOption = None,
    json: JsonOption = False,
) -> None:
    """Write a small, complete, commented workspace, which plans at once.

    Example: bulkflow begin first-quarter --start 2027-01-04
    """
    from bulkflow.begin import begin_workspace
    from bulkflow.records.times import system_clock

    first = day_option("--start", start) or _next_quarter(system_clock().astimezone().date())
    files = begin_workspace(folder, first, demand)
    if json:
        write_json({"schema": "bulkflow-begun/1", "files": [str(file) for file in files]})
        return
    console = result_console()
    names = ", ".join(file.name for file in files)
    console.print(f"Wrote {names} to {folder}.", soft_wrap=True)
    console.print("What nobody said is assumed, and commented in scenario.yaml: make it yours.")
    console.print("\nNext")
    for words, command in (
        ("Plan it", ["bulkflow", "plan", str(folder), "--out", f"plans/{folder.name}"]),
        ("After a change, see whether all fits together", ["bulkflow", "check", str(folder)]),
    ):
        console.print(f"{words}:")
        console.print(f"  {shlex.join(command)}", soft_wrap=True)


def _next_quarter(today: date) -> date:
    """Return the first Monday on or after the first day of the next quarter."""
    month = 3 * ((today.month - 1) // 3) + 4
    first = today.replace(year=today.year + month // 13, month=(month - 1) % 12 + 1, day=1)
    return first + timedelta(days=-first.weekday() % 7)
