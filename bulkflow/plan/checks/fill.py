"""The fill range of a load or a compartment, asked of ``bulkflow.filling`` (eq. 18)."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from bulkflow.filling import (
    Compartment,
    FillRange,
    FillRule,
    TankShell,
    fill_range,
    no_common_fill,
)
from bulkflow.scenario.model import Lane, Liquid, TankType

__all__ = ["LaneFill", "fill_at", "load_fill", "payload_kg"]

# Which rule of maximum fill each key of a workspace stands for.
REGIMES = {
    "adr_tank_vented": FillRule.ADR_A,
    "adr_tank_hermetic": FillRule.ADR_C,
    "un_portable_tank": FillRule.PORTABLE_TP1,
}


class LaneFill(NamedTuple):
    """What a tank, or a compartment, may hold whatever a lane's filling temperature is [LPA].

    Where ``refused`` no load is lawful, and ``reason`` says why; the limits are then 0.
    """

    min_lpa: float
    max_lpa: float
    reason: str = ""

    @property
    def refused(self) -> bool:
        """Whether no load is lawful."""
        return bool(self.reason)


def load_fill(lane: Lane, tank: TankType, liquid: Liquid, capacity_litres: float) -> LaneFill:
    """Return how much of a liquid a tank, or one compartment of it, may hold on a lane."""
    low, high = lane.filling_temperatures_c
    whole = [degree for degree in range(-50, 51) if low < degree < high]
    least: FillRange | None = None
    most: FillRange | None = None
    for temperature in {low, high, *map(float, whole)}:
        found = fill_at(lane, tank, liquid, capacity_litres, temperature)
        if found.refused:
            return LaneFill(0.0, 0.0, found.reason)
        if least is None or found.min_lpa > least.min_lpa:
            least = found
        if most is None or found.max_lpa < most.max_lpa:
            most = found
    assert least is not None
    assert most is not None
    if least.min_lpa > most.max_lpa:
        return LaneFill(0.0, 0.0, no_common_fill(least, most))
    return LaneFill(least.min_lpa, most.max_lpa)


def fill_at(
    lane: Lane, tank: TankType, liquid: Liquid, capacity_litres: float, temperature_c: float
) -> FillRange:
    """Return what a tank, or one compartment of it, may hold when filled at a temperature.

    A compartment has its share of the payload of tank and lane, by capacity.
    """
    lane_payload = lane.payload_limit_kg
    plate: tuple[float, float] | None = (tank.tare_kg, tank.maximum_gross_kg)
    if tank.compartments:
        share = capacity_litres / sum(one.capacity_litres for one in tank.compartments)
        lane_payload, plate = payload_kg(lane, tank) * share, None
    sections = tank.sections_litres if not tank.compartments else ()
    return _fill(
        (tank.id, tank.regime, capacity_litres, max(sections, default=None), plate),
        (liquid.strength_percent, liquid.density_15c_kg_per_m3, liquid.density_50c_kg_per_m3),
        (temperature_c, lane_payload, lane.minimum_fill_percent / 100.0),
    )


def payload_kg(lane: Lane, tank: TankType) -> float:
    """Return the mass of liquid that plate and lane let a tank carry."""
    plate = tank.maximum_gross_kg - tank.tare_kg
    return plate if lane.payload_limit_kg is None else min(plate, lane.payload_limit_kg)


@lru_cache(maxsize=4096)
def _fill(
    tank: tuple[str, str, float, float | None, tuple[float, float] | None],
    liquid: tuple[float, float | None, float | None],
    lane: tuple[float, float | None, float],
) -> FillRange:
    name, regime, capacity, section, plate = tank
    strength, density_15, density_50 = liquid
    temperature, payload, minimum = lane
    tare, gross = plate or (None, None)
    shell = TankShell(name, REGIMES[regime], (Compartment(capacity, section),), tare, gross)
    return fill_range(
        shell,
        strength,
        temperature,
        payload,
        minimum,
        density_15=density_15,
        density_50=density_50,
    )
