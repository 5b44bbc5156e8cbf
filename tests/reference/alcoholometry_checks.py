"""Run a table of alcoholometry checks through the public functions.

Each row of the table asks for one quantity at some inputs (``key=value;key=value``) and states
what a published source, or the formula, gives::

    id, quantity, inputs, expected, unit, tolerance, source, basis

``python -m tests.reference.alcoholometry_checks FILE.csv`` prints one line a row, ``id ok``,
``id FAIL`` or ``id not asked`` (a quantity this package does not compute, or an input that its
calculation would have to ignore), the reasons on standard error, and ends with exit code 1 if
any row failed.
"""

from __future__ import annotations

import csv
import math
import re
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize_scalar

from bulkflow import alcoholometry as al
from bulkflow.errors import BulkflowError
from bulkflow.filling import FillRule, maximum_fill_fraction, surge_fill_allowed
from tests.reference.verdicts import print_verdicts

TABLE = Path(__file__).with_suffix(".csv")

KG_PER_POUND = 0.45359237
LITRES_PER_GALLON = al.LITRES_PER_US_GALLON


class NotAsked(Exception):
    """The row asks for something that the public functions do not compute."""


@dataclass(frozen=True)
class Row:
    id: str
    quantity: str
    inputs: str
    expected: float
    unit: str
    tolerance: float
    source: str
    basis: str


class Inputs:
    """The inputs of one row; remembers which were read, so that none is ignored in silence."""

    def __init__(self, text: str) -> None:
        pairs = [part.partition("=") for part in text.split(";") if part.strip()]
        self.values = {key.strip(): value.strip() for key, _, value in pairs}
        self.read: set[str] = set()

    def has(self, *keys: str) -> bool:
        return any(key in self.values for key in keys)

    def text(self, *keys: str, default: str | None = None) -> str:
        for key in keys:
            if key in self.values:
                self.read.add(key)
                return self.values[key]
        if default is None:
            raise NotAsked(f"needs one of the inputs {', '.join(keys)}")
        return default

    def number(self, *keys: str, default: float | None = None) -> float:
        if default is not None and not self.has(*keys):
            return default
        return float(self.text(*keys))

    def all_read(self) -> None:
        unread = set(self.values) - self.read
        if unread:
            raise NotAsked(f"input {', '.join(sorted(unread))} is not part of the calculation")


# --- the inputs that many quantities share -------------------------------------------------


def temperature(inputs: Inputs, default: float = 20.0, suffix: str = "") -> float:
    """Temperature in degC, from whichever key and scale the row gives."""
    for key in (f"t{suffix}_F", f"t_F{suffix}"):
        if inputs.has(key):
            return float(al.celsius_from_fahrenheit(inputs.number(key)))
    return inputs.number(f"t{suffix}_C", f"t_C{suffix}", f"t{suffix}", default=default)


def reference_temperature(inputs: Inputs, default: str) -> float:
    return named_temperature(inputs.text("t_ref", "basis", default=default))


def named_temperature(text: str) -> float:
    """``60F``, ``20C``, ``15.56`` (degC) as degC."""
    match = re.fullmatch(r"(-?[\d.]+)\s*(?:deg)?\s*([CF]?)", text.strip())
    if match is None:
        raise NotAsked(f"reference temperature {text!r} is not understood")
    value = float(match[1])
    if match[2] == "F":
        return float(al.celsius_from_fahrenheit(value))
    # Handbooks round 60 degF to 15.5, 15.55 or 15.56 degC.
    return al.SIXTY_FAHRENHEIT_C if 15.5 <= value <= 15.6 else value


def fraction_at(strength: float, reference_c: float) -> float:
    """Mass fraction from % vol at one of the legal reference temperatures."""
    if math.isclose(reference_c, al.SIXTY_FAHRENHEIT_C, abs_tol=1e-6):
        return float(al.mass_fraction_from_proof(2.0 * strength))
    if reference_c == 15.0:
        return float(al.mass_fraction_from_strength(al.strength_from_degree_15(strength)))
    if reference_c == 20.0:
        return float(al.mass_fraction_from_strength(strength))
    raise NotAsked(f"no legal strength is stated at {reference_c:g} degC")


