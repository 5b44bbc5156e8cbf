"""Is a gauging plausible: against what was sent, the tank's plate, the liquid's strength."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from bulkflow.account.bodies import Gauging, Side
from bulkflow.alcoholometry import LITRES_PER_US_GALLON, celsius_from_fahrenheit
from bulkflow.errors import Fault
from bulkflow.loads.bodies import LoadPart
from bulkflow.loads.plausible import (
    STATE_WHY,
    Plate,
    amount_faults,
    payload_faults,
    strength_faults,
    temperature_faults,
)

__all__ = ["gauging_faults"]


def gauging_faults(found: Gauging, part: LoadPart, sent: Decimal, plate: Plate) -> Iterable[Fault]:
    """Yield what is strange in a gauging.

    Parameters
    ----------
    part : the liquid as its document has it.
    sent : LPA that there should be: of the document at dispatch, and at receipt less what was
        taken off on the way.
    plate : of the tank that carries it.
    """
    if found.gross_kg is not None and found.tare_kg is not None:
        net = found.gross_kg - found.tare_kg
        yield from payload_faults("weighbridge", net, plate)
    if found.volume is not None and plate.litres is not None:
        us = found.volume_unit == "US gal"
        litres = found.volume * (Decimal(repr(LITRES_PER_US_GALLON)) if us else 1)
        if litres > plate.litres:
            said = f"is {litres:,.0f} L; the tank holds {plate.litres:,.0f} L"
            yield Fault("", 0, "volume", said, STATE_WHY)
    celsius = found.temperature
    if found.temperature_unit == "F":
        celsius = Decimal(repr(float(celsius_from_fahrenheit(float(celsius)))))
    yield from temperature_faults("temperature", celsius)
    of = f"{part.liquid_id} in {found.load_id}"
    yield from strength_faults("strength", found.strength_percent, part.strength_percent, of)
    of = "the document" if found.side is Side.DISPATCH else "what was sent"
    yield from amount_faults("lpa", found.lpa + found.heel_lpa, sent, of)
