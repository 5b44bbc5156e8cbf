"""Run a table of laboratory checks through the public functions.

Each row asks for one quantity in words, with inputs ``key=value;key=value``, and states what a
published source, or the formula, gives::

    id, quantity, inputs, expected, unit, tolerance, source, basis

``python -m tests.reference.laboratory_checks FILE.csv`` prints one line a row, ``id ok``,
``id FAIL`` or ``id not asked``, the reasons on standard error, and ends with exit code 1 if any
row failed. Several answers of one row stand in one cell (``39.8,40.2``).
"""

from __future__ import annotations

import csv
import math
import re
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from bulkflow import rules
from bulkflow.laboratory import (
    agreement,
    conformity,
    density_meter,
    detection,
    obscuration,
    replicates,
    units,
)
from bulkflow.statistics import control_charts, precision, tolerance
from tests.reference.verdicts import print_verdicts

TABLE = Path(__file__).with_suffix(".csv")
ON = date(2026, 12, 1)

Answer = float | tuple[float, ...]


class NotAsked(Exception):
    """The row states a fact in prose, or something that no public function computes."""


@dataclass(frozen=True)
class Row:
    """One check."""

    id: str
    quantity: str
    inputs: dict[str, str]
    expected: str
    unit: str
    tolerance: float
    source: str
    basis: str

    @property
    def words(self) -> str:
        """The quantity in small letters."""
        return re.sub(r"\s+", " ", self.quantity.lower().replace("µ", "u"))

    def says(self, *patterns: str) -> bool:
        """Whether the quantity matches any of the patterns."""
        return any(re.search(pattern, self.words) for pattern in patterns)

    def has(self, *keys: str) -> bool:
        """Whether any of the inputs is given."""
        return any(key in self.inputs for key in keys)

    def text(self, *keys: str) -> str:
        """The first of the inputs that is given."""
        for key in keys:
            if key in self.inputs:
                return self.inputs[key]
        raise NotAsked(f"needs the input {' or '.join(keys)}")

    def number(self, *keys: str, default: float | None = None) -> float:
        """The first of the inputs that is given, as a number; units behind it are left."""
        if default is not None and not self.has(*keys):
            return default
        return number_in(self.text(*keys))

    def whole(self, *keys: str) -> int:
        """A whole number."""
        return round(self.number(*keys))

    def numbers(self, *keys: str) -> list[float]:
        """A list of numbers."""
        return [number_in(part) for part in self.text(*keys).split(",")]

    def maybe(self, *keys: str) -> float | None:
        """The number of an input, or None."""
        return self.number(*keys) if self.has(*keys) else None

    def in_words(self, pattern: str) -> float:
        """A number that stands in the quantity itself."""
        found = re.search(pattern, self.words)
        if found is None:
            raise NotAsked("a figure is neither among the inputs nor in the words")
        return float(found[1])


