"""Bringing a database to the layout this program uses, by named steps.

Each component lists its steps in order; the table ``schema_step`` says which were taken, when
and by whom. All missing steps are taken in one writing transaction, under the same lock as every
other writer. A step that this program does not know, of a component it does know, means that a
newer program was here: the database is then left alone.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import (
    Column,
    Connection,
    Engine,
    Table,
    Text,
    insert,
    inspect,
    select,
    text,
)
from sqlalchemy.orm import Session

from bulkflow.records.actors import APPOINTMENT, REFUSAL, Actor
from bulkflow.records.chain import insert_index, records_in
from bulkflow.records.engine import reading, writing
from bulkflow.records.errors import NewerDatabaseError
from bulkflow.records.kinds import Component, Step
from bulkflow.records.schema import METADATA, guard_statements, record_statements
from bulkflow.records.signing import PERSON_KEY, SIGNATURE, signature_fault
from bulkflow.records.times import Clock, utc_text

__all__ = ["RECORDS", "STEP_TABLE", "migrate", "run_statements", "steps_missing"]

STEP_TABLE = Table(
    "schema_step",
    METADATA,
    Column("component", Text, primary_key=True),
    Column("step", Text, primary_key=True),
    Column("at", Text, nullable=False),
    Column("actor", Text, nullable=False),
)


def run_statements(connection: Connection, statements: Sequence[str]) -> None:
    """Run fixed statements one after the other."""
    for statement in statements:
        connection.execute(text(statement.replace(":", r"\:")))


def _lay_records(connection: Connection) -> None:
    run_statements(connection, record_statements(connection.dialect.name))


def _lay_appointments(connection: Connection) -> None:
    run_statements(
        connection,
        (
            """
            CREATE TABLE appointment (
                seq INTEGER NOT NULL PRIMARY KEY REFERENCES record (seq),
                person TEXT NOT NULL,
                role TEXT NOT NULL,
                action TEXT NOT NULL
            )
            """,
            "CREATE INDEX appointment_person ON appointment (person, role, seq)",
            *guard_statements(connection.dialect.name, "appointment"),
        ),
    )


#: The records layer's own component, always the first.
RECORDS = Component(
    name="records",
    steps=(
        Step("001-records", _lay_records),
        Step("002-appointments", _lay_appointments, reindex=(APPOINTMENT.name,)),
    ),
    kinds=(APPOINTMENT, REFUSAL, PERSON_KEY, SIGNATURE),
    check=signature_fault,
)


def steps_missing(connection: Connection, components: Sequence[Component]) -> list[str]:
    """Return the steps still to take, as ``component/step``.

    Raises
    ------
    NewerDatabaseError
        If the database has a step of a known component that this program does not know.
    """
    taken = _taken(connection)
    known = {component.name: {step.name for step in component.steps} for component in components}
    strange = sorted(
        f"{component}/{step}"
        for component, step in taken
        if component in known and step not in known[component]
    )
    if strange:
        raise NewerDatabaseError(
            f"the database has the layout step {strange[0]}, which this program does not know; "
            "it was opened by a newer version. Use that version."
        )
    return [
        f"{component.name}/{step.name}"
        for component in components
        for step in component.steps
        if (component.name, step.name) not in taken
    ]


def migrate(
    engine: Engine, components: Sequence[Component], actor: Actor, clock: Clock
) -> list[str]:
    """Take the missing steps; return their names (empty if the layout was up to date)."""
    with reading(engine) as connection:
        if not steps_missing(connection, components):
            return []
    with writing(engine) as connection:
        # Asked again under the lock: another process may have taken them meanwhile.
        missing = set(steps_missing(connection, components))
        if not inspect(connection).has_table(STEP_TABLE.name):
            _lay_steps(connection)
        for component in components:
            for step in component.steps:
                if f"{component.name}/{step.name}" in missing:
                    _take(connection, component, step, actor, clock)
        return sorted(missing)


def _taken(connection: Connection) -> set[tuple[str, str]]:
    if not inspect(connection).has_table(STEP_TABLE.name):
        return set()
    rows = connection.execute(select(STEP_TABLE.c.component, STEP_TABLE.c.step))
    return {(row.component, row.step) for row in rows}


def _lay_steps(connection: Connection) -> None:
    run_statements(
        connection,
        (
            """
            CREATE TABLE schema_step (
                component TEXT NOT NULL,
                step TEXT NOT NULL,
                at TEXT NOT NULL,
                actor TEXT NOT NULL,
                PRIMARY KEY (component, step)
            )
            """,
        ),
    )


def _take(
    connection: Connection, component: Component, step: Step, actor: Actor, clock: Clock
) -> None:
    step.apply(connection)
    with Session(bind=connection, join_transaction_mode="rollback_only") as session:
        for kind in component.kinds:
            if kind.name in step.reindex:
                insert_index(
                    session,
                    kind,
                    (
                        (record.seq, kind.read(record.version, record.body))
                        for record in records_in(session, kinds=[kind.name])
                    ),
                )
        session.execute(
            insert(STEP_TABLE).values(
                component=component.name,
                step=step.name,
                at=utc_text(clock()),
                actor=actor.name,
            )
        )
        session.commit()  # of the session only; the connection commits when every step is taken
