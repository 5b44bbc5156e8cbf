"""``panels confirm``: a suspected off-note, confirmed or laid to rest."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from bulkflow.cli.register_options import (
    LotArgument,
    plain_table,
)
from bulkflow.cli.shell import FolderArgument, make_app, result_console
from panels.cli.option_blocks import PanelWritingOptions, spread

__all__ = ["app"]

app = make_app("Confirm a suspected off-note by sets of three, or lay it to rest.", name="confirm")

TestArgument = Annotated[str, typer.Argument(metavar="TEST", help="The test's name.")]


@app.command("plan")
@spread
def plan(
    folder: FolderArgument,
    test: TestArgument,
    lot: LotArgument,
    note: Annotated[str, typer.Argument(metavar="NOTE", help="The off-note named.")],
    *,
    on: Annotated[
        datetime, typer.Option("--on", formats=["%Y-%m-%d"], metavar="DATE", help="Its day.")
    ],
    sets: Annotated[int, typer.Option("--sets", help="Sets for each assessor.")] = 1,
    assessor: Annotated[
        list[str] | None,
        typer.Option("--assessor", help="Who noses, in order [default: who named the note first]."),
    ] = None,
    seed: Annotated[int | None, typer.Option("--seed", help="Seed of places and codes.")] = None,
    writing: PanelWritingOptions,
) -> None:
    """Plan a 3-AFC test, 'which of the three has the off-note'; its key goes to panel/keys.

    Example: panels confirm plan scenarios/vejkalna C-1 VK-CIT-2642 sulphury --on 2027-01-05
    --sets 2 --dry-run
    """
    from panels.sittings.confirming import plan_confirmation, register_confirmation
    from panels.sittings.keys import draw_seed, key_path, write_key

    with writing.panels(folder) as session:
        planned = plan_confirmation(
            session,
            test=test,
            lot=lot,
            note=note,
            held_on=on.date(),
            seed=draw_seed() if seed is None else seed,
            sets=sets,
            assessors=assessor or (),
        )
        record = register_confirmation(session, planned)
        if not writing.dry_run:
            write_key(key_path(folder, test), planned.key)
    if not writing.as_json:
        sys.stdout.write(f"Which of the three is {note}? Nose from left to right, then choose.\n")
        headings = {"assessor": "left", "set": "right", "1": "right", "2": "right", "3": "right"}
        rows = [[one.assessor, str(one.number), *one.codes] for one in planned.plan.sets]
        result_console().print(plain_table(headings, rows))
        if planned.plan.unqualified:
            names = ", ".join(planned.plan.unqualified)
            sys.stderr.write(f"Not qualified by the panel's rule, and told as such: {names}.\n")
    writing.tell([record], f"Planned {test}")


@app.command("sheets")
@spread
def sheets(
    folder: FolderArgument,
    test: TestArgument,
    *,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Write print-ready HTML files here.")
    ],
    coding: Annotated[
        bool, typer.Option("--coding", help="The coding sheet too; only for the coder.")
    ] = False,
    writing: PanelWritingOptions,
) -> None:
    """Print the papers of a test: dilute and rest, trays, sets for each assessor, answers.

    Example: panels confirm sheets scenarios/vejkalna C-1 --out papers
    """
    from bulkflow.cli.outputs import folder_made
    from bulkflow.whole_files import file_stem, written_whole
    from panels.cli.register import reading_panels
    from panels.sittings import sheets as papers
    from panels.sittings.confirming import find_confirmation
    from panels.sittings.course import Courses
    from panels.sittings.keys import key_path, read_key
    from panels.sittings.recording import open_confirmation_key

    opened = writing.panels(folder) if coding else reading_panels(folder, writing.database)
    with opened as session:
        plan = find_confirmation(session, test)
        last = Courses(session).of(plan.lot).last.held.sitting
        sitting = papers.as_sitting(plan, last)
        texts = {
            "preparation.html": papers.preparation_html(sitting),
            "trays.html": papers.tray_html(sitting),
            "sets.html": papers.answers_html(plan, sitting),
            "answers.csv": papers.blank_answers(plan),
        }
        if coding:
            open_confirmation_key(session, test, last)
            key = read_key(key_path(folder, test), sitting=test, digest=plan.key_digest)
            texts["coding.html"] = papers.coding_html(sitting, key)
    for name, text in texts.items():
        path = folder_made(out) / f"{file_stem(test)}-{name}"
        with written_whole(path) as stream:
            stream.write(text)
        sys.stdout.write(f"{path}\n")


@app.command("record")
@spread
def record_(
    folder: FolderArgument,
    test: TestArgument,
    answers: Annotated[
        Path, typer.Argument(metavar="ANSWERS.csv", help="Columns assessor, set, code.")
    ],
    *,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="Before the test's day; its record shows when.")
    ] = False,
    writing: PanelWritingOptions,
) -> None:
    """Record the answers, say what they show, and decide on the lot anew.

    Example: panels confirm record scenarios/vejkalna C-1 answers.csv
    """
    from panels.sittings.confirming import find_confirmation, read_answers, record_confirmation
    from panels.sittings.course import Courses
    from panels.sittings.keys import key_path, read_key
    from panels.sittings.recording import check_day_has_come

    with writing.panels(folder) as session:
        planned = find_confirmation(session, test)
        if not rehearsal:
            zone = Courses(session).of(planned.lot).last.held.sitting.zone
            check_day_has_come(test, planned.held_on, zone)
        key = read_key(key_path(folder, test), sitting=test, digest=planned.key_digest)
        judgement, record = record_confirmation(
            session, planned, read_answers(answers, planned, key)
        )
    if not writing.as_json:
        result_console().print(judgement.summary)
    said = f"Decided on {planned.lot}"
    writing.tell([record], said)
