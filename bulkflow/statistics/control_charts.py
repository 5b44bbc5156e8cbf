"""Control charts: constants, averages, individuals, EWMA and CUSUM.

One home for the panel's reference score and for the laboratory's figures. A chart says "as usual";
it supports and does not replace the nose. Charts for several variables at once are in
:mod:`panels.methods.hotelling`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import gammaln, ndtr

from bulkflow.errors import DataError, RangeError
from bulkflow.statistics.arguments import FloatArray, count, finite_array, positive

__all__ = [
    "ChartConstants",
    "CusumChart",
    "EwmaChart",
    "ShewhartChart",
    "chart_constants",
    "cusum",
    "ewma",
    "individuals",
    "moving_ranges",
    "subgroup_averages",
]


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """Constants of Shewhart's charts for subgroups of ``n``; names as printed in tables."""

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def A(self) -> float:  # noqa: N802 - the printed symbol
        """Limits of averages from a known sigma."""
        return 3.0 / float(np.sqrt(self.n))

    @property
    def A2(self) -> float:  # noqa: N802 - the printed symbol
        """Limits of averages from the mean range."""
        return self.A / self.d2

    @property
    def A3(self) -> float:  # noqa: N802 - the printed symbol
        """Limits of averages from the mean standard deviation."""
        return self.A / self.c4

    @property
    def B3(self) -> float:  # noqa: N802 - the printed symbol
        """Lower limit of standard deviations from their mean."""
        return max(0.0, 1.0 - self._s_spread)

    @property
    def B4(self) -> float:  # noqa: N802 - the printed symbol
        """Upper limit of standard deviations from their mean."""
        return 1.0 + self._s_spread

    @property
    def B5(self) -> float:  # noqa: N802 - the printed symbol
        """Lower limit of standard deviations from a known sigma."""
        return self.c4 * self.B3

    @property
    def B6(self) -> float:  # noqa: N802 - the printed symbol
        """Upper limit of standard deviations from a known sigma."""
        return self.c4 * self.B4

    @property
    def D1(self) -> float:  # noqa: N802 - the printed symbol
        """Lower limit of ranges from a known sigma."""
        return max(0.0, self.d2 - 3.0 * self.d3)

    @property
    def D2(self) -> float:  # noqa: N802 - the printed symbol
        """Upper limit of ranges from a known sigma."""
        return self.d2 + 3.0 * self.d3

    @property
    def D3(self) -> float:  # noqa: N802 - the printed symbol
        """Lower limit of ranges from their mean."""
        return self.D1 / self.d2

    @property
    def D4(self) -> float:  # noqa: N802 - the printed symbol
        """Upper limit of ranges from their mean."""
        return self.D2 / self.d2

    @property
    def E2(self) -> float:  # noqa: N802 - the printed symbol
        """Limits of individuals from the mean moving range of ``n`` values."""
        return 3.0 / self.d2

    @property
    def _s_spread(self) -> float:
        return 3.0 * float(np.sqrt(1.0 - self.c4**2)) / self.c4


