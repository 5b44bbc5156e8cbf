"""The arrival and reduction sheet at the terminal, in 80 columns."""

from __future__ import annotations

from collections.abc import Iterable

from bulkflow.loads.arrival import (
    NOSING_ML,
    NOSING_PERCENT,
    NOSING_REST_MINUTES,
    SAMPLING,
    Arrival,
    ArrivalPart,
    Bottling,
)
from bulkflow.loads.reducing import Correction, Liquor
from bulkflow.loads.sheet_text import Table
from bulkflow.plan.compliance import lpa_per_case

__all__ = ["arrival_lines"]

_LIQUOR = {"LPA": "right", "% vol": "right", "Litres": "right", "kg": "right"}


def arrival_lines(sheet: Arrival) -> Iterable[str | Table]:
    """Yield paragraphs, and tables as (columns with their side, rows)."""
    load = sheet.load
    yield (
        f"Arrival and reduction sheet {load.load_id}: {load.destination}, arrives"
        f" {load.arrival_day}, {load.state.value}; tank {load.tank_number or 'not known yet'},"
        f" movement {load.movement_reference or 'not known yet'}"
    )
    yield f"Seals: {', '.join(sheet.seals_on) or 'not recorded'}."
    for words in sheet.sealed:
        yield f"Sealed anew {words}."
    for words in sheet.held:
        yield f"\nDO NOT BOTTLE: this load {words}"
    yield "\nBefore discharge"
    for number, line in enumerate(SAMPLING, 1):
        yield f"  {number}. {line}"
    for part in sheet.parts:
        yield from _expected(sheet, part)
        yield from _panel(part)
        yield from _let_down(sheet, part)
        for one in part.bottlings:
            yield from _bottling(sheet, part, one)
        if not part.bottlings:
            yield f"\nThe workspace has no product of {part.made.id} for this site."
    yield (
        "\nMixing warms the liquid: measure once it is back at the temperature stated, after"
        " stirring. Keep about 1 % of the water back until then."
    )
    yield f"Chain head {sheet.chain_head}"
    yield "\nCautions"
    for caution in sheet.cautions:
        yield f"  {caution.title}. {caution.text}"
    yield f"\n{sheet.caution}"


def _expected(sheet: Arrival, part: ArrivalPart) -> Iterable[str | Table]:
    lots = f", lots {', '.join(part.lots)}" if part.lots else ""
    yield f"\n{part.liquid.id} at {sheet.temperature_c:g} °C{lots}"
    yield (
        {"": "left", **_LIQUOR},
        [
            ["as loaded", *_amounts(part.loaded)],
            ["measured on receipt", *_amounts(part.expected)]
            if part.measured
            else [f"expected (less {part.loss_percent:g} %)", *_amounts(part.expected)],
        ],
    )
    yield (
        f"Instruments there: density {part.density:.2f} kg/m3, alcoholometer"
        f" {part.hydrometer_percent:.1f}, scale {part.scale_kg:,.0f} kg net."
    )
    if sheet.allowance is None:
        yield "No allowance for losses is known here for this place."
    else:
        share = sheet.allowance.percent
        words = sheet.allowance.title if share is None else f"{share:g} %"
        yield f"Allowance for losses: {words} [{sheet.allowance.citation}]"


def _panel(part: ArrivalPart) -> Iterable[str]:
    kept = ", ".join(one.sample_id for one in part.retained)
    yield (
        f"Arrival panel: {part.nosing[0]:.1f} mL spirit and {part.nosing[1]:.1f} mL water make"
        f" {NOSING_ML:g} mL at {NOSING_PERCENT:g} % vol; cover, rest {NOSING_REST_MINUTES} minutes,"
        f" nose blind beside the retained sample"
        f" ({kept or 'NONE on the register: ask the distillery'})."
    )


def _let_down(sheet: Arrival, part: ArrivalPart) -> Iterable[str | Table]:
    if part.recipe is None:
        return
    yield (
        f"\nLet-down by recipe {part.recipe.id} to {part.made.id}, at {sheet.mixing_c:g} °C"
        f" (contraction {part.blend_contraction:,.1f} L, {part.blend_loss_percent:g} % lost)"
    )
    rows = [[f"add {one.liquid_id}", *_amounts(one.added)] for one in part.let_down]
    rows.append([part.made.id, *_amounts(part.blended)])
    yield {"": "left", **_LIQUOR}, rows


def _bottling(sheet: Arrival, part: ArrivalPart, one: Bottling) -> Iterable[str | Table]:
    product = one.product
    yield (
        f"\nWater for {product.id}, {product.strength_percent:g} % vol in"
        f" {product.bottle_ml:g} mL, at {sheet.mixing_c:g} °C"
    )
    rows = [
        [
            f"stage {number}",
            f"{stage.added_kg:,.1f}",
            f"{stage.added_litres:,.1f}",
            f"{stage.contraction_litres:,.1f}",
            f"{stage.after.litres:,.1f}",
            f"{stage.after.strength_percent:.2f}",
        ]
        for number, stage in enumerate(one.stages, 1)
    ]
    columns = {"": "whole", "Water kg": "right", "Water L": "right", "Contraction L": "right",
               "Result L": "right", "% vol": "right"}  # fmt: skip
    yield columns, rows
    yield (
        f"{one.litres_20c:,.0f} L at 20 °C; {one.bottles:,} bottles, {one.cases:,} full cases"
        f" after {product.bottling_loss_percent:g} % loss in bottling."
    )
    yield f"{lpa_per_case(product):.4g} LPA a case."
    if one.lawful is not None:
        for breach in one.lawful.breaches:
            yield f"NOT LAWFUL HERE, {breach.about}: {breach}"
        for remark in one.lawful.remarks:
            yield f"{remark[0].upper()}{remark[1:]}"
    yield _label(one)
    if one.measured is not None:
        yield _measured(one.measured)
    for kind, word in (("water", "too strong, water"), ("spirit", "too weak, spirit")):
        found = [c for c in one.corrections if c.kind == kind]
        yield f"If {word} in kg: " + ", ".join(
            f"{c.measured_percent:.2f} % {c.added_kg:,.1f}" for c in found
        )


def _label(one: Bottling) -> str:
    where = (
        "20 °C is taken (no legal temperature is known here)"
        if one.reference is None
        else f"{one.reference.celsius:.4g} °C [{one.reference.citation}]"
    )
    words = (
        f"Label strength at {where}: {one.target.label_percent:g} % vol is"
        f" {one.target.strength_percent:.3f} % vol at 20 °C."
    )
    if one.tolerance is None:
        return f"{words} No tolerance on the label is known here for this market."
    return (
        f"{words} Tolerance {one.tolerance.plus_minus:g} {one.tolerance.unit}:"
        f" {one.low_percent:.2f} to {one.high_percent:.2f} [{one.tolerance.citation}]"
    )


def _measured(found: Correction) -> str:
    if found.kind == "none":
        return f"Measured {found.measured_percent:.2f} % vol: nothing to add."
    what = "water" if found.kind == "water" else "undiluted spirit"
    return (
        f"Measured {found.measured_percent:.2f} % vol: ADD {found.added_kg:,.2f} kg"
        f" ({found.added_litres:,.2f} L) {what}; result {found.after.litres:,.1f} L."
    )


def _amounts(one: Liquor) -> list[str]:
    return [
        f"{one.lpa:,.1f}",
        f"{one.strength_percent:.2f}",
        f"{one.litres:,.1f}",
        f"{one.mass_kg:,.1f}",
    ]
