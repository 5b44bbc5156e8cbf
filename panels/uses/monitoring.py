"""Monitoring the panel: the blind reference's score, sitting by sitting, for all and for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from bulkflow.errors import Fault
from bulkflow.lots.sheets import Row, read_sheet
from panels.assessors.drift import Drift, DriftSettings, reference_drift
from panels.uses.answers import raise_faults
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
    def drifting(self) -> tuple[str, ...]:
        """Assessors whose own chart signals after the baseline."""
        return tuple(name for name, drift in self.assessors.items() if drift.signals)


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
    sheet = read_sheet(path, needed=columns, known=columns)
    scores: list[ReferenceScore] = []
    faults: list[Fault] = []
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
        faults.extend(row.faults)
    raise_faults(sheet, faults)
    order = sorted(days, key=lambda name: (days[name], name))
    needed = rule.drift.baseline
    if len(order) < needed:
        found = f"has {len(order)} sitting(s)"
        raise_faults(
            sheet, [Fault(sheet.name, 0, "sitting", found, f"The baseline needs {needed}.")]
        )
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
    means = []
    for sitting in sittings:
        own = [score.score for score in scores if score.sitting == sitting]
        means.append(sum(own) / len(own))
    panel = reference_drift(sittings, means, settings)
    charts, too_few = {}, []
    for assessor in sorted({score.assessor for score in scores}):
        own_scores = [score for score in scores if score.assessor == assessor]
        if len(own_scores) < settings.baseline:
            too_few.append(assessor)
            continue
        charts[assessor] = reference_drift(
            [score.sitting for score in own_scores], [score.score for score in own_scores], settings
        )
    drifting = [name for name, drift in charts.items() if drift.signals]
    said = f"The panel's mean signals at {', '.join(panel.signals)}" if panel.signals else (
        "The panel's mean shows no drift"
    )  # fmt: skip
    tail = f"; charts of {', '.join(drifting)} signal." if drifting else "; nor does any assessor."
    if panel.signals and not drifting:
        tail = "; no assessor's own chart does."
    return MonitoringResult(
        panel=panel, assessors=charts, too_few=tuple(too_few), words=said + tail
    )


def _score(row: Row, rule: PanelRule, days: dict[str, date]) -> ReferenceScore | None:
    sitting, assessor, on = row.needed("sitting"), row.needed("assessor"), row.day("date")
    if on is None and not row.cells.get("date", "").strip():
        row.fault("date", "is empty", "Give the day of the sitting as YYYY-MM-DD.")
    score = row.number("score", needed=True)
    if score is not None and not 0 <= score <= rule.highest:
        row.fault("score", f"is {score}", f"The scale runs from 0 to {rule.highest:g}.")
    if sitting is not None and on is not None and days.setdefault(sitting, on) != on:
        row.fault("date", f"is {on}", f"{sitting} was on {days[sitting]} in an earlier line.")
    if row.faults or sitting is None or assessor is None or on is None or score is None:
        return None
    return ReferenceScore(sitting, on, assessor, float(score))
