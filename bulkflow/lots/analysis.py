"""Results against limits with their uncertainty, and a supplier's history.

A result is inside, outside, or too close to call: then it says how many results in all would settle
it. The gate of a lot takes a result as it is (simple acceptance); the guard band tells whoever
releases how sure that is. Where a result states no uncertainty, that of the Horwitz prediction for
its level is taken, and said to be predicted.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import MethodError, OutOfRangeError
from bulkflow.laboratory.agreement import agreement_limit, horwitz_reproducibility_limit
from bulkflow.laboratory.conformity import Judged, judge
from bulkflow.laboratory.replicates import ROUNDED_FACTOR
from bulkflow.laboratory.units import converted, unit_named
from bulkflow.lots.bodies import Result
from bulkflow.lots.gates import laboratory_checks
from bulkflow.lots.queries import LotFilter, LotLine, find_lot, list_lots
from bulkflow.lots.tables import LOT_TABLE, RESULT, RESULT_TABLE
from bulkflow.records.chain import is_current
from bulkflow.records.schema import RECORD
from bulkflow.statistics.control_charts import ShewhartChart, individuals
from bulkflow.statistics.precision import (
    PrecisionResult,
    mandel_h_limit,
    mandel_k_limit,
    precision,
)
from bulkflow.statistics.tolerance import one_sided_factor

__all__ = [
    "Agreement",
    "Analysis",
    "Laboratories",
    "SupplierAnalyte",
    "analyses_of",
    "supplier_history",
]

#: A chart and a tolerance limit are drawn from so many lots on.
FEWEST_LOTS = 5
COVERAGE = CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Analysis:
    """One standing result held against one limit, in the limit's unit.

    ``uncertainty`` is standard; ``predicted`` where it was not stated. ``judged`` is None where
    only a bound is known, or the units cannot be compared.
    """

    analyte: str
    market: str | None
    minimum: Decimal | None
    maximum: Decimal | None
    unit: str
    result: Result
    record: int
    value: float | None
    uncertainty: float | None
    predicted: bool
    judged: Judged | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """A supplier's own result of a lot against another laboratory's [g/hl pa or the unit]."""

    lot_id: str
    analyte: str
    certificate: float
    own: float
    limit: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class Laboratories:
    """Repeatability and reproducibility over laboratories on one lot, and who stands out (5 %)."""

    lot_id: str
    analyte: str
    precision: PrecisionResult
    outside: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SupplierAnalyte:
    """What a supplier's lots held of one analyte, in the order of time.

    ``upper`` is the tolerance limit below which 95 % of its lots lie, with 95 % confidence; the
    chart's signals count from 1. Both are None for fewer than five lots.
    """

    analyte: str
    unit: str
    lots: tuple[str, ...]
    values: tuple[float, ...]
    chart: ShewhartChart | None
    upper: float | None
    agreements: tuple[Agreement, ...]
    laboratories: tuple[Laboratories, ...]


def analyses_of(session: Session, lot_id: str) -> list[Analysis]:
    """Return each standing result of a lot against each limit on it.

    Raises
    ------
    InputError
        If the lot is not in the register.
    """
    lot = find_lot(session, lot_id)
    bodies = dict(_results(session, [lot_id]))
    rows = session.execute(
        laboratory_checks()
        .where(LOT_TABLE.c.seq == lot.record)
        .order_by("analyte", "limit_record", "result_record")
    )
    return [
        _analysis(check, check.result_record, bodies[check.result_record], lot)
        for check in rows
        if check.result_record is not None
    ]


def _analysis(check: Any, record: int, result: Result, lot: LotLine) -> Analysis:
    value = _in_unit(float(result.value), result.unit, check.unit, lot)
    own = result.uncertainty
    spread = None if own is None else _in_unit(float(own), result.unit, check.unit, lot)
    predicted = False
    if spread is None and value is not None and unit_named(check.unit) == "g/hl pa" and value > 0:
        spread = _predicted(value, lot)
        predicted = spread is not None
    judged = None
    if value is not None and result.qualifier == "=":
        judged = judge(
            value,
            spread,
            minimum=None if check.minimum is None else float(check.minimum),
            maximum=None if check.maximum is None else float(check.maximum),
        )
    return Analysis(
        check.analyte, check.market, check.minimum, check.maximum, check.unit,
        result, record, value, spread, predicted, judged,
    )  # fmt: skip


def _in_unit(value: float, unit: str, wanted: str, lot: LotLine) -> float | None:
    if unit == wanted:
        return value
    try:
        return converted(value, unit, wanted, float(lot.strength_percent))
    except OutOfRangeError:
        return None


def _predicted(value: float, lot: LotLine) -> float | None:
    try:
        limit = horwitz_reproducibility_limit(value, float(lot.strength_percent))
    except OutOfRangeError:
        return None
    return limit / ROUNDED_FACTOR


def _results(session: Session, lot_ids: Sequence[str]) -> Iterable[tuple[int, Result]]:
    for start in range(0, len(lot_ids), 500):
        query = (
            select(RECORD.c.seq, RECORD.c.version, RECORD.c.body)
            .join(RESULT_TABLE, RESULT_TABLE.c.seq == RECORD.c.seq)
            .where(
                RESULT_TABLE.c.lot_id.in_(lot_ids[start : start + 500]),
                is_current(RESULT_TABLE.c.seq),
            )
            .order_by(RECORD.c.seq)
        )
        for seq, version, body in session.execute(query):
            yield seq, RESULT.read(version, body)


def supplier_history(session: Session, supplier_id: str) -> list[SupplierAnalyte]:
    """Return what a supplier's lots held, analyte by analyte.

    Its own certificate is what was recorded with the supplier's name as the laboratory; every
    other laboratory's results are held against it. Amounts are in g/hl of pure alcohol.
    """
    lots = {one.lot_id: one for one in list_lots(session, LotFilter(supplier_id=supplier_id))}
    order = sorted(lots, key=lambda name: (str(lots[name].made_on or ""), lots[name].record))
    by: dict[tuple[str, str], dict[str, list[tuple[Result, float]]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for _, result in _results(session, order):
        lot = lots[result.lot_id]
        unit = "g/hl pa" if unit_named(result.unit) else result.unit
        value = _in_unit(float(result.value), result.unit, unit, lot)
        if value is not None and result.qualifier == "=":
            by[result.analyte, unit][result.lot_id].append((result, value))
    return [
        _analyte(analyte, unit, [name for name in order if name in found], found, lots, supplier_id)
        for (analyte, unit), found in sorted(by.items())
    ]


def _analyte(
    analyte: str,
    unit: str,
    order: list[str],
    found: dict[str, list[tuple[Result, float]]],
    lots: dict[str, LotLine],
    supplier: str,
) -> SupplierAnalyte:
    means = [sum(value for _, value in found[name]) / len(found[name]) for name in order]
    chart, upper = None, None
    if len(means) >= FEWEST_LOTS and max(means) > min(means):
        chart = individuals(means)
        middle = sum(means) / len(means)
        spread = (sum((one - middle) ** 2 for one in means) / (len(means) - 1)) ** 0.5
        upper = middle + one_sided_factor(len(means), COVERAGE, CONFIDENCE) * spread
    agreements = (
        one for name in order for one in _agreements(lots[name], analyte, found[name], supplier)
    )
    return SupplierAnalyte(
        analyte, unit, tuple(order), tuple(means), chart, upper, tuple(agreements),
        tuple(one for name in order for one in _laboratories(name, analyte, found[name])),
    )  # fmt: skip


def _agreements(
    lot: LotLine, analyte: str, results: list[tuple[Result, float]], supplier: str
) -> Iterable[Agreement]:
    theirs = [one for one in results if _is_of(one[0], supplier)]
    ours = [one for one in results if not _is_of(one[0], supplier)]
    for certificate, value in theirs[-1:]:
        for own, other in ours[-1:]:
            limit = agreement_limit(2.0 * _u(certificate, value, lot), 2.0 * _u(own, other, lot))
            yield Agreement(lot.lot_id, analyte, value, other, limit, abs(value - other) <= limit)


def _is_of(result: Result, supplier: str) -> bool:
    return (result.laboratory or "").casefold() == supplier.casefold()


def _u(result: Result, value: float, lot: LotLine) -> float:
    """Return a result's standard uncertainty in g/hl pa (or its unit): stated, else predicted."""
    if result.uncertainty is not None:
        wanted = "g/hl pa" if unit_named(result.unit) else result.unit
        found = _in_unit(float(result.uncertainty), result.unit, wanted, lot)
        if found is not None:
            return found
    return (_predicted(value, lot) or 0.0) if value > 0 and unit_named(result.unit) else 0.0


def _laboratories(
    lot_id: str, analyte: str, results: list[tuple[Result, float]]
) -> Iterable[Laboratories]:
    cells: dict[str, list[float]] = defaultdict(list)
    for result, value in results:
        cells[result.laboratory or "not named"].append(value)
    replicates = min((len(values) for values in cells.values()), default=0)
    if len(cells) < 3 or replicates < 2:
        return
    try:
        found = precision(cells)
    except MethodError:
        return
    h, k = mandel_h_limit(len(cells), 0.05), mandel_k_limit(len(cells), replicates, 0.05)
    outside = tuple(
        name
        for name, one_h, one_k in zip(found.laboratories, found.h, found.k, strict=True)
        if abs(one_h) > h or one_k > k
    )
    yield Laboratories(lot_id, analyte, found, outside)
