"""Reads the rules from their files, once, and finds the one in force on a day.

The clock is never read here: whoever asks says for which day.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from functools import cache
from importlib import resources
from itertools import pairwise
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import did_you_mean
from bulkflow.reading.yamlfile import parse_yaml
from bulkflow.rules.model import AnyRule, Rule

__all__ = [
    "all_rules",
    "in_union",
    "jurisdiction_of",
    "parse_rules",
    "rule",
    "rules_of",
    "wider_jurisdictions",
]

_FILES = (
    "spirit.yaml",
    "labels.yaml",
    "excise.yaml",
    "transport.yaml",
    "tanks.yaml",
    "laboratory.yaml",
)
_ADAPTER: TypeAdapter[AnyRule] = TypeAdapter(AnyRule)
_FIRST, _LAST = date.min, date.max

Found = TypeVar("Found", bound=Rule)


@cache
def all_rules() -> tuple[Rule, ...]:
    """Return every version of every rule that comes with the package, in file order."""
    package = resources.files("bulkflow.rules")
    return parse_rules(
        (name, package.joinpath(name).read_text(encoding="utf-8")) for name in _FILES
    )


def rule(rule_id: str, *, on: date) -> Rule:
    """Return the version of a rule that is in force on a day.

    Parameters
    ----------
    rule_id : as in the data, for example ``eu.gin.strength``.
    on : the day.

    Raises
    ------
    InputError
        If there is no rule of that id, or none of its versions is in force on the day.
    """
    versions = [found for found in all_rules() if found.id == rule_id]
    if not versions:
        known = sorted({found.id for found in all_rules()})
        mend = did_you_mean(rule_id, known, "See the files of bulkflow/rules.")
        raise InputError(Fault("", 0, f"rule '{rule_id}'", "is not known", mend))
    for version in versions:
        if version.holds_on(on):
            return version
    windows = "; ".join(_window(version) for version in versions)
    raise InputError(
        Fault("", 0, f"rule '{rule_id}'", f"is not in force on {on}", f"Its versions: {windows}.")
    )


def rules_of(kind: type[Found], *, on: date, jurisdiction: str | None = None) -> tuple[Found, ...]:
    """Return the rules of one kind in force on a day, of one jurisdiction or of all.

    Only the jurisdiction's own rules: :func:`wider_jurisdictions` says where else to look.
    """
    return tuple(
        found
        for found in all_rules()
        if isinstance(found, kind)
        and found.holds_on(on)
        and (jurisdiction is None or found.jurisdiction == jurisdiction)
    )


def in_union(jurisdiction: str | None) -> bool:
    """Return whether the union's law on excise movements holds somewhere.

    Examples
    --------
    >>> in_union("LV"), in_union("US"), in_union(None)
    (True, False, False)
    """
    return jurisdiction is not None and "EU" in wider_jurisdictions(jurisdiction)


def wider_jurisdictions(jurisdiction: str) -> tuple[str, ...]:
    """Return the jurisdictions whose rules hold somewhere, its own first: DE, EU, ALL."""
    wider = [union for union, members in _members().items() if jurisdiction in members]
    return tuple(dict.fromkeys((jurisdiction, *wider, "ALL")))


def jurisdiction_of(country: str | None) -> str | None:
    """Return the ISO 3166 code of a country given by name or by code; None where not known.

    Examples
    --------
    >>> jurisdiction_of("Latvia"), jurisdiction_of("lv"), jurisdiction_of("Atlantis")
    ('LV', 'LV', None)
    """
    if country is None:
        return None
    names = _document()["names"]
    wanted = country.strip().casefold()
    codes = {str(code).casefold(): str(code) for code in names.values()}
    return codes.get(wanted) or {str(k).casefold(): str(v) for k, v in names.items()}.get(wanted)


def parse_rules(texts: Iterable[tuple[str, str]]) -> tuple[Rule, ...]:
    """Return the rules of some files, given as (name, text).

    Raises
    ------
    InputError
        With every fault found: wrong YAML, wrong fields, windows of one id that overlap.
    """
    found: list[Rule] = []
    faults: list[Fault] = []
    for name, text in texts:
        for place, entry in enumerate(_entries(name, text, faults)):
            try:
                found.append(_ADAPTER.validate_python(entry))
            except ValidationError as error:
                faults.extend(_faults_of(name, place, entry, error))
    faults.extend(_overlaps(found))
    if faults:
        raise InputError(faults)
    return tuple(found)


def _entries(name: str, text: str, faults: list[Fault]) -> Sequence[Any]:
    """Return the list under ``rules``, noting a fault where there is none."""
    try:
        entries = parse_yaml(text, name).entries().get("rules")
    except InputError as error:
        faults.extend(error.faults)
        return ()
    if not isinstance(entries, list):
        faults.append(Fault(name, 0, "", "holds no list of rules", "Write 'rules:' and a list."))
        return ()
    return entries


def _faults_of(name: str, place: int, entry: Any, error: ValidationError) -> list[Fault]:
    label = entry.get("id", place) if isinstance(entry, dict) else place
    return [
        Fault(
            name,
            0,
            ".".join([f"rules[{label}]", *(str(part) for part in problem["loc"][1:])]),
            f"is wrong: {problem['msg']}",
            "See bulkflow.rules.model for the fields of each kind.",
        )
        for problem in error.errors()
    ]


def _overlaps(rules: list[Rule]) -> list[Fault]:
    """Return a fault for each id that has two versions in force on one day."""
    versions: dict[str, list[Rule]] = {}
    for found in rules:
        versions.setdefault(found.id, []).append(found)
    faults = []
    for rule_id, listed in versions.items():
        listed.sort(key=lambda version: version.first_day or _FIRST)
        for earlier, later in pairwise(listed):
            if (earlier.last_day or _LAST) >= (later.first_day or _FIRST):
                told = f"has versions that overlap: {_window(earlier)}; {_window(later)}"
                mend = "End one on the day before the next begins."
                faults.append(Fault("", 0, f"rule '{rule_id}'", told, mend))
    return faults


def _window(version: Rule) -> str:
    first = version.first_day.isoformat() if version.first_day else "always"
    last = version.last_day.isoformat() if version.last_day else "on"
    return f"{first} to {last}" if version.last_day else f"{first} and {last}"


@cache
def _members() -> dict[str, tuple[str, ...]]:
    """Return the members of each union of jurisdictions."""
    return {str(union): tuple(members) for union, members in _document()["within"].items()}


@cache
def _document() -> dict[str, dict[str, Any]]:
    name = "jurisdictions.yaml"
    text = resources.files("bulkflow.rules").joinpath(name).read_text(encoding="utf-8")
    return parse_yaml(text, name).entries()
