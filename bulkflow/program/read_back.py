"""A core solution read back as a plan: loads one by one, dates, stock, duty, cost by part.

Costs are worked out again from quantities and prices, part by part (eq. 28); `solve` holds their
sum against the core's objective.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.outcome import Solution
from bulkflow.program.answer import (
    DemandServed,
    DutyDue,
    FeintsSale,
    GuaranteeUse,
    InputTaken,
    LetDown,
    Plan,
    PlannedLoad,
    Proof,
    Purchase,
    Run,
    ServedFrom,
    StockLevel,
    TankSetting,
    Vatting,
)
from bulkflow.program.build import Maps, TradeProgram
from bulkflow.program.build_context import hearts_node, site_node
from bulkflow.program.classes import Commodity
from bulkflow.program.costs import cost_breakdown, unreleased_lpa
from bulkflow.program.demand import DemandGroup
from bulkflow.program.load_list import list_loads
from bulkflow.program.quantities import NOTHING_LPA, Quantities

__all__ = ["read_plan"]

FloatArray = NDArray[np.float64]


def read_plan(program: TradeProgram, solution: Solution, proof: Proof) -> Plan:
    """Return the plan that a solution of the program's network stands for."""
    maps = program.maps
    context = maps.context
    found = Quantities(program.network, solution)
    loads = list_loads(maps, found)
    return Plan(
        scenario_name=context.scenario.name,
        currency=context.scenario.currency,
        quarter_periods=context.scenario.calendar.quarter_periods,
        period_starts=tuple(context.periods.first_day(t) for t in context.periods.numbers()),
        loads=loads,
        purchases=_purchases(maps, found),
        runs=_runs(maps, found),
        let_downs=_let_downs(maps, found),
        vattings=_vattings(maps, found),
        stocks=_stocks(maps, found),
        tank_settings=_tank_settings(maps, found),
        demand=_demand(maps, found),
        feints_sales=_sales(maps, found),
        guarantee_use=_guarantee_use(maps, found),
        duty_due=_duty_due(maps, loads),
        costs=cost_breakdown(maps, found),
        proof=proof,
    )


def _periods_with(values: FloatArray) -> list[tuple[int, float]]:
    """Return (period, value) where there is more than nothing."""
    return [(int(t) + 1, float(values[t])) for t in np.flatnonzero(values > NOTHING_LPA)]


def _purchases(maps: Maps, found: Quantities) -> tuple[Purchase, ...]:
    return tuple(
        Purchase(
            column.supplier,
            column.liquid,
            period,
            column.tier,
            lpa,
            float(column.prices[period - 1]),
        )
        for column in maps.purchases
        for period, lpa in _periods_with(found.activity(column.activity))
    )


def _runs(maps: Maps, found: Quantities) -> tuple[Run, ...]:
    return tuple(
        Run(
            site=column.site,
            still=column.still,
            recipe=column.recipe.id,
            period=period,
            charges=charges,
            inputs=tuple(
                InputTaken(c.liquid, c.origin_class, lpa * charges) for c, lpa in column.inputs
            ),
            makes=column.makes.liquid,
            origin_class=column.makes.origin_class,
            hearts_lpa=column.hearts_lpa * charges,
            feints_lpa=column.feints_lpa * charges,
        )
        for column in maps.making.runs
        for period, charges in _periods_with(found.activity(column.activity))
    )


def _let_downs(maps: Maps, found: Quantities) -> tuple[LetDown, ...]:
    return tuple(
        LetDown(
            site=column.site,
            recipe=column.recipe.id,
            period=period,
            inputs=tuple(
                InputTaken(c.liquid, c.origin_class, share * lpa) for c, share in column.inputs
            ),
            makes=column.makes.liquid,
            origin_class=column.makes.origin_class,
            lpa=lpa,
        )
        for column in maps.making.let_downs
        for period, lpa in _periods_with(found.activity(column.activity))
    )


def _vattings(maps: Maps, found: Quantities) -> tuple[Vatting, ...]:
    rows = []
    for column in maps.making.vattings:
        flow = found.flow(column.core_lane)
        lots = found.lots(column.core_lane) if column.counted else (flow > NOTHING_LPA) * 1.0
        rows += [
            Vatting(
                site=column.site,
                liquid=column.commodity.liquid,
                origin_class=column.commodity.origin_class,
                period=int(t) + 1,
                lots=int(lots[t]),
                lpa=float(flow[t]),
                release_period=int(t) + 1 + column.lag,
            )
            for t in np.flatnonzero((lots > 0) | (flow > NOTHING_LPA))
        ]
    return tuple(rows)


def _stocks(maps: Maps, found: Quantities) -> tuple[StockLevel, ...]:
    """Return every commodity that can be stocked at a site, at the ends of periods 0..T."""
    reachability = maps.context.reachability
    places = sorted(
        {
            key
            for key in (*reachability.released, *reachability.hearts, *reachability.checked)
            if key[0] in maps.context.sites
        }
    )
    rows = []
    for site, commodity in places:
        name = maps.context.name(commodity)
        released = found.stock(site_node(site), name)
        hearts = found.stock(hearts_node(site), name)
        unreleased = unreleased_lpa(maps, found, site, commodity)
        opening = maps.stocks.opening.get((site, commodity), 0.0)
        rows.append(StockLevel(site, *commodity, 0, opening, 0.0, 0.0))
        rows += [
            StockLevel(site, *commodity, t + 1, *(float(one[t]) for one in three))
            for three in [(released, hearts, unreleased)]
            for t in range(maps.context.count)
        ]
    return tuple(rows)


