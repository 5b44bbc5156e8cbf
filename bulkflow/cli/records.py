"""``bulkflow records``: the chain behind the register, and who may do what."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import (
    DatabaseOption,
    ReasonOption,
    components,
    plain_data,
    plain_table,
    reading_register,
    when,
)
from bulkflow.cli.shell import (
    ExitCode,
    FolderArgument,
    JsonOption,
    make_app,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError
from bulkflow.wording import counted

if TYPE_CHECKING:
    from bulkflow.records.chain import Record

__all__ = ["app", "export", "import_", "show_head", "verify_chain"]

app = make_app("The chain of records behind the register, and who may do what.", name="records")

PersonArgument = Annotated[str, typer.Argument(metavar="PERSON", help="As they are named.")]
RoleArgument = Annotated[
    str,
    typer.Argument(
        metavar="ROLE",
        help="clerk, laboratory, 'panel leader', 'release officer' or 'owner of the register'.",
    ),
]


@app.command("verify")
def verify_chain(
    folder: FolderArgument,
    *,
    printed_head: Annotated[
        str | None,
        typer.Option(
            "--head", metavar="N:HASH", help="Check also that this printed head lies on it."
        ),
    ] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> int:
    """Verify every link of the chain and name the first broken one (then exit code 3).

    Example: bulkflow records verify scenarios/vejkalna
    """
    from bulkflow.records.verification import check_head, verify

    with reading_register(folder, database) as (store, session):
        found = verify(session, store.kinds, store.checks)
        check = None if printed_head is None else check_head(session, printed_head)
    agrees = check is None or check.agrees
    if as_json:
        write_json(
            {
                "schema": "bulkflow.verification",
                "version": 1,
                "whole": found.broken is None,
                **plain_data(found),
                "printed_head": plain_data(check),
            }
        )
    else:
        lines = [f"{counted(found.records, 'record')}, all whole; head {found.head}"]
        if found.broken is not None:
            lines = [
                f"BROKEN at {found.broken}.",
                f"Before it {counted(found.records, 'record')} hold together.",
            ]
        if check is not None:
            lines.append(_head_words(check.seq, agrees=agrees, since=check.records_since))
        lines.extend(f"Note: {remark}." for remark in found.remarks)
        if found.unread_kinds:
            kinds = ", ".join(found.unread_kinds)
            lines.append(f"Note: links checked, content not, of the kinds {kinds}.")
        sys.stdout.write("\n".join(lines) + "\n")
    whole = found.broken is None and agrees
    return ExitCode.DONE if whole else ExitCode.NO_PLAN


def _head_words(seq: int, *, agrees: bool, since: int) -> str:
    if agrees:
        added = f"{counted(since, 'record')} {'was' if since == 1 else 'were'} added since"
        return f"The printed head lies on this chain; {added}."
    return f"The printed head does NOT lie on this chain: record {seq} differs or is missing."


@app.command("key")
@spread
def key_(
    folder: FolderArgument,
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="Of the private key; made if missing.")
    ] = None,
    *,
    withdraw: Annotated[
        str | None, typer.Option("--withdraw", metavar="PERSON", help="Their key counts no more.")
    ] = None,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Register the acting person's key; from then on all that is in their name is signed.

    Keep FILE to yourself, on no machine that others manage. Name it in BULKFLOW_KEY when you act
    (BULKFLOW_KEY_PASSWORD closes it with a password). records verify checks every signature.
    Withdraw a key that was lost or seen.

    Example: bulkflow records key scenarios/vejkalna ann.pem --as Ann --reason "begins to sign"
    --dry-run
    """
    from bulkflow.records.signing import KEY_FILE, register_key, withdraw_key

    if (file is None) == (withdraw is None):
        found = "is given both ways" if file else "is missing"
        raise InputError(Fault("", 0, "FILE", found, "Give a FILE, or --withdraw PERSON."))
    if writing.dry_run and file is not None and not file.exists():
        raise InputError(Fault(str(file), 0, "", "is not there", "A dry run makes no key."))
    with writing.register(folder) as session:
        if withdraw is not None:
            record, said = withdraw_key(session, withdraw, reason), f"{withdraw} signs no more"
        elif file is not None:
            record, made = register_key(session, file, reason)
            said = f"{record.subject} signs with {file}{', made now' if made else ''}"
            said += f"; set {KEY_FILE} to it"
    writing.tell([record], said)


@app.command("head")
def show_head(
    folder: FolderArgument, *, database: DatabaseOption = None, as_json: JsonOption = False
) -> None:
    """Print the chain head, to be written on paper and checked later with verify --head.

    Example: bulkflow records head scenarios/vejkalna
    """
    from bulkflow.records.chain import head

    with reading_register(folder, database) as (_, session):
        last = head(session)
    if as_json:
        write_json({"schema": "bulkflow.head", "version": 1, "seq": last.seq, "hash": last.hash})
    else:
        sys.stdout.write(f"{last}\n")


