"""The whole chain as JSON lines, out and in again.

The first line names the format, how many records follow and the head; each further line is one
record in canonical form with its hash. Importing checks every link before anything is kept.
Into an empty database it gives the same chain, with the same head; where the database holds the
beginning of the same chain, the rest is added; anything else is refused.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TextIO

from pydantic import BaseModel, ConfigDict, ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.records.canonical import BEGINNING, canonical_text
from bulkflow.records.chain import Head, Record, head, insert_index, insert_records, records_in
from bulkflow.records.errors import RecordsError
from bulkflow.records.kinds import Kind
from bulkflow.records.schema import RECORD
from bulkflow.records.verification import link_fault

__all__ = ["FORMAT", "FORMAT_VERSION", "Imported", "export_records", "import_records"]

FORMAT = "bulkflow.records"
FORMAT_VERSION = 1
_WHOLE = "Give the file as it was exported, whole and unchanged."


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did: records in the file, records added, and the head after it."""

    in_file: int
    added: int
    head: Head


class _FirstLine(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    format: str
    version: int
    records: int
    head: str


class _Line(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    seq: int
    at: str
    zone: str
    actor: str
    account: str
    capacity: str
    kind: str
    version: int
    subject: str
    supersedes: int | None = None
    body: dict[str, Any]
    previous: str
    hash: str


def export_records(session: Session, stream: TextIO) -> Head:
    """Write the whole chain to `stream`; return its head.

    Parameters
    ----------
    session : a reading session, so that the chain cannot grow meanwhile.
    stream : text; each line ends with one line feed.
    """
    last = head(session)
    first = {
        "format": FORMAT,
        "version": FORMAT_VERSION,
        "records": last.seq,
        "head": str(last),
    }
    stream.write(canonical_text(first) + "\n")
    for record in records_in(session):
        stream.write(canonical_text(record.fields) + "\n")
    return last


def import_records(
    session: Session, lines: Iterable[str], kinds: Mapping[str, Kind[Any]], *, file: str
) -> Imported:
    """Read an exported chain into the database.

    Parameters
    ----------
    session : a writing session; nothing of it is kept if this raises.
    lines : the lines of the file.
    kinds : the kinds known, by name; records of other kinds are kept, and indexed when the
        package that brings them is.
    file : its name, for messages.

    Raises
    ------
    InputError
        If the file is not a whole chain (the first fault is named: after it nothing can be
        trusted).
    RecordsError
        If the database holds records that are not the beginning of this chain.
    """
    numbered = ((number, line) for number, line in enumerate(lines, 1) if line.strip())
    first = _first_line(next(numbered, None), file)
    present = head(session)
    before = Head(0, BEGINNING)
    fresh: list[Record] = []
    number = 1
    for number, line in numbered:
        record = _record(number, line, file)
        if (fault := link_fault(record, before)) is not None:
            raise InputError(Fault(file, number, f"record {record.seq}", fault, _WHOLE))
        before = Head(record.seq, record.hash)
        if record.seq == present.seq and before != present:
            raise RecordsError(_differs(session, present, file))
        if record.seq > present.seq:
            fresh.append(record)
    if str(before) != first.head or before.seq != first.records:
        found = f"the file ends at head {before}, but its first line says {first.head}"
        raise InputError(Fault(file, number, "", found, _WHOLE))
    if before.seq < present.seq:
        raise RecordsError(
            f"{file} holds {before.seq} records and the database {present.seq}: there is nothing "
            "to add. Import into a new database to compare them."
        )
    insert_records(session, fresh)
    _index(session, fresh, kinds, file)
    return Imported(before.seq, len(fresh), before)


def _index(
    session: Session, fresh: list[Record], kinds: Mapping[str, Kind[Any]], file: str
) -> None:
    for name, kind in kinds.items():
        chosen = [record for record in fresh if record.kind == name]
        try:
            insert_index(session, kind, [(r.seq, kind.read(r.version, r.body)) for r in chosen])
        except RecordsError as error:
            raise InputError(Fault(file, 0, f"records of kind {name}", str(error), _WHOLE)) from (
                error
            )


def _differs(session: Session, present: Head, file: str) -> str:
    count = session.scalar(select(RECORD.c.seq).order_by(RECORD.c.seq.desc()).limit(1))
    return (
        f"the database holds {count} records that are not the beginning of {file} "
        f"(record {present.seq} differs). Import into a new database."
    )


def _first_line(numbered: tuple[int, str] | None, file: str) -> _FirstLine:
    mend = f"Its first line must be an object with format {FORMAT!r}, as the export writes it."
    if numbered is None:
        raise InputError(Fault(file, 0, "", "is empty", mend))
    try:
        first = _FirstLine.model_validate(_object(numbered[1]))
    except (ValidationError, ValueError) as error:
        found = "does not start with the line of an exported register"
        raise InputError(Fault(file, numbered[0], "", found, mend)) from error
    if (first.format, first.version) != (FORMAT, FORMAT_VERSION):
        found = f"has format {first.format!r} version {first.version}"
        mend = f"This program reads {FORMAT!r} version {FORMAT_VERSION}."
        raise InputError(Fault(file, numbered[0], "", found, mend))
    return first


def _record(number: int, line: str, file: str) -> Record:
    try:
        read = _Line.model_validate(_object(line))
        fields = read.model_dump()
        return Record(**{**fields, "body": canonical_text(read.body)})
    except ValidationError as error:
        where = ", ".join(".".join(map(str, item["loc"])) or "line" for item in error.errors())
        found = f"is not a record as exported (see {where})"
        raise InputError(Fault(file, number, "", found, _WHOLE)) from error
    except (ValueError, TypeError) as error:
        raise InputError(Fault(file, number, "", f"does not read: {error}", _WHOLE)) from error


def _object(line: str) -> Any:
    return json.loads(line, object_pairs_hook=_once, parse_constant=_no_constant)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        raise ValueError("a key is given twice")
    return made


def _no_constant(text: str) -> Iterator[None]:
    raise ValueError(f"{text} is not a number a record may hold")
