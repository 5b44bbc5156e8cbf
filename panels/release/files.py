"""Rules and characteristics as files of a workspace.

``panel/rules.yaml`` holds the rules under ``rules:``; ``panel/characteristics/`` the operating
characteristic of each version as JSON, tied to the rule by its fingerprint.
"""

from __future__ import annotations

import json
from pathlib import Path

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.reading.textfile import read_text
from bulkflow.reading.words import did_you_mean
from bulkflow.reading.yamlfile import YamlDocument, read_yaml
from bulkflow.whole_files import file_stem, written_whole
from panels.release.characteristic import Characteristic
from panels.release.rule import ReleaseRule

__all__ = ["characteristic_path", "read_characteristic", "read_rules", "write_characteristic"]


def read_rules(path: Path) -> list[ReleaseRule]:
    """Read every rule of a file, in order.

    Raises
    ------
    InputError : with every fault of every rule, each with its line.
    """
    file = read_yaml(path)
    listed = file.entries().get("rules")
    faults = [
        file.fault((key,), "is not a key known here", did_you_mean(key, ["rules"]))
        for key in file.entries()
        if key != "rules"
    ]
    if not isinstance(listed, list) or not listed:
        faults.append(file.fault(("rules",), "holds no list of rules", "Give one at least."))
        raise InputError(faults)
    rules = []
    for number in range(len(listed)):
        try:
            rules.append(file.as_record(ReleaseRule, ("rules", number)))
        except InputError as error:
            faults += error.faults
    faults += _doubled(file, rules) if not faults else []
    if faults:
        raise InputError(faults)
    return rules


def _doubled(file: YamlDocument, rules: list[ReleaseRule]) -> list[Fault]:
    seen: set[str] = set()
    faults = []
    for number, rule in enumerate(rules):
        if rule.name in seen:
            found = f"{rule.name} stands twice"
            faults.append(file.fault(("rules", number, "version"), found, "Keep one."))
        seen.add(rule.name)
    return faults


def characteristic_path(panel: Path, rule: ReleaseRule) -> Path:
    """Return where the characteristic of a rule version lies in a workspace."""
    return panel / "characteristics" / f"{file_stem(rule.liquid)}-v{rule.version}.json"


def read_characteristic(panel: Path, rule: ReleaseRule) -> Characteristic | None:
    """Return the stored characteristic; None where there is none of this very rule.

    Raises
    ------
    InputError : the file does not read.
    """
    path = characteristic_path(panel, rule)
    if not path.exists():
        return None
    try:
        found = Characteristic.model_validate_json(read_text(path, path.name))
    except ValidationError as error:
        raise InputError(
            Fault(path.name, 0, "", "is not an operating characteristic", "Compute it again.")
        ) from error
    return found if found.fingerprint == rule.fingerprint else None


def write_characteristic(panel: Path, rule: ReleaseRule, found: Characteristic) -> Path:
    """Store a characteristic; all of it or nothing."""
    path = characteristic_path(panel, rule)
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(found.model_dump(mode="json"), indent=1, ensure_ascii=False)
    with written_whole(path) as stream:
        stream.write(text + "\n")
    return path
