"""Random workspaces that make sense, for laws that hold for every workspace."""

from datetime import date, timedelta

from hypothesis import strategies as st

from bulkflow.scenario.model import Scenario

# Words that YAML 1.1, spreadsheets or a careless reader take for something else.
_ODD_IDS = ["NO", "on", "null", "1e5", "0x1F", "012", "12", "1.5", "true", "2027-01-04", "y", "NaN"]
_ODD_TEXTS = [
    "NO",
    "~",
    "1e5",
    "a - b",
    "a: b",
    "# c",
    "'",
    '"',
    "{x",
    "&a",
    "*b",
    "!t",
    "%",
    "12:30",
]

IDS = st.one_of(
    st.sampled_from(_ODD_IDS), st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", fullmatch=True)
)
PRINTABLE = st.characters(exclude_categories=("Cc", "Cs"), exclude_characters="\ufffe\uffff")
TEXTS = st.one_of(
    st.sampled_from(_ODD_TEXTS),
    st.text(PRINTABLE, min_size=1, max_size=60).filter(
        lambda text: text.strip() and not text.strip().startswith(("=", "+", "-", "@"))
    ),
)
NOTES = st.one_of(TEXTS, st.tuples(TEXTS, TEXTS).map("\n".join))
AMOUNTS = st.one_of(
    st.floats(0, 1e12), st.sampled_from([0.1, 1e-7, 1234567.891, 1e12]), st.integers(0, 10**9)
)
STRENGTHS = st.floats(40, 96)
PERCENTS = st.floats(0, 99)
CURRENCIES = st.from_regex(r"[A-Z]{3}", fullmatch=True)
DAYS = st.dates(date(2020, 1, 1), date(2035, 12, 31))


def optional(strategy: st.SearchStrategy) -> st.SearchStrategy:
    return st.one_of(st.none(), strategy)


@st.composite
def closures(draw) -> list[dict]:
    found = []
    for first in draw(st.lists(DAYS, max_size=2)):
        last = first + timedelta(days=draw(st.integers(0, 30)))
        found.append({"first_day": first, "last_day": last, "reason": draw(TEXTS)})
    return found


def and_a_further_liquid(draw, load: dict) -> list[dict]:
    """Return a load under way, alone or with another liquid in its tank."""
    further = load | {"load_id": f"{load['load_id']}.2", "in_tank_of": load["load_id"]}
    return [load, further] if draw(st.booleans()) else [load]


