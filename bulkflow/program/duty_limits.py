"""Duty against guarantees: at risk on the legs of loads, and on stock (eqs. 17, 21).

Rows are divided by the largest duty in them, so that the solver sees LPA, not money.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Term
from bulkflow.program.build_context import BuildContext, hearts_node, site_node
from bulkflow.program.calendar import LoadDays
from bulkflow.program.classes import Commodity
from bulkflow.program.lagged_terms import lagged_terms
from bulkflow.program.loads import (
    FixedLoad,
    LaneCalendar,
    LoadBook,
    LoadColumn,
    checked_terms,
)
from bulkflow.program.making import Making
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.program.tanks import blocked_lots_lpa
from bulkflow.scenario.model import Guarantee, Leg, Liquid

__all__ = ["GuaranteeBook", "StoredDuty", "add_guarantees"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StoredDuty:
    """Duty per LPA of a commodity stocked at a site, in the workspace's currency, (T,)."""

    site: str
    commodity: Commodity
    per_lpa: FloatArray


@dataclass(slots=True)
class GuaranteeBook:
    """What each guarantee is used for.

    Parameters
    ----------
    limits : guarantee -> (T,) in the workspace's currency.
    fixed : guarantee -> use by frozen loads, loads under way and unusable lots, (T,).
    moving : guarantee -> (column, weights): use in period t + lag of an LPA sent in t is
        ``weights[lag, t]``.
    stored : guarantee -> duty on stock.
    """

    limits: dict[str, FloatArray] = field(default_factory=dict)
    fixed: dict[str, FloatArray] = field(default_factory=dict)
    moving: dict[str, list[tuple[LoadColumn, FloatArray]]] = field(default_factory=dict)
    stored: dict[str, list[StoredDuty]] = field(default_factory=dict)


def add_guarantees(
    context: BuildContext, builder: NetworkBuilder, loads: LoadBook, making: Making
) -> GuaranteeBook:
    """Add the limit of every guarantee."""
    book = GuaranteeBook()
    for guarantee in context.scenario.guarantees:
        book.limits[guarantee.id] = guarantee.limit * context.money.factors(guarantee.currency)
        if guarantee.kind == "movement":
            terms = _moving_terms(context, loads, book, guarantee)
        else:
            terms = _stored_terms(context, making, loads, book, guarantee)
        _add_limit(builder, book, guarantee, terms)
    return book


def _add_limit(
    builder: NetworkBuilder, book: GuaranteeBook, guarantee: Guarantee, terms: list[Term]
) -> None:
    if not terms:
        return
    largest = max(float(np.max(np.abs(one.times))) for one in terms)
    if largest == 0:
        return
    equation = 21 if guarantee.kind == "movement" else 17
    builder.add_limit(
        f"guarantee {guarantee.id}",
        Label(
            f"guarantee {guarantee.id} (limit {guarantee.limit:,.0f})",
            (f"guarantees[{guarantee.id}]",),
            equation,
        ),
        [_scaled(one, 1.0 / largest) for one in terms],
        at_most=(book.limits[guarantee.id] - book.fixed[guarantee.id]) / largest,
    )


def _scaled(term: Term, factor: float) -> Term:
    times = np.asarray(term.times) * factor
    return Term(
        term.kind,
        term.ref,
        times.tolist() if times.ndim else float(times),
        term.commodity,
        term.lag_first,
        term.lag_last,
    )


def _moving_terms(
    context: BuildContext, loads: LoadBook, book: GuaranteeBook, guarantee: Guarantee
) -> list[Term]:
    """Return terms for the duty of loads on legs that name the guarantee."""
    terms: list[Term] = []
    book.moving[guarantee.id] = []
    known: dict[tuple[str, str, int], FloatArray] = {}
    for column in loads.columns:
        legs = [leg for leg in column.lane.legs if leg.guarantee == guarantee.id]
        if not legs:
            continue
        calendar = column.calendar
        key = (column.lane.id, column.commodity.liquid, column.wait)
        if key not in known:
            liquid = context.liquids[column.commodity.liquid]
            known[key] = _leg_weights(context, legs, liquid, calendar)
        if known[key].any():
            book.moving[guarantee.id].append((column, known[key]))
            terms += lagged_terms("flow", column.core_lane, known[key], calendar.sendable)
    book.fixed[guarantee.id] = _fixed_use(context, loads.fixed, guarantee.id)
    return terms


