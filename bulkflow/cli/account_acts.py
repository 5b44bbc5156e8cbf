"""The writing commands of ``bulkflow account``: begin, gauge, receive, report, bottle, close."""

from __future__ import annotations

import sys
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.account_options import (
    DocumentOption,
    InstrumentOptions,
    LiquidOption,
    NoteOption,
    RequiredOnOption,
    SiteOption,
    WhyOption,
    gauging_of,
    needed_day,
    needed_number,
)
from bulkflow.cli.load_options import LoadArgument
from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import ReasonOption, decimal_option
from bulkflow.cli.shell import FolderArgument
from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bulkflow.account.gauging import Reading
    from bulkflow.records.chain import Record
    from bulkflow.scenario.model import Scenario

__all__ = ["add_to", "scenario_of"]


def scenario_of(folder: Path) -> Scenario:
    """Return the scenario of a workspace."""
    from bulkflow.scenario.reader import read_workspace

    return read_workspace(folder).scenario


def begin(
    folder: FolderArgument,
    *,
    writing: WritingOptions,
) -> None:
    """Take over the stock not kept by lot, and the loads under way, from the tables; once.

    Example: bulkflow account begin scenarios/vejkalna --dry-run
    """
    from bulkflow.account.beginning import begin_account

    scenario = scenario_of(folder)
    with writing.register(folder) as session:
        records = begin_account(session, scenario)
    loads = sum(record.kind == "load" for record in records)
    stocks = sum(record.kind == "account entry" for record in records)
    said = f"Took over {stocks} stocks not kept by lot and {loads} loads under way"
    writing.tell(records, said)


def gauge(
    folder: FolderArgument,
    load: LoadArgument,
    *,
    on: RequiredOnOption,
    liquid: LiquidOption = None,
    instruments: InstrumentOptions,
    document: DocumentOption = None,
    note: NoteOption = None,
    reason: WhyOption = None,
    writing: WritingOptions,
) -> None:
    """Record what a load measured when it left, by weighbridge or dip; corrects an earlier one.

    What does not fit document, plate or liquid is refused, unless a reason is given.

    Example: bulkflow account gauge scenarios/vejkalna W-102 --on 2026-12-21 --gross 22120 --tare
    3900 --density 859.2 --temperature 15 --dry-run
    """
    from bulkflow.account.journey import gauge_dispatch

    day = needed_day("--on", on)
    reading, scenario = instruments.reading(), scenario_of(folder)
    more = {"document": document, "note": note, "reason": reason}
    with writing.register(folder) as session:
        body = gauging_of(session, load, liquid, reading, side="dispatch", on=day, **more)
        record = gauge_dispatch(session, body, scenario)
    said = f"{load}: {body.lpa:,} LPA ± {2 * body.lpa_uncertainty:,} (k = 2) dispatched"
    writing.tell([record], said)


