"""Writing what happens at a sitting: samples made up, sheets, the key opened, the close.

Every function takes a writing session; its caller's transaction keeps all of it or nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.records import Power, Record, append, append_many, require, times
from bulkflow.records.chain import acting
from panels.records import (
    CANCELLATION,
    CLOSING,
    KEY_OPENING,
    PREPARATION,
    SHEET,
    Cancellation,
    Closing,
    KeyOpening,
    KeyRow,
    Preparation,
    PreparedSample,
    Sheet,
    Sitting,
)
from panels.sittings.history import HeldSitting, find_sitting
from panels.sittings.keys import SittingKey

__all__ = [
    "cancel_sitting",
    "check_day_has_come",
    "close_sitting",
    "open_confirmation_key",
    "open_key_early",
    "open_key_to_code",
    "record_preparation",
    "record_sheets",
    "today_at",
]


def today_at(session: Session, zone: str) -> date:
    """Return the day it is in a zone, by the clock of the acting session."""
    return acting(session).clock().astimezone(ZoneInfo(zone)).date()


def check_day_has_come(name: str, held_on: date, zone: str) -> None:
    """Refuse what can only be known after a sitting, or a test, before its day.

    Raises
    ------
    InputError : the day is still to come.
    """
    today = times.system_clock().astimezone(ZoneInfo(zone)).date()
    if held_on > today:
        raise _refused(
            name,
            f"is on {held_on}, and today is {today}",
            "Enter scores on the day or later; for a rehearsal say --rehearsal, which the"
            " evidence shows for ever.",
        )


def cancel_sitting(session: Session, sitting: str, reason: str) -> Record:
    """Say that a planned sitting is not held; its lots wait again.

    Raises
    ------
    InputError : it is closed, or sheets are in: what was scored is judged, not put away; or no
        reason is said.
    """
    require(session, Power.RECORD, f"cancel the sitting {sitting}")
    held = _open(session, sitting, "it was held")
    if held.sheets:
        raise _refused(
            sitting,
            f"has the sheet of {held.recorded[0]}",
            "What was scored is judged, not cancelled: close the sitting.",
        )
    if len(reason.split()) < 2:
        raise InputError(
            Fault("", 0, "reason", f"is {reason!r}", "Say in a few words why it is not held.")
        )
    body = Cancellation(sitting=sitting, reason=reason)
    return append(session, CANCELLATION, body, zone=held.sitting.zone)


def record_preparation(
    session: Session, sitting: str, samples: Sequence[PreparedSample], *, prepared_by: str
) -> Record:
    """Record the diluted samples as measured.

    Raises
    ------
    InputError : recorded already, or the sitting is closed.
    """
    require(session, Power.RECORD, f"record the samples of {sitting}")
    held = _open(session, sitting, "no samples are recorded any more")
    if held.preparation is not None:
        raise _refused(sitting, "has its samples recorded already", "They are recorded once.")
    body = Preparation(sitting=sitting, prepared_by=prepared_by, samples=tuple(samples))
    return append(session, PREPARATION, body, zone=held.sitting.zone)


def record_sheets(session: Session, sitting: str, sheets: Sequence[Sheet]) -> list[Record]:
    """Record sheets that were read and checked by `panels.sittings.scores.read_sheets`.

    Raises
    ------
    InputError : the sitting is closed, or an assessor has a sheet already.
    """
    require(session, Power.RECORD, f"record score sheets of {sitting}")
    held = _open(session, sitting, "no sheets are taken any more")
    twice = [sheet.assessor for sheet in sheets if sheet.assessor in held.recorded]
    if twice:
        raise _refused(
            sitting, f"has the sheet of {twice[0]} already", "An assessor scores a sitting once."
        )
    return append_many(session, SHEET, [(sheet, None) for sheet in sheets], zone=held.sitting.zone)


def open_key_to_code(session: Session, sitting: str) -> Record:
    """Record that the coder looks at the key to fill and code the glasses.

    Raises
    ------
    InputError : the acting person is not the sitting's coder.
    """
    held = _open(session, sitting, "there are no glasses to code")
    return _to_coder(session, sitting, held.sitting)


def open_confirmation_key(session: Session, test: str, last: Sitting) -> Record:
    """Record that the coder of a lot's newest sitting looks at the key of its confirmation.

    Raises
    ------
    InputError : the acting person is not that coder.
    """
    return _to_coder(session, test, last)


def _to_coder(session: Session, name: str, sitting: Sitting) -> Record:
    person = acting(session).actor.name
    if person != sitting.coder:
        raise _refused(
            name,
            f"is coded by {sitting.coder}, not by {person}",
            "Only the coder sees the key before the close; act under that name, or open the key"
            " early with a reason.",
        )
    body = KeyOpening(sitting=name, purpose="coding", reason="to fill and code the glasses")
    return append(session, KEY_OPENING, body, zone=sitting.zone)


def open_key_early(session: Session, sitting: str, reason: str) -> Record:
    """Record that the key is opened before the close; the evidence will show it for ever.

    Raises
    ------
    RefusedError : the acting person may not decide for the panel.
    InputError : no reason, an assessor of the sitting, or a closed sitting.
    """
    require(session, Power.DECIDE_PANEL, f"open the key of {sitting} early")
    held = _open(session, sitting, "its key is open")
    person = acting(session).actor.name
    if person in held.sitting.assessors:
        raise _refused(sitting, f"has {person} as an assessor", "Let someone else open the key.")
    if len(reason.split()) < 2:
        raise InputError(
            Fault("", 0, "reason", f"is {reason!r}", "Say in a few words why the key is needed.")
        )
    body = KeyOpening(sitting=sitting, purpose="early", reason=reason)
    return append(session, KEY_OPENING, body, zone=held.sitting.zone)


def close_sitting(
    session: Session, sitting: str, key: SittingKey, *, remarks: str | None = None
) -> Record:
    """Take no more sheets, and put the key into the register.

    Raises
    ------
    InputError : closed already, or without a single sheet.
    """
    require(session, Power.RECORD, f"close the sitting {sitting}")
    held = _open(session, sitting, "it cannot be closed again")
    if not held.sheets:
        raise _refused(sitting, "has no score sheet yet", "Record the sheets first.")
    closing = Closing(sitting=sitting, without_sheet=held.outstanding, remarks=remarks)
    record = append(session, CLOSING, closing, zone=held.sitting.zone)
    opening = KeyOpening(
        sitting=sitting,
        purpose="due",
        reason="the sitting is closed",
        seed=str(key.seed),
        rows=tuple(
            KeyRow(
                assessor=line.assessor,
                code=line.code,
                subject=line.subject,
                purpose=line.purpose.value,
            )
            for line in key.lines
        ),
    )
    append(session, KEY_OPENING, opening, zone=held.sitting.zone)
    return record


def _open(session: Session, sitting: str, so: str) -> HeldSitting:
    held = find_sitting(session, sitting)
    if not held.running:
        how = "closed" if held.closing is not None else "cancelled"
        raise _refused(sitting, f"is {how}: {so}", "Plan another one.")
    return held


def _refused(sitting: str, found: str, mend: str) -> InputError:
    return InputError(Fault("", 0, f"sitting {sitting}", found, mend))
