"""``bulkflow lots``: the register of lots, asked and kept."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli import lot_acts, lot_declarations
from bulkflow.cli.register_options import (
    DatabaseOption,
    LotArgument,
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
    message_console,
    result_console,
    write_json,
)

if TYPE_CHECKING:
    from rich.console import Console

    from bulkflow.lots.explaining import Explanation
    from bulkflow.lots.parentage import Relation
    from bulkflow.lots.queries import LotFilter, LotLine

__all__ = ["app"]

app = make_app(
    "The register of lots: what they are, what was measured and decided, and why they may ship.",
    name="lots",
    sections={
        "Ask": ("list", "show", "why", "trace", "samples", "limits"),
        "Begin and add": ("begin", "add", "sample", "sample-gone"),
        "Measure and decide": ("result", "results", "expect", "decide", "override"),
        "Hold and dispose": ("hold", "lift", "dispose"),
        "Declare": ("site", "limit", "rule"),
    },
)


@app.command("list")
def list_(
    folder: FolderArgument,
    *,
    status: Annotated[
        str | None, typer.Option(help="released, awaiting, held or rejected.")
    ] = None,
    liquid: Annotated[str | None, typer.Option(help="Only this liquid.")] = None,
    site: Annotated[str | None, typer.Option(help="Only at this site.")] = None,
    tank: Annotated[str | None, typer.Option(help="Only in this tank.")] = None,
    supplier: Annotated[str | None, typer.Option(help="Only from this supplier.")] = None,
    base: Annotated[str | None, typer.Option(help="Only of this spirit base.")] = None,
    restriction: Annotated[str | None, typer.Option(help="Only with this restriction.")] = None,
    market: Annotated[str | None, typer.Option(help="Only meant for this market.")] = None,
    with_stock: Annotated[
        bool, typer.Option("--with-stock", help="Only lots of which something is left.")
    ] = False,
    after: Annotated[str | None, typer.Option(help="Only names that sort after this one.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many.")] = 50,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List lots with their status, as it follows from their gates.

    Example: bulkflow lots list scenarios/vejkalna --status held
    """
    from bulkflow.lots.queries import count_by_status, list_lots
    from bulkflow.lots.seed_edits import seed_edits

    wanted = _filter(
        status=status,
        liquid_id=liquid,
        site_id=site,
        tank_id=tank,
        supplier_id=supplier,
        spirit_base=base,
        restriction=restriction,
        market=market,
        with_stock=with_stock,
    )
    with reading_register(folder, database) as (_, session):
        lines = list_lots(session, wanted, after=after, limit=limit + 1)
        counts = {} if wanted.status else count_by_status(session, wanted)
        for words in seed_edits(session, folder):
            message_console().print(words, soft_wrap=True)
    shown, more = lines[:limit], len(lines) > limit
    if as_json:
        write_json(
            {
                "schema": "bulkflow.lots",
                "version": 1,
                "lots": plain_data(shown),
                "counts": plain_data(counts),
                "more_after": shown[-1].lot_id if more else None,
            }
        )
        return
    console = result_console()
    if not shown:
        console.print("No lot fits.")
        return
    console.print(_lot_table(shown))
    if counts:
        told = ", ".join(f"{count} {name.value}" for name, count in counts.items() if count)
        console.print(f"\nOf all that fit: {told}.")
    if any(line.overridden for line in shown):
        console.print("! a gate of this lot was overridden once; bulkflow lots why tells.")
    if more:
        console.print(f"More: add --after {shown[-1].lot_id}, or a higher --limit.")


def _filter(*, status: str | None, **fields: Any) -> LotFilter:
    from bulkflow.errors import Fault, InputError
    from bulkflow.lots.gates import LotStatus
    from bulkflow.lots.queries import LotFilter

    if status is None:
        return LotFilter(**fields)
    try:
        return LotFilter(status=LotStatus(status), **fields)
    except ValueError as error:
        mend = f"Give one of {', '.join(LotStatus)}."
        raise InputError(Fault("", 0, "--status", f"is {status[:40]!r}", mend)) from error


def _lot_table(lines: Sequence[LotLine]) -> Any:
    columns = {
        "Lot": "whole",
        "Liquid": "left",
        "Where": "left",
        "LPA left": "right",
        "% vol": "right",
        "Status": "whole",
        "Decision due": "whole",
    }
    rows = [
        [
            line.lot_id,
            line.liquid_id,
            "/".join(part for part in (line.site_id, line.tank_id) if part),
            f"{line.lpa_left:,.0f}",
            f"{line.strength_percent:.1f}",
            line.status.value + ("!" if line.overridden else ""),
            str(line.due_on or ""),
        ]
        for line in lines
    ]
    return plain_table(columns, rows)


