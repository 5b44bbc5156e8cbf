"""What every family of rules looks up: records by id, periods, days, money, commodities."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.program.calendar import LaneDays, Periods, all_lane_days
from bulkflow.program.classes import Commodity
from bulkflow.program.markets_ahead import ClassReduction, ServiceableMarkets
from bulkflow.program.money import Money
from bulkflow.program.reachability import Reachability, find_reachability
from bulkflow.scenario.model import (
    Lane,
    Liquid,
    Recipe,
    Scenario,
    Site,
    Supplier,
    TankType,
)

__all__ = ["BuildContext", "hearts_node", "site_node", "supplier_node"]

FloatArray = NDArray[np.float64]


def site_node(site: str) -> str:
    """Return the core node of a site's released stock."""
    return f"site {site}"


def hearts_node(site: str) -> str:
    """Return the core node of a site's hearts not yet vatted."""
    return f"hearts {site}"


def supplier_node(supplier: str) -> str:
    """Return the core node of a supplier."""
    return f"supplier {supplier}"


@dataclass(frozen=True, slots=True)
class BuildContext:
    """A scenario laid out for the builder; every mapping is by id."""

    scenario: Scenario
    periods: Periods
    liquids: dict[str, Liquid]
    recipes: dict[str, Recipe]
    sites: dict[str, Site]
    suppliers: dict[str, Supplier]
    lanes: dict[str, Lane]
    tank_types: dict[str, TankType]
    lane_days: dict[str, LaneDays]
    money: Money
    classes: ClassReduction
    markets: ServiceableMarkets
    reachability: Reachability
    names: dict[Commodity, str]

    @classmethod
    def of(cls, scenario: Scenario) -> BuildContext:
        """Lay out a scenario whose references are sound."""
        periods = Periods.of(scenario.calendar)
        lane_days = all_lane_days(scenario, periods)
        classes = ClassReduction(scenario, periods)
        markets = ServiceableMarkets(scenario, periods)
        reachability = find_reachability(scenario, periods, classes, lane_days, markets.may_take)
        return cls(
            scenario=scenario,
            periods=periods,
            liquids={one.id: one for one in scenario.liquids},
            recipes={one.id: one for one in scenario.recipes},
            sites={one.id: one for one in scenario.sites},
            suppliers={one.id: one for one in scenario.suppliers},
            lanes={one.id: one for one in scenario.lanes},
            tank_types={one.id: one for one in scenario.tank_types},
            lane_days=lane_days,
            money=Money(scenario, periods),
            classes=classes,
            markets=markets,
            reachability=reachability,
            names=_names(scenario, reachability),
        )

    @property
    def count(self) -> int:
        """Number of periods T."""
        return self.periods.count

    def place_node(self, place: str) -> str:
        """Return the core node that lanes from or to a site or supplier use."""
        return supplier_node(place) if place in self.suppliers else site_node(place)

    def name(self, commodity: Commodity) -> str:
        """Return the core's name of a commodity."""
        return self.names[commodity]

    def lpa_per_litre(self, liquid: str) -> float:
        """Return LPA in one litre (20 degC) of a liquid at the strength stored."""
        return self.liquids[liquid].strength_percent / 100.0

    def any_name(self, liquid: str) -> str:
        """Return the name of some commodity of a liquid, for demand that nothing can serve."""
        return min(
            (name for one, name in self.names.items() if one.liquid == liquid), default=liquid
        )

    def zeros(self) -> FloatArray:
        """Return one zero per period."""
        return np.zeros(self.count)


def _names(scenario: Scenario, reachability: Reachability) -> dict[Commodity, str]:
    """Name commodities: a liquid of one class by the liquid alone."""
    found = reachability.commodities()
    listed = {liquid.id: [c for c in found if c.liquid == liquid.id] for liquid in scenario.liquids}
    return {
        commodity: liquid if len(classes) == 1 else f"{liquid}|{commodity.origin_class}"
        for liquid, classes in listed.items()
        for commodity in classes
    }
