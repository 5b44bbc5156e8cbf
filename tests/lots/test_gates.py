"""The gates, one rule after the other; then any history against a second reckoning in Python."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bulkflow.errors import InputError
from bulkflow.lots.acts import correct_result, expect_decision, lift_hold, place_holds
from bulkflow.lots.bodies import Gate, Result
from bulkflow.lots.deciding import override_gates
from bulkflow.lots.explaining import explain_lot, explain_lots, short_reasons
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotFilter, count_by_status, find_lot, list_lots
from bulkflow.records import records_about
from bulkflow.records.actors import Role

from .making import UNIT, a_limit, a_result, a_rule, add, panel


def status(session, lot="L1"):
    explained = explain_lot(session, lot)
    line = find_lot(session, lot)
    assert line.status is explained.status
    ships = all(gate.is_open for gate in explained.gates)
    assert ships == (explained.status is LotStatus.RELEASED)
    return explained.status.value


def gate(session, which, lot="L1"):
    return next(state for state in explain_lot(session, lot).gates if state.gate is which)


def test_a_new_lot_awaits_a_decision(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        assert status(session) == "awaiting"
        state = gate(session, Gate.DECISION)
        assert (state.is_open, state.reason) == (False, "no decision was taken")
        assert gate(session, Gate.LABORATORY).reason == (
            "no limits are declared for dry: nothing to keep to"
        )
        expect_decision(session, "L1", date(2026, 2, 10), "panel decision")
        assert find_lot(session, "L1").due_on == date(2026, 2, 10)
        expect_decision(session, "L1", date(2026, 2, 17), "panel decision")
        assert find_lot(session, "L1").due_on == date(2026, 2, 17)
        assert short_reasons(session, [find_lot(session, "L1")]) == {
            "L1": "no decision was taken; decision due 2026-02-17"
        }


def test_a_release_opens_and_a_later_decision_supersedes_it(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        first = panel(session, "L1")
        assert status(session) == "released"
        assert short_reasons(session, [find_lot(session, "L1")]) == {
            "L1": "release, decided by the panel: panel says release (record 3)"
        }
        second = panel(session, "L1", "reject")
        assert second.supersedes == first.seq
        assert status(session) == "rejected"
        panel(session, "L1", "hold")
        assert status(session) == "held"
        expect_decision(session, "L1", date(2026, 3, 1), "retest")
        assert status(session) == "awaiting"
        panel(session, "L1", "hold")  # the retest came and settled nothing: no date stands
        assert (status(session), find_lot(session, "L1").due_on) == ("held", None)
        assert len(records_about(session, "L1", kinds=["decision"])) == 4


@pytest.mark.parametrize(
    ("value", "qualifier", "limits", "inside"),
    [
        ("30", "=", {"maximum": "30"}, True),
        ("30.000001", "=", {"maximum": "30"}, False),
        ("29", "<", {"maximum": "30"}, True),
        ("31", "<", {"maximum": "30"}, False),
        ("10", ">", {"maximum": "30"}, False),
        ("5", "=", {"maximum": None, "minimum": "5"}, True),
        ("4.999999", "=", {"maximum": None, "minimum": "5"}, False),
        ("6", ">", {"maximum": None, "minimum": "5"}, True),
        ("6", "<", {"maximum": None, "minimum": "5"}, False),
        ("-1", "=", {"minimum": "-2", "maximum": "0"}, True),
    ],
)
def test_a_result_keeps_to_its_limit_or_not(lite, ann, value, qualifier, limits, inside):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1")
        a_limit(session, **limits)
        assert status(session) == "awaiting"  # no result yet
        assert gate(session, Gate.LABORATORY).reason == "no result for methanol"
        a_result(session, "L1", value, qualifier=qualifier)
        assert status(session) == ("released" if inside else "held")


def test_a_result_in_another_unit_proves_nothing(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1")
        a_limit(session, unit="mg of something")
        a_result(session, "L1", 1)
        assert status(session) == "held"
        assert gate(session, Gate.LABORATORY).reason == (
            "methanol 1 g/hL of pure alcohol is outside at most 30 mg of something (record 5)"
        )


def test_a_second_result_does_not_clear_a_first_one_outside(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1")
        a_limit(session)
        bad = a_result(session, "L1", 44)
        a_result(session, "L1", 12)
        assert status(session) == "held"
        assert gate(session, Gate.LABORATORY).reason == (
            f"methanol 44 g/hL of pure alcohol is outside at most 30 g/hL of pure alcohol "
            f"(record {bad.seq})"
        )
        better = Result(lot_id="L1", analyte="methanol", value="12.5", unit=UNIT)
        with pytest.raises(InputError, match="note is missing"):
            correct_result(session, bad.seq, better)
        with pytest.raises(InputError, match="not a standing result for esters of L1"):
            correct_result(session, bad.seq, better.model_copy(update={"analyte": "esters"}))
        correct_result(
            session, bad.seq, better.model_copy(update={"note": "wrong dilution written down"})
        )
        assert status(session) == "released"
        assert gate(session, Gate.LABORATORY).reason == "2 checks, all inside the limits"


def test_limits_of_a_market_bind_lots_meant_for_it(register, ann):
    with register.write(ann) as session:
        a_rule(session)
        a_limit(session, market="north", maximum="10")
        a_limit(session, market="south", maximum="50")
        for name, markets in (("L1", ("north",)), ("L2", ("south",)), ("L3", ())):
            add(session, name, markets=markets)
            panel(session, name)
            a_result(session, name, 20)
        found = {name: status(session, name) for name in ("L1", "L2", "L3")}
        assert found == {"L1": "held", "L2": "released", "L3": "released"}
        assert "at most 10 g/hL of pure alcohol for north" in gate(session, Gate.LABORATORY).reason


def test_a_limit_declared_anew_counts_alone(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1")
        a_limit(session)
        a_result(session, "L1", 20)
        assert status(session) == "released"
        a_limit(session, maximum="10")
        assert status(session) == "held"
        a_limit(session, maximum="25")
        assert status(session) == "released"


def test_an_optional_limit_counts_where_it_is_measured(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1")
        a_limit(session, required=False)
        assert status(session) == "released"
        a_result(session, "L1", 44)
        assert status(session) == "held"


def test_holds_stand_until_each_is_lifted(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1")
        (one,) = place_holds(session, ["L1"], "supplier recalls")
        (two,) = place_holds(session, ["L1"], "seal broken")
        assert status(session) == "held"
        assert gate(session, Gate.HOLD).reason == (
            f"held: supplier recalls (record {one.seq}); held: seal broken (record {two.seq})"
        )
        with pytest.raises(InputError, match=rf"L1 has 2 holds\. Name one of {one.seq}, {two.seq}"):
            lift_hold(session, "L1", "fine")
        lifted = lift_hold(session, "L1", "fine", hold=one.seq)
        assert lifted.supersedes == one.seq
        with pytest.raises(InputError, match=f"{one.seq} is not a standing hold on L1"):
            lift_hold(session, "L1", "again", hold=one.seq)
        assert status(session) == "held"
        lift_hold(session, "L1", "new seal")
        assert status(session) == "released"
        with pytest.raises(InputError, match="L1 has no standing hold"):
            lift_hold(session, "L1", "again")


def test_a_hold_does_not_hide_a_rejection(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1", "reject")
        place_holds(session, ["L1"], "also")
        assert status(session) == "rejected"


def override(session, *gates, lot="L1"):
    return override_gates(
        session, lot, gates, role=Role.RELEASE_OFFICER, reason="known and accepted"
    )


def test_an_override_opens_a_gate_until_newer_evidence_says_no(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1", "hold")
        given = override(session, Gate.DECISION)
        assert status(session) == "released"
        state = gate(session, Gate.DECISION)
        assert (state.is_open, state.overridden) == (True, True)
        assert state.reason == (
            f"overridden (record {given.seq}); hold, decided by the panel: panel says hold "
            f"(record {given.seq - 1})"
        )
        panel(session, "L1", "reject")
        assert status(session) == "rejected"
        explained = explain_lot(session, "L1")
        assert [note.record for note in explained.overrides] == [given.seq]
        assert explained.overrides[0].words == (
            "override of decision by Ann, release officer: known and accepted"
        )
        assert find_lot(session, "L1").overridden  # for ever


def test_an_override_of_the_laboratory_gate_ends_with_new_results_or_limits(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        panel(session, "L1")
        a_limit(session)
        a_limit(session, analyte="esters")
        a_result(session, "L1", 44)
        override(session, Gate.LABORATORY)
        assert status(session) == "released"
        a_result(session, "L1", 1, analyte="esters")
        assert status(session) == "released"
        a_result(session, "L1", 45)
        assert status(session) == "held"
        override(session, Gate.LABORATORY)
        assert status(session) == "released"
        a_limit(session, analyte="furfural", maximum="1")
        assert status(session) == "awaiting"


def test_only_closed_gates_are_overridden_and_holds_are_lifted_instead(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        with pytest.raises(InputError, match="laboratory of L1 is open"):
            override(session, Gate.LABORATORY)
        place_holds(session, ["L1"], "seal")
        with pytest.raises(InputError, match=r"is a manual hold\. Lift it"):
            override(session, Gate.HOLD)


def test_a_rejected_parent_closes_the_gate_of_its_children(lite, ann):
    with lite.write(ann) as session:
        add(session, "N1", liquid="base")
        add(session, "L1", 400, parents={"N1": 100})
        panel_free_reject(session, "N1")
        state = gate(session, Gate.PARENTS)
        assert (state.is_open, state.reason) == (False, "made from N1, which is rejected")
        assert status(session) == "held"


def panel_free_reject(session, lot):
    from bulkflow.lots.bodies import Outcome
    from bulkflow.lots.deciding import decide

    from .making import lab_evidence

    decide(
        session,
        lot_id=lot,
        outcome=Outcome.REJECT,
        reason="taint",
        evidence=lab_evidence(lot, "reject"),
    )


# Any history, against a second reckoning -----------------------------------------------------

MOVES = st.one_of(
    st.tuples(st.just("result"), st.integers(0, 2), st.sampled_from(["methanol", "esters"]),
              st.integers(0, 60), st.sampled_from("=<>")),
    st.tuples(st.just("limit"), st.sampled_from([None, "north", "south"]),
              st.sampled_from(["methanol", "esters"]), st.integers(5, 50), st.booleans()),
    st.tuples(st.just("panel"), st.integers(0, 2), st.sampled_from(["release", "hold", "reject"])),
    st.tuples(st.just("hold"), st.integers(0, 2)),
    st.tuples(st.just("lift"), st.integers(0, 2)),
    st.tuples(st.just("expect"), st.integers(0, 2)),
    st.tuples(st.just("override"), st.integers(0, 2), st.sampled_from(["laboratory", "decision"])),
)  # fmt: skip
MARKETS = {"L0": (), "L1": ("north",), "L2": ("north", "south")}


def play(session, moves):
    """Make the moves; return the history as the second reckoning sees it."""
    history = []
    for move in moves:
        kind, lot = move[0], f"L{move[1]}"
        if kind == "result":
            record = a_result(session, lot, move[3], analyte=move[2], qualifier=move[4])
        elif kind == "limit":
            record = a_limit(
                session, market=move[1], analyte=move[2], maximum=str(move[3]), required=move[4]
            )
        elif kind == "panel":
            record = panel(session, lot, move[2])
        elif kind == "hold":
            (record,) = place_holds(session, [lot], "move")
        elif kind == "expect":
            record = expect_decision(session, lot, date(2026, 5, 1), "decision")
        elif kind == "lift":
            standing = [r for r in history if r[0] == "hold" and r[1] == lot and r[2]]
            if not standing:
                continue
            record = lift_hold(session, lot, "move", hold=standing[0][3])
            standing[0][2] = False
            continue
        else:
            try:
                record = override(session, Gate(move[2]), lot=lot)
            except InputError:
                continue
        history.append(["hold", lot, True, record.seq] if kind == "hold" else [*move, record.seq])
    return history


def reckon(history, lot):
    """Work out a lot's status from the history, by plain loops."""
    number = int(lot[1])
    decisions = [m for m in history if m[0] == "panel" and m[1] == number]
    outcome, decided_at = (decisions[-1][2], decisions[-1][-1]) if decisions else (None, 0)
    overrides = {"laboratory": 0, "decision": 0}
    for move in history:
        if move[0] == "override" and move[1] == number:
            overrides[move[2]] = move[-1]
    if overrides["decision"] > decided_at:
        outcome = "release"
    outside, missing = reckon_laboratory(history, lot, overrides["laboratory"])
    promised = any(m[0] == "expect" and m[1] == number and m[-1] > decided_at for m in history)
    held = any(m[0] == "hold" and m[1] == lot and m[2] for m in history)
    if outcome == "reject":
        return "rejected"
    if held or outside:
        return "held"
    if outcome == "hold":
        return "awaiting" if promised else "held"
    return "awaiting" if outcome is None or missing else "released"


