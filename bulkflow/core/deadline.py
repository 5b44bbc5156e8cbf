"""When a solve has to end: wall time and the caller's wish, asked in one place."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from bulkflow.core.outcome import StoppedBy

__all__ = ["Deadline"]


class Deadline:
    """Counts from its making.

    Parameters
    ----------
    seconds : wall time allowed; None for no limit.
    stop : an event that ends the solve when set.
    """

    def __init__(self, seconds: float | None = None, stop: threading.Event | None = None) -> None:
        self._began = time.monotonic()
        self._ends = float("inf") if seconds is None else self._began + seconds
        self._whole_ends = self._ends
        self._stop = stop
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

    def reason_to_stop(self) -> StoppedBy | None:
        """Return why to stop now, or None."""
        if self._stop is not None and self._stop.is_set():
            return StoppedBy.REQUEST
        if self._enough is not None and self._enough():
            return StoppedBy.WORK
        return StoppedBy.TIME if self.remaining() <= 0 else None

    def is_over(self) -> bool:
        """Tell whether the whole, not only this part of it, has to end now."""
        asked = self._stop is not None and self._stop.is_set()
        return asked or time.monotonic() >= self._whole_ends

    def part(self, seconds: float) -> Deadline:
        """Return one that ends ``seconds`` from now, or with this if sooner; elapsed goes on."""
        part = Deadline(None, self._stop)
        part._began = self._began
        part._ends = min(self._ends, time.monotonic() + seconds)
        part._whole_ends = self._whole_ends
        part._enough = self._enough
        return part

    def until(self, enough: Callable[[], bool]) -> Deadline:
        """Return one that also ends when ``enough`` says so (asked often: it must be quick)."""
        part = self.part(float("inf"))
        part._enough = enough
        return part
