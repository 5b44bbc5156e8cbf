"""The load sheet: all that goes with a tank, worked out from the register and the rules.

:func:`load_sheet` refuses while any gate of any lot in the load, or of its tank, is closed. The
sheet holds plain numbers and words; :mod:`bulkflow.loads.sheet_text` and
:mod:`bulkflow.loads.paper` show them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from sqlalchemy.orm import Session

from bulkflow.alcoholometry import density_from_strength, volume_at_temperature, weighing_from_mass
from bulkflow.filling import FILLING_CAUTION, FillRange
from bulkflow.loads.acceptance import TankCheck, tank_checks
from bulkflow.loads.bodies import LoadPart, LoadState, TankAcceptance
from bulkflow.loads.fills import Ways, capacity_of, fill_of_part
from bulkflow.loads.gates import GateClosedError, LoadGate, LoadGateKind, load_gates
from bulkflow.loads.guarantees import AT_RISK, GuaranteeLine, guarantee_lines
from bulkflow.loads.mixing import mix
from bulkflow.loads.queries import (
    LoadFilter,
    LoadRecord,
    StepRecord,
    accepted_tank,
    find_load,
    load_names,
    loads_in,
    steps_of,
)
from bulkflow.lots.queries import lots_named
from bulkflow.lots.trusted import refuse_untrue
from bulkflow.records.chain import head
from bulkflow.rules import (
    DANGEROUS_GOODS_CAUTION,
    DangerousGoods,
    JourneyLimit,
    Statement,
    at_sea,
    cautions,
    cautions_of,
    dangerous_goods_lines,
    journey_limit,
    jurisdiction_of,
)
from bulkflow.scenario.model import Scenario, Site, TankType

__all__ = ["Journey", "LoadSheet", "LotLine", "PartLine", "Weights", "load_sheet"]

REFERENCE_C = 20.0


@dataclass(frozen=True, slots=True)
class LotLine:
    """One lot in a load: LPA, strength [% vol], litres at 20 degC, true mass [kg], its decision."""

    lot_id: str
    lpa: Decimal
    strength_percent: Decimal
    litres_20c: float
    mass_kg: float
    made_on: date | None
    decision_record: int | None
    overridden: bool


@dataclass(frozen=True, slots=True)
class PartLine:
    """One liquid in the tank, or in its compartments.

    Parameters
    ----------
    litres_20c, litres : at 20 degC and at the loading temperature.
    mass_kg : true mass; ``scale_kg`` what a scale in air shows for it.
    density_20c, density : in vacuum [kg/m3].
    capacity_litres : of what it fills; ``ullage_litres`` what stays free at loading.
    fills : the fill range of each compartment, with the rule that set each limit.
    compartments : the litres to fill into each of them at the loading temperature.
    near : a little colder and warmer [degC], the litres for each compartment, and whether they
        are allowed there.
    at_other : at some temperatures [degC], the litres that the same liquid then fills, and the
        least and most allowed.
    """

    liquid_id: str
    liquid_name: str
    kind: str
    lpa: Decimal
    strength_percent: float
    litres_20c: float
    litres: float
    mass_kg: float
    scale_kg: float
    density_20c: float
    density: float
    capacity_litres: float
    least_litres: float
    most_litres: float
    fills: tuple[FillRange, ...]
    compartments: tuple[float, ...]
    near: tuple[tuple[float, tuple[float, ...], bool], ...]
    at_other: tuple[tuple[float, float, float, float], ...]
    lots: tuple[LotLine, ...]
    dangerous_goods: tuple[DangerousGoods, ...]
    #: Of a lane with sailings: what the document for the sea says, line by line.
    at_sea: tuple[tuple[str, ...], ...] = ()

    @property
    def compartment_words(self) -> tuple[str, ...]:
        """The litres for each compartment and its own limits; nothing of an undivided tank."""
        if len(self.fills) == 1:
            return ()
        return tuple(
            f"{one.tank.capacity_litres:,.0f} L: {litres:,.0f} L"
            f" ({one.min_litres:,.0f} to {one.max_litres:,.0f})"
            for one, litres in zip(self.fills, self.compartments, strict=True)
        )

    @property
    def ullage_litres(self) -> float:
        """Room left at the loading temperature [L]."""
        return self.capacity_litres - self.litres

    @property
    def fill_percent(self) -> float:
        """Degree of filling at the loading temperature [%]."""
        return 100.0 * self.litres / self.capacity_litres

    @property
    def other_words(self) -> tuple[str, ...]:
        """The litres to fill to at other temperatures, and where that may not be filled."""
        return tuple(
            f"{at:g} °C: {litres:,.0f} L{'' if _within(litres, least, most) else ' (not allowed)'}"
            for at, litres, least, most in self.at_other
        )


def _within(litres: float, least: float, most: float) -> bool:
    slack = 1e-6 * most + 0.002  # to a thousandth of a LPA
    return least - slack <= litres <= most + slack


@dataclass(frozen=True, slots=True)
class Weights:
    """Masses of the whole tank [kg]; ``verified_kg`` as weighed, None before."""

    net_kg: float
    scale_kg: float
    tare_kg: float
    gross_kg: float
    maximum_gross_kg: float
    tare_source: str
    verified_kg: Decimal | None


@dataclass(frozen=True, slots=True)
class Journey:
    """Duty status, and how long the journey may and will take.

    ``limit`` is the rule that caps it, None where none is known here.
    """

    duty_words: str
    mode: Literal["sea", "road"]
    movement_reference: str | None
    planned_days: int
    limit: JourneyLimit | None

    @property
    def within_limit(self) -> bool:
        """Whether the planned journey keeps to the limit, where one is known."""
        return self.limit is None or self.planned_days <= self.limit.days


@dataclass(frozen=True, slots=True)
class LoadSheet:
    """A load sheet; everything on it is as of ``chain_head``."""

    producer: str
    load: LoadRecord
    origin: Site
    destination: Site
    temperature_c: float
    parts: tuple[PartLine, ...]
    weights: Weights
    tank: TankAcceptance
    tank_checks: tuple[TankCheck, ...]
    gates: tuple[LoadGate, ...]
    steps: tuple[StepRecord, ...]
    journey: Journey
    guarantees: tuple[GuaranteeLine, ...]
    cautions: tuple[Statement, ...]
    loading_cautions: tuple[Statement, ...]
    chain_head: str
    filling_caution: str = FILLING_CAUTION
    dangerous_goods_caution: str = DANGEROUS_GOODS_CAUTION

    @property
    def beside(self) -> tuple[str, ...]:
        """Held and rejected lots in the tanks drawn from, in words."""
        return tuple(one.reason for one in self.gates if one.kind is LoadGateKind.BESIDE)


def load_sheet(
    session: Session,
    scenario: Scenario,
    load_id: str,
    *,
    temperature_c: float | None = None,
) -> LoadSheet:
    """Return the sheet of a load.

    Parameters
    ----------
    session : a reading session on the register.
    temperature_c : of the liquid when loaded [degC]; by default as it was measured then, before
        that the lane's. The gate of fill is judged at it.

    Raises
    ------
    GateClosedError
        While any gate of any lot in it, or of the tank, is closed; carries them.
    InputError
        If the load is unknown, or a rate is missing.
    RecordsError
        If the records it rests on are not what they were.
    OutOfRangeError
        If the temperature lies outside the range of the formula.
    """
    load = find_load(session, load_id)
    lots = [share.lot_id for share in load.shares if not share.to_come]
    refuse_untrue(session, lots, [load_id], what=f"the load sheet of {load_id}")
    steps = steps_of(session, load_id)
    loaded = next((s.step for s in steps if s.step.state is LoadState.LOADED), None)
    day = load.loading_day if loaded is None else loaded.on
    if temperature_c is None and loaded is not None and loaded.temperature_c is not None:
        temperature_c = float(loaded.temperature_c)
    gates = load_gates(session, load, scenario, on=day, temperature_c=temperature_c)
    closed = [one for one in gates if not one.is_open]
    if closed:
        raise GateClosedError(load_id, "put on a load sheet", closed)
    found = accepted_tank(session, load_id)
    assert found is not None  # its gate is open
    ways = Ways.of(scenario).with_plate(load.tank_type, found.tank)
    lane = ways.lanes[load.lane_id]
    temperature = lane.filling_temperature_c if temperature_c is None else temperature_c
    parts = tuple(_part(session, ways, load, part, temperature) for part in load.parts)
    sites = {one.id: one for one in scenario.sites}
    origin, destination = sites[load.origin], sites[load.destination]
    others = loads_in(session, LoadFilter(states=AT_RISK))
    return LoadSheet(
        producer=scenario.name,
        load=load,
        origin=origin,
        destination=destination,
        temperature_c=temperature,
        parts=parts,
        weights=_weights(ways.tanks[load.tank_type], found.tank, parts, steps),
        tank=found.tank,
        tank_checks=tank_checks(found.tank, on=day),
        gates=tuple(gates),
        steps=tuple(steps),
        journey=_journey(scenario, load, origin, destination),
        guarantees=tuple(guarantee_lines(scenario, load, others, load_names(session))),
        cautions=cautions(on=load.loading_day),
        loading_cautions=cautions_of("loading", on=load.loading_day),
        chain_head=str(head(session)),
    )


def _part(
    session: Session,
    ways: Ways,
    load: LoadRecord,
    part: LoadPart,
    temperature: float,
) -> PartLine:
    made = mix([(share.lpa, share.strength_percent) for share in part.shares])
    strength = made.strength_percent
    rho = float(density_from_strength(strength, temperature))
    litres = float(volume_at_temperature(made.litres_20c, strength, REFERENCE_C, temperature))
    fill = fill_of_part(ways, load.lane_id, load.tank_type, part, temperature_c=temperature)
    liquid = ways.liquids[part.liquid_id]
    cargo: Literal["ethanol", "alcoholic beverage"] = (
        "ethanol" if liquid.kind == "neutral" else "alcoholic beverage"
    )
    goods = dangerous_goods_lines(strength, cargo, on=load.loading_day)
    lane = ways.lanes.get(load.lane_id)
    sails = lane is not None and lane.sailings is not None
    return PartLine(
        liquid_id=part.liquid_id,
        liquid_name=liquid.name or part.liquid_id,
        kind=liquid.kind,
        lpa=part.lpa,
        strength_percent=strength,
        litres_20c=made.litres_20c,
        litres=litres,
        mass_kg=made.mass_kg,
        scale_kg=float(weighing_from_mass(made.mass_kg, rho)),
        density_20c=float(density_from_strength(strength, REFERENCE_C)),
        density=rho,
        capacity_litres=sum(capacity_of(ways.tanks[load.tank_type], part)),
        least_litres=fill.least_litres,
        most_litres=fill.most_litres,
        fills=fill.ranges,
        compartments=fill.spread(litres),
        near=tuple(_near(ways, load, part, made.litres_20c, strength, temperature)),
        at_other=tuple(_at_other(ways, load, part, made.litres_20c, strength)),
        lots=_lots(session, part),
        dangerous_goods=goods,
        at_sea=tuple(at_sea(line, strength, on=load.loading_day) for line in goods)
        if sails
        else (),
    )


#: How far colder and warmer the litres on the sheet for the bay are told [degC].
NEAR_C = 5.0


def _near(
    ways: Ways, load: LoadRecord, part: LoadPart, litres_20c: float, strength: float, stated: float
) -> Iterable[tuple[float, tuple[float, ...], bool]]:
    for at in (stated - NEAR_C, stated + NEAR_C):
        fill = fill_of_part(ways, load.lane_id, load.tank_type, part, temperature_c=at)
        litres = float(volume_at_temperature(litres_20c, strength, REFERENCE_C, at))
        yield at, fill.spread(litres), _within(litres, fill.least_litres, fill.most_litres)


#: At which litres are printed beside those at the temperature stated [degC].
OTHER_TEMPERATURES = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)


def _at_other(
    ways: Ways, load: LoadRecord, part: LoadPart, litres_20c: float, strength: float
) -> Iterable[tuple[float, float, float, float]]:
    for at in OTHER_TEMPERATURES:
        fill = fill_of_part(ways, load.lane_id, load.tank_type, part, temperature_c=at)
        litres = float(volume_at_temperature(litres_20c, strength, REFERENCE_C, at))
        yield at, litres, fill.least_litres, fill.most_litres


def _lots(session: Session, part: LoadPart) -> tuple[LotLine, ...]:
    known = lots_named(session, [share.lot_id for share in part.shares])
    lines = []
    for share in part.shares:
        alone = mix([(share.lpa, share.strength_percent)])
        line = known[share.lot_id]
        lines.append(
            LotLine(
                lot_id=share.lot_id,
                lpa=share.lpa,
                strength_percent=share.strength_percent,
                litres_20c=alone.litres_20c,
                mass_kg=alone.mass_kg,
                made_on=line.made_on,
                decision_record=line.decision_record,
                overridden=line.overridden,
            )
        )
    return tuple(lines)


def _weights(
    tank_type: TankType,
    tank: TankAcceptance,
    parts: tuple[PartLine, ...],
    steps: list[StepRecord],
) -> Weights:
    # Of the tank that came, where its plate was read (`Ways.with_plate`).
    tare, plate = tank_type.tare_kg, tank.tare_kg is not None
    weighed = [one.step.gross_mass_kg for one in steps if one.step.gross_mass_kg is not None]
    scale = sum(part.scale_kg for part in parts)
    return Weights(
        net_kg=sum(part.mass_kg for part in parts),
        scale_kg=scale,
        tare_kg=tare,
        gross_kg=tare + scale,
        maximum_gross_kg=tank_type.maximum_gross_kg,
        tare_source="plate of the tank" if plate else f"workspace, {tank_type.id}",
        verified_kg=weighed[-1] if weighed else None,
    )


def _journey(scenario: Scenario, load: LoadRecord, origin: Site, destination: Site) -> Journey:
    lane = next(one for one in scenario.lanes if one.id == load.lane_id)
    mode: Literal["sea", "road"] = "road" if lane.sailings is None else "sea"
    code = jurisdiction_of(origin.country)
    suspended = origin.duty_status == "suspended"
    words = f"under duty suspension from {origin.id}" if suspended else f"duty paid at {origin.id}"
    words += (
        f"; duty falls due on arrival at {destination.id}"
        if destination.duty_status == "paid"
        else f"; {destination.id} receives under suspension or in bond"
    )
    return Journey(
        duty_words=words,
        mode=mode,
        movement_reference=load.movement_reference,
        planned_days=(load.arrival_day - load.loading_day).days,
        limit=None
        if code is None or not suspended
        else journey_limit(code, mode, on=load.loading_day),
    )