def reckon_laboratory(history, lot, overridden_at):
    """Whether a lot has a value outside a limit, and whether it lacks a result."""
    number = int(lot[1])
    limits = {(move[1], move[2]): move for move in history if move[0] == "limit"}
    outside = missing = False
    for (market, analyte), (_, _, _, maximum, required, limit_at) in limits.items():
        if market is not None and market not in MARKETS[lot]:
            continue
        results = [m for m in history if m[0] == "result" and m[1] == number and m[2] == analyte]
        if not results and required and limit_at > overridden_at:
            missing = True
        for _, _, _, value, sign, at in results:
            bad = value > maximum or sign == ">"
            outside |= bad and max(at, limit_at) > overridden_at
    return outside, missing


def check_history(store, ann, moves):
    with store.write(ann, keep=False) as session:
        a_rule(session)
        for name, markets in MARKETS.items():
            add(session, name, markets=markets)
        history = play(session, moves)
        expected = {name: reckon(history, name) for name in MARKETS}
        lines = list_lots(session)
        assert {line.lot_id: line.status.value for line in lines} == expected
        explained = explain_lots(session, lines)
        for item in explained:
            ships = all(gate.is_open for gate in item.gates)
            assert ships == (expected[item.lot.lot_id] == "released")
        counts = count_by_status(session)
        for wanted in LotStatus:
            names = [name for name, found in expected.items() if found == wanted.value]
            assert counts[wanted] == len(names)
            assert [x.lot_id for x in list_lots(session, LotFilter(status=wanted))] == names
        assert set(short_reasons(session, lines)) == set(MARKETS)


@pytest.mark.full
@given(moves=st.lists(MOVES, max_size=25))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_any_history_gives_the_status_a_second_reckoning_gives(lite, ann, moves):
    check_history(lite, ann, moves)


@pytest.mark.full
@given(moves=st.lists(MOVES, max_size=40))
@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_any_history_on_both_databases(register, ann, moves):
    check_history(register, ann, moves)


def test_amounts_keep_their_places(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1", "1000.125", "43.210")
        line = find_lot(session, "L1")
        assert (line.lpa, line.lpa_left) == (Decimal("432.154"), Decimal("432.154"))
        assert str(line.lpa_left) == "432.154"
