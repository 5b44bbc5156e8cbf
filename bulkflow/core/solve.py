"""The public way to an answer: build, solve, clean, recheck, report.

Infeasible is an answer; `Outcome.raise_for_status` turns it into an error for those who want one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.assemble import assemble_data
from bulkflow.core.check import check_solution
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.plan_stability import without_idle_moves
from bulkflow.core.heuristics.polish import Polished, polish
from bulkflow.core.highs import HighsSession, MipAnswer, highs_name
from bulkflow.core.network import Network
from bulkflow.core.options import Form, SolveOptions, Solver
from bulkflow.core.outcome import (
    Outcome,
    OutcomeStatus,
    Progress,
    Solution,
    StoppedBy,
    relative_gap,
)
from bulkflow.core.prices import PriceKey
from bulkflow.core.program import Program
from bulkflow.core.pulp_model import PulpModel, cbc_name
from bulkflow.core.readback import column_values, read_solution
from bulkflow.core.strong import solve_strong
from bulkflow.core.validate import check_network
from bulkflow.core.values import NetworkData, spread_network
from bulkflow.errors import SolverError

__all__ = ["solve"]

FloatArray = NDArray[np.float64]

# Most time for taking back moves that bring no gain.
_TIDYING_SECONDS = 5.0
# A plan's whole numbers are fixed and the rest solved again: seconds that takes for every entry of
# the matrix (measured at a million), and the share of the time it is given at most.
_CLEANING_SECONDS = 3e-6
_CLEANING_SHARE = 0.15


def solve(network: Network, options: SolveOptions | None = None) -> Outcome:
    """Return the best plan found within the limits, with its proved bound.

    Raises
    ------
    InputError
        With every fault of the network.
    SolverError
        The solver failed, or its words and numbers disagree.
    VerificationError
        The plan fails the independent recheck.
    """
    options = options or SolveOptions()
    deadline = Deadline(options.seconds, options.stop, options.work)
    check_network(network)
    data = spread_network(network)
    program = assemble_data(data, form=Form(options.form))
    run = _Run(data, program, options, deadline)
    if program.contradictory_column() is not None or not program.columns:
        return run.outcome(_without_solver(program), solver="none needed")
    if Solver(options.solver) is Solver.CBC:
        answer = PulpModel(program).solve_cbc(
            deadline, gap=options.gap, threads=options.threads, max_nodes=options.max_nodes
        )
        return run.outcome(answer, solver=cbc_name())
    start = _start(data, program, options.start)
    if Form(options.form) is Form.STRONG and program.integer.any():
        search = deadline.part(_time_to_search(program, deadline))
        strong = solve_strong(data, program, options, search, start, run.hear)
        run.others = strong.others
        run.rows_added, run.rounds, run.prices = strong.rows_added, strong.rounds, strong.prices
        if start is not None and strong.answer.values is not None:
            grace = deadline.part(_TIDYING_SECONDS)
            strong.answer.values = without_idle_moves(program, strong.answer.values, start, grace)
        return run.outcome(strong.answer, solver=highs_name())
    return run.outcome(_solve_plain(program, options, deadline, start, run), solver=highs_name())


def _time_to_search(program: Program, deadline: Deadline) -> float:
    """Return the seconds for the search, less what cleaning its plan will take."""
    left = deadline.remaining()
    if not np.isfinite(left):
        return left
    cleaning = _CLEANING_SECONDS * program.matrix.nnz
    return left - min(cleaning, _CLEANING_SHARE * left)


def _start(data: NetworkData, program: Program, plan: Solution | None) -> FloatArray | None:
    """Return the column values of a plan to start from, NaN where it knows none."""
    if plan is None or not program.integer.any():
        return None
    values = column_values(data, program, plan)
    return values if np.isfinite(values[program.integer]).any() else None


def _solve_plain(
    program: Program,
    options: SolveOptions,
    deadline: Deadline,
    start: FloatArray | None,
    run: _Run,
) -> MipAnswer:
    with HighsSession(program, threads=options.threads, seed=options.seed) as session:
        if options.exact:
            session.be_exact()
        if start is not None and np.isfinite(start[program.integer]).all():
            session.propose(start)
        return session.solve_mip(
            deadline,
            gap=options.gap,
            max_nodes=options.max_nodes,
            listener=lambda objective, bound: run.hear("search", objective, bound),
        )


def _without_solver(program: Program) -> MipAnswer:
    """Answer a program whose bounds contradict each other, or one without any column."""
    holds = program.contradictory_column() is None and bool(
        ((program.row_lower <= 0) & (program.row_upper >= 0)).all()
    )
    if not holds:
        return MipAnswer(OutcomeStatus.INFEASIBLE, StoppedBy.PROOF)
    return MipAnswer(
        OutcomeStatus.OPTIMAL,
        StoppedBy.PROOF,
        objective=program.constant,
        values=np.zeros(0),
        bound=program.constant,
    )


@dataclass(slots=True)
class _Run:
    """One solve: what its parts share."""

    data: NetworkData
    program: Program
    options: SolveOptions
    deadline: Deadline
    rows_added: int = 0
    rounds: int = 0
    others: Sequence[FloatArray] = ()
    repairs: tuple[str, ...] = ()
    prices: Mapping[PriceKey, FloatArray] = field(default_factory=dict)
    improvements: list[tuple[float, float, float]] = field(default_factory=list)

    def hear(self, phase: str, objective: float | None, bound: float) -> None:
        """Pass the solver's news on, in the sense of the network."""
        if self.options.on_progress is None:
            return
        sign = self.program.sign
        shown_objective = None if objective is None else sign * objective
        shown_bound = sign * bound if np.isfinite(bound) else None
        self.options.on_progress(
            Progress(
                seconds=self.deadline.elapsed(),
                phase=phase,
                objective=shown_objective,
                bound=shown_bound,
                gap=relative_gap(shown_objective, shown_bound),
            )
        )

    def outcome(self, answer: MipAnswer, *, solver: str) -> Outcome:
        """Clean, recheck and report an answer."""
        sign = self.program.sign
        solution, objective = self._plan(answer)
        bound = sign * answer.bound if np.isfinite(answer.bound) else None
        if objective is not None and bound is not None:
            # Cleaning can move the objective within the solver's tolerance past the bound.
            bound = sign * min(sign * bound, sign * objective)
        return Outcome(
            status=answer.status,
            stopped_by=answer.stopped_by,
            objective=objective,
            bound=bound,
            gap=relative_gap(objective, bound),
            solution=solution,
            seconds=self.deadline.elapsed(),
            columns=self.program.columns,
            rows=self.program.rows + self.rows_added,
            rows_added=self.rows_added,
            nodes=answer.nodes,
            repairs=self.repairs,
            rounds=self.rounds,
            solver=solver,
            improvements=tuple(
                (seconds, sign * found, sign * proved if np.isfinite(proved) else None)
                for seconds, found, proved in answer.improvements
            ),
        )

    def _plan(self, answer: MipAnswer) -> tuple[Solution | None, float | None]:
        if answer.values is None:
            return None, None
        for number, values in enumerate((answer.values, *self.others)):
            # A search that ends at its gap may leave slack that costs: with its whole numbers, the
            # rest is solved to the end.
            clean = polish(self.program, values, self.deadline)
            if clean is None:
                continue
            found = read_solution(self.data, self.program, clean.values)
            report = check_solution(self.data.network, found)
            if report.breaches and number < len(self.others):
                continue
            report.raise_for_breaches()
            self.repairs = _repairs(clean, number)
            return replace(found, prices=dict(self.prices)), report.objective
        raise SolverError("no plan found holds once its whole numbers are made whole")


def _repairs(clean: Polished, number: int) -> tuple[str, ...]:
    """Say what was done so that a plan holds exactly."""
    said = []
    if number:
        said.append(f"{number} better plans rested on the solver's tolerance and were left")
    if clean.repaired:
        said.append(
            f"{clean.repaired} whole numbers were changed: with the solver's own, rounded, the"
            f" rules were broken by {clean.excess:.3g} in all"
        )
    return tuple(said)
