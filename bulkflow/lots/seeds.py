"""The workspace's seed tables: opening lots, earlier results and decisions, taken over once.

=================  =====================================================================
opening_lots       what lies in which tank, with its status when the register begins
lab_limits         limits of liquids, for all markets or for one
lab_results        laboratory results of the opening lots
earlier_decisions  decisions taken before the register began
=================  =====================================================================

They are found and read as every table of a workspace is: CSV or workbook, under their own names or
as ``tables`` says. The first is needed, the others may be absent. All are read and checked before
anything is written, and all is written in one transaction. A register that holds lots is left
alone.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.acts import expect_decision, place_holds, record_lots, record_results
from bulkflow.lots.bodies import Limit, Lot, Outcome, SeedFile, SeedImport
from bulkflow.lots.deciding import decide
from bulkflow.lots.declaring import declare_limit, rounding_of
from bulkflow.lots.evidence import Evidence
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.measuring import Readings, measure
from bulkflow.lots.result_tables import RESULT_COLUMNS, read_result
from bulkflow.lots.tables import LOT_TABLE, SEED_IMPORT
from bulkflow.reading.faults import told_once
from bulkflow.reading.rows import Row, Sheet, sheet_of
from bulkflow.reading.tablefiles import TableAddress, tables_of_workspace
from bulkflow.reading.words import shown
from bulkflow.records.actors import Power
from bulkflow.records.amounts import STANDARD_ROUNDING, Rounding
from bulkflow.records.chain import append, require
from bulkflow.wording import counted

__all__ = [
    "OPENING_TABLE",
    "SeedOutcome",
    "has_lots",
    "has_opening",
    "import_seeds",
    "read_seeds",
    "row_marks",
    "seed_sheet",
    "seed_tables",
]

OPENING_TABLE = "opening_lots"

_COLUMNS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    OPENING_TABLE: (
        ("lot_id", "liquid_id", "site_id", "litres_20c", "strength_percent", "status"),
        (
            "tank_id",
            "decision_due",
            "made_on",
            "spirit_base",
            "supplier_id",
            "restrictions",
            "markets",
            "stage",
            "note",
        ),
    ),
    "lab_limits": (
        ("liquid_id", "analyte", "unit", "source"),
        ("market", "minimum", "maximum", "required"),
    ),
    "lab_results": RESULT_COLUMNS,
    "earlier_decisions": (
        ("lot_id", "outcome", "decided_on", "decided_by", "reason"),
        (),
    ),
}
_STATUSES = tuple(status.value for status in LotStatus)


@dataclass(frozen=True, slots=True)
class SeedOutcome:
    """What was taken over."""

    files: tuple[str, ...]
    lots: int
    limits: int
    results: int
    decisions: int

    @property
    def words(self) -> str:
        """A sentence for the user."""
        return (
            f"Took over {counted(self.lots, 'opening lot')}, {counted(self.limits, 'limit')}, "
            f"{counted(self.results, 'result')} and {counted(self.decisions, 'decision')} from "
            f"{', '.join(self.files)}; "
            "from now on the register is kept, and these tables are not read again."
        )


@dataclass(frozen=True, slots=True)
class _Opening:
    row: Row
    lot: Lot
    status: LotStatus
    due: date | None


@dataclass(frozen=True, slots=True)
class _Earlier:
    row: Row
    lot_id: str
    outcome: Outcome
    decided_on: date
    decided_by: str
    reason: str


def seed_tables(folder: Path) -> dict[str, TableAddress]:
    """Return where the seed tables of a folder are, by table."""
    return tables_of_workspace(folder, _COLUMNS)


def has_opening(folder: Path) -> bool:
    """Return whether a folder has a table of opening lots that holds any.

    Raises
    ------
    InputError
        If it has one that cannot be read.
    """
    table = seed_tables(folder).get(OPENING_TABLE)
    grid = None if table is None else table.read()
    return grid is not None and bool(grid.rows or grid.faults)


def seed_sheet(table: TableAddress) -> Sheet:
    """Read one seed table.

    Raises
    ------
    InputError
        If it is no table, or lacks a column.
    """
    needed, more = _COLUMNS[table.table]
    return sheet_of(table.read(), needed=needed, known=(*needed, *more))


def row_marks(sheet: Sheet) -> tuple[str, ...]:
    """Return each row's name and a short digest of what it says, to tell later which was edited."""
    return tuple(_mark(row.plain_cells()) for row in sheet.rows)


