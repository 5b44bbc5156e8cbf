"""A small component for testing the records layer by itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import Column, Connection, ForeignKey, Index, Integer, Table, Text

from bulkflow.records import Body, Component, Kind, Step
from bulkflow.records.amounts import Amount, FixedPoint
from bulkflow.records.migrations import run_statements
from bulkflow.records.schema import METADATA, guard_statements


class Note(Body):
    """A remark, perhaps with an amount and marks."""

    about: str
    says: str
    lpa: Amount | None = None
    marks: tuple[str, ...] = ()


NOTE_TABLE = Table(
    "test_note",
    METADATA,
    Column("seq", Integer, ForeignKey("record.seq"), primary_key=True, autoincrement=False),
    Column("about", Text, nullable=False),
    Column("lpa", FixedPoint(3)),
    Index("test_note_about", "about"),
)
MARK_TABLE = Table(
    "test_mark",
    METADATA,
    Column("seq", Integer, ForeignKey("record.seq"), primary_key=True, autoincrement=False),
    Column("place", Integer, primary_key=True),
    Column("mark", Text, nullable=False),
)


def _rows(body: Note):
    yield NOTE_TABLE, {"about": body.about, "lpa": body.lpa}
    for place, mark in enumerate(body.marks):
        yield MARK_TABLE, {"place": place, "mark": mark}


def _lay(connection: Connection) -> None:
    run_statements(
        connection,
        (
            "CREATE TABLE test_note (seq INTEGER NOT NULL PRIMARY KEY REFERENCES record (seq), "
            "about TEXT NOT NULL, lpa BIGINT)",
            "CREATE INDEX test_note_about ON test_note (about)",
            "CREATE TABLE test_mark (seq INTEGER NOT NULL REFERENCES record (seq), "
            "place INTEGER NOT NULL, mark TEXT NOT NULL, PRIMARY KEY (seq, place))",
            *guard_statements(connection.dialect.name, "test_note"),
            *guard_statements(connection.dialect.name, "test_mark"),
        ),
    )


NOTE = Kind(
    name="note",
    body=Note,
    subject=lambda body: body.about,
    rows=_rows,
    tables=(NOTE_TABLE, MARK_TABLE),
)
NOTES = Component("notes", steps=(Step("001-notes", _lay, reindex=("note",)),), kinds=(NOTE,))


def ticking(start: datetime = datetime(2026, 1, 5, 8, tzinfo=UTC)):
    """A clock that moves on by a second each time it is read."""
    now = start

    def clock() -> datetime:
        nonlocal now
        now += timedelta(seconds=1)
        return now

    return clock
