"""Choosing the panel: performance in a trial of known products, and sensitivity to off-notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from bulkflow.errors import Fault, InputError
from bulkflow.reading.rows import Row, read_sheet
from panels.assessors.performance import PanelPerformance, performance_from_table
from panels.assessors.selection import (
    AssessorReview,
    SelectionRule,
    review_assessors,
    review_sensitivity,
)
from panels.assessors.sensitivity import ForcedChoiceRecord
from panels.errors import DataError
from panels.uses.answers import day_after
from panels.uses.declaration import PanelRule

__all__ = ["ChoiceResult", "Trial", "choice_parts", "choose_panel", "read_trial", "selection_rule"]


@dataclass(frozen=True, slots=True)
class Trial:
    """Scores of a trial, balanced: columns assessor, product, score; and its first and last day."""

    scores: pd.DataFrame
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True)
class ChoiceResult:
    """Who meets the rule, and what the others need.

    ``chosen`` meets every demand on scores; ``sensitive`` shows, by off-note, who notices it.
    """

    performance: PanelPerformance
    reviews: tuple[AssessorReview, ...]
    sensitivity: tuple[AssessorReview, ...]
    chosen: tuple[str, ...]
    sensitive: dict[str, tuple[str, ...]]
    words: str


def selection_rule(rule: PanelRule) -> SelectionRule:
    """Return the rule of the library that a declaration means."""
    return SelectionRule(
        name=rule.name,
        version=rule.version,
        declared=rule.declared,
        largest_discrimination_p=rule.largest_discrimination_p,
        repeatability_alpha=rule.repeatability_alpha,
        least_agreement=rule.least_agreement,
        largest_bias=rule.largest_bias,
        slope_range=(rule.least_slope, rule.largest_slope),
        largest_sensitivity_p=rule.largest_sensitivity_p,
    )


def read_trial(path: Path, rule: PanelRule) -> Trial:
    """Return the scores of a trial: columns date, assessor, product, score; one row a serving.

    Raises
    ------
    InputError
        With every fault: scores off the scale, days not after the declaration, cells without their
        number of replicates.
    """
    columns = ("date", "assessor", "product", "score")
    sheet = read_sheet(path, "trial", needed=columns, known=columns)
    rows, days = [], []
    for row in sheet.rows:
        score = _score(row, rule)
        on = day_after(row, rule.declared)
        if not row.faults and score is not None and on is not None:
            rows.append(score)
            days.append(on)
    sheet.raise_faults()
    frame = pd.DataFrame(rows, columns=["assessor", "product", "score"])
    sheet.raise_faults(_unbalanced(sheet.name, frame))
    return Trial(scores=frame, first_day=min(days), last_day=max(days))


def choose_panel(
    rule: PanelRule, trial: Trial, records: Sequence[ForcedChoiceRecord] = ()
) -> ChoiceResult:
    """Return who meets the declaration.

    Parameters
    ----------
    rule : the declaration.
    trial : its scores.
    records : of directed tests on off-notes, if there are any.
    """
    try:
        performance = performance_from_table(
            trial.scores, assessor="assessor", product="product", score="score"
        )
    except DataError as error:
        raise InputError(Fault("", 0, "score", "cannot be analysed", str(error))) from error
    wanted = selection_rule(rule)
    reviews = review_assessors(performance, wanted, first_sitting=trial.first_day)
    chosen = tuple(review.assessor for review in reviews if review.meets_rule)
    sensitive: dict[str, tuple[str, ...]] = {}
    for record in records:
        if record.p_value <= rule.largest_sensitivity_p:
            sensitive[record.off_note] = (*sensitive.get(record.off_note, ()), record.assessor)
        else:
            sensitive.setdefault(record.off_note, ())
    return ChoiceResult(
        performance=performance,
        reviews=reviews,
        sensitivity=review_sensitivity(records, wanted, first_sitting=trial.first_day),
        chosen=chosen,
        sensitive=sensitive,
        words=f"{len(chosen)} of {len(reviews)} assessors meet {rule.name} {rule.version}"
        f" ({', '.join(chosen) or 'nobody'}).",
    )


def choice_parts(result: ChoiceResult) -> dict[str, object]:
    """Return a choice as the parts of a document, tables as rows."""
    performance = result.performance
    return {
        "assessors": performance.to_frame(),
        "repeatability": performance.repeatability,
        "agreement_can_be_judged": performance.agreement_can_be_judged,
        "reviews": result.reviews,
        "sensitivity": result.sensitivity,
        "chosen": result.chosen,
        "sensitive": result.sensitive,
        "words": result.words,
    }


def _score(row: Row, rule: PanelRule) -> tuple[str, str, float] | None:
    assessor, product = row.needed("assessor"), row.needed("product")
    score = row.number("score", needed=True)
    if score is not None and not 0 <= score <= rule.highest:
        row.fault("score", f"is {score}", f"The scale runs from 0 to {rule.highest:g}.")
    if assessor is None or product is None or score is None:
        return None
    return assessor, product, float(score)


def _unbalanced(file: str, frame: pd.DataFrame) -> list[Fault]:
    counts = frame.groupby(["assessor", "product"]).size()
    usual = int(counts.max())
    people, things = (list(dict.fromkeys(frame[name])) for name in ("assessor", "product"))
    faults = [
        Fault(
            file,
            0,
            "assessor",
            f"{person} has {int(counts.get((person, thing), 0))} score(s) of {thing}, and others"
            f" {usual}",
            "In a trial every assessor scores every product equally often; leave out who did not.",
        )
        for person in people
        for thing in things
        if int(counts.get((person, thing), 0)) != usual
    ]
    for name, found, least in (("assessor", people, 3), ("product", things, 2)):
        if len(found) < least:
            faults.append(Fault(file, 0, name, f"has {len(found)} value(s)", f"Give {least}."))
    if usual < 2:
        faults.append(Fault(file, 0, "score", "has no replicates", "Serve every product twice."))
    return faults
