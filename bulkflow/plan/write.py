"""A plan as files in a folder: one CSV a table, and the whole as ``plan.json``.

Companions (a report, a workbook) may be written beside them by the caller. The folder appears
whole or not at all. Cells that a spreadsheet would take for a formula are written with an
apostrophe before them, as text.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import pandas as pd

from bulkflow.errors import Fault, InputError
from bulkflow.plan.document import read_result, to_document
from bulkflow.plan.frames import COLUMNS, to_frames
from bulkflow.plan.result import PlanResult

__all__ = [
    "DOCUMENT_FILE",
    "REPORT_FILE",
    "WORKBOOK_FILE",
    "read_plan_at",
    "refuse_unfit",
    "safe_cell",
    "write_plan",
]

DOCUMENT_FILE = "plan.json"
REPORT_FILE = "report.html"
WORKBOOK_FILE = "plan.xlsx"
COMPANIONS = frozenset({REPORT_FILE, WORKBOOK_FILE})
FILES = frozenset({DOCUMENT_FILE, *(f"{name}.csv" for name in COLUMNS)}) | COMPANIONS
# A millionth of a litre or of a coin is below anything measured; plan.json keeps every digit.
CELL_DIGITS = 6
# What makes a spreadsheet take a text for a formula, or hide one behind a control character.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


Companion = Callable[[Path], None]


def write_plan(
    result: PlanResult, folder: Path, companions: Mapping[str, Companion] | None = None
) -> tuple[Path, ...]:
    """Write every table and the document; return the files written.

    An earlier plan in the folder is replaced as a whole. A folder with other files is refused,
    so that nothing is lost.

    Parameters
    ----------
    companions : names among ``COMPANIONS``, and what writes the file of that name.

    Raises
    ------
    InputError
        The folder holds other files, or cannot be written.
    """
    refuse_unfit(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise _cannot(folder, error) from error
    try:
        _fill(result, fresh)
        for name, write in (companions or {}).items():
            write(fresh / name)
        _swap(fresh, folder)
    except OSError as error:
        raise _cannot(folder, error) from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return tuple(sorted(folder.iterdir()))


def read_plan_at(path: Path) -> PlanResult:
    """Read the plan of a ``plan.json``, or of the folder that holds one.

    Raises
    ------
    InputError
        There is none, or it cannot be read; see ``bulkflow.plan.document.read_result``.
    """
    if not path.is_dir():
        return read_result(path)
    file = path / DOCUMENT_FILE
    if not file.exists():
        mend = "Give a folder written by 'bulkflow plan --out', or a plan.json."
        raise InputError(Fault(str(path), 0, "", f"holds no {DOCUMENT_FILE}", mend))
    return read_result(file)


def safe_cell(text: str) -> str:
    """Return a text that a spreadsheet shows as it is.

    Examples
    --------
    >>> safe_cell("=SUM(A1)"), safe_cell("sea lane")
    ("'=SUM(A1)", 'sea lane')
    """
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def refuse_unfit(folder: Path) -> None:
    """Raise where a plan could not be written into a folder; worth asking before planning.

    Raises
    ------
    InputError
        It is no folder, holds other files, or cannot be looked into.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise InputError(Fault(str(folder), 0, "", "is not a folder", "Give a new folder."))
    try:
        others = sorted(one.name for one in folder.iterdir() if one.name not in FILES)
    except FileNotFoundError:
        return
    except OSError as error:
        raise _cannot(folder, error) from error
    if others:
        mend = "Give an empty folder, a new one, or one that holds an earlier plan only."
        raise InputError(Fault(str(folder), 0, "", f"holds other files ({others[0]})", mend))


def _fill(result: PlanResult, folder: Path) -> None:
    for name, frame in to_frames(result).items():
        _write(folder / f"{name}.csv", _csv(frame))
    text = json.dumps(to_document(result), indent=1, ensure_ascii=False, allow_nan=False)
    _write(folder / DOCUMENT_FILE, text + "\n")


def _csv(frame: pd.DataFrame) -> str:
    """Return a frame as CSV: numbers to the sixth decimal, days as year-month-day."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(frame.columns)
    for row in frame.itertuples(index=False, name=None):
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, str):
        return safe_cell(value)
    if value is None or pd.isna(value):  # type: ignore[call-overload]  # any cell may be asked
        return ""
    return round(value, CELL_DIGITS) if isinstance(value, float) else value


def _write(file: Path, text: str) -> None:
    with file.open("w", encoding="utf-8", newline="") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())


def _swap(fresh: Path, folder: Path) -> None:
    """Put the fresh folder in the place of the old one."""
    fresh.chmod(0o755)
    old: Path | None = None
    if folder.exists():
        old = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        folder.rename(old / "old")
    try:
        fresh.rename(folder)
    except OSError:
        if old is not None:
            (old / "old").rename(folder)
        raise
    finally:
        if old is not None:
            shutil.rmtree(old, ignore_errors=True)


def _cannot(folder: Path, error: OSError) -> InputError:
    reason = error.strerror or type(error).__name__
    mend = "Check that the folder above it exists and may be written to."
    return InputError(Fault(str(folder), 0, "", f"cannot be written ({reason})", mend))
