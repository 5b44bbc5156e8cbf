"""``bulkflow loads sheet`` and ``arrival``: the papers that go with a load."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli.load_options import LoadArgument, workspace_of
from bulkflow.cli.register_options import DatabaseOption, plain_table, reading_register
from bulkflow.cli.shell import (
    FolderArgument,
    JsonOption,
    message_console,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

__all__ = ["add_to"]

OutOption = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE.html", help="Write it as a page to print, on A4."),
]


def sheet(
    folder: FolderArgument,
    load: LoadArgument,
    *,
    temperature: Annotated[
        float | None,
        typer.Option(metavar="DEGC", help="Of the liquid when loaded [default: the lane's]."),
    ] = None,
    out: OutOption = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the load sheet.

    Refused (exit code 3) while a gate of a lot, or of the tank, is closed. Which
    dangerous-goods line holds, a qualified adviser decides.

    Example: bulkflow loads sheet scenarios/vejkalna riga-norfolk-270104-1 --temperature 14 --out
    sheet.html
    """
    from bulkflow.loads.paper import load_sheet_html
    from bulkflow.loads.sheet import load_sheet
    from bulkflow.loads.sheet_document import load_sheet_document
    from bulkflow.loads.sheet_text import load_sheet_lines

    html = _page(out)
    workspace = workspace_of(folder)
    with reading_register(folder, database) as (_, session):
        found = load_sheet(session, workspace.scenario, load, temperature_c=temperature)
    if html is not None:
        _write(html, load_sheet_html(found))
    if as_json:
        write_json(load_sheet_document(found))
    elif html is None:
        _print(load_sheet_lines(found))


def arrival(
    folder: FolderArgument,
    load: LoadArgument,
    *,
    temperature: Annotated[
        float, typer.Option(metavar="DEGC", help="Of the liquid on arrival.")
    ] = 20.0,
    mixing_temperature: Annotated[
        float, typer.Option(metavar="DEGC", help="When water is added and strength is measured.")
    ] = 20.0,
    product: Annotated[
        str | None, typer.Option(help="Only this product [default: those the site bottles].")
    ] = None,
    via: Annotated[
        list[float] | None,
        typer.Option(metavar="PERCENT", help="Strength to stop at on the way; repeatable."),
    ] = None,
    measured: Annotated[
        float | None,
        typer.Option(metavar="PERCENT", help="Strength measured after the reduction, at 20 degC."),
    ] = None,
    batch: Annotated[
        float | None, typer.Option(metavar="L", help="Of the batch measured [default: all of it].")
    ] = None,
    received_lpa: Annotated[
        float | None, typer.Option(metavar="LPA", help="Measured on receipt, of its one liquid.")
    ] = None,
    received_strength: Annotated[
        float | None,
        typer.Option(metavar="PERCENT", help="Measured on receipt, at 20 degC, of the same."),
    ] = None,
    out: OutOption = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the bottler's arrival sheet.

    What to expect, to test, to let down, to reduce with water, and to mend; reckoned from what
    the receipt measured once it is recorded, or stated here. Strong
    spirit gives off flammable vapour; follow the rules of the site.

    Example: bulkflow loads arrival scenarios/vejkalna riga-norfolk-270104-1 --temperature 28
    --via 55
    """
    from bulkflow.account.held_liquid import held_liquid
    from bulkflow.loads.arrival import Wanted, arrival_sheet
    from bulkflow.loads.arrival_document import arrival_document
    from bulkflow.loads.arrival_text import arrival_lines
    from bulkflow.loads.paper import arrival_html

    wanted = Wanted(
        temperature_c=temperature,
        mixing_c=mixing_temperature,
        product=product,
        via=tuple(via or ()),
        measured_percent=measured,
        batch_litres=batch,
    )
    html = _page(out)
    workspace = workspace_of(folder)
    with reading_register(folder, database) as (_, session):
        received = _received(session, load, received_lpa, received_strength)
        held = tuple(one.words for one in held_liquid(session, "load", load))
        wanted = replace(wanted, found=received, held=held)
        found = arrival_sheet(session, workspace.scenario, load, wanted)
    if html is not None:
        _write(html, arrival_html(found))
    if as_json:
        write_json(arrival_document(found))
    elif html is None:
        _print(arrival_lines(found))


def _received(
    session: Session, load: str, lpa: float | None, strength: float | None
) -> dict[str, tuple[float, float]]:
    """Return LPA and strength of each liquid as measured on receipt, what is stated first."""
    from bulkflow.account.bodies import Side
    from bulkflow.account.queries import gaugings_of
    from bulkflow.loads.queries import find_load

    found = {
        liquid: (float(one.gauging.lpa), float(one.gauging.strength_percent))
        for (_, liquid, side), one in gaugings_of(session, [load]).items()
        if side is Side.RECEIPT
    }
    if lpa is None and strength is None:
        return found
    parts = find_load(session, load).parts
    if len(parts) != 1 or (lpa is not None and lpa <= 0):
        words = f"is for a load of one liquid, and above 0; {load} has {len(parts)}"
        mend = "Record the receipt of each liquid instead (bulkflow account receive)."
        raise InputError(Fault("", 0, "--received-lpa", words, mend))
    (part,) = parts
    known = found.get(part.liquid_id, (float(part.lpa), float(part.strength_percent)))
    found[part.liquid_id] = (
        known[0] if lpa is None else lpa,
        known[1] if strength is None else strength,
    )
    return found


def _page(out: Path | None) -> Path | None:
    """Return the page to write, refused where its ending says that it is something else."""
    from bulkflow.cli.outputs import by_ending

    return by_ending([out] if out else [], {".html": "a page to print"}).get(".html")


def _write(file: Path, text: str) -> None:
    from bulkflow.plan.write import on_demand
    from bulkflow.whole_files import written_whole

    with on_demand(file), written_whole(file) as stream:
        stream.write(text)
    message_console().print(f"Wrote {file}.")


def _print(lines: Iterable[Any]) -> None:
    console = result_console()
    for line in lines:
        if isinstance(line, str):
            console.print(line)
        else:
            columns, rows = line
            console.print(plain_table(columns, rows))


def add_to(app: typer.Typer) -> None:
    """Add these commands to a group."""
    app.command("sheet")(sheet)
    app.command("arrival")(arrival)