@app.command("log")
def log(
    folder: FolderArgument,
    *,
    about: Annotated[
        str | None, typer.Option("--about", help="Only records about this lot, liquid or person.")
    ] = None,
    kind: Annotated[
        str | None, typer.Option("--kind", help="Only this kind, such as hold or refusal.")
    ] = None,
    last: Annotated[int, typer.Option("--last", min=1, help="Only the last so many.")] = 30,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List records: who did what, when, with the amounts; refusals too.

    A name is what somebody gave (--as); the account behind it is the system's or the database's.

    Example: bulkflow records log scenarios/vejkalna --kind refusal
    """
    from bulkflow.lots.explaining import note_of
    from bulkflow.records.chain import last_records

    with reading_register(folder, database) as (_, session):
        records = last_records(session, count=last, about=about, kind=kind)
    if as_json:
        write_json(
            {
                "schema": "bulkflow.records",
                "version": 1,
                "records": [record.fields for record in records],
            }
        )
        return
    notes = [note_of(record) for record in records]
    rows = [
        [str(note.record), when(note.at, note.zone), _who(record), record.subject, note.words]
        for note, record in zip(notes, records, strict=True)
    ]
    columns = {"No.": "right", "When": "left", "Who": "left", "About": "left", "What": "left"}
    result_console().print(plain_table(columns, rows))


def _who(record: Record) -> str:
    """Return the name somebody gave, and the account behind it where that is another."""
    if record.account == record.actor:
        return record.actor
    return f"{record.actor} (account {record.account})"


@app.command("export")
def export(
    folder: FolderArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="JSON lines; - is stdout.")],
    *,
    database: DatabaseOption = None,
) -> None:
    """Write every record, with its place in the chain, as JSON lines.

    Example: bulkflow records export scenarios/vejkalna register.jsonl
    """
    from bulkflow.plan.write import on_demand
    from bulkflow.records.transfer import export_records
    from bulkflow.whole_files import written_whole

    with reading_register(folder, database) as (_, session):
        if str(file) == "-":
            export_records(session, sys.stdout)
            return
        with on_demand(file), written_whole(file) as stream:
            last = export_records(session, stream)
    sys.stderr.write(f"Wrote {counted(last.seq, 'record')} to {file.name}; head {last}\n")


@app.command("import")
@spread
def import_(
    folder: FolderArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="As exported; - is stdin.")],
    *,
    writing: WritingOptions,
) -> None:
    """Read an exported chain into a new register, or add what a copy of it lacks.

    Every link is checked first; the records keep their persons, times and hashes.

    Example: bulkflow records import scenarios/vejkalna register.jsonl
    """
    from bulkflow.cli.register_options import read_text
    from bulkflow.lots.tables import LOTS
    from bulkflow.records.migrations import RECORDS
    from bulkflow.records.transfer import import_records

    kept = (RECORDS, LOTS, *components())
    kinds = {kind.name: kind for part in kept for kind in part.kinds}
    text = read_text(file)
    with writing.register(folder, create=True) as session:
        done = import_records(session, text.split("\n"), kinds, file=file.name or "stdin")
    if writing.as_json:
        write_json(
            {
                "schema": "bulkflow.imported",
                "version": 1,
                "kept": not writing.dry_run,
                "in_file": done.in_file,
                "added": done.added,
                "head": str(done.head),
            }
        )
        return
    sys.stdout.write(
        f"{counted(done.in_file, 'record')} checked, {done.added} added; head {done.head}\n"
    )


@app.command("roles")
def roles(
    folder: FolderArgument, *, database: DatabaseOption = None, as_json: JsonOption = False
) -> None:
    """List who holds which role, and what each role may do.

    Example: bulkflow records roles scenarios/vejkalna
    """
    from bulkflow.records.actors import ROLE_POWERS, Role, appointed, nobody_appoints

    with reading_register(folder, database) as (_, session):
        held, free = appointed(session), nobody_appoints(session)
    powers = {role.value: sorted(power.value for power in ROLE_POWERS[role]) for role in Role}
    if as_json:
        people = {name: sorted(role.value for role in mine) for name, mine in held.items()}
        write_json(
            {
                "schema": "bulkflow.roles",
                "version": 1,
                "in_force": not free,
                "people": people,
                "powers": powers,
            }
        )
        return
    console = result_console()
    if free:
        console.print(
            "No owner of the register is appointed: whoever uses the machine may do everything, "
            "and each record says so."
        )
    rows = [
        [role.value, ", ".join(n for n, mine in held.items() if role in mine) or "nobody",
         "; ".join(powers[role.value])]
        for role in Role
    ]  # fmt: skip
    console.print(plain_table({"Role": "left", "Held by": "left", "May": "left"}, rows))


@app.command("appoint")
@spread
def appoint(
    folder: FolderArgument,
    person: PersonArgument,
    role: RoleArgument,
    *,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Appoint a person to a role; roles count once an owner of the register is appointed.

    Example: bulkflow records appoint scenarios/vejkalna "Ilse Marten" "owner of the register"
    --reason "keeps it"
    """
    _change(folder, person, role, "appoint", reason, writing)


@app.command("dismiss")
@spread
def dismiss(
    folder: FolderArgument,
    person: PersonArgument,
    role: RoleArgument,
    *,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Take a role from a person.

    Example: bulkflow records dismiss scenarios/vejkalna "Ilse Marten" clerk --reason "has left"
    """
    _change(folder, person, role, "dismiss", reason, writing)


def _change(
    folder: Path, person: str, role: str, action: str, reason: str, writing: WritingOptions
) -> None:
    from bulkflow.reading.shape import body_of
    from bulkflow.records.actors import Appointment
    from bulkflow.records.store import change_role

    change = body_of(
        Appointment, {"person": person, "role": role, "action": action, "reason": reason}
    )
    with writing.register(folder, create=True) as session:
        record = change_role(session, change)
    verb = "is appointed" if action == "appoint" else "is no longer"
    writing.tell([record], f"{person} {verb} {role}")
