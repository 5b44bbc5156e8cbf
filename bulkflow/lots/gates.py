"""The gates of a lot, and the status that follows from them: the one definition.

A lot may ship when four gates are open; three of them are its own, and these are worked out here:

laboratory
    every limit declared for its liquid, for all markets or for one it is meant for, has a
    result and every standing result keeps to it. A second result does not clear a first one
    outside its limits: that takes a correction that supersedes it, with its reason.
decision
    the last decision on it is a release, under the rule declared for its liquid (checked when
    the decision is written).
hold
    no manual hold stands.

The fourth, *parents*, is that of the lots it was made from (:mod:`bulkflow.lots.inheritance`).

An override opens the laboratory or the decision gate only against the evidence there was when
it was given: newer results, limits or decisions count again. A lot released before the register
began (an opening lot) needs no results of that time; results outside limits still close it.

Everything is computed by the database from the records, in one query for any number of lots.
Nothing of it is stored.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import Any

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Float,
    FromClause,
    Select,
    and_,
    case,
    exists,
    func,
    literal,
    or_,
    select,
    type_coerce,
)

from bulkflow.laboratory.units import UNITS
from bulkflow.lots.bodies import Gate, Outcome
from bulkflow.lots.tables import (
    DECISION_TABLE,
    DISPOSITION_TABLE,
    DRAW_TABLE,
    EXPECTATION_TABLE,
    HOLD_TABLE,
    LIMIT_TABLE,
    LOT_TABLE,
    MARKET_TABLE,
    OVERRIDE_TABLE,
    PARENT_TABLE,
    RESULT_TABLE,
)
from bulkflow.records.amounts import THOUSANDTHS, FixedPoint
from bulkflow.records.chain import is_current

__all__ = ["LotStatus", "current_lots", "gate_columns", "laboratory_checks", "lpa_left"]


class LotStatus(StrEnum):
    """What a lot's gates say of it."""

    RELEASED = "released"
    AWAITING = "awaiting"
    HELD = "held"
    REJECTED = "rejected"


def current_lots() -> Select[Any]:
    """Return the selection of lots as they stand, corrections applied; add columns to it."""
    return select().select_from(LOT_TABLE).where(is_current(LOT_TABLE.c.seq))


@cache
def lpa_left(lot: FromClause = LOT_TABLE) -> ColumnElement[Any]:
    """Return a lot's LPA less what was drawn into other lots or loads, and what was disposed of.

    What is drawn from a rejected lot was disposed of before, and is not counted again.
    """
    drawn = (
        select(func.coalesce(func.sum(PARENT_TABLE.c.lpa), 0))
        .where(
            PARENT_TABLE.c.parent_id == lot.c.lot_id,
            PARENT_TABLE.c.disposition.is_(None),
            is_current(PARENT_TABLE.c.seq),
        )
        .correlate(lot)
        .scalar_subquery()
    )
    disposed = (
        select(func.coalesce(func.sum(DISPOSITION_TABLE.c.lpa), 0))
        .where(DISPOSITION_TABLE.c.lot_id == lot.c.lot_id, is_current(DISPOSITION_TABLE.c.seq))
        .correlate(lot)
        .scalar_subquery()
    )
    loaded = (
        select(func.coalesce(func.sum(DRAW_TABLE.c.lpa), 0))
        .where(DRAW_TABLE.c.lot_id == lot.c.lot_id, is_current(DRAW_TABLE.c.seq))
        .correlate(lot)
        .scalar_subquery()
    )
    # Said again, since the database's sum of whole numbers loses the type of the amount.
    return type_coerce(lot.c.lpa - drawn - disposed - loaded, FixedPoint(THOUSANDTHS))


