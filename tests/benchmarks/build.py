"""Bench of building: arrays handed to HiGHS against one PuLP object a column and term.

``python -m tests.benchmarks.build --weeks 26 --bottlers 12 --liquids 4 --seed 7 --json``

Both start from the same network and end with the program inside HiGHS; ``ratio`` is PuLP's time
over that of the arrays.
"""

from __future__ import annotations

import argparse
import sys
import time
from typing import Any

import highspy
import pulp

from bulkflow.core.assemble import assemble_data
from bulkflow.core.highs import HighsSession
from bulkflow.core.options import Form
from bulkflow.core.pulp_model import PulpModel
from bulkflow.core.values import spread_network
from bulkflow.program.build import build_program
from tests.benchmarks.command import instance_parser, show
from tests.benchmarks.instances import make_instance


def run(arguments: argparse.Namespace) -> dict[str, Any]:
    """Build both ways; return the measurements."""
    scenario = make_instance(
        weeks=arguments.weeks,
        bottlers=arguments.bottlers,
        liquids=arguments.liquids,
        seed=arguments.seed,
        full=arguments.full,
    )
    began = time.perf_counter()
    network = build_program(scenario).network
    networked = time.perf_counter()
    program = assemble_data(spread_network(network), form=Form.STRONG)
    assembled = time.perf_counter()
    with HighsSession(program):
        handed = time.perf_counter()
    objects = time.perf_counter()
    model = PulpModel(program)
    built = time.perf_counter()
    solver = pulp.HiGHS(msg=False)
    solver.createAndConfigureSolver(model.problem)
    solver.buildSolverModel(model.problem)
    done = time.perf_counter()
    if not isinstance(model.problem.solverModel, highspy.Highs):
        raise RuntimeError("PuLP holds no HiGHS")
    arrays = handed - networked
    return {
        "columns": program.columns,
        "rows": program.rows,
        "entries": int(program.matrix.nnz),
        "seconds_trade_to_network": round(networked - began, 3),
        "seconds_arrays": round(assembled - networked, 3),
        "seconds_arrays_to_highs": round(handed - assembled, 3),
        "seconds_pulp": round(built - objects, 3),
        "seconds_pulp_to_highs": round(done - built, 3),
        "ratio": round((assembled - networked + done - objects) / arrays, 1),
    }


def main(argv: list[str] | None = None) -> int:
    """Read the command line, run, print."""
    parser = instance_parser("build", __doc__)
    arguments = parser.parse_args(argv)
    show(run(arguments), as_json=arguments.json)
    return 0


if __name__ == "__main__":
    sys.exit(main())
