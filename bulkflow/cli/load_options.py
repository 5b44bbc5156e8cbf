"""What the commands on loads share: the load's name, the day, the workspace."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.register_options import day_option

if TYPE_CHECKING:
    from bulkflow.scenario.reader import Workspace

__all__ = ["LoadArgument", "OnOption", "on_day", "workspace_of"]

LoadArgument = Annotated[str, typer.Argument(metavar="LOAD", help="The load's name.")]
OnOption = Annotated[
    str | None, typer.Option("--on", metavar="DATE", help="The day it happened [default: today].")
]


def on_day(text: str | None) -> date:
    """Return the day given, else today."""
    from bulkflow.records.times import system_clock

    return day_option("--on", text) or system_clock().astimezone().date()


def workspace_of(folder: Path) -> Workspace:
    """Return the workspace in a folder."""
    from bulkflow.scenario.reader import read_workspace

    return read_workspace(folder)
