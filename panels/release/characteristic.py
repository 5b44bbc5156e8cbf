"""The operating characteristic of a release rule, and its inverse.

The characteristic says how often the rule releases, holds or rejects lots of known quality, and
lots with a taint that a known share of assessors notices, and how many sittings that takes. The
inverse asks, for two risks, how many assessors are needed and where the limit has to lie. Both are
found by simulation with a stated standard error. A stored characteristic carries the counts of
every batch of simulated lots: whoever takes it in simulates some of them again.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
import pandas as pd
from pydantic import Field

from bulkflow.records import Body
from bulkflow.records.canonical import canonical_text
from panels.errors import RangeError
from panels.release.judging import Code
from panels.release.rule import ReleaseRule
from panels.release.simulation import BATCH, Outcomes, Progress, SimulatedLots, simulate_lots

__all__ = [
    "Characteristic",
    "CharacteristicPoint",
    "PanelSize",
    "QuarterRisk",
    "check_characteristic",
    "draws_for",
    "limits_of_rule",
    "operating_characteristic",
    "panel_size",
    "quality_grid",
    "quarter_risk",
]

Axis = Literal["quality", "noticing share"]
Chance = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]

NOTICING_SHARES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7)
STANDARD_ERROR = 0.01
SMALLEST_STANDARD_ERROR = 0.001
LARGEST_PANEL = 40
CHECK_TOLERANCE = 1
"""Lots in all that may come out otherwise: the last digit of an estimate is not the same on
every machine, and now and then a lot lies on a limit."""


class CharacteristicPoint(Body):
    """Chances at one true state of a lot.

    Parameters
    ----------
    axis : whether ``value`` is a true mean score or the share of assessors who notice a taint.
    value : where on that axis.
    release, hold, reject : chances of the final verdict; they add up to 1.
    sittings : chance that one sitting is held, two, ..., void ones included.
    tests : confirmations for each lot, on average.
    draws : lots simulated at this point.
    batches : lots released and rejected in each batch of `BATCH` draws, in order, such as
        ``3/90 5/88``.
    """

    axis: Axis
    value: float
    release: Chance
    hold: Chance
    reject: Chance
    sittings: tuple[Chance, ...] = ()
    tests: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    draws: Annotated[int, Field(ge=1)]
    batches: Annotated[str, Field(pattern=r"^(\d{1,3}/\d{1,3}( \d{1,3}/\d{1,3})*)?$")] = ""

    def standard_error(self, chance: float) -> float:
        """Monte Carlo standard error of a chance found here."""
        return math.sqrt(chance * (1.0 - chance) / self.draws)

    @property
    def counts(self) -> list[tuple[int, int, int]]:
        """Lots released, rejected and simulated in each batch."""
        pairs = [pair.partition("/") for pair in self.batches.split()]
        return [
            (int(released), int(rejected), min(BATCH, self.draws - BATCH * number))
            for number, (released, _, rejected) in enumerate(pairs)
        ]

    def faults(self) -> str:
        """Say where the chances do not follow from the counts; empty where they do."""
        counts = np.array(self.counts).reshape(-1, 3)
        if len(counts) != -(-self.draws // BATCH) or counts[:, 2].sum() != self.draws:
            return f"has counts of {len(counts)} batches for {self.draws} draws"
        released, rejected, _ = (int(n) for n in counts.sum(axis=0))
        counted = (released, self.draws - released - rejected, rejected)
        told = (self.release, self.hold, self.reject)
        wrong = any(abs(a - b / self.draws) > 1e-9 for a, b in zip(told, counted, strict=True))
        if wrong or (counts[:, 0] + counts[:, 1] > counts[:, 2]).any():
            return "has chances that do not follow from its counts"
        return ""


class Characteristic(Body):
    """The operating characteristic of one rule version.

    Parameters
    ----------
    rule : liquid and version.
    fingerprint : of that version.
    seed, draws : to repeat the simulation.
    standard_error : no chance has a larger Monte Carlo standard error.
    points : by axis, then value.
    digest : SHA-256 of all the rest.
    """

    rule: str
    fingerprint: str
    seed: int
    draws: int
    standard_error: float
    points: tuple[CharacteristicPoint, ...]
    digest: str = ""

    def computed_digest(self) -> str:
        """SHA-256 of the canonical form without the digest itself."""
        form = canonical_text(self.model_dump(mode="json", exclude={"digest"}))
        return hashlib.sha256(form.encode()).hexdigest()

    def at(self, axis: Axis, value: float) -> CharacteristicPoint | None:
        """Return the point at a value; None where there is none."""
        return next(
            (p for p in self.points if p.axis == axis and math.isclose(p.value, value)), None
        )

    def to_frame(self) -> pd.DataFrame:
        """Points as rows, indexed by ``axis`` and ``value``.

        Columns ``release``, ``hold``, ``reject`` and the standard error of each, such as
        ``release_se``, and ``sittings`` and ``tests``, how many on average.
        """
        rows = []
        for point in self.points:
            row: dict[str, float | str] = {"axis": point.axis, "value": point.value}
            for name in ("release", "hold", "reject"):
                chance = getattr(point, name)
                row |= {name: chance, f"{name}_se": point.standard_error(chance)}
            row["sittings"] = sum(n * share for n, share in enumerate(point.sittings, start=1))
            row["tests"] = point.tests
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
    """Return true qualities worth showing: around the limits, a quarter's, up to the control."""
    control = rule.assumptions.control_quality
    limits = limits_of_rule(rule)
    low = max(rule.score.lowest, math.floor(2 * min(limits)) / 2 - 1.5)
    high = min(rule.score.highest, max(control, max(limits)) + 0.5)
    around = np.arange(low, high + 1e-9, 0.25)
    return tuple(sorted({round(float(q), 4) for q in [*around, *_needed(rule)]}))


