"""Score sheets and preparation tables as people hand them in, checked as a whole.

One row a glass: assessor, code, when it was poured and nosed, the score, attributes, off-notes
with intensity, remarks. Everything wrong in a file is told at once; nothing of it is kept until
all is right. The checks know codes and trays, never what was in a glass.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

from bulkflow.errors import Fault, InputError
from bulkflow.reading.rows import Row, read_sheet
from bulkflow.reading.words import did_you_mean, shown
from panels.records import CLOCK_MEND, Glass, OffNoteMark, Place, PreparedSample, Sheet, Sitting
from panels.release.rule import ReleaseRule

__all__ = [
    "ATTRIBUTE_HIGHEST",
    "DILUTED_TOLERANCE_PERCENT",
    "SHEET_COLUMNS",
    "SheetRules",
    "at",
    "clock_time",
    "read_preparation",
    "read_sheets",
    "sheet_rules",
    "strength_mend",
]

SHEET_COLUMNS = ("assessor", "code", "poured", "nosed", "score", "off_notes", "remarks")
"""Columns of a score table; each attribute of the sitting is one more column."""

ATTRIBUTE_HIGHEST = 10.0
"""Attributes are marked from 0 to 10."""

DILUTED_TOLERANCE_PERCENT = 0.5
"""A diluted sample may miss the nosing strength by this much [% vol] (common practice)."""


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

    @property
    def scale_words(self) -> str:
        """How to score, for messages and sheets."""
        return f"{self.lowest:g} to {self.highest:g} in steps of {self.step:g}"

    def wrong_score(self, value: float) -> str:
        """Say what is wrong with a score; empty for one on the scale."""
        steps = (value - self.lowest) / self.step
        if not self.lowest <= value <= self.highest:
            return "off the scale"
        return "between the steps" if abs(steps - round(steps)) > 1e-9 else ""

    @property
    def steps(self) -> tuple[float, ...]:
        """Every score there is, lowest first."""
        count = round((self.highest - self.lowest) / self.step) + 1
        return tuple(round(self.lowest + self.step * n, 9) for n in range(count))


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
    table = read_sheet(
        path,
        "scores",
        needed=("assessor", "code", "poured", "nosed", "score"),
        known=(*SHEET_COLUMNS, *sitting.attributes),
    )
    reader = _SheetReader(sitting, rules, frozenset(recorded))
    reader.read(table.rows)
    table.raise_faults()
    return [
        Sheet(sitting=sitting.sitting, assessor=assessor, glasses=tuple(glasses))
        for assessor, glasses in sorted(reader.glasses.items())
    ]


class _SheetReader:
    """Collects the glasses of one table; faults are noted in its rows."""

    def __init__(self, sitting: Sitting, rules: SheetRules, recorded: frozenset[str]) -> None:
        self.sitting, self.rules, self.recorded = sitting, rules, recorded
        self.trays: dict[str, dict[str, Place]] = defaultdict(dict)
        self.owners: dict[str, list[str]] = defaultdict(list)
        for place in sitting.places:
            self.trays[place.assessor][place.code] = place
            self.owners[place.code].append(place.assessor)
        self.glasses: dict[str, list[Glass]] = defaultdict(list)
        self.nosed: dict[str, list[tuple[Place, time, Row]]] = defaultdict(list)

    def read(self, rows: Sequence[Row]) -> None:
        seen: Counter[tuple[str, str]] = Counter()
        refused: set[str] = set()
        for row in rows:
            assessor, code = row.plain("assessor"), row.plain("code")
            if row.faults or self._stranger(row, assessor, refused):
                continue
            seen[(assessor, code)] += 1
            if seen[(assessor, code)] > 1:
                row.fault(
                    "code",
                    f"{code} stands twice for {assessor}",
                    "One row a glass: take one out.",
                )
                continue
            place = self.trays[assessor].get(code)
            if place is None:
                found = f"{code or '(none)'} {self._whose(code, assessor)}"
                row.fault("code", found, "Copy the code from the glass.")
                continue
            self._glass(row, place)
        for assessor, nosed in self.nosed.items():
            _tell_backwards(assessor, nosed)

    def _stranger(self, row: Row, assessor: str, refused: set[str]) -> bool:
        """Whether the row belongs to no sheet that may still come; told once a sheet."""
        if assessor in self.trays and assessor not in self.recorded:
            return False
        if assessor in refused:
            return True
        refused.add(assessor)
        if assessor in self.recorded:
            row.fault(
                "assessor",
                f"{assessor} has a sheet in the register already",
                "An assessor scores a sitting once; take these rows out.",
            )
        else:
            row.fault(
                "assessor",
                f"{assessor or '(none)'} does not sit in {self.sitting.sitting}: one sheet too"
                " many",
                did_you_mean(assessor, self.sitting.assessors),
            )
        return True

    def _whose(self, code: str, assessor: str) -> str:
        owners = [owner for owner in self.owners.get(code, []) if owner != assessor]
        if owners:
            return f"stands on the tray of {', '.join(owners)}, not of {assessor}"
        return "is no code of this sitting"

    def _glass(self, row: Row, place: Place) -> None:
        poured, nosed = _time(row, "poured"), _time(row, "nosed", may_lack=True)
        score = self._score(row)
        attributes = {name: _attribute(row, name) for name in self.sitting.attributes}
        marks = self._marks(row)
        if score is not None and not row.plain("nosed"):
            row.fault("nosed", "is missing, though there is a score", "Give the time.")
        if poured is not None and nosed is not None:
            self._in_time(row, place, poured, nosed)
        glass = row.build(
            Glass,
            {
                "code": place.code,
                "poured": row.plain("poured"),
                "nosed": row.plain("nosed") or None,
                "score": score,
                "attributes": {n: value for n, value in attributes.items() if value is not None},
                "off_notes": marks,
                "remarks": row.text("remarks"),
            },
        )
        if glass is not None:
            self.glasses[place.assessor].append(glass)

    def _in_time(self, row: Row, place: Place, poured: time, nosed: time) -> None:
        if nosed < poured:
            row.fault(
                "nosed",
                f"{nosed:%H:%M} lies before it was poured ({poured:%H:%M}): the clock goes"
                " backwards",
                "Correct the times.",
            )
        else:
            self.nosed[place.assessor].append((place, nosed, row))

    def _score(self, row: Row) -> float | None:
        rules, given = self.rules, row.number("score")
        if given is None:
            return None
        value = float(given)
        if wrong := rules.wrong_score(value):
            row.fault("score", f"is {given}, {wrong}", f"Score {rules.scale_words}.")
        return value

    def _marks(self, row: Row) -> list[OffNoteMark]:
        marks: list[OffNoteMark] = []
        for part in filter(None, map(str.strip, re.split("[;,]", row.text("off_notes") or ""))):
            note, _, given = (piece.strip() for piece in part.partition(":"))
            intensity = int(given) if given.isascii() and given.isdecimal() else 0
            if note not in self.rules.off_note_list:
                row.fault(
                    "off_notes",
                    f"names {note[:40]!r}, which is not on the house list",
                    did_you_mean(note, self.rules.off_note_list),
                )
            elif not 1 <= intensity <= self.rules.highest_intensity:
                row.fault(
                    "off_notes",
                    f"gives {note} the intensity {given[:20] or '(none)'}",
                    f"Write {note}:1 to {note}:{self.rules.highest_intensity}.",
                )
            elif note in {mark.note for mark in marks}:
                row.fault("off_notes", f"names {note} twice", "Name it once.")
            else:
                marks.append(OffNoteMark(note=note, intensity=intensity))
        return marks


def _time(row: Row, column: str, *, may_lack: bool = False) -> time | None:
    cell = row.plain(column)
    if not cell and may_lack:
        return None
    found = clock_time(cell)
    if found is None:
        row.fault(column, f"is {shown(cell)}", CLOCK_MEND)
    return found


def _attribute(row: Row, column: str) -> float | None:
    given = row.number(column)
    if given is None:
        return None
    if not 0 <= given <= ATTRIBUTE_HIGHEST:
        row.fault(column, f"is {given}, off the scale", f"Mark 0 to {ATTRIBUTE_HIGHEST:g}.")
    return float(given)


def _tell_backwards(assessor: str, nosed: Sequence[tuple[Place, time, Row]]) -> None:
    """Tell of glasses nosed before the glass that stood in front of them."""
    latest: time | None = None
    for place, when, row in sorted(nosed, key=lambda item: (item[0].flight, item[0].position)):
        if latest is not None and when < latest:
            row.fault(
                "nosed",
                f"{when:%H:%M} is earlier than the glass before it on {assessor}'s tray"
                f" ({latest:%H:%M}): the clock goes backwards",
                f"It is glass {place.position} of flight {place.flight}; correct the times.",
            )
        else:
            latest = when


def clock_time(cell: str) -> time | None:
    """Return the time of day a cell holds as HH:MM; None where it holds none."""
    try:
        return time.fromisoformat(cell) if len(cell) == 5 and cell[2] == ":" else None
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
    columns = ("subject", "diluted_strength")
    table = read_sheet(path, "preparation", needed=columns, known=columns)
    wanted = [*sitting.samples]
    made: dict[str, PreparedSample] = {}
    named = set()
    for row in table.rows:
        subject = row.plain("subject")
        named.add(subject)
        if subject not in wanted:
            found = f"is {subject[:40] or '(none)'}, not a sample of this sitting"
            row.fault("subject", found, did_you_mean(subject, wanted))
        elif subject in made:
            row.fault("subject", f"{subject} stands twice", "Keep one row.")
        elif (sample := _prepared(row, subject, sitting.target_strength)) is not None:
            made[subject] = sample
    table.raise_faults(_missing_samples(path.name, wanted, named))
    return list(made.values())


def _prepared(row: Row, subject: str, target: float) -> PreparedSample | None:
    value = row.number("diluted_strength", needed=True)
    if value is None:
        return None
    if mend := strength_mend(float(value), target):
        row.fault("diluted_strength", f"of {subject} is {value} % vol", mend)
    return row.build(PreparedSample, {"subject": subject, "diluted_strength": float(value)})


def strength_mend(value: float, target: float) -> str:
    """Say what a diluted sample's strength [% vol] should be; empty where it is."""
    if abs(value - target) <= DILUTED_TOLERANCE_PERCENT:
        return ""
    return f"It must be {target:g} within {DILUTED_TOLERANCE_PERCENT:g}: make it up anew."


def _missing_samples(name: str, wanted: Sequence[str], named: set[str]) -> Iterator[Fault]:
    for subject in wanted:
        if subject not in named:
            mend = "Every sample needs its measured strength."
            yield Fault(name, 0, "subject", f"{subject} is missing", mend)
