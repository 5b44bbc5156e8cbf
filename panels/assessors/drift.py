"""Drift: the reference sample's score, sitting by sitting, on charts.

The first sittings set centre and spread; later ones are watched. The individuals chart sees a
sudden jump, EWMA and CUSUM a slow change. It works for the panel's mean as for one assessor.

A centre taken from few sittings is uncertain itself, and charts that take it for the truth cry
wolf. So with a baseline of m sittings the limits of single values are widened by sqrt(1 + 1/m),
those of the EWMA by sqrt(1 + (2 - λ)/(λ m)), which is the variance of its distance from such a
centre, and the CUSUM's slack by one standard error, 1/sqrt(m). With an agreed centre nothing is
widened.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from bulkflow.statistics.arguments import finite_array, positive
from bulkflow.statistics.control_charts import (
    CusumChart,
    EwmaChart,
    ShewhartChart,
    chart_constants,
    cusum,
    ewma,
    individuals,
    moving_ranges,
)
from panels.errors import DataError, RangeError

__all__ = ["Drift", "DriftSettings", "pooled_sigma", "reference_drift"]

LEAST_BASELINE = 5
"""Fewest sittings from which centre and spread may be taken; 20 are better (common practice)."""


@dataclass(frozen=True, slots=True)
class DriftSettings:
    """How the charts are drawn; declared with the panel's rule, before the sittings.

    Parameters
    ----------
    baseline : number of first sittings that set centre and spread, at least 5.
    agreed : agreed value of the reference as centre, instead of the baseline's mean.
    resolution : step of the scale; the spread is never taken as less than half of it, so that
        after a run of equal scores a single step is not an alarm.
    weight, width : EWMA λ and L.
    slack, decision : CUSUM K and H in standard deviations.
    """

    baseline: int = 8
    agreed: float | None = None
    resolution: float = 0.1
    weight: float = 0.2
    width: float = 2.86
    slack: float = 0.5
    decision: float = 5.0


@dataclass(frozen=True, slots=True)
class Drift:
    """The three charts over all sittings, and the sittings after the baseline that signal."""

    sittings: tuple[str, ...]
    centre: float
    sigma: float
    baseline: int
    jumps: ShewhartChart
    average: EwmaChart
    sums: CusumChart

    @property
    def signals(self) -> dict[str, tuple[str, ...]]:
        """Which charts signal, by sitting; baseline sittings are left out."""
        found: dict[str, list[str]] = {}
        for name, chart in (
            ("individuals", self.jumps.signals),
            ("EWMA", self.average.signals),
            ("CUSUM", self.sums.signals),
        ):
            for at in chart:
                if at > self.baseline:
                    found.setdefault(self.sittings[at - 1], []).append(name)
        order = [sitting for sitting in self.sittings if sitting in found]
        return {sitting: tuple(found[sitting]) for sitting in order}

    @property
    def drifts_from(self) -> str | None:
        """First sitting at which the EWMA or CUSUM signals; ``None`` without lasting change."""
        lasting = [at for at, charts in self.signals.items() if set(charts) != {"individuals"}]
        return lasting[0] if lasting else None

    def to_frame(self) -> pd.DataFrame:
        """Return value, EWMA with limits, both CUSUMs and signals by sitting (the index)."""
        frame = pd.DataFrame(
            {
                "value": self.jumps.values,
                "lower": self.jumps.lower,
                "upper": self.jumps.upper,
                "ewma": self.average.z,
                "ewma_lower": self.average.lower,
                "ewma_upper": self.average.upper,
                "cusum_high": self.sums.high,
                "cusum_low": self.sums.low,
            },
            index=pd.Index(self.sittings, name="sitting"),
        )
        signals = self.signals
        frame["signals"] = [", ".join(signals.get(sitting, ())) for sitting in self.sittings]
        return frame


def reference_drift(
    sittings: Sequence[str],
    scores: Sequence[float],
    settings: DriftSettings | None = None,
    *,
    sigma: float | None = None,
) -> Drift:
    """Return the charts of a reference score over sittings.

    Parameters
    ----------
    sittings : names in order of time, each once.
    scores : the reference's score at each: the panel's mean, or one assessor's.
    settings : see :class:`DriftSettings`. Its EWMA width 2.86 with weight 0.2 and its CUSUM of
        K 0.5, H 5 give about one false alarm in 370 and 465 sittings where centre and spread are
        known.
    sigma : spread of one score where it is known better than from this baseline, such as pooled
        over all assessors (:func:`pooled_sigma`).

    Raises
    ------
    DataError
        For doubled sittings, gaps, or fewer sittings than the baseline needs.

    Examples
    --------
    >>> names = [f"s{i}" for i in range(1, 13)]
    >>> scores = [7.0, 7.2, 6.9, 7.1, 7.0, 7.2, 7.1, 6.9, 6.7, 6.6, 6.5, 6.4]
    >>> list(reference_drift(names, scores).signals)
    ['s11', 's12']
    """
    chosen = settings or DriftSettings()
    data = finite_array("scores", scores)
    if len(sittings) != data.size:
        raise DataError(f"{len(sittings)} sittings but {data.size} scores.")
    if len(set(sittings)) != len(sittings):
        raise DataError("a sitting stands twice.")
    if chosen.baseline < LEAST_BASELINE:
        raise RangeError(f"baseline is {chosen.baseline}; at least {LEAST_BASELINE} sittings.")
    if data.size < chosen.baseline:
        raise DataError(f"{data.size} sitting(s); the baseline alone needs {chosen.baseline}.")
    base = data[: chosen.baseline]
    centre = float(base.mean()) if chosen.agreed is None else chosen.agreed
    floor = chosen.resolution / 2.0
    own = pooled_sigma([base.tolist()]) if sigma is None else positive("sigma", sigma)
    spread = max(own, floor)
    if spread <= 0.0:
        raise DataError("the baseline scores do not vary; give the resolution of the scale.")
    doubt = 0.0 if chosen.agreed is not None else 1.0 / chosen.baseline
    weight = chosen.weight
    return Drift(
        sittings=tuple(sittings),
        centre=centre,
        sigma=spread,
        baseline=chosen.baseline,
        jumps=individuals(
            data, centre=centre, sigma=spread, width=3.0 * float(np.sqrt(1.0 + doubt))
        ),
        average=ewma(
            data,
            target=centre,
            sigma=spread,
            weight=weight,
            width=chosen.width * float(np.sqrt(1.0 + doubt * (2.0 - weight) / weight)),
        ),
        sums=cusum(
            data,
            target=centre,
            slack=(chosen.slack + float(np.sqrt(doubt))) * spread,
            decision=chosen.decision * spread,
        ),
    )


def pooled_sigma(baselines: Sequence[Sequence[float]]) -> float:
    """Return the spread of one score from the mean moving range, pooled over several baselines.

    Ten sittings of one person say too little about that person's spread; ten people's do.

    Examples
    --------
    >>> round(pooled_sigma([[7.0, 7.5, 7.0], [6.5, 6.5, 7.0]]), 4)
    0.3323
    """
    ranges = [moving_ranges(baseline) for baseline in baselines]
    if not ranges:
        raise DataError("there is no baseline to take the spread from.")
    return float(np.concatenate(ranges).mean()) / chart_constants(2).d2
