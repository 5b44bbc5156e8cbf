"""Loads that cannot be sent as the workspace has them: fill, tanks, guarantees, days, promises."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from datetime import timedelta

from bulkflow.filling import FILLING_CAUTION, HOUSE_RULE
from bulkflow.plan.checks.fill import LaneFill, fill_at, load_fill
from bulkflow.plan.checks.position import Position
from bulkflow.plan.finding import Finding, period_words
from bulkflow.scenario.model import (
    Contract,
    Guarantee,
    Lane,
    LaneTank,
    LoadRow,
    LoadState,
    Scenario,
    Supplier,
    TankType,
)
from bulkflow.wording import counted, listed

__all__ = ["lane_capacity", "load_findings", "most_load_lpa", "unstated_temperatures"]

DAY = timedelta(days=1)


def load_findings(position: Position) -> Iterator[Finding]:
    """Yield what is wrong with single lanes and with the loads of the opening position."""
    for lane in position.scenario.lanes:
        yield from _fill(position, lane)
        yield from _slow(position, lane)
        yield from _tank_room(position, lane)
        yield from _small_guarantee(position, lane)
        yield from _waiting(position, lane)
    yield from _promised(position)
    yield from _given_against_guarantees(position)
    yield from _given_against_fleets(position)
    yield from _given_against_counts(position)
    yield from _contract_minimum(position)
    yield from _least_order(position)
    yield from _blocked_room(position)


def fills(position: Position, lane: Lane, tank: LaneTank, liquid: str) -> list[LaneFill]:
    """Return the fill range of a tank on a lane, or of each of its compartments."""
    kind = position.tank_types[tank.tank_type]
    return [load_fill(lane, kind, position.liquids[liquid], size) for size in sizes_of(kind)]


def most_load_lpa(position: Position, lane: Lane, tank: LaneTank, liquid: str) -> float:
    """Return the most LPA one load of a tank may carry; 0 where none is lawful."""
    kind = position.tank_types[tank.tank_type]
    sizes = [one.capacity_litres for one in kind.compartments] or [kind.capacity_litres]
    found = [load_fill(lane, kind, position.liquids[liquid], size) for size in sizes]
    return sum(one.max_lpa for one in found if not one.refused)


def least_load_lpa(position: Position, lane: Lane, liquid: str) -> float | None:
    """Return the least LPA a load on a lane may carry, by any of its tanks; None without one."""
    least = [one.min_lpa for tank in lane.tanks for one in fills(position, lane, tank, liquid)
             if not one.refused]  # fmt: skip
    return min(least, default=None)


def lane_capacity(position: Position, lane: Lane, liquid: str) -> float:
    """Return the most LPA of a liquid a lane can send in a period; infinite without a limit."""
    fleets = {fleet.id: fleet.tanks for fleet in position.scenario.fleets}
    total, left = 0.0, float("inf")
    if lane.maximum_loads_per_period is not None:
        left = lane.maximum_loads_per_period
    by_size = sorted(
        ((most_load_lpa(position, lane, tank, liquid), tank) for tank in lane.tanks),
        key=lambda pair: -pair[0],
    )
    for most, tank in by_size:
        limits = [left]
        if tank.maximum_loads_per_period is not None:
            limits.append(tank.maximum_loads_per_period)
        if tank.fleet is not None:
            limits.append(fleets[tank.fleet])
        loads = min(limits)
        total += most * loads if most > 0 else 0.0
        left -= loads if loads < float("inf") else 0.0
    return total


def _fill(position: Position, lane: Lane) -> Iterator[Finding]:
    """Least fill above most: the lane cannot carry a liquid in a tank, or carries nothing."""
    refused: list[tuple[str, str, str]] = []
    combinations = 0
    for tank in lane.tanks:
        for liquid in lane.liquids:
            combinations += 1
            found = fills(position, lane, tank, liquid)
            if all(one.refused for one in found):
                refused.append((tank.tank_type, liquid, found[0].reason))
    if refused and len(refused) == combinations:
        yield Finding(
            "warns",
            f"Lane {lane.id} can carry nothing, its least fill is above the most. {refused[0][2]}",
            (f"lanes[{lane.id}]",),
            FILLING_CAUTION,
        )
        return
    for tank_type, liquid, reason in refused:
        yield Finding(
            "warns",
            f"Lane {lane.id} cannot carry {liquid} in {tank_type}, its least fill is above the"
            f" most. {reason}",
            (f"lanes[{lane.id}]", f"tank_types[{tank_type}]", f"liquids[{liquid}]"),
            FILLING_CAUTION,
        )


def unstated_temperatures(scenario: Scenario) -> str:
    """Return which lanes have an assumed filling temperature that binds; empty where none has.

    It binds where a tank has to be nearly full lest it surge: a load planned at just that much is
    unlawful on a colder day.
    """
    tanks = {one.id: one for one in scenario.tank_types}
    liquids = {one.id: one for one in scenario.liquids}
    keys = {f"{which}filling_temperature_c" for which in ("", "minimum_", "maximum_")}
    found = []
    for lane in scenario.lanes:
        kinds = [tanks[one.tank_type] for one in lane.tanks]
        ranges = (
            fill_at(lane, kind, liquids[liquid], size, lane.filling_temperature_c)
            for kind in kinds
            for size in sizes_of(kind)
            for liquid in lane.liquids
        )
        if not keys & lane.model_fields_set and any(
            not one.refused and one.minimum.source != HOUSE_RULE for one in ranges
        ):
            found.append(lane.id)
    if not found:
        return ""
    usual = Lane.model_fields["filling_temperature_c"].default
    return (
        f"{counted(len(found), 'lane')} of tanks that have to be nearly full"
        f" {'states' if len(found) == 1 else 'state'} no filling temperature ({listed(found, 6)}):"
        f" {usual:g} degC is taken. A load planned at the least that is lawful then is unlawful on"
        " a colder day. State minimum_filling_temperature_c, the season's lowest."
    )


def sizes_of(kind: TankType) -> list[float]:
    """Return the sizes of a tank's compartments [L], each once; that of an undivided tank."""
    return sorted({one.capacity_litres for one in kind.compartments}) or [kind.capacity_litres]