@app.command("show")
def show(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show a lot: what it is, its account in LPA, and every record about it.

    Example: bulkflow lots show scenarios/vejkalna VK-DRY-2641
    """
    from bulkflow.lots.account import account_of
    from bulkflow.lots.explaining import note_of
    from bulkflow.lots.queries import find_lot
    from bulkflow.records.chain import records_about

    with reading_register(folder, database) as (_, session):
        line = find_lot(session, lot)
        account = account_of(session, lot)
        history = records_about(session, lot)
    described = next(record for record in history if record.seq == line.record)
    if as_json:
        write_json(
            {
                "schema": "bulkflow.lot",
                "version": 1,
                "lot": plain_data(line),
                "description": described.content,
                "account": plain_data(account),
                "records": [record.fields for record in history],
            }
        )
        return
    console = result_console()
    console.print(f"{line.lot_id}: {line.liquid_id}, {line.status.value}")
    for name, text in _description(line, described.content):
        console.print(f"  {name:<13} {text}")
    console.print("\nAccount in LPA")
    console.print(
        plain_table(
            {"": "left", "LPA": "right", "Record": "right"},
            [[item.what, f"{item.lpa:,.3f}", str(item.record)] for item in account.entries]
            + [["left", f"{account.left:,.3f}", ""]],
        )
    )
    console.print("\nRecords")
    notes = [note_of(record) for record in history]
    console.print(
        plain_table(
            {"No.": "right", "When": "left", "Who": "left", "What": "left"},
            [[str(n.record), when(n.at, n.zone), n.actor, f"{n.kind}: {n.words}"] for n in notes],
        )
    )


def _description(line: LotLine, body: dict[str, Any]) -> list[tuple[str, str]]:
    measured = body["measurement"]
    how = {
        "stated": "as stated",
        "density": f"density {measured.get('density_kg_m3')} kg/m3",
        "hydrometer": f"alcoholometer {measured.get('hydrometer_percent')} % vol",
    }[measured["strength_by"]]
    if measured["strength_by"] != "stated":
        how += f" at {measured['strength_temperature_c']} °C"
    quantity = (
        f"{measured['mass_kg']} kg"
        if measured["quantity_by"] == "mass"
        else f"{measured['volume_litres']} L at {measured['volume_temperature_c']} °C"
    )
    found = [
        ("stage", line.stage or "not stated"),
        ("origin", f"{line.origin}" + (f" on {line.made_on}" if line.made_on else "")),
        ("where", f"{line.site_id}, tank {line.tank_id or 'not stated'}"),
        ("strength", f"{line.strength_percent} % vol at 20 °C ({how})"),
        ("quantity", f"{line.litres_20c} L at 20 °C ({quantity})"),
        ("LPA", f"{line.lpa}, rounded {measured['rounding']}"),
        ("spirit base", line.spirit_base or "not stated"),
        ("supplier", line.supplier_id or "none"),
        ("restrictions", ", ".join(line.restrictions) or "none"),
        ("markets", ", ".join(line.markets) or "not stated"),
    ]
    if body.get("note"):
        found.append(("note", body["note"]))
    return found


@app.command("why")
def why(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    gate: Annotated[
        bool, typer.Option("--gate", help="Exit with code 3 unless the lot may ship.")
    ] = False,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> int:
    """Say why a lot may ship or not: its gates, open and closed, with the records behind them.

    Example: bulkflow lots why scenarios/vejkalna VK-CIT-2642
    """
    from bulkflow.lots.declaring import standing_rule
    from bulkflow.lots.explaining import explain_lot
    from bulkflow.lots.gate_steps import LotSteps
    from bulkflow.lots.panel_facts import panel_facts
    from bulkflow.records.times import system_clock

    today = system_clock().astimezone().date()
    with reading_register(folder, database) as (store, session):
        explained = explain_lot(session, lot)
        rule = standing_rule(session, explained.lot.liquid_id)
        at = store.settings.shown if database else ""
        steps = LotSteps(folder, panel_facts(session), today, at)
    ships = all(state.is_open for state in explained.gates)
    if as_json:
        write_json(
            {
                "schema": "bulkflow.why",
                "version": 1,
                "may_ship": ships,
                **plain_data(explained),
            }
        )
    else:
        console = result_console()
        _print_why(console, explained, ships=ships)
        console.print("\nNext")
        for step in steps.of(explained, rule.rule if rule else None):
            console.print(f"{step.words}:")
            console.print(f"  {step.command}", soft_wrap=True)
    return ExitCode.NO_PLAN if gate and not ships else ExitCode.DONE


def _print_why(console: Console, explained: Explanation, *, ships: bool) -> None:
    lot = explained.lot
    verdict = "may ship" if ships else "may not ship"
    due = f"; a decision is due {explained.due_on}" if explained.due_on else ""
    console.print(
        f"{lot.lot_id} ({lot.liquid_id}, {lot.lpa_left:,.0f} LPA left) {verdict}: "
        f"{explained.status.value}{due}."
    )
    for state in explained.gates:
        word = "overridden" if state.overridden else "open" if state.is_open else "CLOSED"
        console.print(f"\n{state.gate.value}: {word}\n  {state.reason}")
        for note in state.records:
            said = "" if note.words in state.reason else f": {note.words}"
            console.print(
                f"    record {note.record}, {when(note.at, note.zone)}, {note.actor} "
                f"({note.capacity}){said}"
            )
    for note in explained.overrides:
        console.print(f"\nOverride for ever on record: {note.words} (record {note.record})")
    for remark in explained.remarks:
        console.print(f"\nNote: {remark}.")


@app.command("trace")
def trace(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Trace a lot both ways: what it was made from, and what was made from it, in LPA.

    Example: bulkflow lots trace scenarios/vejkalna VK-DRY-2641
    """
    from bulkflow.lots.parentage import (
        ancestors_of,
        descendants_of,
        links_behind,
        links_beyond,
    )
    from bulkflow.lots.queries import find_lot

    with reading_register(folder, database) as (_, session):
        line = find_lot(session, lot)
        behind, beyond = ancestors_of(session, lot), descendants_of(session, lot)
        links = [*links_behind(session, lot), *links_beyond(session, lot)] if as_json else []
    if as_json:
        write_json(
            {
                "schema": "bulkflow.trace",
                "version": 1,
                "lot": plain_data(line),
                "behind": plain_data(behind),
                "beyond": plain_data(beyond),
                "links": plain_data(links),
            }
        )
        return
    console = result_console()
    _print_relations(
        console,
        f"Behind {lot}: lots it was made from",
        "LPA of it",
        behind,
        "no parent is recorded",
    )
    _print_relations(
        console,
        f"\nBeyond {lot}: lots made from it",
        "LPA from it",
        beyond,
        "nothing was made of it",
    )


def _print_relations(
    console: Console, title: str, amount: str, relations: Sequence[Relation], none: str
) -> None:
    if not relations:
        console.print(f"{title}: {none}.")
        return
    console.print(title)
    columns = {
        "Steps": "right",
        "Lot": "left",
        "Liquid": "left",
        "Site": "left",
        "Supplier": "left",
        amount: "right",
        "Share": "right",
    }
    rows = [
        [
            str(item.generation),
            item.lot_id,
            item.liquid_id,
            item.site_id,
            item.supplier_id or "",
            f"{item.lpa:,.1f}",
            f"{item.share * 100:.1f} %",
        ]
        for item in relations
    ]
    console.print(plain_table(columns, rows))


@app.command("samples")
def samples(
    folder: FolderArgument,
    *,
    lot: Annotated[str | None, typer.Option("--lot", help="Only of this lot.")] = None,
    expiring_by: Annotated[
        str | None, typer.Option(metavar="DATE", help="Only those that expire by this day.")
    ] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the retained samples that are kept, the first to expire first.

    Example: bulkflow lots samples scenarios/vejkalna --expiring-by 2028-12-31
    """
    from bulkflow.cli.register_options import day_option
    from bulkflow.lots.samples import kept_samples

    by = day_option("--expiring-by", expiring_by)
    with reading_register(folder, database) as (_, session):
        found = kept_samples(session, lot_id=lot, expiring_by=by)
    if as_json:
        write_json({"schema": "bulkflow.samples", "version": 1, "samples": plain_data(found)})
        return
    if not found:
        sys.stdout.write("No sample fits.\n")
        return
    columns = {
        "Sample": "left", "Lot": "left", "Taken": "right", "Expires": "right", "Kept": "left",
        "Seal": "left",
    }  # fmt: skip
    rows = [
        [s.sample_id, s.lot_id, str(s.taken_on), str(s.expires_on or ""), s.kept_at or "",
         s.seal or ""]
        for s in found
    ]  # fmt: skip
    result_console().print(plain_table(columns, rows))


lot_acts.add_to(app)
lot_declarations.add_to(app)
