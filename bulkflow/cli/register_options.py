"""What the commands on the register share: options, opening it, saying who acts."""

from __future__ import annotations

import dataclasses
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from sqlalchemy.orm import Session

    from bulkflow.records.chain import Record
    from bulkflow.records.kinds import Component
    from bulkflow.records.store import Store

__all__ = [
    "AsOption",
    "DatabaseOption",
    "DryRunOption",
    "LotArgument",
    "ReasonOption",
    "components",
    "day_option",
    "decimal_option",
    "noted_table",
    "plain_data",
    "plain_table",
    "read_text",
    "reading_register",
    "tell_records",
    "when",
    "writing_register",
]

DatabaseOption = Annotated[
    str | None,
    typer.Option(
        "--database",
        metavar="URL",
        help="The register: a SQLite file or a database URL "
        "[default: BULKFLOW_DATABASE, else as scenario.yaml says, else records.sqlite in "
        "the folder].",
    ),
]
AsOption = Annotated[
    str | None,
    typer.Option(
        "--as", metavar="NAME", help="The acting person [default: the operating-system user]."
    ),
]
DryRunOption = Annotated[
    bool,
    typer.Option("--dry-run", help="Check everything and say what would be written; keep nothing."),
]
LotArgument = Annotated[str, typer.Argument(metavar="LOT", help="The lot's name.")]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why, in a sentence; kept for ever.")]


def components() -> tuple[Component, ...]:
    """Return what is kept in a register beside the lots."""
    from bulkflow.account.tables import ACCOUNT
    from bulkflow.loads.tables import LOADS

    return (LOADS, ACCOUNT)


@contextmanager
def reading_register(folder: Path, database: str | None) -> Iterator[tuple[Store, Session]]:
    """Give a register that is there, and a session that reads one state of it."""
    from bulkflow.lots.register import open_register
    from bulkflow.records.settings import settings_for

    settings = settings_for(_folder(folder), database)
    with open_register(settings, *components(), create=False) as store, store.read() as session:
        yield store, session


@contextmanager
def writing_register(
    folder: Path, database: str | None, name: str | None, *, dry_run: bool, create: bool = False
) -> Iterator[Session]:
    """Give a writing session, and say on stderr who acts; keep nothing on a dry run."""
    from bulkflow.lots.register import open_register
    from bulkflow.records.actors import Actor, nobody_appoints
    from bulkflow.records.settings import settings_for

    actor = Actor.current(name)
    settings = settings_for(_folder(folder), database)
    if dry_run and not settings.exists:
        # A trial must not leave a new file behind: it is made in memory instead.
        settings = settings_for(folder, "sqlite:///:memory:") if create else settings
    with (
        open_register(settings, *components(), create=create, actor=actor) as store,
        store.write(actor, keep=not dry_run) as session,
    ):
        free = ", in any role: no owner is appointed yet" if nobody_appoints(session) else ""
        sys.stderr.write(f"Acting as {actor.words}{free}.\n")
        yield session
    if dry_run:
        sys.stderr.write("Dry run: nothing was kept.\n")


def tell_records(records: Sequence[Record], *, as_json: bool, dry_run: bool, said: str) -> None:
    """Say what was recorded."""
    from bulkflow.cli.shell import write_json

    if as_json:
        write_json(
            {
                "schema": "bulkflow.recorded",
                "version": 1,
                "kept": not dry_run,
                "records": [record.fields for record in records],
            }
        )
        return
    numbers = [record.seq for record in records]
    where = ""
    if numbers and not dry_run:
        where = (
            f" (record {numbers[0]})"
            if len(numbers) == 1
            else (f" (records {numbers[0]} to {numbers[-1]})")
        )
    sys.stdout.write(f"{said}{where}.\n")


