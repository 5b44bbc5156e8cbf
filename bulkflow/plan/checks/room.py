"""Tanks, change-overs, room at the end and on arrival, heels, guarantees (eqs. 12 to 17)."""

from __future__ import annotations

from collections import defaultdict

from bulkflow.plan.checks.asked import mean_use
from bulkflow.plan.checks.balance import commodity_words
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.checks.position import Commodity
from bulkflow.plan.checks.reachable import first_held
from bulkflow.plan.checks.watch import LITRES, MONEY, WHOLE, Check, Watch
from bulkflow.program.answer import LoadKind
from bulkflow.scenario.model import Site, Tank

__all__ = ["guarantee_use", "room_checks"]


def room_checks(ledger: Ledger) -> list[Check]:
    """Return the checks of what stands in tanks."""
    return [
        _tank_settings(ledger),
        _change_overs(ledger),
        _room_at_end(ledger),
        _room_on_arrival(ledger),
        _room_after_end(ledger),
        _heels(ledger),
        _storage_guarantees(ledger),
    ]


def _tank(ledger: Ledger, site: str, tank: str) -> Tank | None:
    return next((one for one in ledger.sites[site].tanks if one.id == tank), None)


def _tank_settings(ledger: Ledger) -> Check:
    watch = Watch(
        "tank-settings", "a tank holds one liquid it may hold, and stays set", (12,), WHOLE
    )
    seen: set[tuple[str, str, int]] = set()
    for row in ledger.plan.tank_settings:
        where = f"tank {row.tank} at {row.site} in period {row.period}"
        tank = _tank(ledger, row.site, row.tank)
        watch.holds(
            tank is not None and row.liquid in tank.liquids,
            f"{where} is set to {row.liquid}, which it may not hold",
        )
        watch.holds((row.site, row.tank, row.period) not in seen, f"{where} is set twice")
        seen.add((row.site, row.tank, row.period))
    stood = {(one.site, one.liquid, ledger.barring(one.origin_class)) for one in ledger.plan.stocks}
    stood.update(commodity for commodity, _ in ledger.blocked_litres)
    for (site, name), by_period in ledger.settings.items():
        tank = _tank(ledger, site, name)
        choices = sum(one[0] == site and one[1] in tank.liquids for one in stood) if tank else 0
        # A tank with a choice may wait for its first liquid; one without is always set to it.
        first = 1 if choices == 1 else min(by_period)
        for period in range(first, ledger.days.count + 1):
            watch.holds(
                period in by_period, f"tank {name} at {site} is set to nothing in period {period}"
            )
    return watch.result()


def _change_overs(ledger: Ledger) -> Check:
    watch = Watch("change-overs", "every change of a tank is shown as one", (12,), WHOLE)
    for row in ledger.plan.tank_settings:
        changed = ledger.changed_from((row.site, row.tank), row.period) is not None
        watch.same(
            row.changed,
            changed,
            f"whether tank {row.tank} at {row.site} changes in period {row.period}",
        )
    return watch.result()


def _out_of_use(ledger: Ledger, site: Site, tank: Tank, period: int) -> bool:
    return tank.change_over_days > 0 and ledger.changed_from((site.id, tank.id), period) is not None


def _tanks_set_to(ledger: Ledger, commodity: Commodity, period: int) -> list[Tank]:
    """Return the tanks in use that are set to a commodity in a period."""
    site = ledger.sites[commodity[0]]
    return [
        tank
        for tank in site.tanks
        if ledger.settings.get((site.id, tank.id), {}).get(period) == commodity
        and not _out_of_use(ledger, site, tank, period)
    ]


def _room(ledger: Ledger, commodity: Commodity, period: int) -> float:
    return sum(tank.capacity_litres for tank in _tanks_set_to(ledger, commodity, period))


def _at_sites(ledger: Ledger) -> list[Commodity]:
    return [one for one in ledger.commodities if one[0] in ledger.sites]


def _room_at_end(ledger: Ledger) -> Check:
    watch = Watch(
        "room", "what stands at the end of a period fits into the tanks set to it", (13, 14), LITRES
    )
    for commodity in _at_sites(ledger):
        for period in ledger.periods:
            stands = ledger.litres(commodity[1], ledger.held_at(commodity, period))
            stands += ledger.blocked_litres[commodity, period]
            watch.at_most(
                stands,
                _room(ledger, commodity, period),
                f"{commodity_words(commodity)} at the end of period {period}",
            )
    return watch.result()