@cache
def laboratory_checks(lot: FromClause = LOT_TABLE) -> Select[Any]:
    """Return each limit that applies to each lot, with each standing result held against it.

    Columns: lot_id, limit_record, market, analyte, unit, minimum, maximum, required,
    result_record, value, qualifier, result_unit, inside (null where there is no result).
    """
    joined = lot.join(LIMIT_TABLE, _applies(lot)).outerjoin(
        RESULT_TABLE, and_(_measures(lot), is_current(RESULT_TABLE.c.seq))
    )
    return select(
        lot.c.lot_id,
        LIMIT_TABLE.c.seq.label("limit_record"),
        LIMIT_TABLE.c.market,
        LIMIT_TABLE.c.analyte,
        LIMIT_TABLE.c.unit,
        LIMIT_TABLE.c.minimum,
        LIMIT_TABLE.c.maximum,
        LIMIT_TABLE.c.required,
        RESULT_TABLE.c.seq.label("result_record"),
        RESULT_TABLE.c.value,
        RESULT_TABLE.c.qualifier,
        RESULT_TABLE.c.unit.label("result_unit"),
        case(
            (RESULT_TABLE.c.seq.is_not(None), _inside(lot)),
            (_by_measurement(), _strength_inside(lot)),
            else_=None,
        ).label("inside"),
        lot.c.strength_percent.label("measured_percent"),
    ).select_from(joined)


@cache
def gate_columns(lot: FromClause = LOT_TABLE) -> Mapping[str, ColumnElement[Any]]:
    """Return, by name, what the gates of each lot in `lot` say.

    Returns
    -------
    mapping : laboratory_open, decision_open, hold_open (booleans); status;
        laboratory_override, decision_override (the records, or null); decision_record, outcome
        (of the last decision, or null); due_on; ever_overridden.
    """
    decision_record = _last_decision(lot, DECISION_TABLE.c.seq)
    outcome = _last_decision(lot, DECISION_TABLE.c.outcome)
    decision_override = _override(lot, Gate.DECISION)
    due_on = _due_on(lot, decision_record)
    says = _outcome_after_override(outcome, decision_override > func.coalesce(decision_record, 0))
    laboratory = _laboratory(lot)
    held = exists(
        select(HOLD_TABLE.c.seq)
        .where(HOLD_TABLE.c.lot_id == lot.c.lot_id, is_current(HOLD_TABLE.c.seq))
        .correlate(lot)
    )
    columns = {
        "status": _status(says, held, laboratory, due_on),
        "laboratory_open": laboratory == _KEPT,
        "decision_open": says == Outcome.RELEASE.value,
        "hold_open": ~held,
        "laboratory_override": _override(lot, Gate.LABORATORY),
        "decision_override": decision_override,
        "decision_record": decision_record,
        "outcome": outcome,
        "due_on": due_on,
        "ever_overridden": exists(
            select(OVERRIDE_TABLE.c.seq)
            .where(OVERRIDE_TABLE.c.lot_id == lot.c.lot_id)
            .correlate(lot)
        ),
    }
    return MappingProxyType(columns)


_UNDECIDED = "undecided"
# What the laboratory gate says; ordered, so that the worst of a lot's limits is the largest.
_KEPT, _MISSING, _OUTSIDE = 0, 1, 2


def _status(
    says: ColumnElement[Any],
    held: ColumnElement[bool],
    laboratory: ColumnElement[Any],
    due_on: ColumnElement[Any],
) -> ColumnElement[Any]:
    """Return the status; each subquery stands once on any way through, since it is run anew."""
    promised = case((due_on.is_not(None), LotStatus.AWAITING.value), else_=LotStatus.HELD.value)
    if_missing = case((says == Outcome.HOLD.value, promised), else_=LotStatus.AWAITING.value)
    if_kept = case(
        {
            Outcome.HOLD.value: promised,
            _UNDECIDED: literal(LotStatus.AWAITING.value),
        },
        value=says,
        else_=LotStatus.RELEASED.value,
    )
    by_laboratory = case(
        {_OUTSIDE: literal(LotStatus.HELD.value), _MISSING: if_missing},
        value=laboratory,
        else_=if_kept,
    )
    return case(
        (says == Outcome.REJECT.value, LotStatus.REJECTED.value),
        (held, LotStatus.HELD.value),
        else_=by_laboratory,
    )


