"""The objective of a plan by part, worked out again from its quantities (eq. 28)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.program.answer import CostBreakdown
from bulkflow.program.build import Maps
from bulkflow.program.build_context import hearts_node, site_node
from bulkflow.program.classes import Commodity
from bulkflow.program.finance import holding_costs
from bulkflow.program.fleets import IssuedKey, issued_key
from bulkflow.program.quantities import Quantities

__all__ = ["cost_breakdown", "unreleased_lpa"]

FloatArray = NDArray[np.float64]


def cost_breakdown(maps: Maps, found: Quantities) -> CostBreakdown:
    """Return what a plan costs, part by part, in the workspace's currency."""
    storage, capital_on_stock = _holding(maps, found)
    loads = maps.loads
    flows = {column.core_lane: found.flow(column.core_lane) for column in loads.columns}
    return CostBreakdown(
        spirit=_sum(found.activity(one.activity) @ one.prices for one in maps.purchases),
        making=_making(maps, found),
        freight=_freight(maps, found, flows),
        handling=storage
        + _sum(flows[one.core_lane] @ one.costs.handling_per_lpa for one in loads.columns)
        + _sum(one.handling for one in loads.fixed),
        capital=capital_on_stock
        + _sum(flows[one.core_lane] @ one.costs.capital_per_lpa for one in loads.columns)
        + _sum(one.capital for one in loads.fixed),
        change=_change(maps, found),
        shortage=_sum(
            found.shortage(group.node, group.name).sum() * group.priority.cost_per_lpa
            for group in maps.demand
        ),
        floors=_sum(
            found.activity(target.activity).sum() * target.cost_per_lpa for target in maps.targets
        ),
        hire=_hire(maps, found),
        sales=_sum(found.activity(one.activity) @ one.price for one in maps.stocks.sales),
    )


def unreleased_lpa(maps: Maps, found: Quantities, site: str, commodity: Commodity) -> FloatArray:
    """Return the LPA vatted and not yet released, or in its check, at the end of each period."""
    total = maps.context.zeros()
    for vatting in maps.making.vattings:
        if (vatting.site, vatting.commodity) == (site, commodity):
            total += found.in_transit(vatting.core_lane)
    for fixed in maps.loads.fixed_arriving(site, commodity):
        total += fixed.checked_lpa(len(total))
    for column in maps.loads.arriving(site, commodity):
        arriving = column.gain * found.flow(column.core_lane)
        for t, days in enumerate(column.calendar.days):
            if days is not None and arriving[t] > 0.0:
                total[days.received_period - 1 : days.usable_period - 1] += arriving[t]
    return total


def _sum(values: object) -> float:
    return float(sum(values))  # type: ignore[call-overload]


def _making(maps: Maps, found: Quantities) -> float:
    making = maps.making
    runs = _sum(found.activity(one.activity) @ one.per_charge for one in making.runs)
    let_down = _sum(
        found.activity(one.activity).sum() * one.recipe.cost_per_lpa_made
        for one in making.let_downs
    )
    judging = _sum(
        found.lots(one.core_lane) @ one.per_lot for one in making.vattings if one.counted
    )
    return runs + let_down + judging + _change_overs(maps, found)


def _change_overs(maps: Maps, found: Quantities) -> float:
    """Return the cost of tank changes: set to a commodity in t-1 and not in t."""
    total = 0.0
    for column in maps.tanks.settings:
        setting = np.rint(found.activity(column.activity))
        left = np.maximum(setting[:-1] - setting[1:], 0.0)
        factors = maps.context.money.factors(maps.context.sites[column.site].currency)
        total += column.tank.change_over_cost * float(left @ factors[1:])
    return total


def _freight(maps: Maps, found: Quantities, flows: dict[str, FloatArray]) -> float:
    by_lpa = _sum(flows[one.core_lane] @ one.costs.freight_per_lpa for one in maps.loads.columns)
    by_load = _sum(
        found.lots(one.core_lane) @ one.costs.per_load
        for one in maps.loads.columns
        if one.compartment_litres is None
    )
    divided = _sum(
        np.rint(found.activity(one.activity)) @ one.per_load for one in maps.loads.counters
    )
    return by_lpa + by_load + divided + _sum(one.freight for one in maps.loads.fixed)


def _hire(maps: Maps, found: Quantities) -> float:
    """Return what tanks cost that wait at their receivers (eq. 33)."""
    whole = _sum(
        found.lots(one.core_lane) @ one.costs.hire
        for one in maps.loads.columns
        if one.compartment_litres is None
    )
    divided = _sum(np.rint(found.activity(one.activity)) @ one.hire for one in maps.loads.counters)
    return whole + divided + _sum(one.hire for one in maps.loads.fixed)


def _holding(maps: Maps, found: Quantities) -> tuple[float, float]:
    """Return storage and capital on what is in stock at the end of each period."""
    context, storage_total, capital_total = maps.context, 0.0, 0.0
    reachability = context.reachability
    for place, commodity in {*reachability.released, *reachability.hearts, *reachability.checked}:
        if place not in context.sites:
            continue
        name = context.name(commodity)
        storage, capital = holding_costs(context, context.sites[place], commodity.liquid)
        held = found.stock(site_node(place), name) + found.stock(hearts_node(place), name)
        held = held + unreleased_lpa(maps, found, place, commodity)
        storage_total += float(held @ storage)
        capital_total += float(held @ capital)
    return storage_total, capital_total


def _change(maps: Maps, found: Quantities) -> float:
    """Return the price of every load more or less than was issued."""
    context = maps.context
    if not context.scenario.issued_loads:
        return 0.0
    sent: dict[IssuedKey, FloatArray] = {key: context.zeros() for key in maps.changes.issued}

    def add(key: IssuedKey, counts: FloatArray) -> None:
        sent[key] = sent.get(key, context.zeros()) + counts

    for column in maps.loads.columns:
        if column.compartment_litres is None:
            key = issued_key(
                context, column.lane.id, column.commodity.liquid, column.tank.tank_type
            )
            add(key, found.lots(column.core_lane))
    for counter in maps.loads.counters:
        key = (counter.lane.id, None, counter.tank.tank_type)
        add(key, np.rint(found.activity(counter.activity)))
    for fixed in maps.loads.fixed:
        if fixed.period >= 1:
            one = context.zeros()
            one[fixed.period - 1] = 1.0
            add(issued_key(context, fixed.lane.id, fixed.row.liquid, fixed.row.tank_type), one)
    changed = sum(
        float(np.abs(counts - maps.changes.issued.get(key, context.zeros())).sum())
        for key, counts in sent.items()
    )
    return context.scenario.change_cost_per_load * changed
