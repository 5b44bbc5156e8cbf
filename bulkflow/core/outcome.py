"""What came out of a solve: status, plan, bound and gap.

Objectives and bounds are in the sense of the network (a bound is never better than what any plan
can reach: below the cost when minimising, above the profit when maximising).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from bulkflow.errors import NoneFoundError, PlanningError, SolverError

__all__ = ["Outcome", "OutcomeStatus", "Progress", "Solution", "StoppedBy", "relative_gap"]

FloatArray = NDArray[np.float64]


class OutcomeStatus(StrEnum):
    """What is known at the end of a solve."""

    OPTIMAL = "optimal"  # a plan, proved within the gap asked for
    FEASIBLE = "feasible"  # a plan, stopped before the proof
    STOPPED = "stopped"  # stopped before any plan was found
    INFEASIBLE = "infeasible"  # proved that no plan exists
    UNBOUNDED = "unbounded"  # plans of any goodness exist: a cost or a limit is missing


class StoppedBy(StrEnum):
    """What ended a solve."""

    PROOF = "proof"
    TIME = "time"
    WORK = "work"  # a limit on nodes, rounds or iterations
    REQUEST = "request"  # the caller asked it to stop


@dataclass(frozen=True, slots=True)
class Solution:
    """A plan: quantities by id, in arrays over commodities (network order) and periods.

    Parameters
    ----------
    flow : sent, lane -> (K, T).
    used : 1 where the lane carries anything, lane -> (T,); lanes with an on/off rule only.
    vehicles : whole numbers sent, lane -> (T,); lanes with vehicles only.
    stock : closing stock, node -> (K, T); nodes with stock only.
    supply : taken, exact supply included, node -> (K, T); nodes with supply only.
    sales : optional sales, node -> (K, T); nodes with demand only.
    shortage : lost in the period or open backlog at its end, node -> (K, T); nodes with
        demand only.
    activity : level, activity -> (T,).
    prices : of rows (`bulkflow.core.prices`), in the minimised sense: what the bound was proved
        with, where it was proved by prices -> (T + 1,).
    """

    flow: Mapping[str, FloatArray] = field(default_factory=dict)
    used: Mapping[str, FloatArray] = field(default_factory=dict)
    vehicles: Mapping[str, FloatArray] = field(default_factory=dict)
    stock: Mapping[str, FloatArray] = field(default_factory=dict)
    supply: Mapping[str, FloatArray] = field(default_factory=dict)
    sales: Mapping[str, FloatArray] = field(default_factory=dict)
    shortage: Mapping[str, FloatArray] = field(default_factory=dict)
    activity: Mapping[str, FloatArray] = field(default_factory=dict)
    prices: Mapping[tuple[str, str, str], FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a running solve is; objective, bound and gap are None until known."""

    seconds: float
    phase: str
    objective: float | None = None
    bound: float | None = None
    gap: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """The answer of `bulkflow.core.solve.solve`.

    Parameters
    ----------
    objective : of the plan, recomputed from its quantities; None without a plan.
    bound : proved bound on what any plan can reach; None where none was proved.
    gap : ``|objective - bound| / |objective|`` [fraction]; None without plan or bound.
    seconds : wall time of building, solving and reading back.
    columns, rows : size of the program handed to the solver.
    rows_added : strengthening rows added to it.
    nodes, rounds : nodes of the search tree and rounds of strengthening.
    solver : name and version.
    improvements : (seconds, objective, bound or None) of each better plan in turn.
    repairs : what was done so that the plan holds exactly, in words.
    """

    status: OutcomeStatus
    stopped_by: StoppedBy
    objective: float | None
    bound: float | None
    gap: float | None
    solution: Solution | None
    seconds: float
    columns: int
    rows: int
    rows_added: int = 0
    nodes: int = 0
    rounds: int = 0
    solver: str = ""
    improvements: tuple[tuple[float, float, float | None], ...] = ()
    repairs: tuple[str, ...] = ()

    def raise_for_status(self) -> None:
        """Raise unless there is a plan.

        Raises
        ------
        PlanningError
            No plan exists, or the objective has no bound.
        NoneFoundError
            None was found before the solve was stopped.
        """
        if self.solution is not None:
            return
        match self.status:
            case OutcomeStatus.INFEASIBLE:
                raise PlanningError("No plan meets every rule; loosen one of them.")
            case OutcomeStatus.UNBOUNDED:
                raise PlanningError(
                    "The objective has no bound: a cost is negative, or a limit is missing."
                )
            case OutcomeStatus.STOPPED:
                raise NoneFoundError(
                    f"No plan was found before the search was stopped ({self.stopped_by},"
                    f" after {self.seconds:.1f} s); allow more time."
                )
            case OutcomeStatus.OPTIMAL | OutcomeStatus.FEASIBLE:
                raise SolverError(f"status {self.status} without a plan")


def relative_gap(objective: float | None, bound: float | None) -> float | None:
    """Return ``|objective - bound| / |objective|``, or None if either is unknown.

    A difference that is only rounding (1e-9 of the larger) counts as zero; with an objective of
    zero any other difference is an infinite gap.
    """
    if objective is None or bound is None:
        return None
    difference = abs(objective - bound)
    if difference <= 1e-9 * max(1.0, abs(objective), abs(bound)):
        return 0.0
    return float(difference / abs(objective)) if objective else float("inf")
