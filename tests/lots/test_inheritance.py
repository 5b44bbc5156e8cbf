"""What lots take over from the lots behind them: any history, against plain bookkeeping."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bulkflow.laboratory.units import grams_per_hl_from_mg_per_litre
from bulkflow.lots.acts import lift_hold, place_holds, record_results
from bulkflow.lots.bodies import Gate, Limit, Result
from bulkflow.lots.declaring import declare_limit
from bulkflow.lots.explaining import explain_lot
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.inheritance import all_inherited, inherited
from bulkflow.lots.law import adopt_limits
from bulkflow.lots.queries import LotFilter, count_by_status, find_lot, list_lots

from .making import a_limit, a_result, a_rule, add, panel


def neutral(session, name, **fields):
    return add(session, name, liquid="base", strength=96.4, stage="neutral spirit", **fields)


def parents_gate(session, lot):
    return next(one for one in explain_lot(session, lot).gates if one.gate is Gate.PARENTS)


def test_a_chain_says_no_to_the_last_generation(lite, ann) -> None:
    with lite.write(ann) as session:
        a_rule(session)
        a_limit(session, liquid="base")
        neutral(session, "N1")
        add(session, "D1", 400, parents={"N1": 100})
        add(session, "D2", 200, parents={"D1": 50})
        for name in ("D1", "D2"):
            panel(session, name)
        assert find_lot(session, "D2").status is LotStatus.AWAITING
        assert parents_gate(session, "D2").reason == "made from N1, which is not yet judged"
        a_result(session, "N1", 44)
        assert find_lot(session, "D2").status is LotStatus.HELD
        a_result(session, "N1", 4)  # does not clear the first
        assert find_lot(session, "D1").status is LotStatus.HELD
        listed = list_lots(session, LotFilter(status=LotStatus.HELD))
        assert [line.lot_id for line in listed] == ["D1", "D2", "N1"]
        assert list_lots(session, LotFilter(status=LotStatus.RELEASED)) == []
        assert count_by_status(session)[LotStatus.HELD] == 3


def test_a_hold_on_a_parent_holds_what_was_made_from_it(lite, ann) -> None:
    with lite.write(ann) as session:
        a_rule(session)
        neutral(session, "N1")
        add(session, "D1", 400, parents={"N1": 100})
        panel(session, "D1")
        assert find_lot(session, "D1").status is LotStatus.RELEASED
        place_holds(session, ["N1"], "supplier recalls it")
        assert parents_gate(session, "D1").reason == "made from N1, which is held"
        lift_hold(session, "N1", "it was another lot")
        assert find_lot(session, "D1").status is LotStatus.RELEASED


@pytest.mark.parametrize(
    ("value", "unit", "status"),
    # 30 g/hl pa is 289.2 mg/l at 96.4 % vol, and 358.0 mg/kg at the density of OIML R 22
    [
        ("29.9", "g/hl pa", "awaiting"), ("30.1", "g/hl pa", "held"), ("289", "mg/l", "awaiting"),
        ("290", "mg/L", "held"), ("357", "mg/kg", "awaiting"), ("360", "mg/kg", "held"),
        ("30.1", "g/hL", "held"), ("3", "% vol", "held"),
    ],
)  # fmt: skip
def test_units_are_compared_by_the_strength_of_the_lot(lite, ann, value, unit, status) -> None:
    with lite.write(ann) as session:
        a_limit(session, liquid="base", unit="g/hl of pure alcohol")
        neutral(session, "N1")
        record_results(
            session, [Result(lot_id="N1", analyte="methanol", value=Decimal(value), unit=unit)]
        )
        assert find_lot(session, "N1").status.value == status
    assert grams_per_hl_from_mg_per_litre(289.2, 96.4) == pytest.approx(30.0)


def test_what_must_not_be_detectable(lite, ann) -> None:
    """Retained Reg (EC) 110/2008 Annex I(1): furfural not detectable."""
    with lite.write(ann) as session:
        declare_limit(
            session,
            Limit(liquid_id="base", analyte="furfural", unit="g/hl pa", maximum=0, source="law"),
        )
        neutral(session, "N1")
        neutral(session, "N2")
        a_result(session, "N1", "0.05", analyte="furfural", qualifier="<")
        a_result(session, "N2", "0.05", analyte="furfural")
        assert find_lot(session, "N1").status is LotStatus.AWAITING
        assert find_lot(session, "N2").status is LotStatus.HELD
        assert "not detectable" in explain_lot(session, "N2").gates[0].reason


def law(**fields):
    given = {"liquid_id": "base", "analyte": "methanol", "unit": "g/hl pa", "maximum": 30}
    return Limit(**{**given, "source": "a law", "origin": "law/eu/neutral", **fields})


def test_a_house_tightens_and_never_loosens(lite, ann) -> None:
    with lite.write(ann) as session:
        assert adopt_limits(session, [law()]) == []  # no lot of that liquid yet
        neutral(session, "N1")
        assert len(adopt_limits(session, [law()])) == 1
        assert adopt_limits(session, [law()]) == []
        a_limit(session, liquid="base", maximum="300")  # by hand, looser: the law's stays
        a_result(session, "N1", 44)
        assert find_lot(session, "N1").status is LotStatus.HELD
        neutral(session, "N2")
        a_limit(session, liquid="base", maximum="5")
        a_result(session, "N2", 6)
        assert find_lot(session, "N2").status is LotStatus.HELD  # tighter by hand
        assert len(adopt_limits(session, [law(maximum=20)])) == 1  # another version of the law


def test_the_measured_strength_answers_a_limit_on_strength(lite, ann) -> None:
    with lite.write(ann) as session:
        neutral(session, "N1")
        add(session, "N2", liquid="base", strength=95.9, stage="neutral spirit")
        adopt_limits(session, [law(analyte="strength", unit="% vol", maximum=None, minimum=96)])
        assert find_lot(session, "N1").status is LotStatus.AWAITING
        assert explain_lot(session, "N1").gates[0].is_open
        assert find_lot(session, "N2").status is LotStatus.HELD
        words = explain_lot(session, "N2").gates[0].reason
        assert words == "strength 95.9 % vol is outside at least 96 % vol (as measured)"


# Any history, against a second reckoning ------------------------------------------------------

EDGES = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), max_size=9)


@pytest.mark.full
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(edges=EDGES, held=st.sets(st.integers(0, 6)), undecided=st.sets(st.integers(0, 6)))
def test_any_family_against_plain_bookkeeping(lite, ann, edges, held, undecided) -> None:
    parents = {n: sorted({min(a, b) for a, b in edges if max(a, b) == n and a != b})
               for n in range(7)}  # fmt: skip
    with lite.write(ann, keep=False) as session:
        a_rule(session)
        for n in range(7):
            add(session, f"L{n}", 10_000, parents={f"L{p}": 100 for p in parents[n]})
            if n not in undecided:
                panel(session, f"L{n}")
        if held:
            place_holds(session, [f"L{n}" for n in sorted(held)], "asked")
        behind: dict[int, set[int]] = {}
        for n in range(7):
            behind[n] = {x for p in parents[n] for x in ({p} | behind[p])}
        expected = {}
        for n in range(7):
            if behind[n] & held or n in held:
                expected[f"L{n}"] = LotStatus.HELD
            elif behind[n] & undecided or n in undecided:
                expected[f"L{n}"] = LotStatus.AWAITING
            else:
                expected[f"L{n}"] = LotStatus.RELEASED
        lines = {line.lot_id: line.status for line in list_lots(session)}
        assert lines == expected
        assert all_inherited(session) == inherited(session, lines)
        for status in LotStatus:
            of_status = [n for n, s in expected.items() if s is status]
            assert [x.lot_id for x in list_lots(session, LotFilter(status=status))] == of_status
            assert count_by_status(session)[status] == len(of_status)
