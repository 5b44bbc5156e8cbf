"""How many loads may, must and were to go: counts, fleets, promised loads, the last issued plan.

Owns eqs. 19, 20, the promised part of 22, and the cost of change in eq. 28.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal, cast

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Term
from bulkflow.errors import PlanningError
from bulkflow.program.build_context import BuildContext
from bulkflow.program.lagged_terms import lagged_terms, span_weights
from bulkflow.program.loads import FixedLoad, LaneCalendar, LoadBook, compartment_sizes
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.scenario.model import Fleet, Lane, LoadRow, LoadState
from bulkflow.wording import counted as number_of

__all__ = ["ChangeBook", "IssuedKey", "add_fleets", "count_terms", "issued_key"]

FloatArray = NDArray[np.float64]
Counting = Literal["vehicles", "activity"]

IssuedKey = tuple[str, str | None, str]
"""Lane, liquid (None: all liquids together, for tanks with compartments), tank type."""


@dataclass(slots=True)
class ChangeBook:
    """Loads of the last issued plan, by key, (T,); empty where no plan was issued."""

    issued: dict[IssuedKey, FloatArray] = field(default_factory=dict)


def add_fleets(context: BuildContext, builder: NetworkBuilder, loads: LoadBook) -> ChangeBook:
    """Add every rule on the number of loads."""
    for lane in context.scenario.lanes:
        _add_counts(context, builder, loads, lane)
    for fleet in context.scenario.fleets:
        _add_fleet(context, builder, loads, fleet)
    _add_promised(context, builder, loads)
    return _add_changes(context, builder, loads)


def _terms(found: Iterable[tuple[str, str, LaneCalendar]]) -> list[Term]:
    return [Term(cast(Counting, kind), ref) for kind, ref, _ in found]


def count_terms(loads: LoadBook, lane: str, tank_type: str, liquid: str) -> list[Term]:
    """Return terms for the loads of a liquid; of compartmented tanks all loads count."""
    if any((one.lane.id, one.tank.tank_type) == (lane, tank_type) for one in loads.counters):
        return _terms(loads.counting(lane, tank_type))
    return [
        Term("vehicles", column.core_lane)
        for column in loads.carrying(lane, tank_type)
        if column.commodity.liquid == liquid
    ]


def _frozen_counts(
    context: BuildContext, loads: LoadBook, lane: str, tank_type: str | None
) -> FloatArray:
    """Return the frozen loads of a lane (and tank type) by period, (T,)."""
    counts = context.zeros()
    for one in loads.fixed:
        if one.lane.id == lane and tank_type in (None, one.row.tank_type) and one.period >= 1:
            counts[one.period - 1] += 1.0
    return counts


def _add_counts(
    context: BuildContext, builder: NetworkBuilder, loads: LoadBook, lane: Lane
) -> None:
    """Limit the loads of each tank type and of the lane (eq. 19)."""
    refs = (f"lanes[{lane.id}]",)
    counted = {tank.tank_type: loads.counting(lane.id, tank.tank_type) for tank in lane.tanks}
    for tank in lane.tanks:
        if tank.maximum_loads_per_period is not None and counted[tank.tank_type]:
            frozen = _frozen_counts(context, loads, lane.id, tank.tank_type)
            builder.add_limit(
                f"count {lane.id}/{tank.tank_type}",
                Label(
                    f"at most {number_of(tank.maximum_loads_per_period, 'load')} of"
                    f" {tank.tank_type} a period on lane {lane.id}",
                    refs,
                    19,
                ),
                _terms(counted[tank.tank_type]),
                at_most=tank.maximum_loads_per_period - frozen,
            )
    everything = [one for found in counted.values() for one in found]
    if lane.maximum_loads_per_period is not None and everything:
        builder.add_limit(
            f"count {lane.id}",
            Label(
                f"at most {number_of(lane.maximum_loads_per_period, 'load')} a period on lane"
                f" {lane.id}",
                refs,
                19,
            ),
            _terms(everything),
            at_most=lane.maximum_loads_per_period - _frozen_counts(context, loads, lane.id, None),
        )


def _add_fleet(
    context: BuildContext, builder: NetworkBuilder, loads: LoadBook, fleet: Fleet
) -> None:
    """Limit the tanks of a fleet that are away (eq. 20)."""
    users = [
        (lane, tank)
        for lane in context.scenario.lanes
        for tank in lane.tanks
        if tank.fleet == fleet.id
    ]
    terms = [
        term
        for lane, tank in users
        for kind, ref, calendar in loads.counting(lane.id, tank.tank_type)
        for term in _away_terms(calendar, kind, ref)
    ]
    if not terms:
        return
    keys = {(lane.id, tank.tank_type) for lane, tank in users}
    given = loads.fixed_names(lambda one: _is_tank_of(one, keys))
    builder.add_limit(
        f"fleet {fleet.id}",
        Label(
            f"fleet {fleet.id} of {number_of(fleet.tanks, 'tank')}{given}",
            (f"fleets[{fleet.id}]",),
            20,
        ),
        terms,
        at_most=fleet.tanks - _fixed_away(context, loads, keys),
    )


def _away_terms(calendar: LaneCalendar, kind: str, ref: str) -> list[Term]:
    weights = span_weights(np.zeros_like(calendar.away), calendar.away, calendar.sendable)
    return lagged_terms(cast(Counting, kind), ref, weights, calendar.sendable)


def _fixed_away(context: BuildContext, loads: LoadBook, keys: set[tuple[str, str]]) -> FloatArray:
    """Return the tanks away with frozen loads and loads under way, (T,)."""
    away = context.zeros()
    for one in loads.fixed:
        if _is_tank_of(one, keys):
            first = max(1, one.period)
            away[first - 1 : max(0, one.days.away_until)] += 1.0
    return away


def _is_tank_of(one: FixedLoad, keys: set[tuple[str, str]]) -> bool:
    """Tell whether a given load takes a tank of a fleet's; a further liquid in one takes none."""
    return one.row.in_tank_of is None and (one.lane.id, one.row.tank_type) in keys


