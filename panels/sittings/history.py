"""Sittings as the register holds them: planned, running, closed, and their earlier company."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import did_you_mean
from bulkflow.records import Record
from panels.records import (
    AMENDMENT,
    CANCELLATION,
    CLOSING,
    KEY_OPENING,
    PREPARATION,
    SHEET,
    SITTING,
    Amendment,
    Cancellation,
    Closing,
    KeyOpening,
    KeyRow,
    Preparation,
    Sheet,
    Sitting,
    bodies_about,
    latest_bodies,
)
from panels.release.register import DeclaredRule, rule_of_record

__all__ = [
    "HeldSitting",
    "closed_sittings",
    "find_sitting",
    "last_sitting_of",
    "list_sittings",
    "rules_of",
    "rules_used",
]


@dataclass(frozen=True)
class HeldSitting:
    """Everything recorded of one sitting.

    Attributes
    ----------
    record : the record that planned it.
    sitting : as planned.
    preparation : how samples were made up, if recorded.
    sheets : one an assessor, in order of recording; slips amended. Where its glasses came in one
        by one, the record is the last one's.
    sheet_records : every record of a sheet, or of a glass of one.
    amendments : of the sheets, with their records.
    openings : of the key, with their records.
    closing : once no more sheets are taken.
    cancelled : once it is not held at all.
    """

    record: Record
    sitting: Sitting
    preparation: Preparation | None
    sheets: tuple[tuple[Record, Sheet], ...]
    openings: tuple[tuple[Record, KeyOpening], ...]
    closing: tuple[Record, Closing] | None
    sheet_records: tuple[Record, ...] = ()
    amendments: tuple[tuple[Record, Amendment], ...] = ()
    cancelled: tuple[Record, Cancellation] | None = None

    @property
    def running(self) -> bool:
        """Whether it is planned, or under way."""
        return self.closing is None and self.cancelled is None

    @property
    def key(self) -> tuple[KeyRow, ...]:
        """What was in the glasses; empty until the sitting is closed."""
        return next((o.rows for _, o in self.openings if o.purpose == "due"), ())

    @property
    def recorded(self) -> tuple[str, ...]:
        """Assessors whose sheet is in."""
        return tuple(sheet.assessor for _, sheet in self.sheets)

    @property
    def outstanding(self) -> tuple[str, ...]:
        """Assessors whose sheet is not in."""
        return tuple(a for a in self.sitting.assessors if a not in self.recorded)

    @property
    def state(self) -> str:
        """Where it stands, in words."""
        if self.closing is not None:
            return "closed"
        if self.cancelled is not None:
            return f"cancelled: {self.cancelled[1].reason}"
        if not self.sheets:
            return "planned"
        poured = Counter(place.assessor for place in self.sitting.places)
        part = sum(len(sheet.glasses) < poured[sheet.assessor] for _, sheet in self.sheets)
        some = f", {part} of them in part" if part else ""
        return f"{len(self.sheets)} of {len(self.sitting.assessors)} sheets in{some}"


def list_sittings(session: Session) -> list[HeldSitting]:
    """Return every sitting, by day and name."""
    found = [
        _held(session, record, body) for record, body in latest_bodies(session, SITTING).values()
    ]
    return sorted(found, key=lambda held: (held.sitting.held_on, held.sitting.sitting))


def find_sitting(session: Session, name: str) -> HeldSitting:
    """Return one sitting.

    Raises
    ------
    InputError : there is none of that name; tells the nearest one.
    """
    known = latest_bodies(session, SITTING)
    if name not in known:
        raise InputError(
            Fault(
                "", 0, "sitting", f"{name!r} is not in the register", did_you_mean(name, [*known])
            )
        )
    return _held(session, *known[name])


def closed_sittings(session: Session) -> list[HeldSitting]:
    """Return closed sittings, by day and name."""
    return [held for held in list_sittings(session) if held.closing is not None]


def last_sitting_of(session: Session, lot: str) -> Sitting | None:
    """Return the newest closed sitting that a lot sat in, as planned; None where there is none."""
    held = [one.sitting for one in closed_sittings(session)]
    return next((one for one in reversed(held) if any(j.lot == lot for j in one.lots)), None)


def rules_of(session: Session, held: HeldSitting) -> dict[str, DeclaredRule]:
    """Return the rule versions a sitting stands on, by liquid."""
    return rules_used(session, held.sitting)


def rules_used(session: Session, sitting: Sitting) -> dict[str, DeclaredRule]:
    """Return the rule versions that a planned sitting names, by liquid."""
    return {
        used.liquid: rule_of_record(session, used.liquid, used.record) for used in sitting.rules
    }


def _held(session: Session, record: Record, body: Sitting) -> HeldSitting:
    name = body.sitting
    prepared = bodies_about(session, PREPARATION, name)
    amendments = bodies_about(session, AMENDMENT, name)
    closings: Sequence[tuple[Record, Closing]] = bodies_about(session, CLOSING, name)
    cancelled = bodies_about(session, CANCELLATION, name)
    handed_in = bodies_about(session, SHEET, name)
    return HeldSitting(
        record=record,
        sitting=body,
        preparation=prepared[-1][1] if prepared else None,
        sheets=tuple(
            (record, _amended(sheet, [one for _, one in amendments]))
            for record, sheet in _joined(handed_in)
        ),
        sheet_records=tuple(record for record, _ in handed_in),
        openings=tuple(bodies_about(session, KEY_OPENING, name)),
        closing=closings[-1] if closings else None,
        amendments=tuple(amendments),
        cancelled=cancelled[-1] if cancelled else None,
    )


def _joined(handed_in: Sequence[tuple[Record, Sheet]]) -> list[tuple[Record, Sheet]]:
    """Put together what came in glass by glass."""
    whole: dict[str, tuple[Record, Sheet]] = {}
    for record, sheet in handed_in:
        if sheet.assessor in whole:
            glasses = (*whole[sheet.assessor][1].glasses, *sheet.glasses)
            sheet = sheet.model_copy(update={"glasses": glasses})
        whole[sheet.assessor] = (record, sheet)
    return list(whole.values())


def _amended(sheet: Sheet, amendments: Sequence[Amendment]) -> Sheet:
    """Return a sheet with its slips amended, the newest amendment of a glass last."""
    new = {one.glass.code: one.glass for one in amendments if one.assessor == sheet.assessor}
    if not new:
        return sheet
    return sheet.model_copy(
        update={"glasses": tuple(new.get(glass.code, glass) for glass in sheet.glasses)}
    )
