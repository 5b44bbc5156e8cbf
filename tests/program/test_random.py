"""Laws that hold for every scenario, on random small ones with every feature on."""

import numpy as np
import pytest
from scipy.optimize import linprog

from bulkflow.core.assemble import assemble
from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession
from bulkflow.core.options import SolveOptions
from bulkflow.plan.check import check_plan
from bulkflow.program.answer import Plan
from bulkflow.program.build import build_program
from bulkflow.program.diagnosis import NoPlanError
from bulkflow.program.solve import make_plan
from tests.program.builders import ask, base, lane, scenario, site, stock, tank
from tests.program.random_scenarios import (
    WIDENED,
    money_times,
    random_scenario,
    renamed,
    widened,
)

GAP = 1e-6
QUICK = (11, 37)  # seeds that are solved to the end in about a second
SLOWER = tuple(seed for seed in range(14) if seed not in QUICK)


def best(data, **options) -> Plan:
    """Return a plan proved best within GAP."""
    plan = make_plan(scenario(data), SolveOptions(**({"gap": GAP} | options)))
    assert plan.proof.gap <= 1.1 * GAP  # CBC stops a hair above
    return plan


def same(cost: float, other: float) -> bool:
    return abs(cost - other) <= 5.0 * GAP * max(abs(cost), abs(other), 1.0)


def checked(seed: int) -> bool:
    """Check a plan of a seed; tell whether there is one. A good one is enough: all are checked."""
    data = random_scenario(seed)
    try:
        plan = make_plan(scenario(data), SolveOptions(gap=1e-3, work=1.0))
    except NoPlanError as refused:
        assert refused.explanation.obstacles
        return False
    report = check_plan(scenario(data), plan)
    report.raise_for_failures()
    assert report.comparisons > 100
    return True


@pytest.mark.full
@pytest.mark.parametrize("seed", QUICK)
def test_the_independent_check_finds_nothing(seed):
    assert checked(seed)


@pytest.mark.full
def test_the_independent_check_finds_nothing_in_many():
    planned = sum(checked(seed) for seed in SLOWER)
    assert planned >= 0.8 * len(SLOWER)


def test_scaling_money_scales_the_cost():
    cost = best(random_scenario(11)).costs.total
    assert same(best(money_times(random_scenario(11), 4.0)).costs.total, 4.0 * cost)


def test_names_and_order_change_nothing():
    cost = best(random_scenario(11)).costs.total
    assert same(best(renamed(random_scenario(11))).costs.total, cost)


@pytest.mark.full
@pytest.mark.parametrize("what", WIDENED)
def test_a_wider_limit_never_costs_more(what):
    data = random_scenario(11)
    cost = best(data).costs.total
    assert best(widened(data, what)).costs.total <= cost + 5.0 * GAP * abs(cost)


@pytest.mark.full
@pytest.mark.parametrize("seed", QUICK)
def test_the_relaxation_bounds_the_best_plan(seed):
    # Without whole loads, charges and vattings a plan can only cost less.
    network = build_program(scenario(random_scenario(seed))).network
    program = assemble(network)
    with HighsSession(program, relaxed=True) as session:
        relaxed = session.solve_lp(Deadline())
    cost = best(random_scenario(seed)).costs.total
    assert relaxed.objective <= cost + GAP * abs(cost)
    assert relaxed.objective >= 0.2 * cost  # and it is no empty bound


def test_two_runs_give_the_same_plan():
    first, second = (best(random_scenario(11)) for _ in range(2))
    assert first.loads == second.loads
    assert first.stocks == second.stocks


@pytest.mark.full
@pytest.mark.parametrize("seed", [1, 3, 27])
def test_laws_on_many(seed):
    data = random_scenario(seed)
    cost = best(data).costs.total
    assert same(best(money_times(data, 4.0)).costs.total, 4.0 * cost)
    assert same(best(renamed(data)).costs.total, cost)
    for what in WIDENED:
        assert best(widened(data, what)).costs.total <= cost + 5.0 * GAP * abs(cost)


