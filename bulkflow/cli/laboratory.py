"""``bulkflow laboratory``: results with their guard bands, suppliers, instruments, certificates."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bulkflow.cli.account_options import needed_day
from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import DatabaseOption, LotArgument, day_option
from bulkflow.cli.shell import FolderArgument, JsonOption, make_app, result_console, write_json

__all__ = ["app"]

LABORATORY_SCHEMA = "bulkflow-laboratory/1"

app = make_app(
    "Results and how sure they are, suppliers' histories, instruments, certificates.",
    name="laboratory",
    sections={"Judge": ("results", "supplier", "certificate"),
              "Instruments": ("calibrate", "expiring")},
)  # fmt: skip


def results(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    database: DatabaseOption = None,
    json: JsonOption = False,
) -> None:
    """Show each result of a lot against each limit: inside, outside or too close to call.

    The gate takes a result as it is; the guard band (1.645 standard uncertainties) says how sure
    that is, and how many results in all would settle what is too close.

    Example: bulkflow laboratory results scenarios/vejkalna VK-DRY-2641
    """
    from bulkflow.cli.register_options import plain_data, reading_register
    from bulkflow.lots.analysis import analyses_of
    from bulkflow.plan.answer import plain_table

    with reading_register(folder, database) as (_, session):
        found = analyses_of(session, lot)
    if json:
        rows = [
            {
                "analyte": one.analyte, "market": one.market, "unit": one.unit,
                "minimum": plain_data(one.minimum), "maximum": plain_data(one.maximum),
                "value": one.value, "qualifier": one.result.qualifier,
                "uncertainty": one.uncertainty, "uncertainty_predicted": one.predicted,
                "call": None if one.judged is None else one.judged.call.value,
                "probability": None if one.judged is None else one.judged.probability,
                "results_needed": None if one.judged is None else one.judged.repeats,
                "laboratory": one.result.laboratory, "method": one.result.method,
                "record": one.record,
            }
            for one in found
        ]  # fmt: skip
        write_json({"schema": LABORATORY_SCHEMA, "lot_id": lot, "results": rows})
        return
    console = result_console()
    if not found:
        console.print(f"{lot} has no result on which there is a limit.")
        return
    table = plain_table("analyte", "limit", "result", "u", "call", right=("result", "u"))
    for one in found:
        bounds = " to ".join(
            "" if bound is None else f"{bound.normalize():f}"
            for bound in (one.minimum, one.maximum)
        )
        call = "only a bound is known" if one.judged is None else one.judged.call.value
        if one.judged is not None and one.judged.repeats is not None:
            call += f": {one.judged.repeats} results in all would settle it"
        sign = "" if one.result.qualifier == "=" else one.result.qualifier
        table.add_row(
            one.analyte + (f" for {one.market}" if one.market else ""), f"{bounds} {one.unit}",
            "-" if one.value is None else f"{sign}{one.value:.4g}",
            "-" if one.uncertainty is None else f"{one.uncertainty:.2g}" + "*" * one.predicted,
            call,
        )  # fmt: skip
    console.print(table)
    if any(one.predicted for one in found):
        console.print("* predicted for its level (Horwitz), since none was stated.")


def supplier(
    folder: FolderArgument,
    name: Annotated[str, typer.Argument(metavar="SUPPLIER", help="The supplier's id.")],
    *,
    database: DatabaseOption = None,
    json: JsonOption = False,
) -> None:
    """Show what a supplier's lots held over time: chart, tolerance limit, certificates, precision.

    Results with the supplier's id as the laboratory are its certificates.

    Example: bulkflow laboratory supplier scenarios/vejkalna OSTRAVELE
    """
    from dataclasses import asdict

    from bulkflow.cli.register_options import reading_register
    from bulkflow.lots.analysis import supplier_history
    from bulkflow.plan.answer import plain_table

    with reading_register(folder, database) as (_, session):
        found = supplier_history(session, name)
    if json:
        rows = [asdict(one) for one in found]
        write_json({"schema": LABORATORY_SCHEMA, "supplier_id": name, "analytes": rows})
        return
    console = result_console()
    if not found:
        console.print(f"No results of lots of {name} are in the register.")
        return
    columns = ("lots", "mean", "95/95 below", "signals", "certificates")
    table = plain_table("analyte", *columns, right=columns)
    for one in found:
        agree = sum(pair.agrees for pair in one.agreements)
        table.add_row(
            f"{one.analyte} ({one.unit})", str(len(one.lots)),
            f"{sum(one.values) / len(one.values):.3g}",
            "-" if one.upper is None else f"{one.upper:.3g}",
            "-" if one.chart is None else str(len(one.chart.signals)),
            f"{agree} of {len(one.agreements)} agree" if one.agreements else "-",
        )  # fmt: skip
    console.print(table)
    for one in found:
        for pair in one.agreements:
            if not pair.agrees:
                console.print(
                    f"{one.analyte} of {pair.lot_id}: certificate {pair.certificate:.3g}, own"
                    f" {pair.own:.3g}, further apart than {pair.limit:.2g}."
                )
        for signal in one.chart.signals if one.chart else ():
            console.print(f"{one.analyte} of {one.lots[signal - 1]} lies outside the chart.")
        for lab in one.laboratories:
            if lab.outside:
                stand = ", ".join(lab.outside)
                console.print(f"{one.analyte} of {lab.lot_id}: {stand} stands out (Mandel, 5 %).")


def calibrate(
    folder: FolderArgument,
    instrument: Annotated[str, typer.Argument(metavar="INSTRUMENT", help="Its name.")],
    *,
    what: Annotated[str, typer.Option(help="density meter, hydrometer, balance, ...")],
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="Day of calibration.")],
    expires: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Last day (by default the usual interval after it)."),
    ] = None,
    certificate: Annotated[str | None, typer.Option(help="Its number.")] = None,
    by: Annotated[str | None, typer.Option(help="Who calibrated it.")] = None,
    site: Annotated[str | None, typer.Option(help="Where it is used.")] = None,
    retired: Annotated[
        str | None, typer.Option(metavar="DATE", help="From this day it is not used.")
    ] = None,
    writing: WritingOptions,
) -> None:
    """Record the calibration of an instrument and until when it holds.

    Example: bulkflow laboratory calibrate scenarios/vejkalna DM-1 --what "density meter" --on
    2026-11-03 --certificate K-441 --dry-run
    """
    from bulkflow.lots.bodies import Instrument
    from bulkflow.lots.instruments import record_instrument, usual_expiry
    from bulkflow.reading.shape import body_of

    day = needed_day("--on", on)
    body = body_of(
        Instrument,
        {
            "instrument_id": instrument, "what": what, "site_id": site, "calibrated_on": day,
            "expires_on": day_option("--expires", expires) or usual_expiry(what, day),
            "certificate": certificate, "by": by,
            "retired_on": day_option("--retired", retired),
        },
    )  # fmt: skip
    with writing.register(folder, create=True) as session:
        record = record_instrument(session, body)
    writing.tell([record], f"{instrument}: calibrated, good until {body.expires_on}")


def expiring_(
    folder: FolderArgument,
    *,
    by: Annotated[str, typer.Option(metavar="DATE", help="The last day asked for.")],
    database: DatabaseOption = None,
    json: JsonOption = False,
) -> None:
    """List calibrations and retained samples that run out by a day, those past it first.

    Example: bulkflow laboratory expiring scenarios/vejkalna --by 2027-03-31
    """
    from dataclasses import asdict

    from bulkflow.cli.register_options import plain_data, reading_register
    from bulkflow.lots.instruments import expiring
    from bulkflow.plan.answer import plain_table

    with reading_register(folder, database) as (_, session):
        found = expiring(session, by=needed_day("--by", by))
    if json:
        rows = [plain_data(asdict(one)) for one in found]
        write_json({"schema": LABORATORY_SCHEMA, "expiring": rows})
        return
    console = result_console()
    if not found:
        console.print("Nothing runs out by then.")
        return
    table = plain_table("until", "what", "name", "of")
    for one in found:
        table.add_row(one.on.isoformat(), one.what, one.name, one.words)
    console.print(table)


def certificate(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="An .html file.")],
    market: Annotated[str | None, typer.Option(help="With the limits of this market.")] = None,
    database: DatabaseOption = None,
) -> None:
    """Write the certificate of analysis of a lot as a page to print and sign.

    It is refused while a gate of the lot is closed.

    Example: bulkflow laboratory certificate scenarios/vejkalna VK-DRY-2641 --out certificate.html
    """
    from bulkflow.account.certificate import certificate as certificate_of
    from bulkflow.account.certificate import certificate_html
    from bulkflow.cli.outputs import by_ending
    from bulkflow.cli.register_options import reading_register
    from bulkflow.plan.write import on_demand
    from bulkflow.whole_files import written_whole

    by_ending([out], {".html": "the certificate of a lot"})
    with reading_register(folder, database) as (_, session):
        found = certificate_of(session, lot, market=market)
    with on_demand(out), written_whole(out) as stream:
        stream.write(certificate_html(found))
    typer.echo(f"Wrote {out}: {len(found.lines)} results of {lot}.")


for _name, _command in (
    ("results", results),
    ("supplier", supplier),
    ("calibrate", calibrate),
    ("expiring", expiring_),
    ("certificate", certificate),
):
    app.command(_name)(spread(_command))
