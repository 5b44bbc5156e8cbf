"""The ledger: what every place and holder has on every day, and the one rule that holds it.

Every record is kept as postings (:mod:`bulkflow.account.fold`); balances are their sums. Before
anything that a session wrote is kept, :func:`check_positions` looks at each holder it touched: on
no day, the day it is dated and every later one, may any of them have less than nothing. So no
command, correction, reversal or late entry makes two records disagree, in whatever order they
come.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import quarter_days
from bulkflow.account.fold import KINDS, Fold
from bulkflow.account.postings import (
    HEELS,
    NO_HOLDER,
    ON_THE_WAY,
    OUTER,
    Key,
    Line,
    Posting,
    keep,
    kept_of,
    kept_postings,
    of_load,
    posted_to,
    sums_of,
)
from bulkflow.account.tables import CLOSING_TABLE, POSTING_TABLE
from bulkflow.errors import Fault, InputError
from bulkflow.records.chain import first_written, head, is_current, records_in
from bulkflow.records.schema import RECORD

__all__ = [
    "HEELS",
    "NO_HOLDER",
    "ON_THE_WAY",
    "OUTER",
    "Ledger",
    "Line",
    "Posting",
    "balances_on",
    "check_positions",
    "first_shortages",
    "folded_anew",
    "gone_on_the_way",
    "held_on",
    "not_by_lot",
    "one_act",
    "postings_in",
    "read_ledger",
    "sent_on",
]

NOTHING = Decimal(0)
_COLUMN = POSTING_TABLE.c


@dataclass(frozen=True, slots=True)
class Ledger:
    """Sums of all postings, and the sites' closings.

    Parameters
    ----------
    sums : LPA by place, liquid, line and the day on which they count.
    closings : by site, the last days of its closed quarters in order.
    """

    sums: Mapping[tuple[str, str, Line, date], Decimal]
    closings: Mapping[str, tuple[date, ...]]

    def balances(self, on: date | None = None) -> dict[tuple[str, str], Decimal]:
        """Return LPA by (place, liquid) at the end of a day (default: of all), noughts left out."""
        found: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
        for (place, liquid, _, day), lpa in self.sums.items():
            if on is None or day <= on:
                found[place, liquid] += lpa
        return {key: lpa for key, lpa in sorted(found.items()) if lpa}

    def sites(self) -> tuple[str, ...]:
        """Return the sites that have an account."""
        inner = {place for place, *_ in self.sums} - OUTER - {ON_THE_WAY, HEELS}
        return tuple(sorted(inner))

    def days(self, place: str, first: date, last: date) -> list[tuple[date, dict[str, Decimal]]]:
        """Return each day's closing LPA by liquid of a place, both ends included."""
        moves: dict[date, dict[str, Decimal]] = defaultdict(lambda: defaultdict(Decimal))
        for (where, liquid, _, day), lpa in self.sums.items():
            if where == place and day <= last:
                moves[max(day, first)][liquid] += lpa
        running: dict[str, Decimal] = defaultdict(Decimal)
        days = []
        for offset in range((last - first).days + 1):
            day = first + timedelta(days=offset)
            for liquid, lpa in moves.get(day, {}).items():
                running[liquid] += lpa
            days.append((day, {k: v for k, v in sorted(running.items()) if v}))
        return days


def read_ledger(session: Session) -> Ledger:
    """Return the ledger of the register as it stands."""
    by = (_COLUMN.place, _COLUMN.liquid_id, _COLUMN.line, _COLUMN.on_day)
    sums: dict[tuple[str, str, Line, date], Decimal] = defaultdict(Decimal)
    for (place, liquid, line, day), lpa in sums_of(session, *by).items():
        sums[place, liquid, Line(line), day] += lpa
    for one in _not_kept(session, posted_to(session)):
        sums[one.place, one.liquid_id, one.line, one.day] += one.lpa
    return Ledger(dict(sums), _closings(session))


