"""Postings: LPA that came to or left a place, under whose name it lies there, on which day.

A place is a site, the liquid on its way, what stayed in transport tanks, or one of the outer
accounts (bought in, bottled, lost on the way ...). At a place liquid lies under a **holder**: a
lot, a load that was discharged (or is on its way), or nothing, which is stock kept under neither.
What a holder has on a day is the sum of its postings: the one position everything asks for.

The rows are kept (``posting``), made from the records by :mod:`bulkflow.account.fold` and never
changed; they can be made anew from the records at any time, and are compared with them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Any

from sqlalchemy import func, insert, select, type_coerce
from sqlalchemy.orm import Session

from bulkflow.account.tables import POSTED_TABLE, POSTING_TABLE
from bulkflow.records.amounts import FixedPoint

__all__ = [
    "HEELS",
    "NO_HOLDER",
    "ON_THE_WAY",
    "OUTER",
    "Key",
    "Line",
    "Posting",
    "keep",
    "kept_of",
    "kept_postings",
    "of_load",
    "of_lot",
    "posted_to",
    "sums_of",
]

ON_THE_WAY = "on the way"
HEELS = "heels in tanks"
NO_HOLDER = ""

Key = tuple[str, str, str]
"""Place, liquid, holder."""


def of_lot(lot_id: str) -> str:
    """Return the holder that a lot is."""
    return f"lot {lot_id}"


def of_load(load_id: str) -> str:
    """Return the holder that a load is."""
    return f"load {load_id}"


class Line(StrEnum):
    """What a posting is, as a line of the account; also names the outer account it faces."""

    TAKEN_OVER = "taken over"
    BOUGHT_IN = "bought in"
    RECEIVED = "received from loads"
    MADE = "made"
    RECOVERED = "recovered"
    HEEL_RETURNED = "heel returned"
    USED = "used in making"
    DISPATCHED = "dispatched in loads"
    BOTTLED = "bottled"
    BOTTLING_LOSS = "lost in bottling"
    DISPOSED = "redistilled or blended away"
    DESTROYED = "destroyed"
    SAMPLES = "samples"
    STOCKTAKE = "stocktake difference"
    TRANSIT = "difference on the way"
    CORRECTION = "correction"
    SPILT = "spilt or leaked"
    MOVED = "moved"


#: Outer accounts are the lines themselves: what enters a site from outside leaves one of them.
OUTER = frozenset(line.value for line in Line)


@dataclass(frozen=True, slots=True)
class Posting:
    """LPA that came to a place (negative: left it) on a day.

    Parameters
    ----------
    record : it rests on; `subject` is the lot, load or bottling it is about.
    day : on which it counts; ``happened`` is when it happened, earlier where the quarter was
        closed before it was recorded.
    taken_back : whether it takes back a posting of the record that `record` supersedes.
    holder : under which the liquid lies at the place.
    """

    record: int
    day: date
    happened: date
    place: str
    liquid_id: str
    lpa: Decimal
    line: Line
    subject: str
    holder: str = NO_HOLDER
    taken_back: bool = False

    @property
    def is_late(self) -> bool:
        """Whether it corrects a quarter that was closed."""
        return self.day != self.happened

    @property
    def key(self) -> Key:
        """Where it lies, and under whose name."""
        return self.place, self.liquid_id, self.holder


_COLUMN = POSTING_TABLE.c
_AT_ONCE = 500


def posted_to(session: Session) -> int:
    """Return the last record whose postings are kept."""
    return session.scalar(select(func.max(POSTED_TABLE.c.seq))) or 0


def keep(session: Session, postings: Sequence[Posting], upto: int) -> None:
    """Keep the postings of the records up to one."""
    rows: list[dict[str, Any]] = []
    place = 0
    for before, one in zip((None, *postings), postings, strict=False):
        place = place + 1 if before is not None and before.record == one.record else 0
        rows.append(
            {
                "seq": one.record,
                "number": place,
                "on_day": one.day,
                "happened": one.happened,
                "place": one.place,
                "liquid_id": one.liquid_id,
                "holder": one.holder,
                "lpa": one.lpa,
                "line": one.line.value,
                "subject": one.subject,
                "taken_back": one.taken_back,
            }
        )
    for start in range(0, len(rows), 2000):
        session.execute(insert(POSTING_TABLE), rows[start : start + 2000])
    session.execute(insert(POSTED_TABLE).values(seq=upto))


def kept_postings(session: Session, *where: Any) -> list[Posting]:
    """Return kept postings, in the order of the records."""
    query = select(POSTING_TABLE).where(*where).order_by(_COLUMN.seq, _COLUMN.number)
    return [
        Posting(
            row.seq, row.on_day, row.happened, row.place, row.liquid_id, row.lpa, Line(row.line),
            row.subject, row.holder, row.taken_back,
        )
        for row in session.execute(query)
    ]  # fmt: skip


def kept_of(session: Session, keys: Iterable[Key]) -> dict[Key, list[tuple[date, int, Decimal]]]:
    """Return what came to and left some holders: day it happened, record, LPA."""
    wanted = sorted(set(keys))
    found: dict[Key, list[tuple[date, int, Decimal]]] = {key: [] for key in wanted}
    named: dict[str, set[Key]] = defaultdict(set)
    for key in wanted:
        named[key[2]].add(key)
    columns = (_COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder)
    query = select(*columns, _COLUMN.happened, _COLUMN.seq, _COLUMN.lpa)

    def read(*where: Any) -> None:
        for place, liquid, holder, day, seq, lpa in session.execute(query.where(*where)):
            if (place, liquid, holder) in found:
                found[place, liquid, holder].append((day, seq, lpa))

    for place, liquid, _ in named.pop(NO_HOLDER, ()):
        read(columns[2] == NO_HOLDER, columns[0] == place, columns[1] == liquid)
    names = sorted(named)
    for start in range(0, len(names), _AT_ONCE):
        read(columns[2].in_(names[start : start + _AT_ONCE]))
    return found


def sums_of(
    session: Session, *by: Any, where: Sequence[Any] = ()
) -> Mapping[tuple[Any, ...], Decimal]:
    """Return LPA summed by columns of the table."""
    total = type_coerce(func.sum(_COLUMN.lpa), FixedPoint())
    rows = session.execute(select(*by, total).where(*where).group_by(*by))
    return {tuple(row[:-1]): row[-1] for row in rows}
