"""Is what is stated plausible: against the document, the plate, the tank, the days around it.

Each check gives a fault with both figures. What is strange is refused, unless a reason is stated,
which the record keeps; what cannot be (a receipt before the departure) no reason lets pass. The
limits are common practice: wide of anything that measuring and handling explain, narrow enough
for a digit too many, a figure in the wrong place, or the wrong liquid.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, timedelta
from decimal import Decimal

from bulkflow.alcoholometry import mass_from_lpa
from bulkflow.errors import Fault, InputError
from bulkflow.loads.bodies import LoadPart, LoadStep, TankAcceptance
from bulkflow.lots.bodies import Lot
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotLine
from bulkflow.scenario.model import Scenario, TankType

__all__ = [
    "LATEST",
    "STATE_WHY",
    "STRANGE_SHARE",
    "STRANGE_STRENGTH",
    "Plate",
    "amount_faults",
    "day_faults",
    "lot_faults",
    "payload_faults",
    "plate_of",
    "refuse_strange",
    "step_faults",
    "strength_faults",
    "temperature_faults",
    "weight_faults",
]

STRANGE_SHARE = Decimal("0.05")
"""Share by which an amount may differ from that of the document (common practice)."""
STRANGE_STRENGTH = Decimal(3)
"""% vol by which a strength may differ from that of the liquid or the lots (common practice)."""
LATEST = timedelta(days=366)
"""An act dated later than this after the one before it is of another year."""
WARMEST_C, COLDEST_C = Decimal(45), Decimal(-25)
#: Reference code of the union's movement document (rule eu.movement.document): 21 characters.
_REFERENCE = re.compile(r"\d{2}[A-Z]{2}[A-Z0-9]{17}")
STATE_WHY = "Correct it; where it is so, say why (--reason)."


def refuse_strange(strange: Iterable[Fault], reason: str | None) -> None:
    """Raise with what is strange, where no reason is stated."""
    faults = list(strange)
    if faults and not reason:
        raise InputError(faults)


def amount_faults(
    field: str, found: Decimal, expected: Decimal, of: str, unit: str = "LPA"
) -> Iterable[Fault]:
    """Yield a fault where an amount differs from what is expected by more than a share."""
    if expected > 0 and abs(found - expected) > STRANGE_SHARE * expected:
        share = 100 * (found - expected) / expected
        said = f"is {found:,} {unit}, {share:+,.0f} % against {expected:,.0f} of {of}"
        yield Fault("", 0, field, said, STATE_WHY)


def strength_faults(field: str, found: Decimal, expected: Decimal, of: str) -> Iterable[Fault]:
    """Yield a fault where a strength [% vol] is not that of the liquid it is said to be."""
    if abs(found - expected) > STRANGE_STRENGTH:
        said = f"is {found} % vol, but {of} has {expected:f} % vol"
        yield Fault("", 0, field, said, STATE_WHY)


def temperature_faults(field: str, celsius: Decimal | None) -> Iterable[Fault]:
    """Yield a fault where a temperature is not that of a tank outdoors."""
    if celsius is not None and not COLDEST_C <= celsius <= WARMEST_C:
        said = f"is {celsius} °C; tanks are between {COLDEST_C} and {WARMEST_C} °C"
        yield Fault("", 0, field, said, STATE_WHY)


def day_faults(field: str, on: date, before: date, what: str) -> Iterable[Fault]:
    """Yield a fault where a day is before the act it follows, or in another year."""
    if on < before:
        said = f"is {on}, before {what} ({before})"
        yield Fault("", 0, field, said, "Give the day on which it happened.")
    elif on - before > LATEST:
        said = f"is {on}, more than a year after {what} ({before})"
        yield Fault("", 0, field, said, "Give the day on which it happened.")


class Plate:
    """What a tank may weigh and hold: by the plate of the one that came, else by its kind."""

    def __init__(self, tank: TankType | None, found: TankAcceptance | None) -> None:
        self.tare = _first("tare_kg", found, tank)
        self.gross = _first("maximum_gross_kg", found, tank)
        self.litres = _first("capacity_litres", found, tank)


def _first(name: str, *sources: TankAcceptance | TankType | None) -> Decimal | None:
    values = (getattr(one, name) for one in sources if one is not None)
    return next((Decimal(str(one)) for one in values if one is not None), None)


def plate_of(tank_type: str, scenario: Scenario | None, found: TankAcceptance | None) -> Plate:
    """Return the plate of a load's tank as far as it is known."""
    kinds = () if scenario is None else scenario.tank_types
    return Plate(next((one for one in kinds if one.id == tank_type), None), found)


