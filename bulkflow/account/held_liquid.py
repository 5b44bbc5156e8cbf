"""Liquid of a held or rejected lot, wherever it has come to: bottles, and loads on their way."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from sqlalchemy.orm import Session

from bulkflow.account.mixing import held_in
from bulkflow.lots.explaining import short_reasons
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotFilter, LotLine, list_lots

__all__ = ["HeldLiquid", "held_liquid", "held_lots"]


@dataclass(frozen=True, slots=True)
class HeldLiquid:
    """A lot that is held or rejected, the most LPA of it that there can be, and why it is."""

    lot: LotLine
    most: Decimal
    why: str

    @property
    def words(self) -> str:
        """The same in words, to follow the name of what holds it."""
        state = self.lot.status.value
        why = self.why.removeprefix(f"{state}: ")
        return f"may hold up to {self.most:,} LPA of {self.lot.lot_id}, which is {state}: {why}"


def held_lots(session: Session) -> dict[str, LotLine]:
    """Return the lots that are held or rejected themselves, by name.

    Those that lots behind them hold are left out: their liquid is followed from there.
    """
    return {
        line.lot_id: line
        for status in (LotStatus.HELD, LotStatus.REJECTED)
        for line in list_lots(session, LotFilter(status=status))
        if not line.by_parents
    }


def held_liquid(session: Session, kind: Literal["load", "bottling"], name: str) -> list[HeldLiquid]:
    """Return the held and rejected lots of which a load that left, or bottles, can hold some."""
    lots = held_lots(session)
    if not lots:
        return []
    return [
        HeldLiquid(lots[lot], most, short_reasons(session, [lots[lot]])[lot])
        for lot, most in held_in(session, (kind, name), lots).items()
    ]
