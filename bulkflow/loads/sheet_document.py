"""The load sheet as plain data, of the schema ``bulkflow.load-sheet`` version 1."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from bulkflow.loads.sheet import LoadSheet, PartLine

__all__ = ["load_sheet_document"]


def load_sheet_document(sheet: LoadSheet) -> dict[str, Any]:
    """Return a sheet as JSON knows it: LPA and money as text, dates in ISO form."""
    load, weights, journey = sheet.load, sheet.weights, sheet.journey
    verified = None if weights.verified_kg is None else format(weights.verified_kg, "f")
    return {
        "schema": "bulkflow.load-sheet",
        "version": 1,
        "load_id": load.load_id,
        "state": load.state.value,
        "origin": load.origin,
        "destination": load.destination,
        "lane_id": load.lane_id,
        "loading_day": load.loading_day.isoformat(),
        "tank_number": sheet.tank.tank_number,
        "temperature_c": sheet.temperature_c,
        "parts": [_part(part) for part in sheet.parts],
        "weights": asdict(weights) | {"verified_kg": verified},
        "duty_status": journey.duty_words,
        "movement_reference": journey.movement_reference,
        "journey_days": journey.planned_days,
        "journey_limit_days": None if journey.limit is None else journey.limit.days,
        "journey_limit_source": None if journey.limit is None else journey.limit.citation,
        "guarantees": [
            {
                "guarantee": line.guarantee,
                "currency": line.currency,
                "first_day": line.first_day.isoformat(),
                "last_day": line.last_day.isoformat(),
                "limit": format(line.limit, "f"),
                "others": format(line.others, "f"),
                "this_load": format(line.this_load, "f"),
                "left": format(line.left, "f"),
                "others_named": list(line.others_named),
                "arithmetic": line.arithmetic,
            }
            for line in sheet.guarantees
        ],
        "tank_checks": [asdict(check) for check in sheet.tank_checks],
        "cautions": [
            sheet.filling_caution,
            sheet.dangerous_goods_caution,
            *(one.text for one in sheet.cautions),
        ],
        "chain_head": sheet.chain_head,
    }


def _part(part: PartLine) -> dict[str, Any]:
    fill = part.fills[0]
    return {
        "liquid_id": part.liquid_id,
        "lpa": format(part.lpa, "f"),
        "strength_percent": part.strength_percent,
        "litres_20c": part.litres_20c,
        "litres": part.litres,
        "mass_kg": part.mass_kg,
        "density_kg_m3": part.density,
        "capacity_litres": part.capacity_litres,
        "fill_percent": part.fill_percent,
        "ullage_litres": part.ullage_litres,
        "least_litres": part.least_litres,
        "least_rule": f"{fill.minimum.rule}; {fill.minimum.source}",
        "most_litres": part.most_litres,
        "most_rule": f"{fill.maximum.rule}; {fill.maximum.source}",
        "compartments": [
            {"capacity_litres": one.tank.capacity_litres, "litres": litres}
            for one, litres in zip(part.fills, part.compartments, strict=True)
        ],
        "at_other_temperatures": [
            dict(zip(("temperature_c", "litres", "least_litres", "most_litres"), row, strict=True))
            for row in part.at_other
        ],
        "lots": [
            {
                "lot_id": lot.lot_id,
                "lpa": format(lot.lpa, "f"),
                "strength_percent": format(lot.strength_percent, "f"),
                "decision_record": lot.decision_record,
            }
            for lot in part.lots
        ],
        "dangerous_goods": [
            {"line": line.document_line, "source": line.citation} for line in part.dangerous_goods
        ],
        "at_sea": [list(words) for words in part.at_sea],
    }