def _tank_settings(maps: Maps, found: Quantities) -> tuple[TankSetting, ...]:
    rows = [
        TankSetting(site, tank, t, *commodity, changed=False)
        for (site, tank), commodity in maps.tanks.dedicated.items()
        for t in maps.context.periods.numbers()
    ]
    by_tank: dict[tuple[str, str], dict[int, Commodity]] = {}
    for column in maps.tanks.settings:
        held = by_tank.setdefault((column.site, column.tank.id), {})
        for t, _ in _periods_with(found.activity(column.activity)):
            held[t] = column.commodity
    for (site, tank), held in by_tank.items():
        rows += [
            TankSetting(site, tank, t, *one, changed=t - 1 in held and held[t - 1] != one)
            for t, one in sorted(held.items())
        ]
    return tuple(rows)


def _demand(maps: Maps, found: Quantities) -> tuple[DemandServed, ...]:
    return tuple(row for group in maps.demand for row in _group_rows(group, found))


def _group_rows(group: DemandGroup, found: Quantities) -> list[DemandServed]:
    short = found.shortage(group.node, group.name)
    before = np.concatenate([[0.0], short[:-1]])
    served = group.lpa - short + (before if group.priority.unmet == "carried" else 0.0)
    by_outlet = {
        outlet.commodity.origin_class: (
            served if outlet.kind == "node" else found.outlet(outlet.kind, outlet.ref)
        )
        for outlet in group.outlets
    }
    rows = []
    for t, asked in enumerate(group.lpa):
        parts = tuple(
            ServedFrom(origin_class, float(lpa[t]))
            for origin_class, lpa in by_outlet.items()
            if lpa[t] > NOTHING_LPA
        )
        if asked > 0 or parts or short[t] > NOTHING_LPA:
            rows.append(
                DemandServed(
                    site=group.site,
                    liquid=group.liquid,
                    market=group.market,
                    priority=group.priority.id,
                    period=t + 1,
                    demand_lpa=float(asked),
                    served=parts,
                    open_lpa=float(short[t]),
                )
            )
    return rows


def _sales(maps: Maps, found: Quantities) -> tuple[FeintsSale, ...]:
    return tuple(
        FeintsSale(column.site, *column.commodity, period, lpa)
        for column in maps.stocks.sales
        for period, lpa in _periods_with(found.activity(column.activity))
    )


def _guarantee_use(maps: Maps, found: Quantities) -> tuple[GuaranteeUse, ...]:
    book = maps.guarantees
    rows = []
    for guarantee, limit in book.limits.items():
        used = book.fixed[guarantee].copy()
        for column, weights in book.moving.get(guarantee, []):
            flow = found.flow(column.core_lane)
            for lag, weight in enumerate(weights):
                used[lag:] += (weight * flow)[: len(used) - lag]
        for stored in book.stored.get(guarantee, []):
            name = maps.context.name(stored.commodity)
            held = found.stock(site_node(stored.site), name)
            held = held + found.stock(hearts_node(stored.site), name)
            held = held + unreleased_lpa(maps, found, stored.site, stored.commodity)
            used += stored.per_lpa * held
        rows += [
            GuaranteeUse(guarantee, t, float(used[t - 1]), float(limit[t - 1]))
            for t in maps.context.periods.numbers()
        ]
    return tuple(rows)


def _duty_due(maps: Maps, loads: tuple[PlannedLoad, ...]) -> tuple[DutyDue, ...]:
    """Return the duty falling due on arrivals within the horizon (eq. 29)."""
    context = maps.context
    authorities = {one.id: one for one in context.scenario.authorities}
    rows = []
    for load in loads:
        site = context.sites[load.destination]
        paid = site.duty_status == "paid" and site.authority is not None
        if not paid:
            continue
        authority = authorities[site.authority or ""]
        kept = 1.0 - context.lanes[load.lane].transit_loss_percent / 100.0
        arriving: dict[str, float] = defaultdict(float)
        for part in load.parts:
            arriving[part.liquid] += part.lpa * kept
        lane_days = context.lane_days[load.lane]
        for liquid, lpa in arriving.items():
            checked = lane_days.check_days(liquid) > 0
            period = context.periods.from_day(load.discharge_day if checked else load.usable_day)
            if period > context.count:
                continue
            duty = context.money.duty_in(
                authority.id, context.liquids[liquid], load.discharge_day, period
            )
            rows.append(
                DutyDue(
                    site=site.id,
                    load_id=load.load_id,
                    liquid=liquid,
                    period=period,
                    lpa=lpa,
                    amount=lpa * duty,
                    payable_on=load.discharge_day + timedelta(days=authority.payment_lag_days),
                )
            )
    return tuple(rows)
