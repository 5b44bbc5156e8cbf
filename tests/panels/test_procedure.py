"""The way of a lot: the order of acts changes nothing, and evidence against it opens nothing."""

from __future__ import annotations

import dataclasses
from datetime import date, timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from panels.release.judging import Code, NextStep, Verdict
from panels.release.procedure import (
    Act,
    ConfirmationAct,
    OverrideAct,
    ReopeningAct,
    SittingAct,
    Standing,
    follow,
)
from panels.release.rule import ReleaseRule
from tests.panels.test_release_rule import rule

DAY = date(2027, 1, 4)
NOTES = ("sulphury", "musty")

# 25 of 60 or fewer are similar, 27 of 60 or more confirm, 26 is open (3-AFC, 30 %, 5 %, 5 %)
SIMILAR, OPEN, CONFIRMED = 20, 26, 40


def day(number: int) -> date:
    return DAY + timedelta(days=number)


def sat(number: int, *notes: str, **how: bool) -> SittingAct:
    return SittingAct(day(number), f"S{number}", notes=frozenset(notes), **how)


def tried(number: int, note: str, correct: int | None) -> ConfirmationAct:
    answers = None if correct is None else (60, correct, 60)
    return ConfirmationAct(day(number), f"T{number}", note, answers)


def found(acts: list[Act], values: dict[str, float] | None = None, **changes: object) -> Standing:
    """Follow acts; sittings score 1 (good) unless told, are averaged, and decide at 0.2 and 0.6."""

    def score_of(together: tuple[str, ...], look: int) -> Code:
        mean = sum((values or {}).get(name, 1.0) for name in together) / len(together)
        return Code.RELEASE if mean >= 0.6 else Code.REJECT if mean <= 0.2 else Code.HOLD

    return follow(made(**changes), acts, score_of)


def made(**changes: object) -> ReleaseRule:
    return rule(**changes)


def spending_beta(*spending: float) -> dict[str, object]:
    return {"off_notes": {"confirmation": {"beta_spending": list(spending)}}}


def test_a_lot_is_nosed_released_held_and_rejected() -> None:
    assert (found([]).verdict, found([]).next_step) == (Verdict.HOLD, NextStep.RETEST)
    assert found([sat(1)]).verdict is Verdict.RELEASE
    held = found([sat(1)], {"S1": 0.5})
    assert (held.verdict, held.next_step) == (Verdict.HOLD, NextStep.RETEST)
    assert found([sat(1), sat(2)], {"S1": 0.5}).verdict is Verdict.RELEASE
    over = found([sat(1), sat(2)], {"S1": 0.5, "S2": 0.5})
    assert (over.verdict, over.next_step) == (Verdict.HOLD, NextStep.DECIDE_BY_PERSON)
    rejected = found([sat(1)], {"S1": 0.1})
    assert (rejected.verdict, rejected.rejected_by) == (Verdict.REJECT, ("S1",))


def test_a_third_sitting_has_no_level_left_to_release_by() -> None:
    assert found([sat(1), sat(2), sat(3)], {"S1": 0.3, "S2": 0.3}).verdict is Verdict.HOLD


def test_a_reject_stands_whatever_the_next_sittings_say() -> None:
    acts = [sat(1), sat(2)]
    assert found(acts, {"S1": 0.1}).verdict is Verdict.REJECT
    assert found([*acts, ReopeningAct(day(2), frozenset({"S1"}))], {"S1": 0.1}).verdict is (
        Verdict.REJECT
    )
    # until an override names the sitting that rejected it
    assert found([*acts, OverrideAct(frozenset({"S2"}))], {"S1": 0.1}).verdict is Verdict.REJECT
    acts += [OverrideAct(frozenset({"S1"})), ReopeningAct(day(2), frozenset({"S1"}))]
    assert found(acts, {"S1": 0.1}).verdict is Verdict.RELEASE


