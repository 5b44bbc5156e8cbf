"""Finds the file of each table of a workspace.

Under ``tables`` a workspace names files (``demand: demand.csv``, ``prices: stock.xlsx#Spirit``);
a table not named there is read from the file of its own name, where there is one. Tables lie in
the folder of the workspace, so that a workspace can be copied whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from bulkflow.errors import Fault, InputError
from bulkflow.reading.grid import Grid
from bulkflow.reading.rows import TABLE_SUFFIXES, WORKBOOK_SUFFIXES, read_grid
from bulkflow.reading.textfile import read_text
from bulkflow.reading.words import listed, shown
from bulkflow.reading.yamlfile import YamlDocument, parse_yaml

__all__ = [
    "SCENARIO_FILE",
    "TableAddress",
    "address_of",
    "grid_at",
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

    ``line`` is the line of ``scenario.yaml`` that names the file; 0 where none does.
    """

    folder: Path
    table: str
    address: str
    line: int = 0

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
        return grid_at(self.folder, self.address, self.table, self._fault)

    def _fault(self, found: str, mend: str) -> Fault:
        return Fault(SCENARIO_FILE, self.line, f"tables.{self.table}", found, mend)


def tables_of_workspace(folder: Path, names: Iterable[str]) -> dict[str, TableAddress]:
    """Return where each of some tables is; those that a workspace does not have are left out.

    Raises
    ------
    InputError
        If scenario.yaml is no YAML, or a table has several files.
    """
    document = scenario_document(folder)
    tables = document.value.get("tables") if isinstance(document.value, dict) else None
    found = {}
    for name in names:
        named = tables.get(name) if isinstance(tables, Mapping) else None
        if isinstance(named, str) and named.strip():
            found[name] = TableAddress(folder, name, named, document.line_of(f"tables.{name}"))
        elif address := address_of(folder, name):
            found[name] = TableAddress(folder, name, address)
    return found


def address_of(folder: Path, name: str) -> str | None:
    """Return the file of a table that bears its name; None where there is none.

    Raises
    ------
    InputError
        If there are several.
    """
    there = [name + suffix for suffix in TABLE_SUFFIXES if (folder / (name + suffix)).exists()]
    if len(there) > 1:
        found = f"is one of {len(there)} files for the table {name}: {listed(there, last='and')}"
        mend = f"Keep one, or say which under tables ('{name}: {there[0]}')."
        raise InputError(Fault(there[0], 0, "", found, mend))
    return there[0] if there else None


def grid_at(folder: Path, address: str, name: str, fault: Callable[[str, str], Fault]) -> Grid:
    """Read the table at an address such as ``stock.xlsx#Spirit``.

    Parameters
    ----------
    folder : the workspace.
    address : file, with the sheet of a workbook where wanted.
    name : of the table.
    fault : makes a fault of what was found and would be right, where the address was written.

    Raises
    ------
    InputError
        If it lies outside the folder, is no table or does not exist.
    """
    file_name, _, sheet = address.partition("#")
    path = folder / file_name
    suffix = PurePosixPath(file_name).suffix.lower()
    try:
        inside = path.resolve().is_relative_to(folder.resolve())
        exists = path.exists()
    except (OSError, RuntimeError):
        # A name too long for the system, or links that lead in a circle: there is no such file.
        inside, exists = True, False
    said = f"is {shown(address)}"
    if not inside:
        mend = "Tables lie in the workspace's folder; copy the file there."
        raise InputError(fault(f"{said}, outside the workspace", mend))
    if suffix not in TABLE_SUFFIXES:
        mend = "Save the table as CSV (.csv) or as a workbook (.xlsx)."
        raise InputError(fault(f"{said}, a kind of file that is not read", mend))
    if not exists:
        mend = "Put the file there, or correct its name."
        raise InputError(fault(f"{said}, which does not exist", mend))
    if sheet and suffix not in WORKBOOK_SUFFIXES:
        raise InputError(
            fault(f"{said}, but a CSV file has no sheets", f"Write {file_name} alone.")
        )
    return read_grid(path, file_name, name, sheet or None)
