"""Where in the user's files each record and field of a workspace was said.

A path such as ``lanes[3].tanks[0].cost_per_load`` names a field by its place in the
:class:`~bulkflow.scenario.model.Scenario`, counting from 0. A :class:`Place` is what a person
looks up: file, line, and the key or column.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from bulkflow.reading.yamlfile import nearest_line

__all__ = ["Place", "SourceMap", "TablePlaces"]

_TABLE_PATH = re.compile(r"^(?P<table>\w+)\[(?P<row>\d+)\](?:\.(?P<field>\w+))?")


@dataclass(frozen=True, slots=True)
class Place:
    """A place in the user's files.

    Parameters
    ----------
    file : file name, with the sheet of a workbook (``stock.xlsx, sheet Demand``).
    line : line or row from 1; 0 where the thing was never written down.
    where : the path of the field, or the column of a table.
    """

    file: str
    line: int
    where: str

    def __str__(self) -> str:
        """Return ``scenario.yaml, line 31``."""
        return f"{self.file}, line {self.line}" if self.line else self.file


@dataclass(frozen=True, slots=True)
class TablePlaces:
    """Where the rows of one table are.

    Parameters
    ----------
    file : file name, with the sheet of a workbook.
    lines : line of each record, in the order of the scenario.
    columns : field of the model -> how its column is named to the user.
    """

    file: str
    lines: tuple[int, ...]
    columns: Mapping[str, str]


@dataclass(frozen=True)
class SourceMap:
    """Finds the file and line of a path, or of a record by its id.

    Parameters
    ----------
    scenario_file : name of the YAML file.
    lines : path -> line in it.
    tables : table (its name in the model) -> where its rows are.
    records : (collection, id) -> path of the record, such as ``lanes[3]``.
    """

    scenario_file: str
    lines: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    tables: Mapping[str, TablePlaces] = field(default_factory=lambda: MappingProxyType({}))
    records: Mapping[tuple[str, str], str] = field(default_factory=lambda: MappingProxyType({}))

    def place(self, path: str) -> Place:
        """Return the place of a path; of the nearest thing around it, where it was left out.

        Examples
        --------
        >>> SourceMap("scenario.yaml", {"lanes[0]": 12}).place("lanes[0].currency")
        Place(file='scenario.yaml', line=12, where='lanes[0].currency')
        """
        match = _TABLE_PATH.match(path)
        if match and match["table"] in self.tables:
            return self._table_place(match)
        return Place(self.scenario_file, nearest_line(self.lines, path), path)

    def record(self, collection: str, record_id: str) -> Place:
        """Return the place of a record, such as ``record("lanes", "graz-by-road")``.

        Raises
        ------
        KeyError
            If the workspace has no such record.
        """
        return self.place(self.path_of(collection, record_id))

    def path_of(self, collection: str, record_id: str) -> str:
        """Return the path of a record, such as ``lanes[3]`` (KeyError if there is none)."""
        return self.records[collection, record_id]

    def _table_place(self, match: re.Match[str]) -> Place:
        table = self.tables[match["table"]]
        row = int(match["row"])
        line = table.lines[row] if row < len(table.lines) else 0
        name = match["field"]
        return Place(table.file, line, table.columns.get(name, name) if name else "")
