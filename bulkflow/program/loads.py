"""Loads: whole tank journeys by lane, tank type and commodity, with their fill and their days.

Owns eqs. 3, 18, 22, 32 and 33 and what a load costs (eq. 28). How many may go is in
`bulkflow.program.fleets`, what they put at risk in `bulkflow.program.duty`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bulkflow.core import network as core
from bulkflow.core.network import Effect, Term, Vehicle
from bulkflow.errors import PlanningError
from bulkflow.filling import (
    HOUSE_RULE,
    Compartment,
    FillRange,
    FillRule,
    TankShell,
    fill_range,
    no_common_fill,
)
from bulkflow.program.build_context import BuildContext, site_node
from bulkflow.program.calendar import LoadDays, waits
from bulkflow.program.classes import Commodity
from bulkflow.program.finance import (
    LoadCosts,
    duty_credit,
    hire_of,
    holding_costs,
    load_costs,
)
from bulkflow.program.lagged_terms import lagged_terms, span_weights
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.scenario.model import Lane, LaneTank, Liquid, LoadRow, LoadState, TankType
from bulkflow.wording import counted

__all__ = [
    "MOST_LOADS",
    "FixedLoad",
    "LaneCalendar",
    "LoadBook",
    "LoadColumn",
    "LoadCounter",
    "add_loads",
    "arriving_terms",
    "checked_terms",
    "compartment_sizes",
    "received_terms",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_LOADS = 100_000
"""The largest count a workspace can state; stands where a lane sets no limit of its own."""

_RULES = {
    "adr_tank_vented": FillRule.ADR_A,
    "adr_tank_hermetic": FillRule.ADR_C,
    "un_portable_tank": FillRule.PORTABLE_TP1,
}


@dataclass(frozen=True, slots=True)
class LaneCalendar:
    """The days of a lane's loads as arrays over sending periods, (T,).

    Parameters
    ----------
    days : of each period, None where nothing may leave.
    sendable : where something may leave.
    received, lead : periods to the one from which it stands in the receiver's tanks, and to the
        usable one (0 where nothing may leave).
    away : further periods in which the tank is away.
    """

    days: tuple[LoadDays | None, ...]
    sendable: NDArray[np.bool_]
    received: IntArray
    lead: IntArray
    away: IntArray


@dataclass(frozen=True, slots=True)
class LoadColumn:
    """One lane of the core: loads (or compartments of a size) of one commodity.

    Parameters
    ----------
    core_lane : its id in the core; its vehicles are loads, or filled compartments.
    commodity, arrives : what it is at its origin, as loaded, and what it joins where it arrives.
    compartment_litres : size of the compartments, None for whole tanks.
    least_by_law : whether a rule on filling sets the least, and not the lane.
    least_lpa, most_lpa : fill range of one.
    gain : LPA that arrive of each LPA loaded.
    wait : whole periods it waits at the receiver in its tank (eq. 33).
    """

    core_lane: str
    lane: Lane
    tank: LaneTank
    wait: int
    calendar: LaneCalendar
    commodity: Commodity
    arrives: Commodity
    compartment_litres: float | None
    least_by_law: bool
    least_lpa: float
    most_lpa: float
    gain: float
    costs: LoadCosts


@dataclass(frozen=True, slots=True)
class LoadCounter:
    """The number of loads of a compartmented tank type on a lane: an activity of the core."""

    activity: str
    lane: Lane
    tank: LaneTank
    wait: int
    calendar: LaneCalendar
    per_load: FloatArray
    hire: FloatArray


@dataclass(frozen=True, slots=True)
class FixedLoad:
    """A frozen load or one under way; ``period`` is that of sending, 0 for under way.

    ``commodity`` is what it is at its origin, ``arrives`` what it joins where it arrives.
    """

    row: LoadRow
    lane: Lane
    commodity: Commodity
    arrives: Commodity
    period: int
    days: LoadDays
    lpa: float
    arriving_lpa: float
    freight: float
    hire: float
    handling: float
    capital: float

    def checked_lpa(self, periods: int) -> FloatArray:
        """Return the LPA in their check at arrival at the end of each period, (T,)."""
        found = np.zeros(periods)
        found[self.days.received_period - 1 : self.days.usable_period - 1] = self.arriving_lpa
        return found


@dataclass(slots=True)
class LoadBook:
    """Every load there can be.

    Parameters
    ----------
    refusals : (lane, tank type, liquid) -> why no lawful load of it exists.
    """

    columns: list[LoadColumn] = field(default_factory=list)
    counters: list[LoadCounter] = field(default_factory=list)
    fixed: list[FixedLoad] = field(default_factory=list)
    refusals: dict[tuple[str, str, str], str] = field(default_factory=dict)

    def carrying(self, lane: str, tank_type: str | None = None) -> list[LoadColumn]:
        """Return the columns of a lane, or of one tank type on it."""
        return [
            column
            for column in self.columns
            if column.lane.id == lane and tank_type in (None, column.tank.tank_type)
        ]

    def counting(self, lane: str, tank_type: str) -> list[tuple[str, str, LaneCalendar]]:
        """Return (kind of term, id, days) of what counts the loads of a tank type on a lane."""
        counters = [
            ("activity", one.activity, one.calendar)
            for one in self.counters
            if one.lane.id == lane and one.tank.tank_type == tank_type
        ]
        return counters or [
            ("vehicles", one.core_lane, one.calendar) for one in self.carrying(lane, tank_type)
        ]

    def arriving(self, site: str, commodity: Commodity) -> list[LoadColumn]:
        """Return the columns that bring a commodity to a site."""
        return [
            column
            for column in self.columns
            if column.lane.destination == site and column.arrives == commodity
        ]

    def fixed_arriving(self, site: str, commodity: Commodity) -> list[FixedLoad]:
        """Return the frozen loads and loads under way that bring a commodity to a site."""
        return [
            one for one in self.fixed if one.lane.destination == site and one.arrives == commodity
        ]

    def fixed_names(self, chosen: Callable[[FixedLoad], bool]) -> str:
        """Name the frozen loads and loads under way that are chosen, for a rule's words."""
        named = [one.row.load_id for one in self.fixed if chosen(one)]
        return f" (given: {', '.join(named)})" if named else ""

    def fixed_received(self, site: str, commodity: Commodity, periods: int) -> FloatArray:
        """Return the LPA of frozen loads and loads under way that are received in t, (T,)."""
        received = np.zeros(periods)
        for one in self.fixed_arriving(site, commodity):
            if one.days.received_period <= periods:
                received[one.days.received_period - 1] += one.arriving_lpa
        return received


