"""Proportion correct as a function of the sensory distance d-prime, its slope and its inverse.

The model is Thurstone's: each sample gives a normal percept of unit standard deviation, the two
products lie ``d_prime`` apart, and the assessor applies the best rule that the instruction allows.
The same d-prime gives another proportion in every test, which is why shares of discriminators must
never be compared between tests, and d-primes may be.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import overload

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from bulkflow.statistics.arguments import FloatArray, fraction
from panels.errors import RangeError
from panels.methods.protocols import ForcedChoice, MethodName, Sided, check_sided

__all__ = ["LARGEST_D_PRIME", "d_prime_from_proportion", "proportion_correct", "slope"]

LARGEST_D_PRIME = 24.0
"""Beyond this every test is right always, to the accuracy of a double; estimates stop here."""

_ROOT_2 = np.sqrt(2.0)
_ROOT_3 = np.sqrt(3.0)
_ROOT_6 = np.sqrt(6.0)
_TWO_THIRDS = np.sqrt(2.0 / 3.0)


@overload
def proportion_correct(method: MethodName, d_prime: float) -> float: ...
@overload
def proportion_correct(method: MethodName, d_prime: FloatArray) -> FloatArray: ...
def proportion_correct(method: MethodName, d_prime: ArrayLike) -> float | FloatArray:
    """Return the proportion correct at a sensory distance.

    Parameters
    ----------
    method : forced-choice test.
    d_prime : distance [standard deviations of the percept], one or an array; at least 0, except in
        the 2-AFC, where a negative distance means the other sample is stronger.

    Raises
    ------
    RangeError
        For a negative distance in a test that has no direction, or a value that is no number.

    Notes
    -----
    With Φ and φ the standard normal distribution and density, d the distance::

        2-AFC     Φ(d/√2)
        3-AFC     ∫ Φ(z)² φ(z - d) dz
        triangle  2 ∫₀^∞ [Φ(-z√3 + d√(2/3)) + Φ(-z√3 - d√(2/3))] φ(z) dz
        duo-trio  1 - Φ(d/√2) - Φ(d/√6) + 2 Φ(d/√2) Φ(d/√6)
        tetrad    1 - 2 ∫ φ(z) [2 Φ(z) Φ(z - d) - Φ(z - d)²] dz

    Two-out-of-five: the assessor splits the five percepts at the wider of the two gaps that leave
    two on one side and three on the other; right when the two are the odd ones. The rule is ours,
    the plainest one for the instruction, as no table was seen.

    References
    ----------
    Ennis, D. M. (1993) Journal of Sensory Studies 8, 353-370; tetrad: Ennis, J. M. et al. (1998).

    Examples
    --------
    >>> [round(proportion_correct(m, 1.0), 4) for m in ("2-AFC", "3-AFC", "triangle")]
    [0.7602, 0.6337, 0.418]
    >>> [round(proportion_correct(m, 1.0), 4) for m in ("duo-trio", "tetrad")]
    [0.5825, 0.4938]
    """
    test, distances = _arguments(method, d_prime)
    values = np.clip(_CURVES[test](distances), 0.0, 1.0)
    return float(values) if values.ndim == 0 else values


@overload
def slope(method: MethodName, d_prime: float) -> float: ...
@overload
def slope(method: MethodName, d_prime: FloatArray) -> FloatArray: ...
def slope(method: MethodName, d_prime: ArrayLike) -> float | FloatArray:
    """Return the derivative of :func:`proportion_correct` with respect to d-prime.

    Examples
    --------
    >>> round(slope("2-AFC", 1.0), 4)
    0.2197
    """
    test, distances = _arguments(method, d_prime)
    values = np.asarray(_SLOPES[test](distances), dtype=np.float64)
    return float(values) if values.ndim == 0 else values


def d_prime_from_proportion(method: MethodName, p_c: float, *, sided: Sided = "one") -> float:
    """Return the distance that gives a proportion correct; 0 at or below chance.

    In a two-sided 2-AFC ``p_c`` is the share of answers for one named sample and the distance
    carries its sign. Where all answers are right the distance is infinite.

    Examples
    --------
    >>> round(d_prime_from_proportion("triangle", 14 / 30), 4)
    1.2871
    >>> d_prime_from_proportion("triangle", 0.3)
    0.0
    """
    test = check_sided(method, sided)
    share = fraction("p_c", p_c)
    if test is ForcedChoice.TWO_AFC and (sided == "two" or share > test.guess):
        return float(_ROOT_2 * ndtri(share))
    if share <= test.guess:
        return 0.0
    if share >= float(proportion_correct(test, LARGEST_D_PRIME)):
        return float("inf")
    found = brentq(
        lambda d: float(proportion_correct(test, d)) - share, 0.0, LARGEST_D_PRIME, xtol=1e-12
    )
    return float(found)


def _arguments(method: MethodName, d_prime: ArrayLike) -> tuple[ForcedChoice, FloatArray]:
    test = ForcedChoice.of(method)
    distances = np.asarray(d_prime, dtype=np.float64)
    if np.isnan(distances).any():
        raise RangeError("d_prime holds a value that is no number.")
    if test is not ForcedChoice.TWO_AFC and (distances < 0.0).any():
        raise RangeError(
            f"d_prime is {float(distances.min()):g}; in the {test.value} test it is 0 or more."
        )
    return test, distances


def _density(x: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi))


def _rule(low: float, high: float, points: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights on an interval.

    The integrands are entire functions, so the rule converges to rounding error at these sizes.
    """
    nodes, weights = np.polynomial.legendre.leggauss(points)
    half = (high - low) / 2.0
    return low + half * (nodes + 1.0), half * weights


