"""Bench of instances of the literature: the core beside the plain solver, gap and time of each.

``python -m tests.benchmarks.literature tests/reference/planning_instances --seconds 60``

Reads a folder: networks (``.yaml``, the form of tests/reference/planning_examples) go through
`bulkflow.core.solve.solve` in its strong and in its plain form; matrices (``.mps``, ``.mps.gz``)
through the core's own solver session and through HiGHS as it comes. Gaps are proved ones.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import highspy
import numpy as np
from scipy import sparse

from bulkflow.core.deadline import Deadline
from bulkflow.core.document import load_document
from bulkflow.core.highs import HighsSession
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.outcome import relative_gap
from bulkflow.core.program import Program
from bulkflow.core.solve import solve

GAP = 1e-6


def measured(folder: Path, seconds: float) -> Iterator[dict[str, Any]]:
    """Return a row of figures for every instance of a folder."""
    for file in sorted(folder.iterdir()):
        if file.suffix == ".yaml":
            yield {"instance": file.stem} | _network(file, seconds)
        elif file.name.endswith((".mps", ".mps.gz")):
            yield {"instance": file.name.split(".mps")[0]} | _matrix(file, seconds)


def _network(file: Path, seconds: float) -> dict[str, Any]:
    network, _ = load_document(file)
    row: dict[str, Any] = {}
    for form in (Form.STRONG, Form.PLAIN):
        outcome = solve(network, SolveOptions(seconds=seconds, gap=GAP, form=form))
        row |= {
            f"{form}_seconds": round(outcome.seconds, 3),
            f"{form}_gap": outcome.gap,
            f"{form}_objective": outcome.objective,
        }
    return row


def program_of_mps(file: Path) -> Program:
    """Return a matrix file as a program of one period."""
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    if highs.readModel(str(file)) == highspy.HighsStatus.kError:
        raise ValueError(f"{file} cannot be read as a matrix file")
    model = highs.getLp()
    matrix = sparse.csc_array(
        (model.a_matrix_.value_, model.a_matrix_.index_, model.a_matrix_.start_),
        shape=(model.num_row_, model.num_col_),
    )
    whole = [kind == highspy.HighsVarType.kInteger for kind in model.integrality_]
    sign = -1.0 if model.sense_ == highspy.ObjSense.kMaximize else 1.0
    return Program.unlabelled(
        periods=1,
        commodities=(),
        sign=sign,
        constant=sign * model.offset_,
        cost=sign * np.array(model.col_cost_),
        lower=np.array(model.col_lower_),
        upper=np.array(model.col_upper_),
        integer=np.array(whole or [False] * model.num_col_, dtype=bool),
        matrix=sparse.csr_array(matrix),
        row_lower=np.array(model.row_lower_),
        row_upper=np.array(model.row_upper_),
    )


def _matrix(file: Path, seconds: float) -> dict[str, Any]:
    program = program_of_mps(file)
    began = time.perf_counter()
    with HighsSession(program) as session:
        if program.integer.any():
            answer = session.solve_mip(Deadline(seconds), gap=GAP)
            objective, bound = answer.objective, answer.bound
        else:
            relaxed = session.solve_lp(Deadline(seconds))
            objective = bound = relaxed.objective
    row = {
        "strong_seconds": round(time.perf_counter() - began, 3),
        "strong_gap": relative_gap(objective, bound),
        "strong_objective": None if objective is None else program.sign * objective,
    }
    highs = highspy.Highs()
    for name, value in (("output_flag", False), ("time_limit", seconds), ("mip_rel_gap", GAP)):
        highs.setOptionValue(name, value)
    highs.setOptionValue("threads", 1)
    highs.readModel(str(file))
    began = time.perf_counter()
    highs.run()
    info = highs.getInfo()
    return row | {
        "plain_seconds": round(time.perf_counter() - began, 3),
        "plain_gap": float(info.mip_gap) if program.integer.any() else 0.0,
        "plain_objective": float(info.objective_function_value),
    }


def main(argv: list[str] | None = None) -> int:
    """Read the command line, run, print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.literature", description=__doc__
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--json", action="store_true", help="one JSON document a line")
    arguments = parser.parse_args(argv)
    if not arguments.folder.is_dir():
        parser.error(f"{arguments.folder} is no folder")
    for row in measured(arguments.folder, arguments.seconds):
        if arguments.json:
            print(json.dumps(row), flush=True)
            continue
        print(
            f"{row['instance']:16} core {row['strong_seconds']:8.2f} s"
            f" {100 * (row['strong_gap'] or 0.0):8.4f} %   plain {row['plain_seconds']:8.2f} s"
            f" {100 * (row['plain_gap'] or 0.0):8.4f} %   {row['strong_objective']:.10g}",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
