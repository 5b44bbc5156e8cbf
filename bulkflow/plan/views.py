"""The plan as people ask about it: by lane and period, by site and liquid, by guarantee, by lot.

Pure sums over the rows of a plan, for the terminal and the report; no layout, no words.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from bulkflow.plan.result import HoldCost, Miss, PlanResult
from bulkflow.plan.summary import NOTHING_LPA
from bulkflow.program.answer import LoadKind, Plan, PlannedLoad
from bulkflow.scenario.model import Scenario

__all__ = [
    "Bought",
    "Charged",
    "DutyOwed",
    "GuaranteePeak",
    "LaneLoads",
    "ServedAt",
    "ShortDemand",
    "StockByPeriod",
    "StockView",
    "arriving",
    "bought",
    "charged",
    "decide_by",
    "duty_owed",
    "guarantee_peaks",
    "lane_loads",
    "late_at_once",
    "loads_in",
    "missed",
    "served_at",
    "short_demand",
    "stock_views",
    "stocks_by_period",
    "tightest_guarantee",
]


@dataclass(frozen=True, slots=True)
class LaneLoads:
    """Loads of a lane in each period of the quarter, and their LPA in all."""

    lane: str
    loads: tuple[int, ...]
    lpa: float


@dataclass(frozen=True, slots=True)
class StockView:
    """Released stock of a liquid at a site over the quarter, against floor and room.

    Parameters
    ----------
    least_lpa, least_period : lowest closing stock and its first period.
    below_floor : periods that close below the floor.
    fullest_share : of the room of the tanks set to it, stock waiting and blocked lots included;
        None where no tank is ever set to it.
    """

    site: str
    liquid: str
    opening_lpa: float
    least_lpa: float
    least_period: int
    end_lpa: float
    floor_lpa: float
    below_floor: tuple[int, ...]
    room_litres: float
    fullest_share: float | None
    fullest_period: int


@dataclass(frozen=True, slots=True)
class StockByPeriod:
    """Stock of a liquid at a site at the end of each period of the horizon.

    Parameters
    ----------
    released : LPA by period; 0 is the opening.
    share : of the room of the tanks set to it, stock waiting and blocked lots included, by period;
        those in which no tank is set to it are left out.
    """

    site: str
    liquid: str
    floor_lpa: float
    released: Mapping[int, float]
    room_litres: float
    share: Mapping[int, float]


@dataclass(frozen=True, slots=True)
class GuaranteePeak:
    """Where a guarantee is used most in the quarter."""

    guarantee: str
    used: float
    limit: float
    period: int

    @property
    def share(self) -> float:
        """Used of the limit, a fraction; 0 for nothing of nothing."""
        return self.used / self.limit if self.limit > 0 else float(self.used > 0)


@dataclass(frozen=True, slots=True)
class ShortDemand:
    """Demand short in the quarter, or after it.

    Parameters
    ----------
    lpa : the most open at once where it is carried, the sum where it is lost.
    at_end_lpa : still open at the end of the quarter, or of the horizon.
    """

    site: str
    liquid: str
    market: str
    priority: str
    unmet: str
    periods: tuple[int, ...]
    lpa: float
    at_end_lpa: float


@dataclass(frozen=True, slots=True)
class ServedAt:
    """Demand of a site and liquid over the horizon, all markets and priorities together.

    Parameters
    ----------
    demand_lpa, served_lpa : of each period.
    open_lpa : at the end of each period: carried demand still open, and what was lost in it.
    """

    site: str
    liquid: str
    demand_lpa: tuple[float, ...]
    served_lpa: tuple[float, ...]
    open_lpa: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Bought:
    """LPA bought of a liquid from a supplier in the quarter, and what it costs."""

    supplier: str
    liquid: str
    lpa: float
    cost: float
    periods: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Charged:
    """Charges of a recipe on a still in each period of the quarter, and hearts in all."""

    site: str
    still: str
    recipe: str
    makes: str
    charges: tuple[float, ...]
    hearts_lpa: float


@dataclass(frozen=True, slots=True)
class DutyOwed:
    """Duty falling due at a site on arrivals in the quarter."""

    site: str
    arrivals: int
    lpa: float
    amount: float
    first_payable: date
    last_payable: date


def loads_in(plan: Plan, periods: Sequence[int]) -> list[PlannedLoad]:
    """Return the loads that leave in some periods, by loading day and lane."""
    found = [load for load in plan.loads
             if load.kind is not LoadKind.UNDER_WAY and load.period in periods]  # fmt: skip
    return sorted(found, key=lambda load: (load.loading_day, load.lane, load.load_id))


def lane_loads(plan: Plan) -> list[LaneLoads]:
    """Return loads by lane and period of the quarter; lanes without a load are left out."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0] * plan.quarter_periods)
    lpa: dict[str, float] = defaultdict(float)
    for load in loads_in(plan, range(1, plan.quarter_periods + 1)):
        counts[load.lane][load.period - 1] += 1
        lpa[load.lane] += load.lpa
    return [LaneLoads(lane, tuple(row), lpa[lane]) for lane, row in sorted(counts.items())]


