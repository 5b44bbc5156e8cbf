"""HiGHS on arrays: a live solver object, and what it really said.

The model status and the primal solution status of HiGHS are read separately, the bound comes from
its own account, and better plans are kept as they are found, so that nothing rests on a single
word of the solver. All statuses pass through one table; one that is not in it raises.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.deadline import Deadline
from bulkflow.core.outcome import OutcomeStatus, StoppedBy
from bulkflow.core.program import Program
from bulkflow.errors import SolverError

__all__ = [
    "HighsSession",
    "LpAnswer",
    "MipAnswer",
    "SessionLeftError",
    "highs_name",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_Status = highspy.HighsModelStatus
# What a model status means for the plan and for the proof. A plan may exist besides the last
# three; whether one does is read from the primal solution status.
_MEANING: dict[Any, tuple[OutcomeStatus, StoppedBy]] = {
    _Status.kOptimal: (OutcomeStatus.OPTIMAL, StoppedBy.PROOF),
    _Status.kModelEmpty: (OutcomeStatus.OPTIMAL, StoppedBy.PROOF),
    _Status.kInfeasible: (OutcomeStatus.INFEASIBLE, StoppedBy.PROOF),
    _Status.kUnbounded: (OutcomeStatus.UNBOUNDED, StoppedBy.PROOF),
    _Status.kTimeLimit: (OutcomeStatus.STOPPED, StoppedBy.TIME),
    _Status.kSolutionLimit: (OutcomeStatus.STOPPED, StoppedBy.WORK),
    _Status.kIterationLimit: (OutcomeStatus.STOPPED, StoppedBy.WORK),
    _Status.kInterrupt: (OutcomeStatus.STOPPED, StoppedBy.REQUEST),
}

# HiGHS 1.16 loses a row in this step of its presolve now and then (seen: a choice of one among
# several, left at none, with a bound below the relaxation's optimum).
_PRESOLVE_SPARSIFY = 1 << 14

# Work of a run (`Deadline`), in units: of an iteration, and of it for each entry of the matrix
# in a column that is free; of a run for each such entry, and for any entry at all.
_LP_ITERATION, _LP_ITERATION_ENTRY = 4e-5, 1.2e-9
_MIP_ITERATION, _MIP_ITERATION_ENTRY = 4e-4, 5e-9
_LP_ENTRY, _MIP_ENTRY, _ANY_ENTRY = 3e-7, 3e-6, 1e-7
_MIP_NODE = 1e-3
# A search costs this much however small it is: its thread, its presolve, its root.
_MIP_RUN = 0.02
# A search calls back at certain steps of its work; between two of them lies about this much of
# it for each entry in a column that is free.
_STEP_ENTRY = 4e-6
_LEAST_STEPS = 30

# Work for the plan is wasted below these: they are far finer than any measured litre.
MIP_ABSOLUTE_GAP = 1e-7


def highs_name() -> str:
    """Return the name and version of the solver."""
    major, minor = highspy.HIGHS_VERSION_MAJOR, highspy.HIGHS_VERSION_MINOR
    return f"HiGHS {major}.{minor}.{highspy.HIGHS_VERSION_PATCH}"


@dataclass(frozen=True, slots=True)
class LpAnswer:
    """A continuous solve; values, row_values, row_prices, column_prices are None without one."""

    status: OutcomeStatus
    stopped_by: StoppedBy
    objective: float
    values: FloatArray | None
    row_values: FloatArray | None
    row_prices: FloatArray | None
    column_prices: FloatArray | None


@dataclass(slots=True)
class MipAnswer:
    """A solve with whole numbers; objective and bound in the minimised sense.

    ``bound`` is -inf where nothing was proved. ``improvements`` holds (seconds, objective, bound).
    """

    status: OutcomeStatus
    stopped_by: StoppedBy
    objective: float | None = None
    values: FloatArray | None = None
    bound: float = -float("inf")
    nodes: int = 0
    improvements: list[tuple[float, float, float]] = field(default_factory=list)


class _QuietHighs(highspy.Highs):
    """HiGHS that is told to be quiet before it prints its banner on standard output.

    The banner comes when callbacks are enabled, which the constructor does last.
    """

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]

    def enableCallbacks(self) -> None:  # noqa: N802 - the name is the library's
        self.setOptionValue("output_flag", False)  # noqa: FBT003 - so is the signature
        super().enableCallbacks()  # type: ignore[no-untyped-call]


Listener = Callable[[float | None, float], None]

_NO_ITERATION_LIMIT = 2**31 - 1
_EXACT = 1e-9

# How long to wait at a time for a run, and for its end once it has been asked to stop.
_SPELL_SECONDS = 0.05
# A run that only its part of the time asks to end may take longer: its object is needed again.
_GRACE_SECONDS = 0.5
_PART_GRACE_SECONDS = 10.0


class HighsSession:
    """A program living in HiGHS: rows can come and go, columns be fixed, and it solved again.

    Parameters
    ----------
    relaxed : whether to leave out that columns are whole.
    """

    def __init__(
        self, program: Program, *, threads: int = 1, seed: int = 0, relaxed: bool = False
    ) -> None:
        self.program = program
        self.rows = program.rows
        self._unfinished_start = False
        entries = np.diff(sparse.csc_array(program.matrix).indptr)
        self._entry_count = float(program.matrix.nnz)
        self._free_entry_count = float(entries[program.lower < program.upper].sum())
        self._highs: Any = _QuietHighs()
        self.set_option("random_seed", seed)
        self.set_option("presolve_rule_off", _PRESOLVE_SPARSIFY)
        self.set_option("threads", threads)
        blocking = True
        if threads > 1:
            # The pool of threads is the process's; it must be made anew to change its size.
            self._highs.resetGlobalScheduler(blocking)
        self._threads = threads
        self._pass(program, relaxed=relaxed)

    @property
    def left(self) -> bool:
        """Whether a run was left to itself: nothing more can be asked of this session."""
        return isinstance(self._highs, _Left)

    def close(self) -> None:
        """Give back memory and threads; a run left to itself keeps its own until it ends."""
        if self.left:
            return
        self._highs.clear()
        blocking = True
        if self._threads > 1:
            self._highs.resetGlobalScheduler(blocking)

    def __enter__(self) -> HighsSession:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def set_option(self, name: str, value: object) -> None:
        """Set an option of HiGHS; an unknown name or value raises."""
        self._ok(self._highs.setOptionValue(name, value), f"option {name}")

    def be_exact(self) -> None:
        """Let whole numbers and rows be off by no more than the solver can tell."""
        self.set_option("mip_feasibility_tolerance", _EXACT)
        self.set_option("primal_feasibility_tolerance", _EXACT)

    def search_for_bound(self) -> None:
        """Leave out searches within the search: plans come from elsewhere."""
        for name in ("rins", "rens", "root_reduced_cost"):
            self.set_option(f"mip_heuristic_run_{name}", value=False)

    def _ok(self, status: Any, what: str) -> None:
        if status == highspy.HighsStatus.kError:
            raise SolverError(f"HiGHS refused {what}")

    def _pass(self, program: Program, *, relaxed: bool) -> None:
        matrix = program.matrix
        whole = np.zeros(program.columns) if relaxed else program.integer
        status = self._highs.passModel(
            program.columns,
            program.rows,
            matrix.nnz,
            int(highspy.MatrixFormat.kRowwise),
            int(highspy.ObjSense.kMinimize),
            program.constant,
            program.cost,
            program.lower,
            program.upper,
            program.row_lower,
            program.row_upper,
            matrix.indptr.astype(np.int32),
            matrix.indices.astype(np.int32),
            matrix.data,
            whole.astype(np.int32),
        )
        self._ok(status, "the model")

    # Changes -------------------------------------------------------------------------------

    def add_rows(self, matrix: sparse.csr_array, lower: FloatArray, upper: FloatArray) -> None:
        """Add rows at the end, in one block."""
        status = self._highs.addRows(
            matrix.shape[0],
            lower,
            upper,
            matrix.nnz,
            matrix.indptr[:-1].astype(np.int32),
            matrix.indices.astype(np.int32),
            matrix.data,
        )
        self._ok(status, "new rows")
        self.rows += matrix.shape[0]

    def delete_rows(self, rows: IntArray) -> None:
        """Delete rows by number; later rows move up."""
        if len(rows):
            self._ok(self._highs.deleteRows(len(rows), rows.astype(np.int32)), "row deletion")
            self.rows -= len(rows)

    def set_bounds(self, columns: IntArray, lower: FloatArray, upper: FloatArray) -> None:
        """Change the bounds of columns."""
        status = self._highs.changeColsBounds(len(columns), columns.astype(np.int32), lower, upper)
        self._ok(status, "bounds")

    def set_costs(self, columns: IntArray, costs: FloatArray) -> None:
        """Change the costs of columns."""
        self._ok(self._highs.changeColsCost(len(columns), columns.astype(np.int32), costs), "costs")

    def set_whole(self, *, relaxed: bool) -> None:
        """Take back, or put back, that columns are whole."""
        columns = np.flatnonzero(self.program.integer)
        kinds = np.full(len(columns), 0 if relaxed else 1, dtype=np.uint8)
        status = self._highs.changeColsIntegrality(len(columns), columns.astype(np.int32), kinds)
        self._ok(status, "integrality")

    def propose(self, values: FloatArray) -> None:
        """Give a plan as a start for the next solve with whole numbers.

        Where only the whole columns are known (the others are not finite), HiGHS solves for them.
        """
        columns = np.flatnonzero(self.program.integer)
        self._unfinished_start = not bool(np.isfinite(values).all())
        if self._unfinished_start:
            self._propose_whole(columns, np.round(values[columns]))
            return
        complete = values.copy()
        complete[columns] = np.round(values[columns])
        self._propose_all(complete)

    def _propose_whole(self, columns: IntArray, values: FloatArray) -> None:
        status = self._highs.setSolution(len(columns), columns.astype(np.int32), values)
        self._ok(status, "the start")

    def _propose_all(self, values: FloatArray) -> None:
        start = highspy.HighsSolution()
        start.col_value = values.tolist()
        self._ok(self._highs.setSolution(start), "the start")

    def forget_basis(self) -> None:
        """Start the next continuous solve from nothing: better than from a basis far away."""
        self._ok(self._highs.clearSolver(), "to forget the basis")

    def forget(self) -> None:
        """Give up basis, solution and start; the model stays."""
        self._unfinished_start = False
        self._ok(self._highs.clearSolver(), "to forget the basis")

    # Solving -------------------------------------------------------------------------------

    def solve_lp(self, deadline: Deadline) -> LpAnswer:
        """Solve as it stands, which must be without whole columns, from the last basis."""
        self._limit_time(deadline)
        self._limit_iterations(deadline)
        watch = self._watch(deadline, None, None)
        status, stopped_by = self._run(watch, again=True)
        info = self._highs.getInfo()
        each = _LP_ITERATION + _LP_ITERATION_ENTRY * self._entry_count
        deadline.spend(_LP_ENTRY * self._entry_count + each * max(0, info.simplex_iteration_count))
        if status is not OutcomeStatus.OPTIMAL:
            return LpAnswer(status, stopped_by, float("inf"), None, None, None, None)
        solution = self._highs.getSolution()
        return LpAnswer(
            status,
            stopped_by,
            float(info.objective_function_value),
            np.array(solution.col_value),
            np.array(solution.row_value),
            np.array(solution.row_dual),
            np.array(solution.col_dual),
        )

    def solve_mip(
        self,
        deadline: Deadline,
        *,
        gap: float,
        max_nodes: int | None = None,
        target: float = -float("inf"),
        listener: Listener | None = None,
    ) -> MipAnswer:
        """Solve with whole columns; the best plan counts whatever ends the search.

        Parameters
        ----------
        gap : relative gap at which to end.
        target : objective that is good enough to end at, in the minimised sense.
        listener : called with the best objective (or None) and bound, in the minimised sense.
        """
        self._limit_time(deadline, whole=self._searches())
        self.set_option("mip_rel_gap", gap)
        self.set_option("mip_abs_gap", MIP_ABSOLUTE_GAP)
        if max_nodes is not None:
            self.set_option("mip_max_nodes", max_nodes)
        answer = MipAnswer(OutcomeStatus.STOPPED, StoppedBy.PROOF)
        if np.isfinite(target):
            kept = answer
            deadline = deadline.until(
                lambda: kept.objective is not None and kept.objective <= target
            )
        watch = self._watch(deadline, answer, listener)
        watch.most_steps = self._most_steps(deadline)
        # A search after an LP of the same object: its limit of iterations is not for this one.
        self.set_option("simplex_iteration_limit", _NO_ITERATION_LIMIT)
        try:
            answer.status, answer.stopped_by = self._run(watch, guarded=True)
        except _AbandonedError:
            return watch.last_words()
        info = self._highs.getInfo()
        answer.nodes = max(0, int(info.mip_node_count))
        deadline.spend(self._work_of_search(max(0, info.simplex_iteration_count), answer.nodes))
        holds_plan = answer.status in (OutcomeStatus.OPTIMAL, OutcomeStatus.STOPPED)
        feasible = int(highspy.SolutionStatus.kSolutionStatusFeasible)
        if holds_plan and info.primal_solution_status == feasible:
            answer.values = np.array(self._highs.getSolution().col_value)
            answer.objective = float(info.objective_function_value)
        answer.bound = self._bound(answer, float(info.mip_dual_bound))
        if answer.status is OutcomeStatus.OPTIMAL and answer.values is None:
            raise SolverError("HiGHS says optimal and holds no feasible solution")
        if answer.status is OutcomeStatus.STOPPED and answer.values is not None:
            answer.status = OutcomeStatus.FEASIBLE
        return answer

    def _work_of_search(self, iterations: int, nodes: int) -> float:
        each = _MIP_ITERATION + _MIP_ITERATION_ENTRY * self._free_entry_count
        run = _MIP_RUN + _MIP_ENTRY * self._free_entry_count + _ANY_ENTRY * self._entry_count
        return run + each * iterations + _MIP_NODE * nodes

    def _limit_iterations(self, deadline: Deadline) -> None:
        left = deadline.work_left() / (_LP_ITERATION + _LP_ITERATION_ENTRY * self._entry_count)
        limit = _NO_ITERATION_LIMIT if np.isinf(left) else int(min(left + 1, _NO_ITERATION_LIMIT))
        self.set_option("simplex_iteration_limit", limit)

    def _most_steps(self, deadline: Deadline) -> float:
        """Return how often a search may call back before it has done the work left."""
        left = deadline.work_left() / (_STEP_ENTRY * max(1.0, self._free_entry_count))
        return left if np.isinf(left) else max(_LEAST_STEPS, left)

    def _bound(self, answer: MipAnswer, dual_bound: float) -> float:
        if answer.status is OutcomeStatus.OPTIMAL and not self.program.integer.any():
            return float("inf") if answer.objective is None else answer.objective
        if answer.status is OutcomeStatus.STOPPED and not self.program.integer.any():
            return -float("inf")
        return dual_bound if np.isfinite(dual_bound) else -float("inf")

    def _searches(self) -> bool:
        """Tell whether a run is a search, with whole columns."""
        return bool(self.program.integer.any())

    def _limit_time(self, deadline: Deadline, *, whole: bool = False) -> None:
        # HiGHS counts the time of all continuous runs of an object together, and a search's by
        # itself; with a start that is to be completed first both counts apply.
        alone = whole and not self._unfinished_start
        before = 0.0 if alone else self._highs.getRunTime()
        limit = before + deadline.remaining()
        self.set_option("time_limit", limit)

    def _run(
        self, watch: _Watch, *, again: bool = False, guarded: bool = False
    ) -> tuple[OutcomeStatus, StoppedBy]:
        """Run and read the status.

        Parameters
        ----------
        again : forget the basis and run once more where the run from it lost its way.
        guarded : leave a run that does not end in time to itself.
        """
        with watch:
            self._ok(self._guarded(watch) if guarded else self._highs.run(), "to run")
        if watch.error is not None:
            raise watch.error
        status = self._highs.getModelStatus()
        if again and status == _Status.kUnknown:
            self.forget_basis()
            return self._run(watch)
        if status == _Status.kUnboundedOrInfeasible:
            return self._settle_unbounded()
        if status not in _MEANING:
            raise SolverError(
                f"HiGHS ended with the status {self._highs.modelStatusToString(status)!r}"
            )
        meaning, stopped_by = _MEANING[status]
        if stopped_by is StoppedBy.REQUEST and watch.reason is not None:
            stopped_by = watch.reason
        return meaning, stopped_by

    def _guarded(self, watch: _Watch) -> Any:
        """Run in a thread of its own and wait no longer than the deadline and a grace.

        HiGHS looks at its time limit, and calls back, only between certain steps of its work; some
        take minutes. The thread ends by itself at the next such step, and the process waits for it
        at its own end: to leave while HiGHS runs is to crash. Waiting in short spells also lets
        the caller's signal handlers run at once.
        """
        ended: list[Any] = []
        highs = self._highs

        def work() -> None:
            ended.append(highs.run())
            highs.resetThreadScheduler(False)  # noqa: FBT003 - the signature is the library's

        thread = threading.Thread(target=work, name="a run of HiGHS")
        thread.start()
        while thread.is_alive():
            thread.join(_SPELL_SECONDS)
            if watch.overdue() and thread.is_alive():
                self._highs = _Left()
                watch.leave()
                raise _AbandonedError
        return ended[0]

    def _settle_unbounded(self) -> tuple[OutcomeStatus, StoppedBy]:
        """Tell unbounded from infeasible: without costs only the rules can fail."""
        columns = np.arange(self.program.columns)
        self.set_costs(columns, np.zeros(len(columns)))
        self._ok(self._highs.run(), "to run")
        feasible = self._highs.getModelStatus() in (_Status.kOptimal, _Status.kModelEmpty)
        self.set_costs(columns, self.program.cost)
        status = OutcomeStatus.UNBOUNDED if feasible else OutcomeStatus.INFEASIBLE
        return status, StoppedBy.PROOF

    def _watch(
        self, deadline: Deadline, answer: MipAnswer | None, listener: Listener | None
    ) -> _Watch:
        return _Watch(self._highs, deadline, answer, listener)


class _AbandonedError(Exception):
    """A run did not end in time and was left to itself."""


class SessionLeftError(SolverError):
    """Something was asked of a session whose run was left to itself."""


class _Left:
    """Stands where HiGHS was that was left to itself."""

    def __getattr__(self, name: str) -> Any:
        raise SessionLeftError("HiGHS was left to itself, for it did not end in time")


class _Watch:
    """The callbacks of one run: stop when it is time, keep better plans, tell the listener."""

    def __init__(
        self,
        highs: Any,
        deadline: Deadline,
        answer: MipAnswer | None,
        listener: Listener | None,
    ) -> None:
        self._highs, self._deadline = highs, deadline
        self._answer, self._listener = answer, listener
        self._bound = -float("inf")
        self._asked_at: float | None = None
        self._left = False
        self._steps = 0
        self.most_steps = float("inf")
        self.reason: StoppedBy | None = None
        self.error: BaseException | None = None

    def __enter__(self) -> _Watch:
        # Called at every iteration: where only time can end the run, HiGHS's own limit serves.
        if self._deadline.stoppable:
            self._highs.cbSimplexInterrupt.subscribe(self._maybe_stop)
            self._highs.cbIpmInterrupt.subscribe(self._maybe_stop)
        if self._answer is not None:
            self._highs.cbMipInterrupt.subscribe(self._hear_search)
            self._highs.cbMipImprovingSolution.subscribe(self._keep)
        return self

    def __exit__(self, *_: object) -> None:
        if self._left:
            return
        if self._deadline.stoppable:
            self._highs.cbSimplexInterrupt.unsubscribe(self._maybe_stop)
            self._highs.cbIpmInterrupt.unsubscribe(self._maybe_stop)
        if self._answer is not None:
            self._highs.cbMipInterrupt.unsubscribe(self._hear_search)
            self._highs.cbMipImprovingSolution.unsubscribe(self._keep)

    def overdue(self) -> bool:
        """Tell whether the run should have ended longer ago than the grace.

        One that is to end by its work is waited for: what it finds may not depend on the clock.
        """
        if self.error is None and self.reason in (None, StoppedBy.WORK):
            reason = self._deadline.reason_to_stop()
            if reason in (StoppedBy.TIME, StoppedBy.REQUEST):
                self.reason = reason
        if self.error is None and self.reason in (None, StoppedBy.WORK):
            return False
        now = self._deadline.elapsed()
        if self._asked_at is None:
            self._asked_at = now
        over = self.error is not None or self._deadline.is_over()
        return now - self._asked_at > (_GRACE_SECONDS if over else _PART_GRACE_SECONDS)

    def leave(self) -> None:
        """Hear no more of the run, but go on asking it to stop."""
        self._left = True

    def last_words(self) -> MipAnswer:
        """Return what a run had said before it was left to itself."""
        kept = self._answer or MipAnswer(OutcomeStatus.STOPPED, StoppedBy.TIME)
        status = OutcomeStatus.STOPPED if kept.values is None else OutcomeStatus.FEASIBLE
        return MipAnswer(
            status,
            self.reason or StoppedBy.TIME,
            objective=kept.objective,
            values=kept.values,
            bound=self._bound,
            improvements=list(kept.improvements),
        )

    def _maybe_stop(self, event: Any) -> None:
        self.reason = self.reason or self._deadline.reason_to_stop()
        if self.reason is not None or self.error is not None or self._left:
            event.interrupt()
        else:
            # The wish of an earlier run of the same object would live on.
            event.interrupt(False)  # noqa: FBT003 - the signature is the library's

    def _hear_search(self, event: Any) -> None:
        """Hear the search itself: only its own events carry a bound."""
        self._steps += 1
        if self._steps > self.most_steps and self.reason is None:
            self.reason = StoppedBy.WORK
        self._maybe_stop(event)
        if self.reason is not None or self.error is not None or self._left:
            return
        if np.isfinite(event.data_out.mip_dual_bound):
            self._bound = max(self._bound, float(event.data_out.mip_dual_bound))
        if self._listener is not None and self._answer is not None:
            primal, dual = event.data_out.mip_primal_bound, event.data_out.mip_dual_bound
            self._tell(primal if np.isfinite(primal) else None, dual)

    def _keep(self, event: Any) -> None:
        if self._answer is None or self._left:
            return
        out = event.data_out
        objective, bound = float(out.objective_function_value), float(out.mip_dual_bound)
        self._answer.values = np.array(out.mip_solution)
        self._answer.objective = objective
        self._answer.improvements.append((self._deadline.elapsed(), objective, bound))
        self._tell(objective, bound)

    def _tell(self, objective: float | None, bound: float) -> None:
        """Pass news on; an exception must not unwind through the solver, so it is kept."""
        if self._listener is None or self.error is not None:
            return
        try:
            self._listener(objective, bound)
        except BaseException as error:
            self.error = error
