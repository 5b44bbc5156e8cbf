"""Clean values for a plan: whole numbers made whole, the rest solved again around them.

Solvers accept whole numbers within a tolerance. With an on/off link of a million, a switch at
1e-7 still lets a tenth of a unit pass; so whole columns are rounded and fixed, and the
continuous ones solved again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.highs import HighsSession, LpAnswer
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.program import Program
from bulkflow.errors import SolverError

__all__ = ["polish", "solve_fixed"]

FloatArray = NDArray[np.float64]


def polish(program: Program, values: FloatArray) -> FloatArray:
    """Return column values of the best plan with the same whole numbers.

    Raises
    ------
    SolverError
        If the rounded whole numbers allow no plan, that is, if the solver's plan rested on its
        tolerance.
    """
    if not program.integer.any():
        return values
    answer = solve_fixed(program, values, Deadline())
    if answer.values is None:
        raise SolverError("the solver's plan does not hold once its whole numbers are made whole")
    return answer.values


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
