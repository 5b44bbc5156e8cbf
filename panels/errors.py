"""The errors this package raises on purpose.

::

    PanelsError
    |-- ServingError        a serving plan, code or sheet cannot be made or was broken
    |-- DataError           scores or files given by the user are wrong (exit code 2)
    |-- RangeError          a number lies outside the range in which a method holds
    `-- ConvergenceError    an iterative estimate did not settle

``ValueError`` is kept for misuse by a programmer.
"""

from __future__ import annotations

__all__ = ["ConvergenceError", "DataError", "PanelsError", "RangeError", "ServingError"]


class PanelsError(Exception):
    """Base of every error raised on purpose by ``panels``."""


class ServingError(PanelsError):
    """A serving plan, code or sheet cannot be made, or its rules were broken."""


class DataError(PanelsError):
    """Scores, sheets or files given by the user are wrong."""


class RangeError(PanelsError):
    """A number lies outside the range in which a method holds."""


class ConvergenceError(PanelsError):
    """An iterative estimate did not settle."""