@dataclass(frozen=True, slots=True)
class ShewhartChart:
    """Points between limits. ``signals`` counts from 1; ``sigma`` is of one value."""

    values: tuple[float, ...]
    centre: float
    sigma: float
    lower: float
    upper: float
    signals: tuple[int, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return value, lower, upper and signal by observation (the index, from 1)."""
        at = range(1, len(self.values) + 1)
        return pd.DataFrame(
            {
                "value": self.values,
                "lower": self.lower,
                "upper": self.upper,
                "signal": [i in self.signals for i in at],
            },
            index=pd.Index(at, name="observation"),
        )


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """Exponentially weighted moving averages with their exact limits; signals count from 1."""

    target: float
    sigma: float
    weight: float
    width: float
    z: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[int, ...]

    @property
    def steady_upper(self) -> float:
        """Upper limit after many observations."""
        return self.target + self._steady

    @property
    def steady_lower(self) -> float:
        """Lower limit after many observations."""
        return self.target - self._steady

    @property
    def _steady(self) -> float:
        return self.width * self.sigma * float(np.sqrt(self.weight / (2.0 - self.weight)))

    def to_frame(self) -> pd.DataFrame:
        """Return z, lower, upper and signal by observation (the index, from 1)."""
        at = range(1, len(self.z) + 1)
        return pd.DataFrame(
            {
                "z": self.z,
                "lower": self.lower,
                "upper": self.upper,
                "signal": [i in self.signals for i in at],
            },
            index=pd.Index(at, name="observation"),
        )


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Tabular cumulative sums, upward and downward (both 0 or more); signals count from 1."""

    target: float
    slack: float
    decision: float
    high: tuple[float, ...]
    low: tuple[float, ...]
    high_signals: tuple[int, ...]
    low_signals: tuple[int, ...]

    @property
    def signals(self) -> tuple[int, ...]:
        """Observations at which either sum lies above the decision limit."""
        return tuple(sorted({*self.high_signals, *self.low_signals}))

    def to_frame(self) -> pd.DataFrame:
        """Return high, low and signal by observation (the index, from 1)."""
        at = range(1, len(self.high) + 1)
        return pd.DataFrame(
            {
                "high": self.high,
                "low": self.low,
                "signal": [i in self.signals for i in at],
            },
            index=pd.Index(at, name="observation"),
        )


@lru_cache(maxsize=128)
def chart_constants(n: int) -> ChartConstants:
    """Return the constants for subgroups of ``n`` values, computed from their definitions.

    Parameters
    ----------
    n : subgroup size, 2 to 1000.

    Notes
    -----
    d2 and d3 are mean and standard deviation of the range of n standard normals:
    ``d2 = ∫ 1 - Φ^n - (1 - Φ)^n dx``, second moment
    ``2 ∫∫_{x<y} 1 - Φ(y)^n - (1 - Φ(x))^n + (Φ(y) - Φ(x))^n``.
    c4 is ``sqrt(2/(n - 1)) Γ(n/2)/Γ((n - 1)/2)``.

    References
    ----------
    ISO 7870-2, Table 2.

    Examples
    --------
    >>> five = chart_constants(5)
    >>> [round(value, 3) for value in (five.d2, five.A2, five.A3, five.c4, five.B4, five.D4)]
    [2.326, 0.577, 1.427, 0.94, 2.089, 2.114]
    """
    size = count("n", n, least=2)
    if size > 1000:
        raise RangeError(f"n is {size}; constants are computed for subgroups of 2 to 1000.")
    nodes, weights = np.polynomial.legendre.leggauss(200)
    x, w = 9.0 * nodes, 9.0 * weights
    below, above = ndtr(x), ndtr(-x)
    d2 = float(w @ (1.0 - below**size - above**size))
    # Inner integral over y > x, on its own rule for each x: the corner x = y has a kink.
    half = (9.0 - x)[:, None] / 2.0
    y = x[:, None] + half * (nodes + 1.0)
    inner = (
        1.0
        - ndtr(y) ** size
        - above[:, None] ** size
        + np.maximum(above[:, None] - ndtr(-y), 0.0) ** size
    )
    second = 2.0 * float(w @ ((inner @ weights) * half[:, 0]))
    c4 = float(np.sqrt(2.0 / (size - 1)) * np.exp(gammaln(size / 2) - gammaln((size - 1) / 2)))
    return ChartConstants(n=size, d2=d2, d3=float(np.sqrt(second - d2 * d2)), c4=c4)


def moving_ranges(values: ArrayLike) -> FloatArray:
    """Return absolute differences of neighbours.

    Examples
    --------
    >>> moving_ranges([1.0, 3.0, 2.0]).tolist()
    [2.0, 1.0]
    """
    return np.asarray(np.abs(np.diff(finite_array("values", values, least=2))), dtype=np.float64)


def individuals(
    values: ArrayLike,
    *,
    centre: float | None = None,
    sigma: float | None = None,
    width: float = 3.0,
) -> ShewhartChart:
    """Return an individuals chart.

    Parameters
    ----------
    values : in order of time, at least 2.
    centre, sigma : agreed beforehand (monitoring); from the values themselves if left out (setting
        up): the mean, and the mean moving range over 1.128.
    width : limits in sigmas; 3 gives centre ± 2.66 mean moving ranges.

    Examples
    --------
    >>> chart = individuals([7.0, 7.2, 6.9, 7.1, 7.0])
    >>> round(chart.upper, 4)
    7.5717
    """
    data = finite_array("values", values, least=1 if centre is not None and sigma else 2)
    middle = float(data.mean()) if centre is None else float(centre)
    spread = (
        float(moving_ranges(data).mean()) / chart_constants(2).d2
        if sigma is None
        else positive("sigma", sigma)
    )
    return _shewhart(data, middle, spread, positive("width", width) * spread)


def subgroup_averages(
    subgroups: ArrayLike, *, spread: Literal["range", "standard deviation"] = "standard deviation"
) -> tuple[ShewhartChart, ShewhartChart]:
    """Return charts of the averages and of the spreads of equal subgroups.

    Parameters
    ----------
    subgroups : array, (subgroups, values in each), at least 2 by 2.
    spread : estimate sigma by mean range (A2, D3, D4) or mean standard deviation (A3, B3, B4).

    Examples
    --------
    >>> averages, ranges = subgroup_averages([[1.0, 3.0], [2.0, 4.0], [3.0, 4.0]], spread="range")
    >>> round(averages.upper, 3), round(ranges.upper, 3)
    (5.967, 5.444)
    """
    table = finite_array("subgroups", subgroups, dimensions=2, least=2)
    constants = chart_constants(table.shape[1])
    if spread == "range":
        inside, centre_factor = np.ptp(table, axis=1), constants.d2
        low, high = constants.D3, constants.D4
    elif spread == "standard deviation":
        inside, centre_factor = table.std(axis=1, ddof=1), constants.c4
        low, high = constants.B3, constants.B4
    else:
        raise RangeError(f"spread is {spread!r}; it must be 'range' or 'standard deviation'.")
    typical = float(inside.mean())
    sigma = typical / centre_factor
    averages = _shewhart(
        table.mean(1), float(table.mean()), sigma, 3.0 * sigma / float(np.sqrt(table.shape[1]))
    )
    outside = (inside < low * typical) | (inside > high * typical)
    spreads = ShewhartChart(
        values=tuple(float(v) for v in inside),
        centre=typical,
        sigma=sigma,
        lower=low * typical,
        upper=high * typical,
        signals=_places(outside),
    )
    return averages, spreads


def ewma(
    values: ArrayLike,
    *,
    target: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 3.0,
) -> EwmaChart:
    """Return an EWMA chart, sensitive to small lasting shifts.

    Parameters
    ----------
    values : in order of time.
    target, sigma : centre and standard deviation of one value, agreed beforehand.
    weight : λ, above 0 and at most 1; small weights see small shifts.
    width : L, limits in standard deviations of z.

    Notes
    -----
    ``z = λ x + (1 - λ) z``, z_0 the target; limits
    ``μ ± L σ sqrt(λ/(2 - λ) [1 - (1 - λ)^(2 i)])``.

    References
    ----------
    ISO 7870-6; Montgomery, Introduction to Statistical Quality Control, section 9.2.

    Examples
    --------
    >>> chart = ewma([9.45], target=10.0, sigma=1.0, weight=0.1, width=2.7)
    >>> round(chart.z[0], 3), round(chart.upper[0], 3), round(chart.steady_upper, 4)
    (9.945, 10.27, 10.6194)
    """
    data = finite_array("values", values)
    spread = positive("sigma", sigma)
    if not 0.0 < weight <= 1.0:
        raise RangeError(f"weight is {weight!r}; it must lie above 0 and at most 1.")
    z = np.empty(data.size)
    last = float(target)
    for i, value in enumerate(data):
        last = weight * float(value) + (1.0 - weight) * last
        z[i] = last
    steps = np.arange(1, data.size + 1)
    reach = positive("width", width) * spread
    reach = reach * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * steps)))
    return EwmaChart(
        target=float(target),
        sigma=spread,
        weight=float(weight),
        width=float(width),
        z=tuple(float(v) for v in z),
        lower=tuple(float(v) for v in target - reach),
        upper=tuple(float(v) for v in target + reach),
        signals=_places(np.abs(z - target) > reach),
    )


