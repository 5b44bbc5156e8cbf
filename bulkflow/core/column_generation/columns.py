"""Plans of subproblems, the columns of the restricted master, as values of the program."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.column_generation.dynamic import SubproblemPlans
from bulkflow.core.column_generation.subproblems import Decomposition, Subproblem

__all__ = ["PlanColumn", "plan_of_amounts", "plans_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PlanColumn:
    """One plan of one subproblem: a column of the restricted master.

    Parameters
    ----------
    counts : vehicles of each sending.
    columns, values : of the program, where not zero.
    cost : at the program's own costs.
    """

    item: int
    counts: tuple[int, ...]
    columns: IntArray
    values: FloatArray
    cost: float


def plans_of(split: Decomposition, plans: SubproblemPlans, first: int = 0) -> list[PlanColumn]:
    """Return the plans of items ``first`` and following."""
    return [
        plan_of_amounts(split, first + row, counts, amounts)
        for row, (counts, amounts) in enumerate(zip(plans.counts, plans.amounts, strict=True))
    ]


def plan_of_amounts(
    split: Decomposition, number: int, counts: FloatArray, amounts: FloatArray
) -> PlanColumn:
    """Return the plan of an item with these counts and amounts arriving of each sending."""
    item = split.items[number]
    program, periods = split.program, split.program.periods
    used = len(item.sendings)
    arrival = np.array([one.arrival for one in item.sendings])
    gain = np.array([one.gain for one in item.sendings])
    arriving = np.bincount(arrival, weights=amounts[:used], minlength=periods + 1)
    net = np.asarray(
        item.position + np.cumsum(arriving[:periods]) - np.cumsum(item.needs), dtype=np.float64
    )
    steps = np.arange(periods)
    columns = [
        np.array([one.flow for one in item.sendings], dtype=np.int64),
        np.array([one.vehicles for one in item.sendings], dtype=np.int64),
        item.stock + steps,
    ]
    stock = np.maximum(net, 0.0)
    values = [amounts[:used] / gain, counts[:used], stock]
    if item.shortage >= 0:
        columns.append(item.shortage + steps)
        values.append(np.maximum(-net, 0.0))
    slack_columns, slack_values = _slacks(item, net, float(arriving[periods]))
    columns.append(slack_columns)
    values.append(slack_values)
    place, amount = np.concatenate(columns), np.concatenate(values)
    keep = amount != 0
    place, amount = place[keep], amount[keep]
    return PlanColumn(
        number,
        tuple(int(one) for one in counts[:used]),
        place,
        amount,
        float(program.cost[place] @ amount),
    )


def _slacks(item: Subproblem, net: FloatArray, under_way: float) -> tuple[IntArray, FloatArray]:
    """Return what floors and closing target miss; net is stock less what is owed."""
    columns, values = [], []
    stock = np.maximum(net, 0.0)
    last = float(net[-1] if item.closing_takes_owed else stock[-1])
    for period in np.flatnonzero(item.floor_slacks >= 0):
        columns.append(int(item.floor_slacks[period]))
        values.append(max(0.0, float(item.floors[period] - stock[period])))
    if item.closing_slack >= 0:
        columns.append(item.closing_slack)
        values.append(max(0.0, item.closing - last - under_way))
    return np.array(columns, dtype=np.int64), np.array(values)
