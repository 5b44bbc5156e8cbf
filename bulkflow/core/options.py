"""How a solve is to be run: limits, solver, form, start and the caller's hooks."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from bulkflow.core.outcome import Progress, Solution

__all__ = ["Form", "SolveOptions", "Solver"]


class Solver(StrEnum):
    """The solvers that can be asked for; one never stands in for the other silently."""

    HIGHS = "highs"
    CBC = "cbc"


class Form(StrEnum):
    """How much is done to a program before the solver gets it.

    ``plain``: the rules as they stand, on/off links written with the lane's own capacity, the
    solver alone. ``strong``: smallest valid links, strengthening rows, plans of our own.
    """

    STRONG = "strong"
    PLAIN = "plain"


@dataclass(frozen=True, slots=True, kw_only=True)
class SolveOptions:
    """Limits and choices of one solve.

    Parameters
    ----------
    seconds : wall time allowed, from the call of `solve`; None: no limit.
    work : units of work allowed (`bulkflow.core.deadline`: about a second of one idle core each,
        counted from iterations, nodes and sizes); None: no limit. With it and no ``seconds``
        two runs on the same input give the same plan, on any machine under any load.
    gap : relative gap at which a plan counts as proved optimal.
    threads : solver threads.
    max_nodes, max_rounds : nodes of each search tree, rounds of strengthening.
    exact : whether the solver is told to be as exact as it can about whole numbers: for programs
        whose quantities are settled to a thousandth, at the price of speed.
    start : a plan to start from (of this network, or of one with the same ids).
    on_progress : called from the solving thread, often; must return quickly.
    stop : set it (from a signal handler or another thread) to end the solve with the best
        plan so far.
    """

    seconds: float | None = None
    work: float | None = None
    gap: float = 1e-6
    solver: Literal["highs", "cbc"] | Solver = Solver.HIGHS
    form: Literal["strong", "plain"] | Form = Form.STRONG
    threads: int = 1
    seed: int = 0
    max_nodes: int | None = None
    max_rounds: int | None = None
    exact: bool = False
    start: Solution | None = None
    on_progress: Callable[[Progress], None] | None = None
    stop: threading.Event | None = None

    def __post_init__(self) -> None:
        if self.seconds is not None and not self.seconds > 0:
            raise ValueError(f"seconds must be greater than zero, not {self.seconds}")
        if self.work is not None and not self.work > 0:
            raise ValueError(f"work must be greater than zero, not {self.work}")
        if not 0 <= self.gap < 1:
            raise ValueError(f"gap must be a fraction from 0 up to 1, not {self.gap}")
        if self.threads < 1:
            raise ValueError(f"threads must be 1 or more, not {self.threads}")
        if self.seed < 0:
            raise ValueError(f"seed must be 0 or more, not {self.seed}")
        for name in ("max_nodes", "max_rounds"):
            value = getattr(self, name)
            if value is not None and value < 0:
                raise ValueError(f"{name} must be 0 or more, not {value}")
