"""What is offered after a plan: commands that exist, that fit the plan, that are safe to copy."""

from __future__ import annotations

import shlex
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
import typer

from bulkflow.cli import app
from bulkflow.core.options import SolveOptions
from bulkflow.plan.make import plan_scenario
from bulkflow.plan.next_steps import WORDS, Whereabouts, next_steps
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.scenario import read_workspace

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def result() -> PlanResult:
    scenario = read_workspace(ROOT / "scenarios" / "two_sites").scenario
    return plan_scenario(scenario, SolveOptions())


def hold(lot: str, saving: float | None = None, loads: tuple[str, ...] = ()) -> HoldCost:
    return HoldCost(
        lot, "DRY", "STILLHOUSE", "held", 10.0, None, None, "", loads, saving_most=saving
    )


def everything(result: PlanResult) -> PlanResult:
    proof = replace(result.plan.proof, bound=result.plan.proof.cost * 0.9)
    short = tuple(replace(row, open_lpa=50.0) for row in result.plan.demand)
    plan = replace(result.plan, proof=proof, demand=short)
    return replace(result, plan=plan, register="records.sqlite", holds=(hold("A"), hold("B", 9.0)))


def test_every_command_offered_exists(result: PlanResult) -> None:
    group = typer.main.get_command(app)
    steps = next_steps(everything(result), Whereabouts("demo", "plans/a b"), loads=("P-1",))
    steps += next_steps(everything(result), Whereabouts("demo", database="x.sqlite"))
    steps += next_steps(everything(result), Whereabouts("demo", "x", on=date(2027, 1, 11)))
    steps += next_steps(replace(everything(result), register=""), Whereabouts("demo"))
    assert {step.key for step in steps} == set(WORDS)
    for step in steps:
        name, *words = shlex.split(step.command)
        assert name == "bulkflow"
        command = group
        while hasattr(command, "commands"):
            command = command.commands[words.pop(0)]
        context = command.make_context("x", list(words))
        assert context.params, step.command


def test_the_lot_whose_release_saves_most_is_named(result: PlanResult) -> None:
    steps = {step.key: step for step in next_steps(everything(result), Whereabouts("demo"))}
    assert steps["gate"].command == "bulkflow lots why demo B"
    assert steps["gate"].words == "See which gate B waits for, and what opens it"


def test_what_does_not_fit_is_not_offered(result: PlanResult) -> None:
    keys = [step.key for step in next_steps(result, Whereabouts("demo", "plans/demo"))]
    assert keys == []  # nothing short, nothing held, no register, proved the cheapest


def commands(result: PlanResult, where: Whereabouts) -> dict[str, str]:
    return {step.key: step.command for step in next_steps(everything(result), where)}


def test_a_plan_from_a_later_day_is_planned_again_from_that_day(result: PlanResult) -> None:
    day = date(2027, 1, 18)
    new = commands(result, Whereabouts("demo", on=day))
    assert new["keep"] == "bulkflow plan demo --on 2027-01-18 --out plans/demo"
    kept = commands(result, Whereabouts("demo", "plans/week3", on=day))
    more = "bulkflow plan demo --on 2027-01-18 --since plans/week3 --seconds 300"
    assert kept["more_time"] == more
    assert "short" not in kept  # the check would speak of the calendar's own first day


def test_a_plan_from_the_tables_is_planned_again_from_the_tables(result: PlanResult) -> None:
    steps = next_steps(replace(everything(result), register=""), Whereabouts("demo", "plans/x"))
    again = {step.key: step.command for step in steps}["more_time"]
    assert again == "bulkflow plan demo --no-register --since plans/x --seconds 300"


def test_names_are_safe_to_paste(result: PlanResult) -> None:
    steps = next_steps(everything(result), Whereabouts("my demo; rm x", "a'b"))
    for step in steps:
        assert "my demo; rm x" in shlex.split(step.command)
