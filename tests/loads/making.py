"""Short ways to make loads, steps and tanks for the tests."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from bulkflow.loads.acts import examine_tank, record_loads, record_step
from bulkflow.loads.bodies import Load, LoadPart, LoadState, LoadStep, LotShare, TankAcceptance
from bulkflow.loads.mixing import part_of

LOADING = date(2027, 1, 11)


def a_part(shares, liquid="VK-DRY", **fields):
    listed = [
        share
        if isinstance(share, LotShare)
        else LotShare(
            lot_id=share[0], lpa=Decimal(str(share[1])), strength_percent=Decimal(str(share[2]))
        )
        for share in shares
    ]
    empty = LoadPart(
        liquid_id=liquid,
        lpa=Decimal(1),
        strength_percent=Decimal(80),
        litres_20c=Decimal(1),
        **fields,
    )
    return part_of(empty, listed)


def a_load(name="A-1", parts=None, **fields):
    return Load(
        **{
            "load_id": name,
            "lane_id": "riga-norfolk",
            "origin": "VEJKALNA",
            "destination": "NORFOLK",
            "market": "US",
            "tank_type": "TC-24",
            "loading_day": LOADING,
            "leaving_day": date(2027, 1, 15),
            "arrival_day": date(2027, 2, 6),
            "discharge_day": date(2027, 2, 10),
            "usable_day": date(2027, 2, 10),
            "parts": parts or (a_part([("VK-DRY-2641", 17900, "80.02")]),),
            **fields,
        }
    )


def a_step(name="A-1", state="planned", on=LOADING, **fields):
    return LoadStep(load_id=name, state=LoadState(state), on=on, **fields)


def record(session, load=None, state="planned", on=date(2027, 1, 4)):
    load = load or a_load()
    return record_loads(session, [(load, a_step(load.load_id, state, on))])


def step(session, scenario, state, name="A-1", on=LOADING, **fields):
    shares = fields.pop("shares", None)
    if state == "departed":  # with what it needs to leave
        fields = {"movement_reference": "27LV00000000000000017", "seals": ("Z-1",)} | fields
    return record_step(session, a_step(name, state, on, **fields), scenario=scenario, shares=shares)


def a_tank(name="A-1", **fields):
    return TankAcceptance(
        **{
            "load_id": name,
            "tank_number": "BKFU 204118 7",
            "examined_on": LOADING,
            "last_cargoes": ("gin distillate", "neutral spirit", "drinking water"),
            "cleaning_document": "ECD-55120",
            "cleaned_on": date(2027, 1, 9),
            "cleaning_codes": ("F50", "E31"),
            "seals": ("S-881", "S-882"),
            "seals_intact": True,
            "gasket_material": "PTFE",
            "tank_nosed": True,
            "hose_nosed": True,
            **fields,
        }
    )


def accept(session, name="A-1", **fields):
    return examine_tank(session, a_tank(name, **fields))
