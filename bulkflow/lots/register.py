"""Opening a register: the records layer with the components kept on it."""

from __future__ import annotations

from bulkflow.lots.tables import LOTS
from bulkflow.records.actors import Actor
from bulkflow.records.kinds import Component
from bulkflow.records.settings import Settings
from bulkflow.records.store import Store, open_store
from bulkflow.records.times import Clock, system_clock

__all__ = ["open_register"]


def open_register(
    settings: Settings,
    *components: Component,
    create: bool = True,
    actor: Actor | None = None,
    clock: Clock = system_clock,
    zone: str = "UTC",
) -> Store:
    """Open the register, bringing its layout up to date.

    Parameters
    ----------
    settings : where it is.
    components : what other packages keep in the same database (panels).
    create : False refuses a register that is not there.

    Raises
    ------
    DatabaseError, NewerDatabaseError
        If it cannot be opened.
    """
    return open_store(
        settings, (LOTS, *components), create=create, actor=actor, clock=clock, zone=zone
    )
