"""A program in which every rule that a person could loosen has a slack.

Physics stays rigid (balances, what a vehicle holds, links between flow and switches); what was
asked for or set as a limit can give: demand, exact supply, limits on stock, lanes, vehicles,
activities, and the limits of the network. Each slack belongs to an element (rule, id, commodity,
period), and is closed (a rule in force) or open.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.program import INF, ColumnKind, Program, RowRule
from bulkflow.core.values import NetworkData

__all__ = ["ConflictRule", "ElasticProgram", "Element", "elastic_program"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class ConflictRule(StrEnum):
    """Rules that can take part in a conflict."""

    DEMAND = "demand"
    SUPPLY_EXACTLY = "supply exactly"
    SUPPLY_AT_MOST = "supply at_most"
    SALES_AT_MOST = "sales at_most"
    STOCK_AT_MOST = "stock at_most"
    STOCK_AT_LEAST = "stock at_least"
    CAPACITY = "capacity"
    MIN_FLOW = "min_flow"
    MIN_IF_USED = "min_if_used"
    MIN_FILL = "vehicle min_fill"
    MAX_COUNT = "vehicle max_count"
    MIN_COUNT = "vehicle min_count"
    ACTIVITY_AT_MOST = "activity upper"
    ACTIVITY_AT_LEAST = "activity lower"
    LIMIT = "limit"


@dataclass(frozen=True, slots=True, order=True)
class Element:
    """One rule in one period; period from 1, None over the horizon."""

    rule: ConflictRule
    ref: str
    commodity: str | None
    period: int | None


_ROW_RULES = {
    RowRule.CAPACITY: ConflictRule.CAPACITY,
    RowRule.MIN_FLOW: ConflictRule.MIN_FLOW,
    RowRule.MIN_IF_USED: ConflictRule.MIN_IF_USED,
    RowRule.VEHICLE_FILL: ConflictRule.MIN_FILL,
    RowRule.LIMIT: ConflictRule.LIMIT,
}
_UPPER_RULES = {
    ColumnKind.FLOW: ConflictRule.CAPACITY,
    ColumnKind.VEHICLES: ConflictRule.MAX_COUNT,
    ColumnKind.STOCK: ConflictRule.STOCK_AT_MOST,
    ColumnKind.SUPPLY: ConflictRule.SUPPLY_AT_MOST,
    ColumnKind.SALES: ConflictRule.SALES_AT_MOST,
    ColumnKind.ACTIVITY: ConflictRule.ACTIVITY_AT_MOST,
}
_LOWER_RULES = {
    ColumnKind.FLOW: ConflictRule.MIN_FLOW,
    ColumnKind.VEHICLES: ConflictRule.MIN_COUNT,
    ColumnKind.STOCK: ConflictRule.STOCK_AT_LEAST,
    ColumnKind.ACTIVITY: ConflictRule.ACTIVITY_AT_LEAST,
}


@dataclass(frozen=True, slots=True)
class ElasticProgram:
    """A program with slack columns at the end, all closed.

    Parameters
    ----------
    elements : what each slack column loosens, in order.
    most : how far each slack may open.
    rows : the row in which each slack stands.
    """

    program: Program
    elements: tuple[Element, ...]
    most: FloatArray
    rows: IntArray
    first_slack: int


@dataclass(frozen=True, slots=True)
class _Slack:
    element: Element
    row: int
    sign: float
    most: float


def elastic_program(data: NetworkData, program: Program) -> ElasticProgram:
    """Return the elastic form of a program, with no costs but one on every slack, scaled."""
    slacks: list[_Slack] = [*_row_slacks(program), *_balance_slacks(data, program)]
    bound_rows = list(_bound_rows(data, program))
    for offset, (_, sign, element, _) in enumerate(bound_rows):
        slacks.append(_Slack(element, program.rows + offset, sign, INF))
    return _extended(program, bound_rows, slacks)


def _row_slacks(program: Program) -> Iterator[_Slack]:
    for row, rule in enumerate(program.row_rules):
        if rule not in _ROW_RULES:
            continue
        label = program.row_label(row)
        element = Element(_ROW_RULES[rule], label.ref, label.commodity, label.period)
        if np.isfinite(program.row_lower[row]):
            yield _Slack(element, row, 1.0, INF)
        if np.isfinite(program.row_upper[row]):
            yield _Slack(element, row, -1.0, INF)


def _balance_slacks(data: NetworkData, program: Program) -> Iterator[_Slack]:
    """Demand may go unserved and exact supply untaken, no further than their own quantity."""
    for row, rule in enumerate(program.row_rules):
        if rule is not RowRule.BALANCE:
            continue
        label = program.row_label(row)
        commodity, period = int(program.row_commodities[row]), int(program.row_periods[row])
        node = data.nodes[data.node_index[label.ref]]
        asked = float(node.demand[commodity, period])
        fixed = float(node.supply_fixed[commodity, period])
        if asked > 0 and node.shortage_cost is None:
            element = Element(ConflictRule.DEMAND, label.ref, label.commodity, label.period)
            yield _Slack(element, row, 1.0, asked)
        if fixed > 0:
            element = Element(ConflictRule.SUPPLY_EXACTLY, label.ref, label.commodity, label.period)
            yield _Slack(element, row, -1.0, fixed)


def _bound_rows(data: NetworkData, program: Program) -> Iterator[tuple[int, float, Element, float]]:
    """Yield (column, sign of its slack, element, side) of column bounds that can give."""
    may_send = {lane.id: lane.may_send for lane in data.lanes}
    for column in range(program.columns):
        label = program.column_label(column)
        on_lane = label.kind in (ColumnKind.FLOW, ColumnKind.VEHICLES)
        if on_lane and not may_send[label.ref][label.period - 1]:
            continue  # what cannot arrive helps nobody
        upper, lower = float(program.upper[column]), float(program.lower[column])
        if label.kind in _UPPER_RULES and np.isfinite(upper):
            rule = _UPPER_RULES[label.kind]
            yield column, -1.0, Element(rule, label.ref, label.commodity, label.period), upper
        if label.kind in _LOWER_RULES and lower > 0:
            rule = _LOWER_RULES[label.kind]
            yield column, 1.0, Element(rule, label.ref, label.commodity, label.period), lower


def _extended(
    program: Program,
    bound_rows: list[tuple[int, float, Element, float]],
    slacks: list[_Slack],
) -> ElasticProgram:
    extra, count = len(bound_rows), len(slacks)
    lower, upper = program.lower.copy(), program.upper.copy()
    row_lower = np.concatenate([program.row_lower, np.full(extra, -INF)])
    row_upper = np.concatenate([program.row_upper, np.full(extra, INF)])
    for offset, (column, sign, _, side) in enumerate(bound_rows):
        row = program.rows + offset
        if sign > 0:
            row_lower[row] = side
            lower[column] = 0.0
        else:
            row_upper[row] = side
            upper[column] = INF
    columns = np.array([column for column, *_ in bound_rows], dtype=np.int64)
    pick = sparse.csr_array(
        (np.ones(extra), (np.arange(extra), columns)), shape=(extra, program.columns)
    )
    rows = np.array([slack.row for slack in slacks], dtype=np.int64)
    signs = np.array([slack.sign for slack in slacks])
    loosened = sparse.csr_array(
        (signs, (rows, np.arange(count))), shape=(program.rows + extra, count)
    )
    stacked = sparse.csr_array(sparse.vstack([program.matrix, pick]))
    sides = np.where(np.isfinite(row_lower), row_lower, row_upper)[rows]
    scale = np.maximum(1.0, np.abs(np.where(np.isfinite(sides), sides, 1.0)))
    extended = replace(
        program,
        sign=1.0,
        constant=0.0,
        cost=np.concatenate([np.zeros(program.columns), 1.0 / scale]),
        lower=np.concatenate([lower, np.zeros(count)]),
        upper=np.concatenate([upper, np.zeros(count)]),
        integer=np.concatenate([program.integer, np.zeros(count, dtype=bool)]),
        matrix=sparse.csr_array(sparse.hstack([stacked, loosened])),
        row_lower=row_lower,
        row_upper=row_upper,
    )
    return ElasticProgram(
        program=extended,
        elements=tuple(slack.element for slack in slacks),
        most=np.array([slack.most for slack in slacks]),
        rows=rows,
        first_slack=program.columns,
    )