def balances_on(session: Session, on: date | None = None) -> dict[tuple[str, str], Decimal]:
    """Return LPA by (place, liquid) at the end of a day (default: of all), noughts left out.

    The same as :meth:`Ledger.balances`, added up where the postings are kept.
    """
    where = [] if on is None else [_COLUMN.on_day <= on]
    found: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
    for (place, liquid), lpa in sums_of(
        session, _COLUMN.place, _COLUMN.liquid_id, where=where
    ).items():
        found[place, liquid] += lpa
    for one in _not_kept(session, posted_to(session)):
        if on is None or one.day <= on:
            found[one.place, one.liquid_id] += one.lpa
    return {key: lpa for key, lpa in sorted(found.items()) if lpa}


def not_by_lot(session: Session) -> dict[Key, Decimal]:
    """Return LPA by place, liquid and holder of what no lot holds; noughts left out."""
    by = (_COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder)
    where = (_COLUMN.holder.not_like("lot %"), _COLUMN.place.not_in(sorted(OUTER)))
    found: dict[Key, Decimal] = defaultdict(Decimal)
    for (place, liquid, holder), lpa in sums_of(session, *by, where=where).items():
        found[place, liquid, holder] += lpa
    for one in _not_kept(session, posted_to(session)):
        if one.place not in OUTER and not one.holder.startswith("lot "):
            found[one.key] += one.lpa
    return {key: lpa for key, lpa in found.items() if lpa}


def postings_in(
    session: Session, *, lines: Collection[Line] = tuple(Line), late: bool = False
) -> list[Posting]:
    """Return postings in the order of the records.

    Parameters
    ----------
    lines : of which lines.
    late : only those that correct a closed quarter.
    """
    where: list[Any] = [_COLUMN.line.in_([line.value for line in lines])]
    if late:
        where.append(_COLUMN.on_day != _COLUMN.happened)
    fresh = [
        one
        for one in _not_kept(session, posted_to(session))
        if one.line in lines and (one.is_late or not late)
    ]
    return [*kept_postings(session, *where), *fresh]


def folded_anew(session: Session) -> list[Posting]:
    """Return all postings worked out from the records alone: what is kept must equal them."""
    return _not_kept(session, 0)


def held_on(session: Session, keys: Iterable[Key], on: date) -> dict[Key, Decimal]:
    """Return the LPA that some holders have at the end of a day, by when things happened."""
    check_positions(session)
    return {
        key: sum((lpa for day, _, lpa in rows if day <= on), NOTHING)
        for key, rows in kept_of(session, keys).items()
    }


def gone_on_the_way(session: Session) -> dict[tuple[str, str, Line], Decimal]:
    """Return LPA moved from, or lost by, loads on their way: by load, liquid and line."""
    by = (_COLUMN.holder, _COLUMN.liquid_id, _COLUMN.line)
    lines = [Line.MOVED.value, Line.SPILT.value]
    where = (_COLUMN.place == ON_THE_WAY, _COLUMN.line.in_(lines))
    found: dict[tuple[str, str, Line], Decimal] = defaultdict(Decimal)
    for (holder, liquid, line), lpa in sums_of(session, *by, where=where).items():
        found[holder.removeprefix("load "), liquid, Line(line)] -= lpa
    for one in _not_kept(session, posted_to(session)):
        if one.place == ON_THE_WAY and one.line.value in lines:
            found[one.holder.removeprefix("load "), one.liquid_id, one.line] -= one.lpa
    return dict(found)


def sent_on(session: Session, load_id: str, liquid_id: str) -> Decimal:
    """Return the LPA that set out with a load, less what was taken off or lost before it came."""
    check_positions(session)
    where = (
        _COLUMN.place == ON_THE_WAY, _COLUMN.holder == of_load(load_id),
        _COLUMN.liquid_id == liquid_id,
        _COLUMN.line.not_in([Line.RECEIVED.value, Line.TRANSIT.value]),
    )  # fmt: skip
    return sum(sums_of(session, _COLUMN.holder, where=where).values(), NOTHING)


