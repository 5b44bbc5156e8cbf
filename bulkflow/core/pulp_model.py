"""The program as a PuLP problem, solved by CBC or HiGHS: the only module that imports PuLP.

Columns and rows get numbered names (``c0``, ``r0``), because PuLP turns many signs of a name into
``_`` and names could collide; `Program` holds the way back. PuLP reports a plan found before a
time limit as optimal, and an interrupted HiGHS run without any plan as solved with every value
zero. So what it says is never taken as proof: for HiGHS the solver object itself is read, for CBC
the solution status beside the status, and the bound from its log.
"""

from __future__ import annotations

import re
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import highspy
import numpy as np
import pulp
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import MipAnswer
from bulkflow.core.outcome import OutcomeStatus, StoppedBy
from bulkflow.core.program import Program
from bulkflow.errors import SolverError

__all__ = ["PulpModel", "cbc_name"]

FloatArray = NDArray[np.float64]

# (status, solution status) of PuLP after CBC; anything else raises.
_CBC_MEANING = {
    (pulp.LpStatusOptimal, pulp.LpSolutionOptimal): OutcomeStatus.OPTIMAL,
    (pulp.LpStatusOptimal, pulp.LpSolutionIntegerFeasible): OutcomeStatus.FEASIBLE,
    (pulp.LpStatusNotSolved, pulp.LpSolutionNoSolutionFound): OutcomeStatus.STOPPED,
    (pulp.LpStatusInfeasible, pulp.LpSolutionInfeasible): OutcomeStatus.INFEASIBLE,
    (pulp.LpStatusInfeasible, pulp.LpSolutionNoSolutionFound): OutcomeStatus.INFEASIBLE,
    (pulp.LpStatusUnbounded, pulp.LpSolutionUnbounded): OutcomeStatus.UNBOUNDED,
}
_CBC_BOUND = re.compile(r"^(?:Lower bound|Continuous objective value is):?\s+(-?[\d.e+]+)", re.M)
_NUMBER_OF_NODES = re.compile(r"^Enumerated nodes:\s+(\d+)", re.M)


