"""Score sheets and preparation tables as people hand them in, checked as a whole.

One row a glass: assessor, code, when it was poured and nosed, the score, attributes, off-notes
with intensity, remarks. Everything wrong in a file is told at once; nothing of it is kept until
all is right. The checks know codes and trays, never what was in a glass.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.lots.faults import faults_of
from panels.reading import Row, nearest, read_number, read_table
from panels.records import Glass, OffNoteMark, Place, PreparedSample, Sheet, Sitting
from panels.release.rule import ReleaseRule

__all__ = [
    "ATTRIBUTE_HIGHEST",
    "DILUTED_TOLERANCE_PERCENT",
    "SHEET_COLUMNS",
    "SheetRules",
    "read_preparation",
    "read_sheets",
    "sheet_rules",
]

SHEET_COLUMNS = ("assessor", "code", "poured", "nosed", "score", "off_notes", "remarks")
"""Columns of a score table; each attribute of the sitting is one more column."""

ATTRIBUTE_HIGHEST = 10.0
"""Attributes are marked from 0 to 10."""

DILUTED_TOLERANCE_PERCENT = 0.5
"""A diluted sample may miss the nosing strength by this much [% vol] (common practice: the
difference is not noticed; more changes what the nose gets)."""


@dataclass(frozen=True, slots=True)
class SheetRules:
    """What a sheet is held against: one scale and one list of notes for the sitting.

    Codes tell nothing of the liquid in the glass, so neither may the scale or the list.
    """

    lowest: float
    highest: float
    step: float
    off_note_list: tuple[str, ...]
    highest_intensity: int


def sheet_rules(rules: Sequence[ReleaseRule]) -> SheetRules:
    """Return the scale and list of notes that all rules of a sitting share.

    Raises
    ------
    InputError : the liquids' rules use different scales, so one sheet cannot serve them.
    """
    scales = {(r.score.lowest, r.score.highest, r.score.step) for r in rules}
    tops = {r.off_notes.highest_intensity for r in rules}
    if len(scales) > 1 or len(tops) > 1:
        raise InputError(
            Fault(
                "",
                0,
                "lots",
                "have rules with different scales",
                "Judge them in sittings of their own, so that the sheet gives nothing away.",
            )
        )
    lowest, highest, step = scales.pop()
    notes = dict.fromkeys(note for rule in rules for note in rule.off_note_list)
    return SheetRules(lowest, highest, step, tuple(notes), tops.pop())


def read_sheets(
    path: Path, sitting: Sitting, rules: SheetRules, *, recorded: Sequence[str]
) -> list[Sheet]:
    """Read a table of scores.

    Parameters
    ----------
    path : the table; see `SHEET_COLUMNS`.
    sitting : as planned.
    rules : the sitting's scale and notes.
    recorded : assessors whose sheet is in the register already.

    Raises
    ------
    InputError : with every fault, file and line.
    """
    columns, rows = read_table(
        path,
        required=("assessor", "code", "poured", "nosed", "score"),
        optional=("off_notes", "remarks", *sitting.attributes),
    )
    reader = _SheetReader(path.name, sitting, rules, frozenset(recorded), columns)
    reader.read(rows)
    if reader.faults:
        raise InputError(reader.faults)
    return [
        Sheet(sitting=sitting.sitting, assessor=assessor, glasses=tuple(glasses))
        for assessor, glasses in sorted(reader.glasses.items())
    ]


class _SheetReader:
    """Collects the glasses and every fault of one table."""

    def __init__(
        self,
        name: str,
        sitting: Sitting,
        rules: SheetRules,
        recorded: frozenset[str],
        columns: Sequence[str],
    ) -> None:
        self.name, self.sitting, self.rules, self.recorded = name, sitting, rules, recorded
        self.attributes = [column for column in columns if column in sitting.attributes]
        self.trays: dict[str, dict[str, Place]] = defaultdict(dict)
        for place in sitting.places:
            self.trays[place.assessor][place.code] = place
        self.owners: dict[str, list[str]] = defaultdict(list)
        for place in sitting.places:
            self.owners[place.code].append(place.assessor)
        self.glasses: dict[str, list[Glass]] = defaultdict(list)
        self.nosed: dict[str, list[tuple[Place, time, int]]] = defaultdict(list)
        self.faults: list[Fault] = []

    def read(self, rows: Sequence[Row]) -> None:
        seen: Counter[tuple[str, str]] = Counter()
        refused: set[str] = set()
        for row in rows:
            assessor, code = row["assessor"], row["code"]
            if self._stranger(row, refused):
                continue
            seen[(assessor, code)] += 1
            if seen[(assessor, code)] > 1:
                self._fault(
                    row,
                    "code",
                    f"{code} stands twice for {assessor}",
                    "One row a glass: take one out.",
                )
                continue
            place = self.trays[assessor].get(code)
            if place is None:
                self._fault(
                    row,
                    "code",
                    f"{code or '(none)'} {self._whose(code, assessor)}",
                    "Copy the code from the glass.",
                )
                continue
            self._glass(row, place)
        for assessor, nosed in self.nosed.items():
            self.faults += _backwards(self.name, assessor, nosed)

    def _stranger(self, row: Row, refused: set[str]) -> bool:
        """Whether the row belongs to no sheet that may still come; told once a sheet."""
        assessor = row["assessor"]
        if assessor in self.trays and assessor not in self.recorded:
            return False
        if assessor not in refused:
            refused.add(assessor)
            if assessor in self.recorded:
                self._fault(
                    row,
                    "assessor",
                    f"{assessor} has a sheet in the register already",
                    "An assessor scores a sitting once; take these rows out.",
                )
            else:
                self._fault(
                    row,
                    "assessor",
                    f"{assessor or '(none)'} does not sit in"
                    f" {self.sitting.sitting}: one sheet too many",
                    nearest(assessor, self.sitting.assessors),
                )
        return True

    def _whose(self, code: str, assessor: str) -> str:
        owners = [owner for owner in self.owners.get(code, []) if owner != assessor]
        if owners:
            return f"stands on the tray of {', '.join(owners)}, not of {assessor}"
        return "is no code of this sitting"

    def _glass(self, row: Row, place: Place) -> None:
        before = len(self.faults)
        poured, nosed = self._time(row, "poured"), self._time(row, "nosed", may_lack=True)
        score = self._number(row, "score", self.rules.lowest, self.rules.highest, self.rules.step)
        attributes = {
            column: value
            for column in self.attributes
            if (value := self._number(row, column, 0.0, ATTRIBUTE_HIGHEST)) is not None
        }
        marks = self._marks(row)
        if score is not None and nosed is None and not row["nosed"]:
            self._fault(row, "nosed", "is missing, though there is a score", "Give the time.")
        if poured is not None and nosed is not None:
            if nosed < poured:
                self._fault(
                    row,
                    "nosed",
                    f"{row['nosed']} lies before it was poured"
                    f" ({row['poured']}): the clock goes backwards",
                    "Correct the times.",
                )
            else:
                self.nosed[place.assessor].append((place, nosed, row.line))
        try:
            glass = Glass.model_validate(
                _given(
                    code=place.code,
                    poured=row["poured"],
                    nosed=row["nosed"] or None,
                    score=score,
                    attributes=attributes,
                    off_notes=marks,
                    remarks=row["remarks"] or None,
                )
            )
        except ValidationError as error:
            if len(self.faults) == before:  # otherwise told in better words above
                self.faults += faults_of(error, file=self.name, line=row.line)
            elif any("remarks" in item["loc"] for item in error.errors()):
                self.faults += [
                    fault
                    for fault in faults_of(error, file=self.name, line=row.line)
                    if fault.where == "remarks"
                ]
            return
        self.glasses[place.assessor].append(glass)

    def _time(self, row: Row, column: str, *, may_lack: bool = False) -> time | None:
        cell = row[column]
        if not cell and may_lack:
            return None
        found = clock_time(cell)
        if found is None:
            self._fault(
                row,
                column,
                f"is {cell or '(nothing)'}",
                "Give the local time as HH:MM, such as 10:05.",
            )
        return found

    def _number(
        self, row: Row, column: str, low: float, high: float, step: float | None = None
    ) -> float | None:
        cell = row[column]
        if not cell:
            return None
        value = read_number(cell)
        scale = f"Give a number from {low:g} to {high:g}"
        scale += f" in steps of {step:g}, with a decimal point." if step else " with a point."
        if value is None:
            self._fault(row, column, f"is {cell[:40]!r}, which is no number", scale)
        elif not low <= value <= high:
            self._fault(row, column, f"is {cell}, off the scale", scale)
        elif step and abs((value - low) / step - round((value - low) / step)) > 1e-9:
            self._fault(row, column, f"is {cell}, between the steps of the scale", scale)
        else:
            return value
        return None

    def _marks(self, row: Row) -> list[OffNoteMark]:
        marks: list[OffNoteMark] = []
        for part in filter(None, (piece.strip() for piece in row["off_notes"].split(";"))):
            note, _, given = (piece.strip() for piece in part.partition(":"))
            intensity = int(given) if given.isascii() and given.isdecimal() else 0
            if note not in self.rules.off_note_list:
                self._fault(
                    row,
                    "off_notes",
                    f"names {note[:40]!r}, which is not on the house list",
                    nearest(note, self.rules.off_note_list),
                )
            elif not 1 <= intensity <= self.rules.highest_intensity:
                self._fault(
                    row,
                    "off_notes",
                    f"gives {note} the intensity {given or '(none)'}",
                    f"Write {note}:1 to {note}:{self.rules.highest_intensity}.",
                )
            elif note in {mark.note for mark in marks}:
                self._fault(row, "off_notes", f"names {note} twice", "Name it once.")
            else:
                marks.append(OffNoteMark(note=note, intensity=intensity))
        return marks

    def _fault(self, row: Row, column: str, found: str, mend: str) -> None:
        self.faults.append(Fault(self.name, row.line, column, found, mend))


def _given(**fields: Any) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not None}


def _backwards(
    name: str, assessor: str, nosed: Sequence[tuple[Place, time, int]]
) -> Iterator[Fault]:
    """Find glasses nosed before the glass that stood in front of them."""
    in_order = sorted(nosed, key=lambda item: (item[0].flight, item[0].position))
    latest: time | None = None
    for place, when, line in in_order:
        if latest is not None and when < latest:
            yield Fault(
                name,
                line,
                "nosed",
                f"{when:%H:%M} is earlier than the glass before it on {assessor}'s tray"
                f" ({latest:%H:%M}): the clock goes backwards",
                f"Glass {place.position} of flight {place.flight} comes later; correct the times.",
            )
        else:
            latest = when


def clock_time(cell: str) -> time | None:
    """Return the time of day a cell holds as HH:MM; None where it holds none."""
    try:
        return time.fromisoformat(cell) if len(cell) == 5 else None
    except ValueError:
        return None


def at(day: date, cell: str) -> datetime:
    """Return the local instant of a recorded time of day."""
    return datetime.combine(day, time.fromisoformat(cell))


def read_preparation(path: Path, sitting: Sitting) -> list[PreparedSample]:
    """Read the measured strengths of the diluted samples.

    Columns ``subject`` (lot or standard) and ``diluted_strength`` [% vol].

    Raises
    ------
    InputError : with every fault: samples missing, unknown or doubled, or a strength off the
        nosing strength by more than `DILUTED_TOLERANCE_PERCENT`.
    """
    _, rows = read_table(path, required=("subject", "diluted_strength"), optional=())
    wanted = [lot.lot for lot in sitting.lots] + [s.standard for s in sitting.standards]
    faults: list[Fault] = []
    made: dict[str, PreparedSample] = {}
    for row in rows:
        fault = _preparation_fault(row, sitting, wanted, made)
        if fault is not None:
            faults.append(Fault(path.name, row.line, *fault))
            continue
        made[row["subject"]] = PreparedSample(
            subject=row["subject"], diluted_strength=float(row["diluted_strength"])
        )
    named = {row["subject"] for row in rows}
    faults += [
        Fault(path.name, 0, "subject", f"{name} is missing", "Every sample needs its strength.")
        for name in wanted
        if name not in named
    ]
    if faults:
        raise InputError(faults)
    return list(made.values())


def _preparation_fault(
    row: Row, sitting: Sitting, wanted: Sequence[str], made: Mapping[str, PreparedSample]
) -> tuple[str, str, str] | None:
    subject, cell = row["subject"], row["diluted_strength"]
    if subject not in wanted:
        return (
            "subject",
            f"is {subject or '(none)'}, not a sample of this sitting",
            nearest(subject, wanted),
        )
    if subject in made:
        return "subject", f"{subject} stands twice", "Keep one row."
    value = read_number(cell)
    target = sitting.target_strength
    if value is None or abs(value - target) > DILUTED_TOLERANCE_PERCENT:
        return (
            "diluted_strength",
            f"of {subject} is {cell or '(nothing)'}",
            f"It must be {target:g} % vol, within {DILUTED_TOLERANCE_PERCENT:g}: make it anew.",
        )
    return None
