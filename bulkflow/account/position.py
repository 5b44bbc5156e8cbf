"""The position of a workspace on a later day, from its register: what a new plan starts from.

Time goes on: demand of past periods was bottled or is owed, loads arrived with what they really
held, stock is what the account says. Whatever the register does not know is assumed, and every
assumption is said, so that the plan can be read for what it rests on.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.account.beginning import has_begun
from bulkflow.account.bodies import Bottling
from bulkflow.account.ledger import HEELS, ON_THE_WAY, Line, not_by_lot, postings_in
from bulkflow.account.queries import bottlings_named
from bulkflow.account.tables import ACCOUNT
from bulkflow.errors import Fault, InputError
from bulkflow.loads.bodies import LoadState
from bulkflow.loads.opening import discharged_on, with_register_and_loads
from bulkflow.loads.queries import LoadFilter, loads_in
from bulkflow.loads.tables import LOADS
from bulkflow.lots.queries import LotFilter, LotLine, list_lots
from bulkflow.lots.register import open_register
from bulkflow.plan.inputs import OPENING, scenario_of
from bulkflow.plan.register import Opened
from bulkflow.plan.result import PlanResult
from bulkflow.program.calendar import Periods, all_lane_days
from bulkflow.records.chain import head
from bulkflow.records.settings import settings_for
from bulkflow.records.store import Store
from bulkflow.records.verification import check_head
from bulkflow.scenario.lookup import arrival_check_days, demand_liquid, demand_lpa, demand_priority
from bulkflow.scenario.model import (
    Contract,
    DemandRow,
    Lane,
    LoadRow,
    OpeningStockRow,
    PriceTier,
    Scenario,
    Supplier,
)
from bulkflow.scenario.model import LoadState as RowState

__all__ = ["as_planned", "with_account"]

_DAY = timedelta(days=1)
#: LPA below which demand counts as bottled: a few cases, which the week's last pallet decides.
_NOTHING_OWED = 10.0


def with_account(
    scenario: Scenario, folder: Path, database: str | None, *, on: date | None = None
) -> Opened:
    """Return the scenario with its opening position as the register has it.

    Parameters
    ----------
    on : plan from this day on, the first of a period; None for the calendar as it stands.

    Raises
    ------
    InputError
        If `on` is not the first day of a period of the quarter, or the account was not begun, or
        the register holds what the workspace has no place for.
    DatabaseError
        If the register cannot be opened.
    """
    if on is None or on == scenario.calendar.start:
        opened = with_register_and_loads(scenario, folder, database)
        return _arrived(opened, folder, database) if opened.register else opened
    rolled = _rolled(scenario, on)
    opened = with_register_and_loads(rolled, folder, database)
    if not opened.register:
        raise InputError(Fault("", 0, "--on", f"is {on}", "It needs a register; begin one."))
    return _later(scenario, opened, folder, database, on)


def as_planned(
    scenario: Scenario,
    folder: Path,
    database: str | None,
    result: PlanResult,
    *,
    as_kept: bool = True,
) -> Opened:
    """Return the scenario that a kept plan is of: as its register opened it on its first day.

    A plan made from the tables is of the tables. So is, as far as can be told, one whose register
    is no longer there: none is begun for the papers of a plan. Where the register has gone on
    since, the opening is what the plan keeps of it, if its chain head lies on the register's
    chain; else, or not `as_kept`, it is what the register says now.

    Raises
    ------
    InputError, DatabaseError
        As :func:`with_account` does.
    """
    if not result.register or not settings_for(folder, database).exists:
        return Opened(scenario, "", "", "")
    start = result.plan.period_starts[0]
    opened = with_account(scenario, folder, database, on=start)
    if opened.chain_head == result.chain_head or not as_kept:
        return opened
    with _store(folder, database) as store, store.read() as session:
        same_chain = check_head(session, result.chain_head).agrees
    kept = scenario_of(result.inputs) if same_chain else None
    if kept is None:
        return opened
    parts = {name: getattr(kept, name) for name in OPENING}
    return replace(opened, scenario=opened.scenario.model_copy(update=parts), kept=True)


def _store(folder: Path, database: str | None) -> Store:
    return open_register(settings_for(folder, database), LOADS, ACCOUNT, create=False)


def _arrived(opened: Opened, folder: Path, database: str | None) -> Opened:
    """Let loads that were received within the calendar bring what was received."""
    with _store(folder, database) as store, store.read() as session:
        received = _received(session)
    lanes = {lane.id: lane for lane in opened.scenario.lanes}
    rows, said = [], []
    for row in opened.scenario.loads:
        lpa = received.get((row.load_id, row.liquid))
        if lpa is None or row.state is not RowState.UNDER_WAY or row.lpa is None:
            rows.append(row)
            continue
        kept = 1.0 - lanes[row.lane].transit_loss_percent / 100.0
        rows.append(row.model_copy(update={"lpa": float(lpa) / kept}))
        if abs(float(lpa) - row.lpa * kept) > _NOTHING_OWED:
            said.append(
                f"Load {row.load_id} brought {lpa:,} LPA of {row.liquid}, as it was received."
            )
    return _with(opened, opened.scenario.model_copy(update={"loads": tuple(rows)}), said)


def _received(session: Session) -> dict[tuple[str, str], Decimal]:
    """Return LPA received of each load and liquid that was discharged."""
    found: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
    for one in postings_in(session, lines=[Line.RECEIVED]):
        if one.place not in {ON_THE_WAY, HEELS, Line.TRANSIT.value}:
            found[one.subject, one.liquid_id] += one.lpa
    return found


def _with(opened: Opened, scenario: Scenario, said: Iterable[str]) -> Opened:
    words = "\n".join(part for part in (opened.said, *said) if part)
    return replace(opened, scenario=scenario, said=words)


def _rolled(scenario: Scenario, on: date) -> Scenario:
    """Return the scenario with a calendar that starts later; what is past is left out."""
    calendar = scenario.calendar
    periods, rest = divmod((on - calendar.start).days, calendar.period_days)
    if rest or not 0 < periods < calendar.quarter_periods:
        starts = (calendar.start + n * calendar.period_days * _DAY for n in range(1, 4))
        mend = f"Give the first day of a period of the quarter: {', '.join(map(str, starts))} ..."
        raise InputError(Fault("", 0, "--on", f"is {on}", mend))
    later = calendar.model_copy(
        update={
            "start": on,
            "quarter_periods": calendar.quarter_periods - periods,
            "horizon_periods": calendar.horizon_periods - periods,
        }
    )
    return scenario.model_copy(
        update={
            "calendar": later,
            "demand": tuple(row for row in scenario.demand if row.period_start >= on),
            "issued_loads": tuple(row for row in scenario.issued_loads if row.period_start >= on),
        }
    )


@dataclass(slots=True)
class _Later:
    """What is worked out on the way to a later position."""

    before: Scenario
    scenario: Scenario
    on: date
    said: list[str]
    stock: dict[tuple[str, str], float]
    bottled: dict[tuple[str, str], float]
    lots: list[LotLine]
    overdue: frozenset[str]


def _later(
    before: Scenario, opened: Opened, folder: Path, database: str | None, on: date
) -> Opened:
    lanes = {lane.id: lane for lane in opened.scenario.lanes}
    with _store(folder, database) as store, store.read() as session:
        if not has_begun(session):
            mend = "Begin the account first (bulkflow account begin FOLDER)."
            raise InputError(Fault("", 0, "--on", "needs the account of stock", mend))
        if str(head(session)) != opened.chain_head:
            mend = "Try again; somebody is recording."
            raise InputError(Fault("", 0, "the register", "went on meanwhile", mend))
        work = _Later(
            before=before,
            scenario=opened.scenario,
            on=on,
            said=[],
            stock=_stock_not_by_lot(session),
            bottled=_bottled(before, [one.bottling for one in bottlings_named(session)], on),
            lots=list_lots(session, LotFilter()),
            overdue=_overdue(session, on),
        )
        in_check = tuple(_in_check(session, opened.scenario, on))
    for row, lpa in in_check:
        key = (lanes[row.lane].destination, row.liquid)
        work.stock[key] = max(0.0, work.stock.get(key, 0.0) - lpa)
    loads = (*_loads(work), *(row for row, _ in in_check))
    demand = (*opened.scenario.demand, *_owed(work))
    scenario = opened.scenario.model_copy(
        update={
            "loads": loads,
            "demand": _merged(demand),
            "opening_stock": tuple(_stock_rows(work)),
            "suppliers": tuple(_supplier(one, work) for one in opened.scenario.suppliers),
        }
    )
    return _with(opened, scenario, [f"Planned from {on}.", *work.said])


def _in_check(session: Session, scenario: Scenario, on: date) -> Iterable[tuple[LoadRow, float]]:
    """Yield what was received before a day and is still in its check then, as coming from it."""
    lanes = {lane.id: lane for lane in scenario.lanes}
    sites = {site.id: site for site in scenario.sites}
    received = _received(session)
    states = frozenset({LoadState.DISCHARGED, LoadState.RECONCILED})
    for load in loads_in(session, LoadFilter(states=states)):
        came, lane = discharged_on(session, load), lanes[load.lane_id]
        for number, part in enumerate(load.parts, 1):
            days = arrival_check_days(sites[lane.destination], part.liquid_id)
            lpa = float(received.get((load.load_id, part.liquid_id), 0))
            if came < on < came + days * _DAY and lpa > 0 and lane.transit_loss_percent < 100.0:
                row = LoadRow(
                    load_id=load.load_id if number == 1 else f"{load.load_id}.{number}",
                    lane=lane.id,
                    liquid=part.liquid_id,
                    tank_type=load.tank_type,
                    state=RowState.UNDER_WAY,
                    departs_on=min(load.leaving_day, on - _DAY),
                    usable_on=came + days * _DAY,
                    lpa=lpa / (1.0 - lane.transit_loss_percent / 100.0),
                    in_tank_of=None if number == 1 else load.load_id,
                )
                yield row, lpa


def _stock_not_by_lot(session: Session) -> dict[tuple[str, str], float]:
    """Return LPA at sites that no lot has, by site and liquid."""
    left: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
    for (place, liquid, _), lpa in not_by_lot(session).items():
        if place not in {ON_THE_WAY, HEELS}:
            left[place, liquid] += lpa
    return {key: float(lpa) for key, lpa in left.items() if lpa > 0}


def _bottled(
    scenario: Scenario, bottlings: Iterable[Bottling], on: date
) -> dict[tuple[str, str], float]:
    """Return LPA taken for bottling since the calendar began, by site and liquid."""
    liquids = {product.id: product.liquid for product in scenario.products}
    found: dict[tuple[str, str], float] = defaultdict(float)
    for one in bottlings:
        if scenario.calendar.start <= one.on < on:
            liquid = liquids.get(one.product_id, one.sources[0].liquid_id)
            found[one.site_id, liquid] += float(one.lpa_taken)
    return found


def _overdue(session: Session, on: date) -> frozenset[str]:
    states = frozenset({LoadState.LOADED, LoadState.DEPARTED, LoadState.ARRIVED})
    waiting = loads_in(session, LoadFilter(states=states))
    return frozenset(load.load_id for load in waiting if load.usable_day < on)


# --- demand ------------------------------------------------------------------------------------


def _owed(work: _Later) -> Iterable[DemandRow]:
    """Yield what was asked before the day and neither bottled nor lost, due now."""
    products = {one.id: one for one in work.before.products}
    priorities = {one.id: one for one in work.before.priorities}
    asked: dict[tuple[str, str], dict[tuple[str, str | None], float]] = defaultdict(
        lambda: defaultdict(float)
    )
    for row in work.before.demand:
        if row.period_start < work.on:
            liquid = demand_liquid(row, products)
            priority = demand_priority(row, work.before.priorities)
            asked[row.site, liquid][priority, row.market] += demand_lpa(row, products)
    kept = {site for site, _ in work.bottled}
    for (site, liquid), wanted in sorted(asked.items()):
        total = sum(wanted.values())
        if site not in kept:
            _assume_served(work, site, liquid, total)
            continue
        served = work.bottled.get((site, liquid), 0.0)
        # The dearest to leave unmet are taken as served first.
        ranked = sorted(wanted, key=lambda key: -priorities[key[0]].cost_per_lpa)
        for priority, market in ranked:
            lpa = wanted[priority, market]
            here = min(lpa, served)
            served -= here
            if lpa - here <= _NOTHING_OWED:
                continue
            lost = priorities[priority].unmet == "lost"
            work.said.append(
                f"{lpa - here:,.0f} LPA of {liquid} asked at {site} before {work.on} were not"
                f" bottled: {'lost' if lost else 'owed, and due now'} ({priority})."
            )
            if not lost:
                yield DemandRow(
                    site=site, period_start=work.on, liquid=liquid, lpa=lpa - here, market=market,
                    priority=priority,
                )  # fmt: skip


def _assume_served(work: _Later, site: str, liquid: str, total: float) -> None:
    there = work.stock.get((site, liquid), 0.0)
    work.stock[site, liquid] = max(0.0, there - total)
    work.said.append(
        f"No bottling is recorded at {site}: {min(total, there):,.0f} LPA of {liquid} are taken as"
        f" bottled before {work.on}."
    )


def _merged(rows: Iterable[DemandRow]) -> tuple[DemandRow, ...]:
    """Add up rows that ask the same, so that each is asked once."""
    found: dict[tuple[object, ...], DemandRow] = {}
    for row in rows:
        key = (row.site, row.period_start, row.liquid, row.product, row.market, row.priority)
        other = found.get(key)
        if other is not None and other.lpa is not None and row.lpa is not None:
            row = other.model_copy(update={"lpa": other.lpa + row.lpa})
        found[key] = row
    return tuple(found.values())


# --- loads, stock, contracts -------------------------------------------------------------------


def _loads(work: _Later) -> Iterable[LoadRow]:
    """Yield the loads still to come; those that came are in the stock."""
    lanes = {lane.id: lane for lane in work.scenario.lanes}
    leaving = _Leaving(work.scenario)
    for row in work.scenario.loads:
        under_way = row.state is RowState.UNDER_WAY
        if row.load_id in work.overdue:
            work.said.append(
                f"Load {row.load_id} is overdue and not received: it is counted on from {work.on}."
            )
        elif not under_way and row.departs_on <= work.on:
            day = leaving.first(lanes[row.lane])
            if row.departs_on < work.on:
                work.said.append(
                    f"Load {row.load_id} ({row.state.value}) was to leave on {row.departs_on}, and"
                    f" the register has no departure: it is promised for {day}."
                )
                changed: dict[str, object] = {"state": RowState.PROMISED, "lpa": None}
            else:
                changed = {}
            row = row.model_copy(update={**changed, "departs_on": day})
        elif under_way and (row.usable_on or row.departs_on) < work.on:
            lane = lanes[row.lane]
            lpa = (row.lpa or 0.0) * (1.0 - lane.transit_loss_percent / 100.0)
            key = (lane.destination, row.liquid)
            work.stock[key] = work.stock.get(key, 0.0) + lpa
            work.said.append(
                f"Load {row.load_id}, which the register does not know, is taken as arrived."
            )
            continue
        yield row


class _Leaving:
    """On which day a load may first leave on a lane."""

    def __init__(self, scenario: Scenario) -> None:
        self._periods = Periods.of(scenario.calendar)
        self._lane_days = all_lane_days(scenario, self._periods)

    def first(self, lane: Lane) -> date:
        """Return the first day of the first period in which a load may leave."""
        for period in self._periods.numbers():
            if self._lane_days[lane.id].sends(period):
                return self._periods.first_day(period)
        return self._periods.first_day(1)  # none ever: the plan itself then says why


def _stock_rows(work: _Later) -> Iterable[OpeningStockRow]:
    """Yield the stock not kept by lot; suppliers as the tables name them, in proportion."""
    rows: dict[tuple[str, str], list[OpeningStockRow]] = defaultdict(list)
    for row in work.before.opening_stock:
        rows[row.site, row.liquid].append(row)
    for (site, liquid), lpa in sorted(work.stock.items()):
        listed = rows.get((site, liquid), [])
        total = sum(row.lpa for row in listed)
        if not total:
            yield OpeningStockRow(site=site, liquid=liquid, lpa=lpa)
            continue
        for row in listed:
            yield row.model_copy(update={"lpa": lpa * row.lpa / total})


def _supplier(supplier: Supplier, work: _Later) -> Supplier:
    """Take what was bought off contracts: their minimum, maximum and tiers are for the whole."""
    got: Mapping[str, float] = _bought(supplier.id, work)
    contracts = tuple(_less(one, got.get(one.liquid, 0.0)) for one in supplier.contracts)
    for liquid, lpa in sorted(got.items()):
        work.said.append(f"{lpa:,.0f} LPA of {liquid} came from {supplier.id} before {work.on}.")
    return supplier.model_copy(update={"contracts": contracts})


def _bought(supplier: str, work: _Later) -> dict[str, float]:
    found: dict[str, float] = defaultdict(float)
    for line in work.lots:
        if (
            line.supplier_id == supplier
            and line.origin == "received"
            and line.made_on is not None
            and work.before.calendar.start <= line.made_on < work.on
        ):
            found[line.liquid_id] += float(line.lpa)
    return found


def _less(contract: Contract, got: float) -> Contract:
    if not got:
        return contract
    tiers: list[PriceTier] = []
    for tier in contract.tiers:
        start = max(0.0, tier.from_lpa - got)
        if tiers and tiers[-1].from_lpa == start:
            tiers.pop()
        tiers.append(tier.model_copy(update={"from_lpa": start}))
    changed: dict[str, object] = {"tiers": tuple(tiers)}
    for name in ("minimum_lpa", "maximum_lpa"):
        value = getattr(contract, name)
        if value is not None:
            changed[name] = max(0.0, value - got)
    return contract.model_copy(update=changed)