def composition(inputs: Inputs, suffix: str = "", default_reference: str = "20C") -> float:
    """Mass fraction, from whichever measure of composition the row gives."""
    for key, turn in (
        ("p", float),
        ("mass_fraction", float),
        ("mass_pct", lambda text: float(text) / 100.0),
        ("abv20", lambda text: fraction_at(float(text), 20.0)),
        ("abv60", lambda text: fraction_at(float(text), al.SIXTY_FAHRENHEIT_C)),
        ("abv60F", lambda text: fraction_at(float(text), al.SIXTY_FAHRENHEIT_C)),
        ("true_abv60", lambda text: fraction_at(float(text), al.SIXTY_FAHRENHEIT_C)),
        ("true_abv20", lambda text: fraction_at(float(text), 20.0)),
        ("abv15", lambda text: fraction_at(float(text), 15.0)),
        ("proof", lambda text: float(al.mass_fraction_from_proof(float(text)))),
        ("true_proof", lambda text: float(al.mass_fraction_from_proof(float(text)))),
    ):
        if inputs.has(key + suffix):
            return float(turn(inputs.text(key + suffix)))
    if inputs.has("abv" + suffix):
        text = inputs.text("abv" + suffix)
        return fraction_at(float(text), reference_temperature(inputs, default_reference))
    raise NotAsked("no measure of composition among the inputs")


def strength(inputs: Inputs, suffix: str = "", default_reference: str = "20C") -> float:
    return float(al.strength_from_mass_fraction(composition(inputs, suffix, default_reference)))


def convention(inputs: Inputs) -> al.WeighingConvention:
    if not inputs.has("rho_air", "rho_weights", "a", "w"):
        return al.OIML_D28
    return al.WeighingConvention(
        inputs.number("rho_air", "a", default=al.OIML_D28.air_density),
        inputs.number("rho_weights", "w", default=al.OIML_D28.weight_density),
        "as the row states",
    )


def glass(inputs: Inputs) -> float:
    return inputs.number("glass_beta", "beta", "b", default=al.GLASS_EXPANSION)


def volume(inputs: Inputs, *names: str) -> tuple[float, float]:
    """Volume in litres and the temperature [degC] it was measured at."""
    if inputs.has("litres20"):
        return inputs.number("litres20"), 20.0
    return inputs.number("litres", "volume", "L", *names), temperature(inputs)


# --- density and strength -----------------------------------------------------------------


def density_vacuum(inputs: Inputs) -> float:
    return float(al.density(composition(inputs), temperature(inputs)))


def density_its90(inputs: Inputs) -> float:
    t = inputs.number("t90_C", "t_C", default=20.0)
    return float(al.density_its90(composition(inputs), t))


def density_beyond(inputs: Inputs) -> float:
    t = temperature(inputs)
    assert al.is_extrapolated(t)
    return float(al.density_extrapolated(composition(inputs), t))


def density_air(inputs: Inputs) -> float:
    rho = inputs.number("rho") if inputs.has("rho") else density_vacuum(inputs)
    return float(al.density_in_air(rho, convention=convention(inputs)))


def mass_fraction(inputs: Inputs) -> float:
    if inputs.has("rho", "density"):
        rho = inputs.number("rho", "density")
        return float(al.mass_fraction_from_density(rho, temperature(inputs)))
    return composition(inputs)


def abv20(inputs: Inputs) -> float:
    if inputs.has("rho_air20", "rho_in_air"):
        rho = al.density_in_vacuum(inputs.number("rho_air20", "rho_in_air"))
        return float(al.strength_from_density(rho, temperature(inputs)))
    if inputs.has("rho", "density"):
        rho = inputs.number("rho", "density")
        return float(al.strength_from_density(rho, temperature(inputs)))
    return strength(inputs)


_RELATIVE = re.compile(
    r"((?:relative_density|specific_gravity)(?:_air|_vacuum)?)_([\d.]+F?)_([\d.]+F?)"
)


def relative_density(quantity: str) -> Callable[[Inputs], float]:
    """``relative_density_20_20``, ``specific_gravity_air_15.56_15.56``: liquid, then water."""
    match = _RELATIVE.fullmatch(quantity)
    assert match is not None
    kind, first, second = match.groups()
    liquid_c, water_c = named_temperature(first), named_temperature(second)

    def compute(inputs: Inputs) -> float:
        liquid = al.density(composition(inputs), liquid_c)
        water = al.density(0.0, water_c)
        if "air" in kind:
            liquid, water = al.density_in_air(liquid), al.density_in_air(water)
        return float(liquid / water)

    return compute


