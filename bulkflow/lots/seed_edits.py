"""Edits of the seed tables after the register took them over: they are not read again, so told.

With the record of the taking over stands a mark of every row. A table that is not as it was is
read once more, and its rows are held against the marks: which were changed, added or taken out.
"""

from __future__ import annotations

import hashlib
import shlex
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.errors import InputError
from bulkflow.lots.bodies import SeedFile, SeedImport
from bulkflow.lots.register import open_register
from bulkflow.lots.seeds import has_lots, row_marks, seed_sheet, seed_tables
from bulkflow.lots.tables import SEED_IMPORT
from bulkflow.records.chain import last_records
from bulkflow.records.settings import settings_for
from bulkflow.wording import listed

__all__ = ["edits_of_workspace", "seed_edits"]

MOST_NAMED = 5
WAYS: Mapping[str, str] = {
    "opening_lots": "lots add {folder} LOT ... (with --correct for a lot that is there; its status"
    " by lots hold, lift or decide)",
    "lab_limits": "lots limit {folder} ...",
    "lab_results": "lots results {folder} TABLE, or lots result {folder} LOT ...",
    "earlier_decisions": "lots decide {folder} ...",
}
"""How what stands in a table gets into the register, by the table's name."""


def edits_of_workspace(folder: Path, database: str | None) -> tuple[str, ...]:
    """Return what was edited, of a workspace that may have a register; see ``seed_edits``."""
    settings = settings_for(folder, database)
    if not settings.exists:
        return ()
    with open_register(settings, create=False) as store, store.read() as session:
        return seed_edits(session, folder)


def seed_edits(session: Session, folder: Path) -> tuple[str, ...]:
    """Return a line for each seed table of a folder that is not as the register took it over.

    Parameters
    ----------
    session : a reading session on the register.
    """
    if not has_lots(session):
        return ()
    records = last_records(session, count=1, kind=SEED_IMPORT.name)
    taken = {
        file.table or file.name.partition(".")[0]: file
        for record in records
        for file in SeedImport.model_validate(record.content).files
    }
    return tuple(_edits(folder, taken))


def _edits(folder: Path, taken: Mapping[str, SeedFile]) -> Iterator[str]:
    for name, table in seed_tables(folder).items():
        before = taken.get(name)
        if before is not None and _sha256(table.path) == before.sha256:
            continue
        way = f"bulkflow {WAYS[name].format(folder=shlex.quote(str(folder)))}"
        told = f"{table.path.name} was edited after the register took it over"
        if before is None:
            told = f"{table.path.name} came after the register was begun"
        try:
            rows = row_marks(seed_sheet(table))
        except InputError as error:
            yield f"{told}, and is not read again; it could not be: {error.faults[0]}"
            continue
        if before is None or before.marks or not before.rows:
            words = _difference(before.marks if before is not None else (), rows)
            if not words:
                continue
            told += f": {words}"
        yield (
            f"{told}. The register keeps what it has; record there what is meant: {way}; then put"
            " the table aside, or back as it was."
        )


def _difference(before: Sequence[str], after: Sequence[str]) -> str:
    """Return which rows were changed, added and taken out, by their names."""
    old, new = Counter(before), Counter(after)
    gone = [one.rpartition(" ")[0] for one in (old - new).elements()]
    come = [one.rpartition(" ")[0] for one in (new - old).elements()]
    changed = list((Counter(gone) & Counter(come)).elements())
    rest = Counter(changed)
    told = []
    for verb, names in (
        ("changed", changed),
        ("added", list((Counter(come) - rest).elements())),
        ("taken out", list((Counter(gone) - rest).elements())),
    ):
        if names:
            told.append(f"{verb} {listed(names, MOST_NAMED)}")
    return "; ".join(told)


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
