"""Finds the file of each table and reads it.

Under ``tables`` a workspace names files (``demand: demand.csv``, ``prices: stock.xlsx#Spirit``);
a table not named there is read from the file of its own name, where there is one.
Tables lie in the folder of the workspace, so that a workspace can be copied whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from bulkflow.errors import Fault, InputError
from bulkflow.scenario.csvfile import read_csv
from bulkflow.scenario.grid import Grid
from bulkflow.scenario.shape import listed, nearest, shown
from bulkflow.scenario.sources import SourceMap
from bulkflow.scenario.tables import TABLES, TableRead, read_table
from bulkflow.scenario.workbook import read_sheet

__all__ = ["find_tables"]

_WORKBOOKS = (".xlsx", ".xlsm")
_SUFFIXES = (".csv", *_WORKBOOKS)


def find_tables(
    folder: Path, named: object, sources: SourceMap
) -> tuple[dict[str, TableRead], set[str], list[Fault]]:
    """Read every table of a workspace.

    Parameters
    ----------
    folder : the workspace.
    named : what stands under ``tables``.
    sources : finds the lines of scenario.yaml.

    Returns
    -------
    Tables read, by name; names of those whose file cannot be read; faults of naming and reading.
    """
    faults: list[Fault] = []
    files = _files_named(named, sources, faults)
    reads: dict[str, TableRead] = {}
    unreadable: set[str] = set()
    for name, table in TABLES.items():
        try:
            address = files[name] if name in files else _default(folder, name)
            if address is None:
                continue
            reads[name] = read_table(_grid(folder, address, name, sources), table)
        except InputError as error:
            unreadable.add(name)
            faults.extend(error.faults)
    return reads, unreadable, faults


def _files_named(named: object, sources: SourceMap, faults: list[Fault]) -> dict[str, str]:
    if named is None:
        return {}
    if not isinstance(named, Mapping):
        place = sources.place("tables")
        mend = "Write the name of each table with its file, such as 'demand: demand.csv'."
        faults.append(Fault(place.file, place.line, "tables", f"is {shown(named)}", mend))
        return {}
    files: dict[str, str] = {}
    for name, address in named.items():
        place = sources.place(f"tables.{name}")
        if name not in TABLES:
            near = nearest(name, TABLES)
            mend = f"Did you mean {near}?" if near else f"Tables are {listed(list(TABLES))}."
            faults.append(Fault(place.file, place.line, place.where, "is not a table", mend))
        elif not isinstance(address, str) or not address.strip():
            mend = f"Name its file, such as {name}.csv or stock.xlsx#Sheet1."
            found = f"is {shown(address)}"
            faults.append(Fault(place.file, place.line, place.where, found, mend))
        else:
            files[name] = address
    return files


def _default(folder: Path, name: str) -> str | None:
    there = [name + suffix for suffix in _SUFFIXES if (folder / (name + suffix)).exists()]
    if len(there) > 1:
        found = f"is one of {len(there)} files for the table {name}: {listed(there, last='and')}"
        mend = f"Keep one, or say which under tables ('{name}: {there[0]}')."
        raise InputError(Fault(there[0], 0, "", found, mend))
    return there[0] if there else None


def _grid(folder: Path, address: str, name: str, sources: SourceMap) -> Grid:
    file_name, _, sheet = address.partition("#")
    path = folder / file_name
    suffix = PurePosixPath(file_name).suffix.lower()
    place = sources.place(f"tables.{name}")
    try:
        inside = path.resolve().is_relative_to(folder.resolve())
        exists = path.exists()
    except (OSError, RuntimeError):
        # A name too long for the system, or links that lead in a circle: there is no such file.
        inside, exists = True, False
    if not inside:
        found = f"is {shown(address)}, outside the workspace"
        mend = "Tables lie in the workspace's folder; copy the file there."
        raise InputError(Fault(place.file, place.line, place.where, found, mend))
    if suffix not in _SUFFIXES:
        found = f"is {shown(address)}, a kind of file that is not read"
        mend = "Save the table as CSV (.csv) or as a workbook (.xlsx)."
        raise InputError(Fault(place.file, place.line, place.where, found, mend))
    if not exists:
        found = f"is {shown(address)}, which does not exist"
        mend = "Put the file there, or correct its name."
        raise InputError(Fault(place.file, place.line, place.where, found, mend))
    if suffix in _WORKBOOKS:
        return read_sheet(path, file_name, sheet or None, name)
    if sheet:
        found = f"is {shown(address)}, but a CSV file has no sheets"
        raise InputError(
            Fault(place.file, place.line, place.where, found, f"Write {file_name} alone.")
        )
    return read_csv(path, file_name)
