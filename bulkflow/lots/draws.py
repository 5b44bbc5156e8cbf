"""LPA that leaves lots into loads: the one way out of a lot's account towards a bottler."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from decimal import Decimal

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Draw
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.inheritance import inherited
from bulkflow.lots.queries import lots_named
from bulkflow.lots.tables import DRAW
from bulkflow.lots.zones import append_about_lots
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, require

__all__ = ["draw_into_load"]


def draw_into_load(session: Session, draws: Sequence[Draw]) -> list[Record]:
    """Record that LPA left lots into a load; all or none.

    Raises
    ------
    InputError
        With every lot that is unknown, not released, or holds less than is drawn.
    RefusedError
        If the acting person may not record.
    """
    loads = ", ".join(sorted({draw.load_id for draw in draws}))
    require(session, Power.RECORD, f"draw lots into load {loads}")
    known = lots_named(session, [draw.lot_id for draw in draws])
    asked: dict[str, Decimal] = defaultdict(Decimal)
    for draw in draws:
        asked[draw.lot_id] += draw.lpa
    faults = []
    for lot_id, lpa in asked.items():
        line = known.get(lot_id)
        if line is None:
            found, mend = f"{lot_id!r} is not in the register", "Correct the lots of the load."
        elif line.status is not LotStatus.RELEASED:
            found = f"{lot_id} is {line.status.value}, not released"
            behind = inherited(session, [lot_id]).get(lot_id, ())
            if behind:
                found += ": made from " + ", ".join(
                    f"{one.lot_id}, which is {one.status.value}" for one in behind
                )
            mend = "Only a released lot is loaded."
        elif lpa > line.lpa_left:
            found = f"{lot_id} has {line.lpa_left} LPA left, but {lpa} is drawn"
            mend = "Allocate again, or correct the lot."
        else:
            continue
        faults.append(Fault("", 0, "lot", found, mend))
    if faults:
        raise InputError(faults)
    return append_about_lots(session, DRAW, [(draw, None) for draw in draws])
