"""The errors this package raises on purpose.

::

    PanelsError
    |-- ServingError        a serving plan, code or sheet cannot be made or was broken
    `-- ConvergenceError    an iterative estimate did not settle

and, shared with the laboratory, ``MethodError`` with ``DataError`` (scores or files given by the
user are wrong) and ``RangeError`` (a number outside the range of a method), from
:mod:`bulkflow.errors`. ``ValueError`` is kept for misuse by a programmer.
"""

from __future__ import annotations

from bulkflow.errors import DataError, MethodError, RangeError

__all__ = [
    "ConvergenceError",
    "DataError",
    "MethodError",
    "PanelsError",
    "RangeError",
    "ServingError",
]


class PanelsError(Exception):
    """Base of every error raised on purpose by ``panels``."""


class ServingError(PanelsError):
    """A serving plan, code or sheet cannot be made, or its rules were broken."""


class ConvergenceError(PanelsError):
    """An iterative estimate did not settle."""
