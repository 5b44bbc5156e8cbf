"""Clean values for a plan: whole numbers made whole, the rest solved again around them.

Solvers accept whole numbers within a tolerance. With an on/off link of a million, a switch at
1e-7 still lets a tenth of a unit pass; so whole columns are rounded and fixed, and the
continuous ones solved again. Where the rounded numbers allow no plan, the plan rested on the
tolerance: it is repaired by a search near it with the solver told to be exact, the columns free
that the conflict touches, wider and wider.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession, LpAnswer
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import Program
from bulkflow.errors import SolverError

__all__ = ["Polished", "polish", "sharing_rows", "solve_fixed"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A whole column further from a whole number than this rests on the solver's tolerance.
_DOUBTFUL = 1e-9
_EXCESS = 1e-9
# How often the columns searched again are widened by what shares a row with them.
_WIDENINGS = 3
_REPAIR_WORK = 3.0
_REPAIR_NODES = 2_000
_REPAIR_GAP = 1e-6


@dataclass(frozen=True, slots=True)
class Polished:
    """A plan that holds exactly.

    Parameters
    ----------
    repaired : how many whole numbers had to change for it.
    excess : by how much the rules were broken with the solver's own numbers made whole, summed.
    """

    values: FloatArray
    repaired: int = 0
    excess: float = 0.0


def polish(program: Program, values: FloatArray, deadline: Deadline) -> Polished | None:
    """Return the best plan with the same whole numbers, or with some near them changed.

    None where no plan was found near these values.
    """
    if not program.integer.any():
        return Polished(values)
    answer = solve_fixed(program, values, deadline.endless())
    if answer.values is not None:
        return Polished(answer.values)
    excess, broken = _excess(program, values, deadline)
    free = program.integer & (np.abs(values - np.round(values)) > _DOUBTFUL)
    free |= _whole_in_rows(program, broken)
    for _ in range(_WIDENINGS):
        found = _search_exactly(program, values, free, deadline)
        if found is not None:
            changed = np.round(found[program.integer]) != np.round(values[program.integer])
            return Polished(found, int(changed.sum()), excess)
        free = sharing_rows(program, free)
    return None


def solve_fixed(program: Program, values: FloatArray, deadline: Deadline) -> LpAnswer:
    """Solve the program with its whole columns fixed at the rounded ``values``."""
    columns = np.flatnonzero(program.integer)
    whole = np.clip(np.round(values[columns]), program.lower[columns], program.upper[columns])
    with HighsSession(program, relaxed=True) as session:
        session.set_bounds(columns, whole, whole)
        answer = session.solve_lp(deadline)
    if answer.status is OutcomeStatus.UNBOUNDED:
        raise SolverError("the program with whole numbers fixed is unbounded")
    return answer


def _excess(
    program: Program, values: FloatArray, deadline: Deadline
) -> tuple[float, NDArray[np.int64]]:
    """Return the least excess over all rows with the whole columns fixed, and the rows with it."""
    rows = program.rows
    one = sparse.eye_array(rows, format="csr")
    elastic = replace(
        program,
        matrix=sparse.csr_array(sparse.hstack([program.matrix, one, -one])),
        cost=np.concatenate([np.zeros(program.columns), np.ones(2 * rows)]),
        lower=np.concatenate([program.lower, np.zeros(2 * rows)]),
        upper=np.concatenate([program.upper, np.full(2 * rows, np.inf)]),
        integer=np.concatenate([program.integer, np.zeros(2 * rows, dtype=bool)]),
        constant=0.0,
    )
    answer = solve_fixed(elastic, np.concatenate([values, np.zeros(2 * rows)]), deadline.endless())
    if answer.values is None:
        return float("inf"), np.arange(rows)
    slack = answer.values[program.columns :]
    broken = np.flatnonzero(slack[:rows] + slack[rows:] > _EXCESS)
    return float(slack.sum()), broken


def _whole_in_rows(program: Program, rows: NDArray[np.int64]) -> BoolArray:
    """Return the whole columns in these rows and in the rows of their continuous columns."""
    touched = np.zeros(program.columns, dtype=bool)
    touched[program.matrix[rows].indices] = True
    return program.integer & (touched | sharing_rows(program, touched))


def sharing_rows(program: Program, columns: BoolArray) -> BoolArray:
    """Return the whole columns among these and all that share a row with them."""
    near = columns.copy()
    entries = sparse.csr_array(
        (np.ones(program.matrix.nnz), program.matrix.indices, program.matrix.indptr),
        shape=program.matrix.shape,
    )
    for _ in range(2):
        in_rows = np.flatnonzero(entries @ near.astype(float))
        near[program.matrix[in_rows].indices] = True
    return program.integer & near


def _search_exactly(
    program: Program, values: FloatArray, free: BoolArray, deadline: Deadline
) -> FloatArray | None:
    """Search with the free whole columns open, the solver told to be exact."""
    fixed = program.integer & ~free
    lower, upper = program.lower.copy(), program.upper.copy()
    whole = np.clip(np.round(values[fixed]), lower[fixed], upper[fixed])
    lower[fixed] = upper[fixed] = whole
    with HighsSession(replace(program, lower=lower, upper=upper)) as session:
        session.be_exact()
        limit = deadline.regardless(work=_REPAIR_WORK)
        answer = session.solve_mip(limit, gap=_REPAIR_GAP, max_nodes=_REPAIR_NODES)
    if answer.values is None:
        return None
    return solve_fixed(program, answer.values, deadline.endless()).values
