"""``bulkflow loads sheet`` and ``arrival``: the papers that go with a load."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

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

__all__ = ["add_to"]

HtmlOption = Annotated[
    Path | None, typer.Option("--html", metavar="FILE", help="Write it as a page to print, on A4.")
]


def sheet(
    folder: FolderArgument,
    load: LoadArgument,
    *,
    temperature: Annotated[
        float | None,
        typer.Option(metavar="DEGC", help="Of the liquid when loaded [default: the lane's]."),
    ] = None,
    html: HtmlOption = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the load sheet.

    Refused (exit code 3) while a gate of a lot, or of the tank, is closed. Which
    dangerous-goods line holds, a qualified adviser decides.

    Example: bulkflow loads sheet demo A-1 --temperature 14 --html A-1.html
    """
    from bulkflow.loads.paper import load_sheet_html
    from bulkflow.loads.sheet import load_sheet
    from bulkflow.loads.sheet_document import load_sheet_document
    from bulkflow.loads.sheet_text import load_sheet_lines
    from bulkflow.whole_files import written_whole

    workspace = workspace_of(folder)
    with reading_register(folder, database) as (_, session):
        found = load_sheet(session, workspace.scenario, load, temperature_c=temperature)
    if html is not None:
        with written_whole(html) as stream:
            stream.write(load_sheet_html(found))
        message_console().print(f"Wrote {html}.")
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
    html: HtmlOption = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the bottler's arrival sheet.

    What to expect, to test, to let down, to reduce with water, and to mend. Strong
    spirit gives off flammable vapour; follow the rules of the site.

    Example: bulkflow loads arrival demo A-1 --temperature 28 --via 55
    """
    from bulkflow.loads.arrival import Wanted, arrival_sheet
    from bulkflow.loads.arrival_document import arrival_document
    from bulkflow.loads.arrival_text import arrival_lines
    from bulkflow.loads.paper import arrival_html
    from bulkflow.whole_files import written_whole

    wanted = Wanted(
        temperature_c=temperature,
        mixing_c=mixing_temperature,
        product=product,
        via=tuple(via or ()),
        measured_percent=measured,
        batch_litres=batch,
    )
    workspace = workspace_of(folder)
    with reading_register(folder, database) as (_, session):
        found = arrival_sheet(session, workspace.scenario, load, wanted)
    if html is not None:
        with written_whole(html) as stream:
            stream.write(arrival_html(found))
        message_console().print(f"Wrote {html}.")
    if as_json:
        write_json(arrival_document(found))
    elif html is None:
        _print(arrival_lines(found))


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
