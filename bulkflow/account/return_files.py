"""A return as CSV and as a workbook: whole files, no cell that a spreadsheet would run.

Texts that begin as a formula does are written with an apostrophe in CSV and as marked text in a
workbook. The chain head stands in both, so that the return can be checked against the register
years later.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from bulkflow.account.queries import ClosingRecord
from bulkflow.account.returns import QuarterReturn
from bulkflow.whole_files import bytes_written_whole

__all__ = ["return_csv", "return_sha256", "return_status", "safe_text", "write_return_workbook"]

_RISKY = ("=", "+", "-", "@", "\t", "\r")

_LINES = ("site_id", "liquid_id", "line", "lpa", "declared", "declared_unit")
_LATE = ("site_id", "liquid_id", "line", "lpa", "happened", "counted", "record", "subject")
_DUTY = (
    "site_id", "load_id", "liquid_id", "what", "lpa", "amount", "currency", "payable", "basis",
)  # fmt: skip


def safe_text(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(_RISKY) else text


def return_csv(found: QuarterReturn) -> str:
    """Return the lines of a return as CSV text, with the chain head on every row.

    Amounts have a point and no separators; lines end with one line feed.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(["quarter", *_LINES, "status", "chain_head"])
    status = return_status(found)
    for one in found.lines:
        values = [_plain(getattr(one, name)) for name in _LINES]
        writer.writerow([found.quarter, *values, status[one.site_id], found.chain_head])
    return buffer.getvalue()


def return_sha256(found: QuarterReturn, site: str | None = None) -> str:
    """Return the digest of a return's figures, whatever the chain head and status.

    Parameters
    ----------
    site : of this site's lines only, as they are when it is closed by itself.
    """
    lines = [one for one in found.lines if site in (None, one.site_id)]
    rows = [[_plain(getattr(one, name)) for name in _LINES] for one in lines]
    text = "\n".join("\t".join(row) for row in [[found.quarter], *rows])
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def return_status(found: QuarterReturn) -> dict[str, str]:
    """Return, by site, whether its quarter is open or closed, in words."""
    return {site: _closed(found, site, record) for site, record in found.closed}


def _closed(found: QuarterReturn, site: str, record: ClosingRecord | None) -> str:
    """Say whether a site's quarter is closed, and whether its figures are those closed."""
    if record is None:
        return "open"
    same = return_sha256(found, site) == record.closing.return_sha256
    figures = "its figures as closed" if same else "ITS FIGURES DIFFER FROM THOSE CLOSED"
    return f"closed by record {record.record}, {figures}"


def _plain(value: Any) -> str:
    if isinstance(value, Decimal):
        return format(value, "f")
    return safe_text(str(value))


def write_return_workbook(found: QuarterReturn, file: Path) -> None:
    """Write a return as a workbook; the file appears whole or not at all.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    book = Workbook()
    cover = book.active
    assert isinstance(cover, Worksheet)  # a new workbook has one plain sheet
    cover.title = "return"
    _fill(cover, ("what", "value"), _cover(found))
    _table(book, "lines", _LINES, found.lines)
    _table(book, "late", _LATE, found.late)
    _table(book, "duty", _DUTY, found.duty)
    with bytes_written_whole(file) as stream:
        book.save(stream)


def _cover(found: QuarterReturn) -> Iterable[tuple[str, Any]]:
    yield "quarter", found.quarter
    yield "first day", found.first_day
    yield "last day", found.last_day
    yield "chain head", found.chain_head
    yield "digest of the figures (SHA-256)", return_sha256(found)
    for site, state in return_status(found).items():
        yield f"status of {site}", state
    for words in found.roundings:
        yield "declared as", words
    yield "note", "LPA: litres of pure alcohol at 20 °C. The account is the column lpa."
    yield "note", "Declared amounts are rounded each by itself and need not add up."
    yield "caution", "Excise law decides what is owed; take licensed advice."


def _table(book: Workbook, title: str, names: Sequence[str], rows: Sequence[Any]) -> None:
    values = [[getattr(row, name) for name in names] for row in rows]
    _fill(book.create_sheet(title), names, values)


def _fill(sheet: Worksheet, names: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    widths = [len(name) for name in names]
    for column, name in enumerate(names, 1):
        cell = sheet.cell(1, column, name)
        cell.font = Font(bold=True)
        cell.alignment = Alignment(wrap_text=True)
    for number, row in enumerate(rows, 2):
        for column, value in enumerate(row, 1):
            _write(sheet, number, column, value)
            widths[column - 1] = max(widths[column - 1], len(str(value)))
    for column, width in enumerate(widths, 1):
        sheet.column_dimensions[get_column_letter(column)].width = min(70, width + 2)
    sheet.freeze_panes = "A2"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 9  # A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)


def _write(sheet: Worksheet, row: int, column: int, value: Any) -> None:
    cell = sheet.cell(row, column)
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"
        cell.quotePrefix = value.startswith(_RISKY)
    elif isinstance(value, Decimal):
        places = max(0, -int(value.as_tuple().exponent))
        cell.number_format = "#,##0" + ("." + "0" * places if places else "")
