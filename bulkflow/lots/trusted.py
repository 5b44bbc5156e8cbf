"""The records that something rests on are verified before anything is made of them.

Gates are read from index tables, which are quick and can be edited by whoever has the file. So
before a sheet, a decision or a dispatch the records of what it concerns are compared with them:
the lots, what they were made from, their liquids' limits and rules, the loads.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from sqlalchemy.orm import Session

from bulkflow.lots.parentage import ancestors_of
from bulkflow.lots.queries import lots_named
from bulkflow.records.errors import RecordsError
from bulkflow.records.verification import verify_about

__all__ = ["refuse_untrue"]


def refuse_untrue(
    session: Session, lots: Iterable[str], loads: Collection[str] = (), *, what: str
) -> None:
    """Raise where the records that some lots and loads rest on are not what they were.

    Parameters
    ----------
    what : is refused then, such as ``the load sheet of A-1``.

    Raises
    ------
    RecordsError
        With the record where it shows.
    """
    given = set(lots)
    names = given | {one.lot_id for lot in given for one in ancestors_of(session, lot)}
    liquids = {line.liquid_id for line in lots_named(session, sorted(names)).values()}
    subjects = {*names, *liquids, *(f"load {name}" for name in loads)}
    broken = verify_about(session, subjects, {"lot_id": names, "load_id": set(loads)})
    if broken is not None:
        raise RecordsError(
            f"{what} is refused: the records it rests on are not what they were ({broken})."
            " Verify the register (bulkflow records verify FOLDER), and go back to a copy of it"
            " that is whole (bulkflow records import)."
        )