def _noticing_shares(rule: ReleaseRule) -> tuple[float, ...]:
    declared = [lots.noticing_share for lots in rule.assumptions.quarter]
    return tuple(sorted({*NOTICING_SHARES, *declared}))


def operating_characteristic(
    rule: ReleaseRule,
    *,
    seed: int,
    standard_error: float = STANDARD_ERROR,
    qualities: Sequence[float] | None = None,
    shares: Sequence[float] | None = None,
    progress: Progress = lambda done: None,
) -> Characteristic:
    """Simulate the whole procedure of a rule, retests and confirmations included.

    Parameters
    ----------
    rule : with its panel assumptions.
    seed : each batch of lots has its own stream from seed, point and number.
    standard_error : stated precision of every chance.
    qualities : true means to simulate; by default `quality_grid`.
    shares : shares of assessors who notice a taint in a lot otherwise as good as the control.
    progress : called as lots are simulated.
    """
    draws = draws_for(standard_error)
    states: list[tuple[Axis, float]] = [("quality", v) for v in qualities or quality_grid(rule)]
    states += [("noticing share", v) for v in _noticing_shares(rule) if shares is None]
    states += [("noticing share", v) for v in shares or ()]
    points = []
    for axis, value in states:
        made = []
        for number, start in enumerate(range(0, draws, BATCH)):
            size = min(BATCH, draws - start)
            made.append(_batch(rule, axis, value, seed, number, size))
            progress(size)
        points.append(_point(axis, value, made))
    found = Characteristic(
        rule=rule.name,
        fingerprint=rule.fingerprint,
        seed=seed,
        draws=draws,
        standard_error=standard_error,
        points=tuple(points),
    )
    return found.model_copy(update={"digest": found.computed_digest()})


def check_characteristic(rule: ReleaseRule, found: Characteristic, *, whole: bool = False) -> None:
    """Hold a characteristic against its own counts, and simulate some of it again.

    Parameters
    ----------
    whole : simulate all of it again, not two batches only.

    Raises
    ------
    RangeError : it is of another rule, was changed, lacks points, or does not come out again.
    """
    name = f"The operating characteristic of {rule.name}"
    if found.fingerprint != rule.fingerprint:
        raise RangeError(f"{name} was computed for another rule. Compute it again.")
    if found.digest != found.computed_digest():
        raise RangeError(f"{name} does not fit its digest: it was changed. Compute it again.")
    for point in found.points:
        wrong = point.faults() or ("" if point.draws == found.draws else "has other draws")
        if wrong:
            raise RangeError(f"{name} {wrong} at {point.axis} {point.value:g}. Compute it again.")
    if any(found.at("quality", value) is None for value in _needed(rule)) or found.draws < 100:
        raise RangeError(f"{name} lacks the rule's limits or quarter. Compute it again.")
    if found.at("noticing share", max(NOTICING_SHARES)) is None:
        raise RangeError(f"{name} lacks lots with a taint. Compute it again.")
    chosen = _all_batches(found) if whole else _some_batches(rule, found)
    off = 0
    for point, number in chosen:
        released, rejected, size = point.counts[number]
        again = _counts(_batch(rule, point.axis, point.value, found.seed, number, size))
        off += max(abs(again[0] - released), abs(again[1] - rejected))
        if off > CHECK_TOLERANCE:
            raise RangeError(
                f"{name} does not come out again at {point.axis} {point.value:g}: {released}"
                f" released and {rejected} rejected of {size} are stated, {again[0]} and"
                f" {again[1]} found. Compute it again."
            )


Batches = list[tuple[CharacteristicPoint, int]]


def _all_batches(found: Characteristic) -> Batches:
    return [(point, n) for point in found.points for n in range(len(point.counts))]


def _some_batches(rule: ReleaseRule, found: Characteristic) -> Batches:
    """Choose a batch of the limit and one of any point, as all the counts say together.

    So no change of a table leaves those that are looked at where they were.
    """
    told = canonical_text([[p.axis, p.value, p.batches] for p in found.points])
    rng = np.random.default_rng(int(hashlib.sha256(told.encode()).hexdigest(), 16))
    limit = [item for item in _all_batches(found) if item[0].value == max(limits_of_rule(rule))]
    return [of[int(rng.integers(len(of)))] for of in (limit, _all_batches(found))]


