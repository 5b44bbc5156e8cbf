"""The state of the quarter: everything that would make "Nothing is short" false is said instead."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest

from bulkflow.plan.compare import compare_plans
from bulkflow.plan.document import result_from_document, to_document
from bulkflow.plan.make import checked
from bulkflow.plan.result import HeldLoad, HoldCost, Miss, PlanResult
from bulkflow.plan.summary import PROMISE_GAP, Verdict, gap_words, summarise, verdict
from bulkflow.report.page import render_report
from bulkflow.scenario.reader import read_workspace
from tests.plan import by_hand

NOTHING = "Nothing is short."


def with_open(*lpa: float, unmet: str = "carried") -> PlanResult:
    """The tiny plan with LPA open at the end of each of its four periods."""
    made = by_hand.result()
    rows = zip(made.plan.demand, lpa, strict=True)
    demand = tuple(replace(row, open_lpa=one) for row, one in rows)
    return replace(made, plan=replace(made.plan, demand=demand), unmet=(("core", unmet),))


def with_demand(*lpa: float) -> PlanResult:
    made = by_hand.result()
    rows = zip(made.plan.demand, lpa, strict=True)
    demand = tuple(replace(row, demand_lpa=one, served=(("any", one),)) for row, one in rows)
    return replace(made, plan=replace(made.plan, demand=demand))


def missing(kind: str, *periods: int) -> PlanResult:
    lpa = tuple(100.0 * place for place in range(1, len(periods) + 1))
    return replace(by_hand.result(), misses=(Miss(kind, "HARBOUR", "DRY", periods, lpa, 9.0),))  # type: ignore[arg-type]


def no_rows() -> PlanResult:
    made = by_hand.result()
    return replace(made, plan=replace(made.plan, demand=()))


def held(*lots: str) -> PlanResult:
    load = HeldLoad("S1", "why", lots, date(2027, 1, 18))
    return replace(by_hand.result(), held_loads=(load,))


def gated() -> PlanResult:
    gate = HoldCost("L", "DRY", "STILLHOUSE", "awaiting", 9.0, None, 1, "", ("S1",))
    return replace(by_hand.result(), holds=(gate,))


SPOILED: dict[str, tuple[Callable[[], PlanResult], str]] = {
    "late in the quarter": (
        lambda: with_open(0.0, 300.0, 0.0, 0.0),
        "serve 15,000 of 15,000 LPA (100 %), some of it late in week 2.",
    ),
    "owed at the quarter's end": (
        lambda: with_open(0.0, 300.0, 200.0, 0.0),
        ", 200 LPA still owed at its end, some of it late in weeks 2 to 3.",
    ),
    "lost in the quarter": (
        lambda: with_open(0.0, 300.0, 200.0, 0.0, unmet="lost"),
        ", 500 LPA lost.",
    ),
    "owed at the end of the horizon": (
        lambda: with_open(0.0, 0.0, 0.0, 900.0),
        "all of it in time. After the quarter: 900 LPA still owed at the end of the horizon,"
        " demand late in week 4.",
    ),
    "lost after the quarter": (
        lambda: with_open(0.0, 0.0, 0.0, 900.0, unmet="lost"),
        "After the quarter: 900 LPA lost.",
    ),
    "no rows of demand": (
        no_rows,
        "There is no demand to plan for: demand.csv is missing, empty or all zero. 2 loads leave"
        " in the quarter.",
    ),
    "demand of nothing": (lambda: with_demand(0, 0, 0, 0), "There is no demand to plan for"),
    "demand after the quarter only": (
        lambda: with_demand(0, 0, 0, 70),
        "No demand falls in the quarter; 70 LPA are asked for after it.",
    ),
    "a floor in the quarter": (
        lambda: missing("floor", 2, 4),
        "Stock falls below 1 floor in the quarter (DRY at HARBOUR by 200 LPA).",
    ),
    "a floor after it": (
        lambda: missing("floor", 4),
        "Stock falls below 1 floor after the quarter (DRY at HARBOUR by 100 LPA).",
    ),
    "a closing target": (
        lambda: missing("closing", 4),
        "1 closing target is missed, by 100 LPA (DRY at HARBOUR by 100 LPA).",
    ),
    "expired stock": (
        lambda: missing("life", 3),
        "100 LPA of stock outlive their shelf life (DRY at HARBOUR by 100 LPA).",
    ),
    "a load that no lot can fill": (held, "1 load lacks lots for its day."),
    "a load held until a day": (
        lambda: held("L-1"),
        "1 load waits for its lots to be released.",
    ),
    "a load that counts on a gate": (gated, "1 load waits for its lots to be released."),
    "lots not put into loads": (
        lambda: replace(by_hand.result(), held_loads=None),
        "Not looked at: whether lots can fill the loads.",
    ),
    "targets not looked at": (
        lambda: replace(by_hand.result(), misses=None),
        "Not looked at: whether floors and closing targets are kept.",
    ),
}


def test_nothing_is_short_where_nothing_is():
    made = summarise(by_hand.result())
    assert NOTHING in made.sentence
    assert (made.demand_lpa, made.loads, made.gap_money) == (15_000.0, 2, 0.0)


@pytest.mark.parametrize("name", SPOILED)
def test_what_would_make_it_false_is_said_instead(name: str):
    make, words = SPOILED[name]
    sentence = summarise(make()).sentence
    assert words in sentence
    assert "othing is short" not in sentence


def test_the_verdict_is_good_where_nothing_is_short_and_nowhere_else():
    assert verdict(summarise(by_hand.result())) is Verdict.GOOD
    found = {name: verdict(summarise(make())) for name, (make, _) in SPOILED.items()}
    assert Verdict.GOOD not in found.values()
    assert found["late in the quarter"] is Verdict.SHORT
    assert found["owed at the quarter's end"] is Verdict.SHORT
    assert set(found.values()) >= {Verdict.SHORT, Verdict.MIND}
    plan = by_hand.result().plan
    wide = replace(plan, proof=replace(plan.proof, bound=0.5 * plan.proof.cost))
    assert verdict(summarise(replace(by_hand.result(), plan=wide))) is Verdict.LOOK_LONGER


@pytest.mark.parametrize("name", SPOILED)
def test_document_report_and_comparison_say_the_same(name: str):
    result = SPOILED[name][0]()
    sentence = summarise(result).sentence
    document = to_document(result)
    assert document["summary"]["sentence"] == sentence
    assert summarise(result_from_document(document)).sentence == sentence
    assert compare_plans(by_hand.result(), result).after == sentence
    assert sentence in render_report(result, read_workspace(by_hand.TWO_SITES).scenario)


def test_half_a_litre_is_no_miss():
    made = replace(by_hand.result(), misses=(Miss("floor", "A", "B", (1,), (0.4,), 1.0),))
    assert NOTHING in summarise(made).sentence


def test_late_owed_and_lost_are_figures_too():
    made = summarise(with_open(0.0, 300.0, 200.0, 900.0))
    assert (made.backlog_end_lpa, made.lost_lpa, made.late_periods) == (200.0, 0.0, (2, 3))
    assert (made.backlog_horizon_lpa, made.lost_after_lpa) == (900.0, 0.0)
    made = summarise(with_open(0.0, 300.0, 200.0, 900.0, unmet="lost"))
    assert (made.backlog_end_lpa, made.lost_lpa, made.late_periods) == (0.0, 500.0, ())
    assert (made.backlog_horizon_lpa, made.lost_after_lpa) == (0.0, 900.0)


def test_one_load_serves():
    made = by_hand.result()
    one = replace(made, plan=replace(made.plan, loads=made.plan.loads[:1]))
    assert "1 load serves 15,000" in summarise(one).sentence


def test_a_floor_without_a_price_is_missed_all_the_same():
    """HARBOUR closes week 1 with 2,000 LPA; at the end nothing is left of 500."""
    scenario = read_workspace(by_hand.TWO_SITES).scenario
    policy = scenario.stock_policies[0].model_copy(
        update={"site": "HARBOUR", "liquid": "DRY", "floor_lpa": 3_000.0, "closing_lpa": 500.0,
                "floor_cost_per_lpa_per_period": 0.0, "closing_cost_per_lpa": 0.0}
    )  # fmt: skip
    policies = (*scenario.stock_policies, policy)
    made = checked(scenario.model_copy(update={"stock_policies": policies}), by_hand.plan(), ())
    assert made.misses == (
        Miss("closing", "HARBOUR", "DRY", (4,), (500.0,), 0.0),
        Miss("floor", "HARBOUR", "DRY", (1, 4), (1_000.0, 3_000.0), 0.0),
    )


# --- how good the plan is -----------------------------------------------------------------------


def proved(cost: float, bound: float) -> PlanResult:
    made = by_hand.result()
    costs = replace(made.plan.costs, freight=made.plan.costs.freight + cost - 11_218.0)
    proof = replace(made.plan.proof, cost=cost, bound=bound)
    return replace(made, plan=replace(made.plan, costs=costs, proof=proof))


@pytest.mark.parametrize(
    ("cost", "bound", "words"),
    [
        (11_218.0, 11_218.0, "proved the cheapest: good enough to promise loads."),
        (10_000.0, 9_950.0, "within 0.5 % (50 EUR) of the cheapest: good enough to promise loads."),
        (10_000.0, 9_700.0, "within 3 % (300 EUR) of the cheapest: not yet good enough to promise"
                            " loads (that is within 1 %); look longer."),
        (10_000.0, -19_100.0, "within 29,100 EUR of the cheapest: not yet good enough"),
        (10_000.0, -math.inf, "with no bound proved: not yet good enough to promise loads"),
        (-2_000.0, -2_010.0, "within 10 EUR of the cheapest: good enough to promise loads."),
    ],
)  # fmt: skip
def test_the_gap_comes_with_a_verdict(cost: float, bound: float, words: str):
    made = proved(cost, bound)
    assert words in summarise(made).sentence
    assert summarise(made).good_enough == ("not yet" not in words)


def test_sales_that_nearly_pay_for_all_do_not_make_a_small_gap_large():
    """30 EUR are 30 % of a cost of 100, and a tenth of a percent of the 30,100 that are paid."""
    made = proved(100.0, 70.0)
    costs = replace(made.plan.costs, freight=made.plan.costs.freight + 30_000.0, sales=30_000.0)
    assert summarise(replace(made, plan=replace(made.plan, costs=costs))).good_enough


def test_the_limit_of_the_verdict_is_the_named_one():
    assert summarise(proved(100_000.0, 100_000.0 * (1 - 0.99 * PROMISE_GAP))).good_enough
    assert not summarise(proved(100_000.0, 100_000.0 * (1 - 1.01 * PROMISE_GAP))).good_enough


def test_a_gap_is_money_and_a_share_only_where_that_says_something():
    assert gap_words(proved(10_000.0, 9_950.0).plan) == "0.5 % (50 EUR)"
    assert gap_words(proved(10_000.0, -19_100.0).plan) == "29,100 EUR"
