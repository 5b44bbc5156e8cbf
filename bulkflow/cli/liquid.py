"""``bulkflow liquid``: the workbench for one liquid: convert, reduce, blend."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli.shell import JsonOption, make_app, result_console, write_json
from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["app"]

app = make_app("Convert, reduce and blend one liquid, by OIML R 22.", name="liquid")

COMMAND_LINE = "command line"
MIXING_NOTE = (
    "Mixing warms the liquid: volumes hold once it is back at the temperature stated. Strong"
    " spirit gives off flammable vapour; keep ignition away and follow the rules of the site."
)

TemperatureOption = Annotated[
    float, typer.Option("--temperature", "-t", help="Of liquid and reading [degC, -20 to 40].")
]


class Scale(StrEnum):
    """The scale of a glass hydrometer."""

    AT_20_C = "20c"
    AT_60_F = "60f"


@app.callback()
def _group() -> None:
    """Convert, reduce and blend one liquid, by OIML R 22."""


@app.command()
def convert(
    *,
    strength: Annotated[float | None, typer.Option(help="% vol at 20 degC.")] = None,
    mass_fraction: Annotated[float | None, typer.Option(help="kg/kg, 0 to 1.")] = None,
    density: Annotated[float | None, typer.Option(help="In vacuum [kg/m3].")] = None,
    density_in_air: Annotated[float | None, typer.Option(help="Apparent [kg/m3].")] = None,
    hydrometer: Annotated[float | None, typer.Option(help="Glass, % vol as shown.")] = None,
    proof: Annotated[float | None, typer.Option(help="US proof at 60 degF.")] = None,
    degree_15: Annotated[float | None, typer.Option(help="% vol at 15 degC (Japan).")] = None,
    scale: Annotated[Scale, typer.Option(help="Where the hydrometer is right.")] = Scale.AT_20_C,
    temperature: TemperatureOption = 20.0,
    volume: Annotated[float | None, typer.Option(help="Litres at the temperature.")] = None,
    mass: Annotated[float | None, typer.Option(help="True mass [kg].")] = None,
    weighed: Annotated[float | None, typer.Option(help="Net weight as shown [kg].")] = None,
    lpa: Annotated[float | None, typer.Option(help="Litres of pure alcohol, 20 degC.")] = None,
    proof_gallons: Annotated[float | None, typer.Option(help="US proof gallons.")] = None,
    json: JsonOption = False,
) -> None:
    """Turn one measure of a liquid, and of an amount of it, into all the others.

    Example: bulkflow liquid convert --density 816.02 --temperature 10 --volume 24000
    """
    measures = {
        "--strength": strength,
        "--mass-fraction": mass_fraction,
        "--density": density,
        "--density-in-air": density_in_air,
        "--hydrometer": hydrometer,
        "--proof": proof,
        "--degree-15": degree_15,
    }
    amounts = {
        "--volume": volume,
        "--mass": mass,
        "--weighed": weighed,
        "--lpa": lpa,
        "--proof-gallons": proof_gallons,
    }
    faults = [
        *_not_one(measures, "Give one measure of the liquid.", needed=True),
        *_not_one(amounts, "Give at most one amount.", needed=False),
    ]
    if faults:
        raise InputError(faults)
    name, value = _given(measures)
    document = _measures(_strength_of(name, value, temperature, scale), temperature)
    chosen = [pair for pair in amounts.items() if pair[1] is not None]
    if chosen:
        amount_name, amount = chosen[0]
        document |= _amounts(amount_name, float(amount or 0.0), document, temperature)
    _show(document, json=json, title=f"{name.removeprefix('--')} {value:g} at {temperature:g} degC")


@app.command()
def reduce(
    *,
    strength: Annotated[float, typer.Option(help="Of the spirit [% vol at 20 degC].")],
    target: Annotated[float, typer.Option(help="To reach [% vol at 20 degC].")],
    volume: Annotated[float | None, typer.Option(help="Spirit there is [L].")] = None,
    final_volume: Annotated[float | None, typer.Option(help="Volume wanted [L].")] = None,
    temperature: TemperatureOption = 20.0,
    json: JsonOption = False,
) -> None:
    """Water to add to bring spirit down to a strength, by mass and by volume.

    Example: bulkflow liquid reduce --volume 1000 --strength 96.4 --target 63.5
    """
    from bulkflow import alcoholometry as al

    faults = _not_one(
        {"--volume": volume, "--final-volume": final_volume},
        "Give the spirit there is, or the volume wanted.",
        needed=True,
    )
    if faults:
        raise InputError(faults)
    if volume is not None:
        made = al.reduce(volume, strength, target, temperature)
    else:
        made = al.reduce_to_volume(float(final_volume or 0.0), strength, target, temperature)
    document = {
        "temperature_c": temperature,
        "strength_percent": strength,
        "target_strength_percent": target,
        "spirit_volume_litres": float(made.spirit_volume),
        "spirit_mass_kg": float(made.spirit_mass),
        "water_mass_kg": float(made.water_mass),
        "water_volume_litres": float(made.water_volume),
        "final_volume_litres": float(made.final_volume),
        "final_mass_kg": float(made.final_mass),
        "contraction_litres": float(made.contraction),
        "lpa": float(al.lpa_from_mass(made.spirit_mass, strength)),
    }
    title = f"Reduction from {strength:g} to {target:g} % vol at {temperature:g} degC"
    _show(document, json=json, title=title, note=MIXING_NOTE)


@app.command()
def blend(
    parts: Annotated[
        list[str],
        typer.Argument(
            metavar="PART...",
            help="AMOUNT@STRENGTH or AMOUNT@STRENGTH@DEGC, the amount in litres, or in kg with"
            " the letters kg behind it; water is a part of strength 0.",
        ),
    ],
    *,
    temperature: Annotated[
        float, typer.Option("--temperature", "-t", help="Of the blend, and of parts without one.")
    ] = 20.0,
    json: JsonOption = False,
) -> None:
    """Strength, volume and pure alcohol of a blend of several parts.

    Example: bulkflow liquid blend 12000@96.4 8000@70@15 500kg@0
    """
    from bulkflow import alcoholometry as al

    read = _read_parts(parts, temperature)
    masses = [
        part.amount
        if part.by_mass
        else float(al.mass_from_volume(part.amount, part.strength, part.temperature))
        for part in read
    ]
    made = al.blend_masses(masses, [part.strength for part in read], blend_temperature=temperature)
    document = {
        "temperature_c": temperature,
        "strength_percent": float(made.strength),
        "mass_fraction": float(made.mass_fraction),
        "volume_litres": float(made.volume),
        "mass_kg": float(made.mass),
        "contraction_litres": float(made.contraction),
        "lpa": float(made.lpa),
    }
    title = f"Blend of {len(read)} part{'s' * (len(read) != 1)} at {temperature:g} degC"
    _show(document, json=json, title=title, note=MIXING_NOTE)


# --- reading what was given ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Part:
    """One part of a blend as written on the command line."""

    amount: float
    by_mass: bool
    strength: float
    temperature: float


def _not_one(given: Mapping[str, float | None], mend: str, *, needed: bool) -> list[Fault]:
    """Return a fault unless exactly one (or, if not needed, at most one) option was given."""
    named = [name for name, value in given.items() if value is not None]
    if len(named) > 1:
        return [Fault(COMMAND_LINE, 0, " and ".join(named), "were given together", mend)]
    if needed and not named:
        listed = ", ".join(given)
        return [Fault(COMMAND_LINE, 0, "", f"none of {listed} was given", mend)]
    return []


def _given(measures: Mapping[str, float | None]) -> tuple[str, float]:
    """Return the one option that was given, and its number."""
    return next((name, value) for name, value in measures.items() if value is not None)


def _read_parts(texts: list[str], temperature: float) -> list[_Part]:
    """Return the parts of a blend; all that cannot be read are told at once."""
    parts, faults = [], []
    for number, text in enumerate(texts, start=1):
        fields = text.split("@")
        amount = fields[0].strip()
        by_mass = amount.lower().endswith("kg")
        numbers = [_number(field) for field in (amount[:-2] if by_mass else amount, *fields[1:])]
        if len(fields) not in (2, 3) or any(math.isnan(value) for value in numbers):
            faults.append(
                Fault(
                    COMMAND_LINE, 0, f"part {number}", f"is {text!r}",
                    "Write AMOUNT@STRENGTH or AMOUNT@STRENGTH@DEGC, as in 12000@96.4 or 500kg@0.",
                )
            )  # fmt: skip
            continue
        warm = numbers[2] if len(numbers) == 3 else temperature
        parts.append(_Part(numbers[0], by_mass, numbers[1], warm))
    if faults:
        raise InputError(faults)
    return parts


def _number(text: str) -> float:
    """Return the number, or NaN for what is none (a written nan is none either)."""
    try:
        return float(text)
    except ValueError:
        return math.nan


# --- computing -----------------------------------------------------------------------------


def _strength_of(name: str, value: float, temperature: float, scale: Scale) -> float:
    """Return the strength that the one given measure stands for."""
    from bulkflow import alcoholometry as al

    glass = {
        Scale.AT_20_C: al.HydrometerScale.VOL_20_C,
        Scale.AT_60_F: al.HydrometerScale.VOL_60_F,
    }[scale]
    turns = {
        "--strength": lambda: al.strength_from_mass_fraction(al.mass_fraction_from_strength(value)),
        "--mass-fraction": lambda: al.strength_from_mass_fraction(value),
        "--density": lambda: al.strength_from_density(value, temperature),
        "--density-in-air": lambda: al.strength_from_density(
            al.density_in_vacuum(value), temperature
        ),
        "--hydrometer": lambda: al.strength_from_hydrometer(value, temperature, scale=glass),
        "--proof": lambda: al.strength_from_proof(value),
        "--degree-15": lambda: al.strength_from_degree_15(value),
    }
    return float(turns[name]())


def _measures(strength: float, temperature: float) -> dict[str, Any]:
    """Return every measure of a liquid of a strength."""
    from bulkflow import alcoholometry as al

    rho = al.density_from_strength(strength, temperature)
    return {
        "temperature_c": temperature,
        "strength_percent": strength,
        "mass_fraction": float(al.mass_fraction_from_strength(strength)),
        "density_kg_m3": float(rho),
        "density_in_air_kg_m3": float(al.density_in_air(rho)),
        "proof_60f": float(al.proof_from_strength(strength)),
        "degree_15c": float(al.degree_15_from_strength(strength)),
    }


def _amounts(
    name: str, amount: float, document: Mapping[str, Any], temperature: float
) -> dict[str, Any]:
    """Return every measure of an amount of the liquid."""
    from bulkflow import alcoholometry as al

    strength, rho = document["strength_percent"], document["density_kg_m3"]
    at_20 = al.PureAlcoholBasis.AT_20_C
    turns = {
        "--volume": lambda: al.mass_from_volume(amount, strength, temperature),
        "--mass": lambda: al.mass_from_volume(
            al.volume_from_mass(amount, strength, temperature), strength, temperature
        ),
        "--weighed": lambda: al.mass_from_weighing(amount, rho),
        "--lpa": lambda: al.mass_from_lpa(amount, strength),
        "--proof-gallons": lambda: al.mass_from_lpa(
            al.lpa_from_proof_gallons(amount, at_20), strength
        ),
    }
    mass = float(turns[name]())
    lpa = float(al.lpa_from_mass(mass, strength))
    return {
        "volume_litres": float(al.volume_from_mass(mass, strength, temperature)),
        "volume_litres_20c": float(al.volume_from_mass(mass, strength)),
        "mass_kg": mass,
        "weighed_kg": float(al.weighing_from_mass(mass, rho)),
        "lpa": lpa,
        "proof_gallons": float(al.proof_gallons_from_lpa(lpa, at_20)),
    }


# --- showing -------------------------------------------------------------------------------

# Key of the JSON document: its words in the table, and how many digits are worth showing.
_ROWS = {
    "strength_percent": ("Strength, % vol at 20 degC", ".3f"),
    "target_strength_percent": ("Target strength, % vol at 20 degC", ".3f"),
    "mass_fraction": ("Mass fraction, kg/kg", ".6f"),
    "density_kg_m3": ("Density in vacuum, kg/m3", ".3f"),
    "density_in_air_kg_m3": ("Density in air (OIML D 28), kg/m3", ".3f"),
    "proof_60f": ("US proof at 60 degF", ".3f"),
    "degree_15c": ("Degree at 15 degC, % vol", ".3f"),
    "spirit_volume_litres": ("Spirit, L", ",.2f"),
    "spirit_mass_kg": ("Spirit, kg", ",.2f"),
    "water_mass_kg": ("Water to add, kg", ",.2f"),
    "water_volume_litres": ("Water to add, L", ",.2f"),
    "final_volume_litres": ("Final volume, L", ",.2f"),
    "final_mass_kg": ("Final mass, kg", ",.2f"),
    "volume_litres": ("Volume, L at the temperature", ",.2f"),
    "volume_litres_20c": ("Volume, L at 20 degC", ",.2f"),
    "mass_kg": ("True mass, kg", ",.2f"),
    "weighed_kg": ("Net weight in air (OIML D 28), kg", ",.2f"),
    "contraction_litres": ("Contraction, L", ",.2f"),
    "lpa": ("Pure alcohol, L at 20 degC", ",.2f"),
    "proof_gallons": ("Proof gallons (1.9018 L of the above)", ",.2f"),
}


def _show(document: Mapping[str, Any], *, json: bool, title: str, note: str = "") -> None:
    """Print one document, as JSON or as a table of two columns."""
    if json:
        write_json(document)
        return
    from rich import box
    from rich.table import Table

    console = result_console()
    table = Table(title=title, box=box.SIMPLE_HEAD, title_justify="left", show_header=False)
    table.add_column("measure")
    table.add_column("value", justify="right")
    for key, (words, digits) in _ROWS.items():
        if key in document:
            table.add_row(words, format(document[key], digits))
    console.print(table)
    if note:
        console.print(note)
