"""Does a result keep to a limit: guard bands, probability of conformity, batches of bottles.

A statement of conformity needs a rule agreed beforehand (ISO/IEC 17025:2017, 7.1.3). Here a result
is inside where even its guard band is, outside where the limit is passed by more than the guard
band, and otherwise too close to call: then it says which further results would settle it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from scipy.special import ndtr, stdtrit

from bulkflow.errors import RangeError
from bulkflow.statistics.arguments import at_least, count, open_fraction, positive

__all__ = [
    "EXPANDED",
    "ONE_SIDED_95",
    "Call",
    "Judged",
    "acceptance_interval",
    "batch_mean_constant",
    "challenged_below",
    "conformity_probability",
    "false_acceptance",
    "judge",
    "largest_check_error",
    "largest_uncertainty",
    "lowest_batch_mean",
]

#: Guard bands in standard uncertainties: 95 % on one side (EURACHEM/CITAC 2021, from memory), and
#: the expanded uncertainty U (ILAC-G8:09/2019, w = U with k = 2).
ONE_SIDED_95 = 1.645
EXPANDED = 2.0
#: More results than so many are not asked for: the method is too coarse for that limit.
MOST_REPEATS = 16


class Call(StrEnum):
    """What a result says of a limit."""

    INSIDE = "inside"
    OUTSIDE = "outside"
    TOO_CLOSE = "too close to call"


@dataclass(frozen=True, slots=True)
class Judged:
    """A result against its limits.

    ``accept_from`` and ``accept_to`` are the limits drawn in by the guard band; ``probability``
    that the true value keeps to the limits; ``repeats`` how many results in all would settle it
    if their mean stayed where it is (None where it is settled, or where so many would not do).
    """

    call: Call
    accept_from: float | None
    accept_to: float | None
    probability: float
    repeats: int | None = None


def conformity_probability(
    result: float, uncertainty: float, *, minimum: float | None = None, maximum: float | None = None
) -> float:
    """Return the probability that the true value keeps to the limits.

    Parameters
    ----------
    uncertainty : standard uncertainty u, above 0.
    minimum, maximum : at least one.

    Notes
    -----
    ``Φ((maximum - result)/u) - Φ((minimum - result)/u)``.

    References
    ----------
    JCGM 106:2012, clause 7 (from memory).

    Examples
    --------
    >>> round(conformity_probability(37.55, 0.04, minimum=37.5), 3)
    0.894
    """
    u = positive("uncertainty", uncertainty)
    _some_limit(minimum, maximum)
    below = 1.0 if maximum is None else float(ndtr((maximum - result) / u))
    return below - (0.0 if minimum is None else float(ndtr((minimum - result) / u)))


def acceptance_interval(
    guard: float, *, minimum: float | None = None, maximum: float | None = None
) -> tuple[float | None, float | None]:
    """Return the limits drawn in by a guard band w, which is in their unit.

    Raises
    ------
    RangeError
        Where nothing is left between them.

    References
    ----------
    ILAC-G8:09/2019, 4.1; JCGM 106, 8.3.2.

    Examples
    --------
    >>> [round(limit, 3) for limit in acceptance_interval(0.1, minimum=39.7, maximum=40.3)]
    [39.8, 40.2]
    """
    w = at_least("guard", guard, 0.0)
    _some_limit(minimum, maximum)
    low = None if minimum is None else minimum + w
    high = None if maximum is None else maximum - w
    if low is not None and high is not None and low > high:
        raise RangeError(f"guard is {w:g}; it leaves nothing between {minimum:g} and {maximum:g}.")
    return low, high


def false_acceptance(guard_in_uncertainties: float) -> float:
    """Return the chance that a value on the limit is accepted.

    Parameters
    ----------
    guard_in_uncertainties : w/u; 0 is simple acceptance, w = U with k = 2 is 2.

    Examples
    --------
    >>> false_acceptance(0.0), round(false_acceptance(2.0), 4)
    (0.5, 0.0228)
    """
    return float(ndtr(-guard_in_uncertainties))


def largest_uncertainty(
    tolerance: float, keep: float, guard_in_uncertainties: float = ONE_SIDED_95
) -> float:
    """Return the largest u whose guard band leaves ``keep`` of a tolerance free, in its unit.

    Examples
    --------
    >>> round(largest_uncertainty(0.3, 0.15), 3)
    0.091
    """
    left = at_least("tolerance less what is kept", tolerance - keep, 0.0)
    return left / positive("guard_in_uncertainties", guard_in_uncertainties)


def challenged_below(label: float, tolerance: float, method_tolerance: float) -> float:
    """Return the result below which an official control challenges a label.

    References
    ----------
    Reg (EU) 1169/2011 Annex XII: the tolerance comes on top of that of the method.

    Examples
    --------
    >>> round(challenged_below(40.0, 0.3, 0.1), 2)
    39.6
    """
    return (
        label
        - at_least("tolerance", tolerance, 0.0)
        - at_least("method_tolerance", method_tolerance, 0.0)
    )


def judge(
    result: float,
    uncertainty: float | None,
    *,
    minimum: float | None = None,
    maximum: float | None = None,
    guard_in_uncertainties: float = ONE_SIDED_95,
) -> Judged:
    """Return what a result says of its limits, with a guard band of so many u on either side.

    Parameters
    ----------
    uncertainty : standard uncertainty u; None or 0 is simple acceptance.
    guard_in_uncertainties : w/u, 0 for simple acceptance.

    Examples
    --------
    >>> judge(4.2, 0.25, maximum=5.0).call.value, judge(4.8, 0.25, maximum=5.0).call.value
    ('inside', 'too close to call')
    >>> judge(4.8, 0.25, maximum=5.0).repeats
    5
    """
    _some_limit(minimum, maximum)
    if not uncertainty:
        kept = (minimum is None or result >= minimum) and (maximum is None or result <= maximum)
        return Judged(Call.INSIDE if kept else Call.OUTSIDE, minimum, maximum, float(kept))
    guard = at_least("guard_in_uncertainties", guard_in_uncertainties, 0.0) * uncertainty
    distance = min(
        math.inf if minimum is None else result - minimum,
        math.inf if maximum is None else maximum - result,
    )
    low = None if minimum is None else minimum + guard
    high = None if maximum is None else maximum - guard
    probability = conformity_probability(result, uncertainty, minimum=minimum, maximum=maximum)
    slack = 1e-9 * max(1.0, abs(result))
    if distance >= guard - slack:
        return Judged(Call.INSIDE, low, high, probability)
    if -distance > guard + slack:
        return Judged(Call.OUTSIDE, low, high, probability)
    return Judged(Call.TOO_CLOSE, low, high, probability, _repeats(guard, abs(distance)))


def _repeats(guard: float, distance: float) -> int | None:
    """Return how many results bring the guard band of their mean below the distance."""
    if distance <= 0.0:
        return None
    needed = math.ceil((guard / distance) ** 2 * (1.0 - 1e-12))
    return needed if needed <= MOST_REPEATS else None


def batch_mean_constant(n: int, confidence: float = 0.995) -> float:
    """Return c: a batch passes where its mean is at least nominal less c standard deviations.

    Parameters
    ----------
    n : bottles weighed, at least 2.

    Notes
    -----
    ``t(confidence; n - 1)/sqrt(n)``: 0.640, 0.503 and 0.379 for 20, 30 and 50.

    References
    ----------
    SI 2006/659 Schedule 2 paragraph 4 prints the three; that they are these quantiles is computed.

    Examples
    --------
    >>> [round(batch_mean_constant(n), 3) for n in (20, 30, 50)]
    [0.64, 0.503, 0.379]
    """
    size = count("n", n, least=2)
    return float(stdtrit(size - 1, open_fraction("confidence", confidence))) / math.sqrt(size)


def lowest_batch_mean(nominal: float, n: int, standard_deviation: float) -> float:
    """Return the least mean at which a batch of bottles passes, in the unit of the nominal.

    Notes
    -----
    Nominal less c s; the printed three decimals of c where the regulation prints them.

    Examples
    --------
    >>> round(lowest_batch_mean(700.0, 50, 1.8), 2)
    699.32
    """
    constant = _PRINTED.get(count("n", n, least=2)) or batch_mean_constant(n)
    spread = at_least("standard_deviation", standard_deviation, 0.0)
    return positive("nominal", nominal) - constant * spread


#: SI 2006/659 Schedule 2 paragraph 4, as printed.
_PRINTED = {20: 0.640, 30: 0.503, 50: 0.379}


def largest_check_error(tolerable_error: float, share: float = 0.2) -> float:
    """Return the largest error allowed to the check itself, in the unit of the tolerable error.

    References
    ----------
    WELMEC 6.9 (summary): one fifth of the tolerable negative error.

    Examples
    --------
    >>> largest_check_error(15.0)
    3.0
    """
    return positive("tolerable_error", tolerable_error) * open_fraction("share", share)


def _some_limit(minimum: float | None, maximum: float | None) -> None:
    if minimum is None and maximum is None:
        raise RangeError("give a minimum, a maximum, or both.")
