"""Writes a scenario as a workspace folder that reads back as the same scenario."""

from __future__ import annotations

import csv
import io
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

__all__ = ["dump_workspace", "yaml_text"]


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
    for name, table in TABLES.items():
        if rows := getattr(scenario, table.field):
            (folder / f"{name}.csv").write_text(_csv(table, rows), "utf-8", newline="")
    (folder / SCENARIO_FILE).write_text(_yaml(scenario), "utf-8", newline="")


def yaml_text(values: object) -> str:
    """Write plain values as YAML that this package reads back as the same values."""
    text: str = yaml.dump(values, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=100)
    return text


def _yaml(scenario: Scenario) -> str:
    tables = {table.field for table in TABLES.values()}
    return yaml_text(_plain(scenario.model_dump(exclude_defaults=True, exclude=tables)))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return str(value) if isinstance(value, StrEnum) else value


def _csv(table: Table, rows: tuple[Record, ...]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([column.name for column in table.columns])
    for row in rows:
        writer.writerow(
            [_cell(getattr(row, column.field), column.kind) for column in table.columns]
        )
    return out.getvalue()


def _cell(value: Any, kind: CellKind) -> str:
    if value is None:
        return ""
    if kind is CellKind.LIST:
        return LIST_SEPARATOR.join(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    return str(value)
