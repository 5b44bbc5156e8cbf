"""Reads a workspace folder: either a complete typed scenario, or every problem in it at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.reading.faults import told_once
from bulkflow.reading.shape import ShapeFault, field_path, shape_faults
from bulkflow.reading.tablefiles import SCENARIO_FILE
from bulkflow.reading.textfile import read_text
from bulkflow.reading.words import did_you_mean, shown
from bulkflow.reading.yamlfile import parse_yaml
from bulkflow.scenario.checks import check_sense
from bulkflow.scenario.draft import COLLECTIONS, ID_FIELDS, Draft
from bulkflow.scenario.model import Calendar, Record, Scenario
from bulkflow.scenario.sources import SourceMap, TablePlaces
from bulkflow.scenario.tablefiles import find_tables
from bulkflow.scenario.tables import TABLES, TableRead

__all__ = ["DATABASE_FILE", "SCENARIO_FILE", "Workspace", "read_workspace"]

DATABASE_FILE = "records.sqlite"

_SQLITE = "sqlite:///"
_IN_MEMORY = ("", ":memory:")

_TABLE_OF_FIELD = {table.field: table.name for table in TABLES.values()}
_OWN_KEYS = ("tables", "database")
_KNOWN_KEYS = [*(name for name in Scenario.model_fields if name not in _TABLE_OF_FIELD), *_OWN_KEYS]


@dataclass(frozen=True)
class Workspace:
    """A workspace that was read without a fault.

    Parameters
    ----------
    scenario : everything it says.
    folder : where it lies.
    sources : file and line of each record and field.
    database_url : where its records are (a SQLAlchemy URL); may hold a password.
    """

    scenario: Scenario
    folder: Path
    sources: SourceMap
    database_url: str = field(repr=False)


def read_workspace(folder: Path) -> Workspace:
    """Read ``scenario.yaml`` and the tables of a folder.

    Raises
    ------
    InputError
        With every fault of shape and of sense, sorted by file and line.

    Examples
    --------
    >>> from pathlib import Path
    >>> read_workspace(Path("no/such/folder"))  # doctest: +IGNORE_EXCEPTION_DETAIL
    Traceback (most recent call last):
    bulkflow.errors.InputError: no/such/folder: is not a folder. Give the folder of a workspace.
    """
    try:
        next(folder.iterdir(), None)
    except (FileNotFoundError, NotADirectoryError) as error:
        mend = f"Give the folder of a workspace, which holds {SCENARIO_FILE}."
        raise InputError(Fault(str(folder), 0, "", "is not a folder", mend)) from error
    except OSError as error:
        found = f"cannot be looked into ({error.strerror})"
        raise InputError(Fault(str(folder), 0, "", found, "Check who may read it.")) from error
    document = parse_yaml(read_text(folder / SCENARIO_FILE, SCENARIO_FILE), SCENARIO_FILE)
    if document.is_broken:
        raise InputError(document.faults)
    if not isinstance(document.value, dict):
        found = "is empty" if document.value is None else f"holds {shown(document.value)}"
        mend = "Write keys with their values, starting with 'format: bulkflow-workspace/1'."
        raise InputError([*document.faults, Fault(SCENARIO_FILE, 0, "", found, mend)])
    gathering = _Gathering(folder, document.value, document.lines, list(document.faults))
    scenario, draft = gathering.finish()
    faults = [*gathering.faults, *draft.faults]
    if faults or scenario is None:
        raise InputError(told_once(faults, draft.unknown_names))
    return Workspace(scenario, folder, draft.sources, gathering.database_url())


class _Gathering:
    """Collects records and faults of one folder; used once."""

    def __init__(
        self,
        folder: Path,
        raw: Mapping[str, object],
        lines: Mapping[str, int],
        faults: list[Fault],
    ) -> None:
        self.folder = folder
        self.raw = raw
        self.lines = lines
        self.faults = faults
        self.wrong: set[str] = set()
        self.draft = Draft(SourceMap(SCENARIO_FILE, lines))
        self.paths: dict[tuple[str, str], str] = {}
        self.table_places: dict[str, TablePlaces] = {}

    def finish(self) -> tuple[Scenario | None, Draft]:
        values = {key: self.raw[key] for key in self.raw if key in Scenario.model_fields}
        self._refuse_unknown_keys()
        for name, model in COLLECTIONS.items():
            if name not in values and _is_needed(name):
                self.draft.unreadable.add(name)
            elif name in values:
                values[name] = self._collection(name, model, values[name])
        for table_name, read in self._tables().items():
            values[TABLES[table_name].field] = self._table_rows(table_name, read)
        self.draft.sources = SourceMap(
            SCENARIO_FILE,
            MappingProxyType(dict(self.lines)),
            MappingProxyType(self.table_places),
            MappingProxyType(self.paths),
        )
        scenario = self._scenario(values)
        check_sense(self.draft)
        return scenario, self.draft

    def database_url(self) -> str:
        """Return the URL of the records; a plain name is a SQLite file in the folder."""
        given = self.raw.get("database")
        address = given.strip() if isinstance(given, str) else DATABASE_FILE
        if "://" in address and not address.startswith(_SQLITE):
            return address
        file = address.removeprefix(_SQLITE)
        return address if file in _IN_MEMORY else f"{_SQLITE}{(self.folder / file).resolve()}"

    def _fault(self, path: str, found: str, mend: str) -> None:
        place = SourceMap(SCENARIO_FILE, self.lines).place(path)
        self.wrong.add(path)
        self.faults.append(Fault(place.file, place.line, path, found, mend))

    def _refuse_unknown_keys(self) -> None:
        for key in self.raw:
            if key in TABLES or key in _TABLE_OF_FIELD:
                name = _TABLE_OF_FIELD.get(key, key)
                mend = f"Put its rows into {name}.csv, or name its file under tables."
                self._fault(key, "is a table", mend)
            elif key not in _KNOWN_KEYS:
                self._fault(key, "is not a key known here", did_you_mean(key, _KNOWN_KEYS))
        database = self.raw.get("database")
        if "database" in self.raw and not (isinstance(database, str) and database.strip()):
            self._fault("database", f"is {shown(database)}", "Name a file or a database's URL.")

    def _collection(self, name: str, model: type[Record], value: object) -> object:
        if not isinstance(value, list) or (not value and _is_needed(name)):
            self.draft.unreadable.add(name)
            return value
        records = self.draft.records.setdefault(name, {})
        ids = self.draft.ids.setdefault(name, set())
        for index, item in enumerate(value):
            record = self._record((name, index), model, item)
            if record is None:
                self.draft.dropped.add(name)
            else:
                records[index] = record
            given = item.get("id") if isinstance(item, dict) else None
            if isinstance(given, str) and f"{name}[{index}].id" not in self.wrong:
                ids.add(given)
                self.paths.setdefault((name, given), f"{name}[{index}]")
            elif name in ID_FIELDS:
                # Its id may be any that others refer to.
                self.draft.nameless.add(name)
        return list(records.values())

    def _record(
        self, parts: tuple[str | int, ...], model: type[Record], value: object
    ) -> Record | None:
        try:
            return model.model_validate(value)
        except ValidationError as error:
            for fault in shape_faults(error, model):
                self._shape_fault(parts, fault)
            return None

    def _shape_fault(self, parts: tuple[str | int, ...], fault: ShapeFault) -> None:
        self._fault(field_path((*parts, *fault.parts)), fault.found, fault.mend)

    def _tables(self) -> dict[str, TableRead]:
        reads, unreadable, faults = find_tables(
            self.folder, self.raw.get("tables"), SourceMap(SCENARIO_FILE, self.lines)
        )
        self.draft.unreadable.update(TABLES[name].field for name in unreadable)
        self.faults.extend(faults)
        return reads

    def _table_rows(self, table_name: str, read: TableRead) -> list[Record]:
        table = TABLES[table_name]
        self.faults.extend(read.faults)
        self.table_places[table.field] = TablePlaces(
            read.file, tuple(row.line for row in read.rows), MappingProxyType(read.columns)
        )
        ids = self.draft.ids.setdefault(table.field, set())
        for index, row in enumerate(read.rows):
            if row.record_id is not None:
                ids.add(row.record_id)
                self.paths.setdefault((table.field, row.record_id), f"{table.field}[{index}]")
        records = {
            index: row.record for index, row in enumerate(read.rows) if row.record is not None
        }
        self.draft.records[table.field] = records
        if len(records) < len(read.rows):
            self.draft.dropped.add(table.field)
        return list(records.values())

    def _scenario(self, values: dict[str, Any]) -> Scenario | None:
        """Validate the whole; records are whole already, so only the keys around them can fail."""
        self.draft.currency = values.get("currency") if "currency" in values else None
        calendar = values.get("calendar")
        try:
            scenario = Scenario.model_validate(values)
        except ValidationError as error:
            wrong = list(shape_faults(error, Scenario))
            for fault in wrong:
                # Items that were dropped for their own faults do not make a list empty.
                if not (fault.found == "is an empty list" and self.raw.get(str(fault.parts[0]))):
                    self._shape_fault((), fault)
            top = {fault.parts[0] for fault in wrong}
            if "currency" in top:
                self.draft.currency = None
            if calendar is not None and "calendar" not in top:
                self.draft.calendar = Calendar.model_validate(calendar)
            return None
        self.draft.calendar = scenario.calendar
        return scenario


def _is_needed(collection: str) -> bool:
    return Scenario.model_fields[collection].is_required()
