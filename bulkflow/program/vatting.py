"""Vatting and judging: hearts become lots, and lots are released (eqs. 6, 11)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core import network as core
from bulkflow.core.network import Term, Vehicle
from bulkflow.program.build_context import BuildContext, hearts_node, site_node
from bulkflow.program.calendar import release_lag
from bulkflow.program.classes import Commodity
from bulkflow.program.finance import holding_costs, while_unreleased
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.scenario.model import LotStatus, Release, Site

__all__ = ["VattingColumn", "add_release"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class VattingColumn:
    """Vattings of a commodity: a lane of the core from hearts to released stock.

    ``counted``: whether the core counts the lots. Where it does not, nothing limits or prices
    them, and each period's vatting is one lot. ``per_lot`` (T,) in the workspace's currency.
    """

    core_lane: str
    site: str
    commodity: Commodity
    lag: int
    counted: bool
    per_lot: FloatArray


def add_release(
    context: BuildContext, builder: NetworkBuilder, site: Site, release: Release
) -> list[VattingColumn]:
    """Add vatting at a site, and the lots that can be judged (eqs. 6, 11)."""
    node = builder.node(
        hearts_node(site.id), Label(f"hearts to be vatted at {site.id}", (f"sites[{site.id}]",), 6)
    )
    node.stocked = True
    judged = _lots_judged(context, site, release)
    per_lot = release.cost_per_lot * context.money.factors(site.currency)
    counted = (
        judged is not None
        or release.vatting_minimum_lpa > 0
        or release.vatting_maximum_lpa is not None
        or release.cost_per_lot > 0
    )
    refs = (f"sites[{site.id}].release",)
    columns = []
    for commodity in sorted(c for where, c in context.reachability.hearts if where == site.id):
        name = context.name(commodity)
        storage, capital = holding_costs(context, site, commodity.liquid)
        node.holding[name] = storage + capital
        if (site.id, commodity) not in context.reachability.released:
            continue  # it can be made, but not be released before the end
        lane = f"vat {site.id}/{name}"
        lag = release_lag(
            context.periods, context.scenario.recipes, site, release, commodity.liquid
        )
        builder.add_lane(
            core.Lane(
                lane,
                hearts_node(site.id),
                site_node(site.id),
                commodities=(name,),
                unit_cost=while_unreleased(storage + capital, lag).tolist(),
                lead_time=lag,
                vehicle=_vat(context, site, release, commodity, per_lot) if counted else None,
            ),
            Label(f"vattings of {commodity.liquid} at {site.id}", refs, 6),
        )
        columns.append(VattingColumn(lane, site.id, commodity, lag, counted, per_lot))
    if judged is not None and columns:
        builder.add_limit(
            f"judging {site.id}",
            Label(f"lots that panel and laboratory can judge at {site.id}", refs, 11),
            [Term("vehicles", column.core_lane) for column in columns],
            at_most=judged,
        )
    return columns


def _vat(
    context: BuildContext, site: Site, release: Release, commodity: Commodity, per_lot: FloatArray
) -> Vehicle:
    """Return vattings as vehicles; without a maximum the site's tanks set it."""
    most = release.vatting_maximum_lpa
    if most is None:
        litres = sum(
            tank.capacity_litres for tank in site.tanks if commodity.liquid in tank.liquids
        )
        most = litres * context.lpa_per_litre(commodity.liquid)
        if release.lag_days == 0:  # what is released at once may leave before it needs room
            most += sum(
                still.hours_per_period // still.hours_per_charge * still.charge_litres
                for still in site.stills
            )
    least = min(release.vatting_minimum_lpa, most)
    return Vehicle(capacity=max(most, 1.0), min_fill=least, cost=per_lot.tolist())


def _lots_judged(context: BuildContext, site: Site, release: Release) -> FloatArray | None:
    """Return how many new lots can be judged in each period, (T,); None for no limit."""
    stated = (release.panel_lots_per_period, release.laboratory_lots_per_period)
    capacity = min((one for one in stated if one is not None), default=None)
    if capacity is None:
        return None
    judged = np.full(context.count, float(capacity))
    for lot in context.scenario.lots:
        if lot.site == site.id and lot.status is LotStatus.AWAITING and lot.decision_due:
            period = context.periods.holding(lot.decision_due)
            if 1 <= period <= context.count:
                judged[period - 1] -= 1.0
    limited: FloatArray = np.maximum(judged, 0.0)
    return limited
