"""Opening the register for panels' commands, and where a workspace keeps panels' files."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

__all__ = [
    "SittingArgument",
    "not_to_come",
    "panel_folder",
    "reading_panels",
    "tell_edits",
    "writing_panels",
]

SittingArgument = Annotated[str, typer.Argument(metavar="SITTING", help="The sitting's name.")]


def panel_folder(folder: Path) -> Path:
    """Return where a workspace keeps rules, sittings and keys.

    Raises
    ------
    InputError : the workspace is no folder.
    """
    if not folder.is_dir():
        raise InputError(
            Fault(str(folder), 0, "", "is not a folder", "Name the workspace's folder.")
        )
    return folder / "panel"


def not_to_come(place: str, day: date) -> None:
    """Refuse a day to come for something that was done.

    Raises
    ------
    InputError : the day is later than today, anywhere on earth.
    """
    from bulkflow.records import times

    latest = (times.system_clock() + timedelta(hours=14)).date()
    if day > latest:
        raise InputError(
            Fault("", 0, place, f"is {day}, which is to come", "Give the day it was done.")
        )


@contextmanager
def reading_panels(
    folder: Path, database: str | None, *, create: bool = False
) -> Iterator[Session]:
    """Give a session that reads one state of the register; lay it out first if asked to.

    Raises
    ------
    InputError, DatabaseError : no such workspace, or no register in it.
    """
    from bulkflow.lots.register import open_register
    from bulkflow.records import settings_for
    from panels.records import PANELS

    panel_folder(folder)
    settings = settings_for(folder, database)
    with open_register(settings, PANELS, create=create) as store, store.read() as session:
        yield session


@contextmanager
def writing_panels(
    folder: Path, database: str | None, name: str | None, *, dry_run: bool = False
) -> Iterator[Session]:
    """Give a writing session, and say on stderr who acts.

    A workspace without a register gets one: its seed tables are taken over first.
    """
    from bulkflow.lots.register import open_register
    from bulkflow.records import Actor, settings_for
    from panels.records import PANELS

    panel_folder(folder)
    actor = Actor.current(name)
    settings = settings_for(folder, database)
    if dry_run and not settings.exists:
        # a trial must not leave a new file behind
        settings = settings_for(folder, "sqlite:///:memory:")
    with (
        open_register(settings, PANELS, actor=actor) as store,
        store.write(actor, keep=not dry_run) as session,
    ):
        sys.stderr.write(f"Acting as {actor.words}.\n")
        _take_over(session, folder)
        yield session
    if dry_run:
        sys.stderr.write("Dry run: nothing was kept.\n")


def tell_edits(session: Session, folder: Path) -> None:
    """Say on stderr which tables of sittings differ from what the register took over."""
    from panels.sittings.edits import sitting_edits

    for line in sitting_edits(session, panel_folder(folder)):
        sys.stderr.write(f"{line}\n")


def _take_over(session: Session, folder: Path) -> None:
    from bulkflow.lots.seeds import has_lots, has_opening, import_seeds
    from bulkflow.records.chain import acting

    if has_lots(session) or not has_opening(folder):
        return
    outcome = import_seeds(session, folder, today=acting(session).clock().date())
    if outcome is not None:
        sys.stderr.write(f"{outcome.words}\n")
