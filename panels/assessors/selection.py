"""Choosing assessors by a rule declared beforehand; who needs training, and in what.

The rule carries a name, a version and the day it was declared; judging data from before that day
is refused, because a rule made after seeing the data can be made to choose anybody.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import pandas as pd

from bulkflow.statistics.precision import mandel_k_limit
from panels.assessors.performance import AssessorPerformance, PanelPerformance
from panels.assessors.sensitivity import ForcedChoiceRecord
from panels.errors import DataError, RangeError

__all__ = [
    "AssessorReview",
    "Finding",
    "Need",
    "SelectionRule",
    "review_assessors",
    "review_sensitivity",
]


class Need(StrEnum):
    """What an assessor should train."""

    DISCRIMINATION = "discrimination"
    REPEATABILITY = "repeatability"
    AGREEMENT = "agreement"
    BIAS = "bias"
    SCALE = "scale use"
    SENSITIVITY = "sensitivity"


@dataclass(frozen=True, slots=True)
class SelectionRule:
    """What is asked of an assessor, declared before the data.

    Parameters
    ----------
    name, version, declared : identity of the rule and the day it was declared.
    largest_discrimination_p : p-value of the assessor's own product test must not exceed this
        (with few replicates 0.30 to 0.50 is customary, the test being weak).
    repeatability_alpha : Mandel's k, over all products, must not exceed the limit at this level.
    least_agreement : correlation with the other assessors; judged only where the panel as a whole
        tells the products apart.
    largest_bias : mean against the panel's, either way [score].
    slope_range : use of the scale.
    largest_sensitivity_p : exact p-value of a forced-choice record on a named off-note.
    """

    name: str
    version: str
    declared: date
    largest_discrimination_p: float = 0.30
    repeatability_alpha: float = 0.01
    least_agreement: float = 0.60
    largest_bias: float = 1.0
    slope_range: tuple[float, float] = (0.5, 1.5)
    largest_sensitivity_p: float = 0.05

    def __post_init__(self) -> None:
        for field in ("largest_discrimination_p", "repeatability_alpha", "largest_sensitivity_p"):
            value = getattr(self, field)
            if not 0.0 < value < 1.0:
                raise RangeError(f"{field} is {value!r}; it must lie strictly between 0 and 1.")
        if not -1.0 <= self.least_agreement <= 1.0:
            raise RangeError(f"least_agreement is {self.least_agreement!r}; from -1 to 1.")
        if not self.largest_bias > 0.0:
            raise RangeError(f"largest_bias is {self.largest_bias!r}; it must be above zero.")
        if not self.slope_range[0] < self.slope_range[1]:
            raise RangeError(f"slope_range is {self.slope_range!r}; the first must be the lower.")


@dataclass(frozen=True, slots=True)
class Finding:
    """One demand of the rule that was not met: what, the value found, what was asked."""

    need: Need
    value: float
    asked: str


@dataclass(frozen=True, slots=True)
class AssessorReview:
    """An assessor under the rule: what was not met, and what could not be judged."""

    assessor: str
    findings: tuple[Finding, ...]
    not_judged: tuple[Need, ...]

    @property
    def meets_rule(self) -> bool:
        """Whether every demand that could be judged is met."""
        return not self.findings

    @property
    def needs(self) -> tuple[Need, ...]:
        """What to train."""
        return tuple(finding.need for finding in self.findings)


def review_assessors(
    performance: PanelPerformance, rule: SelectionRule, *, first_sitting: date
) -> tuple[AssessorReview, ...]:
    """Return who meets the rule and who needs training in what.

    Parameters
    ----------
    performance : of the panel on one attribute.
    rule : declared before ``first_sitting``.
    first_sitting : day of the first scores that are judged.

    Raises
    ------
    DataError
        When the rule was declared on or after that day.
    """
    _check_declared(rule, first_sitting)
    anova = performance.anova
    # k is pooled over the products, so its limit has the replicates' degrees of freedom of all.
    pooled = len(anova.products) * (anova.replicates - 1) + 1
    k_limit = mandel_k_limit(len(anova.assessors), pooled, rule.repeatability_alpha)
    judged = performance.agreement_can_be_judged
    return tuple(
        AssessorReview(
            assessor=one.assessor,
            findings=tuple(_findings(one, rule, k_limit, agreement=judged)),
            not_judged=() if judged else (Need.AGREEMENT, Need.SCALE),
        )
        for one in performance.assessors
    )


def review_sensitivity(
    records: Sequence[ForcedChoiceRecord], rule: SelectionRule, *, first_sitting: date
) -> tuple[AssessorReview, ...]:
    """Return who shows sensitivity to the off-notes tested, one review an assessor.

    Parameters and refusals as in :func:`review_assessors`. An assessor fails for each off-note
    whose record could be luck at the rule's level.
    """
    _check_declared(rule, first_sitting)
    by_assessor: dict[str, list[ForcedChoiceRecord]] = {}
    for record in records:
        by_assessor.setdefault(record.assessor, []).append(record)
    return tuple(
        AssessorReview(
            assessor=assessor,
            findings=tuple(
                Finding(
                    Need.SENSITIVITY,
                    record.p_value,
                    f"{record.off_note}: p at most {rule.largest_sensitivity_p:g}",
                )
                for record in own
                if record.p_value > rule.largest_sensitivity_p
            ),
            not_judged=(),
        )
        for assessor, own in by_assessor.items()
    )


def reviews_to_frame(reviews: Sequence[AssessorReview]) -> pd.DataFrame:
    """Return meets_rule, needs and not_judged by assessor (the index)."""
    return pd.DataFrame(
        {
            "meets_rule": [review.meets_rule for review in reviews],
            "needs": ["; ".join(f"{f.need} ({f.asked})" for f in r.findings) for r in reviews],
            "not_judged": [", ".join(review.not_judged) for review in reviews],
        },
        index=pd.Index([review.assessor for review in reviews], name="assessor"),
    )


def _check_declared(rule: SelectionRule, first_sitting: date) -> None:
    if rule.declared >= first_sitting:
        raise DataError(
            f"the rule {rule.name} {rule.version} was declared on {rule.declared.isoformat()}, not"
            f" before the first scores ({first_sitting.isoformat()}); it may judge later data only."
        )


def _findings(
    one: AssessorPerformance, rule: SelectionRule, k_limit: float, *, agreement: bool
) -> list[Finding]:
    low, high = rule.slope_range
    # A p-value that does not exist (equal scores throughout) shows no discrimination.
    p = one.discrimination.p_value
    checks = [
        (Need.DISCRIMINATION, p, not p <= rule.largest_discrimination_p,
         f"p at most {rule.largest_discrimination_p:g}"),
        (Need.REPEATABILITY, one.mandel_k, one.mandel_k > k_limit, f"k at most {k_limit:.2f}"),
        (Need.BIAS, one.bias, abs(one.bias) > rule.largest_bias,
         f"within {rule.largest_bias:g} of the panel"),
    ]  # fmt: skip
    if agreement:
        r = -1.0 if one.agreement is None else one.agreement
        slope = 0.0 if one.slope is None else one.slope
        checks += [
            (Need.AGREEMENT, r, r < rule.least_agreement,
             f"r at least {rule.least_agreement:g}"),
            (Need.SCALE, slope, not low <= slope <= high, f"slope {low:g} to {high:g}"),
        ]  # fmt: skip
    return [Finding(need, float(value), asked) for need, value, failed, asked in checks if failed]