def plain_data(value: Any) -> Any:
    """Return a value as JSON knows it: amounts as text, dates in ISO form."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [item.name for item in dataclasses.fields(value)]
        return {name: plain_data(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return {str(key): plain_data(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_data(item) for item in value]
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Decimal):
        return format(value, "f")
    return value.isoformat() if isinstance(value, date | datetime) else value


def plain_table(columns: Mapping[str, str], rows: Sequence[Sequence[str]]) -> Table:
    """Return a table that reads without colour.

    Parameters
    ----------
    columns : headings, each with ``left`` (may wrap), ``whole`` (left, not wrapped) or
        ``right`` (not wrapped).
    """
    from rich import box
    from rich.table import Table

    table = Table(
        box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False, header_style=""
    )
    for heading, side in columns.items():
        table.add_column(
            heading,
            justify="right" if side == "right" else "left",
            overflow="fold",
            no_wrap=side != "left",
        )
    for row in rows:
        table.add_row(*row)
    return table


def noted_table(
    console: Console,
    columns: Mapping[str, str],
    rows: Sequence[Sequence[str]],
    notes: Sequence[str],
) -> None:
    """Print a table with a line of words beneath each row, for what no column has room for.

    Names in the words are not broken at their hyphens.

    Parameters
    ----------
    columns : headings, each ``left`` or ``right``; none wraps.
    notes : one a row; '' for none.
    """
    widths = [
        max(len(heading), *(len(row[place]) for row in rows)) if rows else len(heading)
        for place, heading in enumerate(columns)
    ]
    sides = ["<" if side == "left" else ">" for side in columns.values()]

    def line(cells: Sequence[str]) -> str:
        padded = (
            f"{cell:{side}{width}}" for cell, side, width in zip(cells, sides, widths, strict=True)
        )
        return "  ".join(padded).rstrip()

    console.print(line([*columns]), soft_wrap=True)
    console.print("─" * min(console.width, sum(widths) + 2 * (len(widths) - 1)))
    for row, note in zip(rows, notes, strict=True):
        console.print(line(row), soft_wrap=True)
        for words in textwrap.wrap(note, console.width - 4, break_on_hyphens=False):
            console.print(f"    {words}", soft_wrap=True)


def when(at: str, zone: str) -> str:
    """Return an instant in its site's time, to the minute, with the zone."""
    from bulkflow.records.times import local_time

    return f"{local_time(at, zone):%Y-%m-%d %H:%M} {zone}"


def decimal_option(name: str, value: str | None) -> Decimal | None:
    """Return an option as a decimal number.

    Raises
    ------
    InputError
        If it is not one.
    """
    import re

    if value is None:
        return None
    if not re.fullmatch(r"[+-]?\d{1,18}(\.\d{1,18})?", value):
        mend = "Give a plain number such as 1234.5."
        raise InputError(Fault("", 0, name, f"is {value[:40]!r}", mend))
    return Decimal(value)


def day_option(name: str, value: str | None) -> date | None:
    """Return an option as a date.

    Raises
    ------
    InputError
        If it is not one.
    """
    import re

    if value is None:
        return None
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
            return date.fromisoformat(value)
    except ValueError:
        pass  # such as 30 February: told below like any other text
    raise InputError(Fault("", 0, name, f"is {value[:40]!r}", "Give a date as YYYY-MM-DD."))


def read_text(file: Path) -> str:
    """Return the text of a file, or of stdin for ``-``.

    Raises
    ------
    InputError
        If it cannot be read, or is not UTF-8.
    """
    try:
        if str(file) == "-":
            return sys.stdin.read()
        return file.read_text(encoding="utf-8-sig")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        fault = Fault(file.name, 0, "", f"cannot be read ({reason})", "Check its name and rights.")
        raise InputError(fault) from error
    except UnicodeDecodeError as error:
        raise InputError(Fault(file.name, 0, "", "is not in UTF-8", "Save it as UTF-8.")) from error


def _folder(folder: Path) -> Path:
    if not folder.is_dir():
        raise InputError(
            Fault(str(folder), 0, "", "is not a folder", "Name the workspace's folder.")
        )
    return folder