def hydrometer_scale(inputs: Inputs) -> al.HydrometerScale:
    named = inputs.text("scale", "t0", "t_ref", default="20C")
    if math.isclose(named_temperature(named), al.SIXTY_FAHRENHEIT_C, abs_tol=1e-6):
        return al.HydrometerScale.VOL_60_F
    return al.HydrometerScale.VOL_20_C


def abv20_from_alcoholometer(inputs: Inputs) -> float:
    return float(
        al.strength_from_hydrometer(
            inputs.number("reading"),
            temperature(inputs),
            scale=hydrometer_scale(inputs),
            glass_expansion=glass(inputs),
        )
    )


def true_proof_from_hydrometer(inputs: Inputs) -> float:
    reading = inputs.number("reading_proof", "reading")
    return float(
        al.proof_from_hydrometer(reading, temperature(inputs), glass_expansion=glass(inputs))
    )


def hydrometer_reading(scale: al.HydrometerScale, factor: float = 1.0) -> Callable[[Inputs], float]:
    def compute(inputs: Inputs) -> float:
        shown = al.hydrometer_from_strength(
            strength(inputs), temperature(inputs), scale=scale, glass_expansion=glass(inputs)
        )
        return factor * float(shown)

    return compute


def obscuration(inputs: Inputs) -> float:
    solids = inputs.number("solids_g_per_100mL", "solids")
    apparent = 100.0
    return float(al.true_proof(apparent, solids)) - apparent


# --- amounts ------------------------------------------------------------------------------


def lpa20(inputs: Inputs) -> float:
    if inputs.has("kg_vacuum", "kg"):
        return float(al.lpa_from_mass(inputs.number("kg_vacuum", "kg"), strength(inputs)))
    if inputs.has("kg_air", "kg_scale"):
        reading, q = inputs.number("kg_air", "kg_scale"), strength(inputs)
        rho = al.density_from_strength(q, temperature(inputs))
        mass = al.mass_from_weighing(reading, rho, convention=convention(inputs))
        return float(al.lpa_from_mass(mass, q))
    if inputs.has("proof_gallons", "proof_gal"):
        gallons = inputs.number("proof_gallons", "proof_gal")
        return float(al.lpa_from_proof_gallons(gallons, al.PureAlcoholBasis.AT_20_C))
    litres, t = volume(inputs)
    return float(al.lpa_from_volume(litres, strength(inputs), t))


def volume_at_20(inputs: Inputs) -> float:
    litres, t = volume(inputs)
    return float(al.volume_at_temperature(litres, strength(inputs), t, 20.0))


def true_mass(inputs: Inputs) -> float:
    reading = inputs.number("kg_air", "kg_scale", "reading")
    if inputs.has("rho"):
        rho = inputs.number("rho")
    else:
        rho = float(al.density(composition(inputs), temperature(inputs)))
    return float(al.mass_from_weighing(reading, rho, convention=convention(inputs)))


def grams_per_100_ml(inputs: Inputs) -> float:
    return float(al.grams_per_100_ml(strength(inputs), temperature(inputs)))


# --- United States gauging (60 degF) ------------------------------------------------------


def pounds_per_gallon(inputs: Inputs) -> float:
    rho = al.density_in_air(al.density(composition(inputs), al.SIXTY_FAHRENHEIT_C))
    return float(rho) * LITRES_PER_GALLON / 1000.0 / KG_PER_POUND


def wine_gallons_from_pounds(inputs: Inputs) -> float:
    return inputs.number("lb", "pounds") / pounds_per_gallon(inputs)


def pounds_per_proof_gallon(inputs: Inputs) -> float:
    pounds = pounds_per_gallon(inputs)
    return pounds / float(al.proof_gallons(1.0, inputs.number("proof")))


def proof_gallons(inputs: Inputs) -> float:
    if inputs.has("lpa20", "lpa"):
        litres = inputs.number("lpa20", "lpa")
        return float(al.proof_gallons_from_lpa(litres, al.PureAlcoholBasis.AT_20_C))
    if inputs.has("lb", "pounds"):
        proof = inputs.number("proof")
        return float(al.proof_gallons(wine_gallons_from_pounds(inputs), proof))
    gallons = inputs.number("gauged_gal", "wine_gal", "gal") * inputs.number("factor", default=1.0)
    proof = inputs.number("proof")
    if inputs.has("t_F", "t_C"):
        q, t = float(al.strength_from_proof(proof)), temperature(inputs)
        gallons = float(al.volume_at_temperature(gallons, q, t, al.SIXTY_FAHRENHEIT_C))
    return float(al.proof_gallons(gallons, proof))


