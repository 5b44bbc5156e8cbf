"""``panels sitting``: a sitting from its plan to its decisions."""

from __future__ import annotations

import sys
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli.register_options import (
    AsOption,
    DatabaseOption,
    LotArgument,
    ReasonOption,
    plain_table,
)
from bulkflow.cli.shell import (
    FolderArgument,
    JsonOption,
    make_app,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError
from panels.cli.option_blocks import PanelWritingOptions, spread
from panels.cli.register import (
    SittingArgument,
    panel_folder,
    reading_panels,
    tell_edits,
    writing_panels,
)

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from bulkflow.records import Record
    from panels.sittings.deciding import Judgement
    from panels.sittings.history import HeldSitting
    from panels.sittings.planning import PlannedSitting

__all__ = ["app"]

app = make_app("Plan, serve, score, close and decide a sitting.", name="sitting")

ScoresArgument = Annotated[
    Path, typer.Argument(metavar="SCORES.csv", help="Score sheets, one row a glass.")
]


class Paper(StrEnum):
    """Kinds of sheet."""

    PREPARATION = "preparation"
    TRAYS = "trays"
    SCORES = "scores"
    CODING = "coding"


@app.command("plan")
@spread
def plan(
    folder: FolderArgument,
    definition: Annotated[
        Path, typer.Argument(metavar="DEFINITION.yaml", help="Lots, assessors, day and room.")
    ],
    *,
    seed: Annotated[
        int | None,
        typer.Option(
            "--seed",
            help="For rehearsals: seed of orders and codes; whoever knows it can draw the key"
            " [default: one nobody can guess].",
        ),
    ] = None,
    writing: PanelWritingOptions,
) -> None:
    """Plan a sitting: orders and blind codes; the key goes to panel/keys, apart.

    Example: panels sitting plan scenarios/vejkalna
    scenarios/vejkalna/panel/sittings/2026-12-15.yaml --dry-run
    """
    from panels.sittings.definition import read_definition
    from panels.sittings.keys import draw_seed
    from panels.sittings.planning import plan_sitting

    defined, file = read_definition(definition)
    with writing.panels(folder) as session:
        planned = plan_sitting(
            session, defined, seed=draw_seed() if seed is None else seed, file=file
        )
        _register(session, folder, planned, writing)


@app.command("next")
@spread
def next_(
    folder: FolderArgument,
    name: Annotated[str, typer.Argument(metavar="SITTING", help="What to call it.")],
    *,
    on: Annotated[
        datetime, typer.Option("--on", formats=["%Y-%m-%d"], metavar="DATE", help="Its day.")
    ],
    water: Annotated[str, typer.Option("--water", help="What dilutes it, with its batch.")],
    lots: Annotated[int, typer.Option("--lots", help="Most lots.")] = 4,
    like: Annotated[
        str | None,
        typer.Option("--like", help="Whose people, room and times it takes over [the newest]."),
    ] = None,
    assessor: Annotated[
        list[str] | None,
        typer.Option("--assessor", help="Who noses; give each one [default: who nosed there]."),
    ] = None,
    exception: Annotated[
        list[str] | None,
        typer.Option("--exception", metavar="WHO:WHY", help="Sits without being qualified."),
    ] = None,
    writing: PanelWritingOptions,
) -> None:
    """Plan the next sitting from the queue: its lots, strengths, orders and codes.

    Example: panels sitting next scenarios/vejkalna VK-2 --on 2027-01-05 --water "demineralised,
    batch W-1"
    """
    from panels.sittings.keys import draw_seed
    from panels.sittings.queueing import plan_next

    with writing.panels(folder) as session:
        planned = plan_next(
            session,
            name=name,
            held_on=on.date(),
            water=water,
            lots=lots,
            seed=draw_seed(),
            like=like,
            assessors=assessor or (),
            exceptions=dict(_excepted(text) for text in exception or ()),
        )
        _register(session, folder, planned, writing)


def _excepted(text: str) -> tuple[str, str]:
    who, colon, why = (part.strip() for part in text.partition(":"))
    if not (who and colon and len(why.split()) > 1):
        mend = 'Write "A3: trained again on Monday".'
        raise InputError(Fault("", 0, "--exception", f"is {text[:60]!r}", mend))
    return who, why


def _register(
    session: Session, folder: Path, planned: PlannedSitting, writing: PanelWritingOptions
) -> None:
    """Register a sitting that is laid out; its key goes apart."""
    from panels.sittings.keys import key_path
    from panels.sittings.planning import register_sitting
    from panels.sittings.volumes import spirit_lines

    sitting = planned.sitting
    key_file = None if writing.dry_run else key_path(folder, sitting.sitting)
    record = register_sitting(session, planned, key_file=key_file)
    said = f"Planned {sitting.sitting}: {len(sitting.places)} glasses for"
    said += f" {len(sitting.assessors)} assessors"
    if not writing.as_json:
        for line in (*sitting.balance, *spirit_lines(session, sitting)):
            sys.stdout.write(f"{line}\n")
        if key_file is not None:
            sys.stdout.write(f"The key is in {key_file}; keep it from assessors and servers.\n")
    writing.tell([record], said)


@app.command("list")
def list_(
    folder: FolderArgument, *, database: DatabaseOption = None, as_json: JsonOption = False
) -> None:
    """List sittings with their state.

    Example: panels sitting list scenarios/vejkalna
    """
    from panels.sittings.history import list_sittings

    with reading_panels(folder, database) as session:
        held = list_sittings(session)
        tell_edits(session, folder)
    if as_json:
        write_json(
            {"schema": "panels.sittings", "version": 1, "sittings": [_plain(one) for one in held]}
        )
        return
    if not held:
        sys.stdout.write("No sitting is planned.\n")
        return
    rows = [
        [
            one.sitting.sitting,
            str(one.sitting.held_on),
            ", ".join(j.lot for j in one.sitting.lots),
            one.state,
        ]
        for one in held
    ]
    headings = {"sitting": "right", "day": "right", "lots": "left", "state": "left"}
    result_console().print(plain_table(headings, rows))


@app.command("sheets")
def sheets(
    folder: FolderArgument,
    sitting: SittingArgument,
    *,
    paper: Annotated[
        list[Paper] | None,
        typer.Option("--paper", help="Which papers [default: all but the coding sheet]."),
    ] = None,
    every: Annotated[
        bool, typer.Option("--every", help="Every paper, the coding sheet too; by the coder.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="Write print-ready HTML files here."),
    ] = None,
    poured: Annotated[
        list[str] | None,
        typer.Option("--poured", metavar="HH:MM", help="Planned time of pouring, one a flight."),
    ] = None,
    database: DatabaseOption = None,
    name: AsOption = None,
) -> None:
    """Print the papers of a sitting; the coding sheet only for the coder.

    Example: panels sitting sheets scenarios/vejkalna VK-2026-12-15 --paper preparation
    """
    from bulkflow.cli.outputs import folder_made
    from bulkflow.whole_files import file_stem
    from panels.sittings.history import find_sitting

    usual = [*Paper] if every else [Paper.PREPARATION, Paper.TRAYS, Paper.SCORES]
    wanted = list(dict.fromkeys(paper or usual))
    if Paper.CODING in wanted:
        with writing_panels(folder, database, name) as session:
            held = find_sitting(session, sitting)
            texts = _papers(session, folder, held, wanted, poured or [])
    else:
        with reading_panels(folder, database) as session:
            held = find_sitting(session, sitting)
            texts = _papers(session, folder, held, wanted, poured or [])
    if out is not None:
        folder_made(out)
    for kind in wanted:
        if out is None:
            _print_paper(held, kind, folder, poured or [])
            continue
        file = out / f"{file_stem(sitting)}-{kind.value}.html"
        _write_whole(file, texts[kind])
        sys.stdout.write(f"{file}\n")
        blank = _blank(held, kind)
        if blank:
            _write_whole(file.with_suffix(".csv"), blank)
            sys.stdout.write(f"{file.with_suffix('.csv')}\n")


def _blank(held: HeldSitting, paper: Paper) -> str:
    """Return the table to be filled in beside a paper; empty where there is none."""
    from panels.sittings.sheets import blank_preparation, blank_table

    if paper is Paper.SCORES:
        return blank_table(held.sitting)
    return blank_preparation(held.sitting) if paper is Paper.PREPARATION else ""


@app.command("record")
@spread
def record_(
    folder: FolderArgument,
    sitting: SittingArgument,
    scores: ScoresArgument,
    *,
    preparation: Annotated[
        Path | None,
        typer.Option("--preparation", help="Table of the diluted samples' measured strengths."),
    ] = None,
    close: Annotated[
        bool, typer.Option("--close", help="No more sheets are to come: close the sitting, too.")
    ] = False,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="Before the sitting's day; the evidence shows it.")
    ] = False,
    writing: PanelWritingOptions,
) -> None:
    """Record score sheets, and close the sitting if they are the last; all of a file or nothing.

    Example: panels sitting record scenarios/vejkalna VK-2026-12-15 scores.csv --close
    """
    from panels.cli.taking_in import close_from_file, record_from_files

    with writing.panels(folder) as session:
        records = record_from_files(session, sitting, scores, preparation, rehearsal=rehearsal)
        sheets = sum(one.kind == "panel sheet" for one in records)
        said = f"Recorded {sheets} score sheets of {sitting}"
        if close:
            records.append(close_from_file(session, folder, sitting, None))
            said += ", and closed it"
    writing.tell(records, said)


