"""Appending to the chain, and reading it.

One writer at a time: a writing session holds the database's write lock from its first statement
(:mod:`bulkflow.records.engine`), so the head it reads is the head it appends to. The link is
checked again by a trigger and by the uniqueness of ``previous``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Integer, Select, column, exists, insert, select
from sqlalchemy import table as bare_table
from sqlalchemy.orm import Session
from sqlalchemy.sql import ColumnElement

from bulkflow.records.actors import (
    Actor,
    Power,
    holders,
    nobody_appoints,
    powers_of,
    roles_of,
)
from bulkflow.records.canonical import BEGINNING, canonical_text, chain_hash
from bulkflow.records.errors import RecordsError, RefusedError
from bulkflow.records.kinds import Body, Kind
from bulkflow.records.schema import RECORD
from bulkflow.records.times import Clock, check_zone, utc_text

__all__ = [
    "Acting",
    "Head",
    "Record",
    "acting",
    "append",
    "append_many",
    "first_written",
    "head",
    "insert_index",
    "insert_records",
    "is_current",
    "last_records",
    "record_batches",
    "records_about",
    "records_in",
    "require",
]

_ACTING = "bulkflow.acting"
_FIRST_WRITTEN = "bulkflow.first_written"
_BATCH = 2000
# The one column that says what was superseded: a full alias of the table is slow to make, and
# this condition stands in nearly every query.
_LATER = bare_table("record", column("supersedes", Integer)).alias("later")

B = TypeVar("B", bound=Body)


@dataclass(frozen=True, slots=True)
class Head:
    """The last record of the chain; ``Head(0, "000...")`` for an empty one."""

    seq: int
    hash: str

    def __str__(self) -> str:
        """Return ``seq:hash``, the form that is printed and checked later."""
        return f"{self.seq}:{self.hash}"


@dataclass(frozen=True, slots=True)
class Record:
    """One record as stored.

    Parameters
    ----------
    seq : its number, from 1, without gaps.
    at : when, UTC as text; `zone` is the site's IANA zone.
    actor, account, capacity : who acted, from which account, in what capacity.
    kind, version, subject, supersedes : what it is, about what, and which record it replaces.
    body : canonical text.
    previous, hash : the link.
    """

    seq: int
    at: str
    zone: str
    actor: str
    account: str
    capacity: str
    kind: str
    version: int
    subject: str
    supersedes: int | None
    body: str
    previous: str
    hash: str

    @property
    def content(self) -> Any:
        """The body as plain data."""
        return json.loads(self.body)

    @property
    def fields(self) -> dict[str, Any]:
        """All fields as plain data, with the body unfolded: what is hashed and exported."""
        plain = {name: getattr(self, name) for name in self.__slots__}
        plain["body"] = self.content
        return plain


@dataclass(frozen=True, slots=True)
class Acting:
    """Who writes in a session, by which clock, for which zone, and in what capacity."""

    actor: Actor
    clock: Clock
    zone: str

    def begin(self, session: Session) -> None:
        """Make `session` a writing one."""
        session.info[_ACTING] = self


def acting(session: Session) -> Acting:
    """Return who writes in this session.

    Raises
    ------
    ValueError
        If the session is not a writing one.
    """
    found = session.info.get(_ACTING)
    if not isinstance(found, Acting):
        raise ValueError("this session only reads; open one with Store.write")
    return found


def require(session: Session, power: Power, attempted: str) -> None:
    """Refuse what the acting person's roles do not allow.

    Parameters
    ----------
    power : what is needed.
    attempted : what they are about to do, in words that follow 'may not'.

    Raises
    ------
    RefusedError
        If they lack the power; the store then records the refusal.
    """
    person = acting(session).actor.name
    if power not in powers_of(session, person):
        raise RefusedError(person, attempted, power.value, holders(power))


def head(session: Session) -> Head:
    """Return the last record's number and hash."""
    row = session.execute(
        select(RECORD.c.seq, RECORD.c.hash).order_by(RECORD.c.seq.desc()).limit(1)
    ).first()
    return Head(0, BEGINNING) if row is None else Head(row.seq, row.hash)


def append(
    session: Session,
    kind: Kind[B],
    body: B,
    *,
    supersedes: int | None = None,
    zone: str | None = None,
) -> Record:
    """Append one record and its index rows; return it."""
    return append_many(session, kind, [(body, supersedes)], zone=zone)[0]


