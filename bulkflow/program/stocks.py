"""Stock of every site: opening, costs of holding, floors, closing targets, shelf life, feints sold.

Owns eqs. 1, 2, 25 to 27, what is first there and then used (eq. 7), and the holding part of eq. 28.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Effect, Term
from bulkflow.program.build_context import BuildContext, site_node
from bulkflow.program.classes import Commodity, lot_entry_period
from bulkflow.program.demand import DemandGroup
from bulkflow.program.finance import holding_costs
from bulkflow.program.loads import LoadBook, arriving_terms
from bulkflow.program.making import LetDownColumn, Making, RunColumn
from bulkflow.program.network_builder import Label, NetworkBuilder, steady_amount
from bulkflow.program.tanks import opening_stock
from bulkflow.scenario.model import StockPolicy

__all__ = [
    "SaleColumn",
    "SoftTarget",
    "StockBook",
    "add_first_there",
    "add_shelf_life",
    "add_stocks",
    "add_targets",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SaleColumn:
    """Feints sold at a site: an activity of the core; price in the workspace's currency, (T,)."""

    activity: str
    site: str
    commodity: Commodity
    price: FloatArray


@dataclass(frozen=True, slots=True)
class SoftTarget:
    """LPA short of a floor or closing target, or past their life: an activity of the core."""

    activity: str
    cost_per_lpa: float


@dataclass(slots=True)
class StockBook:
    """Opening stock and sales."""

    opening: dict[tuple[str, Commodity], float] = field(default_factory=dict)
    sales: list[SaleColumn] = field(default_factory=list)


def add_stocks(context: BuildContext, builder: NetworkBuilder) -> StockBook:
    """Add every site's node with its opening stock, its lots and its cost of holding."""
    book = StockBook()
    for site in context.scenario.sites:
        label = Label(f"stock at {site.id}", (f"sites[{site.id}]",), 1)
        node = builder.node(site_node(site.id), label)
        node.stocked = True
        for commodity, lpa in opening_stock(context, site.id).items():
            node.initial[context.name(commodity)] = lpa
            book.opening[site.id, commodity] = lpa
        for where, commodity in sorted(context.reachability.released):
            if where == site.id:
                storage, capital = holding_costs(context, site, commodity.liquid)
                node.holding[context.name(commodity)] = storage + capital
        if site.feints_sale_price_per_lpa is not None:
            price = site.feints_sale_price_per_lpa * context.money.factors(site.currency)
            book.sales += _add_sales(context, builder, site.id, price)
    for lot in context.scenario.lots:
        entry = lot_entry_period(context.periods, lot)
        if entry:
            name = context.name(context.classes.of_lot(lot))
            builder.add_supply(site_node(lot.site), name, entry, lot.lpa)
    return book


def _add_sales(
    context: BuildContext, builder: NetworkBuilder, site: str, price: FloatArray
) -> list[SaleColumn]:
    columns = []
    for where, commodity in sorted(context.reachability.released):
        if where != site or context.liquids[commodity.liquid].kind != "feints":
            continue
        name = context.name(commodity)
        activity = f"sell {site}/{name}"
        builder.add_activity(
            activity,
            Label(f"feints sold at {site}", (f"sites[{site}]",), 1),
            effects=[Effect(site_node(site), name, -1.0)],
            cost=-price,
        )
        columns.append(SaleColumn(activity, site, commodity, price))
    return columns


