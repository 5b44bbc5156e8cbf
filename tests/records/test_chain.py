"""Appending, verifying, and finding whatever was changed behind the program's back."""

import pytest
from sqlalchemy import text

from bulkflow.errors import InputError
from bulkflow.records import (
    DatabaseError,
    RecordsError,
    append,
    append_many,
    check_head,
    head,
    is_current,
    records_about,
    verify,
)
from bulkflow.records.canonical import BEGINNING, canonical_text, chain_hash
from bulkflow.records.chain import last_records, records_in

from .pieces import NOTE, NOTE_TABLE, Note


def fill(store, ann, count=5):
    with store.write(ann, zone="Europe/Lisbon") as session:
        return append_many(
            session,
            NOTE,
            [
                (Note(about=f"L{n}", says="ü" * n, lpa="1.500", marks=("a", "b")), None)
                for n in range(count)
            ],
        )


def behind_its_back(store, *statements):
    """Change the database as someone could who controls it: with the guards switched off."""
    with store.engine.connect() as connection, connection.begin():
        if store.engine.dialect.name == "postgresql":
            connection.execute(text("SET LOCAL session_replication_role = replica"))
        else:
            # Foreign keys are only minded by connections that ask for it.
            names = connection.execute(text("SELECT name FROM sqlite_master WHERE type='trigger'"))
            for (name,) in names.all():
                connection.execute(text(f"DROP TRIGGER {name}"))
        for statement in statements:
            connection.execute(text(statement))


def test_each_record_links_to_the_one_before(store, ann):
    made = fill(store, ann)
    assert [record.seq for record in made] == [1, 2, 3, 4, 5]
    assert made[0].previous == BEGINNING
    assert [record.previous for record in made[1:]] == [record.hash for record in made[:-1]]
    with store.read() as session:
        assert list(records_in(session)) == made
        assert str(head(session)) == f"5:{made[-1].hash}"


def test_a_record_says_who_when_and_where(store, ann):
    (record,) = fill(store, ann, 1)
    assert (record.actor, record.account) == ("Ann", "ann")
    assert record.capacity == "all roles, no owner appointed"
    assert record.at.startswith("2026-01-05T08:00:0")
    assert record.zone == "Europe/Lisbon"
    assert record.subject == "L0"


def test_the_hash_covers_every_field(store, ann):
    (record,) = fill(store, ann, 1)
    for name, value in record.fields.items():
        if name == "hash":
            continue
        other = {**record.fields, name: "other" if value != "other" else "another"}
        assert chain_hash(other) != record.hash, name


def test_an_empty_chain_is_whole(store):
    with store.read() as session:
        found = verify(session, store.kinds)
        assert (found.records, found.broken, str(found.head)) == (0, None, f"0:{BEGINNING}")
        assert check_head(session, f"0:{BEGINNING}").agrees


def test_a_whole_chain_verifies(store, ann):
    fill(store, ann)
    with store.read() as session:
        found = verify(session, store.kinds)
    assert (found.records, found.broken, found.unread_kinds, found.remarks) == (5, None, (), ())