def litres_per_proof_gallon(inputs: Inputs) -> float:
    t = reference_temperature(inputs, "20C")
    basis = al.PureAlcoholBasis.AT_20_C if t == 20.0 else al.PureAlcoholBasis.AT_60_F
    if basis is al.PureAlcoholBasis.AT_60_F and t != al.SIXTY_FAHRENHEIT_C:
        raise NotAsked(f"no basis at {t:g} degC")
    return float(al.lpa_from_proof_gallons(1.0, basis))


def volume_factor_to_60f(inputs: Inputs) -> float:
    q, t = strength(inputs), temperature(inputs)
    return float(al.volume_at_temperature(1.0, q, t, al.SIXTY_FAHRENHEIT_C))


def water_in_100_spirit_60f(inputs: Inputs) -> float:
    """Volume of the water contained in 100 volumes, were it apart, all at 60 degF."""
    p = composition(inputs)
    mass = 100.0 * float(al.density(p, al.SIXTY_FAHRENHEIT_C)) * (1.0 - p)
    return mass / float(al.density(0.0, al.SIXTY_FAHRENHEIT_C))


def water_to_add_60f(inputs: Inputs) -> float:
    made = al.reduce(
        100.0, strength(inputs, "_from"), strength(inputs, "_to"), al.SIXTY_FAHRENHEIT_C
    )
    return float(made.water_volume)


def water_pounds(inputs: Inputs) -> float:
    mass = inputs.number("lb", "pounds", "kg")
    first, target = strength(inputs, "_from"), strength(inputs, "_to")
    litres = al.volume_from_mass(mass, first)
    return float(al.reduce(litres, first, target).water_mass)


# --- reduction and blending ---------------------------------------------------------------


def reduced(inputs: Inputs) -> al.Reduction:
    litres, t = volume(inputs)
    return al.reduce(litres, strength(inputs, "_from"), strength(inputs, "_to"), t)


def reduced_at(inputs: Inputs, default_reference: str) -> al.Reduction:
    """What makes 100 volumes, all at the reference temperature of the strengths."""
    first = strength(inputs, "_from", default_reference)
    target = strength(inputs, "_to", default_reference)
    t = (
        temperature(inputs)
        if inputs.has("t_C", "t_F")
        else reference_temperature(inputs, default_reference)
    )
    return al.reduce_to_volume(100.0, first, target, t)


def volume_of_mixture(inputs: Inputs) -> float:
    t = temperature(inputs)
    spirit = inputs.number("spirit_mL", "spirit_L", "spirit")
    water = inputs.number("water_mL", "water_L", "water")
    made = al.blend([spirit, water], [strength(inputs), 0.0], t, blend_temperature=t)
    return float(made.volume)


def greatest_contraction(inputs: Inputs) -> float:
    t = temperature(inputs)

    def grown(share: float) -> float:
        parts = [share, 1.0 - share]
        return -100.0 * float(al.blend(parts, [100.0, 0.0], t, blend_temperature=t).contraction)

    return -float(minimize_scalar(grown, bounds=(0.01, 0.99), method="bounded").fun)


def contraction_of_mixture(inputs: Inputs) -> float:
    """Per cent of the parts' volumes that goes missing."""
    t = temperature(inputs)
    spirit, water = inputs.number("spirit_vol", "ethanol_vol"), inputs.number("water_vol")
    q = strength(inputs) if inputs.has("abv20", "abv60", "proof", "p", "abv") else 100.0
    made = al.blend([spirit, water], [q, 0.0], t, blend_temperature=t)
    return 100.0 * float(made.contraction) / (spirit + water)


# --- filling ------------------------------------------------------------------------------

_RULE_WORDS = (
    (r"TP2|4\.2\.1\.9\.3", FillRule.PORTABLE_TP2),
    (r"TP1|4\.2\.1\.9\.2", FillRule.PORTABLE_TP1),
    (r"4\.1\.1\.4|packag|IBC", FillRule.PACKAGING),
    (r"4\.3\.2\.2\.1\s*\(?a", FillRule.ADR_A),
    (r"4\.3\.2\.2\.1\s*\(?b", FillRule.ADR_B),
    (r"4\.3\.2\.2\.1\s*\(?c", FillRule.ADR_C),
    (r"4\.3\.2\.2\.1\s*\(?d", FillRule.ADR_D),
)