def receive(
    folder: FolderArgument,
    load: LoadArgument,
    *,
    on: RequiredOnOption,
    liquid: LiquidOption = None,
    instruments: InstrumentOptions,
    heel: Annotated[
        str | None, typer.Option("--heel", metavar="LPA", help="What stayed in the tank.")
    ] = None,
    as_lot: Annotated[
        str | None, typer.Option("--as-lot", metavar="LOT", help="Keep it as a lot of this name.")
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option("--table", metavar="CSV", help="Readings of several liquids, a row each."),
    ] = None,
    document: DocumentOption = None,
    note: NoteOption = None,
    reason: WhyOption = None,
    writing: WritingOptions,
) -> None:
    """Record what a load measured on receipt; the load is then discharged. Again, it corrects.

    The difference to what was sent is shown with its uncertainty, so that noise is not called
    loss. Open a vent before discharge, and let the temperature even out before gauging.

    Example: bulkflow account receive scenarios/vejkalna W-101 --on 2027-01-12 --dip-gallons 5750
    --proof 160.6 --temperature-f 63 --dry-run
    """
    from bulkflow.account.journey import receive as record_receipt

    day = needed_day("--on", on)
    readings: list[tuple[str | None, Reading, Decimal | None, str | None]] = []
    if table is None:
        one = instruments.reading()
        readings.append((liquid, one, decimal_option("--heel", heel), as_lot))
    else:
        from bulkflow.account.tablefiles import read_readings

        readings.extend(read_readings(table))
    scenario = scenario_of(folder)
    with writing.register(folder) as session:
        bodies = [
            gauging_of(
                session,
                load,
                name,
                one,
                side="receipt",
                on=day,
                as_lot=lot,
                document=document,
                note=note,
                reason=reason,
                **({} if left is None else {"heel_lpa": left}),
            )
            for name, one, left, lot in readings
        ]
        records = record_receipt(session, bodies, scenario)
        from bulkflow.account.held_liquid import held_liquid
        from bulkflow.account.movements import movements

        found = [one for one in movements(session, scenario) if one.load.load_id == load]
        held = [
            f"Do not bottle it: {load} {one.words}" for one in held_liquid(session, "load", load)
        ]
    words = [
        f"{load}, {crossing.liquid_id}: sent less received {crossing.difference.words}"
        for one in found
        for crossing in one.crossings
        if crossing.difference is not None
    ]
    writing.tell(records, "\n".join(words + held))


def report(
    folder: FolderArgument,
    loads: Annotated[list[str], typer.Argument(metavar="LOAD...", help="One load or more.")],
    *,
    kind: Annotated[str, typer.Option("--kind", help="receipt, or exit (from the territory).")],
    on: RequiredOnOption,
    reference: Annotated[str, typer.Option("--reference", help="The authority's reference.")],
    note: NoteOption = None,
    correct: Annotated[
        bool, typer.Option("--correct", help="Supersede the report of this kind that stands.")
    ] = False,
    writing: WritingOptions,
) -> None:
    """Record the authority's confirmation of exit or receipt; it releases the guarantee.

    Example: bulkflow account report scenarios/vejkalna W-101 W-102 --kind exit --on 2026-12-30
    --reference EX-5512 --dry-run
    """
    from bulkflow.account.bodies import Report
    from bulkflow.account.journey import report_movement
    from bulkflow.reading.shape import body_of

    day = needed_day("--on", on)
    records: list[Record] = []
    with writing.register(folder) as session:
        for load in dict.fromkeys(loads):
            fields = {
                "load_id": load, "kind": kind, "on": day, "reference": reference, "note": note
            }  # fmt: skip
            records += report_movement(session, body_of(Report, fields), correct=correct)
    said = f"{kind} of {', '.join(dict.fromkeys(loads))} reported"
    writing.tell(records, said)


