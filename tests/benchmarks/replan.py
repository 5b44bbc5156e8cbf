"""Bench of re-planning: one change, planned from nothing and from the last plan.

``python -m tests.benchmarks.replan --weeks 26 --bottlers 12 --liquids 4 --seed 7 --json``

The change is a demand raised by a fifth or, with ``--held``, a released lot held (which needs
``--full``, for the base form has no lots).

``seconds_1_percent_new`` and ``seconds_1_percent_replan`` are the times to a proved gap of 1 % for
the same changed instance; ``loads_moved`` counts the loads by which the new plan differs from the
last one, ``loads`` all loads of the last one.
"""

from __future__ import annotations

import argparse
import sys
import time
from typing import Any

import numpy as np

from bulkflow.core.network import Network
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Outcome, Progress, Solution
from bulkflow.core.solve import solve
from bulkflow.program.build import build_program
from bulkflow.scenario.model import Scenario
from tests.benchmarks.command import instance_parser, show
from tests.benchmarks.instances import make_instance

RAISED = 1.2


def raised(scenario: Scenario) -> Scenario:
    """Return the scenario with the demand of one bottler for one liquid raised by a fifth."""
    first = scenario.demand[0]
    rows = tuple(
        row.model_copy(update={"lpa": row.lpa * RAISED})
        if (row.site, row.liquid) == (first.site, first.liquid) and row.lpa is not None
        else row
        for row in scenario.demand
    )
    return scenario.model_copy(update={"demand": rows})


def held(scenario: Scenario) -> Scenario:
    """Return the scenario with its first released lot held."""
    first = next(lot.lot_id for lot in scenario.lots if lot.status == "released")
    lots = tuple(
        lot.model_copy(update={"status": "held"}) if lot.lot_id == first else lot
        for lot in scenario.lots
    )
    return scenario.model_copy(update={"lots": lots})


def timed(network: Network, seconds: float, start: Solution | None) -> tuple[Outcome, float | None]:
    """Return the outcome and when the gap first was 1 %."""
    began = time.perf_counter()
    reached: list[float] = []

    def hear(progress: Progress) -> None:
        if progress.gap is not None and progress.gap <= 0.01 and not reached:
            reached.append(time.perf_counter() - began)

    outcome = solve(network, SolveOptions(seconds=seconds, gap=0.01, start=start, on_progress=hear))
    if not reached and outcome.gap is not None and outcome.gap <= 0.01:
        reached.append(time.perf_counter() - began)
    return outcome, reached[0] if reached else None


def run(arguments: argparse.Namespace) -> dict[str, Any]:
    """Plan, change, plan again both ways; return the measurements."""
    scenario = make_instance(
        weeks=arguments.weeks,
        bottlers=arguments.bottlers,
        liquids=arguments.liquids,
        seed=arguments.seed,
        full=arguments.full,
    )
    change = held if arguments.held else raised
    last, _ = timed(build_program(scenario).network, arguments.seconds, None)
    last.raise_for_status()
    changed = build_program(change(scenario)).network
    _, new_seconds = timed(changed, arguments.seconds, None)
    again, again_seconds = timed(changed, arguments.seconds, last.solution)
    again.raise_for_status()
    if last.solution is None or again.solution is None:
        raise RuntimeError("a status that passed holds no plan")
    before, after = last.solution.vehicles, again.solution.vehicles
    moved = sum(float(np.abs(after[lane] - before[lane]).sum()) for lane in before)
    return {
        "seed": arguments.seed,
        "full": arguments.full,
        "change": "lot held" if arguments.held else "demand raised",
        "seconds_1_percent_new": new_seconds,
        "seconds_1_percent_replan": again_seconds,
        "ratio": new_seconds / again_seconds if new_seconds and again_seconds else None,
        "gap": again.gap,
        "loads": sum(float(counts.sum()) for counts in before.values()),
        "loads_moved": moved,
    }


def main(argv: list[str] | None = None) -> int:
    """Read the command line, run, print."""
    parser = instance_parser("replan", __doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--held", action="store_true", help="hold a lot (with --full)")
    arguments = parser.parse_args(argv)
    if arguments.held and not arguments.full:
        parser.error("--held needs --full: the base form has no lots")
    show(run(arguments), as_json=arguments.json)
    return 0


if __name__ == "__main__":
    sys.exit(main())