def short_demand(
    plan: Plan, unmet: Sequence[tuple[str, str]]
) -> tuple[list[ShortDemand], list[ShortDemand]]:
    """Return the demand that is late or lost, in the quarter and after it."""
    quarter, last = plan.quarter_periods, len(plan.period_starts)
    return (
        _short_in(plan, unmet, range(1, quarter + 1)),
        _short_in(plan, unmet, range(quarter + 1, last + 1)),
    )


def _short_in(plan: Plan, unmet: Sequence[tuple[str, str]], within: range) -> list[ShortDemand]:
    kinds = dict(unmet)
    rows: dict[tuple[str, str, str, str], list[tuple[int, float]]] = defaultdict(list)
    for row in plan.demand:
        if row.period in within and row.open_lpa > NOTHING_LPA:
            key = (row.site, row.liquid, row.market, row.priority)
            rows[key].append((row.period, row.open_lpa))
    found = []
    for (site, liquid, market, priority), amounts in sorted(rows.items()):
        lost = kinds.get(priority) == "lost"
        lpa = (sum if lost else max)(amount for _, amount in amounts)
        at_end = 0.0 if lost else sum(lpa for period, lpa in amounts if period == within[-1])
        periods = tuple(sorted(period for period, _ in amounts))
        unmet_word = "lost" if lost else "carried"
        found.append(ShortDemand(site, liquid, market, priority, unmet_word, periods, lpa, at_end))
    return found


def missed(result: PlanResult) -> list[Miss]:
    """Return floors and closing targets missed and stock past its life, dearest first."""
    found = [one for one in result.misses or () if one.worst_lpa > NOTHING_LPA]
    return sorted(found, key=lambda one: (-one.cost, one.kind, one.site, one.liquid))


def stock_views(plan: Plan, scenario: Scenario) -> list[StockView]:
    """Return stock against floor and room for every site and liquid that holds any."""
    quarter = range(1, plan.quarter_periods + 1)
    views = []
    for place in stocks_by_period(plan, scenario):
        released, shares = (
            place.released,
            {t: one for t, one in place.share.items() if t in quarter},
        )
        least = min(quarter, key=lambda t: (round(released[t], 3), t))
        fullest = max(shares, key=lambda t: shares[t], default=0)
        views.append(
            StockView(
                site=place.site,
                liquid=place.liquid,
                opening_lpa=released[0],
                least_lpa=released[least],
                least_period=least,
                end_lpa=released[plan.quarter_periods],
                floor_lpa=place.floor_lpa,
                below_floor=tuple(
                    t for t in quarter if released[t] < place.floor_lpa - NOTHING_LPA
                ),
                room_litres=place.room_litres,
                fullest_share=shares[fullest] if shares else None,
                fullest_period=fullest,
            )
        )
    return views


