"""Retained samples: kept, until used up or discarded."""

from __future__ import annotations

from datetime import date

from sqlalchemy import nulls_last, select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Sample
from bulkflow.lots.queries import find_lot
from bulkflow.lots.tables import SAMPLE, SAMPLE_TABLE
from bulkflow.lots.zones import append_about_lot
from bulkflow.reading.shape import body_of
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, is_current, require
from bulkflow.records.schema import RECORD

__all__ = ["keep_sample", "kept_samples", "sample_gone"]


def kept_samples(
    session: Session, *, lot_id: str | None = None, expiring_by: date | None = None
) -> list[Sample]:
    """Return the samples that are kept, the first to expire first.

    Parameters
    ----------
    lot_id : only of this lot.
    expiring_by : only those that expire on that day or before.
    """
    column = SAMPLE_TABLE.c
    query = (
        select(RECORD)
        .join(SAMPLE_TABLE, column.seq == RECORD.c.seq)
        .where(is_current(column.seq), column.gone_on.is_(None))
        .order_by(nulls_last(column.expires_on), column.sample_id)
    )
    if lot_id is not None:
        query = query.where(column.lot_id == lot_id)
    if expiring_by is not None:
        query = query.where(column.expires_on <= expiring_by)
    records = [Record(**row) for row in session.execute(query).mappings()]
    return [SAMPLE.read(record.version, record.body) for record in records]


def keep_sample(session: Session, sample: Sample) -> Record:
    """Record a retained sample.

    Raises
    ------
    InputError
        If the lot is unknown, or a sample of that name is kept already.
    """
    require(session, Power.RECORD, f"record a sample of {sample.lot_id}")
    find_lot(session, sample.lot_id)
    if _sample_record(session, sample.sample_id) is not None:
        found = f"{sample.sample_id!r} is kept already"
        raise InputError(Fault("", 0, "sample_id", found, "Give the sample another name."))
    if sample.expires_on is not None and sample.expires_on < sample.taken_on:
        found = f"is {sample.expires_on}, before the sample was taken"
        raise InputError(Fault("", 0, "expires_on", found, "Give a later date."))
    return append_about_lot(session, SAMPLE, sample)


def sample_gone(session: Session, sample_id: str, on: date, how: str) -> Record:
    """Record that a retained sample is used up or discarded."""
    record = _sample_record(session, sample_id)
    if record is None:
        found = f"{sample_id!r} is not in the register"
        raise InputError(Fault("", 0, "sample_id", found, "List the samples of the lot."))
    sample = SAMPLE.read(record.version, record.body)
    require(session, Power.RECORD, f"write off a sample of {sample.lot_id}")
    if sample.gone_on is not None:
        found = f"{sample_id!r} was written off on {sample.gone_on}"
        raise InputError(Fault("", 0, "sample_id", found, "There is nothing to write off."))
    gone = body_of(Sample, {**sample.model_dump(), "gone_on": on, "gone_how": how})
    return append_about_lot(session, SAMPLE, gone, supersedes=record.seq)


def _sample_record(session: Session, sample_id: str) -> Record | None:
    row = (
        session.execute(
            select(RECORD)
            .join(SAMPLE_TABLE, SAMPLE_TABLE.c.seq == RECORD.c.seq)
            .where(SAMPLE_TABLE.c.sample_id == sample_id, is_current(SAMPLE_TABLE.c.seq))
        )
        .mappings()
        .first()
    )
    return None if row is None else Record(**row)
