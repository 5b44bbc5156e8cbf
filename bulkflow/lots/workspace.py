"""The register of a workspace, as the planner meets it: opened if it is there, begun if not.

Where the database is absent (or holds no lot) and the folder has seed tables, they are taken
over once, and that is said. Where there is neither, there is no register, and the planner takes
its opening lots from the workspace alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from bulkflow.lots.bodies import Limit
from bulkflow.lots.law import adopt_limits, missing_limits
from bulkflow.lots.opening import OpeningLot, opening_position
from bulkflow.lots.register import open_register
from bulkflow.lots.seed_edits import seed_edits
from bulkflow.lots.seeds import has_lots, has_opening, import_seeds, seed_tables
from bulkflow.records.actors import Actor
from bulkflow.records.chain import Record, head
from bulkflow.records.settings import settings_for
from bulkflow.records.times import Clock, system_clock
from bulkflow.wording import counted

__all__ = ["WorkspaceOpening", "opening_of_workspace", "tables_to_take_over"]


@dataclass(frozen=True, slots=True)
class WorkspaceOpening:
    """The opening position of a workspace.

    Parameters
    ----------
    lots : what each lot still holds, and when it may ship.
    register : where the register is, as it may be printed.
    head : the chain head the position was read at, ``number:hash``.
    said : what the user should be told (tables taken over, by whom, or edited since); may be
        empty.
    """

    lots: tuple[OpeningLot, ...]
    register: str
    head: str
    said: str


def tables_to_take_over(folder: Path, database: str | None) -> tuple[str, ...]:
    """Return the seed tables with which a register would be begun; () where one has begun."""
    settings = settings_for(folder, database)
    if settings.exists:
        with open_register(settings, create=False) as store, store.read() as session:
            if has_lots(session):
                return ()
    if not has_opening(folder):
        return ()
    return tuple(table.path.name for table in seed_tables(folder).values())


def opening_of_workspace(
    folder: Path,
    on: date,
    *,
    database: str | None = None,
    actor: Actor | None = None,
    clock: Clock = system_clock,
    law: Sequence[Limit] = (),
) -> WorkspaceOpening | None:
    """Return the opening position from a workspace's register; None where it has none.

    Parameters
    ----------
    folder : the workspace.
    on : the first day of the plan.
    database : the register's address, where the user or the workspace names one.
    actor : who takes over the seed tables (default: the operating-system user).
    law : limits that come from law and workspace; those not in force yet are recorded first.

    Raises
    ------
    InputError
        With every fault of the seed tables.
    DatabaseError
        If the register cannot be opened.
    """
    settings = settings_for(folder, database)
    if not settings.exists and not has_opening(folder):
        return None
    person = actor or Actor.current()
    said = ""
    with open_register(settings, actor=person, clock=clock) as store:
        with store.read() as session:
            begun = has_lots(session)
        if not begun and not has_opening(folder):
            return None
        if begun:
            with store.read() as session:
                told = list(seed_edits(session, folder))
                missing = missing_limits(session, law)
            if missing:
                with store.write(person) as session:
                    told.append(_adopted(adopt_limits(session, law)))
            said = "\n".join(told)
        else:
            with store.write(person) as session:
                done = import_seeds(session, folder, today=clock().date())
                adopted = adopt_limits(session, law)
            if done is not None:
                said = f"{done.words} Acting as {person.words}."
                said += f"\n{_adopted(adopted)}" if adopted else ""
        with store.read() as session:
            return WorkspaceOpening(
                lots=tuple(opening_position(session, on)),
                register=settings.shown,
                head=str(head(session)),
                said=said,
            )


def _adopted(records: Sequence[Record]) -> str:
    return f"Recorded {counted(len(records), 'limit')} of law for liquids that have lots."
