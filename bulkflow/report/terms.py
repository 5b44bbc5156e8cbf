"""The words of the report, by language: one table of terms, English complete.

A language is a YAML file of plain keys and texts. A language given by the user may leave keys
out; they are then said in English, and the report says which language it fell back from.
"""

from __future__ import annotations

import string
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from pathlib import Path

from bulkflow.errors import Fault, InputError
from bulkflow.plan.next_steps import WORDS
from bulkflow.reading.words import did_you_mean
from bulkflow.reading.yamlfile import YamlDocument, parse_yaml, read_yaml

__all__ = ["ENGLISH", "Terms", "english", "read_terms"]

ENGLISH = "en"
MONTHS = 12


@dataclass(frozen=True)
class Terms:
    """The terms of one language, over English for what it leaves out.

    Parameters
    ----------
    language : code of the language, as in the ``lang`` attribute of a page.
    own : its terms by key.
    missing : keys it leaves to English.
    """

    language: str
    own: Mapping[str, str]
    missing: tuple[str, ...] = ()

    def __call__(self, key: str, **values: object) -> str:
        """Return the term of a key, with its fields filled in.

        Raises
        ------
        KeyError
            English has no such key: a mistake of the program.
        """
        text = self.own.get(key)
        if text is None:
            text = english().own[key]
        return text.format(**values) if values else text

    def day(self, day: date) -> str:
        """Return a day without its year, as on an axis: ``4 Jan``."""
        months = self("months").split()
        return self("day_month", day=day.day, month=months[day.month - 1])


@cache
def english() -> Terms:
    """Return the complete table of terms."""
    text = files("bulkflow.report").joinpath("terms_en.yaml").read_text("utf-8")
    steps = {f"do_{key}": words for key, words in WORDS.items()}
    return Terms(ENGLISH, {**parse_yaml(text, "terms_en.yaml").entries(), **steps})


def read_terms(file: Path) -> Terms:
    """Read the table of another language; its name without suffix is the language's code.

    Raises
    ------
    InputError
        The file cannot be read, or holds keys or fields that English does not have.
    """
    document = read_yaml(file)
    given = document.entries()
    faults = [fault for key, text in given.items() for fault in _faults(document, key, text)]
    if faults:
        raise InputError(faults)
    missing = tuple(key for key in english().own if key not in given)
    return Terms(file.stem, given, missing)


def _faults(document: YamlDocument, key: str, text: object) -> list[Fault]:
    known = english().own
    if key not in known:
        return [document.fault((key,), "is no term of the report", did_you_mean(key, known))]
    if not isinstance(text, str) or not text.strip():
        return [document.fault((key,), "is not a text", "Write the term, in quotes if need be.")]
    if key == "months" and len(text.split()) != MONTHS:
        return [document.fault((key,), "is not twelve months", "Write all, apart by spaces.")]
    wanted = _fields(known[key])
    if _fields(text) != wanted:
        fields = ", ".join(f"{{{name}}}" for name in sorted(wanted)) or "no field"
        found = "does not have the fields of the English term"
        return [document.fault((key,), found, f"Use {fields}.")]
    return []


def _fields(text: str) -> set[str]:
    try:
        return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    except ValueError:
        return {text}
