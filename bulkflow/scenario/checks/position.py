"""The opening position: lots, stock, loads under way or promised, and the last issued plan."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from datetime import date

from bulkflow.reading.words import MOST_TOLD, figure
from bulkflow.scenario.checks.dates import inside_calendar
from bulkflow.scenario.checks.places import capacity_for, has_tank_for
from bulkflow.scenario.draft import Draft
from bulkflow.scenario.model import (
    Authority,
    IssuedLoadRow,
    Lane,
    Liquid,
    LoadRow,
    LoadState,
    Lot,
    LotStatus,
    OpeningStockRow,
    Site,
    Supplier,
    Tank,
    TankType,
)
from bulkflow.wording import listed

__all__ = ["check_position"]


def check_position(draft: Draft) -> None:
    """Check lots and stock against tanks and days, loads against their lanes."""
    sites = draft.by_id(Site)
    for path, lot in draft.each(Lot):
        _lot_days(draft, path, lot)
        _lot_tank(draft, path, lot, sites.get(lot.site))
    for path, stock in draft.each(OpeningStockRow):
        _has_tank(draft, path, stock.liquid, sites.get(stock.site))
    _named_tanks(draft, sites)
    _room_at_sites(draft, sites)
    lanes, tank_types = draft.by_id(Lane), draft.by_id(TankType)
    suppliers, authorities = draft.by_id(Supplier), draft.by_id(Authority)
    loads = draft.by_id(LoadRow)
    for path, load in draft.each(LoadRow):
        _on_lane(draft, path, load, lanes)
        _load_days(draft, path, load, lanes)
        _load_amount(draft, path, load, tank_types)
        _load_origin(draft, path, load, lanes, suppliers)
        _load_duty(draft, path, load, lanes, authorities)
        _shared_tank(draft, path, load, loads)
    for path, issued in draft.each(IssuedLoadRow):
        _on_lane(draft, path, issued, lanes)


def _lot_days(draft: Draft, path: str, lot: Lot) -> None:
    start = draft.first_day
    if lot.status is LotStatus.AWAITING:
        if lot.decision_due is None:
            mend = "A lot that awaits a decision has the day on which it is expected."
            draft.add(f"{path}.decision_due", "is empty", mend)
        elif start is not None and lot.decision_due < start:
            found = f"is {lot.decision_due}, before the calendar starts"
            mend = "Give the day now expected, or the status the decision has given the lot."
            draft.add(f"{path}.decision_due", found, mend)
    if lot.made_on is not None and start is not None and lot.made_on > start:
        found = f"is {lot.made_on}, after the calendar starts"
        mend = "A lot of the opening position is there on the first day; correct the day."
        draft.add(f"{path}.made_on", found, mend)


def _lot_tank(draft: Draft, path: str, lot: Lot, site: Site | None) -> None:
    if lot.tank is None:
        _has_tank(draft, path, lot.liquid, site)
        return
    tank = _tank(site, lot.tank)
    if tank is not None and _known_liquid(draft, lot.liquid) and lot.liquid not in tank.liquids:
        held = listed(tank.liquids, MOST_TOLD, last="or")
        found = f"is {lot.tank!r}, a tank for {held}, not for {lot.liquid}"
        draft.add(f"{path}.tank", found, "Name a tank that may hold it, or mend the tank.")


def _has_tank(draft: Draft, path: str, liquid: str, site: Site | None) -> None:
    if site is not None and _known_liquid(draft, liquid) and not has_tank_for(site, liquid):
        found = f"is {liquid!r}, for which {site.id} has no tank"
        draft.add(f"{path}.liquid", found, "Correct the site, or add the liquid to a tank.")


def _tank(site: Site | None, tank_id: str | None) -> Tank | None:
    tanks = site.tanks if site is not None else ()
    return next((tank for tank in tanks if tank.id == tank_id), None)


def _known_liquid(draft: Draft, liquid: str) -> bool:
    return liquid in draft.ids.get("liquids", set())


def _brim(litres: float) -> float:
    """Allow what turning LPA into litres may round up by."""
    return litres * (1.0 + 1e-9)


def _named_tanks(draft: Draft, sites: Mapping[str, Site]) -> None:
    litres: dict[tuple[str, str], float] = defaultdict(float)
    first: dict[tuple[str, str], Lot] = {}
    for path, lot in draft.each(Lot):
        tank = _tank(sites.get(lot.site), lot.tank)
        if tank is None:
            continue
        key = (lot.site, tank.id)
        before, other = litres[key], first.setdefault(key, lot)
        litres[key] = before + lot.litres_20c
        if other.liquid != lot.liquid:
            found = f"is {tank.id!r}, where lot {other.lot_id} of {other.liquid} lies"
            draft.add(f"{path}.tank", found, "A tank holds one liquid at a time.")
        elif before <= _brim(tank.capacity_litres) < litres[key]:
            found = (
                f"is {figure(lot.litres_20c)}, which with what lies there brings tank {tank.id} to"
                f" {figure(litres[key])} L of {figure(tank.capacity_litres)}"
            )
            draft.add(f"{path}.litres_20c", found, "Correct the litres or the tank.")


def _room_at_sites(draft: Draft, sites: Mapping[str, Site]) -> None:
    """Compare all of a liquid at a site with all its tanks, where no single tank is overfull."""
    liquids = draft.by_id(Liquid)
    litres: dict[tuple[str, str], float] = defaultdict(float)
    amounts: list[tuple[str, str, str, float]] = [
        (f"{path}.litres_20c", lot.site, lot.liquid, lot.litres_20c)
        for path, lot in draft.each(Lot)
    ]
    amounts += [
        (
            f"{path}.lpa",
            row.site,
            row.liquid,
            row.lpa * 100.0 / liquids[row.liquid].strength_percent,
        )
        for path, row in draft.each(OpeningStockRow)
        if row.liquid in liquids
    ]
    for path, site_id, liquid, amount in amounts:
        site = sites.get(site_id)
        room = capacity_for(site, liquid) if site is not None else 0.0
        before = litres[site_id, liquid]
        litres[site_id, liquid] = before + amount
        if room > 0.0 and before <= _brim(room) < before + amount:
            found = (
                f"brings {liquid} at {site_id} to {figure(before + amount)} L, where tanks for"
                " it hold"
                f" {figure(room)}"
            )
            draft.add(path, found, "Correct the amounts or the tanks.")


def _on_lane(
    draft: Draft, path: str, row: LoadRow | IssuedLoadRow, lanes: Mapping[str, Lane]
) -> None:
    lane = lanes.get(row.lane)
    if lane is None:
        return
    # A lane that names something unknown may mean this very thing.
    clear = all(_known_liquid(draft, liquid) for liquid in lane.liquids)
    if clear and _known_liquid(draft, row.liquid) and row.liquid not in lane.liquids:
        found = f"is {row.liquid!r}, which lane {lane.id} does not carry"
        mend = f"It carries {listed(list(lane.liquids), MOST_TOLD)}."
        draft.add(f"{path}.liquid", found, mend)
    kinds = [tank.tank_type for tank in lane.tanks]
    known = draft.ids.get("tank_types", set())
    if known.issuperset({row.tank_type, *kinds}) and row.tank_type not in kinds:
        found = f"is {row.tank_type!r}, which lane {lane.id} does not use"
        draft.add(f"{path}.tank_type", found, f"It uses {listed(kinds, MOST_TOLD)}.")


def _load_days(draft: Draft, path: str, load: LoadRow, lanes: Mapping[str, Lane]) -> None:
    if load.state is not LoadState.UNDER_WAY:
        inside_calendar(draft, f"{path}.departs_on", load.departs_on)
        if load.usable_on is not None and not _may_wait(load, lanes.get(load.lane)):
            found = f"is {load.usable_on} for a load that has not left"
            mend = "Leave it empty; the lane says when it can be used."
            draft.add(f"{path}.usable_on", found, mend)
        return
    start = draft.first_day
    if start is not None and load.departs_on >= start:
        found = f"is {load.departs_on}, not before the calendar starts ({start})"
        mend = "A load under way has left; call one that is still to leave frozen or promised."
        draft.add(f"{path}.departs_on", found, mend)
    if load.usable_on is None:
        mend = "Say from which day a load under way can be used."
        draft.add(f"{path}.usable_on", "is empty", mend)
    else:
        _usable(draft, path, load, load.usable_on)


def _may_wait(load: LoadRow, lane: Lane | None) -> bool:
    """Tell whether a frozen load may be told to wait at the receiver in its tank."""
    return load.state is LoadState.FROZEN and (
        lane is None
        or any(one.tank_type == load.tank_type and one.waiting is not None for one in lane.tanks)
    )


def _usable(draft: Draft, path: str, load: LoadRow, usable_on: date) -> None:
    start = draft.first_day
    if usable_on < load.departs_on:
        found = f"is {usable_on}, before it left ({load.departs_on})"
        draft.add(f"{path}.usable_on", found, "Correct one of the two days.")
    elif start is not None and usable_on < start:
        found = f"is {usable_on}, before the calendar starts"
        draft.add(f"{path}.usable_on", found, "Count what has arrived in the opening stock.")


def _load_amount(
    draft: Draft, path: str, load: LoadRow, tank_types: Mapping[str, TankType]
) -> None:
    if load.state is LoadState.PROMISED:
        if load.lpa is not None:
            found = f"is {figure(load.lpa)} for a promised load, whose fill the plan chooses"
            draft.add(f"{path}.lpa", found, "Leave it empty, or call the load frozen.")
        return
    if load.lpa is None or load.lpa == 0.0:
        found = "is empty" if load.lpa is None else "is 0"
        word = "frozen load" if load.state is LoadState.FROZEN else "load under way"
        draft.add(f"{path}.lpa", found, f"A {word} has the LPA that was loaded; give it.")
        return
    tank_type = tank_types.get(load.tank_type)
    if tank_type is not None and load.lpa > tank_type.capacity_litres:
        found = (
            f"is {figure(load.lpa)}, more than a {tank_type.id} holds"
            f" ({figure(tank_type.capacity_litres)} L)"
        )
        draft.add(f"{path}.lpa", found, "Give the litres of pure alcohol of one load.")


def _load_origin(
    draft: Draft,
    path: str,
    load: LoadRow,
    lanes: Mapping[str, Lane],
    suppliers: Mapping[str, Supplier],
) -> None:
    lane = lanes.get(load.lane)
    if lane is None or load.supplier is None or lane.origin not in suppliers:
        return
    if load.supplier in suppliers and load.supplier != lane.origin:
        found = f"is {load.supplier!r}, but lane {lane.id} starts at {lane.origin}"
        draft.add(f"{path}.supplier", found, f"Write {lane.origin}, or leave it empty.")


def _load_duty(
    draft: Draft,
    path: str,
    load: LoadRow,
    lanes: Mapping[str, Lane],
    authorities: Mapping[str, Authority],
) -> None:
    if load.state is not LoadState.UNDER_WAY or load.lane not in lanes:
        return
    for leg in lanes[load.lane].legs:
        authority = authorities.get(leg.authority)
        if authority and min(rate.first_day for rate in authority.rates) > load.departs_on:
            found = f"is {load.departs_on}, when {authority.id} has no rate in force"
            draft.add(f"{path}.departs_on", found, "Add the rate of that day to the authority.")
            return


def _shared_tank(draft: Draft, path: str, load: LoadRow, loads: Mapping[str, LoadRow]) -> None:
    """Check that liquids said to travel in one tank can."""
    if load.in_tank_of is None:
        return
    other = loads.get(load.in_tank_of)
    if load.state is not LoadState.UNDER_WAY:
        found = f"is {load.in_tank_of!r} for a load that has not left"
        mend = "Only loads under way are told liquid by liquid; leave it empty."
        draft.add(f"{path}.in_tank_of", found, mend)
    elif other is not None and (other.in_tank_of is not None or _journey(other) != _journey(load)):
        found = f"is {load.in_tank_of!r}, which is not on the same journey"
        mend = (
            "Name a load under way of the same lane, tank type and days, which names no other"
            " itself."
        )
        draft.add(f"{path}.in_tank_of", found, mend)


def _journey(load: LoadRow) -> tuple[object, ...]:
    return load.lane, load.tank_type, load.state, load.departs_on, load.usable_on