def add_first_there(
    context: BuildContext, builder: NetworkBuilder, making: Making, loads: LoadBook
) -> None:
    """Let what a site makes in a period be loaded, or made into something else, from the next on.

    Needed only for what enters released stock as it is made (eq. 7); all else is there before.
    """
    makers: list[RunColumn | LetDownColumn] = [*making.runs, *making.let_downs]
    made = {(one.site, one.makes) for one in makers if context.sites[one.site].release is None}
    for run in making.runs:
        if run.feints is not None:
            made.add((run.site, run.feints))
    for site, commodity in sorted(made & context.reachability.inflow.keys()):
        name, node = context.name(commodity), site_node(site)
        used = [
            Term("flow", column.core_lane)
            for column in loads.columns
            if (column.lane.origin, column.commodity) == (site, commodity)
        ]
        used += [
            Term("activity", one.activity, lpa)
            for one in makers
            if one.site == site
            for taken, lpa in one.inputs
            if taken == commodity
        ]
        used += [
            Term("activity", f"frozen {one.row.load_id}", one.lpa)
            for one in loads.fixed
            if one.period >= 1 and (one.lane.origin, one.commodity) == (site, commodity)
        ]
        if not used:
            continue
        there = [Term("stock", node, -1.0, name, 1, 1)]
        there += [
            replace(term, times=(-np.asarray(term.times)).tolist())
            for column in loads.columns
            if (column.lane.destination, column.arrives) == (site, commodity)
            for term in arriving_terms(column)
        ]
        there += [
            Term("flow", one.core_lane, -1.0, lag_first=one.lag, lag_last=one.lag)
            for one in making.vattings
            if (one.site, one.commodity) == (site, commodity)
        ]
        given = builder.node(node).supply.get(name, context.zeros()).copy()
        given[0] += builder.node(node).initial.get(name, 0.0)
        builder.add_limit(
            f"first there {site}/{name}",
            Label(
                f"{commodity.liquid} at {site} loaded or used before it is made",
                (f"sites[{site}]",), 7, structural=True,
            ),
            [*used, *there],
            at_most=given,
        )  # fmt: skip


def add_targets(
    context: BuildContext, builder: NetworkBuilder, loads: LoadBook, groups: Sequence[DemandGroup]
) -> list[SoftTarget]:
    """Add floors and closing targets (eqs. 25, 26)."""
    targets = []
    for number, policy in enumerate(context.scenario.stock_policies):
        refs = (f"stock_policies[{number}]",)
        held = [
            Term("stock", site_node(policy.site), commodity=context.name(commodity))
            for commodity in context.reachability.classes_at(policy.site, policy.liquid)
        ]
        if policy.floor_lpa > 0 and policy.floor_cost_per_lpa_per_period > 0:
            targets.append(_add_floor(builder, policy, held, refs))
        if policy.closing_lpa > 0 and policy.closing_cost_per_lpa > 0:
            targets.append(_add_closing(context, builder, loads, groups, policy, held, refs))
    return targets


def _add_floor(
    builder: NetworkBuilder, policy: StockPolicy, held: Sequence[Term], refs: tuple[str, ...]
) -> SoftTarget:
    name = f"below floor {policy.site}/{policy.liquid}"
    label = Label(f"floor of {policy.liquid} at {policy.site}", refs, 25)
    cost = policy.floor_cost_per_lpa_per_period
    builder.add_activity(name, label, upper=policy.floor_lpa, cost=cost)
    builder.add_limit(name, label, [*held, Term("activity", name)], at_least=policy.floor_lpa)
    return SoftTarget(name, cost)


def _add_closing(
    context: BuildContext,
    builder: NetworkBuilder,
    loads: LoadBook,
    groups: Sequence[DemandGroup],
    policy: StockPolicy,
    held: Sequence[Term],
    refs: tuple[str, ...],
) -> SoftTarget:
    name = f"below closing {policy.site}/{policy.liquid}"
    label = Label(f"closing target of {policy.liquid} at {policy.site}", refs, 26)
    owing = [
        one
        for one in groups
        if (one.site, one.liquid) == (policy.site, policy.liquid)
        and one.priority.unmet == "carried"
    ]
    at_end = np.zeros(context.count)
    at_end[-1] = policy.closing_lpa + sum(float(one.lpa.sum()) for one in owing)
    builder.add_activity(name, label, upper=at_end, cost=policy.closing_cost_per_lpa)
    on_the_way = [
        Term("in_transit", column.core_lane, column.gain)
        for column in loads.columns
        if column.lane.destination == policy.site and column.commodity.liquid == policy.liquid
    ]
    coming = sum(
        one.arriving_lpa
        for one in loads.fixed
        if one.lane.destination == policy.site
        and one.commodity.liquid == policy.liquid
        and one.days.usable_period > context.count
    )
    owed = [Term("shortage", one.node, -1.0, one.name) for one in owing]
    builder.add_limit(
        name,
        label,
        [*held, *on_the_way, *owed, Term("activity", name)],
        at_least=policy.closing_lpa - coming,
        periods=[context.count],
    )
    return SoftTarget(name, policy.closing_cost_per_lpa)


