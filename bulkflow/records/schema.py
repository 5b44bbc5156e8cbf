"""The table of records, and the guards that keep every table append-only.

``record`` is the truth: one row a record, its body in canonical form, each row carrying the
hash of the one before. Every other table is an index made from bodies (see
:mod:`bulkflow.records.kinds`), so that questions can be asked in sets; verification compares
each index row with the record it came from.
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import (
    CheckConstraint,
    Column,
    Connection,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from bulkflow.records.canonical import BEGINNING

__all__ = ["METADATA", "RECORD", "guard_statements", "missing_guards", "record_statements"]

#: Every table of the database; packages above declare theirs here too.
METADATA = MetaData()

RECORD = Table(
    "record",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at", Text, nullable=False),
    Column("zone", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("account", Text, nullable=False),
    Column("capacity", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("subject", Text, nullable=False),
    Column("supersedes", Integer, ForeignKey("record.seq")),
    Column("body", Text, nullable=False),
    Column("previous", Text, nullable=False),
    Column("hash", Text, nullable=False),
    CheckConstraint("seq >= 1", name="record_seq_from_one"),
    UniqueConstraint("previous", name="record_previous_once"),
    UniqueConstraint("hash", name="record_hash_once"),
    Index("record_kind", "kind", "seq"),
    Index("record_subject", "subject", "seq"),
    # A record is superseded at most once: a correction of a correction names the correction.
    Index(
        "record_supersedes",
        "supersedes",
        unique=True,
        sqlite_where=text("supersedes IS NOT NULL"),
        postgresql_where=text("supersedes IS NOT NULL"),
    ),
)

_CREATE_RECORD = (
    """
    CREATE TABLE record (
        seq INTEGER NOT NULL PRIMARY KEY CONSTRAINT record_seq_from_one CHECK (seq >= 1),
        at TEXT NOT NULL,
        zone TEXT NOT NULL,
        actor TEXT NOT NULL,
        account TEXT NOT NULL,
        capacity TEXT NOT NULL,
        kind TEXT NOT NULL,
        version INTEGER NOT NULL,
        subject TEXT NOT NULL,
        supersedes INTEGER REFERENCES record (seq),
        body TEXT NOT NULL,
        previous TEXT NOT NULL CONSTRAINT record_previous_once UNIQUE,
        hash TEXT NOT NULL CONSTRAINT record_hash_once UNIQUE
    )
    """,
    "CREATE INDEX record_kind ON record (kind, seq)",
    "CREATE INDEX record_subject ON record (subject, seq)",
    "CREATE UNIQUE INDEX record_supersedes ON record (supersedes) WHERE supersedes IS NOT NULL",
)

# A record whose link does not fit is refused by the database itself, whoever writes it.
_SQLITE_LINK = f"""
    CREATE TRIGGER record_link BEFORE INSERT ON record
    WHEN NEW.seq <> 1 + coalesce((SELECT max(seq) FROM record), 0)
      OR NEW.previous <> coalesce((SELECT hash FROM record WHERE seq = NEW.seq - 1), '{BEGINNING}')
    BEGIN SELECT RAISE(ABORT, 'a record must follow the head of the chain'); END
"""

_POSTGRES_LINK = (
    f"""
    CREATE FUNCTION bulkflow_record_link() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF NEW.seq <> 1 + coalesce((SELECT max(seq) FROM record), 0)
           OR NEW.previous <> coalesce(
               (SELECT hash FROM record WHERE seq = NEW.seq - 1), '{BEGINNING}')
        THEN RAISE EXCEPTION 'a record must follow the head of the chain';
        END IF;
        RETURN NEW;
    END $$
    """,
    """
    CREATE TRIGGER record_link BEFORE INSERT ON record
    FOR EACH ROW EXECUTE FUNCTION bulkflow_record_link()
    """,
    """
    CREATE FUNCTION bulkflow_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'table % is append-only', TG_TABLE_NAME; END $$
    """,
)


def record_statements(dialect: str) -> tuple[str, ...]:
    """Return the statements that lay out the table of records (first version).

    Parameters
    ----------
    dialect : ``sqlite`` or ``postgresql``.
    """
    links = (_SQLITE_LINK,) if dialect == "sqlite" else _POSTGRES_LINK
    return (*_CREATE_RECORD, *links, *guard_statements(dialect, "record"))


def missing_guards(connection: Connection, tables: Iterable[str]) -> list[str]:
    """Return the tables whose guards against changes are not in place, or switched off.

    Someone who can change the database can also put them back afterwards: that they are in
    place proves nothing, that they are missing is worth knowing.
    """
    if connection.dialect.name == "sqlite":
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        wanted = {name: {f"{name}_no_update", f"{name}_no_delete"} for name in tables}
    else:
        query = (
            "SELECT t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
            "JOIN pg_namespace n ON n.oid = c.relnamespace "
            "WHERE n.nspname = current_schema() AND t.tgenabled IN ('O', 'A')"
        )
        wanted = {name: {f"{name}_append_only"} for name in tables}
    wanted.setdefault(RECORD.name, set()).add("record_link")
    present = set(connection.execute(text(query)).scalars())
    return sorted(name for name, guards in wanted.items() if not guards <= present)


def guard_statements(dialect: str, table: str) -> tuple[str, ...]:
    """Return the statements that make a table refuse every change but adding rows.

    Parameters
    ----------
    dialect : ``sqlite`` or ``postgresql``.
    table : name of a table of ours (never text from outside).
    """
    if not table.isidentifier():
        raise ValueError(f"{table!r} is not a table name")
    if dialect == "sqlite":
        return tuple(
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'table {table} is append-only'); END"
            for verb in ("UPDATE", "DELETE")
        )
    return (
        f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION bulkflow_append_only()",
    )