def stocks_by_period(plan: Plan, scenario: Scenario) -> list[StockByPeriod]:
    """Return, by period, the stock of every site and liquid that holds any or has a floor."""
    released: dict[tuple[str, str], dict[int, float]] = defaultdict(lambda: defaultdict(float))
    held: dict[tuple[str, str], dict[int, float]] = defaultdict(lambda: defaultdict(float))
    for row in plan.stocks:
        place = (row.site, row.liquid)
        released[place][row.period] += row.released_lpa
        held[place][row.period] += row.released_lpa + row.hearts_lpa + row.unreleased_lpa
    floors = {(one.site, one.liquid): one.floor_lpa for one in scenario.stock_policies}
    rooms, blocked = _rooms(plan, scenario), _blocked_litres(plan, scenario)
    strengths = {one.id: one.strength_percent for one in scenario.liquids}
    found = []
    for site, liquid in sorted({*released, *floors}):
        place = (site, liquid)
        floor = floors.get(place, 0.0)
        if not floor and not any(held[place].values()) and not any(blocked[place].values()):
            continue
        litres = 100.0 / strengths[liquid]
        share = {
            t: (held[place][t] * litres + blocked[place][t]) / room
            for t in range(1, len(plan.period_starts) + 1)
            if (room := rooms[place][t]) > 0
        }
        most = max(rooms[place].values(), default=0.0)
        found.append(StockByPeriod(site, liquid, floor, released[place], most, share))
    return found


Litres = dict[tuple[str, str], dict[int, float]]


def _rooms(plan: Plan, scenario: Scenario) -> Litres:
    capacity = {(site.id, tank.id): tank.capacity_litres
                for site in scenario.sites for tank in site.tanks}  # fmt: skip
    rooms: Litres = defaultdict(lambda: defaultdict(float))
    for row in plan.tank_settings:
        rooms[row.site, row.liquid][row.period] += capacity.get((row.site, row.tank), 0.0)
    return rooms


def _blocked_litres(plan: Plan, scenario: Scenario) -> Litres:
    """Return the litres of opening lots that may not be used yet, by period."""
    blocked: Litres = defaultdict(lambda: defaultdict(float))
    for lot in scenario.lots:
        if lot.status == "released":
            continue
        for period, start in enumerate(plan.period_starts, start=1):
            freed = lot.status == "awaiting" and lot.decision_due and start >= lot.decision_due
            if not freed:
                blocked[lot.site, lot.liquid][period] += lot.litres_20c
    return blocked


def guarantee_peaks(plan: Plan) -> list[GuaranteePeak]:
    """Return the fullest period of each guarantee in the quarter."""
    peaks: dict[str, GuaranteePeak] = {}
    for row in plan.guarantee_use:
        if row.period <= plan.quarter_periods:
            found = GuaranteePeak(row.guarantee, row.used, row.limit, row.period)
            if row.guarantee not in peaks or found.share > peaks[row.guarantee].share:
                peaks[row.guarantee] = found
    return [peaks[name] for name in sorted(peaks)]


def bought(plan: Plan) -> list[Bought]:
    """Return purchases of the quarter by supplier and liquid."""
    lpa: dict[tuple[str, str], float] = defaultdict(float)
    cost: dict[tuple[str, str], float] = defaultdict(float)
    periods: dict[tuple[str, str], set[int]] = defaultdict(set)
    for row in plan.purchases:
        if row.period <= plan.quarter_periods and row.lpa > NOTHING_LPA:
            key = (row.supplier, row.liquid)
            lpa[key] += row.lpa
            cost[key] += row.lpa * row.price_per_lpa
            periods[key].add(row.period)
    return [Bought(*key, lpa[key], cost[key], tuple(sorted(periods[key]))) for key in sorted(lpa)]


