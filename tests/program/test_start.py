"""A plan made before is a start that the solver takes as it is."""

from dataclasses import replace
from datetime import timedelta

import pytest

from bulkflow.core.options import SolveOptions
from bulkflow.program.answer import RulePrice
from bulkflow.program.build import build_program
from bulkflow.program.solve import make_plan
from bulkflow.program.start import start_solution
from tests.program.builders import (
    START,
    ask,
    base,
    distilling,
    lane,
    planned,
    scenario,
    still,
    works,
)
from tests.program.random_scenarios import random_scenario

# So loose that the solver stops at the first plan it has; nothing but the start helps it.
FIRST = SolveOptions(gap=0.9, max_nodes=1, form="plain")


def restarted(seed: int) -> tuple[float, float]:
    made = scenario(random_scenario(seed))
    plan = make_plan(made)
    return plan.costs.total, make_plan(made, FIRST, start=plan).costs.total


@pytest.mark.full
@pytest.mark.parametrize("seed", [9, 11])
def test_the_best_plan_comes_back(seed):
    cost, again = restarted(seed)
    assert again == pytest.approx(cost, rel=1e-6)


@pytest.mark.full
@pytest.mark.parametrize("seed", [0, 2, 4, 12, 15, 26])
def test_the_best_plan_comes_back_where_the_first_found_is_worse(seed):
    cost, again = restarted(seed)
    assert again == pytest.approx(cost, rel=1e-6)


def test_periods_are_matched_by_their_days():
    # One load a week in weeks 1, 2 and 3. A week later the calendar starts in what was week 2.
    one = [lane("road", "STORE", "BOTTLER", "GIN", maximum_loads_per_period=1)]
    plan = planned(base(demand=[ask(t, 5_000.0) for t in (2, 3, 4)], lanes=one))
    assert sorted(load.period for load in plan.loads) == [1, 2, 3]
    later = base(calendar={
        "start": START + timedelta(days=7), "quarter_periods": 3, "horizon_periods": 4
    })  # fmt: skip
    start = start_solution(build_program(scenario(later)), plan)
    assert start.vehicles["road/T7/GIN"].tolist() == [1.0, 1.0, 0.0, 0.0]


def test_what_a_still_stays_set_to_is_chosen_to_fit_its_hours():
    # Ten hours, cleaning 3. Week 1: 10 of gin (set to it from the start). Week 2: 6 of dry and 1 of
    # gin with one cleaning. Week 3: 4 of dry and 3 of gin, one cleaning: dry stays set from week 2,
    # and may, as in week 2 the still stayed set to gin.
    data = works(
        still("POT", "gin", "dry", cleaning_hours=3.0, last_recipe="gin"),
        recipes=[distilling("gin", "GIN", ("NS", 100.0)), distilling("dry", "DRY", ("NS", 100.0))],
        demand=[
            ask(1, 10_000.0, "WORKS", "GIN"),
            ask(2, 6_000.0, "WORKS", "DRY"),
            ask(2, 1_000.0, "WORKS", "GIN"),
            ask(3, 4_000.0, "WORKS", "DRY"),
            ask(3, 3_000.0, "WORKS", "GIN"),
        ],
    )
    data["liquids"].append({"id": "DRY", "kind": "distillate", "strength_percent": 80.0})
    data["sites"][0]["tanks"].append({"id": "D", "capacity_litres": 1e6, "liquids": ["DRY"]})
    plan = planned(data)
    assert plan.costs.total == pytest.approx(0.0, abs=1e-6)
    start = start_solution(build_program(scenario(data)), plan)
    stays = {
        recipe: start.activity[f"stays set WORKS/POT/{recipe}"].tolist()
        for recipe in ("gin", "dry")
    }
    assert stays == {"gin": [1.0, 1.0, 0.0, 0.0], "dry": [0.0, 0.0, 1.0, 0.0]}


def test_prices_are_matched_by_their_days_and_the_last_one_goes_on():
    plan = planned(base(demand=[ask(2, 5_000.0)]))
    price = RulePrice("balance", "site BOTTLER", "GIN", (1.0, 2.0, 3.0, 4.0), 7.0)
    plan = replace(plan, proof=replace(plan.proof, prices=(price,)))
    later = base(calendar={
        "start": START + timedelta(days=7), "quarter_periods": 3, "horizon_periods": 4
    })  # fmt: skip
    start = start_solution(build_program(scenario(later)), plan)
    assert start.prices["balance", "site BOTTLER", "GIN"].tolist() == [2.0, 3.0, 4.0, 4.0, 7.0]
