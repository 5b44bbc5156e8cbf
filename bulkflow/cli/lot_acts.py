"""Commands that write about lots: take over, add, measure, decide, hold, lift, dispose."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import typer

from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import (
    LotArgument,
    ReasonOption,
    day_option,
    decimal_option,
    read_text,
)
from bulkflow.cli.shell import FolderArgument, write_json
from bulkflow.errors import Fault, InputError

__all__ = ["add_to", "json_object"]

Number = str | None
SampleArgument = Annotated[str, typer.Argument(metavar="SAMPLE", help="The sample's name.")]


def _number(flag: str, words: str) -> Any:
    return typer.Option(flag, metavar="NUMBER", help=words)


def begin(
    folder: FolderArgument,
    *,
    writing: WritingOptions,
) -> None:
    """Begin the register: take over the folder's opening lots and earlier results, once.

    Example: bulkflow lots begin scenarios/two_sites --dry-run
    """
    from bulkflow.lots.law import adopt_limits
    from bulkflow.lots.seeds import import_seeds
    from bulkflow.plan.law import limits_of_law
    from bulkflow.records.times import system_clock
    from bulkflow.scenario.reader import read_workspace

    with writing.register(folder, create=True) as session:
        done = import_seeds(session, folder, today=system_clock().date())
        if done is not None and (folder / "scenario.yaml").exists():
            adopt_limits(session, limits_of_law(read_workspace(folder).scenario))
        if done is None:
            mend = "Add lots to it one by one, or name another database."
            found = "holds lots already, so nothing is taken over"
            raise InputError(Fault("", 0, "the register", found, mend))
    if writing.as_json:
        from bulkflow.cli.register_options import plain_data

        write_json(
            {
                "schema": "bulkflow.begun",
                "version": 1,
                "kept": not writing.dry_run,
                **plain_data(done),
            }
        )
        return
    typer.echo(done.words)


def add(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    liquid: Annotated[str, typer.Option(help="Its liquid.")],
    site: Annotated[str, typer.Option(help="Where it lies.")],
    tank: Annotated[str | None, typer.Option(help="In which tank.")] = None,
    stage: Annotated[str | None, typer.Option(help="'neutral spirit' or 'distillate'.")] = None,
    received: Annotated[
        bool, typer.Option("--received", help="Received from a supplier, rather than made here.")
    ] = False,
    made_on: Annotated[str | None, typer.Option(metavar="DATE", help="Day of vatting.")] = None,
    strength: Annotated[Number, _number("--strength", "Stated strength [% vol at 20 °C].")] = None,
    density: Annotated[Number, _number("--density", "Density in vacuum [kg/m3].")] = None,
    hydrometer: Annotated[
        Number, _number("--hydrometer", "Alcoholometer reading [% vol scale].")
    ] = None,
    sample_temperature: Annotated[
        Number, _number("--sample-temperature", "Of the sample measured [°C].")
    ] = None,
    volume: Annotated[Number, _number("--volume", "Volume [L].")] = None,
    volume_temperature: Annotated[
        Number, _number("--volume-temperature", "Of the liquid in the tank [°C; else 20].")
    ] = None,
    mass: Annotated[Number, _number("--mass", "True mass [kg], in place of a volume.")] = None,
    parent: Annotated[
        list[str] | None,
        typer.Option("--parent", metavar="LOT=LPA", help="LPA drawn from a lot; repeatable."),
    ] = None,
    base: Annotated[str | None, typer.Option(help="Spirit base, such as cereal.")] = None,
    supplier: Annotated[str | None, typer.Option(help="Supplier.")] = None,
    restriction: Annotated[list[str] | None, typer.Option(help="Repeatable.")] = None,
    market: Annotated[list[str] | None, typer.Option(help="It is meant for; repeatable.")] = None,
    note: Annotated[str | None, typer.Option(help="In words.")] = None,
    reason: Annotated[
        str | None, typer.Option("--reason", help="Why it stands, where it is not plausible.")
    ] = None,
    correct: Annotated[
        bool, typer.Option("--correct", help="Correct the lot that is there (all of it anew).")
    ] = False,
    writing: WritingOptions,
) -> None:
    """Record a lot, received or made, with its measurement and its parents in LPA.

    A strength that is not its liquid's, a tank that is not there, too small or of a held lot are
    refused, unless a reason is given.

    Example: bulkflow lots add scenarios/vejkalna VK-CIT-2643 --liquid VK-CIT --site VEJKALNA
    --strength 79 --volume 9000
    """
    from bulkflow.loads.plausible import lot_faults, refuse_strange
    from bulkflow.lots.acts import correct_lot, record_lots
    from bulkflow.lots.bodies import Lot
    from bulkflow.lots.declaring import rounding_of
    from bulkflow.lots.law import adopt_limits
    from bulkflow.lots.measuring import Readings, measure
    from bulkflow.lots.queries import LotFilter, list_lots
    from bulkflow.plan.law import limits_of_law, stage_of
    from bulkflow.reading.shape import body_of
    from bulkflow.scenario.reader import read_workspace

    readings = Readings(
        strength_percent=decimal_option("--strength", strength),
        density_kg_m3=decimal_option("--density", density),
        hydrometer_percent=decimal_option("--hydrometer", hydrometer),
        strength_temperature_c=decimal_option("--sample-temperature", sample_temperature),
        volume_litres=decimal_option("--volume", volume),
        volume_temperature_c=decimal_option("--volume-temperature", volume_temperature),
        mass_kg=decimal_option("--mass", mass),
    )
    fields: dict[str, Any] = {
        "lot_id": lot,
        "liquid_id": liquid,
        "stage": stage,
        "origin": "received" if received else "made",
        "made_on": day_option("--made-on", made_on),
        "site_id": site,
        "tank_id": tank,
        "spirit_base": base,
        "supplier_id": supplier,
        "restrictions": restriction or [],
        "markets": market or [],
        "parents": [_parent(text) for text in parent or []],
        "note": note,
        "reason": reason,
    }
    with writing.register(folder, create=True) as session:
        fields["measurement"] = measure(readings, rounding_of(session, site)).model_dump()
        has_workspace = (folder / "scenario.yaml").exists()
        scenario = read_workspace(folder).scenario if has_workspace else None
        if scenario is not None and stage is None:
            fields["stage"] = stage_of(scenario, liquid)
        body = body_of(Lot, fields)
        if scenario is not None:
            lines = list_lots(session, LotFilter(site_id=site, with_stock=True))
            refuse_strange(lot_faults(body, lines, scenario, correct=correct), reason)
        records = [correct_lot(session, body)] if correct else record_lots(session, [body])
        records += [] if scenario is None else adopt_limits(session, limits_of_law(scenario))
    said = f"{lot}: {body.measurement.lpa} LPA at {body.measurement.strength_percent} % vol"
    writing.tell(records, said)


def _parent(text: str) -> dict[str, Any]:
    name, sign, lpa = text.rpartition("=")
    if not sign:
        mend = "Give LOT=LPA, such as N-7=850.5."
        raise InputError(Fault("", 0, "--parent", f"is {text[:60]!r}", mend))
    return {"lot_id": name, "lpa": decimal_option("--parent", lpa)}


def result(
    folder: FolderArgument,
    lot: LotArgument,
    analyte: Annotated[str, typer.Argument(metavar="ANALYTE")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="A number; '<0.5' is taken too.")],
    unit: Annotated[str, typer.Argument(metavar="UNIT")],
    *,
    method: Annotated[str | None, typer.Option(help="How it was measured.")] = None,
    laboratory: Annotated[str | None, typer.Option(help="By whom.")] = None,
    sample: Annotated[str | None, typer.Option(help="On which sample.")] = None,
    measured_on: Annotated[str | None, typer.Option(metavar="DATE", help="When.")] = None,
    uncertainty: Annotated[Number, _number("--uncertainty", "In the same unit.")] = None,
    replaces: Annotated[
        int | None, typer.Option(metavar="RECORD", help="The result this one corrects.")
    ] = None,
    note: Annotated[str | None, typer.Option(help="In words; needed with --replaces.")] = None,
    writing: WritingOptions,
) -> None:
    """Record a laboratory result of a lot.

    Example: bulkflow lots result scenarios/vejkalna VK-DRY-2641 methanol 4.2 "g/hL of pure alcohol"
    """
    from bulkflow.lots.acts import correct_result, record_results
    from bulkflow.lots.bodies import Result
    from bulkflow.reading.shape import body_of

    qualifier = value[0] if value[:1] in ("<", ">") else "="
    body = body_of(
        Result,
        {
            "lot_id": lot,
            "analyte": analyte,
            "value": decimal_option("VALUE", value.lstrip("<>")),
            "qualifier": qualifier,
            "unit": unit,
            "uncertainty": decimal_option("--uncertainty", uncertainty),
            "method": method,
            "laboratory": laboratory,
            "sample_id": sample,
            "measured_on": day_option("--measured-on", measured_on),
            "note": note,
        },
    )
    with writing.register(folder) as session:
        if replaces is None:
            records = record_results(session, [body])
        else:
            records = [correct_result(session, replaces, body)]
    writing.tell(records, f"{lot}: {analyte} {value} {unit}")


def results(
    folder: FolderArgument,
    table: Annotated[Path, typer.Argument(metavar="TABLE", help="CSV or workbook, a row a value.")],
    *,
    writing: WritingOptions,
) -> None:
    """Record every laboratory result of a table, or none of them.

    Columns: lot_id, analyte, value, unit; and where there are any uncertainty (standard, in
    the same unit), method, laboratory, sample_id, measured_on, replicate, instrument, note.

    Example: bulkflow lots results scenarios/vejkalna certificates.csv --dry-run
    """
    from bulkflow.lots.result_tables import import_results

    with writing.register(folder) as session:
        records = import_results(session, table)
    said = f"{len(records)} results from {table.name}"
    writing.tell(records, said)


def decide(
    folder: FolderArgument,
    evidence: Annotated[Path, typer.Argument(metavar="EVIDENCE", help="JSON; - is stdin.")],
    *,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Record a decision from its evidence, a JSON document that names lot and outcome.

    Example: bulkflow lots decide scenarios/vejkalna evidence.json --reason "all results inside
    limits"
    """
    from bulkflow.lots.bodies import Outcome
    from bulkflow.lots.deciding import decide as record_decision
    from bulkflow.lots.evidence import checked_evidence

    document = checked_evidence(json_object(evidence, read_text(evidence)), file=evidence.name)
    lot = document["lot_id"]
    outcome = Outcome(document["outcome"])
    with writing.register(folder) as session:
        record = record_decision(
            session, lot_id=lot, outcome=outcome, reason=reason, evidence=document
        )
    writing.tell([record], f"{lot}: {outcome.value} decided")