@pytest.mark.full
@pytest.mark.parametrize("seed", [9, 11, 21, 23, 27, 37])
def test_two_solvers_and_two_forms_agree(seed):
    data = random_scenario(seed)
    cost = best(data).costs.total
    assert same(best(data, solver="cbc").costs.total, cost)
    assert same(best(data, form="plain").costs.total, cost)


WEEKS = 4
LEAST, MOST = 2_800.0, 5_000.0  # LPA a load: 50 % of 7,000 litres; a payload limit sets the most


def brute_force(demand: np.ndarray, opening: float, room: float) -> float:
    """Try every number of loads (0 to 3 a week); for each, the best amounts by a small LP.

    One lane with a week's lead, 100 a load and 0.01 an LPA; storing costs 0.02 an LPA and week at
    the bottler; unmet demand is carried at 0.5. Written from the page of equations alone.
    """
    cheapest = np.inf
    for number in np.ndindex(*(4,) * (WEEKS - 1)):  # what leaves in the last week comes too late
        count = np.array([*number, 0], dtype=float)
        # columns: x (sent), s (stock), b (backlog)
        cost = np.concatenate([np.full(WEEKS, 0.01), np.full(WEEKS, 0.02), np.full(WEEKS, 0.5)])
        balance = np.zeros((WEEKS, 3 * WEEKS))
        side = demand.copy()
        arrival = np.zeros((WEEKS, 3 * WEEKS))
        space = np.full(WEEKS, room)
        for t in range(WEEKS):
            if t > 0:
                balance[t, t - 1] = 1.0
                balance[t, WEEKS + t - 1] = 1.0
                balance[t, 2 * WEEKS + t - 1] = -1.0
                arrival[t, t - 1] = 1.0
                arrival[t, WEEKS + t - 1] = 1.0
            else:
                side[t] -= opening
                space[t] -= opening
            balance[t, WEEKS + t] = -1.0
            balance[t, 2 * WEEKS + t] = 1.0
        bounds = [(LEAST * n, MOST * n) for n in count]
        bounds += [(0.0, room)] * WEEKS + [(0.0, None)] * WEEKS
        # a rise of the backlog is never more than the demand of the week
        rise = np.zeros((WEEKS, 3 * WEEKS))
        for t in range(WEEKS):
            rise[t, 2 * WEEKS + t] = 1.0
            if t > 0:
                rise[t, 2 * WEEKS + t - 1] = -1.0
        answer = linprog(
            cost,
            A_ub=np.vstack([arrival, rise]),
            b_ub=np.concatenate([space, demand]),
            A_eq=balance,
            b_eq=side,
            bounds=bounds,
        )
        if answer.status == 0:
            cheapest = min(cheapest, answer.fun + 100.0 * count.sum())
    return float(cheapest)


@pytest.mark.parametrize("seed", range(6))
def test_brute_force_agrees(seed):
    rng = np.random.default_rng(seed)
    demand = rng.uniform(0.0, 6_000.0, size=WEEKS).round(0)
    opening, room = float(rng.uniform(0.0, 6_000.0)), float(rng.uniform(6_000.0, 12_000.0))
    # 1 LPA of 80 % vol weighs 1.0741 kg at 20 degC; the payload is that of MOST
    kg_per_lpa = _kg_per_lpa()
    data = base(
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site(
                "BOTTLER",
                "bottler",
                [tank("B", room / 0.8, "GIN")],
                storage_cost_per_lpa_per_period=0.02,
            ),
        ],
        lanes=[
            lane(
                "road",
                "STORE",
                "BOTTLER",
                "GIN",
                cost_per_lpa=0.01,
                minimum_fill_percent=50.0,
                payload_limit_kg=MOST * kg_per_lpa,
            )
        ],
        priorities=[{"id": "core", "unmet": "carried", "cost_per_lpa": 0.5}],
        opening_stock=[stock("STORE", "GIN", 79_000.0), stock("BOTTLER", "GIN", opening)],
        demand=[ask(t + 1, lpa) for t, lpa in enumerate(demand)],
    )
    assert best(data).costs.total == pytest.approx(brute_force(demand, opening, room), rel=1e-5)


def _kg_per_lpa() -> float:
    from bulkflow.alcoholometry import density_from_strength

    return float(density_from_strength(80.0, 20.0)) / 1000.0 / 0.8