def _leg_periods(context: BuildContext, leg: Leg, days: LoadDays) -> tuple[int, int]:
    """Return the first and last period in which a load is at risk on a leg."""
    first = days.loading + timedelta(days=leg.from_day)
    if leg.to_day is None:
        last = days.discharge + timedelta(days=leg.days_after_discharge)
    else:
        last = days.loading + timedelta(days=leg.to_day)
    if last < first:
        return 1, 0
    return context.periods.holding(first), context.periods.holding(last)


def _add_risk(
    context: BuildContext, leg: Leg, liquid: Liquid, days: LoadDays, use: FloatArray, lpa: float
) -> None:
    """Add the duty of a load on a leg to the use of each period, at its exchange (eqs. 21, 30)."""
    first, last = _leg_periods(context, leg, days)
    first, last = max(1, first), min(last, context.count)
    if first > last:
        return
    duty, currency = context.money.duty(leg.authority, liquid, days.loading)
    share = leg.share_percent / 100.0 * duty * lpa
    use[first - 1 : last] += share * context.money.factors(currency)[first - 1 : last]


def _leg_weights(
    context: BuildContext, legs: Iterable[Leg], liquid: Liquid, calendar: LaneCalendar
) -> FloatArray:
    """Return the duty at risk ``lag`` periods after sending in t per LPA, (lags, T)."""
    periods = context.count
    use = np.zeros((periods, 2 * periods))  # by period of sending, then of use
    for leg in legs:
        for t, days in enumerate(calendar.days):
            if days is not None:
                _add_risk(context, leg, liquid, days, use[t, :periods], 1.0)
    lags = np.array([use[t, t : t + periods] for t in range(periods)]).T
    most = int(np.flatnonzero(lags.any(axis=1)).max(initial=0))
    return lags[: most + 1]


def _fixed_use(context: BuildContext, fixed: Iterable[FixedLoad], guarantee: str) -> FloatArray:
    use = context.zeros()
    for load in fixed:
        liquid = context.liquids[load.commodity.liquid]
        for leg in load.lane.legs:
            if leg.guarantee == guarantee:
                _add_risk(context, leg, liquid, load.days, use, load.lpa)
    return use


def _stored_terms(
    context: BuildContext,
    making: Making,
    loads: LoadBook,
    book: GuaranteeBook,
    guarantee: Guarantee,
) -> list[Term]:
    """Return terms for the duty on stock at the sites that name the guarantee."""
    terms: list[Term] = []
    stored: list[StoredDuty] = []
    fixed = context.zeros()
    for site in context.scenario.sites:
        if site.storage_guarantee != guarantee.id or site.authority is None:
            continue
        for commodity in context.reachability.at(site.id):
            name, key = context.name(commodity), (site.id, commodity)
            duty = context.money.duty_by_period(site.authority, context.liquids[commodity.liquid])
            fixed += duty * blocked_lots_lpa(context, site.id, commodity)[1:]
            for one in loads.fixed_arriving(site.id, commodity):
                fixed += duty * one.checked_lpa(context.count)
            vats = tuple(
                one.core_lane
                for one in making.vattings
                if (one.site, one.commodity) == key and one.lag > 0
            )
            stored.append(StoredDuty(site.id, commodity, duty))
            times = duty.tolist()
            if key in context.reachability.released:
                terms.append(Term("stock", site_node(site.id), times, name))
            if key in context.reachability.hearts:
                terms.append(Term("stock", hearts_node(site.id), times, name))
            terms += [Term("in_transit", lane, times) for lane in vats]
            for column in loads.arriving(site.id, commodity):
                terms += checked_terms(column, per_lpa=duty)
    book.stored[guarantee.id], book.fixed[guarantee.id] = stored, fixed
    return terms