def arriving_terms(column: LoadColumn) -> list[Term]:
    """Return terms whose row t counts the LPA of a column that become usable in t (eq. 3)."""
    return _terms_after(column, column.calendar.lead)


def received_terms(column: LoadColumn) -> list[Term]:
    """Return terms whose row t counts the LPA of a column that are received in t (eq. 15)."""
    return _terms_after(column, column.calendar.received)


def _terms_after(column: LoadColumn, lags: IntArray) -> list[Term]:
    sendable = column.calendar.sendable
    weights = column.gain * span_weights(lags, lags, sendable)
    return lagged_terms("flow", column.core_lane, weights, sendable)


def checked_terms(
    column: LoadColumn, *, lag: int = 0, per_lpa: FloatArray | None = None
) -> list[Term]:
    """Return terms whose row t counts the LPA in their check at the end of t - ``lag`` (eq. 32).

    ``per_lpa`` (T,) : what an LPA counts for in a row; None for 1.
    """
    calendar = column.calendar
    if not (calendar.received < calendar.lead).any():
        return []
    weights = column.gain * span_weights(
        calendar.received + lag, calendar.lead - 1 + lag, calendar.sendable
    )
    if per_lpa is not None:
        for sent in range(weights.shape[1]):
            rows = per_lpa[sent : sent + len(weights)]
            weights[: len(rows), sent] *= rows
    return lagged_terms("flow", column.core_lane, weights, calendar.sendable)


def add_loads(context: BuildContext, builder: NetworkBuilder) -> LoadBook:
    """Add every lane of the core that loads run on, and the loads of the opening position."""
    book = LoadBook()
    maker = _Maker(context, builder, book)
    for lane in context.scenario.lanes:
        for tank in lane.tanks:
            for wait in waits(context.periods, tank):
                maker.add_tank(lane, tank, wait)
    for row in context.scenario.loads:
        if row.state is LoadState.PROMISED:
            continue
        fixed = _fixed_load(context, row)
        if fixed is not None:
            book.fixed.append(fixed)
            _add_fixed(context, builder, fixed)
    return book


