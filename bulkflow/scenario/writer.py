"""Writes a scenario as a workspace folder that reads back as the same scenario."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any

import yaml

from bulkflow.errors import Fault, InputError
from bulkflow.reading.cells import CellKind
from bulkflow.reading.yamlfile import reads_as_text
from bulkflow.scenario.model import Record, Scenario
from bulkflow.scenario.reader import SCENARIO_FILE
from bulkflow.scenario.tables import LIST_SEPARATOR, TABLES, Table

__all__ = ["dump_workspace", "plain_values", "table_cells", "write_workspace", "yaml_text"]


class _Dumper(yaml.SafeDumper):
    """Quotes every text that would read back as something else."""


def _represent_text(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    style = None if reads_as_text(text) else "'"
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _represent_text)


def dump_workspace(scenario: Scenario, folder: Path) -> None:
    """Write ``scenario.yaml`` and the tables that have rows.

    Values that are the model's defaults are left out.

    Parameters
    ----------
    scenario : what to write.
    folder : made where it is missing; it may not hold a workspace yet.

    Raises
    ------
    InputError
        If the folder holds a scenario or a table already: nothing is overwritten.
    """
    folder.mkdir(parents=True, exist_ok=True)
    names = [SCENARIO_FILE, *(f"{name}{end}" for name in TABLES for end in (".csv", ".xlsx"))]
    there = [name for name in names if (folder / name).exists()]
    if there:
        mend = "Choose an empty folder; nothing is overwritten."
        raise InputError(Fault(str(folder / name), 0, "", "exists", mend) for name in there)
    write_workspace(folder, plain_values(scenario), scenario, {})


def write_workspace(
    folder: Path, values: Mapping[str, Any], scenario: Scenario | None, tables: Mapping[str, Any]
) -> None:
    """Write values as ``scenario.yaml``, and the tables: those given, the rest of a scenario.

    Parameters
    ----------
    tables : name -> pandas frame; its columns are checked when it is read.
    """
    for name, table in TABLES.items():
        rows = () if scenario is None else getattr(scenario, table.field)
        text = _frame_csv(tables[name]) if name in tables else _csv(table, rows) if rows else ""
        if text:
            (folder / f"{name}.csv").write_text(text, "utf-8", newline="")
    (folder / SCENARIO_FILE).write_text(yaml_text(values), "utf-8", newline="")


def plain_values(scenario: Scenario) -> dict[str, Any]:
    """Return what ``scenario.yaml`` says of a scenario, without the model's defaults."""
    tables = {table.field for table in TABLES.values()}
    values: dict[str, Any] = _plain(scenario.model_dump(exclude_defaults=True, exclude=tables))
    return values


def yaml_text(values: object) -> str:
    """Write plain values as YAML that this package reads back as the same values."""
    text: str = yaml.dump(values, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=100)
    return text


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return str(value) if isinstance(value, StrEnum) else value


def _frame_csv(frame: Any) -> str:
    """Return a pandas frame as CSV; days without the time that pandas gives them."""
    text: str = frame.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n")
    return text


def _csv(table: Table, rows: tuple[Record, ...]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([column.name for column in table.columns])
    for row in rows:
        writer.writerow([_cell(value) for value in table_cells(table, row)])
    return out.getvalue()


def table_cells(table: Table, row: Record) -> list[Any]:
    """Return the cells of a row: numbers, days and text; lists as one text."""
    found = []
    for column in table.columns:
        value = getattr(row, column.field)
        if column.kind is CellKind.LIST and value is not None:
            value = LIST_SEPARATOR.join(value)
        found.append(str(value) if isinstance(value, StrEnum) else value)
    return found


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    return str(value)
