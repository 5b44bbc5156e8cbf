"""The account of a lot in LPA: what it holds, what was drawn and disposed of, what is left."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import BOTTLING_DRAWS, ENTRY_DRAWS, TRANSFER_DRAWS
from bulkflow.lots.queries import find_lot
from bulkflow.lots.tables import DISPOSITION_TABLE, DRAW_TABLE, PARENT_TABLE
from bulkflow.records.chain import is_current

__all__ = ["Account", "Entry", "account_of", "drawn_words"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: in words, LPA (positive in, negative out), and its record."""

    what: str
    lpa: Decimal
    record: int


@dataclass(frozen=True, slots=True)
class Account:
    """A lot's account; the entries add up to `left`.

    ``drawn_from_disposed`` is what was drawn under dispositions, counted there already.
    """

    lot_id: str
    entries: tuple[Entry, ...]
    left: Decimal
    drawn_from_disposed: Decimal


def drawn_words(name: str) -> str:
    """Return what LPA was drawn into, in words."""
    for prefix, words in _DRAWN.items():
        if name.startswith(prefix):
            return words.format(name.removeprefix(prefix))
    return f"into load {name}"


_DRAWN = {
    BOTTLING_DRAWS: "into bottling {}",
    ENTRY_DRAWS: "entered at the site",
    TRANSFER_DRAWS: "moved",
}


def account_of(session: Session, lot_id: str) -> Account:
    """Return the account of one lot.

    Raises
    ------
    InputError
        If the lot is not in the register.
    """
    lot = find_lot(session, lot_id)
    drawn = session.execute(
        select(
            PARENT_TABLE.c.lot_id,
            PARENT_TABLE.c.lpa,
            PARENT_TABLE.c.seq,
            PARENT_TABLE.c.disposition,
        )
        .where(PARENT_TABLE.c.parent_id == lot_id, is_current(PARENT_TABLE.c.seq))
        .order_by(PARENT_TABLE.c.seq)
    ).all()
    disposed = session.execute(
        select(DISPOSITION_TABLE.c.way, DISPOSITION_TABLE.c.lpa, DISPOSITION_TABLE.c.seq)
        .where(DISPOSITION_TABLE.c.lot_id == lot_id, is_current(DISPOSITION_TABLE.c.seq))
        .order_by(DISPOSITION_TABLE.c.seq)
    ).all()
    loaded = session.execute(
        select(DRAW_TABLE.c.load_id, DRAW_TABLE.c.lpa, DRAW_TABLE.c.seq)
        .where(DRAW_TABLE.c.lot_id == lot_id, is_current(DRAW_TABLE.c.seq))
        .order_by(DRAW_TABLE.c.seq)
    ).all()
    entries = [Entry(f"{lot.origin}", lot.lpa, lot.record)]
    entries += [
        Entry(f"drawn into {row.lot_id}", -row.lpa, row.seq)
        for row in drawn
        if row.disposition is None
    ]
    entries += [Entry(row.way, -row.lpa, row.seq) for row in disposed]
    entries += [Entry(drawn_words(row.load_id), -row.lpa, row.seq) for row in loaded]
    under = sum((row.lpa for row in drawn if row.disposition is not None), Decimal(0))
    return Account(lot_id, tuple(entries), lot.lpa_left, under)