def bottle(
    folder: FolderArgument,
    bottling: Annotated[str, typer.Argument(metavar="BOTTLING", help="Name of the bottle lot.")],
    *,
    site: SiteOption,
    product: Annotated[str, typer.Option("--product", help="Product of the workspace.")],
    on: RequiredOnOption,
    source: Annotated[
        list[str],
        typer.Option(
            "--from", metavar="KIND:NAME=LPA", help="load:, lot: or stock:LIQUID; repeatable."
        ),
    ],
    cases: Annotated[int, typer.Option("--cases", min=1, help="Cases filled.")],
    code: Annotated[
        list[str] | None,
        typer.Option("--codes", metavar="FIRST..LAST", help="Codes on bottles; repeatable."),
    ] = None,
    market: Annotated[
        str | None, typer.Option("--market", help="For which the bottles are (the site's).")
    ] = None,
    note: NoteOption = None,
    reason: Annotated[
        str | None, typer.Option("--reason", help="Why it is lawful where it breaks a rule.")
    ] = None,
    correct: Annotated[
        bool, typer.Option("--correct", help="Supersede the bottling of this name.")
    ] = False,
    writing: WritingOptions,
) -> None:
    """Record a lot of bottles: what went in, what came out, the codes on the bottles.

    A size, strength or label that the market does not allow is refused with its rule.

    Example: bulkflow account bottle scenarios/vejkalna B-1 --site NORFOLK --product DRY-750 --on
    2027-01-14 --from stock:VK-DRY=3600 --cases 1850 --codes N7014-0001..N7014-9999 --dry-run
    """
    from bulkflow.account.acts import bottle as record_bottlings
    from bulkflow.account.bodies import Bottling
    from bulkflow.account.bottling_rules import bottle_words, refuse_hazy, refuse_unlawful
    from bulkflow.account.tablefiles import bottled_lpa
    from bulkflow.reading.shape import body_of

    scenario = scenario_of(folder)
    products = {one.id: one for one in scenario.products}
    if product not in products:
        mend = f"Give one of {', '.join(sorted(products))}."
        raise InputError(Fault("", 0, "--product", f"is {product[:40]!r}", mend))
    found = products[product]
    ml, strength = (Decimal(repr(value)) for value in (found.bottle_ml, found.strength_percent))
    per_case = found.bottles_per_case
    body = body_of(
        Bottling,
        {
            "bottling_id": bottling,
            "site_id": site,
            "product_id": product,
            "on": needed_day("--on", on),
            "sources": _sources(source, found.liquid),
            "cases": cases,
            "bottles_per_case": per_case,
            "bottle_ml": ml,
            "strength_percent": strength,
            "lpa_bottled": bottled_lpa(Decimal(cases), Decimal(per_case), ml, strength),
            "codes": _codes(code or ()),
            "note": note,
            "market": market,
            "reason": reason,
        },
    )
    refuse_unlawful(scenario, [body])
    with writing.register(folder) as session:
        refuse_hazy(session, scenario, [body])
        records = record_bottlings(session, [body], correct=correct)
    lost = body.lpa_taken - body.lpa_bottled
    said = f"{bottling}: {cases:,} cases, {body.lpa_bottled:,} LPA; {lost:,} LPA lost in bottling"
    writing.tell(records, said)
    for words in bottle_words(scenario, found, body):
        sys.stderr.write(f"{words}\n")


def _sources(texts: Sequence[str], liquid: str) -> list[object]:
    from bulkflow.account.tablefiles import source_of

    found: list[object] = []
    faults = []
    for text in texts:
        try:
            found.append(source_of(text, liquid))
        except ValueError:
            mend = "Give load:NAME=LPA, lot:NAME=LPA or stock:LIQUID=LPA."
            faults.append(Fault("", 0, "--from", f"is {text[:60]!r}", mend))
    if faults:
        raise InputError(faults)
    return found


def _codes(texts: Sequence[str]) -> list[dict[str, str]]:
    pairs = [text.partition("..") for text in texts]
    return [
        {"first": first.strip(), "last": (last if dots else first).strip()}
        for first, dots, last in pairs
    ]


def bottlings(
    folder: FolderArgument,
    file: Annotated[Path, typer.Argument(metavar="CSV", help="A row for each lot of bottles.")],
    *,
    writing: WritingOptions,
) -> None:
    """Record the lots of bottles of a table, whole or not at all.

    Columns: bottling_id, site_id, product_id, on, sources, cases; and, where they differ from
    the product, bottles_per_case, bottle_ml, strength_percent, lpa_bottled; codes, note, market;
    reason, where a bottle breaks a rule of its market.

    Example: bulkflow account bottlings scenarios/vejkalna scenarios/vejkalna/week3/bottled.csv
    --dry-run
    """
    from bulkflow.account.acts import bottle as record_bottlings
    from bulkflow.account.bottling_rules import refuse_hazy, refuse_unlawful
    from bulkflow.account.tablefiles import read_bottlings

    scenario = scenario_of(folder)
    found = read_bottlings(file, {one.id: one for one in scenario.products})
    refuse_unlawful(scenario, found)
    with writing.register(folder) as session:
        refuse_hazy(session, scenario, found)
        records = record_bottlings(session, found)
    taken = sum((one.lpa_taken for one in found), Decimal(0))
    cases = sum(one.cases for one in found)
    said = f"{len(found)} lots of bottles: {cases:,} cases from {taken:,} LPA"
    writing.tell(records, said)


