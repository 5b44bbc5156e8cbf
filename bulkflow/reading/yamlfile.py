"""YAML as plain data with line numbers, without any of YAML's surprises.

Only the parser's events are used: nothing is ever constructed from a tag, so no document can run
code, and aliases cannot multiply. Scalars are read as in JSON: ``NO`` is a text (not false),
``0123`` a text (not octal), ``1_000`` a text (not a number), ``12:30`` a text (not base sixty),
and a date is a text until a field asks for a day.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.reading.shape import field_path, shape_faults
from bulkflow.reading.textfile import read_text
from bulkflow.reading.words import shown

__all__ = ["YamlDocument", "nearest_line", "parse_yaml", "read_yaml", "reads_as_text"]

MAXIMUM_DEPTH = 12

# The C parser is some ten times faster; both speak the same events.
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,39})")
_NUMBER = re.compile(r"[-+]?(?:(?:0|[1-9][0-9]*)(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_WORDS: dict[str, object] = {
    "": None,
    "~": None,
    **dict.fromkeys(("null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".nan", ".NaN", ".NAN"), float("nan")),
    **dict.fromkeys((".inf", ".Inf", ".INF", "+.inf", "+.Inf", "+.INF"), float("inf")),
    **dict.fromkeys(("-.inf", "-.Inf", "-.INF"), float("-inf")),
}
_LAST_PART = re.compile(r"(\.[^.\[]+|\[\d+\])$")
_LEADING_TAB = re.compile(r"^ *\t", re.MULTILINE)

Parts = tuple[str | int, ...]
T = TypeVar("T", bound=BaseModel)


@dataclass
class YamlDocument:
    """What a YAML file says.

    Parameters
    ----------
    name : of the file.
    value : dicts, lists, texts, numbers, booleans and None.
    lines : path of each key and item -> its line from 1.
    faults : what YAML allows and a workspace does not.
    is_broken : whether some of these faults leave out or change values, so that going on would
        only find what follows from them.
    """

    name: str
    value: object = None
    lines: dict[str, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    is_broken: bool = False

    def line_of(self, path: str) -> int:
        """Return the line of a field, or of the nearest thing around it; 0 where there is none."""
        return nearest_line(self.lines, path)

    def fault(self, parts: tuple[str | int, ...], found: str, mend: str) -> Fault:
        """Return a fault at a field."""
        return Fault(self.name, self.line_of(field_path(parts)), field_path(parts), found, mend)

    def entries(self) -> dict[str, Any]:
        """Return the keys the document holds.

        Raises
        ------
        InputError
            With what YAML allows and a workspace does not, or if it holds no keys.
        """
        faults = list(self.faults)
        if not isinstance(self.value, dict):
            found = "is empty" if self.value is None else f"holds {shown(self.value)}"
            faults.append(Fault(self.name, 0, "", found, "Write keys with their values."))
        if faults:
            raise InputError(faults)
        assert isinstance(self.value, dict)
        return self.value

    def as_record(self, form: type[T], parts: Parts = ()) -> T:
        """Return the record that the document, or a part of it, holds.

        Nothing is converted silently: a text that looks like a number stays a text.

        Raises
        ------
        InputError
            With every fault, each with its line.
        """
        value: Any = self.entries()
        for part in parts:
            value = value[part]
        try:
            # JSON has no days or fixed lists either, so a strict form reads texts and lists there.
            return form.model_validate_json(json.dumps(value), strict=True)
        except ValidationError as error:
            raise InputError(
                self.fault((*parts, *fault.parts), fault.found, fault.mend)
                for fault in shape_faults(error, form)
            ) from error


def nearest_line(lines: Mapping[str, int], path: str) -> int:
    """Return the line of a path such as ``lanes[3].id``, or of the nearest thing around it.

    Examples
    --------
    >>> nearest_line({"lanes": 3, "lanes[0]": 4}, "lanes[0].legs[1]")
    4
    """
    while path and path not in lines:
        shorter = _LAST_PART.sub("", path)
        path = "" if shorter == path else shorter
    return lines.get(path, 0)


def read_yaml(path: Path) -> YamlDocument:
    """Read one YAML file of keys and values that a user names.

    Raises
    ------
    InputError
        If it cannot be read, holds no keys, or holds what YAML allows and we do not.
    """
    document = parse_yaml(read_text(path, path.name), path.name)
    document.entries()
    return document


def parse_yaml(text: str, name: str) -> YamlDocument:
    """Read one YAML document.

    Parameters
    ----------
    text : the whole file.
    name : its name, for faults.

    Raises
    ------
    InputError
        If it is not YAML at all, is indented by tabs, or is nested too deeply. Anchors, aliases,
        tags, repeated keys and further documents are collected in ``faults``.
    """
    tabs = [text.count("\n", 0, match.start()) + 1 for match in _LEADING_TAB.finditer(text)]
    if tabs:
        mend = "Indent with spaces; YAML does not allow tabs there."
        raise InputError(Fault(name, line, "", "is indented with a tab", mend) for line in tabs)
    reader = _Reader(name)
    try:
        reader.read(yaml.parse(text, Loader=_LOADER))
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 0
        found = f"cannot be read as YAML ({error.problem or error.context})"
        mend = "Check the indentation, colons, quotes and brackets just before this place."
        raise InputError(Fault(name, line, "", found, mend)) from error
    except yaml.YAMLError as error:
        found = f"cannot be read as YAML ({error})"
        raise InputError(Fault(name, 0, "", found, "Save it as plain UTF-8 text.")) from error
    return reader.document


class _Reader:
    """Builds plain data from the parser's events, noting lines and faults on the way."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.document = YamlDocument(name)
        self._aliases: set[str] = set()
        self._events: Iterator[yaml.Event] = iter(())

    def read(self, events: Iterator[yaml.Event]) -> None:
        self._events = events
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    found = "starts a second document"
                    self._break(event, (), found, "Keep one document; remove the line '---'.")
                    return
            elif isinstance(event, yaml.NodeEvent):
                self.document.value = self._node(event, ())

    def _fault(self, event: yaml.Event, path: Parts, found: str, mend: str) -> None:
        line = _line(event)
        self.document.faults.append(Fault(self.name, line, field_path(path), found, mend))

    def _break(self, event: yaml.Event, path: Parts, found: str, mend: str) -> None:
        self.document.is_broken = True
        self._fault(event, path, found, mend)

    def _node(self, event: yaml.Event, path: Parts) -> object:
        self.document.lines.setdefault(field_path(path), _line(event))
        if len(path) > MAXIMUM_DEPTH:
            found = f"is nested more than {MAXIMUM_DEPTH} levels deep"
            mend = "No key of a workspace lies so deep; check the brackets and the indentation."
            line = _line(event)
            raise InputError(Fault(self.name, line, field_path(path[:3]), found, mend))
        if isinstance(event, yaml.AliasEvent):
            self._alias(event, path)
            return None
        self._refuse_anchor_and_tag(event, path)
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(path)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(path)
        assert isinstance(event, yaml.ScalarEvent)
        return _scalar(event)

    def _alias(self, event: yaml.AliasEvent, path: Parts) -> None:
        # Told once for each anchor: a file may hold a million of them.
        name = str(event.anchor)
        if name not in self._aliases:
            self._aliases.add(name)
            found = f"uses the alias *{name}"
            self._break(event, path, found, "Write the value out here, and wherever it is used.")

    def _refuse_anchor_and_tag(self, event: yaml.Event, path: Parts) -> None:
        if anchor := getattr(event, "anchor", None):
            found = f"sets the anchor &{anchor}"
            self._fault(event, path, found, "Remove it; each value is written where it holds.")
        if tag := getattr(event, "tag", None):
            found = f"has the tag {tag!r}"
            self._break(event, path, found, "Remove it; the key says what kind its value is.")

    def _sequence(self, path: Parts) -> list[object]:
        items: list[object] = []
        for event in self._events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            items.append(self._node(event, (*path, len(items))))
        return items

    def _mapping(self, path: Parts) -> dict[str, object]:
        found: dict[str, object] = {}
        for event in self._events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key = self._key(event, path)
            inner = (*path, key)
            repeated = key in found
            if repeated:
                first = self.document.lines[field_path(inner)]
                said = f"is given again (first in line {first})"
                self._fault(event, inner, said, "Keep one of the two.")
            self.document.lines.setdefault(field_path(inner), _line(event))
            value = self._node(next(self._events), inner)
            if not repeated:
                found[key] = value
        return found

    def _key(self, event: yaml.Event, path: Parts) -> str:
        if isinstance(event, yaml.ScalarEvent):
            self._refuse_anchor_and_tag(event, path)
            return _plain_key(event.value)
        self._break(event, path, "has a key that is not a word", "A key is a single word.")
        self._node(event, (*path, "?"))
        return "?"


def _line(event: yaml.Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 0


def _plain_key(text: str) -> str:
    """Keep odd keys from upsetting paths and screens; they are unknown anyway."""
    return text if text.isprintable() and 0 < len(text) <= 60 else repr(text[:40])


def _scalar(event: yaml.ScalarEvent) -> object:
    # Quoted and block scalars are texts, whatever they look like.
    return _plain_scalar(event.value) if event.style in (None, "") else event.value


def reads_as_text(text: str) -> bool:
    """Whether a scalar without quotes is read as the text it is."""
    return isinstance(_plain_scalar(text), str)


def _plain_scalar(text: str) -> object:
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    if _NUMBER.fullmatch(text):
        return float(text)
    return text
