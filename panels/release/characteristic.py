"""The operating characteristic of a release rule, and its inverse.

The characteristic says how often the rule releases, holds or rejects lots of known quality, and
lots with a taint that a known share of assessors notices. The inverse asks, for two risks, how
many assessors are needed and where the limit has to lie. Both are found by simulation with a
stated standard error.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
import pandas as pd
from pydantic import Field

from bulkflow.records import Body
from panels.errors import RangeError
from panels.release.judging import Code
from panels.release.rule import ReleaseRule
from panels.release.simulation import Progress, SimulatedLots, simulate_lots

__all__ = [
    "Characteristic",
    "CharacteristicPoint",
    "PanelSize",
    "draws_for",
    "operating_characteristic",
    "panel_size",
    "quality_grid",
]

Axis = Literal["quality", "noticing share"]
Chance = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]

NOTICING_SHARES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7)
STANDARD_ERROR = 0.01
SMALLEST_STANDARD_ERROR = 0.001
LARGEST_PANEL = 40


class CharacteristicPoint(Body):
    """Chances at one true state of a lot.

    Parameters
    ----------
    axis : whether ``value`` is a true mean score or the share of assessors who notice a taint.
    value : where on that axis.
    release, hold, reject : chances of the final verdict; they add up to 1.
    draws : lots simulated at this point.
    """

    axis: Axis
    value: float
    release: Chance
    hold: Chance
    reject: Chance
    draws: Annotated[int, Field(ge=1)]

    def standard_error(self, chance: float) -> float:
        """Monte Carlo standard error of a chance found here."""
        return math.sqrt(chance * (1.0 - chance) / self.draws)


class Characteristic(Body):
    """The operating characteristic of one rule version.

    Parameters
    ----------
    rule : liquid and version.
    fingerprint : of that version.
    seed, draws : to repeat the simulation.
    standard_error : no chance has a larger Monte Carlo standard error.
    points : by axis, then value.
    """

    rule: str
    fingerprint: str
    seed: int
    draws: int
    standard_error: float
    points: tuple[CharacteristicPoint, ...]

    def to_frame(self) -> pd.DataFrame:
        """Points as rows, indexed by ``axis`` and ``value``.

        Columns ``release``, ``hold``, ``reject`` and the standard error of each, such as
        ``release_se``.
        """
        rows = []
        for point in self.points:
            row: dict[str, float | str] = {"axis": point.axis, "value": point.value}
            for name in ("release", "hold", "reject"):
                chance = getattr(point, name)
                row |= {name: chance, f"{name}_se": point.standard_error(chance)}
            rows.append(row)
        return pd.DataFrame(rows).set_index(["axis", "value"])


@dataclass(frozen=True, slots=True)
class PanelSize:
    """Assessors and limit that keep two risks.

    Attributes
    ----------
    assessors : fewest that keep both risks with some limit; ``None`` if none up to the largest
        panel tried does.
    limit : the lowest true mean that keeps the first risk when it is the limit [score]: the
        minimum where the mean decides, and the control's quality less the largest drop where
        the difference does.
    release_if_bad, release_if_good : chances found with them.
    standard_error : largest Monte Carlo standard error of the two.
    tried : chances of releasing a good lot by number of assessors, each with its own limit.
    """

    assessors: int | None
    limit: float | None
    release_if_bad: float | None
    release_if_good: float | None
    standard_error: float
    tried: tuple[tuple[int, float, float], ...]


def draws_for(standard_error: float) -> int:
    """Draws after which no chance has a larger Monte Carlo standard error.

    Raises
    ------
    RangeError : a standard error that is not between 0.001 and 0.05.

    Examples
    --------
    >>> draws_for(0.01)
    2500
    """
    if not SMALLEST_STANDARD_ERROR <= standard_error <= 0.05:
        raise RangeError(
            f"A standard error of {standard_error:g} is outside"
            f" {SMALLEST_STANDARD_ERROR:g} to 0.05. Give one such as 0.01."
        )
    return math.ceil(0.25 / standard_error**2)


def quality_grid(rule: ReleaseRule) -> tuple[float, ...]:
    """Return true qualities worth showing: in half steps around the limits, up to the control."""
    control = rule.assumptions.control_quality
    limits = [control - rule.score.largest_drop] if rule.score.largest_drop is not None else []
    limits += [rule.score.minimum] if rule.score.minimum is not None else []
    low = max(rule.score.lowest, math.floor(2 * min(limits)) / 2 - 1.5)
    high = min(rule.score.highest, max(control, max(limits)) + 0.5)
    around = np.arange(low, high + 1e-9, 0.25)
    return tuple(sorted({round(float(q), 4) for q in [*around, *limits]}))


def operating_characteristic(
    rule: ReleaseRule,
    *,
    seed: int,
    standard_error: float = STANDARD_ERROR,
    qualities: Sequence[float] | None = None,
    shares: Sequence[float] = NOTICING_SHARES,
    progress: Progress = lambda done: None,
) -> Characteristic:
    """Simulate the whole procedure of a rule, retests included.

    Parameters
    ----------
    rule : with its panel assumptions.
    seed : each point has its own stream from it, so points do not depend on one another.
    standard_error : stated precision of every chance.
    qualities : true means to simulate; by default `quality_grid`.
    shares : shares of assessors who notice a taint in a lot otherwise as good as the control.
    progress : called as sittings are simulated.
    """
    draws = draws_for(standard_error)
    states = [("quality", value) for value in qualities or quality_grid(rule)]
    states += [("noticing share", value) for value in shares]
    streams = np.random.SeedSequence(seed).spawn(len(states))
    points = []
    for (axis, value), stream in zip(states, streams, strict=True):
        tainted = axis == "noticing share"
        lots = simulate_lots(
            rule,
            quality=rule.assumptions.control_quality if tainted else value,
            noticing_share=value if tainted else 0.0,
            draws=draws,
            rng=np.random.default_rng(stream),
            progress=progress,
        )
        points.append(_point(axis, value, lots, rule))
    return Characteristic(
        rule=rule.name,
        fingerprint=rule.fingerprint,
        seed=seed,
        draws=draws,
        standard_error=standard_error,
        points=tuple(points),
    )


def panel_size(
    rule: ReleaseRule,
    *,
    bad_quality: float,
    risk_if_bad: float,
    good_quality: float,
    risk_if_good: float,
    seed: int,
    standard_error: float = STANDARD_ERROR,
    progress: Progress = lambda done: None,
) -> PanelSize:
    """Fewest assessors, and the limit, that keep both risks.

    Parameters
    ----------
    rule : everything but the number of assessors and the limit is taken from it.
    bad_quality, risk_if_bad : a lot of this true mean may be released this often at most.
    good_quality, risk_if_good : a lot of this true mean may be stopped this often at most.
    seed, standard_error, progress : as for `operating_characteristic`.

    Raises
    ------
    RangeError : a bad quality at or above the good one, or off the scale.

    Notes
    -----
    For each number of assessors lots of both qualities are simulated once, and the lowest
    limit that keeps the first risk is found among the simulated ones; the number is then found
    by bisection, since the chance of stopping a good lot falls with it.
    """
    _check_qualities(rule, bad_quality, good_quality)
    draws = draws_for(standard_error)
    fewest = rule.validity.fewest_assessors
    found: dict[int, tuple[float, float, float]] = {}

    def keeps(assessors: int) -> bool:
        if assessors not in found:
            sized = _with_assessors(rule, assessors)
            bad, good = (
                simulate_lots(
                    sized,
                    quality=quality,
                    draws=draws,
                    rng=np.random.default_rng([seed, assessors, i]),
                    progress=progress,
                )
                for i, quality in enumerate((bad_quality, good_quality))
            )
            found[assessors] = _lowest_limit(sized, bad, good, risk_if_bad)
        return found[assessors][2] >= 1.0 - risk_if_good

    best = _first_that(keeps, fewest, LARGEST_PANEL)
    limit, if_bad, if_good = found[best] if best is not None else (None, None, None)
    return PanelSize(
        assessors=best,
        limit=limit,
        release_if_bad=if_bad,
        release_if_good=if_good,
        standard_error=standard_error,
        tried=tuple((n, values[0], values[2]) for n, values in sorted(found.items())),
    )


def _point(axis: str, value: float, lots: SimulatedLots, rule: ReleaseRule) -> CharacteristicPoint:
    verdicts = lots.verdicts(rule)
    return CharacteristicPoint.model_validate(
        {
            "axis": axis,
            "value": value,
            "release": float((verdicts == Code.RELEASE).mean()),
            "hold": float((verdicts == Code.HOLD).mean()),
            "reject": float((verdicts == Code.REJECT).mean()),
            "draws": len(verdicts),
        }
    )


def _check_qualities(rule: ReleaseRule, bad: float, good: float) -> None:
    if not rule.score.lowest <= bad < good <= rule.score.highest:
        raise RangeError(
            f"A bad quality of {bad:g} and a good one of {good:g} cannot be told apart on a scale"
            f" from {rule.score.lowest:g} to {rule.score.highest:g}. The good one lies higher,"
            " both on the scale."
        )


def _with_assessors(rule: ReleaseRule, assessors: int) -> ReleaseRule:
    panel = rule.assumptions.model_copy(update={"assessors": assessors})
    return rule.model_copy(update={"assumptions": panel})


def _with_limit(rule: ReleaseRule, limit: float) -> ReleaseRule:
    """Set the limit as a true mean; a drop is counted from the control's true quality."""
    update = {}
    if rule.score.needs_mean:
        update["minimum"] = limit
    if rule.score.needs_difference:
        update["largest_drop"] = rule.assumptions.control_quality - limit
    return rule.model_copy(update={"score": rule.score.model_copy(update=update)})


