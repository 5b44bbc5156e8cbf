import pytest
from sqlalchemy import inspect, text

from bulkflow.lots.tables import LOTS
from bulkflow.records import (
    Actor,
    Component,
    NewerDatabaseError,
    Step,
    append,
    open_store,
    records_in,
    settings_for,
    verify,
)
from bulkflow.records.migrations import RECORDS, STEP_TABLE, run_statements
from bulkflow.records.schema import RECORD

from .pieces import NOTE, NOTES, Note

ANN = Actor("Ann", "ann")


def declared(components):
    tables = [RECORD, STEP_TABLE]
    return tables + [t for part in components for kind in part.kinds for t in kind.tables]


def test_the_steps_lay_out_what_the_program_declares(database_url):
    with open_store(settings_for(".", database_url), (LOTS, NOTES)) as store:
        seen = inspect(store.engine)
        tables = declared((RECORDS, LOTS, NOTES))
        assert set(seen.get_table_names()) == {table.name for table in tables}
        for table in tables:
            found = {column["name"]: column for column in seen.get_columns(table.name)}
            assert list(found) == [column.name for column in table.columns], table.name
            for column in table.columns:
                assert found[column.name]["nullable"] == (
                    column.nullable and not column.primary_key
                ), (table.name, column.name)
                kind = type(column.type.compile(store.engine.dialect))
                assert kind is str
                # BIGINT where amounts are kept, and so on: the same family of type.
                wanted = column.type.compile(store.engine.dialect)
                got = found[column.name]["type"].compile(store.engine.dialect)
                assert got == wanted, (table.name, column.name)
            keys = seen.get_pk_constraint(table.name)["constrained_columns"]
            assert keys == [column.name for column in table.primary_key.columns]
            wanted_indexes = {
                index.name: [column.name for column in index.columns] for index in table.indexes
            }
            found_indexes = {
                index["name"]: index["column_names"]
                for index in seen.get_indexes(table.name)
                if not index.get("duplicates_constraint")
            }
            assert found_indexes == wanted_indexes, table.name


def test_every_table_but_the_steps_is_append_only(database_url):
    with open_store(settings_for(".", database_url), (LOTS, NOTES)) as store:
        for table in declared((RECORDS, LOTS, NOTES)):
            if table.name == "schema_step":
                continue
            query = (
                "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND tbl_name = :name "
                "AND name LIKE '%_no_%'"
                if store.engine.dialect.name == "sqlite"
                else "SELECT 2 * count(*) FROM pg_trigger WHERE tgname = :name || '_append_only'"
                " AND tgrelid = CAST(:name AS regclass)"
            )
            with store.engine.connect() as connection:
                found = connection.execute(text(query), {"name": table.name}).scalar()
            assert found == 2, table.name


def test_opening_again_takes_no_step(database_url):
    settings = settings_for(".", database_url)
    with open_store(settings, (NOTES,)) as store, store.engine.connect() as connection:
        first = connection.execute(text("SELECT component, step, at FROM schema_step")).all()
    with open_store(settings, (NOTES,)) as store, store.engine.connect() as connection:
        assert (
            connection.execute(text("SELECT component, step, at FROM schema_step")).all() == first
        )
    assert {(row.component, row.step) for row in first} == {
        ("records", "001-records"),
        ("records", "002-appointments"),
        ("notes", "001-notes"),
    }


def test_a_component_that_comes_later_finds_its_records_indexed(database_url, tmp_path):
    settings = settings_for(".", database_url)
    with open_store(settings, (NOTES,)) as store, store.write(ANN) as session:
        append(session, NOTE, Note(about="L1", says="one", lpa="2.500", marks=("x", "y")))
    later = Component(
        "notes",
        steps=(
            *NOTES.steps,
            Step("002-again", _drop_and_lay, reindex=("note",)),
        ),
        kinds=NOTES.kinds,
    )
    with open_store(settings, (later,)) as store, store.read() as session:
        found = verify(session, store.kinds)
        assert (found.records, found.broken) == (1, None)
        assert [record.content["marks"] for record in records_in(session)] == [["x", "y"]]


def _drop_and_lay(connection):
    run_statements(connection, ("DROP TABLE test_mark", "DROP TABLE test_note"))
    NOTES.steps[0].apply(connection)


def test_a_step_that_fails_leaves_the_layout_as_it_was(database_url):
    settings = settings_for(".", database_url)
    open_store(settings, (NOTES,)).close()

    def half(connection):
        run_statements(connection, ("CREATE TABLE half_made (a INTEGER)",))
        raise RuntimeError("midway")

    broken = Component("notes", (*NOTES.steps, Step("002-half", half)), NOTES.kinds)
    with pytest.raises(RuntimeError, match="midway"):
        open_store(settings, (broken,))
    with open_store(settings, (NOTES,)) as store:
        assert not inspect(store.engine).has_table("half_made")


def test_a_database_of_a_newer_program_is_left_alone(database_url):
    settings = settings_for(".", database_url)
    newer = Component(
        "notes", (*NOTES.steps, Step("002-newer", lambda connection: None)), NOTES.kinds
    )
    open_store(settings, (newer,)).close()
    with pytest.raises(NewerDatabaseError, match="notes/002-newer"):
        open_store(settings, (NOTES,))


def test_a_component_of_a_package_that_is_not_here_does_no_harm(database_url):
    settings = settings_for(".", database_url)
    open_store(settings, (NOTES,)).close()
    with open_store(settings, ()) as store, store.read() as session:
        assert verify(session, store.kinds).broken is None