def _mark(cells: dict[str, str]) -> str:
    digest = hashlib.sha256(json.dumps(sorted(cells.items())).encode("utf-8")).hexdigest()
    naming = ("lot_id" if "lot_id" in cells else "liquid_id", "market", "analyte")
    name = " ".join(cells[column] for column in naming if column in cells)
    return f"{name} {digest[:12]}"


def has_lots(session: Session) -> bool:
    """Return whether the register holds any lot."""
    return session.scalar(select(LOT_TABLE.c.seq).limit(1)) is not None


def import_seeds(session: Session, folder: Path, *, today: date) -> SeedOutcome | None:
    """Take over the seed tables of a folder, unless the register holds lots already.

    Parameters
    ----------
    session : a writing session; nothing of it is kept if this raises.
    today : the day on which the tables are taken over.

    Returns
    -------
    SeedOutcome or None : None where the register holds lots already.

    Raises
    ------
    InputError
        With every fault of every table.
    RefusedError
        If the acting person may not take over earlier lots.
    """
    if has_lots(session):
        return None
    require(session, Power.OPEN, "take over opening lots")
    sheets, tables = read_seeds(folder, partial(rounding_of, session))
    return _write(session, sheets, tables, today)


def read_seeds(
    folder: Path, rounding: Callable[[str], Rounding] = lambda _: STANDARD_ROUNDING
) -> tuple[dict[str, Sheet], dict[str, list[Any]]]:
    """Read and judge the seed tables of a folder; nothing is written.

    Parameters
    ----------
    rounding : how the authority of a site has its amounts rounded.

    Raises
    ------
    InputError
        With every fault of every table.
    """
    sheets, faults = _sheets(folder)
    tables: dict[str, list[Any]] = {}
    for name, reader in (
        (OPENING_TABLE, partial(_opening, rounding)),
        ("lab_limits", _limit),
        ("lab_results", read_result),
        ("earlier_decisions", _earlier),
    ):
        read = [reader(row) for row in (sheets[name].rows if name in sheets else ())]
        tables[name] = [item for item in read if item is not None]
        faults.extend(sheets[name].all_faults() if name in sheets else ())
    openings: list[_Opening] = tables[OPENING_TABLE]
    faults.extend(_cross_faults(sheets))
    faults.extend(_disagreements(openings, tables["earlier_decisions"]))
    if faults:
        raise InputError(told_once(faults))
    return sheets, tables


def _write(
    session: Session,
    sheets: dict[str, Sheet],
    tables: dict[str, list[Any]],
    today: date,
) -> SeedOutcome:
    openings: list[_Opening] = tables[OPENING_TABLE]
    files = tuple(
        SeedFile(
            name=sheet.name,
            table=table,
            sha256=sheet.sha256,
            rows=len(sheet.rows),
            marks=row_marks(sheet),
        )
        for table, sheet in sheets.items()
    )
    append(session, SEED_IMPORT, SeedImport(files=files))
    for limit in tables["lab_limits"]:
        declare_limit(session, limit)
    record_lots(session, [opening.lot for opening in openings])
    record_results(session, tables["lab_results"])
    earlier: list[_Earlier] = tables["earlier_decisions"]
    decided = {item.lot_id for item in earlier}
    for item in sorted(earlier, key=lambda item: item.decided_on):
        _decide_earlier(session, sheets["earlier_decisions"], item)
    for opening in openings:
        _give_status(session, sheets[OPENING_TABLE], opening, today, decided=decided)
    return SeedOutcome(
        files=tuple(sheet.name for sheet in sheets.values()),
        lots=len(openings),
        limits=len(tables["lab_limits"]),
        results=len(tables["lab_results"]),
        decisions=len(earlier),
    )


