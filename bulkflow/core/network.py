"""What a multi-period network program is made of: the types, and the meaning of each field.

This module owns the words of the core (network, node, lane, vehicle, limit, activity) and knows
no trade. It holds plain values as they were given; `bulkflow.core.validate` finds their faults,
`bulkflow.core.values` spreads them over commodities and periods, and `bulkflow.core.assemble`
makes the matrix.

Meaning, once for the whole package
-----------------------------------
Periods are numbered 1..T. Quantities are continuous and not negative. For every node, commodity
and period::

    opening stock + supply + arrivals + shortage + effects of activities
        = demand + sales + sent + closing stock                                       (balance)

Without ``stock`` a node holds nothing between periods. With backlogged shortage, the shortage of
a period is the rise of the backlog in it (a fall serves old demand), and never more than the
demand of that period. A cost counts in the period in which its quantity occurs: unit cost, fixed
cost and vehicle cost when sending, holding cost on closing stock, backlog cost on the backlog
open at the end of every period.

A *value* is a number, a sequence with one number per period, or a mapping from commodity to
either. A plain number or sequence counts for each commodity. In a mapping a commodity that is
missing means zero, except in a limit on stock or on a lane, where it means no limit. ``None``
means not given: no limit, no cost.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

__all__ = [
    "DEFAULT_COMMODITY",
    "Activity",
    "Demand",
    "Effect",
    "Lane",
    "Limit",
    "Network",
    "Node",
    "PeriodValue",
    "Sense",
    "Shortage",
    "Stock",
    "Supply",
    "Term",
    "TermKind",
    "Value",
    "Vehicle",
]

PeriodValue = float | Sequence[float]
Value = PeriodValue | Mapping[str, PeriodValue]

DEFAULT_COMMODITY = "commodity"


class Sense(StrEnum):
    """Whether the objective is a cost to minimise, or revenue less cost to maximise."""

    MINIMISE = "minimise"
    MAXIMISE = "maximise"


class Shortage(StrEnum):
    """What becomes of demand that is not served in its period."""

    LOST = "lost"
    BACKLOGGED = "backlogged"


class TermKind(StrEnum):
    """What a term of a limit counts."""

    FLOW = "flow"  # sent on a lane
    USED = "used"  # 1 if the lane carries anything
    VEHICLES = "vehicles"  # sent on a lane
    STOCK = "stock"  # closing stock at a node
    IN_TRANSIT = "in_transit"  # sent on a lane and not yet arrived at the end of the period
    SUPPLY = "supply"  # taken at a node (exact and optional supply together)
    SHORTAGE = "shortage"  # lost in the period, or open backlog at its end
    SALES = "sales"  # optional sales at a node
    ACTIVITY = "activity"  # level of an activity


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """What enters a node from outside in each period.

    Parameters
    ----------
    at_most : optional quantity; with neither ``at_most`` nor ``exactly`` supply has no limit.
    exactly : quantity that enters whether wanted or not, beside what ``at_most`` allows.
    unit_cost : cost of each unit taken of the optional quantity.
    """

    at_most: Value | None = None
    exactly: Value | None = None
    unit_cost: Value | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What leaves the network at a node in each period.

    Parameters
    ----------
    exactly : quantity asked for; it must be served unless ``shortage_cost`` is given.
    shortage_cost : cost of each unit not served: once where it is lost, in every period in
        which it stays open where it is backlogged.
    shortage : 'lost' or 'backlogged'.
    at_most : most that can be sold beside ``exactly``; with neither, sales have no limit.
    unit_revenue : revenue of each unit of optional sales.
    initial_backlog : demand open before the first period (backlogged shortage only).
    """

    exactly: Value | None = None
    at_most: Value | None = None
    shortage_cost: Value | None = None
    shortage: Literal["lost", "backlogged"] | Shortage = Shortage.LOST
    unit_revenue: Value | None = None
    initial_backlog: float | Mapping[str, float] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """That a node can hold stock, and within what limits.

    Parameters
    ----------
    initial : stock before the first period (not held to ``at_most``).
    at_most, at_least : limits on the closing stock of every period.
    final_exactly, final_at_least : targets for the closing stock of the last period.
    holding_cost : per unit of closing stock of every period, the last included.
    """

    initial: float | Mapping[str, float] = 0.0
    at_most: Value | None = None
    at_least: Value | None = None
    final_exactly: float | Mapping[str, float] | None = None
    final_at_least: float | Mapping[str, float] | None = None
    holding_cost: Value | None = None


