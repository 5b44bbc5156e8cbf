"""Tolerance factors and acceptance by variables.

A tolerance limit mean ± k s holds a stated share of all future values with a stated confidence.
Acceptance by variables asks whether enough of a lot lies inside its limits. The measurement error
must be small beside the process (ISO 3951-2: a tenth): a panel score rarely meets that, so for
scores the plan is an analogy, and the release rule uses the interval of the lot's mean.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import chdtrc, chdtri, ndtr, ndtri
from scipy.stats import nct

from bulkflow.errors import RangeError
from bulkflow.statistics.arguments import count, finite_array, fraction, open_fraction

__all__ = [
    "Acceptance",
    "VariablesPlan",
    "accept_by_variables",
    "chance_of_acceptance",
    "nonparametric_sample_size",
    "one_sided_factor",
    "two_sided_factor",
    "variables_plan",
]


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Acceptance by variables: the quality statistics against the acceptability constant."""

    n: int
    mean: float
    standard_deviation: float
    k: float
    lower_quality: float | None
    upper_quality: float | None

    @property
    def accepted(self) -> bool:
        """Whether every limit given is kept."""
        given = [q for q in (self.lower_quality, self.upper_quality) if q is not None]
        return all(q >= self.k for q in given)


@dataclass(frozen=True, slots=True)
class VariablesPlan:
    """A sampling plan: code letter, acceptance quality limit [%], sample size, constant k."""

    letter: str
    aql_percent: float
    n: int
    k: float