def weight_faults(
    field: str, net_kg: Decimal, plate: Plate, parts: Iterable[LoadPart]
) -> Iterable[Fault]:
    """Yield faults where a net mass is more than a tank may carry, or not that of its liquid."""
    yield from payload_faults(field, net_kg, plate)
    masses = (mass_from_lpa(float(one.lpa), float(one.strength_percent)) for one in parts)
    expected = Decimal(round(float(sum(masses))))
    yield from amount_faults(field, net_kg, expected, "its liquid", "kg net")


def payload_faults(field: str, net_kg: Decimal, plate: Plate) -> Iterable[Fault]:
    """Yield a fault where a net mass is more than a tank may carry."""
    if plate.gross is not None and plate.tare is not None and net_kg > plate.gross - plate.tare:
        most = plate.gross - plate.tare
        said = f"gives {net_kg:,} kg net; by its plate the tank carries at most {most:,.0f} kg"
        yield Fault("", 0, field, said, STATE_WHY)


def step_faults(
    step: LoadStep, parts: tuple[LoadPart, ...], plate: Plate, *, inside_union: bool
) -> Iterable[Fault]:
    """Yield what is strange in a step of a load.

    Parameters
    ----------
    parts : of the load; ``plate`` of its tank.
    inside_union : whether it leaves a member state, so that its reference has a known form.
    """
    if step.lpa is not None:
        lpa = sum((part.lpa for part in parts), Decimal(0))
        yield from amount_faults("lpa", step.lpa, lpa, "the load")
    if step.gross_mass_kg is not None and plate.tare is not None:
        net = step.gross_mass_kg - plate.tare
        yield from weight_faults("gross_mass_kg", net, plate, parts)
    yield from temperature_faults("temperature_c", step.temperature_c)
    reference = step.movement_reference
    if inside_union and reference is not None and not _REFERENCE.fullmatch(reference):
        said = f"is {reference!r}, of {len(reference)} characters"
        form = "two digits of the year, the member state, 17 letters or digits"
        mend = f"A reference code has 21: {form}. {STATE_WHY}"
        yield Fault("", 0, "movement_reference", said, mend)


def lot_faults(
    lot: Lot, lines: Iterable[LotLine], scenario: Scenario, *, correct: bool = False
) -> Iterable[Fault]:
    """Yield what is strange in a lot, against its site, its tank and its liquid.

    Parameters
    ----------
    lines : the lots that lie at its site.
    correct : the lot is there already, and is described anew.
    """
    liquid = next((one for one in scenario.liquids if one.id == lot.liquid_id), None)
    if liquid is not None:
        nominal, strength = Decimal(str(liquid.strength_percent)), lot.measurement.strength_percent
        yield from strength_faults("strength", strength, nominal, lot.liquid_id)
    site = next((one for one in scenario.sites if one.id == lot.site_id), None)
    if site is None or lot.tank_id is None:
        return
    tank = next((one for one in site.tanks if one.id == lot.tank_id), None)
    if tank is None:
        names = ", ".join(one.id for one in site.tanks)
        said = f"is {lot.tank_id}, but {lot.site_id} has {names}"
        yield Fault("", 0, "tank", said, STATE_WHY)
        return
    if lot.liquid_id not in tank.liquids:
        said = f"is {tank.id}, which is for {', '.join(tank.liquids)}"
        yield Fault("", 0, "tank", said, STATE_WHY)
    others = [one for one in lines if one.tank_id == tank.id and one.lot_id != lot.lot_id]
    litres = lot.measurement.litres_20c + sum(
        (100 * one.lpa_left / one.strength_percent for one in others), Decimal(0)
    )
    if litres > Decimal(str(tank.capacity_litres)):
        said = f"{tank.id} holds {tank.capacity_litres:,.0f} L, but {litres:,.0f} L would be in it"
        yield Fault("", 0, "volume", said, STATE_WHY)
    for one in others:
        if not correct and one.lpa_left and one.status in {LotStatus.HELD, LotStatus.REJECTED}:
            said = f"is {tank.id}, where {one.lot_id} lies, which is {one.status.value}"
            yield Fault("", 0, "tank", said, STATE_WHY)
