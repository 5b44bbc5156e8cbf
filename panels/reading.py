"""Reading what users hand in: YAML files and CSV tables, with every fault placed.

Text is UTF-8. YAML is read safely, without anchors, and knows the line of every field; a table
is comma-separated with a header and decimal points. Nothing here knows what the values mean.
"""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.lots.faults import faults_of
from bulkflow.records import Body

__all__ = [
    "LARGEST_FILE_BYTES",
    "Row",
    "YamlFile",
    "nearest",
    "read_number",
    "read_table",
    "read_text",
    "read_yaml",
]

LARGEST_FILE_BYTES = 5_000_000

B = TypeVar("B", bound=Body)
Place = tuple[str | int, ...]


@dataclass(frozen=True)
class YamlFile:
    """Plain data with the line of every field."""

    name: str
    data: Any
    lines: Mapping[Place, int] = field(default_factory=dict)

    def line_of(self, place: Sequence[str | int]) -> int:
        """Line of a field, or of the nearest one around it that has a line."""
        path = tuple(place)
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def as_body(self, form: type[B], *, at: Place = ()) -> B:
        """Check the data against a form.

        Raises
        ------
        InputError : with every fault, each with its line.
        """
        data = self.data
        for step in at:
            data = data[step]
        try:
            return form.model_validate(data)
        except ValidationError as error:
            raise InputError(self.faults_in(error, at=at)) from error

    def faults_in(self, error: ValidationError, *, at: Place = ()) -> list[Fault]:
        """Place the faults of a failed check in this file."""
        told = faults_of(error, file=self.name, prefix=".".join(str(step) for step in at))
        places = [(*at, *item["loc"]) for item in error.errors()]
        return [
            Fault(fault.file, self.line_of(place), fault.where, fault.found, fault.mend)
            for fault, place in zip(told, places, strict=True)
        ]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table: its line and its cells by column, stripped."""

    line: int
    cells: Mapping[str, str]

    def __getitem__(self, column: str) -> str:
        """Return the cell, empty where it was."""
        return self.cells.get(column, "")


def read_text(path: Path, *, name: str | None = None) -> str:
    """Return the text of a file.

    Raises
    ------
    InputError : not there, not UTF-8, empty, or larger than any such file should be.
    """
    shown = name or path.name
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise InputError(
                Fault(shown, 0, "", "is larger than 5 MB", "Give the table or file itself.")
            )
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise InputError(
            Fault(shown, line, "", "is not UTF-8 text", "Save it as UTF-8.")
        ) from error
    except OSError as error:
        reason = "is not there" if isinstance(error, FileNotFoundError) else "cannot be read"
        raise InputError(
            Fault(shown, 0, "", reason, f"Give the path of a file ({path}).")
        ) from error
    if not text.strip():
        raise InputError(Fault(shown, 0, "", "is empty", "Give a file with content."))
    return text


def read_yaml(path: Path) -> YamlFile:
    """Read one YAML document safely.

    Raises
    ------
    InputError : not YAML, doubled keys, anchors, or not a mapping at the top.
    """
    text = read_text(path)
    faults: list[Fault] = []
    lines: dict[Place, int] = {}
    try:
        if any(isinstance(token, yaml.AnchorToken | yaml.AliasToken) for token in yaml.scan(text)):
            raise InputError(
                Fault(path.name, 0, "", "uses anchors or aliases", "Write every value out.")
            )
        node = yaml.compose(text, Loader=yaml.SafeLoader)
        data = yaml.safe_load(text)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        problem = " ".join(str(getattr(error, "problem", None) or "not YAML").split())
        line = mark.line + 1 if mark is not None else 0
        raise InputError(
            Fault(path.name, line, "", f"does not read as YAML: {problem}", "Correct the line.")
        ) from error
    _walk(node, (), lines, faults, path.name)
    if not isinstance(data, dict):
        faults.append(Fault(path.name, 1, "", "is not a list of named fields", "Start with one."))
    if faults:
        raise InputError(faults)
    return YamlFile(path.name, data, lines)


def _walk(node: Any, place: Place, lines: dict[Place, int], faults: list[Fault], name: str) -> None:
    lines[place] = node.start_mark.line + 1
    if isinstance(node, yaml.MappingNode):
        keys = [key.value for key, _ in node.value]
        for doubled in [key for key, count in Counter(keys).items() if count > 1]:
            line = [k.start_mark.line + 1 for k, _ in node.value if k.value == doubled][-1]
            faults.append(Fault(name, line, str(doubled), "stands twice", "Keep one of them."))
        for key, value in node.value:
            _walk(value, (*place, key.value), lines, faults, name)
            lines[(*place, key.value)] = key.start_mark.line + 1
    elif isinstance(node, yaml.SequenceNode):
        for number, value in enumerate(node.value):
            _walk(value, (*place, number), lines, faults, name)


def read_table(
    path: Path, *, required: Sequence[str], optional: Sequence[str]
) -> tuple[tuple[str, ...], list[Row]]:
    """Read a table with a header line.

    Parameters
    ----------
    required, optional : columns; others are faults, with the nearest known name.

    Returns
    -------
    the columns found, and the rows that are not wholly empty.

    Raises
    ------
    InputError : with every fault of header and shape.
    """
    text = read_text(path)
    reader = csv.reader(io.StringIO(text), strict=True)
    try:
        lines = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise InputError(
            Fault(
                path.name,
                reader.line_num,
                "",
                f"does not read as a table: {error}",
                "Check the quotation marks.",
            )
        ) from error
    header = tuple(cell.strip() for cell in lines[0][1])
    faults = list(_header_faults(path.name, header, required, optional))
    rows = []
    for line, cells in lines[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            found = f"has {len(cells)} cells under {len(header)} columns"
            faults.append(Fault(path.name, line, "", found, "Quote cells that hold a comma."))
            continue
        rows.append(Row(line, dict(zip(header, (c.strip() for c in cells), strict=True))))
    if not faults and not rows:
        faults.append(Fault(path.name, 0, "", "has a header but no rows", "Add the rows."))
    if faults:
        raise InputError(faults)
    return header, rows


def _header_faults(
    name: str, header: Sequence[str], required: Sequence[str], optional: Sequence[str]
) -> Iterator[Fault]:
    known = [*required, *optional]
    if len(header) == 1 and ";" in header[0]:
        yield Fault(
            name,
            1,
            "",
            "is separated by semicolons",
            "Save it comma-separated, with decimal points.",
        )
        return
    for column in required:
        if column not in header:
            yield Fault(
                name, 1, f"column {column}", "is missing", f"The columns are {', '.join(known)}."
            )
    for column, count in Counter(header).items():
        if count > 1:
            yield Fault(
                name, 1, f"column {column or '(no name)'}", "stands twice", "Keep one of them."
            )
        elif column not in known:
            yield Fault(
                name, 1, f"column {column or '(no name)'}", "is not known", nearest(column, known)
            )


def nearest(given: str, known: Sequence[str]) -> str:
    """Say which known word was probably meant, or list them."""
    close = get_close_matches(given, known, n=1)
    if close:
        return f"Did you mean {close[0]}?"
    return f"Known: {', '.join(known)}." if known else "None is known."


def read_number(cell: str) -> float | None:
    """Return the finite number a cell holds; None where it holds none.

    Decimal commas, thousands signs, NaN and infinities are not numbers here.
    """
    if not cell.replace(".", "", 1).removeprefix("-").isdecimal() or not cell.isascii():
        return None
    value = float(cell)
    return value if math.isfinite(value) else None
