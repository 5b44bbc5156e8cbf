"""Bench of the planner: an instance from a seed, solved through the public planner.

``python -m tests.benchmarks.plan --weeks 26 --bottlers 12 --liquids 4 --seed 7 --json``

``gap`` is (cost - bound) / cost as a fraction; the cost is that of the plan after its independent
check, the bound comes from a relaxation. ``gap_changeable`` is the same difference over freight,
holding (handling and capital), change, shortage and floors. ``--plain`` gives the plain
formulation to the solver alone for the same time.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import time
from typing import Any

from bulkflow.cli.shell import ExitCode, leave
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.outcome import Progress
from bulkflow.core.solve import solve
from bulkflow.plan.check import check_plan
from bulkflow.program.build import build_program
from bulkflow.program.solve import read_outcome
from tests.benchmarks.command import instance_parser, show
from tests.benchmarks.instances import make_instance


class Watch:
    """Keep when the first plan came and when the gap first was 1 %."""

    def __init__(self, started: float) -> None:
        self.started = started
        self.first_plan: float | None = None
        self.one_percent: float | None = None

    def hear(self, progress: Progress) -> None:
        """Note the moment of each piece of news."""
        now = time.perf_counter() - self.started
        if progress.objective is not None and self.first_plan is None:
            self.first_plan = now
        if progress.gap is not None and progress.gap <= 0.01 and self.one_percent is None:
            self.one_percent = now


def run(arguments: argparse.Namespace) -> dict[str, Any]:
    """Make, solve and check the instance; return the measurements."""
    scenario = make_instance(
        weeks=arguments.weeks,
        bottlers=arguments.bottlers,
        liquids=arguments.liquids,
        seed=arguments.seed,
        full=arguments.full,
    )
    started = time.perf_counter()
    watch = Watch(started)
    program = build_program(scenario)
    built = time.perf_counter()
    options = SolveOptions(
        seconds=arguments.seconds,
        gap=arguments.gap,
        form=Form.PLAIN if arguments.plain else Form.STRONG,
        on_progress=watch.hear,
        threads=arguments.threads,
    )
    solving = time.perf_counter()
    outcome = solve(program.network, options)
    solved = time.perf_counter()
    outcome.raise_for_status()
    plan = read_outcome(program, outcome)
    wall = time.perf_counter() - started
    read_back = time.perf_counter() - solved
    check_plan(scenario, plan).raise_for_failures()
    usage = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    proof, changeable = plan.proof, plan.costs.changeable
    gap_changeable = proof.gap_over(changeable)
    if watch.first_plan is None:
        watch.first_plan = wall
    if watch.one_percent is None and proof.gap <= 0.01:
        watch.one_percent = wall
    return {
        "weeks": arguments.weeks,
        "bottlers": arguments.bottlers,
        "liquids": arguments.liquids,
        "seed": arguments.seed,
        "full": arguments.full,
        "form": "plain" if arguments.plain else "strong",
        "columns": proof.columns,
        "rows": proof.rows,
        "rows_added": proof.rows_added,
        "seconds_build": round(built - started, 3),
        "seconds_solve": round(solved - solving, 3),
        "seconds_read_back": round(read_back, 3),
        "seconds_first_plan": round(watch.first_plan, 3),
        "seconds_1_percent": None if watch.one_percent is None else round(watch.one_percent, 3),
        "cost": proof.cost,
        "bound": proof.bound,
        "gap": proof.gap,
        "gap_changeable": gap_changeable,
        "wall_seconds": round(wall, 3),
        "cpu_seconds": round(time.process_time(), 3),
        "peak_mb": round(max(usage, children) / 1024.0, 1),
        "solver": proof.solver,
        "python": platform.python_version(),
        "cores": os.cpu_count(),
    }


def main(argv: list[str] | None = None) -> int:
    """Read the command line, run, print."""
    parser = instance_parser("plan", __doc__)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--gap", type=float, default=1e-4, help="stop at this gap (a fraction)")
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--plain", action="store_true", help="the plain form, the solver alone")
    arguments = parser.parse_args(argv)
    show(run(arguments), as_json=arguments.json)
    return 0


if __name__ == "__main__":
    leave(ExitCode(main()))
