"""How far the floors of a workspace protect against demand and journeys that are not as foreseen.

The plan knows one demand and one journey for each load; a floor is there for what comes otherwise.
What a floor is worth follows from how far off a period's demand and a journey usually are, by the
closed formulas of `bulkflow.stocks`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bulkflow.plan.checks.asked import in_all
from bulkflow.plan.checks.position import Position
from bulkflow.scenario.model import Lane, Scenario
from bulkflow.stocks import cycle_service, fill_rate, lead_time_demand_sd
from bulkflow.stocks import safety_stock_variable_lead as safety_stock

__all__ = ["FloorCover", "floor_covers"]


@dataclass(frozen=True, slots=True)
class FloorCover:
    """What a floor protects against, of one liquid at one site with demand of its own.

    Parameters
    ----------
    lane : by which the next load is usable soonest.
    interval_days : between two loads of that lane, and from loading to use, together: for so long
        nothing that is ordered now can help.
    mean_lpa : demand in a period [LPA].
    sd_lpa : standard deviation of the demand over the interval, as it may come [LPA].
    floor_lpa : the floor of the workspace, 0 where it has none.
    covered : chance that demand over an interval does not eat more than the floor.
    served : share of demand served from stock with this floor.
    wanted_lpa : the floor with which demand over an interval is covered as often as asked for.
    """

    site: str
    liquid: str
    lane: str
    interval_days: float
    mean_lpa: float
    sd_lpa: float
    floor_lpa: float
    covered: float
    served: float
    wanted_lpa: float

    @property
    def enough(self) -> bool:
        """Whether the floor is what is wanted, to the litre."""
        return self.floor_lpa >= self.wanted_lpa - 0.5


def floor_covers(
    scenario: Scenario, *, service: float, demand_error: float, transit_error_days: float
) -> tuple[FloorCover, ...]:
    """Return what the floors are worth, by site and liquid, for all that lanes bring to demand.

    Parameters
    ----------
    service : chance of no shortage in an interval that is asked for, between 0 and 1.
    demand_error : standard deviation of a period's demand about what was foreseen, as a share of
        it, zero or more; independent from period to period.
    transit_error_days : standard deviation of the days of a journey, zero or more.

    Notes
    -----
    Normal demand over a random lead time (`bulkflow.stocks.lead_time_demand_sd`), where the lead
    time is the interval in periods. Where nothing is uncertain, every floor covers all.

    Raises
    ------
    ValueError
        A figure out of its range.
    """
    safety_stock(service, 1.0, demand_error, 1.0, transit_error_days)  # refuses what has no sense
    return tuple(_covers(Position(scenario), service, demand_error, transit_error_days))


def _covers(
    position: Position, service: float, demand_error: float, transit_error_days: float
) -> Iterator[FloorCover]:
    floors = {(one.site, one.liquid): one.floor_lpa for one in position.scenario.stock_policies}
    length, count = position.days.length, position.days.count
    for (site, liquid), asked in sorted(in_all(position).items()):
        soonest = min(_ways(position, site, liquid), default=None)
        if soonest is None or asked <= 0:
            continue
        interval, between, lane = soonest
        mean, floor = asked / count, floors.get((site, liquid), 0.0)
        stated = (mean, demand_error * mean, interval / length, transit_error_days / length)
        sd = lead_time_demand_sd(*stated)
        yield FloorCover(
            site, liquid, lane, interval, mean, sd, floor,
            covered=cycle_service(floor, sd, 1.0) if sd else 1.0,
            served=fill_rate(floor, sd, mean * between / length) if sd else 1.0,
            wanted_lpa=max(0.0, safety_stock(service, *stated)),
        )  # fmt: skip


def _ways(position: Position, site: str, liquid: str) -> Iterator[tuple[float, float, str]]:
    """Yield every lane that brings a liquid: its interval, the days between two loads, its name."""
    for lane in position.scenario.lanes:
        if lane.destination == site and liquid in lane.liquids:
            yield from _way(position, lane, liquid)


def _way(position: Position, lane: Lane, liquid: str) -> Iterator[tuple[float, float, str]]:
    found = [
        days
        for period in position.days.periods
        if (days := position.days.of_lane(lane, period, liquid)) is not None
    ]
    if not found:
        return
    under_way = sum((one.usable - one.loading).days for one in found) / len(found)
    loading = sorted({one.loading for one in found})
    between = (
        (loading[-1] - loading[0]).days / (len(loading) - 1)
        if len(loading) > 1
        else float(position.days.length * position.days.count)
    )
    yield under_way + between, between, lane.id
