"""Striking through a slip on a sheet that is keyed: the old value stays, and the reason beside it.

Until the close whoever records sheets may amend one. After it only who decides for the panel may,
and every lot of the sitting that was decided on is decided on anew with it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import did_you_mean
from bulkflow.records import Power, Record, append, require
from panels.records import AMENDMENT, Amendment, Sheet
from panels.sittings.deciding import Judgement, decide_lot, undecided_sittings
from panels.sittings.history import HeldSitting, find_sitting, rules_of
from panels.sittings.scores import SHEET_COLUMNS, read_sheets, sheet_rules
from panels.sittings.sheets import cells_of, score_table

__all__ = ["amend_glass"]


def amend_glass(
    session: Session, sitting: str, assessor: str, code: str, *, field: str, value: str, reason: str
) -> tuple[Record, list[tuple[Judgement, Record]]]:
    """Amend one cell of a recorded sheet.

    Parameters
    ----------
    field : column of the score table, such as ``score``.
    value : what should stand there, as it is written in the table; empty for nothing.

    Returns
    -------
    the record of the amendment, and the decisions taken anew.

    Raises
    ------
    InputError : no such glass or column, the same value, no reason, or a sheet that would not
        have been taken.
    RefusedError : the acting person may not.
    """
    held = find_sitting(session, sitting)
    power = Power.RECORD if held.closing is None else Power.DECIDE_PANEL
    require(session, power, f"amend a sheet of {sitting}")
    columns = [*SHEET_COLUMNS[2:], *held.sitting.attributes]
    if field not in columns:
        raise _fault("field", f"is {field!r}", did_you_mean(field, columns))
    if len(reason.split()) < 2:
        raise _fault("reason", f"is {reason!r}", "Say in a few words what went wrong.")
    sheet = next((s for _, s in held.sheets if s.assessor == assessor), None)
    if sheet is None:
        raise _fault("assessor", f"{assessor} has no sheet", did_you_mean(assessor, held.recorded))
    rows = [cells_of(assessor, glass) for glass in sheet.glasses]
    row = next((row for row in rows if row["code"] == code), None)
    if row is None:
        raise _fault("code", f"{code} is not on the sheet of {assessor}", "Copy it from the sheet.")
    old = row.get(field, "")
    if old == value:
        raise _fault("value", f"is {value or 'nothing'} already", "There is nothing to amend.")
    row[field] = value
    amended = _read_again(session, held, rows)
    glass = next(glass for glass in amended.glasses if glass.code == code)
    body = Amendment(
        sitting=sitting,
        assessor=assessor,
        field=field,
        old=old,
        new=value,
        reason=reason,
        glass=glass,
    )
    record = append(session, AMENDMENT, body, zone=held.sitting.zone)
    if held.closing is None:
        return record, []
    decided = [
        lot.lot for lot in held.sitting.lots if sitting not in undecided_sittings(session, lot.lot)
    ]
    return record, [decide_lot(session, lot) for lot in decided]


def _read_again(session: Session, held: HeldSitting, rows: list[dict[str, str]]) -> Sheet:
    """Put the whole sheet through the reader that took it."""
    rules = sheet_rules([found.rule for found in rules_of(session, held).values()])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "amended.csv"
        path.write_text(score_table(held.sitting, rows), encoding="utf-8")
        return read_sheets(path, held.sitting, rules, recorded=())[0]


def _fault(where: str, found: str, mend: str) -> InputError:
    return InputError(Fault("", 0, where, found, mend))
