"""Rows of limits: sums of terms, per period or over the horizon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Limit, Term, TermKind
from bulkflow.core.program import INF, ColumnKind, ProgramBuilder, RowRule
from bulkflow.core.values import NetworkData, over_periods

__all__ = ["add_limits"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_COLUMN_OF = {
    TermKind.FLOW: ColumnKind.FLOW,
    TermKind.USED: ColumnKind.USED,
    TermKind.VEHICLES: ColumnKind.VEHICLES,
    TermKind.STOCK: ColumnKind.STOCK,
    TermKind.IN_TRANSIT: ColumnKind.FLOW,
    TermKind.SUPPLY: ColumnKind.SUPPLY,
    TermKind.SHORTAGE: ColumnKind.SHORTAGE,
    TermKind.SALES: ColumnKind.SALES,
    TermKind.ACTIVITY: ColumnKind.ACTIVITY,
}
_WITHOUT_COMMODITY = {ColumnKind.USED, ColumnKind.VEHICLES, ColumnKind.ACTIVITY}


@dataclass(frozen=True, slots=True)
class _Counted:
    """What a term counts: a column once in a period (triplets), and a constant per period."""

    periods: IntArray
    columns: IntArray
    constant: FloatArray


def add_limits(builder: ProgramBuilder, data: NetworkData) -> None:
    """Add the rows of every limit."""
    for limit in data.network.limits:
        _add_limit(builder, data, limit)


def _add_limit(builder: ProgramBuilder, data: NetworkData, limit: Limit) -> None:
    periods = np.arange(data.periods)
    if limit.periods is not None:
        periods = np.unique(np.asarray(limit.periods, dtype=np.int64)) - 1
    lower, upper = _sides(limit, data.periods)
    row_of = np.full(data.periods, -1, dtype=np.int64)
    if limit.over_horizon:
        rows = builder.add_rows(
            RowRule.LIMIT, limit.id, -1, np.array([-1]), lower=lower[:1], upper=upper[:1]
        )
        row_of[periods] = rows[0]
    else:
        rows = builder.add_rows(
            RowRule.LIMIT, limit.id, -1, periods, lower=lower[periods], upper=upper[periods]
        )
        row_of[periods] = rows
    for term in limit.terms:
        _add_term(builder, term, _counted(builder, data, term), row_of)


def _sides(limit: Limit, periods: int) -> tuple[FloatArray, FloatArray]:
    if limit.exactly is not None:
        exact = over_periods(limit.exactly, periods, 0.0)
        return exact, exact
    return over_periods(limit.at_least, periods, -INF), over_periods(limit.at_most, periods, INF)


def _add_term(builder: ProgramBuilder, term: Term, counted: _Counted, row_of: IntArray) -> None:
    """Add a term to its rows: the row of period t counts periods t - lag_last .. t - lag_first."""
    last = len(row_of)
    times = over_periods(term.times, last, 1.0)
    every = np.arange(last)
    for lag in range(max(term.lag_first, -last), min(term.lag_last, last) + 1):
        at = counted.periods + lag
        keep = (at >= 0) & (at < last)
        keep[keep] = row_of[at[keep]] >= 0
        builder.add_entries(row_of[at[keep]], counted.columns[keep], times[at[keep]])
        if counted.constant.any():
            at = every + lag
            keep = (at >= 0) & (at < last)
            keep[keep] = row_of[at[keep]] >= 0
            builder.add_to_sides(row_of[at[keep]], -counted.constant[keep] * times[at[keep]])


def _counted(builder: ProgramBuilder, data: NetworkData, term: Term) -> _Counted:
    kind = TermKind(term.kind)
    steps = np.arange(data.periods)
    columns = [start + steps for start in _blocks(builder, data, term, _COLUMN_OF[kind])]
    constant = np.zeros(data.periods)
    periods = steps
    within = steps
    if kind is TermKind.IN_TRANSIT:
        periods, within = _on_the_way(data.lanes[data.lane_index[term.ref]].arrival)
    if kind is TermKind.SUPPLY:
        fixed = data.nodes[data.node_index[term.ref]].supply_fixed
        if term.commodity is not None:
            index = data.commodity_index[term.commodity]
            fixed = fixed[index : index + 1]
        constant = fixed.sum(axis=0)
    empty = np.zeros(0, dtype=np.int64)
    return _Counted(
        periods=np.concatenate([empty, *([periods] * len(columns))]),
        columns=np.concatenate([empty, *(block[within] for block in columns)]),
        constant=constant,
    )


def _blocks(builder: ProgramBuilder, data: NetworkData, term: Term, kind: ColumnKind) -> list[int]:
    """Return the first column of every block the term sums; quantities always zero have none."""
    if kind in _WITHOUT_COMMODITY:
        commodities = [-1]
    elif term.commodity is not None:
        commodities = [data.commodity_index[term.commodity]]
    else:
        commodities = list(range(len(data.commodities)))
    starts = (builder.start(kind, term.ref, commodity) for commodity in commodities)
    return [start for start in starts if start is not None]


def _on_the_way(arrival: IntArray) -> tuple[IntArray, IntArray]:
    """Return (period, sending period) pairs: sent by the end of the period, not yet arrived."""
    last = len(arrival)
    sent = np.arange(last)
    period, sending = np.nonzero(
        (sent[None, :] <= sent[:, None]) & (arrival[None, :] > sent[:, None])
    )
    return period, sending
