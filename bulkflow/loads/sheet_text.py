"""The load sheet at the terminal: the same numbers as on paper, in 80 columns."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bulkflow.loads.sheet import LoadSheet, PartLine

__all__ = ["load_sheet_lines"]

Table = tuple[dict[str, str], list[list[str]]]


def load_sheet_lines(sheet: LoadSheet) -> Iterable[str | Table]:
    """Yield paragraphs, and tables as (columns with their side, rows)."""
    load = sheet.load
    yield (
        f"Load sheet {load.load_id}: {load.origin} to {load.destination}, loading"
        f" {load.loading_day}, tank {sheet.tank.tank_number} ({load.tank_type})"
    )
    for words in sheet.beside:
        yield f"\nBEFORE LOADING: {words}."
    for part in sheet.parts:
        yield from _part(sheet, part)
    yield from _mass(sheet)
    yield from _duty(sheet)
    passed = sum(check.passed for check in sheet.tank_checks)
    yield f"\nTank: {passed} of {len(sheet.tank_checks)} checks passed."
    gates = len(sheet.gates) - len(sheet.beside)
    yield f"All {gates} gates are open. Chain head {sheet.chain_head}"
    yield "\nCautions"
    for one in sheet.loading_cautions:
        yield f"  {one.title}. {one.text}"
    yield f"\n{sheet.dangerous_goods_caution} {sheet.filling_caution}"


def _part(sheet: LoadSheet, part: PartLine) -> Iterable[str | Table]:
    yield f"\n{part.liquid_id}, {part.liquid_name}"
    rows = [
        [
            lot.lot_id,
            f"{lot.lpa:,.3f}",
            f"{lot.strength_percent:.2f}",
            f"{lot.litres_20c:,.1f}",
            f"{lot.mass_kg:,.1f}",
        ]
        for lot in part.lots
    ]
    rows.append(
        [
            "in the tank",
            f"{part.lpa:,.3f}",
            f"{part.strength_percent:.2f}",
            f"{part.litres_20c:,.1f}",
            f"{part.mass_kg:,.1f}",
        ]
    )
    columns = {"Lot": "left", "LPA": "right", "% vol": "right", "L at 20 °C": "right",
               "kg": "right"}  # fmt: skip
    yield columns, rows
    at = f"At {sheet.temperature_c:g} °C"
    fill = part.fills[0]
    yield (
        {at: "whole", "Litres": "right", "%": "right", "Rule": "left"},
        [
            ["fill to", f"{part.litres:,.0f}", f"{part.fill_percent:.1f}",
             f"density {part.density:.2f} kg/m3"],
            ["at most", f"{part.most_litres:,.0f}", _percent(part, part.most_litres),
             f"{fill.maximum.rule}; {fill.maximum.source}"],
            ["at least", f"{part.least_litres:,.0f}", _percent(part, part.least_litres),
             f"{fill.minimum.rule}; {fill.minimum.source}"],
            ["ullage", f"{part.ullage_litres:,.0f}", _percent(part, part.ullage_litres), ""],
        ],
    )  # fmt: skip
    if part.compartment_words:
        each = "; ".join(part.compartment_words)
        yield f"Into the compartments, each within its own limits: {each}."
    yield f"The same liquid fills to, at {'; '.join(part.other_words)}."
    for line in part.dangerous_goods:
        yield f"{line.document_line} [{line.citation}]"
    for words in part.at_sea:
        yield f"At sea: {'; '.join(words)}"
    if not part.dangerous_goods:
        yield "Not above the strength from which the dangerous-goods code applies."


def _percent(part: PartLine, litres: float) -> str:
    return f"{100.0 * litres / part.capacity_litres:.1f}"


def _mass(sheet: LoadSheet) -> Iterable[str | Table]:
    weights = sheet.weights
    verified = (
        "not weighed yet" if weights.verified_kg is None else f"{weights.verified_kg:,.0f} kg"
    )
    yield (
        f"\nMass {weights.net_kg:,.0f} kg, {weights.scale_kg:,.0f} kg on a scale in air; with tare"
        f" {weights.tare_kg:,.0f} kg gross {weights.gross_kg:,.0f} kg of at most"
        f" {weights.maximum_gross_kg:,.0f} kg; verified gross mass: {verified}."
    )


def _duty(sheet: LoadSheet) -> Iterable[str | Table]:
    journey = sheet.journey
    reference = journey.movement_reference or "none yet"
    yield f"\nDuty: {journey.duty_words}. Movement reference: {reference}."
    if journey.limit is None:
        limit = "no limit is known here"
    else:
        verdict = "" if journey.within_limit else "LONGER THAN the "
        limit = f"{verdict}limit {journey.limit.days} days ({journey.limit.citation})"
    yield f"Journey {journey.planned_days} days by {journey.mode}; {limit}."
    rows = [
        [
            f"{line.guarantee}, {line.currency}",
            str(line.first_day),
            f"{line.limit:,.0f}",
            f"{line.others:,.0f}",
            f"{line.this_load:,.0f}",
            f"{line.left:,.0f}" + ("" if line.enough else " NOT COVERED"),
        ]
        for line in sheet.guarantees
    ]
    columns = {"Guarantee": "left", "From": "whole", "Limit": "right", "Others": "right",
               "This load": "right", "Left": "right"}  # fmt: skip
    if rows:
        yield columns, rows
    else:
        yield "The lane names no guarantee."
