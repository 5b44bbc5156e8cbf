"""The arrival sheet as plain data, of the schema ``bulkflow.arrival-sheet`` version 1."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from bulkflow.loads.arrival import Arrival, ArrivalPart, Bottling

__all__ = ["arrival_document"]


def arrival_document(sheet: Arrival) -> dict[str, Any]:
    """Return a sheet as JSON knows it; amounts are unrounded numbers."""
    load = sheet.load
    return {
        "schema": "bulkflow.arrival-sheet",
        "version": 1,
        "load_id": load.load_id,
        "state": load.state.value,
        "site": sheet.site.id,
        "arrival_day": load.arrival_day.isoformat(),
        "discharge_day": load.discharge_day.isoformat(),
        "tank_number": load.tank_number,
        "movement_reference": load.movement_reference,
        "seals": list(sheet.seals_on),
        "sealed_anew": list(sheet.sealed),
        "held": list(sheet.held),
        "temperature_c": sheet.temperature_c,
        "mixing_temperature_c": sheet.mixing_c,
        "loss_allowance_percent": None if sheet.allowance is None else sheet.allowance.percent,
        "loss_allowance_source": None if sheet.allowance is None else sheet.allowance.citation,
        "parts": [_part(part) for part in sheet.parts],
        "caution": sheet.caution,
        "cautions": [f"{one.title}: {one.text}" for one in sheet.cautions],
        "chain_head": sheet.chain_head,
    }


def _part(part: ArrivalPart) -> dict[str, Any]:
    return {
        "liquid_id": part.liquid.id,
        "lots": list(part.lots),
        "loaded": asdict(part.loaded),
        "expected": asdict(part.expected),
        "measured": part.measured,
        "loss_percent": part.loss_percent,
        "density_kg_m3": part.density,
        "hydrometer_percent": part.hydrometer_percent,
        "scale_kg": part.scale_kg,
        "retained_samples": [one.sample_id for one in part.retained],
        "nosing_spirit_ml": part.nosing[0],
        "nosing_water_ml": part.nosing[1],
        "recipe": None if part.recipe is None else part.recipe.id,
        "made": part.made.id,
        "let_down": [
            {"liquid_id": one.liquid_id, "share_percent": one.share_percent, **asdict(one.added)}
            for one in part.let_down
        ],
        "let_down_loss_percent": part.blend_loss_percent,
        "before_water": asdict(part.blended),
        "bottlings": [_bottling(one) for one in part.bottlings],
    }


def _bottling(one: Bottling) -> dict[str, Any]:
    return {
        "product": one.product.id,
        "label_percent": one.target.label_percent,
        "label_temperature_c": one.target.reference_c,
        "target_percent": one.target.strength_percent,
        "stages": [asdict(stage) for stage in one.stages],
        "litres_20c": one.litres_20c,
        "bottles": one.bottles,
        "cases": one.cases,
        "low_percent": one.low_percent,
        "high_percent": one.high_percent,
        "tolerance_source": None if one.tolerance is None else one.tolerance.citation,
        "size_allowed": one.size_allowed,
        "breaches": []
        if one.lawful is None
        else [
            {"about": breach.about, "words": breach.words, "source": breach.rule.citation}
            for breach in one.lawful.breaches
        ],
        "remarks": [] if one.lawful is None else list(one.lawful.remarks),
        "corrections": [asdict(c) for c in one.corrections],
        "measured": None if one.measured is None else asdict(one.measured),
    }
