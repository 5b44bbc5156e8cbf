"""Planning workspaces made from a seed, for benches and for tests of size.

All data are invented. Random numbers come from numpy's default generator in a fixed order, so a
seed names one instance. ``make_instance`` gives the base form: a continuous still, lanes that run
every week, one tank and one lane a bottler and liquid. ``full`` turns on whole charges, sailings
with blank weeks, transit losses, lots with vatting and judging, duty-paid stock, several tanks and
two lanes a bottler.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np

from bulkflow.scenario.model import Scenario

START = date(2027, 1, 4)
STRENGTH = 80.0
NEUTRAL_STRENGTH = 96.4
CHARGE_LITRES = 15_000.0
CHARGE_STRENGTH = 60.0
HEARTS_PERCENT = 83.0
HOURS_PER_CHARGE = 10.0
DUTY_PER_LPA = 20.0
LOAD_LPA = 24_000.0 * 0.93 * STRENGTH / 100.0  # about what a full tank container takes


def make_instance(
    *, weeks: int, bottlers: int, liquids: int, seed: int, full: bool = False
) -> Scenario:
    """Return the instance of a seed.

    Parameters
    ----------
    weeks : periods of the horizon, at least 8 [weeks].
    bottlers, liquids : how many of each, at least 1.
    seed : of ``numpy.random.default_rng``.
    full : turn on the features of the second paragraph above.
    """
    if weeks < 8 or bottlers < 1 or liquids < 1:
        raise ValueError("an instance has at least 8 weeks, one bottler and one liquid")
    rng = np.random.default_rng(seed)
    lead_weeks = rng.integers(2, 8, size=bottlers)
    load_cost = rng.uniform(3_000.0, 9_000.0, size=bottlers).round(0)
    mean = rng.uniform(2_500.0, 9_000.0, size=(bottlers, liquids))
    phase = rng.uniform(0.0, 2.0 * np.pi, size=(bottlers, liquids))
    noise = rng.lognormal(0.0, 0.25, size=(bottlers, liquids, weeks))
    season = 1.0 + 0.15 * np.sin(2.0 * np.pi * np.arange(weeks) / 26.0 + phase[..., None])
    demand = (mean[..., None] * season * noise).round(0)
    total = float(mean.sum())
    names = [f"L{k + 1}" for k in range(liquids)]
    return Scenario.model_validate(
        {
            "format": "bulkflow-workspace/1",
            "name": f"{weeks} weeks, {bottlers} bottlers, {liquids} liquids, seed {seed}",
            "currency": "EUR",
            "calendar": {
                "start": START,
                "quarter_periods": min(13, weeks),
                "horizon_periods": weeks,
            },
            "finance": {"capital_rate_percent_per_year": 8.0},
            "liquids": _liquids(names),
            "recipes": tuple(_recipe(name) for name in names),
            "suppliers": _suppliers(total),
            "sites": (
                _distillery(names, total, mean, lead_weeks, full=full),
                *(
                    _bottler(b, names, mean[b], int(lead_weeks[b]), full=full)
                    for b in range(bottlers)
                ),
            ),
            "tank_types": _tank_types(),
            "fleets": _fleets(mean, lead_weeks, full=full),
            "lanes": (
                *_supply_lanes(),
                *(
                    lane
                    for b in range(bottlers)
                    for lane in _lanes(b, names, int(lead_weeks[b]), float(load_cost[b]), full=full)
                ),
            ),
            "authorities": _authorities(full=full),
            "guarantees": _guarantees(mean, lead_weeks),
            "priorities": ({"id": "core", "unmet": "carried", "cost_per_lpa": 12.0},),
            "stock_policies": _policies(names, mean, lead_weeks),
            "demand": _demand(names, demand),
            "lots": _lots(names, mean, full=full),
            "opening_stock": _opening(names, demand, lead_weeks, total, full=full),
        }
    )


def _liquids(names: list[str]) -> tuple[dict[str, Any], ...]:
    return (
        {
            "id": "NEUTRAL",
            "kind": "neutral",
            "strength_percent": NEUTRAL_STRENGTH,
            "spirit_base": "cereal",
            "value_per_lpa": 0.9,
        },
        *(
            {
                "id": name,
                "kind": "distillate",
                "strength_percent": STRENGTH,
                "value_per_lpa": 1.8 + 0.1 * k,
            }
            for k, name in enumerate(names)
        ),
    )


def _recipe(name: str) -> dict[str, Any]:
    return {
        "id": f"make-{name}",
        "makes": name,
        "method": "distil",
        "inputs": ({"liquid": "NEUTRAL", "share_percent_of_lpa": 100.0},),
        "charge_strength_percent": CHARGE_STRENGTH,
        "hearts_percent_of_lpa": HEARTS_PERCENT,
    }


def _suppliers(total: float) -> tuple[dict[str, Any], ...]:
    need = total / (HEARTS_PERCENT / 100.0)
    return tuple(
        {
            "id": name,
            "contracts": (
                {
                    "liquid": "NEUTRAL",
                    "maximum_lpa_per_period": round(share * need, 0),
                    "tiers": ({"from_lpa": 0.0, "price_per_lpa": price},),
                },
            ),
        }
        for name, share, price in (("GRAIN-A", 0.9, 0.88), ("GRAIN-B", 0.6, 0.95))
    )


def _distillery(
    names: list[str], total: float, mean: np.ndarray, lead_weeks: np.ndarray, *, full: bool
) -> dict[str, Any]:
    hearts = CHARGE_LITRES * CHARGE_STRENGTH / 100.0 * HEARTS_PERCENT / 100.0
    hours = 1.08 * total / hearts * HOURS_PER_CHARGE
    per_liquid = mean.sum(axis=0)
    tanks = [
        {
            "id": "N1",
            "capacity_litres": round(6.0 * total, -3) + 60_000.0,
            "liquids": ("NEUTRAL",),
        }
    ]
    for k, name in enumerate(names):
        room = round(6.0 * float(per_liquid[k]) / STRENGTH * 100.0, -3) + 60_000.0
        parts = 2 if full else 1
        tanks += [
            {"id": f"{name}-{p + 1}", "capacity_litres": room / parts, "liquids": (name,)}
            for p in range(parts)
        ]
    site: dict[str, Any] = {
        "id": "DISTILLERY",
        "kind": "distillery",
        "authority": "HOME",
        "storage_cost_per_lpa_per_period": 0.004,
        "tanks": tuple(tanks),
        "stills": (
            {
                "id": "STILL",
                "charge_litres": CHARGE_LITRES,
                "hours_per_charge": HOURS_PER_CHARGE,
                "hours_per_period": round(hours, 2),
                "recipes": tuple(f"make-{name}" for name in names),
                "continuous": not full,
                "cost_per_charge": 700.0,
            },
        ),
    }
    if full:
        site["release"] = {
            "lag_days": 7,
            "panel_lots_per_period": int(np.ceil(total / 45_000.0)) + len(names),
            "cost_per_lot": 600.0,
            "vatting_minimum_lpa": 10_000.0,
            "vatting_maximum_lpa": 60_000.0,
        }
    return site


def _bottler(
    b: int, names: list[str], mean: np.ndarray, lead: int, *, full: bool
) -> dict[str, Any]:
    tanks = []
    for k, name in enumerate(names):
        room = (float(mean[k]) * (lead + 6) + 3.0 * LOAD_LPA) / STRENGTH * 100.0
        parts = 2 if full else 1
        tanks += [
            {
                "id": f"{name}-{p + 1}",
                "capacity_litres": round(room / parts, -2),
                "liquids": (name,),
            }
            for p in range(parts)
        ]
    site: dict[str, Any] = {
        "id": f"B{b + 1:02d}",
        "kind": "bottler",
        "storage_cost_per_lpa_per_period": 0.012,
        "handling_cost_per_lpa": 0.02,
        "tanks": tuple(tanks),
    }
    if full and b % 2 == 1:
        site |= {"duty_status": "paid", "authority": "ABROAD"}
    return site


def _tank_types() -> tuple[dict[str, Any], ...]:
    return (
        {
            "id": "TC-24",
            "regime": "un_portable_tank",
            "capacity_litres": 24_000.0,
            "tare_kg": 3_900.0,
            "maximum_gross_kg": 36_000.0,
        },
        {
            "id": "TC-21",
            "regime": "un_portable_tank",
            "capacity_litres": 21_000.0,
            "tare_kg": 3_700.0,
            "maximum_gross_kg": 36_000.0,
        },
        {
            "id": "ROAD-30",
            "regime": "adr_tank_vented",
            "capacity_litres": 30_000.0,
            "sections_litres": (7_500.0,) * 4,
            "tare_kg": 6_900.0,
            "maximum_gross_kg": 40_000.0,
        },
    )


def _fleets(mean: np.ndarray, lead_weeks: np.ndarray, *, full: bool) -> tuple[dict[str, Any], ...]:
    away = lead_weeks + 1 + 3  # weeks under way, in the week of discharge, and coming back
    loads = float((mean.sum(axis=1) / LOAD_LPA * away).sum())
    fleets: tuple[dict[str, Any], ...] = ({"id": "POOL", "tanks": int(np.ceil(1.1 * loads))},)
    if full:
        fleets += ({"id": "SMALL", "tanks": int(np.ceil(0.2 * loads))},)
    return fleets


def _supply_lanes() -> tuple[dict[str, Any], ...]:
    return tuple(
        {
            "id": f"{name}-road",
            "origin": name,
            "destination": "DISTILLERY",
            "liquids": ("NEUTRAL",),
            "tanks": ({"tank_type": "ROAD-30", "cost_per_load": cost},),
            "transit_days": 1,
        }
        for name, cost in (("GRAIN-A", 600.0), ("GRAIN-B", 450.0))
    )


def _lanes(
    b: int, names: list[str], lead: int, cost: float, *, full: bool
) -> tuple[dict[str, Any], ...]:
    lane: dict[str, Any] = {
        "id": f"sea-{b + 1:02d}",
        "origin": "DISTILLERY",
        "destination": f"B{b + 1:02d}",
        "liquids": tuple(names),
        "tanks": [{"tank_type": "TC-24", "cost_per_load": cost, "fleet": "POOL"}],
        "transit_days": 7 * lead,
        "return_days": 21,
        "minimum_fill_percent": 80.0,
        "legs": ({"authority": "HOME", "guarantee": "BOND"},),
    }
    if not full:
        return (lane,)
    lane["tanks"].append({"tank_type": "TC-21", "cost_per_load": 0.93 * cost, "fleet": "SMALL"})
    blank = tuple(START + timedelta(days=7 * week + 3) for week in range(4 + b % 5, 104, 11))
    lane |= {
        "transit_days": 7 * lead - 3,
        "transit_loss_percent": 0.15,
        "sailings": {"weekday": "thursday", "cut_off_days": 3, "blank_days": blank},
    }
    quick = dict(lane)
    quick |= {
        "id": f"quick-{b + 1:02d}",
        "tanks": [{"tank_type": "TC-24", "cost_per_load": round(1.35 * cost, 0), "fleet": "POOL"}],
        "transit_days": max(4, 7 * (lead - 1) - 3),
        "maximum_loads_per_period": 2,
    }
    return lane, quick


def _authorities(*, full: bool) -> tuple[dict[str, Any], ...]:
    rates = ({"first_day": START - timedelta(days=366), "kind": "per_lpa", "rate": DUTY_PER_LPA},)
    home: dict[str, Any] = {"id": "HOME", "rates": rates}
    abroad: dict[str, Any] = {"id": "ABROAD", "rates": rates, "payment_lag_days": 15}
    return (home, abroad) if full else (home,)


def _guarantees(mean: np.ndarray, lead_weeks: np.ndarray) -> tuple[dict[str, Any], ...]:
    at_risk = float((mean.sum(axis=1) * (lead_weeks + 1)).sum()) * DUTY_PER_LPA
    return ({"id": "BOND", "kind": "movement", "limit": round(1.1 * at_risk, -3)},)


def _policies(
    names: list[str], mean: np.ndarray, lead_weeks: np.ndarray
) -> tuple[dict[str, Any], ...]:
    """Closing target: three weeks of mean demand, with what the lead time holds on the way."""
    return tuple(
        {
            "site": f"B{b + 1:02d}",
            "liquid": name,
            "closing_lpa": round(float(mean[b, k]) * (3 + int(lead_weeks[b])), 0),
            "closing_cost_per_lpa": 8.0,
        }
        for b in range(mean.shape[0])
        for k, name in enumerate(names)
    )


def _demand(names: list[str], demand: np.ndarray) -> tuple[dict[str, Any], ...]:
    return tuple(
        {
            "site": f"B{b + 1:02d}",
            "period_start": START + timedelta(days=7 * t),
            "liquid": name,
            "lpa": float(demand[b, k, t]),
        }
        for b in range(demand.shape[0])
        for k, name in enumerate(names)
        for t in range(demand.shape[2])
    )


def _lots(names: list[str], mean: np.ndarray, *, full: bool) -> tuple[dict[str, Any], ...]:
    if not full:
        return ()
    per_liquid = mean.sum(axis=0)
    return tuple(
        {
            "lot_id": f"{name}-{status}",
            "liquid": name,
            "site": "DISTILLERY",
            "litres_20c": round(float(per_liquid[k]) * 0.6 / STRENGTH * 100.0, 0),
            "strength_percent": STRENGTH,
            "status": status,
            "decision_due": START + timedelta(days=9) if status == "awaiting" else None,
        }
        for k, name in enumerate(names)
        for status in ("released", "awaiting")
    )


def _opening(
    names: list[str], demand: np.ndarray, lead_weeks: np.ndarray, total: float, *, full: bool
) -> tuple[dict[str, Any], ...]:
    """Bottlers hold lead time plus two weeks; the distillery two weeks (one beside its lots)."""
    rows = [
        {
            "site": f"B{b + 1:02d}",
            "liquid": name,
            "lpa": float(demand[b, k, : int(lead_weeks[b]) + 2].sum()),
        }
        for b in range(demand.shape[0])
        for k, name in enumerate(names)
    ]
    weeks = 1.0 if full else 2.0
    per_liquid = demand.mean(axis=2).sum(axis=0)
    rows += [
        {"site": "DISTILLERY", "liquid": name, "lpa": round(weeks * float(per_liquid[k]), 0)}
        for k, name in enumerate(names)
    ]
    rows.append(
        {
            "site": "DISTILLERY",
            "liquid": "NEUTRAL",
            "lpa": round(1.5 * total, 0),
            "supplier": "GRAIN-A",
        }
    )
    return tuple(rows)
