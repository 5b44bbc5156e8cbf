"""The recheck finds every kind of tampering with a plan."""

from dataclasses import replace

import numpy as np
import pytest

from bulkflow.core.check import check_solution
from bulkflow.core.network import (
    Activity,
    Demand,
    Effect,
    Lane,
    Limit,
    Network,
    Node,
    Stock,
    Supply,
    Term,
    Vehicle,
)
from bulkflow.core.outcome import Solution
from bulkflow.core.solve import solve
from bulkflow.errors import VerificationError

NETWORK = Network(
    periods=3,
    nodes=[
        Node("S", supply=Supply(at_most=50, exactly=1, unit_cost=2)),
        Node("P", stock=Stock(initial=2, at_most=60, holding_cost=1)),
        Node(
            "K",
            stock=Stock(at_least=[0, 1, 1], final_at_least=2),
            demand=Demand(exactly=[9, 9, 9], shortage_cost=20, at_most=3, unit_revenue=4),
        ),
    ],
    lanes=[
        Lane("in", "S", "P", capacity=30, min_flow=1, fixed_cost=1, min_if_used=1),
        Lane(
            "out",
            "P",
            "K",
            lead_time=1,
            vehicle=Vehicle(capacity=10, min_fill=8, cost=1, max_count=2),
        ),
    ],
    limits=[Limit("risk", [Term("in_transit", "out")], at_most=20)],
    activities=[Activity("lose", [Effect("P", "commodity", -1.0)], upper=1, integer=True)],
)


@pytest.fixture(scope="module")
def plan() -> Solution:
    solution = solve(NETWORK).solution
    assert solution is not None
    return solution


def test_a_good_plan_passes(plan: Solution) -> None:
    assert check_solution(NETWORK, plan).breaches == ()


@pytest.mark.parametrize(
    ("table", "ref", "place", "change", "rule"),
    [
        ("flow", "in", (0, 0), 40.0, "capacity"),
        ("flow", "in", (0, 1), -50.0, "sign of flow"),
        ("flow", "in", (0, 0), 0.5, "balance"),
        ("flow", "out", (0, 2), 8.0, "arrival"),
        ("flow", "out", (0, 0), 25.0, "vehicle capacity"),
        ("flow", "out", (0, 0), 25.0, "limit"),
        ("vehicles", "out", (0,), 0.5, "whole vehicles"),
        ("vehicles", "out", (0,), 2.0, "vehicle max_count"),
        ("vehicles", "out", (2,), 1.0, "vehicle min_fill"),
        ("used", "in", (0,), -1.0, "used"),
        ("used", "in", (0,), 0.5, "whole used"),
        ("stock", "P", (0, 1), 100.0, "stock at_most"),
        ("stock", "K", (0, 1), -50.0, "stock at_least"),
        ("stock", "K", (0, 2), -50.0, "final_at_least"),
        ("supply", "S", (0, 0), 60.0, "supply at_most"),
        ("supply", "S", (0, 0), -60.0, "supply exactly"),
        ("sales", "K", (0, 2), 9.0, "sales at_most"),
        ("shortage", "K", (0, 2), 30.0, "shortage"),
        ("activity", "lose", (0,), 0.5, "whole level"),
        ("activity", "lose", (0,), 3.0, "upper"),
        ("activity", "lose", (0,), -3.0, "lower"),
        ("stock", "P", (0, 1), float("nan"), "balance"),
    ],
)
def test_tampering_is_found(
    plan: Solution, table: str, ref: str, place: tuple, change: float, rule: str
) -> None:
    tables = dict(getattr(plan, table))
    values = np.array(tables[ref])
    values[place] += change
    tables[ref] = values
    report = check_solution(NETWORK, replace(plan, **{table: tables}))
    assert rule in {breach.rule for breach in report.breaches}
    with pytest.raises(VerificationError, match="the plan breaks"):
        report.raise_for_breaches()


def test_least_quantity_in_use_is_checked(plan: Solution) -> None:
    lanes = [replace(NETWORK.lanes[0], min_if_used=31, capacity=None), NETWORK.lanes[1]]
    report = check_solution(replace(NETWORK, lanes=lanes), plan)
    assert "min_if_used" in {breach.rule for breach in report.breaches}


def test_a_breach_reads_well(plan: Solution) -> None:
    report = check_solution(
        replace(NETWORK, limits=[Limit("r", [Term("flow", "in")], at_most=0)]), plan
    )
    assert str(report.breaches[0]).startswith("limit of 'r', period 1: off by ")
