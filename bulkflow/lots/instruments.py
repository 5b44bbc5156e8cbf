"""Instruments and their calibration: what is in date, and what runs out when.

A result read off an instrument whose calibration has run out is told beside it; whoever answers
for the laboratory judges back to the last good check.
"""

from __future__ import annotations

from calendar import monthrange
from dataclasses import dataclass
from datetime import date
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import Instrument
from bulkflow.lots.samples import kept_samples
from bulkflow.lots.tables import INSTRUMENT
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, append, is_current, require
from bulkflow.records.schema import RECORD
from bulkflow.rules import Figure, rule

__all__ = ["Expiring", "expiring", "instruments", "record_instrument", "usual_expiry"]


@dataclass(frozen=True, slots=True, order=True)
class Expiring:
    """Something of the laboratory that runs out on a day: a calibration or a retained sample."""

    on: date
    what: Literal["calibration", "retained sample"]
    name: str
    words: str


#: Rules on how long a calibration usually holds, by what it is of.
_INTERVALS = {
    "density meter": "density_meter",
    "balance": "balance",
    "weighbridge": "balance",
    "thermometer": "thermometer",
    "hydrometer": "hydrometer",
    "pycnometer": "pycnometer",
    "volumetric": "volumetric",
}


def usual_expiry(what: str, calibrated_on: date) -> date:
    """Return the last day of the interval that is usual for an instrument (a year if none is).

    The interval is the user's to set: these are common practice.

    Examples
    --------
    >>> usual_expiry("thermometer", date(2026, 2, 28))
    datetime.date(2028, 2, 28)
    """
    months = 12.0
    if what in _INTERVALS:
        found = rule(f"practice.calibration.{_INTERVALS[what]}", on=calibrated_on)
        assert isinstance(found, Figure)
        months = found.value
    year, month = divmod(calibrated_on.year * 12 + calibrated_on.month - 1 + round(months), 12)
    last = monthrange(year, month + 1)[1]
    return date(year, month + 1, min(calibrated_on.day, last))


def record_instrument(session: Session, instrument: Instrument) -> Record:
    """Record an instrument as calibrated; it supersedes what stood of the same name."""
    require(session, Power.MEASURE, f"record the calibration of {instrument.instrument_id}")
    before = _standing(session).get(instrument.instrument_id)
    return append(session, INSTRUMENT, instrument, supersedes=before and before[0])


def instruments(session: Session) -> list[Instrument]:
    """Return the instruments in use, the first to run out first."""
    found = [one for _, one in _standing(session).values() if one.retired_on is None]
    return sorted(found, key=lambda one: (one.expires_on, one.instrument_id))


def expiring(session: Session, *, by: date, lot_id: str | None = None) -> list[Expiring]:
    """Return calibrations and retained samples that run out by a day, those past it too.

    Parameters
    ----------
    by : the last day asked for.
    lot_id : only samples of this lot (and every calibration).
    """
    found = [
        Expiring(
            one.expires_on,
            "calibration",
            one.instrument_id,
            f"{one.what}, calibrated {one.calibrated_on}"
            + (f", certificate {one.certificate}" if one.certificate else ""),
        )
        for one in instruments(session)
        if one.expires_on <= by
    ]
    found += [
        Expiring(one.expires_on, "retained sample", one.sample_id, f"of {one.lot_id}")
        for one in kept_samples(session, lot_id=lot_id, expiring_by=by)
        if one.expires_on is not None
    ]
    return sorted(found)


def _standing(session: Session) -> dict[str, tuple[int, Instrument]]:
    query = (
        select(RECORD.c.seq, RECORD.c.version, RECORD.c.body)
        .where(RECORD.c.kind == INSTRUMENT.name, is_current(RECORD.c.seq))
        .order_by(RECORD.c.seq)
    )
    read = ((seq, INSTRUMENT.read(version, body)) for seq, version, body in session.execute(query))
    return {one.instrument_id: (seq, one) for seq, one in read}
