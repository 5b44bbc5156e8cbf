"""Strengthening never cuts off a plan, and is worth its while."""

from dataclasses import replace

import numpy as np
import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.cumulative import with_cumulative_counts
from bulkflow.core.cuts.root_loop import CutPool, RootLimits, strengthen
from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession
from bulkflow.core.network import Demand, Lane, Limit, Network, Node, Stock, Supply, Term, Vehicle
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.solve import solve
from bulkflow.core.strong import root_phases, with_rows
from bulkflow.core.values import spread_network
from tests.core.generator import random_network, random_station_network

NOTHING_SPARED = RootLimits(least_violation=1e-6, rows_per_source=100, least_gain=0.0, patience=30)


def strengthened(network: Network):
    """The extended program, and every row the root finds with nothing spared."""
    data = spread_network(network)
    extended = with_cumulative_counts(assemble_data(data, form=Form.STRONG))
    pool = CutPool(extended.program.rows)
    found = {}

    with HighsSession(extended.program, relaxed=True) as session:
        sources = root_phases(data, extended)[-1].sources
        for _ in range(12):
            result = strengthen(
                session, pool, sources, Deadline(), replace(NOTHING_SPARED, rounds=1)
            )
            found.update({row.key: row for row in pool.active})
            if result.values is None or not result.rounds:
                break
    return extended, list(found.values())


def agree(network: Network) -> int:
    """Check that the optimum stays with every row found; return how many there were."""
    reference = solve(network, SolveOptions(gap=0.0, form="plain"))
    if reference.objective is None:
        return 0
    extended, rows = strengthened(network)
    sign = extended.program.sign
    with HighsSession(with_rows(extended.program, rows)) as session:
        answer = session.solve_mip(Deadline(), gap=0.0)
    assert answer.objective is not None
    assert sign * answer.objective == pytest.approx(reference.objective, rel=1e-6, abs=1e-6)
    return len(rows)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(10))
def test_rows_keep_the_optimum_of_networks_with_all_features(seed: int) -> None:
    agree(random_network(seed))


@pytest.mark.full
def test_rows_keep_the_optimum_of_stations() -> None:
    rows = [agree(random_station_network(seed)) for seed in range(6)]
    # The test would be empty without rows to test.
    assert sum(count > 0 for count in rows) >= 4


@pytest.mark.full
@pytest.mark.parametrize("first", range(1000, 1120, 30))
def test_rows_keep_the_optimum_of_hundreds(first: int) -> None:
    rows = [agree(random_network(seed)) for seed in range(first, first + 30)]
    rows += [agree(random_station_network(seed)) for seed in range(first, first + 30)]
    assert sum(count > 0 for count in rows) >= 20


@pytest.mark.parametrize("seed", range(12))
def test_every_plan_keeps_every_row(seed: int) -> None:
    """Not only optimal plans: plans for other costs, drawn at random, keep the rows as well."""
    network = random_station_network(seed)
    extended, rows = strengthened(network)
    if not rows:
        return
    program = extended.program
    rng = np.random.default_rng(seed)
    matrix = with_rows(program, rows).matrix[program.rows :]
    sides = np.array([row.side for row in rows])
    for _ in range(6):
        cost = np.where(np.isfinite(program.upper), 1.0, 0.2) * rng.uniform(0, 1, program.columns)
        with HighsSession(replace(program, cost=cost)) as session:
            answer = session.solve_mip(Deadline(), gap=0.05)
        if answer.values is not None:
            assert (matrix @ answer.values >= sides - 1e-5).all()


def steady_network(periods: int = 26, sites: int = 3) -> Network:
    rng = np.random.default_rng(3)
    nodes = [Node("P", supply=Supply(at_most=500.0))]
    lanes = []
    for number in range(sites):
        demand = rng.uniform(5, 9, periods).round(1).tolist()
        nodes.append(
            Node(
                f"C{number}",
                stock=Stock(initial=30, holding_cost=0.05),
                demand=Demand(exactly=demand, shortage_cost=9, shortage="backlogged"),
            )
        )
        lanes.append(
            Lane(
                f"L{number}",
                "P",
                f"C{number}",
                lead_time=2,
                vehicle=Vehicle(capacity=24, min_fill=19.2, cost=6.0),
            )
        )
    terms = [Term("vehicles", lane.id, lag_last=5) for lane in lanes]
    return Network(
        periods=periods,
        nodes=nodes,
        lanes=lanes,
        limits=[Limit("fleet", terms, at_most=sites * 3)],
    )


def test_the_root_closes_most_of_the_gap() -> None:
    network = steady_network()
    best = solve(network, SolveOptions(gap=1e-4, work=30))
    data = spread_network(network)
    extended = with_cumulative_counts(assemble_data(data, form=Form.STRONG))
    pool = CutPool(extended.program.rows)
    bounds: list[float] = []
    with HighsSession(extended.program, relaxed=True) as session:
        strengthen(
            session,
            pool,
            root_phases(data, extended)[-1].sources,
            Deadline(),
            RootLimits(),
            on_round=lambda _, bound, __: bounds.append(bound),
        )
    assert bounds == sorted(bounds)
    assert best.objective - bounds[-1] < 0.25 * (best.objective - bounds[0])
    assert pool.active