def json_object(file: Path, text: str) -> dict[str, Any]:
    """Return the JSON object a text holds; `file` is named in messages."""
    try:
        found = json.loads(text, parse_constant=_no_constant)
    except ValueError as error:
        line = getattr(error, "lineno", 0)
        fault = Fault(file.name, line, "", f"is not JSON: {error}", "Correct the document.")
        raise InputError(fault) from error
    if not isinstance(found, dict):
        raise InputError(Fault(file.name, 0, "", "is not a JSON object", "Give an object."))
    return found


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not a number")


def override(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    gate: Annotated[list[str], typer.Option(help="laboratory or decision; repeatable.")],
    role: Annotated[str, typer.Option(help="The role in which you override.")],
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Open a closed gate against the evidence; shows as an override for ever.

    Example: bulkflow lots override scenarios/vejkalna VK-CIT-2642 --gate decision --role clerk
    --reason "trial"
    """
    from bulkflow.lots.bodies import Gate
    from bulkflow.lots.deciding import override_gates
    from bulkflow.records.actors import Role

    gates = [_choice(Gate, "--gate", name) for name in gate]
    with writing.register(folder) as session:
        record = override_gates(
            session, lot, gates, role=_choice(Role, "--role", role), reason=reason
        )
    said = f"{lot}: {' and '.join(item.value for item in gates)} gate overridden"
    writing.tell([record], said)


def _choice(kind: Any, option: str, value: str) -> Any:
    try:
        return kind(value)
    except ValueError as error:
        mend = f"Give one of {', '.join(kind)}."
        raise InputError(Fault("", 0, option, f"is {value[:40]!r}", mend)) from error


def hold(
    folder: FolderArgument,
    lots: Annotated[list[str], typer.Argument(metavar="LOT...", help="One lot or several.")],
    *,
    reason: ReasonOption,
    beyond: Annotated[
        bool, typer.Option("--beyond", help="Hold also everything made from them.")
    ] = False,
    writing: WritingOptions,
) -> None:
    """Place a manual hold on lots; it stands until it is lifted.

    Example: bulkflow lots hold scenarios/vejkalna VK-DRY-2641 --reason "supplier recalls the
    spirit" --beyond
    """
    from bulkflow.lots.acts import place_holds
    from bulkflow.lots.parentage import descendants_of

    with writing.register(folder) as session:
        names = list(lots)
        if beyond:
            for name in lots:
                names.extend(item.lot_id for item in descendants_of(session, name))
        names = list(dict.fromkeys(names))
        records = place_holds(session, names, reason)
    writing.tell(records, f"Hold placed on {', '.join(names)}")


def lift(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    reason: ReasonOption,
    record: Annotated[
        int | None, typer.Option("--hold", metavar="RECORD", help="Which, where several stand.")
    ] = None,
    writing: WritingOptions,
) -> None:
    """Lift a manual hold.

    Example: bulkflow lots lift scenarios/vejkalna VK-NAVY-2642 --reason "supplier's retest is
    clean"
    """
    from bulkflow.lots.acts import lift_hold

    with writing.register(folder) as session:
        lifted = lift_hold(session, lot, reason, hold=record)
    writing.tell([lifted], f"{lot}: hold lifted")


def expect(
    folder: FolderArgument,
    lot: LotArgument,
    due_on: Annotated[str, typer.Argument(metavar="DATE", help="YYYY-MM-DD")],
    *,
    what: Annotated[str, typer.Option(help="What is awaited.")] = "panel decision",
    writing: WritingOptions,
) -> None:
    """Record the date by which a decision on a lot is expected; the last one said counts.

    Example: bulkflow lots expect scenarios/vejkalna VK-NAVY-2642 2027-01-15
    """
    from bulkflow.lots.acts import expect_decision

    day = _needed_day("DATE", due_on)
    with writing.register(folder) as session:
        record = expect_decision(session, lot, day, what)
    writing.tell([record], f"{lot}: {what} due {day}")


def dispose(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    way: Annotated[
        str, typer.Option(help="redistil, 'blend away' or 'destroy under supervision'.")
    ],
    lpa: Annotated[str, _number("--lpa", "LPA disposed of.")],
    on: Annotated[str, typer.Option(metavar="DATE", help="Day of the disposition.")],
    reason: ReasonOption,
    supervised_by: Annotated[str | None, typer.Option(help="Officer, for destruction.")] = None,
    document: Annotated[str | None, typer.Option(help="Reference of the paper.")] = None,
    writing: WritingOptions,
) -> None:
    """Record what becomes of a rejected lot; the LPA leaves its account.

    Destroying spirit is subject to the duty and environmental authorities' own rules.

    Example: bulkflow lots dispose scenarios/vejkalna VK-CIT-2642 --way redistil --lpa 626 --on
    2027-01-05 --reason off
    """
    from bulkflow.lots.acts import dispose as record_disposition
    from bulkflow.lots.bodies import Disposition
    from bulkflow.reading.shape import body_of

    body = body_of(
        Disposition,
        {
            "lot_id": lot,
            "way": way,
            "lpa": decimal_option("--lpa", lpa),
            "decided_on": _needed_day("--on", on),
            "supervised_by": supervised_by,
            "document": document,
            "reason": reason,
        },
    )
    with writing.register(folder) as session:
        record = record_disposition(session, body)
    writing.tell([record], f"{lot}: {way}, {body.lpa} LPA")


def sample(
    folder: FolderArgument,
    lot: LotArgument,
    sample_id: SampleArgument,
    *,
    taken_on: Annotated[str, typer.Option(metavar="DATE", help="When it was taken.")],
    taken_from: Annotated[str | None, typer.Option(help="Tank and point.")] = None,
    volume_ml: Annotated[Number, _number("--volume-ml", "Volume [mL].")] = None,
    kept_at: Annotated[str | None, typer.Option(help="Where it is kept.")] = None,
    seal: Annotated[str | None, typer.Option(help="Number of its seal.")] = None,
    expires_on: Annotated[str | None, typer.Option(metavar="DATE", help="Kept until then.")] = None,
    writing: WritingOptions,
) -> None:
    """Record a retained sample of a lot.

    Example: bulkflow lots sample scenarios/vejkalna VK-DRY-2641 R-1 --taken-on 2026-11-30
    --expires-on 2028-11-30
    """
    from bulkflow.lots.bodies import Sample
    from bulkflow.lots.samples import keep_sample
    from bulkflow.reading.shape import body_of

    body = body_of(
        Sample,
        {
            "lot_id": lot,
            "sample_id": sample_id,
            "taken_on": _needed_day("--taken-on", taken_on),
            "taken_from": taken_from,
            "volume_ml": decimal_option("--volume-ml", volume_ml),
            "kept_at": kept_at,
            "seal": seal,
            "expires_on": day_option("--expires-on", expires_on),
        },
    )
    with writing.register(folder) as session:
        record = keep_sample(session, body)
    writing.tell([record], f"{lot}: sample {sample_id} kept")


def sample_gone(
    folder: FolderArgument,
    sample_id: SampleArgument,
    *,
    on: Annotated[str, typer.Option(metavar="DATE", help="When.")],
    how: Annotated[str, typer.Option(help="Used up, discarded, sent away ...")],
    writing: WritingOptions,
) -> None:
    """Record that a retained sample is used up or discarded.

    Example: bulkflow lots sample-gone scenarios/vejkalna R-1 --on 2026-12-01 --how "used up in a
    retest"
    """
    from bulkflow.lots.samples import sample_gone as write_off

    day = _needed_day("--on", on)
    with writing.register(folder) as session:
        record = write_off(session, sample_id, day, how)
    writing.tell([record], f"Sample {sample_id} is gone")


def _needed_day(name: str, text: str) -> date:
    day = day_option(name, text)
    if day is None:
        raise InputError(Fault("", 0, name, "is empty", "Give a date as YYYY-MM-DD."))
    return day


def add_to(app: typer.Typer) -> None:
    """Add these commands to a group."""
    for name, command in (
        ("begin", begin),
        ("add", add),
        ("result", result),
        ("results", results),
        ("decide", decide),
        ("override", override),
        ("hold", hold),
        ("lift", lift),
        ("expect", expect),
        ("dispose", dispose),
        ("sample", sample),
        ("sample-gone", sample_gone),
    ):
        app.command(name)(spread(command))
