"""A plan as files in a folder: one CSV a table, and the whole as ``plan.json``.

The folder appears whole or not at all; companions (a report, a workbook) are written into it
afterwards, each whole. What was written stands in ``written.json`` with its digest, so that no
file is ever overwritten that this program did not write, or that was changed since. Cells that a
spreadsheet would take for a formula are written with an apostrophe before them, as text.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from bulkflow.errors import Fault, InputError
from bulkflow.plan.document import DOCUMENT_FILE, document_at, read_plan_at, to_document
from bulkflow.plan.frames import to_frames
from bulkflow.plan.result import PlanResult
from bulkflow.whole_files import written_whole

__all__ = [
    "DOCUMENT_FILE",
    "REPORT_FILE",
    "WORKBOOK_FILE",
    "WRITTEN_FILE",
    "changed_since_written",
    "document_at",
    "on_demand",
    "read_plan_at",
    "refuse_unfit",
    "rescue_plan",
    "safe_cell",
    "write_companion",
    "write_plan",
]

REPORT_FILE = "report.html"
WORKBOOK_FILE = "plan.xlsx"
WRITTEN_FILE = "written.json"
OTHERS = "other files"
WRITTEN_SCHEMA = "bulkflow-written/1"
# What a file is called until it is whole; a killed process leaves one behind.
UNFINISHED = re.compile(r"\.+.+\.[0-9a-f]{16}")
# A millionth of a litre or of a coin is below anything measured; plan.json keeps every digit.
CELL_DIGITS = 6
# What makes a spreadsheet take a text for a formula, or hide one behind a control character.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


Companion = Callable[[Path], object]


def write_plan(result: PlanResult, folder: Path) -> tuple[Path, ...]:
    """Write every table and the document; return the files written.

    An earlier plan in the folder is replaced as a whole, its companions too: they are of that
    plan.

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
        _note(fresh, {one.name: _digest(one) for one in fresh.iterdir()})
        _swap(fresh, folder)
    except OSError as error:
        raise _cannot(folder, error) from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return tuple(sorted(folder.iterdir()))


def write_companion(folder: Path, name: str, write: Companion) -> Path:
    """Write a file beside the tables of a plan that is there; return it.

    It is noted before it appears, so that a process killed in between leaves no file that would
    be taken for somebody else's.

    Parameters
    ----------
    write : writes the file at the path it is given.

    Raises
    ------
    InputError
        It cannot be written there, or would overwrite what this program did not write.
    """
    file = folder / name
    fresh = folder / f".{name}.{secrets.token_hex(8)}"
    try:
        write(fresh)
        if file.exists() and _state(file, _written(folder)) is not None:
            _refuse_others(folder)
        _note(folder, _written(folder) | {name: _digest(fresh)})
        fresh.replace(file)
    except OSError as error:
        raise _cannot(file, error) from error
    finally:
        fresh.unlink(missing_ok=True)
    return file


@contextmanager
def on_demand(*files: Path | None) -> Iterator[None]:
    """Let files that were asked for by name be written, and note them in their folders' lists.

    Raises
    ------
    InputError
        A file is there that this program did not write, or that was changed since.
    """
    wanted = [file for file in files if file is not None]
    mend = "Give another name, or move it elsewhere; nothing was overwritten."
    faults = []
    for file in wanted:
        if not file.exists() or file.is_dir():
            continue
        state = _state(file, _written(file.parent))
        if state == OTHERS:
            faults.append(Fault(str(file), 0, "", "was not written by this program", mend))
        elif state is not None:
            faults.append(Fault(str(file), 0, "", "was changed since it was written", mend))
    if faults:
        raise InputError(faults)
    yield
    for file in wanted:
        _note(file.parent, _written(file.parent) | {file.name: _digest(file)})