def charged(plan: Plan) -> list[Charged]:
    """Return charges of the quarter by still and recipe."""
    charges: dict[tuple[str, str, str, str], list[float]] = defaultdict(
        lambda: [0.0] * plan.quarter_periods
    )
    hearts: dict[tuple[str, str, str, str], float] = defaultdict(float)
    for row in plan.runs:
        if row.period <= plan.quarter_periods:
            key = (row.site, row.still, row.recipe, row.makes)
            charges[key][row.period - 1] += row.charges
            hearts[key] += row.hearts_lpa
    return [Charged(*key, tuple(charges[key]), hearts[key]) for key in sorted(charges)]


def duty_owed(plan: Plan) -> list[DutyOwed]:
    """Return duty on the quarter's arrivals at duty-paid sites."""
    by_site = defaultdict(list)
    for row in plan.duty_due:
        if row.period <= plan.quarter_periods:
            by_site[row.site].append(row)
    return [
        DutyOwed(
            site=site,
            arrivals=len({row.load_id for row in rows}),
            lpa=sum(row.lpa for row in rows),
            amount=sum(row.amount for row in rows),
            first_payable=min(row.payable_on for row in rows),
            last_payable=max(row.payable_on for row in rows),
        )
        for site, rows in sorted(by_site.items())
    ]


def served_at(plan: Plan) -> list[ServedAt]:
    """Return demand and what serves it, by site and liquid, over the horizon."""
    periods = len(plan.period_starts)
    rows: dict[tuple[str, str], list[list[float]]] = defaultdict(
        lambda: [[0.0] * periods for _ in range(3)]
    )
    for row in plan.demand:
        asked, served, still_open = rows[row.site, row.liquid]
        asked[row.period - 1] += row.demand_lpa
        served[row.period - 1] += sum(lpa for _, lpa in row.served)
        still_open[row.period - 1] += row.open_lpa
    return [ServedAt(*place, *(tuple(one) for one in rows[place])) for place in sorted(rows)]


def late_at_once(plan: Plan, unmet: Sequence[tuple[str, str]]) -> tuple[float, int]:
    """Return the most carried demand open at the end of a period of the quarter, and which one.

    ``(0.0, 0)`` where none is.
    """
    lost = {priority for priority, what in unmet if what == "lost"}
    still_open: dict[int, float] = defaultdict(float)
    for row in plan.demand:
        if row.period <= plan.quarter_periods and row.priority not in lost:
            still_open[row.period] += row.open_lpa
    worst = max(still_open, key=lambda t: (still_open[t], -t), default=0)
    return (still_open[worst], worst) if still_open[worst] > NOTHING_LPA else (0.0, 0)


def tightest_guarantee(plan: Plan) -> GuaranteePeak | None:
    """Return the guarantee that is used most of all in the quarter; None without guarantees."""
    return max(guarantee_peaks(plan), key=lambda one: one.share, default=None)


def arriving(plan: Plan, periods: int) -> list[PlannedLoad]:
    """Return the loads under way, and those that can be used in the first periods, by that day."""
    found = [
        load
        for load in plan.loads
        if load.kind is LoadKind.UNDER_WAY or load.usable_period <= periods
    ]
    return sorted(found, key=lambda load: (load.usable_day, load.load_id))


def decide_by(plan: Plan, hold: HoldCost) -> tuple[date | None, PlannedLoad | None]:
    """Return the last day on which a decision on a lot still serves the plan, and for which load.

    The day on which the first load that counts on it is loaded; where none does, the day of the
    first load of its liquid from its site, which it could fill. A date that the workspace gives
    comes before both.
    """
    waiting = [load for load in plan.loads if load.load_id in hold.loads]
    alike = [
        load
        for load in plan.loads
        if load.kind is not LoadKind.UNDER_WAY
        and load.origin == hold.site
        and any(part.liquid == hold.liquid for part in load.parts)
    ]
    first = min(waiting or alike, key=lambda load: (load.loading_day, load.load_id), default=None)
    days = [] if first is None else [first.loading_day]
    if hold.decision_due is not None:
        days.append(hold.decision_due)
    return min(days, default=None), first