def _calendar(context: BuildContext, lane: Lane, liquid: str, wait: int) -> LaneCalendar:
    days = tuple(context.lane_days[lane.id].of(t, liquid, wait) for t in context.periods.numbers())

    def after(period: Callable[[LoadDays], int]) -> IntArray:
        return np.array([0 if one is None else period(one) - t for t, one in enumerate(days, 1)])

    return LaneCalendar(
        days,
        np.array([one is not None for one in days]),
        after(lambda one: one.received_period),
        after(lambda one: one.usable_period),
        after(lambda one: one.away_until),
    )


def compartment_sizes(tank_type: TankType) -> dict[float, int]:
    """Return the sizes of a tank type's compartments [L] and how many of each; {} without."""
    sizes: dict[float, int] = {}
    for compartment in tank_type.compartments:
        sizes[compartment.capacity_litres] = sizes.get(compartment.capacity_litres, 0) + 1
    return sizes


class _Maker:
    """Makes the core lanes of one lane and tank type after the other."""

    def __init__(self, context: BuildContext, builder: NetworkBuilder, book: LoadBook) -> None:
        self.context, self.builder, self.book = context, builder, book
        self.fill_range = cache(fill_range)  # most lanes ask the same of the same tank
        # Every load is a change of the issued plan until `fleets` takes off those issued.
        issued = bool(context.scenario.issued_loads)
        self.change = context.scenario.change_cost_per_load if issued else 0.0

    def add_tank(self, lane: Lane, tank: LaneTank, wait: int) -> None:
        """Add the columns of a tank type on a lane, for loads that wait so many periods."""
        sizes = compartment_sizes(self.context.tank_types[tank.tank_type])
        added = [
            column
            for liquid in lane.liquids
            for commodity in self.context.reachability.classes_at(lane.origin, liquid)
            if self._may_go(lane, commodity)
            for size in (sizes or (None,))
            if (column := self._column(lane, tank, commodity, size, wait)) is not None
        ]
        self.book.columns += added
        for column in added:
            self._add_core_lane(column)
        if sizes and added:
            self._add_counter(lane, tank, added, sizes, wait)

    def _may_go(self, lane: Lane, commodity: Commodity) -> bool:
        there = self.context.classes.keep(lane.destination, commodity)
        return self.context.markets.may_take(lane.destination, there)

    def _column(
        self, lane: Lane, tank: LaneTank, commodity: Commodity, size: float | None, wait: int
    ) -> LoadColumn | None:
        liquid = self.context.liquids[commodity.liquid]
        key = (lane.id, tank.tank_type, commodity.liquid)
        fills = self._fills(lane, tank.tank_type, liquid, size)
        emptiest = max(fills, key=lambda one: one.min_lpa)
        fullest = min(fills, key=lambda one: one.max_lpa)
        refused = [one.reason for one in fills if one.refused]
        if refused or emptiest.min_lpa > fullest.max_lpa:
            self.book.refusals[key] = (refused or [no_common_fill(emptiest, fullest)])[0]
            return None
        if lane.transit_loss_percent >= 100.0:
            self.book.refusals[key] = f"all that is sent on lane {lane.id} is lost on the way."
            return None
        calendar = _calendar(self.context, lane, commodity.liquid, wait)
        if wait and not calendar.sendable.any():
            return None
        name = f"{lane.id}/{tank.tank_type}/{self.context.name(commodity)}"
        name = name if size is None else f"{name}/{size:g}"
        return LoadColumn(
            f"{name}/waits {wait}" if wait else name,
            lane,
            tank,
            wait,
            calendar,
            commodity,
            self.context.classes.keep(lane.destination, commodity),
            size,
            emptiest.minimum.source != HOUSE_RULE,
            emptiest.min_lpa,
            fullest.max_lpa,
            1.0 - lane.transit_loss_percent / 100.0,
            load_costs(self.context, lane, tank, commodity.liquid, calendar.days),
        )

    def _fills(
        self, lane: Lane, tank_id: str, liquid: Liquid, size: float | None
    ) -> list[FillRange]:
        """Return what one load, or compartment, may hold at the lane's temperatures (eq. 18)."""
        shell, payload = _shell(self.context.tank_types[tank_id], size, lane.payload_limit_kg)
        low, high = lane.filling_temperatures_c
        between = [float(q) for q in range(math.floor(low) + 1, math.ceil(high))]
        return [
            self.fill_range(
                shell,
                liquid.strength_percent,
                temperature,
                payload,
                lane.minimum_fill_percent / 100.0,
                density_15=liquid.density_15c_kg_per_m3,
                density_50=liquid.density_50c_kg_per_m3,
            )
            for temperature in (low, *between, high)
        ]

    def _add_core_lane(self, column: LoadColumn) -> None:
        calendar = column.calendar
        whole = column.compartment_litres is None
        most = np.where(calendar.sendable, MOST_LOADS, 0)
        what = "loads" if whole else "filled compartments"
        self.builder.add_lane(
            core.Lane(
                column.core_lane,
                self._from_node(column),
                site_node(column.lane.destination),
                commodities=(self.context.name(column.arrives),),
                unit_cost=column.costs.per_lpa.tolist(),
                lead_time=calendar.lead.tolist(),
                gain=column.gain,
                vehicle=Vehicle(
                    capacity=column.most_lpa,
                    min_fill=column.least_lpa,
                    cost=(
                        (column.costs.per_load + column.costs.hire + self.change).tolist()
                        if whole
                        else 0.0
                    ),
                    max_count=None if calendar.sendable.all() else most.tolist(),
                ),
                may_arrive_after_horizon=True,
            ),
            Label(
                f"{what} of {column.commodity.liquid} in {column.tank.tank_type}"
                f" on lane {column.lane.id}{_waiting_words(column.wait)}",
                (f"lanes[{column.lane.id}]",),
                18,
            ),
        )

    def _from_node(self, column: LoadColumn) -> str:
        """Return the node a core lane starts from.

        A lane of the core carries one commodity at both ends. Where a class is not kept at the
        destination, what leaves turns into what it will be there at a node of its own, without
        stock: the lane then leads straight to the stock it joins.
        """
        context, builder, before, after = (
            self.context,
            self.builder,
            column.commodity,
            column.arrives,
        )
        origin = context.place_node(column.lane.origin)
        if before == after:
            return origin
        name = f"{column.lane.origin}/{context.name(before)} as {context.name(after)}"
        node, activity = f"leaving {name}", f"leave {name}"
        if node not in builder.nodes:
            words = f"{before.liquid} leaving {column.lane.origin}"
            label = Label(words, (f"lanes[{column.lane.id}]",), 1, structural=True)
            builder.node(node, label)
            effects = [
                Effect(origin, context.name(before), -1.0),
                Effect(node, context.name(after), 1.0),
            ]
            builder.add_activity(activity, label, effects=effects)
        return node

    def _add_counter(
        self,
        lane: Lane,
        tank: LaneTank,
        columns: list[LoadColumn],
        sizes: dict[float, int],
        wait: int,
    ) -> None:
        """Count loads of a compartmented tank (eq. 18); all it may carry has the same days."""
        activity = f"loads {lane.id}/{tank.tank_type}" + (f"/waits {wait}" if wait else "")
        calendar, costs = columns[0].calendar, columns[0].costs
        words = f"loads of {tank.tank_type} on lane {lane.id}{_waiting_words(wait)}"
        refs = (f"lanes[{lane.id}]",)
        self.builder.add_activity(
            activity,
            Label(words, refs, 18),
            upper=np.where(calendar.sendable, float(MOST_LOADS), 0.0),
            cost=costs.per_load + costs.hire + self.change,
            integer=True,
        )
        for size, number in sizes.items():
            filled = [
                Term("vehicles", column.core_lane)
                for column in columns
                if column.compartment_litres == size
            ]
            if filled:
                self.builder.add_limit(
                    f"{activity}/compartments {size:g}",
                    Label(f"compartments of {size:g} L in {words}", refs, 18, structural=True),
                    [*filled, Term("activity", activity, -float(number))],
                    at_most=0.0,
                )
        self.builder.add_limit(
            f"{activity}/at least one filled",
            Label(f"at least one filled compartment in {words}", refs, 18, structural=True),
            [
                Term("activity", activity),
                *(Term("vehicles", column.core_lane, -1.0) for column in columns),
            ],
            at_most=0.0,
        )
        self.book.counters.append(
            LoadCounter(activity, lane, tank, wait, calendar, costs.per_load, costs.hire)
        )


