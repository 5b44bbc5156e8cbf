"""Finds the file of each table of a workspace.

Under ``tables`` a workspace names files (``demand: demand.csv``, ``prices: stock.xlsx#Spirit``);
a table not named there is read from the file of its own name, where there is one. Tables lie in
the folder of the workspace, so that a workspace can be copied whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from bulkflow.errors import Fault, InputError
from bulkflow.reading.grid import Grid
from bulkflow.reading.rows import TABLE_SUFFIXES, WORKBOOK_SUFFIXES, read_grid
from bulkflow.reading.textfile import read_text
from bulkflow.reading.words import MOST_TOLD, shown
from bulkflow.reading.yamlfile import YamlDocument, parse_yaml
from bulkflow.wording import listed

__all__ = [
    "SCENARIO_FILE",
    "TableAddress",
    "address_of",
    "scenario_document",
    "tables_of_workspace",
]

SCENARIO_FILE = "scenario.yaml"


def scenario_document(folder: Path) -> YamlDocument:
    """Return what ``scenario.yaml`` of a folder says; an empty document where there is none.

    Raises
    ------
    InputError
        If it is there and is not YAML.
    """
    path = folder / SCENARIO_FILE
    if not path.is_file():
        return YamlDocument(SCENARIO_FILE)
    return parse_yaml(read_text(path, SCENARIO_FILE), SCENARIO_FILE)


@dataclass(frozen=True, slots=True)
class TableAddress:
    """Where a table of a workspace is: folder, name of the table, file (with the sheet after #).

    ``line`` is the line of ``scenario.yaml`` that names the file, or could.
    """

    folder: Path
    table: str
    address: str
    line: int

    @property
    def path(self) -> Path:
        """The file."""
        return self.folder / self.address.partition("#")[0]

    def read(self) -> Grid:
        """Read it.

        Raises
        ------
        InputError
            If it lies outside the folder, is no table or does not exist.
        """
        file_name, _, sheet = self.address.partition("#")
        suffix = self.path.suffix.lower()
        try:
            inside = self.path.resolve().is_relative_to(self.folder.resolve())
            exists = self.path.exists()
        except (OSError, RuntimeError):
            # A name too long for the system, or links that lead in a circle: no such file.
            inside, exists = True, False
        if not inside:
            mend = "Tables lie in the workspace's folder; copy the file there."
            raise self._fault("outside the workspace", mend)
        if suffix not in TABLE_SUFFIXES:
            mend = "Save the table as CSV (.csv) or as a workbook (.xlsx)."
            raise self._fault("a kind of file that is not read", mend)
        if not exists:
            raise self._fault("which does not exist", "Put the file there, or correct its name.")
        if sheet and suffix not in WORKBOOK_SUFFIXES:
            raise self._fault("but a CSV file has no sheets", f"Write {file_name} alone.")
        return read_grid(self.path, file_name, self.table, sheet or None)

    def _fault(self, found: str, mend: str) -> InputError:
        found = f"is {shown(self.address)}, {found}"
        return InputError(Fault(SCENARIO_FILE, self.line, f"tables.{self.table}", found, mend))


def tables_of_workspace(folder: Path, names: Iterable[str]) -> dict[str, TableAddress]:
    """Return where each of some tables is; those that a workspace does not have are left out.

    Raises
    ------
    InputError
        If scenario.yaml is no YAML, or a table has several files.
    """
    document = scenario_document(folder)
    tables = document.value.get("tables") if isinstance(document.value, dict) else None
    named = tables if isinstance(tables, Mapping) else {}
    found = (
        address_of(folder, name, named.get(name), document.line_of(f"tables.{name}"))
        for name in names
    )
    return {one.table: one for one in found if one is not None}


def address_of(folder: Path, name: str, named: object, line: int) -> TableAddress | None:
    """Return where a table is: where it is ``named``, or in the file that bears its name.

    Raises
    ------
    InputError
        If it is not named, and several files bear its name.
    """
    if isinstance(named, str) and named.strip():
        return TableAddress(folder, name, named, line)
    there = [name + suffix for suffix in TABLE_SUFFIXES if (folder / (name + suffix)).exists()]
    if len(there) > 1:
        found = f"is one of {len(there)} files for the table {name}: {listed(there, MOST_TOLD)}"
        mend = f"Keep one, or say which under tables ('{name}: {there[0]}')."
        raise InputError(Fault(there[0], 0, "", found, mend))
    return TableAddress(folder, name, there[0], line) if there else None
