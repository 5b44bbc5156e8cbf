"""How a long search shows itself and lets itself be stopped.

The search runs in a thread of its own, so that Ctrl-C is heard at once whatever the solver does:
once asks for the best plan so far, twice gives up. The line of progress goes to stderr, and only
at a terminal.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from bulkflow.cli.shell import InterruptedSearchError, message_console
from bulkflow.errors import PlanningError
from bulkflow.wording import percent

if TYPE_CHECKING:
    from types import FrameType

    from bulkflow.core.outcome import Progress

__all__ = ["Stoppable", "undisturbed", "waiting"]

Answer = TypeVar("Answer")
REDRAW_SECONDS = 0.1

Search = Callable[[Callable[["Progress"], None], threading.Event], Answer]
"""A search that reports progress and ends when the event is set."""


class _Shown:
    """The latest progress of one search, as a line."""

    def __init__(self, label: str, currency: str, expected: float | None) -> None:
        self._label, self._currency, self._expected = label, currency, expected
        self._begun = time.monotonic()
        self._latest: Progress | None = None
        self.stopping = False

    def update(self, progress: Progress) -> None:
        """Take a report; called from the searching thread."""
        self._latest = progress

    def line(self) -> str:
        """Return the line as it stands now."""
        from bulkflow.plan.summary import PROMISE_GAP

        used = time.monotonic() - self._begun
        told = f" of about {self._expected:.0f}" if self._expected else ""
        parts = [f"{self._label}  {used:.0f}{told} s"]
        latest = self._latest
        if self.stopping:
            parts.append("stopping with the best plan so far (Ctrl-C again gives up)")
        elif latest is not None:
            parts.append(latest.phase)
        if latest is None or latest.objective is None:
            return "  ".join([*parts, "no plan yet"])
        parts.append(f"best {latest.objective:,.0f} {self._currency}")
        if latest.gap is not None:
            good = " (good enough)" if latest.gap <= PROMISE_GAP else ""
            parts.append(f"at most {percent(latest.gap)} too dear{good}")
        return "  ".join(parts)


class Stoppable:
    """Runs searches one after the other, each of which Ctrl-C can stop.

    Parameters
    ----------
    currency : of the costs shown.
    expected : how long a search looks, about [s]; None where nobody can tell.
    """

    def __init__(self, currency: str, *, expected: float | None = None) -> None:
        self._currency, self._expected = currency, expected
        self.interrupted = False

    def run(self, search: Search[Answer], *, label: str) -> Answer:
        """Run a search, showing its progress; Ctrl-C stops it with its best answer.

        Raises
        ------
        InterruptedSearchError
            It was stopped before it had an answer, or given up by a second Ctrl-C.
        """
        shown = _Shown(label, self._currency, self._expected)
        stop = threading.Event()
        outcome: dict[str, Any] = {}

        def work() -> None:
            try:
                outcome["answer"] = search(shown.update, stop)
            except BaseException as error:
                outcome["error"] = error

        # A daemon: a search that hears nothing must not keep the process from ending.
        worker = threading.Thread(target=work, name="search", daemon=True)
        try:
            with _asking(shown, stop), _live(shown):
                worker.start()
                while worker.is_alive():
                    worker.join(REDRAW_SECONDS)
        except KeyboardInterrupt as error:
            self.interrupted = True
            raise InterruptedSearchError(f"Interrupted: {label} was given up.") from error
        self.interrupted = self.interrupted or stop.is_set()
        failure = outcome.get("error")
        if isinstance(failure, PlanningError) and stop.is_set():
            raise InterruptedSearchError(f"Interrupted: {failure}") from failure
        if failure is not None:
            raise failure
        found: Answer = outcome["answer"]
        return found


@contextmanager
def waiting(label: str) -> Iterator[None]:
    """Show on stderr, at a terminal only, that something short is being done."""
    console = message_console()
    if not console.is_terminal:
        yield
        return
    with console.status(label):
        yield


@contextmanager
def undisturbed() -> Iterator[None]:
    """Hear Ctrl-C only when the block has ended: what is written in it must be whole."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread hears signals
        return
    heard: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: heard.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if heard:
        raise KeyboardInterrupt


@contextmanager
def _asking(shown: _Shown, stop: threading.Event) -> Iterator[None]:
    """Turn the first Ctrl-C into a request to stop; the second interrupts."""

    def ask(_number: int, _frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        shown.stopping = True
        stop.set()

    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread hears signals
        return
    before = signal.signal(signal.SIGINT, ask)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _live(shown: _Shown) -> Iterator[None]:
    """Keep the line of progress on stderr, at a terminal only."""
    console = message_console()
    if not console.is_terminal:
        yield
        return
    from rich.live import Live
    from rich.text import Text

    def render() -> Text:
        return Text(shown.line(), overflow="ellipsis", no_wrap=True)

    often = 1 / REDRAW_SECONDS
    with Live(console=console, get_renderable=render, transient=True, refresh_per_second=often):
        yield
