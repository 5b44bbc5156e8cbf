"""Verdicts on tables of checks as every runner prints them: id and ok, FAIL or not asked."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from typing import Protocol, TypeVar


class Asked(Protocol):
    """A row of a table of checks."""

    @property
    def id(self) -> str:
        """What names it."""

    @property
    def quantity(self) -> str:
        """What it asks for, in words."""


Row = TypeVar("Row", bound=Asked)


def print_verdicts(
    tables: Iterable[Iterable[Row]],
    judge: Callable[[Row], tuple[str, str]],
    asked: Callable[[Row], str] = lambda row: row.quantity,
) -> int:
    """Print a line a row, reasons on standard error; return 1 if any row failed, else 0.

    ``asked`` says what a row asks for, before the reason.
    """
    failed = 0
    for table in tables:
        for row in table:
            verdict, reason = judge(row)
            failed += verdict == "FAIL"
            print(row.id, verdict)
            if reason:
                print(f"{row.id}: {asked(row)}: {reason}", file=sys.stderr)
    return 1 if failed else 0
