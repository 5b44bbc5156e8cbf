"""Drawing samples from a tank: where from, how much, sealed how, and kept how long.

Positions and amounts are common practice for a still tank of one spirit; the site's own
procedure and the excise authority's rules come first. Upper, middle and lower samples are
measured apart before they are put together: layers that differ mean that the tank is not mixed,
and a composite would hide it.
"""

from __future__ import annotations

import calendar
import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from panels.errors import RangeError

__all__ = [
    "LAYER_TOLERANCE_KG_M3",
    "RETAINED_BOTTLES",
    "RETENTION_MONTHS",
    "Bottle",
    "Level",
    "SamplingPlan",
    "keep_until",
    "layers_agree",
    "plan_sampling",
]

RETAINED_BOTTLES = 2
"""One to look at in a dispute, one that stays sealed."""

RETAINED_ML = 500.0
LABORATORY_ML = 500.0
RETENTION_MONTHS = 24
"""Longer than the last load is likely to stay on sale; contracts may ask for more."""

LAYER_TOLERANCE_KG_M3 = 0.3
"""Densities of the levels that differ by more mean that the tank is not mixed (about 0.1 % vol
at 80 % vol; common practice)."""


class Level(StrEnum):
    """Where in the tank a sample is drawn."""

    UPPER = "upper: a sixth of the depth below the surface"
    MIDDLE = "middle: half of the depth"
    LOWER = "lower: a sixth of the depth above the bottom"


@dataclass(frozen=True, slots=True)
class Bottle:
    """One bottle filled from the composite.

    Attributes
    ----------
    label : sample number to write on it.
    purpose : what it is for.
    volume_ml : how much.
    sealed : whether it gets a numbered seal.
    keep_until : last day it must be kept; None if it is used up.
    """

    label: str
    purpose: str
    volume_ml: float
    sealed: bool
    keep_until: datetime.date | None


@dataclass(frozen=True, slots=True)
class SamplingPlan:
    """What to draw from one tank for one lot.

    Attributes
    ----------
    lot, tank : drawn from.
    drawn_on : day.
    levels : where from, the same amount each.
    per_level_ml : amount per level, for all bottles and the density of each level.
    bottles : filled from the composite.
    """

    lot: str
    tank: str | None
    drawn_on: datetime.date
    levels: tuple[Level, ...]
    per_level_ml: float
    bottles: tuple[Bottle, ...]


def plan_sampling(
    lot: str,
    *,
    tank: str | None,
    drawn_on: datetime.date,
    panel_ml: float,
    retained: int = RETAINED_BOTTLES,
    retention_months: int = RETENTION_MONTHS,
) -> SamplingPlan:
    """Plan the samples of one lot.

    Parameters
    ----------
    lot, tank, drawn_on : of what, from where, when.
    panel_ml : undiluted spirit the panel needs, with repeats, retests and confirmations.
    retained : sealed bottles to keep.
    retention_months : how long they are kept.

    Raises
    ------
    RangeError : amounts that cannot be drawn.

    Examples
    --------
    >>> day = datetime.date(2026, 12, 14)
    >>> plan = plan_sampling("VK-1", tank="D1", drawn_on=day, panel_ml=120.0)
    >>> plan.per_level_ml, [bottle.volume_ml for bottle in plan.bottles]
    (650.0, [120.0, 500.0, 500.0, 500.0])
    """
    if not 0 < panel_ml <= 10_000 or not 1 <= retained <= 10:
        raise RangeError(
            f"{panel_ml:g} ml for the panel and {retained} retained bottles of {lot} cannot be"
            " drawn: give up to 10,000 ml, and 1 to 10 bottles."
        )
    until = keep_until(drawn_on, retention_months)
    day = f"{drawn_on:%y%m%d}"
    bottles = [
        Bottle(
            f"{lot}-{day}-P",
            "panel: sittings, retests, confirmation",
            panel_ml,
            sealed=False,
            keep_until=None,
        ),
        Bottle(f"{lot}-{day}-L", "laboratory", LABORATORY_ML, sealed=False, keep_until=None),
        *(
            Bottle(f"{lot}-{day}-R{n}", "retained", RETAINED_ML, sealed=True, keep_until=until)
            for n in range(1, retained + 1)
        ),
    ]
    levels = tuple(Level)
    # a tenth more, and 50 ml for the density of each level
    share = 1.1 * sum(bottle.volume_ml for bottle in bottles) / len(levels) + 50.0
    return SamplingPlan(
        lot, tank, drawn_on, levels, math.ceil(share / 50.0 - 1e-9) * 50.0, tuple(bottles)
    )


def keep_until(drawn_on: datetime.date, months: int) -> datetime.date:
    """Return the day so many months later, at the end of shorter months.

    Raises
    ------
    RangeError : less than a month or more than 20 years.
    """
    if not 1 <= months <= 240:
        raise RangeError(f"Samples kept for {months} months: give 1 to 240.")
    years, month = divmod(drawn_on.month - 1 + months, 12)
    year, month = drawn_on.year + years, month + 1
    return datetime.date(year, month, min(drawn_on.day, calendar.monthrange(year, month)[1]))


def layers_agree(densities_kg_m3: Sequence[float]) -> bool:
    """Whether the levels' densities, at one temperature, show a mixed tank.

    Raises
    ------
    RangeError : fewer than two levels, or a density that no spirit has.
    """
    if len(densities_kg_m3) < 2 or not all(750 < d < 1010 for d in densities_kg_m3):
        raise RangeError("Give the densities of two levels or more, each from 750 to 1010 kg/m3.")
    return max(densities_kg_m3) - min(densities_kg_m3) <= LAYER_TOLERANCE_KG_M3
