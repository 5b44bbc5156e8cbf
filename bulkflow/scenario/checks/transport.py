"""Lanes, their legs, and the tanks that travel."""

from __future__ import annotations

from collections.abc import Mapping

from bulkflow.reading.words import MOST_TOLD, figure
from bulkflow.scenario.checks.places import has_tank_for
from bulkflow.scenario.draft import Draft
from bulkflow.scenario.model import Guarantee, Lane, Site, Supplier, TankType
from bulkflow.wording import listed

__all__ = ["check_transport"]


def check_transport(draft: Draft) -> None:
    """Check tank types, and lanes against what lies at their ends."""
    for path, tank_type in draft.each(TankType):
        _tank_type(draft, path, tank_type)
    suppliers, sites = draft.by_id(Supplier), draft.by_id(Site)
    guarantees = draft.by_id(Guarantee)
    for path, lane in draft.each(Lane):
        if lane.origin == lane.destination:
            found = f"is {lane.destination!r}, where the lane starts"
            draft.add(f"{path}.destination", found, "A lane leads from one place to another.")
            continue
        _origin(draft, path, lane, suppliers, sites)
        if lane.destination in sites:
            _room(draft, path, lane, sites[lane.destination])
            _one_check(draft, path, lane, sites[lane.destination])
        _legs(draft, path, lane, guarantees)
        _temperatures(draft, path, lane)


def _temperatures(draft: Draft, path: str, lane: Lane) -> None:
    usual, (low, high) = lane.filling_temperature_c, lane.filling_temperatures_c
    for which, limit, wrong in (("minimum", low, low > usual), ("maximum", high, high < usual)):
        if wrong:
            side = "above" if which == "minimum" else "below"
            found = f"is {figure(limit)} degC, {side} the usual {figure(usual)}"
            mend = "State filling_temperature_c between the two; it is 20 where it is left out."
            draft.add(f"{path}.{which}_filling_temperature_c", found, mend)


def _tank_type(draft: Draft, path: str, tank_type: TankType) -> None:
    parts = {
        "compartments": sum(part.capacity_litres for part in tank_type.compartments),
        "sections_litres": sum(tank_type.sections_litres),
    }
    for name, total in parts.items():
        if total > tank_type.capacity_litres * (1.0 + 1e-9):
            found = (
                f"add up to {figure(total)} L, above the capacity of"
                f" {figure(tank_type.capacity_litres)} L"
            )
            draft.add(f"{path}.{name}", found, "Its parts hold no more than the whole tank.")
    if tank_type.compartments and tank_type.sections_litres:
        found = "are given beside compartments"
        mend = "Give compartments (closed against each other) or sections of one space, not both."
        draft.add(f"{path}.sections_litres", found, mend)
    if tank_type.tare_kg >= tank_type.maximum_gross_kg:
        found = (
            f"is {figure(tank_type.tare_kg)}, not below the gross mass"
            f" {figure(tank_type.maximum_gross_kg)}"
        )
        draft.add(f"{path}.tare_kg", found, "The tank weighs less than what it may weigh full.")


def _origin(
    draft: Draft,
    path: str,
    lane: Lane,
    suppliers: Mapping[str, Supplier],
    sites: Mapping[str, Site],
) -> None:
    known = draft.ids.get("liquids", set())
    if lane.origin in suppliers:
        sold = {contract.liquid for contract in suppliers[lane.origin].contracts}
        for index, liquid in enumerate(lane.liquids):
            if liquid in known and liquid not in sold:
                found = f"is {liquid!r}, which {lane.origin} has no contract for"
                mend = f"It sells {listed(sorted(sold), MOST_TOLD)}."
                draft.add(f"{path}.liquids[{index}]", found, mend)
    elif lane.origin in sites:
        _room(draft, path, lane, sites[lane.origin])


def _room(draft: Draft, path: str, lane: Lane, site: Site) -> None:
    known = draft.ids.get("liquids", set())
    for index, liquid in enumerate(lane.liquids):
        if liquid in known and not has_tank_for(site, liquid):
            found = f"is {liquid!r}, for which {site.id} has no tank"
            mend = f"Add it to the liquids of a tank of {site.id}, or take it off the lane."
            draft.add(f"{path}.liquids[{index}]", found, mend)


def _one_check(draft: Draft, path: str, lane: Lane, receiver: Site) -> None:
    """Let all that may share a tank be checked alike at arrival: a load has one day of use."""
    tanks = draft.by_id(TankType)
    shared = [one for one in lane.tanks if one.tank_type in tanks]
    if not any(tanks[one.tank_type].compartments for one in shared):
        return
    days = {one.liquid: one.days for one in receiver.arrival_checks}
    of_each = {liquid: days.get(liquid, days.get(None, 0)) for liquid in lane.liquids}
    if len(set(of_each.values())) > 1:
        listed_days = listed([f"{one} {count}" for one, count in of_each.items()], MOST_TOLD)
        found = f"share compartments, but {receiver.id} checks them for other days ({listed_days})"
        mend = "Give them one check at arrival, or a lane each."
        draft.add(f"{path}.liquids", found, mend)


def _legs(draft: Draft, path: str, lane: Lane, guarantees: Mapping[str, Guarantee]) -> None:
    for index, leg in enumerate(lane.legs):
        where = f"{path}.legs[{index}]"
        if leg.to_day is not None and leg.to_day < leg.from_day:
            found = f"is {leg.to_day}, before the leg starts (day {leg.from_day})"
            draft.add(f"{where}.to_day", found, "A leg ends on its first day or later.")
        if leg.to_day is not None and leg.days_after_discharge:
            found = f"is {leg.days_after_discharge} beside a to_day of {leg.to_day}"
            mend = "A leg ends so many days after loading or so many after discharge; give one."
            draft.add(f"{where}.days_after_discharge", found, mend)
        guarantee = guarantees.get(leg.guarantee)
        if guarantee is not None and guarantee.kind != "movement":
            found = f"is {leg.guarantee!r}, a guarantee of kind {guarantee.kind}"
            draft.add(f"{where}.guarantee", found, "Name a guarantee of kind movement.")