def _lowest_limit(
    rule: ReleaseRule, bad: SimulatedLots, good: SimulatedLots, risk: float
) -> tuple[float, float, float]:
    """Limit in hundredths that keeps the first risk and stops the fewest good lots.

    The chance of release falls as the limit rises.
    """
    top = min(rule.score.highest, rule.assumptions.control_quality)
    grid = np.arange(math.floor(100 * rule.score.lowest) + 1, math.ceil(100 * top)) / 100.0
    first, last = 0, len(grid) - 1
    while first < last:  # the first limit of the grid, loosest first, that keeps the risk
        middle = (first + last) // 2
        if _released(_with_limit(rule, float(grid[middle])), bad) <= risk:
            last = middle
        else:
            first = middle + 1
    limit = float(grid[first])
    chosen = _with_limit(rule, limit)
    return limit, _released(chosen, bad), _released(chosen, good)


def _released(rule: ReleaseRule, lots: SimulatedLots) -> float:
    return float((lots.verdicts(rule) == Code.RELEASE).mean())


def _first_that(keeps: Callable[[int], bool], low: int, high: int) -> int | None:
    """Smallest whole number for which a rising condition holds; None if not even the last."""
    size = low
    while size < high and not keeps(size):
        low, size = size + 1, min(high, math.ceil(1.5 * size))
    if not keeps(size):
        return None
    high = size
    while low < high:
        middle = (low + high) // 2
        if keeps(middle):
            high = middle
        else:
            low = middle + 1
    return low
