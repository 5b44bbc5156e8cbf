"""Opening the database, and the lock that keeps one unbroken chain.

SQLite: a writing session starts with ``BEGIN IMMEDIATE``, which takes the file's one write lock
before anything is read; a second writer waits (up to `BUSY_SECONDS`), and then reads the head
that the first one left. ``BEGIN`` alone would let two writers read the same head and one of them
fail later. The rollback journal with ``synchronous=EXTRA`` is kept rather than a write-ahead
log: a finished transaction is then wholly in the one file that people copy and back up, also
after a loss of power. Reading sessions start with ``BEGIN`` and see one state throughout.

PostgreSQL: a writing session takes a transaction-level advisory lock, as its first statement
under READ COMMITTED. The lock is freed after the commit is visible, and under READ COMMITTED
each later statement sees what is committed by then, so the next writer reads the true head. A
snapshot level (REPEATABLE READ, SERIALIZABLE) would fix its view before the lock is granted and
read a stale head. Reading sessions use REPEATABLE READ, READ ONLY: one state throughout.

A crash anywhere leaves either all of a session's records or none: they are one transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import StaticPool

from bulkflow.records.errors import DatabaseError
from bulkflow.records.settings import Settings

__all__ = ["BUSY_SECONDS", "make_engine", "reading", "translated", "writing"]

#: How long a writer waits for another one.
BUSY_SECONDS = 60

_WRITES = "bulkflow_writes"
# Any fixed number does; it only has to be the same for every writer of this register.
_LOCK_KEY = 0x6A756E69


def make_engine(settings: Settings) -> Engine:
    """Return an engine for the database, with our way of starting transactions."""
    backend = settings.url.get_backend_name()
    with translated(settings):
        if backend == "sqlite":
            return _sqlite(settings)
        return create_engine(settings.url, pool_pre_ping=True)


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Give a connection that sees one state of the database and changes nothing."""
    options: dict[str, Any] = {_WRITES: False}
    if engine.dialect.name == "postgresql":
        options |= {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    with engine.connect().execution_options(**options) as connection, connection.begin():
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """Give the one writing connection; commit when the block ends well, else undo."""
    options: dict[str, Any] = {_WRITES: True}
    if engine.dialect.name == "postgresql":
        options |= {"isolation_level": "READ COMMITTED"}
    with engine.connect().execution_options(**options) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK_KEY})
        yield connection


@contextmanager
def translated(settings: Settings) -> Iterator[None]:
    """Turn the database library's errors into ours, without secrets."""
    try:
        yield
    except DBAPIError as error:
        raise DatabaseError(f"{settings.shown}: {_reason(error)}") from error
    except ModuleNotFoundError as error:
        raise DatabaseError(
            f"{settings.shown}: the driver {error.name} is not installed; "
            "install the extra [postgres]"
        ) from error
    except (SQLAlchemyError, NoSuchModuleError) as error:
        raise DatabaseError(f"{settings.shown}: {error}") from error


def _reason(error: DBAPIError) -> str:
    lines = str(error.orig).strip().splitlines()
    original = lines[0] if lines else type(error.orig).__name__
    mends = {
        "unable to open database file": "check that the folder exists and may be written"
        " to, or name a register elsewhere with --database (plan also takes --no-register)",
        "file is not a database": "this file is something else; give the register's file",
        "database is locked": "another program is writing; try again when it is done",
        "attempt to write a readonly database": "the file may only be read; check its rights",
        "database or disk is full": "make room and try again; nothing was written",
    }
    for found, mend in mends.items():
        if found in original:
            return f"{original}; {mend}"
    return original


def _sqlite(settings: Settings) -> Engine:
    if settings.file is None:
        # One connection for all, or each would see an empty database of its own.
        engine = create_engine(
            settings.url, poolclass=StaticPool, connect_args={"check_same_thread": False}
        )
    else:
        engine = create_engine(settings.url, connect_args={"timeout": BUSY_SECONDS})

    @event.listens_for(engine, "connect")
    def _connect(connection: sqlite3.Connection, _: Any) -> None:
        # The driver's own habit of starting transactions late is switched off; we start them.
        connection.isolation_level = None
        for pragma in ("foreign_keys=ON", "synchronous=EXTRA", "cache_size=-65536"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get(_WRITES, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