def enter(
    folder: FolderArgument,
    *,
    site: SiteOption,
    liquid: Annotated[str, typer.Option("--liquid", help="Which liquid.")],
    kind: Annotated[
        str,
        typer.Option(
            "--kind",
            help="'bought in', 'used in making', recovered, stocktake, samples, destroyed, 'heel"
            " returned' or correction.",
        ),
    ],
    lpa: Annotated[str, typer.Option("--lpa", help="Above 0 comes, below 0 goes.")],
    on: RequiredOnOption,
    reason: ReasonOption,
    load: Annotated[
        str | None, typer.Option("--load", help="Of this load received there, or its heel.")
    ] = None,
    lot: Annotated[str | None, typer.Option("--lot", help="Of this lot.")] = None,
    again: Annotated[
        bool,
        typer.Option("--measured-again", help="A large difference was found a second time."),
    ] = False,
    writing: WritingOptions,
) -> None:
    """Enter LPA that came to or left a site: of a lot, a received load, or stock under neither.

    What happened in a closed quarter counts on the first day after it.

    Example: bulkflow account enter scenarios/vejkalna --site NORFOLK --liquid VK-DRY --kind
    stocktake --lpa -12.5 --on 2027-01-15 --reason "monthly dip" --dry-run
    """
    from bulkflow.account.acts import enter as record_entry
    from bulkflow.account.bodies import Entry
    from bulkflow.reading.shape import body_of

    known = {(one.id, name) for one in scenario_of(folder).sites for name in _liquids(one)}
    if (site, liquid) not in known:
        mend = "Name a site of the workspace, and a liquid it has a tank for."
        raise InputError(Fault("", 0, "--site", f"{site} with {liquid} is not there", mend))
    body = body_of(
        Entry,
        {
            "site_id": site,
            "liquid_id": liquid,
            "kind": kind,
            "lpa": needed_number("--lpa", lpa),
            "on": needed_day("--on", on),
            "load_id": load,
            "lot_id": lot,
            "measured_again": again or None,
            "reason": reason,
        },
    )
    with writing.register(folder) as session:
        record = record_entry(session, body)
    said = f"{site}, {liquid}: {body.lpa:+,} LPA, {kind}"
    writing.tell([record], said)