def one_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Return k so that mean + k s lies above a share ``coverage`` with ``confidence``.

    Parameters
    ----------
    n : number of values, at least 2.
    coverage, confidence : strictly between 0 and 1.

    Notes
    -----
    Exact: ``nct(confidence; n - 1, z_coverage sqrt(n)) / sqrt(n)``.

    References
    ----------
    ISO 16269-6.

    Examples
    --------
    >>> round(one_sided_factor(10, 0.95, 0.95), 3)
    2.911
    """
    size = count("n", n, least=2)
    shift = float(ndtri(open_fraction("coverage", coverage))) * float(np.sqrt(size))
    level = open_fraction("confidence", confidence)
    return float(nct.ppf(level, size - 1, shift)) / float(np.sqrt(size))


def two_sided_factor(
    n: int, coverage: float, confidence: float, *, method: Literal["exact", "howe"] = "exact"
) -> float:
    """Return k so that mean ± k s holds a share ``coverage`` with ``confidence``.

    Parameters
    ----------
    n : number of values, at least 2.
    coverage, confidence : strictly between 0 and 1.
    method : ``"exact"`` by quadrature over the mean; ``"howe"`` the approximation of Howe (1969)
        with Guenther's correction left out.

    Notes
    -----
    With r(x) such that Φ(x + r) - Φ(x - r) = coverage, k solves
    ``∫ P(χ²_{n-1} > (n - 1) r(x)²/k²) sqrt(n) φ(x sqrt(n)) dx = confidence``.

    References
    ----------
    ISO 16269-6; Krishnamoorthy and Mathew (2009), Statistical Tolerance Regions, section 2.3.

    Examples
    --------
    >>> round(two_sided_factor(10, 0.95, 0.95), 3)
    3.393
    >>> round(two_sided_factor(10, 0.95, 0.95, method="howe"), 3)
    3.382
    """
    size = count("n", n, least=2)
    open_fraction("coverage", coverage)
    open_fraction("confidence", confidence)
    howe = float(
        ndtri((1.0 + coverage) / 2.0)
        * np.sqrt((size - 1) * (1.0 + 1.0 / size) / chdtri(size - 1, confidence))
    )
    if method == "howe":
        return howe
    if method != "exact":
        raise RangeError(f"method is {method!r}; it must be 'exact' or 'howe'.")
    nodes, weights = np.polynomial.legendre.leggauss(60)
    x = 4.25 * (nodes + 1.0) / np.sqrt(size)  # half the line: the integrand is even
    mass = weights * np.exp(-0.5 * size * x * x)
    mass = mass / mass.sum()
    radius = np.array([_radius(float(shift), coverage) for shift in x])

    def excess(k: float) -> float:
        return float(mass @ chdtrc(size - 1, (size - 1) * (radius / k) ** 2)) - confidence

    low, high = howe / 2.0, howe * 2.0
    while excess(low) > 0.0:
        low /= 2.0
    while excess(high) < 0.0:
        high *= 2.0
    return float(brentq(excess, low, high, xtol=1e-10))


def nonparametric_sample_size(
    coverage: float, confidence: float, *, sided: Literal["one", "two"] = "two"
) -> int:
    """Return how many values make their extremes a tolerance interval, whatever the distribution.

    Notes
    -----
    One-sided: 1 - coverage^n >= confidence. Two-sided (Wilks 1941):
    ``1 - n c^(n-1) + (n - 1) c^n >= confidence``.

    Examples
    --------
    >>> nonparametric_sample_size(0.95, 0.95, sided="one"), nonparametric_sample_size(0.95, 0.95)
    (59, 93)
    """
    c, level = open_fraction("coverage", coverage), open_fraction("confidence", confidence)
    if sided not in ("one", "two"):
        raise RangeError(f"sided is {sided!r}; it must be 'one' or 'two'.")

    def held(n: int) -> float:
        if sided == "one":
            return 1.0 - c**n
        return 1.0 - n * c ** (n - 1) + (n - 1) * c**n

    high = 2
    while held(high) < level:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if held(middle) >= level else (middle, high)
    return low if low > 1 and held(low) >= level else high


def accept_by_variables(
    values: ArrayLike, k: float, *, lower: float | None = None, upper: float | None = None
) -> Acceptance:
    """Return the quality statistics of a sample against its limits.

    Parameters
    ----------
    values : at least 2 results.
    k : acceptability constant, from :func:`variables_plan` or :func:`one_sided_factor`.
    lower, upper : limits; at least one.

    Notes
    -----
    ``(x̄ - L)/s`` and ``(U - x̄)/s``, each to be at least k (ISO 3951, s method).

    Examples
    --------
    >>> accept_by_variables([7.0, 7.4, 7.1, 6.9, 7.2], 1.24, lower=6.0).accepted
    True
    """
    data = finite_array("values", values, least=2)
    if lower is None and upper is None:
        raise RangeError("give a lower limit, an upper limit, or both.")
    mean, spread = float(data.mean()), float(data.std(ddof=1))

    def quality(distance: float) -> float:
        if spread > 0.0:
            return distance / spread
        return float("inf") if distance > 0.0 else float("-inf")

    return Acceptance(
        n=int(data.size),
        mean=mean,
        standard_deviation=spread,
        k=k,
        lower_quality=None if lower is None else quality(mean - lower),
        upper_quality=None if upper is None else quality(upper - mean),
    )


def chance_of_acceptance(n: int, k: float, fraction_outside: float) -> float:
    """Return the chance that a one-sided plan accepts a lot with that share outside its limit.

    Examples
    --------
    >>> round(chance_of_acceptance(35, 1.57, 0.025), 2)
    0.94
    """
    size = count("n", n, least=2)
    share = fraction("fraction_outside", fraction_outside)
    if share in (0.0, 1.0):
        return 1.0 - share
    root = float(np.sqrt(size))
    return float(nct.sf(k * root, size - 1, -float(ndtri(share)) * root))


def variables_plan(letter: str, aql_percent: float) -> VariablesPlan:
    """Return sample size and constant of a plan: normal inspection, unknown standard deviation.

    Parameters
    ----------
    letter : code letter, B to P.
    aql_percent : acceptance quality limit of the table [% nonconforming].

    Raises
    ------
    RangeError
        When the table has no such plan.

    Notes
    -----
    The table stands in ``variables_plans.csv`` with its basis: constants from memory of
    MIL-STD-414 Table B-1, which ISO 3951:1989 shares for these sample sizes; sample size of letter
    J at 2.5 % as cited in OIML R 138.

    Examples
    --------
    >>> plan = variables_plan("J", 2.5)
    >>> plan.n, plan.k
    (35, 1.57)
    """
    plan = _plans().get((letter.strip().upper(), float(aql_percent)))
    if plan is None:
        raise RangeError(
            f"no plan for letter {letter!r} and an acceptance quality limit of {aql_percent:g} %."
        )
    return plan


@cache
def _plans() -> dict[tuple[str, float], VariablesPlan]:
    text = resources.files("bulkflow.statistics").joinpath("variables_plans.csv").read_text("utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    plans = (
        VariablesPlan(row["letter"], float(row["aql_percent"]), int(row["n"]), float(row["k"]))
        for row in rows
    )
    return {(plan.letter, plan.aql_percent): plan for plan in plans}


def _radius(shift: float, coverage: float) -> float:
    def excess(radius: float) -> float:
        return float(ndtr(shift + radius) - ndtr(shift - radius)) - coverage

    return float(brentq(excess, 0.0, shift + 10.0, xtol=1e-12))
