"""Drawing LPA from parents, so that no lot gives more than it holds.

A parent that stands gives what is left of it. A rejected one gives only LPA that was disposed
of by redistilling or blending away, and the link names that record. What a corrected lot drew
before it goes on drawing; only more is asked for anew.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from sqlalchemy import func, select, type_coerce
from sqlalchemy.orm import Session

from bulkflow.errors import Fault
from bulkflow.lots.bodies import Disposal, Lot, Parent
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotLine
from bulkflow.lots.tables import DISPOSITION_TABLE, PARENT_TABLE
from bulkflow.records.amounts import THOUSANDTHS, FixedPoint
from bulkflow.records.chain import is_current

__all__ = ["Drawing"]

NOTHING = Decimal(0)


class Drawing:
    """What lots still have to give, as new lots draw on them one after the other.

    Parameters
    ----------
    session : on the register.
    known : the lots that may be drawn on, by name.
    """

    def __init__(self, session: Session, known: dict[str, LotLine]) -> None:
        self._session, self._known = session, known
        self._left: dict[str, Decimal] = {name: line.lpa_left for name, line in known.items()}
        self._disposed: dict[str, dict[int, Decimal]] = {}
        self.faults: list[Fault] = []

    def __contains__(self, lot_id: object) -> bool:
        return lot_id in self._left

    def add(self, lot: Lot) -> None:
        """Let later lots draw on this one."""
        self._left[lot.lot_id] = lot.measurement.lpa

    def draw(self, lot: Lot, *, before: int | None = None) -> Lot:
        """Return the lot with each link's disposition filled in; faults gather in `faults`.

        Parameters
        ----------
        before : the record that `lot` corrects, whose draws go on.
        """
        earlier = self._earlier(before)
        parents = [self._link(lot.lot_id, parent, earlier) for parent in lot.parents]
        if not parents:
            return lot
        return lot.model_copy(update={"parents": tuple(parents)})

    def _link(
        self, lot_id: str, parent: Parent, earlier: dict[str, tuple[Decimal, int | None]]
    ) -> Parent:
        if parent.lot_id not in self._left:
            self._fault(
                lot_id,
                parent,
                "is not in the register",
                "Record the parent first, or correct its name.",
            )
            return parent
        drawn, link = earlier.get(parent.lot_id, (NOTHING, None))
        more = parent.lpa - drawn
        if more > 0:
            line = self._known.get(parent.lot_id)
            if line is not None and line.status is LotStatus.REJECTED:
                link = self._from_disposed(lot_id, parent, more, link)
            else:
                self._from_stock(lot_id, parent, more)
        return parent.model_copy(update={"disposition": link})

    def _from_stock(self, lot_id: str, parent: Parent, more: Decimal) -> None:
        left = self._left[parent.lot_id]
        if more > left:
            self._fault(
                lot_id,
                parent,
                f"has {left} LPA left, but {more} is drawn",
                "Correct the amount, or the parent's.",
            )
            return
        self._left[parent.lot_id] = left - more

    def _from_disposed(
        self, lot_id: str, parent: Parent, more: Decimal, link: int | None
    ) -> int | None:
        allowed = self._allowed(parent.lot_id)
        candidates: Iterable[int] = allowed if parent.disposition is None else [parent.disposition]
        if link is not None:
            candidates = [link]
        for record in candidates:
            if more <= allowed.get(record, NOTHING):
                allowed[record] -= more
                return record
        self._fault(
            lot_id,
            parent,
            f"is rejected, and {more} LPA of it is not disposed of to this end",
            "Record first that it is redistilled or blended away.",
        )
        return link

    def _allowed(self, lot_id: str) -> dict[int, Decimal]:
        """Return, by disposition, the LPA not yet drawn under it."""
        if lot_id not in self._disposed:
            drawn = (
                select(func.coalesce(func.sum(PARENT_TABLE.c.lpa), 0))
                .where(
                    PARENT_TABLE.c.parent_id == lot_id,
                    PARENT_TABLE.c.disposition == DISPOSITION_TABLE.c.seq,
                    is_current(PARENT_TABLE.c.seq),
                )
                .correlate(DISPOSITION_TABLE)
                .scalar_subquery()
            )
            rows = self._session.execute(
                select(
                    DISPOSITION_TABLE.c.seq,
                    type_coerce(DISPOSITION_TABLE.c.lpa - drawn, FixedPoint(THOUSANDTHS)),
                )
                .where(
                    DISPOSITION_TABLE.c.lot_id == lot_id,
                    DISPOSITION_TABLE.c.way != Disposal.DESTROY.value,
                    is_current(DISPOSITION_TABLE.c.seq),
                )
                .order_by(DISPOSITION_TABLE.c.seq)
            )
            self._disposed[lot_id] = {seq: left for seq, left in rows}  # noqa: C416  (typed rows)
        return self._disposed[lot_id]

    def _earlier(self, before: int | None) -> dict[str, tuple[Decimal, int | None]]:
        if before is None:
            return {}
        rows = self._session.execute(
            select(PARENT_TABLE.c.parent_id, PARENT_TABLE.c.lpa, PARENT_TABLE.c.disposition).where(
                PARENT_TABLE.c.seq == before
            )
        )
        return {name: (lpa, disposition) for name, lpa, disposition in rows}

    def _fault(self, lot_id: str, parent: Parent, found: str, mend: str) -> None:
        self.faults.append(Fault("", 0, f"parent {parent.lot_id} of {lot_id}", found, mend))
