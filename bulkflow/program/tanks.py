"""Tanks: which commodity each holds, changes, room at the end and on arrival, heels.

Owns eqs. 12 to 16. Dedicated tanks need no columns: their room is a bound on stock, or part of
the right-hand side.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Effect, Term
from bulkflow.program.build_context import BuildContext, hearts_node, site_node
from bulkflow.program.classes import Commodity, lot_entry_period
from bulkflow.program.demand import mean_demand, mean_use
from bulkflow.program.loads import LoadBook, checked_terms, received_terms
from bulkflow.program.making import Making
from bulkflow.program.network_builder import Label, NetworkBuilder, bound_label
from bulkflow.scenario.model import Lot, Site, Tank

__all__ = [
    "SettingColumn",
    "TankBook",
    "add_tanks",
    "blocked_lots_lpa",
    "blocked_lpa",
    "opening_stock",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SettingColumn:
    """A tank of several commodities set to one of them: a binary activity of the core.

    Parameters
    ----------
    usable : activity that counts its room (the same, unless a change keeps it out of use).
    leaves : activity that is 1 where it is changed from this commodity, None where that is free
        and needs nothing.
    """

    activity: str
    usable: str
    leaves: str | None
    site: str
    tank: Tank
    commodity: Commodity


@dataclass(slots=True)
class TankBook:
    """What tanks hold: (site, tank) -> commodity where there is one only, and the choices."""

    dedicated: dict[tuple[str, str], Commodity] = field(default_factory=dict)
    settings: list[SettingColumn] = field(default_factory=list)

    def shared_for(self, site: str, commodity: Commodity) -> list[SettingColumn]:
        """Return the tanks at a site that can be set to a commodity among others."""
        return [one for one in self.settings if one.site == site and one.commodity == commodity]


def opening_stock(context: BuildContext, site: str) -> dict[Commodity, float]:
    """Return S(0) of a site: rows of opening stock and released lots [LPA] (eqs. 1, 2)."""
    stock: dict[Commodity, float] = {}
    for row in context.scenario.opening_stock:
        if row.site == site:
            commodity = context.classes.of_stock(row)
            stock[commodity] = stock.get(commodity, 0.0) + row.lpa
    for lot in context.scenario.lots:
        if lot.site == site and lot_entry_period(context.periods, lot) == 0:
            commodity = context.classes.of_lot(lot)
            stock[commodity] = stock.get(commodity, 0.0) + lot.lpa
    return stock


def blocked_lpa(context: BuildContext, site: str, commodity: Commodity) -> FloatArray:
    """Return the room, as LPA of the liquid, that unusable lots take at the ends of 0..T (eq. 14).

    A lot's own litres count, whatever its strength.
    """
    litres = _unusable_lots(context, site, commodity, lambda lot: lot.litres_20c)
    return litres * context.lpa_per_litre(commodity.liquid)


def blocked_lots_lpa(context: BuildContext, site: str, commodity: Commodity) -> FloatArray:
    """Return the LPA in lots that may not be used, at the ends of 0..T (eqs. 14, 17)."""
    return _unusable_lots(context, site, commodity, lambda lot: lot.lpa)


def _unusable_lots(
    context: BuildContext, site: str, commodity: Commodity, amount: Callable[[Lot], float]
) -> FloatArray:
    blocked = np.zeros(context.count + 1)
    for lot in context.scenario.lots:
        if lot.site == site and context.classes.of_lot(lot) == commodity:
            entry = lot_entry_period(context.periods, lot)
            blocked[: context.count + 1 if entry is None else entry] += amount(lot)
    return blocked


def add_tanks(
    context: BuildContext, builder: NetworkBuilder, making: Making, loads: LoadBook
) -> TankBook:
    """Add the tanks of every site."""
    book, mean = TankBook(), mean_demand(context)
    for site in context.scenario.sites:
        present = context.reachability.at(site.id)
        for tank in site.tanks:
            options = [one for one in present if one.liquid in tank.liquids]
            if len(options) == 1:
                book.dedicated[site.id, tank.id] = options[0]
            elif options:
                book.settings += _add_settings(context, builder, site, tank, options)
        for commodity in present:
            _Room(context, builder, making, loads, book, mean, site, commodity).add()
        later = {one.arrives for one in loads.columns if one.lane.destination == site.id}
        for commodity in sorted(later.difference(present)):
            room = _Room(context, builder, making, loads, book, mean, site, commodity)
            room.add_after_end()
    return book


def _add_settings(
    context: BuildContext,
    builder: NetworkBuilder,
    site: Site,
    tank: Tank,
    options: Sequence[Commodity],
) -> list[SettingColumn]:
    """Add what a tank of several commodities is set to, and its changes (eq. 12)."""
    place = f"{site.id}/{tank.id}"
    one_liquid = Label(
        f"tank {tank.id} at {site.id} holds one liquid at a time",
        (f"sites[{site.id}].tanks[{tank.id}]",),
        12,
    )
    label = one_liquid.tying()
    columns = []
    for commodity in options:
        name = f"{place}/{context.name(commodity)}"
        leaves = f"leaves {name}" if _change_matters(tank) else None
        usable = f"usable {name}" if tank.change_over_days > 0 else f"set {name}"
        builder.add_activity(f"set {name}", label, upper=1.0, integer=True)
        column = SettingColumn(f"set {name}", usable, leaves, site.id, tank, commodity)
        if leaves is not None:
            _add_change(context, builder, column, label)
        columns.append(column)
    set_to = [Term("activity", column.activity) for column in columns]
    builder.add_limit(f"one liquid {place}", one_liquid, set_to, at_most=1.0)
    builder.add_limit(
        f"stays set {place}",
        label,
        [*set_to, *(Term("activity", one.ref, -1.0, lag_first=1, lag_last=1) for one in set_to)],
        at_least=0.0,
        periods=range(2, context.count + 1),
    )
    if tank.change_over_days > 0:
        _add_out_of_use(builder, columns, place, label)
    return columns


def _change_matters(tank: Tank) -> bool:
    return tank.change_over_cost > 0 or tank.heel_litres > 0 or tank.change_over_days > 0


def _add_change(
    context: BuildContext, builder: NetworkBuilder, column: SettingColumn, label: Label
) -> None:
    """Count a change from a commodity in t: set to it in t-1 and not in t. The heel is lost."""
    tank, leaves = column.tank, column.leaves or ""
    may_change = np.ones(context.count)
    may_change[0] = 0.0
    heel = tank.heel_litres * context.lpa_per_litre(column.commodity.liquid)
    effects = (
        [Effect(site_node(column.site), context.name(column.commodity), -heel)] if heel > 0 else []
    )
    site = context.sites[column.site]
    builder.add_activity(
        leaves,
        label,
        effects=effects,
        upper=may_change,
        cost=tank.change_over_cost * context.money.factors(site.currency),
    )
    later = range(2, context.count + 1)
    now, before = (
        Term("activity", column.activity),
        Term("activity", column.activity, lag_first=1, lag_last=1),
    )
    change = Term("activity", leaves)
    builder.add_limit(
        f"{leaves}/at least",
        label,
        [change, now, Term("activity", column.activity, -1.0, lag_first=1, lag_last=1)],
        at_least=0.0,
        periods=later,
    )
    if heel > 0:  # a change that is none would pour liquid away
        builder.add_limit(
            f"{leaves}/from it", label,
            [before, Term("activity", leaves, -1.0)], at_least=0.0, periods=later,
        )  # fmt: skip
        builder.add_limit(f"{leaves}/to another", label, [change, now], at_most=1.0, periods=later)


def _add_out_of_use(
    builder: NetworkBuilder, columns: Sequence[SettingColumn], place: str, label: Label
) -> None:
    """Let a tank give no room in the period of a change, and need no heel then."""
    changes = [Term("activity", column.leaves or "") for column in columns]
    for column in columns:
        usable, setting = Term("activity", column.usable), Term("activity", column.activity, -1.0)
        builder.add_activity(column.usable, label, upper=1.0)
        builder.add_limit(f"{column.usable}/set", label, [usable, setting], at_most=0.0)
        builder.add_limit(
            f"{column.usable}/unless changed", label, [usable, setting, *changes], at_least=0.0
        )
    builder.add_limit(
        f"change-over {place}",
        label,
        [*(Term("activity", column.usable) for column in columns), *changes],
        at_most=1.0,
    )


class _Room:
    """Room and heel of one commodity at one site, in LPA (eqs. 13 to 16)."""

    def __init__(
        self,
        context: BuildContext,
        builder: NetworkBuilder,
        making: Making,
        loads: LoadBook,
        book: TankBook,
        mean: Mapping[tuple[str, str], float],
        site: Site,
        commodity: Commodity,
    ) -> None:
        self.context, self.builder, self.loads, self.mean = context, builder, loads, mean
        self.site, self.commodity, self.book = site, commodity, book
        self.name, self.node = context.name(commodity), site_node(site.id)
        self.per_litre = context.lpa_per_litre(commodity.liquid)
        self.own = [
            tank for tank in site.tanks if book.dedicated.get((site.id, tank.id)) == commodity
        ]
        self.shared = book.shared_for(site.id, commodity)
        self.vattings = [
            one for one in making.vattings if one.site == site.id and one.commodity == commodity
        ]
        self.released = (site.id, commodity) in context.reachability.released
        self.hearts = (site.id, commodity) in context.reachability.hearts
        self.arriving = loads.arriving(site.id, commodity)
        self.given = loads.fixed_arriving(site.id, commodity)
        self.checked = (site.id, commodity) in context.reachability.checked
        self.opening = opening_stock(context, site.id).get(commodity, 0.0)
        self.blocked = blocked_lpa(context, site.id, commodity)
        self.refs = (f"sites[{site.id}].tanks",)

    def add(self) -> None:
        """Add the rules of room and heel."""
        if not (self.released or self.hearts or self.shared or self.checked):
            return  # only lots that may not be used lie in tanks of their own
        label = Label(self._words("room for"), self.refs, 13)
        room = sum(tank.capacity_litres for tank in self.own) * self.per_litre
        most = room - self.blocked[1:] - self._given_checked()
        simple = not self.hearts and not self.shared and not self.checked
        if simple and (most >= 0).all():
            self.builder.node(self.node).most[self.name] = most
            self.builder.labels[bound_label("most", self.node, self.name)] = label
        else:
            self.builder.add_limit(
                f"room {self.site.id}/{self.name}",
                label,
                [*self._held(lag=0), *self._shared_terms("capacity_litres")],
                at_most=most,
            )
        self._add_on_arrival(room)
        self._add_heel(simple=simple)

    def _words(self, what: str) -> str:
        tanks = [tank.id for tank in self.own] + [column.tank.id for column in self.shared]
        named = f"tanks {', '.join(tanks)}" if tanks else "no tank"
        return f"{what} {self.commodity.liquid} at {self.site.id} ({named})"

    def _held(self, *, lag: int) -> list[Term]:
        """Return terms for S + H + unreleased at the end of the period ``lag`` before."""
        terms = []
        if self.released:
            terms.append(Term("stock", self.node, 1.0, self.name, lag, lag))
        if self.hearts:
            terms.append(Term("stock", hearts_node(self.site.id), 1.0, self.name, lag, lag))
        terms += [
            Term("in_transit", one.core_lane, lag_first=lag, lag_last=lag)
            for one in self.vattings
            if one.lag > 0
        ]
        terms += [term for column in self.arriving for term in checked_terms(column, lag=lag)]
        return terms

    def _given_checked(self) -> FloatArray:
        """Return the LPA of given loads in their check at the end of each period, (T,)."""
        found: FloatArray = sum(
            (one.checked_lpa(self.context.count) for one in self.given), self.context.zeros()
        )
        return found

    def _shared_terms(self, what: str) -> list[Term]:
        """Return minus the room (or heel) of the tanks set to the commodity."""
        return [
            Term("activity", one.usable, -float(getattr(one.tank, what)) * self.per_litre)
            for one in self.shared
            if getattr(one.tank, what) > 0
        ]

    def _add_on_arrival(self, room: float) -> None:
        """Add eq. 15 for the periods in which a load can arrive."""
        fixed = self.loads.fixed_received(self.site.id, self.commodity, self.context.count)
        periods = self._arrival_periods(fixed)
        most = room - self.blocked[:-1] - fixed
        most[1:] -= self._given_checked()[:-1]
        most[0] -= self.opening
        given = self.loads.fixed_names(
            lambda one: one.lane.destination == self.site.id and one.arrives == self.commodity
        )
        heels = [
            Term("activity", one.leaves, -one.tank.heel_litres * self.per_litre)
            for one in self.shared
            if one.leaves is not None and one.tank.heel_litres > 0
        ]
        arriving = [term for column in self.arriving for term in received_terms(column)]
        self.add_after_end()
        self.builder.add_limit(
            f"room on arrival {self.site.id}/{self.name}",
            Label(f"{self._words('room for')} when loads arrive{given}", self.refs, 15),
            [*self._held(lag=1), *heels, *arriving, *self._shared_terms("capacity_litres")],
            at_most=most,
            periods=periods,
        )

    def add_after_end(self) -> None:
        """Add eq. 15 for what arrives after the end, as far as its use can be foreseen."""
        last, book = self.context.count, self.book
        empty = [
            tank
            for tank in self.site.tanks
            if self.commodity.liquid in tank.liquids
            and (self.site.id, tank.id) not in book.dedicated
            and all((one.site, one.tank) != (self.site.id, tank) for one in book.settings)
        ]
        room = sum(tank.capacity_litres for tank in (*self.own, *empty)) * self.per_litre
        room -= float(self.blocked[-1] + self._given_checked()[-1])
        sent = [
            (int(column.calendar.received[step]) + int(step) + 1, column, int(step) + 1)
            for column in self.arriving
            for step in np.flatnonzero(column.calendar.sendable)
        ]
        use = mean_use(self.context, self.mean, self.site.id, self.commodity.liquid)
        ends = sorted({when for when, _, _ in sent if when > last})
        for until in ends if use > 0 else ends[-1:]:  # without use the last row says it all
            given = sum(
                one.arriving_lpa for one in self.given if last < one.days.received_period <= until
            )
            arriving = [
                Term("flow", column.core_lane, column.gain, None, last - period, last - period)
                for when, column, period in sent
                if last < when <= until
            ]
            words = f"when loads arrive after the horizon, in period {until}"
            self.builder.add_limit(
                f"room after the end {self.site.id}/{self.name}/{until}",
                Label(f"{self._words('room for')} {words}", self.refs, 15),
                [*self._held(lag=0), *arriving, *self._shared_terms("capacity_litres")],
                at_most=room - given + use * (until - last - 1),
                periods=[last],
            )

    def _arrival_periods(self, fixed: FloatArray) -> list[int]:
        found = set((np.flatnonzero(fixed) + 1).tolist())
        for column in self.arriving:
            calendar = column.calendar
            sent = np.arange(1, self.context.count + 1)[calendar.sendable]
            found |= set((sent + calendar.received[calendar.sendable]).tolist())
        return sorted(period for period in found if period <= self.context.count)

    def _add_heel(self, *, simple: bool) -> None:
        """Add eq. 16 from the first period in which it can hold."""
        heel = sum(tank.heel_litres for tank in self.own) * self.per_litre
        shared = self._shared_terms("heel_litres")
        if heel == 0 and not shared:
            return
        first = self._first_heel_period(heel)
        if first is None:
            return
        label = Label(self._words("heel of"), self.refs, 16)
        if simple:
            least = np.zeros(self.context.count)
            least[first - 1 :] = heel
            self.builder.node(self.node).least[self.name] = least
            self.builder.labels[bound_label("least", self.node, self.name)] = label
            return
        self.builder.add_limit(
            f"heel {self.site.id}/{self.name}",
            label,
            [*self._held(lag=0), *shared],
            at_least=heel - self._given_checked(),
            periods=range(first, self.context.count + 1),
        )

    def _first_heel_period(self, heel: float) -> int | None:
        """Return the first period with the row: 1, or once the commodity can come."""
        if self.opening >= heel:
            return 1
        reachability, key = self.context.reachability, (self.site.id, self.commodity)
        comes = (
            reachability.inflow.get(key),
            reachability.hearts.get(key),
            reachability.checked.get(key),
        )
        return min((one for one in comes if one is not None), default=None)