def mean_expansion(inputs: Inputs) -> float:
    """From the supplier's densities where they are numbers, else with d50 extrapolated."""
    hot = inputs.text("d50", default="extrapolated")
    if re.fullmatch(r"[\d.]+", hot):
        cold = (
            inputs.number("d15")
            if inputs.has("d15")
            else float(al.density(composition(inputs), 15.0))
        )
        return float(al.mean_expansion(cold, float(hot)))
    if "extrapolated" not in hot:
        raise NotAsked(f"d50 {hot!r} is not understood")
    return float(al.mean_expansion_extrapolated(strength(inputs)))


def max_fill(inputs: Inputs) -> float:
    text = inputs.text("rule")
    rules = [rule for words, rule in _RULE_WORDS if re.search(words, text, re.IGNORECASE)]
    if not rules:
        raise NotAsked(f"filling rule {text!r} is not known")
    alpha = inputs.number("alpha") if inputs.has("alpha") else mean_expansion(inputs)
    fraction = maximum_fill_fraction(
        rules[0],
        alpha,
        inputs.number("tf_C", "tF_C", "t_C"),
        bulk_temperature_c=inputs.number("tr_C", default=50.0),
    )
    return 100.0 * fraction


def surge_allowed(inputs: Inputs) -> float:
    section = inputs.number("undivided_section_litres", "section_litres", "shell_litres")
    return float(surge_fill_allowed(section, inputs.number("fill_pct") / 100.0))


# --- the table of quantities --------------------------------------------------------------

COMPUTE: dict[str, Callable[[Inputs], float]] = {
    "density_vacuum": density_vacuum,
    "density_vacuum_from_abv20": density_vacuum,
    "density_vacuum_ITS90": density_its90,
    "density_vacuum_extrapolated_beyond_R22": density_beyond,
    "density_air": density_air,
    "density_air_20C": density_air,
    "cubic_expansion": lambda i: float(al.cubic_expansion(composition(i), temperature(i))),
    "mass_fraction_from_abv20": mass_fraction,
    "mass_fraction_from_density": mass_fraction,
    "mass_fraction_from_proof": mass_fraction,
    "mass_pct_from_abv20": lambda i: 100.0 * mass_fraction(i),
    "mass_pct_from_abv60F": lambda i: 100.0 * mass_fraction(i),
    "mass_pct_from_proof": lambda i: 100.0 * mass_fraction(i),
    "mass_pct_from_density": lambda i: 100.0 * mass_fraction(i),
    "abv20_from_density": abv20,
    "abv20_from_mass_fraction": abv20,
    "abv20_from_mass_pct": abv20,
    "abv20_from_proof60F": abv20,
    "abv20_from_abv60F": abv20,
    "abv20_from_abv15": abv20,
    "abv20_from_alcoholometer": abv20_from_alcoholometer,
    "abv60F_from_abv20": lambda i: float(al.proof_from_strength(strength(i))) / 2.0,
    "proof60F_from_abv20": lambda i: float(al.proof_from_strength(strength(i))),
    "proof_from_abv20": lambda i: float(al.proof_from_strength(strength(i))),
    "abv15_from_abv20": lambda i: float(al.degree_15_from_strength(strength(i))),
    "true_proof_from_hydrometer": true_proof_from_hydrometer,
    "hydrometer_reading_pctvol_60F_scale": hydrometer_reading(al.HydrometerScale.VOL_60_F),
    "hydrometer_reading_pctvol_20C_scale": hydrometer_reading(al.HydrometerScale.VOL_20_C),
    "hydrometer_reading_proof": hydrometer_reading(al.HydrometerScale.VOL_60_F, 2.0),
    "obscuration_proof": obscuration,
    "alcohol_grams_per_100mL_20C": grams_per_100_ml,
    "litres_pure_alcohol_20C": lpa20,
    "volume_at_20C": volume_at_20,
    "true_mass": true_mass,
    "mass_from_scale_reading": true_mass,
    "weight_lb_per_US_gal_air_60F": pounds_per_gallon,
    "wine_gallons_60F_from_lb_air": wine_gallons_from_pounds,
    "lb_per_proof_gallon_air": pounds_per_proof_gallon,
    "proof_gallons": proof_gallons,
    "litres_pure_alcohol_per_proof_gallon": litres_per_proof_gallon,
    "volume_factor_to_60F": volume_factor_to_60f,
    "water_volumes_per_100_spirit_60F": water_in_100_spirit_60f,
    "water_to_add_per_100_spirit_60F": water_to_add_60f,
    "water_lb_to_add": water_pounds,
    "water_mass_to_add": lambda i: float(reduced(i).water_mass),
    "water_volume_20C_to_add": lambda i: float(reduced(i).water_volume),
    "final_volume_20C": lambda i: float(reduced(i).final_volume),
    "contraction": lambda i: float(reduced(i).contraction),
    "water_volumes_to_make_100": lambda i: float(reduced_at(i, "20C").water_volume),
    "spirit_volumes_to_make_100": lambda i: float(reduced_at(i, "20C").spirit_volume),
    "volume_of_96pct_to_make_1000": lambda i: 10.0 * float(reduced_at(i, "20C").spirit_volume),
    "volume_of_mixture": volume_of_mixture,
    "contraction_pct": contraction_of_mixture,
    "max_contraction_pct": greatest_contraction,
    "mean_cubic_expansion_15_50": mean_expansion,
    "max_fill_pct": max_fill,
    "surge_fill_allowed": surge_allowed,
}