def add_shelf_life(
    context: BuildContext, builder: NetworkBuilder, groups: Sequence[DemandGroup]
) -> list[SoftTarget]:
    """Let stock leave within its shelf life, or price what does not (eq. 27).

    Comes last: it reads what can leave.
    """
    targets = []
    for where, commodity in sorted(context.reachability.released):
        liquid = context.liquids[commodity.liquid]
        if where not in context.sites or liquid.shelf_life_days is None:
            continue
        window = liquid.shelf_life_days // context.periods.days
        periods = range(1, context.count - window + 1)
        if not periods:
            continue
        soft = []
        if liquid.past_life_cost_per_lpa is not None:
            name = f"past its life {where}/{context.name(commodity)}"
            label = Label(f"{commodity.liquid} past its shelf life at {where}", (), 27)
            builder.add_activity(name, label.tying(), cost=liquid.past_life_cost_per_lpa)
            targets.append(SoftTarget(name, liquid.past_life_cost_per_lpa))
            soft.append(Term("activity", name, -1.0))
        _add_window(context, builder, groups, where, commodity, window, periods, soft)
    return targets


def _add_window(
    context: BuildContext,
    builder: NetworkBuilder,
    groups: Sequence[DemandGroup],
    site: str,
    commodity: Commodity,
    window: int,
    periods: range,
    soft: Sequence[Term],
) -> None:
    node, name = site_node(site), context.name(commodity)
    terms = [Term("stock", node, commodity=name), *soft]
    served = np.zeros(context.count)
    if window:
        terms += [
            Term("flow", lane.id, -1.0, lag_first=-window, lag_last=-1)
            for lane in builder.lanes
            if lane.from_node == node and name in (lane.commodities or ())
        ]
        for activity in builder.activities:
            taken = sum(
                steady_amount(effect)
                for effect in activity.effects
                if (effect.node, effect.commodity) == (node, name)
            )
            if taken < 0:
                terms.append(Term("activity", activity.id, taken, lag_first=-window, lag_last=-1))
        for group in groups:
            if (group.node, group.name) == (node, name):
                served = _served_ahead(group.lpa, window)
                terms += _unserved_terms(group, window)
    builder.add_limit(
        f"shelf life {site}/{name}",
        Label(f"shelf life of {commodity.liquid} at {site}", (f"liquids[{commodity.liquid}]",), 27),
        terms,
        at_most=served,
        periods=periods,
    )


def _served_ahead(lpa: FloatArray, window: int) -> FloatArray:
    """Return the demand of t + 1 to t + window, (T,)."""
    total = np.concatenate([[0.0], np.cumsum(lpa)])
    start = np.arange(1, len(lpa) + 1)
    ahead: FloatArray = total[np.minimum(start + window, len(lpa))] - total[start]
    return ahead


def _unserved_terms(group: DemandGroup, window: int) -> list[Term]:
    """Return what of the demand ahead is not served: served = demand + B(t) - B(t + N), or - L."""

    def short(times: float, first: int, last: int) -> Term:
        return Term("shortage", group.node, times, group.name, lag_first=first, lag_last=last)

    if group.priority.unmet == "lost":
        return [short(1.0, -window, -1)]
    return [short(-1.0, 0, 0), short(1.0, -window, -window)]