@pytest.mark.parametrize(
    ("statement", "seq", "says"),
    [
        ("UPDATE record SET actor = 'Bob' WHERE seq = 3", 3, "content gives the hash"),
        ("UPDATE record SET at = '2025' || substr(at, 5) WHERE seq = 3", 3, "content gives"),
        ("UPDATE record SET zone = 'UTC' WHERE seq = 2", 2, "content gives the hash"),
        ("UPDATE record SET body = replace(body, '1.5', '9.5') WHERE seq = 4", 4, "content gives"),
        ("UPDATE record SET body = body || ' ' WHERE seq = 4", 4, "not in canonical form"),
        ("UPDATE record SET body = '{' WHERE seq = 4", 4, "its body does not read"),
        (
            "UPDATE record SET hash = substr(hash, 2) || '0' WHERE seq = 2",
            2,
            "content gives the hash",
        ),
        ("UPDATE record SET previous = 'x' WHERE seq = 5", 5, "as the hash before it"),
        ("DELETE FROM record WHERE seq = 3", 4, "record 3 is missing"),
        ("DELETE FROM record WHERE seq = 1", 2, "record 1 is missing"),
        ("UPDATE record SET supersedes = 5 WHERE seq = 2", 2, "content gives the hash"),
        ("UPDATE test_note SET lpa = 9500 WHERE seq = 3", 3, "the index 'test_note'"),
        ("DELETE FROM test_note WHERE seq = 2", 2, "the index 'test_note'"),
        ("DELETE FROM test_mark WHERE seq = 4 AND place = 1", 4, "the index 'test_mark'"),
        ("INSERT INTO test_mark VALUES (5, 7, 'c')", 5, "the index 'test_mark'"),
        ("INSERT INTO test_mark VALUES (9, 0, 'c')", 9, "rows that no record gives"),
    ],
)
def test_the_first_broken_link_is_named(store, ann, statement, seq, says):
    made = fill(store, ann)
    unhooked = []
    if statement.startswith(("DELETE FROM record", "INSERT INTO test_mark VALUES (9")):
        unhooked = ["PRAGMA foreign_keys = OFF"] if "sqlite" in str(store.engine.url) else []
    if unhooked:
        # SQLite takes this pragma only outside a transaction.
        with store.engine.connect() as connection:
            raw = connection.connection.driver_connection
            raw.execute(unhooked[0])
            raw.execute("DROP TRIGGER record_no_delete")
            raw.execute(statement)
            raw.execute("PRAGMA foreign_keys = ON")
    else:
        behind_its_back(store, statement)
    with store.read() as session:
        found = verify(session, store.kinds)
    assert found.broken is not None
    assert found.broken.seq == seq
    assert says in found.broken.what
    if seq <= 5 and "missing" not in says:
        assert found.records == seq - 1
        assert found.head.hash == (made[seq - 2].hash if seq > 1 else BEGINNING)


def test_a_rewritten_chain_verifies_but_the_printed_head_finds_it_out(store, ann):
    made = fill(store, ann)
    printed = f"4:{made[3].hash}"
    # Someone with the database and this program rewrites everything from record 2 on.
    statements, before = [], made[0].hash
    for record in made[1:]:
        fields = record.fields
        if record.seq == 2:
            fields["actor"] = "Bob"
        fields["previous"] = before
        digest = chain_hash(fields)
        statements.append(
            f"UPDATE record SET actor = '{fields['actor']}', previous = '{before}', "
            f"hash = '{digest}' WHERE seq = {record.seq}"
        )
        before = digest
    behind_its_back(store, *statements)
    with store.read() as session:
        assert verify(session, store.kinds).broken is None
        check = check_head(session, printed)
        assert not check.agrees
        assert check_head(session, f"1:{made[0].hash}").agrees


def test_a_head_is_checked_later(store, ann):
    made = fill(store, ann)
    with store.read() as session:
        check = check_head(session, f"3:{made[2].hash}")
        assert (check.agrees, check.records_since) == (True, 2)
        assert check_head(session, f" 3 : {made[2].hash[:16].upper()} ").agrees
        assert not check_head(session, f"3:{made[3].hash}").agrees
        beyond = check_head(session, f"9:{made[3].hash}")
        assert (beyond.agrees, beyond.found) == (False, None)


@pytest.mark.parametrize("printed", ["", "3", "3:abc", "x:" + "0" * 64, "3:" + "g" * 64])
def test_what_is_no_head_is_told(store, printed):
    with store.read() as session, pytest.raises(InputError, match="is not a chain head"):
        check_head(session, printed)