def _outcome_after_override(
    outcome: ColumnElement[Any], overridden: ColumnElement[bool]
) -> ColumnElement[Any]:
    return case(
        (overridden, Outcome.RELEASE.value),
        else_=func.coalesce(outcome, _UNDECIDED),
    )


def _laboratory(lot: FromClause) -> ColumnElement[Any]:
    """Return the worst that any limit says of a lot: kept, result missing, outside.

    What is older than the override of this gate does not count; a result is missing only where
    the lot was not released before the register began.
    """
    overridden_at = func.coalesce(_override(lot, Gate.LABORATORY), 0)
    limit, result = LIMIT_TABLE.c, RESULT_TABLE.c
    newer = case((limit.seq > result.seq, limit.seq), else_=result.seq)
    missing = and_(limit.required, limit.seq > overridden_at, ~_released_at_opening(lot))
    says = case(
        (
            and_(result.seq.is_(None), _by_measurement()),
            case(
                (_strength_inside(lot), _KEPT),
                (limit.seq > overridden_at, _OUTSIDE),
                else_=_KEPT,
            ),
        ),
        (result.seq.is_(None), case((missing, _MISSING), else_=_KEPT)),
        (_inside(lot), _KEPT),
        (newer > overridden_at, _OUTSIDE),
        else_=_KEPT,
    )
    worst = (
        select(func.max(says))
        .select_from(
            LIMIT_TABLE.outerjoin(
                RESULT_TABLE, and_(_measures(lot), is_current(RESULT_TABLE.c.seq))
            )
        )
        .where(_applies(lot))
        .correlate(lot)
        .scalar_subquery()
    )
    # No limit at all applies: nothing to keep to.
    return func.coalesce(worst, _KEPT)


def _applies(lot: FromClause) -> ColumnElement[bool]:
    """Tell whether a limit applies to a lot."""
    meant_for = exists(
        select(MARKET_TABLE.c.seq)
        .where(MARKET_TABLE.c.seq == lot.c.seq, MARKET_TABLE.c.market == LIMIT_TABLE.c.market)
        .correlate(lot, LIMIT_TABLE)
    )
    return and_(
        LIMIT_TABLE.c.liquid_id == lot.c.liquid_id,
        or_(LIMIT_TABLE.c.market.is_(None), meant_for),
        is_current(LIMIT_TABLE.c.seq),
    )


def _measures(lot: FromClause) -> ColumnElement[bool]:
    return and_(
        RESULT_TABLE.c.lot_id == lot.c.lot_id, RESULT_TABLE.c.analyte == LIMIT_TABLE.c.analyte
    )


#: The analyte that the measurement of a lot answers, where no result does.
STRENGTH_ANALYTE, STRENGTH_UNIT = "strength", "% vol"


def _by_measurement() -> ColumnElement[bool]:
    """Tell whether a limit is one on strength, which every lot has by its measurement."""
    limit = LIMIT_TABLE.c
    return and_(limit.analyte == STRENGTH_ANALYTE, limit.unit == STRENGTH_UNIT)


def _strength_inside(lot: FromClause) -> ColumnElement[bool]:
    """Tell whether a lot's measured strength keeps to a limit; it is kept in thousandths."""
    strength = type_coerce(lot.c.strength_percent, BigInteger) * 1000
    low, high = (type_coerce(LIMIT_TABLE.c[name], BigInteger) for name in ("minimum", "maximum"))
    return and_(or_(low.is_(None), strength >= low), or_(high.is_(None), strength <= high))


