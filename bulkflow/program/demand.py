"""Demand by site, liquid, market and priority: where it is served from, and what falls short.

Owns eqs. 23 and 24. Demand stands on the site's own node where one class of the liquid serves one
market at one priority; the core then sees stock, demand and inbound loads together. Other demand
gets a node of its own, fed from the classes its market does not bar.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core import network as core
from bulkflow.core.network import Effect
from bulkflow.program.build_context import BuildContext, site_node
from bulkflow.program.classes import Commodity, markets_barring, recipes_at
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.scenario.lookup import (
    demand_liquid,
    demand_lpa,
    demand_market,
    demand_priority,
)
from bulkflow.scenario.model import Priority

__all__ = ["DemandGroup", "Outlet", "add_demand", "mean_demand", "mean_use"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Outlet:
    """A way to serve a demand from a class: a lane or an activity of the core, or its own node."""

    kind: str  # "lane", "activity", or "node" where the demand stands on the site's node
    ref: str
    commodity: Commodity


@dataclass(frozen=True, slots=True)
class DemandGroup:
    """The demand of a site, liquid, market and priority.

    Parameters
    ----------
    node, name : node and commodity of the core where it falls short.
    lpa : asked for by period, (T,).
    rows : (period, number of the row in the scenario's demand).
    """

    site: str
    liquid: str
    market: str
    priority: Priority
    lpa: FloatArray
    node: str
    name: str
    outlets: tuple[Outlet, ...]
    label: Label
    rows: tuple[tuple[int, int], ...]

    def label_in(self, periods: Collection[int]) -> Label:
        """Return the label with the rows of some periods only."""
        refs = tuple(f"demand[{row}]" for period, row in self.rows if period in periods)
        return replace(self.label, refs=refs)


@dataclass(frozen=True, slots=True)
class _Asked:
    """Demand before it has a place in the core."""

    site: str
    liquid: str
    market: str
    priority: Priority
    lpa: FloatArray
    servers: tuple[Commodity, ...]
    rows: tuple[tuple[int, int], ...]


def add_demand(context: BuildContext, builder: NetworkBuilder) -> list[DemandGroup]:
    """Add all demand inside the horizon."""
    asked = _collect(context)
    on_node = _standing_on_site(context, asked)
    groups = []
    for number, one in enumerate(asked):
        if number in on_node:
            groups.append(_on_site_node(context, builder, one))
        else:
            groups.append(_on_own_node(context, builder, one))
    return groups


def mean_demand(context: BuildContext) -> dict[tuple[str, str], float]:
    """Return the mean demand a period, by site and liquid."""
    mean: dict[tuple[str, str], float] = {}
    for one in _collect(context):
        key = (one.site, one.liquid)
        mean[key] = mean.get(key, 0.0) + float(one.lpa.sum()) / context.count
    return mean


def mean_use(
    context: BuildContext,
    mean: Mapping[tuple[str, str], float],
    site: str,
    liquid: str,
    seen: frozenset[tuple[str, str]] = frozenset(),
) -> float:
    """Return G, the LPA of a site's liquid that demand uses a period at its mean (eq. 15)."""
    if (site, liquid) in seen:
        return 0.0
    seen |= {(site, liquid)}
    use = mean.get((site, liquid), 0.0)
    for lane in context.scenario.lanes:
        if lane.origin == site and liquid in lane.liquids:
            use += mean_use(context, mean, lane.destination, liquid, seen)
    for recipe in recipes_at(context.scenario, context.sites[site]):
        distilled = (recipe.hearts_percent_of_lpa or 0.0) / 100.0
        gives = distilled if recipe.method == "distil" else 1.0 - recipe.loss_percent / 100.0
        for one in recipe.inputs:
            if one.liquid == liquid and gives > 0:
                made = mean_use(context, mean, site, recipe.makes, seen)
                use += made * one.share_percent_of_lpa / 100.0 / gives
    return use


def _collect(context: BuildContext) -> list[_Asked]:
    """Add up the rows of every group."""
    products = {product.id: product for product in context.scenario.products}
    priorities = {priority.id: priority for priority in context.scenario.priorities}
    amounts: dict[tuple[str, str, str, str], FloatArray] = {}
    rows: dict[tuple[str, str, str, str], list[tuple[int, int]]] = {}
    for number, row in enumerate(context.scenario.demand):
        period = context.periods.holding(row.period_start)
        liquid, lpa = demand_liquid(row, products), demand_lpa(row, products)
        if not 1 <= period <= context.count or lpa == 0:
            continue
        market = demand_market(row, context.sites) or ""
        key = (row.site, liquid, market, demand_priority(row, context.scenario.priorities))
        amounts.setdefault(key, context.zeros())[period - 1] += lpa
        rows.setdefault(key, []).append((period, number))
    return [
        _Asked(
            site,
            liquid,
            market,
            priorities[priority],
            lpa,
            tuple(
                commodity
                for commodity in context.reachability.classes_at(site, liquid)
                if market not in markets_barring(commodity.origin_class)
            ),
            tuple(rows[site, liquid, market, priority]),
        )
        for (site, liquid, market, priority), lpa in amounts.items()
    ]


def _standing_on_site(context: BuildContext, asked: list[_Asked]) -> set[int]:
    """Return which demand can stand on its site's node.

    A node carries unmet demand over, or loses it, alike for all its liquids: the way of the
    larger demand decides, the other gets nodes of its own.
    """
    fit = []
    for number, one in enumerate(asked):
        rivals = [two for two in asked if (two.site, two.liquid) == (one.site, one.liquid)]
        classes = context.reachability.classes_at(one.site, one.liquid)
        if len(rivals) == 1 and len(classes) == 1 and len(one.servers) == 1:
            fit.append(number)
    chosen: set[int] = set()
    for site in {asked[number].site for number in fit}:
        here = [number for number in fit if asked[number].site == site]
        totals = {"carried": 0.0, "lost": 0.0}
        for number in here:
            totals[asked[number].priority.unmet] += float(asked[number].lpa.sum())
        way = max(totals, key=lambda one: totals[one])
        chosen.update(number for number in here if asked[number].priority.unmet == way)
    return chosen


def _label(one: _Asked) -> Label:
    market = f" for market {one.market}" if one.market else ""
    words = f"demand for {one.liquid} at {one.site}{market} ({one.priority.id})"
    return Label(words, tuple(f"demand[{row}]" for _, row in one.rows), 23)


def _place(
    context: BuildContext,
    builder: NetworkBuilder,
    one: _Asked,
    node: str,
    name: str,
    outlets: Iterable[Outlet],
) -> DemandGroup:
    draft = builder.node(node)
    draft.demand[name] = one.lpa
    draft.shortage_cost[name] = np.full(context.count, one.priority.cost_per_lpa)
    draft.shortage = one.priority.unmet
    return DemandGroup(
        one.site,
        one.liquid,
        one.market,
        one.priority,
        one.lpa,
        node,
        name,
        tuple(outlets),
        _label(one),
        one.rows,
    )


def _on_site_node(context: BuildContext, builder: NetworkBuilder, one: _Asked) -> DemandGroup:
    (server,) = one.servers
    node, name = site_node(one.site), context.name(server)
    return _place(context, builder, one, node, name, [Outlet("node", node, server)])


def _on_own_node(context: BuildContext, builder: NetworkBuilder, one: _Asked) -> DemandGroup:
    """Give demand a node; several classes reach it as one commodity."""
    node = f"demand {one.site}/{one.liquid}/{one.market}/{one.priority.id}"
    label = _label(one)
    builder.node(node, label)
    if not one.servers:
        return _place(context, builder, one, node, context.any_name(one.liquid), [])
    name = context.name(one.servers[0])
    outlets = []
    for server in one.servers:
        ref = f"serve {node}/{server.origin_class}"
        if len(one.servers) == 1:
            builder.add_lane(core.Lane(ref, site_node(one.site), node, commodities=(name,)), label)
            outlets.append(Outlet("lane", ref, server))
            continue
        effects = [
            Effect(site_node(one.site), context.name(server), -1.0),
            Effect(node, name, 1.0),
        ]
        builder.add_activity(ref, label, effects=effects)
        outlets.append(Outlet("activity", ref, server))
    return _place(context, builder, one, node, name, outlets)