def _slow(position: Position, lane: Lane) -> Iterator[Finding]:
    """Lanes on which nothing can leave, or nothing arrives before the end of the horizon."""
    days = [found for liquid in lane.liquids for period in position.periods
            if (found := position.days.of_lane(lane, period, liquid))]  # fmt: skip
    record = (f"lanes[{lane.id}]",)
    if not days:
        yield Finding(
            "warns",
            f"No load can leave on lane {lane.id}: there is no working day or sailing for it in"
            " any period. Correct its sailings, or the closures of its ends.",
            record,
        )
    elif all(one.usable_period > position.days.count for one in days):
        first = min(one.usable for one in days)
        end = position.days.last(position.days.count)
        yield Finding(
            "warns",
            f"Lane {lane.id} is slower than the horizon: its first load can be used on {first},"
            f" the horizon ends on {end}. Lengthen calendar.horizon_periods.",
            record,
        )


def _tank_room(position: Position, lane: Lane) -> Iterator[Finding]:
    """Tanks of the receiver smaller than the least load."""
    site = position.sites[lane.destination]
    share = 1.0 - lane.transit_loss_percent / 100.0
    for liquid in lane.liquids:
        least = least_load_lpa(position, lane, liquid)
        if least is None:
            continue
        arrives = position.litres(liquid, least) * share
        tanks = [tank for tank in site.tanks if liquid in tank.liquids]
        room = sum(tank.capacity_litres for tank in tanks)
        if room < arrives:
            has = f"holds {room:,.0f} L in all" if tanks else "has no tank that may hold it"
            yield Finding(
                "warns",
                f"{site.id} cannot take a load of {liquid} from lane {lane.id}: the least load"
                f" arrives as {arrives:,.0f} L, and {site.id} {has}. Give it a larger tank, or the"
                " lane a smaller one.",
                (f"lanes[{lane.id}]", f"sites[{site.id}]"),
            )


