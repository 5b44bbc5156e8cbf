"""Taking in a workspace's panel folder: standards, rules and sittings that were held."""

from __future__ import annotations

import sys
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from bulkflow.errors import Fault, InputError
from panels.cli.register import panel_folder

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from bulkflow.records import Record
    from panels.release.characteristic import Characteristic
    from panels.release.rule import ReleaseRule
    from panels.sittings.deciding import Judgement
    from panels.sittings.definition import SittingDefinition

__all__ = ["close_from_file", "record_from_files", "take_in"]


def take_in(
    session: Session, folder: Path, rules: list[ReleaseRule], risks: dict[str, Characteristic]
) -> list[tuple[Judgement, Record]]:
    """Take in everything new in a workspace's panel folder, sittings by day.

    Parameters
    ----------
    rules, risks : those of the folder, read and computed before the register was opened.

    Returns
    -------
    judgements with their decision records, in order.

    Raises
    ------
    InputError : with the faults of the first file that has any.
    """
    from panels.cli.rule import declare_missing
    from panels.preparation.standards import read_standards, record_standard
    from panels.records import STANDARD, latest_bodies
    from panels.uses.qualifying import take_in_assessors

    panel = panel_folder(folder)
    known = latest_bodies(session, STANDARD)
    for standard in read_standards(panel / "standards.yaml"):
        if standard.standard not in known:
            record_standard(session, standard)
            sys.stderr.write(f"Recorded the standard {standard.standard}.\n")
    for rule in declare_missing(session, rules, risks):
        sys.stderr.write(f"Declared {rule.name}.\n")
    people = panel / "assessors.yaml"
    if people.exists():
        taken = take_in_assessors(session, people)
        if taken:
            sys.stderr.write("Took over trainings and qualifications of assessors.\n")
    made = []
    for path, definition in _new_sittings(session, panel):
        made += _take_in_sitting(session, folder, path, definition)
    return made


def record_from_files(
    session: Session,
    sitting: str,
    scores: Path,
    preparation: Path | None,
    *,
    rehearsal: bool = False,
) -> list[Record]:
    """Record a table of scores, and of samples if there is one; all of both or nothing.

    Parameters
    ----------
    rehearsal : whether it may be before the sitting's day.

    Raises
    ------
    InputError : with the faults of both files.
    """
    from bulkflow.records.chain import acting
    from panels.sittings.history import find_sitting, rules_of
    from panels.sittings.recording import (
        check_day_has_come,
        record_preparation,
        record_sheets,
    )
    from panels.sittings.scores import read_preparation, read_sheets, sheet_rules

    held = find_sitting(session, sitting)
    if not rehearsal:
        check_day_has_come(sitting, held.sitting.held_on, held.sitting.zone)
    rules = sheet_rules([found.rule for found in rules_of(session, held).values()])
    faults: list[Fault] = []
    records: list[Record] = []
    sheets, samples = [], []
    try:
        sheets = read_sheets(scores, held.sitting, rules, recorded=held.recorded)
    except InputError as error:
        faults += error.faults
    if preparation is not None:
        try:
            samples = read_preparation(preparation, held.sitting)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    if samples:
        person = acting(session).actor.name
        records.append(record_preparation(session, sitting, samples, prepared_by=person))
    return records + record_sheets(session, sitting, sheets)


def close_from_file(session: Session, folder: Path, sitting: str, remarks: str | None) -> Record:
    """Close a sitting with the key that lies in the workspace."""
    from panels.sittings.history import find_sitting
    from panels.sittings.keys import key_path, read_key
    from panels.sittings.recording import close_sitting

    held = find_sitting(session, sitting)
    key = read_key(key_path(folder, sitting), sitting=sitting, digest=held.sitting.key_digest)
    if held.preparation is None:
        sys.stderr.write(
            f"The strength of the diluted samples of {sitting} was not recorded: the evidence"
            " will say so for ever. (record --preparation)\n"
        )
    return close_sitting(session, sitting, key, remarks=remarks)


def _new_sittings(session: Session, panel: Path) -> list[tuple[Path, SittingDefinition]]:
    from panels.sittings.definition import read_definition
    from panels.sittings.history import list_sittings

    known = {held.sitting.sitting for held in list_sittings(session)}
    found, faults = [], []
    for path in sorted((panel / "sittings").glob("*.yaml")):
        definition, file = read_definition(path)
        if definition.sitting in known:
            continue
        found.append((path, definition))
        last = _last_day(panel.parent)
        if definition.held_on > last:
            said = f"is {definition.held_on}, and sittings are taken in up to {last}"
            mend = (
                "A sitting is taken in once it was held; one that the workspace tells beforehand"
                " lies before the first day of its calendar (scenario.yaml)."
            )
            faults.append(file.fault(("held_on",), said, mend))
    if faults:
        raise InputError(faults)
    return sorted(found, key=lambda item: (item[1].held_on, item[1].sitting))


def _last_day(folder: Path) -> date:
    """Return the last day on which a sitting taken in may have been held.

    Today, anywhere on earth; or the eve of the workspace's plan, if that is later: what is known
    when a quarter begins may be told before it, and whoever looks at an example does so on any
    day of the calendar.
    """
    from bulkflow.reading.yamlfile import read_yaml
    from bulkflow.records import times

    today = (times.system_clock() + timedelta(hours=14)).date()
    plan = folder / "scenario.yaml"
    calendar = read_yaml(plan).entries().get("calendar") if plan.exists() else None
    start = calendar.get("start") if isinstance(calendar, dict) else None
    try:
        return max(today, date.fromisoformat(str(start)) - timedelta(days=1))
    except ValueError:  # whoever reads the plan says what is wrong with it
        return today


def _take_in_sitting(
    session: Session, folder: Path, path: Path, definition: SittingDefinition
) -> list[tuple[Judgement, Record]]:
    from panels.sittings.deciding import decide_sitting
    from panels.sittings.keys import key_path, read_key
    from panels.sittings.planning import plan_sitting, register_sitting

    scores = path.with_suffix(".scores.csv")
    preparation = path.with_suffix(".preparation.csv")
    if not scores.exists():
        raise InputError(
            Fault(scores.name, 0, "", "is not there", f"Put the scores of {path.name} beside it.")
        )
    name = definition.sitting
    key = read_key(key_path(folder, name), sitting=name)
    planned = plan_sitting(session, definition, key=key)
    register_sitting(session, planned, key_file=None)
    measured = preparation if preparation.exists() else None
    # a workspace may hold a story of days to come; the evidence says when it was entered
    record_from_files(session, name, scores, measured, rehearsal=True)
    close_from_file(session, folder, name, None)
    return decide_sitting(session, name)
