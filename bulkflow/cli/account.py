"""``bulkflow account``: movements, balances, returns, the file of a lot, recall."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli import account_acts
from bulkflow.cli.account_acts import scenario_of
from bulkflow.cli.load_options import on_day
from bulkflow.cli.register_options import (
    DatabaseOption,
    day_option,
    plain_data,
    plain_table,
    reading_register,
)
from bulkflow.cli.shell import (
    FolderArgument,
    JsonOption,
    make_app,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from rich.console import Console

    from bulkflow.account.movements import Movement
    from bulkflow.account.recall import Recall
    from bulkflow.account.returns import QuarterReturn

__all__ = ["app"]

app = make_app(
    "The account of pure alcohol: what was sent, received, bottled, lost and owed; recall.",
    name="account",
    sections={
        "Ask": ("movements", "overdue", "balance", "guarantees", "recall"),
        "Record": (
            "begin",
            "gauge",
            "receive",
            "report",
            "bottle",
            "bottlings",
            "enter",
            "move",
            "take-back",
            "reverse",
        ),
        "Close, and write papers": ("close", "return", "lot-file"),
    },
)
account_acts.add_to(app)

OnOption = Annotated[
    str | None, typer.Option("--on", metavar="DATE", help="As of this day [default: today].")
]


@app.command("movements")
def movements_(
    folder: FolderArgument,
    *,
    load: Annotated[str | None, typer.Option("--load", help="Only this load, in full.")] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List movements: sent less received with its uncertainty, loss, duty, reports.

    Example: bulkflow account movements scenarios/vejkalna
    """
    from bulkflow.account.held_liquid import held_liquid
    from bulkflow.account.movements import movements
    from bulkflow.loads.queries import find_load

    scenario = scenario_of(folder)
    with reading_register(folder, database) as (_, session):
        found = movements(session, scenario)
        if load is not None:
            find_load(session, load)
        held = [] if load is None else held_liquid(session, "load", load)
    found = [one for one in found if load in (None, one.load.load_id)]
    if as_json:
        document = {
            "schema": "bulkflow.movements",
            "version": 1,
            "movements": [_movement_document(one) for one in found],
        }
        if load is not None:
            document["held"] = [one.words for one in held]
        write_json(document)
        return
    console = result_console()
    if not found:
        console.print("No load has left yet." if load is None else f"{load} has not left yet.")
    elif load is not None:
        _print_movement(console, found[0])
        for one in held:
            console.print(f"Do not bottle it: {load} {one.words}")
    else:
        _print_movements(console, found)


def _movement_document(one: Movement) -> dict[str, Any]:
    return {
        "load_id": one.load.load_id,
        "origin": one.load.origin,
        "destination": one.load.destination,
        "state": one.load.state.value,
        "left_on": str(one.left_on),
        "discharged_on": str(one.discharged_on) if one.discharged_on else None,
        "movement_reference": one.load.movement_reference,
        "released_on": str(one.released_on) if one.released_on else None,
        "crossings": [_crossing_document(crossing) for crossing in one.crossings],
    }


def _crossing_document(crossing: Any) -> dict[str, Any]:
    document: dict[str, Any] = plain_data(
        {
            "liquid_id": crossing.liquid_id,
            "documented_lpa": crossing.documented,
            "strength_percent": crossing.strength_percent,
            "sent_by": crossing.sent_by,
            "received_by": crossing.received_by,
            "records": crossing.records,
            "readings": crossing.readings,
        }
    )
    difference = crossing.difference
    if difference is not None:
        rule = difference.allowance
        document["difference"] = plain_data(
            {
                "sent_lpa": difference.sent,
                "received_lpa": difference.received,
                "heel_lpa": difference.heel,
                "lpa": difference.lpa,
                "uncertainty_k2_lpa": difference.uncertainty,
                "percent": difference.percent,
                "verdict": difference.verdict,
                "allowed_lpa": difference.allowed,
                "allowance": None
                if rule is None
                else {"id": rule.id, "percent": rule.percent, "citation": rule.citation},
            }
        )
    for name in ("falls_due", "duty_on_loss", "duty_above"):
        owing = getattr(crossing, name)
        if owing is not None:
            document[name] = plain_data(
                {
                    "amount": owing.due.amount,
                    "currency": owing.due.currency,
                    "arithmetic": owing.due.arithmetic,
                    "authority": owing.authority,
                    "payable": owing.payable,
                    "basis": owing.basis,
                }
            )
    if crossing.received_proof_gallons is not None:
        document["received_proof_gallons"] = plain_data(crossing.received_proof_gallons)
    return document


