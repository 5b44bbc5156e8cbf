"""Plans that rest on the solver's tolerance are repaired, or the next best one counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse

from bulkflow.core import solve as solving
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.polish import Polished, polish
from bulkflow.core.network import Demand, Lane, Network, Node, Supply
from bulkflow.core.options import SolveOptions
from bulkflow.core.program import Program

CAPACITY = 17_651.0


def big_link(left_over: float) -> Program:
    """A lot of all of which must go: to an ask, or over a big on/off link that costs 1.

    Columns: drawn for the ask, left over, switch of what is left over.
    """
    return Program.unlabelled(
        cost=np.array([0.0, 0.0, 1.0]),
        lower=np.zeros(3),
        upper=np.array([np.inf, np.inf, 1.0]),
        integer=np.array([False, False, True]),
        matrix=sparse.csr_array(
            np.array([[1.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, -CAPACITY]])
        ),
        row_lower=np.array([CAPACITY, CAPACITY - left_over, -np.inf]),
        row_upper=np.array([CAPACITY, CAPACITY - left_over, 0.0]),
    )


@given(left_over=st.floats(1e-4, 1e-2))
@settings(max_examples=30, deadline=None)
def test_a_switch_that_lets_a_little_through_is_thrown(left_over: float) -> None:
    program = big_link(left_over)
    values = np.array([CAPACITY - left_over, left_over, left_over / CAPACITY])
    found = polish(program, values, Deadline())
    assert found is not None
    assert found.values[2] == pytest.approx(1.0)
    assert found.repaired == 1
    assert found.excess == pytest.approx(left_over, rel=1e-3)


def test_values_that_hold_stay_as_they_are() -> None:
    found = polish(big_link(1.0), np.array([CAPACITY - 1.0, 1.0, 1.0]), Deadline())
    assert found is not None
    assert (found.repaired, found.excess) == (0, 0.0)


def test_where_nothing_near_holds_there_is_no_plan() -> None:
    program = big_link(1.0)
    closed = replace(program, upper=np.array([np.inf, np.inf, 0.0]))
    assert polish(closed, np.array([CAPACITY - 1.0, 1.0, 0.0]), Deadline()) is None


def test_the_next_best_plan_counts_where_the_best_does_not_hold(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    network = Network(
        periods=4,
        nodes=[
            Node("A", supply=Supply(at_most=30.0)),
            Node("B", demand=Demand(exactly=7.0, shortage_cost=50.0)),
        ],
        lanes=[Lane("a-b", "A", "B", fixed_cost=3.0, unit_cost=1.0, capacity=1e6)],
    )
    honest = solving.solve(network, SolveOptions())
    asked: list[np.ndarray] = []

    def first_fails(program: Program, values: np.ndarray, deadline: Deadline) -> Polished | None:
        asked.append(values)
        return None if len(asked) == 1 else polish(program, values, deadline)

    monkeypatch.setattr(solving, "polish", first_fails)
    other = solving.solve(network, SolveOptions())
    assert honest.objective is not None
    assert other.objective is not None
    assert other.objective >= honest.objective
    assert any("better plan" in words for words in other.repairs)
