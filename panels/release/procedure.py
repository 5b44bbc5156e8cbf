"""The whole way of a lot under its rule, from every act that bears on it: the one procedure.

Real lots and simulated ones are judged by `follow` alone. It takes acts in any order and sorts
them by when they happened, so that the outcome depends neither on the order of commands nor on
their delay:

* Valid sittings since the lot was last reopened are judged together; every valid sitting that
  ever judged the lot uses up a share of the level, a void one none.
* A reject by score, and a confirmed off-note, stand until an override names them.
* An off-note named by enough assessors stands until a similarity test held on a later day
  clears it; tests of one off-note are numbered by their days and share the risk of clearing.
* Nothing is released while an off-note stands, a test has no answers yet, too few assessors
  gave a score, the level is spent, or more sittings were void than the rule lets repeat.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from panels.release.confirmation import Confirmation, ConfirmationFinding, judge_confirmation
from panels.release.judging import Code, NextStep, Verdict
from panels.release.rule import ReleaseRule

__all__ = [
    "Act",
    "ConfirmationAct",
    "OverrideAct",
    "ReopeningAct",
    "ScoreOf",
    "SittingAct",
    "Standing",
    "follow",
]


@dataclass(frozen=True, slots=True)
class SittingAct:
    """A closed sitting that judged the lot.

    Attributes
    ----------
    on, name : its day and name.
    void : whether a check failed, so that it counts for nothing.
    few : whether fewer assessors than the rule needs gave a counting score of the lot.
    notes : off-notes that enough assessors named to stop the lot.
    """

    on: date
    name: str
    void: bool = False
    few: bool = False
    notes: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class ConfirmationAct:
    """A planned confirmation; ``answers`` are assessments, correct and assessors, once in."""

    on: date
    name: str
    note: str
    answers: tuple[int, int, int] | None


@dataclass(frozen=True, slots=True)
class ReopeningAct:
    """A released or rejected lot is put before the panel again; ``aside`` are sittings before."""

    on: date
    aside: frozenset[str]

    def follows(self, sitting: SittingAct) -> bool:
        """Whether a sitting belongs to the time before it."""
        return sitting.on < self.on or sitting.name in self.aside


@dataclass(frozen=True, slots=True)
class OverrideAct:
    """A person answers for the lot against the sittings and tests named."""

    names: frozenset[str]


Act = SittingAct | ConfirmationAct | ReopeningAct | OverrideAct
ScoreOf = Callable[[tuple[str, ...], int], Code]
"""What the scores of sittings say together at a look (1 for the first valid sitting)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a lot stands.

    Attributes
    ----------
    verdict, next_step : what becomes of it, and what has to follow.
    look : valid sittings that judged it so far.
    together : valid sittings since it was last reopened, which are judged together.
    code, few : what the scores say at the last of them; None without one.
    last_void : whether its newest sitting is void.
    notes : off-notes that stand, with the sittings that named them.
    tests : every answered test, by day, with what it shows.
    waiting : tests whose answers are to come.
    tests_left : whether each off-note that stands may be tested (again).
    rejected_by : names of the sittings and tests that reject the lot.
    reopened : whether it was put before the panel again and not judged since.
    """

    verdict: Verdict
    next_step: NextStep
    look: int
    together: tuple[str, ...]
    code: Code | None
    few: bool
    last_void: bool
    notes: tuple[tuple[str, tuple[str, ...]], ...]
    tests: tuple[tuple[ConfirmationAct, Confirmation], ...]
    waiting: tuple[ConfirmationAct, ...]
    tests_left: bool
    rejected_by: tuple[str, ...]
    reopened: bool


def follow(rule: ReleaseRule, acts: Iterable[Act], score_of: ScoreOf) -> Standing:
    """Say where a lot stands after all that happened to it.

    Parameters
    ----------
    rule : that its newest sitting stands on.
    acts : in any order.
    score_of : judges the scores of sittings, by name and oldest first, at a look.
    """
    listed = list(acts)
    lifted = frozenset[str]().union(*(a.names for a in listed if isinstance(a, OverrideAct)))
    reopenings = [act for act in listed if isinstance(act, ReopeningAct)]
    by_time = sorted(
        (
            (sum(not again.follows(act) for again in reopenings), act.on, act.name, act)
            for act in listed
            if isinstance(act, SittingAct)
        ),
        key=lambda item: item[:3],
    )
    sittings = [act for *_, act in by_time]
    voids = sum(act.void for act in sittings)
    rejected: list[str] = []
    together: tuple[str, ...] = ()
    code: Code | None = None
    look, few, era = 0, False, 0
    for since, _, _, act in by_time:
        if since > era:
            era, together, code, few = since, (), None, False
        if act.void:
            continue
        look, together, few = look + 1, (*together, act.name), act.few
        code = score_of(together, look)
        if code is Code.REJECT and not few and act.name not in lifted:
            rejected.append(act.name)
    if era < len(reopenings):
        together, code, few = (), None, False
    tests, waiting, used = _tested(
        rule, [act for act in listed if isinstance(act, ConfirmationAct)]
    )
    rejected += [
        act.name
        for act, found in tests
        if found.finding is ConfirmationFinding.CONFIRMED and act.name not in lifted
    ]
    notes = _standing_notes(sittings, tests, lifted)
    most = rule.off_notes.confirmation.tests
    tests_left = all(used.get(note, 0) < most for note, _ in notes)
    may_nose = look < len(rule.spending) and voids <= rule.validity.most_void
    again = NextStep.RETEST if may_nose else NextStep.DECIDE_BY_PERSON
    if rejected:
        verdict, step = Verdict.REJECT, NextStep.NONE
    elif waiting or notes:
        verdict = Verdict.HOLD
        step = NextStep.CONFIRM_OFF_NOTE if waiting or tests_left else NextStep.DECIDE_BY_PERSON
    elif (
        code is Code.RELEASE
        and not few
        and look <= len(rule.spending)
        and voids <= rule.validity.most_void
    ):
        verdict, step = Verdict.RELEASE, NextStep.NONE
    else:
        verdict, step = Verdict.HOLD, again
    return Standing(
        verdict,
        step,
        look,
        together,
        code,
        few,
        bool(sittings) and sittings[-1].void,
        notes,
        tests,
        waiting,
        tests_left,
        tuple(rejected),
        era < len(reopenings),
    )


def _tested(
    rule: ReleaseRule, tests: Sequence[ConfirmationAct]
) -> tuple[
    tuple[tuple[ConfirmationAct, Confirmation], ...], tuple[ConfirmationAct, ...], dict[str, int]
]:
    """Judge tests in order of their days; one without answers has used up its turn, too."""
    used: dict[str, int] = {}
    answered, waiting = [], []
    for act in sorted(tests, key=lambda act: (act.on, act.name)):
        used[act.note] = used.get(act.note, 0) + 1
        if act.answers is None:
            waiting.append(act)
            continue
        assessments, correct, assessors = act.answers
        found = judge_confirmation(
            rule.off_notes.confirmation,
            assessments=assessments,
            correct=correct,
            assessors=assessors,
            test=used[act.note],
        )
        answered.append((act, found))
    return tuple(answered), tuple(waiting), used


def _standing_notes(
    sittings: Sequence[SittingAct],
    tests: Sequence[tuple[ConfirmationAct, Confirmation]],
    lifted: frozenset[str],
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    standing: dict[str, list[str]] = {}
    for sitting in sittings:
        if sitting.void or sitting.name in lifted:
            continue
        for note in sorted(sitting.notes):
            cleared = any(
                act.note == note
                and act.on > sitting.on
                and found.finding is ConfirmationFinding.SIMILAR
                for act, found in tests
            )
            if not cleared:
                standing.setdefault(note, []).append(sitting.name)
    return tuple((note, tuple(names)) for note, names in standing.items())
