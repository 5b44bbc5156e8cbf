"""Bounds of items hold, and plans of items are plans: against the plain form solved to proof."""

from __future__ import annotations

import numpy as np
import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.column_generation.dynamic import Grid
from bulkflow.core.column_generation.exact import ExactPlans
from bulkflow.core.column_generation.implied import implied_upper
from bulkflow.core.column_generation.pricing import aligned_nodes
from bulkflow.core.column_generation.rest import with_rounding_rows
from bulkflow.core.column_generation.restricted_master import Shared
from bulkflow.core.column_generation.subproblems import Decomposition, find_subproblems
from bulkflow.core.deadline import Deadline
from bulkflow.core.network import (
    Activity,
    Demand,
    Lane,
    Limit,
    Network,
    Node,
    Stock,
    Supply,
    Term,
    Vehicle,
)
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.program import Program
from bulkflow.core.solve import solve
from bulkflow.core.values import spread_network

TOLERANCE = 1e-6


def item_network(seed: int, *, customers: int = 2, coupled: bool = True) -> Network:
    """Return a plant that sends whole vehicles to customers with backlog or without."""
    rng = np.random.default_rng(seed)
    periods = int(rng.integers(4, 8))
    nodes = [
        Node(
            "P",
            supply=Supply(
                at_most=[float(x) for x in rng.integers(20, 60, periods)] if coupled else None,
                unit_cost=float(rng.integers(1, 3)) if coupled else None,
            ),
            stock=Stock(initial=30.0, holding_cost=0.1),
        )
    ]
    lanes: list[Lane] = []
    limits: list[Limit] = []
    activities: list[Activity] = []
    for number in range(customers):
        name = f"C{number}"
        held = {
            "holding_cost": float(rng.uniform(0.05, 0.5)),
            "initial": float(rng.integers(0, 30)),
        }
        if rng.random() < 0.6:
            held["at_most"] = float(rng.integers(40, 80))
        short = float(rng.integers(1, 20))
        nodes.append(
            Node(
                name,
                stock=Stock(**held),
                demand=Demand(
                    exactly=[float(x) for x in rng.integers(0, 15, periods)],
                    shortage_cost=short,
                    shortage="backlogged",
                    initial_backlog=float(rng.integers(0, 6)) if rng.random() < 0.3 else 0.0,
                ),
            )
        )
        lanes += _lanes(rng, name, periods)
        _targets(rng, name, periods, lanes, limits, activities)
    if coupled:
        terms = [Term("vehicles", lane.id, lag_first=-2, lag_last=0) for lane in lanes]
        limits.append(Limit("fleet", terms, at_most=float(rng.integers(2, 5))))
    return Network(periods=periods, nodes=nodes, lanes=lanes, limits=limits, activities=activities)


def _lanes(rng: np.random.Generator, name: str, periods: int) -> list[Lane]:
    lanes = []
    for way in range(int(rng.integers(1, 3))):
        capacity = float(rng.uniform(10, 20))
        lead = [int(x) for x in rng.integers(0, 3, periods)] if rng.random() < 0.5 else way + 1
        lanes.append(
            Lane(
                f"{name}-{way}",
                "P",
                name,
                unit_cost=float(rng.uniform(0, 1)),
                lead_time=lead,
                gain=float(rng.choice([1.0, 0.97])),
                vehicle=Vehicle(
                    capacity=capacity,
                    min_fill=capacity * float(rng.choice([0.0, 0.5, 0.8])),
                    cost=float(rng.integers(1, 30)),
                    max_count=float(rng.integers(1, 4)),
                    min_count=1.0 if rng.random() < 0.1 else 0.0,
                ),
                may_arrive_after_horizon=bool(rng.random() < 0.7),
            )
        )
    return lanes


def _targets(
    rng: np.random.Generator,
    name: str,
    periods: int,
    lanes: list[Lane],
    limits: list[Limit],
    activities: list[Activity],
) -> None:
    if rng.random() < 0.7:
        aim = float(rng.integers(5, 30))
        terms = [Term("stock", name), Term("activity", f"miss {name}")]
        terms += [Term("in_transit", one.id, one.gain) for one in lanes if one.to_node == name]
        if rng.random() < 0.5:
            terms.append(Term("shortage", name, -1.0))
        activities.append(
            Activity(f"miss {name}", upper=4 * aim + 100, cost=float(rng.integers(1, 12)))
        )
        limits.append(Limit(f"closing {name}", terms, at_least=aim, periods=[periods]))
    if rng.random() < 0.4:
        floor = float(rng.integers(2, 12))
        activities.append(Activity(f"low {name}", upper=floor, cost=float(rng.uniform(0.1, 3))))
        terms = [Term("stock", name), Term("activity", f"low {name}")]
        limits.append(Limit(f"floor {name}", terms, at_least=floor))


