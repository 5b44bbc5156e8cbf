"""The opening position: what each lot still holds, and when it may ship.

The planner starts from this. Lots with nothing left are left out, and so are lots made after
the day asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from sqlalchemy.orm import Session

from bulkflow.lots.explaining import short_reasons
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotFilter, LotLine, list_lots

__all__ = ["OpeningLot", "opening_position"]


@dataclass(frozen=True, slots=True)
class OpeningLot:
    """A lot as the planner takes it.

    Parameters
    ----------
    lpa : what is left of it [L of pure alcohol at 20 degC].
    strength_percent : % vol at 20 degC.
    status : released ships at once; awaiting from `expected_release` on, and where that is
        None, not at all; held and rejected never.
    expected_release : the date promised for its decision; None where there is none, or where
        the date has passed without a decision (the reason says so).
    reason : why it has this status, in words, with the records.
    """

    lot_id: str
    liquid_id: str
    site_id: str
    tank_id: str | None
    lpa: Decimal
    strength_percent: Decimal
    status: Literal["released", "awaiting", "held", "rejected"]
    expected_release: date | None
    reason: str
    spirit_base: str | None
    supplier_id: str | None
    restrictions: tuple[str, ...]
    made_on: date | None


def opening_position(session: Session, on: date) -> list[OpeningLot]:
    """Return the lots that hold liquid on a day, in order of their names.

    Parameters
    ----------
    session : a reading session on the register.
    on : the first day of the plan.
    """
    lines = [
        line
        for line in list_lots(session, LotFilter(with_stock=True))
        if line.made_on is None or line.made_on <= on
    ]
    reasons = short_reasons(session, lines)
    return [_opening(line, reasons[line.lot_id], on) for line in lines]


def _opening(line: LotLine, reason: str, on: date) -> OpeningLot:
    expected = line.due_on if line.status is LotStatus.AWAITING else None
    if expected is not None and expected < on:
        reason = f"{reason}; the decision was due on {expected} and is overdue, no new date"
        expected = None
    return OpeningLot(
        lot_id=line.lot_id,
        liquid_id=line.liquid_id,
        site_id=line.site_id,
        tank_id=line.tank_id,
        lpa=line.lpa_left,
        strength_percent=line.strength_percent,
        status=line.status.value,
        expected_release=expected,
        reason=reason,
        spirit_base=line.spirit_base,
        supplier_id=line.supplier_id,
        restrictions=line.restrictions,
        made_on=line.made_on,
    )
