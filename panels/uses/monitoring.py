"""Monitoring the panel: the blind reference's score, sitting by sitting, for all and for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from bulkflow.errors import Fault
from bulkflow.reading.rows import Row, read_sheet
from panels.assessors.drift import Drift, DriftSettings, pooled_sigma, reference_drift
from panels.uses.declaration import PanelRule

__all__ = ["MonitoringResult", "ReferenceScore", "monitor_panel", "read_reference_scores"]


@dataclass(frozen=True, slots=True)
class ReferenceScore:
    """One score of the blind reference."""

    sitting: str
    on: date
    assessor: str
    score: float


@dataclass(frozen=True, slots=True)
class MonitoringResult:
    """Charts of the panel's mean and of every assessor with enough sittings.

    ``too_few`` names assessors whose sittings do not reach the baseline.
    """

    panel: Drift
    assessors: Mapping[str, Drift]
    too_few: tuple[str, ...]
    words: str

    @property
    def drifting(self) -> dict[str, str]:
        """Assessors with a lasting change, and the sitting from which it shows."""
        starts = {name: drift.drifts_from for name, drift in self.assessors.items()}
        return {name: start for name, start in starts.items() if start is not None}

    @property
    def single(self) -> dict[str, tuple[str, ...]]:
        """Assessors without a lasting change but with single sittings beyond the limits."""
        return {
            name: tuple(drift.signals)
            for name, drift in self.assessors.items()
            if drift.signals and drift.drifts_from is None
        }


def read_reference_scores(path: Path, rule: PanelRule) -> tuple[ReferenceScore, ...]:
    """Return scores of the blind reference: columns sitting, date, assessor, score.

    Scores from before the declaration serve as baseline like the others: monitoring chooses nobody.

    Raises
    ------
    InputError
        With every fault: scores off the scale, an assessor twice in a sitting, a sitting on two
        days.
    """
    columns = ("sitting", "date", "assessor", "score")
    sheet = read_sheet(path, "reference_scores", needed=columns, known=columns)
    scores: list[ReferenceScore] = []
    seen: dict[tuple[str, str], int] = {}
    days: dict[str, date] = {}
    for row in sheet.rows:
        score = _score(row, rule, days)
        if score is not None:
            before = seen.setdefault((score.sitting, score.assessor), row.line)
            if before != row.line:
                row.fault(
                    "assessor",
                    f"{score.assessor} scored the reference of {score.sitting} in line {before}",
                    "Give one score; of repeats give the mean.",
                )
            scores.append(score)
    sheet.raise_faults()
    order = sorted(days, key=lambda name: (days[name], name))
    needed = rule.drift.baseline
    if len(order) < needed:
        found = f"has {len(order)} sitting(s)"
        mend = f"The baseline needs {needed}."
        sheet.raise_faults([Fault(sheet.name, 0, "sitting", found, mend)])
    return tuple(sorted(scores, key=lambda score: (score.on, score.sitting, score.assessor)))


def monitor_panel(rule: PanelRule, scores: Sequence[ReferenceScore]) -> MonitoringResult:
    """Return the charts of the panel and of each assessor.

    Parameters
    ----------
    rule : holds how the charts are drawn.
    scores : of the blind reference, in order of time.
    """
    settings = DriftSettings(**rule.drift.model_dump())
    sittings = list(dict.fromkeys(score.sitting for score in scores))
    own: dict[str, list[ReferenceScore]] = {}
    for score in scores:
        own.setdefault(score.assessor, []).append(score)
    means = []
    for sitting in sittings:
        there = [score.score for score in scores if score.sitting == sitting]
        means.append(sum(there) / len(there))
    # A mean of many scores has finer steps than the scale.
    panel = reference_drift(
        sittings, means, replace(settings, resolution=settings.resolution / len(own))
    )
    enough = {name: row for name, row in sorted(own.items()) if len(row) >= settings.baseline}
    charts = {}
    if enough:
        sigma = pooled_sigma(
            [[score.score for score in row[: settings.baseline]] for row in enough.values()]
        )
        floor = max(sigma, settings.resolution / 2.0)
        charts = {
            name: reference_drift(
                [score.sitting for score in row],
                [score.score for score in row],
                settings,
                sigma=floor,
            )
            for name, row in enough.items()
        }
    result = MonitoringResult(
        panel=panel,
        assessors=charts,
        too_few=tuple(name for name in sorted(own) if name not in enough),
        words="",
    )
    return replace(result, words=_words(result))


def _words(result: MonitoringResult) -> str:
    start = result.panel.drifts_from
    said = f"The panel's mean drifts from {start} on" if start else "The panel's mean holds"
    if not start and result.panel.signals:
        said += f", but for single sittings ({', '.join(result.panel.signals)})"
    if not result.drifting:
        return f"{said}; no assessor drifts."
    who = ", ".join(f"{name} from {first} on" for name, first in result.drifting.items())
    return f"{said}; drifting: {who}."


def _score(row: Row, rule: PanelRule, days: dict[str, date]) -> ReferenceScore | None:
    sitting, assessor = row.needed("sitting"), row.needed("assessor")
    on = row.day("date", needed=True)
    score = row.number("score", needed=True)
    if score is not None and not 0 <= score <= rule.highest:
        row.fault("score", f"is {score}", f"The scale runs from 0 to {rule.highest:g}.")
    if sitting is not None and on is not None and days.setdefault(sitting, on) != on:
        row.fault("date", f"is {on}", f"{sitting} was on {days[sitting]} in an earlier line.")
    if row.faults or sitting is None or assessor is None or on is None or score is None:
        return None
    return ReferenceScore(sitting, on, assessor, float(score))