def _waiting_words(wait: int) -> str:
    return f" that wait {counted(wait, 'period')} at the receiver" if wait else ""


def _shell(
    tank_type: TankType, size: float | None, lane_payload_kg: float | None
) -> tuple[TankShell, float | None]:
    """Return the tank, or one compartment of it with its share of the payload."""
    rule = _RULES[tank_type.regime]
    if size is None:
        section = max(tank_type.sections_litres, default=None)
        compartment = Compartment(tank_type.capacity_litres, section)
        shell = TankShell(
            tank_type.id, rule, (compartment,), tank_type.tare_kg, tank_type.maximum_gross_kg
        )
        return shell, lane_payload_kg
    payload = tank_type.maximum_gross_kg - tank_type.tare_kg
    if lane_payload_kg is not None:
        payload = min(payload, lane_payload_kg)
    share = size / sum(one.capacity_litres for one in tank_type.compartments)
    return TankShell.undivided(f"{tank_type.id} ({size:g} L)", rule, size), payload * share


def _fixed_load(context: BuildContext, row: LoadRow) -> FixedLoad | None:
    """Return a frozen load or one under way with its cost, or None if sent after the horizon."""
    lane = context.lanes[row.lane]
    days = context.lane_days[lane.id].of_row(row)
    under_way = row.state is LoadState.UNDER_WAY
    period = 0 if under_way else context.periods.holding(row.departs_on)
    if period > context.count or row.lpa is None:
        return None
    commodity, site = context.classes.sent(row), context.sites[lane.destination]
    if not under_way and (lane.origin, commodity) not in context.reachability.released:
        raise PlanningError(
            f"Load {row.load_id} is frozen, but {row.liquid} of class {commodity.origin_class}"
            f" can never be at {lane.origin}. Correct its supplier, or thaw the load."
        )
    priced_in = max(1, period)
    arriving = row.lpa * (1.0 - lane.transit_loss_percent / 100.0)
    bound_from = max(days.loading, context.periods.start) if under_way else days.loading
    value = context.liquids[row.liquid].value_per_lpa * row.lpa
    bound = context.money.capital(value, max(0, (days.received - bound_from).days))
    credit = arriving * duty_credit(context, site, row.liquid, days, priced_in)
    freight = hire = 0.0
    if not under_way:
        tank = next(one for one in lane.tanks if one.tank_type == row.tank_type)
        freight = tank.cost_per_load + lane.cost_per_lpa * row.lpa
        hire = hire_of(tank, days)
    factor = context.money.factor(lane.currency, priced_in)
    return FixedLoad(
        row,
        lane,
        commodity,
        context.classes.arriving(row),
        period,
        days,
        row.lpa,
        arriving,
        freight * factor,
        hire * factor,
        site.handling_cost_per_lpa * arriving * context.money.factor(site.currency, priced_in),
        bound - credit,
    )


