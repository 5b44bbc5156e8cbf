"""A second source of spirit: several deliveries, each proved similar to the approved source.

Every delivery must pass its own similarity test. Deliveries are not pooled: a source that is fine
on average and wrong once in four is not a second source. The price of "every one must pass" is
stated too: the chance that a source without any difference is qualified, and what so many passed
deliveries say about the next one.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from scipy.special import chdtrc

from panels.methods.discrimination import (
    minimum_correct,
    p_value,
    proportion_of_discriminators,
)
from panels.methods.protocols import ForcedChoice
from panels.methods.similarity import (
    assessments_for_similarity,
    chance_of_similarity,
    similarity_test,
)
from panels.methods.thurstone import estimate_d_prime
from panels.uses.answers import Answers
from panels.uses.declaration import SourceRule

__all__ = [
    "DeliveryFinding",
    "DeliveryResult",
    "SourceConclusion",
    "SourcePlan",
    "SourceResult",
    "judge_source",
    "plan_source",
]


class DeliveryFinding(StrEnum):
    """What the answers to one delivery show."""

    SIMILAR = "similar"
    DIFFERENT = "different"
    OPEN = "not shown"
    TOO_FEW = "too few answers"


class SourceConclusion(StrEnum):
    """What all deliveries together allow."""

    QUALIFIED = "qualified"
    REFUSED = "refused"
    OPEN = "not yet"


@dataclass(frozen=True, slots=True)
class DeliveryResult:
    """One delivery: counts, both tests, share of discriminators and d-prime with intervals.

    ``most_similar`` is the largest number correct that proves similarity, ``fewest_different`` the
    smallest that shows a difference; ``upper_share`` the one-sided limit at 1 - beta.
    """

    delivery: str
    assessments: int
    correct: int
    finding: DeliveryFinding
    most_similar: int | None
    fewest_different: int | None
    similarity_p: float
    difference_p: float
    share: float
    upper_share: float
    d_prime: float
    d_prime_lower: float
    d_prime_upper: float
    below_chance: bool


@dataclass(frozen=True, slots=True)
class SourcePlan:
    """What a declaration asks for, before any answer.

    ``assessments_needed`` gives, at each delivery, 1 - alpha over *all* deliveries when there is no
    difference; ``chance_if_same`` is what the declared number gives.
    """

    assessments: int
    most_similar: int | None
    fewest_different: int | None
    chance_each_if_same: float
    chance_if_same: float
    assessments_needed: int


@dataclass(frozen=True, slots=True)
class SourceResult:
    """The conclusion with everything behind it.

    ``spread_p`` is the chance that shares correct differ so much between deliveries if they were
    one (chi-square). ``future_share`` is the share of deliveries, at least, that would pass: its
    lower limit at 95 % when all of those tried did; ``None`` otherwise.
    """

    conclusion: SourceConclusion
    deliveries: tuple[DeliveryResult, ...]
    spread_p: float | None
    future_share: float | None
    plan: SourcePlan
    remarks: tuple[str, ...]
    words: str


def plan_source(rule: SourceRule) -> SourcePlan:
    """Return critical numbers and chances of a declaration."""
    test, n = ForcedChoice.of(rule.test), rule.assessments
    share, beta = rule.share_of_discriminators, rule.beta
    each = chance_of_similarity(test, n, share, beta)
    per_delivery = 1.0 - (1.0 - rule.alpha) ** (1.0 / rule.deliveries)
    plan = similarity_test(test, 0, n, p_d=share, beta=beta)
    return SourcePlan(
        assessments=n,
        most_similar=plan.critical,
        fewest_different=minimum_correct(test, n, rule.alpha),
        chance_each_if_same=each,
        chance_if_same=each**rule.deliveries,
        assessments_needed=assessments_for_similarity(test, share, beta, alpha=per_delivery).stable,
    )


def judge_source(rule: SourceRule, answers: Answers) -> SourceResult:
    """Return what the answers show under the declaration.

    Parameters
    ----------
    rule : the declaration.
    answers : by delivery, one an assessor.
    """
    results = tuple(
        _delivery(rule, delivery, len(own), sum(answer.correct for answer in own))
        for delivery, own in answers.by_group.items()
    )
    findings = [result.finding for result in results]
    if DeliveryFinding.DIFFERENT in findings:
        conclusion = SourceConclusion.REFUSED
    elif set(findings) == {DeliveryFinding.SIMILAR} and len(findings) >= rule.deliveries:
        conclusion = SourceConclusion.QUALIFIED
    else:
        conclusion = SourceConclusion.OPEN
    passed = set(findings) == {DeliveryFinding.SIMILAR}
    below = tuple(
        f"{result.delivery}: fewer were right than guessing gives; look at how it was served."
        for result in results
        if result.below_chance
    )
    return SourceResult(
        conclusion=conclusion,
        deliveries=results,
        spread_p=_spread(results),
        future_share=0.05 ** (1.0 / len(results)) if passed else None,
        plan=plan_source(rule),
        remarks=(*answers.remarks, *below),
        words=_words(rule, conclusion, results),
    )


def _delivery(rule: SourceRule, delivery: str, n: int, correct: int) -> DeliveryResult:
    test = ForcedChoice.of(rule.test)
    similar = similarity_test(test, correct, n, p_d=rule.share_of_discriminators, beta=rule.beta)
    fewest = minimum_correct(test, n, rule.alpha)
    distance = estimate_d_prime(test, correct, n)
    if n < rule.assessments:
        finding = DeliveryFinding.TOO_FEW
    elif similar.similar:
        # With very many answers a difference can be significant and still be too small to matter:
        # the declared share decides.
        finding = DeliveryFinding.SIMILAR
    elif fewest is not None and correct >= fewest:
        finding = DeliveryFinding.DIFFERENT
    else:
        finding = DeliveryFinding.OPEN
    return DeliveryResult(
        delivery=delivery,
        assessments=n,
        correct=correct,
        finding=finding,
        most_similar=similar.critical,
        fewest_different=fewest,
        similarity_p=similar.p_value,
        difference_p=p_value(test, correct, n),
        share=proportion_of_discriminators(test, correct, n).estimate,
        upper_share=similar.upper_p_d,
        d_prime=distance.estimate,
        d_prime_lower=distance.lower,
        d_prime_upper=distance.upper,
        below_chance=similar.below_chance and p_value(test, correct, n) > 0.975,
    )


def _spread(results: tuple[DeliveryResult, ...]) -> float | None:
    """Chi-square of homogeneity of the shares correct; None where it cannot be told."""
    total = sum(result.assessments for result in results)
    share = sum(result.correct for result in results) / total
    if len(results) < 2 or share in (0.0, 1.0):
        return None
    statistic = sum(
        (result.correct - result.assessments * share) ** 2
        / (result.assessments * share * (1.0 - share))
        for result in results
    )
    return float(chdtrc(len(results) - 1, statistic))


def _words(
    rule: SourceRule, conclusion: SourceConclusion, results: tuple[DeliveryResult, ...]
) -> str:
    similar = sum(result.finding is DeliveryFinding.SIMILAR for result in results)
    share, risk = 100.0 * rule.share_of_discriminators, 100.0 * rule.beta
    if conclusion is SourceConclusion.QUALIFIED:
        return (
            f"{rule.subject} is qualified beside {rule.standard}: all {len(results)} deliveries are"
            f" similar. The risk of saying so although {share:g} % of assessors could tell one of"
            f" them is at most {risk:g} %."
        )
    if conclusion is SourceConclusion.REFUSED:
        names = ", ".join(r.delivery for r in results if r.finding is DeliveryFinding.DIFFERENT)
        return (
            f"{rule.subject} is refused: {names} differs from {rule.standard} at"
            f" {100.0 * rule.alpha:g} %."
        )
    return (
        f"{rule.subject} is not qualified yet: {similar} of {len(results)} deliveries are shown to"
        f" be similar, and {max(rule.deliveries, len(results))} must be. Not finding a difference"
        " shows nothing."
    )
