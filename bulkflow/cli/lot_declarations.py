"""Commands that declare what lots are held against: sites, limits, release rules."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import (
    DatabaseOption,
    decimal_option,
    plain_data,
    plain_table,
    read_text,
    reading_register,
)
from bulkflow.cli.shell import FolderArgument, JsonOption, result_console, write_json

__all__ = ["add_to"]


def site(
    folder: FolderArgument,
    site_id: Annotated[str, typer.Argument(metavar="SITE")],
    *,
    zone: Annotated[str, typer.Option(help="IANA zone, such as Europe/Lisbon.")],
    rounding: Annotated[
        str, typer.Option(help="How its authority has LPA rounded, such as nearest-0.01.")
    ] = "nearest-0.001",
    authority: Annotated[str | None, typer.Option(help="The authority, in words.")] = None,
    writing: WritingOptions,
) -> None:
    """Declare a site's time zone, and how its authority has LPA rounded.

    Example: bulkflow lots site scenarios/vejkalna VEJKALNA --zone Europe/Riga --rounding down-0.01
    """
    from bulkflow.lots.bodies import Site
    from bulkflow.lots.declaring import declare_site
    from bulkflow.reading.shape import body_of

    fields = {"site_id": site_id, "zone": zone, "rounding": rounding, "authority": authority}
    body = body_of(Site, fields)
    with writing.register(folder, create=True) as session:
        record = declare_site(session, body)
    said = f"{site_id}: zone {zone}, LPA rounded {rounding}"
    writing.tell([record], said)


def limit(
    folder: FolderArgument,
    liquid: Annotated[str, typer.Argument(metavar="LIQUID")],
    analyte: Annotated[str, typer.Argument(metavar="ANALYTE")],
    unit: Annotated[str, typer.Argument(metavar="UNIT")],
    *,
    source: Annotated[str, typer.Option(help="Where the limit comes from.")],
    minimum: Annotated[str | None, typer.Option(metavar="NUMBER", help="At least.")] = None,
    maximum: Annotated[str | None, typer.Option(metavar="NUMBER", help="At most.")] = None,
    market: Annotated[str | None, typer.Option(help="For this market only.")] = None,
    optional: Annotated[
        bool, typer.Option("--optional", help="Counts only where it is measured.")
    ] = False,
    writing: WritingOptions,
) -> None:
    """Declare a laboratory limit of a liquid; it supersedes the one before.

    Example: bulkflow lots limit scenarios/vejkalna VK-DRY methanol "g/hL" --maximum 30 --source
    "house rule"
    """
    from bulkflow.lots.bodies import Limit
    from bulkflow.lots.declaring import declare_limit
    from bulkflow.reading.shape import body_of

    body = body_of(
        Limit,
        {
            "liquid_id": liquid,
            "market": market,
            "analyte": analyte,
            "unit": unit,
            "minimum": decimal_option("--minimum", minimum),
            "maximum": decimal_option("--maximum", maximum),
            "required": not optional,
            "source": source,
        },
    )
    with writing.register(folder, create=True) as session:
        record = declare_limit(session, body)
    said = f"{liquid}: limit of {analyte} declared" + (f" for {market}" if market else "")
    writing.tell([record], said)


def limits(
    folder: FolderArgument,
    *,
    liquid: Annotated[str | None, typer.Option("--liquid", help="Only of this liquid.")] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the limits and release rules in force.

    Example: bulkflow lots limits scenarios/vejkalna
    """
    from bulkflow.lots.declaring import limits_of, rules_in_force
    from bulkflow.lots.explaining import plain_number

    with reading_register(folder, database) as (_, session):
        found = limits_of(session, liquid)
        rules = [item for item in rules_in_force(session) if liquid in (None, item.rule.liquid_id)]
    if as_json:
        write_json(
            {
                "schema": "bulkflow.limits",
                "version": 1,
                "limits": plain_data(found),
                "rules": [
                    {
                        "record": item.record,
                        "declared_at": item.declared_at,
                        **item.rule.model_dump(mode="json"),
                    }
                    for item in rules
                ],
            }
        )
        return
    console = result_console()
    columns = {
        "Liquid": "left",
        "Market": "left",
        "Analyte": "left",
        "From": "right",
        "To": "right",
        "Unit": "left",
        "Record": "right",
    }
    rows = [
        [
            item.liquid_id,
            item.market or "all",
            item.analyte + ("" if item.required else " (optional)"),
            "" if item.minimum is None else plain_number(item.minimum),
            "" if item.maximum is None else plain_number(item.maximum),
            item.unit,
            str(item.record),
        ]
        for item in found
    ]
    console.print(plain_table(columns, rows) if rows else "No limit is declared.")
    for item in rules:
        rule = item.rule
        console.print(
            f"\n{rule.liquid_id} is released by the {rule.decided_by} under {rule.rule_id} "
            f"version {rule.rule_version} (record {item.record}): {rule.words}"
        )


def rule(
    folder: FolderArgument,
    liquid: Annotated[str, typer.Argument(metavar="LIQUID")],
    rule_id: Annotated[str, typer.Argument(metavar="RULE", help="The rule's name.")],
    version: Annotated[int, typer.Argument(metavar="VERSION", min=1)],
    *,
    decided_by: Annotated[str, typer.Option(help="panel or laboratory.")],
    words: Annotated[str, typer.Option(help="The rule in a sentence.")],
    document: Annotated[
        Path | None, typer.Option(help="The rule in full, a JSON object; - is stdin.")
    ] = None,
    writing: WritingOptions,
) -> None:
    """Declare the release rule of a liquid, before anything is decided under it.

    Example: bulkflow lots rule scenarios/vejkalna NS-BEET lab 1 --decided-by laboratory --words
    "inside limits"
    """
    from bulkflow.cli.lot_acts import json_object
    from bulkflow.lots.bodies import ReleaseRule
    from bulkflow.lots.declaring import declare_rule
    from bulkflow.reading.shape import body_of

    body = body_of(
        ReleaseRule,
        {
            "liquid_id": liquid,
            "rule_id": rule_id,
            "rule_version": version,
            "decided_by": decided_by,
            "words": words,
            "document": {} if document is None else json_object(document, read_text(document)),
        },
    )
    with writing.register(folder, create=True) as session:
        record = declare_rule(session, body)
    said = f"{liquid}: rule {rule_id} version {version} declared"
    writing.tell([record], said)


def add_to(app: typer.Typer) -> None:
    """Add these commands to a group."""
    for name, command in (("site", site), ("limit", limit), ("limits", limits), ("rule", rule)):
        app.command(name)(spread(command))
