"""Bench of whole workspaces: plan each in turn, check its plan, print one line for each.

``python -m tests.benchmarks.workspaces FOLDER... --seconds S [--json] [--plain]``

The opening tables are taken as they stand, without a register. ``seconds_first_plan`` and
``seconds_1_percent`` are processor seconds from the start of the solve, as ``cpu_seconds``
(building and checking included) is; ``gap`` is a fraction. ``--work W`` limits the work instead,
``--plain`` gives the plain form to the solver alone for the same time.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from pathlib import Path
from typing import Any

from bulkflow.cli.shell import ExitCode, leave
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.outcome import Progress
from bulkflow.core.solve import solve
from bulkflow.plan.check import check_plan
from bulkflow.program.build import build_program
from bulkflow.program.solve import read_outcome
from bulkflow.scenario.reader import read_workspace

ONE_PERCENT = 0.01


class Marks:
    """When plans and gaps came, in processor seconds.

    Parameters
    ----------
    at : the seconds after which to note the gap.
    """

    def __init__(self, at: tuple[float, ...]) -> None:
        self._began = time.process_time()
        self.first_plan: float | None = None
        self.one_percent: float | None = None
        self.gap_at: dict[float, float | None] = dict.fromkeys(at)

    def hear(self, progress: Progress) -> None:
        """Note the moment of a piece of news."""
        now = time.process_time() - self._began
        if progress.objective is not None and self.first_plan is None:
            self.first_plan = now
        if progress.gap is None:
            return
        if progress.gap <= ONE_PERCENT and self.one_percent is None:
            self.one_percent = now
        for moment in self.gap_at:
            if now <= moment:
                self.gap_at[moment] = progress.gap


def measured(folder: Path, arguments: argparse.Namespace, *, plain: bool) -> dict[str, Any]:
    """Plan one workspace; return the figures."""
    began, cpu = time.perf_counter(), time.process_time()
    scenario = read_workspace(folder).scenario
    program = build_program(scenario)
    marks = Marks(tuple(arguments.at))
    options = SolveOptions(
        seconds=None if arguments.work else arguments.seconds,
        work=arguments.work,
        gap=arguments.gap,
        form=Form.PLAIN if plain else Form.STRONG,
        on_progress=marks.hear,
    )
    outcome = solve(program.network, options)
    found: dict[str, Any] = {
        "workspace": folder.name,
        "form": "plain" if plain else "strong",
        "columns": outcome.columns,
        "cost": outcome.objective,
        "bound": outcome.bound,
        "gap": outcome.gap,
        "seconds_first_plan": _rounded(marks.first_plan),
        "seconds_1_percent": _rounded(marks.one_percent),
        **{f"gap_at_{moment:g}": gap for moment, gap in marks.gap_at.items()},
        "repairs": list(outcome.repairs),
    }
    if outcome.solution is not None:
        check_plan(scenario, read_outcome(program, outcome)).raise_for_failures()
    return found | {
        "wall_seconds": _rounded(time.perf_counter() - began),
        "cpu_seconds": _rounded(time.process_time() - cpu),
        "peak_mb": _rounded(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def main(argv: list[str] | None = None) -> int:
    """Read the command line, plan, print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.workspaces", description=__doc__
    )
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    parser.add_argument("--seconds", type=float, default=30.0, help="wall time for each")
    parser.add_argument("--work", type=float, default=None, help="units of work, in its place")
    parser.add_argument("--gap", type=float, default=1e-4, help="stop at this gap (a fraction)")
    parser.add_argument("--at", type=float, nargs="*", default=[], help="processor seconds to note")
    parser.add_argument("--plain", action="store_true", help="the plain form beside it")
    parser.add_argument("--json", action="store_true", help="one line of JSON a workspace")
    arguments = parser.parse_args(argv)
    for folder in arguments.folders:
        for plain in (False, True) if arguments.plain else (False,):
            figures = measured(folder, arguments, plain=plain)
            words = (f"{name} {value}" for name, value in figures.items())
            print(json.dumps(figures) if arguments.json else "  ".join(words), flush=True)
    return 0


if __name__ == "__main__":
    leave(ExitCode(main()))