def _print_movements(console: Console, found: list[Movement]) -> None:
    rows = []
    for one in found:
        for crossing in one.crossings:
            difference = crossing.difference
            rows.append(
                [
                    one.load.load_id,
                    one.load.destination,
                    str(one.discharged_on or f"left {one.left_on:%d %b}"),
                    f"{crossing.documented:,.0f}",
                    ""
                    if difference is None
                    else f"{difference.lpa:+,.0f} ± {difference.uncertainty:,.0f}",
                    "" if difference is None else difference.verdict.value,
                ]
            )
    columns = {
        "Load": "whole", "To": "whole", "Received": "whole", "LPA": "right",
        "Less": "whole", "Which is": "left",
    }  # fmt: skip
    console.print(plain_table(columns, rows))
    console.print(
        "\nLess: LPA sent less received, ± its uncertainty (k = 2). In full: add --load NAME."
    )


def _print_movement(console: Console, one: Movement) -> None:
    load = one.load
    console.print(f"{load.load_id}: {load.origin} to {load.destination}, {load.state.value}")
    console.print(f"  left {one.left_on}, movement {load.movement_reference or 'not recorded'}")
    for crossing in one.crossings:
        console.print(f"\n{crossing.liquid_id}")
        rows = [
            [
                reading.what,
                str(reading.on or ""),
                f"{reading.lpa:,.3f}",
                "" if reading.uncertainty is None else f"{reading.uncertainty:,.1f}",
                ", stands ".join(x for x in (reading.how, reading.stands) if x),
            ]
            for reading in crossing.readings
        ]
        columns = {"Figure": "left", "On": "whole", "LPA": "whole", "± k=2": "whole", "By": "left"}
        console.print(plain_table(columns, rows))
        lines: list[tuple[str, str]] = []
        difference = crossing.difference
        if difference is not None:
            lines.append(("difference", difference.words))
            if crossing.received_proof_gallons is not None:
                lines.append(("which is", str(crossing.received_proof_gallons)))
            rule = difference.allowance
            said = "no rule is known" if rule is None else f"{rule.title}: {rule.citation}"
            lines.append(("allowance", said))
        for name, title in (
            ("falls_due", "duty due"),
            ("duty_on_loss", "on the loss"),
            ("duty_above", "above only"),
        ):
            owing = getattr(crossing, name)
            if owing is not None:
                words = f"{owing.due.arithmetic}, to {owing.authority} ({owing.basis})"
                lines.append((title, f"{words}, payable {owing.payable}"))
        if lines:
            console.print(plain_table({"": "whole", " ": "left"}, [list(x) for x in lines]))
    reports = [f"{r.report.kind.value} {r.report.on} ({r.report.reference})" for r in one.reports]
    console.print(f"\nReports: {', '.join(reports) or 'none'}.")
    console.print("Excise law decides what is owed; take licensed advice.")


