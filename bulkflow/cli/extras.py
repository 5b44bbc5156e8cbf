"""What a command does beside its job: tried, and where it fails named, but never in the way.

The job is done and kept first. Then each extra is attempted; whatever it raises is remembered as
one line (what failed, why, the way out), and the command ends with a code of its own.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from bulkflow.cli.shell import (
    ExtrasFailedError,
    InterruptedSearchError,
    message_console,
    reader_went_away,
)
from bulkflow.errors import BulkflowError

__all__ = ["Extras"]

Answer = TypeVar("Answer")


class Extras:
    """Attempts what may fail without harm, and knows how long each took.

    Parameters
    ----------
    kept : what stands whatever fails, in words: 'The plan is kept in out.'
    """

    def __init__(self, kept: str = "") -> None:
        self.kept = kept
        self.interrupted = False
        self.seconds: dict[str, float] = {}
        self._failures: list[str] = []
        self._causes: list[Exception] = []

    def attempt(
        self, work: Callable[[], Answer], *, name: str, failing: str, way_out: str = ""
    ) -> Answer | None:
        """Return what the work gives; None where it fails or is interrupted, which is noted.

        Parameters
        ----------
        name : of the work, in a list of what took how long.
        failing : what is lacking if it fails, in words: 'The report was not written'.
        way_out : what to do then, as a sentence.
        """
        begun = time.monotonic()
        try:
            return work()
        except (KeyboardInterrupt, InterruptedSearchError):
            self.interrupted = True
            message_console().print(f"Interrupted. {failing}. {self.kept}".strip())
        except BrokenPipeError:
            reader_went_away()
        except SystemExit as left:  # how a console leaves when the reader of its pipe has gone
            if not isinstance(left.__context__, BrokenPipeError):
                raise
            reader_went_away()
        except Exception as error:
            self._failures.append(" ".join(filter(None, (f"{failing}: {_cause(error)}", way_out))))
            self._causes.append(error)
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.monotonic() - begun
        return None

    def raise_for_failures(self) -> None:
        """Raise if anything failed.

        Raises
        ------
        ExtrasFailedError
            With a line for each failure.
        """
        if self._failures:
            raise ExtrasFailedError(self._failures, self._causes)


def _cause(error: Exception) -> str:
    """Return why something failed, in one line that ends as a sentence does."""
    lines = str(error).strip().splitlines() or [""]
    text = lines[0]
    if len(lines) > 1:
        text += f" (and {len(lines) - 1} lines more)"
    if not isinstance(error, BulkflowError):
        text = f"unexpected fault: {type(error).__name__}: {text} (--debug shows where)"
    return text if text.endswith((".", "!", "?")) else f"{text}."
