"""Random small scenarios with every feature on, from a seed; and changes that have known effects.

Numbers come from numpy's default generator in a fixed order, so a seed names one scenario. Most
have a plan; a few promise or freeze more than can be sent.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from datetime import timedelta
from typing import Any

import numpy as np

from tests.program.builders import (
    START,
    Data,
    distilling,
    lane,
    liquid,
    neutral,
    site,
    still,
    stock,
    supplier,
    tank,
    tank_type,
    week,
)

MONEY_KEYS = frozenset(
    {
        "price_per_lpa",
        "cost_per_load",
        "cost_per_lpa",
        "cost_per_lpa_made",
        "cost_per_charge",
        "cost_per_lot",
        "change_over_cost",
        "handling_cost_per_lpa",
        "storage_cost_per_lpa_per_period",
        "feints_sale_price_per_lpa",
        "floor_cost_per_lpa_per_period",
        "closing_cost_per_lpa",
        "change_cost_per_load",
        "value_per_lpa",
        "past_life_cost_per_lpa",
        "cost_per_day",
        "limit",
    }
)


def random_scenario(seed: int) -> Data:
    """Return the scenario of a seed."""
    rng = np.random.default_rng(seed)
    weeks = int(rng.integers(4, 7))
    data: Data = {
        "format": "bulkflow-workspace/1",
        "name": f"random {seed}",
        "currency": "EUR",
        "calendar": {"start": START, "quarter_periods": 3, "horizon_periods": weeks},
        "finance": {"capital_rate_percent_per_year": 10.0},
        "change_cost_per_load": float(rng.choice([0.0, 60.0])),
        "liquids": [
            neutral("GRAIN", spirit_base="cereal", value_per_lpa=1.0),
            neutral("CANE", spirit_base="cane", value_per_lpa=0.9),
            liquid("GIN", value_per_lpa=2.0, **_maybe(rng, 0.3, shelf_life_days=21)),
            liquid("BASE", strength=82.0, value_per_lpa=3.0),
            liquid("FEINTS", kind="feints", strength=70.0, value_per_lpa=0.3),
        ],
        "recipes": _recipes(rng),
        "suppliers": _suppliers(rng),
        "sites": [_works(rng), _port(rng), _inland(rng), _overseas(rng)],
        "tank_types": [
            tank_type("T7", 7_000.0),
            tank_type("T10", 10_000.0),
            tank_type(
                "T2C",
                6_000.0,
                compartments=[{"capacity_litres": 3_500.0}, {"capacity_litres": 2_500.0}],
            ),
        ],
        "fleets": [{"id": "POOL", "tanks": int(rng.integers(3, 7))}],
        "lanes": _lanes(rng),
        "authorities": [
            {
                "id": "HOME",
                "rates": [
                    {"first_day": START - timedelta(days=90), "kind": "per_lpa", "rate": 10.0},
                    {"first_day": week(3), "kind": "per_litre", "rate": 9.0},
                ],
            },
            {
                "id": "ABROAD",
                "payment_lag_days": int(rng.integers(0, 40)),
                "rates": [
                    {
                        "first_day": START - timedelta(days=90),
                        "kind": "per_lpa",
                        "rate": 90.0,
                        "currency": "SEK",
                    }
                ],
            },
        ],
        "guarantees": [
            {"id": "ROAD", "kind": "movement", "limit": float(rng.uniform(8e4, 2e5))},
            {
                "id": "STOCK",
                "kind": "storage",
                "limit": float(rng.uniform(4e6, 8e6)),
                "currency": "SEK",
            },
        ],
        "markets": [{"id": "STRICT", "barred_spirit_bases": ["cane"]}, {"id": "FREE"}],
        "priorities": [
            {"id": "core", "unmet": "carried", "cost_per_lpa": 4.0},
            {"id": "spot", "unmet": "lost", "cost_per_lpa": 6.0},
        ],
        "stock_policies": [
            {
                "site": "INLAND",
                "liquid": "GIN",
                "floor_lpa": 800.0,
                "floor_cost_per_lpa_per_period": 0.1,
                "closing_lpa": 1_500.0,
                "closing_cost_per_lpa": 1.0,
            },
            {
                "site": "OVERSEAS",
                "liquid": "GIN",
                "closing_lpa": 4_000.0,
                "closing_cost_per_lpa": 2.0,
            },
        ],
        "products": [
            {
                "id": "BOTTLE",
                "liquid": "GIN",
                "bottle_ml": 700.0,
                "strength_percent": 40.0,
                "bottles_per_case": 6,
                "bottling_loss_percent": 0.5,
            }
        ],
        "exchange_rates": [
            {"currency": "SEK", "first_day": START - timedelta(days=90), "rate": 0.09},
            {"currency": "SEK", "first_day": week(2), "rate": 0.1},
        ],
        "opening_stock": [
            stock("WORKS", "GRAIN", float(rng.uniform(4e3, 9e3)), supplier="FARM"),
            stock("WORKS", "GIN", float(rng.uniform(2e3, 8e3))),
            stock("INLAND", "GIN", float(rng.uniform(1e3, 3e3))),
            stock("OVERSEAS", "GIN", float(rng.uniform(1e3, 5e3))),
        ],
    }
    gin = data["liquids"][2]
    if "shelf_life_days" in gin and seed % 2:
        gin["past_life_cost_per_lpa"] = 0.4
    data["demand"] = _demand(rng, weeks)
    data["lots"] = _lots(rng)
    data["loads"] = _loads(rng)
    data["issued_loads"] = _issued(rng)
    data["prices"] = [
        {"supplier": "FARM", "liquid": "GRAIN", "first_day": week(2), "price_per_lpa": 1.05}
    ]
    _add_practices(data, np.random.default_rng([seed, 1]))
    return data


def _add_practices(data: Data, rng: np.random.Generator) -> None:
    """Add least orders, checks at arrival, waiting tanks, guarantees freed by the report."""
    grain = data["suppliers"][0]["contracts"][0]
    grain |= _maybe(rng, 0.5, minimum_lpa_per_order=float(rng.uniform(2e3, 9e3)))
    grain |= _maybe(rng, 0.5, minimum_loads_per_order=int(rng.integers(1, 3)))
    _, _, inland, overseas = data["sites"]
    inland |= _maybe(rng, 0.4, arrival_checks=[{"days": int(rng.integers(1, 12))}])
    overseas |= _maybe(
        rng,
        0.4,
        arrival_checks=[{"liquid": "GIN", "days": int(rng.integers(1, 12))}, {"days": 2}],
    )
    lanes = {one["id"]: one for one in data["lanes"]}
    for name, days in (("inland", 7), ("sea", 14), ("direct", 7)):
        rule = {"longest_days": days, "free_days": 2, "cost_per_day": float(rng.uniform(5, 60))}
        lanes[name]["tanks"][0] |= _maybe(rng, 0.4, waiting=rule)
    lanes["direct"] |= _maybe(
        rng,
        0.5,
        legs=[
            {
                "authority": "HOME",
                "guarantee": "ROAD",
                "days_after_discharge": int(rng.integers(0, 9)),
            }
        ],
    )


def _maybe(rng: np.random.Generator, chance: float, **keys: Any) -> Data:
    return keys if rng.random() < chance else {}


def _recipes(rng: np.random.Generator) -> list[Data]:
    charge: Data = {
        "charge_strength_percent": 60.0,
        "hearts_percent_of_lpa": 80.0,
        "feints_percent_of_lpa": 15.0,
        "feints_liquid": "FEINTS",
    }
    return [
        distilling("grain", "GIN", ("GRAIN", 100.0), **charge, days_to_vat=int(rng.integers(0, 9))),
        distilling("mixed", "GIN", ("GRAIN", 50.0), ("CANE", 50.0), **charge),
        distilling("strong", "BASE", ("GRAIN", 80.0), ("FEINTS", 20.0), **charge),
        {
            "id": "let-down",
            "makes": "GIN",
            "method": "let_down",
            "inputs": [
                {"liquid": "BASE", "share_percent_of_lpa": 40.0},
                {"liquid": "CANE", "share_percent_of_lpa": 60.0},
            ],
            "sites": ["OVERSEAS"],
            "loss_percent": 0.5,
            "cost_per_lpa_made": 0.02,
            "maximum_lpa_per_period": 3_000.0,
        },
    ]


def _suppliers(rng: np.random.Generator) -> list[Data]:
    later = float(rng.choice([0.8, 1.2]))
    grain = {
        "liquid": "GRAIN",
        "minimum_lpa": float(rng.choice([0.0, 3_000.0])),
        "maximum_lpa_per_period": 9_000.0,
        "tiers": [
            {"from_lpa": 0.0, "price_per_lpa": 1.0},
            {"from_lpa": 8_000.0, "price_per_lpa": later},
        ],
    }
    cane = {
        "liquid": "CANE",
        "maximum_lpa": 12_000.0,
        "tiers": [{"from_lpa": 0.0, "price_per_lpa": 8.0}],
        **_maybe(rng, 0.5, first_day=week(1, 1)),
    }
    return [
        supplier("FARM", grain, receipt_check_days=1),
        supplier("ISLAND", cane, currency="SEK"),
    ]


def _works(rng: np.random.Generator) -> Data:
    tanks = [
        tank("N", 40_000.0, "GRAIN", heel_litres=200.0),
        tank("C", 15_000.0, "CANE"),
        tank("G", 20_000.0, "GIN"),
        tank("X", 12_000.0, "GIN", "BASE", change_over_cost=80.0, heel_litres=50.0),
        tank("Y", 12_000.0, "GIN", "BASE", change_over_cost=40.0, change_over_days=1),
        tank("F", 8_000.0, "FEINTS"),
    ]
    return site(
        "WORKS",
        "distillery",
        tanks,
        authority="HOME",
        storage_guarantee="STOCK",
        storage_cost_per_lpa_per_period=0.01,
        feints_sale_price_per_lpa=0.2,
        stills=[
            still(
                "POT",
                "grain",
                "mixed",
                "strong",
                litres=3_000.0,
                hours_per_period=6.0,
                cost_per_charge=90.0,
                cleaning_hours=1.0,
                minimum_campaign_charges=int(rng.integers(0, 3)),
                shutdowns=[{"first_day": week(2), "last_day": week(2, 2)}],
                **_maybe(rng, 0.5, last_recipe="grain"),
            ),
            still("SMALL", "grain", litres=1_000.0, hours_per_period=4.0, cost_per_charge=50.0),
        ],
        release={
            "lag_days": int(rng.integers(0, 9)),
            "panel_lots_per_period": 2,
            "laboratory_lots_per_period": 3,
            "cost_per_lot": 60.0,
            **_maybe(rng, 0.7, vatting_minimum_lpa=1_000.0, vatting_maximum_lpa=6_000.0),
        },
    )


def _port(rng: np.random.Generator) -> Data:
    return site(
        "PORT",
        "depot",
        [tank("P", 20_000.0, "GIN"), tank("Q", 9_000.0, "GIN", "BASE")],
        handling_cost_per_lpa=0.01,
        **_maybe(rng, 0.5, holidays=[week(1), week(2, 1)]),
    )


def _inland(rng: np.random.Generator) -> Data:
    heel = float(rng.choice([0.0, 100.0]))
    return site(
        "INLAND",
        "bottler",
        [tank("B", 14_000.0, "GIN", heel_litres=heel), tank("D", 9_000.0, "GIN")],
        market="STRICT",
        handling_cost_per_lpa=0.02,
        currency="SEK",
        storage_cost_per_lpa_per_period=0.1,
    )


def _overseas(rng: np.random.Generator) -> Data:
    return site(
        "OVERSEAS",
        "bottler",
        [
            tank("B", 20_000.0, "GIN"),
            tank("E", 12_000.0, "GIN"),
            tank("C", 9_000.0, "BASE"),
            tank("N", 9_000.0, "CANE"),
        ],
        market="FREE",
        duty_status="paid",
        authority="ABROAD",
        closures=[{"first_day": week(2, 1), "last_day": week(2, 3)}],
    )


def _lanes(rng: np.random.Generator) -> list[Data]:
    pool = {"fleet": "POOL"}
    return [
        lane("grain-road", "FARM", "WORKS", "GRAIN", cost=40.0, maximum_loads_per_period=2),
        lane("cane-road", "ISLAND", "WORKS", "CANE", cost=45.0, transit_days=4),
        lane("cane-local", "ISLAND", "OVERSEAS", "CANE", cost=45.0),
        lane(
            "inland",
            "WORKS",
            "INLAND",
            "GIN",
            tanks=[
                {"tank_type": "T2C", "cost_per_load": 90.0},
                {"tank_type": "T7", "cost_per_load": 110.0},
            ],
            cost_per_lpa=0.01,
            payload_limit_kg=5_000.0,
            legs=[{"authority": "HOME", "guarantee": "ROAD", "to_day": 2}],
        ),
        lane("shuttle", "WORKS", "PORT", "GIN", "BASE", cost=30.0, transit_days=0),
        lane(
            "sea",
            "PORT",
            "OVERSEAS",
            "GIN",
            "BASE",
            tanks=[
                {"tank_type": "T10", "cost_per_load": 200.0, **pool},
                {"tank_type": "T7", "cost_per_load": 170.0, "maximum_loads_per_period": 1, **pool},
            ],
            transit_days=int(rng.integers(3, 12)),
            discharge_days=1,
            return_days=int(rng.integers(0, 15)),
            transit_loss_percent=0.2,
            minimum_fill_percent=float(rng.choice([0.0, 40.0])),
            sailings={
                "weekday": "thursday",
                "every_weeks": int(rng.integers(1, 3)),
                "cut_off_days": 2,
                "blank_days": [week(2, 3)],
            },
            legs=[
                {"authority": "HOME", "guarantee": "ROAD", "to_day": 5},
                {
                    "authority": "ABROAD",
                    "guarantee": "ROAD",
                    "from_day": 4,
                    "share_percent": 20.0,
                },
            ],
        ),
        lane(
            "direct",
            "WORKS",
            "OVERSEAS",
            "GIN",
            cost=320.0,
            transit_days=6,
            transit_loss_percent=0.1,
        ),
    ]


def _demand(rng: np.random.Generator, weeks: int) -> list[Data]:
    rows = []
    for number in range(1, weeks + 1):
        for where, most in (("INLAND", 2_500.0), ("OVERSEAS", 3_000.0)):
            rows.append(
                {
                    "site": where,
                    "period_start": week(number),
                    "liquid": "GIN",
                    "lpa": round(float(rng.uniform(0.0, most)), 0),
                }
            )
        if rng.random() < 0.4:
            rows.append(
                {
                    "site": "OVERSEAS",
                    "period_start": week(number),
                    "product": "BOTTLE",
                    "cases": round(float(rng.uniform(0.0, 500.0)), 0),
                    "market": str(rng.choice(["STRICT", "FREE"])),
                    "priority": "spot",
                }
            )
    return rows


def _lots(rng: np.random.Generator) -> list[Data]:
    states = [("released", None), ("awaiting", week(1, 3)), ("held", None)]
    return [
        {
            "lot_id": f"LOT/{number}",
            "liquid": "GIN",
            "site": "WORKS",
            "litres_20c": round(float(rng.uniform(500.0, 2_500.0)), 0),
            "strength_percent": 79.5,
            "status": status,
            "decision_due": due,
            "restrictions": ["STRICT"] if rng.random() < 0.3 else [],
        }
        for number, (status, due) in enumerate(states)
    ]


def _loads(rng: np.random.Generator) -> list[Data]:
    rows = [
        {
            "load_id": "U-1",
            "lane": "sea",
            "liquid": "GIN",
            "tank_type": "T7",
            "state": "under_way",
            "departs_on": week(0),
            "usable_on": week(1, 4),
            "lpa": 3_000.0,
        }
    ]
    if rng.random() < 0.4:
        rows.append(
            {
                "load_id": "F-1",
                "lane": "inland",
                "liquid": "GIN",
                "tank_type": "T7",
                "state": "frozen",
                "departs_on": week(1),
                "lpa": 1_500.0,
            }
        )
    if rng.random() < 0.4:
        rows.append(
            {
                "load_id": "P-1",
                "lane": "inland",
                "liquid": "GIN",
                "tank_type": str(rng.choice(["T7", "T2C"])),
                "state": "promised",
                "departs_on": week(2),
            }
        )
    return rows


def _issued(rng: np.random.Generator) -> list[Data]:
    if rng.random() < 0.5:
        return []
    return [
        {
            "lane": "inland",
            "liquid": "GIN",
            "tank_type": tank_of_lane,
            "period_start": week(int(rng.integers(1, 5))),
            "loads": int(rng.integers(1, 3)),
        }
        for tank_of_lane in ("T7", "T2C")
    ]


def money_times(data: Data, factor: float) -> Data:
    """Return the scenario with every amount of money times a factor."""

    def scaled(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            rate = value.get("kind") in ("per_lpa", "per_litre", "per_litre_degree")
            return {
                name: one * factor if rate and name == "rate" else scaled(one, name)
                for name, one in value.items()
            }
        if isinstance(value, list):
            return [scaled(one) for one in value]
        return value * factor if key in MONEY_KEYS and value is not None else value

    made: Data = scaled(data)
    for priority, original in zip(made["priorities"], data["priorities"], strict=True):
        priority["cost_per_lpa"] = original["cost_per_lpa"] * factor
    return made


def renamed(data: Data) -> Data:
    """Return the scenario with other ids, its records in another order."""
    ids = {
        record["id"]
        for name in ("liquids", "recipes", "suppliers", "sites", "tank_types", "fleets", "lanes")
        for record in data[name]
    }
    for group in ("authorities", "guarantees", "markets", "products"):
        ids |= {record["id"] for record in data[group]}
    new = {name: f"z{number}" for number, name in enumerate(sorted(ids, reverse=True))}

    def changed(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: changed(one) for key, one in value.items()}
        if isinstance(value, list):
            return [changed(one) for one in value]
        return new.get(value, value) if isinstance(value, str) else value

    made: Data = changed(deepcopy(data))
    for name, records in made.items():
        if isinstance(records, list) and name != "priorities":
            records.reverse()
    return made


def _wider_guarantee(data: Data) -> None:
    for guarantee in data["guarantees"]:
        guarantee["limit"] *= 1.3


def _wider_rooms(data: Data) -> None:
    for place in data["sites"]:
        for one in place["tanks"]:
            one["capacity_litres"] += 3_000.0


def _wider(record: Data, key: str, more: float) -> None:
    record[key] += more


WIDENED: dict[str, Callable[[Data], None]] = {
    "guarantee": _wider_guarantee,
    "room": _wider_rooms,
    "fleet": lambda data: _wider(data["fleets"][0], "tanks", 1),
    "still": lambda data: _wider(data["sites"][0]["stills"][1], "hours_per_period", 2.0),
    "lane": lambda data: _wider(data["lanes"][0], "maximum_loads_per_period", 1),
    "judging": lambda data: _wider(data["sites"][0]["release"], "panel_lots_per_period", 1),
    "contract": lambda data: _wider(
        data["suppliers"][0]["contracts"][0], "maximum_lpa_per_period", 2_000.0
    ),
    "let-down": lambda data: _wider(data["recipes"][3], "maximum_lpa_per_period", 1_000.0),
}


def widened(data: Data, what: str) -> Data:
    """Return the scenario with one kind of limit wider."""
    made = deepcopy(data)
    WIDENED[what](made)
    return made