def first_shortages(session: Session) -> dict[Key, tuple[date, Decimal]]:
    """Return, of holders that have less than nothing as it counts, the first such day, and LPA."""
    check_positions(session)
    by = (_COLUMN.place, _COLUMN.liquid_id, _COLUMN.holder, _COLUMN.on_day)
    running: dict[Key, Decimal] = defaultdict(Decimal)
    found: dict[Key, tuple[date, Decimal]] = {}
    inner = (_COLUMN.place.not_in(sorted(OUTER)),)
    sums = sums_of(session, *by, where=inner)
    for place, liquid, holder, day in sorted(sums, key=lambda key: key[3]):
        key = (place, liquid, holder)
        running[key] += sums[place, liquid, holder, day]
        if running[key] < 0:
            found.setdefault(key, (day, running[key]))
    return found


def check_positions(session: Session) -> None:
    """Keep the postings of what was recorded since, and refuse what takes more than there is.

    Raises
    ------
    InputError
        With every holder that what this session wrote leaves with less than nothing on some day,
        and with less than it had that day before.
    """
    kept, last = posted_to(session), head(session).seq
    if kept == last:
        return
    fresh = _not_kept(session, kept)
    keep(session, fresh, last)
    since = first_written(session)
    if since is None:
        return
    touched = {one.key for one in fresh if one.record >= since and one.place not in OUTER}
    found = kept_of(session, touched)
    since = max(since, kept + 1)
    faults = [
        fault
        for key, rows in found.items()
        if (fault := _short(session, key, rows, since)) is not None
    ]
    if faults:
        raise InputError(faults)


@contextmanager
def one_act(session: Session) -> Iterator[None]:
    """Keep all that an act writes, or, where it takes what is not there, nothing of it."""
    with session.begin_nested():
        yield
        check_positions(session)


def _not_kept(session: Session, after: int) -> list[Posting]:
    """Return the postings of the records after one."""
    superseded: frozenset[int] = frozenset()
    if not after:
        query = select(RECORD.c.supersedes).where(RECORD.c.supersedes.is_not(None))
        superseded = frozenset(session.scalars(query))
    elif head(session).seq == after:
        return []
    fold = Fold(session, after, superseded)
    for record in records_in(session, after=after, kinds=KINDS):
        fold.add(record)
    return fold.postings


def _short(
    session: Session, key: Key, rows: Sequence[tuple[date, int, Decimal]], since: int
) -> Fault | None:
    """Return the first day on which a holder has less than nothing, through what is new."""
    days: dict[date, list[Decimal]] = defaultdict(lambda: [NOTHING, NOTHING])
    for day, record, lpa in rows:
        days[day][record >= since] += lpa
    before = new = NOTHING
    for day, (old, more) in sorted(days.items()):
        before, new = before + old, new + more
        if before + new < 0 and new < 0:
            place, liquid, holder = key
            what = f"{holder or 'stock'} at {place}"
            found = f"has {before} LPA of {liquid} on {day}, but {-new} is taken"
            return Fault("", 0, what, found, _way_out(session, key, since))
    return None


def _way_out(session: Session, key: Key, since: int) -> str:
    place, liquid, holder = key
    if holder != NO_HOLDER:
        return "Correct the amount or the day, or name another source."
    here = (
        _COLUMN.place == place, _COLUMN.liquid_id == liquid, _COLUMN.holder != NO_HOLDER,
        _COLUMN.seq < since,
    )  # fmt: skip
    others = [
        f"{found[0]} ({lpa:,})"
        for found, lpa in sorted(sums_of(session, _COLUMN.holder, where=here).items())
        if lpa > 0
    ]
    if not others:
        return "Correct the amount, the day, the site or the liquid."
    more = f" and {len(others) - 5} more" if len(others) > 5 else ""
    return f"Stock is what no lot or load holds; there lie {', '.join(others[:5])}{more}."


def _closings(session: Session) -> dict[str, tuple[date, ...]]:
    found: dict[str, list[date]] = defaultdict(list)
    table = CLOSING_TABLE.c
    rows = session.execute(select(table.site_id, table.quarter).where(is_current(table.seq)))
    for site, quarter in rows:
        found[site].append(quarter_days(quarter)[1])
    return {site: tuple(sorted(days)) for site, days in found.items()}