@app.command("overdue")
def overdue_(
    folder: FolderArgument,
    *,
    on: OnOption = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List movements whose receipt, or whose report, is overdue.

    Example: bulkflow account overdue scenarios/vejkalna --on 2027-02-20
    """
    from bulkflow.account.movements import movements, overdue

    scenario, day = scenario_of(folder), on_day(on)
    with reading_register(folder, database) as (_, session):
        found = overdue(movements(session, scenario), scenario, day)
    if as_json:
        lines = plain_data(found)
        write_json({"schema": "bulkflow.overdue", "version": 1, "on": str(day), "overdue": lines})
        return
    console = result_console()
    if not found:
        console.print(f"Nothing is overdue on {day}.")
        return
    rows = [[one.load_id, one.destination, one.what, str(one.days), one.rule] for one in found]
    columns = {"Load": "whole", "To": "whole", "Lacks": "left", "Days": "right", "Why": "left"}
    console.print(plain_table(columns, rows))


@app.command("balance")
def balance(
    folder: FolderArgument,
    *,
    on: OnOption = None,
    site: Annotated[str | None, typer.Option("--site", help="Only this site.")] = None,
    since: Annotated[
        str | None,
        typer.Option("--from", metavar="DATE", help="Each day from here to --on, for a --site."),
    ] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show LPA by site and liquid at the end of a day, or day by day for one site.

    Example: bulkflow account balance scenarios/vejkalna --on 2027-01-17
    """
    from bulkflow.account.agreement import disagreements
    from bulkflow.account.ledger import HEELS, ON_THE_WAY, OUTER, balances_on, read_ledger
    from bulkflow.records.chain import head

    day, first = on_day(on), day_option("--from", since)
    if first is not None and (site is None or first > day or (day - first).days > 1000):
        mend = "Give --site, and at most 1,000 days."
        raise InputError(Fault("", 0, "--from", f"is {first}", mend))
    with reading_register(folder, database) as (_, session):
        balances = {
            key: lpa
            for key, lpa in balances_on(session, day).items()
            if key[0] not in OUTER and site in (None, key[0])
        }
        last = head(session)
        differing = disagreements(session)
        each = first is not None and site is not None
        days = read_ledger(session).days(site or "", first or day, day) if each else []
    if as_json:
        rows = [{"place": p, "liquid_id": q, "lpa": str(lpa)} for (p, q), lpa in balances.items()]
        document: dict[str, Any] = {
            "schema": "bulkflow.balance", "version": 1, "on": str(day), "chain_head": str(last),
            "balances": rows, "disagreements": plain_data(differing),
        }  # fmt: skip
        if days:
            document["days"] = [{"day": str(d), "lpa": plain_data(held)} for d, held in days]
        write_json(document)
        return
    console = result_console()
    if days:
        liquids = sorted({name for _, held in days for name in held})
        columns = {"Day": "whole", **dict.fromkeys(liquids, "right")}
        table = [
            [str(d), *(f"{held.get(name, Decimal(0)):,.3f}" for name in liquids)]
            for d, held in days
        ]
        console.print(plain_table(columns, table))
        return
    order = sorted(balances.items(), key=lambda item: (item[0][0] in (ON_THE_WAY, HEELS), item[0]))
    rows_ = [[place, liquid, f"{lpa:,.3f}"] for (place, liquid), lpa in order]
    console.print(plain_table({"Place": "whole", "Liquid": "whole", "LPA": "right"}, rows_))
    console.print(f"\nAt the end of {day}; record {last.seq}.")
    for one in differing:
        console.print(
            f"NOT EQUAL: {one.place}, {one.liquid_id}: the ledger has {one.ledger:,} LPA, the"
            f" standing records {one.records:,}."
        )
    if not differing:
        console.print("Every balance equals what the standing records add up to, to 0.001 LPA.")


@app.command("guarantees")
def guarantees(
    folder: FolderArgument,
    *,
    since: Annotated[str, typer.Option("--from", metavar="DATE", help="First day.")],
    until: Annotated[str | None, typer.Option("--to", metavar="DATE", help="Last day.")] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what counts against each guarantee, day by day; reports release it.

    Example: bulkflow account guarantees scenarios/vejkalna --from 2027-01-04 --to 2027-01-08
    """
    from bulkflow.account.guarantees import guarantee_days
    from bulkflow.account.ledger import read_ledger
    from bulkflow.account.movements import movements

    first = day_option("--from", since)
    assert first is not None  # the option is required
    last = day_option("--to", until) or first
    if last < first or (last - first).days > 1000:
        raise InputError(Fault("", 0, "--to", f"is {last}", "Give at most 1,000 days, in order."))
    scenario = scenario_of(folder)
    with reading_register(folder, database) as (_, session):
        found = guarantee_days(
            read_ledger(session), movements(session, scenario), scenario, first, last
        )
    if as_json:
        write_json({"schema": "bulkflow.guarantees", "version": 1, "days": plain_data(found)})
        return
    rows = [
        [
            one.guarantee,
            str(one.day),
            f"{one.used:,.2f}",
            f"{one.left:,.2f} {one.currency}" + (" !" if one.left < 0 else ""),
            ", ".join(name for name, _ in one.by) or "nothing",
        ]
        for one in found
    ]
    columns = {
        "Guarantee": "whole", "Day": "whole", "Used": "right", "Left": "right", "By": "left"
    }  # fmt: skip
    result_console().print(plain_table(columns, rows))


@app.command("return")
def return_(
    folder: FolderArgument,
    quarter: Annotated[str, typer.Argument(metavar="QUARTER", help="Such as 2027-Q1.")],
    *,
    site: Annotated[
        list[str] | None, typer.Option("--site", help="Which site; repeatable [default: all].")
    ] = None,
    out: Annotated[
        list[Path] | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Write a page to sign (.html), the lines (.csv), a workbook (.xlsx); repeatable.",
        ),
    ] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make the return of a quarter: opening, every line, closing, and the chain head.

    Example: bulkflow account return scenarios/vejkalna 2027-Q1 --site NORFOLK
    """
    from bulkflow.account.return_files import (
        return_csv,
        return_sha256,
        write_return_workbook,
    )
    from bulkflow.account.return_page import return_html
    from bulkflow.account.returns import quarter_return
    from bulkflow.cli.outputs import by_ending
    from bulkflow.plan.write import on_demand
    from bulkflow.whole_files import written_whole

    files = by_ending(out, {".html": "a page to sign", ".csv": "the lines", ".xlsx": "a workbook"})
    page, csv, workbook = (files.get(one) for one in (".html", ".csv", ".xlsx"))
    scenario = scenario_of(folder)
    with reading_register(folder, database) as (_, session):
        found = quarter_return(session, scenario, quarter, site or ())
    if page is not None:
        names = {one.id: one.name for one in scenario.sites if one.name}
        with on_demand(page), written_whole(page) as stream:
            stream.write(return_html(found, scenario.name, names))
    if csv is not None:
        with on_demand(csv), written_whole(csv) as stream:
            stream.write(return_csv(found))
    if workbook is not None:
        with on_demand(workbook):
            write_return_workbook(found, workbook)
    if as_json:
        write_json(
            {
                "schema": "bulkflow.return",
                "version": 1,
                "quarter": found.quarter,
                "chain_head": found.chain_head,
                "sha256": return_sha256(found),
                "lines": plain_data(found.lines),
                "late": plain_data(found.late),
                "duty": plain_data(found.duty),
                "closed": {name: one.record if one else None for name, one in found.closed},
            }
        )
        return
    _print_return(result_console(), found)


def _print_return(console: Console, found: QuarterReturn) -> None:
    from bulkflow.account.return_files import return_status

    for name, state in return_status(found).items():
        lines = [one for one in found.lines if one.site_id == name]
        console.print(f"{name}, {found.quarter}: {state}")
        if not lines:
            console.print("  no liquid was held or moved\n")
            continue
        unit = lines[0].declared_unit
        rows = [
            [one.liquid_id, one.line, f"{one.lpa:+,.3f}", f"{one.declared:+,}"] for one in lines
        ]
        columns = {"Liquid": "whole", "Line": "left", "LPA": "right", unit: "right"}
        if unit == "LPA":
            columns = {"Liquid": "whole", "Line": "left", "LPA": "right", "declared": "right"}
        console.print(plain_table(columns, rows))
        console.print()
    for one in found.late:
        console.print(
            f"{one.site_id}, {one.liquid_id}: {one.lpa:+,.3f} LPA, {one.line} of {one.happened},"
            f" counts on {one.counted} since its quarter was closed (record {one.record})."
        )
    for due in found.duty:
        console.print(
            f"{due.site_id}, {due.load_id}: duty {due.what}: {due.amount:,} {due.currency}"
            f" on {due.lpa:,.3f} LPA, payable {due.payable} ({due.basis})."
        )
    for words in found.roundings:
        console.print(f"Declared at {words}.")
    console.print("Excise law decides what is owed; take licensed advice.")
    console.print(f"Chain head: {found.chain_head}", soft_wrap=True)


@app.command("lot-file")
def lot_file_(
    folder: FolderArgument,
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot's name.")],
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE.html", help="Write this file.")],
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the file of a lot: origin, results, sittings, decisions, holds, loads, records.

    Example: bulkflow account lot-file scenarios/vejkalna VK-DRY-2641 --out lot.html
    """
    from bulkflow.account.lot_file import lot_file, lot_file_html
    from bulkflow.cli.outputs import by_ending
    from bulkflow.plan.write import on_demand
    from bulkflow.whole_files import written_whole

    by_ending([out], {".html": "the file of a lot"})
    scenario = scenario_of(folder)
    with reading_register(folder, database) as (_, session):
        found = lot_file(session, scenario, lot)
    with on_demand(out), written_whole(out) as stream:
        stream.write(lot_file_html(found))
    if as_json:
        write_json(
            {
                "schema": "bulkflow.lot-file",
                "version": 1,
                "lot_id": lot,
                "file": str(out),
                "records": {str(seq): digest for seq, digest in found.hashes.items()},
                "chain_head": str(found.head),
            }
        )
        return
    typer.echo(f"Wrote {out}: {len(found.notes)} records, head {found.head.seq}.")


@app.command("recall")
def recall(
    folder: FolderArgument,
    lot: Annotated[
        str | None, typer.Argument(metavar="LOT", help="A lot: all that it went into.")
    ] = None,
    *,
    bottle: Annotated[
        str | None, typer.Option("--bottle", metavar="CODE", help="Behind a bottle or its lot.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.svg", help="Write a picture.")
    ] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Trace a lot on to loads, sites and bottles, or a bottle back to everything behind it.

    Example: bulkflow account recall scenarios/vejkalna VK-DRY-2641
    """
    from bulkflow.account.recall import behind_bottle, beyond_lot
    from bulkflow.cli.outputs import by_ending
    from bulkflow.plan.write import on_demand
    from bulkflow.whole_files import written_whole

    picture = by_ending([out] if out else [], {".svg": "a picture"}).get(".svg")
    if (lot is None) == (bottle is None):
        found_ = "is given both ways" if lot else "is missing"
        raise InputError(Fault("", 0, "start", found_, "Give a lot, or --bottle with a code."))
    with reading_register(folder, database) as (_, session):
        found = beyond_lot(session, lot) if lot else behind_bottle(session, bottle or "")
    if picture is not None:
        from bulkflow.account.recall_picture import recall_picture

        with on_demand(picture), written_whole(picture) as stream:
            stream.write(recall_picture(found) + "\n")
    if as_json:
        write_json(
            {
                "schema": "bulkflow.recall",
                "version": 1,
                "start": plain_data(found.start),
                "direction": found.direction,
                "reached": plain_data(found.reached),
                "links": plain_data(found.links),
                "remarks": list(found.remarks),
            }
        )
        return
    _print_recall(result_console(), found)


def _print_recall(console: Console, found: Recall) -> None:
    reached = [one for one in found.reached if one.generation]
    console.print(
        f"{found.direction.capitalize()} {found.start[0].value} {found.start[1]}:"
        f" {len(reached)} reached at {', '.join(found.sites) or 'no site'};"
        f" {found.cases:,} cases of bottles."
    )
    rows = [
        [
            str(one.generation),
            one.kind.value,
            one.name,
            "" if one.share is None else f"{100 * one.share:.1f} %",
            "" if one.lpa is None else f"{one.lpa:,.0f}",
            "" if one.least is None else f"{one.least:,.0f} to {one.most:,.0f}",
            ", ".join(filter(None, (one.where, one.state, *one.codes))),
        ]
        for one in reached
    ]
    columns = {
        "": "right", "Kind": "whole", "Name": "whole", "Share": "right", "LPA": "right",
        "Can be": "right", "At": "left",
    }  # fmt: skip
    if rows:
        console.print(plain_table(columns, rows))
        console.print("LPA: if every tank was well mixed. Can be: whatever the order it left in.")
    for words in found.remarks:
        console.print(words)
