"""``panels standard``: reference standards, and the tests that join them to successors."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from bulkflow.cli.register_options import (
    DatabaseOption,
    plain_table,
)
from bulkflow.cli.shell import FolderArgument, JsonOption, make_app, result_console, write_json
from bulkflow.errors import Fault, InputError
from panels.cli.option_blocks import PanelWritingOptions, spread
from panels.cli.register import not_to_come, reading_panels

__all__ = ["app"]

app = make_app("Keep reference standards, and bridge them to their successors.", name="standard")


@app.command("list")
def list_(
    folder: FolderArgument,
    *,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="Judge their age on this day.")
    ] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List standards, the first to run out first.

    Example: panels standard list scenarios/vejkalna --on 2027-01-04
    """
    from panels.records import STANDARD, latest_bodies

    day = _day(on)
    with reading_panels(folder, database) as session:
        found = [body for _, body in latest_bodies(session, STANDARD).values()]
    found.sort(key=lambda body: (body.use_by, body.standard))
    if as_json:
        standards = [body.model_dump(mode="json") for body in found]
        write_json({"schema": "panels.standards", "version": 1, "standards": standards})
        return
    if not found:
        sys.stdout.write("No standard is recorded.\n")
        return
    headings = {
        "standard": "left",
        "liquid": "left",
        "use by": "left",
        "days left": "right",
        "joined to": "left",
    }
    rows = [
        [
            body.standard,
            body.liquid,
            str(body.use_by),
            "-" if day is None else str((body.use_by - day).days),
            body.successor_of or "first of its liquid",
        ]
        for body in found
    ]
    result_console().print(plain_table(headings, rows))


@app.command("record")
@spread
def record(
    folder: FolderArgument,
    standards: Annotated[
        Path, typer.Argument(metavar="STANDARDS.yaml", help="Standards to record.")
    ],
    *,
    writing: PanelWritingOptions,
) -> None:
    """Record the first approved standards of liquids; successors come by `bridge`.

    Example: panels standard record scenarios/vejkalna scenarios/vejkalna/panel/standards.yaml
    --dry-run
    """
    from panels.preparation.standards import read_standards, record_standard

    read = read_standards(standards)
    for standard in read:
        not_to_come("filled_on", standard.filled_on)
    with writing.panels(folder) as session:
        records = [record_standard(session, standard) for standard in read]
    said = f"Recorded {len(records)} standards"
    writing.tell(records, said)


@app.command("bridge")
@spread
def bridge_(
    folder: FolderArgument,
    successor: Annotated[
        Path, typer.Argument(metavar="SUCCESSOR.yaml", help="The new standard, as for record.")
    ],
    *,
    of: Annotated[str, typer.Option("--of", help="The standard it follows.")],
    correct: Annotated[int, typer.Option("--correct", min=0, help="Correct answers.")],
    assessments: Annotated[
        int, typer.Option("--assessments", min=1, help="Answers, one for each assessor.")
    ],
    test: Annotated[str, typer.Option("--test", help="Forced-choice test used.")] = "triangle",
    share: Annotated[
        float, typer.Option("--share", help="Share of assessors who may at most tell them apart.")
    ] = 0.3,
    beta: Annotated[
        float, typer.Option("--beta", help="Risk of joining them although more can.")
    ] = 0.05,
    scored_in: Annotated[
        str | None,
        typer.Option("--scored-in", help="Closed sitting that judged the lot it was drawn from."),
    ] = None,
    writing: PanelWritingOptions,
) -> None:
    """Join a new standard to the one it follows by a similarity test.

    Example: panels standard bridge scenarios/vejkalna new.yaml --of VK-CIT-S3 --correct 20
    --assessments 66
    """
    from panels.preparation.standards import bridge, read_standards, record_standard

    read = read_standards(successor)
    if len(read) != 1:
        raise InputError(
            Fault(successor.name, 0, "standards", f"are {len(read)}", "Bridge one at a time.")
        )
    with writing.panels(folder) as session:
        shift = None
        if scored_in is not None:
            from panels.sittings.deciding import score_shift

            shift = score_shift(session, scored_in, read[0].from_lot or "", of)
        bridging = bridge(
            test,
            correct=correct,
            assessments=assessments,
            share_of_discriminators=share,
            beta=beta,
            shift=shift,
        )
        joined = read[0].model_copy(update={"successor_of": of, "bridging": bridging})
        made = record_standard(session, joined)
    said = f"{joined.standard} is joined to {of}"
    writing.tell([made], said)


def _day(given: str | None) -> date | None:
    if given is None:
        return None
    try:
        return date.fromisoformat(given)
    except ValueError as error:
        raise InputError(
            Fault("", 0, "--on", f"is {given[:40]!r}", "Give a date as YYYY-MM-DD.")
        ) from error
