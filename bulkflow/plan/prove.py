"""The bound that a kept plan claims, proved anew."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Progress
from bulkflow.errors import Fault, InputError
from bulkflow.plan.check import check_plan
from bulkflow.plan.make import OnProgress
from bulkflow.program.answer import Plan
from bulkflow.program.solve import make_plan
from bulkflow.scenario.model import Scenario

__all__ = ["Proved", "prove"]

# A bound is proved on the solver's scaled rows, to this share of the cost.
PROOF_TOLERANCE = 2e-6


@dataclass(frozen=True, slots=True)
class Proved:
    """What a search for a better bound came to.

    Parameters
    ----------
    claimed, bound : the bound the plan says, and the one that was reached; None for none.
    cost : of the best plan that was found on the way.
    holds : whether the claim was proved; False where it is refuted (a plan costs less than it
        says any can), None where neither was found in the time.
    """

    claimed: float
    bound: float | None
    cost: float
    holds: bool | None

    def __str__(self) -> str:
        """Return the outcome in a sentence."""
        bound = "no bound" if self.bound is None else f"a bound of {self.bound:,.2f}"
        reached = f"{bound} was reached, {self.claimed:,.2f} is claimed"
        if self.holds:
            return f"The bound holds: {reached}."
        if self.holds is None:
            return f"The bound was not proved anew in the time: {reached}."
        return (
            f"The bound is false: a plan that costs {self.cost:,.2f} was found, and the plan claims"
            f" that none costs less than {self.claimed:,.2f}."
        )


def prove(
    scenario: Scenario,
    plan: Plan,
    options: SolveOptions,
    *,
    on_progress: OnProgress | None = None,
    stop: threading.Event | None = None,
) -> Proved:
    """Solve the relaxation with strengthening again, until the bound a plan claims is reached.

    The search ends as soon as the claim is proved or refuted.

    Raises
    ------
    InputError
        The plan claims no bound.
    """
    if not math.isfinite(plan.proof.bound):
        raise InputError(
            Fault("", 0, "--prove", "is given for a plan without a bound", "Leave it.")
        )
    claimed, allowed = plan.proof.bound, PROOF_TOLERANCE * max(1.0, abs(plan.proof.cost))
    if plan.proof.cost < claimed - allowed:
        return Proved(claimed, None, plan.proof.cost, holds=False)
    enough = stop or threading.Event()

    def watch(progress: Progress) -> None:
        if on_progress is not None:
            on_progress(progress)
        proved = progress.bound is not None and progress.bound >= claimed - allowed
        refuted = progress.objective is not None and progress.objective < claimed - allowed
        if proved or refuted:
            enough.set()

    found = make_plan(scenario, options, on_progress=watch, stop=enough, start=plan)
    check_plan(scenario, found).raise_for_failures()
    holds: bool | None = None
    if found.proof.bound >= claimed - allowed:
        holds = True
    elif found.proof.cost < claimed - allowed:
        holds = False
    bound = found.proof.bound if math.isfinite(found.proof.bound) else None
    return Proved(claimed, bound, found.proof.cost, holds)
