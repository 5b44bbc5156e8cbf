"""How often a secret may be guessed: so many failures in a stretch of time, then a wait."""

from __future__ import annotations

import time
from collections import OrderedDict, deque
from collections.abc import Callable

__all__ = ["GuessLimit"]

_MOST_KEYS = 10_000


class GuessLimit:
    """Counts failures by key in a sliding window; memory is bounded.

    Parameters
    ----------
    failures : so many are let through.
    seconds : in this stretch of time.
    clock : seconds that only rise.
    """

    def __init__(
        self, failures: int, seconds: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.failures, self.seconds, self.clock = failures, seconds, clock
        self._seen: OrderedDict[str, deque[float]] = OrderedDict()

    def wait(self, *keys: str) -> int:
        """Return the seconds until another guess is heard under all keys; 0 where one is now."""
        now = self.clock()
        return max((self._wait(key, now) for key in keys), default=0)

    def failed(self, *keys: str) -> None:
        """Count a failure under every key."""
        now = self.clock()
        for key in keys:
            times = self._seen.setdefault(key, deque(maxlen=self.failures))
            times.append(now)
            self._seen.move_to_end(key)
        while len(self._seen) > _MOST_KEYS:
            self._seen.popitem(last=False)

    def _wait(self, key: str, now: float) -> int:
        times = self._seen.get(key)
        if times is None:
            return 0
        while times and now - times[0] >= self.seconds:
            times.popleft()
        if len(times) < self.failures:
            return 0
        return int(self.seconds - (now - times[0])) + 1
