"""Rows of a table of sensory checks: reading them, their inputs, and comparing answers.

A row asks for one quantity in words, with inputs ``key=value;key=value``; data sets are named by
``file=`` and looked up in a data folder.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from panels.errors import RangeError
from panels.methods.protocols import ForcedChoice, Sided

Answer = float | int | str | None


class NotAsked(Exception):
    """The row states a fact in prose, or something that no public function computes."""


@dataclass(frozen=True)
class Row:
    """One check."""

    id: str
    quantity: str
    inputs: Mapping[str, str]
    expected: str
    unit: str
    tolerance: float
    source: str
    basis: str
    folder: Path

    @property
    def words(self) -> str:
        """The quantity in small letters, hyphens between words kept."""
        return re.sub(r"\s+", " ", self.quantity.lower().replace("–", "-")).strip()

    def has(self, *keys: str) -> bool:
        """Whether all the inputs are given."""
        return all(key in self.inputs for key in keys)

    def text(self, *keys: str, default: str | None = None) -> str:
        """The first of the inputs that is given."""
        for key in keys:
            if key in self.inputs:
                return self.inputs[key]
        if default is None:
            raise NotAsked(f"needs the input {' or '.join(keys)}")
        return default

    def number(self, *keys: str, default: float | None = None) -> float:
        """The first of the inputs that is given, as a number (a fraction such as 1/3 too)."""
        if default is not None and not any(key in self.inputs for key in keys):
            return default
        return as_number(self.text(*keys))

    def whole(self, *keys: str, default: int | None = None) -> int:
        """A whole number."""
        value = self.number(*keys, default=default)
        if value != round(value):
            raise NotAsked(f"{' or '.join(keys)} is no whole number")
        return round(value)

    def numbers(self, *keys: str) -> list[float]:
        """A list of numbers, ``1,2,3``."""
        return [as_number(part) for part in re.split(r"[,\s]+", self.text(*keys).strip()) if part]

    def says(self, *patterns: str) -> bool:
        """Whether the quantity matches any of the patterns."""
        return any(re.search(pattern, self.words) for pattern in patterns)

    # --- inputs that many quantities share ---------------------------------------------------

    def method(self) -> ForcedChoice:
        """The forced-choice test, from the inputs or else from the words."""
        if "method" in self.inputs or "test" in self.inputs:
            name = re.sub(r"[\s_-]*(one|two)[\s_-]*sided", "", self.text("method", "test").lower())
            try:
                return ForcedChoice.of(name)
            except RangeError as error:
                raise NotAsked(str(error)) from error
        for pattern, test in _TESTS_IN_WORDS:
            if re.search(pattern, self.words):
                return test
        raise NotAsked("no test is named")

    def sided(self) -> Sided:
        """One-sided unless the row says two."""
        given = [
            self.inputs[key]
            for key in ("sided", "sides", "tails", "alternative")
            if key in self.inputs
        ]
        named = re.search(
            r"(one|two|1|2)[\s_-]*(sided|tailed)", self.inputs.get("method", "").lower()
        )
        said = given[0].lower() if given else named[1] if named else ""
        if re.search(r"two|^2", said):
            return "two"
        if re.search(r"one|greater|less|^1", said):
            return "one"
        return "two" if self.says(r"two[- ]sided|two[- ]tailed") else "one"

    def alpha(self, default: float | None = 0.05) -> float:
        """The level, from the inputs or else from "5 %" in the words."""
        if "alpha" in self.inputs or "significance" in self.inputs:
            return self.number("alpha", "significance")
        found = re.search(r"(\d+(?:\.\d+)?) ?%", self.words)
        if found:
            percent = float(found[1])
            return percent / 100.0 if percent < 50.0 else round(1.0 - percent / 100.0, 12)
        if default is None:
            raise NotAsked("no level is given")
        return default

    def confidence(self, default: float = 0.95) -> float:
        """The confidence, from the inputs or else from "95 %" in the words."""
        for key in ("conf", "confidence", "level"):
            if key in self.inputs:
                value = self.number(key)
                return value / 100.0 if value > 1.0 else value
        found = re.search(r"(\d+(?:\.\d+)?) ?%", self.words)
        if found and float(found[1]) >= 50.0:
            return float(found[1]) / 100.0
        return default

    def size_of_difference(self) -> dict[str, float]:
        """``p_d``, ``d_prime`` or ``p_c``, whichever is given."""
        for keys, name in (
            (("pd", "p_d"), "p_d"),
            (("dprime", "d_prime", "d"), "d_prime"),
            (("pc", "p_c"), "p_c"),
        ):
            for key in keys:
                if key in self.inputs:
                    value = self.number(key)
                    return {name: value / 100.0 if name == "p_d" and value > 1.0 else value}
        raise NotAsked("no size of difference is given")

    def frame(self) -> pd.DataFrame:
        """The data set."""
        path = self.folder / self.text("file", "data")
        if not path.is_file():
            raise NotAsked(f"there is no {path.name} in the data folder")
        return pd.read_csv(path, comment="#")


_TESTS_IN_WORDS = (
    (r"two[- ]out[- ]of[- ]five|2[- ]out[- ]of[- ]5|2-of-5", ForcedChoice.TWO_OUT_OF_FIVE),
    (r"tetrad", ForcedChoice.TETRAD),
    (r"duo-?trio", ForcedChoice.DUO_TRIO),
    (r"3-?afc", ForcedChoice.THREE_AFC),
    (r"triang", ForcedChoice.TRIANGLE),
    (r"2-?afc|paired (comparison|similarity)", ForcedChoice.TWO_AFC),
)


def as_number(text: str) -> float:
    """A number, ``inf`` or a fraction such as ``1/3``; a percentage becomes a share."""
    cleaned = text.strip().replace("∞", "inf")
    try:
        if cleaned.endswith("%"):
            return float(cleaned[:-1]) / 100.0
        over, slash, under = cleaned.partition("/")
        return float(over) / float(under) if slash else float(over)
    except (ValueError, ZeroDivisionError) as error:
        raise NotAsked(f"{text!r} is no number") from error


def matrix(text: str) -> np.ndarray:
    """A table written ``1,2|3,4``."""
    return np.array([[as_number(cell) for cell in row.split(",")] for row in text.split("|")])


def column(frame: pd.DataFrame, *names: str) -> str:
    """The first column whose name is, or starts with, one of those."""
    for name in names:
        for have in frame.columns:
            if str(have).lower() == name:
                return str(have)
    for name in names:
        for have in frame.columns:
            if str(have).lower().startswith(name):
                return str(have)
    raise NotAsked(f"the data have no column such as {', '.join(names)}")


def parse_inputs(text: str) -> dict[str, str]:
    """``key=value;key=value``; keys in small letters except where case tells two apart."""
    pairs = [part.partition("=") for part in (text or "").split(";") if part.strip()]
    inputs = {key.strip(): value.strip() for key, equals, value in pairs if equals}
    for key, value in list(inputs.items()):
        inputs.setdefault(key.lower(), value)
    return inputs


def read(path: Path, folder: Path) -> list[Row]:
    """Read a table of checks."""
    with path.open(encoding="utf-8-sig", newline="") as handle:
        return [
            Row(
                id=line["id"].strip(),
                quantity=line["quantity"].strip(),
                inputs=parse_inputs(line["inputs"]),
                expected=line["expected"].strip(),
                unit=(line.get("unit") or "").strip(),
                tolerance=_tolerance(line),
                source=line.get("source") or "",
                basis=line.get("basis") or "",
                folder=folder,
            )
            for line in csv.DictReader(handle)
        ]


def _tolerance(line: Mapping[str, str]) -> float:
    """As stated, or half the last printed digit."""
    stated = (line.get("tolerance") or "").strip()
    if stated:
        return float(stated)
    digits = line["expected"].partition(".")[2]
    return 0.5 * 10.0 ** -len(digits)


def agrees(row: Row, answer: Answer) -> bool:
    """Within the tolerance, and the round-off of float64 where the tolerance is 0."""
    if answer is None or isinstance(answer, str):
        expected = _plain(row.expected)
        if answer is None:
            return expected in _NOTHING
        return _plain(answer) == expected
    try:
        expected = as_number(row.expected)
    except NotAsked:
        return False
    value = float(answer)
    if not math.isfinite(value):
        return value == expected
    return abs(value - expected) <= row.tolerance + 1e-9 * max(1.0, abs(expected)) * (
        1e-3 if row.tolerance else 1.0
    )


_NOTHING = {"none", "-", "–", "n/a", "no value", "not possible"}


def _plain(text: str) -> str:
    return re.sub(r"[\s,]+", " ", text.strip().lower())


Question = tuple[Callable[[Row], bool], Callable[[Row], Answer]]


def answer_with(questions: Iterable[Question], row: Row) -> Answer:
    """Put the row to the first question that is about it."""
    for about, compute in questions:
        if about(row):
            return compute(row)
    raise NotAsked("a fact in prose, or no public function computes it")
