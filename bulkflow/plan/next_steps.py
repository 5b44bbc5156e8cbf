"""What comes next after a plan, as commands to copy: for the terminal and the report.

Each step names who takes it and fits the plan at hand; nothing is offered that would be refused.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import PurePath

from bulkflow.plan import views
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.plan.summary import good_enough

__all__ = ["NextStep", "Whereabouts", "next_steps"]

MORE_SECONDS = 300


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Where a plan was made from and written to, as the user names it: for commands to copy.

    Parameters
    ----------
    folder : the workspace.
    out : the folder the plan was written to; '' for none.
    database : of the register, where the user named one; without its secrets.
    on : the day the plan starts on, where that is later than the workspace's calendar.
    """

    folder: str
    out: str = ""
    database: str = ""
    on: date | None = None


@dataclass(frozen=True, slots=True)
class NextStep:
    """A step: what for (a key of words), the command, and what it is about.

    Parameters
    ----------
    key : ``more_time``, ``short``, ``week``, ``gate``, ``fill``, ``load``, ``keep`` or ``chain``.
    subject : a lot, a load or a place; '' for the whole plan.
    """

    key: str
    command: str
    subject: str = ""

    @property
    def words(self) -> str:
        """What the step is for, in English."""
        return WORDS[self.key].format(subject=self.subject)


WORDS = {
    "short": "See what stands in the way of what is short",
    "week": "See what has to be done in the first week",
    "gate": "See which gate {subject} waits for, and what opens it",
    "keep": "Plan again and keep the plan: report, workbook, tables",
    "fill": "Fill its loads from lots, to promise and to load them",
    "load": "See what load {subject} still needs before it is loaded",
    "more_time": "Look longer for a cheaper plan",
    "chain": "Check the register that the lots came from",
}


def next_steps(
    result: PlanResult, where: Whereabouts, *, loads: tuple[str, ...] = ()
) -> list[NextStep]:
    """Return what comes next, the most pressing first.

    Parameters
    ----------
    loads : names of loads that the register has, the first to leave first.
    """
    return list(_steps(result, where, loads))


def _steps(result: PlanResult, where: Whereabouts, loads: tuple[str, ...]) -> Iterator[NextStep]:
    plan, folder, out = result.plan, shlex.quote(where.folder), shlex.quote(where.out)
    at = f" --database {shlex.quote(where.database)}" if where.database else ""
    # The check reads the workspace as its calendar begins: of a later plan it knows nothing.
    if where.on is None and any(views.short_demand(plan, result.unmet)):
        yield NextStep("short", f"bulkflow check {folder}")
    if result.register and where.out:
        first = plan.period_starts[0]
        yield NextStep("week", f"bulkflow due {folder} --plan {out} --on {first}{at}")
    waiting = _most_wanted(result.holds)
    if waiting is not None and result.register:
        lot = shlex.quote(waiting.lot_id)
        yield NextStep("gate", f"bulkflow lots why {folder} {lot}{at}", waiting.lot_id)
    again = f"bulkflow plan {folder}{_opening(result, where, at)}"
    if not where.out:
        name = shlex.quote(f"plans/{PurePath(where.folder).name or 'plan'}")
        yield NextStep("keep", f"{again} --out {name}")
    elif result.register and plan.loads:
        yield NextStep("fill", f"bulkflow loads allocate {folder} {out}{at}")
    if loads:
        name = shlex.quote(loads[0])
        yield NextStep("load", f"bulkflow loads show {folder} {name}{at}", loads[0])
    if not good_enough(plan):
        since = f" --since {out}" if where.out else ""
        yield NextStep("more_time", f"{again}{since} --seconds {MORE_SECONDS}")
    if result.register:
        yield NextStep("chain", f"bulkflow records verify {folder}{at}")


def _opening(result: PlanResult, where: Whereabouts, at: str) -> str:
    """Return the options that start a plan from where this one started."""
    if not result.register:
        return " --no-register"
    return f"{at} --on {where.on}" if where.on is not None else at


def _most_wanted(holds: tuple[HoldCost, ...]) -> HoldCost | None:
    """Return the lot whose release saves most, else one that loads count on, else the first."""
    return max(
        holds,
        key=lambda hold: (hold.saving_most or 0.0, len(hold.loads), hold.lpa),
        default=None,
    )
