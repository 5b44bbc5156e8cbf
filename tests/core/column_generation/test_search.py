"""The search over items end to end: plans that hold, true bounds, the same work the same plan."""

from __future__ import annotations

import numpy as np
import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.column_generation.completion import WholePlan
from bulkflow.core.column_generation.search import ColumnGeneration
from bulkflow.core.deadline import Deadline
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.solve import solve
from bulkflow.core.values import spread_network
from bulkflow.program.build import build_program
from tests.benchmarks.instances import make_instance


class Heard:
    """Keeps what a search says."""

    def __init__(self) -> None:
        self.bound = -np.inf
        self.plans: list[WholePlan] = []

    def bounded(self, bound: float) -> None:
        self.bound = max(self.bound, bound)

    def planned(self, plan: WholePlan) -> None:
        self.plans.append(plan)

    def gap(self) -> float:
        if not self.plans:
            return np.inf
        return (self.plans[-1].objective - self.bound) / abs(self.plans[-1].objective)


def searched(seed: int, *, full: bool = False) -> tuple[Heard, ColumnGeneration]:
    scenario = make_instance(weeks=10, bottlers=3, liquids=2, seed=seed, full=full)
    data = spread_network(build_program(scenario).network)
    program = assemble_data(data, form=Form.STRONG)
    heard = Heard()
    options = SolveOptions(gap=1e-3, max_nodes=20, max_rounds=30)
    search = ColumnGeneration(data, program, options, Deadline(work=60), heard)
    search.run(None)
    return heard, search


# With seed 5 the plant has no plan for the loads that are chosen: they give way near it.
@pytest.mark.parametrize(
    ("seed", "full", "enough"),
    [
        (6, False, 0.01),
        *(pytest.param(seed, True, 0.05, marks=pytest.mark.full) for seed in range(5, 8)),
    ],
)
def test_plans_hold_and_bounds_lie_below(seed: int, *, full: bool, enough: float) -> None:
    heard, search = searched(seed, full=full)
    assert heard.plans, "there is a plan"
    program = search.program
    for plan in heard.plans:
        reached = program.matrix @ plan.values
        assert (reached <= program.row_upper + 1e-5).all()
        assert (reached >= program.row_lower - 1e-5).all()
        whole = plan.values[program.integer]
        assert np.abs(whole - np.round(whole)).max() < 1e-5
        assert plan.objective >= heard.bound - 1e-6 * abs(plan.objective)
    objectives = [plan.objective for plan in heard.plans]
    assert objectives == sorted(objectives, reverse=True)
    assert heard.gap() < enough


@pytest.mark.full
def test_same_work_same_plan() -> None:
    one, _ = searched(6)
    two, _ = searched(6)
    assert one.bound == two.bound
    assert len(one.plans) == len(two.plans)
    assert (one.plans[-1].values == two.plans[-1].values).all()


@pytest.mark.full
@pytest.mark.parametrize("seed", range(6))
def test_bounds_and_plans_agree_with_the_plain_form(seed: int) -> None:
    scenario = make_instance(weeks=8, bottlers=2, liquids=1, seed=seed)
    network = build_program(scenario).network
    plain = solve(network, SolveOptions(form="plain", gap=1e-6, work=60))
    assert plain.objective is not None
    assert plain.bound is not None
    data = spread_network(network)
    heard = Heard()
    program = assemble_data(data, form=Form.STRONG)
    ColumnGeneration(data, program, SolveOptions(gap=1e-6), Deadline(work=20), heard).run(None)
    assert heard.bound <= plain.objective * (1 + 1e-7)
    assert heard.plans
    assert heard.plans[-1].objective >= plain.bound * (1 - 1e-7)
