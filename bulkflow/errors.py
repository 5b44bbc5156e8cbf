"""The errors this package raises on purpose.

::

    BulkflowError
    |-- InputError          a file, workbook or option the user gave is wrong (exit code 2)
    |-- OutOfRangeError     a number lies outside the range in which a formula holds
    |-- MethodError         a statistical method refused what it was given (exit code 2)
    |   |-- DataError       values that cannot be analysed
    |   `-- RangeError      a number outside the range of the method
    |-- PlanningError       no plan can be made, or a gate says no (exit code 3)
    |   `-- NoneFoundError  none was found before the search was stopped (exit code 5)
    |-- SolverError         the solver failed or contradicted itself
    |-- VerificationError   a computed plan failed its independent check
    `-- RecordsError        the record database refused, or is not whole

``ValueError`` is kept for misuse by a programmer. Every error carries fields; its text says
what was found, what would be right, and where.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "BulkflowError",
    "DataError",
    "Fault",
    "InputError",
    "MethodError",
    "NoneFoundError",
    "OutOfRangeError",
    "PlanningError",
    "RangeError",
    "RecordsError",
    "SolverError",
    "VerificationError",
]


class BulkflowError(Exception):
    """Base of every error raised on purpose by ``bulkflow``."""


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One problem found in what the user gave.

    Parameters
    ----------
    file : name of the file, workbook or option ('' if there is none).
    line : line number from 1 (rows of a sheet count too); 0 where unknown.
    where : path of the field, such as ``lanes[4].capacity_litres``, or a column.
    found : what was found, in words.
    mend : what would be right.
    """

    file: str
    line: int
    where: str
    found: str
    mend: str

    def __str__(self) -> str:
        """Return ``file, line 3: where found. mend``."""
        place = self.file
        if self.line:
            place = f"{place}, line {self.line}" if place else f"line {self.line}"
        head = f"{place}: " if place else ""
        subject = f"{self.where} " if self.where else ""
        return f"{head}{subject}{self.found}. {self.mend}".rstrip()


class InputError(BulkflowError):
    """What the user gave is wrong; carries every fault found, sorted by place."""

    def __init__(self, faults: Iterable[Fault] | Fault) -> None:
        listed = [faults] if isinstance(faults, Fault) else sorted(faults)
        if not listed:
            raise ValueError("an InputError needs at least one fault")
        self.faults: tuple[Fault, ...] = tuple(listed)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class OutOfRangeError(BulkflowError):
    """A number lies outside the range in which a formula holds."""

    def __init__(
        self, quantity: str, value: float, low: float, high: float, unit: str, source: str
    ) -> None:
        self.quantity, self.value, self.unit, self.source = quantity, value, unit, source
        self.low, self.high = low, high
        super().__init__(
            f"{quantity} is {value:g} {unit}; the formula holds from {low:g} to {high:g} {unit}"
            f" ({source})."
        )


class MethodError(BulkflowError):
    """A statistical method refused what it was given."""


class DataError(MethodError):
    """Values that cannot be analysed: not numbers, gaps, too few, the wrong shape."""


class RangeError(MethodError):
    """A number lies outside the range in which a method holds."""


class PlanningError(BulkflowError):
    """No plan can be made, or a gate says no."""


class NoneFoundError(PlanningError):
    """None was found before the search was stopped; whether there is one is not known."""


class SolverError(BulkflowError):
    """The solver failed, or its words and its numbers disagree."""


class VerificationError(BulkflowError):
    """A computed plan failed its independent check; it is never shown as good."""


class RecordsError(BulkflowError):
    """The record database refused a change, or is found not whole."""
