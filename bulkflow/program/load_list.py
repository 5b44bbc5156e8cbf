"""Loads one by one: what the program counts by lane and period, shared out over whole tanks."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from bulkflow.program.answer import CargoPart, LoadKind, PlannedLoad, free_load_name
from bulkflow.program.build import Maps
from bulkflow.program.calendar import LoadDays
from bulkflow.program.classes import Commodity
from bulkflow.program.loads import FixedLoad, LoadColumn, LoadCounter, compartment_sizes
from bulkflow.program.quantities import Quantities
from bulkflow.scenario.model import Lane, LoadRow, LoadState

__all__ = ["list_loads"]


@dataclass(slots=True)
class _Tank:
    """One load before it has a name."""

    lane: Lane
    tank_type: str
    period: int
    days: LoadDays
    parts: list[CargoPart] = field(default_factory=list)


def list_loads(maps: Maps, found: Quantities) -> tuple[PlannedLoad, ...]:
    """Return every load, by day of loading, lane and number.

    Loads of one lane, tank type, commodity and period carry the same LPA each. Those that were
    promised keep their names.
    """
    tanks = [
        tank
        for column in maps.loads.columns
        if column.compartment_litres is None
        for tank in _whole_tanks(maps, found, column)
    ]
    for counter in maps.loads.counters:
        tanks += _divided_tanks(maps, found, counter)
    loads = _named(maps, tanks)
    loads += [_fixed(maps, one) for one in maps.loads.fixed]
    return tuple(sorted(loads, key=lambda one: (one.loading_day, one.lane, one.load_id)))


def _part(maps: Maps, commodity: Commodity, lpa: float, capacity_litres: float) -> CargoPart:
    litres = lpa / maps.context.lpa_per_litre(commodity.liquid)
    return CargoPart(*commodity, lpa, litres, capacity_litres)


def _sent(by: LoadColumn | LoadCounter, period: int) -> LoadDays:
    days = by.calendar.days[period - 1]
    if days is None:
        raise ValueError(f"a load leaves on lane {by.lane.id} in period {period}, where none may")
    return days


def _whole_tanks(maps: Maps, found: Quantities, column: LoadColumn) -> list[_Tank]:
    capacity = maps.context.tank_types[column.tank.tank_type].capacity_litres
    flow, loads = found.flow(column.core_lane), found.lots(column.core_lane)
    tanks = []
    for t, number in enumerate(loads.astype(int).tolist(), 1):
        for _ in range(number):
            part = _part(maps, column.commodity, float(flow[t - 1]) / number, capacity)
            days = _sent(column, t)
            tanks.append(_Tank(column.lane, column.tank.tank_type, t, days, [part]))
    return tanks


def _divided_tanks(maps: Maps, found: Quantities, counter: LoadCounter) -> list[_Tank]:
    """Share filled compartments out over loads: always to the load with fewest filled so far.

    A load with none filled has every compartment free, so none stays empty while there are at
    least as many filled compartments as loads.
    """
    lane, tank_type = counter.lane, counter.tank.tank_type
    free = compartment_sizes(maps.context.tank_types[tank_type])
    columns = [one for one in maps.loads.carrying(lane.id, tank_type) if one.wait == counter.wait]
    tanks: list[_Tank] = []
    for t in maps.context.periods.numbers():
        number = round(float(found.activity(counter.activity)[t - 1]))
        if number == 0:
            continue
        here = [_Tank(lane, tank_type, t, _sent(counter, t)) for _ in range(number)]
        room = [Counter(free) for _ in here]
        for column in columns:
            size = column.compartment_litres or 0.0
            filled = int(found.lots(column.core_lane)[t - 1])
            for _ in range(filled):
                chosen = min(
                    (one for one in range(number) if room[one][size] > 0),
                    key=lambda one: (len(here[one].parts), one),
                )
                room[chosen][size] -= 1
                lpa = float(found.flow(column.core_lane)[t - 1]) / filled
                here[chosen].parts.append(_part(maps, column.commodity, lpa, size))
        tanks += here
    return tanks


def _named(maps: Maps, tanks: list[_Tank]) -> list[PlannedLoad]:
    """Name loads by lane, loading day and number; promised loads keep their names."""
    promised: dict[tuple[str, str, int, str], list[LoadRow]] = {}
    for row in maps.context.scenario.loads:
        if row.state is LoadState.PROMISED:
            period = maps.context.periods.holding(row.departs_on)
            promised.setdefault((row.lane, row.tank_type, period, row.liquid), []).append(row)
    taken = {row.load_id for row in maps.context.scenario.loads}
    loads = []
    for tank in tanks:
        kept = _take_promised(promised, tank)
        if kept is not None:
            loads.append(_load(tank, kept.load_id, LoadKind.PROMISED))
            continue
        name = free_load_name(tank.lane.id, tank.days.loading, taken)
        taken.add(name)
        loads.append(_load(tank, name, LoadKind.PLANNED))
    return loads


def _take_promised(
    promised: dict[tuple[str, str, int, str], list[LoadRow]], tank: _Tank
) -> LoadRow | None:
    for liquid in dict.fromkeys(part.liquid for part in tank.parts):
        rows = promised.get((tank.lane.id, tank.tank_type, tank.period, liquid))
        if rows:
            return rows.pop(0)
    return None


def _load(tank: _Tank, load_id: str, kind: LoadKind) -> PlannedLoad:
    days = tank.days
    return PlannedLoad(
        load_id=load_id,
        lane=tank.lane.id,
        origin=tank.lane.origin,
        destination=tank.lane.destination,
        tank_type=tank.tank_type,
        kind=kind,
        period=tank.period,
        loading_day=days.loading,
        leaving_day=days.leaving,
        arrival_day=days.arrival,
        discharge_day=days.discharge,
        usable_day=days.usable,
        usable_period=days.usable_period,
        parts=tuple(tank.parts),
        waits_periods=days.wait,
    )


def _fixed(maps: Maps, fixed: FixedLoad) -> PlannedLoad:
    capacity = maps.context.tank_types[fixed.row.tank_type].capacity_litres
    part = _part(maps, fixed.commodity, fixed.lpa, capacity)
    tank = _Tank(fixed.lane, fixed.row.tank_type, fixed.period, fixed.days, [part])
    frozen = fixed.row.state is LoadState.FROZEN
    return _load(tank, fixed.row.load_id, LoadKind.FROZEN if frozen else LoadKind.UNDER_WAY)
