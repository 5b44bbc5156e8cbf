"""Laboratory results in a table, CSV or workbook: a row a value, ``<0.5`` where known so far."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.lots.acts import record_results
from bulkflow.lots.bodies import Result
from bulkflow.lots.queries import lots_named
from bulkflow.reading.rows import Row, read_sheet
from bulkflow.records.chain import Record

__all__ = ["RESULT_COLUMNS", "import_results", "read_result"]

#: Columns that must be there, and those that may be.
RESULT_COLUMNS = (
    ("lot_id", "analyte", "value", "unit"),
    (
        "uncertainty",
        "method",
        "laboratory",
        "sample_id",
        "measured_on",
        "replicate",
        "instrument",
        "note",
    ),
)


def import_results(session: Session, path: Path) -> list[Record]:
    """Record every result of a table; all or none.

    Parameters
    ----------
    session : a writing session.
    path : the table, with the columns of `RESULT_COLUMNS`.

    Raises
    ------
    InputError
        With every fault of the table, lots that are not in the register included.
    RefusedError
        If the acting person may not record results.
    """
    needed, more = RESULT_COLUMNS
    sheet = read_sheet(path, "lab_results", needed=needed, known=(*needed, *more))
    results = [read_result(row) for row in sheet.rows]
    known = lots_named(session, [result.lot_id for result in results if result is not None])
    for row, result in zip(sheet.rows, results, strict=True):
        if result is not None and result.lot_id not in known:
            mend = "Record the lot first, or correct its name."
            found = f"{result.lot_id!r} is not in the register"
            row.fault("lot_id", found, mend)
    sheet.raise_faults()
    return record_results(session, [result for result in results if result is not None])


def read_result(row: Row) -> Result | None:
    """Return the result in a row, or None with the faults noted in the row."""
    qualifier, value = row.bounded_number("value", needed=True)
    return row.build(
        Result,
        {
            "lot_id": row.needed("lot_id"),
            "analyte": row.needed("analyte"),
            "value": value,
            "qualifier": qualifier,
            "unit": row.needed("unit"),
            "uncertainty": row.number("uncertainty"),
            "method": row.text("method"),
            "laboratory": row.text("laboratory"),
            "sample_id": row.text("sample_id"),
            "measured_on": row.day("measured_on"),
            "replicate": row.count("replicate"),
            "instrument": row.text("instrument"),
            "note": row.text("note"),
        },
    )