@st.composite
def scenarios(draw) -> Scenario:
    """Two neutral spirits at most, one distillate and feints, from supplier to bottlers."""
    names = draw(st.lists(IDS, min_size=16, max_size=16, unique=True))
    grain, gin, tails, recipe, supplier, distillery, still, tank_type, fleet, lane = names[:10]
    authority, guarantee, store, market, priority, product = names[10:]
    own, foreign = draw(st.lists(CURRENCIES, min_size=2, max_size=2, unique=True))
    start = draw(DAYS)
    horizon = draw(st.integers(4, 12))
    calendar = {
        "start": start,
        "period_days": draw(st.integers(1, 31)),
        "quarter_periods": draw(st.integers(1, horizon)),
        "horizon_periods": horizon,
        "time_zone": draw(st.sampled_from(["UTC", "Europe/Riga", "Asia/Tokyo"])),
    }
    bottlers = draw(st.lists(IDS.filter(lambda one: one not in names), max_size=3, unique=True))
    tank = {"capacity_litres": 90000.0, "heel_litres": draw(st.floats(0, 500))}
    sites = [
        {
            "id": distillery,
            "name": draw(optional(TEXTS)),
            "kind": "distillery",
            "latitude": draw(st.floats(-90, 90)),
            "longitude": draw(st.floats(-180, 180)),
            "authority": authority,
            "storage_guarantee": draw(st.sampled_from([None, store])),
            "tanks": [{"id": one, "liquids": [one], **tank} for one in (grain, gin, tails)],
            "stills": [
                {
                    "id": still,
                    "charge_litres": draw(st.floats(1, 1e5)),
                    "hours_per_charge": 5,
                    "hours_per_period": draw(st.floats(5, 168)),
                    "recipes": [recipe],
                    "last_recipe": draw(st.sampled_from([None, recipe])),
                    "shutdowns": draw(closures()),
                }
            ],
            "release": draw(optional(st.fixed_dictionaries({"lag_days": st.integers(0, 700)}))),
            "holidays": draw(st.lists(DAYS, max_size=3)),
        }
    ]
    sites += [
        {
            "id": one,
            "kind": draw(st.sampled_from(["bottler", "depot"])),
            "country": draw(optional(TEXTS)),
            "market": draw(st.sampled_from([None, market])),
            "duty_status": draw(st.sampled_from(["suspended", "paid"])),
            "authority": authority,
            "currency": draw(st.sampled_from([None, own, foreign])),
            "tanks": [{"id": gin, "liquids": [gin], **tank}],
            "closures": draw(closures()),
            "arrival_checks": draw(
                st.lists(
                    st.fixed_dictionaries(
                        {"days": st.integers(0, 90)}, optional={"liquid": st.just(gin)}
                    ),
                    max_size=1,
                )
            ),
        }
        for one in bottlers
    ]
    lanes = [
        {
            "id": one,
            "origin": distillery,
            "destination": one,
            "liquids": [gin],
            "tanks": [
                {
                    "tank_type": tank_type,
                    "cost_per_load": draw(AMOUNTS),
                    "fleet": fleet,
                    "waiting": draw(
                        optional(
                            st.fixed_dictionaries(
                                {"longest_days": st.integers(0, 90), "cost_per_day": AMOUNTS},
                                optional={"free_days": st.integers(0, 90)},
                            )
                        )
                    ),
                }
            ],
            "transit_days": draw(st.integers(0, 90)),
            "transit_loss_percent": draw(PERCENTS),
            "sailings": draw(
                optional(
                    st.fixed_dictionaries(
                        {"weekday": st.sampled_from(["monday", "sunday"])},
                        optional={"cut_off_days": st.integers(0, 9)},
                    )
                )
            ),
            "legs": draw(
                st.lists(
                    st.fixed_dictionaries(
                        {
                            "authority": st.just(authority),
                            "guarantee": st.just(guarantee),
                            "share_percent": PERCENTS,
                            "days_after_discharge": st.integers(0, 90),
                        }
                    ),
                    max_size=2,
                )
            ),
        }
        for one in bottlers
    ]
    lanes.append(
        {
            "id": lane,
            "origin": supplier,
            "destination": distillery,
            "liquids": [grain],
            "tanks": [{"tank_type": tank_type, "cost_per_load": 1}],
            "transit_days": 1,
        }
    )
    strength = draw(STRENGTHS)
    first_price = draw(st.floats(0.5, 2))
    demand = [
        {
            "site": one,
            "period_start": start + timedelta(days=number),
            **draw(
                st.one_of(
                    st.fixed_dictionaries({"liquid": st.just(gin), "lpa": AMOUNTS}),
                    st.fixed_dictionaries({"product": st.just(product), "cases": AMOUNTS}),
                )
            ),
            "market": draw(st.sampled_from([None, market])),
            "priority": draw(st.sampled_from([None, priority])),
        }
        for one in bottlers
        for number in range(draw(st.integers(0, 3)))
    ]
    lots = [
        {
            "lot_id": draw(TEXTS.filter(lambda text: len(text.strip()) <= 50)) + f" {number}",
            "liquid": gin,
            "site": distillery,
            "tank": draw(st.sampled_from([None, gin])),
            "litres_20c": draw(st.floats(0, 9000)),
            "strength_percent": strength + draw(st.floats(-9, 4)),
            "status": draw(st.sampled_from(["released", "awaiting", "held", "rejected"])),
            "decision_due": start,
            "made_on": draw(optional(st.just(start))),
            "spirit_base": draw(optional(IDS)),
            "supplier": draw(st.sampled_from([None, supplier])),
            "restrictions": draw(st.sampled_from([[], [market]])),
            "note": draw(optional(NOTES)),
        }
        for number in range(draw(st.integers(0, 4)))
    ]
    return Scenario.model_validate(
        {
            "format": "bulkflow-workspace/1",
            "name": draw(TEXTS),
            "currency": own,
            "calendar": calendar,
            "finance": {"capital_rate_percent_per_year": draw(PERCENTS)},
            "change_cost_per_load": draw(AMOUNTS),
            "liquids": [
                {"id": grain, "kind": "neutral", "strength_percent": 96},
                {
                    "id": gin,
                    "name": draw(optional(TEXTS)),
                    "kind": "distillate",
                    "strength_percent": strength,
                    "value_per_lpa": draw(st.floats(0.1, 10)),
                    "shelf_life_days": draw(st.integers(1, 1000)),
                    "past_life_cost_per_lpa": draw(optional(st.floats(0.1, 10))),
                },
                {"id": tails, "kind": "feints", "strength_percent": 70},
            ],
            "recipes": [
                {
                    "id": recipe,
                    "makes": gin,
                    "method": "distil",
                    "inputs": [{"liquid": grain, "share_percent_of_lpa": 100}],
                    "charge_strength_percent": draw(st.floats(10, 96)),
                    "hearts_percent_of_lpa": draw(st.floats(2, 80)),
                    "feints_percent_of_lpa": draw(st.floats(0, 20)),
                    "feints_liquid": tails,
                    "days_to_vat": draw(st.integers(0, 30)),
                }
            ],
            "suppliers": [
                {
                    "id": supplier,
                    "contracts": [
                        {
                            "liquid": grain,
                            "minimum_lpa_per_order": draw(AMOUNTS),
                            "minimum_loads_per_order": draw(st.integers(0, 9)),
                            "tiers": [
                                {"from_lpa": 0, "price_per_lpa": first_price},
                                {"from_lpa": draw(st.floats(1, 1e9)), "price_per_lpa": first_price},
                            ],
                        }
                    ],
                    "currency": draw(st.sampled_from([None, own, foreign])),
                    "holidays": draw(st.lists(DAYS, max_size=2)),
                }
            ],
            "sites": sites,
            "tank_types": [
                {
                    "id": tank_type,
                    "regime": draw(
                        st.sampled_from(
                            ["adr_tank_vented", "adr_tank_hermetic", "un_portable_tank"]
                        )
                    ),
                    "capacity_litres": 26000,
                    "compartments": draw(st.sampled_from([[], [{"capacity_litres": 13000}] * 2])),
                    "tare_kg": 4000,
                    "maximum_gross_kg": draw(st.floats(4001, 50000)),
                }
            ],
            "fleets": [{"id": fleet, "tanks": draw(st.integers(0, 99))}],
            "lanes": lanes,
            "authorities": [
                {
                    "id": authority,
                    "rates": [
                        {
                            "first_day": date(2000, 1, 1),
                            "kind": draw(
                                st.sampled_from(["per_lpa", "per_litre", "per_litre_degree"])
                            ),
                            "rate": draw(AMOUNTS),
                            "currency": draw(st.sampled_from([None, foreign])),
                            "source": draw(optional(TEXTS)),
                        }
                    ],
                }
            ],
            "guarantees": [
                {"id": guarantee, "kind": "movement", "limit": draw(AMOUNTS)},
                {"id": store, "kind": "storage", "limit": draw(AMOUNTS)},
            ],
            "markets": [{"id": market, "name": draw(optional(TEXTS))}],
            "priorities": [{"id": priority, "unmet": "lost", "cost_per_lpa": draw(AMOUNTS)}],
            "products": [
                {
                    "id": product,
                    "liquid": gin,
                    "bottle_ml": draw(st.floats(10, 5000)),
                    "strength_percent": draw(STRENGTHS),
                    "bottles_per_case": draw(st.integers(1, 24)),
                    "bottling_loss_percent": draw(PERCENTS),
                }
            ],
            "demand": demand,
            "lots": lots,
            "opening_stock": draw(
                st.lists(
                    st.fixed_dictionaries(
                        {
                            "site": st.just(distillery),
                            "liquid": st.just(grain),
                            "lpa": st.floats(0, 99),
                        }
                    ),
                    max_size=1,
                )
            ),
            "prices": draw(
                st.lists(
                    st.fixed_dictionaries(
                        {
                            "supplier": st.just(supplier),
                            "liquid": st.just(grain),
                            "first_day": DAYS,
                            "price_per_lpa": AMOUNTS,
                        }
                    ),
                    max_size=3,
                    unique_by=lambda row: row["first_day"],
                )
            ),
            "exchange_rates": [
                {
                    "currency": foreign,
                    "first_day": date(2000, 1, 1),
                    "rate": draw(st.floats(1e-6, 1e6)),
                }
            ],
            "loads": and_a_further_liquid(
                draw,
                {
                    "load_id": "W-1",
                    "lane": lane,
                    "liquid": grain,
                    "tank_type": tank_type,
                    "state": "under_way",
                    "departs_on": start - timedelta(days=draw(st.integers(1, 9))),
                    "usable_on": start + timedelta(days=draw(st.integers(0, 9))),
                    "lpa": draw(st.floats(1, 26000)),
                },
            ),
            "issued_loads": [
                {
                    "lane": lane,
                    "liquid": grain,
                    "tank_type": tank_type,
                    "period_start": start,
                    "loads": draw(st.integers(0, 99)),
                }
            ],
        }
    )
