"""Rows and bounds against optima of the plain form, on random scenarios with every feature."""

from __future__ import annotations

import numpy as np
import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.cuts.whole_rows import WholeRowCuts, whole_rows
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.polish import solve_fixed
from bulkflow.core.highs import HighsSession
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import Program
from bulkflow.core.solve import solve
from bulkflow.core.values import spread_network
from bulkflow.program.build import build_program
from tests.program.builders import scenario
from tests.program.random_scenarios import random_scenario

NEAR = 1e-6
SEEDS = [
    *(pytest.param(seed, marks=pytest.mark.full) for seed in range(15)),
    *(pytest.param(seed, marks=pytest.mark.by_hand) for seed in range(15, 120)),
]


def optimum(program: Program) -> np.ndarray | None:
    """Return the best values of a program by the solver alone, its whole numbers exact."""
    with HighsSession(program) as session:
        answer = session.solve_mip(Deadline(work=10.0), gap=NEAR)
    if answer.status is not OutcomeStatus.OPTIMAL or answer.values is None:
        return None
    return solve_fixed(program, answer.values, Deadline()).values


@pytest.mark.parametrize("seed", SEEDS)
def test_no_row_or_bound_cuts_off_an_optimum(seed: int) -> None:
    network = build_program(scenario(random_scenario(seed))).network
    program = assemble_data(spread_network(network), form=Form.PLAIN)
    best = optimum(program)
    if best is None:
        pytest.skip("no plan, or none proved best in its work")
    for row in whole_rows(program):
        assert row.values @ best[row.columns] >= row.side - NEAR, row.key
    cost = program.objective(best)
    found = solve(network, SolveOptions(work=2.0, gap=1e-4))
    assert found.bound is not None
    assert found.objective is not None
    assert found.bound <= cost + NEAR * abs(cost)
    assert found.objective >= cost - 2 * NEAR * abs(cost)


def shared_hours(hours: float) -> Program:
    """Two recipes of 10 hours a charge, one of them with 3 hours of cleaning, on one still."""
    from bulkflow.core.network import Activity, Limit, Network, Node, Term

    names = ("dry", "citrus", "cleaning")
    limit = Limit(
        "hours",
        [Term("activity", name, times) for name, times in zip(names, (10, 10, 3), strict=True)],
        at_most=hours,
    )
    made = [Activity(name, integer=True, upper=9.0) for name in names]
    network = Network(periods=1, nodes=[Node("A")], activities=made, limits=[limit])
    return assemble_data(spread_network(network), form=Form.STRONG)


def test_hours_hold_whole_charges_only() -> None:
    """28 hours: two charges together; in units of the cleaning 3 dry + 3 citrus + cleaning <= 9."""
    cuts = WholeRowCuts(shared_hours(28.0))
    (row,) = cuts.violated(np.array([1.4, 1.4, 0.0]), least=1e-3, most_rows=1)
    assert (row.values.tolist(), row.side) == ([-1.0, -1.0], -2.0)
    assert cuts.violated(np.array([1.0, 1.0, 2.0]), least=1e-3, most_rows=1) == []
    sides = {row.side for row in whole_rows(shared_hours(28.0))}
    assert sides == {-2.0, -9.0}


def test_hours_that_whole_charges_fill() -> None:
    """Row 10 a + 10 b + 3 c <= 30: only rows with the cleaning rounded down are new."""
    assert {row.side for row in whole_rows(shared_hours(30.0))} == {-3.0, -10.0}