@app.command("amend")
@spread
def amend(
    folder: FolderArgument,
    sitting: SittingArgument,
    assessor: Annotated[str, typer.Argument(metavar="ASSESSOR", help="Whose sheet.")],
    code: Annotated[str, typer.Argument(metavar="CODE", help="The glass.")],
    field: Annotated[str, typer.Argument(metavar="COLUMN", help="Such as score or off_notes.")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="What should stand there.")],
    *,
    reason: ReasonOption = "",
    writing: PanelWritingOptions,
) -> None:
    """Strike through a slip on a recorded sheet; the old value stays on record with the reason.

    After the close only who decides for the panel may, and the lots are decided on anew.

    Example: panels sitting amend scenarios/vejkalna VK-1 A3 417 score 7.5 --reason "keyed 5.7 for
    7.5"
    """
    from panels.sittings.amending import amend_glass

    with writing.panels(folder) as session:
        record, made = amend_glass(
            session, sitting, assessor, code, field=field, value=value, reason=reason
        )
    if made and not writing.as_json:
        _tell_decisions(made, writing)
    writing.tell([record, *(one for _, one in made)], f"Amended glass {code} of {assessor}")


@app.command("open-key")
def open_key(
    folder: FolderArgument,
    sitting: SittingArgument,
    *,
    reason: ReasonOption = "",
    database: DatabaseOption = None,
    name: AsOption = None,
) -> None:
    """Open the key before the close; it needs a reason, and the evidence shows it for ever.

    Example: panels sitting open-key scenarios/vejkalna VK-1 --reason "a glass broke"
    """
    from panels.sittings.history import find_sitting
    from panels.sittings.keys import key_path, read_key
    from panels.sittings.recording import open_key_early
    from panels.sittings.sheets import coding_of

    with writing_panels(folder, database, name) as session:
        open_key_early(session, sitting, reason)
        held = find_sitting(session, sitting)
        key = read_key(key_path(folder, sitting), sitting=sitting, digest=held.sitting.key_digest)
    for subject in coding_of(key):
        codes = ", ".join(f"{assessor} {code}" for assessor, code in subject.codes)
        result_console().print(f"Flight {subject.flight}, {subject.subject}: {codes}")


