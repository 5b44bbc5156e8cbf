"""Conflicts found are conflicts, and none of their parts can be spared."""

import time

import pytest

from bulkflow.core.diagnose import Conflict, diagnose
from bulkflow.core.elastic import ConflictRule
from bulkflow.core.network import Demand, Lane, Limit, Network, Node, Stock, Supply, Term, Vehicle
from bulkflow.core.options import SolveOptions
from bulkflow.core.solve import solve
from tests.core.generator import random_network

NODES = [
    Node("S", supply=Supply(at_most=10)),
    Node("D", stock=Stock(initial=5, at_most=20)),
    Node("K", demand=Demand(exactly=[0, 3, 12, 20])),
    Node("Z", demand=Demand(exactly=1)),
]
LANES = [
    Lane("in", "S", "D"),
    Lane("out", "D", "K", capacity=15, lead_time=1),
    Lane("z", "D", "Z"),
]


def test_names_the_demand_and_the_lane_in_their_periods() -> None:
    found = diagnose(Network(periods=4, nodes=NODES, lanes=LANES))
    assert set(found.conflicts) == {
        Conflict(ConflictRule.DEMAND, "K", "commodity", (4,)),
        Conflict(ConflictRule.CAPACITY, "out", "commodity", (3,)),
    }
    assert found.irreducible
    assert not found.whole_numbers


def test_names_what_only_whole_loads_break() -> None:
    network = Network(
        periods=2,
        nodes=[Node("S", supply=Supply(at_most=100)), Node("K", demand=Demand(exactly=[10, 0]))],
        lanes=[Lane("l", "S", "K", vehicle=Vehicle(capacity=24, min_fill=19, max_count=3))],
    )
    found = diagnose(network)
    assert {(part.rule, part.ref) for part in found.conflicts} == {
        (ConflictRule.DEMAND, "K"),
        (ConflictRule.MIN_FILL, "l"),
    }
    assert found.whole_numbers


def test_contradictory_targets() -> None:
    network = Network(
        periods=2, nodes=[Node("D", stock=Stock(initial=9, at_most=3, final_at_least=5))]
    )
    assert {part.rule for part in diagnose(network).conflicts} <= {
        ConflictRule.STOCK_AT_MOST,
        ConflictRule.STOCK_AT_LEAST,
    }


def test_a_limit_over_the_horizon_has_no_period() -> None:
    network = Network(
        periods=2,
        nodes=[Node("S", supply=Supply(at_most=9)), Node("K", demand=Demand(exactly=2))],
        lanes=[Lane("l", "S", "K")],
        limits=[Limit("all", [Term("flow", "l")], at_most=3, over_horizon=True)],
    )
    found = diagnose(network)
    assert Conflict(ConflictRule.LIMIT, "all", None, ()) in found.conflicts


def test_no_conflict_where_a_plan_exists() -> None:
    found = diagnose(Network(periods=1, nodes=[Node("D", stock=Stock(initial=1))]))
    assert found.conflicts == ()


def _infeasible_seeds(count: int) -> list[int]:
    return [5000 + number for number in range(count)]


@pytest.mark.full
@pytest.mark.parametrize("seed", _infeasible_seeds(40))
def test_random_conflicts_stand_and_fall(seed: int) -> None:
    """Every infeasible random network is explained, and each spared part brings a plan back."""
    network = random_network(seed)
    if solve(network, SolveOptions(gap=0.5, form="plain")).status != "infeasible":
        assert diagnose(network, seconds=10).conflicts == ()
        return
    found = diagnose(network, seconds=20)
    assert found.conflicts
    assert found.irreducible


@pytest.mark.full
def test_stays_within_its_time() -> None:
    nodes = [Node("S", supply=Supply(at_most=100))]
    lanes = []
    for number in range(40):
        nodes.append(
            Node(f"K{number}", demand=Demand(exactly=[10.0] * 30), stock=Stock(at_most=30))
        )
        lanes.append(
            Lane(f"l{number}", "S", f"K{number}", vehicle=Vehicle(capacity=24, min_fill=19.2))
        )
    began = time.monotonic()
    found = diagnose(Network(periods=30, nodes=nodes, lanes=lanes), seconds=2)
    assert time.monotonic() - began < 6
    assert found.conflicts