@contextmanager
def _version_3() -> Iterator[None]:
    """Keep PuLP 3 from announcing, at every call, what version 4 will want instead."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=DeprecationWarning, message=".*PuLP 4")
        yield


def cbc_name() -> str:
    """Return the name of the alternative solver."""
    return f"CBC (through PuLP {pulp.VERSION})"


@dataclass(frozen=True, slots=True)
class _CbcOptions:
    """What CBC is told beside the time."""

    gap: float
    threads: int
    max_nodes: int | None


class PulpModel:
    """A program handed to PuLP."""

    def __init__(self, program: Program) -> None:
        self.program = program
        with _version_3():
            self._build()

    def _build(self) -> None:
        program = self.program
        self.problem = pulp.LpProblem("network", pulp.LpMinimize)
        self._columns = [
            pulp.LpVariable(
                f"c{number}",
                None if np.isneginf(low) else float(low),
                None if np.isposinf(high) else float(high),
                cat=pulp.LpInteger if whole else pulp.LpContinuous,
            )
            for number, (low, high, whole) in enumerate(
                zip(program.lower, program.upper, program.integer, strict=True)
            )
        ]
        # A column in no row and without cost would be missing from the file CBC reads, yet have
        # its bounds in it, which CBC refuses.
        counts = np.diff(sparse.csc_array(program.matrix).indptr)
        self._idle = (counts == 0) & (program.cost == 0)
        self.problem.addVariables(
            [column for column, idle in zip(self._columns, self._idle, strict=True) if not idle]
        )
        self.problem.setObjective(
            pulp.LpAffineExpression(
                [
                    (column, float(cost))
                    for column, cost in zip(self._columns, program.cost, strict=True)
                    if cost
                ],
                constant=program.constant,
            )
        )
        for row in range(program.rows):
            self._add_row(row)

    def _add_row(self, row: int) -> None:
        matrix, program = self.program.matrix, self.program
        span = slice(matrix.indptr[row], matrix.indptr[row + 1])
        terms = [
            (self._columns[column], float(value))
            for column, value in zip(matrix.indices[span], matrix.data[span], strict=True)
        ]
        low, high = float(program.row_lower[row]), float(program.row_upper[row])
        if low == high:
            sides = [("e", pulp.LpConstraintEQ, low)]
        else:
            sides = [("g", pulp.LpConstraintGE, low), ("l", pulp.LpConstraintLE, high)]
        for suffix, sense, side in sides:
            if np.isfinite(side):
                expression = pulp.LpAffineExpression(terms)
                self.problem.addConstraint(
                    pulp.LpConstraint(expression, sense, f"r{row}{suffix}", side)
                )

    def _values(self) -> FloatArray:
        known = np.array(
            [np.nan if column.varValue is None else column.varValue for column in self._columns]
        )
        idle = np.clip(0.0, self.program.lower, self.program.upper)
        values = np.where(self._idle, idle, known)
        if np.isnan(values).any():
            raise SolverError("the solver left columns of its plan without a value")
        return values

    def solve_cbc(
        self, deadline: Deadline, *, gap: float, threads: int = 1, max_nodes: int | None = None
    ) -> MipAnswer:
        """Solve with CBC, in a process of its own; only its time limit can end it early."""
        options = _CbcOptions(gap, threads, max_nodes)
        try:
            # With preprocessing the CBC that PuLP brings (2.10.3) has called plans optimal that
            # are not (tests/core/test_solvers.py holds one).
            status, log = self._run_cbc(deadline, options, preprocess=False)
        except pulp.PulpSolverError:
            # Without it, it crashes on some problems that no plan can meet; nothing but that
            # is believed of a second run with it.
            status, log = self._run_cbc_again(deadline, options)
        return self._cbc_answer(status, log, deadline, gap)

    def _run_cbc_again(self, deadline: Deadline, options: _CbcOptions) -> tuple[OutcomeStatus, str]:
        try:
            status, log = self._run_cbc(deadline, options, preprocess=True)
        except pulp.PulpSolverError as error:
            raise SolverError(f"CBC failed: {error}") from error
        if status is not OutcomeStatus.INFEASIBLE:
            raise SolverError("CBC failed without preprocessing, and its plan with it is not safe")
        return status, log

    def _run_cbc(
        self, deadline: Deadline, options: _CbcOptions, *, preprocess: bool
    ) -> tuple[OutcomeStatus, str]:
        """Run CBC once; return what it says and its log."""
        with tempfile.TemporaryDirectory() as folder:
            log = Path(folder) / "cbc.log"
            seconds = None if np.isinf(deadline.remaining()) else max(0.1, deadline.remaining())
            with _version_3():
                solver = pulp.PULP_CBC_CMD(
                    msg=False,
                    logPath=str(log),
                    timeLimit=seconds,
                    gapRel=options.gap,
                    threads=options.threads,
                    maxNodes=options.max_nodes,
                    options=[] if preprocess else ["preprocess off"],
                )
                solver.tmpDir = folder  # where CBC crashes, PuLP leaves its files behind
                self.problem.solve(solver)
            text = log.read_text() if log.exists() else ""
        key = (self.problem.status, self.problem.sol_status)
        if key not in _CBC_MEANING:
            raise SolverError(f"CBC ended with the status {key}")
        return _CBC_MEANING[key], text

    def _cbc_answer(
        self, status: OutcomeStatus, log: str, deadline: Deadline, gap: float
    ) -> MipAnswer:
        nodes = _NUMBER_OF_NODES.search(log)
        stopped = status in (OutcomeStatus.FEASIBLE, OutcomeStatus.STOPPED)
        reason = StoppedBy.PROOF
        if stopped:
            reason = StoppedBy.TIME if deadline.remaining() < 0.5 else StoppedBy.WORK
        answer = MipAnswer(status, reason, nodes=int(nodes.group(1)) if nodes else 0)
        if status in (OutcomeStatus.OPTIMAL, OutcomeStatus.FEASIBLE):
            answer.values = self._values()
            answer.objective = float(self.program.cost @ answer.values) + self.program.constant
        if status is OutcomeStatus.OPTIMAL and answer.objective is not None:
            answer.bound = answer.objective - gap * abs(answer.objective)
        elif stopped:
            # The log speaks of the objective without its constant. The last line wins.
            bounds = [float(text) for text in _CBC_BOUND.findall(log)]
            if bounds:
                answer.bound = bounds[-1] + self.program.constant
        return answer

    def solve_highs(self, deadline: Deadline, *, gap: float, threads: int = 1) -> MipAnswer:
        """Solve with HiGHS through PuLP and read the solver object, not PuLP's word."""
        seconds = None if np.isinf(deadline.remaining()) else deadline.remaining()
        with _version_3():
            solver = pulp.HiGHS(msg=False, timeLimit=seconds, gapRel=gap, threads=threads)
            self.problem.solve(solver)
        highs = self.problem.solverModel
        info, status = highs.getInfo(), highs.getModelStatus()
        meaning = {
            highspy.HighsModelStatus.kOptimal: OutcomeStatus.OPTIMAL,
            highspy.HighsModelStatus.kInfeasible: OutcomeStatus.INFEASIBLE,
            highspy.HighsModelStatus.kTimeLimit: OutcomeStatus.STOPPED,
        }
        if status not in meaning:
            raise SolverError(f"HiGHS ended with the status {highs.modelStatusToString(status)!r}")
        reason = StoppedBy.TIME if meaning[status] is OutcomeStatus.STOPPED else StoppedBy.PROOF
        answer = MipAnswer(meaning[status], reason)
        feasible = int(highspy.SolutionStatus.kSolutionStatusFeasible)
        if info.primal_solution_status == feasible:
            answer.values = self._values()
            answer.objective = float(self.program.cost @ answer.values) + self.program.constant
            if answer.status is OutcomeStatus.STOPPED:
                answer.status = OutcomeStatus.FEASIBLE
        if self.program.integer.any():
            answer.bound = float(info.mip_dual_bound) + self.program.constant
        elif answer.objective is not None and answer.status is OutcomeStatus.OPTIMAL:
            answer.bound = answer.objective
        return answer
