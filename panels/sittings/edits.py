"""Tables of sittings edited after the register took them over: they are not read again, so told.

What the register holds of a glass stands in its sheet, so each row is held against that: a row that
says neither what was recorded nor what it was amended to is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.errors import InputError
from bulkflow.wording import listed
from panels.records import SHEET, Glass, bodies_about
from panels.sittings.definition import read_definition
from panels.sittings.history import HeldSitting, list_sittings, rules_of
from panels.sittings.scores import read_preparation, read_sheets, sheet_rules

__all__ = ["sitting_edits"]

MOST_NAMED = 5


def sitting_edits(session: Session, panel: Path) -> tuple[str, ...]:
    """Return a line for each table of scores or samples that differs from the register.

    Parameters
    ----------
    panel : folder ``panel`` of a workspace; without tables of sittings there is nothing to tell.
    """
    known = {held.sitting.sitting: held for held in list_sittings(session)}
    told: list[str] = []
    for path in sorted((panel / "sittings").glob("*.yaml")):
        try:
            held = known.get(read_definition(path)[0].sitting)
        except InputError as error:
            told.append(f"{path.name} cannot be read any more: {error.faults[0]}")
            continue
        if held is not None and held.sheets:
            told += _edits(session, held, path)
    return tuple(told)


def _edits(session: Session, held: HeldSitting, path: Path) -> Iterator[str]:
    name = held.sitting.sitting
    for table, differing, way in (
        (path.with_suffix(".scores.csv"), _scores, f"panels sitting amend, for {name}"),
        (path.with_suffix(".preparation.csv"), _samples, "a remark at the next sitting"),
    ):
        if not table.exists():
            continue
        try:
            rows = differing(session, held, table)
        except InputError as error:
            yield f"{table.name} was edited after the register took it over: {error.faults[0]}"
            continue
        if rows:
            yield (
                f"{table.name} was edited after the register took it over:"
                f" {listed(rows, MOST_NAMED)}."
                f" The register keeps what it has; record there what is meant ({way}), then put the"
                " table back as it was."
            )


def _scores(session: Session, held: HeldSitting, table: Path) -> list[str]:
    rules = sheet_rules([found.rule for found in rules_of(session, held).values()])
    sheets = read_sheets(table, held.sitting, rules, recorded=())
    now = {(one.assessor, glass.code): glass for one in sheets for glass in one.glasses}
    first: dict[tuple[str, str], Glass] = {
        (body.assessor, glass.code): glass
        for _, body in bodies_about(session, SHEET, held.sitting.sitting)
        for glass in body.glasses
    }
    amended = {
        (sheet.assessor, glass.code): glass for _, sheet in held.sheets for glass in sheet.glasses
    }
    return [
        f"{who} {code} ({'taken out' if glass is None else 'added' if old is None else 'changed'})"
        for who, code in dict.fromkeys([*first, *now])
        for glass, old in [(now.get((who, code)), first.get((who, code)))]
        if glass not in (old, amended.get((who, code)))
    ]


def _samples(_: Session, held: HeldSitting, table: Path) -> list[str]:
    recorded = () if held.preparation is None else held.preparation.samples
    before = {one.subject: one for one in recorded}
    return [
        f"{one.subject} ({'changed' if one.subject in before else 'added'})"
        for one in read_preparation(table, held.sitting)
        if before.get(one.subject) != one
    ]