def rescue_plan(result: PlanResult) -> Path:
    """Write a plan that could not be written where it should into the folder for passing files.

    Raises
    ------
    OSError
        Nor can it be written there.
    """
    file = Path(tempfile.mkdtemp(prefix="bulkflow-plan-")) / DOCUMENT_FILE
    _write(file, _document(result))
    return file


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
        It is no folder, cannot be looked into or written beside, or holds files that this program
        did not write there or that were changed since; they are named.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise InputError(Fault(str(folder), 0, "", "is not a folder", "Give a new folder."))
    if Path.cwd().is_relative_to(folder.resolve()):
        raise InputError(
            Fault(str(folder), 0, "", "is the folder you are in", "Give a new folder.")
        )
    try:
        if folder.exists():
            _refuse_others(folder)
    except OSError as error:
        raise _cannot(folder, error) from error
    above = next((one for one in folder.absolute().parents if one.exists()), None)
    if above is not None and not (above.is_dir() and os.access(above, os.W_OK | os.X_OK)):
        found = f"cannot be written (no right to write in {above})"
        raise InputError(Fault(str(folder), 0, "", found, "Give a folder elsewhere."))


def changed_since_written(folder: Path) -> tuple[str, ...]:
    """Return the names of files of a kept plan that are not as this program wrote them, or gone."""
    written = _written(folder)
    return tuple(name for name in written if _state(folder / name, written) is not None)


def _refuse_others(folder: Path) -> None:
    written = _written(folder)
    found: dict[str, list[str]] = {}
    for file in sorted(folder.iterdir()):
        state = None if _ours(file) else _state(file, written)
        if state is not None:
            found.setdefault(state, []).append(file.name)
    mend = "Move them elsewhere, or give another folder; nothing was overwritten."
    if found:
        raise InputError(
            Fault(str(folder), 0, "", f"holds {state} ({', '.join(names)})", mend)
            for state, names in found.items()
        )


def _ours(file: Path) -> bool:
    return file.name == WRITTEN_FILE or UNFINISHED.fullmatch(file.name) is not None


def _state(file: Path, written: Mapping[str, str]) -> str | None:
    """Return what is wrong with overwriting a file; None where nothing is."""
    if file.name not in written:
        return OTHERS
    same = file.is_file() and _digest(file) == written[file.name]
    return None if same else "files that were changed since they were written"


def _written(folder: Path) -> dict[str, str]:
    """Return the digests of what was written into a folder, by name."""
    file = folder / WRITTEN_FILE
    if not file.exists():
        return {}
    try:
        data = json.loads(file.read_text("utf-8"))
        if data["schema"] != WRITTEN_SCHEMA:
            raise ValueError(data["schema"])
        return {str(name): str(digest) for name, digest in data["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        mend = "Give another folder; nothing was overwritten."
        fault = Fault(str(file), 0, "", "is not the list of files that was written here", mend)
        raise InputError(fault) from error


def _note(folder: Path, written: Mapping[str, str]) -> None:
    document = {"schema": WRITTEN_SCHEMA, "files": dict(sorted(written.items()))}
    with written_whole(folder / WRITTEN_FILE) as stream:
        stream.write(json.dumps(document, indent=1) + "\n")


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _fill(result: PlanResult, folder: Path) -> None:
    for name, frame in to_frames(result).items():
        _write(folder / f"{name}.csv", _csv(frame))
    _write(folder / DOCUMENT_FILE, _document(result))


def _document(result: PlanResult) -> str:
    return json.dumps(to_document(result), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


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
    aside: Path | None = None
    try:
        if folder.exists():
            aside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
            folder.rename(aside / "old")
        fresh.rename(folder)
    finally:
        if aside is not None:
            if not folder.exists() and (aside / "old").exists():  # whatever came in between
                (aside / "old").rename(folder)
            shutil.rmtree(aside, ignore_errors=True)


def _cannot(folder: Path, error: OSError) -> InputError:
    reason = error.strerror or type(error).__name__
    mend = "Check that the folder above it exists and may be written to."
    return InputError(Fault(str(folder), 0, "", f"cannot be written ({reason})", mend))
