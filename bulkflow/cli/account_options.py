"""What the commands of the account share: readings of instruments, days, numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli.register_options import day_option, decimal_option
from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from bulkflow.account.bodies import Gauging
    from bulkflow.account.gauging import Reading

__all__ = [
    "DocumentOption",
    "InstrumentOptions",
    "LiquidOption",
    "NoteOption",
    "RequiredOnOption",
    "SiteOption",
    "WhyOption",
    "gauging_of",
    "needed_day",
    "needed_number",
]


def _number(name: str, unit: str, help_text: str) -> Any:
    return typer.Option(name, metavar=unit, help=help_text)


Number = str | None
GrossOption = Annotated[Number, _number("--gross", "KG", "Weighbridge, full, as shown.")]
TareOption = Annotated[Number, _number("--tare", "KG", "Weighbridge, empty, as shown.")]
DipOption = Annotated[Number, _number("--dip", "L", "Volume by dip and the tank's table.")]
GallonsOption = Annotated[Number, _number("--dip-gallons", "USGAL", "The same in US gallons.")]
DensityOption = Annotated[Number, _number("--density", "KG/M3", "Density of the sample.")]
HydrometerOption = Annotated[
    Number, _number("--hydrometer", "%VOL", "Alcoholometer as read, scale right at 20 °C.")
]
ProofOption = Annotated[
    Number, _number("--proof", "PROOF", "US proof hydrometer as read, scale right at 60 °F.")
]
StatedOption = Annotated[Number, _number("--strength", "%VOL", "Strength at 20 °C as stated.")]
TemperatureOption = Annotated[
    Number, _number("--temperature", "DEGC", "Of the liquid when gauged.")
]
TemperatureFOption = Annotated[
    Number, _number("--temperature-f", "DEGF", "The same in °F; the sample's too, then.")
]
SampleOption = Annotated[
    Number,
    _number("--sample-temperature", "DEG", "Of the sample, if it is another [same unit]."),
]
QuantityLimitOption = Annotated[
    Number,
    _number(
        "--quantity-limit",
        "KG|VOLUME",
        "Limit of error of one weighing or of the volume [default: 20 kg, or 0.2 %].",
    ),
]
StrengthLimitOption = Annotated[
    Number,
    _number(
        "--strength-limit",
        "READING",
        "Limit of error of the strength reading [default: 0.3 kg/m3, 0.1 % vol or 0.2 proof].",
    ),
]
TemperatureLimitOption = Annotated[
    Number, _number("--temperature-limit", "DEG", "[default: 0.3 °C, or 0.5 °F].")
]
LiquidOption = Annotated[
    str | None, typer.Option("--liquid", help="Which liquid [default: the load's only one].")
]
RequiredOnOption = Annotated[str, typer.Option("--on", metavar="DATE", help="The day.")]
SiteOption = Annotated[str, typer.Option("--site", help="Where.")]
NoteOption = Annotated[str | None, typer.Option("--note", help="Kept with the record.")]
WhyOption = Annotated[
    str | None,
    typer.Option("--reason", help="Why it stands, where it is not plausible (a leak, say)."),
]
DocumentOption = Annotated[
    str | None, typer.Option("--document", help="Weighbridge ticket or certificate.")
]


def needed_day(name: str, text: str) -> date:
    """Return a day that must be given."""
    day = day_option(name, text)
    if day is None:
        raise InputError(Fault("", 0, name, "is empty", "Give a date as YYYY-MM-DD."))
    return day


def needed_number(name: str, text: str) -> Decimal:
    """Return a number that must be given."""
    found = decimal_option(name, text)
    if found is None:
        raise InputError(Fault("", 0, name, "is empty", "Give a number."))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentOptions:
    """What weighbridge, dip, density meter, hydrometer and thermometer read, as given."""

    gross: GrossOption = None
    tare: TareOption = None
    dip: DipOption = None
    dip_gallons: GallonsOption = None
    density: DensityOption = None
    hydrometer: HydrometerOption = None
    proof: ProofOption = None
    strength: StatedOption = None
    temperature: TemperatureOption = None
    temperature_f: TemperatureFOption = None
    sample_temperature: SampleOption = None
    quantity_limit: QuantityLimitOption = None
    strength_limit: StrengthLimitOption = None
    temperature_limit: TemperatureLimitOption = None

    def reading(self) -> Reading:
        """Return what the options read.

        Raises
        ------
        InputError
            A figure is given in two units, or is no number.
        """
        from bulkflow.account.gauging import Reading

        _one_of("--dip", self.dip, "--dip-gallons", self.dip_gallons)
        _one_of("--temperature", self.temperature, "--temperature-f", self.temperature_f)
        return Reading(
            gross_kg=decimal_option("--gross", self.gross),
            tare_kg=decimal_option("--tare", self.tare),
            volume=decimal_option("--dip", self.dip)
            or decimal_option("--dip-gallons", self.dip_gallons),
            volume_unit="L" if self.dip_gallons is None else "US gal",
            density_kg_m3=decimal_option("--density", self.density),
            hydrometer_percent=decimal_option("--hydrometer", self.hydrometer),
            proof=decimal_option("--proof", self.proof),
            stated_percent=decimal_option("--strength", self.strength),
            temperature=_either(
                decimal_option("--temperature", self.temperature),
                decimal_option("--temperature-f", self.temperature_f),
            ),
            temperature_unit="C" if self.temperature_f is None else "F",
            sample_temperature=decimal_option("--sample-temperature", self.sample_temperature),
            quantity_limit=decimal_option("--quantity-limit", self.quantity_limit),
            strength_limit=decimal_option("--strength-limit", self.strength_limit),
            temperature_limit=decimal_option("--temperature-limit", self.temperature_limit),
        )


def _one_of(name: str, value: Number, other_name: str, other: Number) -> None:
    if value is not None and other is not None:
        raise InputError(Fault("", 0, other_name, f"is given with {name}", "Give one."))


def _either(one: Decimal | None, other: Decimal | None) -> Decimal | None:
    return other if one is None else one


def gauging_of(
    session: Session,
    load_id: str,
    liquid: str | None,
    reading: Reading,
    *,
    side: str,
    on: date,
    **more: Any,
) -> Gauging:
    """Return the gauging of one liquid of a load at one end, rounded by that site's rule."""
    from bulkflow.account.bodies import Gauging
    from bulkflow.account.gauging import gauge
    from bulkflow.loads.queries import find_load
    from bulkflow.lots.declaring import rounding_of
    from bulkflow.reading.shape import body_of

    load = find_load(session, load_id)
    liquids = [part.liquid_id for part in load.parts]
    if liquid is None and len(liquids) != 1:
        found = f"is not given, and {load_id} carries {', '.join(liquids)}"
        raise InputError(Fault("", 0, "--liquid", found, "Name it, or give a table."))
    site = load.origin if side == "dispatch" else load.destination
    fields = gauge(reading, rounding_of(session, site)).fields
    return body_of(
        Gauging,
        {
            "load_id": load_id,
            "liquid_id": liquid or liquids[0],
            "side": side,
            "on": on,
            "site_id": site,
            **fields,
            **more,
        },
    )
