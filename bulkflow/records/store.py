"""The store: one database, its components, and sessions that read or write.

::

    with open_store(settings, (LOTS,)) as store:
        with store.write(Actor.current()) as session:
            append(session, KIND, body)
        with store.read() as session:
            ...

A writing session is one transaction under the write lock: all of it is kept, or nothing. Where
it ends in a refusal, the attempt is undone and the refusal recorded in a transaction of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from types import MappingProxyType, TracebackType
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from bulkflow.records.actors import (
    APPOINTMENT,
    REFUSAL,
    Actor,
    Appointment,
    Power,
    Refusal,
    Role,
    appointed,
    roles_of,
)
from bulkflow.records.chain import Acting, Record, append, require
from bulkflow.records.engine import make_engine, reading, translated, writing
from bulkflow.records.errors import DatabaseError, RecordsError, RefusedError
from bulkflow.records.kinds import Component, Kind
from bulkflow.records.migrations import RECORDS, migrate, steps_missing
from bulkflow.records.settings import Settings
from bulkflow.records.signing import begin_signing, sign_session
from bulkflow.records.times import Clock, check_zone, system_clock
from bulkflow.records.verification import KINDS_KNOWN

__all__ = ["Store", "change_role", "open_store"]


class Store:
    """An open database of records.

    Parameters
    ----------
    settings : where it is.
    engine : the open engine.
    components : what is kept in it, the records layer first.
    clock : tells the time, in UTC.
    zone : IANA zone written where a record names none.
    """

    def __init__(
        self,
        settings: Settings,
        engine: Engine,
        components: Sequence[Component],
        clock: Clock,
        zone: str,
    ) -> None:
        self.settings, self.engine, self.clock = settings, engine, clock
        self.components = tuple(components)
        self.zone = check_zone(zone)
        self.kinds: Mapping[str, Kind[Any]] = MappingProxyType(
            {kind.name: kind for part in self.components for kind in part.kinds}
        )

    @property
    def checks(self) -> tuple[Callable[[Session], tuple[int, str] | None], ...]:
        """What the components compare with the records, beyond the index of their kinds."""
        return tuple(part.check for part in self.components if part.check is not None)

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give back the connections."""
        self.engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give a session that sees one state of the database throughout."""
        with (
            translated(self.settings),
            reading(self.engine) as connection,
            Session(bind=connection, join_transaction_mode="control_fully") as session,
        ):
            session.info[KINDS_KNOWN] = self.kinds
            yield session

    @contextmanager
    def write(
        self, actor: Actor, *, zone: str | None = None, keep: bool = True
    ) -> Iterator[Session]:
        """Give the one writing session; its records are kept together when the block ends well.

        Parameters
        ----------
        actor : who acts.
        zone : IANA zone for records that name none.
        keep : False undoes everything at the end (a trial run).
        """
        try:
            with self._writing(actor, zone, keep=keep) as session:
                yield session
        except RefusedError as refusal:
            if keep:
                self._record_refusal(actor, zone, refusal)
            raise

    @contextmanager
    def _writing(self, actor: Actor, zone: str | None, *, keep: bool) -> Iterator[Session]:
        with (
            translated(self.settings),
            writing(self.engine) as connection,
            Session(bind=connection, join_transaction_mode="rollback_only") as session,
        ):
            session.info[KINDS_KNOWN] = self.kinds
            Acting(actor, self.clock, zone or self.zone).begin(session)
            begin_signing(session)
            yield session
            for part in self.components:
                if part.settle is not None:
                    part.settle(session)
            sign_session(session)
            if keep:
                session.commit()
            else:
                session.rollback()

    def _record_refusal(self, actor: Actor, zone: str | None, refusal: RefusedError) -> None:
        body = Refusal(
            person=refusal.person, attempted=refusal.attempted, power=Power(refusal.power)
        )
        with self._writing(actor, zone, keep=True) as session:
            append(session, REFUSAL, body)


def open_store(
    settings: Settings,
    components: Sequence[Component] = (),
    *,
    create: bool = True,
    actor: Actor | None = None,
    clock: Clock = system_clock,
    zone: str = "UTC",
) -> Store:
    """Open the database of `settings`, bringing its layout up to date.

    Parameters
    ----------
    components : what is kept in it beside the records layer's own.
    create : False refuses a database that is not there, rather than making one.
    actor : who is noted beside the layout steps (default: the operating-system user).

    Raises
    ------
    DatabaseError
        If it cannot be opened, or is not there and may not be made.
    NewerDatabaseError
        If a newer program laid it out.
    """
    parts = (RECORDS, *components)
    if not create and not settings.exists:
        raise DatabaseError(
            f"there is no register at {settings.shown} ({settings.origin}); "
            "begin one (bulkflow lots begin FOLDER), or name another database"
        )
    engine = make_engine(settings)
    try:
        with translated(settings):
            if not create:
                _refuse_unlaid(engine, settings)
            migrate(engine, parts, actor or Actor.current(), clock)
    except BaseException:
        engine.dispose()
        raise
    return Store(settings, engine, parts, clock, zone)


def change_role(session: Session, change: Appointment) -> Record:
    """Appoint a person to a role, or dismiss them from it.

    Raises
    ------
    RefusedError
        If the acting person may not appoint.
    RecordsError
        If it changes nothing, or would leave nobody who may appoint.
    """
    verb = "appoint" if change.action == "appoint" else "dismiss"
    require(session, Power.APPOINT, f"{verb} {change.person} as {change.role.value}")
    holds = change.role in roles_of(session, change.person)
    if holds == (change.action == "appoint"):
        state = "holds" if holds else "does not hold"
        raise RecordsError(f"{change.person} {state} the role {change.role.value!r} already")
    if change.role is Role.OWNER and change.action == "dismiss":
        _keep_an_owner(session, change.person)
    return append(session, APPOINTMENT, change)


def _keep_an_owner(session: Session, leaving: str) -> None:
    others = [p for p, roles in appointed(session).items() if Role.OWNER in roles and p != leaving]
    if not others:
        raise RecordsError(
            f"{leaving} is the only owner of the register; appoint another one before"
        )


def _refuse_unlaid(engine: Engine, settings: Settings) -> None:
    with reading(engine) as connection:
        if "records/001-records" in steps_missing(connection, (RECORDS,)):
            raise DatabaseError(f"the database {settings.shown} holds no register yet")
