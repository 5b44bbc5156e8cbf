"""The one table of steps: from which state a load may come into which, and what that means.

A load is taken back (withdrawn) only before anything is in the tank. From ``loaded`` on, liquid
is in it: there is no way but on, and what goes wrong is settled after the discharge.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from bulkflow.loads.bodies import LoadState

__all__ = [
    "CAN_BE_PLANNED_ANEW",
    "CARRIES_LIQUID",
    "FIRST_STATES",
    "NEEDS_OPEN_GATES",
    "NEXT_STATES",
    "THERE",
]

_S = LoadState

#: From each state, the states that may follow.
NEXT_STATES: Mapping[LoadState, frozenset[LoadState]] = MappingProxyType(
    {
        _S.PLANNED: frozenset({_S.PROMISED, _S.HELD, _S.ISSUED, _S.WITHDRAWN}),
        _S.PROMISED: frozenset({_S.HELD, _S.ISSUED, _S.WITHDRAWN}),
        # Held again: for another reason, or to another day.
        _S.HELD: frozenset({_S.HELD, _S.PLANNED, _S.PROMISED, _S.ISSUED, _S.WITHDRAWN}),
        _S.ISSUED: frozenset({_S.HELD, _S.LOADED, _S.WITHDRAWN}),
        _S.LOADED: frozenset({_S.DEPARTED}),
        _S.DEPARTED: frozenset({_S.ARRIVED}),
        _S.ARRIVED: frozenset({_S.DISCHARGED}),
        _S.DISCHARGED: frozenset({_S.RECONCILED}),
        _S.RECONCILED: frozenset(),
        _S.WITHDRAWN: frozenset(),
    }
)

#: States in which a load may first be recorded; the last two only when it is taken over.
FIRST_STATES = frozenset({_S.PLANNED, _S.PROMISED, _S.HELD, _S.ISSUED, _S.DEPARTED})

#: Steps refused while a gate of a lot, or of the tank, is closed.
NEEDS_OPEN_GATES = frozenset({_S.ISSUED, _S.LOADED, _S.DEPARTED})

#: States that a new plan may change or take back.
CAN_BE_PLANNED_ANEW = frozenset({_S.PLANNED, _S.HELD})

#: States in which the load's liquid has left its lots and is in the tank.
CARRIES_LIQUID = frozenset({_S.LOADED, _S.DEPARTED, _S.ARRIVED})

#: States in which the load was received.
THERE = frozenset({_S.DISCHARGED, _S.RECONCILED})
