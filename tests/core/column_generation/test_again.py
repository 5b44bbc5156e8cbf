"""Planning again from a plan and its prices: true bounds, and no load moves without a gain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.column_generation.rest import with_rounding_rows
from bulkflow.core.column_generation.restricted_master import Shared
from bulkflow.core.column_generation.subproblems import find_subproblems
from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession
from bulkflow.core.network import Network
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.outcome import Solution
from bulkflow.core.prices import prices_by_rule, prices_of_rows
from bulkflow.core.program import ColumnKind
from bulkflow.core.solve import solve
from bulkflow.core.values import spread_network
from bulkflow.program.build import build_program
from tests.benchmarks.instances import make_instance
from tests.benchmarks.replan import raised

LIMITS = SolveOptions(gap=0.01, max_nodes=20, max_rounds=30)


def planned(network: Network, start: Solution | None = None) -> Solution:
    outcome = solve(network, replace(LIMITS, start=start))
    outcome.raise_for_status()
    assert outcome.solution is not None
    return outcome.solution


def network_of(seed: int, **sizes: int) -> Network:
    made = {"weeks": 14, "bottlers": 5, "liquids": 2} | sizes
    return build_program(make_instance(seed=seed, **made)).network


def loads_moved(before: Solution, after: Solution) -> float:
    return sum(
        float(np.abs(after.vehicles[lane] - before.vehicles[lane]).sum())
        for lane in before.vehicles
    )


def shared_of(network: Network) -> Shared:
    data = spread_network(network)
    program, implied = with_rounding_rows(data, assemble_data(data, form=Form.STRONG))
    return Shared(find_subproblems(data, program), implied)


def test_prices_come_back_for_the_rows_they_were_of() -> None:
    shared = shared_of(network_of(3))
    rng = np.random.default_rng(3)
    prices = rng.standard_normal(len(shared.rows))
    known = prices_by_rule(shared.program, shared.rows, prices)
    assert (prices_of_rows(shared.program, shared.rows, known) == prices).all()


def test_prices_of_other_rules_count_for_nothing() -> None:
    shared = shared_of(network_of(3))
    strange = {("balance", "nowhere", ""): np.ones(shared.program.periods + 1)}
    assert not prices_of_rows(shared.program, shared.rows, strange).any()


@pytest.mark.parametrize("values", [np.ones(3), np.full(15, np.nan)])
def test_prices_of_another_calendar_are_refused(values: np.ndarray) -> None:
    shared = shared_of(network_of(3))
    with pytest.raises(ValueError, match="15 finite numbers"):
        prices_of_rows(shared.program, shared.rows, {("balance", "a", ""): values})


@pytest.mark.full
def test_a_plan_holds_the_prices_of_its_bound_and_they_prove_it_again() -> None:
    network = network_of(4, weeks=13)
    first = solve(network, LIMITS)
    assert first.solution is not None
    assert first.solution.prices
    only_prices = Solution(prices=first.solution.prices)
    again = solve(network, SolveOptions(gap=0.01, max_nodes=20, max_rounds=0, start=only_prices))
    assert again.bound is not None
    assert first.bound is not None
    assert again.bound >= first.bound - 0.01 * abs(first.bound)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(4))
def test_prices_of_another_network_prove_no_more_than_is_true(seed: int) -> None:
    prices = planned(network_of(seed, weeks=8, bottlers=2)).prices
    other = network_of(seed + 50, weeks=8, bottlers=2)
    plain = solve(other, SolveOptions(form="plain", gap=1e-3, work=20))
    again = solve(other, SolveOptions(gap=0.05, max_nodes=20, start=Solution(prices=prices)))
    assert plain.objective is not None
    assert again.bound is not None
    assert again.bound <= plain.objective * (1 + 1e-7)


@pytest.mark.full
@pytest.mark.parametrize("bottlers", [3, 5])
def test_nothing_changed_nothing_moves(bottlers: int) -> None:
    network = network_of(5, bottlers=bottlers)
    before = planned(network)
    assert loads_moved(before, planned(network, before)) == 0
    # Of a plan read from a file only the loads are known, and the prices.
    loads = Solution(vehicles=before.vehicles, activity=before.activity, prices=before.prices)
    assert loads_moved(before, planned(network, loads)) == 0


@pytest.mark.parametrize(
    ("weeks", "bottlers", "seed"),
    [
        (10, 3, 7),
        pytest.param(14, 5, 2, marks=pytest.mark.full),
        pytest.param(14, 5, 6, marks=pytest.mark.full),
    ],
)
def test_no_load_moves_without_a_gain(weeks: int, bottlers: int, seed: int) -> None:
    """Every bottler and liquid given its loads of before back makes the plan dearer.

    Both with the road tankers from the suppliers that are best for them.
    """
    scenario = make_instance(weeks=weeks, bottlers=bottlers, liquids=2, seed=seed)
    network = build_program(scenario).network
    before = planned(network)
    changed = build_program(raised(scenario)).network
    outcome = solve(changed, SolveOptions(gap=0.01, max_nodes=20, max_rounds=30, start=before))
    after = outcome.solution
    assert after is not None
    assert outcome.objective is not None
    assert outcome.gap is not None
    assert outcome.gap <= 0.01
    moved = [
        lane
        for lane in after.vehicles
        if "sea" in lane and (after.vehicles[lane] != before.vehicles[lane]).any()
    ]
    assert moved
    cost = fixed_cost(changed, dict(after.vehicles))
    for lane in moved:
        counts = {**after.vehicles, lane: before.vehicles[lane]}
        assert fixed_cost(changed, counts) > cost, lane


def fixed_cost(network: Network, counts: dict[str, np.ndarray]) -> float:
    """Return the least cost with these vehicles on the sea lanes; inf where there is no plan."""
    program = assemble_data(spread_network(network), form=Form.STRONG)
    with HighsSession(program) as session:
        for lane, values in counts.items():
            columns = program.starts[ColumnKind.VEHICLES, lane, -1] + np.arange(program.periods)
            if "sea" in lane:
                session.set_bounds(columns, values, values)
        answer = session.solve_mip(Deadline(work=30), gap=1e-6)
    return np.inf if answer.values is None else answer.bound