@dataclass(frozen=True, slots=True)
class QuarterRisk:
    """What a rule does to the lots of a quarter, as its assumptions have them.

    Attributes
    ----------
    lots : how many.
    released, held, rejected : how many of them, on average.
    sittings : places at sittings they take, on average.
    bad : how many lots lie at or below a limit, or are tainted.
    bad_released : how many of those are released, on average. The chance that any is released
        is no larger, whatever the lots have in common.
    """

    lots: int
    released: float
    held: float
    rejected: float
    sittings: float
    bad: int
    bad_released: float


def quarter_risk(rule: ReleaseRule, found: Characteristic) -> QuarterRisk:
    """Return what a rule does to the lots of a quarter.

    Raises
    ------
    RangeError : the characteristic lacks one of their points.
    """
    panel, limit = rule.assumptions, max(limits_of_rule(rule))
    lots = bad = 0
    sums = np.zeros(4)
    bad_released = 0.0
    for group in panel.quarter:
        quality = panel.control_quality if group.quality is None else group.quality
        tainted = group.noticing_share > 0.0
        point = (
            found.at("noticing share", group.noticing_share)
            if tainted
            else found.at("quality", quality)
        )
        if point is None:
            raise RangeError(f"The risks of {rule.name} lack lots of the quarter it assumes.")
        places = sum(n * share for n, share in enumerate(point.sittings, start=1))
        lots += group.lots
        sums += group.lots * np.array([point.release, point.hold, point.reject, places])
        if tainted or quality <= limit:
            bad += group.lots
            bad_released += group.lots * point.release
    released, held, rejected, sittings = (float(value) for value in sums)
    return QuarterRisk(lots, released, held, rejected, sittings, bad, bad_released)


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
    batches = [min(BATCH, draws - start) for start in range(0, draws, BATCH)]
    fewest = rule.validity.fewest_assessors
    found: dict[int, tuple[float, float, float]] = {}

    def keeps(assessors: int) -> bool:
        if assessors not in found:
            sized = _with_assessors(rule, assessors)
            bad, good = (
                [
                    simulate_lots(
                        sized,
                        quality=quality,
                        draws=size,
                        rng=np.random.default_rng([seed, assessors, i, number]),
                    )
                    for number, size in enumerate(batches)
                ]
                for i, quality in enumerate((bad_quality, good_quality))
            )
            progress(2 * draws)
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


def _batch(
    rule: ReleaseRule, axis: Axis, value: float, seed: int, number: int, size: int
) -> Outcomes:
    """Simulate one batch of one point, from a stream of its own.

    Rules that differ in names alone share what was found.
    """
    key = (rule.statistics, axis, value, seed, number, size)
    if key not in _FOUND:
        tainted = axis == "noticing share"
        lots = simulate_lots(
            rule,
            quality=rule.assumptions.control_quality if tainted else value,
            noticing_share=value if tainted else 0.0,
            draws=size,
            rng=np.random.default_rng([seed, int(tainted), round(1e6 * (value + 1e3)), number]),
        )
        _FOUND[key] = lots.outcomes(rule)
    return _FOUND[key]


_FOUND: dict[tuple[str, Axis, float, int, int, int], Outcomes] = {}


def _counts(outcomes: Outcomes) -> tuple[int, int]:
    return (
        int((outcomes.codes == Code.RELEASE).sum()),
        int((outcomes.codes == Code.REJECT).sum()),
    )


def _point(axis: Axis, value: float, made: Sequence[Outcomes]) -> CharacteristicPoint:
    counts = [_counts(outcomes) for outcomes in made]
    sittings = np.concatenate([outcomes.sittings for outcomes in made])
    draws = len(sittings)
    released, rejected = sum(c[0] for c in counts), sum(c[1] for c in counts)
    return CharacteristicPoint(
        axis=axis,
        value=value,
        release=released / draws,
        hold=(draws - released - rejected) / draws,
        reject=rejected / draws,
        sittings=tuple(float(n) / draws for n in np.bincount(sittings)[1:]),
        tests=float(np.mean(np.concatenate([outcomes.tests for outcomes in made]))),
        draws=draws,
        batches=" ".join(f"{r}/{q}" for r, q in counts),
    )


def limits_of_rule(rule: ReleaseRule) -> list[float]:
    """Return the true means that lie exactly on a limit."""
    score, found = rule.score, []
    if score.needs_difference and score.largest_drop is not None:
        found.append(rule.assumptions.control_quality - score.largest_drop)
    if score.needs_mean and score.minimum is not None:
        found.append(score.minimum)
    return found


def _needed(rule: ReleaseRule) -> list[float]:
    """Return the qualities that a characteristic has to show: the limits, and a quarter's lots."""
    control = rule.assumptions.control_quality
    return limits_of_rule(rule) + [
        control if lots.quality is None else lots.quality
        for lots in rule.assumptions.quarter
        if lots.noticing_share == 0.0
    ]


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
    rule: ReleaseRule, bad: Sequence[SimulatedLots], good: Sequence[SimulatedLots], risk: float
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


def _released(rule: ReleaseRule, lots: Sequence[SimulatedLots]) -> float:
    codes = np.concatenate([part.verdicts(rule) for part in lots])
    return float((codes == Code.RELEASE).mean())


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
