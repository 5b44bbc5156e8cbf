"""What the record database refuses, and what it finds not whole.

::

    RecordsError                (bulkflow.errors)
    |-- RefusedError            the acting person may not do this; the attempt is recorded
    |-- DatabaseError           the database cannot be opened, read or written
    `-- NewerDatabaseError      the database was laid out by a newer program
"""

from __future__ import annotations

from bulkflow.errors import RecordsError

__all__ = [
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