def _sheets(folder: Path) -> tuple[dict[str, Sheet], list[Fault]]:
    faults: list[Fault] = []
    sheets = {}
    tables = seed_tables(folder)
    if OPENING_TABLE not in tables:
        mend = "Put the table of opening lots there, or name another folder."
        found = f"is not in {folder.name or 'the folder'}"
        raise InputError(Fault(f"{OPENING_TABLE}.csv", 0, "", found, mend))
    for name, table in tables.items():
        try:
            sheets[name] = seed_sheet(table)
        except InputError as error:
            faults.extend(error.faults)
    opening = sheets.get(OPENING_TABLE)
    if opening is not None and not opening.rows and not opening.faults:
        faults.append(Fault(opening.name, 0, "", "has a header but no rows", "Add the lots."))
    return sheets, faults


def _opening(rounding: Callable[[str], Rounding], row: Row) -> _Opening | None:
    status = row.choice("status", _STATUSES)
    due = row.day("decision_due")
    if due is not None and status != LotStatus.AWAITING.value:
        row.fault("decision_due", f"is {due} for a lot that is {status}", "Leave it empty.")
    litres = row.number("litres_20c", needed=True)
    strength = row.number("strength_percent", needed=True)
    _positive(row, "litres_20c", litres, highest=None)
    _positive(row, "strength_percent", strength, highest=100)
    site = row.needed("site_id")
    values: dict[str, Any] = {
        "lot_id": row.needed("lot_id"),
        "liquid_id": row.needed("liquid_id"),
        "stage": row.text("stage"),
        "origin": "opening",
        "made_on": row.day("made_on"),
        "site_id": site,
        "tank_id": row.text("tank_id"),
        "spirit_base": row.text("spirit_base"),
        "supplier_id": row.text("supplier_id"),
        "restrictions": row.words("restrictions"),
        "markets": row.words("markets"),
        "note": row.text("note"),
    }
    if row.faults or status is None or site is None:
        return None
    readings = Readings(strength_percent=strength, volume_litres=litres)
    values["measurement"] = measure(readings, rounding(site)).model_dump()
    lot = row.build(Lot, values)
    return None if lot is None else _Opening(row, lot, LotStatus(status), due)


def _positive(row: Row, column: str, value: Any, *, highest: int | None) -> None:
    if value is None:
        return
    if value <= 0 or (highest is not None and value > highest):
        upto = f" and at most {highest}" if highest is not None else ""
        row.fault(column, f"is {value}", f"Give a number above 0{upto}.")
    elif value != round(value, 3):
        row.fault(column, f"is {value}", "Give at most three decimals.")
    elif value > 10**9:
        row.fault(column, f"is {value}", "Check the unit: litres are meant.")


def _limit(row: Row) -> Limit | None:
    required = row.choice("required", ("yes", "no")) if row.plain("required") else "yes"
    return row.build(
        Limit,
        {
            "liquid_id": row.needed("liquid_id"),
            "market": row.text("market"),
            "analyte": row.needed("analyte"),
            "unit": row.needed("unit"),
            "minimum": row.number("minimum"),
            "maximum": row.number("maximum"),
            "required": required == "yes",
            "source": row.needed("source"),
        },
    )


def _earlier(row: Row) -> _Earlier | None:
    lot_id, reason = row.needed("lot_id"), row.needed("reason")
    outcome = row.choice("outcome", [item.value for item in Outcome])
    decided_by = row.needed("decided_by")
    decided_on = row.day("decided_on", needed=True)
    if row.faults or not (lot_id and outcome and decided_on and decided_by and reason):
        return None
    return _Earlier(row, lot_id, Outcome(outcome), decided_on, decided_by, reason)


