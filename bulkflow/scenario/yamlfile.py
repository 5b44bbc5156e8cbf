"""YAML as plain data with line numbers, without any of YAML's surprises.

Only the parser's events are used: nothing is ever constructed from a tag, so no document can run
code, and aliases cannot multiply. Scalars are read as in JSON: ``NO`` is a text (not false),
``0123`` a text (not octal), ``1_000`` a text (not a number), ``12:30`` a text (not base sixty),
and a date is a text until a field asks for a day.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import yaml

from bulkflow.errors import Fault, InputError
from bulkflow.scenario.sources import field_path

__all__ = ["YamlDocument", "parse_yaml", "reads_as_text"]

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
_KEY = re.compile(r"[\w<][\w< .-]{0,59}")
_LEADING_TAB = re.compile(r"^ *\t", re.MULTILINE)

Path = tuple[str | int, ...]


@dataclass
class YamlDocument:
    """What a YAML file says.

    Parameters
    ----------
    value : dicts, lists, texts, numbers, booleans and None.
    lines : path of each key and item -> its line from 1.
    faults : what YAML allows and a workspace does not.
    is_broken : whether some of these faults leave out or change values, so that going on would
        only find what follows from them.
    """

    value: object = None
    lines: dict[str, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    is_broken: bool = False


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
        self.document = YamlDocument()
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

    def _fault(self, event: yaml.Event, path: Path, found: str, mend: str) -> None:
        line = _line(event)
        self.document.faults.append(Fault(self.name, line, field_path(path), found, mend))

    def _break(self, event: yaml.Event, path: Path, found: str, mend: str) -> None:
        self.document.is_broken = True
        self._fault(event, path, found, mend)

    def _node(self, event: yaml.Event, path: Path) -> object:
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

    def _alias(self, event: yaml.AliasEvent, path: Path) -> None:
        # Told once for each anchor: a file may hold a million of them.
        name = str(event.anchor)
        if name not in self._aliases:
            self._aliases.add(name)
            found = f"uses the alias *{name}"
            self._break(event, path, found, "Write the value out here, and wherever it is used.")

    def _refuse_anchor_and_tag(self, event: yaml.Event, path: Path) -> None:
        if anchor := getattr(event, "anchor", None):
            found = f"sets the anchor &{anchor}"
            self._fault(event, path, found, "Remove it; each value is written where it holds.")
        if tag := getattr(event, "tag", None):
            found = f"has the tag {tag!r}"
            self._break(event, path, found, "Remove it; the key says what kind its value is.")

    def _sequence(self, path: Path) -> list[object]:
        items: list[object] = []
        for event in self._events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            items.append(self._node(event, (*path, len(items))))
        return items

    def _mapping(self, path: Path) -> dict[str, object]:
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

    def _key(self, event: yaml.Event, path: Path) -> str:
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
    return text if _KEY.fullmatch(text) else repr(text[:40])


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
