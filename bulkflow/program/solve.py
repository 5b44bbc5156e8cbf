"""From a scenario to a plan: build, solve, read back, and hold the two costs against each other."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Outcome, OutcomeStatus, Progress, StoppedBy
from bulkflow.core.solve import solve
from bulkflow.errors import NoneFoundError, VerificationError
from bulkflow.program.answer import Plan, Proof, RulePrice
from bulkflow.program.build import TradeProgram, build_program
from bulkflow.program.diagnosis import NoPlanError, explain_no_plan
from bulkflow.program.read_back import read_plan
from bulkflow.program.start import start_solution
from bulkflow.scenario.model import Scenario
from bulkflow.scenario.sources import SourceMap

__all__ = ["make_plan", "plan_program", "read_outcome", "search_plan"]

COST_TOLERANCE = 1e-6
"""Largest difference between the core's objective and the plan's cost, as a share of either."""


def make_plan(
    scenario: Scenario,
    options: SolveOptions | None = None,
    *,
    on_progress: Callable[[Progress], None] | None = None,
    stop: threading.Event | None = None,
    sources: SourceMap | None = None,
    start: Plan | None = None,
) -> Plan:
    """Return the best plan for a scenario found within the limits, with its proved bound.

    Parameters
    ----------
    options : limits and choices of the solve.
    on_progress, stop : as in `SolveOptions`, which they take the place of.
    sources : where the scenario was written, to name file and line where no plan exists.
    start : a plan made before, of this scenario or one much like it, to start from.

    Raises
    ------
    InputError
        A rate of duty or exchange is missing on a day on which it is needed.
    NoPlanError
        No plan meets every rule; with the smallest set found of rules that cannot hold together.
    NoneFoundError
        No plan was found before the solve was stopped.
    PlanningError
        A load is promised or frozen that can never be sent.
    VerificationError
        The plan's cost, worked out again, is not the core's objective.
    """
    program, options = _prepared(scenario, options or SolveOptions(), on_progress, stop, start)
    return plan_program(program, options, sources=sources)


def search_plan(
    scenario: Scenario,
    options: SolveOptions,
    *,
    on_progress: Callable[[Progress], None] | None = None,
    stop: threading.Event | None = None,
    start: Plan | None = None,
) -> tuple[Plan | None, float]:
    """Return the best plan found within the limits, if any, and the bound proved (else -inf).

    Raises
    ------
    PlanningError
        No plan meets every rule; why is not looked into.
    """
    program, options = _prepared(scenario, options, on_progress, stop, start)
    outcome = solve(program.network, options)
    if outcome.status is OutcomeStatus.INFEASIBLE:
        outcome.raise_for_status()
    bound = float("-inf") if outcome.bound is None else outcome.bound
    return (None if outcome.solution is None else read_outcome(program, outcome)), bound


def _prepared(
    scenario: Scenario,
    options: SolveOptions,
    on_progress: Callable[[Progress], None] | None,
    stop: threading.Event | None,
    start: Plan | None,
) -> tuple[TradeProgram, SolveOptions]:
    if on_progress is not None:
        options = replace(options, on_progress=on_progress)
    if stop is not None:
        options = replace(options, stop=stop)
    program = build_program(scenario)
    if start is not None:
        options = replace(options, start=start_solution(program, start))
    return program, options


def plan_program(
    program: TradeProgram, options: SolveOptions, *, sources: SourceMap | None = None
) -> Plan:
    """Return the best plan of a program that is already built. See `make_plan`."""
    outcome = solve(program.network, options)
    if outcome.status is OutcomeStatus.INFEASIBLE:
        raise NoPlanError(explain_no_plan(program, sources=sources, seconds=options.seconds))
    outcome.raise_for_status()
    return read_outcome(program, outcome)


def read_outcome(program: TradeProgram, outcome: Outcome) -> Plan:
    """Return the plan in an outcome that holds one, its cost checked."""
    if outcome.solution is None or outcome.objective is None:
        raise NoneFoundError("The search ended without a plan; allow more time.")
    proof = Proof(
        cost=outcome.objective,
        bound=float("-inf") if outcome.bound is None else outcome.bound,
        solver=outcome.solver,
        seconds=outcome.seconds,
        interrupted=outcome.stopped_by is StoppedBy.REQUEST,
        columns=outcome.columns,
        rows=outcome.rows,
        rows_added=outcome.rows_added,
        repairs=outcome.repairs,
        prices=tuple(
            RulePrice(*key, tuple(values[:-1].tolist()), float(values[-1]))
            for key, values in sorted(outcome.solution.prices.items())
        ),
    )
    plan = read_plan(program, outcome.solution, proof)
    worked_out = plan.costs.total
    if abs(worked_out - outcome.objective) > COST_TOLERANCE * max(1.0, abs(worked_out)):
        raise VerificationError(
            f"The parts of the plan's cost add up to {worked_out:.2f}, the solver's objective is"
            f" {outcome.objective:.2f}."
        )
    return plan
