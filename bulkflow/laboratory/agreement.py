"""Whether two results, a certificate and one's own, or a result and a reference value agree.

And what uncertainty to take where a method states only its reproducibility, or nothing at all.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bulkflow.errors import OutOfRangeError
from bulkflow.laboratory.replicates import ROUNDED_FACTOR
from bulkflow.laboratory.units import mg_per_kg_from_grams_per_hl
from bulkflow.statistics.arguments import at_least, count, positive

__all__ = [
    "agreement_limit",
    "combined_uncertainty",
    "critical_difference",
    "critical_difference_from_reference",
    "critical_difference_within",
    "e_n",
    "horwitz_percent",
    "horwitz_reproducibility_limit",
    "uncertainty_from_reproducibility",
]


def critical_difference(
    reproducibility: float, repeatability: float, n1: int = 1, n2: int = 1
) -> float:
    """Return how far the means of two laboratories may lie apart.

    Parameters
    ----------
    reproducibility, repeatability : R and r of the method, in one unit.
    n1, n2 : results behind each mean.

    Notes
    -----
    ``sqrt(R² - r² (1 - 1/2n1 - 1/2n2))``: R itself for single results.

    References
    ----------
    ISO 5725-6:1994, 5.3.2 (from memory).

    Examples
    --------
    >>> round(critical_difference(0.20, 0.10, 1, 2), 3)
    0.194
    """
    first, second = count("n1", n1), count("n2", n2)
    gained = 1.0 - 1.0 / (2 * first) - 1.0 / (2 * second)
    return _root(reproducibility, repeatability, gained)


def critical_difference_from_reference(
    reproducibility: float, repeatability: float, n: int = 1, *, laboratories: int = 1
) -> float:
    """Return how far a mean may lie from a reference value.

    Parameters
    ----------
    n : results of each laboratory.
    laboratories : p, whose grand mean is taken.

    Notes
    -----
    ``sqrt((R² - r² (n - 1)/n) / 2p)``.

    References
    ----------
    ISO 5725-6:1994, 4.2.3 and 4.2.4 (from memory).

    Examples
    --------
    >>> round(critical_difference_from_reference(0.20, 0.10, 2), 3)
    0.132
    """
    size, many = count("n", n), count("laboratories", laboratories)
    inside = _root(reproducibility, repeatability, (size - 1) / size)
    return inside / float(np.sqrt(2.0 * many))


def critical_difference_within(repeatability: float, n1: int, n2: int) -> float:
    """Return how far two means of one laboratory may lie apart.

    Notes
    -----
    ``r sqrt(1/2n1 + 1/2n2)``; ISO 5725-6:1994, 4.2.1 (from memory).

    Examples
    --------
    >>> round(critical_difference_within(0.10, 2, 2), 3)
    0.071
    """
    first, second = count("n1", n1), count("n2", n2)
    r = positive("repeatability", repeatability)
    return r * float(np.sqrt(1.0 / (2 * first) + 1.0 / (2 * second)))


def agreement_limit(first_uncertainty: float, second_uncertainty: float | None = None) -> float:
    """Return how far two results may lie apart, each with its expanded uncertainty U.

    Parameters
    ----------
    second_uncertainty : left out where both have the same: sqrt(2) U.

    References
    ----------
    The En rule, ISO 13528 and ISO/IEC 17043 (from memory).

    Examples
    --------
    >>> round(agreement_limit(0.10, 0.08), 3), round(agreement_limit(0.10), 3)
    (0.128, 0.141)
    """
    one = at_least("first_uncertainty", first_uncertainty, 0.0)
    other = one if second_uncertainty is None else second_uncertainty
    return combined_uncertainty([one, at_least("second_uncertainty", other, 0.0)])


def e_n(first: float, first_uncertainty: float, second: float, second_uncertainty: float) -> float:
    """Return the En number of two results; they agree where it is at most 1 in size.

    Examples
    --------
    >>> round(e_n(96.42, 0.10, 96.30, 0.08), 2)
    0.94
    """
    limit = positive("uncertainty", agreement_limit(first_uncertainty, second_uncertainty))
    return (first - second) / limit


def uncertainty_from_reproducibility(
    reproducibility: float, factor: float = ROUNDED_FACTOR
) -> float:
    """Return the standard uncertainty of a method's results, R/2.8.

    References
    ----------
    ISO 21748 (from memory).

    Examples
    --------
    >>> round(uncertainty_from_reproducibility(0.20), 4)
    0.0714
    """
    return positive("reproducibility", reproducibility) / positive("factor", factor)


def combined_uncertainty(components: Sequence[float]) -> float:
    """Return the root sum of squares of independent components, all in one unit.

    References
    ----------
    Nordtest TR 537 (within-laboratory reproducibility and bias; from memory).

    Examples
    --------
    >>> round(combined_uncertainty([0.03, 0.04]), 3)
    0.05
    """
    return float(np.sqrt(sum(at_least("component", one, 0.0) ** 2 for one in components)))


def horwitz_percent(mass_fraction: float) -> float:
    """Return the relative reproducibility standard deviation that is usual at a level [%].

    Parameters
    ----------
    mass_fraction : 1 mg/kg is 1e-6; above 0, at most 1.

    Notes
    -----
    ``2^(1 - 0.5 log10 C)``. Within one laboratory expect half to two thirds of it.

    References
    ----------
    Horwitz (1982), from memory.

    Examples
    --------
    >>> [round(horwitz_percent(c), 1) for c in (1e-6, 1e-5, 1e-4)]
    [16.0, 11.3, 8.0]
    """
    if not 0.0 < mass_fraction <= 1.0:
        raise OutOfRangeError("mass fraction", mass_fraction, 0.0, 1.0, "kg/kg", "Horwitz (1982)")
    return float(2.0 ** (1.0 - 0.5 * np.log10(mass_fraction)))


def horwitz_reproducibility_limit(grams_per_hl: float, strength_percent: float) -> float:
    """Return the R to expect of a substance in spirit, where its method states none [g/hl pa].

    Parameters
    ----------
    grams_per_hl : level [g/hl pa], above 0.
    strength_percent : of the liquid tested [% vol at 20 degC].

    Examples
    --------
    >>> round(horwitz_reproducibility_limit(5.0, 40.0), 2)
    1.42
    """
    level = positive("grams_per_hl", grams_per_hl)
    fraction = mg_per_kg_from_grams_per_hl(level, strength_percent) * 1e-6
    return ROUNDED_FACTOR * horwitz_percent(fraction) / 100.0 * level


def _root(reproducibility: float, repeatability: float, gained: float) -> float:
    big, small = positive("reproducibility", reproducibility), at_least("r", repeatability, 0.0)
    if small > big:
        raise OutOfRangeError("r", small, 0.0, big, "", "ISO 5725: r is at most R")
    return float(np.sqrt(big * big - small * small * gained))