def number_in(text: str) -> float:
    """``0.50 g/hl pa``, ``1/5``, ``44.053/118.176``, ``1.96*sqrt(2)``, ``5 %``."""
    cleaned = text.strip()
    if found := re.fullmatch(r"([\d.]+)\s*\*?\s*sqrt\(([\d.]+)\)", cleaned):
        return float(found[1]) * math.sqrt(float(found[2]))
    if found := re.fullmatch(r"([\d.eE+-]+)\s*/\s*([\d.eE+-]+)", cleaned):
        return float(found[1]) / float(found[2])
    found = re.match(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", cleaned)
    if found is None:
        raise NotAsked(f"{text!r} is no number")
    value = float(found[0])
    return value / 100.0 if cleaned.endswith("%") else value


# --- units ---------------------------------------------------------------------------------

_UNIT = r"(mg/100 ?ml|mg/l|g/hl|ug/g|mg/kg|ug/kg|ug/l|g/l)"
_ABOUT_THE_LIQUID = {"percent_vol", "density_20c_kg_m3", "density_kg_m3", "what", "ask"}


def convert(row: Row) -> Answer:
    """From the unit that the words begin with to that behind "to"."""
    before, _, after = row.words.partition(" to ")
    first, last = re.search(_UNIT, before), re.search(_UNIT, after)
    if first is None or last is None:
        raise NotAsked("no two units are named")
    values = [v for k, v in row.inputs.items() if k.lower() not in _ABOUT_THE_LIQUID]
    if len(values) != 1:
        raise NotAsked("one amount is wanted")
    return units.converted(
        number_in(values[0]),
        first[0],
        last[0],
        row.number("percent_vol", default=float("nan")),
        density_kg_m3=row.maybe("density_20C_kg_m3", "density_kg_m3"),
    )


def reduced(row: Row) -> Answer:
    strength, target = row.number("percent_vol"), row.number("reduced_to")
    if row.has("g_per_hl_pa"):
        held = row.number("g_per_hl_pa")
    else:
        held = units.grams_per_hl_from_mg_per_litre(row.number("mg_per_l"), strength)
    if "g_per_hl" in row.inputs.get("ask", ""):
        return held
    litre = units.mg_per_litre_from_grams_per_hl(held, strength)
    return units.mg_per_litre_after_reduction(litre, strength, target)


# --- replicates and agreement --------------------------------------------------------------


def limit_of(row: Row) -> Answer:
    factor = row.number("factor", default=replicates.ROUNDED_FACTOR)
    return replicates.repeatability_limit(row.number("sr", "sR", "sd"), factor)


_WRITTEN = {"two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "eight": 8}


def critical_range(row: Row) -> Answer:
    if row.has("factor"):
        return row.number("sr") * row.number("factor")
    named = re.search(rf"({'|'.join(_WRITTEN)}|\d+) results", row.words)
    n = row.whole("n") if row.has("n") else 0
    if not n and named:
        n = _WRITTEN.get(named[1], 0) or int(named[1])
    return replicates.critical_range(row.number("sr"), n)


def reported(row: Row) -> Answer:
    made = replicates.report_replicates(
        row.numbers("x", "results"),
        repeatability=row.maybe("r"),
        repeatability_sd=row.maybe("sr"),
        factor=row.maybe("CR_factor", "factor"),
        costly=row.says("costly", "one more"),
    )
    asked = row.inputs.get("ask", "reported")
    if asked == "range":
        return made.spread
    if asked in ("CR", "limit"):
        return made.limit
    if made.value is None:
        raise NotAsked(f"{made.needed} more result(s) first")
    return made.value


def critical_difference(row: Row) -> Answer:
    if row.says("reference"):
        return agreement.critical_difference_from_reference(
            row.number("R"),
            row.number("r"),
            row.whole("n"),
            laboratories=round(row.number("p", default=1.0)),
        )
    if row.says("one laboratory", "same laboratory"):
        return agreement.critical_difference_within(
            row.number("r"), row.whole("n1"), row.whole("n2")
        )
    return agreement.critical_difference(
        row.number("R"), row.number("r"), row.whole("n1"), row.whole("n2")
    )


def certificate(row: Row) -> Answer:
    if row.has("U1"):
        return agreement.agreement_limit(row.number("U1"), row.number("U2"))
    return agreement.agreement_limit(row.number("U"))


def en_number(row: Row) -> Answer:
    return agreement.e_n(
        row.number("x1"), row.number("U1", "U"), row.number("x2"), row.number("U2", "U")
    )


def interlaboratory(row: Row) -> Answer:
    p, alpha = row.whole("p"), row.number("alpha", default=0.05)
    if row.says("mandel h"):
        return precision.mandel_h_limit(p, alpha)
    if row.says("mandel k"):
        return precision.mandel_k_limit(p, row.whole("n"), alpha)
    if row.says("cochran"):
        return precision.cochran_limit(p, row.whole("n"), alpha)
    return precision.grubbs_limit(p, alpha)


def chart_factor(row: Row) -> Answer:
    constants = control_charts.chart_constants(row.whole("n") if row.has("n") else 2)
    if row.has("d2") and abs(constants.d2 - row.number("d2")) > 0.0005:
        raise NotAsked("d2 is not that of moving ranges of two")
    return constants.E2


def horwitz(row: Row) -> Answer:
    if row.has("mass_fraction"):
        return agreement.horwitz_percent(row.number("mass_fraction"))
    if row.has("mg_per_kg", "ug_per_g", "ppm"):
        return agreement.horwitz_percent(1e-6 * row.number("mg_per_kg", "ug_per_g", "ppm"))
    level, strength = row.number("g_per_hl_pa"), row.number("percent_vol")
    if row.says("limit", r"\br\b"):
        return agreement.horwitz_reproducibility_limit(level, strength)
    return agreement.horwitz_percent(1e-6 * units.mg_per_kg_from_grams_per_hl(level, strength))


# --- conformity ----------------------------------------------------------------------------


def standard_uncertainty(row: Row) -> float:
    if row.has("u"):
        return row.number("u")
    return row.number("U") / row.number("k", default=2.0)


def one_sided(row: Row, value: float) -> dict[str, float]:
    upper = row.says("upper", "maximum", "at most", "methanol", "largest") and not row.says(
        "minimum"
    )
    return {"maximum" if upper else "minimum": value}


def probability(row: Row) -> Answer:
    if row.has("lower", "upper"):
        limits = {"minimum": row.maybe("lower"), "maximum": row.maybe("upper")}
        return conformity.conformity_probability(
            row.number("result"), standard_uncertainty(row), **limits
        )
    return conformity.conformity_probability(
        row.number("result"), standard_uncertainty(row), **one_sided(row, row.number("limit"))
    )


def guard_band(row: Row) -> float:
    """The guard band of a row in the unit of its limit."""
    said = row.inputs.get("w") or row.inputs.get("guard") or ""
    found = re.fullmatch(r"([\d.]*)\s*([uU]?)", said) if said else None
    if found is None:
        found = re.search(r"guard band (?:of )?([\d.]*) ?([uU])\b", row.quantity)
    if found is None:
        return 0.0
    factor = float(found[1]) if found[1] else 1.0
    if not found[2]:
        return factor
    if found[2] == "u":
        return factor * standard_uncertainty(row)
    expanded = row.maybe("U")
    if expanded is None:
        expanded = row.number("u") * row.number("k", default=2.0)
    return factor * expanded


def acceptance_limit(row: Row) -> Answer:
    low, high = conformity.acceptance_interval(
        guard_band(row), **one_sided(row, row.number("limit"))
    )
    found = high if low is None else low
    assert found is not None
    return found


def acceptance_interval(row: Row) -> Answer:
    if row.has("lower", "minimum"):
        low, high = row.number("lower", "minimum"), row.number("upper", "maximum")
    else:
        middle, width = row.number("label", "nominal"), row.number("tolerance")
        low, high = middle - width, middle + width
    made = conformity.acceptance_interval(guard_band(row), minimum=low, maximum=high)
    assert made[0] is not None
    assert made[1] is not None
    asked = row.inputs.get("ask", "lower,upper")
    if asked == "lower":
        return made[0]
    return made[1] if asked == "upper" else (made[0], made[1])


def false_acceptance(row: Row) -> Answer:
    said = row.inputs.get("w", "0")
    k = row.number("k", default=2.0)
    found = re.fullmatch(r"([\d.]*)\s*\*?\s*([uU]?)", said)
    if found is None:
        raise NotAsked(f"the guard band {said!r} is not understood")
    factor = float(found[1]) if found[1] else 1.0
    if found[2] == "U":
        return conformity.false_acceptance(factor * k)
    if found[2] == "u" or factor == 0.0:
        return conformity.false_acceptance(factor)
    return conformity.false_acceptance(factor / standard_uncertainty(row))


def largest_u(row: Row) -> Answer:
    guard = row.number("guard", default=conformity.ONE_SIDED_95)
    if row.inputs.get("guard", "").strip().endswith("U"):
        guard = number_in(row.inputs["guard"]) * row.number("k", default=2.0)
    return conformity.largest_uncertainty(row.number("tolerance"), row.number("keep"), guard)


def challenged(row: Row) -> Answer:
    return conformity.challenged_below(
        row.number("label"), row.number("tolerance"), row.number("method_tolerance")
    )


def tolerance_factor(row: Row) -> Answer:
    n, share, level = row.whole("n"), row.number("coverage"), row.number("confidence")
    if row.says("one-sided", "one sided"):
        return tolerance.one_sided_factor(n, share, level)
    return tolerance.two_sided_factor(
        n, share, level, method="howe" if row.says("howe") else "exact"
    )


def batch_constant(row: Row) -> Answer:
    if row.has("Qn", "s"):
        return conformity.lowest_batch_mean(
            row.number("Qn"), row.whole("n", "sample"), row.number("s")
        )
    return conformity.batch_mean_constant(row.whole("n", "sample"))


def tolerable_error(row: Row) -> float:
    rule = rules.rule("eu.contents.tolerable_error", on=ON)
    assert isinstance(rule, rules.ContentsError)
    found = rule.tolerable_ml(row.number("Qn", "nominal", "nominal_ml"))
    if found is None:
        raise NotAsked("no band reaches that size")
    return found


def check_error(row: Row) -> Answer:
    allowed = row.number("TNE") if row.has("TNE") else tolerable_error(row)
    return conformity.largest_check_error(allowed, row.number("share", default=0.2))


# --- density meter, obscuration, detection -------------------------------------------------


def temperature_error(row: Row) -> Answer:
    strength = row.number("percent_vol")
    if row.has("dT", "error_K", "dt_K"):
        return density_meter.strength_error_from_temperature(
            strength, row.number("dT", "error_K", "dt_K")
        )
    if found := re.search(r"error of ([\d.]+) ?k", row.words):
        return density_meter.strength_error_from_temperature(strength, float(found[1]))
    sample = row.maybe("t_C", "sample_C")
    sample = row.in_words(r"sample at ([\d.]+)") if sample is None else sample
    taken = re.search(r"taken as ([\d.]+)", row.words)
    return density_meter.uncorrected_temperature_error(
        strength, sample, float(taken[1]) if taken else 20.0
    )


def density_error(row: Row) -> Answer:
    error = row.maybe("density_error_kg_m3", "error_kg_m3", "drho")
    error = row.in_words(r"error of ([\d.]+)") if error is None else error
    return density_meter.strength_error_from_density(row.number("percent_vol"), error)


def hidden(row: Row) -> Answer:
    if row.has("residue_g"):
        proof = obscuration.obscuration_from_residue_proof(
            row.number("residue_g"), row.number("sample_ml", default=25.0)
        )
        return proof / 2.0 if "vol" in row.unit else proof
    if row.has("sugar_g_per_l"):
        return obscuration.obscuration_by_model(
            row.number("sugar_g_per_l"),
            row.number("percent_vol"),
            specific_volume_ml_g=row.number(
                "specific_volume_ml_g", default=obscuration.SUGAR_SPECIFIC_VOLUME_ML_G
            ),
        )
    if row.has("solids_g_per_100ml"):
        litre = 10.0 * row.number("solids_g_per_100ml")
    else:
        litre = row.number("solids_g_per_l")
    percent = obscuration.obscuration_by_rule_percent(litre)
    return 2.0 * percent if row.unit == "proof" else percent


def sum_with_bounds(row: Row) -> Answer:
    bounds = detection.sum_bounds(
        [detection.parse_bounded(part) for part in row.text("x", "results").split(",")]
    )
    if row.says("lower"):
        return bounds.lower
    return bounds.upper if row.says("upper") else bounds.middle


def calibration_limit(row: Row) -> Answer:
    sigma, slope = row.number("sigma"), row.number("slope")
    if row.says("quantif", "loq"):
        return detection.limit_of_quantification(sigma, slope)
    return detection.limit_of_detection(sigma, slope)


# --- facts, from the rules -----------------------------------------------------------------


def figure(rule_id: str) -> float:
    found = rules.rule(rule_id, on=ON)
    assert isinstance(found, rules.Figure)
    return found.value


def figures(*ids: str) -> Callable[[Row], Answer]:
    def compute(row: Row) -> Answer:
        values = tuple(figure(one) for one in ids)
        asked = [part.strip() for part in row.inputs.get("ask", "").split(",") if part.strip()]
        if len(values) == 2 and asked in (["min"], ["lower"]):
            return values[0]
        if len(values) == 2 and asked in (["max"], ["upper"]):
            return values[1]
        return values if len(values) > 1 else values[0]

    return compute


def study(row: Row) -> Answer:
    ids = {
        "laboratories": "laboratories",
        "countries": "countries",
        "materials": "materials",
        "analytes_of_10": "within_horwitz",
    }
    asked = [part.strip() for part in row.text("ask").split(",")]
    if not all(one in ids for one in asked):
        raise NotAsked(f"{row.text('ask')} is not part of what was read of the study")
    values = tuple(figure(f"study.congeners.{ids[one]}") for one in asked)
    return values if len(values) > 1 else values[0]


def method_precision(row: Row) -> Answer:
    words = {"pycnom": "pycnometer", "densim": "densimeter", "hydrostatic": "hydrostatic balance",
             "balance": "hydrostatic balance", "vodka": "strength"}  # fmt: skip
    method = next((name for word, name in words.items() if word in row.words), None)
    for found in rules.rules_of(rules.MethodPrecision, on=ON):
        if found.method == method and found.sample in row.words:
            asked = [part.strip() for part in row.inputs.get("ask", "").split(",")]
            if asked == ["r"] or row.says("two determinations"):
                return found.repeatability
            if asked == ["R"] or row.says("two laboratories"):
                return found.reproducibility
            return found.repeatability, found.reproducibility
    raise NotAsked("no precision of that method and sample is known")


_PLACES = {"canada": "CA", "china": "CN", "hong kong": "HK", "brazil": "BR", "us": "US",
           "united states": "US", "eu": "EU", "union": "EU"}  # fmt: skip


def contaminant(row: Row) -> Answer:
    substance = next(
        (
            one
            for one in ("ethyl carbamate", "DEHP", "DBP", "DINP", "BBP")
            if one.lower() in row.words
        ),
        None,
    )
    place = next(
        (code for word, code in _PLACES.items() if re.search(rf"\b{word}\b", row.words)), None
    )
    product = next(
        (
            name
            for pattern, name in (
                ("fruit[- ]stone", "fruit-stone spirits"),
                ("fruit brand", "fruit brandies"),
                ("whisk", "whiskey"),
                ("migration|plastic", "migration from plastics"),
                ("food", "food"),
                ("spirit", "distilled spirits"),
            )
            if re.search(pattern, row.words)
        ),
        None,
    )
    if place is None:
        place = "EU" if product == "migration from plastics" else "CN"
    # "before 2023" asks for the older text of what has been amended since.
    on = date(2023, 1, 1) if row.says("before 2023", "older", "until 2023") else ON
    for found in rules.rules_of(rules.Contaminant, on=on, jurisdiction=place):
        if found.substance == substance and found.product == product:
            return found.maximum
    raise NotAsked("no figure for that substance, product and place is known")


# --- the table of quantities ---------------------------------------------------------------

Question = tuple[Callable[[Row], bool], Callable[[Row], Answer]]

QUESTIONS: list[Question] = [
    (lambda r: r.says("ethyl carbamate", "phthalate", "dehp", r"\bdbp\b"), contaminant),
    (lambda r: r.says("reduction"), reduced),
    (lambda r: r.says("blend"), lambda r: units.blended_grams_per_hl(
        r.numbers("lpa"), r.numbers("g_per_hl_pa"))),
    (lambda r: r.says("factor") and r.says("ethanal"), lambda r: units.ACETAL_AS_ETHANAL),
    (lambda r: r.says("ethanal", "aldehyde"), lambda r: units.aldehydes_as_ethanal(
        r.number("ethanal"), r.number("acetal"))),
    (lambda r: r.says("critical range factor"), lambda r: replicates.critical_range_factor(
        r.whole("n"), r.number("confidence", default=0.95))),
    (lambda r: r.says("critical range for"), critical_range),
    (lambda r: r.says("standard uncertainty from r"), lambda r: (
        agreement.uncertainty_from_reproducibility(
            r.number("R"), r.number("factor", default=2.8)))),
    (lambda r: r.says("from duplicates"), lambda r: replicates.repeatability_deviation(
        r.numbers("differences", "d"))),
    (lambda r: r.says("predicted reproducibility", "horwitz range|horwitz:") and not r.has("ask"),
     horwitz),
    (lambda r: r.says("interlaboratory study"), study),
    (lambda r: r.says("(repeatability|reproducibility) limit from"), limit_of),
    (lambda r: r.has("x", "results") and r.has("r", "sr"), reported),
    (lambda r: r.says("critical difference"), critical_difference),
    (lambda r: r.says("certificate"), certificate),
    (lambda r: r.says(r"\ben number"), en_number),
    (lambda r: r.says("combined standard uncertainty"), lambda r: agreement.combined_uncertainty(
        [number_in(value) for key, value in r.inputs.items() if key.startswith("u")])),
    (lambda r: r.says("chart factor"), chart_factor),
    (lambda r: r.says("mandel", "cochran", "grubbs"), interlaboratory),
    (lambda r: r.says("probability that"), probability),
    (lambda r: r.says("false acceptance", "simple acceptance"), false_acceptance),
    (lambda r: r.says("acceptance interval"), acceptance_interval),
    (lambda r: r.says("acceptance limit"), acceptance_limit),
    (lambda r: r.says("largest u that"), largest_u),
    (lambda r: r.says("official control"), challenged),
    (lambda r: r.says("tolerance factor"), tolerance_factor),
    (lambda r: r.says("measuring error"), check_error),
    (lambda r: r.says("tolerable negative error"), tolerable_error),
    (lambda r: r.says("batch mean", "constant") and r.has("n", "sample"), batch_constant),
    (lambda r: r.says("density change"), lambda r: density_meter.density_slope(
        r.number("percent_vol"), r.number("t_C", default=20.0))),
    (lambda r: r.says("sample at .* taken as", "temperature error"), temperature_error),
    (lambda r: r.says("density meter reading"), lambda r: (
        density_meter.strength_at_cell_temperature(
            r.number("density_kg_m3"), r.number("t_C", default=20.0)))),
    (lambda r: r.says("density error"), density_error),
    (lambda r: r.says("density of water"), lambda r: density_meter.WATER_20C_KG_M3),
    (lambda r: r.says("distillation check", "still check"),
     figures("eu.method.still_check.loss")),
    (lambda r: r.says("solids range"), figures("us.obscuration.least", "us.obscuration.most")),
    (lambda r: r.says("obscuration", "strength lost", "hides"), hidden),
    (lambda r: r.says("sum with results below"), sum_with_bounds),
    (lambda r: r.says(r"lod/sqrt"), lambda r: detection.root_two_substitute(r.number("LOD"))),
    (lambda r: r.says("from calibration"), calibration_limit),
    (lambda r: r.says("within-day sd", "within-day standard"),
     figures("study.liqueur.within_day.least", "study.liqueur.within_day.most")),
    (lambda r: r.says("between-day sd", "between-day standard"),
     figures("study.liqueur.between_days.least", "study.liqueur.between_days.most")),
    (lambda r: r.says("infrared.*mean repeatability"), figures("study.infrared.repeatability")),
    (lambda r: r.says("infrared.*root mean square"), figures("study.infrared.error")),
    (lambda r: r.says("2870/2000", "vodka strength"), method_precision),
    (lambda r: r.says("methanol in wine"),
     figures("oiv.methanol.range.least", "oiv.methanol.range.most")),
    (lambda r: r.says(rf"{_UNIT}.* to .*{_UNIT}"), convert),
]  # fmt: skip


def compute(row: Row) -> Answer:
    """The public functions' answer to a row."""
    for about, answer in QUESTIONS:
        if about(row):
            return answer(row)
    raise NotAsked("a fact in prose, or no public function computes it")


def agrees(row: Row, answer: Answer) -> bool:
    """Within the tolerance, and the round-off of float64 where the tolerance is 0."""
    given = answer if isinstance(answer, tuple) else (answer,)
    wanted = [number_in(part) for part in row.expected.split(",")]
    return len(wanted) == len(given) and all(
        math.isfinite(one) and abs(one - other) <= row.tolerance + 1e-12 * max(1.0, abs(other))
        for one, other in zip(given, wanted, strict=True)
    )


def judge(row: Row) -> tuple[str, str]:
    """The verdict on one row, and its reason where it is not ok."""
    try:
        answer = compute(row)
    except NotAsked as reason:
        return "not asked", str(reason)
    except Exception as error:  # whatever goes wrong with one row must not hide the others
        return "FAIL", f"{type(error).__name__}: {error}"
    if agrees(row, answer):
        return "ok", ""
    return "FAIL", f"computed {answer}, expected {row.expected} +- {row.tolerance:g} {row.unit}"


def read(path: Path) -> list[Row]:
    """Read a table of checks."""
    with path.open(encoding="utf-8-sig", newline="") as handle:
        return [
            Row(
                id=line["id"].strip(),
                quantity=line["quantity"].strip(),
                inputs=_inputs(line["inputs"] or ""),
                expected=line["expected"].strip(),
                unit=(line.get("unit") or "").strip(),
                tolerance=float(line["tolerance"]),
                source=line.get("source") or "",
                basis=line.get("basis") or "",
            )
            for line in csv.DictReader(handle)
        ]


def _inputs(text: str) -> dict[str, str]:
    pairs = [part.partition("=") for part in text.split(";")]
    return {key.strip(): value.strip() for key, equals, value in pairs if equals}


def main(paths: Iterable[str]) -> int:
    """Judge every row of the tables; 1 if any failed."""
    return print_verdicts((read(Path(path)) for path in paths), judge)


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("usage: python -m tests.reference.laboratory_checks FILE.csv ...")
    sys.exit(main(sys.argv[1:]))