_LINE, _LINE_WEIGHTS = _rule(-9.0, 9.0, 160)
_HALF, _HALF_WEIGHTS = _rule(0.0, 9.0, 120)
_COARSE, _COARSE_WEIGHTS = _rule(-8.0, 8.0, 64)
_GAP, _GAP_WEIGHTS = _rule(0.0, 12.0, 64)
_LINE_MASS = _LINE_WEIGHTS * _density(_LINE)
_HALF_MASS = _HALF_WEIGHTS * _density(_HALF)


def _triangle(d: FloatArray) -> FloatArray:
    shift, z = d[..., None] * _TWO_THIRDS, _ROOT_3 * _HALF
    return np.asarray(2.0 * (ndtr(shift - z) + ndtr(-shift - z)) @ _HALF_MASS)


def _triangle_slope(d: FloatArray) -> FloatArray:
    shift, z = d[..., None] * _TWO_THIRDS, _ROOT_3 * _HALF
    return np.asarray(2.0 * _TWO_THIRDS * (_density(shift - z) - _density(-shift - z)) @ _HALF_MASS)


def _duo_trio(d: FloatArray) -> FloatArray:
    near, far = ndtr(d / _ROOT_2), ndtr(d / _ROOT_6)
    return np.asarray(1.0 - near - far + 2.0 * near * far)


def _duo_trio_slope(d: FloatArray) -> FloatArray:
    near, far = ndtr(d / _ROOT_2), ndtr(d / _ROOT_6)
    near_slope, far_slope = _density(d / _ROOT_2) / _ROOT_2, _density(d / _ROOT_6) / _ROOT_6
    return np.asarray(near_slope * (2.0 * far - 1.0) + far_slope * (2.0 * near - 1.0))


def _two_afc(d: FloatArray) -> FloatArray:
    return np.asarray(ndtr(d / _ROOT_2))


def _two_afc_slope(d: FloatArray) -> FloatArray:
    return np.asarray(_density(d / _ROOT_2) / _ROOT_2)


def _three_afc(d: FloatArray) -> FloatArray:
    return np.asarray(ndtr(_LINE + d[..., None]) ** 2 @ _LINE_MASS)


def _three_afc_slope(d: FloatArray) -> FloatArray:
    percept = _LINE + d[..., None]
    return np.asarray(2.0 * (ndtr(percept) * _density(percept)) @ _LINE_MASS)


def _tetrad(d: FloatArray) -> FloatArray:
    own, other = ndtr(_LINE), ndtr(_LINE - d[..., None])
    return np.asarray(1.0 - 2.0 * (2.0 * own * other - other * other) @ _LINE_MASS)


def _tetrad_slope(d: FloatArray) -> FloatArray:
    own, other = ndtr(_LINE), ndtr(_LINE - d[..., None])
    return np.asarray(4.0 * (_density(_LINE - d[..., None]) * (own - other)) @ _LINE_MASS)


# Two-out-of-five. Of the three like samples let y be the middle and y + g the highest percept:
# their joint density is 6 Φ(y) φ(y) φ(y + g). The odd pair is found on the upper side when both
# of its percepts lie above the highest by more than g, that is above y + 2g; the lower side is
# the mirror image, with the distance reversed.
_PAIR_MASS = (
    6.0
    * (_COARSE_WEIGHTS * ndtr(_COARSE) * _density(_COARSE))[:, None]
    * _density(_COARSE[:, None] + _GAP)
    * _GAP_WEIGHTS
).ravel()
_PAIR_BOUND = (_COARSE[:, None] + 2.0 * _GAP).ravel()


def _two_of_five(d: FloatArray) -> FloatArray:
    above, below = ndtr(d[..., None] - _PAIR_BOUND), ndtr(-d[..., None] - _PAIR_BOUND)
    return np.asarray((above * above + below * below) @ _PAIR_MASS)


def _two_of_five_slope(d: FloatArray) -> FloatArray:
    up, down = d[..., None] - _PAIR_BOUND, -d[..., None] - _PAIR_BOUND
    return np.asarray(2.0 * (ndtr(up) * _density(up) - ndtr(down) * _density(down)) @ _PAIR_MASS)


_Curve = Callable[[FloatArray], FloatArray]

_CURVES: dict[ForcedChoice, _Curve] = {
    ForcedChoice.TRIANGLE: _triangle,
    ForcedChoice.DUO_TRIO: _duo_trio,
    ForcedChoice.TWO_AFC: _two_afc,
    ForcedChoice.THREE_AFC: _three_afc,
    ForcedChoice.TETRAD: _tetrad,
    ForcedChoice.TWO_OUT_OF_FIVE: _two_of_five,
}

_SLOPES: dict[ForcedChoice, _Curve] = {
    ForcedChoice.TRIANGLE: _triangle_slope,
    ForcedChoice.DUO_TRIO: _duo_trio_slope,
    ForcedChoice.TWO_AFC: _two_afc_slope,
    ForcedChoice.THREE_AFC: _three_afc_slope,
    ForcedChoice.TETRAD: _tetrad_slope,
    ForcedChoice.TWO_OUT_OF_FIVE: _two_of_five_slope,
}