def _waiting(position: Position, lane: Lane) -> Iterator[Finding]:
    """Tanks that may wait, but for less than a period: the plan can let none wait."""
    for tank in lane.tanks:
        days = tank.waiting.longest_days if tank.waiting is not None else 0
        if 0 < days < position.days.length:
            yield Finding(
                "warns",
                f"A {tank.tank_type} on lane {lane.id} may wait {counted(days, 'day')}, less than a"
                f" period of {position.days.length}: the plan lets none wait. Give longest_days of"
                " whole periods, or 0.",
                (f"lanes[{lane.id}]",),
            )


def _limit(position: Position, guarantee: Guarantee, period: int) -> float:
    rate = position.money.rate(guarantee.currency, position.days.first(period))
    return guarantee.limit * rate


def _small_guarantee(position: Position, lane: Lane) -> Iterator[Finding]:
    """Guarantees that the least load of a lane exceeds in every period it could leave."""
    guarantees = {one.id: one for one in position.scenario.guarantees}
    currency = position.scenario.currency
    for leg in lane.legs:
        guarantee = guarantees[leg.guarantee]
        for liquid in lane.liquids:
            least = least_load_lpa(position, lane, liquid)
            ways = [(position.days.of_lane(lane, period, liquid), period)
                    for period in position.periods]  # fmt: skip
            risks = []
            for days, period in ways:
                if days is None or least is None:
                    continue
                rate = leg.share_percent / 100.0 * position.money.duty(
                    leg.authority, position.liquids[liquid], days.loading,
                    position.days.first(period))  # fmt: skip
                risks.append((least * rate, rate, _limit(position, guarantee, period)))
            if risks and all(risk > limit for risk, _, limit in risks):
                risk, rate, limit = min(risks)
                yield Finding(
                    "warns",
                    f"Guarantee {guarantee.id} is smaller than one load of {liquid} on lane"
                    f" {lane.id}: {least:,.0f} LPA at {rate:,.2f} {currency} puts"
                    f" {risk:,.0f} {currency} at risk, the limit is {limit:,.0f} {currency}."
                    " Raise the guarantee, or send in smaller tanks.",
                    (f"guarantees[{guarantee.id}]", f"lanes[{lane.id}]"),
                )


def _promised(position: Position) -> Iterator[Finding]:
    for row in position.rows_in_state(LoadState.PROMISED):
        lane = position.lanes[row.lane]
        period = position.days.period_of(row.departs_on)
        records = (f"loads[{row.load_id}]", f"lanes[{lane.id}]")
        if not 1 <= period <= position.days.count:
            continue
        if position.days.of_lane(lane, period, row.liquid) is None:
            yield Finding(
                "blocks",
                f"Load {row.load_id} is promised for period {period}, in which no load can leave"
                f" on lane {lane.id}. Move the promise to a period with a sailing and a working"
                " day.",
                records,
            )
        tank = next((one for one in lane.tanks if one.tank_type == row.tank_type), None)
        if tank is not None:
            found = fills(position, lane, tank, row.liquid)
            if all(one.refused for one in found):
                yield Finding("blocks", f"Load {row.load_id} is promised, but {found[0].reason}",
                              records, FILLING_CAUTION)  # fmt: skip


def _given(position: Position) -> list[LoadRow]:
    """Return the loads that are sent, or already on their way, whatever is planned."""
    return [*position.rows_in_state(LoadState.FROZEN), *position.rows_in_state(LoadState.UNDER_WAY)]