def test_a_similar_test_clears_what_was_named_before_it_and_nothing_later() -> None:
    named = found([sat(1, "musty")])
    assert (named.verdict, named.next_step) == (Verdict.HOLD, NextStep.CONFIRM_OFF_NOTE)
    cleared = [sat(1, "musty"), tried(2, "musty", SIMILAR)]
    assert found(cleared).verdict is Verdict.RELEASE
    assert found([sat(1, "musty"), tried(1, "musty", SIMILAR)]).verdict is Verdict.HOLD
    again = found([*cleared, sat(3, "musty")])
    assert again.verdict is Verdict.HOLD and again.notes == (("musty", ("S3",)),)
    # the one test there may be is used up
    assert again.next_step is NextStep.DECIDE_BY_PERSON
    assert found([sat(1, "musty"), tried(2, "sulphury", SIMILAR)]).verdict is Verdict.HOLD


def test_testing_on_until_one_test_succeeds_clears_nothing() -> None:
    acts: list[Act] = [sat(1, "musty"), tried(2, "musty", OPEN)]
    assert found(acts).next_step is NextStep.DECIDE_BY_PERSON
    for number in range(3, 13):
        acts.append(tried(number, "musty", SIMILAR))
        assert found(acts).verdict is Verdict.HOLD
    # a planned test without answers has used up its turn, too
    unanswered = [sat(1, "musty"), tried(2, "musty", None), tried(3, "musty", SIMILAR)]
    assert found(unanswered).verdict is Verdict.HOLD


def test_a_second_test_has_a_risk_of_its_own() -> None:
    acts = [sat(1, "musty"), tried(2, "musty", OPEN)]
    two = spending_beta(0.5, 0.5)
    assert found(acts, **two).next_step is NextStep.CONFIRM_OFF_NOTE
    assert found([*acts, tried(3, "musty", SIMILAR)], **two).verdict is Verdict.RELEASE
    # 25 of 60 show similarity at the whole risk and not at half of it
    assert found([*acts, tried(3, "musty", 25)], **two).verdict is Verdict.HOLD
    assert found([sat(1, "musty"), tried(3, "musty", 25)]).verdict is Verdict.RELEASE


def test_a_confirmed_off_note_is_not_overturned_by_testing_again() -> None:
    acts = [sat(1, "musty"), tried(2, "musty", CONFIRMED), tried(3, "musty", SIMILAR)]
    for spending in ((1.0,), (0.5, 0.5)):
        standing = found(acts, **spending_beta(*spending))
        assert (standing.verdict, standing.rejected_by) == (Verdict.REJECT, ("T2",))
    # the named sitting still stands after the confirmation is overridden, until S1 is, too
    assert found([*acts, OverrideAct(frozenset({"T2"}))]).verdict is Verdict.HOLD
    assert found([*acts, OverrideAct(frozenset({"T2", "S1"}))]).verdict is Verdict.RELEASE


def test_void_sittings_count_for_nothing_and_not_for_ever() -> None:
    acts: list[Act] = [sat(1, void=True), sat(2, void=True)]
    assert found(acts).next_step is NextStep.RETEST and found(acts).look == 0
    assert found([*acts, sat(3)]).verdict is Verdict.RELEASE
    acts.append(sat(3, void=True))
    assert found(acts).next_step is NextStep.DECIDE_BY_PERSON
    assert found([*acts, sat(4)]).verdict is Verdict.HOLD
    assert found([sat(1, "musty", void=True), sat(2)]).verdict is Verdict.RELEASE


def test_a_reopened_lot_is_released_no_more_and_judged_on_new_scores() -> None:
    again = ReopeningAct(day(1), frozenset({"S1"}))
    standing = found([sat(1), again])
    assert (standing.verdict, standing.next_step) == (Verdict.HOLD, NextStep.RETEST)
    standing = found([sat(1), again, sat(2)], {"S1": 1.0, "S2": 0.5})
    assert standing.together == ("S2",) and standing.look == 2
    assert standing.verdict is Verdict.HOLD


ACTS = st.lists(
    st.one_of(
        st.builds(
            SittingAct,
            on=st.integers(1, 12).map(day),
            name=st.uuids().map(lambda u: f"S-{u}"),
            void=st.booleans(),
            few=st.booleans(),
            notes=st.frozensets(st.sampled_from(NOTES), max_size=2),
        ),
        st.builds(
            ConfirmationAct,
            on=st.integers(1, 12).map(day),
            name=st.uuids().map(lambda u: f"T-{u}"),
            note=st.sampled_from(NOTES),
            answers=st.sampled_from([None, *((60, n, 60) for n in (SIMILAR, OPEN, CONFIRMED))]),
        ),
    ),
    max_size=8,
)
VALUES = st.lists(st.sampled_from([0.0, 0.1, 0.5, 0.7, 1.0]), min_size=8, max_size=8)
SPENDING = st.sampled_from([(1.0,), (0.5, 0.5), (0.6, 0.2, 0.2)])


