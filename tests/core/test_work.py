"""Limits of work: the same plan each time, a plan at any limit, and none worse for more of it."""

from __future__ import annotations

import numpy as np
import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.relax_and_fix import (
    carrying_what_is_asked_for,
    groups_of_columns,
    least_plan,
)
from bulkflow.core.heuristics.rolling_horizon import RollLimits, improve_by_windows
from bulkflow.core.network import Demand, Lane, Limit, Network, Node, Stock, Supply, Term, Vehicle
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.outcome import Outcome, OutcomeStatus, StoppedBy
from bulkflow.core.solve import solve
from bulkflow.core.values import spread_network
from bulkflow.program.build import build_program
from tests.benchmarks.instances import make_instance
from tests.core.test_same_work import same


def hard() -> Network:
    """A network with charges and vattings beside its loads, which no small limit settles."""
    return build_program(make_instance(weeks=8, bottlers=3, liquids=2, seed=3, full=True)).network


@pytest.mark.full
def test_the_same_work_is_the_same_plan() -> None:
    network, options = hard(), SolveOptions(gap=1e-5, work=1.0)
    first, again = solve(network, options), solve(network, options)
    assert first.stopped_by is StoppedBy.WORK
    assert same(first, again)


@pytest.mark.full
def test_more_work_is_never_a_worse_plan() -> None:
    network = hard()
    found = [solve(network, SolveOptions(gap=1e-5, work=work)) for work in (0.5, 1.5, 4.0)]
    costs = [one.objective for one in found if one.objective is not None]
    assert len(costs) == 3
    assert costs == sorted(costs, reverse=True)


@pytest.mark.parametrize("limit", [{"work": 1e-6}, {"seconds": 1e-3}])
def test_there_is_a_plan_at_any_limit(limit: dict[str, float]) -> None:
    found = solve(hard(), SolveOptions(**limit))
    assert found.solution is not None
    assert found.status is OutcomeStatus.FEASIBLE


def tied(least: float) -> Network:
    """Loads to demand that a contract asks for, up to what can be had."""
    return Network(
        periods=3,
        nodes=[
            Node("A", supply=Supply(at_most=20.0), stock=Stock()),
            Node("B", demand=Demand(exactly=5.0, shortage_cost=9.0), stock=Stock()),
        ],
        lanes=[Lane("a-b", "A", "B", vehicle=Vehicle(capacity=10.0, min_fill=8.0, cost=1.0))],
        limits=[Limit("contract", [Term("vehicles", "a-b")], at_least=least, over_horizon=True)],
    )


def test_what_a_contract_asks_for_is_in_the_first_plan() -> None:
    found = solve(tied(4.0), SolveOptions(work=1e-6))
    assert found.solution is not None
    assert found.solution.vehicles["a-b"].sum() >= 4.0


def test_the_first_plan_costs_little_work() -> None:
    data = spread_network(hard())
    program, deadline = assemble_data(data, form=Form.STRONG), Deadline()
    found = least_plan(program, carrying_what_is_asked_for(data, program), deadline)
    assert found.values is not None
    assert deadline.spent() < 1.0


def test_rules_that_contradict_each_other_are_proved_to_at_any_limit() -> None:
    assert solve(tied(8.0), SolveOptions(work=1e-6)).status is OutcomeStatus.INFEASIBLE


def test_parts_spend_from_the_whole() -> None:
    whole = Deadline(work=10.0)
    part = whole.part(work=3.0)
    part.spend(2.0)
    assert (whole.work_left(), part.work_left()) == (8.0, 1.0)
    part.share(0.5).spend(1.0)
    assert part.reason_to_stop() is StoppedBy.WORK
    assert whole.reason_to_stop() is None
    assert whole.regardless(work=20.0).work_left() == 20.0
    assert np.isinf(whole.endless().work_left())


def test_a_part_with_work_of_its_own_shares_that_when_the_plan_of_the_whole_is_spent() -> None:
    whole = Deadline(work=100.0).planned(10.0)
    whole.spend(20.0)
    assert whole.share(0.5).work_left() == 0.0
    assert whole.part(work=8.0).share(0.5).work_left() == 4.0
    assert whole.part(work=8.0).share(0.5).share(0.5).work_left() == 2.0


def test_windows_better_a_plan_and_tell_each_better_one() -> None:
    data = spread_network(hard())
    program = assemble_data(data, form=Form.STRONG)
    first = least_plan(program, carrying_what_is_asked_for(data, program), Deadline())
    assert first.values is not None
    assert first.objective is not None
    told: list[float] = []
    values, objective = improve_by_windows(
        program,
        groups_of_columns(data, program),
        first.values,
        first.objective,
        Deadline(work=2.0),
        RollLimits(window=4, step=2, gap=0.05, nodes=20),
        offer=lambda better: told.append(program.objective(better)),
    )
    assert objective < 0.5 * first.objective
    assert told == sorted(told, reverse=True)
    assert told[-1] == pytest.approx(program.objective(values))
    reached = program.matrix @ values
    assert (reached <= program.row_upper + 1e-5).all()
    assert (reached >= program.row_lower - 1e-5).all()


def outcome_costs(found: Outcome) -> list[float]:
    return [cost for _, cost, _ in found.improvements]


@pytest.mark.full
def test_each_improvement_is_one() -> None:
    costs = outcome_costs(solve(hard(), SolveOptions(gap=1e-5, work=1.0)))
    assert len(costs) > 1
    assert costs == sorted(costs, reverse=True)
