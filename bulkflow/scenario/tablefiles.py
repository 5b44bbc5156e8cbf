"""Reads every table of a workspace, and says what is wrong with how they are named."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from bulkflow.errors import Fault, InputError
from bulkflow.reading.tablefiles import address_of
from bulkflow.reading.words import did_you_mean, shown
from bulkflow.scenario.sources import SourceMap
from bulkflow.scenario.tables import TABLES, TableRead, read_table

__all__ = ["find_tables"]


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
            line = sources.place(f"tables.{name}").line
            if address := address_of(folder, name, files.get(name), line):
                reads[name] = read_table(address.read(), table)
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
            mend = did_you_mean(name, TABLES)
            faults.append(Fault(place.file, place.line, place.where, "is not a table", mend))
        elif not isinstance(address, str) or not address.strip():
            mend = f"Name its file, such as {name}.csv or stock.xlsx#Sheet1."
            found = f"is {shown(address)}"
            faults.append(Fault(place.file, place.line, place.where, found, mend))
        else:
            files[name] = address
    return files
