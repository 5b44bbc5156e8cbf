"""The coefficient tables of the density formulas, read once from ``coefficients.csv``.

The published sums A, B and C are put into one matrix ``m`` so that, with ``x`` the mass
fraction (less an offset) and ``tau = t - 20``,

    rho = sum over i, j of m[i, j] tau**i x**j.

A_k is m[0, k-1], B_k is m[k, 0], C_i,k is m[i, k].
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from bulkflow.alcoholometry.checking import Array

__all__ = ["DensityFormula", "bettin_spieweck", "oiml_r22"]

_ROWS, _COLUMNS = 7, 12
# How many coefficients each published sum has: A, B, then C by the power i of (t - 20).
_EXPECTED = {("A", 0): 12, ("B", 0): 6} | {
    ("C", i): count for i, count in enumerate((11, 10, 9, 4, 2), start=1)
}


@dataclass(frozen=True, slots=True)
class DensityFormula:
    """A density formula: its matrix, the offset taken off the mass fraction, its source."""

    matrix: Array
    offset: float
    source: str
    columns: tuple[tuple[float, ...], ...]
    """For each power of x, its coefficients by rising power of tau, up to the last that is not
    zero: plain numbers, since the rest would be work."""

    @classmethod
    def of(cls, matrix: Array, offset: float, source: str) -> DensityFormula:
        """Return the formula of a matrix, its columns made ready."""
        columns = (column[: int(np.flatnonzero(column)[-1]) + 1] for column in matrix.T)
        return cls(matrix, offset, source, tuple(tuple(column.tolist()) for column in columns))


@cache
def oiml_r22() -> DensityFormula:
    """Return the general formula of OIML R 22 (temperatures on the scale IPTS-68)."""
    return _read("oiml_r22", 0.0)


@cache
def bettin_spieweck() -> DensityFormula:
    """Return the refit of Bettin and Spieweck (1990) to the temperature scale ITS-90."""
    return _read("bettin_spieweck", 0.5)


def _read(formula: str, offset: float) -> DensityFormula:
    """Read one formula's rows; a missing, doubled or stray coefficient is refused."""
    text = resources.files("bulkflow.alcoholometry").joinpath("coefficients.csv")
    with text.open(encoding="utf-8") as handle:
        rows = [row for row in csv.DictReader(handle) if row["formula"] == formula]
    matrix = np.zeros((_ROWS, _COLUMNS))
    seen: dict[tuple[str, int], set[int]] = {}
    for row in rows:
        table, i, k = row["table"], int(row["i"]), int(row["k"])
        seen.setdefault((table, i), set()).add(k)
        place = {"A": (0, k - 1), "B": (k, 0), "C": (i, k)}[table]
        matrix[place] = float(row["value"])
    wanted = {key: set(range(1, count + 1)) for key, count in _EXPECTED.items()}
    if seen != wanted or len(rows) != sum(_EXPECTED.values()):
        raise ValueError(f"coefficients.csv does not hold the whole formula {formula!r}")
    matrix.flags.writeable = False
    return DensityFormula.of(matrix, offset, rows[0]["source"])