def _promised_rows(context: BuildContext) -> dict[tuple[str, str], list[tuple[int, LoadRow]]]:
    """Return the promised loads inside the horizon, with their period, by lane and tank type."""
    found: dict[tuple[str, str], list[tuple[int, LoadRow]]] = {}
    for row in context.scenario.loads:
        period = context.periods.holding(row.departs_on)
        if row.state is LoadState.PROMISED and 1 <= period <= context.count:
            if not context.lane_days[row.lane].sends(period):
                raise PlanningError(
                    f"Load {row.load_id} is promised for {row.departs_on.isoformat()}, but no load"
                    f" can leave on lane {row.lane} in period {period} (from"
                    f" {context.periods.first_day(period).isoformat()}): no working day, or no"
                    " sailing. Promise another period."
                )
            found.setdefault((row.lane, row.tank_type), []).append((period, row))
    return found


def _add_promised(context: BuildContext, builder: NetworkBuilder, loads: LoadBook) -> None:
    """Send at least the promised loads (eq. 22)."""
    for (lane, tank_type), rows in _promised_rows(context).items():
        name = f"promised {lane}/{tank_type}"
        by_liquid: dict[str, FloatArray] = {}
        for period, row in rows:
            by_liquid.setdefault(row.liquid, context.zeros())[period - 1] += 1.0
        refs = tuple(f"loads[{row.load_id}]" for _, row in rows)
        named = ", ".join(row.load_id for _, row in rows)
        label = Label(f"loads promised on lane {lane} ({named})", refs, 22)
        for liquid, counts in by_liquid.items():
            columns = [
                column
                for column in loads.carrying(lane, tank_type)
                if column.commodity.liquid == liquid
            ]
            if not columns:
                raise PlanningError(_cannot_keep(context, loads, rows[0][1], lane, tank_type))
            builder.add_limit(
                f"{name}/{liquid}",
                label,
                [Term("vehicles", column.core_lane) for column in columns],
                at_least=counts,
                periods=_where(counts),
            )
        if compartment_sizes(context.tank_types[tank_type]):
            counts = np.sum(list(by_liquid.values()), axis=0)
            builder.add_limit(
                name,
                label,
                _terms(loads.counting(lane, tank_type)),
                at_least=counts,
                periods=_where(counts),
            )