def _room_on_arrival(ledger: Ledger) -> Check:
    watch = Watch("room-on-arrival", "a whole load fits before anything is used", (14, 15), LITRES)
    for commodity in _at_sites(ledger):
        for period in ledger.periods:
            arrives = ledger.received[commodity, period]
            if not arrives:
                continue
            lpa = (ledger.held_at(commodity, period - 1) - ledger.heels_lost[commodity, period]
                   + arrives)  # fmt: skip
            stands = ledger.litres(commodity[1], lpa) + ledger.blocked_litres[commodity, period - 1]
            watch.at_most(
                stands,
                _room(ledger, commodity, period),
                f"{commodity_words(commodity)} on arrival in period {period}",
            )
    return watch.result()


def _room_after_end(ledger: Ledger) -> Check:
    watch = Watch(
        "room-after-the-end",
        "what arrives after the horizon will have room, use going on at its mean",
        (14, 15),
        LITRES,
    )
    last = ledger.days.count
    coming: dict[Commodity, dict[int, float]] = defaultdict(lambda: defaultdict(float))
    chosen: dict[Commodity, set[int]] = defaultdict(set)
    for load in ledger.plan.loads:
        for part in load.parts:
            period = ledger.received_period(load, part.liquid)
            if period <= last:
                continue
            barring = ledger.barring(part.origin_class)
            commodity = ledger.kept(load.destination, part.liquid, barring)
            coming[commodity][period] += part.lpa * ledger.arriving_share(load)
            if load.kind in (LoadKind.PLANNED, LoadKind.PROMISED):
                chosen[commodity].add(period)
    for commodity in {*_at_sites(ledger), *chosen}:
        site, liquid, _ = commodity
        room = _room(ledger, commodity, last) - ledger.blocked_litres[commodity, last]
        free = [tank for tank in ledger.sites[site].tanks
                if liquid in tank.liquids and (site, tank.id) not in ledger.settings]  # fmt: skip
        room += sum(tank.capacity_litres for tank in free)
        use = mean_use(ledger, site, liquid)
        for period in sorted(chosen[commodity]) or [last]:
            arrived = sum(lpa for when, lpa in coming[commodity].items() if when <= period)
            used = use * max(0, period - last - 1)
            watch.at_most(
                ledger.litres(liquid, ledger.held_at(commodity, last) + arrived - used),
                room,
                f"{commodity_words(commodity)} after the horizon, in period {period}",
            )
    return watch.result()


def _heels(ledger: Ledger) -> Check:
    watch = Watch("heels", "the heel stays in every tank", (16,), LITRES)
    reached = first_held(ledger)
    for commodity in _at_sites(ledger):
        for period in ledger.periods:
            heels = sum(tank.heel_litres for tank in _tanks_set_to(ledger, commodity, period))
            opening = ledger.litres(commodity[1], ledger.held_at(commodity, 0))
            start = 1 if opening + LITRES.tolerance(heels) >= heels else reached.get(commodity)
            if start is not None and period >= start:
                stands = ledger.litres(commodity[1], ledger.held_at(commodity, period))
                watch.at_least(
                    stands, heels, f"{commodity_words(commodity)} at the end of period {period}"
                )
    return watch.result()


def guarantee_use(ledger: Ledger, guarantee: str, period: int) -> float:
    """Return duty on stock at the sites that name a storage guarantee (eq. 17)."""
    used = 0.0
    day = ledger.days.first(period)
    for commodity in _at_sites(ledger):
        site = ledger.sites[commodity[0]]
        if site.storage_guarantee == guarantee:
            rate = ledger.money.duty(site.authority, ledger.liquids[commodity[1]], day, day)
            held = ledger.held_at(commodity, period) + ledger.blocked_lpa[commodity, period]
            used += rate * held
    return used


def _storage_guarantees(ledger: Ledger) -> Check:
    watch = Watch("storage-guarantees", "duty on stock stays inside each guarantee", (17,), MONEY)
    shown: dict[tuple[str, int], float] = defaultdict(float)
    for row in ledger.plan.guarantee_use:
        shown[row.guarantee, row.period] += row.used
    for guarantee in ledger.scenario.guarantees:
        if guarantee.kind != "storage":
            continue
        for period in ledger.periods:
            used = guarantee_use(ledger, guarantee.id, period)
            limit = guarantee.limit * ledger.money.rate(
                guarantee.currency, ledger.days.first(period)
            )
            where = f"use of {guarantee.id} in period {period}"
            watch.at_most(used, limit, where)
            watch.near(shown[guarantee.id, period], used, f"{where} as shown")
    return watch.result()
