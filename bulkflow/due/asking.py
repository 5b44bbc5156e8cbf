"""What every part of the week's list shares: the day, the plan, how its commands are written."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from datetime import date, timedelta

from bulkflow.plan.next_steps import Whereabouts
from bulkflow.plan.result import PlanResult
from bulkflow.plan.week import DAYS_AHEAD, Due, DueKind
from bulkflow.scenario.model import Scenario

__all__ = ["LOOK_AHEAD_DAYS", "Asking", "day_words"]

LOOK_AHEAD_DAYS = 28
"""How far ahead things are told that take weeks to settle: what expires, stock that runs low, a
guarantee or a tank that fills (common practice; a standard takes a panel sittings to follow)."""

FAR = 10_000  # days; sorts what has no day last


@dataclass(frozen=True, slots=True)
class Asking:
    """What is asked, about which workspace, on which day.

    Parameters
    ----------
    plan : the plan at hand, if there is one.
    where : how the user names workspace, plan and register, for commands to copy.
    """

    scenario: Scenario
    on: date
    plan: PlanResult | None
    where: Whereabouts

    @property
    def until(self) -> date:
        """The last day of the week."""
        return self.on + timedelta(days=DAYS_AHEAD)

    @property
    def ahead(self) -> date:
        """The last day of what is told ahead."""
        return self.on + timedelta(days=LOOK_AHEAD_DAYS)

    def bulkflow(self, command: str, *rest: str, register: bool = True) -> str:
        """Return a command of ours on this workspace; what is given is quoted where it has to be.

        Parameters
        ----------
        register : whether the command has an option for the register's address.
        """
        return self._command("bulkflow", command, rest, register=register)

    def panels(self, command: str, *rest: str) -> str:
        """Return a command of the panel on this workspace."""
        return self._command("panels", command, rest, register=True)

    def _command(self, program: str, command: str, rest: tuple[str, ...], *, register: bool) -> str:
        words = [program, *command.split(), shlex.quote(self.where.folder)]
        words += [shlex.quote(word) for word in rest]
        if register and self.where.database:
            words += ["--database", shlex.quote(self.where.database)]
        return " ".join(words)

    def line(
        self,
        kind: DueKind,
        what: str,
        subject: str,
        command: str,
        *,
        by: date | None = None,
        lpa: float = 0.0,
        money: float | None = None,
    ) -> Due:
        """Return a line of the list."""
        days = None if by is None else (by - self.on).days
        return Due(kind, what, subject, by, lpa, days, money, command)


def day_words(day: date) -> str:
    """Return a day as a planner says it.

    Examples
    --------
    >>> day_words(date(2027, 1, 4))
    '4 Jan'
    """
    return f"{day.day} {day:%b}"