def _add_fixed(context: BuildContext, builder: NetworkBuilder, fixed: FixedLoad) -> None:
    """Take a frozen load out of its origin and let a fixed load arrive (eq. 22)."""
    if fixed.period >= 1:
        name = context.name(fixed.commodity)
        level = np.zeros(context.count)
        level[fixed.period - 1] = 1.0
        node = context.place_node(fixed.lane.origin)
        builder.add_activity(
            f"frozen {fixed.row.load_id}",
            Label(
                f"frozen load {fixed.row.load_id} of {fixed.lpa:,.0f} LPA {fixed.row.liquid} from"
                f" {fixed.lane.origin}",
                (f"loads[{fixed.row.load_id}]",),
                22,
            ),
            effects=[Effect(node, name, -fixed.lpa)],
            lower=level,
            upper=level,
        )
    if fixed.days.usable_period <= context.count:
        node, name = site_node(fixed.lane.destination), context.name(fixed.arrives)
        builder.add_supply(node, name, fixed.days.usable_period, fixed.arriving_lpa)
    storage, capital = holding_costs(
        context, context.sites[fixed.lane.destination], fixed.row.liquid
    )
    checked = float(fixed.checked_lpa(context.count) @ (storage + capital))
    builder.constant += fixed.freight + fixed.hire + fixed.handling + fixed.capital + checked
