"""Verifying the chain, and checking a head that was printed before.

Verification reads every record once and stops at the first one that is not what it was: a
missing or doubled number, a link that does not fit, a body not in canonical form, a hash that
differs, a superseded record that lies ahead, an index row that its record does not give. A
person who rewrites the whole chain makes one that verifies; the head printed on paper before
that then no longer lies on it, which :func:`check_head` finds.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.records.canonical import BEGINNING, canonical_text, chain_hash
from bulkflow.records.chain import Head, Record, head, record_batches
from bulkflow.records.errors import RecordsError
from bulkflow.records.kinds import Kind
from bulkflow.records.schema import RECORD, missing_guards

__all__ = [
    "KINDS_KNOWN",
    "Break",
    "HeadCheck",
    "Verification",
    "check_head",
    "link_fault",
    "verify",
    "verify_about",
]

KINDS_KNOWN = "bulkflow.kinds"
"""Where a session holds the kinds of its store."""

#: Fewest hexadecimal digits of a printed head that are taken as proof.
FEWEST_DIGITS = 16

_PRINTED = re.compile(rf"(\d+):([0-9a-f]{{{FEWEST_DIGITS},64}})")


@dataclass(frozen=True, slots=True)
class Break:
    """The first thing found not whole.

    Parameters
    ----------
    seq : number of the record where it shows.
    what : what is wrong, in words.
    """

    seq: int
    what: str

    def __str__(self) -> str:
        """Return ``record 12: what``."""
        return f"record {self.seq}: {self.what}"


@dataclass(frozen=True, slots=True)
class Verification:
    """What a verification found.

    Parameters
    ----------
    records : how many records were found whole, up to the first break.
    head : the last of them.
    broken : the first break, or None.
    unread_kinds : kinds this program does not know; their links were checked, their bodies
        and index rows were not.
    remarks : what is odd but breaks nothing, such as a clock that ran back or a missing guard.
    """

    records: int
    head: Head
    broken: Break | None
    unread_kinds: tuple[str, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HeadCheck:
    """Whether a head printed before lies on this chain.

    Parameters
    ----------
    seq : its number.
    found : the hash this chain has there, or None if the chain is shorter.
    agrees : whether it is the printed one.
    records_since : how many records were added since.
    """

    seq: int
    found: str | None
    agrees: bool
    records_since: int


def check_head(session: Session, printed: str) -> HeadCheck:
    """Return whether a printed head, ``number:hash``, lies on this chain.

    Parameters
    ----------
    printed : as printed; at least the first 16 digits of the hash.

    Raises
    ------
    InputError
        If it is not of that form.
    """
    match = _PRINTED.fullmatch("".join(printed.split()).lower())
    if match is None:
        mend = f"Give it as printed: number:hash, at least {FEWEST_DIGITS} digits of the hash."
        raise InputError(Fault("", 0, "head", f"{printed!r} is not a chain head", mend))
    seq, digits = int(match[1]), match[2]
    last = head(session).seq
    if seq == 0:
        found: str | None = BEGINNING
    else:
        found = session.scalar(select(RECORD.c.hash).where(RECORD.c.seq == seq))
    agrees = found is not None and found.startswith(digits)
    return HeadCheck(seq, found, agrees, max(0, last - seq))


def link_fault(record: Record, before: Head) -> str | None:
    """Return what is wrong with a record that should follow `before`, or None."""
    if record.seq != before.seq + 1:
        return f"follows record {before.seq}: record {before.seq + 1} is missing"
    if record.previous != before.hash:
        return (
            f"names {record.previous[:16]}... as the hash before it, "
            f"but record {before.seq} has {before.hash[:16]}..."
        )
    try:
        if canonical_text(record.content) != record.body:
            return "its body is not in canonical form"
        found = chain_hash(record.fields)
    except (ValueError, TypeError) as error:
        return f"its body does not read: {error}"
    if found != record.hash:
        return f"its content gives the hash {found[:16]}..., but {record.hash[:16]}... is kept"
    if record.supersedes is not None and record.supersedes >= record.seq:
        return f"supersedes record {record.supersedes}, which does not lie before it"
    return None


def verify(
    session: Session,
    kinds: Mapping[str, Kind[Any]],
    checks: Iterable[Callable[[Session], tuple[int, str] | None]] = (),
) -> Verification:
    """Read the whole chain, and its index, up to the first break.

    Parameters
    ----------
    session : a reading session.
    kinds : the kinds known, by name.
    checks : of what components keep beside the index (:attr:`bulkflow.records.Store.checks`).
    """
    last = Head(0, BEGINNING)
    unread: set[str] = set()
    tables = [RECORD.name, *(table.name for table in _tables(kinds))]
    remarks = [
        f"the guard against changes of the table {name!r} is missing"
        for name in missing_guards(session.connection(), tables)
    ]
    told: Counter[str] = Counter()
    latest_at = ""

    def found(broken: Break | None) -> Verification:
        return Verification(last.seq, last, broken, tuple(sorted(unread)), tuple(remarks))

    for batch in record_batches(session):
        whole: list[Record] = []
        broken: Break | None = None
        for record in batch:
            if (fault := link_fault(record, last)) is not None:
                broken = Break(record.seq, fault)
                break
            if record.at < latest_at:
                remarks.append(f"record {record.seq}: the clock ran back to {record.at}")
            latest_at = max(latest_at, record.at)
            last = Head(record.seq, record.hash)
            whole.append(record)
        unread |= {record.kind for record in whole} - kinds.keys()
        odd_row = _index_break(session, whole, kinds, told)
        if odd_row is not None:
            last = _head_before(whole, odd_row.seq)
            return found(odd_row)
        if broken is not None:
            return found(broken)
    odd = _surplus(session, kinds, told)
    for check in checks:
        if odd is None and (other := check(session)) is not None:
            odd = Break(*other)
    return found(odd)


def verify_about(
    session: Session, subjects: Collection[str], named: Mapping[str, Collection[str]]
) -> Break | None:
    """Return the first thing not whole among the records that some subjects rest on.

    Of each record about them, or whose index rows name them, or that supersedes one of these,
    body, hash and index rows are compared; and none may be missing from the chain. The links of
    all other records are left to :func:`verify`.

    Parameters
    ----------
    subjects : of records, such as lots.
    named : by column of the index tables, names that stand there.
    """
    kinds: Mapping[str, Kind[Any]] = session.info[KINDS_KNOWN]
    last = head(session).seq
    if session.scalar(select(func.count()).select_from(RECORD)) != last:
        return Break(last, "records before it are missing")
    seqs = set(session.scalars(select(RECORD.c.seq).where(RECORD.c.subject.in_(sorted(subjects)))))
    tables = _tables(kinds)
    for table in tables:
        for column, names in named.items():
            if column in table.c and names:
                here = table.c[column].in_(sorted(names))
                seqs |= set(session.scalars(select(table.c.seq).where(here)))
    seqs |= set(session.scalars(select(RECORD.c.seq).where(RECORD.c.supersedes.in_(sorted(seqs)))))
    query = select(RECORD).where(RECORD.c.seq.in_(sorted(seqs))).order_by(RECORD.c.seq)
    records = [Record(**row) for row in session.execute(query).mappings()]
    for record in records:
        fault = link_fault(record, Head(record.seq - 1, record.previous))
        if fault is not None:
            return Break(record.seq, fault)
    missing = seqs - {record.seq for record in records}
    if missing:
        return Break(min(missing), "is in the index, but no record")
    return _index_break(session, records, kinds, Counter())


def _head_before(batch: Sequence[Record], seq: int) -> Head:
    record = batch[seq - batch[0].seq]
    return Head(seq - 1, record.previous)


def _index_break(
    session: Session, batch: Sequence[Record], kinds: Mapping[str, Kind[Any]], told: Counter[str]
) -> Break | None:
    """Compare the index rows of a batch with its records; count them by table in `told`."""
    if not batch:
        return None
    expected: dict[str, Counter[tuple[Any, ...]]] = {}
    for record in batch:
        kind = kinds.get(record.kind)
        if kind is None:
            continue
        try:
            body = kind.read(record.version, record.body)
        except RecordsError as error:
            return Break(record.seq, str(error))
        for table, values in kind.rows(body):
            row = {"seq": record.seq, **values}
            key = tuple(row.get(column.name) for column in table.columns)
            expected.setdefault(table.name, Counter())[key] += 1
    breaks: list[Break] = []
    for table in _tables(kinds):
        wanted = expected.get(table.name, Counter())
        told[table.name] += wanted.total()
        whole = len(batch) == batch[-1].seq - batch[0].seq + 1
        here = (
            table.c.seq.between(batch[0].seq, batch[-1].seq)
            if whole
            else table.c.seq.in_([record.seq for record in batch])
        )
        present = Counter(tuple(row) for row in session.execute(select(table).where(here)))
        if present != wanted:
            place = [column.name for column in table.columns].index("seq")
            odd = (present - wanted) + (wanted - present)
            seq = min(int(row[place]) for row in odd)
            breaks.append(Break(seq, f"its rows in the index {table.name!r} were changed"))
    return min(breaks, key=lambda item: item.seq, default=None)


def _surplus(session: Session, kinds: Mapping[str, Kind[Any]], told: Counter[str]) -> Break | None:
    """Find index rows that belong to no record at all."""
    for table in _tables(kinds):
        count = session.scalar(select(func.count()).select_from(table)) or 0
        if count != told[table.name]:
            last = session.scalar(select(func.max(table.c.seq))) or 0
            return Break(int(last), f"the index {table.name!r} has rows that no record gives")
    return None


def _tables(kinds: Mapping[str, Kind[Any]]) -> list[Any]:
    return [table for kind in kinds.values() for table in kind.tables]