def cusum(values: ArrayLike, *, target: float, slack: float, decision: float) -> CusumChart:
    """Return tabular cumulative sums.

    Parameters
    ----------
    values : in order of time.
    target : centre agreed beforehand.
    slack : K, half the shift to be found [units of the values].
    decision : H, the limit of a sum, usually 4 to 5 standard deviations.

    Notes
    -----
    ``C+ = max(0, x - (μ + K) + C+)``, ``C- = max(0, (μ - K) - x + C-)``; a signal lies above H.

    References
    ----------
    ISO 7870-4; Montgomery, section 9.1.

    Examples
    --------
    >>> cusum([10.0, 12.0, 13.0], target=10.0, slack=0.5, decision=3.0).high
    (0.0, 1.5, 4.0)
    """
    data = finite_array("values", values)
    limit = positive("decision", decision)
    if not slack >= 0.0:
        raise RangeError(f"slack is {slack!r}; it must be 0 or more.")
    high, low = np.zeros(data.size + 1), np.zeros(data.size + 1)
    for i, value in enumerate(data):
        high[i + 1] = max(0.0, float(value) - (target + slack) + high[i])
        low[i + 1] = max(0.0, (target - slack) - float(value) + low[i])
    return CusumChart(
        target=float(target),
        slack=float(slack),
        decision=limit,
        high=tuple(float(v) for v in high[1:]),
        low=tuple(float(v) for v in low[1:]),
        high_signals=_places(high[1:] > limit),
        low_signals=_places(low[1:] > limit),
    )


def _shewhart(data: FloatArray, centre: float, sigma: float, reach: float) -> ShewhartChart:
    if not np.isfinite(centre):
        raise DataError("the centre of a chart must be a finite number.")
    return ShewhartChart(
        values=tuple(float(v) for v in data),
        centre=centre,
        sigma=sigma,
        lower=centre - reach,
        upper=centre + reach,
        signals=_places(np.abs(data - centre) > reach),
    )


def _places(flags: ArrayLike) -> tuple[int, ...]:
    return tuple(int(i) + 1 for i in np.flatnonzero(np.asarray(flags)))
