"""A new bottling site: trial runs rated for their difference from the standard.

Assessors rate how far each run is from the marked standard, and the standard once more, blind.
The site is approved when for every run the upper limit of "run less blind control" lies below
the difference tolerated. Since every run must pass, each is judged at the full risk and the whole
keeps it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path

import pandas as pd
from scipy.special import stdtr, stdtrit

from bulkflow.errors import Fault, InputError
from bulkflow.reading.rows import Row, read_sheet
from panels.errors import DataError
from panels.methods.difference_from_control import DifferenceFromControl, difference_from_control
from panels.uses.answers import day_after
from panels.uses.declaration import SiteRule

__all__ = [
    "Ratings",
    "RunFinding",
    "RunResult",
    "SiteConclusion",
    "SiteResult",
    "judge_site",
    "read_ratings",
]


@dataclass(frozen=True, slots=True)
class Ratings:
    """Ratings as read: columns run, assessor, difference, one row a rating; and the first day."""

    table: pd.DataFrame
    first_day: date


class RunFinding(StrEnum):
    """What the ratings of one run show."""

    WITHIN = "within"
    BEYOND = "beyond"
    OPEN = "not shown"


class SiteConclusion(StrEnum):
    """What all runs together allow."""

    APPROVED = "approved"
    REFUSED = "refused"
    OPEN = "not yet"


@dataclass(frozen=True, slots=True)
class RunResult:
    """One run: mean rating, difference from the blind control with its one-sided limits.

    ``p_value`` is the chance of so small a difference if the run lay at the tolerated one;
    ``noticed_p`` Dunnett's one-sided p-value that the run is rated above the blind control at all.
    """

    run: str
    mean: float
    difference: float
    standard_error: float
    lower: float
    upper: float
    p_value: float
    noticed_p: float
    finding: RunFinding


@dataclass(frozen=True, slots=True)
class SiteResult:
    """The conclusion with everything behind it."""

    conclusion: SiteConclusion
    runs: tuple[RunResult, ...]
    assessors: int
    df: int
    control_mean: float
    remarks: tuple[str, ...]
    words: str


def read_ratings(path: Path, rule: SiteRule) -> Ratings:
    """Return the ratings of a file: columns run, date, assessor, difference.

    Raises
    ------
    InputError
        With every fault: unknown columns, ratings off the scale, a day not after the declaration,
        no blind control, an assessor without a rating of some run or with another number of them.
    """
    columns = ("run", "date", "assessor", "difference")
    sheet = read_sheet(path, "ratings", needed=columns, known=columns)
    ratings, days = [], []
    for row in sheet.rows:
        on = day_after(row, rule.declared)
        rating = _rating(row, rule)
        if rating is not None and on is not None:
            ratings.append(rating)
            days.append(on)
    sheet.raise_faults()
    frame = pd.DataFrame(ratings, columns=["run", "assessor", "difference"])
    sheet.raise_faults(_unbalanced(sheet.name, frame, rule))
    return Ratings(table=frame, first_day=min(days))


def judge_site(rule: SiteRule, ratings: pd.DataFrame) -> SiteResult:
    """Return what the ratings show under the declaration.

    Parameters
    ----------
    rule : the declaration.
    ratings : balanced, columns run, assessor, difference; as from :func:`read_ratings`.
    """
    try:
        analysis = difference_from_control(
            ratings,
            assessor="assessor",
            sample="run",
            score="difference",
            control=rule.control,
            alpha=rule.risk,
        )
    except DataError as error:
        raise InputError(Fault("", 0, "difference", "cannot be analysed", str(error))) from error
    runs = tuple(_runs(rule, analysis))
    people = len(analysis.anova.assessors)
    findings = [run.finding for run in runs]
    enough = len(runs) >= rule.runs and people >= rule.assessors
    if RunFinding.BEYOND in findings:
        conclusion = SiteConclusion.REFUSED
    elif enough and set(findings) == {RunFinding.WITHIN}:
        conclusion = SiteConclusion.APPROVED
    else:
        conclusion = SiteConclusion.OPEN
    remarks = []
    if len(runs) < rule.runs:
        remarks.append(f"{len(runs)} run(s) were rated; the declaration asks for {rule.runs}.")
    if people < rule.assessors:
        remarks.append(f"{people} assessors rated; the declaration asks for {rule.assessors}.")
    return SiteResult(
        conclusion=conclusion,
        runs=runs,
        assessors=people,
        df=analysis.anova.interaction.df,
        control_mean=analysis.control_mean,
        remarks=tuple(remarks),
        words=_words(rule, conclusion, runs),
    )


def _rating(row: Row, rule: SiteRule) -> tuple[str, str, float] | None:
    run, assessor = row.needed("run"), row.needed("assessor")
    value = row.number("difference", needed=True)
    if value is not None and not 0 <= value <= rule.highest:
        row.fault("difference", f"is {value}", f"The scale runs from 0 (none) to {rule.highest:g}.")
    if row.faults or run is None or assessor is None or value is None:
        return None
    return run, assessor, float(value)


def _unbalanced(file: str, frame: pd.DataFrame, rule: SiteRule) -> list[Fault]:
    runs = list(dict.fromkeys(frame["run"]))
    faults = []
    if rule.control not in runs:
        mend = f"Rate the blind control, and call its run {rule.control!r}."
        faults.append(Fault(file, 0, "run", f"has no {rule.control!r}", mend))
    if len(runs) < 2:
        faults.append(Fault(file, 0, "run", "has no run besides the control", "Add the runs."))
    people = list(dict.fromkeys(frame["assessor"]))
    if len(people) < 2:
        faults.append(Fault(file, 0, "assessor", "is one person", "Have several people rate."))
    counts = frame.groupby(["assessor", "run"]).size()
    usual = int(counts.max())
    for person in people:
        for run in runs:
            has = int(counts.get((person, run), 0))
            if has != usual:
                found = f"{person} has {has} rating(s) of {run}, and others {usual}"
                mend = "Every assessor rates every run equally often; leave out who did not."
                faults.append(Fault(file, 0, "assessor", found, mend))
    return faults


def _runs(rule: SiteRule, analysis: DifferenceFromControl) -> Sequence[RunResult]:
    anova = analysis.anova
    t = float(stdtrit(anova.interaction.df, 1.0 - rule.risk))
    results = []
    for line in analysis.comparisons:
        reach = t * line.standard_error
        lower, upper = line.difference - reach, line.difference + reach
        if upper < rule.largest_difference:
            finding = RunFinding.WITHIN
        elif lower > rule.largest_difference:
            finding = RunFinding.BEYOND
        else:
            finding = RunFinding.OPEN
        distance = (line.difference - rule.largest_difference) / line.standard_error
        results.append(
            RunResult(
                run=line.name,
                mean=anova.means[anova.products.index(line.name)],
                difference=line.difference,
                standard_error=line.standard_error,
                lower=lower,
                upper=upper,
                p_value=float(stdtr(anova.interaction.df, distance)),
                noticed_p=line.p_value,
                finding=finding,
            )
        )
    return results


def _words(rule: SiteRule, conclusion: SiteConclusion, runs: Sequence[RunResult]) -> str:
    limit = f"{rule.largest_difference:g} of {rule.highest:g}"
    if conclusion is SiteConclusion.APPROVED:
        return (
            f"{rule.subject} is approved against {rule.standard}: all {len(runs)} runs lie within"
            f" {limit} of the blind control. The risk of saying so although one does not is at"
            f" most {100.0 * rule.risk:g} %."
        )
    if conclusion is SiteConclusion.REFUSED:
        names = ", ".join(run.run for run in runs if run.finding is RunFinding.BEYOND)
        return f"{rule.subject} is refused: {names} lies beyond {limit} of the blind control."
    within = sum(run.finding is RunFinding.WITHIN for run in runs)
    return (
        f"{rule.subject} is not approved yet: {within} of {len(runs)} runs are shown to lie within"
        f" {limit} of the blind control."
    )