def _given_against_guarantees(position: Position) -> Iterator[Finding]:
    """Frozen loads and loads under way that break a movement guarantee by themselves."""
    used: dict[tuple[str, int], float] = defaultdict(float)
    of_loads: dict[tuple[str, int], list[str]] = defaultdict(list)
    for row in _given(position):
        lane = position.lanes[row.lane]
        days = position.days.of_row(lane, row)
        if days is None:
            continue
        for leg in lane.legs:
            for period in position.days.at_risk(leg, days.loading, days.discharge):
                rate = leg.share_percent / 100.0 * position.money.duty(
                    leg.authority, position.liquids[row.liquid], days.loading,
                    position.days.first(period))  # fmt: skip
                used[leg.guarantee, period] += rate * (row.lpa or 0.0)
                of_loads[leg.guarantee, period].append(row.load_id)
    for guarantee in position.scenario.guarantees:
        for period in position.periods:
            limit, found = _limit(position, guarantee, period), used[guarantee.id, period]
            if found > limit * (1 + 1e-9):
                loads = of_loads[guarantee.id, period]
                yield Finding(
                    "blocks",
                    f"Loads already frozen or under way ({', '.join(loads)}) put {found:,.0f}"
                    f" {position.scenario.currency} at risk against {guarantee.id} in period"
                    f" {period}, above its limit of {limit:,.0f}. Raise the guarantee, or thaw a"
                    " load.",
                    (f"guarantees[{guarantee.id}]", *(f"loads[{one}]" for one in loads)),
                )
                break


def _given_against_fleets(position: Position) -> Iterator[Finding]:
    away: dict[str, Counter[int]] = defaultdict(Counter)
    for row in _given(position):
        lane = position.lanes[row.lane]
        fleet = next((one.fleet for one in lane.tanks if one.tank_type == row.tank_type), None)
        days = position.days.of_row(lane, row)
        if fleet is None or days is None or row.in_tank_of is not None:
            continue
        back = position.days.period_of(days.discharge + lane.return_days * DAY)
        under_way = row.state is LoadState.UNDER_WAY
        first = 1 if under_way else position.days.period_of(row.departs_on)
        for period in range(max(1, first), min(back, position.days.count) + 1):
            away[fleet][period] += 1
    for one in position.scenario.fleets:
        over = {period for period, count in away[one.id].items() if count > one.tanks}
        if over:
            most = max(away[one.id].values())
            yield Finding(
                "blocks",
                f"Fleet {one.id} has {counted(one.tanks, 'tank')}, but loads already frozen or"
                f" under way keep up to {most} away in {period_words(over)}. Correct fleets or"
                " loads.",
                (f"fleets[{one.id}]",),
            )


def _given_against_counts(position: Position) -> Iterator[Finding]:
    """More loads promised and frozen on a lane in a period than it may send."""
    counts: Counter[tuple[str, int]] = Counter()
    for state in (LoadState.FROZEN, LoadState.PROMISED):
        for row in position.rows_in_state(state):
            counts[row.lane, position.days.period_of(row.departs_on)] += 1
    for (lane_id, period), count in sorted(counts.items()):
        most = position.lanes[lane_id].maximum_loads_per_period
        if most is not None and count > most and period in position.periods:
            yield Finding(
                "blocks",
                f"{counted(count, 'load')} {'is' if count == 1 else 'are'} promised or frozen on"
                f" lane {lane_id} in period {period}; it"
                f" sends at most {most} a period. Move a load, or raise the lane's limit.",
                (f"lanes[{lane_id}]",),
            )


def _contract_minimum(position: Position) -> Iterator[Finding]:
    """Contracts whose minimum cannot be taken."""
    for supplier in position.scenario.suppliers:
        for contract in supplier.contracts:
            most, why = _most_taken(position, supplier, contract)
            if contract.minimum_lpa > most * (1 + 1e-9):
                yield Finding(
                    "blocks",
                    f"The contract with {supplier.id} asks for at least"
                    f" {contract.minimum_lpa:,.0f} LPA of {contract.liquid}, but {why}"
                    f" {most:,.0f} LPA. Lower the minimum, or raise what limits it.",
                    (f"suppliers[{supplier.id}]",),
                )