# Units in which a table may state a quantity that we compute in another: what to multiply by.
UNITS = {
    "g/cm3": 1e-3,
    "g/mL": 1e-3,
    "kg/L": 1e-3,
    "1e-3/K": 1e3,
    "fraction": 1e-2,
}
# Quantities whose unit in this column is our own, though it bears a name of UNITS.
_TIMES_UNIT = re.compile(r"^(density|cubic_exp|mean_cubic|max_fill)")


def calculation(quantity: str) -> Callable[[Inputs], float]:
    if quantity in COMPUTE:
        return COMPUTE[quantity]
    if re.fullmatch(
        r"(relative_density|specific_gravity)(_air|_vacuum)?_[\d.]+F?_[\d.]+F?", quantity
    ):
        return relative_density(quantity)
    if match := re.fullmatch(r"volume_of_[\d.]+pct_to_make_([\d.]+)", quantity):
        total = float(match[1])
        return lambda i: total / 100.0 * float(reduced_at(i, "20C").spirit_volume)
    raise NotAsked("no public function computes this quantity")


def compute(row: Row) -> float:
    """The value that the public functions give; NotAsked where they do not reach."""
    inputs = Inputs(row.inputs)
    value = calculation(row.quantity)(inputs)
    inputs.all_read()
    if _TIMES_UNIT.match(row.quantity):
        value *= UNITS.get(row.unit, 1.0)
    return value


def agrees(row: Row, value: float) -> bool:
    """Within the tolerance, and the round-off of float64 where the tolerance is exact."""
    return abs(value - row.expected) <= row.tolerance + 1e-12 * max(1.0, abs(row.expected))


def read(path: Path) -> list[Row]:
    with path.open(encoding="utf-8-sig", newline="") as handle:
        return [
            Row(
                line["id"],
                line["quantity"].strip(),
                line["inputs"],
                float(line["expected"]),
                (line.get("unit") or "").strip(),
                float(line["tolerance"]),
                line.get("source") or "",
                line.get("basis") or "",
            )
            for line in csv.DictReader(handle)
        ]


def judge(row: Row) -> tuple[str, str]:
    """The verdict on one row, and its reason where it is not ok."""
    try:
        value = compute(row)
    except NotAsked as reason:
        return "not asked", str(reason)
    except (BulkflowError, ValueError) as error:
        return "FAIL", str(error)
    if np.isfinite(value) and agrees(row, value):
        return "ok", ""
    return (
        "FAIL",
        f"computed {value:.8g}, expected {row.expected:g} +- {row.tolerance:g} {row.unit}",
    )


def main(paths: Iterable[str]) -> int:
    tables = (read(Path(path)) for path in paths)
    return print_verdicts(tables, judge, lambda row: f"{row.quantity} ({row.inputs})")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("usage: python -m tests.reference.alcoholometry_checks FILE.csv ...")
    sys.exit(main(sys.argv[1:]))