def _cannot_keep(
    context: BuildContext, loads: LoadBook, row: LoadRow, lane: str, tank_type: str
) -> str:
    """Say why a promised load has no column."""
    reason = loads.refusals.get((lane, tank_type, row.liquid))
    ends = context.lanes[lane]
    if reason is None and context.reachability.classes_at(ends.origin, row.liquid):
        reason = f"no market served from {ends.destination} takes the {row.liquid} there is."
    elif reason is None:
        reason = f"no {row.liquid} can ever be at {ends.origin}."
    return f"Load {row.load_id} is promised, but {reason}"


def _where(counts: FloatArray) -> list[int]:
    return [int(one) for one in np.flatnonzero(counts) + 1]


def issued_key(context: BuildContext, lane: str, liquid: str, tank_type: str) -> IssuedKey:
    """Return the key under which loads count against the last issued plan."""
    divided = bool(compartment_sizes(context.tank_types[tank_type]))
    return lane, None if divided else liquid, tank_type


def _add_changes(context: BuildContext, builder: NetworkBuilder, loads: LoadBook) -> ChangeBook:
    """Price every load more or less than the last issued plan has (eq. 28).

    |n - a| = (n - a) + 2 max(a - n, 0): the first part is a cost of each load, the second needs
    a column only where a plan was issued.
    """
    cost = context.scenario.change_cost_per_load
    book = ChangeBook()
    if not context.scenario.issued_loads:
        return book
    for row in context.scenario.issued_loads:
        period = context.periods.holding(row.period_start)
        if 1 <= period <= context.count:
            key = issued_key(context, row.lane, row.liquid, row.tank_type)
            book.issued.setdefault(key, context.zeros())[period - 1] += row.loads
    if cost == 0:
        return book
    counting: dict[IssuedKey, list[Term]] = {}
    for column in loads.columns:
        key = issued_key(context, column.lane.id, column.commodity.liquid, column.tank.tank_type)
        counting.setdefault(key, [])
        if column.compartment_litres is None:
            counting[key].append(Term("vehicles", column.core_lane))
    for counter in loads.counters:
        counting[counter.lane.id, None, counter.tank.tank_type].append(
            Term("activity", counter.activity)
        )
    for key in sorted(counting.keys() | book.issued.keys(), key=str):
        _add_change(context, builder, loads, book, key, counting.get(key, []))
    return book


def _add_change(
    context: BuildContext,
    builder: NetworkBuilder,
    loads: LoadBook,
    book: ChangeBook,
    key: IssuedKey,
    counting: list[Term],
) -> None:
    lane, liquid, tank_type = key
    frozen = context.zeros()
    for one in loads.fixed:
        if one.period >= 1 and key == issued_key(
            context, one.lane.id, one.row.liquid, one.row.tank_type
        ):
            frozen[one.period - 1] += 1.0
    wanted = book.issued.get(key, context.zeros()) - frozen  # of loads that the plan can choose
    cost = context.scenario.change_cost_per_load
    if not counting:
        builder.constant += cost * float(np.abs(wanted).sum())
        return
    builder.constant -= cost * float(wanted.sum())
    missing = np.maximum(wanted, 0.0)
    if not missing.any():
        return
    name = f"fewer than issued {lane}/{liquid or 'all'}/{tank_type}"
    label = Label(f"loads of the last issued plan on lane {lane}", (f"lanes[{lane}]",), 28)
    builder.add_activity(name, label, upper=missing, cost=2.0 * cost)
    builder.add_limit(
        name,
        label,
        [*counting, Term("activity", name)],
        at_least=wanted,
        periods=_where(missing),
    )