def _inside(lot: FromClause) -> ColumnElement[bool]:
    """Tell whether a result keeps to a limit; '<' and '>' count only where they prove it.

    By volume and by pure alcohol are held against each other by the lot's strength: mg/l is ten
    times g/hl over % vol. A maximum of 0 is that of what must not be detectable: whatever is
    below detection keeps to it.
    """
    result, limit = RESULT_TABLE.c, LIMIT_TABLE.c
    by_alcohol, by_volume = _in_unit("g/hl pa"), _in_unit("mg/l")
    # In thousandths of a per cent. As floats: the product of two whole amounts may be too large.
    strength = type_coerce(lot.c.strength_percent, Float) * literal(1.0)
    ways: tuple[tuple[ColumnElement[bool], Any, Any], ...] = (
        (
            or_(
                result.unit == limit.unit,
                and_(by_alcohol(result.unit), by_alcohol(limit.unit)),
                and_(by_volume(result.unit), by_volume(limit.unit)),
            ),
            literal(1.0),
            literal(1.0),
        ),
        (and_(by_volume(result.unit), by_alcohol(limit.unit)), literal(10_000.0), strength),
        (and_(by_alcohol(result.unit), by_volume(limit.unit)), strength, literal(10_000.0)),
    )
    return or_(
        *(
            and_(
                fits,
                _within(
                    type_coerce(result.value, Float) * times,
                    type_coerce(limit.minimum, Float) * limit_times,
                    type_coerce(limit.maximum, Float) * limit_times,
                ),
            )
            for fits, times, limit_times in ways
        )
    )


def _within(value: Any, minimum: Any, maximum: Any) -> ColumnElement[bool]:
    qualifier, limit = RESULT_TABLE.c.qualifier, LIMIT_TABLE.c
    return and_(
        or_(
            limit.maximum.is_(None),
            and_(value <= maximum, qualifier != ">"),
            and_(limit.maximum == 0, qualifier == "<"),
        ),
        or_(limit.minimum.is_(None), and_(value >= minimum, qualifier != "<")),
    )


def _in_unit(unit: str) -> Callable[[ColumnElement[str]], ColumnElement[bool]]:
    return lambda written: func.lower(written).in_(UNITS[unit])


def _override(lot: FromClause, gate: Gate) -> ColumnElement[Any]:
    return (
        select(func.max(OVERRIDE_TABLE.c.seq))
        .where(
            OVERRIDE_TABLE.c.lot_id == lot.c.lot_id,
            OVERRIDE_TABLE.c.gate == gate.value,
            is_current(OVERRIDE_TABLE.c.seq),
        )
        .correlate(lot)
        .scalar_subquery()
    )


def _last_decision(lot: FromClause, column: ColumnElement[Any]) -> ColumnElement[Any]:
    return (
        select(column)
        .select_from(DECISION_TABLE)
        .where(DECISION_TABLE.c.lot_id == lot.c.lot_id)
        .order_by(DECISION_TABLE.c.seq.desc())
        .limit(1)
        .correlate(lot)
        .scalar_subquery()
    )


def _released_at_opening(lot: FromClause) -> ColumnElement[bool]:
    return exists(
        select(DECISION_TABLE.c.seq)
        .where(
            DECISION_TABLE.c.lot_id == lot.c.lot_id,
            DECISION_TABLE.c.decided_by == "opening",
            DECISION_TABLE.c.outcome == Outcome.RELEASE.value,
        )
        .correlate(lot)
    )


def _due_on(lot: FromClause, decision_record: ColumnElement[Any]) -> ColumnElement[Any]:
    """Return the date last promised for a decision, unless a decision came after the promise."""
    return (
        select(EXPECTATION_TABLE.c.due_on)
        .where(
            EXPECTATION_TABLE.c.lot_id == lot.c.lot_id,
            EXPECTATION_TABLE.c.seq > func.coalesce(decision_record, 0),
        )
        .order_by(EXPECTATION_TABLE.c.seq.desc())
        .limit(1)
        .correlate(lot)
        .scalar_subquery()
    )