@app.command("close")
@spread
def close(
    folder: FolderArgument,
    sitting: SittingArgument,
    *,
    remarks: Annotated[
        str | None, typer.Option("--remarks", help="Anything out of the ordinary.")
    ] = None,
    writing: PanelWritingOptions,
) -> None:
    """Take no more sheets, and put the key into the register.

    Example: panels sitting close scenarios/vejkalna VK-2026-12-15
    """
    from panels.cli.taking_in import close_from_file

    with writing.panels(folder) as session:
        record = close_from_file(session, folder, sitting, remarks)
    writing.tell([record], f"Closed {sitting}")


@app.command("cancel")
@spread
def cancel(
    folder: FolderArgument,
    sitting: SittingArgument,
    *,
    reason: ReasonOption = "",
    writing: PanelWritingOptions,
) -> None:
    """Say that a planned sitting is not held; its lots wait in the queue again.

    Example: panels sitting cancel scenarios/vejkalna VK-2 --reason "the room is not free"
    """
    from panels.sittings.recording import cancel_sitting

    with writing.panels(folder) as session:
        record = cancel_sitting(session, sitting, reason)
    writing.tell([record], f"Cancelled {sitting}; its lots wait again")


@app.command("show")
def show(
    folder: FolderArgument,
    sitting: SittingArgument,
    *,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show where a sitting stands; once closed, what it found and what the rule makes of it.

    Example: panels sitting show scenarios/vejkalna VK-2026-12-15
    """
    from panels.cli.findings import findings_document, print_findings
    from panels.sittings.deciding import judge_sitting
    from panels.sittings.history import find_sitting

    with reading_panels(folder, database) as session:
        held = find_sitting(session, sitting)
        found = judge_sitting(session, held) if held.closing is not None else None
    if as_json:
        document = {"schema": "panels.sitting", "version": 1, **_plain(held)}
        if found is not None:
            document |= findings_document(*found)
        write_json(document)
        return
    where = f"{held.sitting.held_on}, {held.sitting.room}, led by {held.sitting.leader}"
    result_console().print(f"{sitting}: {held.state}. {where}.")
    if held.outstanding and held.running:
        result_console().print(f"Sheets to come: {', '.join(held.outstanding)}.")
    if found is not None:
        print_findings(*found)


@app.command("decide")
@spread
def decide(
    folder: FolderArgument,
    sitting: SittingArgument,
    *,
    writing: PanelWritingOptions,
) -> None:
    """Decide on every lot of a closed sitting by its rule, and write the evidence.

    Example: panels sitting decide scenarios/vejkalna VK-2026-12-15
    """
    from panels.release.judging import Verdict
    from panels.sittings.deciding import decide_sitting, still_closed

    with writing.panels(folder) as session:
        made = decide_sitting(session, sitting)
        released = [one.course.lot for one, _ in made if one.verdict is Verdict.RELEASE]
        closed = list(still_closed(session, released))
    _tell_decisions(made, writing)
    for line in closed:
        sys.stderr.write(f"{line}\n")


@app.command("reopen")
@spread
def reopen(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    reason: ReasonOption = "",
    writing: PanelWritingOptions,
) -> None:
    """Put a lot that the panel released or rejected before it again; a release ends with it.

    A reject stands all the same until it is overridden, and the level that earlier sittings
    spent stays spent.

    Example: panels sitting reopen scenarios/vejkalna VK-DRY-2641 --reason "the tank was topped up"
    """
    from panels.sittings.deciding import reopen_lot

    with writing.panels(folder) as session:
        made = [reopen_lot(session, lot, reason)]
    _tell_decisions(made, writing)


@app.command("import")
@spread
def import_(
    folder: FolderArgument,
    *,
    writing: PanelWritingOptions,
) -> None:
    """Take in what lies in FOLDER/panel: standards, rules, and sittings that were held.

    Each panel/sittings/NAME.yaml comes with its key in panel/keys and the tables
    NAME.scores.csv and, if measured, NAME.preparation.csv beside it. Sittings in the register
    are left alone; the others are planned, recorded, closed and decided, in order of their
    days. All of it is kept, or nothing. A sitting to come is refused, unless it lies before the
    workspace's plan begins: the story of a quarter may be told beforehand.

    Example: panels sitting import scenarios/vejkalna --dry-run
    """
    from panels.cli.rule import known_risks
    from panels.cli.taking_in import take_in
    from panels.release.files import read_rules

    rules = read_rules(panel_folder(folder) / "rules.yaml")
    risks = known_risks(folder, writing.database, rules, dry_run=writing.dry_run)
    with writing.panels(folder) as session:
        made = take_in(session, folder, rules, risks)
        tell_edits(session, folder)
    if not made and not writing.as_json:
        sys.stdout.write("Nothing new: every sitting is in the register.\n")
        return
    _tell_decisions(made, writing)


def _papers(
    session: Session, folder: Path, held: HeldSitting, wanted: list[Paper], poured: list[str]
) -> dict[Paper, str]:
    from panels.sittings import sheets
    from panels.sittings.history import rules_of
    from panels.sittings.keys import key_path, read_key
    from panels.sittings.recording import open_key_to_code
    from panels.sittings.scores import sheet_rules

    sitting = held.sitting
    texts: dict[Paper, str] = {}
    for paper in wanted:
        if paper is Paper.PREPARATION:
            texts[paper] = sheets.preparation_html(sitting)
        elif paper is Paper.TRAYS:
            texts[paper] = sheets.tray_html(sitting, poured)
        elif paper is Paper.SCORES:
            rules = sheet_rules([found.rule for found in rules_of(session, held).values()])
            texts[paper] = sheets.score_html(sitting, rules)
        else:
            open_key_to_code(session, sitting.sitting)
            path = key_path(folder, sitting.sitting)
            key = read_key(path, sitting=sitting.sitting, digest=sitting.key_digest)
            texts[paper] = sheets.coding_html(sitting, key)
    return texts


def _print_paper(held: HeldSitting, paper: Paper, folder: Path, poured: list[str]) -> None:
    from panels.cli import papers
    from panels.sittings.keys import key_path, read_key

    sitting = held.sitting
    if paper is Paper.PREPARATION:
        papers.print_preparation(sitting)
    elif paper is Paper.TRAYS:
        papers.print_trays(sitting, poured)
    elif paper is Paper.SCORES:
        papers.print_score_columns(sitting)
    else:
        path = key_path(folder, sitting.sitting)
        key = read_key(path, sitting=sitting.sitting, digest=sitting.key_digest)
        papers.print_coding(key)


def _write_whole(file: Path, text: str) -> None:
    from bulkflow.whole_files import written_whole

    with written_whole(file) as stream:
        stream.write(text)


def _plain(held: HeldSitting) -> dict[str, Any]:
    return {
        "record": held.record.seq,
        "state": held.state,
        "outstanding": list(held.outstanding),
        "sitting": held.sitting.model_dump(mode="json"),
    }


def _tell_decisions(made: list[tuple[Judgement, Record]], writing: PanelWritingOptions) -> None:
    if writing.as_json:
        writing.tell([record for _, record in made], "")
        return
    console = result_console()
    for judgement, record in made:
        kept = "" if writing.dry_run else f" (record {record.seq})"
        console.print(f"{judgement.figures.lot.lot}{kept}: {judgement.summary}")
