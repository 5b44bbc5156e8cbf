"""A small plan of the demo, made by hand: four lanes, five weeks, two vattings."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

from bulkflow.plan.check import CheckReport
from bulkflow.plan.document import to_document
from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import (
    CargoPart,
    CostBreakdown,
    LoadKind,
    Plan,
    PlannedLoad,
    Proof,
    Vatting,
)
from bulkflow.scenario.model import Scenario

CLASS = "any"


def part(liquid, lpa, litres=None, capacity=24000.0, origin_class=CLASS):
    return CargoPart(liquid, origin_class, lpa, litres or lpa / 0.8, capacity)


def planned(load_id, lane, destination, loading, parts, **fields):
    """One load; it arrives 20 days after loading and is usable five days later."""
    day = date.fromisoformat(loading)
    arrival = day + timedelta(days=fields.pop("days", 20))
    return PlannedLoad(
        **{
            "load_id": load_id,
            "lane": lane,
            "origin": "VEJKALNA",
            "destination": destination,
            "tank_type": "TC-24",
            "kind": LoadKind.PLANNED,
            "period": (day - date(2027, 1, 4)).days // 7 + 1,
            "loading_day": day,
            "leaving_day": day,
            "arrival_day": arrival,
            "discharge_day": arrival + timedelta(days=5),
            "usable_day": arrival + timedelta(days=5),
            "usable_period": (arrival - date(2027, 1, 4)).days // 7 + 2,
            "parts": tuple(parts),
            **fields,
        }
    )


def norfolk(load_id, loading, liquid, lpa, **fields):
    return planned(load_id, "riga-norfolk", "NORFOLK", loading, [part(liquid, lpa)], **fields)


LOADS = (
    norfolk("riga-norfolk-270104-1", "2027-01-04", "VK-DRY", 18048.9),
    norfolk("riga-norfolk-270104-2", "2027-01-04", "VK-CIT", 17826.4),
    planned("F-202", "riga-santos", "SANTOS", "2027-01-08", [part("VK-DRY", 17600.0)],
            kind=LoadKind.FROZEN),
    norfolk("P-201", "2027-01-11", "VK-DRY", 18048.9,
            kind=LoadKind.PROMISED),
    planned("graz-by-road-270118-1", "graz-by-road", "GRAZ", "2027-01-18",
            [part("VK-DRY", 6971.9, capacity=9000.0), part("VK-NAVY", 7148.0, capacity=9000.0)],
            tank_type="ROAD-3C", days=4),
    norfolk("riga-norfolk-270118-1", "2027-01-18", "VK-CIT", 17826.4),
    norfolk("riga-norfolk-270125-1", "2027-01-25", "VK-DRY", 18000.0),
    norfolk("riga-norfolk-270201-1", "2027-02-01", "VK-DRY", 18048.9),
    norfolk("W-101", "2026-12-14", "VK-DRY", 17650.0,
            kind=LoadKind.UNDER_WAY, period=0),
)  # fmt: skip

VATTINGS = (
    Vatting("VEJKALNA", "VK-CIT", CLASS, 3, 1, 20880.0, 4),
    Vatting("VEJKALNA", "VK-DRY", CLASS, 3, 1, 56000.0, 5),
)


def small_plan(scenario: Scenario, loads=LOADS, vattings=VATTINGS) -> Plan:
    starts = tuple(date(2027, 1, 4) + timedelta(weeks=n) for n in range(23))
    return Plan(
        scenario_name=scenario.name,
        currency="EUR",
        quarter_periods=13,
        period_starts=starts,
        loads=tuple(loads),
        purchases=(),
        runs=(),
        let_downs=(),
        vattings=tuple(vattings),
        stocks=(),
        tank_settings=(),
        demand=(),
        feints_sales=(),
        guarantee_use=(),
        duty_due=(),
        costs=CostBreakdown(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
        proof=Proof(1.0, 1.0, "by hand", 0.0, False, 0, 0, 0),
    )


def write_plan_file(folder: Path, plan: Plan, chain_head: str = "") -> Path:
    folder.mkdir(parents=True)
    result = PlanResult(plan, CheckReport(()), (("core", "carried"),), chain_head=chain_head)
    file = folder / "plan.json"
    file.write_text(json.dumps(to_document(result)), "utf-8")
    return file
