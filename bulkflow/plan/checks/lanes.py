"""Days, fill, counts, fleets, movement guarantees, promised and frozen loads (eqs. 18 to 22)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import timedelta

from bulkflow.alcoholometry import density_from_strength
from bulkflow.plan.checks.days import LaneDays
from bulkflow.plan.checks.fill import load_fill, payload_kg
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.checks.takers import somebody_takes
from bulkflow.plan.checks.watch import LITRES, LPA, MONEY, WHOLE, Check, Measure, Watch
from bulkflow.program.answer import CargoPart, LoadKind, PlannedLoad
from bulkflow.scenario.model import LoadState

__all__ = ["at_risk", "lane_checks"]

DAY = timedelta(days=1)
# 0.1 kg, with the solver's feasibility tolerance on top.
MASS = Measure("kg", 0.1, 1e-6)


def lane_checks(ledger: Ledger) -> list[Check]:
    """Return the checks of everything that travels."""
    return [
        _lane_fit(ledger),
        _purpose(ledger),
        _days(ledger),
        _fill(ledger),
        _litres(ledger),
        _compartments(ledger),
        _gross_mass(ledger),
        _counts(ledger),
        _fleets(ledger),
        _movement_guarantees(ledger),
        _promised(ledger),
        _given_loads(ledger),
    ]


def _words(load: PlannedLoad) -> str:
    return f"load {load.load_id} on {load.lane} in period {load.period}"


def _lane_fit(ledger: Ledger) -> Check:
    watch = Watch("lanes", "each load fits its lane: places, liquids, tank type", (18,), WHOLE)
    for load in ledger.plan.loads:
        lane = ledger.lanes[load.lane]
        watch.same(
            (load.origin, load.destination),
            (lane.origin, lane.destination),
            f"the way of {_words(load)}",
        )
        watch.holds(
            ledger.lane_tank(load) is not None,
            f"{_words(load)} uses {load.tank_type}, which the lane does not have",
        )
        for part in load.parts:
            watch.holds(
                part.liquid in lane.liquids,
                f"{_words(load)} carries {part.liquid}, which the lane does not take",
            )
    return watch.result()


def _purpose(ledger: Ledger) -> Check:
    watch = Watch("purpose", "no load brings what nobody there or beyond can take", (23,), WHOLE)
    for load in _free_loads(ledger):
        for part in load.parts:
            barring = ledger.barring(part.origin_class)
            watch.holds(
                somebody_takes(ledger, load.destination, part.liquid, barring),
                f"{_words(load)} brings {part.liquid} ({part.origin_class}), which no demand at"
                f" {load.destination} or beyond may be served from",
            )
    return watch.result()


def _right_days(ledger: Ledger, load: PlannedLoad) -> LaneDays | None:
    row = ledger.load_rows.get(load.load_id)
    lane = ledger.lanes[load.lane]
    if load.kind in (LoadKind.FROZEN, LoadKind.UNDER_WAY):
        return ledger.days.of_row(lane, row) if row is not None else None
    liquid = load.parts[0].liquid if load.parts else ""
    waits = min(load.waits_periods, ledger.days.most_waits(lane, load.tank_type))
    return ledger.days.of_lane(lane, load.period, liquid, waits)


def _days(ledger: Ledger) -> Check:
    watch = Watch("days", "each load has the days its lane gives", (3, 32, 33), WHOLE)
    for load in ledger.plan.loads:
        right = _right_days(ledger, load)
        if right is None:
            watch.wrong(f"{_words(load)} may not leave in that period")
            continue
        watch.same(load.waits_periods, right.waits, f"the periods of waiting of {_words(load)}")
        watch.same(load.loading_day, right.loading, f"the loading day of {_words(load)}")
        watch.same(load.leaving_day, right.leaving, f"the leaving day of {_words(load)}")
        watch.same(load.arrival_day, right.arrival, f"the arrival day of {_words(load)}")
        watch.same(load.discharge_day, right.discharge, f"the discharge day of {_words(load)}")
        watch.same(load.usable_day, right.usable, f"the usable day of {_words(load)}")
        watch.same(load.usable_period, right.usable_period, f"the usable period of {_words(load)}")
    return watch.result()


# --- fill -------------------------------------------------------------------------------------


def _free_loads(ledger: Ledger) -> Iterator[PlannedLoad]:
    """Yield the loads whose LPA the plan may choose; frozen ones are as they were given."""
    for load in ledger.plan.loads:
        if load.kind in (LoadKind.PLANNED, LoadKind.PROMISED):
            yield load


def _fill(ledger: Ledger) -> Check:
    watch = Watch(
        "fill", "every tank and compartment is filled within its least and most", (18,), LPA
    )
    for load in _free_loads(ledger):
        lane, tank = ledger.lanes[load.lane], ledger.tank_types[load.tank_type]
        for part in load.parts:
            found = load_fill(lane, tank, ledger.liquids[part.liquid], part.capacity_litres)
            least, most = (1.0, 0.0) if found.refused else (found.min_lpa, found.max_lpa)
            watch.at_least(part.lpa, least, f"{part.liquid} in {_words(load)}")
            watch.at_most(part.lpa, most, f"{part.liquid} in {_words(load)}")
    return watch.result()


def _litres(ledger: Ledger) -> Check:
    watch = Watch("litres", "litres shown are the LPA at the strength of the liquid", (18,), LITRES)
    for load in ledger.plan.loads:
        for part in load.parts:
            watch.near(
                part.litres_20c,
                ledger.litres(part.liquid, part.lpa),
                f"{part.liquid} in {_words(load)}",
            )
    return watch.result()


def _compartments(ledger: Ledger) -> Check:
    watch = Watch(
        "compartments",
        "a load fills the tank's own compartments, each once, one or more",
        (18,),
        WHOLE,
    )
    for load in ledger.plan.loads:
        tank = ledger.tank_types[load.tank_type]
        sizes = [one.capacity_litres for one in tank.compartments] or [tank.capacity_litres]
        watch.holds(load.parts, f"{_words(load)} carries nothing")
        if load.kind in (LoadKind.FROZEN, LoadKind.UNDER_WAY) and len(load.parts) == 1:
            # Given by its LPA, not by how it was spread: it has the whole tank.
            sizes = [tank.capacity_litres]
        used = Counter(part.capacity_litres for part in load.parts)
        over = used - Counter(sizes)
        watch.holds(
            not over,
            f"{_words(load)} fills {sum(used.values())} compartments of"
            f" {sorted(used)} L; {tank.id} has {sizes} L",
        )
    return watch.result()


def _mass_kg(ledger: Ledger, part: CargoPart) -> float:
    """Return the true mass of a part, from its litres at 20 degC."""
    density = float(density_from_strength(ledger.liquids[part.liquid].strength_percent, 20.0))
    return ledger.litres(part.liquid, part.lpa) * density / 1000.0


def _gross_mass(ledger: Ledger) -> Check:
    watch = Watch("payload", "no load is heavier than its tank or its lane carries", (18,), MASS)
    for load in _free_loads(ledger):
        lane, tank = ledger.lanes[load.lane], ledger.tank_types[load.tank_type]
        mass = sum(_mass_kg(ledger, part) for part in load.parts)
        watch.at_most(mass, payload_kg(lane, tank), f"the liquid in {_words(load)}")
    return watch.result()


# --- counts -----------------------------------------------------------------------------------


def _counts(ledger: Ledger) -> Check:
    watch = Watch("counts", "no lane sends more loads in a period than it may", (19,), WHOLE)
    on_lane: Counter[tuple[str, int]] = Counter()
    of_tank: Counter[tuple[str, str, int]] = Counter()
    for load in ledger.sent:
        on_lane[load.lane, load.period] += 1
        of_tank[load.lane, load.tank_type, load.period] += 1
    for (lane, period), loads in sorted(on_lane.items()):
        most = ledger.lanes[lane].maximum_loads_per_period
        watch.at_most(
            loads, float("inf") if most is None else most, f"loads on {lane} in period {period}"
        )
    for (lane, tank, period), loads in sorted(of_tank.items()):
        for entry in ledger.lanes[lane].tanks:
            if entry.tank_type == tank and entry.maximum_loads_per_period is not None:
                watch.at_most(
                    loads,
                    entry.maximum_loads_per_period,
                    f"loads of {tank} on {lane} in period {period}",
                )
    return watch.result()


def _fleets(ledger: Ledger) -> Check:
    watch = Watch("fleets", "no more tanks of a fleet are away than it has", (20,), WHOLE)
    away: Counter[tuple[str, int]] = Counter()
    for load in ledger.plan.loads:
        entry = ledger.lane_tank(load)
        row = ledger.load_rows.get(load.load_id)
        if entry is None or entry.fleet is None or (row is not None and row.in_tank_of):
            continue
        back = load.discharge_day + ledger.lanes[load.lane].return_days * DAY
        first = 1 if load.kind is LoadKind.UNDER_WAY else load.period
        for period in range(first, min(ledger.days.period_of(back), ledger.days.count) + 1):
            away[entry.fleet, period] += 1
    for fleet in ledger.scenario.fleets:
        for period in ledger.periods:
            watch.at_most(
                away[fleet.id, period], fleet.tanks, f"tanks of {fleet.id} away in period {period}"
            )
    return watch.result()


def at_risk(ledger: Ledger, guarantee: str) -> dict[int, float]:
    """Return duty at risk against a movement guarantee, by period (eq. 21)."""
    used: dict[int, float] = defaultdict(float)
    for load in ledger.plan.loads:
        for leg in ledger.lanes[load.lane].legs:
            if leg.guarantee != guarantee:
                continue
            for period in ledger.days.at_risk(leg, load.loading_day, load.discharge_day):
                rate_on = ledger.days.first(period)
                for part in load.parts:
                    rate = ledger.money.duty(
                        leg.authority, ledger.liquids[part.liquid], load.loading_day, rate_on
                    )
                    used[period] += leg.share_percent / 100.0 * rate * part.lpa
    return used


def _movement_guarantees(ledger: Ledger) -> Check:
    watch = Watch(
        "movement-guarantees", "duty at risk on the way stays inside each guarantee", (21,), MONEY
    )
    shown: dict[tuple[str, int], float] = defaultdict(float)
    for row in ledger.plan.guarantee_use:
        shown[row.guarantee, row.period] += row.used
    for guarantee in ledger.scenario.guarantees:
        for row in ledger.plan.guarantee_use:
            if row.guarantee == guarantee.id:
                day = ledger.days.first(row.period)
                watch.near(
                    row.limit,
                    guarantee.limit * ledger.money.rate(guarantee.currency, day),
                    f"the limit of {guarantee.id} shown for period {row.period}",
                )
        if guarantee.kind != "movement":
            continue
        used = at_risk(ledger, guarantee.id)
        for period in ledger.periods:
            day = ledger.days.first(period)
            limit = guarantee.limit * ledger.money.rate(guarantee.currency, day)
            where = f"use of {guarantee.id} in period {period}"
            watch.at_most(used.get(period, 0.0), limit, where)
            watch.near(shown[guarantee.id, period], used.get(period, 0.0), f"{where} as shown")
    return watch.result()


# --- loads given by the workspace -------------------------------------------------------------


def _promised(ledger: Ledger) -> Check:
    watch = Watch("promised", "every promised load is sent in its period", (22,), WHOLE)
    asked: Counter[tuple[str, str, str, int]] = Counter()
    loads_asked: Counter[tuple[str, str, int]] = Counter()
    for row in ledger.rows_in_state(LoadState.PROMISED):
        period = ledger.days.period_of(row.departs_on)
        asked[row.lane, row.tank_type, row.liquid, period] += 1
        loads_asked[row.lane, row.tank_type, period] += 1
    sent: Counter[tuple[str, str, str, int]] = Counter()
    loads_sent: Counter[tuple[str, str, int]] = Counter()
    for load in _free_loads(ledger):
        loads_sent[load.lane, load.tank_type, load.period] += 1
        for part in load.parts:
            sent[load.lane, load.tank_type, part.liquid, load.period] += 1
    named = {row.load_id: row for row in ledger.rows_in_state(LoadState.PROMISED)
             if ledger.days.period_of(row.departs_on) in ledger.periods}  # fmt: skip
    for load in ledger.plan.loads:
        if load.kind is LoadKind.PROMISED:
            promise = named.pop(load.load_id, None)
            kept = promise is not None and (
                (load.lane, load.tank_type, load.period)
                == (promise.lane, promise.tank_type, ledger.days.period_of(promise.departs_on))
                and promise.liquid in {part.liquid for part in load.parts}
            )
            watch.holds(kept, f"{_words(load)} is called promised, and is no promise")
    for load_id in named:
        watch.wrong(f"promise {load_id}, which no load keeps by name,")
    for key, count in asked.items():
        lane, tank, liquid, period = key
        watch.at_least(sent[key], count, f"{liquid} in {tank} on {lane} in period {period}, sent,")
    for group, count in loads_asked.items():
        lane, tank, period = group
        watch.at_least(loads_sent[group], count, f"loads of {tank} on {lane} in period {period}")
    return watch.result()


def _given_loads(ledger: Ledger) -> Check:
    watch = Watch(
        "given-loads", "frozen loads and loads under way are as they were given", (22,), LPA
    )
    shown = {load.load_id: load for load in ledger.plan.loads
             if load.kind in (LoadKind.FROZEN, LoadKind.UNDER_WAY)}  # fmt: skip
    kinds = {LoadState.FROZEN: LoadKind.FROZEN, LoadState.UNDER_WAY: LoadKind.UNDER_WAY}
    for state, kind in kinds.items():
        for row in ledger.rows_in_state(state):
            load = shown.pop(row.load_id, None)
            given = (row.lane, row.tank_type, {row.liquid}, kind)
            found = load and (load.lane, load.tank_type, {part.liquid for part in load.parts},
                              load.kind)  # fmt: skip
            if load is None or found != given:
                watch.wrong(f"load {row.load_id} is {found}, not {given}:")
                continue
            watch.near(load.lpa, row.lpa or 0.0, f"load {row.load_id}")
            left = ledger.days.period_of(row.departs_on) if kind is LoadKind.FROZEN else 0
            watch.near(load.period, left, f"the period of load {row.load_id}")
    for load_id in shown:
        watch.wrong(f"load {load_id}, which the workspace does not give,")
    return watch.result()