@pytest.mark.parametrize("table", ["record", "test_note", "test_mark"])
@pytest.mark.parametrize("verb", ["UPDATE {} SET seq = 99", "DELETE FROM {}"])
def test_the_database_itself_refuses_changes(store, ann, table, verb):
    fill(store, ann)
    with pytest.raises(DatabaseError, match="append-only"), store.write(ann) as session:
        session.execute(text(verb.format(table)))
    with store.read() as session:
        assert verify(session, store.kinds).records == 5


def test_the_database_itself_refuses_a_record_that_does_not_follow_the_head(store, ann):
    made = fill(store, ann)
    for seq, previous in ((7, made[-1].hash), (6, made[-2].hash), (5, made[-1].hash)):
        with pytest.raises(DatabaseError), store.write(ann) as session:
            session.execute(
                text(
                    "INSERT INTO record SELECT :seq, at, zone, actor, account, capacity, kind, "
                    "version, subject, supersedes, body, :previous, 'h' FROM record WHERE seq = 1"
                ),
                {"seq": seq, "previous": previous},
            )
    with store.read() as session:
        assert verify(session, store.kinds).records == 5


def test_a_record_is_superseded_once(store, ann):
    fill(store, ann, 2)
    with store.write(ann) as session:
        append(session, NOTE, Note(about="L0", says="better"), supersedes=1)
    other = Note(about="L0", says="other")
    with pytest.raises(RecordsError, match="superseded by record 3 already"), store.write(ann) as s:
        append(s, NOTE, other, supersedes=1)
    with pytest.raises(RecordsError, match="record 77 does not exist"), store.write(ann) as s:
        append(s, NOTE, other, supersedes=77)
    with store.read() as session:
        from sqlalchemy import select

        current = session.scalars(
            select(NOTE_TABLE.c.seq).where(is_current(NOTE_TABLE.c.seq)).order_by(NOTE_TABLE.c.seq)
        ).all()
        assert current == [2, 3]
        assert [record.seq for record in records_about(session, "L0")] == [1, 3]
        assert [r.seq for r in last_records(session, count=1, about="L0", kind="note")] == [3]


def test_a_clock_that_runs_back_is_remarked_on(store, ann):
    fill(store, ann, 2)
    from datetime import UTC, datetime

    store.clock = lambda: datetime(2020, 1, 1, tzinfo=UTC)
    fill(store, ann, 1)
    with store.read() as session:
        found = verify(session, store.kinds)
    assert found.broken is None
    assert found.remarks == ("record 3: the clock ran back to 2020-01-01T00:00:00.000000Z",)


def test_kinds_of_packages_that_are_not_here_are_named(store, ann):
    fill(store, ann, 1)
    known = {name: kind for name, kind in store.kinds.items() if name != "note"}
    with store.read() as session:
        assert verify(session, known).unread_kinds == ("note",)


def test_missing_guards_are_remarked_on(store, ann):
    fill(store, ann, 1)
    with store.engine.connect() as connection, connection.begin():
        if store.engine.dialect.name == "postgresql":
            connection.execute(text("ALTER TABLE test_note DISABLE TRIGGER ALL"))
            connection.execute(text("DROP TRIGGER record_link ON record"))
        else:
            connection.execute(text("DROP TRIGGER test_note_no_update"))
            connection.execute(text("DROP TRIGGER record_link"))
    with store.read() as session:
        assert verify(session, store.kinds).remarks == (
            "the guard against changes of the table 'record' is missing",
            "the guard against changes of the table 'test_note' is missing",
        )


def test_texts_are_kept_exactly(store, ann):
    said = "“ü” \n\t\\ \" ' % : ; -- 🫙 \u2028 end"
    with store.write(ann) as session:
        append(session, NOTE, Note(about="O'Hara; DROP TABLE record", says=said))
    with store.read() as session:
        (record,) = records_about(session, "O'Hara; DROP TABLE record")
        assert record.content["says"] == said
        assert record.body == canonical_text(record.content)
        assert verify(session, store.kinds).broken is None