@dataclass(frozen=True, slots=True)
class Node:
    """A place where quantities enter, leave, meet or wait."""

    id: str
    supply: Supply | None = None
    demand: Demand | None = None
    stock: Stock | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """Whole vehicles of one size: ``min_fill`` k <= flow <= ``capacity`` k, k whole.

    Parameters
    ----------
    capacity, min_fill : most and least quantity in one vehicle, per period sent.
    cost : per vehicle.
    max_count, min_count : limits on the number sent in each period; equal where loads are
        frozen.
    """

    capacity: PeriodValue
    min_fill: PeriodValue = 0.0
    cost: PeriodValue = 0.0
    max_count: PeriodValue | None = None
    min_count: PeriodValue = 0.0


@dataclass(frozen=True, slots=True)
class Lane:
    """A way from one node to another.

    Parameters
    ----------
    commodities : what it may carry; ``None`` means everything.
    unit_cost : per unit sent, in the period of sending.
    lead_time : whole periods from sending to arrival; a sequence gives one per sending period
        (shutdowns, holidays).
    gain : units arriving per unit sent (greater than zero; 1 where a mapping leaves it out).
    capacity, min_flow : limits on the sum over commodities in each period; a mapping limits
        each commodity by itself. ``min_flow`` counts in the periods in which the lane may send.
    fixed_cost : paid in each period in which the lane carries anything.
    min_if_used : least sum over commodities in a period in which the lane carries anything.
    vehicle : the lane runs whole vehicles.
    may_arrive_after_horizon : whether something may be sent that arrives after the last
        period; by default it may not.
    """

    id: str
    from_node: str
    to_node: str
    commodities: Sequence[str] | None = None
    unit_cost: Value = 0.0
    lead_time: int | Sequence[int] = 0
    gain: Value = 1.0
    capacity: Value | None = None
    min_flow: Value | None = None
    fixed_cost: PeriodValue | None = None
    min_if_used: PeriodValue | None = None
    vehicle: Vehicle | None = None
    may_arrive_after_horizon: bool = False


@dataclass(frozen=True, slots=True)
class Effect:
    """What one unit of an activity adds to (or, negative, takes from) a balance.

    Parameters
    ----------
    amount : per unit of the activity; a sequence gives one per period of the activity.
    lag : whole periods, zero or more, from the activity to its effect. An effect that would
        fall after the last period vanishes.
    """

    node: str
    commodity: str
    amount: PeriodValue
    lag: int = 0


@dataclass(frozen=True, slots=True)
class Activity:
    """A free quantity per period with effects on balances; without any, a column for limits.

    Parameters
    ----------
    lower, upper : limits on its level in each period; ``None`` means no limit on that side.
    cost : per unit (may be negative).
    integer : whether only whole levels count.
    """

    id: str
    effects: Sequence[Effect] = ()
    lower: PeriodValue | None = 0.0
    upper: PeriodValue | None = None
    cost: PeriodValue = 0.0
    integer: bool = False


@dataclass(frozen=True, slots=True)
class Term:
    """One summand of a limit.

    Parameters
    ----------
    kind : what is counted (`TermKind` or its text).
    ref : id of the lane (flow, used, vehicles, in_transit), node (stock, supply, shortage,
        sales) or activity.
    times : factor, a number or one per period of the limit's row.
    commodity : narrows flow, stock, in_transit, supply, shortage and sales to one commodity.
    lag_first, lag_last : the row of period t counts the sum over periods ``t - lag_last`` to
        ``t - lag_first`` (negative lags look ahead); periods outside 1..T contribute nothing.
    """

    kind: (
        TermKind
        | Literal[
            "flow",
            "used",
            "vehicles",
            "stock",
            "in_transit",
            "supply",
            "shortage",
            "sales",
            "activity",
        ]
    )
    ref: str
    times: PeriodValue = 1.0
    commodity: str | None = None
    lag_first: int = 0
    lag_last: int = 0


@dataclass(frozen=True, slots=True)
class Limit:
    """One linear rule per period, or one over the whole horizon.

    Parameters
    ----------
    at_most, at_least, exactly : right-hand sides, a number or one per period (a single number
        with ``over_horizon``). ``exactly`` goes with neither of the others.
    over_horizon : one row, summed over the periods, instead of a row per period.
    periods : periods (from 1) in which it applies, or over which it is summed; ``None``: all.
    """

    id: str
    terms: Sequence[Term]
    at_most: PeriodValue | None = None
    at_least: PeriodValue | None = None
    exactly: PeriodValue | None = None
    over_horizon: bool = False
    periods: Sequence[int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A whole problem. Its faults are found by `bulkflow.core.validate.check_network`.

    Parameters
    ----------
    periods : number of periods T, at least 1.
    commodities : names, at least one.
    objective_constant : added to the objective.
    """

    periods: int
    nodes: Sequence[Node]
    lanes: Sequence[Lane] = ()
    commodities: Sequence[str] = (DEFAULT_COMMODITY,)
    limits: Sequence[Limit] = ()
    activities: Sequence[Activity] = ()
    sense: Literal["minimise", "maximise"] | Sense = Sense.MINIMISE
    objective_constant: float = field(default=0.0)
