"""A plan made before, as a start for planning again: its whole numbers in the new program.

What its loads carry, and the prices of its proof, go with them as hints. Amounts are otherwise
left to the solver, which finds the best ones for these whole numbers; where the plan no longer
fits, the solver sets it aside.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.outcome import Solution
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.program.build import Maps, TradeProgram
from bulkflow.program.making import still_hours
from bulkflow.scenario.model import Site, Still

__all__ = ["start_solution"]

FloatArray = NDArray[np.float64]


def start_solution(program: TradeProgram, plan: Plan) -> Solution:
    """Return the whole numbers of a plan in a program, of the same scenario or a later one.

    Periods are matched by their first days, so a plan made a week ago counts from its second
    week. What has no place in the program is left out.
    """
    maps = program.maps
    shift = _Shift(maps, plan)
    vehicles = {
        lane.id: maps.context.zeros() for lane in program.network.lanes if lane.vehicle is not None
    }
    activity = {one.id: maps.context.zeros() for one in program.network.activities if one.integer}
    sent = {column.core_lane: maps.context.zeros() for column in maps.loads.columns}
    _put_loads(maps, plan, shift, vehicles, activity, sent)
    _put_vattings(maps, plan, shift, vehicles)
    _put_runs(maps, plan, shift, activity)
    _put_tanks(maps, plan, shift, activity)
    _put_tiers(maps, plan, shift, activity)
    _put_orders(maps, plan, shift, activity)
    return Solution(
        vehicles=vehicles,
        activity=activity,
        flow=_flows(program, sent),
        prices=_prices(plan, shift),
    )


def _prices(plan: Plan, shift: _Shift) -> dict[tuple[str, str, str], FloatArray]:
    """Return the prices of a plan's proof in the program's periods.

    A period that the plan did not have takes the price of the last one before it: any prices
    prove a bound, and these are near.
    """
    found: dict[tuple[str, str, str], FloatArray] = {}
    for one in plan.proof.prices:
        values = np.full(shift.count + 1, np.nan)
        for number, price in enumerate(one.by_period, start=1):
            index = shift.index(number)
            if index is not None:
                values[index] = price
        last = 0.0
        for index in range(shift.count):
            last = values[index] = last if np.isnan(values[index]) else values[index]
        values[-1] = one.over_horizon
        found[one.rule, one.ref, one.commodity] = values
    return found


class _Shift:
    """Turns the periods of a plan into those of the program."""

    def __init__(self, maps: Maps, plan: Plan) -> None:
        periods = maps.context.periods
        self._of = {
            number: periods.holding(first) for number, first in enumerate(plan.period_starts, 1)
        }
        self.count = periods.count

    def index(self, period: int) -> int | None:
        """Return the place of a period in arrays, None where the program has no such period."""
        found = self._of.get(period, 0)
        return found - 1 if 1 <= found <= self.count else None


Arrays = dict[str, FloatArray]


def _add(arrays: Arrays, key: str, index: int | None, amount: float) -> None:
    if index is not None and key in arrays:
        arrays[key][index] += amount


def _flows(program: TradeProgram, sent: Arrays) -> Arrays:
    """Return what lanes of loads carry, by commodity of the network and period."""
    network = program.network
    place = {name: number for number, name in enumerate(network.commodities)}
    found: Arrays = {}
    for lane in network.lanes:
        if lane.id in sent and lane.commodities is not None:
            (name,) = lane.commodities
            found[lane.id] = np.full((len(place), len(sent[lane.id])), np.nan)
            found[lane.id][place[name]] = sent[lane.id]
    return found


def _put_loads(
    maps: Maps, plan: Plan, shift: _Shift, vehicles: Arrays, activity: Arrays, sent: Arrays
) -> None:
    lanes = {
        (
            column.lane.id,
            column.tank.tank_type,
            column.commodity.liquid,
            column.commodity.origin_class,
            column.compartment_litres,
            column.wait,
        ): column.core_lane
        for column in maps.loads.columns
    }
    counters = {
        (one.lane.id, one.tank.tank_type, one.wait): one.activity for one in maps.loads.counters
    }
    for load in plan.loads:
        if load.kind not in (LoadKind.PLANNED, LoadKind.PROMISED):
            continue
        index, key = shift.index(load.period), (load.lane, load.tank_type)
        counter = counters.get((*key, load.waits_periods))
        if counter is not None:
            _add(activity, counter, index, 1.0)
        for part in load.parts:
            size = None if counter is None else part.capacity_litres
            lane = lanes.get((*key, part.liquid, part.origin_class, size, load.waits_periods))
            if lane is not None:
                _add(vehicles, lane, index, 1.0)
                _add(sent, lane, index, part.lpa)


def _put_vattings(maps: Maps, plan: Plan, shift: _Shift, vehicles: Arrays) -> None:
    lanes = {(one.site, *one.commodity): one.core_lane for one in maps.making.vattings}
    for row in plan.vattings:
        lane = lanes.get((row.site, row.liquid, row.origin_class))
        if lane is not None:
            _add(vehicles, lane, shift.index(row.period), float(row.lots))


def _put_runs(maps: Maps, plan: Plan, shift: _Shift, activity: Arrays) -> None:
    columns = {
        (one.still, one.site, one.recipe.id, tuple((*c,) for c, _ in one.inputs)): one.activity
        for one in maps.making.runs
    }
    running: dict[tuple[str, str], dict[str, FloatArray]] = defaultdict(dict)
    for row in plan.runs:
        index = shift.index(row.period)
        inputs = tuple((liquid, origin) for liquid, origin, _ in row.inputs)
        name = columns.get((row.still, row.site, row.recipe, inputs))
        if index is None or name is None:
            continue
        _add(activity, name, index, row.charges)
        charges = running[row.site, row.still].setdefault(row.recipe, maps.context.zeros())
        charges[index] += row.charges
    for site in maps.context.scenario.sites:
        for still in site.stills:
            _put_settings(maps, site, still, running[site.id, still.id], activity)


def _put_settings(
    maps: Maps, site: Site, still: Still, charges: dict[str, FloatArray], activity: Arrays
) -> None:
    """Say which recipes run (U), and choose what the still stays set to (K) (eq. 8)."""
    runs = {name: one > 0 for name, one in charges.items()}
    for recipe, running in runs.items():
        key = f"runs {site.id}/{still.id}/{recipe}"
        if key in activity:
            activity[key] += running
    if not any(f"stays set {site.id}/{still.id}/{recipe}" in activity for recipe in runs):
        return
    used = sum(charges.values(), maps.context.zeros()) * still.hours_per_charge
    spare = still_hours(maps.context, site, still) - used
    for index, chosen in enumerate(_choose_settings(still, runs, spare)):
        if chosen is not None:
            _add(activity, f"stays set {site.id}/{still.id}/{chosen}", index, 1.0)


def _choose_settings(
    still: Still, runs: dict[str, NDArray[np.bool_]], spare: FloatArray
) -> list[str | None]:
    """Choose what a still stays set to into each period: as often as can be.

    A period whose spare hours do not allow every cleaning weighs more than all others together.
    Worked forward over (what it stays set to); each state keeps its best history.
    """
    weight_needed = float(len(spare) + 1)
    best: dict[str | None, tuple[float, list[str | None]]] = {None: (0.0, [])}
    for t in range(len(spare)):
        now = [recipe for recipe, running in runs.items() if running[t]]
        needed = still.cleaning_hours * len(now) > spare[t] + 1e-9
        step: dict[str | None, tuple[float, list[str | None]]] = {}
        for chosen in (None, *now):
            if chosen is not None and not _was_set(still, runs, chosen, t):
                continue
            gain = 0.0 if chosen is None else weight_needed if needed else 1.0
            for before, (score, history) in best.items():
                if chosen is not None and before == chosen and _others_ran(runs, chosen, t - 1):
                    continue
                if chosen not in step or score + gain > step[chosen][0]:
                    step[chosen] = (score + gain, [*history, chosen])
        best = step
    return max(best.values(), key=lambda one: one[0])[1]


def _was_set(still: Still, runs: dict[str, NDArray[np.bool_]], recipe: str, t: int) -> bool:
    return still.last_recipe == recipe if t == 0 else bool(runs[recipe][t - 1])


def _others_ran(runs: dict[str, NDArray[np.bool_]], recipe: str, t: int) -> bool:
    return t >= 0 and any(running[t] for other, running in runs.items() if other != recipe)


def _put_tanks(maps: Maps, plan: Plan, shift: _Shift, activity: Arrays) -> None:
    columns = {(one.site, one.tank.id, *one.commodity): one.activity for one in maps.tanks.settings}
    for row in plan.tank_settings:
        name = columns.get((row.site, row.tank, row.liquid, row.origin_class))
        if name is not None:
            _add(activity, name, shift.index(row.period), 1.0)


def _put_tiers(maps: Maps, plan: Plan, shift: _Shift, activity: Arrays) -> None:
    """Open a tier wherever the plan bought in a later one."""
    bought: dict[tuple[str, str], int] = defaultdict(int)
    for row in plan.purchases:
        if shift.index(row.period) is not None:
            key = (row.supplier, row.liquid)
            bought[key] = max(bought[key], row.tier)
    for column in maps.purchases:
        name = f"{column.activity} is full"
        if column.tier < bought[column.supplier, column.liquid]:
            _add(activity, name, 0, 1.0)


def _put_orders(maps: Maps, plan: Plan, shift: _Shift, activity: Arrays) -> None:
    """Order wherever the plan bought."""
    ordered = {
        (row.supplier, row.liquid, index)
        for row in plan.purchases
        if (index := shift.index(row.period)) is not None
    }
    for column in maps.orders:
        for supplier, liquid, index in ordered:
            if (column.supplier, column.liquid) == (supplier, liquid):
                _add(activity, column.activity, index, 1.0)