def _least_order(position: Position) -> Iterator[Finding]:
    """Contracts of which nothing can be ordered: the least order fits no lane, or no tank."""
    for supplier in position.scenario.suppliers:
        for contract in supplier.contracts:
            lanes = [
                lane
                for lane in position.scenario.lanes
                if lane.origin == supplier.id and contract.liquid in lane.liquids
            ]
            why = _too_small_for_order(position, lanes, contract)
            if lanes and why:
                yield Finding(
                    "blocks" if contract.minimum_lpa > 0 else "warns",
                    f"The least order of {contract.liquid} from {supplier.id} is {why} in a"
                    " period: nothing can be ordered. Agree a smaller order, or raise what limits"
                    " it.",
                    (f"suppliers[{supplier.id}]",),
                )


def _too_small_for_order(
    position: Position, lanes: Sequence[Lane], contract: Contract
) -> str | None:
    """Return the least order and what is below it, in words; None where it can be taken."""
    limits = [lane.maximum_loads_per_period for lane in lanes]
    loads = sum(float("inf") if one is None else one for one in limits)
    if contract.minimum_loads_per_order > loads:
        least = counted(contract.minimum_loads_per_order, "load")
        return f"{least}, but its lanes send at most {loads:.0f}"
    fetched = sum(lane_capacity(position, lane, contract.liquid) for lane in lanes)
    strength = position.liquids[contract.liquid].strength_percent
    room = sum(
        tank.capacity_litres
        * strength
        / 100.0
        / (1.0 - lane.transit_loss_percent / 100.0)
        * (1 + max(position.days.most_waits(lane, one.tank_type) for one in lane.tanks))
        for lane in lanes
        if lane.transit_loss_percent < 100.0
        for tank in position.sites[lane.destination].tanks
        if contract.liquid in tank.liquids
    )
    most, words = min((fetched, "its lanes fetch at most"), (room, "its receivers' tanks hold"))
    if contract.minimum_lpa_per_order > most * (1 + 1e-9):
        return f"{contract.minimum_lpa_per_order:,.0f} LPA, but {words} {most:,.0f} LPA"
    return None


def _most_taken(position: Position, supplier: Supplier, contract: Contract) -> tuple[float, str]:
    """Return the most LPA a contract can give within the horizon, and what limits it."""
    per_period = float("inf")
    if contract.maximum_lpa_per_period is not None:
        per_period = contract.maximum_lpa_per_period
    by_contract = by_lanes = 0.0
    for period in position.periods:
        day = position.days.first(period)
        if (contract.first_day or day) <= day <= (contract.last_day or day):
            by_contract += per_period
            by_lanes += sum(
                lane_capacity(position, lane, contract.liquid)
                for lane in position.scenario.lanes
                if lane.origin == supplier.id
                and contract.liquid in lane.liquids
                and position.days.of_lane(lane, period, contract.liquid) is not None
            )
    if by_lanes < by_contract:
        return by_lanes, "its lanes can fetch at most"
    return by_contract, "its most per period allows"


def _blocked_room(position: Position) -> Iterator[Finding]:
    """Lots that may not be used and fill more than the tanks for their liquid."""
    litres: dict[tuple[str, str], float] = defaultdict(float)
    for ((site, liquid, _), period), amount in position.blocked_litres.items():
        if period == 1:
            litres[site, liquid] += amount
    for (site, liquid), amount in litres.items():
        tanks = [one for one in position.sites[site].tanks if liquid in one.liquids]
        room = sum(tank.capacity_litres for tank in tanks)
        if amount > room:
            yield Finding(
                "blocks",
                f"Lots of {liquid} at {site} that may not be used fill {amount:,.0f} L; its tanks"
                f" for {liquid} hold {room:,.0f} L. Correct the lots or the tanks.",
                (f"sites[{site}]",),
            )