def move(
    folder: FolderArgument,
    *,
    site: SiteOption,
    source: Annotated[
        str,
        typer.Option("--from", metavar="KIND:NAME", help="lot:, load:, stock:LIQUID or way:LOAD."),
    ],
    target: Annotated[
        str, typer.Option("--to", metavar="KIND:NAME", help="The same, or lost (spilt, leaked).")
    ],
    liquid: Annotated[str, typer.Option("--liquid", help="Which liquid.")],
    lpa: Annotated[str, typer.Option("--lpa", help="How much of it.")],
    on: RequiredOnOption,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Record LPA that went from one name to another: pumped over, returned, taken off, or lost.

    way:LOAD is what a load has on its way; the site is where the rest lies.

    Example: bulkflow account move scenarios/vejkalna --site NORFOLK --from stock:VK-DRY --to lost
    --liquid VK-DRY --lpa 3.2 --on 2027-01-15 --reason "hose drained onto the apron" --dry-run
    """
    from bulkflow.account.acts import transfer
    from bulkflow.account.bodies import Transfer
    from bulkflow.reading.shape import body_of

    fields = {
        "liquid_id": liquid,
        "lpa": needed_number("--lpa", lpa),
        "on": needed_day("--on", on),
        "source": _end("--from", source, site),
        "target": None if target == "lost" else _end("--to", target, site),
        "reason": reason,
    }
    body = body_of(Transfer, fields)
    with writing.register(folder) as session:
        record = transfer(session, body)
    writing.tell([record], f"{body.lpa:,} LPA of {liquid} from {source} to {target}")


def _end(option: str, text: str, site: str) -> dict[str, str]:
    from bulkflow.account.postings import ON_THE_WAY

    kind, colon, name = text.partition(":")
    if not colon or not name or kind not in {"lot", "load", "stock", "way"}:
        mend = "Give lot:NAME, load:NAME, stock:LIQUID or way:LOAD."
        raise InputError(Fault("", 0, option, f"is {text[:60]!r}", mend))
    on_the_way = kind == "way"
    return {
        "place": ON_THE_WAY if on_the_way else site,
        "kind": "load" if on_the_way else kind,
        "name": name,
    }


def reverse(
    folder: FolderArgument,
    record: Annotated[int, typer.Argument(metavar="RECORD", help="Its number.")],
    *,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Reverse an entry, move, bottling or report that was recorded by mistake.

    Example: bulkflow account reverse scenarios/vejkalna 149 --reason twice --dry-run
    """
    from bulkflow.account.acts import reverse as record_reversal

    with writing.register(folder) as session:
        records = record_reversal(session, record, reason)
    writing.tell(records, f"Record {record} is reversed")


def take_back(
    folder: FolderArgument,
    load: LoadArgument,
    *,
    on: RequiredOnOption,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Record that all of a load came back: refused, broken down, or filled by mistake.

    It goes back into its lots (into stock where they are not known), and the load is withdrawn.

    Example: bulkflow account take-back scenarios/vejkalna W-102 --on 2027-01-12 --reason "refused
    at the port" --dry-run
    """
    from bulkflow.account.acts import take_back as record_return

    with writing.register(folder) as session:
        records = record_return(session, load, needed_day("--on", on), reason)
    writing.tell(records, f"{load} was taken back")


def _liquids(site: object) -> set[str]:
    return {name for tank in site.tanks for name in tank.liquids}  # type: ignore[attr-defined]


def close(
    folder: FolderArgument,
    quarter: Annotated[str, typer.Argument(metavar="QUARTER", help="Such as 2027-Q1.")],
    *,
    site: Annotated[list[str], typer.Option("--site", help="Which site; repeatable.")],
    writing: WritingOptions,
) -> None:
    """Close a quarter of a site: its figures stay for ever; corrections count in a later one.

    Example: bulkflow account close scenarios/vejkalna 2026-Q1 --site NORFOLK --dry-run
    """
    from bulkflow.account.acts import close_quarter
    from bulkflow.account.bodies import ClosedBalance, Closing
    from bulkflow.account.return_files import return_sha256
    from bulkflow.account.returns import quarter_return
    from bulkflow.records.times import system_clock

    scenario = scenario_of(folder)
    today = system_clock().astimezone().date()
    records = []
    with writing.register(folder) as session:
        for name in dict.fromkeys(site):
            found = quarter_return(session, scenario, quarter, [name])
            balances = tuple(
                ClosedBalance(liquid_id=liquid, lpa=lpa)
                for liquid, lpa in found.closing_of(name).items()
            )
            body = Closing(
                site_id=name,
                quarter=quarter,
                balances=balances,
                chain_head=found.chain_head,
                return_sha256=return_sha256(found),
            )
            records.append(close_quarter(session, body, today=today))
    said = f"{quarter} closed for {', '.join(dict.fromkeys(site))}"
    writing.tell(records, said)


def add_to(app: typer.Typer) -> None:
    """Add these commands to a group."""
    ways = (
        begin,
        gauge,
        receive,
        report,
        bottle,
        bottlings,
        enter,
        move,
        take_back,
        reverse,
        close,
    )
    for command in ways:
        app.command(command.__name__.replace("_", "-"))(spread(command))
