"""What the record database refuses, and what it finds not whole.

::

    RecordsError                (bulkflow.errors)
    |-- RefusedError            the acting person may not do this; the attempt is recorded
    |-- DatabaseError           the database cannot be opened, read or written
    |-- NewerDatabaseError      the database was laid out by a newer program
    `-- BrokenChainError        a record, its link or its index rows are not what they were
"""

from __future__ import annotations

from bulkflow.errors import RecordsError

__all__ = [
    "BrokenChainError",
    "DatabaseError",
    "NewerDatabaseError",
    "RecordsError",
    "RefusedError",
]


class RefusedError(RecordsError):
    """The acting person may not do this.

    The store writes the refusal down as a record of its own after undoing the attempt.
    """

    def __init__(self, person: str, attempted: str, power: str, lacking: str) -> None:
        self.person, self.attempted, self.power, self.lacking = person, attempted, power, lacking
        super().__init__(
            f"{person} may not {attempted}: that needs the power to {power}, held by {lacking}. "
            "The refusal is recorded; ask one of them, or have the role appointed."
        )


class DatabaseError(RecordsError):
    """The database cannot be opened, read or written; says which and why."""


class NewerDatabaseError(RecordsError):
    """The database was laid out by a newer program than this one."""


class BrokenChainError(RecordsError):
    """A record, its link or its index rows are not what they were when written."""

    def __init__(self, seq: int, what: str) -> None:
        self.seq, self.what = seq, what
        super().__init__(f"record {seq}: {what}")