def _cross_faults(sheets: dict[str, Sheet]) -> Iterable[Fault]:
    """Find names that are given twice, or that no opening lot bears."""
    names: dict[str, int] = {}
    for row in sheets[OPENING_TABLE].rows if OPENING_TABLE in sheets else ():
        lot_id = row.plain("lot_id")
        if lot_id in names:
            found = f"{lot_id!r} is on line {names[lot_id]} already"
            yield Fault(row.file, row.line, "lot_id", found, "Give each lot one row.")
        elif lot_id:
            names[lot_id] = row.line
    if OPENING_TABLE not in sheets:
        return
    for name in ("lab_results", "earlier_decisions"):
        for row in sheets[name].rows if name in sheets else ():
            lot_id = row.plain("lot_id")
            if lot_id and lot_id not in names:
                mend = f"Name a lot of {sheets[OPENING_TABLE].name}."
                found = f"is {shown(lot_id)}, which is no opening lot"
                yield Fault(row.file, row.line, "lot_id", found, mend)
    yield from _doubled_limits(sheets)


_AGREES: dict[LotStatus, tuple[Outcome, ...]] = {
    LotStatus.RELEASED: (Outcome.RELEASE,),
    LotStatus.REJECTED: (Outcome.REJECT,),
    LotStatus.AWAITING: (Outcome.HOLD,),
    LotStatus.HELD: tuple(Outcome),
}


def _disagreements(openings: Sequence[_Opening], earlier: Sequence[_Earlier]) -> Iterable[Fault]:
    """Find lots whose status is not what the last earlier decision says."""
    last = {item.lot_id: item for item in sorted(earlier, key=lambda item: item.decided_on)}
    for opening in openings:
        item = last.get(opening.lot.lot_id)
        if item is not None and item.outcome not in _AGREES[opening.status]:
            found = (
                f"is {opening.status.value}, but the last decision on it is {item.outcome.value}"
            )
            mend = f"Make it agree with {item.row.file}, line {item.row.line}."
            yield Fault(opening.row.file, opening.row.line, "status", found, mend)


def _doubled_limits(sheets: dict[str, Sheet]) -> Iterable[Fault]:
    seen: dict[tuple[str, ...], int] = {}
    for row in sheets["lab_limits"].rows if "lab_limits" in sheets else ():
        key = tuple(row.plain(name) for name in ("liquid_id", "market", "analyte"))
        if key in seen:
            found = f"is on line {seen[key]} already for this liquid and market"
            yield Fault(row.file, row.line, "analyte", found, "Give each limit one row.")
        seen.setdefault(key, row.line)


def _give_status(
    session: Session, sheet: Sheet, opening: _Opening, today: date, *, decided: set[str]
) -> None:
    lot_id, note = opening.lot.lot_id, opening.lot.note
    if opening.status is LotStatus.HELD:
        place_holds(session, [lot_id], note or f"held when taken over from {sheet.name}")
    elif opening.status is LotStatus.AWAITING:
        if opening.due is not None:
            expect_decision(session, lot_id, opening.due, "decision")
    elif lot_id not in decided:
        outcome = Outcome.RELEASE if opening.status is LotStatus.RELEASED else Outcome.REJECT
        reason = note or f"listed as {opening.status.value} in {sheet.name}"
        _decide_opening(session, sheet, opening.row, lot_id, outcome, today, reason, None)


def _decide_earlier(session: Session, sheet: Sheet, item: _Earlier) -> None:
    _decide_opening(
        session,
        sheet,
        item.row,
        item.lot_id,
        item.outcome,
        item.decided_on,
        item.reason,
        item.decided_by,
    )


def _decide_opening(
    session: Session,
    sheet: Sheet,
    row: Row,
    lot_id: str,
    outcome: Outcome,
    decided_on: date,
    reason: str,
    decided_by: str | None,
) -> None:
    participants = () if decided_by is None else ({"name": decided_by, "role": "decided"},)
    evidence = Evidence.model_validate(
        {
            "lot_id": lot_id,
            "outcome": outcome,
            "decided_by": "opening",
            "decided_on": decided_on,
            "summary": reason,
            "participants": participants,
            "source": {
                "table": sheet.name,
                "sha256": sheet.sha256,
                "line": row.line,
                "cells": row.plain_cells(),
            },
        }
    )
    decide(session, lot_id=lot_id, outcome=outcome, reason=reason, evidence=evidence)