def append_many(
    session: Session,
    kind: Kind[B],
    entries: Iterable[tuple[B, int | None]],
    *,
    zone: str | Callable[[B], str | None] | None = None,
) -> list[Record]:
    """Append records of one kind, each with the number of the record it supersedes (or None).

    Parameters
    ----------
    zone : IANA zone of the site concerned, or a function that gives it for a body (default,
        and where the function gives None: the session's).

    Raises
    ------
    RecordsError
        If a superseded record does not exist, is of another kind's subject, or has been
        superseded already.
    """
    writer = acting(session)
    capacity = _capacity(session, writer.actor)
    last = head(session)
    made: list[Record] = []
    rows: list[tuple[int, B]] = []
    for body, supersedes in entries:
        if supersedes is not None:
            _check_superseded(session, supersedes)
        place = zone(body) if callable(zone) else zone
        fields: dict[str, Any] = {
            "seq": last.seq + 1,
            "at": utc_text(writer.clock()),
            "zone": check_zone(place or writer.zone),
            "actor": writer.actor.name,
            "account": writer.actor.account,
            "capacity": capacity,
            "kind": kind.name,
            "version": kind.version,
            "subject": kind.subject(body),
            "supersedes": supersedes,
            "body": body.model_dump(mode="json", exclude_none=True),
            "previous": last.hash,
        }
        digest = chain_hash(fields)
        record = Record(**{**fields, "body": canonical_text(fields["body"]), "hash": digest})
        made.append(record)
        rows.append((record.seq, body))
        last = Head(record.seq, digest)
    insert_records(session, made)
    insert_index(session, kind, rows)
    if made:
        session.info.setdefault(_FIRST_WRITTEN, made[0].seq)
    return made


def first_written(session: Session) -> int | None:
    """Return the first record that this session wrote, or None."""
    found: int | None = session.info.get(_FIRST_WRITTEN)
    return found


def insert_records(session: Session, records: Sequence[Record]) -> None:
    """Insert finished records, in their order."""
    for start in range(0, len(records), _BATCH):
        session.execute(
            insert(RECORD),
            [
                {name: getattr(record, name) for name in Record.__slots__}
                for record in records[start : start + _BATCH]
            ],
        )


def insert_index(session: Session, kind: Kind[B], bodies: Iterable[tuple[int, B]]) -> None:
    """Insert the index rows of bodies, each given with its record's number."""
    gathered: dict[str, list[dict[str, Any]]] = {table.name: [] for table in kind.tables}
    for seq, body in bodies:
        for table, values in kind.rows(body):
            gathered[table.name].append({"seq": seq, **values})
    for table in kind.tables:
        rows = gathered[table.name]
        for start in range(0, len(rows), _BATCH):
            session.execute(insert(table), rows[start : start + _BATCH])


def is_current(seq_column: ColumnElement[int]) -> ColumnElement[bool]:
    """Return the condition that the record numbered by a column has not been superseded."""
    return ~exists(
        select(_LATER.c.supersedes)
        .where(_LATER.c.supersedes == seq_column)
        .correlate_except(_LATER)
    )


def records_about(
    session: Session, subject: str, *, kinds: Sequence[str] | None = None
) -> list[Record]:
    """Return the records about one subject, oldest first."""
    query = select(RECORD).where(RECORD.c.subject == subject).order_by(RECORD.c.seq)
    if kinds is not None:
        query = query.where(RECORD.c.kind.in_(kinds))
    return [Record(**row) for row in session.execute(query).mappings()]


def last_records(
    session: Session, *, count: int, about: str | None = None, kind: str | None = None
) -> list[Record]:
    """Return the last records, oldest first.

    Parameters
    ----------
    count : at most so many.
    about : only those with this subject.
    kind : only those of this kind.
    """
    query = select(RECORD).order_by(RECORD.c.seq.desc()).limit(count)
    if about is not None:
        query = query.where(RECORD.c.subject == about)
    if kind is not None:
        query = query.where(RECORD.c.kind == kind)
    rows = session.execute(query).mappings().all()
    return [Record(**row) for row in reversed(rows)]


def record_batches(
    session: Session, *, after: int = 0, kinds: Sequence[str] | None = None
) -> Iterator[list[Record]]:
    """Yield the records after a number, in order, a batch at a time."""
    while True:
        query: Select[Any] = (
            select(RECORD).where(RECORD.c.seq > after).order_by(RECORD.c.seq).limit(_BATCH)
        )
        if kinds is not None:
            query = query.where(RECORD.c.kind.in_(kinds))
        batch = [Record(**row) for row in session.execute(query).mappings()]
        if batch:
            yield batch
        if len(batch) < _BATCH:
            return
        after = batch[-1].seq


def records_in(
    session: Session, *, after: int = 0, kinds: Sequence[str] | None = None
) -> Iterator[Record]:
    """Yield the records after a number, in order, reading in batches."""
    for batch in record_batches(session, after=after, kinds=kinds):
        yield from batch


def _capacity(session: Session, actor: Actor) -> str:
    if nobody_appoints(session):
        return "all roles, no owner appointed"
    roles = sorted(role.value for role in roles_of(session, actor.name))
    return ", ".join(roles) if roles else "none"


def _check_superseded(session: Session, seq: int) -> None:
    if session.scalar(select(RECORD.c.seq).where(RECORD.c.seq == seq)) is None:
        raise RecordsError(f"record {seq} does not exist, so nothing can supersede it")
    later = session.scalar(select(RECORD.c.seq).where(RECORD.c.supersedes == seq))
    if later is not None:
        raise RecordsError(
            f"record {seq} was superseded by record {later} already; supersede that one"
        )
