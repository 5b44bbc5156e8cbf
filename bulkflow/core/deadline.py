"""When a solve has to end: wall time and the caller's wish, asked in one place."""

from __future__ import annotations

import threading
import time

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
        self._seconds = seconds
        self._stop = stop

    @property
    def stoppable(self) -> bool:
        """Whether somebody may ask for an early end."""
        return self._stop is not None

    def elapsed(self) -> float:
        """Return seconds since the start."""
        return time.monotonic() - self._began

    def remaining(self) -> float:
        """Return seconds left, not below zero; infinite without a limit."""
        if self._seconds is None:
            return float("inf")
        return max(0.0, self._seconds - self.elapsed())

    def reason_to_stop(self) -> StoppedBy | None:
        """Return why to stop now, or None."""
        if self._stop is not None and self._stop.is_set():
            return StoppedBy.REQUEST
        return StoppedBy.TIME if self.remaining() <= 0 else None

    def part(self, seconds: float) -> Deadline:
        """Return a deadline at most ``seconds`` from now, and not after this one."""
        return Deadline(min(seconds, self.remaining()), self._stop)
