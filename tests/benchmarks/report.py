"""Bench of the report: how long a plan takes to draw, and how large its file is.

``python -m tests.benchmarks.report --weeks 26 --bottlers 12 --liquids 4 --seed 7 --json``

The plan is made first, within ``--seconds``; only drawing is measured, against writing the same
plan as a workbook in the same run (``ratio`` is report over workbook).
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bulkflow.core.options import SolveOptions
from bulkflow.plan.make import plan_scenario
from bulkflow.report.page import render_report
from bulkflow.report.workbook import write_workbook
from tests.benchmarks.command import instance_parser, show
from tests.benchmarks.instances import make_instance


def run(arguments: argparse.Namespace) -> dict[str, Any]:
    """Make a plan, draw it, write it; return the measurements."""
    scenario = make_instance(
        weeks=arguments.weeks,
        bottlers=arguments.bottlers,
        liquids=arguments.liquids,
        seed=arguments.seed,
        full=arguments.full,
    )
    result = plan_scenario(scenario, SolveOptions(seconds=arguments.seconds, gap=arguments.gap))
    begun = time.perf_counter()
    page = render_report(result, scenario)
    drawn = time.perf_counter() - begun
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        write_workbook(result, scenario, Path(folder) / "plan.xlsx")
        workbook = time.perf_counter() - begun
    return {
        "weeks": arguments.weeks,
        "bottlers": arguments.bottlers,
        "liquids": arguments.liquids,
        "seed": arguments.seed,
        "full": arguments.full,
        "loads": len(result.plan.loads),
        "pictures": page.count("<svg"),
        "seconds_report": round(drawn, 3),
        "seconds_workbook": round(workbook, 3),
        "ratio": round(drawn / workbook, 3),
        "megabytes": round(len(page.encode("utf-8")) / 1e6, 3),
        "python": platform.python_version(),
        "cores": os.cpu_count(),
    }


def main(argv: list[str] | None = None) -> int:
    """Read the command line, run, print."""
    parser = instance_parser("report", __doc__)
    parser.add_argument("--seconds", type=float, default=30.0, help="for the plan, not measured")
    parser.add_argument("--gap", type=float, default=0.01, help="stop the plan at this gap")
    arguments = parser.parse_args(argv)
    show(run(arguments), as_json=arguments.json)
    return 0


if __name__ == "__main__":
    sys.exit(main())
