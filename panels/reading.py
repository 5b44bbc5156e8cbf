"""Reading the YAML files that users hand in, with every fault placed.

Text is UTF-8; YAML is read safely, without anchors, and knows the line of every field. Nothing
here knows what the values mean. (Tables are read by `bulkflow.lots.sheets`.)
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
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
    "YamlFile",
    "file_stem",
    "nearest",
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


def file_stem(name: str) -> str:
    """Return a name as it may stand in a file's name: no marks that lead elsewhere."""
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in name)


def nearest(given: str, known: Sequence[str]) -> str:
    """Say which known word was probably meant, or list them."""
    close = get_close_matches(given, known, n=1)
    if close:
        return f"Did you mean {close[0]}?"
    return f"Known: {', '.join(known)}." if known else "None is known."
