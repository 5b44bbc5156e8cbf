"""Bulk that arrived against the sample retained at loading, trial by trial (ISO 16820).

Few people nose at a bottler, so the test stops as soon as the answers suffice. Where they do not
by the last trial the load is held, and more people or a full similarity test must decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from panels.methods.protocols import ForcedChoice
from panels.methods.sequential import SequentialDecision, SequentialPlan
from panels.uses.answers import Answers
from panels.uses.declaration import ArrivalRule

__all__ = [
    "ArrivalFinding",
    "ArrivalPlan",
    "ArrivalResult",
    "LoadResult",
    "judge_arrival",
    "plan_arrival",
    "sequential_plan",
]


class ArrivalFinding(StrEnum):
    """What is done with a load."""

    ACCEPT = "accept"
    HOLD = "hold: different"
    UNDECIDED = "hold: undecided"
    GO_ON = "go on"


@dataclass(frozen=True, slots=True)
class ArrivalPlan:
    """Exact properties of the test as it is cut short at the declared number of trials.

    For a load that is the same and for one that the declared share can tell: chances to accept
    (``..._accepted``), to hold as different, to end undecided, and trials expected.
    """

    most_trials: int
    same_accepted: float
    same_different: float
    same_undecided: float
    same_trials: float
    changed_accepted: float
    changed_different: float
    changed_undecided: float
    changed_trials: float
    accept_lines: tuple[tuple[int, int | None, int | None], ...]


@dataclass(frozen=True, slots=True)
class LoadResult:
    """One load: the finding, the trial at which it fell, answers right by then, answers unused."""

    load: str
    finding: ArrivalFinding
    trials: int
    correct: int
    unused: int


@dataclass(frozen=True, slots=True)
class ArrivalResult:
    """All loads of a file."""

    loads: tuple[LoadResult, ...]
    plan: ArrivalPlan
    remarks: tuple[str, ...]
    words: str


def sequential_plan(rule: ArrivalRule) -> SequentialPlan:
    """Return the plan behind a declaration."""
    return SequentialPlan.for_method(
        ForcedChoice.of(rule.test),
        p_d=rule.share_of_discriminators,
        alpha=rule.alpha,
        beta=rule.beta,
    )


def plan_arrival(rule: ArrivalRule) -> ArrivalPlan:
    """Return what the declaration promises, exactly, and its table of numbers.

    ``accept_lines`` holds for each trial the largest number right that accepts and the smallest
    that holds, ``None`` where no number does.
    """
    plan = sequential_plan(rule)
    same = plan.properties(plan.p0, rule.most_trials)
    changed = plan.properties(plan.p1, rule.most_trials)
    lines = []
    for trial in range(1, rule.most_trials + 1):
        standing = [plan.standing(correct, trial) for correct in range(trial + 1)]
        accept = [i for i, s in enumerate(standing) if s is SequentialDecision.SIMILAR]
        hold = [i for i, s in enumerate(standing) if s is SequentialDecision.DIFFERENT]
        lines.append((trial, max(accept, default=None), min(hold, default=None)))
    return ArrivalPlan(
        most_trials=rule.most_trials,
        same_accepted=same.similar,
        same_different=same.different,
        same_undecided=same.undecided,
        same_trials=same.expected_trials,
        changed_accepted=changed.similar,
        changed_different=changed.different,
        changed_undecided=changed.undecided,
        changed_trials=changed.expected_trials,
        accept_lines=tuple(lines),
    )


def judge_arrival(rule: ArrivalRule, answers: Answers) -> ArrivalResult:
    """Return what is to be done with each load; answers count in the order of the file.

    Answers after a decision are not used and are counted as such; answers beyond the last trial
    neither.
    """
    plan, promise = sequential_plan(rule), plan_arrival(rule)
    results = []
    for load, own in answers.by_group.items():
        given = [answer.correct for answer in own[: rule.most_trials]]
        outcome = plan.decide(given)
        finding = {
            SequentialDecision.SIMILAR: ArrivalFinding.ACCEPT,
            SequentialDecision.DIFFERENT: ArrivalFinding.HOLD,
            SequentialDecision.UNDECIDED: ArrivalFinding.UNDECIDED
            if len(own) >= rule.most_trials
            else ArrivalFinding.GO_ON,
        }[outcome.decision]
        results.append(
            LoadResult(load, finding, outcome.trial, outcome.correct, len(own) - outcome.trial)
        )
    late = tuple(
        f"{result.load}: {result.unused} answer(s) came after the test's end and do not count."
        for result in results
        if result.unused
    )
    return ArrivalResult(
        loads=tuple(results),
        plan=promise,
        remarks=(*answers.remarks, *late),
        words=_words(rule, results, promise),
    )


def _words(rule: ArrivalRule, results: list[LoadResult], plan: ArrivalPlan) -> str:
    parts = []
    for finding, said in (
        (ArrivalFinding.ACCEPT, "accepted"),
        (ArrivalFinding.HOLD, "held as different"),
        (ArrivalFinding.UNDECIDED, "held undecided"),
        (ArrivalFinding.GO_ON, "not yet decided"),
    ):
        names = [result.load for result in results if result.finding is finding]
        if names:
            parts.append(f"{', '.join(names)} {said}")
    return (
        f"{'; '.join(parts)}. A load that {100.0 * rule.share_of_discriminators:g} % of assessors"
        f" can tell from the retained sample is accepted with {100.0 * plan.changed_accepted:.1f} %"
        " chance."
    )