def parts(network: Network) -> tuple[Shared, Program, Decomposition]:
    data = spread_network(network)
    program, implied = with_rounding_rows(data, assemble_data(data, form=Form.STRONG))
    split = find_subproblems(data, program)
    return Shared(split, implied), program, split


def proved(network: Network) -> float | None:
    """Return the optimum by the plain form, or None where there is no plan."""
    outcome = solve(network, SolveOptions(form="plain", gap=0.0))
    return outcome.objective


def outer_values(split: Decomposition, prices: np.ndarray, nodes: int) -> np.ndarray:
    periods = split.program.periods
    return np.array(
        [
            Grid([item], periods, aligned_nodes(item, nodes), outer=True).values(prices)[0]
            for item in split.items
        ]
    )


def hold_bounds(seed: int) -> int:
    """Check one network; return how many items it has."""
    network = item_network(seed)
    best = proved(network)
    shared, _, split = parts(network)
    rng = np.random.default_rng(seed)
    for scale in (0.0, 0.5, 2.0):
        row_prices = shared.in_range(scale * rng.standard_normal(len(shared.rows)))
        prices = shared.column_prices(row_prices)
        bound = shared.value_without_items(row_prices, prices)
        least = outer_values(split, prices, int(rng.integers(3, 90)))
        if np.isneginf(least).any():
            continue  # an item without a least cost at these prices: no bound
        bound += float(least.sum())
        if best is not None:
            assert bound <= best + TOLERANCE * max(1.0, abs(best)), (seed, scale)
    return len(split.items)


@pytest.mark.full
def test_bounds_hold_at_any_prices() -> None:
    assert sum(hold_bounds(seed) for seed in range(20)) >= 30


@pytest.mark.full
@pytest.mark.parametrize("start", range(40, 440, 40))
def test_bounds_hold_at_any_prices_hundreds(start: int) -> None:
    assert sum(hold_bounds(seed) for seed in range(start, start + 40)) >= 60


def between(seed: int) -> None:
    """Without anything shared, items add up to the optimum, between the two roundings."""
    network = item_network(seed, coupled=False)
    best = proved(network)
    _, program, split = parts(network)
    assert len(split.items) == 2, "every customer is an item"
    if best is None:
        return
    outer = outer_values(split, program.cost, 400)
    inner = Grid(split.items, program.periods, 400, outer=False)
    values, plans = inner.plans(program.cost)
    # What the plant opens with it may have to hold; supply costs nothing.
    held = _plant_cost(network)
    assert outer.sum() <= best + TOLERANCE * max(1.0, abs(best)), seed
    exact = ExactPlans(split)
    counts = {
        item: tuple(plans.counts[item, : len(split.items[item].sendings)].astype(int).tolist())
        for item in range(2)
    }
    found = exact.plans(counts, program.cost, Deadline())
    exact.close()
    for plan in found:
        if split.items[plan.item].left_out:
            continue
        # Exact quantities cost no more than those on the grid, and no less than the bound.
        assert plan.cost <= values[plan.item] + TOLERANCE * max(1.0, abs(plan.cost))
        assert plan.cost >= outer[plan.item] - TOLERANCE * max(1.0, abs(plan.cost))
    if len(found) == 2:
        assert sum(plan.cost for plan in found) + held >= best - TOLERANCE * max(1.0, abs(best))


def _plant_cost(network: Network) -> float:
    """Return the most that holding the opening stock can cost the plant."""
    stock = network.nodes[0].stock
    assert stock is not None
    return 0.1 * float(stock.initial) * network.periods  # type: ignore[arg-type]


@pytest.mark.full
def test_items_add_up_where_nothing_is_shared() -> None:
    for seed in range(12):
        between(seed)


def test_finer_grids_bound_better() -> None:
    network = item_network(3, coupled=False)
    _, program, split = parts(network)
    coarse = outer_values(split, program.cost, 8).sum()
    fine = outer_values(split, program.cost, 2000).sum()
    inner = Grid(split.items, program.periods, 2000, outer=False).values(program.cost).sum()
    assert coarse <= fine + 1e-9
    assert fine <= inner + 1e-9
    assert inner - fine < 0.02 * max(1.0, inner)


def test_implied_bounds_cut_no_plan_off() -> None:
    for seed in range(8):
        network = item_network(seed)
        outcome = solve(network, SolveOptions(form="plain"))
        if outcome.solution is None:
            continue
        _, program, _ = parts(network)
        upper = implied_upper(program)
        assert (upper <= program.upper + 1e-12).all()
        for lane, sent in outcome.solution.vehicles.items():
            start = program.starts["vehicles", lane, -1]  # type: ignore[index]
            assert (sent <= upper[start : start + program.periods] + 1e-6).all()
