"""When a solve has to end: work done, wall time, and the caller's wish, asked in one place.

Work is counted, never timed: a unit is about one second of one core of the machine on which the
sizes of `bulkflow.core.highs` and of the parts that spend it were measured, but it comes from
iterations, nodes and sizes alone. So what a limit of work ends is the same on every machine,
busy or idle; a limit of time is not.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from bulkflow.core.outcome import StoppedBy

__all__ = ["Deadline"]

INF = float("inf")


class _Meter:
    """Work done so far by a whole solve."""

    def __init__(self) -> None:
        self.spent = 0.0


class Deadline:
    """Counts from its making.

    Parameters
    ----------
    seconds : wall time allowed; None for no limit.
    stop : an event that ends the solve when set.
    work : units of work allowed; None for no limit.
    """

    def __init__(
        self,
        seconds: float | None = None,
        stop: threading.Event | None = None,
        work: float | None = None,
    ) -> None:
        self._began = time.monotonic()
        self._ends = INF if seconds is None else self._began + seconds
        self._whole_ends = self._ends
        self._stop = stop
        self._meter = _Meter()
        self._work_ends = INF if work is None else work
        self._planned_ends = self._work_ends
        self._enough: Callable[[], bool] | None = None

    @property
    def stoppable(self) -> bool:
        """Whether somebody may ask for an early end."""
        return self._stop is not None or self._enough is not None

    def elapsed(self) -> float:
        """Return seconds since the start of the whole."""
        return time.monotonic() - self._began

    def remaining(self) -> float:
        """Return seconds left, not below zero; infinite without a limit."""
        return max(0.0, self._ends - time.monotonic())

    def spend(self, work: float) -> None:
        """Count work done, in units."""
        self._meter.spent += work

    def spent(self) -> float:
        """Return the work of the whole solve so far."""
        return self._meter.spent

    def work_left(self) -> float:
        """Return units of work left, not below zero; infinite without a limit."""
        return max(0.0, self._work_ends - self._meter.spent)

    def reason_to_stop(self) -> StoppedBy | None:
        """Return why to stop now, or None."""
        if self._stop is not None and self._stop.is_set():
            return StoppedBy.REQUEST
        if self._enough is not None and self._enough():
            return StoppedBy.WORK
        if self._meter.spent >= self._work_ends:
            return StoppedBy.WORK
        return StoppedBy.TIME if self.remaining() <= 0 else None

    def is_over(self) -> bool:
        """Tell whether the whole, not only this part of it, has to end now."""
        asked = self._stop is not None and self._stop.is_set()
        return asked or time.monotonic() >= self._whole_ends

    def part(self, seconds: float = INF, *, work: float = INF) -> Deadline:
        """Return one that ends ``seconds`` or ``work`` from now, or with this if sooner.

        What is spent in a part is spent in the whole; elapsed goes on.
        """
        part = Deadline(None, self._stop)
        part._began, part._meter = self._began, self._meter
        part._ends = min(self._ends, time.monotonic() + seconds)
        part._whole_ends = self._whole_ends
        part._work_ends = min(self._work_ends, self._meter.spent + work)
        # What is given work of its own shares that, whatever has become of the plan of the whole.
        own = self._meter.spent + work
        part._planned_ends = self._planned_ends if own == INF else own
        part._enough = self._enough
        return part

    def share(self, share: float, *, least: float = 0.0) -> Deadline:
        """Return a part that ends after a share of the time left and of the work planned for.

        Parameters
        ----------
        least : seconds and units of work that the part has at least.
        """
        left = max(0.0, self._planned_ends - self._meter.spent)
        return self.part(max(least, share * self.remaining()), work=max(least, share * left))

    def planned(self, work: float) -> Deadline:
        """Return one whose shares are of this much work, whatever the limit is.

        So a larger limit goes on where a smaller one ended.
        """
        part = self.part()
        part._planned_ends = self._meter.spent + work
        return part

    def endless(self) -> Deadline:
        """Return one that only counts: for what has to be done to the end."""
        part = Deadline()
        part._began, part._meter = self._began, self._meter
        return part

    def regardless(self, *, work: float) -> Deadline:
        """Return one with a limit of its own, that else hears nothing but the caller's wish."""
        part = self.endless()
        part._stop, part._work_ends = self._stop, self._meter.spent + work
        return part

    def until(self, enough: Callable[[], bool]) -> Deadline:
        """Return one that also ends when ``enough`` says so (asked often: it must be quick)."""
        part = self.part()
        part._enough = enough
        return part
