"""Limits counted in work: the same inputs give the same loads, from nothing and from a plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bulkflow.core.network import Network
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Outcome
from bulkflow.core.solve import solve
from bulkflow.program.build import build_program
from tests.benchmarks.instances import make_instance
from tests.benchmarks.replan import raised

WORK = SolveOptions(gap=1e-3, max_nodes=20, max_rounds=20)

SIZES = [
    pytest.param(10, 3, 1, False, id="search"),
    pytest.param(13, 5, 2, False, id="items", marks=pytest.mark.full),
    pytest.param(8, 4, 2, True, id="hard rest", marks=pytest.mark.full),
]


def same(one: Outcome, other: Outcome) -> bool:
    assert one.solution is not None
    assert other.solution is not None
    first, second = one.solution, other.solution
    return (one.objective, one.bound) == (other.objective, other.bound) and all(
        np.array_equal(first.vehicles[lane], second.vehicles[lane])
        and np.array_equal(first.flow[lane], second.flow[lane])
        for lane in first.vehicles
    )


def networks(weeks: int, bottlers: int, liquids: int, *, full: bool) -> tuple[Network, Network]:
    scenario = make_instance(weeks=weeks, bottlers=bottlers, liquids=liquids, seed=4, full=full)
    return build_program(scenario).network, build_program(raised(scenario)).network


@pytest.mark.full
@pytest.mark.parametrize(("weeks", "bottlers", "liquids", "full"), SIZES)
def test_same_inputs_same_plan(weeks: int, bottlers: int, liquids: int, *, full: bool) -> None:
    network, changed = networks(weeks, bottlers, liquids, full=full)
    first = solve(network, WORK)
    assert same(first, solve(network, WORK))
    again = replace(WORK, start=first.solution)
    assert same(solve(changed, again), solve(changed, again))


@pytest.mark.full
def test_another_seed_is_another_search_of_the_same_program() -> None:
    network, _ = networks(12, 5, 2, full=False)
    one, other = solve(network, WORK), solve(network, replace(WORK, seed=1))
    assert one.bound is not None
    assert other.objective is not None
    assert other.objective >= one.bound * (1 - 1e-9)