def _valued(acts: list[Act], values: list[float]) -> dict[str, float]:
    return {act.name: value for act, value in zip(acts, values, strict=False)}  # type: ignore[union-attr]


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[Act], dict[str, float], dict[str, object]]:
    acts = draw(ACTS)
    values = _valued(acts, draw(VALUES))
    sittings = [act for act in acts if isinstance(act, SittingAct)]
    if sittings and draw(st.booleans()):
        at = draw(st.integers(1, 12))
        aside = frozenset(act.name for act in sittings if act.on <= day(at))
        acts.append(ReopeningAct(day(at), aside))
    if sittings and draw(st.booleans()):
        acts.append(OverrideAct(frozenset({draw(st.sampled_from(sittings)).name})))
    return acts, values, spending_beta(*draw(SPENDING))


@given(histories(), st.randoms(use_true_random=False))
def test_the_order_of_commands_changes_nothing(history: tuple, random: object) -> None:
    acts, values, changes = history
    shuffled = list(acts)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert found(shuffled, values, **changes) == found(acts, values, **changes)


@given(histories(), st.data())
def test_evidence_against_a_lot_never_opens_its_gate(history: tuple, data: st.DataObject) -> None:
    acts, values, changes = history
    before = found(acts, values, **changes)
    assume(before.verdict is not Verdict.RELEASE)
    sittings = [act for act in acts if isinstance(act, SittingAct)]
    tests = [act for act in acts if isinstance(act, ConfirmationAct)]
    kinds = ["bad sitting", "confirmed", "open", "unanswered", "void"]
    kinds += ["named", "lower", "few"] if sittings else []
    kinds += ["more correct"] if tests else []
    kind = data.draw(st.sampled_from(kinds))
    when = data.draw(st.integers(0, 13))
    after, worse = list(acts), dict(values)
    note = data.draw(st.sampled_from(NOTES))
    if kind == "bad sitting":
        after.append(SittingAct(day(when), "bad", notes=frozenset({note})))
        worse["bad"] = 0.0
    elif kind in ("confirmed", "open", "unanswered"):
        correct = {"confirmed": CONFIRMED, "open": OPEN, "unanswered": None}[kind]
        answers = None if correct is None else (60, correct, 60)
        after.append(ConfirmationAct(day(when), "bad", note, answers))
    elif kind == "void":
        after.append(SittingAct(day(when), "bad", void=True))
    elif kind == "more correct":
        one = data.draw(st.sampled_from(tests))
        after[after.index(one)] = dataclasses.replace(one, answers=(60, CONFIRMED, 60))
    else:
        one = data.draw(st.sampled_from(sittings))
        changed = {
            "named": {"notes": one.notes | {note}},
            "few": {"few": True},
            "lower": {},
        }[kind]
        after[after.index(one)] = dataclasses.replace(one, **changed)
        worse[one.name] = min(values[one.name], 0.1) if kind == "lower" else values[one.name]
    assume(not (kind == "few" and before.rejected_by))  # a reject needs enough assessors
    assert found(after, worse, **changes).verdict is not Verdict.RELEASE


@given(histories())
def test_nothing_is_released_against_standing_evidence(history: tuple) -> None:
    acts, values, changes = history
    standing = found(acts, values, **changes)
    if standing.verdict is Verdict.RELEASE:
        assert not standing.notes and not standing.waiting and not standing.rejected_by
        assert standing.look <= made(**changes).retests + 1
        assert not standing.few and standing.together
    if standing.next_step is NextStep.CONFIRM_OFF_NOTE:
        assert standing.notes or standing.waiting


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (spending_beta(0.7, 0.7), "add up to more than 1"),
        (spending_beta(0.2, 0.8), "beta_spending rise"),
    ],
)
def test_spending_of_beta_that_makes_no_sense(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        made(**changes)
