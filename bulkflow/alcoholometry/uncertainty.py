"""How well an amount is known: the law of propagation of uncertainty.

Weighbridge, dip, density meter, hydrometer and thermometer are each known within a standard
uncertainty; what follows from them, such as litres of pure alcohol, is known within

    u**2 = sum over inputs i of (df/dx_i u_i)**2

where the inputs do not depend on each other. With it a difference between dispatch and receipt
can be told from the noise of measuring.

References
----------
JCGM 100:2008 (GUM), 5.1.2: combined standard uncertainty, uncorrelated inputs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import SupportsFloat

from bulkflow.errors import OutOfRangeError

__all__ = ["Measured", "propagate"]

_STEP = 1e-3  # of the uncertainty: small against curvature, large against round-off
_EXPANDED = 2.0  # coverage factor for about 95 %


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard uncertainty, in the same unit.

    An instrument whose limits of error are +-a, nothing else being known, has the standard
    uncertainty a / sqrt(3) (:meth:`within`).
    """

    value: float
    standard_uncertainty: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no finite number, and uncertainties below zero."""
        if not math.isfinite(self.value):
            raise OutOfRangeError(
                "measured value",
                self.value,
                -math.inf,
                math.inf,
                "units",
                "a value is a finite number",
            )
        if not 0.0 <= self.standard_uncertainty < math.inf:
            raise OutOfRangeError(
                "standard uncertainty",
                self.standard_uncertainty,
                0.0,
                math.inf,
                "units",
                "JCGM 100:2008",
            )

    @classmethod
    def within(cls, value: float, limit: float) -> Measured:
        """Return a value known to lie within +-limit, all places alike (GUM 4.3.7)."""
        return cls(value, limit / math.sqrt(3.0))

    @property
    def expanded_uncertainty(self) -> float:
        """Twice the standard uncertainty: about 95 % of results lie within it."""
        return _EXPANDED * self.standard_uncertainty

    @property
    def interval(self) -> tuple[float, float]:
        """The value less and plus the expanded uncertainty."""
        return self.value - self.expanded_uncertainty, self.value + self.expanded_uncertainty

    def minus(self, other: Measured) -> Measured:
        """Return the difference of two independent measurements."""
        return Measured(
            self.value - other.value,
            math.hypot(self.standard_uncertainty, other.standard_uncertainty),
        )


def propagate(function: Callable[..., SupportsFloat], **inputs: Measured) -> Measured:
    """Return a result of measured inputs with its combined standard uncertainty.

    Slopes are taken by differences about each input, on one side only where the other lies
    outside the function's range (pure water, pure ethanol, the ends of the temperatures).

    Parameters
    ----------
    function : of keyword arguments, such as those of this package; scalar result.
    inputs : its arguments by name, independent of each other.

    Returns
    -------
    Measured : in the unit of the function's result.

    Raises
    ------
    OutOfRangeError
        Where the function refuses the inputs themselves.

    Examples
    --------
    >>> from bulkflow.alcoholometry import lpa_from_volume
    >>> found = propagate(
    ...     lpa_from_volume,
    ...     volume=Measured(24_000.0, 24.0),
    ...     strength=Measured(96.0, 0.05),
    ...     temperature=Measured(20.0, 0.2),
    ... )
    >>> round(found.value, 1), round(found.standard_uncertainty, 1)
    (23040.0, 26.4)
    """
    at = {name: measured.value for name, measured in inputs.items()}
    value = float(function(**at))
    terms = [
        _slope(function, at, name, _STEP * measured.standard_uncertainty, value)
        * measured.standard_uncertainty
        for name, measured in inputs.items()
        if measured.standard_uncertainty > 0.0
    ]
    return Measured(value, math.hypot(*terms) if terms else 0.0)


def _slope(
    function: Callable[..., SupportsFloat],
    at: dict[str, float],
    name: str,
    step: float,
    value: float,
) -> float:
    """Return the slope of a function by one of its arguments."""
    above = _value_or_none(function, at, name, step)
    below = _value_or_none(function, at, name, -step)
    if above is not None and below is not None:
        return (above - below) / (2.0 * step)
    if above is not None:
        return (above - value) / step
    if below is not None:
        return (value - below) / step
    raise OutOfRangeError(
        name, at[name], at[name], at[name], "units", "the function holds at this one value only"
    )


def _value_or_none(
    function: Callable[..., SupportsFloat], at: dict[str, float], name: str, step: float
) -> float | None:
    """Return the function beside its arguments; None where that lies outside its range."""
    try:
        return float(function(**{**at, name: at[name] + step}))
    except OutOfRangeError:
        return None
