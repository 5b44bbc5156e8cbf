"""What has to be done this week: the lines of the week's list, as every page shows them.

The lines are worked out once, by `bulkflow.due`; terminal, report and workbook render these.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

__all__ = ["DAYS_AHEAD", "Due", "DueKind", "Week"]

DAYS_AHEAD = 7
"""How far the week looks: what is due on its last day is still told."""


class DueKind(StrEnum):
    """What a line of the week is about."""

    PLAN = "plan"
    LOT = "lot"
    LOAD = "load"
    ARRIVAL = "arrival"
    REPORT = "report"
    PURCHASE = "purchase"
    GUARANTEE = "guarantee"
    TANK = "tank"
    FLOOR = "floor"
    STANDARD = "standard"
    SAMPLE = "sample"
    QUALIFICATION = "qualification"
    CALIBRATION = "calibration"


@dataclass(frozen=True, slots=True)
class Due:
    """One thing to do.

    Parameters
    ----------
    what : in words, without the day.
    subject : the lot, load, site, contract, standard or person it is about.
    by : the last day on which it still serves; None where no day hangs on it.
    holds_up_lpa : LPA that cannot go on without it; 0 where none waits.
    days : from the day asked about to ``by``; below 0 for what is late, None without a day.
    money : what hangs on it at most, in the workspace's currency; None where that is not known.
    command : settles it, to be copied; words in capitals are to be filled in.
    """

    kind: DueKind
    what: str
    subject: str
    by: date | None
    holds_up_lpa: float
    days: int | None
    money: float | None
    command: str

    @property
    def late(self) -> bool:
        """Whether its day has passed."""
        return self.days is not None and self.days < 0


@dataclass(frozen=True, slots=True)
class Week:
    """The week's list, the most pressing first.

    Parameters
    ----------
    on : the day asked about.
    unseen : what could not be looked at, and why, a sentence each.
    """

    name: str
    currency: str
    on: date
    lines: tuple[Due, ...]
    unseen: tuple[str, ...] = ()