@pytest.mark.full
def test_cumulative_columns_change_nothing() -> None:
    network = steady_network(12, 2)
    data = spread_network(network)
    program = assemble_data(data, form=Form.STRONG)
    extended = with_cumulative_counts(program)
    with HighsSession(program) as one, HighsSession(extended.program) as other:
        first = one.solve_mip(Deadline(), gap=0.0)
        second = other.solve_mip(Deadline(), gap=0.0)
    assert first.objective == pytest.approx(second.objective)
    values = extended.extended(first.values)
    activity = extended.program.matrix @ values
    assert (activity >= extended.program.row_lower - 1e-6).all()
    assert (activity <= extended.program.row_upper + 1e-6).all()
    # Six periods of counts became two cumulative ones.
    fleet = [row for row, ref in enumerate(program.row_refs) if ref == "fleet"][-1]
    assert np.diff(extended.program.matrix.indptr)[fleet] < np.diff(program.matrix.indptr)[fleet]


def test_bounds_are_true_while_it_runs() -> None:
    network = steady_network(26, 4)
    said: list[tuple[str, float | None, float | None]] = []
    outcome = solve(
        network,
        SolveOptions(
            gap=1e-3,
            work=30,
            on_progress=lambda news: said.append((news.phase, news.objective, news.bound)),
        ),
    )
    assert {phase for phase, _, _ in said} >= {"root"}
    bounds = [bound for _, _, bound in said if bound is not None]
    assert bounds == sorted(bounds)
    assert all(bound <= outcome.objective + 1e-6 for bound in bounds)
    objectives = [objective for _, objective, _ in said if objective is not None]
    assert objectives == sorted(objectives, reverse=True)
    assert outcome.rows_added > 0
    assert outcome.rounds > 0


def test_limits_in_work_give_the_same_plan_twice() -> None:
    options = SolveOptions(max_nodes=3, max_rounds=6, gap=0.0)
    network = steady_network(16, 2)
    one, two = solve(network, options), solve(network, options)
    assert (one.objective, one.bound, one.rounds) == (two.objective, two.bound, two.rounds)
    for lane in one.solution.vehicles:
        assert np.array_equal(one.solution.vehicles[lane], two.solution.vehicles[lane])


def test_zero_rounds_is_no_strengthening() -> None:
    outcome = solve(steady_network(8, 1), SolveOptions(max_rounds=0, gap=0.0))
    assert outcome.rows_added == 0
    assert outcome.objective == pytest.approx(
        solve(steady_network(8, 1), SolveOptions(gap=0.0, form="plain")).objective
    )


@pytest.mark.full
def test_deadline_is_kept() -> None:
    outcome = solve(steady_network(52, 8), SolveOptions(seconds=3.0, gap=0.0))
    assert outcome.seconds <= 3.0 * 1.05 + 2
    assert outcome.bound is not None
    assert outcome.solution is not None


@pytest.mark.full
def test_going_on_from_a_plan_after_a_change() -> None:
    """The loads of the last plan give a plan of the changed network before any round."""
    network = steady_network(26, 4)
    first = solve(network, SolveOptions(gap=1e-3, work=30))
    raised = replace(
        network.nodes[1],
        demand=replace(network.nodes[1].demand, exactly=[9.0] * 26),
    )
    changed = replace(network, nodes=[network.nodes[0], raised, *network.nodes[2:]])
    said: list[tuple[str, float | None]] = []
    again = solve(
        changed,
        SolveOptions(
            gap=1e-3,
            work=30,
            start=first.solution,
            on_progress=lambda news: said.append((news.phase, news.objective)),
        ),
    )
    assert said[0][1] is not None
    from_nothing = solve(changed, SolveOptions(gap=1e-3, work=30))
    assert again.objective == pytest.approx(from_nothing.objective, rel=2e-3)


def test_nothing_moves_without_a_gain() -> None:
    """Asked again with its own best plan and nothing changed, every load stays."""
    network = steady_network(12, 2)
    first = solve(network, SolveOptions(gap=0.0))
    again = solve(network, SolveOptions(gap=1e-6, start=first.solution))
    assert again.objective == pytest.approx(first.objective)
    for lane in first.solution.vehicles:
        assert np.array_equal(first.solution.vehicles[lane], again.solution.vehicles[lane])


@pytest.mark.full
def test_a_plan_that_does_not_work_any_more_is_repaired() -> None:
    network = steady_network(20, 3)
    first = solve(network, SolveOptions(gap=1e-3, work=30))
    # Nothing leaves in the first four weeks on one lane.
    shut = replace(
        network.lanes[0],
        vehicle=replace(network.lanes[0].vehicle, max_count=[0] * 4 + [9] * 16),
    )
    changed = replace(network, lanes=[shut, *network.lanes[1:]])
    again = solve(changed, SolveOptions(gap=1e-3, work=30, start=first.solution))
    assert again.solution.vehicles["L0"][:4].sum() == 0
    from_nothing = solve(changed, SolveOptions(gap=1e-3, work=30))
    assert again.objective == pytest.approx(from_nothing.objective, rel=2e-3)
