"""How full a load's tank may and must be, part by part, at the strengths it really carries."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

from bulkflow.filling import FillRange
from bulkflow.loads.bodies import LoadPart, TankAcceptance
from bulkflow.plan.checks.fill import fill_at, load_fill
from bulkflow.scenario.model import Lane, Liquid, Scenario, TankType

__all__ = ["PartFill", "Ways", "capacity_of", "fill_of_part", "lpa_range"]


@dataclass(frozen=True, slots=True)
class Ways:
    """What a scenario says of lanes, tanks, liquids, sites, by id."""

    scenario: Scenario
    lanes: dict[str, Lane]
    tanks: dict[str, TankType]
    liquids: dict[str, Liquid]

    @classmethod
    def of(cls, scenario: Scenario) -> Ways:
        """Lay out a scenario."""
        return cls(
            scenario,
            {one.id: one for one in scenario.lanes},
            {one.id: one for one in scenario.tank_types},
            {one.id: one for one in scenario.liquids},
        )

    def with_plate(self, tank_type: str, found: TankAcceptance | None) -> Ways:
        """Return the same with one kind of tank as the plate of the tank that came has it.

        Its capacity counts for an undivided tank only: a plate that sums up compartments says
        nothing of each.
        """
        if found is None:
            return self
        tank = self.tanks[tank_type]
        plate = {"tare_kg": found.tare_kg, "maximum_gross_kg": found.maximum_gross_kg}
        if not tank.compartments:
            plate["capacity_litres"] = found.capacity_litres
        update = {name: float(value) for name, value in plate.items() if value is not None}
        return replace(self, tanks={**self.tanks, tank_type: tank.model_copy(update=update)})


@dataclass(frozen=True, slots=True)
class PartFill:
    """The fill range of one part: of one compartment, and how many of its size it fills.

    ``ranges`` has one entry per compartment (one for an undivided tank).
    """

    part: LoadPart
    ranges: tuple[FillRange, ...]

    @property
    def least_litres(self) -> float:
        """Least litres at the filling temperature, all its compartments together."""
        return sum(one.min_litres for one in self.ranges)

    @property
    def most_litres(self) -> float:
        """Most litres at the filling temperature, all its compartments together."""
        return sum(one.max_litres for one in self.ranges)

    def spread(self, litres: float) -> tuple[float, ...]:
        """Return litres for each compartment, lawful in each where their sum is.

        Every compartment is filled to the same share of the way from its own least to its own most.
        """
        room = self.most_litres - self.least_litres
        share = (litres - self.least_litres) / room if room > 0 else 0.0
        return tuple(
            one.min_litres + share * (one.max_litres - one.min_litres) for one in self.ranges
        )

    @property
    def least_lpa(self) -> float:
        """Least LPA."""
        return sum(one.min_lpa for one in self.ranges)

    @property
    def most_lpa(self) -> float:
        """Most LPA."""
        return sum(one.max_lpa for one in self.ranges)


def capacity_of(tank: TankType, part: LoadPart) -> tuple[float, ...]:
    """Return the capacities [L] that a part fills: its compartments, else the whole tank."""
    if tank.compartments and part.compartments_litres:
        return tuple(float(one) for one in part.compartments_litres)
    return (tank.capacity_litres,)


def fill_of_part(
    ways: Ways, lane_id: str, tank_type: str, part: LoadPart, *, temperature_c: float
) -> PartFill:
    """Return how full the part's compartments may and must be.

    Parameters
    ----------
    temperature_c : of the liquid when filled [degC].
    """
    tank = ways.tanks[tank_type]
    liquid = _at_strength(ways, part.liquid_id, float(part.strength_percent))
    return PartFill(
        part,
        tuple(
            fill_at(ways.lanes[lane_id], tank, liquid, capacity, temperature_c)
            for capacity in capacity_of(tank, part)
        ),
    )


def lpa_range(
    ways: Ways, lane_id: str, tank_type: str, liquid_id: str, strength: Decimal, litres: float
) -> tuple[float, float] | None:
    """Return the least and most LPA of a strength that a tank or compartment may hold.

    At every temperature of the lane, as the plan has it; None where no fill is lawful.
    """
    liquid = _at_strength(ways, liquid_id, float(strength))
    found = load_fill(ways.lanes[lane_id], ways.tanks[tank_type], liquid, litres)
    return None if found.refused else (found.min_lpa, found.max_lpa)


def _at_strength(ways: Ways, liquid_id: str, strength: float) -> Liquid:
    return ways.liquids[liquid_id].model_copy(update={"strength_percent": strength})
